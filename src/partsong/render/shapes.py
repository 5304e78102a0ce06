"""Masks made ready for whole frames: a shape at a moment, and its alpha over rows of pixels, fast.

:mod:`partsong.render.pixels` defines both; what is computed here equals it. A shape's soft edge covers a small part of
the frame, so distances are found in that part only, and elsewhere it is enough to know inside from outside.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.records import Curve, Mask, Oval, Shape
from partsong.render import pixels

if TYPE_CHECKING:
    from numpy.typing import NDArray

STEP_PX = 0.25
"""How far, at most, a changing shape moves at once.

A mask is compiled for every shape that it takes. With an edge of 16 pixels a quarter of a pixel changes a weight by at
most 1.5 * 0.25 / 16 = 2.3 %: where two takes differ by a tenth that is 0.2 % of light, less than is seen.
"""


def shape_at(mask: Mask, frame: int) -> Shape:
    """Return a mask's shape at a frame of the song, between two keys in steps of at most :data:`STEP_PX`.

    Each number of the shape changes straight from one key to the next. Frames between keys that hardly differ share
    their shapes, and each shape is compiled once.
    """
    keys = mask.keys
    if not keys:
        return mask.shape
    after = bisect_left(keys, frame, key=lambda key: key.frame)
    if after == len(keys):
        return keys[-1].shape
    if after == 0 or keys[after].frame == frame:
        return keys[after].shape
    before, key = keys[after - 1], keys[after]
    steps = int(np.ceil(travel_px(before.shape, key.shape) / STEP_PX))
    if steps == 0:
        return key.shape
    share = (frame - before.frame) / (key.frame - before.frame)
    return shape_between(before.shape, key.shape, np.floor(share * steps + 0.5) / steps)


def shape_between(one: Shape, other: Shape, share: float) -> Shape:
    """Return the shape at a share, 0 to 1, of the straight way from one to another of its kind.

    >>> shape_between(Oval(x=0, y=0, rx=4, ry=2), Oval(x=8, y=0, rx=4, ry=4), 0.25)
    Oval(kind='oval', x=2.0, y=0.0, rx=4.0, ry=2.5, rotation_deg=0.0)
    """
    numbers = (1 - share) * _numbers(one) + share * _numbers(other)
    return _shape(one, np.round(numbers, 4))


def travel_px(one: Shape, other: Shape) -> float:
    """Return how far, at most, any point of a shape's edge moves from one to another of its kind."""
    change = np.abs(_numbers(other) - _numbers(one))
    if isinstance(one, Curve):
        return float(np.hypot(*change.reshape(-1, 2).T).max())
    assert isinstance(other, Oval)
    turned = np.deg2rad(change[4]) * max(one.rx, one.ry, other.rx, other.ry)
    return float(np.hypot(change[0], change[1]) + max(change[2], change[3]) + turned)


def _numbers(shape: Shape) -> NDArray[np.float64]:
    if isinstance(shape, Oval):
        return np.array([shape.x, shape.y, shape.rx, shape.ry, shape.rotation_deg])
    return np.array([(point.x, point.y) for point in shape.points]).ravel()


def _shape(like: Shape, numbers: NDArray[np.float64]) -> Shape:
    if isinstance(like, Oval):
        return Oval(**dict(zip(("x", "y", "rx", "ry", "rotation_deg"), numbers.tolist(), strict=True)))
    points = numbers.reshape(-1, 2).tolist()
    return Curve.model_validate({"points": tuple({"x": x, "y": y} for x, y in points)})


def box_of(shape: Shape, grow_px: float = 0.0) -> tuple[float, float, float, float]:
    """Return the upright box (left, top, right, bottom) that holds a shape, grown on all sides."""
    if isinstance(shape, Curve):
        outline = pixels.curve_outline(shape)
        (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
    else:
        turn = np.deg2rad(shape.rotation_deg)
        across = np.hypot(shape.rx * np.cos(turn), shape.ry * np.sin(turn))
        down = np.hypot(shape.rx * np.sin(turn), shape.ry * np.cos(turn))
        left, top, right, bottom = shape.x - across, shape.y - down, shape.x + across, shape.y + down
    return float(left - grow_px), float(top - grow_px), float(right + grow_px), float(bottom + grow_px)


def alpha_rows(shape: Shape, feather_px: float, rows: range, width: int) -> NDArray[np.float64]:
    """Return :func:`partsong.render.pixels.shape_alpha` of whole rows of the frame, (rows, width).

    The first-order distance of a long oval reads less than the true one (at most by the ratio of its radii), so the box
    that is looked at is grown until nothing outside it can have weight.
    """
    from partsong.render import outlines  # Numba takes over a second to load

    alpha = np.zeros((len(rows), width))
    slender = 1.0 if isinstance(shape, Curve) else max(shape.rx, shape.ry) / min(shape.rx, shape.ry)
    left, top, right, bottom = box_of(shape, feather_px / 2 * slender + 1)
    first, stop = max(rows.start, int(np.floor(top))), min(rows.stop, int(np.ceil(bottom)) + 1)
    start, end = max(0, int(np.floor(left))), min(width, int(np.ceil(right)) + 1)
    if first >= stop or start >= end:
        return alpha
    part = alpha[first - rows.start : stop - rows.start, start:end]
    if isinstance(shape, Curve):
        outlines.curve_alpha(part, first, start, pixels.curve_outline(shape), float(feather_px))
    else:
        turn = np.deg2rad(shape.rotation_deg)
        numbers = (shape.x, shape.y, shape.rx, shape.ry, float(np.cos(turn)), float(np.sin(turn)))
        outlines.oval_alpha(part, first, start, *numbers, float(feather_px))
    return alpha
