"""The light of planned lamps: how much reaches a place, from which side, what to expose for, where shadows fall.

Coordinates as in :mod:`partsong.prepare.framing`. A lamp looks at its spot at :data:`CHEST` of the player's height.

References
----------
Inverse square law: S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), or any optics handbook.
Beam angle, within which a lamp gives half of its middle or more: CIE S 017, International Lighting Vocabulary (from
memory). That it falls off as a bell does is common practice, no source: the lamp's own papers say better.
ISO 2720:1974, Photographic exposure meters: N^2 / t = E S / C, with C from 320 to 540 for a dome (from memory).
A dome that looks at the camera counts light from an angle a by (1 + cos a) / 2: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from partsong.film.records import PlannedCamera, PlannedLamp, PlannedRoom, PlannedSpot

CHEST = 0.7
"""How high on a player light is measured and aimed, as a share of the height; common practice, no source."""
DOME_C = 330.0
"""The constant of exposure meters with a dome: ISO 2720:1974 allows 320 to 540 (from memory)."""
_FARTHEST_M = 30.0  # a shadow that goes on for longer ends here

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Key:
    """From where a lamp lights a player, seen from the player: to the side of the camera, and above the horizon.

    ``side_deg`` is below 0 to the camera's left, and beyond 90 either way from behind.
    """

    side_deg: float
    above_deg: float
    away_m: float


def chest(spot: PlannedSpot) -> Point:
    """Return where light on a player is measured, and where lamps look."""
    return spot.x_m, spot.y_m, CHEST * spot.height_m


def key_of(lamp: PlannedLamp, spot: PlannedSpot) -> Key:
    """Return from where a lamp lights a spot."""
    x, y, z = chest(spot)
    right, back, up = lamp.x_m - x, lamp.y_m - y, lamp.height_m - z
    side = math.degrees(math.atan2(right, -back) - math.atan2(-x, y))
    return Key(
        (side + 180) % 360 - 180, math.degrees(math.atan2(up, math.hypot(right, back))), math.hypot(right, back, up)
    )


def hand(side: float) -> str:
    """Return on which side of the camera something is: ``right`` above 0."""
    return "left" if side < 0 else "right"


def lux_at(lamp: PlannedLamp, spot: PlannedSpot, place: Point, *, dome: bool = True) -> float:
    """Return how much light of a lamp that looks at ``spot`` reaches a place, in lux.

    Parameters
    ----------
    lamp, spot : PlannedLamp, PlannedSpot
        The lamp, and the spot that it looks at.
    place : tuple
        x, y and z in metres.
    dome : bool
        As a meter's dome that looks at the camera's side sees it; otherwise a surface that faces the lamp.
    """
    if lamp.candela is None:
        return 0.0
    source = (lamp.x_m, lamp.y_m, lamp.height_m)
    way = _minus(place, source)
    away = math.hypot(*way)
    if away == 0:
        return math.inf
    off_axis = _angle(way, _minus(chest(spot), source))
    half = math.radians(lamp.beam_deg / 2)
    lux = lamp.candela * math.exp2(-((off_axis / half) ** 2)) / (away * away)
    return lux * (1 + math.cos(_angle(_minus(source, place), (-place[0], -place[1], 0.0)))) / 2 if dome else lux


def aperture_for(lux: float, camera: PlannedCamera) -> float:
    """Return the f-number that exposes for some lux, above 0, at the camera's ISO and shutter.

    >>> camera = PlannedCamera(iso=100, shutter=1.0)
    >>> round(aperture_for(330.0, camera), 2)
    10.0
    """
    return math.sqrt(lux * camera.iso / (camera.shutter * DOME_C))


def shadow_of(lamp: PlannedLamp, spot: PlannedSpot, room: PlannedRoom | None) -> tuple[tuple[float, float], ...]:
    """Return the corners on the floor of the shadow that a player casts, around it, up to the back wall.

    The player is a board of the spot's width and height that faces the lamp; nothing where the lamp stands in the spot.
    """
    right, back = spot.x_m - lamp.x_m, spot.y_m - lamp.y_m
    away = math.hypot(right, back)
    if away == 0:
        return ()
    along = (right / away, back / away)
    half = spot.width_m / 2
    feet = [(spot.x_m - side * along[1] * half, spot.y_m + side * along[0] * half) for side in (-1, 1)]
    above = lamp.height_m - spot.height_m
    stretch = lamp.height_m / above if above > 0 else math.inf
    stretch = min(stretch, 1 + _FARTHEST_M / away)
    heads = [(lamp.x_m + (x - lamp.x_m) * stretch, lamp.y_m + (y - lamp.y_m) * stretch) for x, y in feet]
    corners = [feet[0], feet[1], heads[1], heads[0]]
    return tuple(corners if room is None else _before(corners, room.back_m))


def falls_on(shadow: Sequence[tuple[float, float]], spot: PlannedSpot) -> bool:
    """Say whether a shadow on the floor reaches into the circle that a spot takes."""
    if len(shadow) < 3:
        return False
    radius = spot.width_m / 2
    sides = list(zip(shadow, [*shadow[1:], shadow[0]], strict=True))
    turns = [(bx - ax) * (spot.y_m - ay) - (by - ay) * (spot.x_m - ax) for (ax, ay), (bx, by) in sides]
    inside = all(turn >= 0 for turn in turns) or all(turn <= 0 for turn in turns)
    return inside or any(_to_side(spot.x_m, spot.y_m, a, b) < radius for a, b in sides)


def _before(corners: Sequence[tuple[float, float]], back_m: float) -> list[tuple[float, float]]:
    """Return what of a shape on the floor lies before the back wall."""
    kept: list[tuple[float, float]] = []
    for (ax, ay), (bx, by) in zip(corners, [*corners[1:], corners[0]], strict=True):
        if ay <= back_m:
            kept.append((ax, ay))
        if (ay <= back_m) != (by <= back_m):
            kept.append((ax + (bx - ax) * (back_m - ay) / (by - ay), back_m))
    return kept


def _to_side(x: float, y: float, a: tuple[float, float], b: tuple[float, float]) -> float:
    right, up = b[0] - a[0], b[1] - a[1]
    length = right * right + up * up
    along = 0.0 if length == 0 else min(1.0, max(0.0, ((x - a[0]) * right + (y - a[1]) * up) / length))
    return math.hypot(x - a[0] - along * right, y - a[1] - along * up)


def _minus(a: Point, b: Point) -> Point:
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def _angle(a: Point, b: Point) -> float:
    crossed = math.hypot(a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
    return math.atan2(crossed, a[0] * b[0] + a[1] * b[1] + a[2] * b[2])
