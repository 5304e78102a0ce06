"""A small band to line up: notes, a simple room, and clips cut out of a performance with known truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
import xxhash
from numpy.typing import NDArray

from partsong.lineup import steps
from partsong.lineup.features import Heard
from partsong.lineup.locate import Found, Reference, locate

RATE_HZ = 16000


@dataclass(frozen=True)
class Band:
    """Sound made from a seed. Every array is mono at 16 kHz unless said otherwise."""

    seed: int

    def part(
        self, kind: str, length_s: float, bpm: float = 92.0, repeat_bars: int = 8, performance: int = 0
    ) -> NDArray[np.float32]:
        """Play one part: ``drum``, ``pluck``, ``pad`` or ``bells``, phrases of some bars in the form A A B A C A.

        The player is human: every note is a few milliseconds off and never twice the same, and another ``performance``
        is the same notes played again.
        """
        score = np.random.default_rng([self.seed, sum(map(ord, kind))])
        rng = np.random.default_rng([self.seed, sum(map(ord, kind)), performance])
        out = np.zeros(round((length_s + 4) * RATE_HZ))
        beat_s = 60 / bpm
        scale = np.array([0, 2, 4, 5, 7, 9, 11])
        beats = np.arange(0, 3 * repeat_bars, 0.5)
        phrases = [[(beat, score.integers(0, 7), score.random()) for beat in beats] for _ in range(3)]
        turn_s = 3 * repeat_bars * beat_s
        for turn in range(int(np.ceil(length_s / turn_s))):
            for beat, degree, chance in phrases[(0, 0, 1, 0, 2, 0)[turn % 6]]:
                if chance > {"drum": 0.7, "pluck": 0.5, "bells": 0.35, "pad": 0.25}[kind]:
                    continue
                at_s = turn * turn_s + beat * beat_s + rng.normal(0, 0.006)
                pitch = 48 + scale[degree] + {"drum": 0, "pluck": -12, "bells": 36, "pad": 12}[kind]
                note = self._note(kind, 440 * 2 ** ((pitch - 69) / 12), rng)
                start = round(at_s * RATE_HZ)
                if start >= 0 and start + len(note) < len(out):
                    out[start : start + len(note)] += note * rng.uniform(0.6, 1.0)
        out = out[: round(length_s * RATE_HZ)]
        return (0.5 * out / np.abs(out).max()).astype(np.float32)

    def song(self, length_s: float, bpm: float = 92.0) -> dict[str, NDArray[np.float32]]:
        """Return the stems of a song and its mix under ``mix``."""
        stems = {kind: self.part(kind, length_s, bpm) for kind in ("drum", "pluck", "bells", "pad")}
        return {**stems, "mix": np.sum(list(stems.values()), axis=0).astype(np.float32) / 4}

    def filmed(
        self,
        sound: NDArray[np.float32],
        start_s: float,
        length_s: float,
        *,
        drift_ppm: float = 0.0,
        distance_m: float = 3.0,
        reverb_s: float = 0.35,
        direct_db: float = 0.0,
        snr_db: float = 30.0,
    ) -> NDArray[np.float32]:
        """Record a performance in a room: media time m hears song time start + m (1 + drift), late by the distance.

        ``direct_db`` is the level of the direct sound over the room's; ``snr_db`` that of the music over the noise.
        """
        rng = np.random.default_rng([self.seed, 7])
        tail = rng.normal(size=round(reverb_s * RATE_HZ)) * 10 ** (
            -3 * np.arange(round(reverb_s * RATE_HZ)) / (reverb_s * RATE_HZ)
        )
        tail[: round(0.004 * RATE_HZ)] = 0
        tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(tail**2))
        tail[0] = 1.0
        size = len(sound) + len(tail)
        room = np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(tail, size), size)
        media_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
        song_s = start_s + (media_s - distance_m / 343.2) * (1 + drift_ppm * 1e-6)
        heard = at_times(room, song_s * RATE_HZ)
        noise = rng.normal(size=len(heard))
        loud = np.sqrt(np.mean(heard**2)) or 1e-3
        return (heard + noise * loud * 10 ** (-snr_db / 20)).astype(np.float32)

    def _note(self, kind: str, pitch_hz: float, rng: np.random.Generator) -> NDArray[np.float64]:
        t = np.arange(round({"drum": 0.25, "pluck": 0.9, "bells": 1.2, "pad": 1.6}[kind] * RATE_HZ)) / RATE_HZ
        if kind == "drum":
            return np.exp(-t / 0.05) * (rng.normal(size=len(t)) + np.sin(2 * np.pi * 90 * t))
        if kind == "pad":
            attack = np.minimum(t / 0.25, 1) * np.minimum((t[-1] - t) / 0.3, 1)
            wobble = 1 + 0.1 * np.sin(2 * np.pi * rng.uniform(4, 6) * t)
            return (
                attack * wobble * sum(np.sin(2 * np.pi * pitch_hz * k * t + rng.uniform(0, 6)) / k for k in range(1, 9))
            )
        decay = {"pluck": 0.35, "bells": 0.5}[kind]
        partials = (1, 2.76, 5.4) if kind == "bells" else (1, 2, 3, 4, 5, 6)
        body = sum(
            np.exp(-t * k / decay) * np.sin(2 * np.pi * pitch_hz * k * t) / k for k in partials if pitch_hz * k < 7500
        )
        return body + 0.2 * np.exp(-t / 0.004) * rng.normal(size=len(t))


def at_times(sound: NDArray[np.floating], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Read a sound between its samples: four times as many by its spectrum, then straight lines; silence outside."""
    size = 1 << (len(sound) + 1000).bit_length()
    dense = np.fft.irfft(np.fft.rfft(sound, size), 4 * size)[: 4 * len(sound)] * 4
    return np.interp(at * 4, np.arange(len(dense)), dense, left=0.0, right=0.0)


@pytest.fixture(scope="session")
def band() -> Band:
    return Band(1)


@pytest.fixture(scope="module")
def placed_by_content() -> Iterator[None]:
    """Have the steps look but once in a module for the same sound on the same song, in this process.

    Where a sound lies follows from it and the song alone; tests that place the same takes again ask for more than that.
    """
    known: dict[tuple[object, ...], Found] = {}

    def content(heard: Heard) -> str:
        return xxhash.xxh3_128_hexdigest(np.ascontiguousarray(heard.samples)) + heard.weights.tobytes().hex()

    def located(clip: Heard, references: list[Reference]) -> Found:
        key = (content(clip), *((one.name, content(one.heard)) for one in references))
        if key not in known:
            known[key] = locate(clip, references)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(steps, "locate", located)
        yield


@pytest.fixture
def rng() -> np.random.Generator:
    """Give every test the same fresh stream of random numbers."""
    return np.random.default_rng(11)
