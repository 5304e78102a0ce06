"""What most of some numbers say, whatever the rest of them do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAD_TO_SIGMA = 1.4826
"""What a median of absolute deviations is multiplied by to be the standard deviation, for Gaussian noise."""

TUKEY = 4.685
"""Where Tukey's weight falls to nothing, in standard deviations: 95 % efficient on Gaussian noise.

Huber and Ronchetti, Robust Statistics, 2nd ed., 4.8.
"""

_LEAST_SPREAD = 1e-4
_MOST_STEPS, _STILL = 50, 1e-7


def tukey_middle(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the middle (k,) of rows (n, k), each row weighed by Tukey's weight.

    A row counts in all of its columns or in none, by the one that lies furthest out.

    Examples
    --------
    >>> rows = np.array([[1.0, 2.0]] * 9 + [[50.0, 2.0]])
    >>> tukey_middle(rows).round(6).tolist()
    [1.0, 2.0]
    """
    middle: NDArray[np.float64] = np.median(values, axis=0)
    for _ in range(_MOST_STEPS):
        error = values - middle
        spread = np.maximum(MAD_TO_SIGMA * np.median(np.abs(error), axis=0), _LEAST_SPREAD)
        weight = np.clip(1 - (error / (TUKEY * spread)) ** 2, 0, None) ** 2
        weight = weight.min(axis=-1, keepdims=True)
        step = (weight * error).sum(axis=0) / max(float(weight.sum()), 1e-12)
        middle = middle + step
        if np.abs(step).max() < _STILL:
            break
    return middle
