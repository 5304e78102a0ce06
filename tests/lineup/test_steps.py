"""The steps on a real film: files in, one revision out."""

import json
import signal
import subprocess
import sys
import time
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from days import Day, copied
from partsong.cli.main import app
from partsong.engine.local import Local
from partsong.errors import Cancelled, InvalidInput
from partsong.film.folder import FilmFolder
from partsong.film.records import Part, Plan, PlannedCamera, PlannedSpot, Song, Stem, Take, TempoMark
from partsong.film.store import FilmStore
from partsong.lineup import steps
from partsong.lineup.hearing import hear_clip
from partsong.lineup.locate import Reference, locate
from partsong.lineup.report import facts
from partsong.media.probe import probe
from partsong.timebase import Rate, Time
from partsong.watch import Watch, silent

RATE = Rate.of(25)
HERE_S = {"drum-1": -2.0, "roam-1": 12.345}
DELAY_S = 3 / 343.2


@pytest.fixture(scope="module")
def made(placed_by_content, band, tmp_path_factory):
    """Make a film with four takes: one clear, one roaming, one of another song, one silent."""
    day = Day(tmp_path_factory.mktemp("day"), RATE)
    song = band.song(40)
    for name in ("mix", "drum"):
        day.sound(name, song[name])
    day.grey("drum", band.filmed(song["drum"], HERE_S["drum-1"], 30, drift_ppm=60))
    day.grey("roam", band.filmed(song["mix"], HERE_S["roam-1"], 12))
    day.grey("other", type(band)(77).filmed(type(band)(77).song(30)["mix"], 3, 12))
    day.grey("silent", np.zeros(5 * 16000))
    day.film(
        song=Song(
            title="Test",
            mix=day.clip("mix.wav"),
            stems=(Stem(part="drum", clip=day.clip("drum.wav")),),
            tempo=(TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=92),),
        ),
        parts=(Part(id="drum", name="Drum", distance_m=3.0), Part(id="pad", name="Pad")),
        takes=(
            Take(id="drum-1", kind="stage", part="drum", clip=day.clip("drum.mov")),
            Take(id="roam-1", kind="roaming", clip=day.clip("roam.mov")),
            Take(id="other-1", kind="roaming", clip=day.clip("other.mov")),
            Take(id="pad-1", kind="stage", part="pad", clip=day.clip("silent.mov")),
        ),
    )
    return day.root


@pytest.fixture(scope="module")
def placed_once(made, tmp_path_factory):
    day = tmp_path_factory.mktemp("placed")
    with FilmStore.open(copied(made, day)) as store:
        steps.place(store, None, watch=silent(), engine=Local(1))
    return day


@pytest.fixture
def film(made, tmp_path):
    """Give a film in which nothing is placed or heard."""
    return copied(made, tmp_path)


@pytest.fixture
def placed(placed_once, tmp_path):
    """Give a film in which all four takes were placed."""
    return copied(placed_once, tmp_path)


def test_placing_meets_the_truth_in_one_revision(film):
    with FilmStore.open(film) as store:
        before = len(store.history())
        found = {placement.take: placement for placement in steps.place(store, None, watch=silent(), engine=Local(1))}

        assert len(store.history()) == before + 1
        assert store.head().revision.sentence == "Placed 2 takes on the song, 2 to ask about"
        assert store.head().film.placements == tuple(found.values())
    drum, roam = found["drum-1"], found["roam-1"]
    assert (drum.confidence, roam.confidence) == ("sure", "sure")
    # The picture of the clip starts where we put it: the delay over three metres is taken out. Half a millisecond.
    assert float(drum.start) == pytest.approx(HERE_S["drum-1"], abs=5e-4)
    assert drum.drift_ppm == pytest.approx(60, abs=3)
    assert drum.delay_from == "measured"
    assert float(drum.arrival_delay) == pytest.approx(DELAY_S, abs=2e-5)  # one 48 kHz sample
    # The distance of the roaming camera is not known: 10 ms are taken for its 8.74, and that is said.
    assert float(roam.start) == pytest.approx(HERE_S["roam-1"] + 0.010 - DELAY_S, abs=5e-4)
    assert roam.delay_from == "assumed"
    assert found["other-1"].confidence == "none"
    assert found["other-1"].start is None
    assert found["pad-1"].confidence == "none"
    assert "silent" in found["pad-1"].sentence


def planned_at(y_m):
    """Plan the drum straight ahead of the lens and level with it, where nobody has measured."""
    plan = Plan(camera=PlannedCamera(height_m=1.5), spots=(PlannedSpot(part="drum", x_m=0, y_m=y_m, height_m=3.0),))
    return lambda film: film.replace(plan=plan, parts=tuple(part.replace(distance_m=None) for part in film.parts))


