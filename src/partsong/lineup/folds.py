"""A loop behind a mix: the mix is laid over itself turn by turn, until what repeats to the sample stands out.

A machine's turns are one waveform; players hit no note twice to the sample. So the mix tells, near the length that the
clip tells, how long a turn is to a ten-millionth, and the turns' average holds the loop and little else. Whether it is
the clip's loop shows in whether a room could have made the clip's turn of it, as far as the other parts, which make
even turns differ from odd ones, let tell; where it begins and ends, in how much of it each turn of the mix holds.
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

from partsong.lineup.features import RATE_HZ, Floats
from partsong.lineup.repeats import (
    CELLS,
    FLAT_RATE_HZ,
    Loop,
    Turns,
    agreement,
    by_cell,
    cut,
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
_LOUD = 0.25  # of the mean power of the clip's cells
_CORRELATE, _THEN_ALIKE = (0.0, 0.15, 0.4), (0.0, 0.4, 1.0)  # where the clip is loud
_LEVEL_HZ, _LOWEST_HZ, _HIGHEST_HZ = 60.0, 80.0, 3800.0
_WIDE = 9  # bins, over which what is left of a loop through a room is alike
_NEAR = (3, 5)  # frames and bins, over which powers are
_HIDES, _UNLIKE = 1.5, 0.2  # times its scatter, and its own power, a loop through a room is away from what is expected
_SOFT = 0.01  # of the mean power: softer than that no room is known
_FURTHEST = 6.0
_LEAST_FITS, _MOST_FITS, _FITS = -1.5, 0.1, 2.0


@dataclass(frozen=True, slots=True)
class _Fold:
    """One turn of a mix at its own clock, ``turn`` samples long at 8 kHz, and beside it the clip's turn, both whitened.

    ``scatter`` is half of what its even turns differ from its odd ones, so what the average may be astray by; ``phase``
    where the clip's turn begins, and ``z`` how far that stands out of all other phases. ``sound`` is the average at
    16 kHz, as it is.
    """

    turn: float
    sound: NDArray[np.float64]
    average: NDArray[np.float64]
    scatter: NDArray[np.float64]
    own: NDArray[np.float64]
    phase: int
    z: float


def turns_behind(clip: Floats, flat: Floats, turn_s: float, mix: Floats, mix_flat: Floats) -> Turns | None:
    """Return where a clip that repeats itself lies on a mix that holds the loop; None where no turn stands out.

    Parameters
    ----------
    clip, mix : ndarray, shapes (2 n,) and (2 m,)
        The sounds, at 16 kHz.
    flat, mix_flat : ndarray, shapes (n,) and (m,)
        The same, both from :func:`partsong.lineup.repeats.flattened`.
    turn_s : float
        Of :func:`partsong.lineup.repeats.own_turn_s`.
    """
    if len(flat) < round(4 * FLAT_RATE_HZ) or len(mix_flat) < _FEWEST_TURNS * turn_s * FLAT_RATE_HZ:
        return None
    loop = loop_of(flat, turn_s)
    sound = _own(clip, loop, turn_s)
    own = _whitened(sound)[0]
    clocks = _clocks(mix_flat, turn_s * FLAT_RATE_HZ)
    fold = max((_folded(mix, turn, own, turn_s) for turn in clocks), key=lambda one: one.z)
    if fold.z < _STANDS_OUT:
        return None
    many, most = len(loop.heard), math.ceil(len(mix_flat) / fold.turn)
    first = -math.ceil(fold.phase / fold.turn)  # the turn in which the mix begins
    gains = _gains(mix, 2 * fold.turn, 2 * (fold.phase + first * fold.turn), _shares(fold, sound))
    odds = np.zeros((most + 2 * many, CELLS))
    usual = _usual(gains)
    odds[:] = _odds(np.zeros(CELLS), usual)
    kept = _odds(gains, usual)[: len(odds) - many - first]
    odds[many + first :][: len(kept)] = kept
    ppm = (fold.turn / (turn_s * FLAT_RATE_HZ) - 1) * 1e6
    agree = agreement(loop, odds)
    starts_s = (fold.phase + np.arange(-many, len(agree) - many) * fold.turn) / FLAT_RATE_HZ
    lines, lead = turns_on(starts_s, agree, ppm, len(flat) / FLAT_RATE_HZ, len(mix_flat) / FLAT_RATE_HZ)
    return Turns(fold.turn / FLAT_RATE_HZ, lines, fold.z, lead, _alike(fold))


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


def _own(clip: Floats, loop: Loop, turn_s: float) -> NDArray[np.float64]:
    """Return the mean of the clip's turns in which its loop is heard."""
    turn = turn_s * RATE_HZ
    out = np.zeros(round(turn))
    for number in np.flatnonzero(loop.used).tolist():
        out += cut(clip, number * turn, len(out))
    return out / int(loop.used.sum())


