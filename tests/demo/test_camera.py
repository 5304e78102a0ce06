import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.demo import camera

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it says on import which of its own extras are missing
    import colour


def _reference(linear):
    with np.errstate(invalid="ignore", divide="ignore"):  # it takes logarithms also where it does not use them
        return colour.models.log_encoding_ACEScct(linear)


# AMPAS S-2016-001; values as computed by colour-science 0.4.7 from the standard's formula.
@pytest.mark.parametrize(
    ("linear", "encoded"),
    [(0, 0.0729055342), (0.0078125, 0.1552511416), (0.18, 0.4135884025), (1, 0.5547945205), (16, 0.7831050228)],
)
def test_published_values_of_acescct(linear, encoded):
    assert float(camera.encode_cct(linear)) == pytest.approx(encoded, abs=1e-9)


@given(st.floats(-0.01, 60000))
def test_acescct_agrees_with_a_reference_library(linear):
    assert float(camera.encode_cct(linear)) == pytest.approx(float(_reference(linear)), abs=1e-9)  # both are float64


def test_codes_follow_bt709_matrix_and_limited_range():
    rng = np.random.default_rng(4)
    light = np.exp(rng.uniform(np.log(1e-4), np.log(4), (64, 64, 3))).astype(np.float32)
    light[:8] -= 0.002  # some of it below black, as noise makes it
    planes = camera.record(light, seed=1, noisy=False)

    encoded = _reference(light.astype(np.float64))
    # Equations of ITU-R BT.709-6, items 3 and 4, at 10 bits, by the reference library.
    wanted = (
        colour.RGB_to_YCbCr(encoded, K=colour.WEIGHTS_YCBCR["ITU-R BT.709"], out_bits=10, out_legal=True, out_int=False)
        * 1023
    )
    # Half a code is rounding; a thousandth is the polynomial for the logarithm in single precision.
    assert np.abs(planes.y - wanted[..., 0]).max() <= 0.502
    shared = 0.5 * (wanted[:, 0::2, 1:] + wanted[:, 1::2, 1:])
    assert np.abs(planes.u - shared[..., 0]).max() <= 0.502
    assert np.abs(planes.v - shared[..., 1]).max() <= 0.502
    assert (planes.bit_depth, planes.chroma, planes.matrix, planes.value_range) == (10, "422", "bt709", "limited")


@pytest.mark.parametrize("level", [0.0, 0.02, 0.05, 0.18])
def test_noise_is_that_of_reading_and_of_light(level):
    light = np.full((240, 320, 3), level, np.float32)
    codes = [camera.record(light, seed=seed).y.astype(np.float64) for seed in (1, 2)]
    # Small noise through a curve is the curve's slope times the noise; luma weighs three independent channels.
    step = 1e-4
    slope = float(camera.encode_cct(level + step) - camera.encode_cct(level - step)) / (2 * step)
    weights = np.linalg.norm([0.2126, 0.7152, 0.0722])
    sigma = 876 * slope * weights * np.sqrt(camera.READ_NOISE**2 + camera.SHOT_NOISE * level)
    expected = np.sqrt(sigma**2 + 1 / 12)  # and rounding to whole codes
    # 76 800 values from a table of 131 072: their deviation is known to about one per cent.
    assert codes[0].std() == pytest.approx(expected, rel=0.03)
    # No two frames share their grain.
    assert abs(np.corrcoef(codes[0].ravel(), codes[1].ravel())[0, 1]) < 0.05


def test_the_same_frame_is_recorded_the_same():
    light = np.random.default_rng(0).random((32, 64, 3), np.float32)
    first, second = camera.record(light, seed=9), camera.record(light, seed=9)
    assert np.array_equal(first.y, second.y)
    assert np.array_equal(first.u, second.u)


def test_a_view_puts_what_it_looks_at_in_the_middle():
    view = camera.View((1.0, 1.4, 0.5), (2.0, 0.8, 4.5), 0.4)
    assert view.pixels([view.look_at], 640, 360)[0] == pytest.approx((320, 180), abs=1e-9)
    # A point to the right and above appears to the right and above.
    x, y = view.pixels([(2.3, 1.1, 4.5)], 640, 360)[0]
    assert x > 320
    assert y < 180
