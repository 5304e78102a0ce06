"""What a take's own sound tells: there or not, cut off at full scale, mains hum, the guide's sync cues. Pure.

The take's studio recording is the record; this sound only lines the take up. So most of what is found here is worth a
look and no reason to shoot again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.media.cues import CUE_HIGH_HZ, CUE_LOW_HZ, CUE_S, CueKind, cue_sound

RATE_HZ = 12_000
"""What the sound is heard at; full scale is looked for at the file's own rate."""

SILENT_DBFS = -75.0
_FULL = 0.9985
_CUT_RUN = 3  # samples at full scale one after another: a wave that only touches it has fewer
_CUE_LIKENESS = 0.25  # noise reaches 0.1, music was seen to reach 0.15
_HUM_DB = 12.0
_HUM_WINDOW_S = 1.0
_HUM_LEAST_DBFS = -80.0
_HARMONICS = (1, 2, 3, 4, 5, 6)


@dataclass(frozen=True, slots=True)
class Heard:
    """The sound of a take in short.

    ``level_dbfs`` is its loudest second (root mean square), ``cut_off`` how many times it stays at full scale,
    ``first_cut_s`` when it first does, ``silent_channels`` those without sound, ``hum`` (frequency, level in dBFS)
    or None, ``cues`` (kind, time in s).
    """

    level_dbfs: float
    cut_off: int
    first_cut_s: float | None
    silent_channels: tuple[int, ...]
    hum: tuple[int, float] | None
    cues: tuple[tuple[CueKind, float], ...]


def hear(blocks: Iterable[NDArray[np.float32]], rate_hz: int) -> Heard:
    """Listen to a take.

    Parameters
    ----------
    blocks : iterable of array, shape (n, channels)
        Its sound at the file's own rate, full scale 1.
    rate_hz : int
        That rate; a multiple of 12 kHz is heard most cheaply.
    """
    step = max(1, rate_hz // RATE_HZ)
    loudest = np.zeros(1)
    kept: list[NDArray[np.float32]] = []
    cut, first_cut_s, done = 0, None, 0
    left = np.zeros(0, np.float32)
    for block in blocks:
        channels = np.ascontiguousarray(block.T)  # a sum along short rows costs ten times as much
        power = np.sqrt(np.square(channels, dtype=np.float64).mean(axis=1))
        loudest = np.maximum(loudest, power) if len(loudest) == len(power) else power
        runs = _full_scale_runs(channels)
        if len(runs):
            first_cut_s = (done + int(runs[0])) / rate_hz if first_cut_s is None else first_cut_s
            cut += len(runs)
        done += len(block)
        mono = np.concatenate([left, sum(channels) / np.float32(len(channels))])
        whole = len(mono) // step * step
        # A mean of neighbours is filter enough for what is listened for below 4.5 kHz.
        kept.append(sum(mono[:whole].reshape(-1, step).T) / np.float32(step))
        left = mono[whole:]
    sound = np.concatenate(kept) if kept else np.zeros(0, np.float32)
    rate = rate_hz / step
    levels = 20 * np.log10(np.maximum(loudest, 1e-9))
    silent = tuple(int(n) for n in np.flatnonzero(levels < SILENT_DBFS))
    return Heard(float(levels.max()), cut, first_cut_s, silent, find_hum(sound, rate), find_cues(sound, rate))


def find_hum(sound: NDArray[np.float32], rate_hz: float) -> tuple[int, float] | None:
    """Return mains hum as (50 or 60, level in dBFS), or None.

    Hum is there in every moment and music is not, so each frequency is judged by its quietest moments. Two or more
    harmonics of the mains must stand above their neighbours.
    """
    size = round(_HUM_WINDOW_S * rate_hz)
    if len(sound) < 4 * size:
        return None
    starts = range(0, len(sound) - size + 1, size // 2)
    window = np.hanning(size)
    scale = 2 / window.sum()
    spectra = np.stack([np.abs(fft.rfft(sound[start : start + size] * window)) * scale for start in starts])
    quiet = np.percentile(spectra, 10, axis=0)
    found = []
    for mains in (50, 60):
        levels = []
        for harmonic in _HARMONICS:
            at = round(mains * harmonic * size / rate_hz)
            reach = round(8 * size / rate_hz)
            line = float(quiet[at - 1 : at + 2].max())
            around = np.r_[quiet[at - reach : at - 4], quiet[at + 5 : at + reach + 1]]
            if 20 * np.log10(max(line, 1e-12) / max(float(np.median(around)), 1e-12)) >= _HUM_DB:
                levels.append(line)
        level = 20 * np.log10(max(float(np.sqrt(np.square(levels).sum() / 2)), 1e-12)) if levels else -200.0
        if len(levels) >= 2 and level >= _HUM_LEAST_DBFS:
            found.append((len(levels), mains, level))
    return max(found)[1:] if found else None


def find_cues(sound: NDArray[np.float32], rate_hz: float) -> tuple[tuple[CueKind, float], ...]:
    """Return the guide's sync cues heard, as (kind, time in s), the best hearing of each kind.

    Likeness is the correlation with the cue over the sound's own energy in the cue's band, as in line-up.
    """
    length = round(float(CUE_S) * rate_hz)
    if len(sound) < 2 * length:
        return ()
    size = fft.next_fast_len(len(sound) + length, real=True)
    spectrum = fft.rfft(sound, size)
    frequencies = fft.rfftfreq(size, 1 / rate_hz)
    spectrum[(frequencies < CUE_LOW_HZ) | (frequencies > CUE_HIGH_HZ)] = 0
    band = fft.irfft(spectrum, size)[: len(sound)]
    energy = np.concatenate([[0.0], np.cumsum(np.square(band, dtype=np.float64))])
    own = np.sqrt(np.maximum(energy[length:] - energy[:-length], 1e-12 * max(float(energy[-1]), 1e-12)))
    heard: list[tuple[CueKind, float]] = []
    kinds: tuple[CueKind, ...] = ("head cue", "tail cue")
    for kind in kinds:
        cue = cue_sound(kind, round(rate_hz))
        match = fft.irfft(spectrum * np.conj(fft.rfft(cue / np.linalg.norm(cue), size)), size)[: len(own)]
        likeness = np.abs(match) / own
        best = int(likeness.argmax())
        if likeness[best] >= _CUE_LIKENESS:
            heard.append((kind, best / rate_hz))
    return tuple(heard)


def _full_scale_runs(channels: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return where any of some channels, a row each, stays at full scale for some samples."""
    level = np.abs(channels)
    if level.max(initial=0.0) < _FULL:
        return np.zeros(0, np.intp)
    full: NDArray[np.bool_] = np.asarray((level >= _FULL).any(axis=0))
    long = full[: len(full) - _CUT_RUN + 1].copy()
    for shift in range(1, _CUT_RUN):
        long &= full[shift : len(full) - _CUT_RUN + 1 + shift]
    return np.flatnonzero(long & ~np.r_[False, long[:-1]])
