"""Frames from one kind of planes to another: size, depth, chroma sampling, matrix and range.

For thumbnails, proxies and the odd clip that differs from the rest; what is delivered frame by frame goes
through the fused table of :mod:`partsong.render`. Equations of ITU-T H.273, 8.3; chroma lies where H.264 and HEVC put
it unless told otherwise (``chroma_sample_loc_type`` 0): on the left pixel of a pair, midway between two lines.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange

if TYPE_CHECKING:
    from numpy.typing import NDArray

# (red, blue) weights of luma: ITU-R BT.709-6, BT.601-7, BT.2020-2 non-constant luminance.
LUMA_WEIGHTS: dict[Matrix, tuple[float, float]] = {
    "bt709": (0.2126, 0.0722),
    "bt601": (0.299, 0.114),
    "bt2020nc": (0.2627, 0.0593),
}


def resized(planes: Planes, width: int, height: int) -> Planes:
    """Return the frame at another size, with its depth, chroma sampling and tags.

    Each new pixel is the mean of the area that it covers when the picture gets smaller, and a Lanczos
    interpolation when a side gets larger.
    """
    from partsong.media.frames import frame_of, planes_of

    if (width, height) == (planes.width, planes.height):
        return planes
    if width < 2 or height < 2:
        raise InvalidInput(f"A picture of {width} x {height} pixels is too small to draw.")
    smaller = width <= planes.width and height <= planes.height
    frame = frame_of(planes).reformat(width, height, interpolation="AREA" if smaller else "LANCZOS", threads=1)
    return planes_of(frame, planes.matrix, planes.value_range)


def converted(
    planes: Planes,
    *,
    bit_depth: int | None = None,
    chroma: Chroma | None = None,
    matrix: Matrix | None = None,
    value_range: ValueRange | None = None,
) -> Planes:
    """Return the frame with another depth, chroma sampling, matrix or range; what is not given stays.

    Values are rounded to the nearest code, halves upwards, without dither.
    """
    depth = bit_depth or planes.bit_depth
    chroma = chroma or planes.chroma
    matrix = matrix or planes.matrix
    value_range = value_range or planes.value_range
    if (depth, matrix, value_range) == (planes.bit_depth, planes.matrix, planes.value_range):
        if chroma == planes.chroma:
            return planes
        y: NDArray[Any] = planes.y
    else:
        y = _decoded(planes.y, planes, luma=True)
    u, v = (_decoded(plane, planes, luma=False) for plane in (planes.u, planes.v))
    if matrix != planes.matrix:
        u, v = (_rechroma(plane, planes.chroma, "444", planes.y.shape) for plane in (u, v))
        y, u, v = _from_rgb(_to_rgb(y, u, v, planes.matrix), matrix)
        u, v = (_rechroma(plane, "444", chroma, planes.y.shape) for plane in (u, v))
    else:
        u, v = (_rechroma(plane, planes.chroma, chroma, planes.y.shape) for plane in (u, v))
    if y is not planes.y:
        y = _encoded(y, depth, value_range, luma=True)
    u, v = (_encoded(plane, depth, value_range, luma=False) for plane in (u, v))
    return Planes(y, u, v, depth, matrix, value_range)


def encoded_rgb(planes: Planes) -> NDArray[np.float32]:
    """Return the frame as encoded R'G'B' of shape (height, width, 3); 0 to 1 is the nominal range."""
    y = _decoded(planes.y, planes, luma=True)
    u, v = (
        _rechroma(_decoded(plane, planes, luma=False), planes.chroma, "444", planes.y.shape)
        for plane in (planes.u, planes.v)
    )
    return np.stack(_to_rgb(y, u, v, planes.matrix), axis=-1)


Triple = tuple["NDArray[np.float32]", "NDArray[np.float32]", "NDArray[np.float32]"]


