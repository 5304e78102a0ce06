"""Where the notes that start in a clip start in a mix, pitch by pitch: found where the sound itself agrees nowhere.

Networks hear the notes of both, each as it was recorded (:mod:`partsong.lineup.pitches`). At every place the notes of
the clip are asked how much likelier they are beside those of the mix than anywhere: a note that the mix does not play
costs little, since a room is full of sounds that are none, and one that it plays gains much. Nothing is learned from
the clip and no clock is tried, so that other music hardly ever leads.

A hall is heard late, and a tone that swells later still. The same slowness makes the likeness wide, so that its width
says how late a place was read.

References
----------
Cox and Lewis (1966), for events at a rate that varies: the logarithm of such a rate, summed over the events, is what
tells one rate from another (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from partsong.lineup import coarse
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, Floats, Halves, Heard
from partsong.lineup.pitches import TOLD_FOR, pitch_starts
from partsong.render.robust import MAD_TO_SIGMA

LISTENED_S = 120.0
"""Of a longer clip only the middle is listened to: hearing notes costs two seconds for a minute."""

_FORETOLD = 100.0
"""How much likelier a note is where the mix surely plays one than where it plays none: set on practice songs."""

_LESS_SHARPLY = 1.0  # frames: so much less sharply a clip is heard than a mix
_MUCH = 30.0  # evidence beyond which it counts by its logarithm
_LEVELLED = 2 * ONSET_RATE_HZ + 1  # frames: what lasts is not what starts
_WIDE_AT = 0.8  # of the height
_KNOWN_S, _KNOWN_AT_S = 0.012, 0.05
_LATE, _PROMPT_S = 0.6, 0.03  # late by so much of what the likeness is wider than with a piano


@dataclass(frozen=True, slots=True)
class Alike:
    """A place where notes start alike: the slip of the clip's middle in seconds, and the evidence for it.

    ``evidence`` is how much likelier the clip's notes are there than anywhere, as a natural logarithm, over the root of
    how far such logarithms spread over all places (one standard deviation), and what goes beyond 30 of that counts by
    its logarithm. So the first place leads the next by the same on average with other songs, whether a part in a hall
    is heard or a band nearby, whose every note falls on a beat as those of other songs of one tempo do.

    ``width_s`` is how wide the evidence is at four fifths of its height. The slip is moved by how late such a width was
    read in halls, from nothing to 25 ms.
    """

    slip_s: float
    evidence: float
    width_s: float

    @property
    def known_s(self) -> float:
        """How near the slip is to the truth, one standard deviation in seconds: it grows with the width.

        By its square up to 50 ms, where on 220 clips in halls it was 3, 5, 9 and 12 ms for likenesses below 30, 38, 45
        and 55 ms wide; beyond that in proportion, as with 13 ms below 70 and 15 below 90.
        """
        wide = self.width_s / _KNOWN_AT_S
        return _KNOWN_S * wide * min(wide, 1.0)


def find_notes(clip: Heard, voice: int, starts: Halves) -> tuple[Alike, ...]:
    """Return where the notes of a clip start as those of a mix do, the best place first; none where nothing is alike.

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
    own = np.concatenate([likely for likely, _ in pitch_starts(middle, voice, filmed=True)], axis=1) / TOLD_FOR
    song = _foretold(starts)
    n, m = own.shape[1], song.shape[1]
    size = fft.next_fast_len(n + m - 1, real=True)
    product = np.zeros(size // 2 + 1, np.complex64)
    for own_row, song_row in zip(own, song, strict=True):
        product += np.conj(fft.rfft(own_row, size)) * fft.rfft(song_row, size)
    lags = np.arange(1 - n, m)
    overlap = np.minimum(n, m - lags) - np.maximum(0, -lags)
    enough = overlap >= coarse.least_overlap(n, m, ONSET_RATE_HZ)
    alike = np.where(enough, fft.irfft(product, size)[lags], 0).astype(np.float64)
    spread = _spread(alike[enough]) if enough.any() else 0.0
    if spread == 0:
        return ()
    unit = math.sqrt(spread)
    found = []
    for top in coarse.peaks(alike, coarse.MOST_CANDIDATES):
        width_s = _width_s(alike, top)
        slip_s = float(lags[top]) / ONSET_RATE_HZ - first / RATE_HZ + _LATE * max(width_s - _PROMPT_S, 0.0)
        found.append(Alike(slip_s, _MUCH * math.log1p(float(alike[top]) / unit / _MUCH), width_s))
    return tuple(found)


def _foretold(starts: Halves) -> Floats:
    """Return how much likelier than anywhere around notes are where a mix starts them, as logarithms."""
    likely = ndimage.gaussian_filter1d(starts.astype(np.float32), _LESS_SHARPLY, axis=1)
    odds = np.log1p(_FORETOLD * likely)
    return np.asarray(odds - ndimage.uniform_filter1d(odds, _LEVELLED, axis=1), np.float32)


def _spread(odds: NDArray[np.float64]) -> float:
    """Return how far odds spread: one standard deviation, by the median."""
    return MAD_TO_SIGMA * float(np.median(np.abs(odds - np.median(odds))))


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
