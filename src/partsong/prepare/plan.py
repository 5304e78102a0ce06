"""The stage from above: where each part is played, as far as the film knows.

A spot stands where it was planned. Without a plan, how far a part is from the camera was measured, and in which
direction it lies follows from the middle of its mask, once takes were staged. What is not known is said, and nothing is
made up for it.

**Conventions.** The camera stands at the origin and looks along y; x is to the right of the frame. All in metres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from partsong.film.records import Film, Oval, Part, PlannedCamera
from partsong.prepare.framing import View, box_of, view_of
from partsong.prepare.optics import Sharp, sharp_range, usual_blur_mm

USUAL_ASPECT = 16 / 9
"""The shape of the frame until a take has told it."""


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a part is played. ``across`` is where its mask lies, 0 at the left edge of the frame and 1 at the right.

    ``x_m`` and ``y_m`` are there where it was planned, or both the distance, which was measured, and the direction are
    known.
    """

    part: str
    name: str
    distance_m: float | None
    across: float | None
    x_m: float | None
    y_m: float | None


def view(film: Film) -> View:
    """Return what the planned camera sees, in the shape of the film's frame."""
    return view_of(film.plan.camera, film.width / film.height if film.width and film.height else USUAL_ASPECT)


def sharp_by(camera: PlannedCamera) -> Sharp:
    """Return what is sharp as a camera is planned, along its axis."""
    blur_mm = usual_blur_mm(camera.sensor_mm)
    return sharp_range(camera.focal_mm, camera.f_number, camera.focus_m, blur_mm)


def spots(film: Film) -> tuple[Spot, ...]:
    """Return the spot of every part, in score order.

    >>> from partsong.film.records import Film, Part
    >>> film = Film(name="x", parts=(Part(id="bass", name="Bass", distance_m=4.0),))
    >>> spots(film)[0].distance_m
    4.0
    """
    seen = view(film)
    return tuple(_spot(film, part, seen) for part in film.parts)


def _spot(film: Film, part: Part, seen: View) -> Spot:
    across = across_frame(film, part.id)
    planned = film.plan.spot_of(part.id)
    if planned is not None:
        return Spot(part.id, part.name, part.distance_m, across, planned.x_m, planned.y_m)
    if part.distance_m is None or across is None:
        return Spot(part.id, part.name, part.distance_m, across, None, None)
    # A straight lens: the frame is a plane, and half of it lies at the tangent of half of the angle.
    sideways = (2 * across - 1) * seen.half_across
    y_m = part.distance_m / math.hypot(1, sideways)
    return Spot(part.id, part.name, part.distance_m, across, y_m * sideways, y_m)


def off_plan(film: Film) -> tuple[tuple[str, float], ...]:
    """Return (part, how far its mask's middle lies to the right of where it was planned), as shares of the frame."""
    seen = view(film)
    found = []
    for spot in film.plan.spots:
        across, box = across_frame(film, spot.part), box_of(seen, spot)
        if across is not None and box is not None:
            found.append((spot.part, across - box.across))
    return tuple(found)


def across_frame(film: Film, part: str) -> float | None:
    """Return where in the frame the mask of a part's take has its middle, from 0 to 1; None where there is none."""
    takes = {take.id for take in film.takes if take.part == part}
    mask = next((mask for mask in film.stage.masks if mask.take in takes), None)
    if mask is None or not film.width:
        return None
    shape = mask.shape
    x = shape.x if isinstance(shape, Oval) else sum(point.x for point in shape.points) / len(shape.points)
    return min(max((x + 0.5) / film.width, 0.0), 1.0)


def missing(found: Sequence[Spot]) -> tuple[str, ...]:
    """Return what the plan lacks, in sentences."""
    without_distance = [spot.name for spot in found if spot.distance_m is None]
    without_place = [spot.name for spot in found if spot.x_m is None]
    said = []
    if without_place:
        said.append(f"Not planned yet: where {listed(without_place)} will be played.")
    if without_distance:
        said.append(f"Not measured yet: how far from the camera {listed(without_distance)} will be.")
    return tuple(said)


def listed(names: Sequence[str]) -> str:
    """Write names as a sentence has them: ``A, B and C``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
