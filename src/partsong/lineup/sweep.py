"""Where on the whole song the sound itself fits, found without the help of onsets.

Noise, a large hall, or an instrument without attacks can hide a clip's onsets where its phases still tell the place:
what a single window shows too faintly, many windows show together. The clip and the reference are *flattened* first:
in every half second each frequency that is heard keeps its phase and gets the same level. Stretches of four seconds
are then correlated with the whole reference, and summed along straight lines: one for every start and every drift.
How far the best sum lies beyond the law that all others follow says how likely it is to be chance.

**Conventions.** A *lag* is the slip of the clip's middle, in seconds: its song time less its media time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.lineup.chance import law_of_extremes
from partsong.lineup.features import RATE_HZ, Floats, Heard
from partsong.lineup.line import Line
from partsong.render.robust import MAD_TO_SIGMA

FLAT_RATE_HZ = 8000
MOST_DRIFT_PPM = 150.0
LONGEST_S = 900.0
"""Clips longer than this are not swept: few of their stretches would hold song, and the rest would be work in vain."""

_WINDOW = 1 << 14  # one second
_LOWEST_HZ, _HIGHEST_HZ = 80.0, 3800.0
_STRETCH_S = 4.0  # a clock 100 ppm off moves by 0.4 ms meanwhile: little at these frequencies
_MOST_STRETCHES = 12
_FINE, _COARSE = 2, 4  # samples: lines are tried in steps of a quarter of a millisecond, or of half a one
_SHORT_S = 60.0  # clips up to this long can afford the finer steps, and need them
_HIGH = 9.0  # what a stretch counts above this many scatters is damped, so that a loud one does not decide alone
_BLOCK_S = 0.3
_FOUND = 6.0  # a stretch whose correlation on the line is not this many scatters high tells nothing of repeats
_SAME = 0.6  # of the correlation on the line: another performance reaches a half of it at most
_MOST_REPEATS = 60


@dataclass(frozen=True, slots=True)
class Fit:
    """A place: its line, and the power of ten of the chance that something else fits anywhere as well."""

    line: Line
    log10_chance: float


def flattened(heard: Heard, voice: int, start: int = 0, length: int | None = None) -> Floats:
    """Return a voice, or ``length`` samples of it, at 8 kHz with all heard frequencies level and their own phases.

    Stretches 60 dB below the loudest stay silent.
    """
    length = len(heard.samples) if length is None else length
    half = _WINDOW // 2
    count = math.ceil(length / half) + 1
    shape = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(_WINDOW) / _WINDOW)).astype(np.float32)
    kept = _WINDOW // 4 + 1  # up to half of 8 kHz
    bins_hz = np.arange(kept) * RATE_HZ / _WINDOW
    within = (bins_hz >= _LOWEST_HZ) & (bins_hz < _HIGHEST_HZ)
    loud = np.array([_level(heard.window(voice, start + (number - 1) * half, _WINDOW)) for number in range(count)])
    out = np.zeros((count + 1) * half // 2, np.float32)
    for number in np.flatnonzero(loud > max(1e-3 * float(loud.max()), 1e-6)):
        window = heard.window(voice, start + (int(number) - 1) * half, _WINDOW)
        spectrum = fft.rfft((window - window.mean()) * shape)[:kept]
        size = np.abs(spectrum)
        used = within & (size > 3e-4 * size.max())  # below -70 dB it is rounding
        spectrum = np.where(used, spectrum / np.maximum(size, 1e-20), 0)
        out[number * half // 2 :][:half] += fft.irfft(spectrum, half).astype(np.float32)
    return out[half // 2 :][: length // 2]


def sweep(clip: Floats, reference: Floats, *, most: int = 4) -> tuple[Fit, ...]:
    """Return the places where a flattened clip fits a flattened reference, the best first; none where too short."""
    size = round(_STRETCH_S * FLAT_RATE_HZ)
    if len(clip) < 3 * size:
        size = max(len(clip) // 3, FLAT_RATE_HZ // 2)
    if len(clip) < 3 * size or len(reference) < size:
        return ()
    starts = np.rint(np.linspace(0, len(clip) - size, min(_MOST_STRETCHES, len(clip) // size))).astype(int)
    pool = _FINE if len(clip) <= _SHORT_S * FLAT_RATE_HZ else _COARSE
    rows, at = _rows(clip, reference, starts, size, pool)
    centres_s = (starts + size / 2) / FLAT_RATE_HZ
    lags = (len(clip) + len(reference)) // pool + 2
    score, drift_ppm = _along_lines(rows, at, lags, centres_s, pool / FLAT_RATE_HZ)
    heard = _sum((row != 0 for row in rows), at, lags).astype(int)
    score = np.where(heard >= max(2, len(starts) / 4), score / np.sqrt(np.maximum(heard, 1)), 0.0)
    middle_s = float(centres_s.mean())
    fits = []
    block = round(_BLOCK_S * FLAT_RATE_HZ / pool)
    law = law_of_extremes(score, block)
    if law is None:
        return ()
    for _ in range(most):
        top = int(np.argmax(score))
        if score[top] <= 0:
            break
        slip_s = ((top + 0.5) * pool - len(clip)) / FLAT_RATE_HZ
        drift = float(drift_ppm[top])
        fits.append(Fit(Line(slip_s - drift * 1e-6 * middle_s, drift), law.log10_chance(float(score[top]))))
        score[max(top - block // 2, 0) : top + block // 2] = 0.0
    return tuple(fits)


def repeats(clip: Heard, voice: int, reference: Floats, line: Line) -> tuple[float, ...]:
    """Return by how many seconds the clip could be moved from a line and fit the reference exactly as well.

    Only what is the same to the sample does: loops, and choruses that were copied. Four stretches of the clip are
    compared with the whole of the flattened reference; ``line`` is where the clip was found.
    """
    size = round(_STRETCH_S * RATE_HZ)
    first = max(0, round(-line.start_s * RATE_HZ))
    stop = min(len(clip.samples), round((2 * len(reference) / RATE_HZ - line.start_s) * RATE_HZ))
    if stop - first < size:
        return ()
    padded = fft.next_fast_len(len(reference) + size // 2, real=True)
    spectrum = fft.rfft(reference, padded)
    shares = []
    for start in np.rint(np.linspace(first, stop - size, min(4, (stop - first) // size))).astype(int):
        stretch = flattened(clip, voice, int(start), size)
        row = fft.irfft(spectrum * np.conj(fft.rfft(stretch, padded)), padded)
        here = round(line.song_s(start / RATE_HZ) * FLAT_RATE_HZ)
        near = row[np.arange(here - 8, here + 9) % padded].max()
        if near > _FOUND * MAD_TO_SIGMA * float(np.median(np.abs(row[::7]))):
            moved = np.roll(row / near, -here)  # index 0: no move
            shares.append(np.minimum(moved[: padded // _COARSE * _COARSE].reshape(-1, _COARSE).max(axis=1), 1.0))
    if not shares:
        return ()
    share = np.mean(shares, axis=0)
    share[: round(0.15 * FLAT_RATE_HZ / _COARSE)] = share[-round(0.15 * FLAT_RATE_HZ / _COARSE) :] = 0
    moves: list[float] = []
    while len(moves) < _MOST_REPEATS and share.max() >= _SAME:
        top = int(np.argmax(share))
        share[max(top - 600, 0) : top + 600] = 0
        seconds = top * _COARSE / FLAT_RATE_HZ
        # The circle of the transform: what lies before the line comes at its end.
        reach_s = len(reference) / FLAT_RATE_HZ - line.song_s(first / RATE_HZ)
        moves.append(seconds if seconds <= reach_s else seconds - padded / FLAT_RATE_HZ)
    return tuple(moves)


def _level(window: Floats) -> float:
    return math.sqrt(float(np.vdot(window, window)) / len(window))


def _rows(
    clip: Floats, reference: Floats, starts: NDArray[np.int_], size: int, pool: int
) -> tuple[Floats, NDArray[np.int_]]:
    """Correlate stretches of the clip with the whole reference: (stretches, lags), and each row's first lag.

    Lags are counted in steps of ``pool`` from ``-len(clip)``. A row holds only those at which its stretch meets the
    reference, so that memory does not grow with the clip.
    """
    padded = fft.next_fast_len(len(reference) + size, real=True)
    spectrum = fft.rfft(reference, padded)
    out = np.zeros((len(starts), (size + len(reference)) // pool + 1), np.float32)
    firsts = len(clip) - size - starts  # the place of lag -size of each stretch
    for row, start, first in zip(out, starts, firsts, strict=True):
        stretch = clip[start : start + size]
        circular = fft.irfft(spectrum * np.conj(fft.rfft(stretch, padded)), padded)
        scatter = MAD_TO_SIGMA * float(np.median(np.abs(circular[::7])))
        if scatter <= 0:
            continue
        missing = first % pool
        lags = np.concatenate([np.zeros(missing, np.float32), circular[-size:], circular[: len(reference)]]) / scatter
        pooled = _damped(lags[: len(lags) // pool * pool].reshape(-1, pool).max(axis=1))
        row[: len(pooled)] = pooled
    return out, firsts // pool


def _damped(row: Floats) -> Floats:
    over = np.maximum(row - _HIGH, 0.0)
    return np.asarray(np.minimum(row, _HIGH) + np.sqrt(over), np.float32)


def _along_lines(
    rows: Floats, at: NDArray[np.int_], lags: int, centres_s: NDArray[np.float64], step_s: float
) -> tuple[Floats, Floats]:
    """Return for each lag the highest sum of any drift, and that drift in ppm."""
    from_mean = centres_s - centres_s.mean()
    steps = max(1, math.ceil(MOST_DRIFT_PPM * 1e-6 * float(np.abs(from_mean).max()) / step_s))
    best, drifts = np.full(lags, -np.inf, np.float32), np.zeros(lags, np.float32)
    seen: set[tuple[int, ...]] = set()
    for drift in np.linspace(-MOST_DRIFT_PPM, MOST_DRIFT_PPM, 2 * steps + 1):
        shifts = tuple(int(shift) for shift in np.rint(drift * 1e-6 * from_mean / step_s))
        if shifts in seen:
            continue
        seen.add(shifts)
        total = _sum(rows, at - np.array(shifts), lags)
        better = total > best
        best[better], drifts[better] = total[better], drift
    return best, drifts


def _sum(rows: Iterable[Floats | NDArray[np.bool_]], at: NDArray[np.int_], lags: int) -> Floats:
    """Add up rows, each from its own place on; what lies outside is left out."""
    total = np.zeros(lags, np.float32)
    for row, first in zip(rows, at, strict=True):
        inside = row[max(-first, 0) : max(lags - first, 0)]
        total[max(first, 0) :][: len(inside)] += inside
    return total
