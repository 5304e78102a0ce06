"""Props that do not stand as they stood in the reference, under another light. Pure.

That a place looks different says nothing: a shadow's edge does that. What says something is that the same drawing is
now *there* (:mod:`partsong.shoot.moves`), or that a whole surface has another drawing (:mod:`partsong.shoot.alone`);
and both only where this take is the odd one among all (:mod:`partsong.shoot.odd`). Where either light shows too little,
or a player is, nothing is told, and that is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from partsong.film.records import Pose
from partsong.render.registration import LEAST_SIDE, Found, laid
from partsong.render.warp import matrix_of
from partsong.shoot.alone import UPRIGHT_PX, Alone, alone
from partsong.shoot.camera import found_on
from partsong.shoot.changes import Changes, alike_within, changes, filled, still_of
from partsong.shoot.fine import Mask, Picture
from partsong.shoot.judge import Remark
from partsong.shoot.moves import CLEAR, TURNED_DEG, Moved, as_told, middle_of, moved, told_by
from partsong.shoot.odd import Odd, View, odd_one_out
from partsong.shoot.sight import Sight
from partsong.shoot.strange import black_of, drawn

_SAME = 0.3  # of a thing, that two findings of it share
_BESIDE_PX, _HANGS_PX = 25, 41  # around a thing, and between what is odd of one thing
_EXPLAINED, _EXPLAINED_CLEARLY = 0.5, 0.4  # of a surface, where a thing was and is; where that is told clearly
_SURE, _BORNE_OUT = 12.5, 11.5  # nats of a move that is told: by two takes alone, and where another one says the same
_LACKING = 3.0  # nats less, that are enough for a surface to be of something that moved
_ASKED, _SAME_TOLD = 3.0, 0.15  # nats that another take could tell, to be asked, and the share of them that it tells
_SEEN_OF_IT = 0.25  # of a surface, to be asked whether its detail is alike,
_LIKE, _LIKE_ALL = 0.45, 0.3  # and the correlation that is: with one take, and on average with all that see it
_SAME_WAY_PX, _SAME_TURN_DEG = 0.15, 0.5  # from the camera's own move: as near as either is measured
_ASIDE_PX, _ODD = 5.0, 0.2  # from where on a move's places must be odd, and the share of them that is
_KNOWN, _AT_PLAYERS = 0.25, 20.0  # of a thing's places, that others see, and nats that are asked where they see less,
_ALL_OVER, _FITS_ALL_OVER = 1.0, 14.0  # but of what tells so much a window these nats
_BEYOND_DOUBT = 30.0  # nats, from which a move is told whatever else is
_ROWS = ("upper", "", "lower")
_COLUMNS = ("left", "", "right")
_HARDLY = 0.25  # of a part of the frame, below which it is named as not seen
_PUT_BACK = "Compare with {} on a monitor and put it back; else it may show twice, or cut off, where the takes meet."


@dataclass(frozen=True, slots=True)
class Compared:
    """What two stills say of the props, in the reference's frame: ``seen`` and ``player`` (h, w) are where."""

    moved: tuple[Moved, ...]
    alone: tuple[Alone, ...]
    seen: Mask
    player: Mask


@dataclass(frozen=True, slots=True)
class Laid:
    """A take's sight, and its still picture laid on the reference's, (h, w), as it was found to lie."""

    sight: Sight
    still: Picture
    found: Found


def laid_on(sight: Sight, reference: Sight) -> Laid | None:
    """Lay a take on the reference, both of one size; None if it shows another room, or is too small to tell."""
    found = found_on(sight, reference)
    return Laid(sight, laid(sight.still, found.pose), found) if found is not None and found.same_room else None


def compared(take: Laid, reference: Sight, others: Sequence[Laid] = ()) -> Compared:
    """Compare a take with the reference.

    The ``others`` tell which of the two is odd where they differ: shadows and players of the reference are not in
    those.
    """
    here, was = still_of(take.sight, take.still), still_of(reference, reference.still)
    more = [still_of(one.sight, one.still) for one in others]
    black = black_of(*(one.picture for one in (here, was, *more)))
    views = [View(drawn(one.picture, one.noise, black), one.movement) for one in (here, was, *more)]
    odd = odd_one_out(views[0], views[1:])
    found = changes(was, here, odd.player_before, odd.player)
    surfaces = alone(odd, [one.picture for one in (was, *more)], here.picture, black)
    others_see = [changes(one, here, player, odd.player) for one, player in zip(more, odd.more_players, strict=True)]
    whole, before = found, was.picture
    for other, one in zip(others_see, more, strict=True):
        whole, where = filled(whole, other)
        before = np.where(where, one.picture, before)
    chances = [thing for thing in moved(whole, before, here.picture) if thing.far]
    things = _once([one for one in chances if _borne_out(one, whole, others_see, surfaces, odd)], odd)
    things = [one for one in as_told(whole, things) if one.far]
    surfaces = _beside(surfaces, things, odd)
    surfaces = [one for one in surfaces if _unlike(one, (found, *others_see))]
    weak = _explaining(surfaces, chances, whole, others_see, odd)
    surfaces = _beside(surfaces, weak, odd)
    things = [one for one in (*things, *weak) if not _of_the_camera(one, take.found.pose)]
    return Compared(tuple(things), tuple(surfaces), whole.seen, odd.player_before | odd.player)


