"""Look-up tables in the open Cube text format: a strict reader, a writer, and interpolation.

The format is the Cube LUT Specification, version 1.0 (2013): text lines, ``#`` comments, ``TITLE``, ``DOMAIN_MIN``,
``DOMAIN_MAX``, one of ``LUT_1D_SIZE`` (2 to 65536) and ``LUT_3D_SIZE`` (2 to 256), then the table with three numbers
a line, red changing fastest. Keywords of other dialects are refused rather than skipped: a range that is read over
would give a wrong picture without a word.
"""

from __future__ import annotations

import re
from array import array
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from partsong.errors import InvalidInput

SIZES_1D = (2, 65536)
SIZES_3D = (2, 256)
"""The sizes that the format allows (Cube LUT Specification 1.0)."""

# A bound on memory, not the format's own limit: no sensible line of three numbers or a title comes near it.
_LONGEST_LINE = 1024
_MOST_BYTES = 1 << 30  # 16.8 million rows of the largest table, sixty bytes each
_MOST_ASIDE = 100_000  # blank lines and comments: more of them is no table, and would take minutes to read over
_NUMBER = rb"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_ROW = re.compile(rb"\s*(%b)\s+(%b)\s+(%b)\s*" % (_NUMBER, _NUMBER, _NUMBER))
_KEYWORD = re.compile(rb"[A-Z][A-Z0-9_]*")
_KEYWORDS = ("TITLE", "DOMAIN_MIN", "DOMAIN_MAX", "LUT_1D_SIZE", "LUT_3D_SIZE")
_BLOCK = 1 << 17
_FLOAT32_MAX = float(np.finfo(np.float32).max)

Triple = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Cube:
    """A look-up table.

    ``table`` is float32, of shape (n, 3) for three curves or (n, n, n, 3) indexed by red, green, blue; its entries
    are equally spaced from ``domain_min`` to ``domain_max`` of each channel. Values outside 0 to 1 are allowed.
    """

    table: NDArray[np.float32]
    domain_min: Triple = (0.0, 0.0, 0.0)
    domain_max: Triple = (1.0, 1.0, 1.0)
    title: str = ""

    def __post_init__(self) -> None:
        shape = self.table.shape
        flat = len(shape) == 2 and SIZES_1D[0] <= shape[0] <= SIZES_1D[1]
        solid = len(shape) == 4 and shape[0] == shape[1] == shape[2] and SIZES_3D[0] <= shape[0] <= SIZES_3D[1]
        if not (flat or solid) or shape[-1] != 3:
            raise InvalidInput(f"A table of shape {shape} is neither three curves nor a cube of colours.")
        if not np.isfinite(self.table).all():
            raise InvalidInput("A look-up table must hold finite numbers only.")
        if not all(low < high for low, high in zip(self.domain_min, self.domain_max, strict=True)):
            raise InvalidInput(f"The table's domain runs from {self.domain_min} to {self.domain_max}, which is empty.")

    @property
    def size(self) -> int:
        """Entries along one axis."""
        return int(self.table.shape[0])

    @property
    def is_solid(self) -> bool:
        """Whether colours are looked up together (3-D) rather than channel by channel (1-D)."""
        return self.table.ndim == 4


# --- reading and writing --------------------------------------------------------------------------


def read_cube(path: Path) -> Cube:
    """Read a ``.cube`` file.

    Memory stays bounded by what the file really holds and by the largest table the format allows, whatever the file
    claims; reading stops at the first line that is wrong.

    Raises
    ------
    InvalidInput
        If the file cannot be opened or breaks the format; the sentence names the line.

    References
    ----------
    Cube LUT Specification, version 1.0 (2013).
    """
    try:
        size = path.stat().st_size
        if size > _MOST_BYTES:
            raise InvalidInput(
                f"{path.name} has {size / (1 << 30):.1f} GiB; no table that the format allows is that large. Choose a "
                ".cube file."
            )
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise InvalidInput(f"{path} is no file. Give the path of a .cube file.")
        with path.open("rb") as file:
            return _Reader(path.name).read(file)
    except OSError as problem:
        if isinstance(problem, InvalidInput):
            raise
        raise InvalidInput(
            f"{path} cannot be read: {problem.strerror or problem}. Give the path of a .cube file."
        ) from problem


