"""The robust line, held to Sen's worked example and to lines that we made."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.lineup.line import Line, fit_line


def test_drift_agrees_with_sens_worked_example():
    # Sen (1968), J. Am. Stat. Assoc. 63, 1379-1389: slope 4 for these points (values as quoted in SciPy's own tests,
    # scipy/stats/tests/test_mstats_basic.py). Read as microseconds of slip a second, they are 4 ppm of drift.
    media_s = [1, 2, 3, 4, 10, 12, 18]
    slip_us = np.array([9, 15, 19, 20, 45, 55, 78.0])

    fit = fit_line(media_s, slip_us * 1e-6, usual_ppm=None)

    # 1e-6 ppm: float64 rounding of these seconds, with room to spare.
    assert fit.line.drift_ppm == pytest.approx(4.0, abs=1e-6)


def test_slope_agrees_with_scipy():
    from scipy.stats import theilslopes

    rng = np.random.default_rng(5)
    media_s = np.sort(rng.uniform(0, 200, 41))
    slip_s = 3 + 30e-6 * media_s + rng.normal(0, 1e-3, 41)

    fit = fit_line(media_s, slip_s, usual_ppm=None)

    # 1e-6 ppm: both take the same median of the same quotients.
    assert fit.line.drift_ppm == pytest.approx(1e6 * theilslopes(slip_s, media_s)[0], abs=1e-6)


@given(
    start_s=st.floats(-100, 100),
    drift_ppm=st.floats(-150, 150),
    wrong=st.lists(st.tuples(st.integers(0, 39), st.floats(-0.05, 0.05)), max_size=8, unique_by=lambda pair: pair[0]),
)
def test_one_wrong_point_in_five_does_not_matter(start_s, drift_ppm, wrong):
    media_s = np.linspace(0, 200, 40)
    slip_s = start_s + drift_ppm * 1e-6 * media_s
    for index, by_s in wrong:
        slip_s[index] += by_s

    line = fit_line(media_s, slip_s).line

    # Two ppm over 200 s is 0.4 ms; the ridge and the scatter floor take no more than that.
    assert line.drift_ppm == pytest.approx(drift_ppm, abs=2)
    assert line.song_s(100) == pytest.approx(start_s + 100 * (1 + drift_ppm * 1e-6), abs=1e-3)


def test_a_short_clip_does_not_invent_drift():
    rng = np.random.default_rng(1)
    media_s = np.linspace(0, 3, 7)
    slip_s = 5 + rng.normal(0, 1e-3, 7)
    bare = fit_line(media_s, slip_s, usual_ppm=None).line.drift_ppm

    assert abs(fit_line(media_s, slip_s).line.drift_ppm) < 0.1 * abs(bare)


def test_the_sign_of_drift():
    # Song time runs faster than the clip's clock: the clip's clock is slow, the drift positive.
    assert Line(0.0, 60.0).song_s(100.0) > 100.0
    assert fit_line([0, 100, 200], [1, 1.006, 1.012], usual_ppm=None).line.drift_ppm == pytest.approx(60)


@pytest.mark.parametrize(
    ("media_s", "slip_s", "told"),
    [([1, 2], [1], "as many slips"), ([], [], "at least one"), ([1, 2], [0, float("nan")], "not finite")],
)
def test_refuses_what_has_no_line(media_s, slip_s, told):
    with pytest.raises(InvalidInput, match=told):
        fit_line(media_s, slip_s)
