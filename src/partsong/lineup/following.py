"""What follows what, when nobody says which rows matter: it is learned from the stretches that are not being scored.

A picture has many cells and few of them show the hands; a mix has many bands and few of them hold the part. So every
stretch is scored with the rows that followed in all the *other* stretches: a place counts only if the same rows keep
following all through. Chance picks other rows every time.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray
from scipy import fft


def unlike(tracks: NDArray[np.floating], shrink: float) -> NDArray[np.float64]:
    """Undo most of the likeness between tracks (rows, n) of equal energy: a sway fills many cells, a beat all bands.

    The symmetric square root keeps each track as near to its own row as can be, so that "more" stays that. The
    correlations are drawn towards none by ``shrink`` (0 to 1) first.
    """
    unit = tracks / np.maximum(np.sqrt(np.sum(np.square(tracks), axis=1, keepdims=True)), 1e-12)
    likeness = (1 - shrink) * (unit @ unit.T) + shrink * np.eye(len(unit))
    values, vectors = np.linalg.eigh(likeness)
    return np.asarray((vectors * values**-0.5) @ vectors.T @ unit)


def followed(
    moving: NDArray[np.floating], fixed: NDArray[np.floating], blocks: int, power: int = 2
) -> tuple[int, NDArray[np.float64]]:
    """Slide one side along the other and score every lag in every block of the moving one.

    Parameters
    ----------
    moving, fixed : ndarray, shapes (rows, n) and (rows, m)
        Either may have one row, which is compared with every row of the other.
    blocks : int
        Into how many stretches of equal length the moving side is cut.
    power : int
        How much rows that follow outweigh those that do so less: two where a few tell, one where many do.

    Returns
    -------
    first : int
        The first lag, 1 - n: where frame 0 of the moving side lies on the other.
    scores : ndarray, shape (blocks, n + m - 1)
        Of degree ``power + 1`` in the rows' correlations: the block's own, weighted by the power of what the same row
        has in all other blocks where that is positive.
    """
    n, m = moving.shape[1], fixed.shape[1]
    size = fft.next_fast_len(n + m - 1, real=True)
    lags = np.arange(1 - n, m)
    spectra = fft.rfft(fixed.astype(np.float32), size)

    def slid(rows: NDArray[np.floating]) -> NDArray[np.float32]:
        return np.asarray(fft.irfft(spectra * np.conj(fft.rfft(rows.astype(np.float32), size)), size)[..., lags])

    whole = slid(moving)
    scores = np.zeros((blocks, len(lags)))
    for block, (start, stop) in enumerate(itertools.pairwise(np.linspace(0, n, blocks + 1).astype(int))):
        own = slid(np.pad(moving[:, start:stop], ((0, 0), (start, n - stop))))
        scores[block] = np.sum(np.maximum(whole - own, 0) ** power * own, axis=0)
    return 1 - n, scores
