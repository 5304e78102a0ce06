"""Rays through the still room: what each pixel sees, and how light reaches it.

The room is a list of simple solids, each a unit shape under an affine map: a box, a ball, a round bar, or a flat sheet
cut out of a picture. The key light is one round lamp with a soft-edged cone; besides it there is the dusk through the
boat door, a weak lamp under the roof, what the pool of light throws back, and a little haze in the beam.
Lengths are metres, x to the right, y up, z into the room; light is scene-linear in AP1 primaries.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.demo.kernel import compiled, inlined

BOX, BALL, BAR, SHEET = 0, 1, 2, 3
"""Unit shapes: corners at +-1; radius 1; radius 1 for z from -1 to 1; z = 0 within +-1, cut by a picture's alpha."""

PLAIN, PLANKS, PICTURE, GLOWING = 0, 1, 2, 3
"""How a surface gets its colour: mottled; boards; a picture's; a picture that shines by itself."""

FAR = 1e9
_SUBPIXELS = 3
_TILE = 16

Array = NDArray[Any]


@inlined
def _noise(x: float, y: float, z: float) -> float:
    """Smooth noise from 0 to 1 on a unit grid."""
    ix, iy, iz = math.floor(x), math.floor(y), math.floor(z)
    fx, fy, fz = x - ix, y - iy, z - iz
    fx, fy, fz = fx * fx * (3 - 2 * fx), fy * fy * (3 - 2 * fy), fz * fz * (3 - 2 * fz)
    total = 0.0
    for corner in range(8):
        cx, cy, cz = corner & 1, (corner >> 1) & 1, corner >> 2
        weight = (fx if cx else 1 - fx) * (fy if cy else 1 - fy) * (fz if cz else 1 - fz)
        total += weight * _chance(int(ix) + cx, int(iy) + cy, int(iz) + cz)
    return total


@inlined
def _chance(a: int, b: int, c: int) -> float:
    """A number from 0 to 1 that depends on three whole numbers only."""
    h = (a * 374761393 + b * 668265263 + c * 2147483647) & 0xFFFFFFFF
    h = ((h ^ (h >> 13)) * 1274126177) & 0xFFFFFFFF
    h = ((h ^ (h >> 16)) * 2246822519) & 0xFFFFFFFF
    return float((h ^ (h >> 15)) & 0xFFFFFF) / 16777216.0


