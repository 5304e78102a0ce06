"""How hands move around the notes they play: struck, plucked, drawn with a bow.

A gesture says, for a moment before or after its note, where the hand is between touching (0) and as far away as it
goes (1), and how far it has travelled until then. Reaching movements follow the minimum-jerk course (Flash and Hogan,
The Journal of Neuroscience 5, 1985; from memory); a stroke speeds up until it lands. How long each part takes is common
practice, no source.

* *struck* (sticks, mallets, hands): the hand lifts, holds perhaps, falls faster and faster, and springs back from where
  it lands, which is the note;
* *pressed* (keys): the same without haste: the hand comes to rest where the note is;
* *plucked*: the finger leaves the string, which is the note, and comes back;
* *drawn*: the bow moves from each note to the next and turns there.

Pressed is plucked seen backwards: what looks alike both ways must not be told apart by one of them being left out. What
would be struck seen backwards is left out, since a hand that lifts begins gently: where it stops or turns sharply, it
has landed.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BOWS = tuple(itertools.product((0.6, 1.2, 2.5), (True, False)))
"""The bows that are tried: the longest stroke in seconds, and whether it swells or keeps its speed."""

_BEFORE_S = 0.01  # a plucked string sounds when it is let go, a moment after the finger has begun to move
_TURN_S = 0.08  # what a bow that keeps its speed needs to turn


@dataclass(frozen=True, slots=True)
class Way:
    """A way of playing, by a vector of values: durations as logarithms of seconds, all else plain.

    ``usual`` (values, 2) is what is usual and how far players stray from it, ``within`` (values, 2) what is possible,
    and ``tried`` (gestures, values) where a search starts from. ``curves`` turns values and times in seconds after the
    note into the travelled way and the place, both in units of the gesture's height.
    """

    name: str
    curves: Callable[[Array, Array], tuple[Array, Array]]
    usual: Array
    within: Array
    tried: Array

    def unlikely(self, values: Array) -> float:
        """Say how unusual a gesture is, in nats; infinite where it is not possible."""
        if np.any(values < self.within[:, 0]) or np.any(values > self.within[:, 1]):
            return float("inf")
        return float(0.5 * np.sum(((values - self.usual[:, 0]) / self.usual[:, 1]) ** 2))


def reach(share: Array) -> Array:
    """Return how far a reaching movement has come after a share (0 to 1) of its time."""
    share = np.clip(share, 0, 1)
    return np.asarray(share**3 * (10 - 15 * share + 6 * share**2))


def drawn(at_s: Array, notes_s: Array, longest_s: float, swells: bool) -> Array:
    """Return how far along its stroke (0 to 1) a bow is that begins one at every note."""
    number = np.clip(np.searchsorted(notes_s, at_s, side="right") - 1, 0, None)
    gaps_s = np.append(np.diff(notes_s), longest_s)
    length_s = np.minimum(gaps_s, longest_s)[number]
    share = np.clip((at_s - notes_s[number]) / length_s, 0, 1)
    if swells:
        return reach(share)
    turn = _TURN_S / np.maximum(length_s, 2 * _TURN_S)
    slow, fast = share**2 / (2 * turn), share - turn / 2
    slowing = 1 - turn - (1 - share) ** 2 / (2 * turn)
    return np.asarray(np.where(share < turn, slow, np.where(share < 1 - turn, fast, slowing)) / (1 - turn))


def _struck(values: Array, since_s: Array) -> tuple[Array, Array]:
    lift_s, fall_s, spring_s = np.exp(values[[0, 1, 4]])
    force, hold_s, height = values[[2, 3, 5]]
    lifted = reach((since_s + fall_s + hold_s + lift_s) / lift_s)
    fallen = np.clip((since_s + fall_s) / fall_s, 0, 1) ** force
    sprung = np.clip(since_s / spring_s, 0, 1)
    away = height * np.sin(np.pi * sprung)
    return lifted + fallen + np.where(sprung < 0.5, away, 2 * height - away), lifted - fallen + away


def _pressed(values: Array, since_s: Array) -> tuple[Array, Array]:
    travelled, place = _plucked(values, -since_s - _BEFORE_S)
    return 2 - travelled, place


def _plucked(values: Array, since_s: Array) -> tuple[Array, Array]:
    pull_s, back_s = np.exp(values[[0, 2]])
    gone = reach((since_s + _BEFORE_S) / pull_s)
    returned = reach((since_s + _BEFORE_S - pull_s - values[1]) / back_s)
    return gone + returned, gone - returned


def _struck_tried() -> Array:
    lifts_s, falls_s = (0.12, 0.17, 0.24, 0.34, 0.45), (0.05, 0.08, 0.12, 0.17)
    springs = ((0.28, 0.05), *itertools.product((0.15, 0.28, 0.45), (0.3, 0.7)))
    return np.array(
        [
            (np.log(lift_s), np.log(fall_s), force, hold_s, np.log(spring_s), height)
            for lift_s, fall_s in itertools.product(lifts_s, falls_s)
            if fall_s <= 1.2 * lift_s
            for force, hold_s, (spring_s, height) in itertools.product((1.0, 2.5), (0.01, 0.08), springs)
        ]
    )


def _plucked_tried() -> Array:
    pulls_s, backs_s = (0.05, 0.08, 0.12, 0.17), (0.12, 0.18, 0.25, 0.35, 0.5)
    return np.array(
        [
            (np.log(pull_s), hold_s, np.log(back_s))
            for pull_s, hold_s, back_s in itertools.product(pulls_s, (0.005, 0.04, 0.1), backs_s)
            if back_s >= pull_s
        ]
    )


# What is usual and how far players stray from it, and what is possible: a lift, a fall, its force and the hold before
# it, a spring and its height; a pull or a press, the hold beside it, and the way back or up.
_STRUCK = np.array(
    [(np.log(0.24), 0.5), (np.log(0.09), 0.45), (1.8, 0.7), (0.04, 0.05), (np.log(0.28), 0.45), (0.3, 0.3)]
)
_STRUCK_WITHIN = np.array([(-2.6, -0.5), (-3.2, -1.4), (1.0, 3.5), (0.0, 0.4), (-2.5, -0.5), (0.0, 0.9)])
_PLUCKED = np.array([(np.log(0.08), 0.45), (0.04, 0.05), (np.log(0.25), 0.5)])
_PLUCKED_WITHIN = np.array([(-3.2, -1.4), (0.0, 0.4), (-2.6, -0.4)])

WAYS = (
    Way("struck", _struck, _STRUCK, _STRUCK_WITHIN, _struck_tried()),
    Way("pressed", _pressed, _PLUCKED, _PLUCKED_WITHIN, _plucked_tried()),
    Way("plucked", _plucked, _PLUCKED, _PLUCKED_WITHIN, _plucked_tried()),
)
