"""What a table or a whole look does to black, white, mid grey and hue, measured rather than believed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.records import BlackCurve
from partsong.render import cube
from partsong.render.cube import Cube

Path = Callable[[NDArray[np.float32]], NDArray[Any]]
"""From encoded RGB (n, 3) to display-encoded RGB."""

# ITU-R BT.709-6, item 3.2: luma of encoded red, green and blue.
_LUMA = np.array((0.2126, 0.7152, 0.0722))
STEPS = 1025
_LATTICE = 17

# A difference smaller than half a 10-bit code (876 from black to white) is lost in the file anyway.
_HALF_A_CODE = 0.5 / 876

# Hue is told only of colours that have some: a tenth of the signal between the highest and the lowest channel going
# in, and a fiftieth coming out. Below that a rounding turns it.
_COLOURED_IN, _COLOURED_OUT = 0.10, 0.02


@dataclass(frozen=True, slots=True)
class Level:
    """A level of display signal: percent from black to white, and the 10-bit code of limited range (64 to 940)."""

    percent: float
    code: int

    def __str__(self) -> str:
        return f"{self.percent:.2f} % (code {self.code})"


@dataclass(frozen=True, slots=True)
class Bend:
    """Where the grey curve bends.

    ``slope`` is signal out for signal in at mid grey. Going down from there the toe begins, and going up the shoulder,
    where the slope leaves the range from half to double of it (signal in, 0 to 1; None where it never does).
    ``kink`` is the sharpest corner: where it is, and by how much the slope changes there within a 256th of the range.
    """

    slope: float
    toe: float | None
    shoulder: float | None
    kink: float
    kink_change: float


@dataclass(frozen=True, slots=True)
class HueTurn:
    """The colour whose hue turns most: the colour in, and how far its hue is turned in degrees (towards blue > 0).

    ``median_deg`` is what the middle one of all colours turns, regardless of direction.
    """

    colour_in: tuple[float, float, float]
    worst_deg: float
    median_deg: float


@dataclass(frozen=True, slots=True)
class Measured:
    """What comes out for the neutral codes 0 to 1, and for a lattice of colours.

    ``floor`` and ``ceiling`` are the darkest and brightest luma of any neutral input, ``floor_rgb_percent`` the three
    channels where it is darkest (unequal: black is tinted). ``black`` and ``white`` are what input 0 and 1 give.
    ``lowest`` and ``highest`` are of any channel of any colour. ``grey_in`` is the code that was put in for mid grey,
    0 to 1; ``grey_rgb`` the three channels that come out for it. ``falls_at`` is the first input code at which more
    signal in gives less out, None where none does. From the input ``flat_below`` down, and from ``flat_above`` up, the
    output stays within half a 10-bit code (None where it moves from the first step): blacks or lights are clipped.
    ``clipped_share`` is the share of colours with a channel at or beyond 0 or 1.
    """

    floor: Level
    floor_rgb_percent: tuple[float, float, float]
    ceiling: Level
    black: Level
    white: Level
    lowest: Level
    highest: Level
    grey_in: float
    grey_out: Level
    grey_rgb: tuple[float, float, float]
    falls_at: float | None
    flat_below: float | None
    flat_above: float | None
    clipped_share: float
    bend: Bend
    hue: HueTurn | None


def level(signal: float) -> Level:
    """Return display code from 0 to 1 as percent and 10-bit code (ITU-R BT.709-6, item 4.6: 64 + 876 E').

    >>> str(level(0.03))
    '3.00 % (code 90)'
    """
    return Level(percent=100 * signal, code=round(64 + 876 * signal))


def measure_path(path: Path, *, grey_in: float) -> Measured:
    """Measure a function from encoded RGB (n, 3) to display-encoded RGB.

    Parameters
    ----------
    path : callable
        Such as :func:`partsong.render.colour.display_path` gives.
    grey_in : float
        The neutral code, 0 to 1, that stands for mid grey on the way in.
    """
    colours = _lattice(_LATTICE)
    return _measured(path, grey_in, colours, np.asarray(path(colours), np.float64))


def measure_table(table: Cube, *, grey_in: float) -> Measured:
    """Measure a look-up table alone, between the ends of its domain that lie within 0 to 1.

    Lowest and highest are those of a 3-D table's own entries, which interpolation keeps.
    """
    if not table.is_solid:
        return measure_path(lambda rgb: cube.apply(table, rgb), grey_in=grey_in)
    axes = [np.linspace(*ends, table.size) for ends in zip(table.domain_min, table.domain_max, strict=True)]
    colours = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    inside = ((colours >= 0) & (colours <= 1)).all(axis=1)
    found = table.table.reshape(-1, 3).astype(np.float64)
    return _measured(lambda rgb: cube.apply(table, rgb), grey_in, colours[inside], found[inside])


def black_curve(measured: Measured, *, level_percent: float | None = None) -> BlackCurve:
    """Return the curve that brings a measured floor to zero and leaves mid grey alone.

    Parameters
    ----------
    measured : Measured
        Of the whole path without such a curve.
    level_percent : float, optional
        The level that becomes zero, instead of each channel's own at the floor.

    Raises
    ------
    InvalidInput
        If the level is not below mid grey.
    """
    levels = measured.floor_rgb_percent if level_percent is None else (level_percent,) * 3
    # Rounded up to a thousandth of a percent, well under a code, so that nothing of the floor is left over.
    red, green, blue = (float(np.ceil(max(0.0, value) * 1e3) / 1e5) for value in levels)
    if not all(low < keep <= 1 for low, keep in zip((red, green, blue), measured.grey_rgb, strict=True)):
        raise InvalidInput(
            f"A black level of {100 * max(red, green, blue):.2f} % is not below mid grey, which comes out at "
            f"{measured.grey_out}. Give the measured floor: partsong look measure FILM"
        )
    return BlackCurve(level=(red, green, blue), keep=measured.grey_rgb)


def grey_ramp(path: Path, steps: int = STEPS) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return neutral input (n,) from 0 to 1 and what comes out for it (n, 3)."""
    codes = np.linspace(0, 1, steps)
    return codes, np.asarray(path(np.repeat(codes[:, None], 3, axis=1).astype(np.float32)), np.float64)


def _lattice(size: int) -> NDArray[np.float32]:
    axis = np.linspace(0, 1, size, dtype=np.float32)
    return np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)


