"""The inner loops of adding light and of players' mattes, compiled with Numba and kept between runs.

They know arrays only and trust their arguments. :mod:`partsong.render.mattes` and :mod:`partsong.render.lightsum` say
in NumPy what is computed here. A frame comes as :meth:`partsong.render.lightpath.LightPath.source` gives it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from partsong.render.kernels import Kernel, held


def _whole(kernel: Kernel) -> Kernel:
    """Compile a function that is called from outside."""
    compiled: Kernel = njit(cache=True, nogil=True, error_model="numpy")(kernel)
    return compiled


# --- the sum --------------------------------------------------------------------------------------


@njit(inline="always")
def _tinted(cb: Any, cr: Any, to_steps: Any) -> Any:  # pragma: no cover
    """Return where in the table red, green and blue lie but for luma, to which they have one and the same step."""
    return (
        to_steps[0, 2] * cr + to_steps[0, 3],
        to_steps[1, 1] * cb + to_steps[1, 2] * cr + to_steps[1, 3],
        to_steps[2, 1] * cb + to_steps[2, 3],
    )


@njit(inline="always")
def _decoded(luma: Any, cb: Any, cr: Any, table: Any, gains: Any, to_steps: Any) -> Any:  # pragma: no cover
    red = table[np.uint32(np.int32(to_steps[0, 0] * luma + to_steps[0, 2] * cr + to_steps[0, 3]))]
    green = table[
        np.uint32(np.int32(to_steps[1, 0] * luma + to_steps[1, 1] * cb + to_steps[1, 2] * cr + to_steps[1, 3]))
    ]
    blue = table[np.uint32(np.int32(to_steps[2, 0] * luma + to_steps[2, 1] * cb + to_steps[2, 3]))]
    return gains[0] * red, gains[1] * green, gains[2] * blue


@_whole
def mean_light(
    y: Any, u: Any, v: Any, table: Any, gains: Any, to_steps: Any, across: int, down: int, top: int, left: int,
    factor: int, asked: Any, coarse: int, out: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Write the mean light of squares of ``factor`` pixels, from (top, left) on, into ``out`` (rows, columns, 3).

    Only of those in squares of ``coarse`` pixels of the frame that are ``asked`` for; the others stay as they are.
    """
    share = np.float32(1.0 / (factor * factor))
    scale = (gains[0] * share, gains[1] * share, gains[2] * share)
    for i in range(out.shape[0]):
        above = min((top + i * factor) // coarse, asked.shape[0] - 1)
        for j in range(out.shape[1]):
            if asked[above, min((left + j * factor) // coarse, asked.shape[1] - 1)]:
                out[i, j] = 0
        for row in range(top + i * factor, top + (i + 1) * factor):
            colour = row >> (down - 1)
            for j in range(out.shape[1]):
                if not asked[above, min((left + j * factor) // coarse, asked.shape[1] - 1)]:
                    continue
                red, green, blue = np.float32(0), np.float32(0), np.float32(0)
                off_r = off_g = off_b = np.float32(0)
                for x in range(left + j * factor, left + (j + 1) * factor):
                    if x % across == 0 or x == left + j * factor:
                        cell = x >> (across - 1)
                        cb, cr = np.float32(u[colour, cell]), np.float32(v[colour, cell])
                        off_r, off_g, off_b = _tinted(cb, cr, to_steps)
                    luma = to_steps[0, 0] * np.float32(y[row, x])
                    red += table[np.uint32(np.int32(luma + off_r))]
                    green += table[np.uint32(np.int32(luma + off_g))]
                    blue += table[np.uint32(np.int32(luma + off_b))]
                out[i, j, 0] += red * scale[0]
                out[i, j, 1] += green * scale[1]
                out[i, j, 2] += blue * scale[2]


@njit(inline="always")
def _between_rows(small: Any, factor: int, row: int, line: Any) -> bool:  # pragma: no cover
    """Write into ``line`` a row of a map enlarged in height alone; say whether anything is there."""
    height, width = small.shape
    at = (np.float32(row) + np.float32(0.5)) / np.float32(factor) - np.float32(0.5)
    first = int(np.floor(at))
    part = at - np.float32(first)
    above, below = held(first, height - 1), held(first + 1, height - 1)
    some = False
    for x in range(width):
        line[x] = small[above, x] + part * (small[below, x] - small[above, x])
        some |= line[x] > 0
    return some


@njit(inline="always")
def _starts(column: int, factor: int) -> int:  # pragma: no cover
    """Return the first pixel whose middle lies at or past that of a map's column."""
    return ((2 * column + 1) * factor) // 2


@_whole
def add_take(
    y: Any, u: Any, v: Any, table: Any, gains: Any, to_steps: Any, across: int, down: int, top: int, light: Any,
    strongest: Any, even: Any, reach: Any, number: int, opacity: Any, room: Any, differs: Any, box: Any, factor: int,
    line: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Add what a take gives to a band of rows, from ``top`` on, of the sum ``light`` (3, rows, width or more).

    Where ``strongest`` is ``number`` its light times ``even`` is added (of no size: times one): as much of its lit room
    has been taken away there. That is in columns ``reach`` (frame's rows, 2) only. Inside ``box`` (top, bottom, left,
    right) so much of its difference from the room is added as is still lacking, by the map ``differs``; ``line`` is for
    a row.
    """
    scale = (opacity * gains[0], opacity * gains[1], opacity * gains[2])
    uneven = even.shape[0] > 0
    for i in range(strongest.shape[0]):
        row = top + i
        colour = row >> (down - 1)
        off_r = off_g = off_b = np.float32(0)
        last = -1
        for x in range(reach[row, 0], reach[row, 1]):
            if strongest[i, x] == number:
                cell = x >> (across - 1)
                if cell != last:
                    off_r, off_g, off_b = _tinted(np.float32(u[colour, cell]), np.float32(v[colour, cell]), to_steps)
                    last = cell
                luma = to_steps[0, 0] * np.float32(y[row, x])
                if uneven:
                    level = even[row, x]
                    light[0, i, x] += level * scale[0] * table[np.uint32(np.int32(luma + off_r))]
                    light[1, i, x] += level * scale[1] * table[np.uint32(np.int32(luma + off_g))]
                    light[2, i, x] += level * scale[2] * table[np.uint32(np.int32(luma + off_b))]
                    continue
                light[0, i, x] += scale[0] * table[np.uint32(np.int32(luma + off_r))]
                light[1, i, x] += scale[1] * table[np.uint32(np.int32(luma + off_g))]
                light[2, i, x] += scale[2] * table[np.uint32(np.int32(luma + off_b))]
        if row < box[0] or row >= box[1] or not _between_rows(differs, factor, row - box[0], line):
            continue
        columns, span = differs.shape[1], box[3] - box[2]
        for column in range(-1, columns):
            one, other = line[max(column, 0)], line[min(column + 1, columns - 1)]
            if one <= 0 and other <= 0:
                continue
            stop = span if column == columns - 1 else min(_starts(column + 1, factor), span)
            for at in range(max(_starts(column, factor), 0), stop):
                x = box[2] + at
                lacking = opacity
                if strongest[i, x] == number:
                    if not uneven:
                        continue
                    lacking = opacity * (np.float32(1) - even[row, x])
                aside = (np.float32(at) + np.float32(0.5)) / np.float32(factor) - np.float32(0.5) - np.float32(column)
                share = lacking * (one + aside * (other - one))
                cell = x >> (across - 1)
                r, g, b = _decoded(
                    np.float32(y[row, x]), np.float32(u[colour, cell]), np.float32(v[colour, cell]),
                    table, gains, to_steps,
                )  # fmt: skip
                light[0, i, x] += share * (r - room[row, x, 0])
                light[1, i, x] += share * (g - room[row, x, 1])
                light[2, i, x] += share * (b - room[row, x, 2])


@_whole
def lay_over(
    y: Any, u: Any, v: Any, table: Any, gains: Any, to_steps: Any, across: int, down: int, top: int, rows: int,
    light: Any, opacity: Any, matte: Any, box: Any, factor: int, line: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Lay a take over a band of rows of the sum, inside ``box``, through the map ``matte``; ``line`` is for a row."""
    columns, span = matte.shape[1], box[3] - box[2]
    for row in range(max(top, box[0]), min(top + rows, box[1])):
        if not _between_rows(matte, factor, row - box[0], line):
            continue
        colour, i = row >> (down - 1), row - top
        for column in range(-1, columns):
            one, other = line[max(column, 0)], line[min(column + 1, columns - 1)]
            if one <= 0 and other <= 0:
                continue
            stop = span if column == columns - 1 else min(_starts(column + 1, factor), span)
            for at in range(max(_starts(column, factor), 0), stop):
                x = box[2] + at
                aside = (np.float32(at) + np.float32(0.5)) / np.float32(factor) - np.float32(0.5) - np.float32(column)
                alpha = opacity * (one + aside * (other - one))
                cell = x >> (across - 1)
                r, g, b = _decoded(
                    np.float32(y[row, x]), np.float32(u[colour, cell]), np.float32(v[colour, cell]),
                    table, gains, to_steps,
                )  # fmt: skip
                light[0, i, x] += alpha * (r - light[0, i, x])
                light[1, i, x] += alpha * (g - light[1, i, x])
                light[2, i, x] += alpha * (b - light[2, i, x])


# --- mattes ---------------------------------------------------------------------------------------


@njit(inline="always")
def _ramped(value: Any, start: Any, width: Any) -> Any:  # pragma: no cover
    t = min(max((value - start) / width, np.float32(0)), np.float32(1))
    return t * t * (np.float32(3) - np.float32(2) * t)


@_whole
def way_of(
    seen: Any, lit: Any, dark: Any, noise: Any, quieter: Any, relative: Any, tolerance: Any, lamp: Any, sums: Any
) -> None:  # pragma: no cover
    """Write the tolerance and the lamp's light (h, w, 3), and ``sums`` (h, w, 2): along the way, and its length."""
    read, shot, rounding, least = noise[0], noise[1], noise[2], noise[3]
    for i in range(seen.shape[0]):
        for j in range(seen.shape[1]):
            level = np.float32(0)
            for k in range(3):
                level += max(seen[i, j, k], lit[i, j, k])
            level = max(level / np.float32(3), np.float32(0))
            quiet = quieter * np.sqrt(max(read * read + shot * level, max((rounding * level) ** 2, least)))
            along, length = np.float32(0), np.float32(0)
            for k in range(3):
                unit = quiet + relative * abs(seen[i, j, k])
                more = max(lit[i, j, k] - dark[i, j, k], np.float32(1e-5))
                tolerance[i, j, k] = unit
                lamp[i, j, k] = more
                along += (seen[i, j, k] - dark[i, j, k]) * more / (unit * unit)
                length += more * more / (unit * unit)
            sums[i, j, 0] = along
            sums[i, j, 1] = length


@_whole
def off_way(
    seen: Any, dark: Any, lamp: Any, tolerance: Any, sums: Any, most: Any, out: Any
) -> None:  # pragma: no cover
    """Write the squared distance from the way at the share that ``sums`` (along, length) tell."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            left = min(max(sums[i, j, 0] / sums[i, j, 1], np.float32(-0.02)), most)
            total = np.float32(0)
            for k in range(3):
                away = (seen[i, j, k] - dark[i, j, k] - left * lamp[i, j, k]) / tolerance[i, j, k]
                total += away * away
            out[i, j] = total


@_whole
def across_way(
    off: Any, seen: Any, dark: Any, lamp: Any, tolerance: Any, sums: Any, most: Any, steps: Any, reach: int,
    enough: Any, out: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Write the lesser of ``off`` to both sides, along any of ``steps``, where light is to opposite sides of the way.

    ``out`` holds ``off``, and keeps it where that is ``enough`` or no less.
    """
    height, width = off.shape
    for step in range(steps.shape[0]):
        for far in range(1, reach + 1):
            down, right = far * int(steps[step, 0]), far * int(steps[step, 1])
            for i in range(down, height - down):
                y0, y1 = i - down, i + down
                for j in range(abs(right), width - abs(right)):
                    x0, x1 = j - right, j + right
                    least = min(off[y0, x0], off[y1, x1])
                    if least <= max(out[i, j], np.float32(1)) or out[i, j] >= enough:
                        continue
                    one = min(max(sums[y0, x0, 0] / sums[y0, x0, 1], np.float32(-0.02)), most)
                    other = min(max(sums[y1, x1, 0] / sums[y1, x1, 1], np.float32(-0.02)), most)
                    together = np.float32(0)
                    for k in range(3):
                        away = (seen[y0, x0, k] - dark[y0, x0, k] - one * lamp[y0, x0, k]) / tolerance[y0, x0, k]
                        beyond = (seen[y1, x1, k] - dark[y1, x1, k] - other * lamp[y1, x1, k]) / tolerance[y1, x1, k]
                        together += away * beyond
                    if together < 0:
                        out[i, j] = least


@_whole
def his_terms(his: Any, seen: Any, out: Any) -> None:  # pragma: no cover
    """Write (h, w, 7): the weight, the weighted light, and its weighted squares."""
    for i in range(his.shape[0]):
        for j in range(his.shape[1]):
            weight = his[i, j]
            out[i, j, 0] = weight
            for k in range(3):
                one = weight * seen[i, j, k]
                out[i, j, 1 + k] = one
                out[i, j, 4 + k] = one * seen[i, j, k]


@_whole
def like_him(
    means: Any, seen: Any, tolerance: Any, uneven: Any, start: Any, width: Any, known: Any, out: Any
) -> None:  # pragma: no cover
    """Write 0 to 1: how like him, by the blurred terms of :func:`his_terms`, light is."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            weight = means[i, j, 0]
            out[i, j] = 0
            if weight <= known:
                continue
            total = np.float32(0)
            for k in range(3):
                mean = means[i, j, 1 + k] / weight
                spread = max(means[i, j, 4 + k] / weight - mean * mean, np.float32(0))
                spread = min(spread, (uneven * mean) ** 2)
                away = seen[i, j, k] - mean
                total += away * away / (spread + tolerance[i, j, k] * tolerance[i, j, k])
            out[i, j] = np.float32(1) - _ramped(np.sqrt(total), start, width)


@_whole
def patched_light(means: Any, start: Any, width: Any, out: Any) -> None:  # pragma: no cover
    """Write 0 to 1: how far his light is of more than one kind, by the blurred terms of :func:`his_terms`."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            known = max(means[i, j, 0], np.float32(1e-6))
            level, squares = np.float32(0), np.float32(0)
            for k in range(3):
                mean = means[i, j, 1 + k] / known
                level += mean * mean
                squares += means[i, j, 4 + k] / known
            uneven = max(squares / max(level, np.float32(1e-9)) - np.float32(1), np.float32(0))
            out[i, j] = _ramped(np.sqrt(uneven), start, width)


@_whole
def kin_to_him(
    nearest: Any, seen: Any, tolerance: Any, changes: Any, start: Any, width: Any, out: Any
) -> None:  # pragma: no cover
    """Write 0 to 1: how like ``nearest`` light is, that may change by a share from there."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            total = np.float32(0)
            for k in range(3):
                spread = changes * nearest[i, j, k]
                away = seen[i, j, k] - nearest[i, j, k]
                total += away * away / (spread * spread + tolerance[i, j, k] * tolerance[i, j, k])
            out[i, j] = np.float32(1) - _ramped(np.sqrt(total), start, width)


@_whole
def evidence_for_him(
    off: Any, about: Any, nearest: Any, dark: Any, lit: Any, seen: Any, tolerance: Any, limits: Any, out: Any
) -> None:  # fmt: skip  # pragma: no cover
    """Write by how much each place speaks for him; ``dark`` and ``lit`` are blurred, ``limits`` the caller's."""
    even, known, changes, more, unlike, far, rare = limits
    shade = np.empty(3, np.float32)
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            away = np.float32(2) * unlike
            weight = max(about[i, j, 0], np.float32(1e-6))
            if about[i, j, 0] > known:
                away = np.float32(0)
                for k in range(3):
                    mean = about[i, j, 1 + k] / weight
                    spread = max(about[i, j, 4 + k] / weight - mean * mean, np.float32(0))
                    spread = min(spread, (even * mean) ** 2)
                    away += (seen[i, j, k] - mean) ** 2 / (spread + tolerance[i, j, k] ** 2)
            length, along, kin = np.float32(0), np.float32(0), np.float32(0)
            for k in range(3):
                light, unit = nearest[i, j, k], tolerance[i, j, k]
                shade[k] = light * min(
                    max(dark[i, j, k] / max(lit[i, j, k], np.float32(1e-6)), np.float32(0)), np.float32(1)
                )
                span = (light - shade[k]) / unit
                length += span * span
                along += span * (seen[i, j, k] - shade[k]) / unit
                kin += (seen[i, j, k] - light) ** 2 / (unit * unit + (changes * light) ** 2)
            away = min(away, kin)
            share = min(max(along / max(length, np.float32(1e-6)), np.float32(0)), np.float32(1))
            kin = np.float32(2) * more
            for k in range(3):
                light = shade[k] + share * (nearest[i, j, k] - shade[k])
                kin += (seen[i, j, k] - light) ** 2 / (tolerance[i, j, k] ** 2 + (changes * light) ** 2)
            away = min(away, kin)
            out[i, j] = min(off[i, j], far) - min(np.float32(0.5) * away, unlike) - rare


@_whole
def bonds_of(seen: Any, tolerance: Any, steps: Any, limits: Any, out: Any) -> None:  # pragma: no cover
    """Write what an outline between each pixel and that one of ``steps`` (down, right, weight) further costs."""
    height, width = seen.shape[:2]
    for step in range(steps.shape[0]):
        down, right = int(steps[step, 0]), int(steps[step, 1])
        for i in range(height - down):
            for j in range(max(0, -right), width - max(0, right)):
                contrast = np.float32(0)
                for k in range(3):
                    unit = max(tolerance[i, j, k], tolerance[i + down, j + right, k])
                    contrast += ((seen[i, j, k] - seen[i + down, j + right, k]) / unit) ** 2
                out[step, i, j] = steps[step, 2] * (limits[0] + limits[1] * np.exp(-contrast / limits[2]))


@_whole
def settle(bonds: Any, steps: Any, rounds: int, told: Any, belief: Any) -> None:  # pragma: no cover
    """Tell all evidence from neighbour to neighbour, there and back along each step, in ``belief``, that holds it."""
    height, width = belief.shape
    for _ in range(rounds):
        for step in range(steps.shape[0]):
            down, right = int(steps[step, 0]), int(steps[step, 1])
            for back in range(2):
                towards = 1 - 2 * back
                for line in range(height - down):
                    i = line if back == 0 else height - 1 - line
                    first, last = max(0, -right * towards), width - max(0, right * towards)
                    for column in range(first, last):
                        j = column if back == 0 else last - 1 - (column - first)
                        y, x = i + towards * down, j + towards * right
                        most = bonds[step, i, j] if back == 0 else bonds[step, y, x]
                        new = min(max(belief[i, j] - told[step, 1 - back, i, j], -most), most)
                        belief[y, x] += new - told[step, back, y, x]
                        told[step, back, y, x] = new


@_whole
def mixture_terms(
    core: Any, his: Any, beside: Any, seen: Any, sums: Any, most: Any, out: Any
) -> None:  # pragma: no cover
    """Write (h, w, 8): his weight and weighted light, the ground's weight, its weighted share and square, the core."""
    for i in range(core.shape[0]):
        for j in range(core.shape[1]):
            weight = core[i, j] + np.float32(1e-6) * his[i, j]
            share = min(max(sums[i, j, 0] / sums[i, j, 1], np.float32(-0.02)), most)
            out[i, j, 0] = weight
            for k in range(3):
                out[i, j, 1 + k] = weight * seen[i, j, k]
            out[i, j, 4] = beside[i, j]
            out[i, j, 5] = beside[i, j] * share
            out[i, j, 6] = beside[i, j] * share * share
            out[i, j, 7] = core[i, j]


@njit(inline="always")
def _solved(
    him: Any, i: int, j: int, weight: Any, usual: Any, strays: Any, seen: Any, dark: Any, lamp: Any, tolerance: Any,
    limits: Any,
) -> Any:  # fmt: skip  # pragma: no cover
    """Return whether a mixture of him and ground is told, his part, and what share of what is seen is left."""
    enough = limits[1]
    lamps, along, beyond, squared, product, distance = (
        np.float32(0), np.float32(0), np.float32(0), np.float32(0), np.float32(0), np.float32(0),
    )  # fmt: skip
    for k in range(3):
        unit = tolerance[i, j, k]
        ground = dark[i, j, k] + usual * lamp[i, j, k]
        apart = (him[k] / weight - ground) / unit
        there = (seen[i, j, k] - ground) / unit
        light = lamp[i, j, k] / unit
        lamps += light * light
        along += light * apart
        beyond += light * there
        squared += apart * apart
        product += apart * there
        distance += there * there
    less = strays / (np.float32(1) + strays * lamps)
    squared -= less * along * along
    product -= less * along * beyond
    distance -= less * beyond * beyond
    part = min(max(product / max(squared, np.float32(1e-6)), np.float32(0)), np.float32(1))
    left = np.float32(0)
    if distance > enough:
        left = (distance - np.float32(2) * part * product + part * part * squared) / distance
    alpha = min(max((part - np.float32(0.03)) / np.float32(0.94), np.float32(0)), np.float32(1))
    return squared > enough, alpha, left


@_whole
def mixed(
    means: Any, nearest: Any, patched: Any, within: Any, seen: Any, dark: Any, lamp: Any, tolerance: Any, limits: Any,
    out: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Write how much of each pixel is him, by the blurred terms of :func:`mixture_terms`; nothing where it is not told.

    Where his light about there explains little, ``nearest`` is taken for it, as far as ``patched`` allows; where that
    tells nothing it is ``within``.
    ``limits``: how unsure the share is, from where on a mixture is told, and the ramps of what one leaves unexplained,
    and of what is poor.
    """
    unsure = limits[0] * limits[0]
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            usual = means[i, j, 5] / means[i, j, 4]
            strays = max(means[i, j, 6] / means[i, j, 4] - usual * usual, np.float32(0)) + unsure
            first, second, poor = out[i, j], within[i, j], np.float32(1)
            if means[i, j, 7] > np.float32(1e-3):
                told, part, left = _solved(
                    means[i, j, 1:4], i, j, means[i, j, 0] + np.float32(1e-12), usual, strays, seen, dark, lamp,
                    tolerance, limits,
                )  # fmt: skip
                if told:
                    first = part * (np.float32(1) - _ramped(left, limits[2], limits[3]))
                    poor = _ramped(left, limits[4], limits[5])
            if patched[i, j] > 0:
                told, part, left = _solved(
                    nearest[i, j], i, j, np.float32(1), usual, strays, seen, dark, lamp, tolerance, limits
                )
                if told:
                    second = part * min(np.float32(1) - _ramped(left, limits[2], limits[3]), poor)
                out[i, j] = max(first, min(second, patched[i, j]))
            else:
                out[i, j] = first
