from __future__ import annotations

import json
import signal
import sqlite3
import subprocess
import sys
from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from partsong.errors import Conflict, InvalidInput, NoSuchRecord, NotAFilm, OutputFailed
from partsong.film.records import (
    WIDE,
    ChannelMix,
    Clip,
    Film,
    Finding,
    Look,
    Mask,
    MediaFile,
    Oval,
    Part,
    PictureInfo,
    Placement,
    Plate,
    Pose,
    PoseKey,
    Registration,
    Shot,
    Song,
    SoundInfo,
    Stage,
    Stem,
    Take,
    TempoMark,
)
from partsong.film.store import FilmStore
from partsong.timebase import Rate, Time


def clip(name: str, *, picture: bool = True) -> Clip:
    return Clip(
        file=MediaFile(path=name, size_bytes=10, fingerprint="0" * 32),
        container="mov",
        duration=Time(ticks=480000),
        picture=PictureInfo(
            codec="h264", width=64, height=36, rate=Rate.of(24), frames=240, pixel_format="yuv422p10le", bit_depth=10
        )
        if picture
        else None,
        sound=SoundInfo(codec="pcm_s16le", rate_hz=48000, channels=2, layout="stereo", samples=480000),
    )


@pytest.fixture
def film() -> Film:
    """A small film with one of everything."""
    return Film(
        name="Small",
        rate=Rate.of(24),
        width=64,
        height=36,
        song=Song(
            title="Small",
            mix=clip("mix.wav", picture=False),
            stems=(Stem(part="bass", clip=clip("bass.wav", picture=False)),),
            tempo=(TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=92),),
        ),
        parts=(Part(id="bass", name="Bass"), Part(id="reed", name="Reed", distance_m=3.5)),
        takes=(
            Take(id="bass-1", kind="stage", part="bass", clip=clip("a.mov")),
            Take(id="reed-1", kind="stage", part="reed", clip=clip("b.mov")),
            Take(id="roaming-1", kind="roaming", clip=clip("c.mov")),
        ),
        plates=(Plate(id="room", clip=clip("p.mov")),),
        placements=(Placement(take="bass-1", confidence="sure", start=Time(ticks=-4800)),),
        stage=Stage(reference="bass-1", order=("bass-1", "reed-1")),
        cut=(Shot(source=WIDE, start=0, end=48), Shot(source="roaming-1", start=48, end=96)),
    )


@pytest.fixture
def store(tmp_path, film):
    with FilmStore.create(tmp_path / "film", film, "Made a film") as opened:
        yield opened


def replace_take(film: Film, take: str, **changes: object) -> Film:
    return film.replace(takes=tuple(t.replace(**changes) if t.id == take else t for t in film.takes))


numbers = st.floats(-500, 500, allow_nan=False)
positive = st.floats(0.5, 500)
times = st.builds(Time, ticks=st.integers(-(10**9), 10**9))
take_ids = st.sampled_from(["bass-1", "reed-1"])
text = st.text(max_size=20)
LOOK = Look(config="some-config", display="screen", view="plain")

