"""What a plan of stage and light comes to: in sentences, those that need a decision marked.

Whom the frame cuts, who hides whom, what is not sharp, which lamp would be seen, what reaches the player and from
where, on whose place a shadow falls, and how far the light of two takes differs between them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from partsong.film.records import Film, PlannedCamera, PlannedLamp, PlannedSpot
from partsong.prepare import lamps, optics
from partsong.prepare.framing import NEAREST_M, View, box_of, coverings, outside
from partsong.prepare.plan import listed, sharp_by, view

WORTH_SAYING = 0.02
"""The least share of a spot that another one hides and that is told; common practice, no source."""
SEAM_STOPS = 1.0
"""Two takes whose light between two spots differs by more than this need a decision; common practice, no source."""
_DARK_LUX = 0.01
_STEP_M = 0.1  # between places of a stand that are looked at, and by which a lamp is raised
_MOST_STEPS = 20


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence about a plan, and whether somebody has to decide something."""

    sentence: str
    decide: bool = False


def said_of_frame(film: Film) -> tuple[Said, ...]:
    """Return what there is to say of where spots lie in the frame and in the room."""
    seen, camera = view(film), film.plan.camera
    names = {part.id: part.name for part in film.parts}
    return _ordered(
        (
            *_of_edges(film, seen, names),
            *_of_coverings(film, seen, names),
            *_of_focus(film, seen, camera, names),
            *_of_walls(film, names),
        )
    )


def said_of_light(film: Film) -> tuple[Said, ...]:
    """Return what there is to say of the planned lamps."""
    seen = view(film)
    names = {part.id: part.name for part in film.parts}
    said: list[Said] = []
    for spot in film.plan.spots:
        for lamp in film.plan.lamps_of(spot.part):
            said += _of_lamp(film, lamp, spot, names)
        if is_lit(film, spot):
            said += _of_exposure(film, spot, names)
    said += _of_lamps_seen(film, seen)
    said += _of_seams(film, seen, names)
    return _ordered(said)


def _ordered(said: Iterable[Said]) -> tuple[Said, ...]:
    """Return what needs a decision first."""
    return tuple(sorted(said, key=lambda one: not one.decide))


def in_picture(seen: View, lamp: PlannedLamp) -> bool:
    """Say whether a lamp or its stand lies in the frame, were nothing before it."""
    steps = max(1, math.ceil(lamp.height_m / _STEP_M))
    heights = [lamp.height_m] if lamp.hangs else [lamp.height_m * step / steps for step in range(steps + 1)]
    places = (seen.place(lamp.x_m, lamp.y_m, z) for z in heights)
    return any(place is not None and 0 <= place[0] <= 1 and 0 <= place[1] <= 1 for place in places)


def is_lit(film: Film, spot: PlannedSpot) -> bool:
    """Say whether a lamp of known strength is planned for a spot; without one nothing is told of its light."""
    return any(lamp.candela for lamp in film.plan.lamps_of(spot.part))


def player_lux(film: Film, spot: PlannedSpot) -> float:
    """Return the light on a player in the own take, ambient and all its lamps, as a dome sees it."""
    place = lamps.chest(spot)
    return film.plan.ambient_lux + sum(lamps.lux_at(lamp, spot, place) for lamp in film.plan.lamps_of(spot.part))


def most_watts(film: Film) -> float:
    """Return what the planned lamps of one part draw together at most: those of two parts are never on at once."""
    drawn = [sum(lamp.watts or 0.0 for lamp in film.plan.lamps_of(spot.part)) for spot in film.plan.spots]
    return max(drawn, default=0.0)


def _of_edges(film: Film, seen: View, names: dict[str, str]) -> Iterator[Said]:
    for spot in film.plan.spots:
        box = box_of(seen, spot)
        if box is None:
            yield Said(f"{names[spot.part]} would stand before the lens; give it a place further into the room.", True)
        elif over := outside(box):
            edges = f"{listed(over)} edge{'s' if len(over) > 1 else ''}"
            yield Said(
                f"{names[spot.part]} reaches over the {edges} of the frame. Move it, set the camera further back, or "
                "take a shorter lens.",
                True,
            )


def _of_coverings(film: Film, seen: View, names: dict[str, str]) -> Iterator[Said]:
    for found in coverings(seen, film.plan.spots):
        if found.share >= WORTH_SAYING:
            yield Said(
                f"{names[found.nearer]} stands before {found.share:.0%} of {names[found.farther]}. Ovals cannot part "
                f"them there; {found.apart_m:.2f} m further aside would.",
                True,
            )


def _of_focus(film: Film, seen: View, camera: PlannedCamera, names: dict[str, str]) -> Iterator[Said]:
    sharp, blur_mm = sharp_by(camera), optics.usual_blur_mm(camera.sensor_mm)
    yield Said(optics.sharp_in_words(sharp, camera.f_number, camera.focus_m, blur_mm))
    soft = [
        names[spot.part]
        for spot in film.plan.spots
        if not sharp.near_m <= seen.depth_m(spot.y_m, lamps.chest(spot)[2]) <= sharp.far_m
    ]
    if soft:
        yield Said(f"Not sharp: {listed(soft)}.", True)