@inlined
def _meet(kind: int, m: Array, o: Array, d: Array, nearest: float, pictures: Array, picture: int, hit: Array) -> float:
    """Return the distance at which a ray meets one solid, or FAR; ``hit`` gets the local point and normal."""
    ox = m[0, 0] * o[0] + m[0, 1] * o[1] + m[0, 2] * o[2] + m[0, 3]
    oy = m[1, 0] * o[0] + m[1, 1] * o[1] + m[1, 2] * o[2] + m[1, 3]
    oz = m[2, 0] * o[0] + m[2, 1] * o[1] + m[2, 2] * o[2] + m[2, 3]
    dx = m[0, 0] * d[0] + m[0, 1] * d[1] + m[0, 2] * d[2]
    dy = m[1, 0] * d[0] + m[1, 1] * d[1] + m[1, 2] * d[2]
    dz = m[2, 0] * d[0] + m[2, 1] * d[1] + m[2, 2] * d[2]
    t = FAR
    nx = ny = nz = 0.0
    if kind == BOX:
        enter, leave, axis = -FAR, FAR, 0
        for k in range(3):
            po, pd = (ox, dx) if k == 0 else ((oy, dy) if k == 1 else (oz, dz))
            if abs(pd) < 1e-12:
                if abs(po) > 1:
                    return FAR
                continue
            a, b = (-1 - po) / pd, (1 - po) / pd
            if a > b:
                a, b = b, a
            if a > enter:
                enter, axis = a, k
            leave = min(leave, b)
        if enter > leave or enter < 1e-4:
            return FAR
        t = enter
        nx = -math.copysign(1.0, dx) if axis == 0 else 0.0
        ny = -math.copysign(1.0, dy) if axis == 1 else 0.0
        nz = -math.copysign(1.0, dz) if axis == 2 else 0.0
    elif kind == BALL:
        a, b, c = dx * dx + dy * dy + dz * dz, ox * dx + oy * dy + oz * dz, ox * ox + oy * oy + oz * oz - 1
        root = b * b - a * c
        if root < 0:
            return FAR
        t = (-b - math.sqrt(root)) / a
        nx, ny, nz = ox + t * dx, oy + t * dy, oz + t * dz
    elif kind == BAR:
        a, b, c = dx * dx + dy * dy, ox * dx + oy * dy, ox * ox + oy * oy - 1
        root = b * b - a * c
        if root < 0:
            return FAR
        t = (-b - math.sqrt(root)) / max(a, 1e-12)
        if abs(oz + t * dz) > 1:
            if abs(dz) < 1e-12:
                return FAR
            t = (math.copysign(1.0, -dz) - oz) / dz
            if (ox + t * dx) ** 2 + (oy + t * dy) ** 2 > 1:
                return FAR
            nz = -math.copysign(1.0, dz)
        else:
            nx, ny = ox + t * dx, oy + t * dy
    else:
        if abs(dz) < 1e-12:
            return FAR
        t = -oz / dz
        x, y = ox + t * dx, oy + t * dy
        if abs(x) > 1 or abs(y) > 1:
            return FAR
        if t < 1e-4 or t >= nearest:
            return FAR
        size = pictures.shape[1]
        u, v = int((x + 1) * 0.5 * (size - 1) + 0.5), int((1 - y) * 0.5 * (size - 1) + 0.5)
        if pictures[picture, v, u, 3] < 0.5:
            return FAR
        nz = -math.copysign(1.0, dz)
    if t < 1e-4 or t >= nearest:
        return FAR
    hit[0], hit[1], hit[2] = ox + t * dx, oy + t * dy, oz + t * dz
    hit[3], hit[4], hit[5] = nx, ny, nz
    return t


@compiled
def _nearest(
    o: Array, d: Array, solids: tuple[Array, ...], some: Array, count: int, hit: Array, trial: Array
) -> tuple[float, int]:
    """Return distance and number of the solid that a ray meets first, among the first ``count`` of ``some``."""
    kinds, maps, _, _, patterns, bounds, pictures, _ = solids
    best, which = FAR, -1
    for place in range(count):
        n = some[place]
        cx, cy, cz = bounds[n, 0] - o[0], bounds[n, 1] - o[1], bounds[n, 2] - o[2]
        along = cx * d[0] + cy * d[1] + cz * d[2]
        aside = cx * cx + cy * cy + cz * cz - along * along
        if aside > bounds[n, 3] or (along < 0 and along * along > bounds[n, 3]):
            continue
        t = _meet(kinds[n], maps[n], o, d, best, pictures, int(patterns[n, 1]), trial)
        if t < best:
            best, which = t, n
            hit[:] = trial
    return best, which


@compiled
def _blocked(o: Array, d: Array, reach: float, solids: tuple[Array, ...], some: Array, trial: Array) -> bool:
    """Say whether one of ``some`` solids lies on a ray before ``reach``."""
    kinds, maps, _, _, patterns, bounds, pictures, _ = solids
    for n in some:
        if patterns[n, 0] == GLOWING:
            continue
        cx, cy, cz = bounds[n, 0] - o[0], bounds[n, 1] - o[1], bounds[n, 2] - o[2]
        along = cx * d[0] + cy * d[1] + cz * d[2]
        aside = cx * cx + cy * cy + cz * cz - along * along
        if aside > bounds[n, 3] or (along < 0 and along * along > bounds[n, 3]):
            continue
        if _meet(kinds[n], maps[n], o, d, reach, pictures, int(patterns[n, 1]), trial) < reach:
            return True
    return False


