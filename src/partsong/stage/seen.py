"""Measuring a seam on pictures: the step across it, what is displaced along it, whose grain is coarser.

All of it is computed from three pictures that lie beside the report: the two takes in display code, and the weight each
has. So every number can be computed again from them.

The seam is where both takes have weight; a pixel counts by ``4 * w1 * w2``, which is 1 where they share it equally.
Along it, square *tiles* as large as the soft edge is wide are measured one by one:

- **step**: the difference of the tile's mean luminances over their mean, in per cent, on the monitor and to the eye
  of :mod:`partsong.stage.visibility`; ``times`` is the step over the least that is seen across an edge of that width.
- **colour**: the distance of the mean colours in CIE 1976 u', v'.
- **displaced**: where the tile's drawing in one take is found again in the other. Told only where the same drawing is
  there, and clearly less so without moving it.
- **grain**: the standard deviation of what a Laplacian leaves, in 8-bit codes; the least of the tiles, since texture
  adds to it.

References
----------
CIE 15:2018, section 8.2, for u', v'; Immerkaer (1996), "Fast noise variance estimation", for the grain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from partsong.stage.visibility import (
    BLACK_CD_M2,
    GAMMA,
    WHITE_CD_M2,
    least_step_percent,
    luminance,
    pixels_per_degree,
    step_percent,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

SEEN_PLAINLY = 4.0
"""From how many times the least step a seam is called plain; between one and this it is found by who looks for it. The
eye's figure is for gratings under ideal viewing; a hard edge is seen every day from 1 to 2 % (common practice)."""

ENDS = 2.0
"""From how many times as bright, a stop, a seam is where one take's light ends: no step of that size is an accident of
exposure (common practice, no source)."""

Shows = Literal["plainly", "light ends", "just", "not"]
"""What a seam is called, what shows most first."""

_LEAST_TILE = 24
_LEAST_WEIGHT = 0.12  # of a tile's area
_REACH = 6  # pixels to each side
_SAME, _BETTER = 0.7, 0.08  # correlation where it is found, and how much more than without moving
_HAS_DRAWING = 0.012  # of display code, the standard deviation of detail
_MOVED_PX = 0.4

# Linear BT.709 red, green, blue to CIE XYZ (BT.709-6, primaries and white of item 1).
_XYZ = np.array(
    [[0.4123908, 0.3575843, 0.1804808], [0.2126390, 0.7151687, 0.0721923], [0.0193308, 0.1191948, 0.9505322]]
)
_LAPLACIAN = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float64)


@dataclass(frozen=True, slots=True)
class Displaced:
    """How far something along a seam lies apart: right and down in the second take, in pixels of the pictures."""

    dx_px: float
    dy_px: float
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class SeamMeasure:
    """What a seam shows at one moment.

    ``step_percent`` is that of the tile that shows most, signed (positive where the first take is brighter), at (``x``,
    ``y``) of the pictures; ``least_percent`` what is just seen there and ``times`` their ratio. ``mean_percent`` is the
    mean size of the step over the seam.
    """

    step_percent: float
    least_percent: float
    times: float
    mean_percent: float
    x: float
    y: float
    colour_uv: float
    displaced: Displaced | None
    grain_codes: tuple[float, float]

    @property
    def ratio(self) -> float:
        """How many times as bright the brighter take is there: the step is 200 (a - b) / (a + b) per cent."""
        step = abs(self.step_percent)
        return (200 + step) / max(200 - step, 1e-9)

    @property
    def shows(self) -> Shows:
        """What the seam is called. Where light ends is not judged: a pool of light is to end somewhere."""
        if self.times < 1:
            return "not"
        if self.ratio >= ENDS:
            return "light ends"
        return "plainly" if self.times >= SEEN_PLAINLY else "just"