def _folded(mix: Floats, turn: float, own: NDArray[np.float64], turn_s: float) -> _Fold:
    """Return a mix's average turn beside the clip's, at a clock, ``turn`` being samples at 8 kHz."""
    size, half = round(2 * turn), _WINDOW // 2
    out, weight = np.zeros((2, size + 2 * _WINDOW)), np.zeros(size + 2 * _WINDOW)
    for at, spectra in _frames(mix, 2 * turn, 0.0):
        average, weights = _average(spectra)
        one, other = (_mean(spectra[number::2], weights[number::2]) for number in (0, 1))
        frames = fft.irfft(np.stack([average, (one - other) / 2]), _WINDOW) * _shape()
        for number, start in enumerate(at):
            out[:, start : start + _WINDOW] += frames[:, number]
            weight[start : start + _WINDOW] += _shape() ** 2
    for row in (*out, weight):  # what hangs over the turn's ends
        row[size : size + half] += row[:half]
        row[half : 3 * half] += row[size + half : size + 3 * half]
    sound, _ = sounds = (out / np.maximum(weight, 1e-3))[:, half : size + half]
    average, scatter = _whitened(*sounds)
    finer = _finer(own)
    at_clock = np.arange(len(average)) * (turn_s * FLAT_RATE_HZ / turn) * _FINER
    own = np.interp(at_clock, np.arange(len(finer)), finer)
    row = fft.irfft(fft.rfft(average) * np.conj(fft.rfft(own)), len(average))
    phase = int(np.argmax(row))
    z = float(row[phase]) / max(MAD_TO_SIGMA * float(np.median(np.abs(row))), 1e-12)
    return _Fold(turn, np.roll(sound, -2 * phase), np.roll(average, -phase), np.roll(scatter, -phase), own, phase, z)