@compiled
def _within(apex: Array, axis: Array, half_angle: float, bounds: Array, among: Array, some: Array) -> int:
    """Write the numbers of those solids among ``among`` that a cone may touch to ``some``; return how many."""
    count = 0
    for n in among:
        x, y, z = bounds[n, 0] - apex[0], bounds[n, 1] - apex[1], bounds[n, 2] - apex[2]
        away = math.sqrt(x * x + y * y + z * z)
        radius = math.sqrt(bounds[n, 3])
        if away > radius:
            off = math.acos(min(max((x * axis[0] + y * axis[1] + z * axis[2]) / away, -1.0), 1.0))
            if off > half_angle + math.asin(radius / away):
                continue
        some[count] = n
        count += 1
    return count


@compiled
def _colour(n: int, hit: Array, solids: tuple[Array, ...], out: Array) -> None:
    """Write the albedo (or the glow) of a solid at a local point."""
    _, _, sizes, albedo, patterns, _, pictures, _ = solids
    x, y, z = hit[0] * sizes[n, 0], hit[1] * sizes[n, 1], hit[2] * sizes[n, 2]
    kind = int(patterns[n, 0])
    shade = 1.0
    if kind >= PICTURE:
        size = pictures.shape[1]
        u = min(max((hit[0] + 1) * 0.5 * (size - 1), 0.0), size - 1.001)
        v = min(max((1 - hit[1]) * 0.5 * (size - 1), 0.0), size - 1.001)
        iu, iv = int(u), int(v)
        fu, fv = u - iu, v - iv
        p = pictures[int(patterns[n, 1])]
        for k in range(3):
            top = p[iv, iu, k] * (1 - fu) + p[iv, iu + 1, k] * fu
            low = p[iv + 1, iu, k] * (1 - fu) + p[iv + 1, iu + 1, k] * fu
            out[k] = (top * (1 - fv) + low * fv) * albedo[n, k]
        return
    if kind == PLANKS:
        # patterns: the axis across the boards, their width, and the axis along them.
        across = x if patterns[n, 1] == 0 else (y if patterns[n, 1] == 1 else z)
        along = x if patterns[n, 3] == 0 else (y if patterns[n, 3] == 1 else z)
        board = math.floor(across / patterns[n, 2])
        edge = abs(across / patterns[n, 2] - board - 0.5) * 2  # 1 at the gap
        length = 2.6
        along += 9 * _chance(int(board), 3, n)
        piece = math.floor(along / length)
        butt = abs(along / length - piece - 0.5) * 2
        shade = 0.72 + 0.5 * _chance(int(board), int(piece), n)
        grain = (
            _noise(across * 60, along * 2.2, board * 7.3) * 0.65 + _noise(across * 190, along * 6, board * 3.1) * 0.35
        )
        shade *= 0.72 + 0.5 * grain
        if _noise(across * 9, along * 3.1, board * 5.7) > 0.86:
            shade *= 0.7  # a knot
        gap = (1 - edge) * patterns[n, 2] / 2
        shade *= min(1.0, 0.16 + gap / 0.008) if gap < 0.0068 else 1.0
        if (1 - butt) * length / 2 < 0.003:
            shade *= 0.3
    else:
        shade = 0.86 + 0.28 * _noise(x * 14 + n, y * 14, z * 14) * _noise(x * 47, y * 47, z * 47 + n) * 2
    for k in range(3):
        out[k] = albedo[n, k] * shade


@inlined
def _beam(x: float, y: float, z: float, key: Array) -> float:
    """The strength of the key light at a point, before distance and angle: 1 in the cone's middle, 0 outside."""
    lx, ly, lz = x - key[0], y - key[1], z - key[2]
    away = math.sqrt(lx * lx + ly * ly + lz * lz)
    inside = (lx * key[3] + ly * key[4] + lz * key[5]) / max(away, 1e-9)
    t = min(max((inside - key[6]) / (key[7] - key[6]), 0.0), 1.0)
    return float(t * t * (3 - 2 * t))


@inlined
def _ray(px: float, py: float, eye: Array, o: Array, d: Array) -> None:
    """A ray through a point of the frame; ``eye``: place (3), axes right, down, forward (9), focal, centre x and y."""
    x, y = (px - eye[13]) / eye[12], (py - eye[14]) / eye[12]
    length = 0.0
    for k in range(3):
        o[k] = eye[k]
        d[k] = eye[3 + k] * x + eye[6 + k] * y + eye[9 + k]
        length += d[k] * d[k]
    length = math.sqrt(length)
    for k in range(3):
        d[k] /= length


