"""Drawing the player: tapered round limbs, lit like the room, in front of what is behind them, with their shadow.

A limb is a row of numbers: its two ends in metres (6), their radii (2), albedo (3), and its cloth (0 plain, 1 knitted,
2 metal or lacquer).
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from partsong.demo.kernel import compiled, inlined
from partsong.demo.trace import FAR, _beam, _ray

Array = NDArray[Any]
LIMB_NUMBERS = 12

_MAP = 160  # the light's view of the player is this many cells wide
_SPREAD = 0.50  # and shows this tangent to either side of the beam's axis


@compiled
def _lamp_axes(key: Array) -> tuple[float, float, float, float, float, float]:
    """Two directions across the beam, as (x, y, z, x, y, z)."""
    length = math.sqrt(key[3] ** 2 + key[5] ** 2)
    ax, az = key[5] / length, -key[3] / length
    # The second is the cross product of the beam's axis and the first, (ax, 0, az).
    return ax, 0.0, az, key[4] * az, key[5] * ax - key[3] * az, -key[4] * ax


@inlined
def _to_lamp(x: float, y: float, z: float, key: Array, axes: tuple[float, ...]) -> tuple[float, float, float]:
    """Where a point lies in the light's view: column, row, distance along the axis."""
    rx, ry, rz = x - key[0], y - key[1], z - key[2]
    along = max(rx * key[3] + ry * key[4] + rz * key[5], 0.05)
    u = (rx * axes[0] + ry * axes[1] + rz * axes[2]) / along
    v = (rx * axes[3] + ry * axes[4] + rz * axes[5]) / along
    return (u / _SPREAD + 1) * 0.5 * _MAP, (v / _SPREAD + 1) * 0.5 * _MAP, along


@inlined
def _along(px: float, py: float, ax: float, ay: float, bx: float, by: float) -> float:
    """How far from a to b the nearest point of their line is, from 0 to 1."""
    dx, dy = bx - ax, by - ay
    return min(max(((px - ax) * dx + (py - ay) * dy) / max(dx * dx + dy * dy, 1e-9), 0.0), 1.0)


@compiled
def _seen_by_lamp(limbs: Array, key: Array) -> tuple[Array, Array]:
    """Draw the limbs as the lamp sees them: cover from 0 to 1, and cover times distance."""
    cover, near = np.zeros((_MAP, _MAP), np.float32), np.zeros((_MAP, _MAP), np.float32)
    axes = _lamp_axes(key)
    for n in range(len(limbs)):
        au, av, ad = _to_lamp(limbs[n, 0], limbs[n, 1], limbs[n, 2], key, axes)
        bu, bv, bd = _to_lamp(limbs[n, 3], limbs[n, 4], limbs[n, 5], key, axes)
        ar, br = limbs[n, 6] / ad / _SPREAD * 0.5 * _MAP, limbs[n, 7] / bd / _SPREAD * 0.5 * _MAP
        left, right = int(max(min(au - ar, bu - br) - 1, 0)), int(min(max(au + ar, bu + br) + 2, _MAP))
        top, bottom = int(max(min(av - ar, bv - br) - 1, 0)), int(min(max(av + ar, bv + br) + 2, _MAP))
        for row in range(top, bottom):
            for column in range(left, right):
                t = _along(column + 0.5, row + 0.5, au, av, bu, bv)
                x, y = column + 0.5 - au - t * (bu - au), row + 0.5 - av - t * (bv - av)
                inside = min(max(ar + t * (br - ar) - math.sqrt(x * x + y * y) + 0.5, 0.0), 1.0)
                if inside > cover[row, column]:
                    distance = ad + t * (bd - ad)
                    cover[row, column], near[row, column] = inside, inside * distance
    return cover, near


def shadow_map(limbs: Array, key: Array) -> tuple[Array, Array]:
    """Return how much of the lamp the player hides, softly, and at which distance from the lamp.

    Parameters
    ----------
    limbs : float array, shape (limbs, LIMB_NUMBERS)
        The player in one frame.
    key : float array
        The lamp, as in :mod:`partsong.demo.trace`.
    """
    cover, near = _seen_by_lamp(limbs, key)
    cover, near = cv2.GaussianBlur(cover, (0, 0), 1.3), cv2.GaussianBlur(near, (0, 0), 1.3)
    return cover, near / np.maximum(cover, 1e-4)