def test_the_planned_distance_stands_in_for_one_that_nobody_measured(film):
    with FilmStore.open(film) as store:
        store.change("Planned the spot", planned_at(3.0))
        drum = steps.place(store, ["drum-1"], watch=silent(), engine=Local(1))[0]
        as_placed = facts(store.head().film, drum)
        after = facts(store.change("Moved the spot", planned_at(5.0)).film, drum)

    assert drum.delay_from == "planned"
    assert float(drum.start) == pytest.approx(HERE_S["drum-1"], abs=5e-4)
    assert as_placed.since_words == ""
    assert as_placed.distance_m == 3.0
    # What it was placed by is still told (in samples of 48 kHz), and what that is by now: 5 m at 343.2 m/s.
    assert after.distance_m == pytest.approx(3.0, abs=0.01)
    assert "is now 5 m (planned), which makes sound 14.6 ms late. Place it again." in after.since_words


def test_two_processes_find_the_same(placed):
    with FilmStore.open(placed) as store:
        alone = store.head().film.placements
        together = steps.place(store, ["drum-1", "roam-1"], watch=silent(), engine=Local(2))

    assert together == tuple(found for found in alone if found.take in ("drum-1", "roam-1"))


def test_what_was_placed_by_hand_is_left_alone_unless_named(placed):
    with FilmStore.open(placed) as store:
        moved = steps.nudge(store, "drum-1", ms=Fraction(40))
        steps.refuse(store, "pad-1")
        again = steps.place(store, None, watch=silent(), engine=Local(1))

        assert [placement.take for placement in again] == ["roam-1", "other-1"]
        assert store.head().film.placement_of("drum-1") == moved
        steps.place(store, ["drum-1"], watch=silent(), engine=Local(1))
        assert float(store.head().film.placement_of("drum-1").start) == pytest.approx(HERE_S["drum-1"], abs=5e-4)


def test_nudging_is_exact_and_positive_is_later(placed):
    with FilmStore.open(placed) as store:
        start = store.head().film.placement_of("roam-1").start.seconds

        assert steps.nudge(store, "roam-1", frames=-1).start.seconds == start - Fraction(1, 25)
        assert steps.nudge(store, "roam-1", ms=Fraction("2.5")).start.seconds == start - Fraction(1, 25) + Fraction(
            1, 400
        )
        assert store.head().film.placement_of("roam-1").by_hand


def test_a_candidate_is_measured_when_it_is_accepted(placed):
    with FilmStore.open(placed) as store:
        measured = store.head().film.placement_of("drum-1")
        steps.refuse(store, "drum-1")
        accepted = steps.accept(store, "drum-1", candidate=1)

        assert accepted.by_hand
        assert float(accepted.start) == pytest.approx(float(measured.start), abs=1e-4)
        assert accepted.drift_ppm == pytest.approx(measured.drift_ppm, abs=1)
        exactly = steps.accept(store, "pad-1", start_s=Fraction("3.5"))
        assert exactly.start.seconds == Fraction("3.5")
        with pytest.raises(InvalidInput, match="no candidate 3; it has none"):
            steps.accept(store, "pad-1", candidate=3)


def test_a_place_outside_the_song_is_refused(placed):
    with FilmStore.open(placed) as store:
        before = store.head()
        ends_s = store.head().film.song.length_s
        for beyond_s in (ends_s, -before.film.take("drum-1").clip.duration.seconds):
            with pytest.raises(InvalidInput, match=r"drum-1 would start at .* outside the song, which lasts"):
                steps.accept(store, "drum-1", start_s=beyond_s)
        with pytest.raises(InvalidInput, match="outside the song"):
            steps.nudge(store, "drum-1", ms=Fraction(10**9))
        assert store.head() == before


def test_refuses_what_cannot_be_done(placed):
    with FilmStore.open(placed) as store:
        with pytest.raises(InvalidInput, match="no place yet"):
            steps.nudge(store, "pad-1", ms=Fraction(1))
        with pytest.raises(InvalidInput, match="either milliseconds or frames"):
            steps.nudge(store, "drum-1")
        with pytest.raises(InvalidInput, match="no place or no sound"):
            steps.listen(store, "pad-1", at_s=Fraction(1), length_s=Fraction(1), out=placed / "x.wav")
        with pytest.raises(InvalidInput, match="no song at 99"):
            steps.listen(store, "drum-1", at_s=Fraction(99), length_s=Fraction(1), out=placed / "x.wav")
        with pytest.raises(InvalidInput, match="no take 'nobody'"):
            steps.place(store, ["nobody"], watch=silent())


def test_a_missing_file_is_told_before_the_work(film):
    (film.parent / "roam.mov").unlink()

    with FilmStore.open(film) as store, pytest.raises(InvalidInput, match="no longer there"):
        steps.place(store, None, watch=silent(), engine=Local(1))


