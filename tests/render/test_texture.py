"""Grain and vignette: what they do to a flat picture, and that the same frame always looks the same."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.film.records import Texture
from partsong.media.planes import Planes
from partsong.render.texture import TILE, grain, textured, vignette


def flat(percent: float, *, size: tuple[int, int] = (270, 480), depth: int = 10) -> Planes:
    unit = 1 << (depth - 8)
    y = np.full(size, round((16 + 2.19 * percent) * unit), np.uint8 if depth == 8 else np.uint16)
    c = np.full((size[0], size[1] // 2), 140 * unit, y.dtype)
    return Planes(y, c, c, depth, "bt709", "limited")


def percent_of(planes: Planes) -> np.ndarray:
    return 100 * (planes.y.astype(float) - 64) / 876


@pytest.mark.parametrize(("percent", "share"), [(50, 1.0), (25, 0.75), (90, 0.36), (0, 0.0), (100, 0.0)])
def test_grain_is_as_strong_as_said_and_fades_towards_black_and_white(percent: float, share: float) -> None:
    found = percent_of(textured(flat(percent), Texture(grain_percent=2.0), 7))
    # 4 s (1 - s) of 2 %; a twentieth of it for 130,000 samples and for whole codes (0.03 % of signal).
    assert found.std() == pytest.approx(2.0 * share, rel=0.05, abs=1e-9)
    assert found.mean() == pytest.approx(percent, abs=0.05)


def test_black_and_white_stay_exactly_what_they_were() -> None:
    for percent in (0, 100):
        before = flat(percent)
        after = textured(before, Texture(grain_percent=10.0), 3)
        assert np.array_equal(after.y, before.y)
        assert np.array_equal(after.u, before.u)


def test_grain_hangs_on_the_frame_s_number_and_nothing_else() -> None:
    texture = Texture(grain_percent=2.0)
    once, again, other = (textured(flat(50), texture, number) for number in (12, 12, 13))
    assert np.array_equal(once.y, again.y)
    apart = np.corrcoef(percent_of(once).ravel(), percent_of(other).ravel())[0, 1]
    assert abs(apart) < 0.02  # 130,000 samples: five standard deviations of a chance correlation are 0.014


def test_a_grain_is_as_wide_as_said() -> None:
    def alike(grain_px: float) -> float:
        noise = grain(600, 400, grain_px, 1)
        assert noise.std() == pytest.approx(1, abs=0.03)
        return float(np.corrcoef(noise[:, :-1].ravel(), noise[:, 1:].ravel())[0, 1])

    assert abs(alike(1.0)) < 0.02
    # A Gaussian of spread s gives neighbours a correlation of exp(-1 / (4 s^2)); a grain of 3 px has s = 1.
    assert alike(3.0) == pytest.approx(np.exp(-1 / 4), abs=0.03)
    assert alike(5.0) == pytest.approx(np.exp(-1 / 16), abs=0.03)


def test_grain_does_not_repeat_over_a_frame_larger_than_its_field() -> None:
    noise = grain(TILE * 2, TILE + 40, 1.0, 5)
    one, two = noise[:TILE, :TILE], noise[:TILE, TILE:]
    assert abs(np.corrcoef(one.ravel(), two.ravel())[0, 1]) < 0.01


def test_a_vignette_darkens_display_light_by_its_stops_in_the_corner() -> None:
    light = vignette(1920, 1080, 1.0).astype(float) ** 2.4  # back from signal to light: ITU-R BT.1886
    assert light[540, 960] == pytest.approx(1, abs=1e-4)
    assert np.log2(light[0, 0]) == pytest.approx(-1, abs=2e-3)  # the corner pixel's centre lies just inside
    # Half way to the corner: a quarter of the stops.
    assert np.log2(light[270, 480]) == pytest.approx(-0.25, abs=2e-3)


def test_a_vignette_keeps_black_and_scales_colour_with_light() -> None:
    black = textured(flat(0), Texture(vignette_stops=1.0), 0)
    assert (black.y == 64).all()
    found = textured(flat(60), Texture(vignette_stops=1.0), 0)
    ratio_y = (float(found.y[0, 0]) - 64) / (float(flat(60).y[0, 0]) - 64)
    ratio_u = (float(found.u[0, 0]) - 512) / (560 - 512)
    assert ratio_y == pytest.approx(2 ** (-1 / 2.4), abs=2e-3)  # whole codes
    assert ratio_u == pytest.approx(ratio_y, abs=0.02)  # one of 48 codes


@pytest.mark.parametrize("depth", [8, 10, 12])
def test_any_depth_and_sampling_keeps_its_form(depth: int) -> None:
    before = flat(50, depth=depth, size=(31, 44))
    after = textured(before, Texture(grain_percent=1.0, vignette_stops=0.5), 1)
    assert (after.y.shape, after.u.shape, after.y.dtype) == (before.y.shape, before.u.shape, before.y.dtype)
    assert after.bit_depth == depth