def _scale(depth: int, value_range: ValueRange, *, luma: bool) -> tuple[float, float]:
    """Return (code of zero, codes from there to one) of a plane."""
    step = float(1 << (depth - 8))
    if value_range == "limited":
        return (16 * step, 219 * step) if luma else (128 * step, 224 * step)
    full = float((1 << depth) - 1)
    return (0.0, full) if luma else (128 * step, full)


def _decoded(plane: NDArray[Any], planes: Planes, *, luma: bool) -> NDArray[np.float32]:
    zero, size = _scale(planes.bit_depth, planes.value_range, luma=luma)
    return (plane.astype(np.float32) - np.float32(zero)) / np.float32(size)


def _encoded(plane: NDArray[np.float32], depth: int, value_range: ValueRange, *, luma: bool) -> NDArray[Any]:
    zero, size = _scale(depth, value_range, luma=luma)
    codes = np.floor(plane * np.float32(size) + np.float32(zero + 0.5))
    clipped: NDArray[Any] = np.clip(codes, 0, (1 << depth) - 1)
    return clipped.astype(np.uint8 if depth == 8 else np.uint16)


def _to_rgb(y: NDArray[np.float32], u: NDArray[np.float32], v: NDArray[np.float32], matrix: Matrix) -> Triple:
    kr, kb = LUMA_WEIGHTS[matrix]
    red = y + np.float32(2 * (1 - kr)) * v
    blue = y + np.float32(2 * (1 - kb)) * u
    green: NDArray[Any] = (y - np.float32(kr) * red - np.float32(kb) * blue) / np.float32(1 - kr - kb)
    return red, green, blue


def _from_rgb(rgb: Triple, matrix: Matrix) -> Triple:
    kr, kb = LUMA_WEIGHTS[matrix]
    red, green, blue = rgb
    y: NDArray[np.float32] = np.float32(kr) * red + np.float32(1 - kr - kb) * green + np.float32(kb) * blue
    return y, (blue - y) / np.float32(2 * (1 - kb)), (red - y) / np.float32(2 * (1 - kr))


def _rechroma(plane: NDArray[np.float32], source: Chroma, target: Chroma, size: tuple[int, ...]) -> NDArray[np.float32]:
    if source == target:
        return plane
    if source == "420":
        plane = _twice_the_lines(plane, size[0])
    if source != "444" and target == "444":
        plane = _twice_the_columns(plane, size[1])
    if source == "444" and target != "444":
        plane = _half_the_columns(plane)
    if target == "420":
        plane = _half_the_lines(plane)
    return plane


def _twice_the_lines(plane: NDArray[np.float32], height: int) -> NDArray[np.float32]:
    # A line of chroma lies midway between two of luma: these are a quarter of the way to its neighbours.
    above = np.concatenate([plane[:1], plane[:-1]])
    below = np.concatenate([plane[1:], plane[-1:]])
    lines = np.stack([0.75 * plane + 0.25 * above, 0.75 * plane + 0.25 * below], axis=1)
    return lines.reshape(-1, plane.shape[1])[:height].astype(np.float32, copy=False)


def _half_the_lines(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    if plane.shape[0] % 2:
        plane = np.concatenate([plane, plane[-1:]])
    midway: NDArray[np.float32] = np.add(plane[0::2], plane[1::2]) * np.float32(0.5)
    return midway


def _twice_the_columns(plane: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    right = np.concatenate([plane[:, 1:], plane[:, -1:]], axis=1)
    columns = np.stack([plane, 0.5 * (plane + right)], axis=2)
    return columns.reshape(plane.shape[0], -1)[:, :width].astype(np.float32, copy=False)


def _half_the_columns(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    # One, two, one over four about the pixel that the sample lies on.
    left = np.concatenate([plane[:, :1], plane[:, :-1]], axis=1)
    right = np.concatenate([plane[:, 1:], plane[:, -1:]], axis=1)
    smooth: NDArray[np.float32] = np.float32(0.25) * (left + plane + plane + right)
    return smooth[:, ::2]
