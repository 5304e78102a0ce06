"""Flashes: found in pictures that have them, not in those that move, and what they say of two cameras."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.lineup.slates import Flash, find_flashes, shared, turns

RATE_HZ = 25.0


def room(rng, frames, flashes=(), *, lamp_at=None, pan_px=0, rolling=False):
    """Draw a textured room in which frames flash, a lamp is switched on, or the camera pans."""
    wall = np.kron(rng.uniform(20, 120, (12, 120)), np.ones((8, 8)))
    for number in range(frames):
        picture = wall[:, number * pan_px : number * pan_px + 160] + rng.normal(0, 1.5, (96, 160))
        if lamp_at is not None and number >= lamp_at:
            picture = picture + 30
        if number in flashes:
            rows = slice(40, None) if rolling else slice(None)
            picture[rows] = picture[rows] * 1.5 + 60
        if rolling and number - 1 in flashes:
            picture[:40] = picture[:40] * 1.5 + 60
        yield np.clip(picture, 16, 235)


def test_a_flash_is_found_in_its_frame(rng):
    found = find_flashes(turns(room(rng, 60, {12, 40})), RATE_HZ)

    assert found == (Flash(12 / RATE_HZ, 13 / RATE_HZ), Flash(40 / RATE_HZ, 41 / RATE_HZ))


def test_a_flash_across_a_rolling_shutter_is_known_to_two_frames(rng):
    assert find_flashes(turns(room(rng, 40, {12}, rolling=True)), RATE_HZ) == (Flash(12 / RATE_HZ, 14 / RATE_HZ),)


def test_a_lamp_and_a_pan_are_no_flashes(rng):
    assert find_flashes(turns(room(rng, 60, lamp_at=20)), RATE_HZ) == ()
    assert find_flashes(turns(room(rng, 50, pan_px=16)), RATE_HZ) == ()
    assert find_flashes(np.zeros((0, 2)), RATE_HZ) == ()


def seen_by(moments_s, start_s, rate_hz):
    """Return the flashes as a camera that started at some moment sees them: each to its own frame."""
    frames = [int((moment_s - start_s) * rate_hz) for moment_s in moments_s]
    return [Flash(frame / rate_hz, (frame + 1) / rate_hz) for frame in frames]


@given(
    st.lists(st.floats(0.5, 20), min_size=1, max_size=5),  # no slate flashes twice in half a second
    st.floats(-5, 5),
    st.sampled_from([24.0, 25.0, 50.0]),
)
def test_the_truth_lies_within_what_the_frames_leave_open(gaps_s, start_s, rate_hz):
    moments_s = list(10 + np.cumsum(gaps_s))
    found = shared(seen_by(moments_s, 0.0, 25.0), seen_by(moments_s, start_s, rate_hz))

    assert found is not None
    if found.only and found.matched >= len(moments_s):
        # 1e-6 s: what the seconds are rounded to, and a frame counted on its very edge.
        assert abs(found.offset_s - start_s) <= found.within_s + 1e-6
    assert found.within_s <= (1 / 25 + 1 / rate_hz) / 2 + 1e-6


def test_several_flashes_say_more_than_one():
    moments_s = [3.013, 9.502, 14.731, 30.329]
    alone = shared(seen_by(moments_s[:1], 0, 25), seen_by(moments_s[:1], 1.237, 24))
    together = shared(seen_by(moments_s, 0, 25), seen_by(moments_s, 1.237, 24))

    assert alone.within_s == pytest.approx((1 / 25 + 1 / 24) / 2, abs=1e-6)
    assert together.within_s < 0.7 * alone.within_s
    assert together.matched == 4
    assert together.only
    assert abs(together.offset_s - 1.237) <= together.within_s


def test_flashes_that_could_be_any_of_several_say_so():
    regular = [Flash(at, at + 0.04) for at in (2.0, 4.0, 6.0)]

    assert not shared(regular[:1], regular).only
    assert shared([], regular) is None
    assert shared(regular, regular).only  # all three fall together in one way only
