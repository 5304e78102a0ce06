"""Where two pictures of one room, in two lights, show drawings that have nothing to do with each other. Pure.

In the logarithm of light what two lights do differently is a *difference*, and it runs one way wherever one looks:
across the edge of a shadow, across the outline of a thing. Another drawing runs both ways. So in a small window around
each place the difference of the two drawings' gradients is asked for the energy of its *weaker* direction (the lower
eigenvalue of the structure tensor, Bigün and Granlund 1987). Held against that of the drawings themselves it is near 0
where they are one and the same, whatever shadows cross, and near 1 where they are strangers. Only where two edges that
differ meet it is wrong, in a spot of the window's size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

STRANGERS = 0.5
"""Strangeness from which two drawings are strangers,"""
ONE = 0.35
"""and up to which they are one and the same."""
_SMOOTH_PX, _WINDOW_PX = 0.8, 1.8  # standard deviations, of each scale's pixels
_SEEN = 6.0  # energy of a drawing's weaker direction over that of the noise in it
_RATIOS = tuple(2.0 ** (step / 3) for step in range(-3, 4))  # of contrast, around what the place itself tells
_PASSED = 0.03648  # of white noise's mean square, that a gradient keeps: the sum of its kernel's squares
_FOOT = 0.015  # of the signal, above black: what lies below is mostly flare and noise
_LEAST_LEFT = 0.05
_CODE = 1 / 876  # of ten bits: no picture is quieter than its codes are apart
_BLACK = 0.002  # quantile


@dataclass(frozen=True, slots=True)
class _Scale:
    """Gradients of a picture, their tensor in the window around each pixel, the noise's share, and the weaker way.

    ``left`` is the share of that energy which is left of it near black.
    """

    across: Picture
    down: Picture
    tensor: tuple[Picture, Picture, Picture]
    noise: Picture
    weak: Picture
    left: Picture


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture's drawing at full size and at half of it."""

    full: _Scale
    half: _Scale


def black_of(*pictures: Picture) -> float:
    """Return the level that is taken as no light at all, which is that of the darkest of some pictures of a room."""
    return min(float(np.quantile(picture[::4, ::4], _BLACK)) for picture in pictures)


def logarithm(picture: Picture, black: float, foot: float = _FOOT) -> Picture:
    """Return the logarithm of light in a picture, of which ``black`` is the level of no light."""
    return np.asarray(np.log(np.maximum(picture - np.float32(black), 0) + np.float32(foot)), np.float32)


def drawn(picture: Picture, noise: Picture, black: float) -> Drawn:
    """Return the drawing of a picture (h, w).

    ``noise`` (h, w) is its noise's mean square, ``black`` the level of no light.
    """
    import cv2

    around = cv2.GaussianBlur(np.maximum(picture - np.float32(black), 0) + np.float32(_FOOT), (0, 0), 2.0)
    share = np.maximum(noise, np.float32(_CODE**2 / 12)) / np.square(around)
    # Near black the foot takes contrast away.
    left = np.maximum(1 - np.float32(_FOOT) / around, np.float32(_LEAST_LEFT))
    light = logarithm(picture, black)
    size = (picture.shape[1] // 2, picture.shape[0] // 2)
    smaller, less, half_left = (
        np.asarray(cv2.resize(one, size, interpolation=cv2.INTER_AREA), np.float32) for one in (light, share, left)
    )
    return Drawn(_scale(light, share, left), _scale(smaller, less * np.float32(0.25), half_left))


def strangeness(one: Drawn, other: Drawn) -> tuple[Picture, Mask]:
    """Return how strange two drawings are to each other, 0 to about 1, and where that can be told at all; both (h, w).

    It is told where one of them shows something in both directions that the other would show too.
    """
    import cv2

    strange, told = _compared(one.full, other.full)
    coarse, known = (
        cv2.resize(values.astype(np.float32), told.shape[::-1], interpolation=cv2.INTER_LINEAR)
        for values in _compared(one.half, other.half)
    )
    also = np.asarray(known > 0.5, bool)
    return np.asarray(np.where(told, strange, np.where(also, coarse, 0)), np.float32), told | also


def shows(one: Drawn) -> Mask:
    """Return where a drawing shows something in both directions, (h, w)."""
    import cv2

    full, half = (scale.weak > _SEEN * scale.noise for scale in (one.full, one.half))
    coarse = cv2.resize(half.astype(np.float32), full.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(full | (coarse > 0.5), bool)


def _scale(picture: Picture, noise: Picture, left: Picture) -> _Scale:
    across, down = _gradients(picture)
    tensor = (_mean(across * across), _mean(down * down), _mean(across * down))
    share = np.asarray(noise * np.float32(_PASSED), np.float32)
    weak = np.maximum(_weaker(*tensor) - share, 0)
    return _Scale(across, down, tensor, share, weak, np.square(left))


def _compared(one: _Scale, other: _Scale) -> tuple[Picture, Mask]:
    crossed = (
        _mean(one.across * other.across),
        _mean(one.down * other.down),
        _mean(one.across * other.down + one.down * other.across) / 2,
    )
    # How much stronger the other's contrast is here, were they the same.
    near = np.sqrt(_mean(other.weak + other.noise) / _mean(one.weak + one.noise))
    least = np.full(near.shape, np.inf, np.float32)
    for ratio in _RATIOS:
        gain = near * np.float32(ratio)
        square = gain * gain
        apart = _weaker(
            *(
                theirs + square * mine - 2 * gain * both
                for mine, theirs, both in zip(one.tensor, other.tensor, crossed, strict=True)
            )
        )
        apart -= other.noise + square * one.noise
        apart /= np.maximum(other.weak + square * one.weak, 1e-12)
        np.minimum(least, apart, out=least)
    # What one shows must be more than its own noise, and more than the other's if that showed it too.
    seen = [
        (mine.weak > _SEEN * mine.noise) & (mine.weak * theirs.left > _SEEN * theirs.noise * mine.left)
        for mine, theirs in ((one, other), (other, one))
    ]
    return least, seen[0] | seen[1]


def _weaker(xx: Picture, yy: Picture, xy: Picture) -> Picture:
    """Return the lower eigenvalue of symmetric matrices of two rows."""
    half = (xx - yy) / 2
    return np.asarray((xx + yy) / 2 - np.sqrt(half * half + xy * xy), np.float32)


def _mean(values: Picture) -> Picture:
    import cv2

    return np.asarray(cv2.GaussianBlur(values, (0, 0), _WINDOW_PX), np.float32)


def _gradients(picture: Picture) -> tuple[Picture, Picture]:
    import cv2

    smooth = cv2.GaussianBlur(picture, (0, 0), _SMOOTH_PX)
    across, down = (
        np.asarray(cv2.Sobel(smooth, cv2.CV_32F, *way, ksize=3, scale=1 / 8), np.float32) for way in ((1, 0), (0, 1))
    )
    return across, down
