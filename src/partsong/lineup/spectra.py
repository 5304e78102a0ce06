"""Short-time spectra of a voice, in pieces, in step with the onset envelopes' frames."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, Floats, Heard

HOP = RATE_HZ // ONSET_RATE_HZ
_FRAMES = 512  # worked on at a time
_DEEPEST = 1e-5  # 50 dB below its loud moments a frequency, or a pitch, counts as silent


def spectra(heard: Heard, voice: int, window: int, every: int = 1) -> Iterator[Floats]:
    """Yield the power of a voice (frames, window // 2 + 1) in pieces; frame i is centred on ``i * every`` hops.

    A tone of mean power one has about that much around its frequency, whatever the window (in samples).
    """
    shape = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(window) / window)).astype(np.float32)
    shape *= np.float32(np.sqrt(2 / (window * np.sum(shape.astype(np.float64) ** 2))))
    step = HOP * every
    count = len(heard.samples) // step + 1
    for first in range(0, count, _FRAMES):
        frames = min(_FRAMES, count - first)
        samples = heard.window(voice, first * step - window // 2, (frames - 1) * step + window)
        spectrum = fft.rfft(np.lib.stride_tricks.sliding_window_view(samples, window)[::step] * shape, axis=1)
        yield np.asarray(spectrum.real**2 + spectrum.imag**2, np.float32)


def floors(power: Floats) -> NDArray[np.floating]:
    """Return what counts as silence in each column of (frames, columns) of power: twice its own quiet."""
    quiet, loud = np.quantile(power, 0.3, axis=0), np.quantile(power, 0.99, axis=0)
    least: NDArray[np.floating] = np.maximum(np.maximum(2 * quiet, _DEEPEST * loud), 1e-12)
    return least
