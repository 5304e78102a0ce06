"""The numbers that people give to plans: read and checked."""

from __future__ import annotations

import math
from fractions import Fraction

from partsong.errors import InvalidInput
from partsong.timebase import exact_number


def above_zero(value: float, what: str) -> None:
    """Refuse a number that is not finite and above zero; ``what`` names it in the sentence."""
    if not (math.isfinite(value) and value > 0):
        raise InvalidInput(f"The {what} must be above zero; it is {value:g}.")


def exact(text: str, what: str) -> Fraction:
    """Read a number above zero exactly as written.

    >>> exact("2.5", "length")
    Fraction(5, 2)
    """
    number = exact_number(text, what)
    above_zero(float(number), what)
    return number