@compiled
def _world_normal(n: int, hit: Array, d: Array, solids: tuple[Array, ...], out: Array) -> None:
    m = solids[1][n]
    length = 0.0
    for k in range(3):
        out[k] = m[0, k] * hit[3] + m[1, k] * hit[4] + m[2, k] * hit[5]
        length += out[k] * out[k]
    length = math.sqrt(length)
    side = 1.0 if out[0] * d[0] + out[1] * d[1] + out[2] * d[2] < 0 else -1.0
    for k in range(3):
        out[k] *= side / length


@compiled
def soft_light(
    height: int, width: int, step: int, eye: Array, solids: tuple[Array, ...], dusk: Array, lamp: Array, key: Array
) -> tuple[Array, Array, Array]:
    """Gather the light that has no hard edges, on every ``step``-th pixel.

    ``dusk``: the door's centre (3), half width, half height, colour (3) and the sky's colour from all around (3);
    ``lamp``: place (3), colour (3); ``key``: place (3), axis (3), cosines of the cone's rim and core, radius,
    colour (3) and the place where its pool lies (3).

    Returns (rows, columns, 3) irradiance without the key, (rows, columns, 3) thrown back by the pool of the key, and
    (rows, columns, 5): depth, normal, haze.
    """
    rows, columns = (height + step - 1) // step, (width + step - 1) // step
    still, thrown = np.zeros((rows, columns, 3), np.float32), np.zeros((rows, columns, 3), np.float32)
    shape = np.zeros((rows, columns, 5), np.float32)
    o, d, p, n, q = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3)
    hit, trial = np.zeros(6), np.zeros(6)
    everything = np.arange(len(solids[0]))
    for row in range(rows):
        for column in range(columns):
            _ray(column * step + step / 2, row * step + step / 2, eye, o, d)
            t, which = _nearest(o, d, solids, everything, len(everything), hit, trial)
            reach = min(t, 14.0)
            haze = 0.0
            jitter = _chance(row, column, 11)
            for k in range(12):  # light that the beam scatters towards the camera
                s = reach * (k + jitter) / 12
                x, y, z = o[0] + d[0] * s, o[1] + d[1] * s, o[2] + d[2] * s
                away2 = (x - key[0]) ** 2 + (y - key[1]) ** 2 + (z - key[2]) ** 2
                haze += _beam(x, y, z, key) / (away2 + 0.15) * reach / 12
            shape[row, column, 4] = haze
            if which < 0:
                shape[row, column, 0] = FAR
                continue
            _world_normal(which, hit, d, solids, n)
            for k in range(3):
                p[k] = o[k] + d[k] * t + n[k] * 2e-3
                shape[row, column, 1 + k] = n[k]
            shape[row, column, 0] = t
            # Sky: rays over the half sphere, cosine weighted, that look 1.6 m far.
            open_ = 0.0
            turn = _chance(row, column, 5)
            for k in range(6):
                u, v = (k + _chance(row, column, 20 + k)) / 6, (k * 0.618034 + turn) % 1.0
                r, a = math.sqrt(u), 2 * math.pi * v
                up = math.sqrt(1 - u)
                # Any two axes across the normal will do.
                if abs(n[1]) < 0.9:
                    ax, ay, az = n[2], 0.0, -n[0]
                else:
                    ax, ay, az = 0.0, -n[2], n[1]
                length = math.sqrt(ax * ax + ay * ay + az * az)
                ax, ay, az = ax / length, ay / length, az / length
                bx, by, bz = n[1] * az - n[2] * ay, n[2] * ax - n[0] * az, n[0] * ay - n[1] * ax
                q[0] = n[0] * up + r * (ax * math.cos(a) + bx * math.sin(a))
                q[1] = n[1] * up + r * (ay * math.cos(a) + by * math.sin(a))
                q[2] = n[2] * up + r * (az * math.cos(a) + bz * math.sin(a))
                if not _blocked(p, q, 1.6, solids, everything, trial):
                    open_ += (0.7 + 0.3 * q[1]) / 6
            door = 0.0
            for k in range(4):
                x = dusk[0] + dusk[3] * (((k & 1) + _chance(row, column, 31 + k)) - 1)
                y = dusk[1] + dusk[4] * (((k >> 1) + _chance(row, column, 41 + k)) - 1)
                q[0], q[1], q[2] = x - p[0], y - p[1], dusk[2] - p[2]
                away = math.sqrt(q[0] ** 2 + q[1] ** 2 + q[2] ** 2)
                for j in range(3):
                    q[j] /= away
                facing = q[0] * n[0] + q[1] * n[1] + q[2] * n[2]
                if facing > 0 and q[2] > 0 and not _blocked(p, q, away - 0.05, solids, solids[7], trial):
                    door += facing * q[2] / (away * away + 0.05) * dusk[3] * dusk[4]
            q[0], q[1], q[2] = lamp[0] - p[0], lamp[1] - p[1], lamp[2] - p[2]
            away2 = q[0] ** 2 + q[1] ** 2 + q[2] ** 2
            facing = max(q[0] * n[0] + q[1] * n[1] + q[2] * n[2], 0.0) / math.sqrt(away2)
            bulb = facing / (away2 + 0.2)
            q[0], q[1], q[2] = key[12] - p[0], key[13] - p[1], key[14] - p[2]
            away2 = q[0] ** 2 + q[1] ** 2 + q[2] ** 2
            facing = (q[0] * n[0] + q[1] * n[1] + q[2] * n[2]) / math.sqrt(away2 + 1e-9)
            pool = max(0.35 + 0.65 * facing, 0.0) / (away2 + 0.8) * open_
            for k in range(3):
                still[row, column, k] = dusk[5 + k] * door + dusk[8 + k] * open_ + lamp[3 + k] * bulb
                thrown[row, column, k] = key[9 + k] * pool
    return still, thrown, shape