def _of_walls(film: Film, names: dict[str, str]) -> Iterator[Said]:
    room = film.plan.room
    if room is None:
        return
    things = [(names[spot.part], spot.x_m, spot.y_m, spot.height_m) for spot in film.plan.spots]
    things += [(f"The lamp {lamp.id}", lamp.x_m, lamp.y_m, lamp.height_m) for lamp in film.plan.lamps]
    for name, x, y, height in things:
        if not -room.left_m <= x <= room.right_m or y > room.back_m or height > room.height_m:
            yield Said(f"{name} would not fit into the room: it is planned beyond a wall or the ceiling.", True)


def _of_lamp(film: Film, lamp: PlannedLamp, spot: PlannedSpot, names: dict[str, str]) -> Iterator[Said]:
    key = lamps.key_of(lamp, spot)
    side = abs(round(key.side_deg))
    where = (
        "straight from the camera's side" if side < 1 else f"{side}° to the {lamps.hand(key.side_deg)} of the camera"
    )
    lux = lamps.lux_at(lamp, spot, lamps.chest(spot), dome=False)
    bright = f", {lux:.0f} lx on what faces it" if lux else ""
    yield Said(
        f"{names[spot.part]}, lamp {lamp.id}: {where}, {key.above_deg:.0f}° above, {key.away_m:.1f} m away{bright}."
    )
    shadow = lamps.shadow_of(lamp, spot, film.plan.room)
    hit = [names[other.part] for other in film.plan.spots if other is not spot and lamps.falls_on(shadow, other)]
    if hit:
        yield Said(
            f"The shadow that it gives {names[spot.part]} falls on the place of {listed(hit)}: it ends where their "
            "ovals meet, unless light is summed."
        )


def _of_exposure(film: Film, spot: PlannedSpot, names: dict[str, str]) -> Iterator[Said]:
    camera = film.plan.camera
    lux = player_lux(film, spot)
    if lux < _DARK_LUX:
        yield Said(f"{names[spot.part]}: no light reaches the side that the camera sees.", True)
        return
    aperture = lamps.aperture_for(lux, camera)
    stops = 2 * math.log2(aperture / camera.f_number)
    off = "right" if abs(stops) < 0.1 else f"{abs(stops):.1f} stops too {'bright' if stops > 0 else 'dark'}"
    yield Said(
        f"{names[spot.part]}: {lux:.0f} lx for a dome, f/{aperture:.1f} at ISO {camera.iso:g} and "
        f"1/{camera.shutter:g} s; f/{camera.f_number:g} is {off}.",
        abs(stops) > 1,
    )


def _of_lamps_seen(film: Film, seen: View) -> Iterator[Said]:
    for lamp in film.plan.lamps:
        if not in_picture(seen, lamp):
            continue
        out = [f"{seen.depth_m(lamp.y_m, lamp.height_m) * seen.half_across - abs(lamp.x_m):.2f} m further to the "
               f"{lamps.hand(lamp.x_m)}"]  # fmt: skip
        raised = (lamp.replace(height_m=lamp.height_m + step * _STEP_M) for step in range(1, _MOST_STEPS + 1))
        higher = next((each for each in raised if lamp.hangs and not in_picture(seen, each)), None)
        if higher is not None:
            out.append(f"{higher.height_m - lamp.height_m:.1f} m higher")
        what = "hangs" if lamp.hangs else "stands"
        yield Said(f"The lamp {lamp.id} {what} in the picture; {' or '.join(out)} it is out of it.", True)


def _of_seams(film: Film, seen: View, names: dict[str, str]) -> Iterator[Said]:
    """Compare the light of neighbours' takes on the floor between them, where their ovals meet."""
    lit = [
        (box.across, spot) for spot in film.plan.spots if is_lit(film, spot) and (box := box_of(seen, spot)) is not None
    ]
    ordered = [spot for _, spot in sorted(lit, key=lambda each: each[0])]
    for left, right in pairwise(ordered):
        between = ((left.x_m + right.x_m) / 2, (left.y_m + right.y_m) / 2, 0.0)
        one, other = (_floor_lux(film, spot, between) for spot in (left, right))
        if min(one, other) <= 0:
            continue  # a narrow beam leaves nothing there
        stops = math.log2(one / other)
        brighter = names[left.part] if stops > 0 else names[right.part]
        yield Said(
            f"Between {names[left.part]} and {names[right.part]} their takes' light on the floor differs by "
            f"{abs(stops):.1f} stops" + (f", brighter for {brighter}." if abs(stops) >= 0.05 else "."),
            abs(stops) > SEAM_STOPS,
        )


def _floor_lux(film: Film, spot: PlannedSpot, place: lamps.Point) -> float:
    found = film.plan.ambient_lux
    for lamp in film.plan.lamps_of(spot.part):
        away = math.dist((lamp.x_m, lamp.y_m, lamp.height_m), place)
        found += lamps.lux_at(lamp, spot, place, dome=False) * lamp.height_m / max(away, NEAREST_M)
    return found
