"""Masters of another shape: how large they are, which window of a picture they show, and where it best lies.

A window is never enlarged beyond what the film's own frame holds, and what it shows is never stretched.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.media.planes import Planes
from partsong.render.pixels import colour_steps

SHORT_SIDE = 1080
"""The longest that a crop's shorter side gets: common practice of those who show such pictures, no source."""

_STEPS = 20  # with as many, what is given up for whole pixels is under a twentieth of a side
_MIDDLE = 0.02  # of all movement: what a place in the middle is worth beside one at the edge


def crop_size(frame: tuple[int, int], sides: tuple[int, int]) -> tuple[int, int]:
    """Return the width and height of a crop of a shape, for a film of a frame size; all in pixels, even.

    >>> crop_size((3840, 2160), (9, 16)), crop_size((1280, 720), (1, 1))
    ((1080, 1920), (720, 720))
    """
    shape = Fraction(*sides)
    width, height = largest(frame, shape)
    if min(width, height) <= SHORT_SIDE:
        return width, height
    within = (SHORT_SIDE, frame[1]) if shape <= 1 else (frame[0], SHORT_SIDE)
    return largest(within, shape)


def largest(frame: tuple[int, int], shape: Fraction) -> tuple[int, int]:
    """Return the largest even width and height of a shape in a frame, exact where whole pixels allow it.

    >>> largest((1280, 720), Fraction(9, 16))
    (396, 704)
    """
    steps = min(frame[0] // shape.numerator, frame[1] // shape.denominator) // 2 * 2
    if steps >= _STEPS:
        return shape.numerator * steps, shape.denominator * steps
    high = min(Fraction(frame[1]), frame[0] / shape)
    width, height = int(high * shape) // 2 * 2, int(high) // 2 * 2
    if min(width, height) < 2:
        raise InvalidInput(f"A picture of {frame[0]} x {frame[1]} pixels is too small to take a window out of it.")
    return width, height


def window(
    picture: tuple[int, int], pixel_aspect: Fraction, size: tuple[int, int], centre: tuple[float, float]
) -> tuple[int, int, int, int]:
    """Return (left, top, width, height) of the part of a picture that a crop of some size shows, in its own pixels.

    It has the crop's shape as shown, lies wholly in the picture as near to the centre as it can, and all four are even,
    so that colour samples stay whole.

    >>> window((1280, 720), Fraction(1), (396, 704), (0.9, 0.5))
    (884, 8, 396, 704)
    """
    width, height = largest(picture, Fraction(*size) / pixel_aspect)
    left, top = (
        round(max(0.0, min(share * whole - part / 2, whole - part))) // 2 * 2
        for share, whole, part in zip(centre, picture, (width, height), strict=True)
    )
    return left, top, width, height


def cropped(planes: Planes, left: int, top: int, width: int, height: int) -> Planes:
    """Return a part of a frame; all numbers even, in pixels of it."""
    across, down = colour_steps(planes.chroma)
    luma = np.s_[top : top + height, left : left + width]
    colour = np.s_[top // down : (top + height) // down, left // across : (left + width) // across]
    y, u, v = (np.ascontiguousarray(each) for each in (planes.y[luma], planes.u[colour], planes.v[colour]))
    return Planes(y, u, v, planes.bit_depth, planes.matrix, planes.value_range)


def best_centre(movement: NDArray[np.float32], size: tuple[float, float]) -> tuple[float, float]:
    """Return where a window shows most of what moves, with that in its middle as far as the picture reaches.

    Parameters
    ----------
    movement : array
        (height, width), how much each place of a picture moves, 0 or more, linear.
    size : tuple
        The window's width and height as shares of the picture's.

    Returns
    -------
    tuple
        x and y of its centre as shares; the middle of the picture where nothing moves.
    """
    total = float(movement.sum())
    if total <= 0:
        return 0.5, 0.5
    centre = []
    for axis, share in ((0, size[0]), (1, size[1])):
        along = movement.sum(axis=axis) / total
        part = max(1, min(len(along), round(share * len(along))))
        inside = np.convolve(along, np.ones(part), "valid")
        away = np.abs(np.arange(len(inside)) - (len(inside) - 1) / 2)
        first = int(np.argmax(inside - _MIDDLE * away / len(along)))
        shown = along[first : first + part]
        at = (first + float((np.arange(part) + 0.5) @ shown) / float(shown.sum())) / len(along)
        centre.append(min(max(at, share / 2), 1 - share / 2))
    return centre[0], centre[1]
