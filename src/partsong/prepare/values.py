"""The numbers that people give to plans: read and checked."""

from __future__ import annotations

import math
import re
from fractions import Fraction

from partsong.errors import InvalidInput


def above_zero(value: float, what: str) -> None:
    """Refuse a number that is not finite and above zero; ``what`` names it in the sentence."""
    if not (math.isfinite(value) and value > 0):
        raise InvalidInput(f"The {what} must be above zero; it is {value:g}.")


def exact(text: str, what: str) -> Fraction:
    """Read a number above zero exactly as written.

    >>> exact("2.5", "length")
    Fraction(5, 2)
    """
    if not re.fullmatch(r"\d+(\.\d+)?", text.strip(), re.ASCII) or Fraction(text.strip()) == 0:
        raise InvalidInput(f"The {what} {text!r} is not a number above zero. Write it like 4 or 2.5.")
    return Fraction(text.strip())