# One strategy for every kind of change the program makes; each yields a function from film to film.
CHANGES = st.one_of(
    st.builds(lambda name: lambda f: f.replace(name=name), text),
    st.builds(lambda d: lambda f: f.replace(parts=(f.parts[0].replace(distance_m=d), *f.parts[1:])), positive),
    st.builds(lambda n: lambda f: replace_take(f, "reed-1", notes=n), text),
    st.builds(lambda c: lambda f: replace_take(f, "bass-1", circled=c), st.booleans()),
    st.builds(
        lambda start, ppm: (
            lambda f: f.replace(placements=(Placement(take="reed-1", confidence="likely", start=start, drift_ppm=ppm),))
        ),
        times,
        numbers,
    ),
    st.builds(
        lambda take, x, y, rx, ry, feather: (
            lambda f: f.replace(
                stage=f.stage.replace(masks=(Mask(take=take, shape=Oval(x=x, y=y, rx=rx, ry=ry), feather_px=feather),))
            )
        ),
        take_ids,
        numbers,
        numbers,
        positive,
        positive,
        positive,
    ),
    st.builds(
        lambda take, dx: (
            lambda f: f.replace(
                stage=f.stage.replace(
                    registrations=(Registration(take=take, keys=(PoseKey(frame=0, pose=Pose(dx_px=dx)),)),)
                )
            )
        ),
        take_ids,
        numbers,
    ),
    st.just(lambda f: f.replace(stage=f.stage.replace(order=tuple(reversed(f.stage.order))))),
    st.builds(lambda e: lambda f: f.replace(look=LOOK.replace(exposure_stops=e)), st.floats(-4, 4)),
    st.just(lambda f: f.replace(look=LOOK.replace(black_and_white=ChannelMix(red=0.5, green=0.25, blue=0.25)))),
    st.builds(lambda n: lambda f: f.replace(cut=(Shot(source=WIDE, start=0, end=n),)), st.integers(1, 10**6)),
    st.builds(
        lambda bpm: (
            lambda f: f.replace(
                song=f.song.replace(
                    tempo=(TempoMark(bar=1, at=Time(ticks=7), bpm_num=bpm.numerator, bpm_den=bpm.denominator),)
                )
            )
        ),
        st.fractions(min_value=Fraction(30), max_value=300),
    ),
    st.builds(
        lambda s: (
            lambda f: f.replace(
                findings=(Finding(take="bass-1", kind="camera", sentence=s, advice="Look.", verdict="look first"),)
            )
        ),
        text,
    ),
    st.just(lambda f: f.replace(plates=())),
    st.just(lambda f: f.replace(takes=f.takes[:2], cut=())),
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=st.lists(CHANGES, min_size=1, max_size=8))
def test_undo_and_redo_walk_the_exact_documents(store, changes):
    before = [store.head().film]
    for change in changes:
        head = store.change("Changed something", change)
        if head.film != before[-1]:
            before.append(head.film)
    for earlier in reversed(before[:-1]):
        assert store.undo().film == earlier
    for later in before[1:]:
        assert store.redo().film == later
    # What lies in the file is the document, to the last digit.
    assert store.film_at(store.head().revision.number).model_dump_json() == before[-1].model_dump_json()


def test_a_change_after_undo_leaves_the_old_branch_in_the_store(store):
    first = store.change("Named it A", lambda f: f.replace(name="A"))
    store.undo()
    store.change("Named it B", lambda f: f.replace(name="B"))
    assert store.film_at(first.revision.number).name == "A"
    with pytest.raises(InvalidInput, match="nothing to redo"):
        store.redo()
    assert [r.sentence for r in store.history()] == ["Made a film", "Named it A", "Named it B"]


def test_there_is_a_first_revision_below_which_nothing_lies(store):
    with pytest.raises(InvalidInput, match="nothing to undo"):
        store.undo()
    with pytest.raises(NoSuchRecord, match="no revision 99"):
        store.film_at(99)


def test_a_change_that_changes_nothing_makes_no_revision(store):
    assert store.change("Nothing", lambda f: f.replace(name=f.name)).revision.number == 1
    assert len(store.history()) == 1


def test_a_change_that_fails_leaves_the_film_as_it_was(store, film):
    with pytest.raises(InvalidInput, match="overlap"):
        store.change(
            "Broke it", lambda f: f.replace(cut=(Shot(source=WIDE, start=0, end=9), Shot(source=WIDE, start=5, end=9)))
        )
    assert store.head().film == film
    assert store.change("Named it", lambda f: f.replace(name="still writable")).film.name == "still writable"


def test_two_writers_one_conflict_and_no_lost_edit(store, film):
    with FilmStore.open(store.folder.root) as other:
        base = other.head().revision.number
        store.change("Renamed the film", lambda f: f.replace(name="Theirs"))
        with pytest.raises(Conflict, match=r"changed elsewhere.*Renamed the film"):
            other.commit(film.replace(name="Mine"), "Named it mine", base=base)
        assert other.head().film.name == "Theirs"
        # The way out that the message names: look again and make the change again.
        again = other.head()
        other.commit(again.film.replace(name="Both"), "Named it both", base=again.revision.number)
    assert store.head().film.name == "Both"


# A writer in a process of its own: it appends notes to one take and prints each number once it is saved.
WRITER = """
import sys
from partsong.film.store import FilmStore

root, name, count = sys.argv[1], sys.argv[2], int(sys.argv[3])

def noted(film, text):
    return film.replace(takes=tuple(
        take.replace(notes=f"{take.notes} {text}") if take.id == "bass-1" else take for take in film.takes))

with FilmStore.open(root) as store:
    for number in range(count):
        store.change(f"Note {number}", lambda film: noted(film, f"{name}.{number}"))
        print(number, flush=True)
"""


