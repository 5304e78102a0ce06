"""Sound from one sample rate to another, exact in time and number.

A windowed sinc (Kaiser), evaluated at the true position of each new sample: new sample *m* lies at old sample
``m * from_hz / to_hz``, without any delay, wherever the reading began. Kaiser's formulas are those of Oppenheim and
Schafer, Discrete-Time Signal Processing, 7.5.3.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from partsong.timebase import round_half_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

_STOP_DB = 96.0  # aliases below the noise of 16 bits
_PASS = 0.907  # of the lower rate's half: 20 kHz of 44.1 kHz
_COLUMNS = 160  # new samples computed by one row of a matrix product
# Rows of every matrix product. Some processors round a row by where it lies in a product and by how large that is;
# where both are always the same, a new sample is the same whatever is read with it.
_ROWS = 192
# Old samples carried over together: the threads of a matrix product cost more than they bring when products are small.
_AT_ONCE = 480_000


class Resampler:
    """Carries blocks of sound from ``from_hz`` to ``to_hz``.

    Feeding begins at an old sample that coincides with a new one (a multiple of :attr:`period_in`), less
    :attr:`reach` samples of run-up. Begun at multiples of :attr:`together` periods, new samples are always the same.
    """

    def __init__(self, from_hz: int, to_hz: int) -> None:
        common = math.gcd(from_hz, to_hz)
        self.period_in = from_hz // common
        self.period_out = to_hz // common
        lower = min(1.0, to_hz / from_hz)
        beta = 0.1102 * (_STOP_DB - 8.7)
        width = math.pi * lower * (1 - _PASS)  # of the transition, radians an old sample
        self.reach = math.ceil((_STOP_DB - 8) / (2.285 * width) / 2)
        cutoff = lower * (1 + _PASS) / 2
        # Several periods at once where one is short, a part of one where it is long.
        self._repeat = max(1, _COLUMNS // self.period_out)
        self.together = _ROWS * self._repeat
        new = np.arange(self._repeat * self.period_out)
        self._products = [
            self._product(part, cutoff, beta) for part in np.array_split(new, math.ceil(len(new) / _COLUMNS))
        ]

    def _product(self, new: NDArray[np.int64], cutoff: float, beta: float) -> tuple[int, NDArray[np.float32]]:
        """Return the first old sample that these new ones need, counted with the run-up, and their weights."""
        position = new * self.period_in / self.period_out
        first = math.floor(position[0])
        old = first - self.reach + np.arange(math.ceil(position[-1]) - first + 2 * self.reach + 1)
        away = old[:, None] - position[None, :]
        inside = np.sqrt(np.clip(1 - (away / (self.reach + 1)) ** 2, 0, None))
        window = np.where(np.abs(away) <= self.reach + 1, np.i0(beta * inside) / np.i0(beta), 0)
        weights = cutoff * np.sinc(cutoff * away) * window
        weights /= weights.sum(axis=0)  # a constant stays what it is
        return first, weights.astype(np.float32)

    def run(self, blocks: Iterable[NDArray[np.float32]], periods_before: int) -> Iterator[NDArray[np.float32]]:
        """Yield the new samples from number ``periods_before * period_out`` to the end of the old ones.

        ``blocks``, of shape (n, channels), begin with old sample ``periods_before * period_in - reach`` (silence where
        there is none) and are silent after their end.
        """
        step = self._repeat * self.period_in
        tail = 2 * self.reach + 1
        received = periods_before * self.period_in - self.reach
        done = periods_before * self.period_out
        pieces: list[NDArray[np.float32]] = []
        count = 0
        for block in blocks:
            pieces.append(block)
            received += len(block)
            count += len(block)
            if count >= max(_AT_ONCE, _ROWS * step + tail):
                held = np.concatenate(pieces)
                periods = (count - tail) // step // _ROWS * _ROWS
                new = self._periods(held, periods)
                pieces, count = [held[periods * step :]], count - periods * step
                done += len(new)
                yield new
        left = new_length(received, self.period_in, self.period_out) - done
        if left > 0:
            periods = -(-left // (self._repeat * self.period_out))
            missing = max(0, periods * step + tail - count)
            held = np.pad(np.concatenate(pieces), ((0, missing), (0, 0)))
            yield self._periods(held, periods)[:left]

    def _periods(self, held: NDArray[np.float32], periods: int) -> NDArray[np.float32]:
        step = self._repeat * self.period_in
        whole = -(-periods // _ROWS) * _ROWS
        channels = []
        for channel in held.T:
            parts = []
            for first, weights in self._products:
                windows = np.lib.stride_tricks.sliding_window_view(channel[first:], len(weights))[::step][:periods]
                # Overlapping rows would be multiplied one by one; copied out, they go through the fast product.
                rows = np.zeros((whole, len(weights)), np.float32)
                rows[:periods] = windows
                products = [rows[at : at + _ROWS] @ weights for at in range(0, whole, _ROWS)]
                parts.append(np.concatenate(products)[:periods])
            channels.append(np.concatenate(parts, axis=1).reshape(-1))
        return np.stack(channels, axis=1)


def new_length(samples: int, from_hz: int, to_hz: int) -> int:
    """Return how many samples at ``to_hz`` last as long as ``samples`` at ``from_hz``, to the nearest."""
    return round_half_up(Fraction(samples * to_hz, from_hz))


# --- by a few parts in a million ------------------------------------------------------------------

TAPS = 48
"""How many samples around a place are read."""

_PHASES = 512  # straight lines between so many fractions of a sample err by less than -105 dB at 20 kHz
_BETA = 0.1102 * (100.0 - 8.7)  # 100 dB down from 28 kHz on, of 48 kHz: the mirror image of what is below 20 kHz
_CHUNK = 1 << 14  # positions at once: what is gathered for them stays in the processor's cache


def read_between(sound: NDArray[np.floating], at: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return a sound's values at fractional sample positions; silence outside.

    For moving a sound by a fraction of a sample and for stretching it by some parts in a million, not for changing its
    sample rate: nothing is taken out above the half of it.

    Parameters
    ----------
    sound : ndarray, shape (n,) or (n, channels)
        Samples.
    at : ndarray, shape (m,)
        Positions in samples.

    Returns
    -------
    ndarray, shape (m,) or (m, channels)
    """
    table = _fractions()
    padded = np.pad(np.asarray(sound, np.float32), ((TAPS, TAPS),) + ((0, 0),) * (sound.ndim - 1))
    windows = np.lib.stride_tricks.sliding_window_view(padded, TAPS, axis=0)
    out = np.empty((len(at), *sound.shape[1:]), np.float32)
    for start in range(0, len(at), _CHUNK):
        places = at[start : start + _CHUNK]
        whole = np.floor(places)
        phase = (places - whole) * _PHASES
        lower = phase.astype(np.intp)
        share = (phase - lower).astype(np.float32)[:, None]
        weights = table[lower] * (1 - share) + table[lower + 1] * share
        # Places outside read the silence around the sound.
        first = np.clip(whole, -TAPS, len(sound) + TAPS).astype(np.intp) + TAPS // 2 + 1
        here = windows[np.clip(first, 0, len(windows) - 1)]
        out[start : start + _CHUNK] = np.einsum("m...t,mt->m...", here, weights)
    return out


@functools.cache
def _fractions() -> NDArray[np.float32]:
    """Return the weights of ``TAPS`` samples for each fraction of a sample: (phases + 1, taps)."""
    fraction = np.arange(_PHASES + 1)[:, None] / _PHASES
    away = np.arange(TAPS)[None, :] - (TAPS // 2 - 1) - fraction
    inside = np.sqrt(np.clip(1 - (away / (TAPS / 2)) ** 2, 0, None))
    weights = np.sinc(away) * np.i0(_BETA * inside) / np.i0(_BETA)
    weights /= weights.sum(axis=1, keepdims=True)  # a constant stays what it is
    return weights.astype(np.float32)
