"""The inner loop of :mod:`partsong.render.warp`, compiled with Numba and kept between runs.

It knows arrays only. Arguments are trusted: the caller checks them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from partsong.render.kernels import held
from partsong.render.warp import PHASES


@njit(cache=True, nogil=True)
def _along_row(row: Any, out: Any, start: float, step: float, table: Any) -> None:  # pragma: no cover
    """Draw one row at places start + step * X."""
    last = row.shape[0] - 1
    for column in range(out.shape[0]):
        place = start + step * column
        before = int(np.floor(place))
        phase = int((place - before) * PHASES + 0.5)
        total = np.float32(0)
        if before >= 2 and before + 3 <= last:
            for tap in range(6):
                total += table[phase, tap] * np.float32(row[before - 2 + tap])
        else:
            for tap in range(6):
                total += table[phase, tap] * np.float32(row[held(before - 2 + tap, last)])
        out[column] = total


@njit(cache=True, nogil=True)
def warp_plane(
    plane: Any, out: Any, inverse: Any, table: Any, first: int, stop: int, top_code: int
) -> None:  # pragma: no cover
    """Draw rows ``first`` to before ``stop``: each given row once, kept in a ring for as long as it is needed.

    The ring is as tall as the rows that a drawn row reaches, which turning makes more of.
    """
    a, b, c, d, e, f = inverse[0], inverse[1], inverse[2], inverse[3], inverse[4], inverse[5]
    height, width = plane.shape
    tilt = d * (width - 1)
    low, high = min(0.0, tilt), max(0.0, tilt)
    ring = int(np.ceil(high - low)) + 8
    kept = np.empty((ring, width), np.float32)
    next_row = int(np.floor(e * first + f + low)) - 2  # the given row to be drawn along next; may lie beyond an edge
    half = np.float32(0.5)
    line = np.empty(width, np.float32)
    for row in range(first, stop):
        needed = int(np.floor(e * row + f + high)) + 3
        while next_row <= needed:
            given = held(next_row, height - 1)
            crossing = (given - f) / e
            _along_row(plane[given], kept[next_row % ring], b * crossing + c, a - b * d / e, table)
            next_row += 1
        place = e * row + f
        column = 0
        while column < width:
            before = int(np.floor(place + d * column))
            # As long as the row above stays the same one, the six rows do.
            end = column
            while end < width and int(np.floor(place + d * end)) == before:
                end += 1
                if d == 0:
                    end = width
            r0, r1, r2 = kept[(before - 2) % ring], kept[(before - 1) % ring], kept[before % ring]
            r3, r4, r5 = kept[(before + 1) % ring], kept[(before + 2) % ring], kept[(before + 3) % ring]
            for x in range(column, end):
                weight = table[int((place + d * x - before) * PHASES + 0.5)]
                line[x] = (
                    weight[0] * r0[x] + weight[1] * r1[x] + weight[2] * r2[x]
                    + weight[3] * r3[x] + weight[4] * r4[x] + weight[5] * r5[x]
                )  # fmt: skip
            column = end
        for x in range(width):
            out[row, x] = held(int(np.floor(line[x] + half)), top_code)