def start_writer(store: FilmStore, name: str, count: int) -> subprocess.Popen[str]:
    words = [sys.executable, "-c", WRITER, str(store.folder.root), name, str(count)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, text=True)


def test_processes_that_edit_at_once_lose_nothing(store):
    writers = [start_writer(store, name, 15) for name in "abc"]
    for writer in writers:
        writer.communicate(timeout=60)
    assert [writer.returncode for writer in writers] == [0, 0, 0]
    notes = store.head().film.take("bass-1").notes.split()
    assert sorted(notes) == sorted(f"{name}.{n}" for name in "abc" for n in range(15))


@pytest.mark.parametrize("kill_after", [2, 9])
def test_a_killed_writer_loses_nothing_that_it_reported(store, kill_after):
    writer = start_writer(store, "a", 100_000)
    assert writer.stdout is not None
    while int(writer.stdout.readline()) < kill_after:
        pass
    writer.kill()
    reported = [int(line) for line in writer.communicate(timeout=60)[0].split()] or [kill_after]
    assert writer.returncode == -signal.SIGKILL
    with FilmStore.open(store.folder.root) as reopened:
        kept = reopened.head().film.take("bass-1").notes.split()
        assert kept == [f"a.{n}" for n in range(len(kept))]
        assert len(kept) > reported[-1]
        reopened.change("Went on", lambda f: f.replace(name="went on"))


def test_a_folder_without_a_film_and_a_damaged_film_are_said(tmp_path, film):
    with pytest.raises(NotAFilm, match=r"no film.db"):
        FilmStore.open(tmp_path)
    FilmStore.create(tmp_path / "film", film, "Made").close()
    with pytest.raises(InvalidInput, match="already holds a film"):
        FilmStore.create(tmp_path / "film", film, "Made again")
    (tmp_path / "film" / "film.db").write_bytes(b"not a database, but long enough to look at" * 100)
    with pytest.raises(NotAFilm, match="damaged"):
        FilmStore.open(tmp_path / "film")


def test_a_film_that_is_damaged_further_in_is_said_when_that_is_read(store):
    database = store.folder.database
    with sqlite3.connect(database) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = other.execute("SELECT rootpage FROM sqlite_master WHERE name = 'revision'").fetchone()
        (size,) = other.execute("PRAGMA page_size").fetchone()
    other.close()
    root = store.folder.root
    store.close()
    codes = bytearray(database.read_bytes())
    codes[(page - 1) * size : page * size] = b"\x77" * size
    database.write_bytes(codes)
    with FilmStore.open(root) as damaged, pytest.raises(NotAFilm, match=r"film.db is damaged.*Restore it"):
        damaged.head()


def test_a_full_disk_is_said_and_the_film_stays_as_it_was(store, film):
    (pages,) = store._db.execute("PRAGMA page_count").fetchone()
    store._db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(OutputFailed, match=r"film.db could not be written: .*full.*nothing was changed"):
        store.change("Wrote a long note", lambda f: f.replace(name="long " * 100_000))
    assert store.head().film == film
    store._db.execute("PRAGMA max_page_count = 100000")
    assert store.change("Named it", lambda f: f.replace(name="still writable")).film.name == "still writable"


def test_a_film_that_others_keep_writing_is_said(store, film, monkeypatch):
    monkeypatch.setattr("partsong.film.store._BUSY_TIMEOUT_S", 0.05)
    with (
        FilmStore.open(store.folder.root) as other,
        store._write(),
        pytest.raises(Conflict, match=r"film.db is being written by somebody else"),
    ):
        other.change("Renamed the film", lambda f: f.replace(name="Theirs"))
    assert store.head().film == film


def test_a_document_of_a_newer_program_is_refused_not_guessed(store):
    with sqlite3.connect(store.folder.database) as database:
        (document,) = database.execute("SELECT document FROM revision").fetchone()
        newer = json.dumps({**json.loads(document), "schema_version": 99})
        database.execute("UPDATE revision SET document = ?", (newer,))
    database.close()
    with pytest.raises(NotAFilm, match="newer Partsong"):
        store.head()
