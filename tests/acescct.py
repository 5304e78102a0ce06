"""The encoding that the tests' cameras write: ACEScct, Academy S-2016-001."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

_SLOPE, _TOE = 10.5402377416545, 0.0729055341958355
_BREAK_LIGHT, _BREAK_CODE = 0.0078125, 0.155251141552511


def to_linear(code: ArrayLike) -> NDArray[np.float64]:
    """Return the light of codes from 0 to 1."""
    code = np.asarray(code, np.float64)
    return np.asarray(np.where(code > _BREAK_CODE, 2.0 ** (code * 17.52 - 9.72), (code - _TOE) / _SLOPE))


def from_linear(light: ArrayLike) -> NDArray[np.float64]:
    """Return the codes of light, which may lie below zero."""
    light = np.asarray(light, np.float64)
    upper = (np.log2(np.maximum(light, _BREAK_LIGHT)) + 9.72) / 17.52
    return np.asarray(np.where(light > _BREAK_LIGHT, upper, light * _SLOPE + _TOE))


CURVE = to_linear(np.linspace(0, 1, 4096))
"""The light of 4096 even steps of code, as kernels are given it."""
