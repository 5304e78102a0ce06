"""Fine detail of pictures: what is finer than a neighbourhood, and how two pictures of it go along. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FINE_PX = 0.8
"""Standard deviation of the smoothing that keeps noise down; detail is what is finer than a neighbourhood."""
_NEIGHBOURHOOD_PX = 9
WINDOW_PX = 13
"""Across a window in which detail is compared; all of these at a width of 960."""

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]


def detail(picture: Picture, fine_px: float = FINE_PX, around_px: int = _NEIGHBOURHOOD_PX) -> Picture:
    """Return what is finer than a neighbourhood."""
    import cv2

    smooth = np.asarray(cv2.GaussianBlur(picture, (0, 0), fine_px), np.float32)
    around = cv2.blur(smooth, (around_px, around_px), borderType=cv2.BORDER_REFLECT)
    return np.asarray(smooth - around, np.float32)


def mean(values: Picture, window_px: int = WINDOW_PX) -> Picture:
    """Return the mean in the window around each pixel."""
    import cv2

    return np.asarray(cv2.blur(values, (window_px, window_px), borderType=cv2.BORDER_REFLECT), np.float32)


def likeness(one: Picture, other: Picture, noise: Picture, its_noise: Picture, window_px: int) -> Picture:
    """Return the correlation of two details in the window around each pixel, without their noise's share."""
    energies = [
        np.maximum(mean(np.square(detail), window_px) - own, np.maximum(own, np.float32(1e-12)))
        for detail, own in ((one, noise), (other, its_noise))
    ]
    return np.asarray(mean(one * other, window_px) / np.sqrt(energies[0] * energies[1]), np.float32)


def nats(alike: Picture) -> Picture:
    """Return what two Gaussian signals of these correlations tell of each other, for each window by itself."""
    return np.asarray(-0.5 * np.log(1 - np.clip(alike, 0, 0.99) ** 2), np.float32)


def gradients(picture: Picture) -> tuple[Picture, Picture]:
    """Return how much a picture rises to the right and down, a pixel."""
    import cv2

    across, down = (
        np.asarray(cv2.Sobel(picture, cv2.CV_32F, *way, ksize=3, scale=1 / 8), np.float32) for way in ((1, 0), (0, 1))
    )
    return across, down


def normed(picture: Picture, window_px: int = WINDOW_PX) -> Picture:
    """Return detail with the contrast of each window divided out."""
    energy = mean(np.square(picture), window_px)
    floor = max(0.1 * float(np.median(energy)), 1e-12)
    return np.asarray(picture / np.sqrt(energy + floor), np.float32)
