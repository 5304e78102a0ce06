"""The guide track's sync cues in a take's sound: found by a matched filter, at the earliest strong arrival.

What a cue is and where on the song it is played: :mod:`partsong.media.cues`. Both cues of one playback give the place
and the drift; one of them alone gives the place.

**Conventions.** A cue is at the media time at which its first moment is heard. Likeness is the correlation with the cue
over the sound's own energy between 500 and 4500 Hz in that quarter of a second: 1 for the cue alone, 0.03 for noise.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from partsong.film.records import Confidence
from partsong.lineup.features import RATE_HZ, Heard
from partsong.lineup.line import Line
from partsong.lineup.marks import Mark
from partsong.media.cues import CUE_HIGH_HZ, CUE_LOW_HZ, CUE_S, CueKind, cue_sound

LIKENESS = 0.25
"""A cue is taken as heard above this. Noise has one chance in exp(0.25 squared x 1000), bandwidth times length being a
thousand; plucked, bowed and struck music was seen to reach 0.15."""

MOST_DRIFT_PPM = 300.0
MEASURED_S = 0.005
"""How far a cue may be misread where its direct sound is weak: a metre and a half of detour."""

_EARLIER_S, _EARLIER_SHARE = 0.02, 0.4  # as the phase transform's: the direct sound before a stronger reflection
_PIECE = 1 << 19
_EVERY = 2  # the envelope is computed at every second sample
_KINDS: tuple[CueKind, ...] = ("head cue", "tail cue")


@dataclass(frozen=True, slots=True)
class Cue:
    """A cue as heard: which, at what media time, and its likeness."""

    kind: CueKind
    media_s: float
    likeness: float


def find_cues(heard: Heard) -> tuple[Cue, ...]:
    """Return the cues heard in a take, in order of time, in whichever of its voices hears them best."""
    voices = [tuple(_cues_in(heard, voice)) for voice in range(len(heard.voices)) if not heard.voices[voice].silent]
    best = max(voices, key=lambda cues: sum(cue.likeness for cue in cues), default=())
    return tuple(sorted(best, key=lambda cue: cue.media_s))


def mark_from(cues: tuple[Cue, ...], song_times_s: Mapping[CueKind, float]) -> Mark | None:
    """Return what the cues say of the take's sound, given the song times at which they were played.

    A head and a tail that lie as far apart as they were played make the place sure. Where only one was heard it is
    likely; where several playbacks could be meant, a person is asked.
    """
    if not cues:
        return None
    heads, tails = ([cue for cue in cues if cue.kind == kind] for kind in _KINDS)
    played_s = song_times_s["tail cue"] - song_times_s["head cue"]
    pairs = []
    for head in heads:
        for tail in tails:
            apart_s = tail.media_s - head.media_s
            if abs(apart_s - played_s) <= MOST_DRIFT_PPM * 1e-6 * played_s + MEASURED_S:
                rate = played_s / apart_s
                pairs.append(Line(song_times_s["head cue"] - head.media_s * rate, round((rate - 1) * 1e6, 9)))
    if pairs:
        confidence: Confidence = "sure" if len(pairs) == 1 else "ask"
        reason = "The sync cues at head and tail say so" if len(pairs) == 1 else "The song was played more than once"
        return Mark("sync cue", "the sync cues", confidence, reason, tuple(pairs), 2, 2)
    lines = tuple(Line(song_times_s[cue.kind] - cue.media_s) for cue in sorted(cues, key=lambda cue: -cue.likeness))
    if len(cues) == 1:
        which = cues[0].kind.partition(" ")[0]
        return Mark("sync cue", "the sync cue", "likely", f"The sync cue at the {which} says so", lines, 1, 2)
    reason = f"{len(cues)} sync cues are heard that do not belong together"
    return Mark("sync cue", "the sync cues", "ask", reason, lines, 1, len(cues))


@dataclass(frozen=True, slots=True)
class _Band:
    """Where the band from 500 to 4500 Hz lies in the spectrum of a piece, and the cues there."""

    bins: slice
    cues: Mapping[CueKind, NDArray[np.complex64]]  # conjugate spectra, each of a cue of unit energy

    @classmethod
    def made(cls) -> _Band:
        bins = slice(round(CUE_LOW_HZ * _PIECE / RATE_HZ), round(CUE_HIGH_HZ * _PIECE / RATE_HZ))
        spectra = {}
        for kind in _KINDS:
            cue = cue_sound(kind, RATE_HZ)
            spectra[kind] = np.conj(fft.rfft(cue / np.linalg.norm(cue), _PIECE)[bins]).astype(np.complex64)
        return cls(bins, spectra)


def _cues_in(heard: Heard, voice: int) -> Iterator[Cue]:
    """Search one voice in pieces of half a minute that overlap by a cue and its run-up."""
    band = _Band.made()
    length = round(CUE_S * RATE_HZ)
    lead = length + round(_EARLIER_S * RATE_HZ)
    step = _PIECE - lead - length
    for start in range(0, len(heard.samples), step):
        spectrum = fft.rfft(heard.window(voice, start - lead, _PIECE))[band.bins]
        energy = np.concatenate([[0.0], np.cumsum(_envelope(spectrum).astype(np.float64) ** 2)])
        window = np.sqrt(np.maximum(energy[length // _EVERY :] - energy[: -length // _EVERY], 0.0) * _EVERY / 2)
        for kind, cue in band.cues.items():
            for at, likeness in _matches(_envelope(spectrum * cue), window, lead, lead + step):
                yield Cue(kind, (start - lead + at) / RATE_HZ, likeness)


def _envelope(spectrum: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Return the envelope of what lies in the band, at every ``_EVERY``-th sample: twice what four kilohertz need."""
    size = _PIECE // _EVERY
    whole = np.zeros(size, np.complex64)
    whole[: len(spectrum)] = spectrum
    return np.asarray(np.abs(fft.ifft(whole)) * np.float32(2 / _EVERY), np.float32)


def _matches(
    envelope: NDArray[np.float32], window: NDArray[np.float64], first: int, stop: int
) -> Iterator[tuple[float, float]]:
    """Yield (sample, likeness) of every hearing of a cue whose strongest arrival starts from ``first`` to ``stop``."""
    least = max(1e-4 * float(window.max()), 1e-9)  # where it is as good as silent, the quotient is rounding noise
    likeness = envelope[: len(window)] / np.maximum(window, least)
    tops, _ = signal.find_peaks(likeness, height=LIKENESS, distance=round(CUE_S * RATE_HZ) // _EVERY)
    for top in tops:
        if first <= top * _EVERY < stop:
            yield _first_arrival(envelope, int(top)) * _EVERY, float(likeness[top])


def _first_arrival(envelope: NDArray[np.float32], top: int) -> float:
    """Return where the earliest strong arrival lies, up to 20 ms before the strongest, between the samples."""
    start = max(top - round(_EARLIER_S * RATE_HZ) // _EVERY, 1)
    peaks, _ = signal.find_peaks(envelope[start : top + 2], height=_EARLIER_SHARE * float(envelope[top]))
    at = start + int(peaks[0]) if len(peaks) else top
    before, here, after = (float(value) for value in envelope[at - 1 : at + 2])
    bend = before - 2 * here + after
    return at + (0.5 * (before - after) / bend if bend < 0 else 0.0)
