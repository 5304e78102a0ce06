"""When a player, or his shadow, crosses the edge of his mask: found over the whole take, sized, and how to mend it.

A take is looked at several times a second at a small size. What differs from its still room, by more than its grain and
by more than is seen, is moving. A moving thing crosses where part of it shows and part of it does not, by the weights
that the layers have at that moment; one that has left its mask altogether is followed for as long as it stays out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.records import Curve, Mask, MaskKey, Oval, Shape
from partsong.render.robust import MAD_TO_SIGMA
from partsong.render.shapes import shape_at
from partsong.stage.boundary import edge_points

if TYPE_CHECKING:
    from numpy.typing import NDArray

WIDTH = 320
"""The greatest width at which takes are looked at over time."""

LOOKS_A_SECOND = 6
"""How often. A hand is out of its mask for longer than a sixth of a second, or hardly seen."""

_SEEN = 0.03  # of display code: a difference that is seen at a glance, eight codes of 8 bits
_ABOVE_GRAIN = 6.0
_GRAIN_PX = 3
_LEAST_SIDE = 1 / 40  # of the frame's width: a square of this side, a hand or so, is the least that counts as lost
_SHOWS, _LOST = 0.75, 0.25  # of a pixel's weight
_BRIDGES_S = 0.5
_LEAST_LOOKS = 2
_ROUNDED_PX = 0.15  # what keeping numbers to a tenth of a pixel may take from an oval at a corner


@dataclass(frozen=True, slots=True)
class Moving:
    """What moves in a take at one frame of the song: True in (height, width) at the small size."""

    frame: int
    where: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Crossing:
    """A stretch of the song in which something of a take crosses the edge of its mask.

    ``frame`` is the worst moment of ``start`` to before ``end``; ``share`` what is lost of the frame's area there, 0 to
    1; ``box`` the part (left, top, right, bottom) of the frame, in shares of its width and height, that all lost parts
    of the stretch lie in; ``into`` the takes that show there instead, the greatest share first.
    """

    take: str
    start: int
    end: int
    frame: int
    share: float
    box: tuple[float, float, float, float]
    into: tuple[str, ...]


def grain_of(pictures: Sequence[NDArray[np.float32]], still: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how far grain takes each pixel of a take from its still room: a standard deviation, by brightness.

    Parameters
    ----------
    pictures : sequence of arrays, shape (height, width)
        Some frames, in display code.
    still : array, shape (height, width)
        Their median.
    """
    away = np.abs(np.stack([_smooth(picture - still) for picture in pictures]))
    edges = np.quantile(still, np.linspace(0, 1, 9)[1:-1])
    group = np.digitize(still, edges)
    usual = np.zeros(8, np.float32)
    for one in range(8):
        here = away[:, group == one]
        # Most of a room stays, so the median is of grain alone.
        usual[one] = MAD_TO_SIGMA * float(np.median(here)) if here.size else 0.0
    return usual[group]


