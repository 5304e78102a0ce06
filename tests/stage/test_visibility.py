"""The model of what is seen, against published and independent values."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.stage.visibility import least_step_percent, luminance, pixels_per_degree, plain_display, sensitivity


@pytest.mark.parametrize(
    ("level", "least_percent"),
    # Barten (2003), Proc. SPIE 5294: least modulation at the best frequency between 0.1 and 31.6 cycles per degree, as
    # computed with colour-science 0.4.7 for a field of 60 degrees and 0.1 s.
    [(0.1, 0.5511), (1, 0.2738), (10, 0.1752), (100, 0.1385)],
)
def test_the_least_modulation_is_bartens(level, least_percent):
    best = sensitivity(np.geomspace(0.1, 31.6, 400), level).max()
    assert 100 / best == pytest.approx(least_percent, abs=0.002)
    # A hard edge holds every frequency; a step swings by twice the modulation.
    assert least_step_percent(level, 0) == pytest.approx(2 * least_percent, abs=0.005)


def test_sensitivity_agrees_with_a_reference_library():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library tells that it cannot plot
        colour = pytest.importorskip("colour")
    for u in (0.3, 1.0, 4.0, 16.0):
        for level in (0.5, 5.0, 80.0):
            pupil = colour.contrast.pupil_diameter_Barten1999(level, 60, 60)
            expected = colour.contrast.contrast_sensitivity_function_Barten1999(
                u=u, X_0=60, Y_0=60, T=0.1,
                sigma=colour.contrast.sigma_Barten1999(0.5 / 60, 0.08 / 60, pupil),
                E=colour.contrast.retinal_illuminance_Barten1999(level, pupil, True),
            )  # fmt: skip
            assert float(sensitivity(u, level)) == pytest.approx(float(expected), rel=1e-6)


def test_the_monitor_is_that_of_bt_1886():
    # BT.1886, annex 1: code 0 gives the black and code 1 the white.
    assert luminance([[0.0, 0.0, 0.0], [1.0, 1.0, 1.0]]) == pytest.approx([0.05, 100])
    # With no lift half code would give 100 * 0.5 ** 2.4 = 18.95; the black's lift adds a little.
    assert 18.95 < float(luminance([0.5, 0.5, 0.5])) < 21.5


def test_a_picture_three_heights_away():
    # 2 atan(1/6) = 18.92 degrees.
    assert pixels_per_degree(1080) == pytest.approx(1080 / 18.9246, rel=1e-4)


@given(st.floats(0.1, 100), st.floats(0, 4), st.floats(0, 4))
def test_a_softer_edge_is_seen_later(level, one, other):
    narrow, wide = sorted((one, other))
    assert least_step_percent(level, narrow) <= least_step_percent(level, wide)


def test_light_above_white_is_white():
    assert plain_display([[2.0, 0.0, -1.0]]).tolist() == [[1.0, 0.0, 0.0]]
