"""Looking at real files: what is kept, and a silent take that its picture places."""

import shutil
from fractions import Fraction

import numpy as np
import pytest
from typer.testing import CliRunner

from days import Day
from partsong.cli.main import app
from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder
from partsong.film.records import Part, Song, Stem, Take, TempoMark
from partsong.film.store import FilmStore
from partsong.lineup import seeing, steps
from partsong.lineup.features import hear
from partsong.lineup.motion import look, watched
from partsong.lineup.seeing import see_clip, small
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.timebase import Rate, Time
from partsong.watch import silent
from players import HEIGHT, WIDTH, Player

RATE = Rate.of(25)
START_S = 6.21


def write_clip(path, lumas):
    chroma = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
    with PictureWriter(path, RECIPES["h264"], width=WIDTH, height=HEIGHT, rate=RATE, threads=1) as writer:
        for luma in lumas:
            writer.write(Planes(luma, chroma, chroma, 8, "bt709", "limited"))


def test_shrinking_keeps_the_mean():
    ramp = np.tile(np.linspace(64, 940, 1920).astype(np.uint16), (1080, 1))

    seen = small(ramp)

    assert seen.shape == (88, 160)  # 90 lines are no whole cells
    # Every fourth pixel is asked, so a column may be off by two pixels of the ramp: under one code.
    assert np.abs(seen.mean(axis=0) - ramp[0].reshape(160, 12).mean(axis=1)).max() < 1.0
    assert small(np.zeros((36, 64), np.uint8)).shape == (32, 64)


def test_a_clip_is_looked_at_once(tmp_path, monkeypatch):
    lumas = list(Player(1).frames("struck", 3.0, 50, 25))
    write_clip(tmp_path / "clip.mp4", lumas)
    folder = FilmFolder(tmp_path / "film")
    clip = probe(tmp_path / "clip.mp4", folder.refer(tmp_path / "clip.mp4"))

    seen = see_clip(folder, clip, silent())

    assert seen.rate_hz == 25
    assert seen.change.shape == (WIDTH * HEIGHT // 64, 49)
    # Behind the codec, the cells that move most are the same ones.
    drawn = watched([luma.astype(np.float32) for luma in lumas]).astype(float)
    assert np.corrcoef(drawn[:, 0].std(axis=1), seen.change.astype(float).std(axis=1))[0, 1] > 0.9
    # Quarters look as they were drawn, to the codec's error: a code and a half (root mean square).
    assert np.sqrt(np.mean((drawn[:, 1:] - seen.looks) ** 2)) < 1.5
    monkeypatch.setattr(seeing, "open_picture", None)  # a second look would fail
    assert np.array_equal(see_clip(folder, clip, silent()).change, seen.change)


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """Give a film with a harmonium that went straight into the desk: one take of it, and one of another song."""
    day = Day(tmp_path_factory.mktemp("day"), RATE)
    player, stranger = Player(11, 50.0), Player(77, 50.0)
    day.sound("keys", player.stem())
    day.sound("mix", player.stem() * 0.5)
    write_clip(day.root / "keys.mp4", player.frames("struck", START_S, 38 * 25, 25))
    write_clip(day.root / "other.mp4", stranger.frames("struck", START_S, 38 * 25, 25))
    return day.film(
        song=Song(
            title="Test",
            mix=day.clip("mix.wav"),
            stems=(Stem(part="keys", clip=day.clip("keys.wav")),),
            tempo=(TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=92),),
        ),
        parts=(Part(id="keys", name="Keys", distance_m=4.0),),
        takes=(
            Take(id="keys-1", kind="stage", part="keys", clip=day.clip("keys.mp4")),
            Take(id="other-1", kind="stage", part="keys", clip=day.clip("other.mp4")),
        ),
    )


def test_a_take_without_sound_is_placed_by_its_picture(film):
    with FilmStore.open(film) as store:
        found = {placement.take: placement for placement in steps.place(store, None, watch=silent())}
        accepted = steps.accept(store, "other-1", start_s=Fraction(3))

    keys = found["keys-1"]
    assert keys.confidence == "likely"  # a picture is never sure
    assert float(keys.start) == pytest.approx(START_S, abs=1 / 25)  # one frame
    assert keys.evidence.method.startswith("picture")
    assert "It has no sound track" in keys.sentence
    assert found["other-1"].confidence in ("ask", "none")
    assert found["other-1"].start is None
    assert accepted.start.seconds == 3