def test_stopping_leaves_the_film_as_it_was(film):
    with FilmStore.open(film) as store:
        before = store.head()
        asked = iter(range(1000))

        with pytest.raises(Cancelled):
            steps.place(store, None, watch=Watch(lambda _: None, lambda: next(asked) > 8), engine=Local(1))

        assert store.head() == before


def test_a_killed_process_leaves_the_film_as_it_was_and_the_same_command_finishes(film):
    code = "from partsong.cli.main import run; run()"
    command = [sys.executable, "-c", code, "lineup", "place", str(film), "--workers", "1"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        limit = time.monotonic() + 60
        while not list((film / "cache").rglob("*.npz")) and time.monotonic() < limit:
            time.sleep(0.02)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
    with FilmStore.open(film) as store:
        assert store.head().film.placements == ()
        # What was heard before the kill is whole, and is not heard again.
        heard = {file: file.stat().st_mtime_ns for file in (film / "cache").rglob("*.npz")}
        assert heard
        assert [placement.confidence for placement in steps.place(store, None, watch=silent(), engine=Local(1))][
            :2
        ] == [
            "sure",
            "sure",
        ]
    assert all(file.stat().st_mtime_ns == then for file, then in heard.items())


def test_listening_lines_song_and_scratch_up(placed, tmp_path):
    with FilmStore.open(placed) as store:
        steps.listen(store, "drum-1", at_s=Fraction(10), length_s=Fraction(4), out=tmp_path / "pair.wav")
    pair, rate_hz = soundfile.read(tmp_path / "pair.wav")
    left, right = pair[:, 0], pair[:, 1]
    correlation = np.fft.irfft(np.fft.rfft(right, 1 << 19) * np.conj(np.fft.rfft(left, 1 << 19)))
    lag = int(np.argmax(correlation))

    assert pair.shape == (4 * 48000, 2)
    assert rate_hz == 48000
    # The mix holds other parts and the room smears: one millisecond, 48 samples.
    assert min(lag, (1 << 19) - lag) <= 48


@pytest.mark.parametrize(("rate_hz", "channels"), [(8000, 1), (44100, 2), (192000, 1)])
def test_any_sample_rate(band, tmp_path, rate_hz, channels):
    song = band.part("pluck", 30)
    sound = band.filmed(song, 5.0, 20)
    size = len(sound) * rate_hz // 16000
    spectrum = np.zeros(size // 2 + 1, complex)
    kept = min(len(spectrum), len(sound) // 2 + 1)
    spectrum[:kept] = np.fft.rfft(sound)[:kept]
    other = np.fft.irfft(spectrum, size) * size / len(sound)
    soundfile.write(tmp_path / "clip.wav", np.stack([other] * channels, axis=1), rate_hz, subtype="FLOAT")
    soundfile.write(tmp_path / "song.wav", song, 16000, subtype="FLOAT")
    folder = FilmFolder(tmp_path / "film")

    def heard(name):
        return hear_clip(folder, probe(tmp_path / name, folder.refer(tmp_path / name)), silent())

    found = locate(heard("clip.wav"), [Reference("song", heard("song.wav"))])

    assert found.confidence == "sure"
    assert found.line.start_s == pytest.approx(5.0 - DELAY_S, abs=5e-4)


def test_the_commands(placed, tmp_path):
    def run(*words):
        return CliRunner().invoke(app, ["lineup", *map(str, words)])

    shown = run("show", placed, "--picture", tmp_path / "score.svg", "--json")
    rows = {row["take"]: row for row in json.loads(shown.stdout)}
    assert shown.exit_code == 1
    assert rows["drum-1"]["drift_frames"] == pytest.approx(60e-6 * 30 * 25, abs=0.003)
    assert "other-1 needs your decision" in shown.stderr
    assert "partsong lineup accept" in shown.stderr
    assert (tmp_path / "score.svg").read_text().startswith("<svg")

    assert run("refuse", placed, "other-1").exit_code == 0
    accepted = run("accept", placed, "pad-1", "--start", "-1.5", "--json")
    assert json.loads(accepted.stdout)[0]["start_ms"] == -1500
    again = run("show", placed)
    assert again.exit_code == 0
    assert "8.8 ms measured" in again.stdout  # 8.741 ms, kept as 420 samples of 48 kHz
    assert "10.0 ms assumed" in again.stdout
    nudged = run("nudge", placed, "pad-1", "--ms", "20", "--json")
    assert json.loads(nudged.stdout)[0]["start_ms"] == -1480
    listened = run("listen", placed, "drum-1", "--at", "3", "--length", "1", "--out", tmp_path / "l.wav")
    assert listened.exit_code == 0
    assert isinstance(run("nudge", placed, "pad-1", "--ms", "soon").exception, InvalidInput)
    assert run("place", placed, "drum-1", "--workers", "1").exit_code == 0
