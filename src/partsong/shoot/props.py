"""Props that do not stand as they stood in the reference, under another light. Pure.

That a place looks different says nothing: a shadow's edge does that. What says something is that the same drawing is
now *there* (:mod:`partsong.shoot.moves`), or that a whole surface has another drawing (:mod:`partsong.shoot.alone`).
Where either light shows too little, or a player is, nothing is told, and that is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from partsong.render.registration import LEAST_SIDE, find_pose, laid
from partsong.shoot.alone import SURE_PX, Alone, alone
from partsong.shoot.changes import Changes, Mask, Picture, changes
from partsong.shoot.judge import Remark
from partsong.shoot.moves import SURE, Moved, moved
from partsong.shoot.sight import Sight

TURNED_DEG = 2.0
"""From here on a thing is told as turned; less is within what a small one can tell."""
_MOVED_PX = 1.0  # of the still picture; less is what registration may leave, and a light that falls otherwise
_SAME_PX, _SAME = 2.0, 0.3  # between two findings of one thing; and of it, that both show
_STRANGE = 0.3  # correlation
_BESIDE_PX = 25
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

    What the reference alone says too weakly counts when one of the ``others`` says the same: shadows and players of
    the reference are not in those.
    """
    first = _Pair.of(sight, reference)
    if first is None:
        return None
    things, surfaces = first.moved(), alone(first.changes, reference.still, first.here)
    weak = any(one.told < SURE for one in things)
    asked = weak or any(one.where.sum() < SURE_PX for one in surfaces)
    pairs = [pair for pair in (_Pair.of(sight, other) for other in others) if pair is not None] if asked else []
    again = [pair.moved() for pair in pairs] if weak else []
    surfaces = [one for one in surfaces if one.where.sum() >= SURE_PX or any(_strange(one, pair) for pair in pairs)]
    things = [
        one
        for one in things
        if one.told >= SURE
        or any(_same(one, other) for found in again for other in found)
        or any(_explains(one, surface) for surface in surfaces)
    ]
    things = _once(things)
    near = [_near(one) for one in things]
    surfaces = [one for one in surfaces if not any((one.where & place).any() for place in near)]
    player = first.changes.player_before | first.changes.player_after
    return Compared(tuple(things), tuple(surfaces), first.changes.seen, player)


@dataclass(frozen=True, slots=True)
class _Pair:
    changes: Changes
    before: Picture
    here: Picture

    @classmethod
    def of(cls, sight: Sight, reference: Sight) -> _Pair | None:
        found = find_pose(reference.still, sight.still, reference.unmoving & sight.unmoving)
        if not found.same_room:
            return None
        here = laid(sight.still, found.pose)
        return cls(changes(reference, sight, here), reference.still, here)

    def moved(self) -> list[Moved]:
        found = moved(self.changes, self.before, self.here)
        return [one for one in found if np.hypot(one.dx, one.dy) >= _MOVED_PX or abs(one.turn_deg) >= TURNED_DEG]


def _same(one: Moved, other: Moved) -> bool:
    """Say whether two comparisons found the same thing to have moved alike."""
    apart = float(np.hypot(one.dx - other.dx, one.dy - other.dy))
    return apart <= _SAME_PX and bool((one.after & other.after).sum() > _SAME * min(one.after.sum(), other.after.sum()))


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


def _strange(one: Alone, pair: _Pair) -> bool:
    """Say whether a surface has another drawing than in one more take."""
    where = one.where & pair.changes.seen
    return bool(where.sum() > _SAME * one.where.sum() and pair.changes.alike[where].mean() < _STRANGE)


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
