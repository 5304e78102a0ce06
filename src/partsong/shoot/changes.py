"""Where the drawing of the room is another one than in the reference, whatever the light does. Pure.

Light that falls otherwise multiplies what a surface shows, and multiplies its neighbours alike: fine detail stays what
it was, up to its strength. So each place is asked how far the take's fine detail goes along with the reference's
(their correlation, without the noise's share). It does not where a thing stands in one picture only, and at the edges
of shadows. Nothing is asked where there is no detail to be seen through the noise, and what is said of players is
left to others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.shoot.fine import FINE_PX, WINDOW_PX, Mask, Picture, detail, likeness, mean
from partsong.shoot.sight import Movement, Sight

_SEEN = 6.0  # energy of detail over the noise's
_WEAKEST = 0.5  # the share of that energy that another light may leave of it
_OTHER = 0.4  # correlation below which two details are different ones
_STILL_NOISE = 1.25 / np.sqrt(15)  # of a median of fifteen frames, against one (the median's efficiency, 2 / pi)


@dataclass(frozen=True, slots=True)
class Changes:
    """Two stills of one room, the second laid on the first, and what they share; all (h, w).

    Attributes
    ----------
    before, after : (h, w)
        Fine detail of either, in the signal's units.
    noise_before, noise_after : (h, w)
        The mean square of the noise in them.
    alike : (h, w)
        Correlation of the two in the window around each pixel, -1 to 1, without the noise's share.
    drawn_before, drawn_after : (h, w)
        Where either shows detail that the other would show too, did it stand there.
    moving_before, moving_after : (h, w)
        Where something moves.
    player_before, player_after : (h, w)
        Where a player is, moving or sitting still.
    """

    before: Picture
    after: Picture
    noise_before: Picture
    noise_after: Picture
    alike: Picture
    drawn_before: Mask
    drawn_after: Mask
    moving_before: Mask
    moving_after: Mask
    player_before: Mask
    player_after: Mask

    @property
    def lost(self) -> Mask:
        """Where the reference's detail is not in the take."""
        return self.drawn_before & (self.alike < _OTHER) & ~self.moving_before

    @property
    def new(self) -> Mask:
        """Where the take's detail was not in the reference."""
        return self.drawn_after & (self.alike < _OTHER) & ~self.moving_after

    @property
    def seen(self) -> Mask:
        """Where something can be told at all."""
        return (self.drawn_before | self.drawn_after) & ~self.player_before & ~self.player_after


@dataclass(frozen=True, slots=True)
class Still:
    """A take's still picture laid on the reference, (h, w), its noise's mean square, and what moves in it."""

    picture: Picture
    noise: Picture
    movement: Movement


def still_of(sight: Sight, picture: Picture) -> Still:
    """Return a take's still picture, laid as it is given, with what its sight says of it."""
    return Still(picture, _noise_of(sight), sight.movement())


def _noise_of(sight: Sight) -> Picture:
    """Return the mean square of the noise in a take's still picture, (h, w)."""
    import cv2

    height, width = sight.still.shape
    grain = np.asarray(cv2.resize(sight.grain, (width, height)), np.float32)
    return np.asarray(np.square(grain * np.float32(_STILL_NOISE)), np.float32)


def changes(was: Still, here: Still, player_before: Mask, player_after: Mask) -> Changes:
    """Compare two takes' still pictures, ``was`` of the one held against and ``here``, laid on each other."""
    # Of white noise a Gaussian leaves 1 / (4 pi sigma^2).
    noises = [one.noise / np.float32(4 * np.pi * FINE_PX**2) for one in (was, here)]
    before, after = detail(was.picture), detail(here.picture)
    energies = [np.maximum(mean(np.square(one)) - noise, 0) for one, noise in zip((before, after), noises, strict=True)]
    drawn = [
        (energy > (_SEEN - 1) * own) & (_WEAKEST * energy > (_SEEN - 1) * other)
        for energy, own, other in zip(energies, noises, noises[::-1], strict=True)
    ]
    alike = np.clip(likeness(before, after, noises[0], noises[1], WINDOW_PX), -1, 1)
    return Changes(
        before=before,
        after=after,
        noise_before=noises[0],
        noise_after=noises[1],
        alike=alike,
        drawn_before=drawn[0],
        drawn_after=drawn[1],
        moving_before=was.movement.moving,
        moving_after=here.movement.moving,
        player_before=player_before,
        player_after=player_after,
    )


def alike_within(found: Changes, where: Mask) -> Picture:
    """Return the correlation of two stills' details around each pixel (h, w), told by what lies in a surface alone."""
    share = mean(where.astype(np.float32))
    before, after = (np.where(where, detail, 0) for detail in (found.before, found.after))
    alike = likeness(before, after, found.noise_before * share, found.noise_after * share, WINDOW_PX)
    return np.asarray(np.clip(alike, -1, 1), np.float32)


def filled(found: Changes, other: Changes) -> tuple[Changes, Mask]:
    """Return what two stills share, and another take in place of the first where a player hides that; and where it is.

    ``other`` is of that take and the second still.
    """
    where = (found.player_before | found.moving_before) & ~other.player_before & ~other.moving_before

    def of(name: str) -> NDArray[Any]:
        return np.asarray(np.where(where, getattr(other, name), getattr(found, name)))

    names = ("before", "noise_before", "alike", "drawn_before", "drawn_after", "moving_before", "player_before")
    return replace(found, **{name: of(name) for name in names}), where
