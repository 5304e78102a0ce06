"""The inner loops of the merge and of table look-up, compiled with Numba and kept between runs.

They know arrays only. Sizes and positions are in pixels, runs in cells (:mod:`partsong.render.merge`); ``across`` and
``down`` are the pixels of a cell, 1 or 2: dividing by them is shifting, for a division a pixel would cost as much as
all the rest. Arguments are trusted: the callers check them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from partsong.render.table import LANE


@njit(inline="always")
def held(value: int, top: int) -> int:  # pragma: no cover
    if value < 0:
        return 0
    return top if value > top else value


@njit(cache=True, nogil=True)
def copy_runs(
    y: Any, u: Any, v: Any, out_y: Any, out_u: Any, out_v: Any, runs: Any, dx: int, dy: int, across: int, down: int
) -> None:  # pragma: no cover
    """Copy the codes of a layer's own runs, moved by (dx, dy); what is beyond an edge repeats the edge."""
    height, width = out_y.shape
    aligned = dx % across == 0 and dy % down == 0
    for run in range(runs.shape[0]):
        row, first, stop = runs[run, 0], runs[run, 1], runs[run, 2]
        left, right = first * across, min(stop * across, width)
        top, bottom = row * down, min((row + 1) * down, height)
        inside = left - dx >= 0 and right - dx <= width
        for line in range(top, bottom):
            source = held(line - dy, height - 1)
            if inside:
                out_y[line, left:right] = y[source, left - dx : right - dx]
            else:
                for x in range(left, right):
                    out_y[line, x] = y[source, held(x - dx, width - 1)]
        if aligned and inside and top - dy >= 0 and bottom - dy <= height:
            moved, line = dx // across, row - dy // down
            out_u[row, first:stop] = u[line, first - moved : stop - moved]
            out_v[row, first:stop] = v[line, first - moved : stop - moved]
            continue
        for cell in range(first, stop):
            sum_u, sum_v, count = 0, 0, 0
            for line in range(top, bottom):
                source = held(line - dy, height - 1) >> (down - 1)
                for x in range(cell * across, min((cell + 1) * across, width)):
                    column = held(x - dx, width - 1) >> (across - 1)
                    sum_u += int(u[source, column])
                    sum_v += int(v[source, column])
                    count += 1
            out_u[row, cell] = (2 * sum_u + count) // (2 * count)
            out_v[row, cell] = (2 * sum_v + count) // (2 * count)


@njit(cache=True, nogil=True)
def add_light(
    y: Any, u: Any, v: Any, light: Any, runs: Any, weights: Any, table: Any, to_rgb: Any,
    dx: int, dy: int, across: int, down: int,
) -> None:  # fmt: skip  # pragma: no cover
    """Add a layer's weighted light to the buffer of blended pixels."""
    height, width = y.shape
    r0, r2, r3 = to_rgb[0, 0], to_rgb[0, 2], to_rgb[0, 3]
    g0, g1, g2, g3 = to_rgb[1, 0], to_rgb[1, 1], to_rgb[1, 2], to_rgb[1, 3]
    b0, b1, b3 = to_rgb[2, 0], to_rgb[2, 1], to_rgb[2, 3]
    for run in range(runs.shape[0]):
        row, first, stop, place, weigh = runs[run, 0], runs[run, 1], runs[run, 2], runs[run, 3], runs[run, 4]
        left, right = first * across, min(stop * across, width)
        for line in range(row * down, min((row + 1) * down, height)):
            source = held(line - dy, height - 1)
            colour = source >> (down - 1)
            for x in range(left, right):
                weight = weights[weigh]
                if weight > 0:
                    column = held(x - dx, width - 1)
                    luma = np.float32(y[source, column])
                    cb = np.float32(u[colour, column >> (across - 1)])
                    cr = np.float32(v[colour, column >> (across - 1)])
                    light[place, 0] += weight * table[0, int(r0 * luma + r2 * cr + r3)]
                    light[place, 1] += weight * table[1, int(g0 * luma + g1 * cb + g2 * cr + g3)]
                    light[place, 2] += weight * table[2, int(b0 * luma + b1 * cb + b3)]
                place += 1
                weigh += 1


@njit(inline="always")
def _encoded(value: Any, bits: Any, values: Any, first: int, ends: Any) -> Any:  # pragma: no cover
    entry = (bits >> 12) - first
    if entry < 0:
        return value * ends[0]
    if entry >= values.shape[0]:
        return np.float32(1.0) + (value - ends[1]) * ends[2]
    return values[entry]


