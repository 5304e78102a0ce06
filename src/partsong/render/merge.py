"""The fast merge on the processor: takes' planes in, one frame's planes out.

A stack is compiled once. The frame is divided into *cells*, the pixels that share a colour sample, and each row of
cells into *runs* over which the same set of layers has weight. Where that is one layer without gain, its codes are
copied; elsewhere the layers' light is summed and encoded again. Ovals nearly partition a frame, so most of it is
copied, and a layer that has weight nowhere need not be decoded.

Per frame, the layers copy their own runs one after another. What they share is summed and encoded in bands of rows, so
that the sums, a buffer of blended pixels only, stay in the processor's cache. :mod:`partsong.render.pixels` defines the
result; this lies within one code of it.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange
from partsong.render import pixels, shapes
from partsong.render.curves import LOOKED_UP, from_light, to_light
from partsong.render.plan import Layer, Stack
from partsong.render.warp import fast_warped, is_whole

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

_BAND_ROWS = 64
_MOST_LAYERS = 62  # sets of layers are kept as bits of an int64


@dataclass(frozen=True, slots=True)
class Form:
    """How planes are written: what all layers of a merge share, and its result."""

    bit_depth: int
    chroma: Chroma
    matrix: Matrix
    value_range: ValueRange

    @classmethod
    def of(cls, planes: Planes) -> Form:
        """Return the form of a frame."""
        return cls(planes.bit_depth, planes.chroma, planes.matrix, planes.value_range)


@dataclass(frozen=True, slots=True)
class LayerRuns:
    """Where one layer shows.

    ``copied`` (n, 3) holds row, first and stop of runs of cells that this layer has to itself; ``blended`` (n, 6) those
    that it shares, followed by where the run starts in its band's buffer of blended pixels, how far on its next row of
    pixels starts there, and where it starts in ``weights``. In ``bands`` (bands + 1,) stands where the blended runs of
    each band begin.
    """

    copied: NDArray[np.int64]
    blended: NDArray[np.int64]
    weights: NDArray[np.float32]
    bands: NDArray[np.int64]

    @property
    def shows(self) -> bool:
        """Say whether the layer has weight anywhere."""
        return bool(len(self.copied) or len(self.blended))


@dataclass(frozen=True, slots=True)
class Compiled:
    """A stack made ready: the runs of each layer, and of each band all that is blended (row, first, stop, start).

    Neighbouring runs of different sets of layers are one there, since it makes no difference to what they add up to.

    ``pixels`` counts the blended pixels of each band.
    """

    layers: tuple[LayerRuns, ...]
    blended: tuple[NDArray[np.int64], ...]
    pixels: tuple[int, ...]


_NOTHING = Compiled((), (), ())


def stack_weights(stack: Stack, rows: range) -> NDArray[np.float64]:
    """Return the weights (layer, row, column) of a stack over some rows of the frame."""
    return pixels.layer_weights(_alphas(stack, rows))


def _alphas(stack: Stack, rows: range) -> NDArray[np.float64]:
    alphas = np.ones((len(stack.layers), len(rows), stack.width))
    for number, layer in enumerate(stack.layers):
        if layer.shape is not None:
            alpha = shapes.alpha_rows(layer.shape, layer.feather_px, rows, stack.width)
            opens = layer.opacity != 1 or layer.fills != 0
            alphas[number] = layer.opacity * (layer.fills + (1 - layer.fills) * alpha) if opens else alpha
    return alphas


@functools.lru_cache(maxsize=4)
def compile_stack(stack: Stack, chroma: Chroma) -> Compiled:
    """Find the runs of a stack for planes of one sampling; done once for all frames that share it.

    The latest few are kept, since one process renders many segments of the same stack.

    Raises
    ------
    InvalidInput
        If there are more layers than the kernel can tell apart.
    """
    from partsong.render import kernels, outlines  # Numba takes over a second to load

    count = len(stack.layers)
    if count > _MOST_LAYERS:
        raise InvalidInput(f"The stage has {count} layers; at most {_MOST_LAYERS} can be merged. Take some out.")
    across, down = pixels.colour_steps(chroma)
    copied: list[list[tuple[int, int, int]]] = [[] for _ in stack.layers]
    blended: list[list[tuple[int, int, int, int, int, int]]] = [[] for _ in stack.layers]
    weights: list[list[NDArray[np.float32]]] = [[] for _ in stack.layers]
    weight_counts = [0] * count
    starts: list[list[int]] = [[] for _ in stack.layers]
    blended_of_band: list[NDArray[np.int64]] = []
    pixels_of_band: list[int] = []
    for top in range(0, stack.height, _BAND_ROWS):
        every: list[tuple[int, int, int, int]] = []
        total = 0
        for number in range(count):
            starts[number].append(len(blended[number]))
        weight = _alphas(stack, range(top, min(top + _BAND_ROWS, stack.height)))
        sets = outlines.weigh(weight, across, down)
        for cell_row, row_sets in enumerate(sets):
            row = (top // down) + cell_row
            lines = weight[:, cell_row * down : (cell_row + 1) * down]
            breaks = [0, *(np.flatnonzero(np.diff(row_sets)) + 1).tolist(), len(row_sets)]
            chain: list[tuple[int, int, int]] = []  # runs side by side that are blended: first, stop, set of layers
            for first, stop in [*pairwise(breaks), (len(row_sets), len(row_sets))]:
                members = int(row_sets[first]) if first < stop else 0
                alone = members.bit_length() - 1
                if members.bit_count() > 1 or (members and stack.layers[alone].gain != pixels.NO_GAIN):
                    chain.append((first, stop, members))
                    continue
                if members:
                    copied[alone].append((row, first, stop))
                if chain:
                    room = kernels.blocks((chain[-1][1] - chain[0][0]) * across)
                    every.append((row, chain[0][0], chain[-1][1], total))
                    for number, begin, end in _within(chain, count):
                        part = lines[number, :, begin * across : end * across]
                        place = total + (begin - chain[0][0]) * across
                        blended[number].append((row, begin, end, place, room, weight_counts[number]))
                        padding = (0, -part.shape[1] % kernels.BLOCK)
                        weights[number].append(np.pad(part.astype(np.float32), ((0, 0), padding)).ravel())
                        weight_counts[number] += weights[number][-1].size
                    total += lines.shape[1] * room
                    chain = []
        blended_of_band.append(np.array(every, np.int64).reshape(-1, 4))
        pixels_of_band.append(total + kernels.BLOCK)  # a layer's last pixels are taken many at once too
    runs = tuple(
        LayerRuns(
            np.array(copied[number], np.int64).reshape(-1, 3),
            np.array(blended[number], np.int64).reshape(-1, 6),
            np.concatenate([*weights[number], np.zeros(0, np.float32)]),
            np.array([*starts[number], len(blended[number])], np.int64),
        )
        for number in range(count)
    )
    return Compiled(runs, tuple(blended_of_band), tuple(pixels_of_band))


def _within(chain: list[tuple[int, int, int]], count: int) -> Iterator[tuple[int, int, int]]:
    """Yield each layer with the first and stop of its cells in a chain of runs; again where others part them."""
    for number in range(count):
        shown = [members >> number & 1 for _, _, members in chain]
        for shows, places in groupby(range(len(chain)), shown.__getitem__):
            if shows:
                runs = [chain[place] for place in places]
                yield number, runs[0][0], runs[-1][1]


class Merger:
    """Merges the frames of one stack.

    Parameters
    ----------
    stack : Stack
        With at least one layer, or none for a frame without light.
    curve : array_like, shape (size,)
        The linear light of the encoding that all layers share (:mod:`partsong.render.pixels`, Conventions).
    form : Form
        How the layers' planes, and the result's, are written.
    reuses : bool
        Whether each frame is written over the one before, which costs a tenth less; else every frame stays.

    Attributes
    ----------
    runs : tuple of LayerRuns
        For each layer, where it shows.
    shows : tuple of bool
        For each layer, whether it has weight anywhere; those that have none may be given as None.
    """

    def __init__(self, stack: Stack, curve: ArrayLike, form: Form, *, reuses: bool = False) -> None:
        self._stack = stack
        self._reuses = reuses
        self._made: Planes | None = None
        self._form = form
        self._curve = pixels.checked_curve(curve)
        self._compiled = compile_stack(stack, form.chroma) if stack.layers else _NOTHING
        self._light = np.empty(3 * max(self._compiled.pixels, default=0), np.float32)
        self._encode = from_light(self._curve)
        self._decode = to_light(self._curve)
        self.runs = self._compiled.layers
        self.shows = tuple(runs.shows for runs in self._compiled.layers)
        _, down = pixels.colour_steps(form.chroma)
        self._rows = [_rows_of(runs, down, stack.height) for runs in self._compiled.layers]

    def merge(self, layers: Sequence[Planes | None], poses: Sequence[Pose] | None = None) -> Planes:
        """Merge one frame.

        Parameters
        ----------
        layers : sequence of Planes or None
            Bottom first; None only for layers that show nowhere.
        poses : sequence of Pose, optional
            How each layer is moved onto the reference; not at all when left out.

        Raises
        ------
        InvalidInput
            If a layer is missing or has another size or form than the stack.
        """
        from partsong.render import kernels  # Numba takes over a second to load

        form, stack = self._form, self._stack
        if not stack.layers:
            return self._dark()
        across, down = pixels.colour_steps(form.chroma)
        made = self._made if self._reuses and self._made is not None else self._empty()
        self._made = made if self._reuses else None
        y, u, v = made.y, made.u, made.v
        lit = []
        for number, (layer, runs) in enumerate(zip(stack.layers, self._compiled.layers, strict=True)):
            if not runs.shows:
                continue
            given = self.fitting(layers[number], layer)
            pose = poses[number] if poses else Pose()
            if not is_whole(pose):
                given, pose = fast_warped(given, pose, self._rows[number]), Pose()
            source = tuple(map(kernels.rows, (given.y, given.u, given.v)))
            move = (round(pose.dx_px), round(pose.dy_px), across, down)
            kernels.copy_runs(*source, y, u, v, runs.copied, *move)
            lit.append((runs, source, np.array(layer.gain, np.float32), move))
        decode, encode = self._decode, self._encode
        to_steps, to_codes = step_coefficients(form, decode.to_steps), code_coefficients(form)
        for band, (blended, count) in enumerate(zip(self._compiled.blended, self._compiled.pixels, strict=True)):
            light = self._light[: 3 * count].reshape(3, count)
            light[:] = 0
            for runs, source, gain, move in lit:
                shared = runs.blended[runs.bands[band] : runs.bands[band + 1]]
                if len(shared):
                    kernels.add_light(
                        *source,
                        stack.width,
                        light,
                        shared,
                        runs.weights,
                        decode.table,
                        decode.log,
                        gain,
                        to_steps,
                        *move,
                    )
            kernels.encode_light(
                light, y, u, v, blended, encode.values, encode.first, encode.ends, encode.log,
                to_codes, (1 << form.bit_depth) - 1, across, down,
            )  # fmt: skip
        return made

    def fitting(self, planes: Planes | None, layer: Layer) -> Planes:
        """Return a layer's planes, checked for being there and of the stack's size and form."""
        stack = self._stack
        if planes is None:
            raise InvalidInput(f"Take {layer.take!r} shows in the merge, but no frame of it was given.")
        if (planes.width, planes.height) != (stack.width, stack.height) or Form.of(planes) != self._form:
            raise InvalidInput(
                f"Take {layer.take!r} is {planes.width} x {planes.height}, {_words(Form.of(planes))}, but the merge is "
                f"{stack.width} x {stack.height}, {_words(self._form)}. Bring them to one form first."
            )
        return planes

    def _empty(self) -> Planes:
        form, (height, width) = self._form, (self._stack.height, self._stack.width)
        across, down = pixels.colour_steps(form.chroma)
        kind = np.uint8 if form.bit_depth == 8 else np.uint16
        colour = (-(-height // down), -(-width // across))
        planes = (np.empty((height, width), kind), np.empty(colour, kind), np.empty(colour, kind))
        return Planes(*planes, form.bit_depth, form.matrix, form.value_range)

    def _dark(self) -> Planes:
        form, stack = self._form, self._stack
        black = pixels.to_encoded(np.zeros(3), self._curve)
        code = pixels.encoded_to_codes(black, form.bit_depth, form.matrix, form.value_range)
        frame = np.broadcast_to(code, (stack.height, stack.width, 3))
        return pixels.to_planes(frame, form.chroma, form.bit_depth, form.matrix, form.value_range)


def _rows_of(runs: LayerRuns, down: int, height: int) -> range:
    """Return the rows of the frame in which a layer shows."""
    cells = np.concatenate([runs.copied[:, 0], runs.blended[:, 0]])
    return range(int(cells.min()) * down, min((int(cells.max()) + 1) * down, height)) if len(cells) else range(0)


def _words(form: Form) -> str:
    return f"{form.bit_depth}-bit {form.chroma} {form.matrix} {form.value_range} range"


# --- codes and encoded values ---------------------------------------------------------------------


def step_coefficients(form: Form, to_steps: tuple[float, float] = LOOKED_UP) -> NDArray[np.float32]:
    """Return (3, 4): steps or powers, by ``to_steps`` of a curve made ready, from Y, Cb, Cr codes, and a constant."""
    zero = pixels.codes_to_encoded(np.zeros(3), form.bit_depth, form.matrix, form.value_range)
    unit = pixels.codes_to_encoded(np.eye(3), form.bit_depth, form.matrix, form.value_range) - zero
    scale, constant = to_steps
    return np.concatenate([unit.T * scale, (zero * scale + constant)[:, None]], axis=1).astype(np.float32)


def code_coefficients(form: Form) -> NDArray[np.float32]:
    """Return (3, 4): Y, Cb, Cr codes from encoded R, G, B, and a constant."""
    zero = pixels.encoded_to_codes(np.zeros(3), form.bit_depth, form.matrix, form.value_range)
    unit = pixels.encoded_to_codes(np.eye(3), form.bit_depth, form.matrix, form.value_range) - zero
    return np.concatenate([unit.T, zero[:, None]], axis=1).astype(np.float32)
