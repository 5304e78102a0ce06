"""The room that stands still in a take, its grain averaged out, and where a player hides it all through.

Without a plate lit like the take, the room behind a player who never leaves is guessed: from how the room about him is
lit, and from the room in ambient light. The guess stands on what a lamp can do to a wall: it makes it brighter, in one
colour, evenly over a patch of it, and keeps its drawing. What in the still picture is not so is the player.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput
from partsong.render.mattes import LitRoom

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Light = NDArray[np.float32]

FRAMES = 25
"""How many frames of a take or plate its still room is made from."""

_LIT = 0.5  # of ambient light: where a lamp gives so much more, its colour can be told
_QUIETER = 0.35  # what a blur of 0.8 px leaves of white noise
_LEAST_LIT = 50


def midmean(frames: NDArray[Any]) -> Light:
    """Return the mean of the middle half of values over the first axis: as robust as need be, and finer than a median.

    >>> midmean(np.array([[1.0], [2.0], [3.0], [90.0]])).tolist()
    [2.5]
    """
    ordered = np.sort(frames, axis=0)
    cut = len(frames) // 4
    return np.asarray(ordered[cut : len(frames) - cut].mean(axis=0, dtype=np.float64), np.float32)


def region_of(moving: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the ground that a player covers, from where he is seen to move: gaps closed, a little wider."""
    import cv2

    width = moving.shape[1]
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(width, 25),) * 2)
    closed = cv2.morphologyEx((moving > 0).astype(np.uint8), cv2.MORPH_CLOSE, disc)
    return np.asarray(cv2.dilate(closed, np.ones((_odd(width, 100),) * 2, np.uint8)) > 0)


def without_player(
    still: Light, ambient: Light, region: NDArray[np.bool_], read: float, shot: float
) -> tuple[Light, Light]:
    """Guess the lit room behind a player.

    Parameters
    ----------
    still, ambient : (height, width, 3)
        Scene-linear light of the take's still picture, and of the room in ambient light.
    region : (height, width)
        Where the player may be (:func:`region_of`).
    read, shot : float
        The take's grain (:class:`partsong.render.mattes.LitRoom`).

    Returns
    -------
    light, hidden
        The lit room, and 0 to 1 where the still picture is the player.

    Raises
    ------
    InvalidInput
        If the lamp lights nothing but the player, so that nothing can be told of its light.
    """
    import cv2

    width = still.shape[1]

    def soft(picture: Light, sigma: float = 0.8) -> Light:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float32)

    def mean(picture: Light, size: int) -> Light:
        return np.asarray(cv2.blur(picture, (size, size)), np.float32)

    lit, dark = soft(still), np.maximum(soft(ambient), 1e-3)
    more = lit / dark - 1
    outside = ~region
    known = outside & (more.max(axis=-1) > _LIT)
    if int(known.sum()) < _LEAST_LIT:
        raise InvalidInput("its lamp lights nothing but the player, so the room behind him cannot be guessed")
    # The lamp's colour beside that of ambient light: one for the whole frame.
    colour = np.median(more[known] / more[known].mean(axis=-1, keepdims=True), axis=0)
    share = more / colour
    level = share.mean(axis=-1)
    logs = np.where(outside, np.log1p(np.maximum(level, 0)), 0).astype(np.float32)
    weight = outside.astype(np.float32)
    near, far = width / 60, width / 15
    expected = np.expm1(
        (soft(logs, near) + 1e-3 * soft(logs, far) + 1e-9) / (soft(weight, near) + 1e-3 * soft(weight, far) + 1e-9)
    )
    noise = _QUIETER * np.sqrt(read**2 + shot * np.maximum(lit, 0)) / dark / colour
    other_colour = np.abs(share - level[..., None]).max(axis=-1) / (0.12 * (1 + np.abs(level)) + 3 * noise.max(axis=-1))
    brighter = (np.log2(1 + np.maximum(level, -0.7)) - np.log2(1 + np.maximum(expected, 0))) / 0.45
    darker = -level / (0.15 + 3 * noise.max(axis=-1))
    # The drawing: by how much of the room's own detail the take's detail rises and falls.
    detail = [np.log(np.maximum(one, 1e-3)).mean(axis=-1).astype(np.float32) for one in (lit, dark)]
    detail = [one - mean(one, _odd(width, 160)) for one in detail]
    window = _odd(width, 60)
    energy = mean(detail[1] ** 2, window)
    follows = mean(detail[0] * detail[1], window) / np.maximum(energy, 1e-9)
    floor = 2 * (_QUIETER**2) * (read**2 + shot * lit.mean(axis=-1)) / np.maximum(lit.mean(axis=-1), 1e-3) ** 2
    seen = np.clip((energy / np.maximum(floor, 1e-9) - 1) / 3, 0, 1)
    redrawn = (1 - follows) * seen / 0.6
    evidence = soft(np.maximum.reduce([other_colour, brighter, darker, redrawn]).astype(np.float32), 1.0)
    found: NDArray[Any] = (region & (evidence > 1)).astype(np.uint8)
    for how, size in ((cv2.MORPH_OPEN, _odd(width, 240)), (cv2.MORPH_CLOSE, _odd(width, 96))):
        found = cv2.morphologyEx(found, how, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    hidden = soft(found.astype(np.float32))
    guess = ambient * (1 + np.asarray(colour * expected[..., None], np.float32))
    covered = cv2.dilate(found, np.ones((5, 5), np.uint8)) > 0
    return np.where(covered[..., None], guess, still).astype(np.float32), hidden


# --- where adding light goes wrong ----------------------------------------------------------------


def see_through(others: Light, matte: Light, frame: Light) -> float:
    """Return the share of a player, 0 to 1, through which a plain sum would show the ground that others light.

    That is where the other lamps' light on the ground behind him is above a twentieth of his own light.
    """
    body = matte > 0.5
    if not body.any():
        return 0.0
    return float((others.mean(axis=-1) > 0.05 * frame.mean(axis=-1))[body].mean())


def ambient_stops(ambient: Light, rooms: list[LitRoom]) -> float:
    """Return by how many stops the rooms' own darkest light is above the ambient plate (negative: below it).

    Where no lamp reaches, a take shows ambient light alone; so the least of all takes, at the fifth of the frame
    where it is least above the plate, should be the plate.
    """
    least = np.min([room.light for room in rooms], axis=0).mean(axis=-1)
    ratio = np.log2(np.maximum(least, 1e-4) / np.maximum(ambient.mean(axis=-1), 1e-4))
    bright = ambient.mean(axis=-1) > 0.003
    return float(np.percentile(ratio[bright], 20)) if bright.any() else 0.0


def clipped_share(codes: NDArray[Any], top: int) -> float:
    """Return the share of a frame whose luma codes lie at the highest value that the camera wrote, or above ``top``."""
    return float((codes >= top).mean())


def grain_growth(rooms: list[LitRoom]) -> float:
    """Return how much stronger the grain of a plain sum is than that of the take which gives most light (median)."""
    variances = np.stack([room.read**2 + room.shot * np.maximum(room.light.mean(axis=-1), 0) for room in rooms])
    strongest = np.argmax([room.light.mean(axis=-1) for room in rooms], axis=0)
    one = np.take_along_axis(variances, strongest[None], axis=0)[0]
    return float(np.median(np.sqrt(variances.sum(axis=0) / np.maximum(one, 1e-12))))


def _odd(width: int, share: int) -> int:
    return 2 * round(width / share) + 1