@njit(cache=True, nogil=True)
def encode_light(
    light: Any, bits: Any, out_y: Any, out_u: Any, out_v: Any, runs: Any, values: Any, first_entry: int, ends: Any,
    to_codes: Any, top_code: int, across: int, down: int,
) -> None:  # fmt: skip  # pragma: no cover
    """Encode the buffer of blended pixels (and ``bits``, the same memory as int32) into the planes."""
    height, width = out_y.shape
    half = np.float32(0.5)
    for run in range(runs.shape[0]):
        row, first, stop, place = runs[run, 0], runs[run, 1], runs[run, 2], runs[run, 3]
        left, right = first * across, min(stop * across, width)
        top, bottom = row * down, min((row + 1) * down, height)
        length = right - left
        for cell in range(first, stop):
            sum_u, sum_v, count = np.float32(0), np.float32(0), 0
            for line in range(top, bottom):
                for x in range(cell * across, min((cell + 1) * across, width)):
                    at = place + (line - top) * length + (x - left)
                    r = _encoded(light[at, 0], bits[at, 0], values, first_entry, ends)
                    g = _encoded(light[at, 1], bits[at, 1], values, first_entry, ends)
                    b = _encoded(light[at, 2], bits[at, 2], values, first_entry, ends)
                    luma = to_codes[0, 0] * r + to_codes[0, 1] * g + to_codes[0, 2] * b + to_codes[0, 3]
                    out_y[line, x] = held(int(luma + half), top_code)
                    sum_u += to_codes[1, 0] * r + to_codes[1, 1] * g + to_codes[1, 2] * b
                    sum_v += to_codes[2, 0] * r + to_codes[2, 1] * g + to_codes[2, 2] * b
                    count += 1
            share = np.float32(1.0) / np.float32(count)
            out_u[row, cell] = held(int(sum_u * share + to_codes[1, 3] + half), top_code)
            out_v[row, cell] = held(int(sum_v * share + to_codes[2, 3] + half), top_code)


@njit(cache=True, nogil=True)
def apply_lattice(
    y: Any, u: Any, v: Any, across: int, down: int, lattice: Any, size: int, shift: int,
    out_y: Any, out_u: Any, out_v: Any, out_across: int, out_down: int, spare_bits: int,
) -> None:  # fmt: skip  # pragma: no cover
    """Look every pixel up in a lattice of codes, tetrahedrally, in whole numbers.

    ``lattice`` (size ** 3) holds output codes times ``2 ** spare_bits``, the three of a point side by side in one
    whole number (``LANE`` bits each), so that one product weighs all of them. A code's leading bits choose the cell,
    the lower ``shift`` bits the place in it. The three ways through a cell's corners are sorted without branches: each
    fraction is packed above the step in the lattice that belongs to it.
    """
    height, width = y.shape
    mask = (1 << shift) - 1
    step_y, step_u, step_v = size * size, size, 1
    scale = shift + spare_bits
    half = 1 << (scale - 1)
    low_bits = (1 << 32) - 1
    lane = (1 << LANE) - 1
    rows, columns = out_u.shape
    whole, whole_bits = out_across * out_down, (out_across - 1) + (out_down - 1)
    for row in range(rows):
        top, bottom = row * out_down, min((row + 1) * out_down, height)
        for cell in range(columns):
            left, right = cell * out_across, min((cell + 1) * out_across, width)
            sum_u, sum_v, count = 0, 0, 0
            for line in range(top, bottom):
                colour_line = line >> (down - 1)
                for x in range(left, right):
                    code_y = int(y[line, x])
                    code_u = int(u[colour_line, x >> (across - 1)])
                    code_v = int(v[colour_line, x >> (across - 1)])
                    base = (code_y >> shift) * step_y + (code_u >> shift) * step_u + (code_v >> shift)
                    a = ((code_y & mask) << 32) | step_y
                    b = ((code_u & mask) << 32) | step_u
                    c = ((code_v & mask) << 32) | step_v
                    ab, ba = max(a, b), min(a, b)
                    greatest, rest = max(ab, c), min(ab, c)
                    middle, least = max(ba, rest), min(ba, rest)
                    f1, f2, f3 = greatest >> 32, middle >> 32, least >> 32
                    p1 = base + (greatest & low_bits)
                    p2 = p1 + (middle & low_bits)
                    p3 = p2 + (least & low_bits)
                    w0, w1, w2 = mask + 1 - f1, f1 - f2, f2 - f3
                    three = w0 * lattice[base] + w1 * lattice[p1] + w2 * lattice[p2] + f3 * lattice[p3]
                    out_y[line, x] = ((three & lane) + half) >> scale
                    sum_u += (three >> LANE) & lane
                    sum_v += three >> (2 * LANE)
                    count += 1
            if count == whole:
                out_u[row, cell] = (sum_u + whole * half) >> (scale + whole_bits)
                out_v[row, cell] = (sum_v + whole * half) >> (scale + whole_bits)
            else:
                out_u[row, cell] = (sum_u + count * half) // (count << scale)
                out_v[row, cell] = (sum_v + count * half) // (count << scale)
