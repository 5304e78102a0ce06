"""How strong and how wide the grain of real frames is, in the terms of :class:`partsong.film.records.Texture`."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from partsong.errors import InvalidInput

_SIGMA_OF_QUARTILE = 1 / 1.1503  # three quarters of a normal distribution lie within 1.15 of its spread
_FINEST = 0.0015  # of signal: spreads below it are told through whole codes, whose median is often nothing
_LEVELS = np.linspace(0.15, 0.85, 15)  # of signal: beyond, grain fades by definition and little is left to measure
_LEAST_PIXELS = 400  # of a level, for a spread within a twentieth
_LEAST_LIKENESS = 0.02  # of neighbours; below it a grain is one pixel


def grain_of(one: ArrayLike, other: ArrayLike) -> tuple[float, float]:
    """Measure the grain of two frames of a picture that stands still, some time apart.

    Their difference holds the noise twice. At each level its spread is told without what lies far out, so that a player
    who moves in part of the frame does not count.

    Parameters
    ----------
    one, other : array_like, shape (height, width)
        Luma of the finished picture, 0 to 1.

    Returns
    -------
    percent, px : float
        Standard deviation at half signal in percent, and the width of a grain in pixels.

    Raises
    ------
    InvalidInput
        If hardly anything lies between black and white.
    """
    first, second = np.asarray(one, np.float64), np.asarray(other, np.float64)
    signal, apart = (first + second) / 2, (first - second) / np.sqrt(2)
    strengths = []
    for low, high in pairwise(_LEVELS):
        chosen = (signal >= low) & (signal < high)
        if int(chosen.sum()) >= _LEAST_PIXELS:
            middle = (low + high) / 2
            strengths.append(_spread(apart[chosen]) / (4 * middle * (1 - middle)))
    if not strengths:
        raise InvalidInput("Hardly anything of the picture lies between black and white, so grain cannot be measured.")
    percent = 100 * float(np.median(strengths))  # what moved fills some levels, not most
    return percent, _width(apart, 5 * percent / 100)


def _spread(apart: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    """Return the standard deviation of what lies within four of it."""
    first = max(_FINEST, _SIGMA_OF_QUARTILE * float(np.percentile(np.abs(apart), 75)))
    return float(np.sqrt(np.mean(np.square(apart[np.abs(apart) < 4 * first]))))


def _width(apart: np.ndarray[tuple[int, ...], np.dtype[np.float64]], most: float) -> float:
    """Return the width of a grain from how alike neighbours are, where nothing moved."""
    left, right = apart[:, :-1], apart[:, 1:]
    still = (np.abs(left) < most) & (np.abs(right) < most)
    power = float(np.mean(np.square(left[still])) + np.mean(np.square(right[still]))) / 2 if still.any() else 0.0
    likeness = float(np.mean(left[still] * right[still])) / power if power > 0 else 0.0
    if likeness < _LEAST_LIKENESS:
        return 1.0
    # A Gaussian of spread s makes neighbours alike by exp(-1 / (4 s ** 2)); a grain is 1 + 2 s wide.
    return float(1 + 2 * np.sqrt(-1 / (4 * np.log(min(likeness, 0.99)))))
