"""Bands and flicker from mains light: found in the rows of frames that are in the same light. Pure.

A lamp on the mains pulses at twice the mains frequency, f. A sensor that is read row by row sees the pulse as bands,
one for each 1/f of reading. Where f is no multiple of the frame rate they move from frame to frame, at the beat of the
two; where it is, they stand, and only creep as far as the mains wander. A shutter open for whole pulses shows none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

MAINS_HZ = (50, 60)
_STEP = 0.125  # cycles a frame height between the wave lengths tried
_MOST_CYCLES = 24.0
_LEAST_AMPLITUDE = 0.0006
"""Of the signal: a fifth of a code of 8 bits, below what a graded picture shows."""
_EXPLAINS = 0.5
"""The least share of the changes that one wave must account for."""
LEAST_STANDING = 10
"""Frames: over a real street without any, 28 of 1,500 draws of five to nine frames showed bands that stand, and none of
900 draws of ten to fifteen."""
_EXPLAINS_STANDING = 0.75
"""Likewise for bands that stand: they come to 0.86 and more."""
_ALIKE = 0.87
"""Of 1: how well the left and the right of what is lit must go together. Bands that stand come to 0.98 and more, clouds
and people over a street in the sun to 0.76; one wave explains all of the latter at times."""
_IN_STEP = 0.85  # of 1: how well the rows' phases must lie on one wave; noise reaches 0.3
_LEAST_ROWS = 0.12
_LEAST_BEATS = 0.6  # of a beat within a run; less is too slow to be told from light that changes
_FLAT_CYCLES = 0.3
_SLOW_HZ = 0.5
_SMOOTH = 25
_LIT = 0.5
_ASKED = 10  # cells of a row
_ROWS, _COLUMNS = 540, 32
_UNSTEADY = 0.02  # of the signal; bands as strong as that are seen by anybody


@dataclass(frozen=True, slots=True)
class Bands:
    """Bands or flicker: ``amplitude`` of the signal, ``period_px`` at full height (infinite for flicker).

    ``mains_hz`` is 50 or 60 where the beat or the frame rate tells which, else ``None``.
    """

    kind: Literal["moving bands", "standing bands", "flicker"]
    amplitude: float
    period_px: float
    mains_hz: int | None


def beat_hz(pulse_hz: float, rate_hz: float) -> float:
    """Return how fast a pulse seems to go at a frame rate, with its sign.

    >>> [beat_hz(100, 24), beat_hz(100, 25), beat_hz(120, 25), beat_hz(100, 30)]
    [4, 0, -5, 10]
    """
    return pulse_hz - rate_hz * round(pulse_hz / rate_hz)


def even_exposure_s(mains_hz: int, rate_hz: float) -> tuple[int, int]:
    """Return the exposure, as a fraction, of whole pulses nearest to half a frame's length.

    >>> even_exposure_s(50, 24), even_exposure_s(60, 24), even_exposure_s(60, 60)
    ((1, 50), (1, 60), (1, 120))
    """
    pulses = max(1, round(mains_hz / rate_hz))
    top, bottom = pulses, 2 * mains_hz
    divisor = int(np.gcd(top, bottom))
    return top // divisor, bottom // divisor


def row_cells(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the means of luma (height, width) over cells that are as low as may be: (rows, columns)."""
    import cv2

    size = (_COLUMNS, min(_ROWS, luma.shape[0]))
    return np.asarray(cv2.resize(luma, size, interpolation=cv2.INTER_AREA), np.float32)


