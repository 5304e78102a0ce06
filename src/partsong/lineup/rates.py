"""How likely events are if some bands foretell them, nobody says which, and each at a rate of its own.

Every place is one guess: events come at some even rate by chance, and beside that more often the more its bands say.
The rates are learned from all stretches but the one that is scored, as in :mod:`partsong.lineup.following`. What comes
unforetold counts against a place, and so does what is foretold and does not come; a correlation sees neither.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

_ROUNDS = 25
_DRAWN = 0.5  # events with which each rate is drawn to where all bands foretell as many
_FEWEST = 4


def foretold(
    at: NDArray[np.integer], frames: int, bands: NDArray[np.floating], lags: Sequence[int], blocks: int
) -> NDArray[np.float64]:
    """Return how much likelier events are than at an even rate, as natural logarithms: (lags, blocks).

    Parameters
    ----------
    at : ndarray, shape (events,)
        The frames at which they come, in order.
    frames : int
        How many there are in all.
    bands : ndarray, shape (rows, m)
        Zero or more; what lies where no lag's frames do is not looked at.
    lags : sequence of int
        Where frame 0 may lie on the bands.
    blocks : int
        Into how many stretches of equal length the frames are cut.

    References
    ----------
    Cox and Lewis (1966), for events at a rate that varies (Poisson's); Dempster, Laird and Rubin (1977), for learning
    the rates step by step (both from memory).
    """
    edges = np.linspace(0, frames, blocks + 1).astype(int)
    block = np.searchsorted(edges, at, side="right") - 1
    here = np.clip(edges + np.asarray(lags)[:, None], 0, bands.shape[1])
    # A band at a time: what all of them sum up to at every frame would be as large as many songs.
    sums = [np.concatenate([[0.0], np.cumsum(band, dtype=np.float64)])[here] for band in bands]
    totals = np.diff(np.stack([*sums, here.astype(np.float64)], axis=2), axis=1)
    scores = np.zeros((len(lags), blocks))
    for number, lag in enumerate(lags):
        inside = (at + lag >= 0) & (at + lag < bands.shape[1])
        if np.count_nonzero(inside) >= _FEWEST:
            said = bands[:, at[inside] + lag].T
            said = np.concatenate([said, np.ones((len(said), 1))], axis=1)
            scores[number] = _scored(said, block[inside], totals[number])
    return scores


def _scored(said: NDArray[np.floating], block: NDArray[np.integer], total: NDArray[np.float64]) -> NDArray[np.float64]:
    """Score one place by what is said (events, rows) at its events, and (blocks, rows) in all; the last row is one."""
    blocks = len(total)
    elsewhere = block[:, None] != np.arange(blocks)
    counts = elsewhere.sum(axis=0)[:, None]
    others = np.maximum(total.sum(axis=0) - total, 1e-9)
    even = counts / (others * total.shape[1])
    rates = even
    for _ in range(_ROUNDS):
        expected = np.maximum(said @ rates.T, 1e-12)
        rates = (rates * ((elsewhere / expected).T @ said) + _DRAWN) / (others + _DRAWN / np.maximum(even, 1e-12))
    usual = counts[:, 0] / others[:, -1]
    gained = np.log(np.maximum(np.sum(said * rates[block], axis=1) / np.maximum(usual[block], 1e-12), 1e-12))
    missed = np.sum(total * rates, axis=1) - usual * total[:, -1]
    return np.asarray(np.bincount(block, gained, blocks) - missed)
