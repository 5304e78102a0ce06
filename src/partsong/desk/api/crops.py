"""Masters of other shapes: which part of every shot they show, moved by hand."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import Field

from partsong.desk.api.film import JobTold, told
from partsong.desk.api.stage import Frame
from partsong.desk.pictures import version
from partsong.desk.routes import Done, Edit, Route, Wire, changed
from partsong.desk.session import Desk
from partsong.errors import InvalidInput
from partsong.film.records import WIDE, Crop, Film, Share
from partsong.film.store import FilmStore, Head
from partsong.signoff import crop_steps
from partsong.signoff.crops import window
from partsong.signoff.masters import (
    MasterPlan,
    Piece,
    fitted,
    frame_size,
    pixel_aspect,
    plan_framed,
    plan_master,
)
from partsong.signoff.report import place_words
from partsong.watch import Watch

JOB = "crop"
OFFERED = ("9:16", "4:5", "1:1", "4:3")
"""Shapes in which such films are shown: common practice, no source. The command line takes any."""

Shape = Annotated[str, Field(max_length=9)]


class Box(Wire):
    """A rectangle in shares of a picture's width and height."""

    left: float
    top: float
    width: float
    height: float


class FramedTold(Wire):
    """A shot that begins at frame ``start``, and the part of it that a crop shows.

    ``picture`` is a small picture of the film's frame, of which ``inside`` is the part where the source lies; ``shows``
    is the window, in shares of that part.
    """

    start: int
    source: str
    place: str
    picture: str
    inside: Box
    shows: Box


class CropTold(Wire):
    """A master's shape, its size in pixels, and how each shot is framed for it."""

    shape: str
    width: int
    height: int
    shots: tuple[FramedTold, ...]


class Crops(Wire):
    """The crops of the film, the shapes that are offered beside them, and why there can be none yet."""

    crops: tuple[CropTold, ...]
    offered: tuple[str, ...]
    aspect: float
    in_the_way: str


class ShapeWish(Wire):
    """The shape to frame every shot for, where most moves."""

    shape: Shape


class Move(Edit):
    """Where a crop is to be centred in the shot that begins at ``start``, in shares of its source's picture."""

    shape: Shape
    start: Frame
    x: Share
    y: Share


class Drop(Edit):
    """The crop to be taken out of the film."""

    shape: Shape


def crops(desk: Desk) -> Crops:
    """Return how the film is framed for masters of other shapes."""
    film = desk.head().film
    try:
        told_crops = tuple(_crop(film, crop, plan_framed(film, crop)) for crop in film.crops)
        plan_master(film)
    except InvalidInput as problem:
        return Crops(crops=(), offered=(), aspect=1.0, in_the_way=str(problem))
    across, down = frame_size(film)
    made = {crop.shape for crop in film.crops}
    return Crops(
        crops=told_crops,
        offered=tuple(shape for shape in OFFERED if shape not in made),
        aspect=across / down,
        in_the_way="",
    )


def _crop(film: Film, crop: Crop, plan: MasterPlan) -> CropTold:
    shots = tuple(_shot(film, plan, piece) for piece in plan.pieces)
    return CropTold(shape=crop.shape, width=plan.width, height=plan.height, shots=shots)


def _shot(film: Film, plan: MasterPlan, piece: Piece) -> FramedTold:
    assert piece.view.centre is not None
    frame = frame_size(film)
    if piece.view.source == WIDE:
        size, aspect = frame, Fraction(1)
    else:
        picture = film.take(piece.view.source).picture
        size, aspect = picture.shown_size, pixel_aspect(picture)
    middle = piece.view.frames[(len(piece.view.frames) - 1) // 2]
    return FramedTold(
        start=piece.start,
        source=piece.view.source,
        place=place_words(film, piece.start),
        picture=f"/media/pictures/{piece.view.source}/{middle}{version(film)}",
        inside=_box(fitted(*size, aspect, frame), frame),
        shows=_box(window(size, aspect, (plan.width, plan.height), piece.view.centre), size),
    )


def _box(pixels: tuple[int, int, int, int], whole: tuple[int, int]) -> Box:
    left, top, width, height = pixels
    return Box(left=left / whole[0], top=top / whole[1], width=width / whole[0], height=height / whole[1])


def propose(desk: Desk, wish: ShapeWish) -> JobTold:
    """Start framing every shot for a shape where most moves in it."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            return crop_steps.propose_crop(store, wish.shape, watch).revision.sentence + "."

    return told(desk.jobs.start(JOB, "Frame the shots", work))


def move(desk: Desk, wish: Move) -> Done:
    """Centre a crop elsewhere in a shot."""

    def moved(store: FilmStore) -> Head:
        rate = store.head().film.rate
        at_s = float((wish.start + Fraction(1, 2)) * rate.frame_s) if rate else 0.0
        return crop_steps.move_crop(store, wish.shape, at_s, x=wish.x, y=wish.y)

    return changed(desk, wish, moved)


def drop(desk: Desk, wish: Drop) -> Done:
    """Take a crop out of the film; masters made of it stay."""
    return changed(desk, wish, lambda store: crop_steps.drop_crop(store, wish.shape))


ROUTES = (
    Route("GET", "/api/signoff/crops", crops, Crops, "How every shot is framed for masters of other shapes."),
    Route("POST", "/api/signoff/crops", propose, JobTold, "Frame every shot where most moves.", ShapeWish),
    Route("POST", "/api/signoff/crops/move", move, Done, "Centre a crop elsewhere in a shot.", Move),
    Route("POST", "/api/signoff/crops/drop", drop, Done, "Take a crop away.", Drop),
)