@dataclass
class _Reader:
    """What has been read of one file so far."""

    name: str
    line_number: int = 0
    aside: int = 0
    seen: dict[str, int] = field(default_factory=dict)
    title: str = ""
    domain_min: Triple = (0.0, 0.0, 0.0)
    domain_max: Triple = (1.0, 1.0, 1.0)
    size: int = 0
    solid: bool = False
    values: array[float] = field(default_factory=lambda: array("f"))

    def read(self, file: IO[bytes]) -> Cube:
        while line := file.readline(_LONGEST_LINE + 1):
            self.line_number += 1
            if self.line_number == 1:
                line = line.removeprefix(b"\xef\xbb\xbf")
            if len(line) > _LONGEST_LINE:
                raise self._wrong(f"is longer than {_LONGEST_LINE} bytes, so this is no table")
            if b"\0" in line:
                raise self._wrong("holds binary data, so this is no text file")
            line = line.strip()
            if not line or line.startswith(b"#"):
                self.aside += 1
                if self.aside > _MOST_ASIDE:
                    raise self._wrong(
                        f"is one more of over {_MOST_ASIDE} blank lines and comments, so this is no table"
                    )
                continue
            if _KEYWORD.match(line):
                self._keyword(line)
            else:
                self._row(line)
        return self._finished()

    def _keyword(self, line: bytes) -> None:
        try:
            word, _, rest = line.decode("utf-8").replace("\t", " ").partition(" ")
        except UnicodeDecodeError as problem:
            raise self._wrong("holds bytes that are no text") from problem
        if word.lower() in ("nan", "inf", "infinity"):
            raise self._wrong(f"holds {word}; a table needs finite numbers")
        if word not in _KEYWORDS:
            raise self._wrong(
                f"has the keyword {word[:40]}, which the Cube format 1.0 does not know. Save the table in that format"
            )
        if self.values:
            raise self._wrong(f"has {word} after the table began; it belongs above the numbers")
        if word in self.seen:
            raise self._wrong(f"has {word} a second time (first on line {self.seen[word]})")
        self.seen[word] = self.line_number
        if word == "TITLE":
            match = re.fullmatch(r'"([^"]*)"', rest.strip())
            if match is None:
                raise self._wrong('has a TITLE without its quotation marks; write TITLE "name"')
            self.title = match[1]
        elif word == "DOMAIN_MIN":
            self.domain_min = self._triple(rest.encode(), word)
        elif word == "DOMAIN_MAX":
            self.domain_max = self._triple(rest.encode(), word)
        else:
            self._size(word, rest.strip())

    def _size(self, word: str, text: str) -> None:
        if self.size:
            raise self._wrong("names a second size; a table is either 1-D or 3-D")
        self.solid = word == "LUT_3D_SIZE"
        low, high = SIZES_3D if self.solid else SIZES_1D
        if not re.fullmatch(r"[0-9]{1,9}", text) or not low <= int(text) <= high:
            raise self._wrong(f"gives {word} as {text[:40]!r}; the format allows whole numbers from {low} to {high}")
        self.size = int(text)

    def _row(self, line: bytes) -> None:
        if not self.size:
            raise self._wrong(
                "should name the size first (LUT_1D_SIZE or LUT_3D_SIZE)"
                if _ROW.fullmatch(line)
                else "is neither a keyword nor three numbers, so this is no .cube file"
            )
        if len(self.values) >= 3 * self._rows():
            raise self._wrong(f"goes on after the {self._rows()} rows of a table of size {self.size}")
        self.values.extend(self._triple(line, "the table"))

    def _triple(self, text: bytes, where: str) -> Triple:
        match = _ROW.fullmatch(text)
        if match is None:
            if re.search(rb"(?i)\b(nan|inf|infinity)\b", text):
                raise self._wrong(f"holds a number in {where} that is not finite")
            raise self._wrong(f"needs exactly three numbers for {where}")
        red, green, blue = (float(match[channel]) for channel in (1, 2, 3))
        if max(abs(red), abs(green), abs(blue)) > _FLOAT32_MAX:
            raise self._wrong(f"holds a number in {where} beyond 3.4e38")
        return red, green, blue

    def _rows(self) -> int:
        return self.size**3 if self.solid else self.size

    def _finished(self) -> Cube:
        if not self.size:
            raise InvalidInput(
                f"{self.name} names no table size (LUT_1D_SIZE or LUT_3D_SIZE). Choose a .cube file of format 1.0."
            )
        rows = len(self.values) // 3
        if rows != self._rows():
            raise InvalidInput(
                f"{self.name} ends after {rows} rows; a table of size {self.size} has {self._rows()}. "
                "The file was cut short: copy or export it again."
            )
        for axis, (low, high) in enumerate(zip(self.domain_min, self.domain_max, strict=True)):
            if low >= high:
                raise InvalidInput(
                    f"{self.name}: the domain of {('red', 'green', 'blue')[axis]} runs from {low:g} to {high:g}, "
                    "which is empty. DOMAIN_MAX must be above DOMAIN_MIN."
                )
        table = np.frombuffer(self.values, dtype=np.float32).reshape(-1, 3)
        if self.solid:
            # Red is fastest in the file, so the file's axes are blue, green, red.
            table = np.ascontiguousarray(table.reshape((self.size,) * 3 + (3,)).transpose(2, 1, 0, 3))
        return Cube(table, self.domain_min, self.domain_max, self.title)

    def _wrong(self, what: str) -> InvalidInput:
        return InvalidInput(f"{self.name}: line {self.line_number} {what}.")