def moving_in(
    picture: NDArray[np.float32], still: NDArray[np.float32], grain: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Return where a frame differs from the still room by more than grain and by what is seen; specks left out."""
    import cv2

    differs = np.abs(_smooth(picture - still)) > np.maximum(_ABOVE_GRAIN * grain, _SEEN)
    opened = cv2.morphologyEx(differs.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return np.asarray(opened, bool)


def _smooth(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    return np.asarray(cv2.blur(np.asarray(picture, np.float32), (_GRAIN_PX, _GRAIN_PX)), np.float32)


def find_crossings(
    take: str,
    names: Sequence[str],
    looks: Iterable[tuple[Moving, NDArray[np.float64]]],
    *,
    every: int,
    rate_hz: float,
) -> list[Crossing]:
    """List the stretches in which something of a take crosses the edge of its mask.

    Parameters
    ----------
    take : str
        Whose movement is given.
    names : sequence of str
        The layers' takes, bottom first.
    looks : iterable of (Moving, weights)
        In rising order; ``weights`` (layer, height, width) are those of the layers at that frame, at the small size.
    every : int
        Song frames from one look to the next.
    rate_hz : float
        Song frames a second.
    """
    mine = names.index(take)
    found: list[_Lost] = []
    before: NDArray[np.bool_] | None = None
    for moving, weights in looks:
        lost = _lost_part(moving.where, weights[mine], before)
        before = lost
        least = (moving.where.shape[1] * _LEAST_SIDE) ** 2
        if lost is not None and float(((1 - weights[mine]) * lost).sum()) >= least:
            found.append(_Lost(moving.frame, lost, weights))
    result = []
    for run in _runs(found, max(every, round(_BRIDGES_S * rate_hz))):
        if len(run) >= _LEAST_LOOKS:
            result.append(_crossing(take, names, mine, run, every))
    return result


@dataclass(frozen=True, slots=True)
class _Lost:
    frame: int
    where: NDArray[np.bool_]
    weights: NDArray[np.float64]


def _lost_part(
    moving: NDArray[np.bool_], weight: NDArray[np.float64], before: NDArray[np.bool_] | None
) -> NDArray[np.bool_] | None:
    """Return what is hidden of moving things that also show, or that were crossing a look ago; None for nothing."""
    import cv2

    hidden = moving & (weight < _SHOWS)
    if not hidden.any():
        return None
    closed = cv2.morphologyEx(moving.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, label = cv2.connectedComponents(closed, connectivity=8)
    shows = np.bincount(label.ravel(), (moving & (weight > _LOST)).ravel(), minlength=count) >= 4
    if before is not None:
        shows |= np.bincount(label.ravel(), (moving & before).ravel(), minlength=count) >= 4
    shows[0] = False
    lost = hidden & shows[label]
    return lost if lost.any() else None


def _runs(found: Sequence[_Lost], bridges: int) -> Iterator[list[_Lost]]:
    run: list[_Lost] = []
    for one in found:
        if run and one.frame - run[-1].frame > bridges:
            yield run
            run = []
        run.append(one)
    if run:
        yield run


def _crossing(take: str, names: Sequence[str], mine: int, run: Sequence[_Lost], every: int) -> Crossing:
    sizes = [float(((1 - one.weights[mine]) * one.where).sum()) for one in run]
    worst = run[int(np.argmax(sizes))]
    together = np.any([one.where for one in run], axis=0)
    height, width = together.shape
    rows, columns = np.flatnonzero(together.any(axis=1)), np.flatnonzero(together.any(axis=0))
    box = (columns[0] / width, rows[0] / height, (columns[-1] + 1) / width, (rows[-1] + 1) / height)
    instead = [float((weight * worst.where).sum()) if n != mine else 0.0 for n, weight in enumerate(worst.weights)]
    into = [names[n] for n in np.argsort(instead)[::-1] if instead[n] > 0.1 * max(sum(instead), 1e-9)]
    return Crossing(
        take, run[0].frame, run[-1].frame + every, worst.frame, max(sizes) / (height * width),
        (float(box[0]), float(box[1]), float(box[2]), float(box[3])), tuple(into),
    )  # fmt: skip


# --- mending --------------------------------------------------------------------------------------


def widened(mask: Mask, crossing: Crossing, size: tuple[int, int]) -> Shape:
    """Return the mask's shape at the worst moment, just large enough to hold what was lost inside its soft edge.

    An oval's side is moved out towards what was lost and its other side left where it is; the points of a curve that
    face it are moved out.

    Parameters
    ----------
    mask : Mask
        In pixels of the film's frame.
    crossing : Crossing
        Of the mask's take.
    size : (int, int)
        Width and height of the frame.
    """
    shape = shape_at(mask, crossing.frame)
    left, top, right, bottom = (
        share * side for share, side in zip(crossing.box, (size[0], size[1], size[0], size[1]), strict=True)
    )
    room = mask.feather_px / 2 + _ROUNDED_PX
    corners = np.array([(x, y) for x in (left - room, right + room) for y in (top - room, bottom + room)])
    if isinstance(shape, Curve):
        middle = edge_points(shape)[0].mean(axis=0)
        points = []
        for point in shape.points:
            away = np.array([point.x, point.y]) - middle
            length = float(np.hypot(*away))
            towards = (corners - middle) @ (away / max(length, 1e-9))
            beside = np.abs((corners - middle) @ (np.array([-away[1], away[0]]) / max(length, 1e-9)))
            near = towards > beside  # corners within 45 degrees of the point's direction
            factor = max(1.0, float(towards[near].max()) / length) if near.any() else 1.0
            points.append(point.replace(x=round(float(middle[0] + factor * away[0]), 1),
                                        y=round(float(middle[1] + factor * away[1]), 1)))  # fmt: skip
        return shape.replace(points=tuple(points))
    turn = np.deg2rad(shape.rotation_deg)
    along = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    centre, radii = np.array([shape.x, shape.y]), np.array([shape.rx, shape.ry])
    while True:
        inside = (corners - centre) @ along.T / radii
        out = np.hypot(*inside.T)
        worst = int(np.argmax(out))
        if out[worst] <= 1:
            break
        # Grow along the axis on which the corner lies further out, and keep the other side in its place.
        axis = int(np.argmax(np.abs(inside[worst])))
        grow = 0.03 * radii[axis]
        radii[axis] += grow
        centre = centre + np.sign(inside[worst, axis]) * grow * along[axis]
    return Oval(
        x=round(float(centre[0]), 1), y=round(float(centre[1]), 1),
        rx=round(float(radii[0]), 1), ry=round(float(radii[1]), 1), rotation_deg=shape.rotation_deg,
    )  # fmt: skip


def keyed(mask: Mask, crossing: Crossing, shape: Shape, *, ramp: int, last: int) -> Mask:
    """Return the mask with four keys: to a shape for a stretch and back, each way over ``ramp`` frames.

    Keys that the mask already has inside the stretch are replaced; at the song's ends there is nothing to come from.
    """
    start, end = max(0, crossing.start - 1), min(last, crossing.end)
    before, after = max(0, start - ramp), min(last, end + ramp)
    ends = [(before, shape_at(mask, before)), (after, shape_at(mask, after))]
    kept = [key for key in mask.keys if not before <= key.frame <= after]
    keys = {key.frame: key.shape for key in kept} | dict(ends) | {start: shape, end: shape}
    return mask.replace(keys=tuple(MaskKey(frame=frame, shape=keys[frame]) for frame in sorted(keys)))