def _measured(path: Path, grey_in: float, colours: NDArray[Any], found: NDArray[np.float64]) -> Measured:
    codes, shown = grey_ramp(path)
    grey = np.asarray(path(np.full((1, 3), grey_in, np.float32)), np.float64)[0]
    ramp = shown @ _LUMA
    darkest = int(ramp.argmin())
    falling = np.flatnonzero(ramp < np.maximum.accumulate(ramp) - _HALF_A_CODE)
    moved_low = np.flatnonzero(np.abs(ramp - ramp[0]) > _HALF_A_CODE)
    moved_high = np.flatnonzero(np.abs(ramp - ramp[-1]) > _HALF_A_CODE)
    flat_below = int(moved_low[0]) - 1 if moved_low.size else len(ramp) - 1
    flat_above = int(moved_high[-1]) + 1 if moved_high.size else 0
    # A step of the ramp is nearly a code; a straight line moves half a code within one. Two steps are a flat piece.
    return Measured(
        floor=level(float(ramp[darkest])),
        floor_rgb_percent=_triple(100 * shown[darkest]),
        ceiling=level(float(ramp.max())),
        black=level(float(ramp[0])),
        white=level(float(ramp[-1])),
        lowest=level(min(float(found.min()), float(shown.min()))),
        highest=level(max(float(found.max()), float(shown.max()))),
        grey_in=grey_in,
        grey_out=level(float(grey @ _LUMA)),
        grey_rgb=_triple(grey),
        falls_at=float(codes[falling[0]]) if falling.size else None,
        flat_below=float(codes[flat_below]) if flat_below > 2 else None,
        flat_above=float(codes[flat_above]) if flat_above < len(ramp) - 3 else None,
        clipped_share=float(((found <= 0) | (found >= 1)).any(axis=1).mean()),
        bend=_bend(codes, ramp, grey_in),
        hue=_hue_turn(colours, found),
    )


def _triple(values: NDArray[np.float64]) -> tuple[float, float, float]:
    red, green, blue = (float(value) for value in values)
    return red, green, blue


def _bend(codes: NDArray[np.float64], ramp: NDArray[np.float64], grey_in: float) -> Bend:
    # Over a 64th of the range: finer than any toe or shoulder, coarser than the rounding of a small table's entries.
    reach = (len(codes) - 1) // 128
    slope = (ramp[2 * reach :] - ramp[: -2 * reach]) / (codes[2 * reach] - codes[0])
    at = codes[reach:-reach]
    middle = int(np.abs(at - grey_in).argmin())
    usual = float(slope[middle])
    other = (slope < usual / 2) | (slope > usual * 2)
    below, above = np.flatnonzero(other[:middle]), np.flatnonzero(other[middle:])
    fine = 2
    sharp = np.abs(ramp[2 * fine :] - 2 * ramp[fine:-fine] + ramp[: -2 * fine]) / (codes[fine] - codes[0])
    corner = int(sharp.argmax())
    return Bend(
        slope=usual,
        toe=float(at[below[-1]]) if below.size else None,
        shoulder=float(at[middle + above[0]]) if above.size else None,
        kink=float(codes[fine + corner]),
        kink_change=float(sharp[corner]),
    )


def hue_deg(rgb: NDArray[Any]) -> NDArray[np.float64]:
    """Return the hue of colours (..., 3) as an angle in degrees: red 0, green 120, blue 240."""
    red, green, blue = np.moveaxis(np.asarray(rgb, np.float64), -1, 0)
    return np.asarray(np.degrees(np.arctan2(np.sqrt(3) * (green - blue), 2 * red - green - blue)) % 360)


def _hue_turn(colours: NDArray[Any], found: NDArray[np.float64]) -> HueTurn | None:
    told = (np.ptp(colours, axis=1) >= _COLOURED_IN) & (np.ptp(found, axis=1) >= _COLOURED_OUT)
    if not told.any():
        return None  # a table of greys has no hue to turn
    turned = (hue_deg(found[told]) - hue_deg(colours[told]) + 180) % 360 - 180
    worst = int(np.abs(turned).argmax())
    return HueTurn(_triple(np.asarray(colours)[told][worst]), float(turned[worst]), float(np.median(np.abs(turned))))