@inlined
def _shaded(u: float, v: float, distance: float, cover: Array, near: Array, bias: float) -> float:
    """How much light is left at a place in the light's view, from 0 to 1."""
    c, r = u - 0.5, v - 0.5
    if c < 0 or r < 0 or c >= _MAP - 1 or r >= _MAP - 1:
        return 1.0
    ic, ir = int(c), int(r)
    fc, fr = c - ic, r - ir
    hidden = (cover[ir, ic] * (1 - fc) + cover[ir, ic + 1] * fc) * (1 - fr) + (
        cover[ir + 1, ic] * (1 - fc) + cover[ir + 1, ic + 1] * fc
    ) * fr
    behind = min(max((distance - near[ir, ic] - bias) / 0.10, 0.0), 1.0)
    return float(1 - hidden * behind)


@compiled
def shadow_places(eye: Array, depths: Array, lit: Array, reach: Array, key: Array) -> tuple[Array, Array]:
    """Find the pixels on which the player's shadow may fall.

    ``reach`` is the union of the light's views of the player over a clip. Returns the flat pixel numbers and, for
    each, its column, row and distance in the light's view.
    """
    height, width = depths.shape
    numbers = np.zeros(height * width, np.int32)
    places = np.zeros((height * width, 3), np.float32)
    count = 0
    o, d = np.zeros(3), np.zeros(3)
    axes = _lamp_axes(key)
    for row in range(height):
        for column in range(width):
            t = depths[row, column]
            if t >= FAR or lit[row, column, 0] <= 1e-5:
                continue
            _ray(column + 0.5, row + 0.5, eye, o, d)
            u, v, along = _to_lamp(o[0] + d[0] * t, o[1] + d[1] * t, o[2] + d[2] * t, key, axes)
            if u < 0 or v < 0 or u >= _MAP or v >= _MAP or reach[int(v), int(u)] <= 0.002:
                continue
            numbers[count] = row * width + column
            places[count, 0], places[count, 1], places[count, 2] = u, v, along
            count += 1
    return numbers[:count].copy(), places[:count].copy()


@compiled
def cast_shadow(
    room: Array, calm: Array, lit: Array, level: float, numbers: Array, places: Array, cover: Array, near: Array
) -> None:
    """Write the light of the pixels that the shadow may touch into ``room``; pictures are (pixels, 3)."""
    for place in range(len(numbers)):
        n = numbers[place]
        left = level * _shaded(places[place, 0], places[place, 1], places[place, 2], cover, near, 0.05)
        for k in range(3):
            room[n, k] = calm[n, k] + lit[n, k] * left


@inlined
def _light_on(x: float, y: float, z: float, key: Array, dusk: Array, lamp: Array, pool: float, out: Array) -> None:
    """Write what shines on a place: for key, door, pendant lamp and pool, the direction times the strength (4 x 3)."""
    lx, ly, lz = key[0] - x, key[1] - y, key[2] - z
    away2 = lx * lx + ly * ly + lz * lz
    strength = _beam(x, y, z, key) / away2
    out[0], out[1], out[2], out[3] = lx, ly, lz, strength
    length = math.sqrt(away2)
    for k in range(3):
        out[k] /= length
    dx, dy, dz = dusk[0] - x, dusk[1] - y, dusk[2] - z
    away2 = dx * dx + dy * dy + dz * dz
    length = math.sqrt(away2)
    out[4], out[5], out[6] = dx / length, dy / length, dz / length
    out[7] = 1.3 * max(dz, 0.0) / length * dusk[3] * dusk[4] / away2
    qx, qy, qz = lamp[0] - x, lamp[1] - y, lamp[2] - z
    away2 = qx * qx + qy * qy + qz * qz
    length = math.sqrt(away2)
    out[8], out[9], out[10], out[11] = qx / length, qy / length, qz / length, 1 / (away2 + 0.2)
    gx, gy, gz = key[12] - x, key[13] - 0.3 - y, key[14] - z
    away2 = gx * gx + gy * gy + gz * gz
    length = math.sqrt(away2)
    out[12], out[13], out[14], out[15] = gx / length, gy / length, gz / length, pool / (away2 + 0.8)


