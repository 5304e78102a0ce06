"""A hand that plays notes, drawn small: pictures whose place on the song is known, for tests of lineup and shoot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

WIDTH, HEIGHT = 160, 96
_ACROSS, _DOWN = np.meshgrid(np.arange(WIDTH) + 0.5, np.arange(HEIGHT) + 0.5)


@dataclass(frozen=True)
class Player:
    """Plays notes that are made from a seed, about one a second, never evenly."""

    seed: int
    length_s: float = 60.0

    @property
    def notes_s(self) -> NDArray[np.float64]:
        """When each note starts, in song time."""
        rng = np.random.default_rng([self.seed, 5])
        notes = 0.7 + np.cumsum(rng.uniform(0.7, 1.6, 200))
        return notes[notes < self.length_s - 1]

    def stem(self, rate_hz: int = 16000) -> NDArray[np.float32]:
        """Return what is heard: a decaying tone for every note."""
        sound = np.zeros(round(self.length_s * rate_hz))
        t = np.arange(round(0.5 * rate_hz)) / rate_hz
        for number, note_s in enumerate(self.notes_s):
            start = round(note_s * rate_hz)
            tone = (
                np.exp(-t / 0.12)
                * np.sin(np.pi * np.clip((0.5 - t) / 0.2, 0, 0.5))
                * np.sin(2 * np.pi * (330 + 40 * (number % 5)) * t)
            )
            sound[start : start + len(t)] += tone[: len(sound) - start]
        return (0.4 * sound).astype(np.float32)

    def frames(self, way: str, start_s: float, frames: int, rate_hz: float) -> Iterator[NDArray[np.uint8]]:
        """Draw the hand: ``struck`` lifts slowly and falls fast, ``plucked`` pulls fast and goes back slowly.

        ``swung`` leaves 0.4 s before the note and is back at it, the same way as it came.
        """
        rng = np.random.default_rng([self.seed, 6])
        song_s = start_s + np.arange(frames) / rate_hz
        height = np.zeros(frames)
        for note_s in self.notes_s:
            since = song_s - note_s
            if way == "struck":
                lift = np.clip((since + 0.32) / 0.22, 0, 1) * (since < 0)
                height = np.maximum(height, 16 * lift * (1 - np.clip((since + 0.09) / 0.09, 0, 1) ** 2))
            elif way == "swung":
                height = np.maximum(height, 16 * np.sin(np.pi * np.clip((since + 0.4) / 0.4, 0, 1)) ** 2)
            else:
                back = np.clip((since - 0.08) / 0.45, 0, 1)
                height = np.maximum(height, 16 * np.clip(since / 0.06, 0, 1) * (1 - back * back * (3 - 2 * back)))
        wall = 70 + 12 * np.sin(_ACROSS / 5) * np.cos(_DOWN / 7)
        sway = 2 * np.sin(2 * np.pi * 0.23 * song_s + 1)
        for number in range(frames):
            picture = wall + 2 * rng.normal(size=wall.shape)
            picture += _disc(80 + sway[number], 34, 16) * 40  # a body that sways
            picture += _disc(86 + 0.5 * sway[number], 70 - height[number], 6) * 90
            yield np.clip(picture + 0.5, 16, 235).astype(np.uint8)


def _disc(x: float, y: float, radius: float) -> NDArray[np.float64]:
    return np.asarray(np.clip(radius + 0.5 - np.hypot(_ACROSS - x, _DOWN - y), 0, 1))
