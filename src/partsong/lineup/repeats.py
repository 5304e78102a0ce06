"""Where else on the song a clip fits to the sample: loops, and choruses that were copied.

The clip and the reference are *flattened*: in every half second each frequency that is heard keeps its phase and gets
the same level. Stretches of the clip are then correlated with the whole reference. What is the same to the sample
reaches the same height again; the same notes from the same player do not.

A loop tells of itself: its clip repeats to the sample as well. Where it lies behind the rest of a mix is then asked of
all its turns at once (:func:`turns`), since what is hidden in each shows in their sum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.lineup.features import RATE_HZ, Floats, Heard
from partsong.lineup.line import Line
from partsong.render.robust import MAD_TO_SIGMA

FLAT_RATE_HZ = 8000

_WINDOW = 1 << 14  # one second
_LOWEST_HZ, _HIGHEST_HZ = 80.0, 3800.0
_STRETCH_S = 4.0  # a clock 100 ppm off moves by 0.4 ms meanwhile: little at these frequencies
_COARSE = 4  # samples: places are sought in steps of half a millisecond
CLEAR, FAINT = 6.0, 3.0
"""How many scatters high a stretch must correlate on the line to tell of repeats: heard clearly, or hidden in a mix."""

_SAME = 0.6  # of the correlation on the line: another performance reaches a half of it at most
_MOST_REPEATS = 60
_SHORTEST_TURN_S = 0.5
_OWN = 0.25  # what a clip's own sound must correlate with itself, one turn on: played music reaches a tenth
_AS_HIGH = 0.85
_FASTEST_PPM, _PPM_STEP = 120.0, 10.0
_MOST_STRETCHES = 12
_TURNS_STAND_OUT = 14.0  # scatters, of all moments of a turn


def flattened(
    heard: Heard, voice: int, start: int = 0, length: int | None = None, *, window: int = _WINDOW
) -> Floats:
    """Return a voice, or ``length`` samples of it, at 8 kHz with all heard frequencies level and their own phases.

    Stretches 60 dB below the loudest stay silent.
    """
    length = len(heard.samples) if length is None else length
    half = window // 2
    count = math.ceil(length / half) + 1
    shape = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(window) / window)).astype(np.float32)
    kept = window // 4 + 1  # up to half of 8 kHz
    bins_hz = np.arange(kept) * RATE_HZ / window
    within = (bins_hz >= _LOWEST_HZ) & (bins_hz < _HIGHEST_HZ)
    loud = np.array([_level(heard.window(voice, start + (number - 1) * half, window)) for number in range(count)])
    out = np.zeros((count + 1) * half // 2, np.float32)
    for number in np.flatnonzero(loud > max(1e-3 * float(loud.max()), 1e-6)):
        sound = heard.window(voice, start + (int(number) - 1) * half, window)
        spectrum = fft.rfft((sound - sound.mean()) * shape)[:kept]
        size = np.abs(spectrum)
        used = within & (size > 3e-4 * size.max())  # below -70 dB it is rounding
        spectrum = np.where(used, spectrum / np.maximum(size, 1e-20), 0)
        out[number * half // 2 :][:half] += fft.irfft(spectrum, half).astype(np.float32)
    return out[half // 2 :][: length // 2]


def find_repeats(clip: Heard, voice: int, reference: Floats, line: Line, *, least: float = CLEAR) -> tuple[float, ...]:
    """Return by how many seconds the clip could be moved from a line and fit the reference exactly as well.

    Only what is the same to the sample does: loops, and choruses that were copied. In a mix the rest of it hides much
    of that; asked for what is ``FAINT``, some of the moves told are luck. Four stretches of the clip are compared with
    the whole of the flattened reference; ``line`` is where the clip was found.
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
        if near > least * MAD_TO_SIGMA * float(np.median(np.abs(row[::7]))):
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


@dataclass(frozen=True, slots=True)
class Turns:
    """The places of a loop on a song: lines that differ by whole turns, the best founded first."""

    turn_s: float
    lines: tuple[Line, ...]
    z: float


def own_turn_s(flat: Floats) -> float | None:
    """Return after how many seconds a flattened clip is the same again to the sample; None where it never is."""
    n = len(flat)
    size = fft.next_fast_len(2 * n, real=True)
    spectrum = fft.rfft(flat, size)
    # Four steps a sample: a turn need not be whole samples, and half of one would hide a third of it.
    alike = 4 * fft.irfft(spectrum.real**2 + spectrum.imag**2, 4 * size)[: 2 * n]
    first = round(4 * _SHORTEST_TURN_S * FLAT_RATE_HZ)
    if alike[0] <= 0 or len(alike) <= first:
        return None
    power = np.concatenate([[0.0], np.cumsum(np.square(flat, dtype=np.float64))])
    lags = np.arange(len(alike)) // 4  # what overlaps itself: all but the last lag, and all but the first
    share = alike / np.maximum(np.sqrt(power[n - lags] * (power[n] - power[lags])), 1e-9 * alike[0])
    high = float(share[first:].max())
    if high < _OWN:
        return None
    top = first + int(np.flatnonzero(share[first:] >= _AS_HIGH * high)[0])  # two turns are alike as well
    top = max(top - 8, first) + int(np.argmax(share[max(top - 8, first) : top + 9]))
    return top / (4 * FLAT_RATE_HZ)


