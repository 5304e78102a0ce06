"""Where on the song a clip's sound might be: a few places, from the sound itself and no notes.

Where a short clip lies in noise, or its part behind the rest of a mix, the search by onsets
(:mod:`partsong.lineup.coarse`) may pass by the right place. Here stretches of the clip are correlated with the whole
song, both flattened, in four bands, and every place is asked how much likelier its powers are with the decay of a room
than with none. Phases hold within a stretch only; what stretches say is added up as power, for a few clocks. That names
places, and judges none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.lineup.features import RATE_HZ, Floats, Heard
from partsong.lineup.repeats import FLAT_RATE_HZ, flattened

LONGEST_S = 900.0
"""Clips and references longer than this are not swept: all of their places would have to be held."""

_WINDOW = 1 << 15  # two seconds
_STRETCH_S, _MOST_STRETCHES = 8.0, 4
_DRIFTS_PPM = (-80.0, 0.0, 80.0)
_BANDS_HZ = (80.0, 300.0, 700.0, 1500.0, 3300.0)
_CELL = 8  # samples of flattened sound: a millisecond
_CELLS_HZ = FLAT_RATE_HZ // _CELL
_DECAYS_S, _STRENGTHS = (0.01, 0.05), (0.1, 1.0, 10.0)
_RESPONSE_S = 0.1
_AROUND_S = 0.5  # to both sides of a moment: what its power is measured by
_LEAST_LEVEL = 0.2  # of the mean over all places: where the song is as good as silent, rounding must not stand out
_APART_S = 0.15
_LEAST_OVERLAP_S = 8.0  # or half of the clip or the song, if that is less


@dataclass(frozen=True, slots=True)
class Sounding:
    """A place where sound might answer: the slip of the clip's middle in seconds, and a logarithm of odds."""

    slip_s: float
    evidence: float


def level_song(song: Heard) -> Floats:
    """Return a song's sound as it is swept: at 8 kHz, all frequencies level."""
    return flattened(song, 0, window=_WINDOW)


