"""Scopes as numbers: what real pixels amount to, as arrays that any page or file can draw.

Pure functions. ``rgb`` is display-encoded R'G'B' of shape (height, width, 3), where 0 is black and 1 is white of
limited range; it may lie outside, and then that shows. :mod:`partsong.look.drawing` makes pictures of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from partsong.errors import InvalidInput

Array = NDArray[Any]

LOWEST, HIGHEST = -0.10, 1.15
"""The ends of a waveform and a histogram: beyond what limited range can hold (-7.3 % to 109.5 % in 10 bits)."""

R103_LOW, R103_HIGH = -0.05, 1.05
"""Preferred range of R', G', B' and luma (EBU R 103 v3.0, 2020)."""
R103_SHARE = 0.01
"""The share of a picture that may lie outside it (EBU R 103 v3.0, from a secondary text)."""

ZONES = range(-6, 7)
"""Zones of exposure: whole stops from an 18 % grey; the first and last hold all beyond."""

_LUMA = np.array((0.2126, 0.7152, 0.0722))  # ITU-R BT.709-6, item 3.2
_CB, _CR = 1.8556, 1.5748  # ITU-R BT.709-6, item 3.3: 2 (1 - 0.0722) and 2 (1 - 0.2126)


def luma(rgb: ArrayLike) -> NDArray[np.float64]:
    """Return luma (ITU-R BT.709-6, item 3.2)."""
    return np.asarray(np.asarray(rgb, np.float64) @ _LUMA)


def waveform(signal: ArrayLike, *, columns: int = 512, levels: int = 320) -> NDArray[np.float64]:
    """Return how a signal is spread over levels, column by column of the picture.

    Parameters
    ----------
    signal : array_like, shape (height, width)
        Such as luma, or one channel.
    columns, levels : int
        Of the result; a picture of any width is shared out over the columns.

    Returns
    -------
    ndarray, shape (levels, columns)
        The share of a column's pixels at each level, the lowest first; every column sums to one, save those that a
        picture narrower than ``columns`` leaves empty. Levels run from ``LOWEST`` to ``HIGHEST``; what lies beyond
        counts at the ends.
    """
    values = np.asarray(signal, np.float64)
    width = values.shape[1]
    level = np.clip(((values - LOWEST) * (levels / (HIGHEST - LOWEST))).astype(np.intp), 0, levels - 1)
    column = np.arange(width) * columns // width
    flat = (level * columns + column[None, :]).ravel()
    counts = np.bincount(flat, minlength=levels * columns).reshape(levels, columns).astype(np.float64)
    total = counts.sum(axis=0)
    return np.asarray(np.divide(counts, total, out=np.zeros_like(counts), where=total > 0))


def parade(rgb: ArrayLike, *, columns: int = 256, levels: int = 320) -> NDArray[np.float64]:
    """Return the waveforms of red, green and blue, shape (3, levels, columns)."""
    channels = np.moveaxis(np.asarray(rgb, np.float64), -1, 0)
    return np.stack([waveform(channel, columns=columns, levels=levels) for channel in channels])


def histogram(rgb: ArrayLike, *, bins: int = 250) -> NDArray[np.float64]:
    """Return the share of pixels at each level, for luma, red, green and blue: shape (4, bins), each summing to one."""
    values = np.asarray(rgb, np.float64).reshape(-1, 3)
    rows = (luma(values), *values.T)
    places = [np.clip(((row - LOWEST) * (bins / (HIGHEST - LOWEST))).astype(np.intp), 0, bins - 1) for row in rows]
    return np.stack([np.bincount(place, minlength=bins) / len(values) for place in places])


def chroma(rgb: ArrayLike) -> NDArray[np.float64]:
    """Return colour differences (..., 2), Cb and Cr, each -0.5 to 0.5 for R'G'B' from 0 to 1 (BT.709-6, item 3.3)."""
    values = np.asarray(rgb, np.float64)
    y = luma(values)
    return np.stack([(values[..., 2] - y) / _CB, (values[..., 0] - y) / _CR], axis=-1)


def vectorscope(rgb: ArrayLike, *, size: int = 360) -> NDArray[np.float64]:
    """Return the share of pixels at each colour difference, shape (size, size).

    The first row is Cr 0.55 and the first column Cb -0.55, so that drawn as it is, blue lies right and red up.
    """
    differences = chroma(rgb).reshape(-1, 2)
    place = np.clip(((differences * (1, -1) + 0.55) * (size / 1.1)).astype(np.intp), 0, size - 1)
    counts = np.bincount(place[:, 1] * size + place[:, 0], minlength=size * size)
    return (counts / max(1, len(differences))).reshape(size, size)


