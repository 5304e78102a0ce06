"""The colour path and its signals beside outside references that run in the same test.

Named at each: published values in ``tests/data/check-values.json``, colour-science, and OpenColorIO's own transforms.
"""

from __future__ import annotations

import json
import re
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest

from partsong.film.records import Cdl, Look
from partsong.media.planes import Matrix, Planes, ValueRange
from partsong.render import colour, grading, pixels
from partsong.render.table import apply_table, build_table

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it warns that plotting is not installed
    import colour as science

VALUES = json.loads((Path(__file__).parents[1] / "data" / "check-values.json").read_text())["values"]
CONFIG = colour.DEFAULT_CONFIG
RAMP = np.linspace(0, 1, 257)
# OpenColorIO computes in single precision: about 2e-6 of code (and of light near one).
SINGLE = 2e-6


def rows(pattern: str) -> list[dict[str, Any]]:
    found = [row for row in VALUES if re.fullmatch(pattern, row["id"])]
    assert found, pattern
    return found


def grey(values: np.ndarray) -> np.ndarray:
    return np.repeat(np.asarray(values, np.float64)[:, None], 3, axis=1)


def test_video_code_is_bt709_s_curve() -> None:
    # ITU-R BT.709-6, item 1.2, by colour-science with the exact constants.
    light = science.models.oetf_inverse_BT709(RAMP)
    code = colour.from_linear(CONFIG, "Camera Rec.709", grey(light))
    # The config joins the curve's pieces where their slopes meet, the standard at 0.018: the two forms differ by less
    # than 0.0003 of signal, near the joint alone.
    np.testing.assert_allclose(code, grey(RAMP), atol=3e-4)
    bright = RAMP > 0.1
    found = colour.to_linear(CONFIG, "Camera Rec.709", grey(RAMP[bright]))
    np.testing.assert_allclose(found, grey(light[bright]), atol=3e-6)  # single precision


def shown(display: str, rgb: np.ndarray) -> np.ndarray:
    """Light of a display's own primaries, 0 to 1, to its code: the view without any tone mapping."""
    look = Look(config=CONFIG, display=display, view="Un-tone-mapped")
    return colour.display_path(look, "Linear Rec.709 (sRGB)", None)(rgb.astype(np.float32))


def test_a_bt1886_display_s_code_gives_the_light_that_the_standard_says() -> None:
    # ITU-R BT.1886, Annex 1, white 1 and black 0, by colour-science.
    code = shown("Rec.1886 Rec.709 - Display", grey(RAMP))
    back = science.models.eotf_BT1886(code.astype(np.float64), L_B=0, L_W=1)
    np.testing.assert_allclose(back, grey(RAMP), atol=1e-5)  # single precision through a power of 2.4 and two matrices


def test_an_srgb_display_s_code_gives_the_light_that_the_standard_says() -> None:
    # IEC 61966-2-1:1999, by colour-science.
    code = shown("sRGB - Display", grey(RAMP))
    back = science.models.eotf_sRGB(code.astype(np.float64))
    np.testing.assert_allclose(back, grey(RAMP), atol=1e-5)


def test_acescct_is_the_published_curve_both_ways() -> None:
    # Academy S-2016-001, by colour-science.
    code = np.linspace(0, 1, 513)
    light = science.models.log_decoding_ACEScct(code)
    np.testing.assert_allclose(colour.to_linear(CONFIG, "ACEScct", grey(code)), grey(light), rtol=4e-6, atol=2e-7)
    np.testing.assert_allclose(colour.from_linear(CONFIG, "ACEScct", grey(light)), grey(code), atol=SINGLE)


# ASC CDL v1.2, the form without clamping; values worked with OpenColorIO 2.6.0.
@pytest.mark.parametrize("row", rows(r"col\.cdl\..*"), ids=lambda row: row["id"])
def test_a_grade_gives_the_published_numbers(row: dict[str, Any]) -> None:
    given = row["inputs"]
    names = {name.lower(): value for name, value in given.items()}
    cdl = Cdl(
        slope=tuple(map(float, names["slope"])),
        offset=tuple(map(float, names["offset"])),
        power=tuple(map(float, names["power"])),
        saturation=float(names.get("saturation", names.get("sat", 1.0))),
    )
    found = grading.apply_cdl(cdl, np.array(names.get("in", names.get("rgb")), float))
    assert found == pytest.approx(row["expected"]["noclamp"], abs=row["tolerance"])