@compiled
def smoothed(light: Array, shape: Array, reach: int) -> Array:
    """Average light over neighbours on the same surface, which takes the grain of few rays away."""
    rows, columns = light.shape[:2]
    out = np.zeros_like(light)
    for row in range(rows):
        for column in range(columns):
            depth = shape[row, column, 0]
            total = 0.0
            for r in range(max(0, row - reach), min(rows, row + reach + 1)):
                for c in range(max(0, column - reach), min(columns, column + reach + 1)):
                    w = _alike(shape, r, c, depth, shape[row, column, 1], shape[row, column, 2], shape[row, column, 3])
                    total += w
                    for k in range(light.shape[2]):
                        out[row, column, k] += w * light[r, c, k]
            for k in range(light.shape[2]):
                out[row, column, k] /= total
    return out


@inlined
def _alike(shape: Array, row: int, column: int, depth: float, nx: float, ny: float, nz: float) -> float:
    apart = abs(shape[row, column, 0] - depth) / (0.03 * depth + 1e-6)
    same = shape[row, column, 1] * nx + shape[row, column, 2] * ny + shape[row, column, 3] * nz
    return float(1e-4 + max(0.0, 1 - apart) * max(0.0, same) ** 4)


@compiled
def full_light(
    height: int,
    width: int,
    step: int,
    eye: Array,
    solids: tuple[Array, ...],
    key: Array,
    soft: tuple[Array, Array, Array],
) -> tuple[Array, Array, Array]:
    """Draw the still room at full size, three rays a pixel.

    Returns (height, width, 3) light under the key alone, (height, width, 3) all other light, both scene-linear, and
    (height, width) depth along the pixel's ray in metres.
    """
    still, thrown, shape = soft
    rows, columns = still.shape[:2]
    lit, calm = np.zeros((height, width, 3), np.float32), np.zeros((height, width, 3), np.float32)
    depths = np.zeros((height, width), np.float32)
    o, d, p, n, q, colour = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3)
    hit, trial = np.zeros(6), np.zeros(6)
    # Rays are tried only against what their bundle may touch: the cone of the key, the cone of a tile of pixels.
    in_beam = np.zeros(len(solids[0]), np.int64)
    in_beam = in_beam[
        : _within(key[0:3] - 0.2 * key[3:6], key[3:6], math.acos(key[6]) + 0.1, solids[5], solids[7], in_beam)
    ]
    some = np.zeros(len(solids[0]), np.int64)
    everything = np.arange(len(solids[0]))
    for tile_row in range(0, height, _TILE):
        for tile_column in range(0, width, _TILE):
            _ray(tile_column + _TILE / 2, tile_row + _TILE / 2, eye, o, d)
            count = _within(o, d, 0.75 * _TILE / eye[12], solids[5], everything, some)
            for row in range(tile_row, min(tile_row + _TILE, height)):
                for column in range(tile_column, min(tile_column + _TILE, width)):
                    nearest = FAR
                    for sub in range(_SUBPIXELS):
                        dx, dy = (sub + 0.5) / 3, ((sub * 2 + 1) % 3 + 0.5) / 3
                        _ray(column + dx, row + dy, eye, o, d)
                        t, which = _nearest(o, d, solids, some, count, hit, trial)
                        nearest = min(nearest, t)
                        if which < 0:
                            continue
                        _colour(which, hit, solids, colour)
                        if solids[4][which, 0] == GLOWING:
                            for k in range(3):
                                calm[row, column, k] += colour[k] / _SUBPIXELS
                            continue
                        _world_normal(which, hit, d, solids, n)
                        for k in range(3):
                            p[k] = o[k] + d[k] * t + n[k] * 2e-3
                        # Soft light from the coarse grid, from neighbours on the same surface.
                        gx = min(max((column + dx) / step - 0.5, 0.0), columns - 1.0)
                        gy = min(max((row + dy) / step - 0.5, 0.0), rows - 1.0)
                        c0, r0 = int(gx), int(gy)
                        total = 0.0
                        s0 = s1 = s2 = b0 = b1 = b2 = 0.0
                        for corner in range(4):
                            c, r = min(c0 + (corner & 1), columns - 1), min(r0 + (corner >> 1), rows - 1)
                            w = (1e-3 + 1 - abs(gx - c0 - (corner & 1))) * (1e-3 + 1 - abs(gy - r0 - (corner >> 1)))
                            w *= _alike(shape, r, c, t, n[0], n[1], n[2])
                            total += w
                            s0, s1, s2 = s0 + w * still[r, c, 0], s1 + w * still[r, c, 1], s2 + w * still[r, c, 2]
                            b0, b1, b2 = b0 + w * thrown[r, c, 0], b1 + w * thrown[r, c, 1], b2 + w * thrown[r, c, 2]
                        calm[row, column, 0] += colour[0] * s0 / total / _SUBPIXELS
                        calm[row, column, 1] += colour[1] * s1 / total / _SUBPIXELS
                        calm[row, column, 2] += colour[2] * s2 / total / _SUBPIXELS
                        beam = _beam(p[0], p[1], p[2], key)
                        strength = 0.0
                        if beam > 0:
                            for k in range(3):
                                a = 2 * math.pi * (_chance(row * 3 + sub, column, 51 + k) + k) / 3
                                r_ = key[8] * math.sqrt((k + 0.5) / 3)
                                q[0] = key[0] + r_ * math.cos(a) - p[0]
                                q[1] = key[1] - p[1]
                                q[2] = key[2] + r_ * math.sin(a) - p[2]
                                away = math.sqrt(q[0] ** 2 + q[1] ** 2 + q[2] ** 2)
                                for j in range(3):
                                    q[j] /= away
                                facing = q[0] * n[0] + q[1] * n[1] + q[2] * n[2]
                                if facing > 0 and not _blocked(p, q, away - 0.02, solids, in_beam, trial):
                                    strength += facing / (away * away) / 3
                        lit[row, column, 0] += (colour[0] * (key[9] * beam * strength + b0 / total)) / _SUBPIXELS
                        lit[row, column, 1] += (colour[1] * (key[10] * beam * strength + b1 / total)) / _SUBPIXELS
                        lit[row, column, 2] += (colour[2] * (key[11] * beam * strength + b2 / total)) / _SUBPIXELS
                    depths[row, column] = nearest
    return lit, calm, depths
