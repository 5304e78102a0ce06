"""How a locked-off camera stood over its take: knocks, found to the frame, and slow sags.

Frames spread over the take are laid on its first one. The light is the same in all of them, so a few thousandths of the
frame's height are seen. A step between two samples that is no part of a slow move is a knock; frames between them are
looked at, half of the rest each time, until it is known in which one it began; then those in which the camera swings.
Between knocks the path is one pose or, where it wanders, straight pieces.

A knock after which the camera came back before the next sample is not seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.records import Pose, PoseKey
from partsong.render.registration import distance_px, find_pose, resized_pose

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_PX = 0.11
"""A move smaller than this (mean over corners and centre, pixels of the frame) is none: one of 0.15 px, which a seam
can show, may be measured as short as that."""

_ABOVE_NOISE = 3.5  # times the median of what moves stray by, that a knock is, at once and for good
_ABOVE_USUAL = 3.0  # times what is usual around it
_LEFT = 0.3  # of the knock's size: as far from where it stood before, the camera has been knocked
_AT_ONCE = 12  # frames that are read in one go sooner than searched
_SWINGS_S = 1.5
_MOST_KEYS = 8
_WITHIN_PX = 0.05  # straight pieces may lie as far from what was measured

Look = Callable[[Sequence[int]], Sequence["NDArray[Any]"]]
"""Gives encoded luma (height, width), 0 to 1, of frames of the take, all of one reduced size; numbers rise."""


@dataclass(frozen=True, slots=True)
class Knock:
    """The camera stood otherwise from ``frame`` on, and was at rest again at ``rests``."""

    frame: int
    rests: int
    before: Pose
    after: Pose


@dataclass(frozen=True, slots=True)
class Course:
    """How a take's frames are laid on its first sample, in pixels of the whole frame.

    ``keys`` as in :class:`partsong.film.records.Registration`; ``at_samples`` the poses of the samples by those keys;
    ``sag_px`` how far the camera moved by itself between knocks, at most.
    """

    keys: tuple[PoseKey, ...]
    knocks: tuple[Knock, ...]
    at_samples: tuple[Pose, ...]
    sag_px: float


def course_of(
    look: Look,
    samples: Sequence[int],
    pictures: Sequence[NDArray[Any]],
    *,
    width: int,
    height: int,
    rate_hz: float,
    still: NDArray[np.bool_] | None = None,
) -> Course:
    """Follow a camera over a take.

    Parameters
    ----------
    look : Look
        For frames between the samples; called for few of them.
    samples, pictures : sequences
        Numbers of frames of the take, rising, and those frames as ``look`` would give them.
    width, height : int
        Of the whole frame, to which all results belong.
    rate_hz : float
        Frames a second.
    still : array of bool, optional
        Of a picture's size; False where the player moves.

    Raises
    ------
    InvalidInput
        If there are no samples.
    """
    if not samples:
        raise InvalidInput("There are no frames of the take to look at.")
    factor = width / pictures[0].shape[1]

    def pose_of(picture: NDArray[Any], near: Pose) -> Pose:
        found = find_pose(pictures[0], picture, still, resized_pose(near, 1 / factor))
        if not found.same_room:
            found = find_pose(pictures[0], picture, still)
        return resized_pose(found.pose, factor) if found.same_room else near

    def apart(one: Pose, other: Pose) -> float:
        return distance_px(one, other, width, height)

    poses = [Pose()]
    for picture in pictures[1:]:
        poses.append(pose_of(picture, poses[-1]))
    gaps = _knocked_between(poses, width, height)
    edges = [0, *(gap + 1 for gap in gaps), len(samples)]
    stretches = [range(first, stop) for first, stop in pairwise(edges)]
    pieces = [_pieces([samples[n] for n in stretch], [poses[n] for n in stretch], apart) for stretch in stretches]
    keys = list(pieces[0])
    knocks = []
    swings = round(_SWINGS_S * rate_hz)
    number = 1
    while number < len(pieces):
        before, last_at_rest = keys[-1].pose, samples[gaps[number - 1]]
        while True:
            piece = pieces[number]
            between = last_at_rest, samples[gaps[number - 1] + 1]
            knock, swing = _searched(look, pose_of, apart, between, before, piece[0].pose, swings)
            # A sample that stands alone soon after a knock may be of a camera that still swung.
            alone = len(stretches[number]) == 1 and number + 1 < len(pieces)
            if not alone or between[1] >= knock.frame + swings:
                break
            number += 1
        knocks.append(knock)
        if knock.frame - 1 > keys[-1].frame:
            keys.append(PoseKey(frame=knock.frame - 1, pose=before))
        keys += swing
        keys.append(PoseKey(frame=knock.rests, pose=knock.after))
        piece = piece[1:] if len(piece) == 1 or piece[0].frame <= knock.rests else piece
        keys += [key for key in piece if key.frame > keys[-1].frame]
        number += 1
    sag = max(apart(one.pose, other.pose) for piece in pieces for one in piece for other in piece)
    return Course(tuple(keys), tuple(knocks), tuple(_along(keys, frame) for frame in samples), sag)


def _knocked_between(poses: Sequence[Pose], width: int, height: int) -> list[int]:
    """Return the samples after which the camera was knocked."""
    if len(poses) < 2:
        return []
    moves = np.diff([_values(pose) for pose in poses], axis=0)
    beside = [[n for n in range(gap - 3, gap + 4) if 0 <= n < len(moves) and n != gap] for gap in range(len(moves))]
    still = np.array([0.0, 0.0, 0.0, 1.0])

    def apart(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
        return distance_px(_pose(one + still), _pose(other + still), width, height)

    # What the camera does by itself thereabouts: of samples that only scatter, nothing.
    own = [np.median(moves[near], axis=0) if near else 0 * still for near in beside]
    loose = [apart(move, one) for move, one in zip(moves, own, strict=True)]
    # A sag may run against a knock; where it grows or dies away, it is as the move before or after.
    stray = [
        min([loose[gap], *(apart(move, moves[n]) for n in beside[gap] if abs(n - gap) == 1)])
        for gap, move in enumerate(moves)
    ]
    least = max(LEAST_PX, min(_ABOVE_NOISE * float(np.median(loose)), 1.0))
    found = []
    for gap, near in enumerate(beside):
        along = apart(moves[gap], 0 * still) >= max(least, _ABOVE_USUAL * apart(own[gap], 0 * still))
        across = stray[gap] >= max(least, _ABOVE_USUAL * float(np.median([stray[n] for n in near])) if near else 0)
        if along or across:
            found.append(gap)
    return [gap for gap in found if _lasting(poses, gap, found, width, height) >= least]


def _lasting(poses: Sequence[Pose], gap: int, gaps: Sequence[int], width: int, height: int) -> float:
    """Return by how much what follows a step differs from what was before it: one odd sample is no knock."""
    first = max((other + 1 for other in gaps if other < gap - 1), default=0)
    stop = min((other + 1 for other in gaps if other > gap + 1), default=len(poses))
    before = _middle(poses[max(first, gap - 2) : gap + 1])
    after = _middle(poses[gap + 1 : min(stop, gap + 4)])
    return distance_px(before, after, width, height)


def _middle(poses: Sequence[Pose]) -> Pose:
    values = np.median([_values(pose) for pose in poses], axis=0)
    return _pose(values)


def _values(pose: Pose) -> NDArray[np.float64]:
    return np.array([pose.dx_px, pose.dy_px, pose.rotation_deg, pose.scale])


def _pose(values: NDArray[Any]) -> Pose:
    return Pose(
        dx_px=round(float(values[0]), 4),
        dy_px=round(float(values[1]), 4),
        rotation_deg=round(float(values[2]), 6),
        scale=round(float(values[3]), 8),
    )


def _along(keys: Sequence[PoseKey], frame: int) -> Pose:
    at = [key.frame for key in keys]
    columns = np.array([_values(key.pose) for key in keys]).T
    return _pose(np.array([np.interp(frame, at, column) for column in columns]))


def _pieces(frames: Sequence[int], poses: Sequence[Pose], apart: Callable[[Pose, Pose], float]) -> list[PoseKey]:
    """Return the path between knocks: one key where the camera stood, else the ends of straight pieces."""
    middle = _middle(poses)
    values = np.array([_values(pose) for pose in poses])
    # A median over neighbours leaves single odd samples out.
    smooth = np.array([np.median(values[max(0, n - 2) : n + 3], axis=0) for n in range(len(values))])
    if len(frames) < 4 or max(apart(_pose(one), middle) for one in smooth) < LEAST_PX / 2:
        return [PoseKey(frame=frames[0], pose=middle)]
    knots = [0, len(frames) - 1]
    while True:
        fitted = _fitted(frames, values, knots)
        path = [_pose(np.array([np.interp(frame, [frames[n] for n in knots], column) for column in fitted.T]))
                for frame in frames]  # fmt: skip
        away = [apart(one, _pose(other)) for one, other in zip(path, smooth, strict=True)]
        worst = max((n for n in range(len(frames)) if n not in knots), key=lambda n: away[n])
        if away[worst] <= _WITHIN_PX or len(knots) == _MOST_KEYS:
            break
        knots = sorted([*knots, worst])
    return [PoseKey(frame=frames[n], pose=_pose(fitted[at])) for at, n in enumerate(knots)]


def _fitted(frames: Sequence[int], values: NDArray[np.float64], knots: Sequence[int]) -> NDArray[Any]:
    """Return the values at the knots whose straight pieces fit best, odd samples given little weight."""
    at = [frames[n] for n in knots]
    hats = np.array([np.interp(frames, at, row) for row in np.eye(len(knots))]).T
    weight = np.ones(len(frames))
    fitted: NDArray[Any] = np.zeros((len(knots), values.shape[1]))
    for _ in range(4):
        fitted = np.linalg.lstsq(hats * weight[:, None], values * weight[:, None], rcond=None)[0]
        away = np.hypot(*(values - hats @ fitted)[:, :2].T)
        weight = 1 / np.sqrt(1 + (away / max(2 * float(np.median(away)), 1e-3)) ** 2)
    return fitted


def _searched(
    look: Look,
    pose_of: Callable[[NDArray[Any], Pose], Pose],
    apart: Callable[[Pose, Pose], float],
    between: tuple[int, int],
    before: Pose,
    after: Pose,
    swings: int,
) -> tuple[Knock, list[PoseKey]]:
    """Find the first frame after a knock, and the poses of those in which the camera still swings."""
    low, high = between
    size = apart(before, after)

    def knocked(picture: NDArray[Any]) -> bool:
        return apart(pose_of(picture, before), before) > _LEFT * size

    while high - low > _AT_ONCE:
        middle = (low + high) // 2
        low, high = (low, middle) if knocked(look([middle])[0]) else (middle, high)
    inside = list(range(low + 1, high))
    for frame, picture in zip(inside, look(inside) if inside else (), strict=True):
        if knocked(picture):
            high = frame
            break
    swinging = list(range(high, min(high + swings, max(between[1], high + 1))))
    path = [PoseKey(frame=n, pose=pose_of(one, after)) for n, one in zip(swinging, look(swinging), strict=True)]
    moving = [key.frame for key in path if apart(key.pose, after) > LEAST_PX]
    rests = (moving[-1] + 1) if moving else high
    return Knock(high, rests, before, after), [key for key in path if key.frame < rests]