def test_a_grade_is_opencolorio_s_without_clamping() -> None:
    rng = np.random.default_rng(7)
    rgb = rng.uniform(-0.2, 4, (500, 3)).astype(np.float32)
    for _ in range(20):
        cdl = Cdl(
            slope=tuple(rng.uniform(0.5, 2, 3)), offset=tuple(rng.uniform(-0.1, 0.1, 3)),
            power=tuple(rng.uniform(0.6, 1.6, 3)), saturation=float(rng.uniform(0, 2)),
        )  # fmt: skip
        transform = ocio.CDLTransform(list(cdl.slope), list(cdl.offset), list(cdl.power), cdl.saturation)
        transform.setStyle(ocio.CDL_NO_CLAMP)
        peer = ocio.Config.CreateRaw().getProcessor(transform).getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
        expected = rgb.copy()
        peer.applyRGB(expected)
        # Single precision of values up to 8 ** 1.6, times a saturation of 2.
        np.testing.assert_allclose(grading.apply_cdl(cdl, rgb), expected, rtol=2e-5, atol=2e-5)


MATRICES: dict[Matrix, str] = {"bt709": "ITU-R BT.709", "bt601": "ITU-R BT.601", "bt2020nc": "ITU-R BT.2020"}


@pytest.mark.parametrize("depth", [8, 10, 12])
@pytest.mark.parametrize("matrix", list(MATRICES))
@pytest.mark.parametrize("value_range", ["limited", "full"])
def test_codes_are_colour_science_s_and_come_back(depth: int, matrix: Matrix, value_range: ValueRange) -> None:
    # BT.709-6 items 3.2 to 4.6, BT.601-7, BT.2020-2 table 4: limited and full range, by colour-science.
    rgb = np.random.default_rng(depth).random((400, 3))
    exact = pixels.encoded_to_codes(rgb, depth, matrix, value_range)
    legal = value_range == "limited"
    peer = science.RGB_to_YCbCr(
        rgb, K=science.WEIGHTS_YCBCR[MATRICES[matrix]], in_bits=depth, in_legal=False, in_int=False, out_bits=depth,
        out_legal=legal, out_int=False,
    )  # fmt: skip
    middle = 0 if legal else 2 ** (depth - 1)  # full range comes about zero
    expected = peer * (2**depth - 1) + (0, middle, middle)
    # Its BT.601 and BT.709 weights are to four places, as printed; a hundredth of a code in a thousand.
    np.testing.assert_allclose(exact, expected, atol=0.02 * 2 ** (depth - 10) + 0.01)
    # Round trip through whole codes: at most the half code that rounding takes, spread by the matrix.
    codes = pixels.rounded(exact, depth)
    back = pixels.codes_to_encoded(codes, depth, matrix, value_range)
    half = 0.5 / min(pixels.code_scale(depth, value_range)[::2])
    assert np.abs(back - rgb).max() <= half * (1 + 2 * 0.95)
    again = pixels.rounded(pixels.encoded_to_codes(back, depth, matrix, value_range), depth)
    assert np.array_equal(again, codes)


@pytest.mark.parametrize("depth", [8, 10, 12])
@pytest.mark.parametrize("value_range", ["limited", "full"])
def test_a_table_that_changes_nothing_gives_every_code_back(depth: int, value_range: ValueRange) -> None:
    rgb = np.random.default_rng(depth).random((32, 48, 3))
    signal = (depth, "bt709", value_range)
    planes = pixels.to_planes(pixels.encoded_to_codes(rgb, *signal), "444", *signal)  # type: ignore[arg-type]
    table = build_table(lambda encoded: encoded, source=signal, target=signal)  # type: ignore[arg-type]
    found = apply_table(planes, table)
    for name in ("y", "u", "v"):
        assert np.abs(getattr(found, name).astype(int) - getattr(planes, name)).max() <= 1  # the lattice's own rounding


def test_the_fused_table_stays_close_to_the_exact_path_on_a_grey_ramp() -> None:
    look = Look(config=CONFIG, display="Rec.1886 Rec.709 - Display", view="ACES 1.0 - SDR Video")
    path = colour.display_path(look, "ACEScct", None)
    signal: tuple[int, Matrix, ValueRange] = (10, "bt709", "limited")
    table = build_table(path, source=signal, target=signal)
    y = np.arange(64, 941, dtype=np.uint16)[None].repeat(2, axis=0)
    grey_planes = Planes(y, np.full_like(y, 512), np.full_like(y, 512), *signal)
    found = apply_table(grey_planes, table)
    exact = pixels.encoded_to_codes(path(pixels.codes_to_encoded(pixels.full_size(grey_planes), *signal)), *signal)
    away = np.abs(found.y - exact[..., 0])
    # Greys lie on no kink but black's and white's: within a code and rounding, and at mid grey (426.3) within rounding.
    assert away.max() <= 3.0
    assert away[0, 426 - 64] <= 1.0
    assert np.abs(found.u.astype(int) - 512).max() <= 1