def test_of_a_long_clip_the_middle_is_looked_at(film, monkeypatch):
    folder = FilmFolder(film)
    clip = probe(film.parent / "keys.mp4", folder.refer(film.parent / "keys.mp4"))
    whole = see_clip(folder, clip, silent())
    monkeypatch.setattr(seeing, "MOST_S", 30)

    middle = see_clip(folder, clip, silent())

    assert middle.first_s == 4.0  # 38 s, less 30, in halves
    assert np.array_equal(middle.change, whole.change[:, 100 : 100 + 749])
    assert np.array_equal(middle.looks, whole.looks[:, :, 100 : 100 + 749])
    seen = look(middle, hear(Player(11, 50.0).stem()).voices[0].onsets)
    assert seen.confidence == "likely"
    assert seen.sights[0].start_s == pytest.approx(
        START_S, abs=1 / 25
    )  # of the clip's first frame, not of the middle's


def flashing(frames, moments_s, start_s, rate_hz):
    """Draw a still room that a flash lights up in the frames that were exposed then."""
    rng = np.random.default_rng(8)
    wall = np.kron(rng.uniform(20, 110, (HEIGHT // 8, WIDTH // 8)), np.ones((8, 8)))
    lit = {int((moment_s - start_s) * rate_hz) for moment_s in moments_s}
    for number in range(frames):
        picture = wall * 1.4 + 70 if number in lit else wall
        yield np.clip(picture + rng.normal(0, 1.5, wall.shape), 16, 235).astype(np.uint8)


def test_a_flash_that_two_cameras_saw_places_the_second(tmp_path):
    # The first camera started at song time -1 s, the second 2.513 s after it; both saw two flashes.
    moments_s, first_s, second_s = (1.907, 4.618), -1.0, 1.513
    write_clip(tmp_path / "one.mp4", flashing(160, moments_s, first_s, 25))
    write_clip(tmp_path / "two.mp4", flashing(130, moments_s, second_s, 25))
    write_clip(tmp_path / "dark.mp4", flashing(60, (), 0, 25))
    day = Day(tmp_path, RATE)
    day.sound("mix", np.zeros(8 * 16000))  # both lie on the song
    day.film(
        song=Song(title="Test", mix=day.clip("mix.wav")),
        takes=tuple(Take(id=name, kind="roaming", clip=day.clip(f"{name}.mp4")) for name in ("one", "two", "dark")),
    )
    with FilmStore.open(tmp_path / "film") as store:
        with pytest.raises(InvalidInput, match="one has no place yet"):
            steps.slate(store, "two", "one", watch=silent())
        steps.accept(store, "one", start_s=Fraction(-1))
        found = steps.slate(store, "two", "one", watch=silent())
        with pytest.raises(InvalidInput, match="No flash is seen in take dark"):
            steps.slate(store, "dark", "one", watch=silent())
        shown = CliRunner().invoke(app, ["lineup", "slate", str(tmp_path / "film"), "two", "--seen-by", "one"])

        assert store.head().film.placement_of("two").start == found.start
    assert found.confidence == "likely"
    assert found.by_hand  # a person said that both saw it
    assert "the same 2 flashes as one" in found.sentence
    # Each flash is known to a frame in either clip.
    assert float(found.start) == pytest.approx(second_s, abs=1 / 25)
    assert shown.exit_code == 0
    assert "the same 2 flashes" in shown.stdout


def test_uneven_frames_are_not_looked_at(film, tmp_path):
    shutil.copytree(film.parent, tmp_path / "day")

    def uneven(document):
        clips = {take.id: take.clip for take in document.takes}
        return document.replace(
            takes=tuple(
                take.replace(clip=clips[take.id].replace(picture=clips[take.id].picture.replace(variable_rate=True)))
                for take in document.takes
            )
        )

    with FilmStore.open(tmp_path / "day" / "film") as store:
        store.change("Made uneven", uneven)
        found = steps.place(store, ["keys-1"], watch=silent())[0]
        steps.accept(store, "other-1", start_s=Fraction(0))
        with pytest.raises(InvalidInput, match="not evenly spaced"):
            steps.slate(store, "keys-1", "other-1", watch=silent())

    assert found.confidence == "none"
    assert "not evenly spaced" in found.sentence


def test_a_picture_that_cannot_be_read_is_told(film, tmp_path):
    day = tmp_path / "day"
    shutil.copytree(film.parent, day)
    shutil.rmtree(day / "film" / "cache", ignore_errors=True)
    content = bytearray((day / "other.mp4").read_bytes())
    content[len(content) // 4 : 3 * len(content) // 4] = bytes(len(content) // 2)  # zeros: the frames are gone
    (day / "other.mp4").write_bytes(content)

    with FilmStore.open(day / "film") as store:
        found = steps.place(store, ["other-1"], watch=silent())[0]

    assert found.confidence == "none"
    assert "Its picture could not be read" in found.sentence
