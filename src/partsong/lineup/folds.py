"""A loop behind a mix: the mix is laid over itself turn by turn, until what repeats to the sample stands out.

A machine's turns are one waveform; players hit no note twice to the sample. So the mix tells, near the length that the
clip tells, how long a turn is to a ten-millionth, and the turns' average holds the loop and little else. Whether it is
the clip's loop shows in whether a room could have made the clip's turn of it; where it begins and ends, in how much of
it each turn of the mix holds.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, linalg, ndimage, signal

from partsong.lineup.features import Floats, Heard
from partsong.lineup.repeats import (
    CELLS,
    FLAT_RATE_HZ,
    Loop,
    Turns,
    agreement,
    by_cell,
    flattened,
    loop_of,
    turns_on,
)
from partsong.render.robust import MAD_TO_SIGMA

_PPM, _STEP_PPM, _LIKE_PPM = 150.0, 0.1, 6.0
_MOST_CLOCKS = 3  # notes that fall on a grid can repeat to the sample as well, at a length close by
_LONGEST_LAG = 0.7  # of the mix
_FEWEST_TURNS = 4  # of a mix, between which lies what they have in common
_WINDOW = 512  # samples, 32 ms
_ROUNDS = 5
_ROOM_S, _EARLY_S = 0.1, 0.005
_FINER = 8
_STANDS_OUT = 10.0
_HALF_HELD, _A_GAIN = 0.5, 7.0
_LEAST_TOLD, _MOST_TOLD = -3.5, 2.5
_LOUD = 0.5  # of the mean power of the clip's cells
_CORRELATE, _THEN_ALIKE = (0.0, 0.15, 0.4), (0.0, 0.27, 1.0)  # where the clip is loud
_USUAL, _THEN_SILENT = (0.5, 0.8, 1.0), (1.0, 0.8, 0.1)  # where it is silent


@dataclass(frozen=True, slots=True)
class _Fold:
    """One turn of a mix at its own clock, flattened, with the clip's turn beside it: turns are ``turn`` samples long.

    ``phase`` is where the clip's turn begins, ``z`` how far that stands out of all other phases.
    """

    turn: float
    average: NDArray[np.float64]
    own: NDArray[np.float64]
    phase: int
    z: float


def turns_behind(flat: Floats, turn_s: float, mix: Floats, mix_flat: Floats) -> Turns | None:
    """Return where a clip that repeats itself lies on a mix that holds the loop; None where no turn stands out.

    Parameters
    ----------
    flat, mix_flat : ndarray, shapes (n,) and (m,)
        The clip and the mix, both from :func:`partsong.lineup.repeats.flattened`.
    turn_s : float
        Of :func:`partsong.lineup.repeats.own_turn_s`.
    mix : ndarray, shape (2 m,)
        The mix itself, at 16 kHz.
    """
    if len(flat) < round(4 * FLAT_RATE_HZ) or len(mix_flat) < _FEWEST_TURNS * turn_s * FLAT_RATE_HZ:
        return None
    loop = loop_of(flat, turn_s)
    clocks = _clocks(mix_flat, turn_s * FLAT_RATE_HZ)
    fold = max((_folded(mix, turn, loop, turn_s) for turn in clocks), key=lambda one: one.z)
    if fold.z < _STANDS_OUT:
        return None
    many, most = len(loop.heard), math.ceil(len(mix_flat) / fold.turn)
    first = -math.ceil(fold.phase / fold.turn)  # the turn in which the mix begins
    gains = _gains(mix, 2 * fold.turn, 2 * (fold.phase + first * fold.turn))
    odds = np.zeros((most + 2 * many, CELLS))
    usual = _usual(gains)
    odds[:] = _odds(np.zeros(CELLS), usual)
    kept = _odds(gains, usual)[: len(odds) - many - first]
    odds[many + first :][: len(kept)] = kept
    ppm = (fold.turn / (turn_s * FLAT_RATE_HZ) - 1) * 1e6
    agree = agreement(loop, odds)
    starts_s = (fold.phase + np.arange(-many, len(agree) - many) * fold.turn) / FLAT_RATE_HZ
    lines, lead = turns_on(starts_s, agree, ppm, len(flat) / FLAT_RATE_HZ, len(mix_flat) / FLAT_RATE_HZ)
    return Turns(fold.turn / FLAT_RATE_HZ, lines, fold.z, lead, _alike(fold, usual))


def _clocks(flat: Floats, turn: float) -> list[float]:
    """Return the lengths near a turn's at whose multiples a mix is most like itself, the best first."""
    size = fft.next_fast_len(2 * len(flat), real=True)
    spectrum = fft.rfft(flat, size)
    alike = np.asarray(fft.irfft(spectrum * spectrum.conj(), size))
    lengths = turn * (1 + 1e-6 * np.arange(-_PPM, _PPM, _STEP_PPM))
    total = np.zeros(len(lengths))
    for number in range(1, max(1, int(_LONGEST_LAG * len(flat) / turn)) + 1):
        middle, reach = round(number * turn), math.ceil(number * turn * 1.1e-6 * _PPM) + 40
        near = alike[middle - reach : middle + reach + 1]
        around = alike[max(middle - FLAT_RATE_HZ // 2, 1) : middle + FLAT_RATE_HZ // 2]
        finer = _finer(near / max(float(np.median(np.abs(around))), 1e-12))
        total += np.interp(number * lengths, np.arange(len(finer)) / _FINER + middle - reach, finer)
    clocks = []
    for _ in range(_MOST_CLOCKS):
        top = int(np.argmax(total))
        clocks.append(float(lengths[top]))
        total[np.abs(lengths / lengths[top] - 1) < 1e-6 * _LIKE_PPM] = -np.inf
    return clocks


def _finer(sound: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return a circular sound at eight times its rate."""
    spectrum = fft.rfft(np.asarray(sound, np.float64))
    return np.asarray(fft.irfft(spectrum, _FINER * len(sound)) * _FINER)


def _folded(mix: Floats, turn: float, loop: Loop, turn_s: float) -> _Fold:
    """Return a mix's average turn beside the clip's, at a clock, ``turn`` being samples at 8 kHz."""
    size = round(2 * turn)
    out, weight = np.zeros(size + 2 * _WINDOW), np.zeros(size + 2 * _WINDOW)
    for at, spectra in _frames(mix, 2 * turn, 0.0):
        in_their_midst, _ = _average(spectra)
        for start, frame in zip(at, fft.irfft(in_their_midst, _WINDOW, axis=1) * _shape(), strict=True):
            out[start : start + _WINDOW] += frame
            weight[start : start + _WINDOW] += _shape() ** 2
    half = _WINDOW // 2
    for one in (out, weight):  # what hangs over the turn's ends
        one[size : size + half] += one[:half]
        one[half : 3 * half] += one[size + half : size + 3 * half]
    once = (out[half : size + half] / np.maximum(weight[half : size + half], 1e-3)).astype(np.float32)
    even = len(once) // 2 * 2
    thrice = Heard(np.tile(once[:even], 3)[:, None], np.ones((1, 1), np.float32), ())
    average = flattened(thrice, 0)[even // 2 : even].astype(np.float64)
    finer = _finer(loop.once)
    at_clock = np.arange(len(average)) * (turn_s * FLAT_RATE_HZ / turn) * _FINER
    own = np.interp(at_clock, np.arange(len(finer)), finer)
    row = fft.irfft(fft.rfft(average) * np.conj(fft.rfft(own)), len(average))
    phase = int(np.argmax(row))
    z = float(row[phase]) / max(MAD_TO_SIGMA * float(np.median(np.abs(row))), 1e-12)
    return _Fold(turn, np.roll(average, -phase), own, phase, z)


@cache
def _shape() -> Floats:
    return np.sqrt(0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(_WINDOW) + 0.5) / _WINDOW)).astype(np.float32)


def _frames(mix: Floats, turn: float, first: float) -> Iterator[tuple[NDArray[np.int64], NDArray[np.complex64]]]:
    """Yield the spectra of all turns from ``first`` on, a sixteenth of a turn after the other: (turns, frames, bins).

    Beside them, where in a turn its frames lie, half a window late.
    """
    size, many = round(turn), math.ceil((len(mix) - first) / turn)
    frames = CELLS * max(1, round(size / CELLS / (_WINDOW / 2)))
    at = np.rint(np.arange(frames) * size / frames).astype(np.int64)
    for cell in np.array_split(at, CELLS):
        low, length = int(cell[0]), int(cell[-1] - cell[0]) + _WINDOW
        starts = first + np.arange(many) * turn + low - _WINDOW // 2
        whole = np.rint(starts).astype(np.int64)
        sounds = np.zeros((many, length), np.float32)
        for sound, start in zip(sounds, whole.tolist(), strict=True):
            near = mix[max(start, 0) : max(start + length, 0)]
            sound[max(-start, 0) :][: len(near)] = near
        spectra = fft.rfft(sounds[:, (cell - low)[:, None] + np.arange(_WINDOW)] * _shape())
        between = np.exp(2j * np.pi / _WINDOW * (starts - whole)[:, None] * np.arange(_WINDOW // 2 + 1))
        spectra *= between.astype(np.complex64)[:, None]
        yield cell, spectra


def _average(spectra: NDArray[np.complex64]) -> tuple[NDArray[np.complex64], Floats]:
    """Return what lies in the midst of all turns, frame by frame and bin by bin, and how much each turn counts.

    References
    ----------
    Weiszfeld (1937), Tohoku Math. J. 43, 355, for the point of least summed distance (from memory).
    """
    power = np.abs(spectra) ** 2
    weights = 1 / np.sqrt(power + 1e-3 * power.mean(axis=0) + 1e-12)
    average = (weights * spectra).sum(axis=0) / weights.sum(axis=0)
    for _ in range(_ROUNDS):
        away = np.abs(spectra - average)
        weights = 1 / (away + 0.1 * _median(away) + 1e-9)
        average = (weights * spectra).sum(axis=0) / weights.sum(axis=0)
    return average, weights


def _median(values: Floats) -> Floats:
    """Return the median along the first axis; in a seventh of the time that NumPy takes for one of few values."""
    half = (len(values) - 1) // 2
    ordered = np.sort(values, axis=0)
    return np.asarray((ordered[half] + ordered[len(values) // 2]) / 2)


def _gains(mix: Floats, turn: float, first: float) -> NDArray[np.float64]:
    """Return how much of the other turns' average each cell of each turn holds: (turns, cells), 1 where all of it.

    Bins count by how far the average stands out of what else sounds there.
    """
    out = []
    for _, spectra in _frames(mix, turn, first):
        average, weights = _average(spectra)
        others = (weights.sum(axis=0) * average - weights * spectra) / np.maximum(weights.sum(axis=0) - weights, 1e-12)
        own = np.abs(others) ** 2
        rest = np.minimum(np.abs(spectra) ** 2, np.abs(spectra - others) ** 2)
        rest = ndimage.uniform_filter(rest, (0, 3, 5)) + 1e-3 * own + 1e-14
        held = (np.conj(others) * spectra).real
        out.append((held / rest).sum(axis=(1, 2)) / np.maximum((own / rest).sum(axis=(1, 2)), 1e-12))
    return np.asarray(np.stack(out, axis=1), np.float64)


def _usual(gains: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what each cell holds of the average where the loop is heard: 1 where that is nothing but the loop."""
    whole = gains.mean(axis=1)
    return np.asarray(np.maximum(gains[whole > 0.5 * float(np.median(whole))].mean(axis=0), 0))


def _odds(gains: NDArray[np.float64], usual: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much likelier each cell of each turn holds the loop than not, as a logarithm of odds.

    What a cell's average holds beside the loop comes and goes with other parts, so a cell tells as much as its average
    is the loop.
    """
    return np.asarray(usual**3 * np.clip(_A_GAIN * (gains - _HALF_HELD), _LEAST_TOLD, _MOST_TOLD))


def _alike(fold: _Fold, usual: NDArray[np.float64]) -> float:
    """Return how alike a clip's turn is to the mix's, as a room could have made it of that: 1 where all of it is.

    The room's response is what fits all cells but the one in question best. Where the clip is loud, a cell is as alike
    as it correlates with that; where it is silent, as little as the mix's average is the loop alone there. So a stroke
    that only one of them has tells two loops apart.
    """
    size, taps, early = len(fold.average), round(_ROOM_S * FLAT_RATE_HZ), round(_EARLY_S * FLAT_RATE_HZ)
    edges = np.linspace(0, size, CELLS + 1).astype(np.int64)
    around = np.pad(fold.average, (taps - early - 1, early), mode="wrap")
    cells = [(slice(start, stop), around[start : stop + taps - 1]) for start, stop in itertools.pairwise(edges)]
    crossed = np.array([signal.correlate(near, fold.own[cell], "valid", "fft")[::-1] for cell, near in cells])
    itself = fft.irfft(np.abs(fft.rfft(fold.average)) ** 2, size)[:taps]
    itself[0] *= 1.01
    heard = np.zeros(size)
    for (cell, near), own in zip(cells, crossed, strict=True):
        response = linalg.solve_toeplitz(itself, crossed.sum(axis=0) - own)
        heard[cell] = signal.convolve(near, response, "valid", "fft")
    power = by_cell(fold.own**2, edges)
    if not power.any():
        return 0.0
    correlated = by_cell(heard * fold.own, edges) / np.maximum(np.sqrt(by_cell(heard**2, edges) * power), 1e-12)
    loud = np.minimum(power / (_LOUD * power.mean()), 1)
    alike, silent = np.interp(correlated, _CORRELATE, _THEN_ALIKE), np.interp(usual, _USUAL, _THEN_SILENT)
    return float(np.mean(loud * alike + (1 - loud) * silent))