def measure_seam(
    one: NDArray[np.float64],
    other: NDArray[np.float64],
    weights: tuple[NDArray[np.float64], NDArray[np.float64]],
    *,
    feather_px: float,
    picture_height_px: int,
) -> SeamMeasure | None:
    """Measure the seam between two takes; None where they hardly meet.

    Parameters
    ----------
    one, other : array, shape (height, width, 3)
        A part of the two takes, in display R'G'B', 0 to 1.
    weights : (array, array), shape (height, width)
        What each weighs.
    feather_px : float
        The width of the soft edge, in pixels of the pictures.
    picture_height_px : int
        The height of the whole picture, which says how large a pixel is to the eye.
    """
    shares = 4 * weights[0] * weights[1]
    tile = max(_LEAST_TILE, round(feather_px))
    lights = (luminance(one), luminance(other))
    width_deg = feather_px / pixels_per_degree(picture_height_px)
    tiles = []
    for top in range(0, max(1, one.shape[0] - tile // 2), tile):
        for left in range(0, max(1, one.shape[1] - tile // 2), tile):
            part = (slice(top, top + tile), slice(left, left + tile))
            share = shares[part]
            total = float(share.sum())
            if total < _LEAST_WEIGHT * tile * tile:
                continue
            first, second = (float((light[part] * share).sum()) / total for light in lights)
            step = step_percent(first, second)
            least = least_step_percent((first + second) / 2, width_deg)
            tiles.append((abs(step) / least, step, least, total, part))
    if not tiles:
        return None
    worst = max(tiles, key=lambda entry: entry[0])
    part = worst[4]
    weighed = sum(entry[3] for entry in tiles)
    colours = [_uv(picture[part], shares[part]) for picture in (one, other)]
    parts = [entry[4] for entry in tiles]
    return SeamMeasure(
        step_percent=worst[1], least_percent=worst[2], times=worst[0],
        mean_percent=sum(abs(entry[1]) * entry[3] for entry in tiles) / weighed,
        x=(part[1].start + min(part[1].stop, one.shape[1])) / 2,
        y=(part[0].start + min(part[0].stop, one.shape[0])) / 2,
        colour_uv=float(np.hypot(*(colours[0] - colours[1]))),
        displaced=_displaced(one, other, parts),
        grain_codes=(_grain(one, parts), _grain(other, parts)),
    )  # fmt: skip


def times_seen(
    one: NDArray[np.float64],
    other: NDArray[np.float64],
    weights: tuple[NDArray[np.float64], NDArray[np.float64]],
    *,
    feather_px: float,
    picture_height_px: int,
) -> NDArray[np.float32]:
    """Return, for the heat picture, how many times the least step each pixel of a seam shows, by its share."""
    import cv2

    lights = [cv2.GaussianBlur(luminance(picture), (0, 0), max(1.0, feather_px / 3)) for picture in (one, other)]
    width_deg = feather_px / pixels_per_degree(picture_height_px)
    levels = np.geomspace(BLACK_CD_M2, WHITE_CD_M2, 32)
    least = np.interp(
        (lights[0] + lights[1]) / 2, levels, [least_step_percent(float(level), width_deg) for level in levels]
    )
    step = 200 * np.abs(lights[0] - lights[1]) / (lights[0] + lights[1])
    return np.asarray(4 * weights[0] * weights[1] * step / least, np.float32)


def _uv(picture: NDArray[np.float64], share: NDArray[np.float64]) -> NDArray[np.float64]:
    linear = (np.maximum(picture, 0) ** GAMMA * share[..., None]).sum(axis=(0, 1)) / share.sum()
    x, y, z = _XYZ @ np.maximum(linear, 1e-6)
    uv: NDArray[np.float64] = np.array([4 * x, 9 * y]) / (x + 15 * y + 3 * z)
    return uv


def _grain(picture: NDArray[np.float64], parts: list[tuple[slice, slice]]) -> float:
    """Return the least grain of the tiles: 6 is the root of the Laplacian's sum of squares."""
    import cv2

    found = []
    for part in parts:
        tile = np.ascontiguousarray(picture[part].mean(axis=-1))
        if min(tile.shape) >= 5:
            left = cv2.filter2D(tile, -1, _LAPLACIAN)[1:-1, 1:-1]
            found.append(float(np.sqrt(np.pi / 2) * np.abs(left).mean() / 6))
    return 255 * min(found, default=0.0)


def _detail(picture: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return a picture's drawing: without the light, that is, the mean of the neighbourhood, and softened a little."""
    import cv2

    code = np.asarray(picture.mean(axis=-1), np.float32)
    smooth = cv2.GaussianBlur(code, (0, 0), 0.8)
    return np.asarray(smooth - cv2.GaussianBlur(code, (0, 0), 6), np.float32)


def _displaced(
    one: NDArray[np.float64], other: NDArray[np.float64], parts: list[tuple[slice, slice]]
) -> Displaced | None:
    """Return the clearest displacement along the seam, if there is one."""
    first, second = _detail(one), _detail(other)
    best: tuple[float, Displaced] | None = None
    for rows, columns in parts:
        top, left = max(rows.start, _REACH), max(columns.start, _REACH)
        bottom, right = min(rows.stop, one.shape[0] - _REACH), min(columns.stop, one.shape[1] - _REACH)
        if bottom - top < _LEAST_TILE // 2 or right - left < _LEAST_TILE // 2:
            continue
        found = _found_again(first, second, (top, bottom, left, right))
        if found is not None and (best is None or found[0] > best[0]):
            dx, dy = found[1:]
            best = (found[0], Displaced(dx, dy, (left + right) / 2, (top + bottom) / 2))
    return best[1] if best else None


def _found_again(
    first: NDArray[np.float32], second: NDArray[np.float32], box: tuple[int, int, int, int]
) -> tuple[float, float, float] | None:
    """Return (how much better, dx, dy) where a part of the first drawing lies elsewhere in the second; else None."""
    import cv2

    top, bottom, left, right = box
    pattern = first[top:bottom, left:right]
    around = second[top - _REACH : bottom + _REACH, left - _REACH : right + _REACH]
    if min(float(pattern.std()), float(around.std())) < _HAS_DRAWING:
        return None
    likeness = cv2.matchTemplate(around, pattern, cv2.TM_CCOEFF_NORMED)
    row, column = (int(at) for at in np.unravel_index(int(np.argmax(likeness)), likeness.shape))
    peak, here = float(likeness[row, column]), float(likeness[_REACH, _REACH])
    # A peak at the rim of what was searched is the flank of something else.
    if peak < _SAME or peak - here < _BETTER or not (0 < row < 2 * _REACH and 0 < column < 2 * _REACH):
        return None
    dy = row - _REACH + _vertex(*(float(value) for value in likeness[row - 1 : row + 2, column]))
    dx = column - _REACH + _vertex(*(float(value) for value in likeness[row, column - 1 : column + 2]))
    # Along an edge that runs straight nothing tells where it is: the likeness hardly falls off that way.
    if peak - min(likeness[row - 1, column], likeness[row + 1, column]) < 0.01:
        dy = 0.0
    if peak - min(likeness[row, column - 1], likeness[row, column + 1]) < 0.01:
        dx = 0.0
    if np.hypot(dx, dy) < _MOVED_PX:
        return None
    return peak - here, float(dx), float(dy)


def _vertex(before: float, peak: float, after: float) -> float:
    """Return where the parabola through three neighbouring values is highest, from the middle one."""
    bend = before - 2 * peak + after
    return 0.0 if bend >= 0 else 0.5 * (before - after) / bend
