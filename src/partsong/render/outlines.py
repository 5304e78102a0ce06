"""The inner loops that lay shapes on rows of pixels, compiled with Numba and kept between runs.

They know arrays only; :mod:`partsong.render.shapes` calls them, :mod:`partsong.render.pixels` defines what they give.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit


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
            reach = min(rx, ry) if steepness == 0 else q / steepness
            alpha[row, column] = _soft((q - 1) * reach, feather)


@njit(cache=True, nogil=True)
def curve_alpha(alpha: Any, top: int, outline: Any, feather: float) -> None:  # pragma: no cover
    """Fill ``alpha``, whose first row is ``top`` of the frame, with that of a closed polygon (n, 2).

    Each side of the polygon is measured to the pixels within reach of the soft edge; sides that cross a row flip the
    pixels to the left of them between inside and outside.
    """
    rows, width = alpha.shape
    nearest = np.full((rows, width), np.inf)
    flips = np.zeros((rows, width + 1), np.uint8)
    reach = feather / 2 + 0.5
    count = outline.shape[0]
    for side in range(count):
        ax, ay = outline[side, 0], outline[side, 1]
        bx, by = outline[(side + 1) % count, 0], outline[(side + 1) % count, 1]
        length = max((bx - ax) ** 2 + (by - ay) ** 2, 1e-12)
        first = max(0, int(np.floor(min(ay, by) - reach)) - top)
        stop = min(rows, int(np.ceil(max(ay, by) + reach)) + 1 - top)
        start = max(0, int(np.floor(min(ax, bx) - reach)))
        end = min(width, int(np.ceil(max(ax, bx) + reach)) + 1)
        for row in range(first, stop):
            y = float(top + row)
            for x in range(start, end):
                along = min(max(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length, 0.0), 1.0)
                off_x, off_y = x - ax - along * (bx - ax), y - ay - along * (by - ay)
                squared = off_x * off_x + off_y * off_y
                if squared < nearest[row, x]:
                    nearest[row, x] = squared
            if ay != by and (ay > y) != (by > y):
                crossing = int(np.ceil(ax + (y - ay) * (bx - ax) / (by - ay)))
                flips[row, min(max(crossing, 0), width)] ^= 1
    for row in range(rows):
        inside = flips[row, width]
        for x in range(width - 1, -1, -1):
            distance = np.sqrt(nearest[row, x])
            alpha[row, x] = _soft(-distance if inside else distance, feather)
            inside ^= flips[row, x]
