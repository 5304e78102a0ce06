"""The inner loops of the merge and of table look-up, compiled with Numba and kept between runs.

They know arrays only. Sizes and positions are in pixels, runs in cells (:mod:`partsong.render.merge`); ``across`` and
``down`` are the pixels of a cell, 1 or 2. Arguments are trusted: the callers check them.

What costs time is written as loops over neighbouring pixels of a row that a compiler can turn into vector instructions.
Three things are needed for that, and all of them look odd: rows without gaps (:func:`rows`), the promise that no two
arrays overlap (:class:`_Apart`), and 32-bit numbers said to be such at every step, since Numba widens them otherwise.
Indices are unsigned, because a signed one is first looked at for being negative. A loop is given whole arrays and where
in them to begin: a slice costs more to make than a run of a few pixels to compute. A product may be added without being
rounded in between (``contract``), where the processor has an instruction for that.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba import float32, int32, njit, types, uint32, uint64
from numba.core import cgutils
from numba.core.compiler import Compiler
from numba.extending import intrinsic

from partsong.render.curves import EXP2, LOG2
from partsong.render.table import LANE

if TYPE_CHECKING:
    from numpy.typing import NDArray


class _Apart(Compiler):
    """Compiles functions whose array arguments do not overlap, which the vectoriser cannot find out by itself."""

    def define_pipelines(self) -> Any:
        self.state.flags.noalias = True
        return super().define_pipelines()  # type: ignore[no-untyped-call]


Kernel = Callable[..., Any]


def _whole(kernel: Kernel) -> Kernel:
    """Compile a function that is called from outside."""
    compiled: Kernel = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, pipeline_class=_Apart)(
        kernel
    )
    return compiled


def _part(kernel: Kernel) -> Kernel:
    """Compile a loop into its caller, once for each ``across`` that it is called with."""
    compiled: Kernel = njit(
        forceinline=True, nogil=True, error_model="numpy", fastmath={"contract"}, pipeline_class=_Apart
    )(kernel)
    return compiled


def rows(plane: NDArray[Any]) -> NDArray[Any]:
    """Return a plane's rows for reading, together with what lies between them, so that all is one piece of memory.

    What lies there, and behind the last row, must not be read. Planes that do not lie row by row are copied.
    """
    height, width = plane.shape
    stride = plane.strides[0] // plane.itemsize
    if plane.strides[1] != plane.itemsize or stride < width or plane.strides[0] % plane.itemsize:
        plane, stride = np.ascontiguousarray(plane), width
    return np.lib.stride_tricks.as_strided(plane, (height, stride), writeable=False)


BLOCK = 32
"""How many blended pixels are taken at once."""

_LINE = 32  # codes of 16 bits that a processor fetches together


@njit(inline="always")
def blocks(length: int) -> int:  # pragma: no cover
    """Return the place that so many blended pixels of a row take."""
    return (length + BLOCK - 1) & -BLOCK


@intrinsic
def _asked(_typing: Any, plane: Any, _row: Any, _x: Any) -> Any:  # pragma: no cover
    """Ask for the memory at a place of a plane, which will be read soon; nothing waits for it."""

    def made(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        view = context.make_array(signature.args[0])(context, builder, given[0])
        at = cgutils.get_item_pointer(  # type: ignore[no-untyped-call]
            context, builder, signature.args[0], view, [given[1], given[2]], wraparound=False, boundscheck=False
        )
        byte, flag = ir.IntType(8).as_pointer(), ir.IntType(32)
        prefetch = builder.module.declare_intrinsic(
            "llvm.prefetch", [byte], ir.FunctionType(ir.VoidType(), [byte, flag, flag, flag])
        )
        builder.call(prefetch, [builder.bitcast(at, byte), flag(0), flag(3), flag(1)])
        return context.get_dummy_value()

    return types.void(plane, types.intp, types.intp), made


@njit(inline="always")
def held(value: int, top: int) -> int:  # pragma: no cover
    if value < 0:
        return 0
    return top if value > top else value


@njit(inline="always")
def _ask_for(y: Any, u: Any, v: Any, run: Any, dx: int, dy: int, across: int, down: int) -> None:  # pragma: no cover
    """Ask for what a run reads. Runs are short and lie apart, so that a processor does not foresee them by itself."""
    row = held(run[0] - dy // down, u.shape[0] - 1)
    first, stop = held(run[1] - dx // across, u.shape[1] - 1), held(run[2] - dx // across, u.shape[1] - 1)
    for line in range(row * down, min((row + 1) * down, y.shape[0])):
        for x in range(first * across, stop * across, _LINE):
            _asked(y, line, x)  # type: ignore[call-arg]
    for x in range(first, stop, _LINE):
        _asked(u, row, x)  # type: ignore[call-arg]
        _asked(v, row, x)


@_whole
def copy_runs(
    y: Any, u: Any, v: Any, out_y: Any, out_u: Any, out_v: Any, runs: Any, dx: int, dy: int, across: int, down: int
) -> None:  # pragma: no cover
    """Copy the codes of a layer's own runs, moved by (dx, dy); what is beyond an edge repeats the edge."""
    height, width = out_y.shape
    for run in range(runs.shape[0]):
        row, first, stop = runs[run, 0], runs[run, 1], runs[run, 2]
        left, right = first * across, min(stop * across, width)
        top, bottom = row * down, min((row + 1) * down, height)
        if run + 1 < runs.shape[0]:
            _ask_for(y, u, v, runs[run + 1], dx, dy, across, down)
        for line in range(top, bottom):
            source = held(line - dy, height - 1)
            begin, end = min(max(left, dx), right), max(min(right, width + dx), left)
            if begin < end:
                _copy(y, source, begin - dx, out_y, line, begin, end - begin)
            for x in range(left, begin):
                out_y[line, x] = y[source, 0]
            for x in range(max(begin, end), right):
                out_y[line, x] = y[source, width - 1]
        # The colour of cells that come from whole cells, or from halves of two side by side, is taken many at once.
        begin = end = first
        if dy % down == 0:
            line = held(row - dy // down, u.shape[0] - 1)
            cells, moved, halves = width // across, -(-dx // across), dx % across
            begin = min(max(first, moved), stop)
            end = max(min(stop, cells, cells + moved - halves), begin)
            if halves:
                _copy_halves(u, line, begin - moved, out_u, row, begin, end - begin)
                _copy_halves(v, line, begin - moved, out_v, row, begin, end - begin)
            else:
                _copy(u, line, begin - moved, out_u, row, begin, end - begin)
                _copy(v, line, begin - moved, out_v, row, begin, end - begin)
        for cell in range(first, begin):
            _copy_cell(u, v, out_u, out_v, row, cell, height, width, dx, dy, across, down)
        for cell in range(end, stop):
            _copy_cell(u, v, out_u, out_v, row, cell, height, width, dx, dy, across, down)


@_part
def _copy(codes: Any, source: int, begin: int, out: Any, line: int, place: int, count: int) -> None:  # pragma: no cover
    row, at, to_row, to = uint64(source), uint64(begin), uint64(line), uint64(place)
    for each in range(count):
        out[to_row, to + uint64(each)] = codes[row, at + uint64(each)]


@_part
def _copy_halves(
    codes: Any, source: int, begin: int, out: Any, line: int, place: int, count: int
) -> None:  # pragma: no cover
    row, at, to_row, to = uint64(source), uint64(begin), uint64(line), uint64(place)
    for each in range(count):
        first, second = codes[row, at + uint64(each)], codes[row, at + uint64(each + 1)]
        out[to_row, to + uint64(each)] = uint32(uint32(first) + uint32(second) + uint32(1)) >> uint32(1)


@_part
def _copy_cell(
    u: Any, v: Any, out_u: Any, out_v: Any, row: int, cell: int, height: int, width: int,
    dx: int, dy: int, across: int, down: int,
) -> None:  # fmt: skip  # pragma: no cover
    """Give a cell the mean colour of the pixels that come to lie in it, those beyond an edge being the edge's."""
    sum_u, sum_v, count = 0, 0, 0
    for line in range(row * down, min((row + 1) * down, height)):
        source = held(line - dy, height - 1) >> (down - 1)
        for x in range(cell * across, min((cell + 1) * across, width)):
            column = held(x - dx, width - 1) >> (across - 1)
            sum_u += int(u[source, column])
            sum_v += int(v[source, column])
            count += 1
    out_u[row, cell] = (2 * sum_u + count) // (2 * count)
    out_v[row, cell] = (2 * sum_v + count) // (2 * count)


# --- light ----------------------------------------------------------------------------------------


@_whole
def add_light(
    y: Any, u: Any, v: Any, width: int, light: Any, runs: Any, weights: Any, table: Any, log: Any, gains: Any,
    to_steps: Any, dx: int, dy: int, across: int, down: int,
) -> None:  # fmt: skip  # pragma: no cover
    """Add a layer's weighted light to ``light`` (3, blended pixels).

    In ``weights`` each row of a run takes a multiple of ``BLOCK``. What is beyond its end weighs nothing, and so may
    be added to anything; there is room for it behind the last pixel. Light is computed by ``log`` unless that is empty,
    else looked up in ``table``; ``to_steps`` belongs to the one or the other (:mod:`partsong.render.curves`).
    """
    height = y.shape[0]
    r, g, b = light[0], light[1], light[2]
    computed = log.shape[0] > 0
    for run in range(runs.shape[0]):
        row, first, stop = runs[run, 0], runs[run, 1], runs[run, 2]
        place, on, weigh = runs[run, 3], runs[run, 4], runs[run, 5]
        left, right = first * across, min(stop * across, width)
        length = right - left
        room = blocks(length)
        if run + 1 < runs.shape[0]:
            _ask_for(y, u, v, runs[run + 1], dx, dy, across, down)
        for line in range(row * down, min((row + 1) * down, height)):
            source = held(line - dy, height - 1)
            colour = source >> (down - 1)
            at = 0
            while at < length:
                x = left + at - dx
                cell = held(x, width - 1) >> (across - 1)
                # Whole cells of the source, all at once; one pixel where the move halves them, and at the edges.
                count = (min(room - at, width - x) & -across) if x >= 0 and x & (across - 1) == 0 else 0
                if count > 0 and across == 2:
                    if computed:
                        _add_computed(y, u, v, source, x, colour, cell, count // 2, weights, weigh + at, r, g, b,
                                      place + at, log, gains, to_steps, 2)  # fmt: skip
                    else:
                        _add_looked_up(y, u, v, source, x, colour, cell, count // 2, weights, weigh + at, r, g, b,
                                       place + at, table, gains, to_steps, 2)  # fmt: skip
                else:
                    x, count = held(x, width - 1), max(count, 1)
                    if computed:
                        _add_computed(y, u, v, source, x, colour, cell, count, weights, weigh + at, r, g, b,
                                      place + at, log, gains, to_steps, 1)  # fmt: skip
                    else:
                        _add_looked_up(y, u, v, source, x, colour, cell, count, weights, weigh + at, r, g, b,
                                       place + at, table, gains, to_steps, 1)  # fmt: skip
                at += count
            place += on
            weigh += room


@_part
def _add_looked_up(
    y: Any, u: Any, v: Any, line: int, x: int, colour: int, first: int, cells: int, weights: Any, weigh: int,
    r: Any, g: Any, b: Any, place: int, table: Any, gains: Any, to_steps: Any, across: int,
) -> None:  # fmt: skip  # pragma: no cover
    row, left, colour_row, begin = uint64(line), uint64(x), uint64(colour), uint64(first)
    from_weight, to = uint64(weigh), uint64(place)
    gain_r, gain_g, gain_b = gains[0], gains[1], gains[2]
    for cell in range(cells):
        cb, cr = float32(u[colour_row, begin + uint64(cell)]), float32(v[colour_row, begin + uint64(cell)])
        off_r = to_steps[0, 2] * cr + to_steps[0, 3]
        off_g = to_steps[1, 1] * cb + to_steps[1, 2] * cr + to_steps[1, 3]
        off_b = to_steps[2, 1] * cb + to_steps[2, 3]
        for part in range(across):
            at = uint64(across * cell + part)
            luma, weight = to_steps[0, 0] * float32(y[row, left + at]), weights[from_weight + at]
            r[to + at] += weight * gain_r * table[uint32(int32(luma + off_r))]
            g[to + at] += weight * gain_g * table[uint32(int32(luma + off_g))]
            b[to + at] += weight * gain_b * table[uint32(int32(luma + off_b))]


@_part
def _add_computed(
    y: Any, u: Any, v: Any, line: int, x: int, colour: int, first: int, cells: int, weights: Any, weigh: int,
    r: Any, g: Any, b: Any, place: int, log: Any, gains: Any, to_steps: Any, across: int,
) -> None:  # fmt: skip  # pragma: no cover
    row, left, colour_row, begin = uint64(line), uint64(x), uint64(colour), uint64(first)
    from_weight, to = uint64(weigh), uint64(place)
    gain_r, gain_g, gain_b = gains[0], gains[1], gains[2]
    top, below, cut, slope, zero, end = log[0], log[1], log[2], log[3], log[4], log[5]
    for cell in range(cells):
        cb, cr = float32(u[colour_row, begin + uint64(cell)]), float32(v[colour_row, begin + uint64(cell)])
        off_r = to_steps[0, 2] * cr + to_steps[0, 3]
        off_g = to_steps[1, 1] * cb + to_steps[1, 2] * cr + to_steps[1, 3]
        off_b = to_steps[2, 1] * cb + to_steps[2, 3]
        for part in range(across):
            at = uint64(across * cell + part)
            luma, weight = to_steps[0, 0] * float32(y[row, left + at]), weights[from_weight + at]
            r[to + at] += weight * gain_r * _lit(luma + off_r, top, below, cut, slope, zero, end)
            g[to + at] += weight * gain_g * _lit(luma + off_g, top, below, cut, slope, zero, end)
            b[to + at] += weight * gain_b * _lit(luma + off_b, top, below, cut, slope, zero, end)


@njit(inline="always")
def _lit(power: Any, top: Any, below: Any, cut: Any, slope: Any, zero: Any, end: Any) -> Any:  # pragma: no cover
    """Return light from a power of two, as :class:`partsong.render.curves.ToLight` lays it out."""
    within = min(power, top)
    whole = int32(within)
    part = within - float32(whole)
    mantissa = EXP2[0] + part * (EXP2[1] + part * (EXP2[2] + part * EXP2[3]))
    light = np.int32(whole << int32(23)).view(np.float32) * mantissa + below
    light = light if within >= cut else within * slope + zero
    return light + (power - within) * end


@_whole
def encode_light(
    light: Any, out_y: Any, out_u: Any, out_v: Any, runs: Any, values: Any, first_entry: int, ends: Any, log: Any,
    to_codes: Any, top_code: int, across: int, down: int,
) -> None:  # fmt: skip  # pragma: no cover
    """Encode ``light`` (3, blended pixels), which is overwritten, into the planes; by ``log`` unless that is empty."""
    height, width = out_y.shape
    luma, blue, red = light[0], light[1], light[2]
    if log.shape[0] > 0:
        _encode_computed(luma, blue, red, log, to_codes)
    else:
        _encode_looked_up(luma, blue, red, values, int32(first_entry), int32(values.shape[0] - 1), ends, to_codes)
    sums = np.empty((2, out_u.shape[1]), np.float32)
    blues, reds = sums[0], sums[1]
    for run in range(runs.shape[0]):
        row, first, stop, place = runs[run, 0], runs[run, 1], runs[run, 2], runs[run, 3]
        left, right = first * across, min(stop * across, width)
        top, bottom = row * down, min((row + 1) * down, height)
        length = right - left
        whole = length // across
        if across == 2 and down == 1 and length % 2 == 0:
            _settle_pairs(luma, blue, red, place, out_y, out_u, out_v, row, left, first, whole, top_code)
            continue
        for cell in range(stop - first):
            blues[uint64(cell)] = reds[uint64(cell)] = float32(0)
        for line in range(top, bottom):
            _settle(luma, place, out_y, line, left, length, float32(1), top_code)
            if across == 2:
                _sum(blue, place, blues, whole, 2)
                _sum(red, place, reds, whole, 2)
                if length % 2:  # the frame's last cell is half a one
                    blues[whole] += 2 * blue[place + length - 1]
                    reds[whole] += 2 * red[place + length - 1]
            else:
                _sum(blue, place, blues, whole, 1)
                _sum(red, place, reds, whole, 1)
            place += blocks(length)
        share = float32(1.0) / float32(across * (bottom - top))
        _settle(blues, 0, out_u, row, first, stop - first, share, top_code)
        _settle(reds, 0, out_v, row, first, stop - first, share, top_code)


@njit(inline="always")
def _looked_up(light: Any, values: Any, first: Any, last: Any, ends: Any) -> Any:  # pragma: no cover
    above = np.float32(light - ends[0])
    entry = int32((above.view(np.int32) >> 12) - first)
    value = values[uint32(min(max(entry, int32(0)), last))]
    # Straight lines below and above, without branches.
    return value + min(above - ends[1], float32(0)) * ends[2] + max(above - ends[3], float32(0)) * ends[4]


@_part
def _encode_looked_up(
    r: Any, g: Any, b: Any, values: Any, first: Any, last: Any, ends: Any, to_codes: Any
) -> None:  # pragma: no cover
    """Turn light into codes with fractions, in place."""
    for at in range(r.shape[0]):
        red = _looked_up(r[at], values, first, last, ends)
        green = _looked_up(g[at], values, first, last, ends)
        blue = _looked_up(b[at], values, first, last, ends)
        r[at] = to_codes[0, 0] * red + to_codes[0, 1] * green + to_codes[0, 2] * blue + to_codes[0, 3]
        g[at] = to_codes[1, 0] * red + to_codes[1, 1] * green + to_codes[1, 2] * blue + to_codes[1, 3]
        b[at] = to_codes[2, 0] * red + to_codes[2, 1] * green + to_codes[2, 2] * blue + to_codes[2, 3]


@_part
def _encode_computed(r: Any, g: Any, b: Any, log: Any, to_codes: Any) -> None:  # pragma: no cover
    """Turn light into codes with fractions, in place."""
    below, share, cut, slope, zero, step, top, end = log[0], log[1], log[2], log[3], log[4], log[5], log[6], log[7]
    for at in range(r.shape[0]):
        red = _signal(r[at], below, share, cut, slope, zero, step, top, end)
        green = _signal(g[at], below, share, cut, slope, zero, step, top, end)
        blue = _signal(b[at], below, share, cut, slope, zero, step, top, end)
        r[at] = to_codes[0, 0] * red + to_codes[0, 1] * green + to_codes[0, 2] * blue + to_codes[0, 3]
        g[at] = to_codes[1, 0] * red + to_codes[1, 1] * green + to_codes[1, 2] * blue + to_codes[1, 3]
        b[at] = to_codes[2, 0] * red + to_codes[2, 1] * green + to_codes[2, 2] * blue + to_codes[2, 3]


@njit(inline="always")
def _signal(
    light: Any, below: Any, share: Any, cut: Any, slope: Any, zero: Any, step: Any, top: Any, end: Any
) -> Any:  # pragma: no cover
    """Return the encoded value of light, as :class:`partsong.render.curves.FromLight` lays it out."""
    within = min(light, top)
    bits = np.float32((within - below) * share).view(np.int32)
    power = float32(bits >> int32(23))
    part = np.int32((bits & int32(0x7FFFFF)) | int32(0x3F800000)).view(np.float32)
    logarithm = power + (LOG2[0] + part * (LOG2[1] + part * (LOG2[2] + part * (LOG2[3] + part * LOG2[4]))))
    signal = logarithm * step if within >= cut else within * slope + zero
    return signal + (light - within) * end


@_part
def _settle_pairs(
    luma: Any, blue: Any, red: Any, begin: int, out_y: Any, out_u: Any, out_v: Any, line: int, left: int, first: int,
    cells: int, top_code: int,
) -> None:  # fmt: skip  # pragma: no cover
    """Settle a row of whole cells of two pixels side by side, which is nearly all there is, in one loop."""
    half, two, top = float32(0.5), float32(2), int32(top_code)
    place, row, x, to = uint64(begin), uint64(line), uint64(left), uint64(first)
    for each in range(cells):
        cell, at = uint64(each), uint64(2 * each)
        out_y[row, x + at] = min(max(int32(luma[place + at] + half), int32(0)), top)
        out_y[row, x + at + uint64(1)] = min(max(int32(luma[place + at + uint64(1)] + half), int32(0)), top)
        u = (blue[place + at] + blue[place + at + uint64(1)]) / two
        v = (red[place + at] + red[place + at + uint64(1)]) / two
        out_u[row, to + cell] = min(max(int32(u + half), int32(0)), top)
        out_v[row, to + cell] = min(max(int32(v + half), int32(0)), top)


@_part
def _sum(codes: Any, begin: int, sums: Any, cells: int, across: int) -> None:  # pragma: no cover
    place = uint64(begin)
    for each in range(cells):
        cell = uint64(each)
        if across == 2:
            sums[cell] += codes[place + uint64(2) * cell] + codes[place + uint64(2) * cell + uint64(1)]
        else:
            sums[cell] += codes[place + cell]


@_part
def _settle(
    codes: Any, begin: int, out: Any, line: int, left: int, count: int, share: Any, top_code: int
) -> None:  # pragma: no cover
    half, top = float32(0.5), int32(top_code)
    place, row, to = uint64(begin), uint64(line), uint64(left)
    for each in range(count):
        at = uint64(each)
        out[row, to + at] = min(max(int32(codes[place + at] * share + half), int32(0)), top)


# --- the table ------------------------------------------------------------------------------------

_STEP_BITS = 20  # more than a step in a lattice of 513 points takes; a fraction of 12 bits lies above it


@_whole
def apply_lattice(
    y: Any, u: Any, v: Any, across: int, down: int, lattice: Any, size: int, shift: int,
    out_y: Any, out_u: Any, out_v: Any, out_across: int, out_down: int, spare_bits: int,
) -> None:  # fmt: skip  # pragma: no cover
    """Look every pixel up in a lattice of codes, tetrahedrally, in whole numbers.

    ``lattice`` (size ** 3) holds output codes times ``2 ** spare_bits``, the three of a point side by side in one
    whole number (``LANE`` bits each), so that one product weighs all of them. A code's leading bits choose the cell,
    the lower ``shift`` bits the place in it. ``out_across`` is ``across`` or twice it.
    """
    height, width = out_y.shape
    whole = width // across
    cells = -(-width // across)
    sums = np.empty(cells, np.uint64)
    for row in range(out_u.shape[0]):
        top, bottom = row * out_down, min((row + 1) * out_down, height)
        sums[:] = 0
        for line in range(top, bottom):
            blue, red = u[line >> (down - 1)], v[line >> (down - 1)]
            if across == 2:
                _look_up(y[line], blue, red, out_y[line], sums[:whole], lattice, size, shift, spare_bits, 2)
                if whole < cells:
                    _look_up(y[line, width - 1 :], blue[whole:], red[whole:], out_y[line, width - 1 :], sums[whole:],
                             lattice, size, shift, spare_bits, 1)  # fmt: skip
            else:
                _look_up(y[line], blue, red, out_y[line], sums, lattice, size, shift, spare_bits, 1)
        # A sample covers 1, 2 or 4 pixels: its mean is a shift.
        scale = shift + spare_bits + (bottom - top - 1)
        full = width // out_across
        if out_across == across:
            _share(sums, out_u[row, :full], out_v[row, :full], scale + across - 1, 1)
        else:
            _share(sums, out_u[row, :full], out_v[row, :full], scale + 1, 2)
        if full < out_u.shape[1]:
            _share(sums[cells - 1 :], out_u[row, full:], out_v[row, full:], scale, 1)


@_part
def _look_up(
    y: Any, u: Any, v: Any, out_y: Any, sums: Any, lattice: Any, size: int, shift: int, spare_bits: int, across: int
) -> None:  # pragma: no cover
    """Look up as many cells as there are ``sums``, to which their colour is added.

    The three ways through a cell of the lattice are sorted without branches: each fraction is packed above the step
    that belongs to it.
    """
    fraction, full, bits = uint32((1 << shift) - 1), uint32(1 << shift), uint32(shift)
    step_y, step_u, over = uint32(size * size), uint32(size), uint32(_STEP_BITS)
    step = uint32((1 << _STEP_BITS) - 1)
    lane, lane_bits = uint32((1 << LANE) - 1), uint64(LANE)
    scale, half = uint32(shift + spare_bits), uint32(1 << (shift + spare_bits - 1))
    for cell in range(sums.shape[0]):
        code_u, code_v = uint32(u[cell]), uint32(v[cell])
        corner = uint32((code_u >> bits) * step_u + (code_v >> bits))
        way_u = uint32(uint32((code_u & fraction) << over) | step_u)
        way_v = uint32(uint32((code_v & fraction) << over) | uint32(1))
        longer, shorter = max(way_u, way_v), min(way_u, way_v)
        total = sums[cell]
        for part in range(across):
            at = across * cell + part
            code_y = uint32(y[at])
            way_y = uint32(uint32((code_y & fraction) << over) | step_y)
            first, rest = max(longer, way_y), min(longer, way_y)
            second, third = max(rest, shorter), min(rest, shorter)
            f1, f2, f3 = uint32(first >> over), uint32(second >> over), uint32(third >> over)
            p0 = uint32(corner + (code_y >> bits) * step_y)
            p1 = uint32(p0 + (first & step))
            p2 = uint32(p1 + (second & step))
            p3 = uint32(p2 + (third & step))
            three = (
                uint64(uint32(full - f1)) * lattice[p0]
                + uint64(uint32(f1 - f2)) * lattice[p1]
                + uint64(uint32(f2 - f3)) * lattice[p2]
                + uint64(f3) * lattice[p3]
            )
            out_y[at] = uint32(uint32(uint32(three) & lane) + half) >> scale
            total += three >> lane_bits
        sums[cell] = total


@_part
def _share(sums: Any, out_u: Any, out_v: Any, scale: int, cells: int) -> None:  # pragma: no cover
    half, bits, lane, lane_bits = uint64(1 << scale >> 1), uint64(scale), uint64((1 << LANE) - 1), uint64(LANE)
    for at in range(out_u.shape[0]):
        total = sums[at] if cells == 1 else sums[2 * at] + sums[2 * at + 1]
        out_u[at] = ((total & lane) + half) >> bits
        out_v[at] = ((total >> lane_bits) + half) >> bits
