"""The published windows for sound and picture, and what a placement's bound is made of."""

from fractions import Fraction

import pytest

from partsong.film.records import (
    Clip,
    Evidence,
    Film,
    MediaFile,
    PictureInfo,
    Placement,
    Take,
    Witness,
)
from partsong.lineup.tolerance import TOLERANCES, Spread, timing
from partsong.timebase import Rate, Time

BY_NAME = {tolerance.name: tolerance for tolerance in TOLERANCES}
WINDOWS = {
    "av.r37.stage": "EBU R 37-2007, one stage of the chain",
    "av.is191": "ATSC IS-191, input of the encoder",
    "av.r37.end": "EBU R 37-2007, end of the chain",
    "av.bt1359.detect": "ITU-R BT.1359-1, detectable",
    "av.bt1359.accept": "ITU-R BT.1359-1, acceptable",
}


@pytest.mark.parametrize(("value", "name"), WINDOWS.items())
def test_the_windows_are_the_published_ones(check_value, value, name):
    # Sound lead, sound lag (negative), in milliseconds; the sign of ITU-R BT.1359-1.
    lead, lag = check_value(value)["expected"]

    assert (BY_NAME[name].lead_ms, -BY_NAME[name].lag_ms) == (lead, lag)


@pytest.mark.parametrize(
    ("offset_ms", "inside", "outside"),
    [
        # Verdicts on sound that is offset by so much (positive: early), from the same windows.
        (-20, ["av.r37.end", "av.bt1359.detect", "av.is191"], ["av.r37.stage"]),
        (-50, ["av.r37.end"], ["av.is191"]),
        (-70, ["av.bt1359.detect"], ["av.r37.end"]),
        (50, ["av.bt1359.accept"], ["av.bt1359.detect"]),
        (100, [], ["av.bt1359.accept"]),
    ],
)
def test_offsets_fall_inside_or_outside(offset_ms, inside, outside):
    spread = Spread(max(offset_ms, 0), max(-offset_ms, 0))

    assert all(BY_NAME[WINDOWS[value]].holds(spread) for value in inside)
    assert not any(BY_NAME[WINDOWS[value]].holds(spread) for value in outside)


def take(name="a"):
    picture = PictureInfo(
        codec="h264", width=8, height=8, rate=Rate.of(25), frames=250, pixel_format="yuv420p", bit_depth=8
    )
    file = MediaFile(path=f"{name}.mov", size_bytes=1, fingerprint="0" * 32)
    return Take(id=name, kind="roaming", clip=Clip(file=file, container="mov", duration=Time.of(10), picture=picture))


def placed(method, *, spread_ms=None, start_s=Fraction(2), far="assumed", witnesses=(), name="a", by_hand=False):
    return Placement(
        take=name,
        confidence="sure",
        start=Time.of(start_s),
        arrival_delay=Time.of(Fraction(1, 100)),
        delay_from=far,
        by_hand=by_hand,
        evidence=Evidence(method=method, spread_ms=spread_ms, witnesses=witnesses),
    )


def told(placement, *others):
    takes = (take("a"), take("b"))
    film = Film(name="x", rate=Rate.of(25), takes=takes, placements=(placement, *others))
    return timing(film, takes[0], placement)


def test_a_known_distance_leaves_less_than_a_millisecond_and_a_half():
    found = told(placed("phase", spread_ms=0.02, far="measured"))

    # Three times the spread, half a millisecond of reading, a quarter of a metre at 343.2 m/s; frames fall on frames.
    assert found.placed.lead_ms == pytest.approx(0.06 + 0.5 + 0.7284, abs=1e-3)
    assert found.placed.lag_ms == found.placed.lead_ms
    assert found.frames_ms == (0, 0)
    assert all(found.inside.values())


def test_a_planned_distance_is_good_to_a_metre():
    found = told(placed("phase", spread_ms=0.02, far="planned"))

    # The same, but for a metre at 343.2 m/s.
    assert found.placed.lead_ms == pytest.approx(0.06 + 0.5 + 2.9138, abs=1e-3)
    assert found.placed.lag_ms == found.placed.lead_ms
    assert "distance as planned, to 1 m: 2.9 ms either way" in found.because


def test_an_unknown_distance_is_bounded_by_the_room():
    found = told(placed("phase", spread_ms=0.02))

    # 10 ms are assumed: a camera at the instrument would make sound 10 ms early; one at 10 m (29.1 ms) 19.1 ms late.
    assert found.placed.lead_ms == pytest.approx(10.56, abs=0.01)
    assert found.placed.lag_ms == pytest.approx(19.14 + 0.56, abs=0.01)
    assert not found.inside["EBU R 37-2007, one stage of the chain"]
    assert found.inside["ATSC IS-191, input of the encoder"]


def test_whole_frames_count_with_their_sign():
    # The take starts 15 ms after a frame of the song: its frames show 15 ms of what is yet to come, and sound is late.
    found = told(placed("phase", spread_ms=0.0, far="measured", start_s=Fraction(2015, 1000)))

    assert found.frames_ms == pytest.approx((-15, -15))
    assert found.whole.lag_ms == pytest.approx(15 + 1.2284, abs=1e-3)
    assert found.whole.lead_ms == 0
    assert "whole frames: -15.0 ms" in found.because


def test_what_a_person_set_by_eye_was_not_measured():
    assert told(placed("phase", by_hand=True)) is None
    by_sound = Witness(take="b", by="sound", says="places")
    assert told(placed("other takes", witnesses=(by_sound,)), placed("phase", by_hand=True, name="b")) is None


def test_a_take_that_leans_on_another_carries_its_bound():
    witness = Witness(take="b", by="timecode", says="places")
    alone = told(placed("phase", spread_ms=0.1, far="measured"))
    found = told(placed("other takes", witnesses=(witness,)), placed("phase", spread_ms=0.1, far="measured", name="b"))

    assert found.placed.lead_ms == pytest.approx(alone.placed.lead_ms + 60)  # a frame and a half of 25 a second
    assert not found.inside["EBU R 37-2007, end of the chain"]
    assert found.inside["ITU-R BT.1359-1, acceptable"]


def test_a_take_without_a_place_has_no_timing():
    assert told(Placement(take="a", confidence="none")) is None


def test_light_needs_no_time():
    found = told(placed("picture: movement against the stem"))

    assert (found.placed.lead_ms, found.placed.lag_ms) == (40, 40)
    assert not any("distance" in words for words in found.because)