def _beside(surfaces: Sequence[Alone], things: Sequence[Moved], odd: Odd) -> list[Alone]:
    """Leave out surfaces that are of things which were found again."""
    near = [_of_it(one, odd) for one in things]
    return [one for one in surfaces if not any((one.where & place).any() for place in near)]


def _explaining(
    surfaces: Sequence[Alone], chances: Sequence[Moved], found: Changes, others: Sequence[Changes], odd: Odd
) -> list[Moved]:
    """Return moves that lack a little to be told, of which a surface is: how far they go is not known."""
    weak = [one for one in chances if any(_explains(one, surface) for surface in surfaces)]
    weak = [one for one in weak if _borne_out(one, found, others, surfaces, odd, _LACKING)]
    return [replace(one, measured=False) for one in _once(weak, odd)]


def _of_the_camera(one: Moved, pose: Pose) -> bool:
    """Say whether a thing did not move in the camera's own picture, while that moved: a sensor's pattern, dust."""
    height, width = one.before.shape
    middle = middle_of(one.before)
    went = matrix_of(pose, width, height) @ [*middle, 1] - middle
    turned = abs(one.turn_deg - pose.rotation_deg)
    return bool(np.hypot(*(went - (one.dx, one.dy))) < _SAME_WAY_PX and turned < _SAME_TURN_DEG)


def _borne_out(
    one: Moved,
    found: Changes,
    others: Sequence[Changes],
    surfaces: Sequence[Alone],
    odd: Odd,
    lacking: float = 0.0,
) -> bool:
    """Say whether a move is told: by its weight, else by every other take that sees it; not of a part of a surface.

    It may be ``lacking`` some nats.
    """
    if one.told >= _BEYOND_DOUBT:
        return True
    least = _SURE
    for other in others:
        could, does = told_by(found, one, other)
        if could < _ASKED:
            continue
        if does < _SAME_TOLD * could:
            return False
        least = _BORNE_OUT
    # Clothes fit other clothes, though not all over.
    place = one.before | one.after
    known = place & odd.told
    if known.sum() < _KNOWN * place.sum():
        least = _FITS_ALL_OVER if one.a_window >= _ALL_OVER else _AT_PLAYERS
    # What went further than a little aside leaves its places odd.
    elif np.hypot(one.dx, one.dy) >= _ASIDE_PX and (odd.where & known).sum() < _ODD * known.sum():
        return False
    # What went or came is larger than what of it fits the ground elsewhere.
    return one.told >= least - lacking and all(
        _explains(one, surface) for surface in surfaces if (surface.where & place).any()
    )


def _explains(one: Moved, surface: Alone) -> bool:
    """Say whether a surface that is in one picture only is largely a thing's old and new place."""
    least = _EXPLAINED_CLEARLY if one.told >= CLEAR else _EXPLAINED
    return bool((surface.where & (one.before | one.after)).sum() > least * surface.where.sum())


def _unlike(surface: Alone, takes: Sequence[Changes]) -> bool:
    """Say whether a surface's detail has nothing to do with that of other takes, as far as they see it.

    Where shadows cross a strong pattern, drawings can be strangers whose detail is the same, or its opposite. Shadows
    on a floor are flat; of what stands upright, likeness on average is no objection.
    """
    upright = bool(np.ptp(np.flatnonzero(surface.where.any(axis=1))) >= UPRIGHT_PX)
    alike = []
    for seen in takes:
        where = surface.where & (seen.drawn_before | seen.drawn_after) & ~seen.player_before
        if where.sum() >= _SEEN_OF_IT * surface.where.sum():
            # Windows reach beyond legs.
            values = alike_within(seen, where) if upright else seen.alike
            alike.append(float(np.median(values[where])))
    if not alike:
        return True
    return max(map(abs, alike)) < _LIKE and (upright or float(np.mean(alike)) < _LIKE_ALL)


def _once(things: list[Moved], odd: Odd) -> list[Moved]:
    """Leave out what is told weakly of a place of which more is told already; the surest come first."""
    kept: list[Moved] = []
    for one in things:
        if not any((_of_it(other, odd) & one.after).sum() > _SAME * one.after.sum() for other in kept):
            kept.append(one)
    return kept


def _around(one: Moved) -> Mask:
    """Return the box around a thing's two places: what it hid or hides now is no other thing."""
    rows, columns = np.nonzero(one.before | one.after)
    place = np.zeros(one.before.shape, bool)
    top, left = max(0, rows.min() - _BESIDE_PX), max(0, columns.min() - _BESIDE_PX)
    place[top : rows.max() + _BESIDE_PX, left : columns.max() + _BESIDE_PX] = True
    return place