@compiled
def draw(
    frame: Array,
    limbs: Array,
    eye: Array,
    view: Array,
    depths: Array,
    key: Array,
    level: float,
    dusk: Array,
    lamp: Array,
    pool: float,
    cover: Array,
    near: Array,
) -> None:
    """Draw the limbs over a frame, where nothing of the room stands before them.

    ``view`` is (scale, cosine, sine, x, y): a pixel (px, py) of the still room's picture is shown at
    ``scale * (cos * px - sin * py) + x``, ``scale * (sin * px + cos * py) + y``.
    """
    height, width = frame.shape[:2]
    rows, columns = depths.shape
    scale = view[0]
    count = len(limbs)
    seen = np.zeros((count, 8))  # columns, rows, distances and radii of both ends
    shine = np.zeros((count, 17))  # see _light_on: directions are the mean of both ends
    ends = np.zeros((2, 16))
    for n in range(count):
        for end in range(2):
            at_x, at_y, at_z = limbs[n, 3 * end], limbs[n, 3 * end + 1], limbs[n, 3 * end + 2]
            x, y, z = at_x - eye[0], at_y - eye[1], at_z - eye[2]
            forward = max(x * eye[9] + y * eye[10] + z * eye[11], 0.1)
            px = (x * eye[3] + y * eye[4] + z * eye[5]) / forward * eye[12] + eye[13]
            py = (x * eye[6] + y * eye[7] + z * eye[8]) / forward * eye[12] + eye[14]
            seen[n, 4 * end] = scale * (view[1] * px - view[2] * py) + view[3]
            seen[n, 4 * end + 1] = scale * (view[2] * px + view[1] * py) + view[4]
            seen[n, 4 * end + 2] = math.sqrt(x * x + y * y + z * z)
            seen[n, 4 * end + 3] = limbs[n, 6 + end] / forward * eye[12] * scale
            # Light changes slowly along a limb: it is worked out at both ends.
            _light_on(at_x, at_y, at_z, key, dusk, lamp, pool, ends[end])
        for k in range(16):
            shine[n, k] = 0.5 * (ends[0, k] + ends[1, k])
        shine[n, 3], shine[n, 16] = ends[0, 3], ends[1, 3]
    x0 = int(max(min((seen[:, 0] - seen[:, 3]).min(), (seen[:, 4] - seen[:, 7]).min()) - 2, 0))
    y0 = int(max(min((seen[:, 1] - seen[:, 3]).min(), (seen[:, 5] - seen[:, 7]).min()) - 2, 0))
    x1 = int(min(max((seen[:, 0] + seen[:, 3]).max(), (seen[:, 4] + seen[:, 7]).max()) + 3, width))
    y1 = int(min(max((seen[:, 1] + seen[:, 3]).max(), (seen[:, 5] + seen[:, 7]).max()) + 3, height))
    if x1 <= x0 or y1 <= y0:
        return
    which, cover_of, distance_of = _two_nearest(seen, limbs, x0, y0, x1, y1)
    axes = _lamp_axes(key)
    shown, both = np.zeros(3), np.zeros(3)
    for row in range(y0, y1):
        for column in range(x0, x1):
            if which[row - y0, column - x0, 0] < 0:
                continue
            # What of the room is nearer? Undo the view to look it up.
            ux, uy = (column + 0.5 - view[3]) / scale, (row + 0.5 - view[4]) / scale
            c, r = int(view[1] * ux + view[2] * uy), int(view[1] * uy - view[2] * ux)
            room_m = depths[r, c] if c >= 0 and r >= 0 and c < columns and r < rows else np.float32(FAR)
            left = 1.0
            both[:] = 0
            for layer in range(2):
                n = which[row - y0, column - x0, layer]
                if n < 0 or left < 0.004:
                    break
                before = (room_m - distance_of[row - y0, column - x0, layer]) / 0.02 + 0.5
                alpha = left * cover_of[row - y0, column - x0, layer] * min(max(before, 0.0), 1.0)
                if alpha <= 0:
                    continue
                left -= alpha
                px, py = column + 0.5, row + 0.5
                _shade(n, limbs, seen, shine, px, py, eye, key, level, dusk, lamp, axes, cover, near, shown)
                for k in range(3):
                    both[k] += alpha * shown[k]
            for k in range(3):
                frame[row, column, k] = frame[row, column, k] * left + both[k]


@compiled
def _two_nearest(seen: Array, limbs: Array, x0: int, y0: int, x1: int, y1: int) -> tuple[Array, Array, Array]:
    """Find the two nearest limbs at each pixel of a box: number (-1: none), cover and distance of both."""
    which = np.full((y1 - y0, x1 - x0, 2), -1, np.int32)
    cover = np.zeros((y1 - y0, x1 - x0, 2), np.float32)
    distance = np.full((y1 - y0, x1 - x0, 2), FAR, np.float32)
    for n in range(len(seen)):
        ax, ay, ad, ar = seen[n, 0], seen[n, 1], seen[n, 2], seen[n, 3]
        bx, by, bd, br = seen[n, 4], seen[n, 5], seen[n, 6], seen[n, 7]
        left, right = int(max(min(ax - ar, bx - br) - 1, x0)), int(min(max(ax + ar, bx + br) + 2, x1))
        top, bottom = int(max(min(ay - ar, by - br) - 1, y0)), int(min(max(ay + ar, by + br) + 2, y1))
        for row in range(top, bottom):
            for column in range(left, right):
                t = _along(column + 0.5, row + 0.5, ax, ay, bx, by)
                x, y = column + 0.5 - ax - t * (bx - ax), row + 0.5 - ay - t * (by - ay)
                radius = ar + t * (br - ar)
                away2 = x * x + y * y
                if away2 >= (radius + 0.5) * (radius + 0.5):
                    continue
                inside = min(radius - math.sqrt(away2) + 0.5, 1.0)
                bulge = math.sqrt(max(1 - away2 / (radius * radius), 0.0)) * (
                    limbs[n, 6] + t * (limbs[n, 7] - limbs[n, 6])
                )
                metres = np.float32(ad + t * (bd - ad) - bulge)
                r, c = row - y0, column - x0
                if metres < distance[r, c, 0]:
                    which[r, c, 1], cover[r, c, 1], distance[r, c, 1] = (
                        which[r, c, 0],
                        cover[r, c, 0],
                        distance[r, c, 0],
                    )
                    which[r, c, 0], cover[r, c, 0], distance[r, c, 0] = n, inside, metres
                elif metres < distance[r, c, 1]:
                    which[r, c, 1], cover[r, c, 1], distance[r, c, 1] = n, inside, metres
    return which, cover, distance


