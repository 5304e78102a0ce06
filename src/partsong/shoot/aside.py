"""Surfaces of the reference that lie a little aside in the take: where, and by which move. Pure.

What turns by some degrees, or goes aside by a pixel or two, stays like what it was nearly everywhere, so that nothing
of it is lost and looked for (:mod:`partsong.shoot.moves`). Each window is asked instead which way its drawing went
(Lucas and Kanade 1981), and through the answers of a surface one move is laid.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from partsong.render.robust import MAD_TO_SIGMA, TUKEY
from partsong.shoot.changes import Changes
from partsong.shoot.fine import WINDOW_PX, Mask, Picture, gradients, likeness, mean, nats, normed

_ASKED_PX = 21  # across a window, which holds enough of a dim drawing
_ROUNDS, _STEP_PX, _FAR_PX = 4, 1.5, 4.0  # of steps, each this long at most, and all together
_SMOOTH_PX = 5  # across: neighbours go one way
_STIFF = 0.02  # of a window's edges, which keeps what runs along an edge from sliding
_LEAST_PX = 0.6  # of a way: less is what registration leaves
_FITS, _BETTER, _LEAST_TOLD = 0.6, 0.14, 1.5  # correlation once it is laid aside, and nats gained, a window and in all
_PATIENCE, _LEAST_SPREAD_PX = 5, 0.05  # rounds of weighing the answers, and how far apart they may lie


def aside(found: Changes) -> Iterator[tuple[float, int, int, float, float, float]]:
    """Yield surfaces that went a little aside: what that tells in nats, middle, move (right, down, degrees)."""
    import cv2

    right, down = _ways(found)
    height, width = right.shape
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)
    laid = cv2.remap(found.after, columns + right, rows + down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    fits = likeness(found.before, np.asarray(laid, np.float32), found.noise_before, found.noise_after, WINDOW_PX)
    gain = nats(fits) - nats(found.alike)
    good = (fits > _FITS) & (gain > _BETTER) & (np.hypot(right, down) > _LEAST_PX)
    good &= (found.drawn_before | found.drawn_after) & ~found.moving_before & ~found.moving_after
    joined = cv2.morphologyEx(good.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((_ASKED_PX, _ASKED_PX)))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(joined)
    for number in range(1, count):
        left, top, wide, high = (int(value) for value in boxes[number][:4])
        box = np.s_[top : top + high, left : left + wide]
        where = np.zeros(good.shape, bool)
        where[box] = (labels[box] == number) & good[box]
        told = float(gain[where].sum()) / WINDOW_PX**2
        if told >= _LEAST_TOLD:
            middle, move = _laid_through(where, right, down)
            yield told, round(middle[0]), round(middle[1]), *move


def _ways(found: Changes) -> tuple[Picture, Picture]:
    """Return which way the drawing around each pixel went, right and down, pixels."""
    import cv2

    was, now = (normed(one, _ASKED_PX) for one in (found.before, found.after))
    rows, columns = np.mgrid[0 : was.shape[0], 0 : was.shape[1]].astype(np.float32)
    ways = [np.zeros(was.shape, np.float32) for _ in range(2)]
    for _ in range(_ROUNDS):
        laid = cv2.remap(now, columns + ways[0], rows + ways[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        across, along = gradients(np.asarray((was + laid) / 2, np.float32))
        error = laid - was
        xx, yy, xy, ex, ey = (
            mean(one, _ASKED_PX)
            for one in (across * across, along * along, across * along, across * error, along * error)
        )
        floor = np.float32(_STIFF) * (xx + yy) + np.float32(1e-9)
        xx, yy = xx + floor, yy + floor
        steps = (yy * ex - xy * ey, xx * ey - xy * ex)
        whole = xx * yy - xy * xy
        ways = [
            np.clip(mean(way - np.clip(step / whole, -_STEP_PX, _STEP_PX), _SMOOTH_PX), -_FAR_PX, _FAR_PX)
            for way, step in zip(ways, steps, strict=True)
        ]
    return ways[0], ways[1]


def _laid_through(where: Mask, right: Picture, down: Picture) -> tuple[NDArray[np.float64], tuple[float, float, float]]:
    """Return a surface's middle, (x, y), and the move that most of its ways agree on (right, down, degrees)."""
    rows, columns = np.nonzero(where)
    middle = np.array([columns.mean(), rows.mean()])
    radian = math.radians(1)
    none, one = np.zeros(len(rows)), np.ones(len(rows))
    moves = np.concatenate(
        [
            np.stack([one, none, (middle[1] - rows) * radian], axis=-1),
            np.stack([none, one, (columns - middle[0]) * radian], axis=-1),
        ]
    )
    went = np.concatenate([right[where], down[where]])
    weight: NDArray[np.float64] = np.ones(len(went))
    move: NDArray[np.float64] = np.zeros(3)
    for _ in range(_PATIENCE):
        move = np.asarray(np.linalg.lstsq(moves * weight[:, None], went * weight, rcond=None)[0], np.float64)
        off = np.asarray(went - moves @ move, np.float64)
        spread = MAD_TO_SIGMA * float(np.median(np.abs(off))) + _LEAST_SPREAD_PX
        weight = np.asarray(np.clip(1 - (off / (TUKEY * spread)) ** 2, 0, 1), np.float64)
    return middle, (float(move[0]), float(move[1]), float(move[2]))
