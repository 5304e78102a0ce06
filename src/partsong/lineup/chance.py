"""How likely it is that something that does not belong fits as well: the law of extremes, read off the song itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_LEAST_BLOCKS = 12


@dataclass(frozen=True, slots=True)
class Law:
    """Gumbel's law of the highest score of a block, and how many blocks were looked at."""

    place: float
    width: float
    blocks: int

    def log10_chance(self, score: float) -> float:
        """Return the power of ten of the chance that any block reaches a score; 0 where that is to be expected.

        >>> round(Law(3.0, 0.5, 100).log10_chance(3.0 + 0.5 * 10 * math.log(10)), 6)
        -8.0
        """
        return min(0.0, math.log10(self.blocks) - (score - self.place) / (self.width * math.log(10)))


def law_of_extremes(scores: NDArray[np.floating], block: int) -> Law | None:
    """Fit the law to the highest scores of blocks, all but the highest tenth; None where fewer than twelve hold any.

    Where music repeats, many blocks score high, the law is wide, and no place stands out of it, as it should be.

    Parameters
    ----------
    scores : ndarray, shape (n,)
        Zero and below: nothing to compare.
    block : int
        How many scores make a block.

    References
    ----------
    Gumbel (1958), Statistics of Extremes, for the law of largest values (from memory).
    """
    highest = scores[: len(scores) // block * block].reshape(-1, block).max(axis=1)
    highest = highest[highest > 0]
    if len(highest) < _LEAST_BLOCKS:
        return None
    shares = (0.3, 0.5, 0.9)
    low, middle, high = (float(value) for value in np.quantile(highest, shares))
    reduced = [-math.log(-math.log(share)) for share in shares]
    width = (high - low) / (reduced[2] - reduced[0])
    return Law(middle - width * reduced[1], width, len(highest)) if width > 0 else None
