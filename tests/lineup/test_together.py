"""Takes that share a room, a playback or nothing, from their sound to what is said of them together."""

import json
from fractions import Fraction

import numpy as np
import pytest
from typer.testing import CliRunner

from days import Day, copied
from partsong.cli.main import app
from partsong.engine.local import Local
from partsong.errors import InvalidInput
from partsong.film.records import Clip, MediaFile, Part, PictureInfo, Placement, Song, Take
from partsong.film.store import FilmStore
from partsong.lineup import arrival, steps
from partsong.lineup.features import hear
from partsong.lineup.joint import settle
from partsong.lineup.links import sound_link
from partsong.lineup.locate import Reference, locate, locate_alone
from partsong.timebase import Rate, Time
from partsong.watch import silent

HZ = 16000
RATE = Rate.of(25)


def link(one, other):
    return sound_link("one", "other", locate_alone(hear(other), [Reference("one", hear(one))]))


def test_two_cameras_in_one_room_are_linked_to_a_millisecond(band):
    room = band.part("pluck", 40)
    near = band.filmed(room, 0.0, 40, drift_ppm=20)
    far = type(band)(5).filmed(room, 8.0, 20, drift_ppm=-30, distance_m=7)  # another place of the room, another noise
    found = link(near, far)

    # Media time 0 of the far camera hears song 8 s - 7 m / c (1 - 30e-6); the near one at 3 m, 20 ppm slow.
    expected = (8.0 - 7 / 343.2 + 3 / 343.2) / (1 + 20e-6)
    assert found is not None
    assert found.line.start_s == pytest.approx(expected, abs=1e-3)
    # A short take cannot tell drift well, and is drawn towards none.
    assert found.line.drift_ppm == pytest.approx(-50, abs=15)


def test_takes_mimed_to_one_playback_are_linked_though_filmed_hours_apart(band):
    # The playback was a rough mix: other levels than any stem or the final mix.
    song = band.song(40)
    rough = (song["drum"] + 0.3 * song["pad"] + 0.5 * song["bells"]).astype(np.float32) / 2
    found = link(band.filmed(rough, -1.0, 40), type(band)(9).filmed(rough, 10.0, 15, distance_m=5))

    assert found is not None
    assert found.line.start_s == pytest.approx(11.0 - 2 / 343.2, abs=1e-3)


def test_a_mimed_take_is_placed_by_the_mix_that_it_heard(band):
    song = band.song(40)
    rough = (song["drum"] + 0.3 * song["pad"] + 0.5 * song["bells"]).astype(np.float32) / 2
    # The player's own part is not heard at all; its stem comes first among the references.
    references = [Reference("the pluck stem", hear(song["pluck"])), Reference("the mix", hear(song["mix"]))]
    found = locate(hear(band.filmed(rough, 5.0, 25, distance_m=4)), references)

    assert found.confidence == "sure"
    assert found.against == "the mix"
    assert found.line.start_s == pytest.approx(5.0 - 4 / 343.2, abs=5e-4)


@pytest.mark.parametrize("seed", [1, 2])
def test_two_performances_of_a_part_are_not_the_same_sound(band, seed):
    one, other = (type(band)(seed).part("pluck", 40, performance=number) for number in (0, 1))

    # Another camera: a room and a noise of its own, or the noise would be what they share.
    assert link(band.filmed(one, 0, 40), type(band)(seed + 100).filmed(other, 5, 20)) is None


@pytest.mark.parametrize("seed", [1, 2])
def test_the_same_hum_in_two_takes_is_not_the_same_sound(seed):
    # 50 Hz and its harmonics of one mains, a fan's whistle, and each take its own noise and clicks.
    rng = np.random.default_rng(seed)
    t = np.arange(40 * HZ) / HZ
    hum = sum(np.sin(2 * np.pi * 50 * k * t + rng.uniform(0, 6)) / k for k in range(1, 40)) + np.sin(2310 * t)
    takes = []
    for first in (0, 11 * HZ):
        own = 0.3 * rng.normal(size=20 * HZ)
        own[rng.integers(0, len(own), 40)] += 20 * rng.normal(size=40)
        takes.append((hum[first : first + 20 * HZ] + own).astype(np.float32) / 40)

    assert link(*takes) is None


# --- on a film --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(placed_by_content, band, tmp_path_factory):
    """Make a film of an instrument that goes straight into the desk: the room hears the player only, not the song."""
    day = Day(tmp_path_factory.mktemp("day"), RATE)
    day.sound("mix", band.song(40)["mix"])
    player = type(band)(31).part("drum", 60, bpm=71)  # keys, a stool, a foot: nothing of it is in the mix
    day.grey("keys", band.filmed(player, 2.0, 36))
    day.grey("roam", type(band)(8).filmed(player, 12.0, 15, distance_m=6))
    film = day.film(
        song=Song(title="Test", mix=day.clip("mix.wav")),
        parts=(Part(id="keys", name="Keys", distance_m=3.0),),
        takes=(
            Take(id="keys-1", kind="stage", part="keys", clip=day.clip("keys.mov")),
            Take(id="roam-1", kind="roaming", clip=day.clip("roam.mov"), distance_m=6.0),
        ),
    )
    with FilmStore.open(film) as store:
        placed = steps.place(store, None, watch=silent(), engine=Local(1))
    assert [one.confidence for one in placed] == ["none", "none"]
    return day.root