def zones(light: ArrayLike, luminance: ArrayLike) -> NDArray[np.int8]:
    """Return each pixel's zone of exposure: its luminance in whole stops from 18 % grey.

    Parameters
    ----------
    light : array_like, shape (..., 3)
        Scene-linear light of the working space.
    luminance : array_like, shape (3,)
        The luminance weights of that space.
    """
    seen = np.asarray(light, np.float64) @ np.asarray(luminance, np.float64)
    stops = np.log2(np.maximum(seen, 0.18 * 2.0 ** (ZONES[0] - 1)) / 0.18)
    return np.clip(np.floor(stops + 0.5), ZONES[0], ZONES[-1]).astype(np.int8)


@dataclass(frozen=True, slots=True)
class Limits:
    """Where a picture's levels lie, in percent of signal and shares of its pixels.

    ``lowest`` and ``highest`` are of red, green, blue and luma. ``below_black`` and ``above_white`` are the shares with
    any of them outside 0 to 100 %; ``outside_r103`` the share outside -5 to 105 %; EBU R 103 allows a hundredth of it.
    """

    lowest: tuple[float, float, float, float]
    highest: tuple[float, float, float, float]
    below_black: float
    above_white: float
    outside_r103: float

    @property
    def within_r103(self) -> bool:
        """Whether no more than the allowed share lies outside the preferred range."""
        return self.outside_r103 <= R103_SHARE


def limits(rgb: ArrayLike) -> Limits:
    """Measure a picture against the nominal range and EBU R 103; half a 10-bit code of rounding is no excess."""
    values = np.asarray(rgb, np.float64).reshape(-1, 3)
    if not len(values):
        raise InvalidInput("A picture without pixels has no levels.")
    all_four = np.concatenate([values, luma(values)[:, None]], axis=1)
    lows, highs = all_four.min(axis=1), all_four.max(axis=1)
    rounding = 0.5 / 876
    return Limits(
        lowest=_four(100 * all_four.min(axis=0)),
        highest=_four(100 * all_four.max(axis=0)),
        below_black=float((lows < -rounding).mean()),
        above_white=float((highs > 1 + rounding).mean()),
        outside_r103=float(((lows < R103_LOW) | (highs > R103_HIGH)).mean()),
    )


def _four(values: Array) -> tuple[float, float, float, float]:
    a, b, c, d = (float(value) for value in values)
    return a, b, c, d


@dataclass(frozen=True, slots=True)
class Reading:
    """The numbers at a point: means over the pixels around it.

    ``rgb_percent`` and ``luma_percent`` are display signal, ``codes`` the 10-bit Y', Cb and Cr of limited range, and
    ``stops`` how far the scene's luminance lies from 18 % grey before the look (None in the dark).
    """

    x: int
    y: int
    rgb_percent: tuple[float, float, float]
    luma_percent: float
    codes: tuple[int, int, int]
    stops: float | None


def reading(rgb: ArrayLike, light: ArrayLike, luminance: ArrayLike, x: int, y: int, *, reach_px: int = 2) -> Reading:
    """Read the numbers at a point of a picture.

    Parameters
    ----------
    rgb, light : array_like, shape (height, width, 3)
        The display-encoded picture, and the scene-linear light before the look.
    luminance : array_like, shape (3,)
        The luminance weights of the light.
    x, y : int
        Pixels from the top left corner.
    reach_px : int
        How many pixels to each side are averaged.

    Raises
    ------
    InvalidInput
        If the point lies outside the picture.
    """
    picture = np.asarray(rgb, np.float64)
    height, width = picture.shape[:2]
    if not (0 <= x < width and 0 <= y < height):
        raise InvalidInput(f"The point {x},{y} lies outside the picture of {width} x {height} pixels.")
    near = (slice(max(0, y - reach_px), y + reach_px + 1), slice(max(0, x - reach_px), x + reach_px + 1))
    red, green, blue = (float(value) for value in picture[near].mean(axis=(0, 1)))
    signal = float(luma([red, green, blue]))
    cb, cr = chroma([red, green, blue])
    seen = float(np.asarray(light, np.float64)[near].mean(axis=(0, 1)) @ np.asarray(luminance, np.float64))
    return Reading(
        x=x,
        y=y,
        rgb_percent=(100 * red, 100 * green, 100 * blue),
        luma_percent=100 * signal,
        codes=(round(64 + 876 * signal), round(512 + 896 * float(cb)), round(512 + 896 * float(cr))),
        stops=float(np.log2(seen / 0.18)) if seen > 0 else None,
    )