def moving_bands(rows: NDArray[np.float32], rate_hz: float, height: int) -> Bands | None:
    """Look for bands that move, or flicker, in frames that follow each other.

    Parameters
    ----------
    rows : (n, rows, columns)
        Cells of n consecutive frames, encoded.
    rate_hz : float
        Frames a second.
    height : int
        Of the frame in pixels, for the period.
    """
    if len(rows) < 6:
        return None
    change = _middle(_lit_changes(rows))
    change = change - change.mean(axis=0)
    energy = np.square(change).sum(axis=0)
    found: list[tuple[float, Bands]] = []
    for mains in MAINS_HZ:
        beat = beat_hz(2 * mains, rate_hz)
        if abs(beat) / rate_hz * len(rows) < _LEAST_BEATS:
            continue
        turn = np.exp(-2j * np.pi * beat / rate_hz * np.arange(len(rows)))
        wave = 2 / len(rows) * (turn @ change)
        # Rows whose changes are that beat and little else; a lamp lights only some of them.
        beats = np.square(np.abs(wave)) * len(rows) / 2 >= _EXPLAINS * energy
        if beats.mean() < _LEAST_ROWS:
            continue
        # The wave runs up or down, by which way the sensor is read.
        cycles = np.arange(-_MOST_CYCLES, _MOST_CYCLES, _STEP)
        phases = np.where(beats, wave / np.maximum(np.abs(wave), 1e-12), 0) @ _basis(cycles, change.shape[1]).T
        agrees = np.abs(phases) / beats.sum()
        best = int(agrees.argmax())
        amplitude = float(np.median(np.abs(wave[beats])))
        if agrees[best] >= _IN_STEP and amplitude >= _LEAST_AMPLITUDE:
            around = abs(float(cycles[best]))
            kind: Literal["flicker", "moving bands"] = "flicker" if around < _FLAT_CYCLES else "moving bands"
            period_px = float("inf") if kind == "flicker" else height / around
            found.append((float(agrees[best]), Bands(kind, amplitude, period_px, mains)))
    return max(found, key=lambda pair: pair[0])[1] if found else None


def standing_bands(rows: NDArray[np.float32], rate_hz: float, height: int) -> Bands | None:
    """Look for bands that stand, in frames far apart in one light, of one take or several.

    Parameters
    ----------
    rows : (n, rows, columns)
        Cells of n frames, encoded; of less than :data:`LEAST_STANDING`, nothing is told.
    rate_hz, height
        As for :func:`moving_bands`.
    """
    if len(rows) < LEAST_STANDING:
        return None
    cells = _lit_changes(rows)
    change = _middle(cells)
    # What the lamp lights shows the bands at full strength; there, rows are made alike before a wave is sought.
    strength = np.sqrt(np.square(change).mean(axis=0))
    smooth = np.convolve(strength, np.ones(_SMOOTH) / _SMOOTH, mode="same")
    lit = smooth >= _LIT * np.percentile(smooth, 95)

    def made_alike(change: NDArray[np.float64]) -> NDArray[np.float64]:
        alike = np.where(lit, change / np.maximum(smooth, 1e-9), 0)
        return np.asarray(alike - np.where(lit, alike.sum(axis=1, keepdims=True) / lit.sum(), 0))

    alike = made_alike(change)
    cycles = np.arange(0.75, _MOST_CYCLES, _STEP)
    basis = _basis(cycles, change.shape[1])
    power = np.square(np.abs(alike @ basis.T)).sum(axis=0) * 2 / lit.sum()
    best = int(power.argmax())
    share = float(power[best]) / max(float(np.square(alike).sum()), 1e-20)
    amplitude = float(np.sqrt(2 * share) * np.median(smooth[lit]))
    if share < _EXPLAINS_STANDING or amplitude < _LEAST_AMPLITUDE:
        return None
    # A sensor reads whole rows, so that bands run from side to side; what moves in the light does not.
    left, right = (made_alike(_middle(half)) @ basis[best] for half in np.array_split(cells, 2, axis=2))
    if np.abs(np.vdot(left, right)) < _ALIKE * np.linalg.norm(left) * np.linalg.norm(right):
        return None
    fits = [mains for mains in MAINS_HZ if abs(beat_hz(2 * mains, rate_hz)) < _SLOW_HZ]
    return Bands("standing bands", amplitude, height / float(cycles[best]), fits[0] if len(fits) == 1 else None)


def _lit_changes(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how cells of each row differ from what they usually are, (n, rows, cells), from left to right.

    A lamp lights a part of the frame, so only the brightest cells of a row are asked in which nobody moves.
    """
    usual = np.median(rows, axis=0)
    away = rows - usual
    unsteady = np.median(np.abs(away), axis=0) > _UNSTEADY
    order = np.sort(np.argsort(np.where(unsteady, -1.0, usual), axis=1)[:, -_ASKED:], axis=1)
    return np.take_along_axis(away, np.broadcast_to(order, (len(rows), *order.shape)), axis=2)


def _middle(cells: NDArray[np.float32]) -> NDArray[np.float64]:
    return np.asarray(np.median(cells, axis=2), np.float64)


def _basis(cycles: NDArray[np.float64], count: int) -> NDArray[np.complex128]:
    return np.asarray(np.exp(-2j * np.pi * cycles[:, None] * (np.arange(count) + 0.5) / count), np.complex128)
