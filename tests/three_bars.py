"""Three bars of a film to sign off: noise for a song, a bar of light that moves, a wide. ``import three_bars``."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.film.folder import FilmFolder
from partsong.film.records import Clip, Film, Look, Part, Placement, Shot, Song, Stage, Take, TempoMark
from partsong.film.store import FilmStore
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.sound import write_wav
from partsong.render.colour import DEFAULT_CONFIG
from partsong.render.wide import place, segments_of
from partsong.timebase import Rate, Time

RATE = Rate.of("24")
SIZE = (128, 72)
SONG_S = Fraction(149_000, 48_000)  # 3.104 s: 74.5 frames, so the last of 75 is half filled
SAMPLES = 149_000


def clip_of(path: Path, folder: FilmFolder) -> Clip:
    return probe(path, folder.refer(path))


def write_picture(
    path: Path, frames: range, *, level: int, recipe: str = "camera", size: tuple[int, int] = SIZE
) -> None:
    """A bright bar that moves two pixels a frame over a ramp, so that every frame differs from its neighbours."""
    width, height = size
    ramp = np.tile(np.linspace(300, 500, width), (height, 1))
    colour = np.full((height, width // 2), 512, np.uint16)
    with PictureWriter(
        path, RECIPES[recipe], width=width, height=height, rate=RATE, primaries="unknown", transfer="unknown"
    ) as writer:
        for frame in frames:
            y = ramp.copy()
            left = 2 * frame % (width - 12)
            y[height // 4 : -height // 4, left : left + 12] = level
            writer.write(Planes(y.astype(np.uint16), colour, colour, 10, "bt709", "limited"))


def music() -> NDArray[np.float32]:
    """Noise with a swell, about -20 dBFS."""
    noise = np.random.default_rng(2).normal(0, 0.07, (SAMPLES, 2))
    return (noise * (1 + 0.5 * np.sin(np.arange(SAMPLES) / 11_000))[:, None]).astype(np.float32)


def three_bars(here: Path) -> tuple[FilmFolder, Film]:
    """Make a film of two takes and a wide that stands where stage would put it; it is not in the store yet."""
    folder = FilmFolder(here / "film")
    write_wav(here / "mix.wav", [music()])
    write_picture(here / "cajon.mov", range(90), level=600)
    write_picture(here / "roaming.mov", range(80), level=700, size=(96, 72))
    with FilmStore.create(folder.root, Film(name="Three bars"), "Made") as store:
        folder = store.folder
    film = Film(
        name="Three bars",
        rate=RATE,
        width=SIZE[0],
        height=SIZE[1],
        song=Song(
            title="Three bars",
            mix=clip_of(here / "mix.wav", folder),
            tempo=(TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=180),),
        ),
        parts=(Part(id="cajon", name="Cajón"),),
        takes=(
            Take(id="cajon-1", kind="stage", part="cajon", clip=clip_of(here / "cajon.mov", folder)),
            Take(id="roaming-1", kind="roaming", clip=clip_of(here / "roaming.mov", folder)),
        ),
        placements=(
            Placement(take="cajon-1", confidence="sure", start=Time.of(Fraction(-1, 4))),
            Placement(take="roaming-1", confidence="likely", start=Time.of(Fraction(0))),
        ),
        stage=Stage(reference="cajon-1", order=("cajon-1",)),
        look=Look(
            config=DEFAULT_CONFIG,
            input_space="ACEScct",
            display="Rec.1886 Rec.709 - Display",
            view="ACES 1.0 - SDR Video",
        ),
        cut=(
            Shot(source="wide", start=0, end=30),
            Shot(source="roaming-1", start=30, end=50),
            Shot(source="cajon-1", start=50, end=75),
        ),
    )
    for segment in segments_of(film, range(75)):
        frames = range(segment.first, segment.stop)
        write_picture(place(folder, segment), frames, level=650, recipe="intermediate")
    return folder, film