def write_cube(path: Path, cube: Cube) -> None:
    """Write a table as a ``.cube`` file, whole or not at all; :func:`read_cube` gives the same numbers back.

    Raises
    ------
    InvalidInput
        If the title has a quotation mark or a line break, which the format cannot hold.
    """
    from partsong.film.folder import writing

    if re.search(r'["\r\n\0]', cube.title) or len(cube.title.encode()) > _LONGEST_LINE - 16:
        raise InvalidInput(f"The title {cube.title[:60]!r} cannot stand in a .cube file. Leave out quotation marks.")
    table = cube.table.transpose(2, 1, 0, 3) if cube.is_solid else cube.table
    with writing(path) as temporary, temporary.open("w", encoding="utf-8", newline="\n") as file:
        if cube.title:
            file.write(f'TITLE "{cube.title}"\n')
        file.write(f"{'LUT_3D_SIZE' if cube.is_solid else 'LUT_1D_SIZE'} {cube.size}\n")
        for word, triple in (("DOMAIN_MIN", cube.domain_min), ("DOMAIN_MAX", cube.domain_max)):
            file.write(f"{word} {' '.join(repr(float(value)) for value in triple)}\n")
        # Nine significant digits carry every float32 exactly.
        np.savetxt(file, table.reshape(-1, 3), fmt="%.9g")


# --- looking up -----------------------------------------------------------------------------------


def apply(
    cube: Cube, rgb: ArrayLike, *, interpolation: Literal["tetrahedral", "trilinear"] = "tetrahedral"
) -> NDArray[np.float64]:
    """Look colours up in a table.

    Parameters
    ----------
    cube : Cube
        Outside its domain the values at the ends hold; a value that is not a number counts as the low end.
    rgb : array_like, shape (..., 3)
        In the table's domain.
    interpolation : {'tetrahedral', 'trilinear'}
        For a 3-D table; a 1-D table is always linear between its entries. Tetrahedral keeps greys grey wherever the
        table's own grey entries are.

    Returns
    -------
    ndarray of float64, the shape of ``rgb``
    """
    values = np.asarray(rgb, dtype=np.float64)
    if values.shape[-1:] != (3,):
        raise InvalidInput(f"Colours of shape {values.shape} have no red, green and blue along their last axis.")
    flat = values.reshape(-1, 3)
    result = np.empty_like(flat)
    low, high = np.asarray(cube.domain_min), np.asarray(cube.domain_max)
    for first in range(0, len(flat), _BLOCK):
        block = flat[first : first + _BLOCK]
        # fmax and fmin pass over NaN, where clip would hand it on.
        inside = np.fmin(np.fmax(block, low), high)
        grid = (inside - low) / (high - low) * (cube.size - 1)
        cell = np.minimum(grid.astype(np.intp), cube.size - 2)
        fraction = grid - cell
        if not cube.is_solid:
            found = _along_curves(cube.table, cell, fraction)
        elif interpolation == "tetrahedral":
            found = _in_tetrahedra(cube.table, cell, fraction)
        else:
            found = _in_boxes(cube.table, cell, fraction)
        result[first : first + _BLOCK] = found
    return result.reshape(values.shape)


def _along_curves(table: NDArray[Any], cell: NDArray[np.intp], fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    channel = np.arange(3)
    below, above = table[cell, channel].astype(np.float64), table[cell + 1, channel]
    return np.asarray(below * (1 - fraction) + above * fraction)


def _in_boxes(table: NDArray[Any], cell: NDArray[np.intp], fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    result = np.zeros_like(fraction)
    for corner in np.ndindex(2, 2, 2):
        weight = np.prod(np.where(corner, fraction, 1 - fraction), axis=1)
        r, g, b = (cell + corner).T
        result += weight[:, None] * table[r, g, b]
    return result


def _in_tetrahedra(table: NDArray[Any], cell: NDArray[np.intp], fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    # Walk from the low corner to the high one, along the axis with the greatest fraction first.
    order = np.argsort(-fraction, axis=1, kind="stable")
    ordered = np.take_along_axis(fraction, order, axis=1)
    corner = cell.copy()
    rows = np.arange(len(cell))
    weights = (1 - ordered[:, 0], ordered[:, 0] - ordered[:, 1], ordered[:, 1] - ordered[:, 2], ordered[:, 2])
    result = np.asarray(weights[0][:, None] * table[corner[:, 0], corner[:, 1], corner[:, 2]])
    for step in range(3):
        corner[rows, order[:, step]] += 1
        result += weights[step + 1][:, None] * table[corner[:, 0], corner[:, 1], corner[:, 2]]
    return result
