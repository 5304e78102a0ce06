"""A camera's curve made ready for the compiled loops: light from encoded values, and encoded values from light.

Nearly all log encodings are a straight line near black and an exponential above it. Where a curve is one, to a tenth of
a 10-bit code, light is computed: that costs less than looking it up. Every other curve is looked up in tables.
:mod:`partsong.render.pixels` defines the curve; these lie far within one code of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from partsong.render import pixels

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Colour planes can ask for encoded values well outside 0 to 1; these bounds hold every code of every matrix.
DECODE_LOW, DECODE_HIGH, DECODE_STEPS = -1.25, 2.25, 8192
_MANTISSA_SHIFT = 12  # of a float's 23 bits of fraction, 11 choose the entry
_BIAS = 127  # of a float's exponent
# Powers of two from encoded 0 to 1: more bent than noise, yet a float holds all codes. Cameras have 9 to 18.
_RATES = (2, 60)
_CLOSE = 1 / 8760  # encoded: a tenth of a 10-bit code of limited range

LOOKED_UP = (float(DECODE_STEPS), 0.5 - DECODE_LOW * DECODE_STEPS)
"""From an encoded value to its place in the decoding table: a factor and a constant. The half makes cutting off the
fraction a rounding."""

COMPUTED_NOWHERE = np.zeros(0, np.float32)
"""Stands for a ``log`` where light is looked up."""


def _fitted(function: np.ufunc, degree: int, low: float, high: float) -> tuple[np.float32, ...]:
    nodes = np.polynomial.Chebyshev.interpolate(function, degree, [low, high])
    return tuple(np.float32(value) for value in nodes.convert(kind=np.polynomial.Polynomial).coef)


EXP2 = _fitted(np.exp2, 3, 0, 1)
"""A polynomial for powers of two from 0 to 1; its error is 0.0002 stops at most, a hundredth of a 10-bit code."""

_LOG2 = _fitted(np.log2, 4, 1, 2)
LOG2 = (_LOG2[0] - np.float32(_BIAS), *_LOG2[1:])
"""One for logarithms from 1 to 2, less the bias of a float's exponent; its error is 0.00012 stops at most."""


@dataclass(frozen=True, slots=True)
class ToLight:
    """How encoded values become light: ``to_steps`` (factor, constant) makes steps of the table of them, or powers.

    ``log`` is empty where light is looked up in ``table``. Else light is two to that power, less the bias of a float's
    exponent, plus ``log[1]``, and straight below and above: (highest power, that constant, power below which it is
    straight, slope and constant there, slope above the highest).
    """

    to_steps: tuple[float, float]
    table: NDArray[np.float32]
    log: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class FromLight:
    """How light becomes encoded values again: looked up, or by ``log`` unless that is empty.

    ``values`` are chosen by the leading bits of a float, of light less that of encoded 0, which is hardly ever
    negative. ``first`` is the bit pattern, shifted, of the first; ``ends`` holds the light of encoded 0, and where
    straight lines continue the table and how they rise: (light of 0, low end, rise below it, high end, rise above it).
    ``log`` holds what is taken off light and the factor on it before its logarithm, the light below which the curve is
    straight, slope and constant there, the factor on the logarithm, the highest light, and the slope above that.
    """

    values: NDArray[np.float32]
    first: int
    ends: NDArray[np.float32]
    log: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Exponential:
    """A curve whose light is ``scale * 2 ** (rate * encoded) + constant`` from encoded ``cut`` on, straight below."""

    scale: float
    rate: float
    constant: float
    cut: float


def exponential_of(curve: NDArray[np.float64]) -> Exponential | None:
    """Return the exponential that a curve is, or None where it is another kind.

    Rises of an exponential form a geometric series, so their logarithms lie on a line, which is laid through the upper
    third of the curve.
    """
    last = len(curve) - 1
    rises = np.diff(curve)
    upper = np.arange(last * 2 // 3, last)
    if len(upper) < 8:
        return None
    growth, start = np.polyfit(upper, np.log2(rises[upper]), 1)
    if not _RATES[0] < growth * last < _RATES[1]:
        return None
    steps = np.arange(last + 1)
    scale = float(2**start / (2**growth - 1))
    power = scale * 2 ** (growth * steps)
    constant = float(np.median((curve - power)[upper]))
    slope = np.gradient(curve)
    straight = np.abs(curve[0] + rises[0] * steps - curve) / slope / last
    curved = np.abs(power + constant - curve) / slope / last
    cut = int(np.argmax(straight > curved))
    if max(straight[:cut].max(initial=0), curved[cut:].max()) > _CLOSE:
        return None
    return Exponential(scale, float(growth * last), constant, cut / last)


def to_light(curve: NDArray[np.float64]) -> ToLight:
    """Make a curve ready for decoding."""
    found = exponential_of(curve)
    if found is None:
        return ToLight(LOOKED_UP, decoding_table(curve), COMPUTED_NOWHERE)
    constant = float(np.log2(found.scale)) + _BIAS
    last = len(curve) - 1
    slope, end = ((curve[1] - curve[0]) * last / found.rate, (curve[-1] - curve[-2]) * last / found.rate)
    highest, cut = found.rate + constant, found.rate * found.cut + constant
    log = np.array([highest, found.constant, cut, slope, curve[0] - constant * slope, end], np.float32)
    return ToLight((found.rate, constant), np.zeros(0, np.float32), log)


def decoding_table(curve: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the light of encoded values in steps of 1/8192."""
    encoded = DECODE_LOW + np.arange(round((DECODE_HIGH - DECODE_LOW) * DECODE_STEPS) + 1) / DECODE_STEPS
    return pixels.to_linear(encoded, curve).astype(np.float32)


def from_light(curve: NDArray[np.float64]) -> FromLight:
    """Make a curve ready for encoding.

    Floats spread their bits evenly over the logarithm, as camera encodings do, so a short table serves all stops alike.
    """
    last = len(curve) - 1
    top = float(curve[-1] - curve[0])
    slope = float(curve[1] - curve[0]) * last
    rise = 1 / (float(curve[-1] - curve[-2]) * last)
    smallest = np.float32(slope / DECODE_STEPS)  # below it the line of the curve's first samples is used
    bits = np.array([smallest, np.float32(top)], np.float32).view(np.int32) >> _MANTISSA_SHIFT
    patterns = np.arange(bits[0], bits[1], dtype=np.int32) << _MANTISSA_SHIFT
    middle = (patterns + (1 << (_MANTISSA_SHIFT - 1))).view(np.float32).astype(np.float64)
    values = pixels.to_encoded(middle + curve[0], curve).astype(np.float32)
    ends = np.array([curve[0], smallest, 1 / slope, top, rise], np.float32)
    log = COMPUTED_NOWHERE
    found = exponential_of(curve)
    if found is not None:
        cut = pixels.to_linear(found.cut, curve)
        line = (1 / slope, -curve[0] / slope)
        log = np.array([found.constant, 1 / found.scale, cut, *line, 1 / found.rate, curve[-1], rise], np.float32)
    return FromLight(values, int(bits[0]), ends, log)
