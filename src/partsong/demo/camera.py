"""The camera: where it looks, its noise, its log encoding, and the code values that it records.

Light is scene-linear in AP1 primaries, 0.18 for mid grey; the encoding is ACEScct, recorded as 10-bit Y'CbCr 4:2:2
with the matrix and the limited range of ITU-R BT.709.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from partsong.demo import trace
from partsong.demo.kernel import compiled
from partsong.demo.scene import HAZE, POOL, Scene, key_light, still_light
from partsong.media.planes import Planes

Array = NDArray[Any]

# AMPAS S-2016-001, ACEScct.
CCT_BREAK, CCT_SLOPE, CCT_OFFSET = 0.0078125, 10.5402377416545, 0.0729055341958355

READ_NOISE = 0.00032
"""Standard deviation of the noise in the dark, in scene-linear light."""
SHOT_NOISE = 1.5e-5
"""Variance added by each unit of scene-linear light."""

_LOWEST, _HIGHEST = np.float32(4), np.float32(1019)
_GRAIN = 1 << 17  # how many random numbers the noise is taken from


def encode_cct(linear: ArrayLike) -> NDArray[np.float64]:
    """Encode scene-linear AP1 light as ACEScct.

    References
    ----------
    AMPAS S-2016-001, ACEScct: a logarithm above 0.0078125, a straight line below.

    Examples
    --------
    >>> [round(float(v), 6) for v in encode_cct([0, 0.18, 1])]
    [0.072906, 0.413588, 0.554795]
    """
    light = np.asarray(linear, np.float64)
    lit = np.maximum(light, CCT_BREAK)  # keeps the branch that is not taken finite
    return np.where(light <= CCT_BREAK, CCT_SLOPE * light + CCT_OFFSET, (np.log2(lit) + 9.72) / 17.52)


# log2(1 + t) for t from 0 to 1 as a polynomial through Chebyshev's points: within 2e-6, a thousandth of a code.
_LOG2 = np.polynomial.Chebyshev.interpolate(lambda t: np.log2(1 + t), 7, domain=[0, 1])
_CURVE = _LOG2.convert(kind=np.polynomial.Polynomial).coef.astype(np.float32)
_NOISE = np.random.default_rng(20).normal(size=_GRAIN).astype(np.float32)


@compiled
def _legal(code: np.float32) -> np.float32:
    """Keep clear of the codes that are reserved for timing."""
    return min(max(code, _LOWEST), _HIGHEST)


@compiled
def _record(light: Array, strength: float, seed: int, curve: Array, noise: Array, y: Array, u: Array, v: Array) -> None:
    """Record light of shape (height, 3 * width); each loop is simple enough to run on several numbers at once."""
    height, across = light.shape
    noisy, encoded = np.empty(across, np.float32), np.empty(across, np.float32)
    bits = noisy.view(np.int32)
    mantissa, exponent = np.empty(across, np.int32), np.empty(across, np.float32)
    fraction = mantissa.view(np.float32)
    read, shot = np.float32(READ_NOISE * READ_NOISE), np.float32(SHOT_NOISE)
    slope, offset, strong = np.float32(CCT_SLOPE), np.float32(CCT_OFFSET), np.float32(strength)
    c0, c1, c2, c3, c4, c5, c6, c7 = curve[0], curve[1], curve[2], curve[3], curve[4], curve[5], curve[6], curve[7]
    below, one, shift, bias = np.int32(0x7FFFFF), np.int32(0x3F800000), np.int32(23), np.int32(127)
    state = seed & 0xFFFFFFFF
    for row in range(height):
        state = (state * 1664525 + 1013904223) & 0xFFFFFFFF
        start = (state >> 9) % (_GRAIN - across)
        clean, grain = light[row], noise[start : start + across]
        for n in range(across):
            noisy[n] = clean[n] + strong * np.sqrt(read + shot * max(clean[n], np.float32(0))) * grain[n]
        for n in range(across):  # a float32 is fraction times a power of two, side by side in its bits
            mantissa[n] = (bits[n] & below) | one
            exponent[n] = np.float32((bits[n] >> shift) - bias)
        for n in range(across):
            t = fraction[n] - np.float32(1)
            log2 = exponent[n] + c0 + t * (c1 + t * (c2 + t * (c3 + t * (c4 + t * (c5 + t * (c6 + t * c7))))))
            curved, straight = (log2 + np.float32(9.72)) * np.float32(1 / 17.52), slope * noisy[n] + offset
            encoded[n] = curved if noisy[n] > np.float32(CCT_BREAK) else straight
        for pair in range(across // 6):
            n = 6 * pair
            y0 = (
                np.float32(0.2126) * encoded[n]
                + np.float32(0.7152) * encoded[n + 1]
                + np.float32(0.0722) * encoded[n + 2]
            )
            y1 = (
                np.float32(0.2126) * encoded[n + 3]
                + np.float32(0.7152) * encoded[n + 4]
                + np.float32(0.0722) * encoded[n + 5]
            )
            blue, red, both = encoded[n + 2] + encoded[n + 5], encoded[n] + encoded[n + 3], y0 + y1
            y[row, 2 * pair] = np.uint16(_legal(np.float32(64.5) + np.float32(876) * y0))
            y[row, 2 * pair + 1] = np.uint16(_legal(np.float32(64.5) + np.float32(876) * y1))
            u[row, pair] = np.uint16(_legal(np.float32(512.5) + np.float32(448 / 1.8556) * (blue - both)))
            v[row, pair] = np.uint16(_legal(np.float32(512.5) + np.float32(448 / 1.5748) * (red - both)))


def record(light: NDArray[np.float32], *, seed: int, noisy: bool = True) -> Planes:
    """Turn light on the sensor into code values.

    Parameters
    ----------
    light : float32 array, shape (height, width, 3)
        Scene-linear AP1; an even width.
    seed : int
        Of this frame's noise.
    noisy : bool
        Without noise, the same light gives the same codes: for tests.

    Returns
    -------
    Planes
        10-bit 4:2:2, BT.709 matrix, limited range: luma 64 + 876 Y', chroma 512 + 896 C (ITU-R BT.709-6, item 4.2).
        Two pixels share the mean of their colour differences.
    """
    height, width = light.shape[:2]
    y = np.empty((height, width), np.uint16)
    u, v = np.empty((height, width // 2), np.uint16), np.empty((height, width // 2), np.uint16)
    flat = np.ascontiguousarray(light, np.float32).reshape(height, 3 * width)
    _record(flat, 1.0 if noisy else 0.0, seed, _CURVE, _NOISE, y, u, v)
    return Planes(y, u, v, 10, "bt709", "limited")


# --- looking ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class View:
    """Where a camera stands and looks: ``half_width`` is the tangent of half its angle across.

    ``rise`` shifts the frame down by that tangent, as a shift lens does: uprights stay upright.
    """

    place: tuple[float, float, float]
    look_at: tuple[float, float, float]
    half_width: float
    rise: float = 0.0
    focus_m: float | None = None

    def eye(self, width: int, height: int, margin: int = 0) -> NDArray[np.float64]:
        """Return the numbers that :mod:`partsong.demo.trace` needs, for a frame with a margin on all sides."""
        forward = np.subtract(self.look_at, self.place)
        forward = forward / np.linalg.norm(forward)
        right = np.array([forward[2], 0.0, -forward[0]]) / math.hypot(forward[0], forward[2])
        up = np.array([0.0, 1.0, 0.0]) - forward[1] * forward
        up /= np.linalg.norm(up)
        focal = width / 2 / self.half_width
        centre = (width / 2 + margin, height / 2 + margin - self.rise * focal)
        return np.array([*self.place, *right, *-up, *forward, focal, *centre])

    def pixels(self, points: ArrayLike, width: int, height: int) -> NDArray[np.float64]:
        """Return where points of the room (n, 3) lie in the frame: (n, 2), pixels from the top left corner."""
        eye = self.eye(width, height)
        x, y, z = ((np.asarray(points) - eye[0:3]) @ eye[3 + 3 * k : 6 + 3 * k] for k in range(3))
        return np.stack([eye[12] * x / z + eye[13], eye[12] * y / z + eye[14]], axis=1)


@dataclass(frozen=True, slots=True)
class Still:
    """The room as one camera sees it under one lamp, with nobody in it, drawn larger by a margin.

    ``lit`` is the light that comes and goes with the lamp and ``calm`` all other light: (rows, columns, 3), float32;
    ``depths`` are metres along each pixel's ray.
    """

    lit: NDArray[np.float32]
    calm: NDArray[np.float32]
    depths: NDArray[np.float32]
    eye: NDArray[np.float64]
    key: NDArray[np.float64]
    margin: int


def still(scene: Scene, part: str, view: View, *, width: int, height: int, margin: int) -> Still:
    """Draw the empty room as a camera sees it, with the lamp at a part's spot."""
    columns, rows = width + 2 * margin, height + 2 * margin
    eye, key = view.eye(width, height, margin), key_light(part)
    dusk, lamp = still_light()
    around, thrown, shape = trace.soft_light(rows, columns, 3, eye, scene.solids, dusk, lamp, key)
    soft = (trace.smoothed(around, shape, 2), trace.smoothed(thrown, shape, 2) * np.float32(POOL), shape)
    lit, calm, depths = trace.full_light(rows, columns, 3, eye, scene.solids, key, soft)
    haze = cv2.GaussianBlur(np.ascontiguousarray(shape[..., 4]), (0, 0), max(1.0, columns / 300))
    lit += cv2.resize(haze, (columns, rows))[..., None] * (HAZE * key[9:12]).astype(np.float32)
    if view.focus_m is not None:
        lit, calm = (_focused(light, depths, view.focus_m, columns) for light in (lit, calm))
    return Still(lit, calm, depths, eye, key, margin)


def _focused(light: Array, depths: Array, focus_m: float, columns: int) -> Array:
    """Blur what lies behind or before the plane of focus, as a wide aperture does."""
    blur_px = np.clip(np.abs(1 / np.maximum(depths, 0.3) - 1 / focus_m) * 14 - 0.5, 0, 2).astype(np.float32)[..., None]
    # What is sharp must not glow into what is not: it has no weight in the blur.
    weight = np.minimum(blur_px, 1) + np.float32(1e-3)

    def blurred(size: float) -> Array:
        total = cv2.GaussianBlur(weight, (0, 0), size)[..., None]
        return np.asarray(cv2.GaussianBlur(light * weight, (0, 0), size) / total)

    near = light + (blurred(columns / 450) - light) * np.minimum(blur_px, 1)
    return np.asarray(near + (blurred(columns / 180) - near) * np.clip(blur_px - 1, 0, 1))
