"""The stage from above: where each part is played, as far as the film knows, and what the lens sees of the room.

How far a part is from the camera was measured on the day or before it; in which direction it lies follows from the
middle of its mask, once takes were staged. What is not known is said, and nothing is made up for it.

**Conventions.** The camera stands at the origin and looks along y; x is to the right of the frame. All in metres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from partsong.film.records import Film, Oval
from partsong.prepare.optics import angle_of_view_deg


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a part is played. ``across`` is 0 at the left edge of the frame and 1 at the right.

    ``x_m`` and ``y_m`` are there where both the distance and the direction are known.
    """

    part: str
    name: str
    distance_m: float | None
    across: float | None
    x_m: float | None
    y_m: float | None


def spots(film: Film, *, focal_mm: float, sensor_mm: float) -> tuple[Spot, ...]:
    """Return the spot of every part, in score order.

    >>> from partsong.film.records import Film, Part
    >>> film = Film(name="x", parts=(Part(id="bass", name="Bass", distance_m=4.0),))
    >>> spots(film, focal_mm=24, sensor_mm=36)[0].distance_m
    4.0
    """
    half = math.tan(math.radians(angle_of_view_deg(focal_mm, sensor_mm)) / 2)
    return tuple(_spot(film, part.id, part.name, part.distance_m, half) for part in film.parts)


def _spot(film: Film, part: str, name: str, distance_m: float | None, half: float) -> Spot:
    across = across_frame(film, part)
    if distance_m is None or across is None:
        return Spot(part, name, distance_m, across, None, None)
    # A straight lens: the frame is a plane, and half of it lies at the tangent of half of the angle.
    sideways = (2 * across - 1) * half
    y_m = distance_m / math.hypot(1, sideways)
    return Spot(part, name, distance_m, across, y_m * sideways, y_m)


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
    without_place = [spot.name for spot in found if spot.across is None]
    said = []
    if without_distance:
        said.append(f"Not measured yet: how far from the camera {_listed(without_distance)} will be.")
    if without_place:
        said.append(
            f"Not known yet: where in the frame {_listed(without_place)} will be. That follows from the masks, once "
            "takes are staged; until then write it on the sheet."
        )
    return tuple(said)


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
