"""The steps of crops: propose where each shot is framed, move one, take a crop away, draw them all."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, write_text
from partsong.film.pages import template
from partsong.film.records import Crop, CropMark, Film, Shot
from partsong.film.store import FilmStore, Head
from partsong.media.planes import Planes
from partsong.render.pixels import code_scale
from partsong.signoff.crops import SHORT_SIDE, best_centre, window
from partsong.signoff.masters import Piece, pixel_aspect, plan_framed
from partsong.signoff.paint import Painter, painter_for
from partsong.signoff.report import Picture, place_words
from partsong.signoff.steps import picture_of
from partsong.timebase import clock
from partsong.watch import Watch

_LOOKS = 6  # pairs of frames looked at in a shot
_APART_S = 0.125  # between the two of a pair: slow bows have moved by then, and nobody has walked away
_SMALL = 192  # pixels across a picture in which movement is looked for
_WIDTH = 480  # of a picture on the page
_SOFT = 1.5  # pixels of it: single grains are no movement
_DIMMED = 0.35  # of the light outside the window, on the page


@dataclass(frozen=True, slots=True)
class Framed:
    """A shot on the page: its place in the song in words and as a time, its source, its crop's centre, its picture."""

    when: str
    clock: str
    source: str
    centre: tuple[float, float]
    picture: Picture


def propose_crop(store: FilmStore, shape: str, watch: Watch) -> Head:
    """Frame every shot of the cut where most moves in it; it takes the place of an earlier crop of that shape.

    Raises
    ------
    InvalidInput
        If no master could be made of the film yet, or the shape is none.
    Cancelled
        When the watch said stop.
    """
    film = store.head().film
    crop = Crop(shape="1:1").replace(shape=shape)
    plan = plan_framed(film, crop)
    painter = painter_for(store.folder, film, plan, "h264")
    marks = []
    for piece in watch.over(plan.pieces, total=len(plan.pieces), doing=f"Framing {shape}"):
        x, y = _centre(painter, piece)
        marks.append(CropMark(source=piece.view.source, start=piece.start, x=x, y=y))
    framed = _marked(crop, marks)
    return store.change(f"Framed {len(marks)} shots for {shape}", lambda film: _with(film, framed))


def move_crop(store: FilmStore, shape: str, at_s: float, *, x: float | None, y: float | None) -> Head:
    """Centre a crop elsewhere in the shot that plays at a time of the song, in seconds; what is not given stays.

    Raises
    ------
    InvalidInput
        If there is no such crop, no shot plays there, or a share is not from 0 to 1.
    """

    def moved(film: Film) -> Film:
        crop = film.crop(shape)
        frame = math.floor(at_s * film.rate.exact) if film.rate else 0
        shot = next((each for each in film.cut if each.start <= frame < each.end), None)
        if shot is None:
            raise InvalidInput(f"No shot plays at {at_s:g} s. See the cut: partsong cut show FILM")
        mark = _mark_of(crop, shot)
        mark = mark.replace(x=mark.x if x is None else x, y=mark.y if y is None else y)
        # The shots of this source that follow stay where they are.
        follows = next((each for each in film.cut if each.source == shot.source and each.start > shot.start), None)
        kept = [] if follows is None else [_mark_of(crop, follows)]
        return _with(film, _marked(crop, [*kept, mark]))

    return store.change(f"Moved the {shape} frame", moved)


def drop_crop(store: FilmStore, shape: str) -> Head:
    """Take a crop out of the film; masters made of it stay.

    Raises
    ------
    NoSuchRecord
        If there is none of that shape.
    """

    def dropped(film: Film) -> Film:
        gone = film.crop(shape)
        return film.replace(crops=tuple(each for each in film.crops if each is not gone))

    return store.change(f"Took the {shape} crop away", dropped)


