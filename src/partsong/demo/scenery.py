"""The painted things of the boathouse: flat pictures that the room's sheets are cut from.

All are square, scene-linear in AP1 primaries, with an alpha that says where there is anything.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

SIZE = 512
DUSK, BASS, RUG, MUSIC, KEYS, ROPE, GRILLE = range(7)
"""The numbers of the pictures in the stack that :func:`pictures` returns."""

_Floats = NDArray[np.float32]


def pictures() -> _Floats:
    """Paint all pictures: (picture, SIZE, SIZE, 4), red, green, blue in linear light, and alpha."""
    return np.stack([_dusk(), _bass(), _rug(), _music(), _keys(), _rope(), _grille()]).astype(np.float32)


def _blank(colour: tuple[float, float, float], alpha: float = 1.0) -> _Floats:
    picture = np.empty((SIZE, SIZE, 4), np.float32)
    picture[:] = (*colour, alpha)
    return picture


def _grid() -> tuple[NDArray[Any], NDArray[Any]]:
    """X from 0 to 1 to the right, y from 0 to 1 down."""
    y, x = np.mgrid[0:SIZE, 0:SIZE] / (SIZE - 1)
    return x, y


def _soft_noise(seed: int, rows: int, columns: int) -> NDArray[Any]:
    """Noise from 0 to 1 with so many blotches down and across."""
    coarse = np.random.default_rng(seed).random((rows, columns)).astype(np.float32)
    return np.clip(cv2.resize(coarse, (SIZE, SIZE), interpolation=cv2.INTER_CUBIC), 0, 1)


def _dusk() -> _Floats:
    """The view through the boat door: a low sky, a far shore, still water, mooring posts."""
    x, y = _grid()
    horizon = 0.47
    sky_t = np.clip(y / horizon, 0, 1)[..., None]
    high, low = np.array([0.030, 0.052, 0.105]), np.array([0.30, 0.185, 0.115])
    sky = high + (low - high) * sky_t**2.4
    clouds = _soft_noise(3, 14, 5) * _soft_noise(4, 30, 9)
    sky = sky * (1 - 0.55 * (clouds * np.clip(1.3 - sky_t[..., 0], 0, 1))[..., None])
    water_t = np.clip((y - horizon) / (1 - horizon), 0, 1)[..., None]
    near = np.array([0.012, 0.022, 0.036])
    water = low * 0.75 + (near - low * 0.75) * water_t**0.45
    # Ripples are short strokes that widen towards the viewer.
    far = np.clip((y - horizon) / (1 - horizon), 1e-3, 1)
    ripples = np.sin(60 / (far + 0.09) + 5 * np.sin(9 * x) + 4 * _soft_noise(5, 40, 12))
    water = water * (1 + 0.28 * ripples * np.clip(far * 6, 0, 1))[..., None]
    glade = np.exp(-(((x - 0.57) / (0.04 + 0.09 * far)) ** 2))[..., None]
    water = water + glade * np.array([0.16, 0.085, 0.04]) * (0.55 + 0.45 * ripples)[..., None] * (1 - water_t) ** 1.5
    picture = 1.75 * np.where((y < horizon)[..., None], sky, water)
    shore = horizon - 0.018 - 0.030 * _soft_noise(6, 2, 26)[0] - 0.035 * np.exp(-(((x - 0.18) / 0.16) ** 2))
    land = (y > shore) & (y < horizon + 0.004)
    picture[land] = [0.012, 0.016, 0.020]
    mirrored = (y >= horizon) & (y < 2 * horizon - shore + 0.01)
    picture[mirrored] *= 0.45
    for centre, top, width in ((0.30, 0.52, 0.016), (0.355, 0.56, 0.013), (0.80, 0.50, 0.020), (0.735, 0.545, 0.014)):
        post = (np.abs(x - centre) < width / 2) & (y > top)
        picture[post] = [0.006, 0.007, 0.009]
    planks = (y > 0.83) & (np.abs(x - 0.52) < 0.10 + 0.35 * (y - 0.83))
    picture[planks] = np.array([0.035, 0.031, 0.030])
    picture[planks & (np.mod(np.log(np.clip(y - 0.7, 0.01, 1)) * 30, 1) < 0.18)] = 0.006
    return np.dstack([np.clip(picture, 0, None), np.ones_like(x)]).astype(np.float32)


def _bass() -> _Floats:
    """The front of an upright bass; the sheet is 0.74 m wide and 1.86 m high."""
    metre = np.array([SIZE / 0.74, SIZE / 1.86])

    def place(points: list[tuple[float, float]]) -> NDArray[Any]:
        """Pixels of points given as metres from the middle to the right and metres up from the end pin."""
        return np.array([(SIZE / 2 + px * metre[0], SIZE - 1 - py * metre[1]) for px, py in points])

    half = [
        *((0.03, 0.02), (0.05, 0.10), (0.18, 0.115), (0.29, 0.17), (0.335, 0.28), (0.325, 0.40), (0.26, 0.52)),
        *((0.20, 0.58), (0.185, 0.66), (0.20, 0.745), (0.235, 0.80), (0.245, 0.90), (0.21, 1.00), (0.12, 1.10)),
        *((0.045, 1.16), (0.028, 1.20), (0.022, 1.62), (0.045, 1.66), (0.045, 1.74), (0.02, 1.80), (0.03, 1.84)),
    ]
    smooth: list[tuple[float, float]] = []
    for (ax, ay), (bx, by), (cx, cy), (ex, ey) in zip(half, half[1:], half[2:], half[3:], strict=False):
        for t in np.linspace(0, 1, 8, endpoint=False):
            weights = (
                *(-0.5 * t + t**2 - 0.5 * t**3, 1 - 2.5 * t**2 + 1.5 * t**3),
                *(0.5 * t + 2 * t**2 - 1.5 * t**3, -0.5 * t**2 + 0.5 * t**3),
            )
            smooth.append(
                (
                    float(np.dot(weights, (ax, bx, cx, ex))),
                    float(np.dot(weights, (ay, by, cy, ey))),
                )
            )
    outline = place([*smooth, *[(-px, py) for px, py in reversed(smooth)]]).round().astype(np.int32)
    alpha = np.zeros((SIZE, SIZE), np.uint8)
    cv2.fillPoly(alpha, [outline], 255)
    pin_low, pin_high = place([(0, 0.0), (0, 0.12)]).round().astype(int).tolist()
    cv2.line(alpha, pin_low, pin_high, 255, 5)
    x, y = _grid()
    grain = 0.8 + 0.4 * _soft_noise(8, 6, 150)
    inside = cv2.distanceTransform(alpha, cv2.DIST_L2, 5)
    arch = 0.62 + 0.38 * np.clip(inside / 60, 0, 1) ** 0.6  # the belly is arched: darker towards the rim
    glow = 1 + 0.5 * np.exp(-(((x - 0.5) / 0.3) ** 2) - ((y - 0.78) / 0.2) ** 2)
    picture = np.array([0.30, 0.115, 0.040]) * (grain * arch * glow)[..., None]
    picture[(inside > 3) & (inside < 6.5)] *= 0.35  # purfling

    def fill(points: list[tuple[float, float]], colour: tuple[float, float, float]) -> None:
        cv2.fillPoly(picture, [place(points).round().astype(np.int32)], colour)

    for side in (-1, 1):
        hole = [(side * (0.105 + 0.028 * np.sin(a)), 0.62 + 0.115 * np.cos(a / 2)) for a in np.linspace(0.4, 5.9, 24)]
        cv2.polylines(picture, [place(hole).round().astype(np.int32)], False, (0.006, 0.004, 0.003), 9)
    fill([(-0.035, 0.14), (0.035, 0.14), (0.055, 0.40), (-0.055, 0.40)], (0.014, 0.012, 0.011))  # tailpiece
    fill(
        [(-0.085, 0.585), (0.085, 0.585), (0.075, 0.60), (0.055, 0.655), (-0.055, 0.655), (-0.075, 0.60)],
        (0.36, 0.24, 0.13),
    )
    fill([(-0.045, 0.80), (0.045, 0.80), (0.022, 1.64), (-0.022, 1.64)], (0.016, 0.014, 0.013))  # fingerboard
    for string in range(4):
        low, high = -0.036 + 0.024 * string, -0.015 + 0.010 * string
        ends = place([(low * 0.8, 0.40), (low, 0.65), (high, 1.66)]).round().astype(np.int32)
        cv2.polylines(picture, [ends], False, (0.45, 0.42, 0.38), 1)
    return np.dstack([picture, (alpha > 127).astype(np.float32)]).astype(np.float32)


def _rug() -> _Floats:
    x, y = _grid()
    border = np.minimum(np.minimum(x, 1 - x) * 1.5, np.minimum(y, 1 - y))
    red, blue, sand = np.array([0.125, 0.036, 0.028]), np.array([0.028, 0.036, 0.052]), np.array([0.27, 0.19, 0.11])
    picture = np.broadcast_to(red, (SIZE, SIZE, 3)).copy()
    lattice = np.abs(np.mod(x * 9 + y * 6, 1) - 0.5) + np.abs(np.mod(x * 9 - y * 6, 1) - 0.5)
    picture[lattice < 0.22] = sand
    picture[lattice > 0.82] = blue
    picture[border < 0.15] = blue
    picture[(border < 0.15) & (np.mod(x * 22, 1) < 0.3) & (np.mod(y * 15, 1) < 0.3)] = sand
    for line in (0.15, 0.05):
        picture[np.abs(border - line) < 0.008] = sand
    picture[(border < 0.018) & (np.mod(np.where(y < 0.5, x, x) * 90, 1) < 0.5)] *= 0.4  # fringe
    worn = 0.65 + 0.5 * _soft_noise(9, 9, 9)
    weave = 0.9 + 0.2 * _soft_noise(10, 200, 200)
    return np.dstack([picture * (worn * weave)[..., None], np.ones_like(x)]).astype(np.float32)


def _music() -> _Floats:
    """Two pages of a part."""
    picture = _blank((0.60, 0.53, 0.42))
    rng = np.random.default_rng(12)
    for page in (0, 1):
        left, right = page * 256 + 22, page * 256 + 236
        for system in range(7):
            top = 60 + system * 60
            for line in range(5):
                cv2.line(picture, (left, top + 6 * line), (right, top + 6 * line), (0.12, 0.11, 0.10, 1), 1)
            for at in range(left + 16, right - 6, 17):
                height = top + int(rng.integers(-3, 24))
                cv2.ellipse(picture, (at, height), (5, 3), -20, 0, 360, (0.02, 0.02, 0.02, 1), -1)
                cv2.line(picture, (at + 4, height), (at + 4, height - 20), (0.02, 0.02, 0.02, 1), 2)
    picture[:, 254:258, :3] *= 0.5
    return picture


def _keys() -> _Floats:
    """A keyboard of 20 white keys."""
    picture = _blank((0.55, 0.49, 0.39))
    width = SIZE / 20
    for key in range(21):
        cv2.line(picture, (round(key * width), 0), (round(key * width), SIZE), (0.05, 0.04, 0.04, 1), 3)
        if key % 7 in (1, 2, 4, 5, 6):
            middle = round(key * width)
            cv2.rectangle(picture, (middle - 8, 0), (middle + 8, 310), (0.012, 0.012, 0.013, 1), -1)
    return picture


def _rope() -> _Floats:
    """A coil of rope on its peg."""
    picture = _blank((0.30, 0.23, 0.14), 0.0)
    for turn in range(9):
        axes = (150 - 9 * turn, 205 - 8 * turn)
        shade = 0.55 + 0.45 * ((turn * 5) % 7) / 7
        colour = (0.30 * shade, 0.23 * shade, 0.14 * shade, 1.0)
        cv2.ellipse(picture, (256 + (turn % 3) * 3, 270), axes, 0, 0, 360, colour, 8)
        cv2.ellipse(picture, (256 + (turn % 3) * 3, 270), axes, 0, 0, 360, (0.05, 0.035, 0.02, 1.0), 1)
    cv2.rectangle(picture, (236, 40), (280, 250), (0.24, 0.18, 0.11, 1.0), -1)
    for line in range(46, 250, 14):
        cv2.line(picture, (236, line), (280, line + 8), (0.05, 0.035, 0.02, 1.0), 2)
    return picture


def _grille() -> _Floats:
    """The harmonium's fretwork, with cloth behind."""
    x, y = _grid()
    picture = np.broadcast_to(np.array([0.20, 0.085, 0.035]), (SIZE, SIZE, 3)).copy()
    picture *= (0.75 + 0.5 * _soft_noise(14, 60, 5))[..., None]
    u, v = np.mod(x * 5, 1) - 0.5, y - 0.5
    petals = np.hypot(u, v * 1.3) * (1 + 0.35 * np.cos(6 * np.arctan2(v, u)))
    picture[(petals < 0.36) & (petals > 0.10)] = [0.030, 0.008, 0.010]
    frame = (np.abs(v) > 0.43) | (np.abs(x - 0.5) > 0.475)
    picture[frame] *= 1.5
    return np.dstack([picture, np.ones_like(x)]).astype(np.float32)
