"""The one check that every plan needs of its numbers."""

from __future__ import annotations

import math

from partsong.errors import InvalidInput


def above_zero(value: float, what: str) -> None:
    """Refuse a number that is not finite and above zero; ``what`` names it in the sentence."""
    if not (math.isfinite(value) and value > 0):
        raise InvalidInput(f"The {what} must be above zero; it is {value:g}.")
