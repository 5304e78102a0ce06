"""A small film of three players, filmed one after another in a room that we paint: real files, known truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

import acescct
from partsong.film.folder import FilmFolder
from partsong.film.records import Film, Part, Placement, Song, Take
from partsong.film.store import FilmStore
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.probe import probe
from partsong.media.sound import write_wav
from partsong.render import pixels
from partsong.timebase import SAMPLES, Rate, Time

WIDTH, HEIGHT, RATE = 240, 136, Rate(num=25)
FRAMES = 30
PLAYERS = {"cello": 50, "oboe": 122, "celesta": 190}
"""Where in the frame each part is played."""


@dataclass(frozen=True)
class Painted:
    """A clip to paint: whose spot is lit and played at, where the camera stands, and in which form it is written.

    From frame ``knocked[0]`` on the camera stands ``knocked[1:]`` pixels further right and down.
    """

    player_x: float
    moved: tuple[int, int] = (0, 0)
    size: tuple[int, int] = (WIDTH, HEIGHT)
    rate: Rate = RATE
    frames: int = FRAMES
    knocked: tuple[int, int, int] | None = None
    room: int = 8
    leans: tuple[int, int, float] | None = None  # from frame, to before frame, by how far to the right

    def frame(self, number: int) -> np.ndarray:
        """Return scene-linear light (height, width, 3)."""
        width, height = self.size
        rng = np.random.default_rng(self.room)
        room = np.full((height + 20, width + 20), 0.2)
        for _ in range(50):
            x, y, w, h = rng.integers(0, width), rng.integers(0, height), rng.integers(4, 50), rng.integers(4, 40)
            room[y : y + h, x : x + w] = 0.05 + 0.5 * rng.random()
        x, y = np.meshgrid(np.arange(-10, width + 10), np.arange(-10, height + 10))
        lamp = 0.06 + np.exp(-(((x - self.player_x) / 30) ** 2) - ((y - 80) / 40) ** 2)
        sway = self.player_x + 7 * np.sin(number * 0.9)
        if self.leans is not None and self.leans[0] <= number < self.leans[1]:
            sway += self.leans[2]
        body = np.hypot((x - sway) / 9, (y - 82) / 24) < 1
        light = np.where(body, 0.5, room) * lamp
        light = cv2.GaussianBlur(light, (0, 0), 0.7)
        dx, dy = self.moved
        if self.knocked and number >= self.knocked[0]:
            dx, dy = dx + self.knocked[1], dy + self.knocked[2]
        light = light[10 - dy : 10 - dy + height, 10 - dx : 10 - dx + width]
        return light[..., None] * np.array([1.0, 0.9, 0.75])

    def write(self, path: Path) -> Path:
        """Write the clip, encoded as ACEScct, with a camera's grain."""
        rng = np.random.default_rng(int(self.player_x))
        path.parent.mkdir(parents=True, exist_ok=True)
        with PictureWriter(
            path, RECIPES["camera"], width=self.size[0], height=self.size[1], rate=self.rate,
            primaries="unknown", transfer="unknown", threads=1,
        ) as writer:  # fmt: skip
            for number in range(self.frames):
                encoded = acescct.from_linear(self.frame(number)) + rng.normal(
                    0, 0.003, (self.size[1], self.size[0], 1)
                )
                codes = pixels.encoded_to_codes(encoded, 10, "bt709", "limited")
                writer.write(pixels.to_planes(codes, "422", 10, "bt709", "limited"))
        return path


def made_film(root: Path, clips: dict[str, Painted], starts_s: dict[str, Fraction], song_s: float = 1.0) -> FilmStore:
    """Write the clips and a song, and make a film in which they are placed."""
    song = root / "song.wav"
    write_wav(song, [np.zeros((round(song_s * 48000), 1), np.float32)])
    for name, clip in clips.items():
        clip.write(root / "clips" / f"{name}.mov")
    folder = FilmFolder(root / "film")
    takes, placements = [], []
    for name in clips:
        path = root / "clips" / f"{name}.mov"
        part = name.partition("-")[0]
        takes.append(
            Take(id=name, kind="stage", part=part, clip=probe(path, folder.refer(path)), input_space="ACEScct")
        )
        placements.append(
            Placement(take=name, confidence="sure", start=Time.of(starts_s.get(name, Fraction(0)), SAMPLES))
        )
    parts = dict.fromkeys(name.partition("-")[0] for name in clips)
    film = Film(
        name="three", rate=RATE, width=WIDTH, height=HEIGHT,
        song=Song(title="Three", mix=probe(song, folder.refer(song))),
        parts=tuple(Part(id=part, name=part) for part in parts),
        takes=tuple(takes), placements=tuple(placements),
    )  # fmt: skip
    return FilmStore.create(folder.root, film, "Made the film")


@pytest.fixture(scope="session")
def small() -> SimpleNamespace:
    """Return what this file offers to tests, which cannot import it by name."""
    return SimpleNamespace(
        Painted=Painted, made_film=made_film, players=PLAYERS, width=WIDTH, height=HEIGHT, frames=FRAMES
    )


@pytest.fixture(scope="session")
def three(tmp_path_factory) -> Callable[[], FilmStore]:
    """Return an opener of one film of three takes; the oboe's camera was nudged by (-3, 2) pixels before it."""
    root = tmp_path_factory.mktemp("three")
    clips = {name: Painted(x, moved=(-3, 2) if name == "oboe" else (0, 0)) for name, x in PLAYERS.items()}
    made_film(root, clips, {"celesta": Fraction(2, 5)}).close()
    return lambda: FilmStore.open(root / "film")
