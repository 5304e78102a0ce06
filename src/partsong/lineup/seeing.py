"""Looks at takes through the media room and keeps what was seen in the film's cache, named by the take's content:
how its cells move, and where the whole of it grows brighter or darker.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import Clip, PictureInfo
from partsong.lineup import motion, slates
from partsong.lineup.motion import CELL_PX, WIDTH_PX, Motion
from partsong.lineup.slates import Flash
from partsong.media.picture import open_picture
from partsong.watch import Watch

_KIND = "seen"

MOST_S = 120
"""Of longer takes the middle is looked at, for as long: more costs time and hardly says more."""


def see_clip(folder: FilmFolder, clip: Clip, watch: Watch) -> Motion:
    """Return how a clip's picture moves, from the cache where it was looked at before. The clip must have picture.

    Of a long clip only the middle :data:`MOST_S` seconds are looked at.

    Raises
    ------
    UnreadableMedia
        If a frame cannot be decoded.
    """
    assert clip.picture is not None
    rate_hz = float(clip.picture.rate.exact)
    most = round(MOST_S * rate_hz)
    first = max(0, (clip.picture.frames - most) // 2)
    frames = range(first, min(first + most, clip.picture.frames))
    doing = ("moves", motion.VERSION, MOST_S), "Watching the player in"
    return Motion.of(_seen(folder, clip, frames, *doing, motion.watched, watch), rate_hz, first / rate_hz)


def see_flashes(folder: FilmFolder, clip: Clip, watch: Watch) -> tuple[Flash, ...]:
    """Return the flashes in a clip, from the cache where it was looked at before. The clip must have picture.

    Raises
    ------
    UnreadableMedia
        If a frame cannot be decoded.
    """
    assert clip.picture is not None
    frames = range(clip.picture.frames)
    turns = _seen(folder, clip, frames, ("turns", slates.VERSION), "Looking for flashes in", slates.turns, watch)
    return slates.find_flashes(turns, float(clip.picture.rate.exact))


def _seen(
    folder: FilmFolder,
    clip: Clip,
    frames: range,
    what: tuple[str | int, ...],
    doing: str,
    measure: Callable[[Iterable[NDArray[np.floating]]], NDArray[np.floating]],
    watch: Watch,
) -> NDArray[np.floating]:
    assert clip.picture is not None
    path = folder.cached(_KIND, key_of(_KIND, *what, clip.file.fingerprint, clip.file.size_bytes), ".npy")
    if not path.is_file():
        found = measure(_small(folder.locate(clip.file), clip.picture, frames, doing, watch))
        with writing(path) as temporary, temporary.open("wb") as file:
            np.save(file, found, allow_pickle=False)
    return np.asarray(np.load(path, allow_pickle=False))


def _small(
    source: Path, picture: PictureInfo, frames: range, doing: str, watch: Watch
) -> Iterator[NDArray[np.floating]]:
    # Only differences of luma count, so which matrix and range they are coded with does not.
    with open_picture(source, picture, threads=1, matrix="bt709", value_range="limited") as reader:
        for planes in watch.over(reader.read(frames), total=len(frames), doing=f"{doing} {source.name}"):
            yield small(planes.y) / np.float32(1 << (planes.bit_depth - 8))


def small(luma: NDArray[np.integer]) -> NDArray[np.float32]:
    """Shrink a plane of luma to :data:`WIDTH_PX` across and whole cells, by the mean of what each pixel covers.

    Of large pictures not every pixel is asked: nine for each new one keep the noise down, and all of them would cost
    as much as the decoder does.
    """
    import cv2

    height, width = luma.shape
    step = max(1, width // (3 * WIDTH_PX))
    new_width = max(CELL_PX, min(WIDTH_PX, width) // CELL_PX * CELL_PX)
    new_height = max(CELL_PX, height * new_width // width // CELL_PX * CELL_PX)
    asked = luma[step // 2 :: step, step // 2 :: step].astype(np.float32)
    return np.asarray(cv2.resize(asked, (new_width, new_height), interpolation=cv2.INTER_AREA), np.float32)
