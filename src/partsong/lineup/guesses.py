"""Where events lie likeliest, if they are what one of many guesses foretells: odds at every place at once.

A guess says how likely an event is at every moment of a song (:mod:`partsong.lineup.parts`). If it is right, most of
what it foretells comes, and a few events come unforetold, at an even rate. How many are few nobody knows, nor which
guess is right, so the odds of a place are the mean over all of these: what one guess explains well counts, and that it
was one of a hundred is paid for. An event that is not foretold speaks against a place, and so does what is foretold and
does not come.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.lineup.features import Halves

_MANNERS = ((0.9, 0.15), (0.9, 0.4), (0.7, 0.15), (0.7, 0.4))
"""What share of that which is foretold comes, and what share of all events is not foretold: keys that come up."""

_AT_ONCE = 16  # guesses


def odds(at: NDArray[np.integer], frames: int, guesses: Halves) -> NDArray[np.float64]:
    """Return how much likelier events are at each place than at an even rate, as natural logarithms.

    Parameters
    ----------
    at : ndarray, shape (events,)
        The frames at which they come, in order.
    frames : int
        How many there are in all, n.
    guesses : ndarray, shape (guesses, m)
        How likely each says that an event comes in a frame, 0 to 1.

    Returns
    -------
    ndarray, shape (n + m - 1,)
        For frame 0 lying on frame ``1 - n`` of the song, and so on up to its last. Beyond the song nothing is foretold.

    References
    ----------
    Cox and Lewis (1966), for events at a rate that varies (Poisson's); a mean over models of equal weight is Bayes'
    (both from memory).
    """
    length = guesses.shape[1]
    size = fft.next_fast_len(frames + length, real=True)
    struck = np.zeros(frames, np.float32)
    struck[at] = 1
    reversed_ = np.conj(fft.rfft(struck, size))
    lags = np.arange(1 - frames, length)
    first, last = np.clip(lags, 0, length), np.clip(lags + frames, 0, length)
    total = np.full(len(lags), -np.inf)
    for batch in range(0, len(guesses), _AT_ONCE):
        some = guesses[batch : batch + _AT_ONCE].astype(np.float32)
        sums = np.concatenate([np.zeros((len(some), 1)), np.cumsum(some, axis=1, dtype=np.float64)], axis=1)
        foretold = sums[:, last] - sums[:, first]
        for share, beside in _MANNERS:
            gained = fft.irfft(fft.rfft(np.log1p(some * (share * frames / (beside * len(at)))), size) * reversed_, size)
            gained = np.concatenate([gained[:, size - frames + 1 :], gained[:, :length]], axis=1)
            each = gained - share * foretold + len(at) * (np.log(beside) + 1 - beside)
            total = np.logaddexp(total, np.logaddexp.reduce(each, axis=0))
    return np.asarray(total - np.log(max(1, len(guesses)) * len(_MANNERS)))


def by_stretch(
    at: NDArray[np.integer], frames: int, guesses: Halves, lags: Sequence[int], blocks: int
) -> NDArray[np.float64]:
    """Return the same stretch by stretch, by the guess that fits each place best: (lags, blocks)."""
    length, count = guesses.shape[1], len(at)
    edges = np.linspace(0, frames, blocks + 1).astype(int)
    block = np.searchsorted(edges, at, side="right") - 1
    here = np.clip(edges + np.asarray(lags)[:, None], 0, length)
    best = np.full((len(lags), blocks), -np.inf)
    for guess in guesses:
        some = guess.astype(np.float32)
        sums = np.concatenate([[0.0], np.cumsum(some, dtype=np.float64)])
        foretold = np.diff(sums[here], axis=1)
        for number, lag in enumerate(lags):
            inside = (at + lag >= 0) & (at + lag < length)
            said = np.where(inside, some[np.clip(at + lag, 0, length - 1)], 0)
            for share, beside in _MANNERS:
                gained = np.log(beside) + np.log1p(said * (share * frames / (beside * count)))
                each = np.bincount(block, gained, blocks) - share * foretold[number] + (1 - beside) * count / blocks
                if each.sum() > best[number].sum():
                    best[number] = each
    return best