def find_sounding(clip: Heard, voice: int, song: Floats, most: int) -> tuple[Sounding, ...]:
    """Return up to ``most`` places at which a clip's sound answers a song's most, the best first.

    Parameters
    ----------
    clip, voice
        What the camera heard.
    song : ndarray, shape (n,)
        From :func:`level_song`.
    most : int
        How many places.
    """
    length = len(clip.samples) * FLAT_RATE_HZ // RATE_HZ
    if length < FLAT_RATE_HZ or len(song) < FLAT_RATE_HZ:
        return ()
    count = min(max(1, round(length / FLAT_RATE_HZ / _STRETCH_S)), _MOST_STRETCHES)
    size = min(length // count, round(1.5 * _STRETCH_S * FLAT_RATE_HZ))
    starts = np.rint(np.linspace(0, length - size, count)).astype(int)
    beside = _Beside(song, size)
    stretches = [_Stretch(clip, voice, int(start), beside) for start in starts]
    cells = (length + len(song)) // _CELL
    evidence = np.zeros(cells, np.float32)
    for drift in _DRIFTS_PPM:
        powers = np.full((len(_BANDS_HZ) - 1, cells), 2.0 * count, np.float32)
        for stretch in stretches:
            found = stretch.powers(drift)
            # The first cell lies a whole clip before the song; a clock that runs off has moved away from its middle.
            from_middle = stretch.start + size / 2 - length / 2
            first = round((length - size - stretch.start - drift * 1e-6 * from_middle) / _CELL)
            low, high = max(first, 0), min(first + found.shape[1], cells)
            powers[:, low:high] += found[:, low - first : high - first] - 2.0
        np.maximum(evidence, _evidence(powers, count), out=evidence)
    slips_s = (np.arange(cells) * _CELL - length) / FLAT_RATE_HZ
    song_s, clip_s = len(song) / FLAT_RATE_HZ, length / FLAT_RATE_HZ
    overlap_s = np.minimum(slips_s + clip_s, song_s) - np.maximum(slips_s, 0.0)
    evidence[overlap_s < min(_LEAST_OVERLAP_S, 0.5 * clip_s, 0.5 * song_s)] = 0.0
    return tuple(Sounding(float(slips_s[at]), float(evidence[at])) for at in _tops(evidence, most))


class _Beside:
    """A whole song, to lay stretches of one ``length`` beside: its spectrum, and by the cell the lags, from -length on.

    ``heard`` says at which lags half of a stretch lies on the song, ``near`` at how many such lags around each.
    """

    def __init__(self, song: Floats, length: int) -> None:
        self.length = length
        self.size = _CELL * fft.next_fast_len((len(song) + length) // _CELL + 1)
        self.song = fft.rfft(song, self.size)
        self.cells = np.arange(-length // _CELL, len(song) // _CELL)
        lags = self.cells * _CELL
        self.heard = (lags >= -length / 2) & (lags <= len(song) - length / 2)
        self.near = np.maximum(_around(self.heard), 1.0)


class _Stretch:
    """A stretch of a clip beside a whole song: (bands, lags) of power, by the cell, lag ``-length`` first."""

    def __init__(self, clip: Heard, voice: int, start: int, beside: _Beside) -> None:
        self.start, self._beside = start, beside
        step = RATE_HZ // FLAT_RATE_HZ
        self._own = flattened(clip, voice, start * step, beside.length * step, window=_WINDOW)

    def powers(self, drift_ppm: float) -> Floats:
        """Return powers by their local mean, 2 in the mean as of a complex sum; 2 as well where nothing is compared."""
        beside, middle = self._beside, self._beside.length / 2
        at = np.rint(middle + (np.arange(beside.length) - middle) * (1 - drift_ppm * 1e-6)).astype(int)
        own = self._own[at.clip(0, beside.length - 1)]
        product = beside.song * np.conj(fft.rfft(own, beside.size))
        rows = np.full((len(_BANDS_HZ) - 1, len(beside.cells)), 2.0, np.float32)
        for row, low_hz, high_hz in zip(rows, _BANDS_HZ, _BANDS_HZ[1:], strict=False):
            low, high = (round(hz * beside.size / FLAT_RATE_HZ) for hz in (low_hz, high_hz))
            band = np.zeros(2 * beside.size // _CELL, np.complex64)  # two a cell hold the widest band
            band[: high - low] = product[low:high]
            wave = fft.ifft(band, overwrite_x=True)
            power = (wave.real**2 + wave.imag**2).reshape(-1, 2).sum(axis=1)[beside.cells]
            power[~beside.heard] = 0.0
            mean = _around(power) / beside.near
            least = max(_LEAST_LEVEL * float(power.sum()) / max(int(beside.heard.sum()), 1), 1e-30)
            row[beside.heard] = (2.0 * power / np.maximum(mean, least))[beside.heard]
        return rows


def _around(values: NDArray[np.generic]) -> NDArray[np.float64]:
    """Return the sum of what lies around each cell."""
    reach = round(_AROUND_S * _CELLS_HZ)
    sums = np.cumsum(np.pad(values, (reach + 1, reach)), dtype=np.float64)
    return np.asarray(sums[2 * reach + 1 :] - sums[: -2 * reach - 1])


def _evidence(powers: Floats, count: int) -> Floats:
    """Return for each cell how much likelier ``count`` summed powers are with a decay from there on than with none.

    As :mod:`partsong.lineup.fine` asks of windows, but with fewer decays: what comes later to the camera lies at
    smaller lags. A complex power of one band holds as many independent values as the band is wide.
    """
    t = np.arange(round(_RESPONSE_S * _CELLS_HZ)) / _CELLS_HZ
    share = np.array([[strength * np.exp(-t / decay) for strength in _STRENGTHS] for decay in _DECAYS_S])
    size = fft.next_fast_len(powers.shape[1] + len(t), real=True)
    weights = fft.rfft((share / (1 + share)).astype(np.float32), size)
    costs = (2 * count * np.log1p(share).sum(axis=2)).astype(np.float32)
    best = np.zeros((len(_DECAYS_S), powers.shape[1]), np.float32)
    for row, width_hz in zip(powers, np.diff(_BANDS_HZ), strict=True):
        ratios = fft.irfft(fft.rfft(row, size) * weights, size)[..., : powers.shape[1]] - costs[..., None]
        best += np.float32(width_hz / (2 * _CELLS_HZ)) * np.maximum(ratios.max(axis=1), 0.0)
    return np.asarray(best.max(axis=0))


def _tops(evidence: Floats, most: int) -> list[int]:
    left, apart = evidence.copy(), round(_APART_S * _CELLS_HZ)
    tops: list[int] = []
    while len(tops) < most and left.max() > 0:
        tops.append(int(np.argmax(left)))
        left[max(tops[-1] - apart, 0) : tops[-1] + apart + 1] = 0.0
    return tops