def _whitened(*sounds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return one turn of sounds at 8 kHz, by the filter that makes all that is heard of the first one level.

    The filter is one for the whole turn, so what a room has made of a sound is what it makes of it whitened.
    """
    size = len(sounds[0]) // 2 * 2
    spectra = fft.rfft(np.stack(sounds), size)[:, : size // 4 + 1]
    bins_hz = np.arange(size // 4 + 1) * RATE_HZ / size
    within = (bins_hz >= _LOWEST_HZ) & (bins_hz < _HIGHEST_HZ)
    level = np.sqrt(ndimage.uniform_filter1d(np.abs(spectra[0]) ** 2, max(3, round(_LEVEL_HZ * size / RATE_HZ))))
    level = np.maximum(level, max(3e-4 * float(level[within].max()), 1e-20))
    return np.asarray(fft.irfft(np.where(within, spectra / level, 0), size // 2))


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
    average = _mean(spectra, weights)
    for _ in range(_ROUNDS):
        away = np.abs(spectra - average)
        weights = 1 / (away + 0.1 * _median(away) + 1e-9)
        average = _mean(spectra, weights)
    return average, weights


def _mean(spectra: NDArray[np.complex64], weights: Floats) -> NDArray[np.complex64]:
    return np.asarray((weights * spectra).sum(axis=0) / weights.sum(axis=0))


def _median(values: Floats) -> Floats:
    """Return the median along the first axis; in a seventh of the time that NumPy takes for one of few values."""
    half = (len(values) - 1) // 2
    ordered = np.sort(values, axis=0)
    return np.asarray((ordered[half] + ordered[len(values) // 2]) / 2)


def _shares(fold: _Fold, own: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much of a mix's average turn is the loop as the clip holds it, ``own``: (frames, bins), 0 to 1.

    What players do at the same place of many turns is in the average as well, and missing where they do not play yet.
    A room and a camera colour the loop, so both are as loud as each other in each bin over the whole turn.
    """
    size, powers = len(fold.sound), []
    for sound in (np.resize(own, size), fold.sound):
        around = np.tile(sound, 3).astype(np.float32)
        turn = np.concatenate([spectra[1] for _, spectra in _frames(around, size, 0.0)])
        powers.append(ndimage.uniform_filter(np.abs(turn) ** 2, _NEAR, mode=("wrap", "nearest")))
    clip, mix = powers
    clip_level, mix_level = (ndimage.uniform_filter1d(power.sum(axis=0), _WIDE) for power in powers)
    return np.asarray(np.minimum(clip * mix_level / np.maximum(clip_level * mix, 1e-20), 1))


def _gains(mix: Floats, turn: float, first: float, shares: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much of the other turns' average each cell of each turn holds: (turns, cells), 1 where all of it.

    Bins count by how far the average stands out of what else sounds there, and by how much of it is the loop, squared:
    ``shares`` (frames, bins).
    """
    out = []
    for (_, spectra), share in zip(_frames(mix, turn, first), np.split(shares, CELLS), strict=True):
        average, weights = _average(spectra)
        others = (weights.sum(axis=0) * average - weights * spectra) / np.maximum(weights.sum(axis=0) - weights, 1e-12)
        own = np.abs(others) ** 2
        rest = np.minimum(np.abs(spectra) ** 2, np.abs(spectra - others) ** 2)
        rest = (ndimage.uniform_filter(rest, (0, 3, 5)) + 1e-3 * own + 1e-14) / np.maximum(share**2, 1e-6)
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


def _alike(fold: _Fold) -> float:
    """Return how alike a clip's turn is to the mix's, as a room could have made it of that: about 1 for the same loop.

    Where the clip is loud, a cell is as alike as it correlates with the mix's turn through the room. Beside that counts
    whether the mix holds what the clip does, no less and no more: a stroke that only one of them has tells two loops
    apart, whichever it is, and one that other parts hide tells nothing.
    """
    edges = np.linspace(0, len(fold.own), CELLS + 1).astype(np.int64)
    power = by_cell(fold.own**2, edges)
    if not power.any():
        return 0.0
    heard, hidden = _through_a_room(fold, edges)
    sizes = np.sqrt(by_cell(heard**2, edges) * power)
    correlated = by_cell(heard * fold.own, edges) / np.maximum(sizes, 1e-12)
    loud = np.minimum(power / (_LOUD * power.mean()), 1)
    alike = 1 - loud * (1 - np.interp(correlated, _CORRELATE, _THEN_ALIKE))
    return float(np.mean(alike + _FITS * np.clip(_fits(fold.own, heard, hidden), _LEAST_FITS, _MOST_FITS)))


def _through_a_room(fold: _Fold, edges: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a mix's turn, and its scatter, as they sound in the room that fits all cells of the clip but one best."""
    taps, early = round(_ROOM_S * FLAT_RATE_HZ), round(_EARLY_S * FLAT_RATE_HZ)
    average, scatter = (np.pad(one, (taps - early - 1, early), mode="wrap") for one in (fold.average, fold.scatter))
    cells = [(slice(start, stop), slice(start, stop + taps - 1)) for start, stop in itertools.pairwise(edges)]
    crossed = np.array([signal.correlate(average[near], fold.own[cell], "valid", "fft")[::-1] for cell, near in cells])
    itself = fft.irfft(np.abs(fft.rfft(fold.average)) ** 2, len(fold.average))[:taps]
    itself[0] *= 1.01
    heard, hidden = np.zeros(len(fold.own)), np.zeros(len(fold.own))
    for (cell, near), own in zip(cells, crossed, strict=True):
        response = linalg.solve_toeplitz(itself, crossed.sum(axis=0) - own)
        heard[cell] = signal.convolve(average[near], response, "valid", "fft")
        hidden[cell] = signal.convolve(scatter[near], response, "valid", "fft")
    return heard, hidden


def _fits(own: NDArray[np.float64], heard: NDArray[np.float64], hidden: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much likelier what is heard of a mix in a room is the clip's loop than some other sound, cell by cell.

    Logarithms of odds, the mean of a cell's frames and bins. Each of these is normally distributed, either about what
    the other cells let expect there of the clip, or about nothing, as loud as it is; what hides it spreads both.
    """
    clip, mix, scatter = (_spectra(sound) for sound in (own, heard, hidden))
    held, whole = ((clip.conj() * mix).real.sum(axis=1), (np.abs(clip) ** 2).sum(axis=1))
    others = [ndimage.uniform_filter1d(each.sum(axis=0) - each, _WIDE) for each in (held, whole)]
    expected = np.clip(others[0] / np.maximum(others[1], 1e-12), 0, 1)[:, None] * clip
    power = np.abs(mix) ** 2
    hides = _HIDES * _about(np.abs(scatter) ** 2)
    hides += _SOFT * ndimage.uniform_filter1d(power.mean(axis=(0, 1)), _WIDE) + 1e-12
    if_loop = hides + _UNLIKE * _about(np.abs(expected) ** 2)
    if_not = hides + _about(np.maximum(power - hides, 0))
    away, alone = np.abs(mix - expected) ** 2 / if_loop, power / if_not
    odds = np.log(if_not / if_loop) - np.minimum(away, _FURTHEST) + np.minimum(alone, _FURTHEST)
    return np.asarray(odds[..., 3:120].mean(axis=(1, 2)))


def _about(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    flat = powers.reshape(-1, powers.shape[-1])
    return np.asarray(ndimage.uniform_filter(flat, _NEAR, mode="wrap")).reshape(powers.shape)


def _spectra(turn: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return a turn's spectra, in each cell as many frames as overlap by half: (cells, frames, bins)."""
    window = _WINDOW // 2
    frames = CELLS * max(1, round(2 * len(turn) / CELLS / window))
    starts = np.rint(np.arange(frames) * len(turn) / frames).astype(np.int64) + window // 2
    around = np.pad(turn, window, mode="wrap")
    shape = np.sqrt(0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(window) + 0.5) / window))
    spectra = fft.rfft(around[starts[:, None] + np.arange(window)] * shape)
    return np.asarray(spectra.reshape(CELLS, frames // CELLS, -1))
