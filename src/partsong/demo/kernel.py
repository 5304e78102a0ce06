"""Compiling a function to machine code, with its types kept for the reader."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., object])


_LOOSE = {"nsz", "arcp", "contract", "reassoc"}  # sums may be reordered; infinities and NaN keep their meaning


def compiled(function: F) -> F:
    """Compile a function on first use and keep the machine code beside the source for the next run."""
    return cast(F, numba.njit(cache=True, error_model="numpy", fastmath=_LOOSE)(function))


def inlined(function: F) -> F:
    """Compile a small function into those that call it, where the call would cost more than its work."""
    return cast(F, numba.njit(cache=True, error_model="numpy", fastmath=_LOOSE, forceinline=True)(function))
