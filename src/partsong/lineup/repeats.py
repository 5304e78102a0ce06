"""Where else on the song a clip fits to the sample: loops, and choruses that were copied.

The clip and the reference are *flattened*: in every half second each frequency that is heard keeps its phase and gets
the same level. Stretches of the clip are then correlated with the whole reference. What is the same to the sample
reaches the same height again; the same notes from the same player do not.

A loop tells of itself: its clip repeats to the sample as well. Where it lies on its stem is then asked of all its
turns at once (:func:`turns`). Which turn is the first tells where the clip lies, if it holds the loop's beginning or
end. Behind the rest of a mix it is looked for by :mod:`partsong.lineup.folds`.
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
CELLS = 16  # of a turn
_AUDIBLE = 0.2  # of what a cell correlates with the same of other turns
_NEAR = 3  # samples
_ELSEWHERE = 100
_TURNS_STAND_OUT = 10.0  # scatters, of all moments of a turn


def flattened(heard: Heard, voice: int, start: int = 0, length: int | None = None, *, window: int = _WINDOW) -> Floats:
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
    """The places of a loop on a song: lines that differ by whole turns, the best founded first.

    ``z`` is how far their phase stands out of all others, in scatters; ``lead`` how much likelier the first is than the
    second, as the natural logarithm of their odds: nought where the clip shows no beginning and no end of its loop.
    ``alike`` says how much of a turn is the same: with a stem the correlation that all but three tenths of its cells
    exceed, behind a mix about 1 where all is (:mod:`partsong.lineup.folds`). Loops of other songs share strokes,
    hardly turns.
    """

    turn_s: float
    lines: tuple[Line, ...]
    z: float
    lead: float
    alike: float


@dataclass(frozen=True, slots=True)
class Loop:
    """One turn of a loop and when it is heard: 1 heard, -1 not heard, 0 unknown, in every cell (turns, cells).

    ``used`` are the turns of which ``once`` is the mean.
    """

    once: NDArray[np.float64]
    used: NDArray[np.bool_]
    edges: NDArray[np.int64]
    heard: NDArray[np.int64]


def own_turn_s(flat: Floats) -> float | None:
    """Return after how many seconds a flattened clip is the same again to the sample; None where it never is."""
    alike = _with_itself(flat)
    n, half, first = len(flat), len(alike), round(4 * _SHORTEST_TURN_S * FLAT_RATE_HZ)
    if 4 * half <= first or alike[0, 0] <= 0:
        return None
    power = np.concatenate([[0.0], np.cumsum(np.square(flat, dtype=np.float64))])
    # What overlaps itself: all but the last lag, and all but the first.
    sizes = np.sqrt(power[n - half + 1 :][::-1] * (power[n] - power[:half]))
    share = (alike / np.maximum(sizes, 1e-9 * power[n]).astype(np.float32)[:, None]).ravel()
    alike = alike.ravel()
    high = float(share[first:].max())
    if high < _OWN:
        return None
    top = first + int(np.flatnonzero(share[first:] >= _AS_HIGH * high)[0])  # two turns are alike as well
    top = max(top - 8, first) + int(np.argmax(share[max(top - 8, first) : top + 9]))
    turn, number = float(top), 2
    while number * turn < len(alike) - number:  # many turns tell the length of one more exactly
        about = round(number * turn)
        turn = (about - number + int(np.argmax(alike[about - number : about + number + 1]))) / number
        number = math.ceil(1.3 * number)
    return turn / (4 * FLAT_RATE_HZ)


def _with_itself(flat: Floats) -> Floats:
    """Return a sound's correlation with itself by the quarter of a sample, up to half of its length: (lags, 4).

    A turn need not be whole samples, and half of one would hide a third of it. The quarters one after the other: all at
    once would be the most that placing holds.
    """
    size = fft.next_fast_len(2 * len(flat), real=True)
    spectrum = fft.rfft(flat, size)
    spectrum *= spectrum.conj()
    between = np.exp(np.linspace(0, 0.25j * np.pi, len(spectrum), dtype=np.complex64))
    out = np.empty((len(flat) // 2, 4), np.float32)
    for step in range(4):
        out[:, step] = fft.irfft(spectrum, size)[: len(out)]
        spectrum *= between
    return out


def turns(flat: Floats, turn_s: float, reference: Floats) -> Turns | None:
    """Return where a clip that repeats itself lies on a stem that holds the loop; None where no turn stands out.

    Parameters
    ----------
    flat, reference : ndarray, shapes (n,) and (m,)
        The clip and the stem, both from :func:`flattened`.
    turn_s : float
        Of :func:`own_turn_s`.

    Notes
    -----
    One turn, the mean of those that are heard, is correlated with the whole reference, and all turns of that are laid
    over each other, for every clock within 120 parts in a million. Turns are alike; what tells them apart is where the
    loop begins and ends. So a sixteenth of a turn after the other it is asked whether the loop is heard in the clip and
    whether it is in the reference; a place is as likely as these agree. How often a turn is hidden in the midst of
    others is counted in the reference itself.
    """
    if len(flat) < round(_STRETCH_S * FLAT_RATE_HZ) or len(reference) < turn_s * FLAT_RATE_HZ:
        return None
    loop = loop_of(flat, turn_s)
    size = fft.next_fast_len(len(reference) + len(loop.once), real=True)
    row = fft.irfft(fft.rfft(reference, size) * np.conj(fft.rfft(loop.once, size)), size)[: len(reference)]
    row /= max(MAD_TO_SIGMA * float(np.median(np.abs(row))), 1e-12)
    coarse_row = row[: len(row) // _COARSE * _COARSE].reshape(-1, _COARSE).max(axis=1)
    ppms = np.arange(-_FASTEST_PPM, _FASTEST_PPM + 1, _PPM_STEP)
    z, about_ppm, _ = _laid(coarse_row, turn_s * FLAT_RATE_HZ / _COARSE, ppms)
    if z < _TURNS_STAND_OUT:
        return None
    _, ppm, phase = _laid(row, turn_s * FLAT_RATE_HZ, about_ppm + np.arange(-_PPM_STEP, _PPM_STEP + 1, 2.0))
    turn = turn_s * (1 + ppm * 1e-6) * FLAT_RATE_HZ
    many, most = len(loop.heard), math.ceil(len(reference) / turn)
    numbers = np.arange(-many, most + many)
    odds, alike = _held(loop, reference, np.rint(phase + numbers * turn).astype(np.int64))
    agree = agreement(loop, odds)
    starts_s = (phase + numbers[: len(agree)] * turn) / FLAT_RATE_HZ
    lines, lead = turns_on(starts_s, agree, ppm, len(flat) / FLAT_RATE_HZ, len(reference) / FLAT_RATE_HZ)
    return Turns(turn / FLAT_RATE_HZ, lines, z, lead, alike)


def turns_on(
    starts_s: NDArray[np.float64], agree: NDArray[np.float64], ppm: float, clip_s: float, song_s: float
) -> tuple[tuple[Line, ...], float]:
    """Return those of a loop's places at which enough of the clip lies on the song, the best first, and their lead."""
    lines = [Line(float(start_s), ppm) for start_s in starts_s]
    least_s = min(_STRETCH_S, clip_s / 2)  # of the clip that lies on the song
    on = [number for number, line in enumerate(lines)
          if line.start_s <= song_s - least_s and line.song_s(clip_s) >= least_s]  # fmt: skip
    order = sorted(on, key=lambda number: -agree[number])[:_MOST_REPEATS]
    lead = float(agree[order[0]] - agree[order[1]]) if len(order) > 1 else 0.0
    return tuple(lines[number] for number in order), lead


