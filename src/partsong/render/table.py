"""One table for the whole colour path: from a picture's code values to those of the delivered picture.

Matrix, look, display transform and matrix back are folded into one lattice over Y'CbCr codes. Its points lie on whole
codes (129 points over 1,024 codes are 8 apart), so that reading it takes whole numbers only. The table carries the size
of its own error, measured against the exact path on colours that it was not made from.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange
from partsong.render import pixels

if TYPE_CHECKING:
    from numpy.typing import NDArray

Colour = Callable[["NDArray[np.float32]"], "NDArray[np.float32]"]
"""(n, 3) encoded R'G'B' of the source to (n, 3) encoded R'G'B' of the target."""

Signal = tuple[int, Matrix, ValueRange]
"""(bit depth, matrix, value range) of planes."""

_PROBES = 20_000

LANE = 21
"""Bits of each of the three numbers in a lattice's point: a code with its spare bits, times the size of a cell, times
the four pixels that a sample of colour may cover."""

FORMAT = "lattice-1"  # raise it when the same path gives another table

_CODE_BITS = 16  # of a code with its spare bits; more would be finer than the table is exact


@dataclass(frozen=True, slots=True)
class TableError:
    """How far the table lies from the exact path, in codes of the target: worst, 99th percentile, mean."""

    worst: float
    p99: float
    mean: float


@dataclass(frozen=True, slots=True)
class Table:
    """A colour path as a lattice of codes times ``2 ** spare_bits``.

    ``lattice`` (size ** 3,) holds the three codes of a point in the lanes of one whole number, the first lowest: see
    :func:`unpacked`.
    """

    source: Signal
    target: Signal
    size: int
    spare_bits: int
    lattice: NDArray[np.uint64]
    error: TableError


def build_table(colour: Colour, *, source: Signal, target: Signal, size: int = 129) -> Table:
    """Fold a colour path into a table.

    Parameters
    ----------
    colour : callable
        The exact path. It is also asked about encoded values outside 0 to 1, where corners of the lattice lie, and must
        answer with finite numbers.
    source, target : (bit depth, matrix, value range)
        How the planes that are read and made are written.
    size : int
        Points along each axis: one more than a power of two, at most one a code.

    Raises
    ------
    InvalidInput
        If the size does not divide the codes evenly, or the path answers with something not finite.

    Notes
    -----
    ``Table.error`` is measured on random encoded R'G'B' from 0 to 1, before the result is rounded to whole codes. In a
    camera's log encoding most of those are colours that no scene holds, so a picture's own error is far smaller: see
    ``docs/decisions/0029-size-of-the-table.md``.
    """
    depth = source[0]
    shift = depth - (size - 1).bit_length() + 1
    if size < 2 or (size - 1) & (size - 2) or shift < 0:
        raise InvalidInput(f"A table of {size} points does not divide {1 << depth} codes evenly. Use 65 or 129 points.")
    code_bits = min(_CODE_BITS, LANE - 2 - shift)
    if code_bits < target[0]:
        raise InvalidInput(f"A table of {size} points is too coarse for {depth} bits. Use 129 points.")
    axis = np.arange(size, dtype=np.float64) * (1 << shift)
    spare_bits = code_bits - target[0]
    lattice = np.empty(size**3, np.uint64)
    # Level by level of luma, so that what is between stays in the processor's cache.
    for number, level in enumerate(axis):
        points = np.stack(np.meshgrid(level, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
        exact = np.clip(_exact(colour, points, source, target), 0, (1 << target[0]) - 1)
        codes = np.clip(np.floor(exact * (1 << spare_bits) + 0.5), 0, (1 << code_bits) - 1).astype(np.uint64)
        packed = codes[:, 0] | codes[:, 1] << np.uint64(LANE) | codes[:, 2] << np.uint64(2 * LANE)
        lattice[number * size**2 : (number + 1) * size**2] = packed
    return Table(source, target, size, spare_bits, lattice, _error(colour, lattice, spare_bits, source, target, size))


@dataclass(frozen=True, slots=True)
class KeptTable:
    """A table in a file: processes pass its path on, not its 17 MB, and read it once."""

    path: Path

    @property
    def table(self) -> Table:
        """The table."""
        return _read(self.path)


def kept_table(path: Path, build: Callable[[], Table]) -> KeptTable:
    """Return the table in a file, which is written unless it is there; its name says all that it is made from."""
    from partsong.film.folder import writing

    if not path.is_file():
        table = build()
        words = {name: value for name, value in asdict(table).items() if name != "lattice"}
        with writing(path) as temporary, temporary.open("wb") as file:
            np.savez(file, lattice=table.lattice, words=np.array(json.dumps(words)))
    return KeptTable(path)


@functools.lru_cache(maxsize=8)
def _read(path: Path) -> Table:
    with np.load(path) as kept:
        words = json.loads(str(kept["words"]))
        words |= {name: tuple(words[name]) for name in ("source", "target")} | {"error": TableError(**words["error"])}
        return Table(lattice=kept["lattice"], **words)


def unpacked(lattice: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return the codes of a lattice's points, (size ** 3, 3), still times ``2 ** spare_bits``."""
    return np.stack([lattice >> np.uint64(lane * LANE) & np.uint64((1 << LANE) - 1) for lane in range(3)], axis=-1)


