"""Pictures of a plan as SVG: the stage from above, and the frame as the camera will see it.

For the shoot sheet and for the desk alike; what can be moved there is a group that names its spot or lamp
(``data-spot``, ``data-lamp``), and the root tells how metres became pixels (``data-scale``, ``data-x``, ``data-y``).
Looks stand in attributes, since neither may rely on a style sheet.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

from partsong.film.records import Film, PlannedLamp, PlannedSpot
from partsong.prepare import lamps
from partsong.prepare.framing import NEAREST_M, View, box_of
from partsong.prepare.plan import Spot, sharp_by, spots, view
from partsong.prepare.planned import in_picture

INK, SOFT, LINE, PAPER, ACCENT = "#22201c", "#6b665c", "#b9b1a0", "#faf6ec", "#9a3412"
USUAL_WIDTH = 560
"""Of a picture, in pixels: two stand side by side on the desk."""
SURROUND, FLOOR, FIGURE = "#808080", "#6a6a6a", "#3a3a3a"
_EDGE = 26  # pixels around the stage
_SERIF = 'font-family="Georgia, serif"'
_LEAST_DEEP_M = 4.0
_HIGHEST = 0.8  # of the width: the most that the stage's picture takes


def from_above(film: Film, width: int = USUAL_WIDTH) -> str:
    """Draw the stage from above: camera, what it sees, walls, spots, lamps with their beams and shadows."""
    found, seen, plan = spots(film), view(film), film.plan
    deep = max(_LEAST_DEEP_M, *(1 + (spot.y_m or spot.distance_m or 0.0) for spot in found), *_depths(film))
    aside = max(1.0, *(abs(x) + 0.8 for x in _asides(film, found)), min(deep * seen.half_across, deep))
    low = min([0.0, *(lamp.y_m for lamp in plan.lamps)])
    scale = min((width - 2 * _EDGE) / (2 * aside), (_HIGHEST * width - 2 * _EDGE) / (deep - low))
    height = round((deep - low) * scale + 2 * _EDGE)
    to = _Above(width / 2, _EDGE + deep * scale, scale)
    known = [spot for spot in found if spot.x_m is not None]
    away = ", ".join(f"{spot.name} {math.hypot(spot.x_m or 0, spot.y_m or 0):.1f} m away" for spot in known)
    parts = [
        _hatching(),
        *_light(film, to),
        *_walls(film, to),
        *_rings(found, seen, deep, to),
        *_sharp(film, seen, deep, to),
        *_sight(seen, deep, to),
        *_somewhere(found, seen, to),
        *(_spot(spot, plan.spot_of(spot.part), to, above=above) for spot, above in _names_above(known)),
        *(_lamp(lamp, plan.spot_of(lamp.part), to, in_picture(seen, lamp)) for lamp in plan.lamps),
    ]
    data = f'data-scale="{scale:.4f}" data-x="{to.x:.2f}" data-y="{to.y:.2f}"'
    return _svg("from-above", width, height, f"The stage from above: {away or 'no place is known yet'}.", parts, data)


def as_filmed(film: Film, width: int = USUAL_WIDTH) -> str:
    """Draw the frame as the camera will see it: walls, players (the nearest last), and lamps that are seen."""
    seen = view(film)
    height = round(width * seen.half_up / seen.half_across)
    on = _Frame(seen, width, height)
    far_first = sorted(film.plan.spots, key=lambda spot: -spot.y_m)
    caught = [lamp for lamp in film.plan.lamps if in_picture(seen, lamp)]
    parts = [
        f'<rect width="{width}" height="{height}" fill="{SURROUND}"/>',
        *_ground(film, on),
        *(_figure(spot, film.part(spot.part).name, on) for spot in far_first),
        *(_lamp_in_frame(lamp, on) for lamp in caught),
    ]
    who = ", ".join(film.part(spot.part).name for spot in sorted(film.plan.spots, key=lambda spot: spot.x_m / spot.y_m))
    return _svg("as-filmed", width, height, f"The frame as planned, from the left: {who or 'nobody yet'}.", parts)


class _Above:
    """How metres of the stage become pixels: the camera at ``x``, ``y``."""

    def __init__(self, x: float, y: float, scale: float) -> None:
        self.x, self.y, self.scale = x, y, scale

    def __call__(self, x_m: float, y_m: float) -> tuple[float, float]:
        return self.x + x_m * self.scale, self.y - y_m * self.scale

    def path(self, points: Iterable[tuple[float, float]]) -> str:
        return _path(self(*point) for point in points)

    def arc(self, radius_m: float, half: float) -> str:
        aside, deep, px = radius_m * math.sin(half), radius_m * math.cos(half), radius_m * self.scale
        x, y = self(aside, deep)
        return f"{_path([self(-aside, deep)])}A{px:.1f} {px:.1f} 0 0 1 {x:.1f} {y:.1f}"


class _Frame:
    """How points of the stage become pixels of the frame's picture."""

    def __init__(self, seen: View, width: int, height: int) -> None:
        self.seen, self.width, self.height = seen, width, height

    def __call__(self, x: float, y: float, z: float) -> tuple[float, float]:
        place = self.seen.place(x, max(y, NEAREST_M * 2), z) or (0.5, 0.5)
        return place[0] * self.width, place[1] * self.height

    def path(self, points: Iterable[tuple[float, float, float]]) -> str:
        return _path(self(*point) for point in points)