def _of_it(one: Moved, odd: Odd) -> Mask:
    """Return where a thing is, and all that is odd and hangs together with it."""
    import cv2

    place = _around(one)
    wide = np.ones((_HANGS_PX, _HANGS_PX), np.uint8)
    _, labels = cv2.connectedComponents(cv2.morphologyEx((odd.where | place).astype(np.uint8), cv2.MORPH_CLOSE, wide))
    return np.asarray(labels == labels[place][0], bool)


def of_props(
    take: Laid | None, reference: Sight, name: str, unseen: list[str], others: Sequence[Laid] = ()
) -> list[Remark]:
    """Judge whether props stand where they stood in the reference; both of one size.

    Parameters
    ----------
    take : Laid, optional
        The take, laid on the reference; None if it could not be.
    reference : Sight
        Of the take that it is held against, in whatever light.
    name : str
        Of the reference.
    unseen : list of str
        Gets a sentence of what was not told.
    others : sequence of Laid
        More takes of the same size, in other lights.
    """
    if min(reference.still.shape) < LEAST_SIDE:
        unseen.append("Whether a prop was moved was not told: the picture is too small.")
        return []
    if take is None:
        unseen.append("Whether a prop was moved was not told: the two pictures could not be laid on each other.")
        return []
    both = compared(take, reference, others)
    unseen.append(_not_seen(both))
    factor = reference.width / reference.still.shape[1]
    said = [_of_moved(thing, factor, reference.width, name) for thing in both.moved]
    return said + [_of_alone(thing, factor, name) for thing in both.alone]


def _of_moved(thing: Moved, factor: float, width: int, name: str) -> Remark:
    kind = "prop turned" if abs(thing.turn_deg) >= TURNED_DEG else "prop moved"
    if not thing.measured:
        sentence = f"Something that stood in {name} was moved or turned; too little is seen of it to say how far."
        return Remark(kind, sentence, _PUT_BACK.format(name), "look first", box=_box(thing.after, factor))
    dx, dy = thing.dx * factor, thing.dy * factor
    size = float(np.hypot(dx, dy))
    way = f"{abs(dx):.1f} {'right' if dx >= 0 else 'left'} and {abs(dy):.1f} {'down' if dy >= 0 else 'up'}"
    went = f"{size:.1f} px ({size / width:.1%} of the frame's width) off: {way}"
    turned = kind == "prop turned"
    if turned:
        hand = "clockwise" if thing.turn_deg > 0 else "anticlockwise"
        sentence = f"Something that stood otherwise in {name} is turned by {abs(thing.turn_deg):.1f} degrees {hand}"
        sentence += f", and its middle is {went}." if size >= 1 else "."
    else:
        sentence = f"Something that stood elsewhere in {name} is now {went}."
    return Remark(
        kind,
        sentence,
        _PUT_BACK.format(name),
        "look first",
        box=_box(thing.after, factor),
        size=abs(thing.turn_deg) if turned else size,
        unit="degrees" if turned else "px",
        moved_px=(dx, dy),
        was=_box(thing.before, factor),
        turned_deg=thing.turn_deg,
    )


def _of_alone(thing: Alone, factor: float, name: str) -> Remark:
    kind, sentence, advice = {
        "before": (
            "prop gone",
            f"Something that stood here in {name} does not stand here now, and was not found near.",
            _PUT_BACK.format(name),
        ),
        "after": (
            "prop brought",
            f"Something stands here now that did not in {name}.",
            "If it is not part of this set-up, take it away; else mind that no seam runs through it.",
        ),
        "either": (
            "prop gone or brought",
            f"What is seen here has nothing in common with {name}: something was taken away or brought.",
            _PUT_BACK.format(name),
        ),
    }[thing.which]
    return Remark(kind, sentence, advice, "look first", box=_box(thing.where, factor))


def _box(where: Mask, factor: float) -> tuple[float, float, float, float]:
    """Return where a mask lies, in the frame's pixels: left, top, width, height."""
    rows, columns = np.nonzero(where)
    left, right = factor * float(columns.min()), factor * float(columns.max() + 1)
    top, bottom = factor * float(rows.min()), factor * float(rows.max() + 1)
    return left, top, right - left, bottom - top


def _not_seen(both: Compared) -> str:
    hidden, dark = (float((~both.seen & where).mean()) for where in (both.player, ~both.player))
    sentence = (
        f"Whether a prop was moved was told in {both.seen.mean():.0%} of the frame. Not seen: {dark:.0%}, too dark in "
        f"one of the two lights or too plain, and {hidden:.0%}, where a player or his shadow is."
    )
    hardly = list(_hardly_seen(both.seen))
    return sentence + (f" Hardly anything is seen {', '.join(hardly)}: look yourself." if hardly else "")


def _hardly_seen(seen: Mask) -> Iterator[str]:
    """Yield the ninths of the frame in which hardly anything could be told."""
    rows, columns = (np.linspace(0, side, 4).astype(int) for side in seen.shape)
    for row, down in enumerate(_ROWS):
        for column, across in enumerate(_COLUMNS):
            part = seen[rows[row] : rows[row + 1], columns[column] : columns[column + 1]]
            if part.mean() < _HARDLY:
                words = " ".join(word for word in (down, across) if word)
                yield f"at the {words}" if words else "in the middle"
