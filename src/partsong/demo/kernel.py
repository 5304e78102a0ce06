"""Compiling a function to machine code, with its types kept for the reader."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., object])


def compiled(function: F) -> F:
    """Compile a function on first use and keep the machine code beside the source for the next run."""
    return cast(
        F, numba.njit(cache=True, error_model="numpy", fastmath={"nsz", "arcp", "contract", "reassoc"})(function)
    )
