"""One frame as a page shows it: a picture, its scopes and its numbers, made in one pass and kept in the cache."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes
from partsong.film.folder import FilmFolder, key_of, write_text
from partsong.film.records import WIDE, Film, Look
from partsong.look import drawing, scopes
from partsong.look.frames import frame_at
from partsong.look.scopes import Limits
from partsong.look.showing import as_delivered, light_of
from partsong.look.steps import needed
from partsong.media.planes import Planes
from partsong.media.stills import eight_bits, write_jpeg, write_png
from partsong.render import colour
from partsong.render.pixels import full_size
from partsong.render.wide import merged_wide

Way = Literal["look", "view", "recorded"]
"""Through the whole look; through its view alone, nothing set and no table; or the camera's own code."""

KINDS = ("picture", "zones", "waveform", "parade", "histogram", "vectorscope")

PICTURE_WIDTH = 960
_MOST_PX = 1280 * 720  # of a larger frame every second (third ...) pixel is measured, as it is
_JPEG_QUALITY = 92


@dataclass(frozen=True, slots=True)
class Viewed:
    """A frame's numbers: what it shows in words, its limits, and the share of it in each zone of exposure (stops).

    ``key`` names its pictures, see :func:`kept`; every ``every``-th pixel across and down was measured.
    """

    key: str
    what: str
    every: int
    limits: Limits
    zones: tuple[tuple[int, float], ...]


def view(folder: FilmFolder, film: Film, *, source: str, frame: int, way: Way) -> Viewed:
    """Draw and measure one frame, unless that was done before.

    Parameters
    ----------
    folder, film
        The film.
    source : str
        ``wide``, or a placed take.
    frame : int
        A frame of the song.
    way : str
        What it is seen through.

    Raises
    ------
    InvalidInput
        If there is no look, no wide yet, or no picture at that frame.
    """
    if way not in get_args(Way):
        raise InvalidInput(f"A frame is seen through one of {', '.join(get_args(Way))}, not through {way!r}.")
    if film.rate is None:
        raise InvalidInput("The film has no take yet, so it has no frames. See: partsong shoot add")
    look = needed(film)
    if way == "view":
        look = Look(config=look.config, input_space=look.input_space, display=look.display, view=look.view)
    key = key_of("view-1", _content(folder, film, source, frame), look.model_dump(mode="json"), way, drawing.PAPER)
    numbers = folder.cached("views", key, ".json")
    if numbers.is_file():
        return TypeAdapter(Viewed).validate_json(numbers.read_bytes())
    shown = frame_at(folder, film, look, frame * film.rate.frame_s, None if source == WIDE else source)
    every = 1
    while shown.planes.width * shown.planes.height > _MOST_PX * every**2:
        every += 1
    shown = replace(shown, planes=_thinned(shown.planes, every))
    rgb = shown.encoded().astype(np.float64) if way == "recorded" else as_delivered(folder, look, shown)
    zones = scopes.zones(light_of(look, shown), colour.luminance_weights(look.config))
    for kind, image in _drawn(rgb, zones):
        path = kept(folder, key, kind)
        if kind == "picture":
            write_jpeg(path, image, quality=_JPEG_QUALITY)
        else:
            write_png(path, image, compression=1)  # somebody waits for it
    shares = tuple((zone, float((zones == zone).mean())) for zone in scopes.ZONES)
    viewed = Viewed(key, shown.what, every, scopes.limits(rgb), shares)
    write_text(numbers, TypeAdapter(Viewed).dump_json(viewed).decode())  # last: it says that all the others are there
    return viewed


def kept(folder: FilmFolder, key: str, kind: str) -> Path:
    """Return where a picture of a viewed frame lies.

    Raises
    ------
    InvalidInput
        If the key is none, or there is no such kind of picture.
    """
    if kind not in KINDS or len(key) != 32 or not set(key) <= set("0123456789abcdef"):
        raise InvalidInput(f"There is no such picture. There are: {', '.join(KINDS)}.")
    return folder.cached("views", f"{key}-{kind}", ".jpg" if kind == "picture" else ".png")


def _content(folder: FilmFolder, film: Film, source: str, frame: int) -> object:
    """Return all that a frame's own code depends on, as JSON-like values."""
    if source == WIDE:
        spaces = sorted({take.input_space or "" for take in film.stage_takes()})
        return [WIDE, spaces, merged_wide(folder, film, [frame]).within([frame])]
    take = film.take(source)
    placed = next((one for one in placed_takes(film) if one.take.id == source), None)
    own = placed.source_frame(frame) if placed is not None else None
    grade = film.grade_of(source)
    return [source, take.clip.model_dump(mode="json"), take.input_space, own, grade.model_dump() if grade else None]


def _thinned(planes: Planes, every: int) -> Planes:
    if every == 1:
        return planes
    code = full_size(planes)[::every, ::every].astype(planes.y.dtype)
    return replace(planes, y=code[..., 0], u=code[..., 1], v=code[..., 2])


def _drawn(rgb: NDArray[np.float64], zones: NDArray[np.int8]) -> list[tuple[str, drawing.Image]]:
    import cv2

    width = min(PICTURE_WIDTH, rgb.shape[1])
    size = (width, max(1, round(rgb.shape[0] * width / rgb.shape[1])))
    eight = eight_bits(rgb)
    small = np.asarray(cv2.resize(zones.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)).view(np.int8)
    return [
        ("picture", np.asarray(cv2.resize(eight, size, interpolation=cv2.INTER_AREA), np.uint8)),
        ("zones", drawing.zones(small)),
        ("waveform", drawing.waveform(scopes.waveform(scopes.luma(rgb), columns=320, levels=220))),
        ("parade", drawing.parade(scopes.parade(rgb, columns=104, levels=220))),
        ("histogram", drawing.histogram(scopes.histogram(rgb, bins=150), height=202)),
        ("vectorscope", drawing.vectorscope(scopes.vectorscope(rgb, size=220))),
    ]