@inlined
def _shade(
    n: int,
    limbs: Array,
    seen: Array,
    shine: Array,
    px: float,
    py: float,
    eye: Array,
    key: Array,
    level: float,
    dusk: Array,
    lamp: Array,
    axes: tuple[float, ...],
    cover: Array,
    near: Array,
    out: Array,
) -> None:
    """Write the light that one limb sends to the camera at a place of the frame."""
    ax, ay, bx, by = seen[n, 0], seen[n, 1], seen[n, 4], seen[n, 5]
    t = _along(px, py, ax, ay, bx, by)
    x, y = px - ax - t * (bx - ax), py - ay - t * (by - ay)
    radius = max(seen[n, 3] + t * (seen[n, 7] - seen[n, 3]), 1e-6)
    away = max(math.sqrt(x * x + y * y), 1e-6)
    # The normal: across the limb on the screen, and towards the camera.
    across = min(away / radius, 0.999)
    towards = math.sqrt(1 - across * across)
    sx, sy = x / away * across, y / away * across
    nx = eye[3] * sx + eye[6] * sy - eye[9] * towards
    ny = eye[4] * sx + eye[7] * sy - eye[10] * towards
    nz = eye[5] * sx + eye[8] * sy - eye[11] * towards
    metres = limbs[n, 6] + t * (limbs[n, 7] - limbs[n, 6])
    along_x, along_y, along_z = limbs[n, 3] - limbs[n, 0], limbs[n, 4] - limbs[n, 1], limbs[n, 5] - limbs[n, 2]
    facing = shine[n, 0] * nx + shine[n, 1] * ny + shine[n, 2] * nz
    strong = 0.0
    if facing > -0.12:
        wx = limbs[n, 0] + t * along_x + nx * metres
        wy = limbs[n, 1] + t * along_y + ny * metres
        wz = limbs[n, 2] + t * along_z + nz * metres
        u, v, along = _to_lamp(wx, wy, wz, key, axes)
        strong = (facing + 0.12) / 1.12 * (shine[n, 3] + t * (shine[n, 16] - shine[n, 3])) * level
        strong *= _shaded(u, v, along, cover, near, 0.15)
    gloss = 0.6 * max(facing, 0.0) ** 24 * strong if limbs[n, 11] == 2 else 0.0
    door = max(shine[n, 4] * nx + shine[n, 5] * ny + shine[n, 6] * nz + 0.35, 0.0) * shine[n, 7]
    open_ = 0.62 + 0.30 * ny
    bulb = max(shine[n, 8] * nx + shine[n, 9] * ny + shine[n, 10] * nz, 0.0) * shine[n, 11]
    thrown = max(0.35 + 0.65 * (shine[n, 12] * nx + shine[n, 13] * ny + shine[n, 14] * nz), 0.0)
    thrown *= shine[n, 15] * level
    cloth = 0.80 + 0.20 * towards
    if limbs[n, 11] == 1:  # ribs of knitting, as far as the picture can show them
        fine = 0.09 * min(max((radius / metres * 0.022 - 4) / 6, 0.0), 1.0)
        if fine > 0:
            length = math.sqrt(along_x * along_x + along_y * along_y + along_z * along_z)
            rib = (t * length + 0.2 * metres * across) / 0.022
            rib = 2 * abs(2 * (rib - math.floor(rib)) - 1) - 1  # a wave of straight lines, from -1 to 1
            cloth *= 1 - fine + fine * rib * (1.5 - 0.5 * rib * rib)
    for k in range(3):
        light = key[9 + k] * (strong + thrown) + dusk[5 + k] * door + dusk[8 + k] * open_ + lamp[3 + k] * bulb
        out[k] = limbs[n, 8 + k] * cloth * light + key[9 + k] * gloss
