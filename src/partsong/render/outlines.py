"""The inner loops that lay shapes on rows of pixels, compiled with Numba and kept between runs.

They know arrays only; :mod:`partsong.render.shapes` calls them, :mod:`partsong.render.pixels` defines what they give.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from partsong.render.pixels import AT_CENTRE


@njit(inline="always")
def _soft(distance: float, feather: float) -> float:  # pragma: no cover
    if feather == 0:
        return 1.0 if distance <= 0 else 0.0
    t = min(max(0.5 - distance / feather, 0.0), 1.0)
    return t * t * (3 - 2 * t)


@njit(cache=True, nogil=True)
def oval_alpha(
    alpha: Any, top: int, left: int, centre_x: float, centre_y: float, rx: float, ry: float, cos: float, sin: float,
    feather: float,
) -> None:  # fmt: skip  # pragma: no cover
    """Fill ``alpha``, whose first pixel is at (left, top) of the frame, with that of an ellipse."""
    rows, columns = alpha.shape
    for row in range(rows):
        down = top + row - centre_y
        for column in range(columns):
            right = left + column - centre_x
            u = (right * cos + down * sin) / rx
            v = (-right * sin + down * cos) / ry
            q = np.sqrt(u * u + v * v)
            steepness = np.sqrt((u / rx) * (u / rx) + (v / ry) * (v / ry))
            reach = min(rx, ry) if steepness < AT_CENTRE else q / steepness
            alpha[row, column] = _soft((q - 1) * reach, feather)


_BLOCK = 16


@njit(cache=True, nogil=True)
def curve_alpha(alpha: Any, top: int, left: int, outline: Any, feather: float) -> None:  # pragma: no cover
    """Fill ``alpha``, whose first pixel is at (left, top) of the frame, with that of a closed polygon (n, 2).

    Sides that cross a row flip the pixels to the left of them between inside and outside. Distances are wanted within
    reach of the soft edge only: blocks of pixels further away are passed over, and in the others only those sides are
    measured that can be the nearest one to some pixel of the block.
    """
    rows, columns = alpha.shape
    count = outline.shape[0]
    sides = np.empty((count, 5))  # where it begins, how it runs, one over its squared length
    flips = np.zeros((rows, columns + 1), np.uint8)
    for side in range(count):
        ax, ay = outline[side, 0] - left, outline[side, 1] - top
        bx, by = outline[(side + 1) % count, 0] - left, outline[(side + 1) % count, 1] - top
        sides[side] = (ax, ay, bx - ax, by - ay, 1 / max((bx - ax) ** 2 + (by - ay) ** 2, 1e-12))
        for row in range(max(0, int(np.floor(min(ay, by)))), min(rows, int(np.ceil(max(ay, by))) + 1)):
            if (ay > row) != (by > row):
                crossing = int(np.ceil(ax + (row - ay) * (bx - ax) / (by - ay)))
                flips[row, min(max(crossing, 0), columns)] ^= 1
    for row in range(rows):
        inside = flips[row, columns]
        for x in range(columns - 1, -1, -1):
            alpha[row, x] = inside
            inside ^= flips[row, x]
    radius = _BLOCK / np.sqrt(2.0)
    away = np.empty(count)
    middle = np.empty(1)
    squared = np.empty(_BLOCK)
    for above in range(0, rows, _BLOCK):
        for before in range(0, columns, _BLOCK):
            for side in range(count):
                middle[0] = np.inf
                _nearer(middle, 1, before + _BLOCK / 2, above + _BLOCK / 2, sides[side])
                away[side] = middle[0]
            least = np.sqrt(away.min())
            if least > feather / 2 + radius + 1:
                continue
            near = np.flatnonzero(away <= (least + 2 * radius) ** 2)
            wide = min(_BLOCK, columns - before)
            for row in range(above, min(above + _BLOCK, rows)):
                squared[:] = np.inf
                for chosen in near:
                    _nearer(squared, wide, float(before), float(row), sides[chosen])
                for x in range(wide):
                    distance = np.sqrt(squared[x])
                    inside_here = alpha[row, before + x] != 0
                    alpha[row, before + x] = _soft(-distance if inside_here else distance, feather)


@njit(inline="always")
def _nearer(squared: Any, wide: int, x: float, y: float, side: Any) -> None:  # pragma: no cover
    """Lower squared distances of neighbouring pixels from (x, y) on to that of a side, where it is nearer."""
    ax, along_x, along_y, per_length = side[0], side[2], side[3], side[4]
    down = y - side[1]
    for step in range(wide):
        right = x + step - ax
        along = (right * along_x + down * along_y) * per_length
        along = along if along > 0.0 else 0.0
        along = along if along < 1.0 else 1.0
        off_x, off_y = right - along * along_x, down - along * along_y
        apart = off_x * off_x + off_y * off_y
        squared[step] = apart if apart < squared[step] else squared[step]


@njit(cache=True, nogil=True)
def weigh(alphas: Any, across: int, down: int) -> Any:  # pragma: no cover
    """Turn alphas (layers, rows, columns), bottom first, into weights in place; return the sets of each cell as bits.

    A layer belongs to the set of a cell of ``across`` by ``down`` pixels when it has weight in any of them.
    """
    layers, rows, columns = alphas.shape
    sets = np.zeros((-(-rows // down), -(-columns // across)), np.int64)
    for row in range(rows):
        for column in range(columns):
            left = 1.0
            members = 0
            for layer in range(layers - 1, 0, -1):
                weight = alphas[layer, row, column] * left
                left = left * (1 - alphas[layer, row, column])
                alphas[layer, row, column] = weight
                if weight > 0:
                    members |= 1 << layer
            alphas[0, row, column] = left
            if left > 0:
                members |= 1
            sets[row // down, column // across] |= members
    return sets
