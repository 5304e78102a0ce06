"""Films to render: takes of a textured, slowly changing picture, laid over each other through ovals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from partsong.film.folder import FilmFolder
from partsong.film.records import WIDE, Film, Look, Mask, Oval, Part, Placement, Shot, Song, Stage, Take
from partsong.film.store import FilmStore
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.join import join
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.sound import write_wav
from partsong.render.colour import DEFAULT_CONFIG
from partsong.timebase import Rate, Time

Size = tuple[int, int]
LOOK = Look(
    config=DEFAULT_CONFIG,
    input_space="ACEScct",
    display="Rec.1886 Rec.709 - Display",
    view="ACES 1.0 - SDR Video",
)


def camera_second(folder: Path, rate: Rate, size: Size, seed: int = 1, gop_s: float = 1) -> Path:
    """Encode one second of a take, with a key frame so often; longer takes repeat it by copying."""
    path = folder / f"second-{seed}.mov"
    width, height = size
    rng = np.random.default_rng(seed)
    texture = rng.integers(300, 420, (-(-height // 8), -(-width // 8)), np.uint16).repeat(8, 0).repeat(8, 1)
    texture = texture[:height, :width]
    grey = np.full((height, width // 2), 512, np.uint16)
    recipe = replace(RECIPES["camera"], gop_s=gop_s)
    with PictureWriter(path, recipe, width=width, height=height, rate=rate) as writer:
        for frame in range(rate.num):
            writer.write(Planes(texture + np.uint16(frame), grey, grey, 10, "bt709", "limited"))
    return path


def made_film(here: Path, second_of: list[Path], seconds: int, rate: Rate, size: Size, cut: bool = False) -> FilmStore:
    """Write takes and a silent song of some length, and make a film of them; with ``cut``, wide and takes take turns.

    ``second_of`` holds one second of each take.
    """
    here.mkdir(parents=True)
    mix = here / "mix.wav"
    write_wav(mix, _quiet(seconds), bits=16)
    clips = []
    for number, second in enumerate(second_of):
        clip = here / f"take-{number}.mov"
        join([second] * seconds, clip, sound=None)
        clips.append(clip)
    store = FilmStore.create(here / "film", Film(name="Long"), "Made a long film")
    store.change("Laid it out", lambda film: _laid_out(film, store.folder, clips, mix, rate, size, cut))
    return store


def _quiet(seconds: int) -> Iterator[np.ndarray]:
    for _ in range(seconds):
        yield np.zeros((48000, 2), np.float32)


def _laid_out(film: Film, folder: FilmFolder, clips: list[Path], mix: Path, rate: Rate, size: Size, cut: bool) -> Film:
    width, height = size
    parts = tuple(Part(id=f"part-{number}", name=f"Part {number}") for number in range(len(clips)))
    takes = tuple(
        Take(id=f"take-{number}", kind="stage", part=part.id, clip=probe(clip, folder.refer(clip)))
        for number, (part, clip) in enumerate(zip(parts, clips, strict=True))
    )
    spots = len(takes) - 1
    masks = tuple(
        Mask(
            take=take.id,
            shape=Oval(
                x=width * (0.1 + 0.8 * n / max(1, spots - 1)), y=height * 0.55, rx=width * 0.09, ry=height * 0.35
            ),
            feather_px=width / 20,
        )
        for n, take in enumerate(takes[1:])
    )  # fmt: skip
    song = Song(title="Long", mix=probe(mix, folder.refer(mix)))
    frames = int(song.length_s * rate.exact)
    turns = [*range(0, frames, 2 * rate.num), frames] if cut else []
    return film.replace(
        rate=rate, width=width, height=height, parts=parts, takes=takes, song=song,
        placements=tuple(Placement(take=take.id, confidence="sure", start=Time(ticks=0)) for take in takes),
        stage=Stage(reference=takes[0].id, order=tuple(take.id for take in takes), masks=masks),
        look=LOOK,
        cut=tuple(Shot(source=WIDE if n % 2 == 0 else takes[n % len(takes)].id, start=a, end=b)
                  for n, (a, b) in enumerate(pairwise(turns))),
    )  # fmt: skip
