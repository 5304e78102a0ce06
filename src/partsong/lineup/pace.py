"""How a camera's clock runs, read from when notes start: for takes of which the sound itself tells nothing.

A note's start is known to a few milliseconds at best, since strokes and notes, or two performances, are so far apart
by themselves. Over two minutes and some hundred notes that still tells a clock to some parts in a million; over half a
minute it tells nothing. So the answer comes with its own uncertainty, and where that is large there is none.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from partsong.lineup.features import ONSET_RATE_HZ, Envelopes, Floats
from partsong.lineup.fine import MOST_DRIFT_PPM, correlated_segments, overlap
from partsong.lineup.line import USUAL_DRIFT_PPM

TOLD_PPM = 5.0
"""A drift less certain than this (one standard error) counts as not known: it would be a millisecond in two minutes."""

_SEGMENT_S, _REACH_S, _NEAR_S = 4.0, 0.12, 0.08
_LEAST_SEGMENTS, _MOST_SEGMENTS = 15, 64  # a minute: in less, a few notes can make all stretches agree by luck
_STEP_PPM, _STEP_S = 2.0, 0.001
_MOST_USUAL = 3.0  # no camera strays further than this many usual drifts
_LEFT_OUT = 10  # groups of segments that are left out in turn


def pace(clip: Envelopes, reference: Envelopes, slip_s: float) -> float | None:
    """Return the drift in ppm of a clip whose middle lies at a slip, or None where its onsets do not tell it.

    The onsets of all bands are summed and correlated in stretches of four seconds; the drift along which the stretches
    sum highest is drawn towards zero by as much as its own standard error counts beside that of usual clocks.

    References
    ----------
    Tukey (1958), Ann. Math. Stat. 29, 614, for the standard error: by leaving out a tenth at a time (from memory).
    """
    lag, reach = round(slip_s * ONSET_RATE_HZ), round(_REACH_S * ONSET_RATE_HZ)
    span = overlap(clip.onsets.shape[1], reference.onsets.shape[1], lag)
    length = round(_SEGMENT_S * ONSET_RATE_HZ)
    starts = np.arange(0, len(span) - length + 1, length)
    if len(starts) < _LEAST_SEGMENTS:
        return None
    ours, theirs = _loudening(clip.part(span.start, span.stop)), _loudening(reference)
    starts = starts[:: math.ceil(len(starts) / _MOST_SEGMENTS)]
    rows = correlated_segments(ours, theirs, starts, length, span.start + lag, reach)
    drifts = np.arange(-MOST_DRIFT_PPM, MOST_DRIFT_PPM + _STEP_PPM, _STEP_PPM)
    scores = _scores(rows, (starts - starts.mean()) / ONSET_RATE_HZ, drifts)
    group = np.arange(len(starts)) % _LEFT_OUT
    told = np.array([_best(scores[group != left_out].sum(axis=0), drifts) for left_out in range(_LEFT_OUT)])
    # Under a step of the grid, luck may make all of them alike.
    error_ppm = max(math.sqrt((_LEFT_OUT - 1) * float(told.var())), _STEP_PPM)
    if error_ppm > TOLD_PPM:
        return None
    best = _best(scores.sum(axis=0), drifts)
    if abs(best) > _MOST_USUAL * USUAL_DRIFT_PPM:
        return None
    return float(best * USUAL_DRIFT_PPM**2 / (USUAL_DRIFT_PPM**2 + error_ppm**2))


def _loudening(envelopes: Envelopes) -> Floats:
    return np.asarray(np.sum(envelopes.onsets, axis=0, dtype=np.float32, keepdims=True))


def _scores(rows: NDArray[np.float64], from_middle_s: NDArray[np.float64], drifts: NDArray[np.float64]) -> Floats:
    """Return each segment's correlation along every line: (segments, drifts, offsets)."""
    reach = rows.shape[1] // 2
    lags_s = np.arange(-reach, reach + 1) / ONSET_RATE_HZ
    offsets_s = np.arange(-_NEAR_S, _NEAR_S + _STEP_S / 2, _STEP_S)
    out = np.empty((len(rows), len(drifts), len(offsets_s)), np.float32)
    for number, (row, from_s) in enumerate(zip(rows, from_middle_s, strict=True)):
        at = offsets_s[None] + drifts[:, None] * 1e-6 * from_s
        out[number] = CubicSpline(lags_s, row)(np.clip(at, lags_s[0], lags_s[-1]))
    return out


def _best(total: Floats, drifts: NDArray[np.float64]) -> float:
    highest = total.max(axis=1)
    top = int(np.argmax(highest))
    if not 0 < top < len(drifts) - 1:
        return float(drifts[top])
    before, here, after = (float(value) for value in highest[top - 1 : top + 2])
    bend = before - 2 * here + after
    return float(drifts[top] + (_STEP_PPM * 0.5 * (before - after) / bend if bend < 0 else 0.0))
