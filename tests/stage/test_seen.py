"""What a seam shows, on pictures whose truth we made."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.render import pixels
from partsong.stage.seen import measure_seam, times_seen
from partsong.stage.visibility import least_step_percent, luminance, pixels_per_degree

HEIGHT, WIDTH = 120, 160
Y, X = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float64)
SHARE = pixels.smoothstep((X - 60) / 40)
WEIGHTS = (1 - SHARE, SHARE)


def flat(code):
    return np.full((HEIGHT, WIDTH, 3), code)


def measured(one, other):
    return measure_seam(one, other, WEIGHTS, feather_px=40, picture_height_px=1080)


def test_the_step_of_two_greys_is_their_luminances_difference_over_their_mean():
    found = measured(flat(0.50), flat(0.51))
    first, second = luminance([0.50] * 3), luminance([0.51] * 3)
    assert found.step_percent == pytest.approx(float(200 * (first - second) / (first + second)), abs=1e-9)
    # BT.1886: luminance goes with the power 2.4 of code plus a lift, here 0.044; a small ratio is its logarithm.
    assert found.step_percent == pytest.approx(-100 * 2.4 * np.log(0.554 / 0.544), rel=0.01)
    assert found.mean_percent == pytest.approx(abs(found.step_percent))
    least = least_step_percent(float(first + second) / 2, 40 / pixels_per_degree(1080))
    assert found.times == pytest.approx(abs(found.step_percent) / least)
    assert found.displaced is None
    assert found.colour_uv == pytest.approx(0, abs=1e-9)


def test_equal_takes_show_nothing():
    rng = np.random.default_rng(1)
    picture = 0.4 + 0.1 * rng.random((HEIGHT, WIDTH, 1)) * np.ones(3)
    found = measured(picture, picture)
    assert (found.step_percent, found.times, found.displaced) == (0, 0, None)
    assert found.grain_codes[0] == found.grain_codes[1]


def test_takes_that_do_not_meet_have_no_seam():
    weights = (np.ones((HEIGHT, WIDTH)), np.zeros((HEIGHT, WIDTH)))
    assert measure_seam(flat(0.2), flat(0.8), weights, feather_px=40, picture_height_px=1080) is None


def drawn(dx, dy, light):
    rng = np.random.default_rng(7)
    import cv2

    noise = cv2.GaussianBlur(rng.random((HEIGHT, WIDTH)), (0, 0), 2.5)
    noise = (noise - noise.mean()) / noise.std() * 0.06
    matrix = np.array([[1, 0, dx], [0, 1, dy]], np.float64)
    moved = cv2.warpAffine(noise, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return ((0.4 + moved) * light)[..., None] * np.ones(3)


@settings(max_examples=20)
@given(st.floats(-4, 4), st.floats(1.5, 4), st.floats(0.7, 1.3))
def test_what_is_displaced_is_measured_under_another_light(dx, dy, light):
    found = measured(drawn(0, 0, 1.0), drawn(dx, dy, light + 0.2 * (X - 80) / WIDTH))
    assert found.displaced is not None
    # A parabola through three values of the likeness is good to about a tenth of a pixel.
    assert found.displaced.dx_px == pytest.approx(dx, abs=0.2)
    assert found.displaced.dy_px == pytest.approx(dy, abs=0.2)


@settings(max_examples=20)
@given(st.floats(0.5, 1.5), st.floats(-0.3, 0.3))
def test_another_light_alone_is_no_displacement(light, slope):
    found = measured(drawn(0, 0, 1.0), np.clip(drawn(0, 0, 1.0) * (light + slope * (X - 80) / 80)[..., None], 0, 1))
    assert found.displaced is None


def test_grain_is_told_apart():
    rng = np.random.default_rng(2)
    one, other = (0.4 + rng.normal(0, sigma / 255, (HEIGHT, WIDTH, 1)) * np.ones(3) for sigma in (1.0, 3.0))
    found = measured(one, other)
    # The least of some tiles lies below the mean: by two or three times 0.75 / sqrt(tile's pixels), about 5 %.
    assert found.grain_codes == (pytest.approx(1.0, rel=0.1), pytest.approx(3.0, rel=0.1))


def test_colour_is_the_distance_of_chromaticities():
    red = np.array([0.6, 0.4, 0.4])
    found = measured(flat(0.4) * 0 + red, flat(0.4))
    # CIE 15: u', v' of white D65 are (0.1978, 0.4683); redder lies to the right of it.
    x, y, z = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ red**2.4
    distance = np.hypot(4 * x / (x + 15 * y + 3 * z) - 0.1978, 9 * y / (x + 15 * y + 3 * z) - 0.4683)
    assert found.colour_uv == pytest.approx(distance, abs=2e-4)


def test_the_heat_picture_agrees_with_the_measure():
    found = measured(flat(0.50), flat(0.55))
    heat = times_seen(flat(0.50), flat(0.55), WEIGHTS, feather_px=40, picture_height_px=1080)
    # Where both weigh the same the share is one; between tabled luminances the least step is read off a line.
    assert heat.max() == pytest.approx(found.times, rel=0.02)
    assert heat[:, 0].max() == 0
