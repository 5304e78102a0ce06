"""What a table or a whole look does to black, white and mid grey, measured rather than believed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.render import cube
from partsong.render.cube import Cube

# ITU-R BT.709-6, item 3.2: luma of encoded red, green and blue.
_LUMA = np.array((0.2126, 0.7152, 0.0722))
_STEPS = 1025
_LATTICE = 17

# A fall of the ramp smaller than half a 10-bit code (876 from black to white) is lost in the file anyway.
_HALF_A_CODE = 0.5 / 876


@dataclass(frozen=True, slots=True)
class Level:
    """A level of display signal: percent from black to white, and the 10-bit code of limited range (64 to 940)."""

    percent: float
    code: int

    def __str__(self) -> str:
        return f"{self.percent:.2f} % (code {self.code})"


@dataclass(frozen=True, slots=True)
class Measured:
    """What comes out for the neutral codes 0 to 1, and for a lattice of colours.

    ``floor`` and ``ceiling`` are the darkest and brightest luma of any neutral input, ``floor_rgb_percent`` the three
    channels where it is darkest (unequal: black is tinted). ``lowest`` and ``highest`` are of any channel of any
    colour. ``grey_in`` is the code that was put in for mid grey, 0 to 1. ``falls_at`` is the first input code at
    which more signal in gives less out, None where none does.
    """

    floor: Level
    floor_rgb_percent: tuple[float, float, float]
    ceiling: Level
    lowest: Level
    highest: Level
    grey_in: float
    grey_out: Level
    falls_at: float | None


def level(signal: float) -> Level:
    """Return display code from 0 to 1 as percent and 10-bit code (ITU-R BT.709-6, item 4.6: 64 + 876 E').

    >>> str(level(0.03))
    '3.00 % (code 90)'
    """
    return Level(percent=100 * signal, code=round(64 + 876 * signal))


def measure_path(path: Callable[[NDArray[np.float32]], NDArray[Any]], *, grey_in: float) -> Measured:
    """Measure a function from encoded RGB (n, 3) to display-encoded RGB.

    Parameters
    ----------
    path : callable
        Such as :func:`partsong.render.colour.display_path` gives.
    grey_in : float
        The neutral code, 0 to 1, that stands for mid grey on the way in.
    """
    axis = np.linspace(0, 1, _LATTICE, dtype=np.float32)
    colours = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    found = np.asarray(path(colours), dtype=np.float64)
    return _measured(path, grey_in, float(found.min()), float(found.max()))


def measure_table(table: Cube, *, grey_in: float) -> Measured:
    """Measure a look-up table alone; its lowest and highest are those of its entries, which interpolation keeps."""
    return _measured(lambda rgb: cube.apply(table, rgb), grey_in, float(table.table.min()), float(table.table.max()))


def _measured(
    path: Callable[[NDArray[np.float32]], NDArray[Any]], grey_in: float, lowest: float, highest: float
) -> Measured:
    codes = np.append(np.linspace(0, 1, _STEPS), grey_in)
    shown = np.asarray(path(np.repeat(codes[:, None], 3, axis=1).astype(np.float32)), dtype=np.float64)
    luma = shown @ _LUMA
    ramp = luma[:-1]
    darkest = int(ramp.argmin())
    falling = np.flatnonzero(ramp < np.maximum.accumulate(ramp) - _HALF_A_CODE)
    red, green, blue = (float(value) for value in 100 * shown[darkest])
    return Measured(
        floor=level(float(ramp[darkest])),
        floor_rgb_percent=(red, green, blue),
        ceiling=level(float(ramp.max())),
        lowest=level(min(lowest, float(shown.min()))),
        highest=level(max(highest, float(shown.max()))),
        grey_in=grey_in,
        grey_out=level(float(luma[-1])),
        falls_at=float(codes[falling[0]]) if falling.size else None,
    )