# --- from above -----------------------------------------------------------------------------------


def _light(film: Film, to: _Above) -> Iterable[str]:
    for lamp in film.plan.lamps:
        spot = film.plan.spot_of(lamp.part)
        if spot is None:
            continue
        shadow = lamps.shadow_of(lamp, spot, film.plan.room)
        if shadow:
            yield f'<path d="{to.path(shadow)}Z" fill="url(#shadow)" stroke="none"/>'
        turned = math.atan2(spot.x_m - lamp.x_m, spot.y_m - lamp.y_m)
        half = min(math.radians(lamp.beam_deg) / 2, 1.4)
        reach = math.hypot(spot.x_m - lamp.x_m, spot.y_m - lamp.y_m) + spot.width_m / 2
        rim = [
            (
                lamp.x_m + reach * math.sin(turned + half * part / 8),
                lamp.y_m + reach * math.cos(turned + half * part / 8),
            )
            for part in range(-8, 9)
        ]
        yield f'<path d="{to.path([(lamp.x_m, lamp.y_m), *rim])}Z" fill="#fff" fill-opacity="0.75" stroke="{LINE}"/>'


def _walls(film: Film, to: _Above) -> Iterable[str]:
    room = film.plan.room
    if room is not None:
        sides = [(-room.left_m, -0.5), (-room.left_m, room.back_m), (room.right_m, room.back_m), (room.right_m, -0.5)]
        yield f'<path d="{to.path(sides)}" fill="none" stroke="{INK}" stroke-width="3"/>'


def _rings(found: Sequence[Spot], seen: View, deep: float, to: _Above) -> Iterable[str]:
    if not found:
        return
    half = math.atan(seen.half_across)
    for metre in range(1, math.floor(deep) + 1):
        yield f'<path d="{to.arc(metre, half)}" fill="none" stroke="{LINE}"/>'
        x, y = to(metre * math.sin(half), metre * math.cos(half))
        yield _text(x + 4, y + 4, f"{metre} m", size=12, fill=SOFT, italic=True)


def _sharp(film: Film, seen: View, deep: float, to: _Above) -> Iterable[str]:
    sharp = sharp_by(film.plan.camera)
    for depth in (sharp.near_m, sharp.far_m):
        if depth < deep:
            across = depth * seen.half_across
            line = to.path([(-across, depth), (across, depth)])
            yield f'<path class="sharp" d="{line}" fill="none" stroke="{INK}" stroke-dasharray="6 4"/>'


def _sight(seen: View, deep: float, to: _Above) -> Iterable[str]:
    far = deep * seen.half_across
    yield f'<path d="{to.path([(-far, deep), (0, 0), (far, deep)])}" fill="none" stroke="{SOFT}"/>'
    yield f'<path d="M{to.x - 9:.1f} {to.y + 14:.1f}h18v-10h-5l-4 -6l-4 6h-5z" fill="{INK}"/>'