def write_crop_page(folder: FilmFolder, film: Film, shape: str, watch: Watch) -> tuple[Path, tuple[Framed, ...]]:
    """Draw every shot with the window that a crop shows of it, as one page in the film's reports.

    Raises
    ------
    InvalidInput
        If there is no such crop, or no master could be made of the film.
    """
    crop = film.crop(shape)
    plan = plan_framed(film, crop)
    painter = painter_for(folder, film, plan, "h264")
    shots = []
    for piece in watch.over(plan.pieces, total=len(plan.pieces), doing=f"Drawing the {shape} frames"):
        assert piece.view.centre is not None
        when = place_words(film, piece.start)
        alt = f"{piece.view.source} at {when}, with what the {shape} master shows of it lit"
        (picture,) = _whole(painter, piece, [(piece.start + piece.stop - 1) // 2], _WIDTH)
        shots.append(
            Framed(
                when,
                clock(piece.start * plan.rate.frame_s),
                piece.view.source,
                piece.view.centre,
                picture_of(_lit(picture, painter, piece), alt),
            )
        )
    path = folder.reports / f"crop-{crop.in_names}.html"
    size = f"{plan.width} × {plan.height}"
    small = min(plan.width, plan.height) < SHORT_SIDE
    write_text(
        path,
        template("signoff/templates/crop.html").render(
            title=film.name, shape=shape, size=size, small=small, short=SHORT_SIDE, shots=shots
        ),
    )
    return path, tuple(shots)


def _mark_of(crop: Crop, shot: Shot) -> CropMark:
    """Return a mark that says of a shot what holds for it."""
    x, y = crop.centre(shot.source, shot.start)
    return CropMark(source=shot.source, start=shot.start, x=x, y=y)


def _marked(crop: Crop, marks: Sequence[CropMark]) -> Crop:
    """Return a crop with more marks; each takes the place of one of the same source and frame."""
    by_place = {(mark.source, mark.start): mark for mark in (*crop.marks, *marks)}
    return crop.replace(marks=tuple(by_place[place] for place in sorted(by_place)))


def _with(film: Film, crop: Crop) -> Film:
    others = [each for each in film.crops if each.shape != crop.shape]
    return film.replace(crops=tuple(sorted((*others, crop), key=lambda each: each.shape)))


def _whole(painter: Painter, piece: Piece, frames: Sequence[int], width: int) -> Iterator[Planes]:
    """Yield frames of a shot as they are shown, rising: the whole picture of its source, reduced to a width."""
    picture = painter.sources[piece.view.source].picture
    across, down = picture.shown_size
    size = (width, max(2, round(width * down / (across * pixel_aspect(picture))) // 2 * 2))
    whole = replace(piece, views=(replace(piece.view, centre=None),))
    return replace(painter, pieces=(whole,), size=size, texture=None).pictures(frames)


def _centre(painter: Painter, piece: Piece) -> tuple[float, float]:
    """Return where a crop shows most of what moves in a shot."""
    apart = max(1, round(_APART_S * painter.rate.exact))
    first = np.linspace(piece.start, max(piece.start, piece.stop - 1 - apart), _LOOKS).astype(int)
    pairs = [(int(at), min(int(at) + apart, piece.stop - 1)) for at in first]
    frames = sorted({frame for pair in pairs for frame in pair})
    seen = {
        frame: cv2.GaussianBlur(planes.y.astype(np.float32), (0, 0), _SOFT)
        for frame, planes in zip(frames, _whole(painter, piece, frames, _SMALL), strict=True)
    }
    moved = np.mean([np.abs(seen[later] - seen[earlier]) for earlier, later in pairs], axis=0)
    # Grain moves everywhere alike. The root, since a body that sways is looked at as well as the hands that fly.
    movement = np.sqrt(np.maximum(moved - 2 * np.median(moved), 0))
    _, _, width, height = _window(painter, piece)
    across, down = painter.sources[piece.view.source].picture.shown_size
    return best_centre(movement, (width / across, height / down))


def _window(painter: Painter, piece: Piece) -> tuple[int, int, int, int]:
    """Return the window of a shot in pixels of its source's picture."""
    picture = painter.sources[piece.view.source].picture
    assert piece.view.centre is not None
    return window(picture.shown_size, pixel_aspect(picture), painter.size, piece.view.centre)


def _lit(planes: Planes, painter: Painter, piece: Piece) -> Planes:
    """Return a small picture of a shot with all that the crop does not show dimmed."""
    across, down = painter.sources[piece.view.source].picture.shown_size
    left, top, width, height = _window(painter, piece)
    columns = [round(at * planes.width / across) for at in (left, left + width)]
    rows = [round(at * planes.height / down) for at in (top, top + height)]
    _, black, _, _ = code_scale(planes.bit_depth, planes.value_range)
    dimmed = black + (planes.y.astype(np.float32) - black) * _DIMMED
    shown = np.s_[rows[0] : rows[1], columns[0] : columns[1]]
    dimmed[shown] = planes.y[shown]
    return replace(planes, y=np.rint(dimmed).astype(planes.y.dtype))
