"""Props that do not stand as they stood in the reference, under another light. Pure.

That a place looks different says nothing: a shadow's edge does that. What says something is that the same drawing is
now *there* (:mod:`partsong.shoot.moves`), or that a whole surface has another drawing (:mod:`partsong.shoot.alone`);
and both only where this take is the odd one among all (:mod:`partsong.shoot.odd`). Where either light shows too little,
or a player is, nothing is told, and that is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from partsong.render.registration import LEAST_SIDE, find_pose, laid
from partsong.shoot.alone import Alone, alone
from partsong.shoot.changes import Mask, Picture, changes, noise_of
from partsong.shoot.judge import Remark
from partsong.shoot.moves import SURE, Moved, moved
from partsong.shoot.odd import Odd, View, odd_one_out
from partsong.shoot.sight import Sight
from partsong.shoot.strange import black_of, drawn

TURNED_DEG = 2.0
"""From here on a thing is told as turned; less is within what a small one can tell."""
_MOVED_PX = 1.0  # of the still picture; less is what registration may leave, and a light that falls otherwise
_SAME = 0.3  # of a thing, that two findings of it share
_BESIDE_PX = 25
_KNOWN, _BORNE_OUT = 0.25, 0.2  # of a thing's two places: what other takes see there at least, and what of it is odd,
_ODD = 0.3  # and from which share of it the takes that see it bear out what tells less than by itself
_BEYOND_DOUBT = 24.0  # nats, from which a move is told of a part of a surface
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


def compared(sight: Sight, reference: Sight, others: Sequence[Sight] = ()) -> Compared | None:
    """Compare two takes of one size; None if they cannot be laid on each other.

    The ``others`` tell which of the two is odd where they differ: shadows and players of the reference are not in
    those.
    """
    here = _laid(sight, reference)
    if here is None:
        return None
    seen_by = [(other, _laid(other, reference)) for other in others]
    stills = [
        (sight, here),
        (reference, reference.still),
        *((one, still) for one, still in seen_by if still is not None),
    ]
    black = black_of(*(still for _, still in stills))
    views = [View(drawn(still, noise_of(one), black), ~one.unmoving) for one, still in stills]
    odd = odd_one_out(views[0], views[1:])
    found = changes(reference, sight, here, odd)
    surfaces = alone(odd, reference.still, here, black)
    things = [one for one in moved(found, reference.still, here) if _far(one)]
    # Of two pictures neither is the odd one.
    least_odd = _ODD if len(views) > 2 else 1.0
    things = _once([one for one in things if _borne_out(one, odd, surfaces, least_odd)])
    near = [_near(one) for one in things]
    surfaces = [one for one in surfaces if not any((one.where & place).any() for place in near)]
    return Compared(tuple(things), tuple(surfaces), found.seen, odd.player_before | odd.player)


def _laid(sight: Sight, reference: Sight) -> Picture | None:
    """Return a take's still picture laid on the reference's; None if it shows another room."""
    found = find_pose(reference.still, sight.still, reference.unmoving & sight.unmoving)
    return laid(sight.still, found.pose) if found.same_room else None


def _far(one: Moved) -> bool:
    return bool(np.hypot(one.dx, one.dy) >= _MOVED_PX) or abs(one.turn_deg) >= TURNED_DEG


def _borne_out(one: Moved, odd: Odd, surfaces: Sequence[Alone], least_odd: float) -> bool:
    """Say whether a move is told: by its weight, a surface or other takes; not where the take is no odd one."""
    place = one.before | one.after
    known = place & odd.told
    asked = bool(known.sum() > _KNOWN * place.sum())
    share = float((odd.where & known).sum()) / max(float(known.sum()), 1.0)
    if asked and share < _BORNE_OUT:
        return False
    if one.told >= _BEYOND_DOUBT:
        return True
    # What went or came is larger than what of it fits the ground elsewhere.
    touched = [_explains(one, surface) for surface in surfaces if (surface.where & place).any()]
    return all(touched) and (one.told >= SURE or bool(touched) or (asked and share > least_odd))


def _explains(one: Moved, surface: Alone) -> bool:
    """Say whether a surface that is in one picture only is mostly a thing's old and new place."""
    return bool((surface.where & (one.before | one.after)).sum() > 0.5 * surface.where.sum())


def _once(things: list[Moved]) -> list[Moved]:
    """Leave out what is told weakly of a place of which more is told already; the surest come first."""
    kept: list[Moved] = []
    for one in things:
        if one.told >= SURE or not any((_near(other) & one.after).sum() > _SAME * one.after.sum() for other in kept):
            kept.append(one)
    return kept


def _near(one: Moved) -> Mask:
    """Return the box around a thing's two places: what it hid or hides now is no other thing."""
    rows, columns = np.nonzero(one.before | one.after)
    place = np.zeros(one.before.shape, bool)
    top, left = max(0, rows.min() - _BESIDE_PX), max(0, columns.min() - _BESIDE_PX)
    place[top : rows.max() + _BESIDE_PX, left : columns.max() + _BESIDE_PX] = True
    return place


def of_props(
    sight: Sight, reference: Sight, name: str, unseen: list[str], others: Sequence[Sight] = ()
) -> list[Remark]:
    """Judge whether props stand where they stood in the reference; both of one size.

    Parameters
    ----------
    sight, reference : Sight
        Of the take, and of the take that it is held against, in whatever light.
    name : str
        Of the reference.
    unseen : list of str
        Gets a sentence of what was not told.
    others : sequence of Sight
        Of more takes of the same size, in other lights.
    """
    if min(sight.still.shape) < LEAST_SIDE:
        unseen.append("Whether a prop was moved was not told: the picture is too small.")
        return []
    both = compared(sight, reference, others)
    if both is None:
        unseen.append("Whether a prop was moved was not told: the two pictures could not be laid on each other.")
        return []
    unseen.append(_not_seen(both))
    factor = sight.width / sight.still.shape[1]
    said = [_of_moved(thing, factor, sight.width, name) for thing in both.moved]
    return said + [_of_alone(thing, factor, name) for thing in both.alone]


def _of_moved(thing: Moved, factor: float, width: int, name: str) -> Remark:
    dx, dy = thing.dx * factor, thing.dy * factor
    size = float(np.hypot(dx, dy))
    way = f"{abs(dx):.1f} {'right' if dx >= 0 else 'left'} and {abs(dy):.1f} {'down' if dy >= 0 else 'up'}"
    went = f"{size:.1f} px ({size / width:.1%} of the frame's width) off: {way}"
    turned = abs(thing.turn_deg) >= TURNED_DEG
    if turned:
        hand = "clockwise" if thing.turn_deg > 0 else "anticlockwise"
        sentence = f"Something that stood otherwise in {name} is turned by {abs(thing.turn_deg):.1f} degrees {hand}"
        sentence += f", and its middle is {went}." if size >= 1 else "."
    else:
        sentence = f"Something that stood elsewhere in {name} is now {went}."
    return Remark(
        "prop turned" if turned else "prop moved",
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
            f"Something that stood here in {name} does not stand here now, nor near.",
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
    dark = float((~both.seen & ~both.player).mean())
    sentence = (
        f"Whether a prop was moved was told in {both.seen.mean():.0%} of the frame. Not seen: {dark:.0%}, too dark in "
        f"one of the two lights or too plain, and {both.player.mean():.0%}, where a player or his shadow is."
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
