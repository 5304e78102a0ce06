"""How tight a take is to the click, or to another recording of the part: a help for the ear, and no judge of it. Pure.

Where notes start is told from the sound's bands getting louder, and then from where its envelope rises. Players push
and drag on purpose, so a number tells how much and where, and never whether that is good.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from partsong.film.records import TempoMark
from partsong.film.tempo import Position, bar_lines, beats_in_bar, position_at, time_of
from partsong.render.robust import MAD_TO_SIGMA

RATE_HZ = 16_000
"""What onsets are looked for at."""

_HOP = 80  # 5 ms
_WINDOW = 512
_BANDS = 20
_LAG = 2  # hops: a note's rise is compared over 10 ms
_APART_S = 0.06  # two notes closer together than that are one attack, or a flam
_FLOOR_DB = 50.0  # below the loudest, nothing is listened to
_ABOVE = 0.12  # of the strongest rise
_RISE = 0.3  # of the way up, where a note is taken to start
_ENVELOPE_S = 0.002
_LOOK_S = 0.04
_DIVISIONS = (1, 2, 3, 4)
_FITS, _FREE = 0.4, 0.75  # of what onsets at random would show
_WANDERS_MS = 15.0
_FEWEST = 8
_MATCH_S = 0.1


@dataclass(frozen=True, slots=True)
class Tightness:
    """How the onsets lie against what they are held to.

    ``median_ms`` > 0 is late; ``spread_ms`` is the standard deviation that the median deviation stands for, so single
    slips do not count; ``worst`` is (bar from, bar to, median there in ms) of the four bars that stray furthest, or
    None where none do. ``division`` is how many notes a beat was divided into.
    """

    onsets: int
    division: int
    median_ms: float
    spread_ms: float
    worst: tuple[int, int, float] | None
    free: bool


def onsets_s(sound: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return when notes start, in seconds.

    Parameters
    ----------
    sound : array, shape (n,)
        At :data:`RATE_HZ`.

    References
    ----------
    The spectral flux of band energies after Bello et al., A tutorial on onset detection in music signals (2005).
    """
    if len(sound) < 4 * _WINDOW or not np.any(sound):
        return np.zeros(0)
    frequencies, times, spectrum = signal.stft(
        sound, RATE_HZ, "hann", _WINDOW, _WINDOW - _HOP, boundary="zeros", padded=True
    )
    edges = np.geomspace(60, RATE_HZ / 2, _BANDS + 1)
    energy = np.stack(
        [
            np.square(np.abs(spectrum[(frequencies >= low) & (frequencies < high)])).sum(axis=0)
            for low, high in itertools.pairwise(edges)
        ]
    )
    level = 10 * np.log10(energy + float(energy.max()) * 10 ** (-_FLOOR_DB / 10))
    rise = np.maximum(level[:, _LAG:] - level[:, :-_LAG], 0).mean(axis=0)
    around = signal.medfilt(rise, 101)
    peaks, _ = signal.find_peaks(
        rise - around, height=_ABOVE * float(np.percentile(rise, 99.5)), distance=round(_APART_S * RATE_HZ / _HOP)
    )
    width = round(_ENVELOPE_S * RATE_HZ)
    envelope = np.sqrt(np.convolve(np.square(sound, dtype=np.float64), np.ones(width) / width, mode="same"))
    found = [_start(envelope, round(float(times[peak + _LAG // 2]) * RATE_HZ)) for peak in peaks]
    return np.array(sorted(set(found))) / RATE_HZ


def against_click(
    times_s: NDArray[np.float64], tempo: Sequence[TempoMark], length_s: Fraction, *, placed: bool = True
) -> Tightness:
    """Hold onsets to the even division of the beat that they keep to best.

    Parameters
    ----------
    times_s : array, shape (n,)
        Onsets in song time.
    tempo : sequence of TempoMark
        The click.
    length_s : Fraction
        Of the song.
    placed : bool
        False when the take's place on the song is not known: then only its evenness is told, and ``median_ms`` is 0.
    """
    beats = _beats_s(tempo, length_s)
    inside = times_s[(times_s >= beats[0]) & (times_s < beats[-1])] if placed else times_s
    if len(inside) < _FEWEST:
        return Tightness(len(inside), 0, 0.0, 0.0, None, free=True)
    best: tuple[float, int, NDArray[np.float64]] | None = None
    for division in _DIVISIONS:
        grid = _divided(beats, division)
        step_s = float(np.median(np.diff(grid)))
        away = _nearest(inside, grid) if placed else _phase_free(inside, step_s)
        # Onsets at random would lie a quarter of a step away on average.
        fit = float(np.mean(np.abs(away - np.median(away)))) / (step_s / 4)
        if best is None or (best[0] > _FITS and fit < best[0]):
            best = (fit, division, away)
    assert best is not None
    fit, division, away = best
    middle = float(np.median(away))
    return Tightness(
        len(inside),
        division,
        1000 * middle if placed else 0.0,
        1000 * MAD_TO_SIGMA * float(np.median(np.abs(away - middle))),
        _worst(inside, away, tempo) if placed and fit <= _FREE else None,
        free=fit > _FREE,
    )


def against_recording(
    times_s: NDArray[np.float64], others_s: NDArray[np.float64], tempo: Sequence[TempoMark]
) -> Tightness:
    """Hold onsets to those of another recording of the part, both in song time; each is paired at most once."""
    pairs = _paired(times_s, others_s)
    if len(pairs) < _FEWEST:
        return Tightness(len(pairs), 0, 0.0, 0.0, None, free=True)
    here = np.array([times_s[n] for n, _ in pairs])
    away = here - np.array([others_s[m] for _, m in pairs])
    middle = float(np.median(away))
    spread_ms = 1000 * MAD_TO_SIGMA * float(np.median(np.abs(away - middle)))
    return Tightness(len(pairs), 0, 1000 * middle, spread_ms, _worst(here, away, tempo) if tempo else None, free=False)


def sentence(found: Tightness, against: str, *, placed: bool = True) -> str:
    """Say it in words, with what it is worth."""
    if found.onsets < _FEWEST:
        return f"Only {found.onsets} notes could be held to {against}: too few for a number."
    if found.free:
        return f"Its {found.onsets} notes keep to no even division of the beat: played freely, or soft in attack."
    late = "late" if found.median_ms > 0 else "early"
    middle = f"in the middle {abs(found.median_ms):.0f} ms {late}, " if placed else ""
    text = f"{found.onsets} notes against {against}: {middle}spread {found.spread_ms:.0f} ms."
    if found.worst is not None:
        first, last, by = found.worst
        more = by - found.median_ms
        text += (
            f" It strays furthest in bars {first} to {last}: {abs(more):.0f} ms {'later' if more > 0 else 'earlier'}."
        )
    return text + " A help for your ears, not a judge."


# --- inside ---------------------------------------------------------------------------------------


def _start(envelope: NDArray[np.float64], near: int) -> int:
    """Return the sample at which the envelope has come 30 % of its way up, around a rise."""
    reach = round(_LOOK_S * RATE_HZ)
    first, stop = max(0, near - reach), min(len(envelope), near + reach)
    piece = envelope[first:stop]
    top = int(piece.argmax())
    low = int(piece[: top + 1].argmin())
    level = piece[low] + _RISE * (piece[top] - piece[low])
    crossed = np.flatnonzero(piece[low : top + 1] >= level)
    return first + low + int(crossed[0])


def _beats_s(tempo: Sequence[TempoMark], length_s: Fraction) -> NDArray[np.float64]:
    times = []
    for bar, _ in bar_lines(tempo, length_s):
        times += [float(time_of(tempo, Position(bar, Fraction(beat)))) for beat in range(beats_in_bar(tempo, bar))]
    last = position_at(tempo, length_s)
    times.append(float(time_of(tempo, Position(last.bar + 1, Fraction(0)))))
    return np.array(sorted(set(times)))


def _divided(beats: NDArray[np.float64], division: int) -> NDArray[np.float64]:
    steps = np.arange(division) / division
    inner = beats[:-1, None] + np.diff(beats)[:, None] * steps
    return np.append(inner.ravel(), beats[-1])


def _nearest(times: NDArray[np.float64], grid: NDArray[np.float64]) -> NDArray[np.float64]:
    after = np.clip(np.searchsorted(grid, times), 1, len(grid) - 1)
    before = grid[after - 1]
    return np.where(times - before < grid[after] - times, times - before, times - grid[after])


def _phase_free(times: NDArray[np.float64], step_s: float) -> NDArray[np.float64]:
    """Return deviations from an even grid whose phase is taken from the onsets themselves."""
    turned = np.exp(2j * np.pi * times / step_s)
    phase = float(np.angle(turned.mean())) / (2 * np.pi) * step_s
    return np.asarray((times - phase + step_s / 2) % step_s - step_s / 2)


def _worst(
    times: NDArray[np.float64], away: NDArray[np.float64], tempo: Sequence[TempoMark]
) -> tuple[int, int, float] | None:
    bars = np.array([position_at(tempo, Fraction(float(time))).bar for time in times])
    middle = float(np.median(away))
    found: tuple[int, int, float] | None = None
    for first in range(int(bars.min()), int(bars.max()) + 1):
        here = (bars >= first) & (bars < first + 4)
        if here.sum() < 4:
            continue
        by = 1000 * float(np.median(away[here]))
        if abs(by - 1000 * middle) >= _WANDERS_MS and (
            found is None or abs(by - 1000 * middle) > abs(found[2] - 1000 * middle)
        ):
            found = (first, min(first + 3, int(bars.max())), by)
    return found


def _paired(ours: NDArray[np.float64], theirs: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Pair onsets that are each other's nearest, and near enough."""
    if not len(ours) or not len(theirs):
        return []
    to = np.abs(ours[:, None] - theirs[None, :])
    best_theirs, best_ours = to.argmin(axis=1), to.argmin(axis=0)
    return [(n, int(m)) for n, m in enumerate(best_theirs) if best_ours[m] == n and to[n, m] <= _MATCH_S]