def _somewhere(found: Sequence[Spot], seen: View, to: _Above) -> Iterable[str]:
    """Draw parts of which only the distance is known; names are spread along their rings so that they can be read."""
    half = math.atan(seen.half_across)
    on_rings = [spot for spot in found if spot.x_m is None and spot.distance_m is not None]
    for number, spot in enumerate(on_rings):
        assert spot.distance_m is not None
        turned = half * 1.3 * ((number + 0.5) / len(on_rings) - 0.5)
        x, y = to(spot.distance_m * math.sin(turned), spot.distance_m * math.cos(turned))
        ring = f'stroke="{INK}" stroke-width="2" stroke-dasharray="1 4"'
        yield f'<path d="{to.arc(spot.distance_m, half)}" fill="none" {ring}/>'
        yield _text(x, y - 4, f"{spot.name}?", haloed=True, middle=True, name="spot-name")


def _names_above(known: Sequence[Spot]) -> Iterable[tuple[Spot, bool]]:
    """Say whose name stands above: where a spot is farther than its neighbours, so that names keep apart."""
    ordered = sorted(known, key=lambda spot: spot.x_m or 0.0)
    for number, spot in enumerate(ordered):
        beside = [one.y_m or 0.0 for one in (*ordered[max(0, number - 1) : number], *ordered[number + 1 : number + 2])]
        yield spot, not beside or (spot.y_m or 0.0) >= sum(beside) / len(beside)


def _spot(spot: Spot, planned: PlannedSpot | None, to: _Above, *, above: bool) -> str:
    assert spot.x_m is not None
    assert spot.y_m is not None
    x, y = to(spot.x_m, spot.y_m)
    name = _text(x, y - 10 if above else y + 20, spot.name, haloed=True, middle=True, name="spot-name")
    dot = f'<circle class="spot" cx="{x:.1f}" cy="{y:.1f}" r="5" fill="{INK}"/>'
    if planned is None:
        return f"<g>{dot}{name}</g>"
    radius = planned.width_m / 2 * to.scale
    room = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" fill="{PAPER}" fill-opacity="0.4" stroke="{INK}"/>'
    return f'<g data-spot="{escape(spot.part)}">{room}{dot}{name}</g>'


def _lamp(lamp: PlannedLamp, spot: PlannedSpot | None, to: _Above, caught: bool) -> str:
    x, y = to(lamp.x_m, lamp.y_m)
    turned = 0.0 if spot is None else math.degrees(math.atan2(spot.x_m - lamp.x_m, spot.y_m - lamp.y_m))
    head = (
        f'<path d="M-5 5h10l4 -11h-18z" transform="translate({x:.1f} {y:.1f}) rotate({turned:.1f})" '
        f'fill="{PAPER}" stroke="{ACCENT if caught else INK}" stroke-width="{2.5 if caught else 1.5}"/>'
    )
    name = _text(x, y + 19, lamp.id, size=12, haloed=True, middle=True, fill=ACCENT if caught else INK)
    return f'<g data-lamp="{escape(lamp.id)}">{head}{name}</g>'


def _hatching() -> str:
    return (
        '<defs><pattern id="shadow" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<path d="M0 0V6" stroke="{SOFT}" stroke-width="1.6"/></pattern></defs>'
    )


# --- the frame ------------------------------------------------------------------------------------


def _ground(film: Film, on: _Frame) -> Iterable[str]:
    """Draw the floor up to the back wall, or to the horizon where no room is given."""
    room = film.plan.room
    if room is None:
        (_, level), far = on(0, 1000, 0), 1000.0
        yield f'<path d="M0 {level:.1f}H{on.width}V{on.height}H0Z" fill="{FLOOR}"/>'
        return
    left, right, far, top = -room.left_m, room.right_m, room.back_m, room.height_m
    near = NEAREST_M * 3
    floor = [(left, near, 0.0), (left, far, 0.0), (right, far, 0.0), (right, near, 0.0)]
    wall = [(left, far, 0.0), (left, far, top), (right, far, top), (right, far, 0.0)]
    yield f'<path d="{on.path(floor)}Z" fill="{FLOOR}"/>'
    yield f'<path d="{on.path(wall)}Z" fill="none" stroke="{FIGURE}"/>'
    for x in (left, right):
        yield f'<path d="{on.path([(x, far, top), (x, near, top)])}" fill="none" stroke="{FIGURE}"/>'


