"""Where the notes that start in a clip start in a mix, pitch by pitch: found where the sound itself agrees nowhere.

The same small network hears the notes of both (:mod:`partsong.lineup.pitches`), and the likelihoods are laid beside
each other. Nothing is learned from the clip and no clock is tried, so that other music hardly ever leads.

A hall is heard late, and a tone that swells later still. The same slowness makes the likeness wide, so that its width
says how late a place was read.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from partsong.lineup import coarse
from partsong.lineup.confidence import halves_agree, paired_t
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, Floats, Heard
from partsong.lineup.pitches import pitch_starts

LISTENED_S = 120.0
"""Of a longer clip only the middle is listened to: hearing notes costs a second for a minute."""

_LEVELLED = 2 * ONSET_RATE_HZ + 1  # frames: what lasts is not what starts
_BLOCK_S, _MOST_BLOCKS = 2.0, 24
_WIDE_AT = 0.8  # of the height
_LATE, _PROMPT_S = 0.6, 0.03  # late by so much of what the likeness is wider than with a piano


@dataclass(frozen=True, slots=True)
class Notes:
    """Where notes start alike: slips of the clip's middle in seconds, the best first, and what that rests on.

    ``t``, ``lead``, ``blocks`` and ``halves_agree`` are as those of :class:`partsong.lineup.strokes.Strokes`.
    ``width_s`` is how wide the likeness is at four fifths of its height; the first slip is moved by how late such a
    width was read in halls, from nothing to 25 ms.
    """

    slips_s: tuple[float, ...]
    t: float
    lead: float
    blocks: int
    halves_agree: bool
    width_s: float


def find_notes(clip: Heard, voice: int, starts: Floats) -> Notes | None:
    """Return where the notes of a clip start as those of a mix do; None where fewer than two places can be compared.

    Parameters
    ----------
    clip, voice
        What the camera heard.
    starts : ndarray, shape (pitches, frames)
        All pieces of :func:`partsong.lineup.pitches.pitch_starts` of the mix.
    """
    count = min(len(clip.samples), round(LISTENED_S * RATE_HZ))
    first = (len(clip.samples) - count) // 2
    middle = replace(clip, samples=clip.samples[first : first + count])
    own = _levelled(np.concatenate(list(pitch_starts(middle, voice, filmed=True)), axis=1))
    song = _levelled(starts)
    n, m = own.shape[1], song.shape[1]
    size = fft.next_fast_len(n + m - 1, real=True)
    product = np.zeros(size // 2 + 1, np.complex64)
    for own_row, song_row in zip(own, song, strict=True):
        product += np.conj(fft.rfft(own_row, size)) * fft.rfft(song_row, size)
    lags = np.arange(1 - n, m)
    overlap = np.minimum(n, m - lags) - np.maximum(0, -lags)
    weights = np.where(overlap >= coarse.least_overlap(n, m, ONSET_RATE_HZ), 1 / np.sqrt(np.maximum(overlap, 1)), 0)
    alike = np.asarray(fft.irfft(product, size)[lags] * weights, np.float64)
    tops = coarse.peaks(alike, coarse.MOST_CANDIDATES)
    if len(tops) < 2 or alike[tops[1]] <= 0:
        return None
    edges = np.linspace(0, n, int(np.clip(n / ONSET_RATE_HZ / _BLOCK_S, 4, _MOST_BLOCKS)) + 1).astype(int)
    padded = np.pad(song, ((0, 0), (n, n)))
    there = [padded[:, n + lags[top] : 2 * n + lags[top]] for top in tops]
    blocks = np.array(
        [
            [float(np.vdot(own[:, start:stop], at[:, start:stop])) for start, stop in itertools.pairwise(edges)]
            for at in there
        ]
    )
    blocks *= weights[tops][:, None]
    width_s = _width_s(alike, tops[0])
    slips_s = lags[tops] / ONSET_RATE_HZ - first / RATE_HZ
    slips_s[0] += _LATE * max(width_s - _PROMPT_S, 0.0)
    return Notes(
        slips_s=tuple(map(float, slips_s)),
        t=min(paired_t(blocks[0], other) for other in blocks[1:]),
        lead=float(alike[tops[0]] / alike[tops[1]]),
        blocks=len(edges) - 1,
        halves_agree=halves_agree(blocks, 0),
        width_s=width_s,
    )


def _levelled(starts: Floats) -> Floats:
    """Return roots of likelihoods, so that weak starts count beside strong ones, less what there is all along."""
    roots = np.sqrt(starts, dtype=np.float32)
    return np.asarray(roots - ndimage.uniform_filter1d(roots, _LEVELLED, axis=1), np.float32)


def _width_s(alike: NDArray[np.float64], top: int) -> float:
    """Return how wide a peak is at four fifths of its height, in seconds, between frames by straight lines."""
    least = _WIDE_AT * alike[top]
    low, high = top, top
    while low > 0 and alike[low - 1] > least:
        low -= 1
    while high < len(alike) - 1 and alike[high + 1] > least:
        high += 1
    before = (alike[low] - least) / (alike[low] - alike[low - 1]) if low > 0 else 0.0
    after = (alike[high] - least) / (alike[high] - alike[high + 1]) if high < len(alike) - 1 else 0.0
    return float(high - low + before + after) / ONSET_RATE_HZ
