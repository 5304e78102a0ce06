"""The boathouse and everything that stands in it, the spots of the five parts, and the light on each.

Metres: x to the right, y up, z into the room, from the middle of the wall behind the camera.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.demo import scenery
from partsong.demo.trace import BALL, BAR, BOX, GLOWING, PICTURE, PLAIN, PLANKS, SHEET

Point = tuple[float, float, float]
Colour = tuple[float, float, float]

ROOM_WIDTH_M, ROOM_HEIGHT_M, ROOM_DEPTH_M = 9.2, 3.0, 7.4
CAMERA: Point = (0.0, 1.5, 0.2)
"""Where the locked-off camera stands."""

STAND_MOVED_BY_M = (0.13, -0.05)
STAND_TURNED_BY_DEG = 14.0
"""How far the music stand was knocked between takes: to the right, into the room, and turned."""


@dataclass(frozen=True, slots=True)
class Spot:
    """The place of a part: the middle of its instrument on the floor, where its sound leaves, its lamp."""

    x: float
    z: float
    sound: Point
    lamp: Point
    aim: Point


SPOTS: dict[str, Spot] = {
    "cajon": Spot(-2.15, 4.55, (-2.15, 0.30, 4.40), (-3.15, 2.80, 3.05), (-2.08, 0.62, 4.75)),
    "upright-bass": Spot(-1.05, 5.35, (-1.05, 0.75, 5.35), (-2.00, 2.80, 3.75), (-1.10, 0.80, 5.50)),
    "harmonium": Spot(0.15, 5.00, (0.15, 0.80, 5.05), (-0.85, 2.80, 3.30), (0.18, 0.68, 5.20)),
    "glockenspiel": Spot(1.25, 5.25, (1.25, 0.95, 5.25), (2.20, 2.80, 3.65), (1.25, 0.78, 5.45)),
    "melodica": Spot(2.20, 4.60, (2.20, 0.85, 4.60), (3.20, 2.80, 3.10), (2.15, 0.65, 4.80)),
}
"""From left to right in the frame, in score order."""

_KEY_COLOUR: Colour = (36.0, 27.5, 18.3)  # a halogen lamp, seen by a camera set between lamp and dusk
_DUSK_COLOUR: Colour = (1.15, 1.35, 1.80)
_SKY_COLOUR: Colour = (0.080, 0.105, 0.142)
_LAMP_COLOUR: Colour = (0.75, 0.45, 0.20)
_PENDANT: Point = (-1.75, 2.25, 6.1)
HAZE = 0.0011
"""How much of the beam the air scatters towards the camera, a metre."""


@dataclass(frozen=True, slots=True)
class Solid:
    """One simple body: ``axes`` are the columns that carry the unit shape to its size and direction."""

    shape: int
    centre: Point
    axes: NDArray[np.float64]
    albedo: Colour
    pattern: tuple[float, float, float, float] = (PLAIN, 0, 0, 0)


def _turned(yaw_deg: float = 0.0, pitch_deg: float = 0.0, roll_deg: float = 0.0) -> NDArray[np.float64]:
    """Turn about y (to the right seen from above), then x, then z."""
    y, p, r = (math.radians(angle) for angle in (yaw_deg, pitch_deg, roll_deg))
    about_y = np.array([[math.cos(y), 0, math.sin(y)], [0, 1, 0], [-math.sin(y), 0, math.cos(y)]])
    about_x = np.array([[1, 0, 0], [0, math.cos(p), -math.sin(p)], [0, math.sin(p), math.cos(p)]])
    about_z = np.array([[math.cos(r), -math.sin(r), 0], [math.sin(r), math.cos(r), 0], [0, 0, 1]])
    return np.asarray(about_y @ about_x @ about_z)


def box(
    centre: Point, size: Point, albedo: Colour, *, yaw: float = 0, pitch: float = 0, roll: float = 0, boards: Any = None
) -> Solid:
    """Make a box from its full size; ``boards``: (axis across, width in metres, axis along)."""
    pattern = (PLANKS, *boards) if boards else (PLAIN, 0, 0, 0)
    return Solid(BOX, centre, _turned(yaw, pitch, roll) * (np.array(size) / 2), albedo, pattern)


def ball(centre: Point, radii: Point, albedo: Colour, *, boards: Any = None, roll: float = 0) -> Solid:
    """Make an ellipsoid from its radii."""
    pattern = (PLANKS, *boards) if boards else (PLAIN, 0, 0, 0)
    return Solid(BALL, centre, _turned(roll_deg=roll) * np.array(radii), albedo, pattern)


def bar(a: Point, b: Point, radius: float, albedo: Colour) -> Solid:
    """Make a round bar between two points."""
    start, end = np.array(a), np.array(b)
    half = (end - start) / 2
    along = half / np.linalg.norm(half)
    aside = np.cross(along, [0, 1, 0] if abs(along[1]) < 0.9 else [1, 0, 0])
    aside /= np.linalg.norm(aside)
    axes = np.stack([aside * radius, np.cross(along, aside) * radius, half], axis=1)
    middle = (start + end) / 2
    return Solid(BAR, (float(middle[0]), float(middle[1]), float(middle[2])), axes, albedo)


def sheet(
    centre: Point,
    size: tuple[float, float],
    picture: int,
    *,
    yaw: float = 0,
    pitch: float = 0,
    roll: float = 0,
    glowing: bool = False,
    tint: Colour = (1, 1, 1),
) -> Solid:
    """Make a flat cut-out that faces the camera before it is turned."""
    axes = _turned(yaw, pitch, roll) * np.array([size[0] / 2, size[1] / 2, 0.001])
    return Solid(SHEET, centre, axes, tint, (GLOWING if glowing else PICTURE, picture, 0, 0))


def _line(points: Sequence[Point], radius: float, albedo: Colour) -> Iterable[Solid]:
    for a, b in itertools.pairwise(points):
        yield bar(a, b, radius, albedo)


_DARK_METAL: Colour = (0.020, 0.020, 0.022)
_WOOD: Colour = (0.235, 0.140, 0.075)
_OLD_WOOD: Colour = (0.150, 0.105, 0.070)
_BLACK: Colour = (0.012, 0.012, 0.013)


def _shell() -> Iterable[Solid]:
    width, depth = ROOM_WIDTH_M, ROOM_DEPTH_M
    yield box((0, -0.05, depth / 2), (width, 0.1, depth), (0.170, 0.118, 0.078), boards=(0, 0.145, 2))
    yield box((-width / 2 - 0.05, 2, depth / 2), (0.1, 4.4, depth), _OLD_WOOD, boards=(1, 0.17, 2))
    yield box((width / 2 + 0.05, 2, depth / 2), (0.1, 4.4, depth), _OLD_WOOD, boards=(1, 0.17, 2))
    # The wall at the back, with the boat door standing open in it.
    left, right, top = -0.95, 1.15, 2.15
    yield box(
        ((-width / 2 + left) / 2, 2.1, depth + 0.05), (width / 2 + left, 4.2, 0.1), _OLD_WOOD, boards=(0, 0.19, 1)
    )
    yield box(
        ((width / 2 + right) / 2, 2.1, depth + 0.05), (width / 2 - right, 4.2, 0.1), _OLD_WOOD, boards=(0, 0.19, 1)
    )
    yield box(
        ((left + right) / 2, (top + 4.2) / 2, depth + 0.05),
        (right - left, 4.2 - top, 0.1),
        _OLD_WOOD,
        boards=(1, 0.19, 0),
    )
    for x in (left, right):
        yield box((x, top / 2, depth - 0.02), (0.11, top, 0.16), (0.10, 0.070, 0.048))
    yield box(((left + right) / 2, top + 0.04, depth - 0.02), (right - left + 0.24, 0.13, 0.17), (0.10, 0.070, 0.048))
    leaf: Colour = (0.055, 0.085, 0.080)  # old green paint
    for side, x in ((-1, left - 0.60), (1, right + 0.60)):
        yield box((x, top / 2, depth - 0.10), (1.05, top - 0.06, 0.05), leaf, boards=(0, 0.175, 1), yaw=side * 3)
        for y in (0.35, top - 0.35):
            yield box((x, y, depth - 0.15), (0.98, 0.11, 0.035), leaf, yaw=side * 3)
        yield box((x, top / 2, depth - 0.15), (0.10, 1.55, 0.035), leaf, yaw=side * 3, roll=side * 31)
    yield sheet((0.1, 1.38, 9.6), (4.4, 3.6), scenery.DUSK, glowing=True)
    # The roof: two slopes on rafters, tie beams with posts.
    for side in (-1, 1):
        yield box(
            (side * width / 4, 3.62, depth / 2),
            (width / 2 + 0.5, 0.06, depth),
            _OLD_WOOD,
            roll=-side * 15,
            boards=(2, 0.2, 0),
        )
        for z in (1.6, 3.0, 4.4, 5.8, 7.2):
            yield box((side * width / 4, 3.52, z), (width / 2 + 0.3, 0.14, 0.08), (0.12, 0.082, 0.055), roll=-side * 15)
    for z in (2.2, 5.05, 7.0):
        yield box((0, 2.86, z), (width, 0.17, 0.13), (0.125, 0.086, 0.057), boards=(1, 0.3, 0))
    for x in (-3.9, 3.9):
        yield box((x, 1.45, 7.0), (0.16, 2.9, 0.16), (0.125, 0.086, 0.057))
        yield box((x * 0.93, 2.55, 7.0), (0.1, 0.85, 0.1), (0.125, 0.086, 0.057), roll=math.copysign(42, x))


def _boat() -> Iterable[Solid]:
    """A rowing boat, keel up on two trestles."""
    yield ball((3.15, 0.86, 6.35), (1.75, 0.46, 0.60), (0.30, 0.305, 0.27), boards=(1, 0.085, 0), roll=-2)
    yield bar((1.45, 1.30, 6.35), (4.7, 1.26, 6.35), 0.025, (0.10, 0.06, 0.04))
    yield box((3.15, 0.84, 6.35), (3.2, 0.06, 1.12), (0.16, 0.085, 0.045), roll=-2)
    for x in (2.35, 3.85):
        yield box((x, 0.74, 6.35), (0.09, 0.08, 1.3), _WOOD)
        for side in (-1, 1):
            for lean in (-1, 1):
                z = 6.35 + side * 0.5
                yield bar((x, 0.74, z), (x + lean * 0.24, 0.0, z + side * 0.08), 0.028, _WOOD)


def _on_the_walls() -> Iterable[Solid]:
    back = ROOM_DEPTH_M
    oar: Colour = (0.34, 0.22, 0.12)
    for x, lean in ((-4.05, 0.22), (-3.70, 0.12)):
        yield bar((x, 0.05, back - 0.55), (x + lean, 2.55, back - 0.12), 0.024, oar)
        yield box(
            (x + lean * 0.9, 2.30, back - 0.16), (0.16, 0.62, 0.02), (0.28, 0.065, 0.045), pitch=-9, roll=-lean * 20
        )
    yield sheet((-2.62, 1.62, back - 0.20), (0.42, 0.62), scenery.ROPE)
    yield sheet((2.55, 1.95, back - 0.02), (0.36, 0.52), scenery.ROPE, tint=(0.8, 0.9, 1.0))
    ring = [
        (2.98 + 0.27 * math.cos(a), 2.02 + 0.27 * math.sin(a), back - 0.10) for a in np.linspace(0, 2 * math.pi, 13)
    ]
    for number, (a, b) in enumerate(itertools.pairwise(ring)):
        yield bar(a, b, 0.055, (0.34, 0.055, 0.035) if number % 3 == 0 else (0.44, 0.42, 0.38))
    yield box((-3.3, 1.05, back - 0.16), (1.0, 0.035, 0.26), _WOOD)
    for x, radius, height, colour in (
        *((-3.68, 0.06, 0.15, (0.16, 0.045, 0.030)), (-3.50, 0.07, 0.11, (0.05, 0.075, 0.085))),
        *((-3.27, 0.05, 0.21, (0.11, 0.10, 0.085)), (-3.02, 0.085, 0.13, (0.19, 0.145, 0.06))),
    ):
        yield bar((x, 1.067, back - 0.16), (x, 1.067 + height, back - 0.16), radius, colour)
    floats: tuple[Colour, ...] = ((0.38, 0.12, 0.035), (0.33, 0.26, 0.10), (0.38, 0.12, 0.035))
    for number, colour in enumerate(floats):
        y = 2.42 - 0.19 * number
        yield ball((-1.92 + 0.03 * number, y, 6.98), (0.075, 0.095, 0.075), colour)
    yield bar((-1.92, 2.8, 6.98), (-1.86, 1.95, 6.98), 0.008, _BLACK)
    # The pendant lamp: cord, shade, bulb.
    x, y, z = _PENDANT
    yield bar((x, y + 0.10, z), (x, 3.4, z), 0.006, _BLACK)
    yield ball((x, y + 0.075, z), (0.15, 0.085, 0.15), (0.05, 0.07, 0.065))
    yield Solid(BALL, (x, y - 0.015, z), np.eye(3) * 0.035, (1.5, 0.85, 0.36), (GLOWING, scenery.MUSIC, 0, 0))


def _stool(x: float, z: float, height: float) -> Iterable[Solid]:
    yield bar((x, height - 0.05, z), (x, height, z), 0.175, (0.19, 0.105, 0.055))
    for angle in (0.6, 2.2, 3.7, 5.3):
        dx, dz = math.cos(angle), math.sin(angle)
        yield bar((x + 0.12 * dx, height - 0.05, z + 0.12 * dz), (x + 0.19 * dx, 0, z + 0.19 * dz), 0.016, _WOOD)


def _music_stand(x: float, z: float, yaw: float, height: float = 1.02) -> Iterable[Solid]:
    turn = _turned(yaw)

    def at(dx: float, y: float, dz: float) -> Point:
        away = turn @ np.array([dx, 0, dz])
        return (x + float(away[0]), y, z + float(away[2]))

    for angle in (0.3, 2.4, 4.5):
        yield bar(at(0, 0.22, 0), at(0.27 * math.cos(angle), 0.01, 0.27 * math.sin(angle)), 0.010, _DARK_METAL)
    yield bar(at(0, 0.18, 0), at(0, height, 0), 0.011, (0.10, 0.10, 0.105))
    yield box(at(0, height + 0.13, 0.02), (0.48, 0.31, 0.012), (0.030, 0.031, 0.034), yaw=yaw, pitch=22)
    yield box(at(0, height - 0.015, -0.05), (0.48, 0.02, 0.06), (0.030, 0.031, 0.034), yaw=yaw, pitch=22)
    yield sheet(at(0, height + 0.155, -0.012), (0.42, 0.30), scenery.MUSIC, yaw=yaw, pitch=22)


def _knocked(moved: bool) -> tuple[float, float, float, float]:
    """Place, direction and height of the stand in the middle, before or after somebody ran into it."""
    dx, dz = STAND_MOVED_BY_M if moved else (0.0, 0.0)
    return 0.84 + dx, 4.62 + dz, 172.0 + (STAND_TURNED_BY_DEG if moved else 0.0), 0.60


def knocked_stand(*, moved: bool) -> list[Point]:
    """Return the corners of the desk of the music stand that gets knocked between takes."""
    desk = list(_music_stand(*_knocked(moved)))[4]
    signs = [(a, b, c) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)]
    corners = [np.add(desk.centre, desk.axes @ np.array(sign)) for sign in signs]
    return [(float(x), float(y), float(z)) for x, y, z in corners]


def _microphone(x: float, z: float, tip: Point) -> Iterable[Solid]:
    for angle in (1.1, 3.2, 5.3):
        yield bar((x, 0.12, z), (x + 0.26 * math.cos(angle), 0.01, z + 0.26 * math.sin(angle)), 0.009, _DARK_METAL)
    yield bar((x, 0.10, z), (x, 1.15, z), 0.010, (0.09, 0.09, 0.095))
    yield bar((x, 1.15, z), tip, 0.008, (0.09, 0.09, 0.095))
    yield ball(tip, (0.028, 0.040, 0.028), (0.16, 0.16, 0.165))


def _instruments() -> Iterable[Solid]:
    spot = SPOTS["cajon"]
    yield box((spot.x, 0.24, spot.z), (0.31, 0.47, 0.31), (0.20, 0.105, 0.050), yaw=-14, boards=(0, 0.6, 1))
    yield box(
        (spot.x + 0.037, 0.24, spot.z - 0.151), (0.29, 0.45, 0.008), (0.42, 0.25, 0.115), yaw=-14, boards=(0, 0.5, 1)
    )
    for y in (0.05, 0.43):
        for dx in (-0.12, 0.12):
            yield ball(
                (spot.x + 0.037 + dx * 0.97, y, spot.z - 0.157 + dx * 0.25), (0.009, 0.009, 0.005), (0.3, 0.3, 0.3)
            )

    spot = SPOTS["upright-bass"]
    # The front is a cut-out; balls behind it give the body its depth and its shadow.
    yield sheet((spot.x, 0.93, spot.z - 0.10), (0.74, 1.86), scenery.BASS, pitch=-6, roll=1)
    yield ball((spot.x + 0.01, 0.33, spot.z + 0.13), (0.31, 0.24, 0.09), (0.14, 0.05, 0.02))
    yield ball((spot.x + 0.0, 0.86, spot.z + 0.10), (0.21, 0.22, 0.08), (0.14, 0.05, 0.02))

    spot = SPOTS["harmonium"]
    for dx in (-0.30, 0.30):
        for dz in (-0.15, 0.15):
            yield bar((spot.x + dx, 0.46, spot.z + dz), (spot.x + dx * 1.1, 0, spot.z + dz * 1.3), 0.022, _WOOD)
    yield box((spot.x, 0.48, spot.z), (0.76, 0.04, 0.44), _WOOD, boards=(2, 0.11, 0))
    yield box((spot.x, 0.62, spot.z), (0.66, 0.23, 0.34), (0.185, 0.075, 0.032), boards=(1, 0.5, 0))
    yield sheet((spot.x, 0.615, spot.z - 0.173), (0.62, 0.18), scenery.GRILLE)
    yield box((spot.x, 0.745, spot.z - 0.07), (0.68, 0.025, 0.20), (0.21, 0.09, 0.040), boards=(2, 0.5, 0))
    yield sheet((spot.x, 0.742, spot.z + 0.10), (0.58, 0.14), scenery.KEYS, pitch=88)
    for dx in (-0.30, 0.30):
        yield ball((spot.x + dx, 0.745, spot.z - 0.165), (0.02, 0.02, 0.02), (0.42, 0.29, 0.10))

    spot = SPOTS["glockenspiel"]
    yield box((spot.x, 0.84, spot.z), (0.86, 0.035, 0.42), (0.14, 0.090, 0.055), boards=(2, 0.12, 0))
    for dx in (-0.38, 0.38):
        for dz in (-0.17, 0.17):
            yield box((spot.x + dx, 0.42, spot.z + dz), (0.05, 0.84, 0.05), (0.14, 0.090, 0.055))
        yield box((spot.x + dx * 0.97, 0.885, spot.z), (0.03, 0.05, 0.36), (0.20, 0.055, 0.040), yaw=-dx * 25)
    for number in range(13):
        dx = 0.33 - 0.055 * number  # low bars at the player's left
        yield box((spot.x + dx, 0.92, spot.z), (0.042, 0.010, 0.31 - 0.011 * number), (0.26, 0.27, 0.285), pitch=-4)

    spot = SPOTS["melodica"]
    for lean in (-1, 1):
        yield bar((spot.x - lean * 0.20, 0.0, spot.z), (spot.x + lean * 0.20, 0.74, spot.z), 0.016, _DARK_METAL)
        yield bar(
            (spot.x - lean * 0.20, 0.01, spot.z - 0.18), (spot.x - lean * 0.20, 0.01, spot.z + 0.18), 0.016, _DARK_METAL
        )
    yield box((spot.x, 0.755, spot.z), (0.56, 0.025, 0.24), (0.13, 0.085, 0.05), boards=(2, 0.3, 0))
    yield box((spot.x, 0.795, spot.z), (0.46, 0.055, 0.115), (0.040, 0.088, 0.092))
    yield sheet((spot.x, 0.8245, spot.z + 0.02), (0.42, 0.075), scenery.KEYS, pitch=90)
    yield bar((spot.x + 0.23, 0.80, spot.z), (spot.x + 0.27, 0.80, spot.z), 0.018, (0.44, 0.42, 0.38))


def _on_the_floor(stand_moved: bool) -> Iterable[Solid]:
    yield sheet((0.15, 0.006, 4.95), (2.3, 1.55), scenery.RUG, pitch=90, yaw=3)
    yield from _stool(SPOTS["harmonium"].x, SPOTS["harmonium"].z + 0.62, 0.50)
    yield from _stool(SPOTS["melodica"].x + 0.05, SPOTS["melodica"].z + 0.52, 0.54)
    yield from _music_stand(-1.62, 4.95, 160)
    yield from _music_stand(2.92, 5.1, 200, 0.98)
    yield from _music_stand(*_knocked(stand_moved))
    yield from _microphone(-2.72, 4.35, (-2.42, 0.72, 4.15))
    yield from _microphone(1.92, 5.55, (1.62, 1.42, 5.35))
    for x in (-0.28, -0.10):
        yield box(
            (x, 0.035, 4.30), (0.105, 0.055, 0.15), (0.09, 0.055, 0.035) if x < -0.2 else (0.035, 0.05, 0.075), yaw=6
        )
        yield ball((x, 0.07, 4.33), (0.014, 0.010, 0.014), (0.4, 0.4, 0.4))
    cable: Colour = (0.016, 0.016, 0.018)
    sag = 0.010
    yield from _line(
        [(-2.72, sag, 4.35), (-2.2, sag, 3.95), (-1.3, sag, 4.12), (-0.55, sag, 3.85), (0.3, sag, 3.55)], 0.009, cable
    )
    yield from _line(
        [(0.05, sag, 4.85), (-0.12, sag, 4.55), (-0.10, sag, 4.36), (0.35, sag, 4.0), (0.6, sag, 3.5)], 0.009, cable
    )
    yield from _line([(1.92, sag, 5.55), (1.75, sag, 4.9), (1.35, sag, 4.35), (1.45, sag, 3.6)], 0.009, cable)
    # Odds and ends: a bucket, a crate, a coil on the floor.
    yield bar((-3.35, 0, 5.6), (-3.35, 0.27, 5.6), 0.15, (0.12, 0.125, 0.13))
    yield box((-3.75, 0.17, 6.4), (0.62, 0.34, 0.42), _OLD_WOOD, yaw=18, boards=(1, 0.11, 0))
    yield sheet((3.35, 0.012, 5.0), (0.6, 0.5), scenery.ROPE, pitch=90)


@dataclass(frozen=True)
class Scene:
    """The still room as arrays for :mod:`partsong.demo.trace`."""

    solids: tuple[NDArray[Any], ...] = field(repr=False)

    @classmethod
    def built(cls, *, stand_moved: bool = False) -> Scene:
        """Furnish the boathouse; ``stand_moved`` knocks the music stand in the middle."""
        shell = list(_shell())  # stands around everything: it hides nothing from the lamps
        bodies = [*shell, *_boat(), *_on_the_walls(), *_instruments(), *_on_the_floor(stand_moved)]
        maps, bounds = np.zeros((len(bodies), 3, 4)), np.zeros((len(bodies), 4))
        for number, body in enumerate(bodies):
            inverse = np.linalg.inv(body.axes)
            maps[number, :, :3], maps[number, :, 3] = inverse, -inverse @ np.array(body.centre)
            lengths = (body.axes**2).sum(axis=0)
            reach = {
                BOX: lengths.sum(),
                BALL: lengths.max(),
                BAR: lengths[:2].max() + lengths[2],
                SHEET: lengths[:2].sum(),
            }
            bounds[number] = (*body.centre, reach[body.shape] * 1.001)
        sizes = np.array([np.sqrt((body.axes**2).sum(axis=0)) for body in bodies])
        return cls(
            (
                np.array([body.shape for body in bodies]),
                maps,
                sizes,
                np.array([body.albedo for body in bodies], np.float64),
                np.array([body.pattern for body in bodies], np.float64),
                bounds,
                scenery.pictures(),
                np.arange(len(shell), len(bodies)),
            )
        )


def key_light(part: str) -> NDArray[np.float64]:
    """Return the one strong light on a part's spot, as :func:`partsong.demo.trace.soft_light` takes it."""
    spot = SPOTS[part]
    axis = np.array(spot.aim) - np.array(spot.lamp)
    axis /= np.linalg.norm(axis)
    rim, core = math.cos(math.radians(25)), math.cos(math.radians(9))
    return np.array([*spot.lamp, *axis, rim, core, 0.09, *_KEY_COLOUR, spot.x, 0.35, spot.z])


def still_light() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the light that is the same in every take: the dusk and the pendant lamp."""
    dusk = np.array([0.1, 1.1, ROOM_DEPTH_M, 1.0, 1.05, *_DUSK_COLOUR, *_SKY_COLOUR])
    return dusk, np.array([*_PENDANT, *_LAMP_COLOUR])


# The pool throws back about a tenth of the light that reaches it; the lamp hangs three and a half metres away.
POOL = 0.012
