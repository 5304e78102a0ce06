"""The steps of a look in light, and the black curve, against arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.film.records import BlackCurve, ChannelMix, Look, Tint
from partsong.render import colour, grading

CONFIG = colour.DEFAULT_CONFIG
PLAIN = Look(config=CONFIG, display="Rec.1886 Rec.709 - Display", view="ACES 1.0 - SDR Video")


def test_grey_before_the_display_is_what_arithmetic_says() -> None:
    look = PLAIN.replace(exposure_stops=-1.0, contrast=1.5, pivot=0.25)
    weights = colour.luminance_weights(CONFIG)
    # One stop down from 0.5 is the pivot, which contrast leaves alone; two stops above become three.
    found = grading.grade(look, np.array([[0.5] * 3, [2.0] * 3, [0.0] * 3, [-2.0] * 3]), weights)
    np.testing.assert_allclose(found[:, 0], [0.25, 0.25 * 2**3, 0.0, -0.25 * 2**3], rtol=1e-12)


@given(
    light=st.lists(st.floats(-1, 60), min_size=3, max_size=3),
    contrast=st.floats(0.2, 8),
    saturation=st.floats(0, 4),
    stops=st.floats(-16, 16),
)
def test_grading_keeps_grey_grey_and_luminance_through_saturation(
    light: list[float], contrast: float, saturation: float, stops: float
) -> None:
    weights = np.array([0.27, 0.67, 0.06])
    grey = grading.grade(
        PLAIN.replace(contrast=contrast, saturation=saturation, exposure_stops=stops), np.full(3, light[0]), weights
    )
    assert np.ptp(grey) <= 1e-9 * max(1.0, float(np.abs(grey).max()))
    saturated = grading.grade(PLAIN.replace(saturation=saturation), np.array(light), weights)
    assert saturated @ weights == pytest.approx(np.array(light) @ weights, abs=1e-9)


def test_black_and_white_weighs_light_not_codes() -> None:
    mix = ChannelMix(red=0.5, green=0.3, blue=0.2)
    found = grading.grade(PLAIN.replace(black_and_white=mix), np.array([[1.0, 2.0, 4.0]]), np.full(3, 1 / 3))
    np.testing.assert_allclose(found, [[1.9] * 3], rtol=1e-12)


@given(level=st.floats(0, 0.3), room=st.floats(0.05, 0.6), codes=st.lists(st.floats(0, 1), min_size=2, max_size=9))
def test_the_black_curve_rises_meets_its_ends_and_leaves_the_rest(
    level: float, room: float, codes: list[float]
) -> None:
    keep = level + room
    black = BlackCurve(level=(level,) * 3, keep=(keep,) * 3)
    ends = grading.held_black(black, np.repeat(np.array([[0.0], [level], [keep], [1.0]]), 3, axis=1))
    np.testing.assert_allclose(ends[:, 0], [0, 0, keep, 1], atol=1e-12)
    ramp = np.sort(codes)
    found = grading.held_black(black, np.repeat(ramp[:, None], 3, axis=1))[:, 0]
    assert (np.diff(found) >= -1e-12).all()
    assert np.array_equal(found[ramp >= keep], ramp[ramp >= keep])
    # No corner where the curve ends: the slope just below is one.
    near = grading.held_black(black, np.full((1, 3), keep - 1e-6))[0, 0]
    assert (keep - near) / 1e-6 == pytest.approx(1, abs=1e-3)


def test_the_steps_in_light_act_in_the_order_that_is_set() -> None:
    weights = colour.luminance_weights(CONFIG)
    look = PLAIN.replace(exposure_stops=1.0, contrast=2.0, pivot=0.25)
    light = np.array([[0.25, 0.25, 0.25]])
    # Exposure first: 0.5 is a stop above the pivot, and becomes two. Contrast first: the pivot stays, then one stop.
    assert grading.grade(look, light, weights)[0, 0] == pytest.approx(1.0)
    turned = look.replace(order=("contrast", "exposure", "cdl", "colour", "tint"))
    assert grading.grade(turned, light, weights)[0, 0] == pytest.approx(0.5)


@given(light=st.lists(st.floats(0, 8), min_size=3, max_size=3))
def test_a_tint_keeps_luminance(light: list[float]) -> None:
    weights = np.array([0.27, 0.67, 0.06])
    tint = Tint(shadows=(0.9, 1.0, 1.2), highlights=(1.2, 1.0, 0.8))
    found = grading.grade(PLAIN.replace(tint=tint), np.array([light]), weights)[0]
    assert found @ weights == pytest.approx(np.array(light) @ weights, rel=1e-9, abs=1e-12)
    assert (found >= 0).all()


def test_a_tint_splits_shadows_and_highlights_evenly_at_the_pivot() -> None:
    weights = np.array([1.0, 1.0, 1.0]) / 3
    look = PLAIN.replace(tint=Tint(shadows=(1.0, 1.0, 2.0), highlights=(2.0, 1.0, 1.0)), pivot=0.25)
    dark, middle, bright = grading.grade(look, np.array([[1e-6] * 3, [0.25] * 3, [1e4] * 3]), weights)
    np.testing.assert_allclose(dark / dark.mean(), [0.75, 0.75, 1.5], rtol=1e-4)
    np.testing.assert_allclose(middle / 0.25, [1.125, 0.75, 1.125], rtol=1e-12)
    np.testing.assert_allclose(bright / bright.mean(), [1.5, 0.75, 0.75], rtol=1e-4)
