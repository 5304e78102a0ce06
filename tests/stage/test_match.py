"""Matching takes on light that we made: gains, heads and grain come back as they were put in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.stage.match import find_head, grain_of, ratio_of, ratio_of_cards, ring_gain


def painted(seed=4, height=120, width=160):
    rng = np.random.default_rng(seed)
    room = np.full((height, width, 3), 0.05)
    for _ in range(40):
        y, x = rng.integers(0, height), rng.integers(0, width)
        room[y : y + rng.integers(5, 40), x : x + rng.integers(5, 40)] = rng.uniform(0.01, 0.12, 3)
    return room


@settings(max_examples=20)
@given(st.floats(-2, 2), st.floats(0.7, 1.4), st.floats(0.7, 1.4))
def test_a_gain_comes_back_although_a_third_of_the_frame_is_another(stops, red, blue):
    room, rng = painted(), np.random.default_rng(1)
    gain = 2.0**stops * np.array([red, 1.0, blue])
    other = room / gain
    other[:, :50] = rng.uniform(0.01, 0.3, (120, 50, 3))
    ratio = ratio_of(room, other + rng.normal(0, 1e-4, room.shape))
    # A hundredth of the targets of 0.05 stop and 1 per cent: nothing but grain is in the way.
    assert ratio.stops == pytest.approx(stops, abs=5e-3)
    assert ratio.gain[0] / ratio.gain[1] == pytest.approx(red, rel=5e-3)
    assert ratio.gain[2] / ratio.gain[1] == pytest.approx(blue, rel=5e-3)
    assert ratio.told


def test_two_lights_are_not_one():
    room = painted()
    x = np.linspace(0, 1, room.shape[1])[None, :, None]
    # Lit from the left in one, from the right in the other: whatever gain comes out, few agree.
    assert not ratio_of(room * (0.2 + 2 * x), room * (2.2 - 2 * x)).told


def test_a_card_gives_its_gain_and_must_be_one():
    card = np.full((20, 20, 3), 0.18)
    assert ratio_of_cards(card, card / np.array([2, 1, 0.5])).gain == pytest.approx((2, 1, 0.5))
    with pytest.raises(InvalidInput, match="not of one tone"):
        ratio_of_cards(card, np.random.default_rng(2).uniform(0.01, 1, (20, 20, 3)))
    with pytest.raises(InvalidInput, match="too dark"):
        ratio_of_cards(card, card * 0)


def test_sizes_and_darkness_are_refused():
    with pytest.raises(InvalidInput, match="one size"):
        ratio_of(painted(), painted(height=80))
    with pytest.raises(InvalidInput, match="bright enough"):
        ratio_of(painted() * 0.01, painted())


@pytest.mark.parametrize("stop", [13, 25, 60])
def test_the_lamp_coming_on_is_found_to_the_frame(stop):
    rng = np.random.default_rng(stop)
    levels = np.where(np.arange(200) < stop, 0.05, 0.7) * rng.normal(1, 0.004, 200)
    assert find_head(levels, 25.0) == stop


def test_no_head_is_claimed_without_one():
    rng = np.random.default_rng(3)
    assert find_head(0.6 * rng.normal(1, 0.01, 250), 25.0) == 0
    # A player who walks in, brightening the frame by a tenth over two seconds, is no lamp.
    assert find_head(0.6 * (1 + 0.1 * np.clip((np.arange(250) - 60) / 50, 0, 1)), 25.0) == 0


def test_grain_comes_back_in_both_its_parts():
    rng = np.random.default_rng(7)
    light = np.repeat(np.linspace(0.002, 0.8, 400)[None, :, None], 300, axis=0).repeat(3, axis=2)
    spread = np.sqrt(4e-4**2 + 2e-5 * light)
    grain = grain_of(*(light + spread * rng.normal(size=light.shape) for _ in range(2)))
    # 120,000 pixels in 24 groups: each group's spread is known to about one part in a hundred.
    assert grain.spread(0.18) == pytest.approx(np.sqrt(4e-4**2 + 2e-5 * 0.18), rel=0.03)
    assert grain.spread(0.002) == pytest.approx(np.sqrt(4e-4**2 + 2e-5 * 0.002), rel=0.06)


def test_light_that_falls_into_one_code_does_not_hide_the_grain_elsewhere():
    rng = np.random.default_rng(9)
    light = np.repeat(np.linspace(0.002, 0.8, 400)[None, :, None], 300, axis=0).repeat(3, axis=2)
    spread = np.sqrt(4e-4**2 + 2e-5 * light)
    frames = [light + spread * rng.normal(size=light.shape) for _ in range(2)]
    for frame in frames:
        frame[:80] = 0.001
    assert grain_of(*frames).spread(0.18) == pytest.approx(np.sqrt(4e-4**2 + 2e-5 * 0.18), rel=0.03)
    flat = np.full((40, 40, 3), 0.2)
    assert grain_of(flat, flat).spread(0.18) == 0


def test_a_ring_that_shows_other_ground_is_refused():
    rng = np.random.default_rng(8)
    ground = rng.uniform(0.05, 0.5, (200, 3))
    assert ring_gain(ground * [1.5, 1, 0.8], ground) == pytest.approx((1.5, 1, 0.8), rel=1e-5)
    with pytest.raises(InvalidInput, match="not the same"):
        ring_gain(rng.uniform(0.01, 1, (200, 3)), rng.uniform(0.01, 1, (200, 3)))
    with pytest.raises(InvalidInput, match="too dark"):
        ring_gain(ground * 0, ground)
