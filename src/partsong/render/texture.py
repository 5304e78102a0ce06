"""Texture over the finished picture: a vignette, then grain. This is the definition and what masters are made with.

Both act on the delivered planes, after the look, so that what is measured of the look stays true of black and white:
grain fades out towards either end, and a vignette only darkens. The same frame number gives the same grain on every
machine and in every segment.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import numpy as np

from partsong.media.planes import Planes
from partsong.render.pixels import code_scale, colour_steps, rounded

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from partsong.film.records import Texture

TILE = 1024
"""Side of the field of noise that grain is cut from, in pixels."""

DISPLAY_GAMMA = 2.4
"""The exponent of a display (ITU-R BT.1886): light scaled by g is signal scaled by g ** (1 / 2.4)."""


def textured(planes: Planes, texture: Texture, frame: int) -> Planes:
    """Lay a texture over a frame of the delivered picture.

    Parameters
    ----------
    planes : Planes
        Display code.
    texture : Texture
        What to lay over it.
    frame : int
        The frame's number in the film: it chooses the grain.

    Notes
    -----
    With r the distance from the centre in half diagonals, the vignette multiplies display light by
    ``2 ** (-vignette_stops * r ** 2)``. Grain is added to luma alone: with s the signal, its standard deviation is
    ``grain_percent / 100 * 4 s (1 - s)``.
    """
    scale, zero, _, grey = code_scale(planes.bit_depth, planes.value_range)
    light = vignette(planes.width, planes.height, texture.vignette_stops)
    signal = (planes.y.astype(np.float32) - np.float32(zero)) * np.float32(1 / scale) * light
    if texture.grain_percent:
        held = np.clip(signal, 0, 1)
        weight = np.float32(4 * texture.grain_percent / 100) * held * (1 - held)
        signal += weight * grain(planes.width, planes.height, texture.grain_px, frame)
    y = rounded(signal * np.float32(scale) + np.float32(zero), planes.bit_depth)
    u, v = planes.u, planes.v
    if texture.vignette_stops:
        across, down = colour_steps(planes.chroma)
        beside = light[::down, ::across]
        u, v = (rounded((plane - np.float32(grey)) * beside + np.float32(grey), planes.bit_depth) for plane in (u, v))
    return Planes(y, u, v, planes.bit_depth, planes.matrix, planes.value_range)


@functools.lru_cache(maxsize=2)
def vignette(width: int, height: int, stops: float) -> NDArray[np.float32]:
    """Return what the signal of each pixel is multiplied by, (height, width)."""
    x = (np.arange(width) - (width - 1) / 2) / (np.hypot(width, height) / 2)
    y = (np.arange(height) - (height - 1) / 2) / (np.hypot(width, height) / 2)
    distance_squared = x[None, :] ** 2 + y[:, None] ** 2
    return np.asarray(2.0 ** (-stops * distance_squared / DISPLAY_GAMMA), np.float32)


def grain(width: int, height: int, grain_px: float, frame: int) -> NDArray[np.float32]:
    """Return noise of mean 0 and standard deviation 1, (height, width), the same for the same frame number.

    Each square of the frame is cut from another place of one field, so that no pattern stands from frame to frame.
    """
    field = _field(grain_px)
    places = np.random.default_rng((20, frame)).integers(TILE, size=(-(-height // TILE), -(-width // TILE), 2))
    found = np.empty((height, width), np.float32)
    for (row, column), _ in np.ndenumerate(places[..., 0]):
        top, left = row * TILE, column * TILE
        cell = found[top : top + TILE, left : left + TILE]
        dy, dx = places[row, column]
        rows, columns = (np.arange(dy, dy + cell.shape[0]) % TILE, np.arange(dx, dx + cell.shape[1]) % TILE)
        cell[:] = field[np.ix_(rows, columns)]
    return found


@functools.lru_cache(maxsize=2)
def _field(grain_px: float) -> NDArray[np.float32]:
    """Return a square of noise that joins itself at its edges, smoothed so that a grain is this wide."""
    noise = np.random.default_rng(20).normal(size=(TILE, TILE))
    # A Gaussian in frequency is one in space, and a transform of the square wraps round. One pixel is left as it is.
    spread_px = (grain_px - 1) / 2
    rate = np.fft.fftfreq(TILE)
    across = np.exp(-2 * (np.pi * spread_px * rate) ** 2)
    smooth = np.fft.ifft2(np.fft.fft2(noise) * across[:, None] * across[None, :]).real
    return np.asarray((smooth - smooth.mean()) / smooth.std(), np.float32)
