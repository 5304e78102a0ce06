"""Frames change size, depth, chroma, matrix and range without changing colour; stills show what was there."""

from __future__ import annotations

import warnings
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import clips
from partsong.errors import InvalidInput
from partsong.media.convert import converted, encoded_rgb, resized
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange
from partsong.media.probe import probe
from partsong.media.thumbs import thumbnail


def flat(y: int, u: int, v: int, depth: int = 8, chroma: Chroma = "444", matrix: Matrix = "bt709") -> Planes:
    dtype = np.uint8 if depth == 8 else np.uint16
    size = {"444": (8, 8), "422": (8, 4), "420": (4, 4)}[chroma]
    return Planes(np.full((8, 8), y, dtype), np.full(size, u, dtype), np.full(size, v, dtype), depth, matrix, "limited")


@pytest.mark.parametrize("matrix", ["bt709", "bt601", "bt2020nc"])
def test_rgb_agrees_with_a_reference_library(matrix: Matrix) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it complains of drawing libraries that it does not find
        import colour

    weights = colour.WEIGHTS_YCBCR[
        {"bt709": "ITU-R BT.709", "bt601": "ITU-R BT.601", "bt2020nc": "ITU-R BT.2020"}[matrix]
    ]
    for codes in ((235, 128, 128), (16, 128, 128), (126, 90, 200), (60, 180, 110)):
        truth = colour.YCbCr_to_RGB(np.array(codes), K=weights, in_bits=8, in_int=True, in_legal=True, out_legal=False)
        got = encoded_rgb(flat(*codes, matrix=matrix))[4, 4]
        # float32 arithmetic on values near one.
        np.testing.assert_allclose(got, truth, atol=1e-5)


def test_a_saturated_colour_moves_to_the_codes_of_the_other_matrix() -> None:
    # Green and blue at full, limited range, 10 bits: codes of ITU-R BT.709-6, items 3.2 to 3.5, and those of
    # BT.601-7, 2.5.3, worked out by hand from the equations. One code either way: the source codes are rounded.
    for old, new in (((691, 167, 105), (578, 215, 137)), ((127, 960, 471), (164, 960, 439))):
        turned = converted(flat(*old, depth=10), matrix="bt601")
        np.testing.assert_allclose([turned.y[0, 0], turned.u[0, 0], turned.v[0, 0]], new, atol=1)


@given(
    y=st.integers(64, 940),
    u=st.integers(64, 960),
    v=st.integers(64, 960),
    chroma=st.sampled_from(["444", "422", "420"]),
    target=st.sampled_from(["444", "422", "420"]),
)
def test_flat_colours_stay_what_they_are(y: int, u: int, v: int, chroma: Chroma, target: Chroma) -> None:
    planes = flat(y, u, v, 10, chroma)
    other = converted(planes, chroma=target)
    assert other.chroma == target
    for before, after in ((planes.y, other.y), (planes.u, other.u), (planes.v, other.v)):
        assert set(np.unique(after)) == set(np.unique(before))
    deep = converted(planes, bit_depth=12)
    assert (deep.y[0, 0], deep.u[0, 0], deep.v[0, 0]) == (4 * y, 4 * u, 4 * v)  # H.273: limited codes scale by 2 a bit
    again = converted(converted(planes, value_range="full", bit_depth=16), value_range="limited", bit_depth=10)
    assert (again.y[0, 0], again.u[0, 0], again.v[0, 0]) == (y, u, v)


def test_chroma_lies_on_the_left_pixel_midway_between_lines() -> None:
    # A ramp is straight: wherever a sample is taken from it, its value tells its place.
    columns, rows = np.meshgrid(np.arange(32), np.arange(32))
    ramp = (200 + 8 * columns + 4 * rows).astype(np.uint16)
    planes = Planes(ramp, ramp, ramp, 10, "bt709", "limited")
    half = converted(planes, chroma="420")
    np.testing.assert_array_equal(half.u[1:-1, 1:-1], (ramp[::2, ::2] + 2)[1:-1, 1:-1])
    back = converted(half, chroma="444")
    np.testing.assert_array_equal(back.u[2:-2, 2:-2], ramp[2:-2, 2:-2])


@pytest.mark.parametrize("value_range", ["limited", "full"])
@pytest.mark.parametrize("size", [(48, 32), (192, 128), (51, 33)])
def test_another_size_keeps_the_kind_and_the_mean(size: tuple[int, int], value_range: ValueRange) -> None:
    planes = clips.numbered(5, bit_depth=10, chroma="422", value_range=value_range)
    other = resized(planes, *size)
    assert (other.width, other.height, other.bit_depth, other.chroma) == (*size, 10, "422")
    assert (other.matrix, other.value_range) == (planes.matrix, value_range)
    assert np.unique(other.u).tolist() == [440]
    # The mean of a picture survives any fair filter; edges fall differently on the new grid: half a percent.
    assert other.y.mean() == pytest.approx(planes.y.mean(), rel=0.02)


def test_a_size_of_nothing_is_refused() -> None:
    with pytest.raises(InvalidInput, match="too small"):
        resized(flat(100, 128, 128), 1, 4)


def test_a_still_shows_the_frame_in_its_true_shape(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mov", frames=20, pixel_aspect=Fraction(4, 3), turned_deg=90)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    thumbnail(path, picture, 13, tmp_path / "still.jpg", width=120)
    still = cv2.imread(str(tmp_path / "still.jpg"))
    # Stored 96 x 64 with pixels 4/3 wide is 128 x 64; on its side 64 x 128.
    assert still.shape == (240, 120, 3)
    stored = np.rot90(cv2.cvtColor(still, cv2.COLOR_BGR2GRAY))
    codes = cv2.resize(stored, (96, 64)).astype(np.float64) * 219 / 255 + 16
    assert clips.number_in(Planes(codes, codes, codes, 8, "bt709", "limited")) == 13


def test_still_that_cannot_be_made(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mov", frames=5)
    picture = probe(path, clips.record_of(path)).picture
    assert picture is not None
    with pytest.raises(InvalidInput, match="no frame 5"):
        thumbnail(path, picture, 5, tmp_path / "still.jpg")
    with pytest.raises(InvalidInput, match="16 or more"):
        thumbnail(path, picture, 0, tmp_path / "still.jpg", width=4)
    assert not (tmp_path / "still.jpg").exists()