def apply_table(planes: Planes, table: Table, *, chroma: Chroma | None = None) -> Planes:
    """Put a frame through a table.

    Every pixel is looked up with its replicated colour sample, and the answers' colour is averaged over the pixels that
    each sample of the result covers (``chroma``; as the source's unless given).

    Raises
    ------
    InvalidInput
        If the frame is not written as the table's source.
    """
    from partsong.render import kernels  # Numba takes over a second to load

    written = (planes.bit_depth, planes.matrix, planes.value_range)
    if written != table.source:
        raise InvalidInput(f"The frame is {_words(written)}, but the table was made for {_words(table.source)}.")
    chroma = chroma or planes.chroma
    across, down = pixels.colour_steps(planes.chroma)
    out_across, out_down = pixels.colour_steps(chroma)
    depth, matrix, value_range = table.target
    kind = np.uint8 if depth == 8 else np.uint16
    y = np.empty((planes.height, planes.width), kind)
    u = np.empty((-(-planes.height // out_down), -(-planes.width // out_across)), kind)
    v = np.empty_like(u)
    shift = planes.bit_depth - (table.size - 1).bit_length() + 1
    given = [planes.y, planes.u, planes.v]
    if out_across < across:
        given[1:] = [np.repeat(plane, across, axis=1)[:, : planes.width] for plane in given[1:]]
        across = out_across
    kernels.apply_lattice(
        *map(kernels.rows, given), across, down, table.lattice, table.size, shift,
        y, u, v, out_across, out_down, table.spare_bits,
    )  # fmt: skip
    return Planes(y, u, v, depth, matrix, value_range)


def _exact(colour: Colour, codes: NDArray[np.float64], source: Signal, target: Signal) -> NDArray[np.float64]:
    encoded = pixels.codes_to_encoded(codes, *source).astype(np.float32)
    answer = np.asarray(colour(encoded), np.float64)
    if answer.shape != codes.shape or not np.isfinite(answer).all():
        raise InvalidInput(
            "The look answers with something that is no colour for some camera values, so no table can be made of it. "
            "Check its table file and its settings: partsong look show FILM"
        )
    return pixels.encoded_to_codes(answer, *target)


def _error(
    colour: Colour, lattice: NDArray[np.uint64], spare_bits: int, source: Signal, target: Signal, size: int
) -> TableError:
    displayable = np.random.default_rng(1).random((_PROBES, 3))
    codes = pixels.encoded_to_codes(displayable, *source)
    exact = np.clip(_exact(colour, codes, source, target), 0, (1 << target[0]) - 1)
    cube = unpacked(lattice).astype(np.float64).reshape(size, size, size, 3) / (1 << spare_bits)
    read = pixels.look_up(cube, codes * ((size - 1) / (1 << source[0])))
    distance = np.abs(read - exact).max(axis=-1)
    return TableError(float(distance.max()), float(np.percentile(distance, 99)), float(distance.mean()))


def _words(signal: Signal) -> str:
    return f"{signal[0]}-bit {signal[1]} {signal[2]} range"