def loop_of(flat: Floats, turn_s: float) -> Loop:
    """Return the loop of a clip, and in which of its cells the clip is as in the other turns."""
    turn = turn_s * FLAT_RATE_HZ
    size, many = round(turn), math.ceil(len(flat) / turn - 1e-6)
    laid = np.array([cut(flat, number * turn, size) for number in range(many)])
    edges = np.linspace(0, size, CELLS + 1).astype(np.int64)
    whole = np.arange(many)[:, None] * turn + edges[1:] <= len(flat) + 1
    used = np.ones(many, np.bool_)
    for _ in range(2):  # first beside all turns, then beside those with the loop in them
        total = laid[used].sum(axis=0)
        rest = total - np.where(used[:, None], laid, 0)
        sizes = np.sqrt(by_cell(laid**2, edges) * by_cell(rest**2, edges))
        alike = np.where(whole, by_cell(laid * rest, edges) / np.maximum(sizes, 1e-9), 0)
        share = alike.sum(axis=1) / np.maximum(whole.sum(axis=1), 1)
        used = share > 0.5 * float(np.sort(share)[-max(2, many // 3) :].mean())
        used[np.argmax(share)] = True
    usual = np.median(alike[used & whole.all(axis=1)], axis=0) if (used & whole.all(axis=1)).any() else alike[used][0]
    told = whole & (usual > _AUDIBLE)
    heard = np.where(told & (alike > 0.6 * usual), 1, np.where(told & (alike < 0.25 * usual), -1, 0))
    return Loop(laid[used].mean(axis=0), used, edges, heard)


def cut(sound: Floats, start: float, size: int) -> NDArray[np.float64]:
    """Return ``size`` samples from a place between two samples on; silence before the beginning and after the end."""
    margin, first = 32, math.floor(start)
    wide = np.zeros(fft.next_fast_len(size + 2 * margin, real=True))
    low, high = max(first - margin, 0), min(first + size + margin, len(sound))
    if low < high:
        wide[low - first + margin : high - first + margin] = sound[low:high]
    spectrum = fft.rfft(wide)
    turned = spectrum * np.exp(2j * np.pi * np.arange(len(spectrum)) / len(wide) * (start - first))
    return np.asarray(fft.irfft(turned, len(wide))[margin : margin + size])


def by_cell(values: NDArray[np.float64], edges: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.add.reduceat(values, edges[:-1], axis=-1)


def _laid(row: NDArray[np.floating], turn: float, ppms: NDArray[np.float64]) -> tuple[float, float, int]:
    """Lay all turns of a correlation over each other; return the highest sum in scatters, its clock and its phase."""
    blocks = row[: len(row) // round(turn) * round(turn)].reshape(-1, round(turn))
    row = np.minimum(row, 3 * float(np.median(blocks.max(axis=1))))  # one turn that is heard alone is not all of them
    best: tuple[float, float, int] | None = None
    for ppm in ppms.tolist():
        step = turn * (1 + ppm * 1e-6)
        starts = np.rint(np.arange(int(len(row) / step)) * step).astype(np.int64)
        laid = np.sum([row[start : start + int(step)] for start in starts if start + int(step) <= len(row)], axis=0)
        laid = laid - np.median(laid)
        top = int(np.argmax(laid))
        z = float(laid[top]) / max(MAD_TO_SIGMA * float(np.median(np.abs(laid))), 1e-12)
        if best is None or z > best[0]:
            best = z, ppm, top
    assert best is not None
    return best


def _held(loop: Loop, reference: Floats, starts: NDArray[np.int64]) -> tuple[NDArray[np.float64], float]:
    """Return how much likelier each cell of each turn holds the loop than not, as a logarithm of odds.

    Beside it, how far seven tenths of the cells in which the reference holds the loop correlate at least.
    """
    found, power = _heights(loop, reference, starts)
    rng = np.random.default_rng(1)
    elsewhere, _ = _heights(loop, reference, rng.integers(0, len(reference) - len(loop.once) + 1, _ELSEWHERE))
    lively = np.ma.masked_less(elsewhere, 1e-6)
    centre, scatter = lively.mean(axis=0).filled(0.0), lively.std(axis=0).filled(1.0)
    z = (found - centre) / np.maximum(scatter, 1e-9)
    strength = z.sum(axis=1)
    kept = strength > 0.5 * float(np.sort(strength)[-max(1, len(reference) // len(loop.once) // 4) :].mean())
    usual = np.maximum(z[kept].mean(axis=0), 0)
    # What else is played with the same sounds, and what hides the loop, makes its turns unlike each other.
    spread = 1 + np.maximum(z[kept].var(axis=0), (0.3 * usual) ** 2)
    odds = np.where(usual > 0.5, np.clip(usual * (z - usual / 2) / spread, -6, 6), 0)
    told, own = np.any(loop.heard != 0, axis=0), by_cell(loop.once**2, loop.edges)
    if not told.any():
        return odds, 0.0
    alike = found[kept].mean(axis=0) / np.maximum(np.sqrt(own * power[kept].mean(axis=0)), 1e-9)
    return odds, float(np.quantile(alike[told], 0.3))


def _heights(
    loop: Loop, reference: Floats, starts: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how high each cell of the loop correlates near each start, and the reference's power: (starts, cells)."""
    size = len(loop.once)
    padded = np.pad(np.asarray(reference, np.float64), size + _NEAR)
    heights, powers = np.zeros((len(starts), CELLS)), np.zeros((len(starts), CELLS))
    for number in np.flatnonzero((starts > -size) & (starts < len(reference))):
        near = padded[starts[number] + size : starts[number] + 2 * size + 2 * _NEAR]
        moved = np.lib.stride_tricks.sliding_window_view(near, size)
        heights[number] = by_cell(moved * loop.once, loop.edges).max(axis=0)
        powers[number] = by_cell(moved[_NEAR] ** 2, loop.edges)
    return heights, powers


def agreement(loop: Loop, odds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how well what is heard of a loop fits what a reference holds, turn by turn, for each first turn."""
    held = np.flatnonzero(odds.sum(axis=1) > 0)
    count = held[-1] + 1 - held[0] if len(held) else 0
    astray = min((count - len(held) + 0.1) / (count + 1), 0.4)
    many = len(loop.heard)
    agree = np.zeros(len(odds) - many + 1)
    for state in (1, -1):
        told = (loop.heard == state).astype(np.float64)
        for turn in np.flatnonzero(told.any(axis=1)):
            for_it = state * np.clip(odds[turn : turn + len(agree)] @ told[turn], -40, 40)
            # Against not knowing: the turn is there or not as heard, but for those that are astray.
            agree += np.log(2 * ((1 - astray) / (1 + np.exp(-for_it)) + astray / (1 + np.exp(for_it))))
    return agree


def _level(window: Floats) -> float:
    return math.sqrt(float(np.vdot(window, window)) / len(window))
