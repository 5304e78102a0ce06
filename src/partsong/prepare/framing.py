"""What the locked-off camera will see of a planned stage: where each spot lies in the frame, and which cover which.

A straight lens is taken. Plan coordinates are metres: x to the right, y into the room, z up from the floor; the camera
stands at (0, 0, its height). Places in the frame are shares of its width and height from the upper left corner.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from partsong.film.records import PlannedCamera, PlannedSpot

NEAREST_M = 0.1
"""What lies nearer to the lens than this, along its axis, is not drawn."""


@dataclass(frozen=True, slots=True)
class View:
    """A camera: the tangents of half its angles across and up, how high it stands and how far it looks up."""

    half_across: float
    half_up: float
    height_m: float
    tilt_rad: float

    def depth_m(self, y: float, z: float) -> float:
        """Return how far a point lies along the lens's axis: what focus goes by."""
        return y * math.cos(self.tilt_rad) + (z - self.height_m) * math.sin(self.tilt_rad)

    def place(self, x: float, y: float, z: float) -> tuple[float, float] | None:
        """Return where a point lies in the frame, also outside of it; None behind or right before the lens."""
        depth = self.depth_m(y, z)
        if depth < NEAREST_M:
            return None
        up = (z - self.height_m) * math.cos(self.tilt_rad) - y * math.sin(self.tilt_rad)
        return 0.5 + x / (2 * depth * self.half_across), 0.5 - up / (2 * depth * self.half_up)


@dataclass(frozen=True, slots=True)
class Box:
    """An upright box in the frame, in shares of its sides; it may reach outside."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def area(self) -> float:
        """Its area as a share of the frame's."""
        return max(0.0, self.right - self.left) * max(0.0, self.bottom - self.top)

    @property
    def across(self) -> float:
        """Where its middle lies across the frame."""
        return (self.left + self.right) / 2

    def shared(self, other: Box) -> Box:
        """Return what lies in both; its area is 0 where nothing does."""
        return Box(
            max(self.left, other.left),
            max(self.top, other.top),
            min(self.right, other.right),
            min(self.bottom, other.bottom),
        )


@dataclass(frozen=True, slots=True)
class Covering:
    """A spot that stands before another: which share of the farther one's box, and what would part them."""

    nearer: str
    farther: str
    share: float
    apart_m: float


def view_of(camera: PlannedCamera, aspect: float) -> View:
    """Return how a camera sees, for a frame that is ``aspect`` times as wide as it is high."""
    half = camera.sensor_mm / (2 * camera.focal_mm)
    return View(half, half / aspect, camera.height_m, math.radians(camera.tilt_deg))


def box_of(view: View, spot: PlannedSpot) -> Box | None:
    """Return the box in the frame that holds a spot's player from the feet up; None where it is before the lens."""
    sides = (spot.x_m - spot.width_m / 2, spot.x_m + spot.width_m / 2)
    corners = [(x, z) for x in sides for z in (0.0, spot.height_m)]
    places = [place for x, z in corners if (place := view.place(x, spot.y_m, z)) is not None]
    if len(places) < len(corners):
        return None
    across, down = zip(*places, strict=True)
    return Box(min(across), min(down), max(across), max(down))


def coverings(view: View, spots: Sequence[PlannedSpot]) -> tuple[Covering, ...]:
    """Return every pair of spots of which one hides some of the other in the frame; the most first."""
    boxes = [(spot, box) for spot in spots if (box := box_of(view, spot)) is not None]
    found = []
    for number, (one, box) in enumerate(boxes):
        for other, other_box in boxes[number + 1 :]:
            common = box.shared(other_box)
            if common.area <= 0:
                continue
            (nearer, _), (farther, hidden) = sorted(((one, box), (other, other_box)), key=lambda each: each[0].y_m)
            # The least way sideways, for either one: whichever side of the other it leaves by.
            least = min(box.right - other_box.left, other_box.right - box.left)
            apart_m = least * 2 * view.depth_m(nearer.y_m, 0) * view.half_across
            found.append(Covering(nearer.part, farther.part, common.area / hidden.area, apart_m))
    return tuple(sorted(found, key=lambda each: -each.share))


def outside(box: Box) -> tuple[str, ...]:
    """Return over which edges of the frame a box reaches: left, right, top, bottom."""
    return tuple(
        name
        for name, over in (
            ("left", box.left < 0),
            ("right", box.right > 1),
            ("top", box.top < 0),
            ("bottom", box.bottom > 1),
        )
        if over
    )