def _figure(spot: PlannedSpot, name: str, on: _Frame) -> str:
    """Draw a player of a spot's height, and the box that the spot takes."""
    box = box_of(on.seen, spot)
    if box is None:
        return ""
    high = spot.height_m
    x, feet = on(spot.x_m, spot.y_m, 0)
    _, crown = on(spot.x_m, spot.y_m, high)
    tall = feet - crown
    head = tall * 0.075
    broad = tall * 0.13
    body = (
        f"M{x - broad:.1f} {feet:.1f}V{crown + tall * 0.3:.1f}Q{x - broad:.1f} {crown + tall * 0.17:.1f} {x:.1f} "
        f"{crown + tall * 0.17:.1f}Q{x + broad:.1f} {crown + tall * 0.17:.1f} {x + broad:.1f} {crown + tall * 0.3:.1f}"
        f"V{feet:.1f}Z"
    )
    left, top = box.left * on.width, box.top * on.height
    wide, deep = (box.right - box.left) * on.width, (box.bottom - box.top) * on.height
    return (
        f'<g data-spot="{escape(spot.part)}">'
        f'<rect x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{deep:.1f}" fill="{SURROUND}" '
        f'fill-opacity="0.35" stroke="#fff" stroke-dasharray="4 4"/>'
        f'<circle cx="{x:.1f}" cy="{crown + head:.1f}" r="{head:.1f}" fill="{FIGURE}"/>'
        f'<path d="{body}" fill="{FIGURE}"/>'
        f"{_text(x, min(feet + 15, on.height - 6), name, middle=True, fill='#fff')}</g>"
    )


def _lamp_in_frame(lamp: PlannedLamp, on: _Frame) -> str:
    x, y = on(lamp.x_m, lamp.y_m, lamp.height_m)
    _, foot = on(lamp.x_m, lamp.y_m, 0)
    stand = "" if lamp.hangs else f'<path d="M{x:.1f} {y:.1f}V{foot:.1f}" stroke="{ACCENT}" stroke-width="3"/>'
    return (
        f'<g>{stand}<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="#fff" stroke="{ACCENT}" stroke-width="3"/>'
        f"{_text(min(x + 12, on.width - 8 * len(lamp.id)), max(y, 12) - 12, lamp.id, fill='#fff')}</g>"
    )


# --- both -----------------------------------------------------------------------------------------


def _depths(film: Film) -> Iterable[float]:
    if film.plan.room is not None:
        yield film.plan.room.back_m + 0.2
    yield from (lamp.y_m + 0.5 for lamp in film.plan.lamps)
    yield 0.0


def _asides(film: Film, found: Sequence[Spot]) -> Iterable[float]:
    yield from (spot.x_m for spot in found if spot.x_m is not None)
    yield from (lamp.x_m for lamp in film.plan.lamps)
    if film.plan.room is not None:
        yield from (film.plan.room.left_m - 0.6, film.plan.room.right_m - 0.6)
    yield 0.0


def _path(points: Iterable[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _text(
    x: float,
    y: float,
    words: str,
    *,
    size: int = 14,
    fill: str = INK,
    middle: bool = False,
    italic: bool = False,
    haloed: bool = False,
    name: str = "",
) -> str:
    looks = f'{_SERIF} font-size="{size}" fill="{fill}"'
    looks += ' text-anchor="middle"' if middle else ""
    looks += ' font-style="italic"' if italic else ""
    looks += f' paint-order="stroke" stroke="{PAPER}" stroke-width="4"' if haloed else ""
    looks += f' class="{name}"' if name else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" {looks}>{escape(words)}</text>'


def _svg(name: str, width: int, height: int, told: str, parts: Iterable[str], data: str = "") -> str:
    inside = "".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{name}" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" aria-label="{escape(told)}" {data}>{inside}</svg>'
    )
