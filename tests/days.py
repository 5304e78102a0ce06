"""Days of filming in one folder: songs, grey clips with a sound, and a film made of them. ``import days``."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from partsong.film.folder import FilmFolder
from partsong.film.records import Clip, Film
from partsong.film.store import FilmStore
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.soundtrack import SoundTrack
from partsong.timebase import Rate

_GREY = [np.full(size, 512, np.uint16) for size in ((36, 64), (36, 32), (36, 32))]


@dataclass(frozen=True)
class Day:
    """A folder with media in it, and the film in ``film``; frames and samples a second are those of all its files."""

    root: Path
    rate: Rate
    rate_hz: int = 16000

    def sound(self, name: str, samples: NDArray[np.floating]) -> None:
        """Write a sound file, (n,) or (n, channels)."""
        soundfile.write(self.root / f"{name}.wav", samples, self.rate_hz, subtype="PCM_24")

    def grey(self, name: str, samples: NDArray[np.floating]) -> None:
        """Write a camera's clip of a grey card that lasts as long as its sound, (n,) or (n, channels)."""
        heard = np.asarray(samples, np.float32).reshape(len(samples), -1)
        track = SoundTrack([heard], heard.shape[1], rate_hz=self.rate_hz)
        picture = Planes(*_GREY, 10, "bt709", "limited")
        with PictureWriter(
            self.root / f"{name}.mov", RECIPES["camera"], width=64, height=36, rate=self.rate, sound=track, threads=1
        ) as writer:
            for _ in range(int(len(heard) * self.rate.exact / self.rate_hz)):
                writer.write(picture)

    def clip(self, name: str) -> Clip:
        """Return the record of a file in the folder."""
        return probe(self.root / name, FilmFolder(self.root / "film").refer(self.root / name))

    def film(self, **fields: Any) -> Path:
        """Make the film, and return its folder."""
        folder = self.root / "film"
        FilmStore.create(folder, Film(**{"name": "Test", "rate": self.rate, **fields}), "Made for a test").close()
        return folder


def copied(day: Path, to: Path) -> Path:
    """Copy the film of a day, cache and all, beside links to its media; return the film's folder."""
    for file in day.iterdir():
        if file.is_dir():
            shutil.copytree(file, to / file.name)
        else:
            os.link(file, to / file.name)
    return to / "film"