def turns(flat: Floats, turn_s: float, reference: Floats) -> Turns | None:
    """Return where a clip that repeats itself lies on a reference that holds the loop; None where no turn stands out.

    Parameters
    ----------
    flat, reference : ndarray, shapes (n,) and (m,)
        The clip and the stem or mix, both from :func:`flattened`.
    turn_s : float
        Of :func:`own_turn_s`.

    Notes
    -----
    Each stretch of the clip is correlated with the whole reference, and the correlations of all stretches and all turns
    are laid over each other, for every clock within 120 parts in a million. All turns fit alike, so at which of them
    the clip lies is not said; that its turns are founded differently well says only where the loop plays.
    """
    size = round(_STRETCH_S * FLAT_RATE_HZ)
    if len(flat) < size:
        return None
    starts = np.linspace(0, len(flat) - size, min(len(flat) // size, _MOST_STRETCHES)).astype(np.int64)
    rows = _correlations(flat, starts, size, reference)
    at_s = np.arange(rows.shape[1]) * _COARSE / FLAT_RATE_HZ
    best: tuple[float, float, float] | None = None
    for ppm in np.arange(-_FASTEST_PPM, _FASTEST_PPM + 1, _PPM_STEP).tolist():
        pace = 1 + ppm * 1e-6
        bins = max(round(turn_s * pace * FLAT_RATE_HZ / _COARSE), 1)
        laid, often = np.zeros(bins), np.zeros(bins)
        for start, row in zip(starts, rows, strict=True):
            phase = np.mod((at_s - start / FLAT_RATE_HZ * pace) / (turn_s * pace), 1)
            place = np.minimum((phase * bins).astype(np.int64), bins - 1)
            laid += np.bincount(place, row, bins)
            often += np.bincount(place, minlength=bins)
        laid /= np.sqrt(np.maximum(often, 1))
        z = (laid - np.median(laid)) / max(MAD_TO_SIGMA * float(np.median(np.abs(laid - np.median(laid)))), 1e-12)
        top = int(np.argmax(z))
        if best is None or z[top] > best[0]:
            best = float(z[top]), float(ppm), (top + 0.5) / bins * turn_s * pace
    if best is None or best[0] < _TURNS_STAND_OUT:
        return None
    z, ppm, phase_s = best
    pace = 1 + ppm * 1e-6
    whole_s, song_s = len(flat) / FLAT_RATE_HZ, len(reference) / FLAT_RATE_HZ
    least_s = min(_STRETCH_S, whole_s / 2)  # of the clip that lies on the song
    numbers = np.arange(
        math.ceil((least_s - whole_s - phase_s) / (turn_s * pace)), (song_s - least_s - phase_s) / (turn_s * pace)
    )
    lines = [Line(phase_s + float(number) * turn_s * pace, ppm) for number in numbers]
    founded = [_founded(rows, starts, line) for line in lines]
    order = np.argsort(founded, kind="stable")[::-1][:_MOST_REPEATS]
    return Turns(turn_s * pace, tuple(lines[number] for number in order), z)


def _correlations(flat: Floats, starts: NDArray[np.int64], size: int, reference: Floats) -> Floats:
    """Return each stretch's correlation with the reference, in its own scatters: (stretches, half milliseconds)."""
    padded = fft.next_fast_len(len(reference) + size, real=True)
    spectrum = fft.rfft(reference, padded)
    length = len(reference) // _COARSE
    rows = []
    for start in starts:
        row = fft.irfft(spectrum * np.conj(fft.rfft(flat[start : start + size], padded)), padded)
        row = row[: length * _COARSE].reshape(-1, _COARSE).max(axis=1)
        row = row - np.median(row)
        rows.append(row / max(MAD_TO_SIGMA * float(np.median(np.abs(row))), 1e-12))
    return np.array(rows, np.float32)


def _founded(rows: Floats, starts: NDArray[np.int64], line: Line) -> float:
    """Return how high the stretches correlate where a line puts them, within two milliseconds."""
    total = 0.0
    for start, row in zip(starts, rows, strict=True):
        place = round(line.song_s(start / FLAT_RATE_HZ) * FLAT_RATE_HZ / _COARSE)
        near = row[max(place - 4, 0) : max(place + 5, 0)]
        total += float(near.max()) if near.size else 0.0
    return total


def _level(window: Floats) -> float:
    return math.sqrt(float(np.vdot(window, window)) / len(window))