@pytest.fixture
def film(made, tmp_path):
    """Give the film with its takes heard and not placed."""
    return copied(made, tmp_path)


def test_placing_one_camera_by_hand_places_the_other(film):
    with FilmStore.open(film) as store:
        before = store.head()
        steps.accept(store, "keys-1", start_s=Fraction(-1))
        after = store.head()
        roam = after.film.placement_of("roam-1")

        assert after.revision.number == before.revision.number + 1
        assert "and 1 other followed" in after.revision.sentence
        # Song time -1 is what keys-1 shows first; roam-1 began ten seconds of the room later. Both distances are known.
        assert roam.confidence == "likely"
        assert float(roam.start) == pytest.approx(9.0, abs=1e-3)
        assert "keys-1 (placed by hand), which heard the same sound" in roam.sentence
        assert roam.delay_from == "measured"

        steps.nudge(store, "keys-1", frames=2)
        assert float(store.head().film.placement_of("roam-1").start) == pytest.approx(9.08, abs=1e-3)
        moved = steps.nudge(store, "roam-1", ms=Fraction(5))
        steps.nudge(store, "keys-1", frames=5)
        assert store.head().film.placement_of("roam-1") == moved  # a person's own stays


def test_taking_it_off_again_leaves_the_other_as_it_was_alone(film):
    with FilmStore.open(film) as store:
        alone = store.head().film.placement_of("roam-1")
        steps.accept(store, "keys-1", start_s=Fraction(-1))
        steps.refuse(store, "keys-1")

        assert store.head().film.placement_of("roam-1") == alone


def test_the_commands_tell_who_followed_and_how_far_cameras_were(film):
    def run(*words):
        return CliRunner().invoke(app, ["lineup", *map(str, words)])

    accepted = run("accept", film, "keys-1", "--start", "-1")
    assert accepted.exit_code == 0
    assert "roam-1 followed: likely" in accepted.stderr
    shown = json.loads(run("show", film, "--json").stdout)[1]
    assert shown["evidence"]["witnesses"] == [
        {"take": "keys-1", "by": "sound", "says": "places", "apart_ms": None},
    ]
    assert shown["distance_m"] == 6.0
    unknown = run("distance", film, "roam-1", "unknown")
    assert unknown.exit_code == 0
    assert "10.0 ms assumed" in unknown.stdout
    told = run("distance", film, "keys-1", "4.2")
    assert "12.2 ms measured" in told.stdout  # 4.2 / 343.2 = 12.24 ms
    with FilmStore.open(film) as store:
        assert store.head().film.take("keys-1").distance_m == 4.2
        assert store.head().film.take("roam-1").distance_m is None
    for wrong, words in (("far", "metres needs a number"), ("-2", "out of range"), ("1e400", "out of range")):
        refused = run("distance", film, "keys-1", "--", wrong)
        assert isinstance(refused.exception, InvalidInput)
        assert words in str(refused.exception)


def test_a_verse_that_returns_exactly_is_not_chosen_by_a_take_that_holds_the_first_only(band):
    # Introduction, verse, bridge, and the very same verse again, as in programmed music that is mimed to.
    intro, verse, bridge = (type(band)(seed).part("pluck", length) for seed, length in ((41, 20), (42, 25), (43, 10)))
    song = np.concatenate([intro, verse, bridge, verse])
    one, other = band.filmed(song, 0, 45), type(band)(5).filmed(song, 60.0, 12, distance_m=6)
    takes = [plain_take("one", 45), plain_take("other", 12)]
    hand = Placement(take="one", confidence="sure", start=Time.of(0), by_hand=True)
    asked = steps.placement_from(
        takes[1], locate(hear(other), [Reference("the mix", hear(song))]), arrival.delay_over(6.0)
    )
    found = link(one, other)

    assert sorted(float(one.start) for one in asked.candidates)[:2] == pytest.approx([25, 60], abs=1e-3)
    assert found is not None  # what they share sounds the same, so the two cannot tell the verses apart
    assert settle(takes, [hand, asked], [found], len(song) / HZ)[1].confidence == "ask"


def plain_take(name, length_s):
    picture = PictureInfo(
        codec="h264", width=8, height=8, rate=RATE, frames=25 * length_s, pixel_format="yuv420p", bit_depth=8
    )
    file = MediaFile(path=f"{name}.mov", size_bytes=1, fingerprint="0" * 32)
    return Take(
        id=name, kind="roaming", clip=Clip(file=file, container="mov", duration=Time.of(length_s), picture=picture)
    )
