"""Where on the song a clip might sit: a few places, ranked, to within some hundredths of a second.

The clip's envelopes are slid along those of each reference (the part's stem where there is one, and the mix). At
every lag the correlation is divided by the energy of the stretch where both have sound, so that a long overlap is not
favoured for being long, and is then read against the scatter over all lags: a robust z. The z of all comparisons
are summed. Music repeats by the bar, so the best place has twins: all of them are kept for the finer stages to judge.

**Conventions.** A *lag* is where the clip's first moment lies on the song, in seconds; negative when the clip starts
before the song.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.lineup.chance import law_of_extremes
from partsong.lineup.features import ONSET_RATE_HZ, TONE_RATE_HZ, Envelopes, Halves
from partsong.render.robust import MAD_TO_SIGMA

MOST_CANDIDATES = 8
_PIECE_S = 600.0
APART_S = 0.15
"""Two candidates closer than this are the same place; the finer stages search further than that around each."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place where a clip might sit: its lag in seconds and how far it stands out of all lags (a z-score).

    ``log10_chance`` is how likely it is, as a power of ten, that something else stands out so far anywhere.
    """

    lag_s: float
    z: float
    log10_chance: float = 0.0


def find_places(clip: Envelopes, references: Sequence[Envelopes], *, most: int = MOST_CANDIDATES) -> tuple[Place, ...]:
    """Return up to ``most`` places for a clip, the best first; none when nothing can be compared.

    A long clip is searched in pieces of ten minutes that overlap by half, so that memory does not grow with it.
    """
    frames, piece = clip.onsets.shape[1], round(_PIECE_S * ONSET_RATE_HZ)
    if frames <= piece:
        return _places_in(clip, references, most)
    starts = range(0, frames - piece // 2, piece // 2)
    found = [
        replace(
            place,
            lag_s=place.lag_s - start / ONSET_RATE_HZ,
            log10_chance=min(0.0, place.log10_chance + math.log10(len(starts))),  # each piece is one more try
        )
        for start in starts
        for place in _places_in(clip.part(start, start + piece), references, most)
    ]
    kept: list[Place] = []
    for place in sorted(found, key=lambda place: -place.z):
        if all(abs(place.lag_s - other.lag_s) >= APART_S for other in kept):
            kept.append(place)
    return tuple(kept[:most])


def _places_in(clip: Envelopes, references: Sequence[Envelopes], most: int) -> tuple[Place, ...]:
    scores: list[NDArray[np.float64]] = []
    frames = clip.onsets.shape[1]
    longest = max(reference.onsets.shape[1] for reference in references)
    lags = np.arange(-frames + 1, longest)
    for reference in references:
        fast = standing_out(clip.onsets, reference.onsets, ONSET_RATE_HZ)
        slow = standing_out(clip.tones, reference.tones, TONE_RATE_HZ)
        for (first, z), step in ((fast, 1), (slow, ONSET_RATE_HZ // TONE_RATE_HZ)):
            at = (np.arange(len(z)) + first) * step
            scores.append(np.interp(lags, at, z, left=0.0, right=0.0))
    total = np.sum(scores, axis=0) / np.sqrt(len(scores))
    law = law_of_extremes(total, ONSET_RATE_HZ)
    return tuple(
        Place(
            float(lags[peak]) / ONSET_RATE_HZ, float(total[peak]), law.log10_chance(float(total[peak])) if law else 0.0
        )
        for peak in peaks(total, most)
    )


def standing_out(clip: Halves, reference: Halves, rate_hz: int) -> tuple[int, NDArray[np.float64]]:
    """Correlate two envelopes (bands, frames) at every lag, as robust z-scores.

    Returns
    -------
    first : int
        The lag of the first score, in frames; further scores follow frame by frame.
    z : ndarray, shape (lags,)
        Zero where the overlap is too short to mean anything.
    """
    first, correlation, overlap = normalised_correlation(clip, reference)
    z = correlation * np.sqrt(overlap)
    # Exactly zero is where one side is silent all along: most of a clip may be, and must not set the measure.
    valid = (overlap >= least_overlap(clip.shape[1], reference.shape[1], rate_hz)) & (correlation != 0)
    if not valid.any():
        return first, np.zeros_like(z)
    centre = np.median(z[valid])
    scatter = MAD_TO_SIGMA * np.median(np.abs(z[valid] - centre))
    if scatter <= 1e-9:
        return first, np.zeros_like(z)
    return first, np.where(valid, (z - centre) / scatter, 0.0)


def normalised_correlation(clip: Halves, reference: Halves) -> tuple[int, NDArray[np.float64], NDArray[np.float64]]:
    """Correlate two envelopes (bands, n) and (bands, m) at every lag, divided by the energy of the overlap.

    Returns
    -------
    first : int
        The lag of the first value, 1 - n.
    correlation, overlap : ndarray, shape (n + m - 1,)
        The correlation, between -1 and 1, and the length of the overlap in frames.
    """
    n, m = clip.shape[1], reference.shape[1]
    size = fft.next_fast_len(n + m - 1, real=True)
    product = np.zeros(size // 2 + 1, np.complex64)
    clip_power, reference_power = np.zeros(n), np.zeros(m)
    for clip_half, reference_half in zip(clip, reference, strict=True):  # one band at a time: memory stays small
        clip_band, reference_band = clip_half.astype(np.float32), reference_half.astype(np.float32)
        product += fft.rfft(reference_band, size) * np.conj(fft.rfft(clip_band, size))
        clip_power += clip_band**2
        reference_power += reference_band**2
    circular = fft.irfft(product, size)
    lags = np.arange(1 - n, m)
    raw = circular[lags]  # negative lags lie at the end of the circle
    clip_sum, reference_sum = (np.concatenate([[0.0], np.cumsum(power)]) for power in (clip_power, reference_power))
    start, stop = np.maximum(0, -lags), np.minimum(n, m - lags)
    clip_energy = clip_sum[stop] - clip_sum[start]
    reference_energy = reference_sum[stop + lags] - reference_sum[start + lags]
    energy = np.sqrt(clip_energy * reference_energy)
    # Where either is as good as silent in the overlap, the quotient would be rounding noise.
    least = 1e-6 * np.sqrt(clip_sum[-1] * reference_sum[-1])
    correlation = np.where(energy > least, raw / np.maximum(energy, least or 1.0), 0.0)
    return 1 - n, np.clip(correlation, -1.0, 1.0), (stop - start).astype(np.float64)


def least_overlap(clip_frames: int, reference_frames: int, rate_hz: int) -> float:
    """Return the shortest overlap worth judging: half of the shorter one, but no more than eight seconds are asked."""
    return min(0.5 * min(clip_frames, reference_frames), 8.0 * rate_hz)


def peaks(score: NDArray[np.float64], most: int) -> list[int]:
    """Return the indices of up to ``most`` highest peaks above zero, the highest first, none close to a higher one."""
    inner = (score[1:-1] >= score[:-2]) & (score[1:-1] > score[2:]) & (score[1:-1] > 0)
    at = np.flatnonzero(inner) + 1
    at = at[np.argsort(-score[at], kind="stable")]
    apart = round(APART_S * ONSET_RATE_HZ)
    chosen: list[int] = []
    for peak in at:
        if all(abs(int(peak) - other) >= apart for other in chosen):
            chosen.append(int(peak))
            if len(chosen) == most:
                break
    return chosen
