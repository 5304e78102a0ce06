"""Simpler methods on the same clips: one answer each, from general-purpose libraries, with no say in how sure it is.

Each takes a clip and a reference, mono at 16 kHz, and returns the song time of the clip's middle, since that is what
one lag for a whole clip means where clocks differ.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
from scipy import fft, signal

from .filming import HEARD_RATE_HZ
from .songs import Sound

_HOP = 160  # 10 ms
_CHROMA_HOP = 512  # 32 ms


def raw(clip: Sound, reference: Sound) -> float:
    """Plain cross-correlation: SciPy."""
    score = signal.correlate(reference, clip, mode="full", method="fft")
    return _middle((int(np.argmax(np.abs(score))) - (len(clip) - 1)) / HEARD_RATE_HZ, clip)


def phase_transform(clip: Sound, reference: Sound) -> float:
    """Generalised cross-correlation with the phase transform over the whole clip (Knapp and Carter, 1976): NumPy."""
    size = fft.next_fast_len(len(clip) + len(reference), real=True)
    cross = fft.rfft(reference, size) * np.conj(fft.rfft(clip, size))
    score = fft.irfft(cross / np.maximum(np.abs(cross), 1e-12), size)
    lag = int(np.argmax(score))
    return _middle((lag if lag < len(reference) else lag - size) / HEARD_RATE_HZ, clip)


def onset_envelopes(clip: Sound, reference: Sound) -> float:
    """Cross-correlation of onset strength, every 10 ms: librosa and SciPy."""
    import librosa

    one, other = (
        librosa.onset.onset_strength(y=sound, sr=HEARD_RATE_HZ, hop_length=_HOP, n_fft=1024)
        for sound in (clip, reference)
    )
    score = signal.correlate(other - other.mean(), one - one.mean(), mode="full", method="fft")
    return _middle((int(np.argmax(score)) - (len(one) - 1)) * _HOP / HEARD_RATE_HZ, clip)


def chroma_warping(clip: Sound, reference: Sound) -> float:
    """Subsequence dynamic time warping of chroma, every 32 ms; the path's median lag: librosa."""
    import librosa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # silent clips have no tuning to estimate
        one, other = (
            librosa.feature.chroma_stft(y=sound, sr=HEARD_RATE_HZ, hop_length=_CHROMA_HOP, n_fft=4096, tuning=0.0)
            + 1e-3
            for sound in (clip, reference)
        )
    short, long = (one, other) if one.shape[1] <= other.shape[1] else (other, one)
    _, path = librosa.sequence.dtw(X=short, Y=long, subseq=True, metric="cosine")
    lag = float(np.median(path[:, 1] - path[:, 0])) * (1 if short is one else -1)
    return _middle(lag * _CHROMA_HOP / HEARD_RATE_HZ, clip)


METHODS: dict[str, Callable[[Sound, Sound], float]] = {
    "raw cross-correlation": raw,
    "GCC-PHAT": phase_transform,
    "onset envelopes": onset_envelopes,
    "chroma and DTW": chroma_warping,
}


def _middle(start_s: float, clip: Sound) -> float:
    return start_s + len(clip) / HEARD_RATE_HZ / 2
