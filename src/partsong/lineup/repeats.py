"""Where else on the song a clip fits to the sample: loops, and choruses that were copied.

The clip and the reference are *flattened*: in every half second each frequency that is heard keeps its phase and gets
the same level. Stretches of the clip are then correlated with the whole reference. What is the same to the sample
reaches the same height again; the same notes from the same player do not.
"""

from __future__ import annotations

import math

import numpy as np
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


def _level(window: Floats) -> float:
    return math.sqrt(float(np.vdot(window, window)) / len(window))
