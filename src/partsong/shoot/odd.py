"""What a take alone shows otherwise, of all the takes that can see the place. Pure.

A player stands elsewhere in each take, and hides what is behind him in his own only. A prop that was moved before this
take stands otherwise in this one only. So what was changed in it are the places at which it is a stranger to the
reference *and* to every other take, while those are one and the same: they are sure. Where one other take alone can see
the place, it may be that one which is odd; such a place counts for less. Where one of the others shows what the next
would not, nothing is said: in the dark the hard edges of shadows are stranger to a picture than all that it holds.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from partsong.shoot.sight import Movement
from partsong.shoot.strange import ONE, STRANGERS, Drawn, Mask, Picture, shows, strangeness

_MARGIN_PX = 7  # around players
_COARSE, _SHIRT = 4, 17  # pixels; of the coarse picture, across
_LEAST_BODY = 0.15  # of the frame's height
_TRUNK = 0.5  # the upper part of a moving body, that is as broad as he is
_BELOW, _LEGS = 1.4, 0.8  # of its height and breadth: how far legs reach below, and how wide they stand


@dataclass(frozen=True, slots=True)
class View:
    """One take of the room, laid on the reference: its drawing, and what moves in it."""

    drawing: Drawn
    movement: Movement


@dataclass(frozen=True, slots=True)
class Odd:
    """Where a take differs from all others; all (h, w).

    Attributes
    ----------
    where, sure : (h, w)
        Where it does, and where two others that agree say so.
    told : (h, w)
        Where another take can be compared with it at all.
    player, player_before : (h, w)
        Where its player is, and the reference's, moving or standing still, with a margin.
    more_players : tuple of (h, w)
        Where those of the further takes are.
    """

    where: Mask
    sure: Mask
    told: Mask
    player: Mask
    player_before: Mask
    more_players: tuple[Mask, ...] = ()


def odd_one_out(take: View, others: Sequence[View]) -> Odd:
    """Compare a take with the reference, the first of the ``others``, and with more takes, all laid on it."""
    views = [take, *others]
    pairs = {
        (one, other): strangeness(views[one].drawing, views[other].drawing)
        for one, other in itertools.combinations(range(len(views)), 2)
        if one < 2
    }

    def of(one: int, other: int) -> tuple[Picture, Mask]:
        return pairs[min(one, other), max(one, other)]

    players = []
    for number, view in enumerate(views):
        beside = [other for other in range(len(views)) if (min(number, other), max(number, other)) in pairs]
        alone = _by_itself([of(number, other) for other in beside], [~views[other].movement.moving for other in beside])
        players.append(_wider(_player(view.movement.bodies, alone) | view.movement.moving))
    known = [pairs[0, number][1] & ~players[number] for number in range(1, len(views))]
    where = _by_itself([pairs[0, number] for number in range(1, len(views))], known) & ~players[0]
    sure, apart = (np.zeros(where.shape, bool) for _ in range(2))
    for number in range(2, len(views)):
        strange, told = pairs[1, number]
        both = known[0] & known[number - 1] & told
        sure |= where & both & (strange < ONE)
        # Where one shows what the other would not, that one is blind.
        blind = ~told & (shows(views[1].drawing) | shows(views[number].drawing))
        apart |= known[0] & known[number - 1] & (blind | (told & (strange > STRANGERS)))
    where &= ~apart | sure
    told = np.logical_or.reduce(known) & ~players[0]
    return Odd(where, sure, told, players[0], players[1], tuple(players[2:]))


def _by_itself(compared: Sequence[tuple[Picture, Mask]], usable: Sequence[Mask]) -> Mask:
    """Return where something can be compared, and every comparison finds strangers."""
    some = np.zeros(usable[0].shape, bool)
    every = np.ones(usable[0].shape, bool)
    for (strange, told), free in zip(compared, usable, strict=True):
        known = told & free
        some |= known
        every &= ~known | (strange > STRANGERS)
    return some & every


def _wider(mask: Mask) -> Mask:
    import cv2

    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((_MARGIN_PX, _MARGIN_PX), np.uint8)) > 0)


def _player(moving: Mask, alone: Mask) -> Mask:
    """Return where a player is: what moves, what that encloses, and what is in his take ``alone`` around and below."""
    import cv2

    height, width = moving.shape
    out = moving.copy()
    # A shirt that stays where it is lies between sleeves that move.
    coarse = cv2.resize(moving.astype(np.float32), (width // _COARSE, height // _COARSE), interpolation=cv2.INTER_AREA)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_SHIRT, _SHIRT))
    padded = cv2.copyMakeBorder((coarse > 0.5).astype(np.uint8), _SHIRT, _SHIRT, _SHIRT, _SHIRT, cv2.BORDER_CONSTANT)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, kernel)[_SHIRT:-_SHIRT, _SHIRT:-_SHIRT]
    whole = cv2.resize(closed, (width, height), interpolation=cv2.INTER_NEAREST)
    outlines, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    for outline in outlines:
        _, top, _, high = cv2.boundingRect(outline)
        if high < _LEAST_BODY * height:
            continue
        body = np.zeros(moving.shape, np.uint8)
        cv2.drawContours(body, [outline], -1, 1, cv2.FILLED)
        out |= body.astype(bool)
        # A shadow on the floor is no breadth of a body.
        upper = np.flatnonzero(body[top : top + round(_TRUNK * high)].any(axis=0))
        hull = cv2.convexHull(np.argwhere(body[: top + round(_TRUNK * high)])[:, ::-1].astype(np.int32))
        around = np.zeros(moving.shape, np.uint8)
        cv2.fillConvexPoly(around, hull, 1)
        out |= around.astype(bool) & alone
        # Legs stand still, at least for a while.
        middle, half = (upper[0] + upper[-1]) / 2, (upper[-1] - upper[0]) / 2
        across = slice(max(0, round(middle - _LEGS * half)), min(width, round(middle + _LEGS * half) + 1))
        below = np.s_[top : min(height, top + round((1 + _BELOW) * high)), across]
        out[below] |= alone[below]
    closed = cv2.morphologyEx(out.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    return np.asarray(closed > 0, bool)
