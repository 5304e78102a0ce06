"""How one still picture of a room lies against another, to a small part of a pixel, although the light has moved.

Both pictures are first made alike: the mean of each neighbourhood is taken away and its contrast divided out, so that
what is left is the drawing of the room rather than its lighting. Phase correlation at a small size finds about where
they lie; Gauss-Newton steps from small to full size refine move, turn and scale, giving no weight to what does not fit
(shadow edges, the player).

How sure that is, the parts of the frame say. Each is asked alone whether it shows the same thing and lies where the
whole says; and the answer is found anew with each part left out (the jackknife), which gives the error to expect.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.render.robust import MAD_TO_SIGMA, TUKEY
from partsong.render.warp import displacements, matrix_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

LEAST_SIDE = 64
"""Of a picture in which anything can be told, in pixels."""

SURE_WITHIN_PX = 0.15
"""Certainty is the chance that the error (mean over corners and centre) is smaller than this."""

_NEIGHBOURHOOD = 1 / 50  # of the width: larger than a drawn line, smaller than a pool of light
_SMALLEST = 320  # the width, at most, at which the search begins
_PEAKS = 4  # of phase correlation, that are tried
_STEPS_SMALL, _STEPS_FULL = 12, 6
_SETTLED_PX = 0.02
_EDGE_PX = 3  # gradients at the frame's edge are not to be trusted
_ACROSS, _DOWN = 4, 3  # parts of the frame
_AGREES_PX = 0.35
_LIKE = 0.3  # the least correlation of a part that shows the same things; strangers have about 0
_LEAST_PARTS = 4
_SEEN = 1e-3  # the least mean squared gradient of a part with something to see
_SAME_ROOM = 0.35  # the least share of parts that agree
_FARTHEST = 0.1  # of the frame: a camera that is still on its tripod has not turned by more


@dataclass(frozen=True, slots=True)
class Found:
    """How a picture is laid on the reference, in pixels of the pictures given.

    ``error_px`` is the error to expect of it, ``agreeing`` the share of parts with something to see that show the same
    things in the same place, ``seen`` how many of those there were.
    """

    pose: Pose
    error_px: float
    agreeing: float
    seen: int

    @property
    def same_room(self) -> bool:
        """Whether the two pictures show the same things; without, the pose means nothing."""
        return self.agreeing >= _SAME_ROOM

    @property
    def certainty(self) -> float:
        """The chance, 0 to 1, that the pose is right within :data:`SURE_WITHIN_PX`.

        Errors in two directions with a mean square of e^2 leave a circle of radius r with chance exp(-(r/e)^2)
        (Rayleigh's distribution).
        """
        if not self.same_room:
            return 0.0
        return 1 - math.exp(-((SURE_WITHIN_PX / max(self.error_px, 1e-3)) ** 2))


def find_pose(
    reference: ArrayLike, moved: ArrayLike, still: ArrayLike | None = None, start: Pose | None = None
) -> Found:
    """Find the pose that lays ``moved`` on ``reference``.

    Parameters
    ----------
    reference, moved : array_like, shape (height, width)
        Encoded luma of the still room, for example the median of some frames; 64 pixels or more each way.
    still : array_like of bool, shape (height, width), optional
        False where something moves in either picture.
    start : Pose, optional
        About where it lies, when that is known; the search is then left out.

    Raises
    ------
    InvalidInput
        If the sizes differ or are too small to tell.

    References
    ----------
    Kuglin and Hines (1975) for phase correlation, Padfield (2012) for that of masked pictures; Baker and Matthews
    (2004) for Gauss-Newton on pictures; Malis (2004) for taking the mean of both pictures' gradients, which leaves
    noise no direction to pull in; the weights are Tukey's biweight; Efron and Stein (1981) for the jackknife.
    """
    fixed, loose = np.asarray(reference, np.float32), np.asarray(moved, np.float32)
    if fixed.shape != loose.shape or min(fixed.shape) < LEAST_SIDE:
        raise InvalidInput(
            f"Pictures of {fixed.shape[1]} x {fixed.shape[0]} and {loose.shape[1]} x {loose.shape[0]} pixels cannot be "
            f"laid on each other. Give pictures of one size, {LEAST_SIDE} pixels or more each way."
        )
    weight = np.ones(fixed.shape, np.float32) if still is None else np.asarray(still).astype(np.float32)
    levels = list(_pyramid(fixed, loose, weight, stop=_SMALLEST if start is None else 2 * _SMALLEST))
    pose = start and resized_pose(start, levels[-1].width / fixed.shape[1])
    for number, level in reversed(list(enumerate(levels))):
        if pose is None:
            pose = _best_start(level)
        if pose is not None:
            pose = _refined(level, pose, _STEPS_SMALL if number else _STEPS_FULL)
        if pose is None:
            return _judged(levels[0], Pose())
        if number:
            pose = resized_pose(pose, levels[number - 1].width / level.width)
    assert pose is not None
    return _judged(levels[0], pose)


def drawing(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture with the mean of each neighbourhood taken away and its contrast divided out."""
    import cv2

    size = 2 * max(2, round(picture.shape[1] * _NEIGHBOURHOOD / 2)) + 1

    def mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.blur(values, (size, size), borderType=cv2.BORDER_REFLECT), np.float32)

    # A little smoothing keeps noise from being blown up to a drawing of its own.
    smooth = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0), np.float32)
    detail = smooth - mean(smooth)
    energy = mean(detail * detail)
    floor = max(float(np.median(energy)), 1e-6 * float(energy.max()), 1e-12)
    result: NDArray[np.float32] = detail / np.sqrt(energy + floor)
    return result


# --- poses ----------------------------------------------------------------------------------------


def resized_pose(pose: Pose, factor: float) -> Pose:
    """Return the same pose of a picture ``factor`` times as large."""
    return pose.replace(dx_px=pose.dx_px * factor, dy_px=pose.dy_px * factor)


def composed(first: Pose, then: Pose) -> Pose:
    """Return the pose that does one and then the other.

    Examples
    --------
    >>> composed(Pose(dx_px=2.0, scale=2.0), Pose(dy_px=1.0, rotation_deg=90.0))
    Pose(dx_px=0.0, dy_px=3.0, rotation_deg=90.0, scale=2.0)
    """
    turned = _complex(then) * (first.dx_px + 1j * first.dy_px) + then.dx_px + 1j * then.dy_px
    return Pose(
        dx_px=round(turned.real, 9) + 0.0,
        dy_px=round(turned.imag, 9) + 0.0,
        rotation_deg=first.rotation_deg + then.rotation_deg,
        scale=first.scale * then.scale,
    )


def inverted(pose: Pose) -> Pose:
    """Return the pose that undoes a pose.

    Examples
    --------
    >>> inverted(Pose(dx_px=2.0, dy_px=-1.0))
    Pose(dx_px=-2.0, dy_px=1.0, rotation_deg=0.0, scale=1.0)
    """
    back = -(pose.dx_px + 1j * pose.dy_px) / _complex(pose)
    return Pose(dx_px=back.real, dy_px=back.imag, rotation_deg=-pose.rotation_deg + 0.0, scale=1 / pose.scale)


def distance_px(one: Pose, other: Pose, width: int, height: int) -> float:
    """Return how far two poses lie apart: the mean over the frame's corners and its centre."""
    apart = displacements(one, width, height) - displacements(other, width, height)
    return float(np.hypot(*apart.T).mean())


def laid(picture: NDArray[np.float32], pose: Pose) -> NDArray[np.float32]:
    """Return a picture as its pose lays it on the reference, the edge repeated; quick, to look at and to measure."""
    import cv2

    height, width = picture.shape
    return np.asarray(
        cv2.warpAffine(
            picture, matrix_of(pose, width, height), (width, height),
            flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )  # fmt: skip


def _complex(pose: Pose) -> complex:
    turn = math.radians(pose.rotation_deg)
    return pose.scale * complex(math.cos(turn), math.sin(turn))


# --- the search -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Level:
    """The two drawings at one size, with the weight of each pixel, and how moves change the first one."""

    fixed: NDArray[np.float32]
    loose: NDArray[np.float32]
    weight: NDArray[np.float32]
    ways: NDArray[np.float32]

    @property
    def width(self) -> int:
        return int(self.fixed.shape[1])

    @property
    def height(self) -> int:
        return int(self.fixed.shape[0])


@dataclass(frozen=True, slots=True)
class _Fit:
    """What a pose leaves over: per pixel (height, width), and what four moves would change in either, (4, h, w)."""

    laid: NDArray[np.float32]
    error: NDArray[np.float32]
    held: NDArray[np.float32]
    fixed_ways: NDArray[np.float32]
    laid_ways: NDArray[np.float32]


def _pyramid(
    fixed: NDArray[np.float32], loose: NDArray[np.float32], weight: NDArray[np.float32], stop: int
) -> Iterator[_Level]:
    import cv2

    while True:
        one = drawing(fixed)
        yield _Level(one, drawing(loose), (weight > 0.99).astype(np.float32), _ways(one))
        height, width = fixed.shape
        if width <= stop or min(width, height) < 2 * LEAST_SIDE:
            return
        half = (width // 2, height // 2)
        fixed, loose, weight = (
            np.asarray(cv2.resize(picture, half, interpolation=cv2.INTER_AREA), np.float32)
            for picture in (fixed, loose, weight)
        )


def _best_start(level: _Level) -> Pose | None:
    """Try the highest peaks of correlation, and no move at all; return the one with the greatest likeness."""
    best, likeness = None, -math.inf
    surface = _phase_surface(level) if level.weight.all() else _masked_surface(level)
    for dx, dy in {(0, 0), *_peaks(surface)}:
        pose = _refined(level, Pose(dx_px=float(dx), dy_px=float(dy)), _STEPS_SMALL)
        if pose is None:
            continue
        fit = _fit(level, pose)
        alike = _likeness(level.fixed, fit.laid, fit.held)
        if alike > likeness:
            best, likeness = pose, alike
    return best


def _phase_surface(level: _Level) -> NDArray[np.float64]:
    """Return how well each whole move fits, no move in the middle: (h, w), by phase correlation."""
    window = np.outer(np.hanning(level.height), np.hanning(level.width))
    cross = np.fft.rfft2(level.fixed * window) * np.conj(np.fft.rfft2(level.loose * window))
    whitened = cross / np.maximum(np.abs(cross), 1e-12)
    return np.asarray(np.fft.fftshift(np.fft.irfft2(whitened, level.fixed.shape)), np.float64)


def _masked_surface(level: _Level) -> NDArray[np.float64]:
    """Return the same as the correlation of what both masks show at each move.

    The masks' own edges are in both pictures at one place, so any product of masked pictures peaks at no move. Here
    means and energies are taken of the overlap alone (Padfield 2012). A move that leaves little overlap scores nothing.
    """
    size = tuple(2 * side for side in level.fixed.shape)
    mask = np.fft.rfft2(level.weight, size)

    def transformed(picture: NDArray[np.float32]) -> NDArray[np.complex128]:
        return np.asarray(np.fft.rfft2(picture * level.weight, size), np.complex128)

    def summed(one: NDArray[np.complex128], other: NDArray[np.complex128]) -> NDArray[np.float64]:
        return np.asarray(np.fft.irfft2(one * np.conj(other), size), np.float64)

    fixed, loose = transformed(level.fixed), transformed(level.loose)
    count = summed(mask, mask)
    seen = count > level.weight.sum() / 4
    share = np.where(seen, count, 1.0)
    of_fixed, of_loose = summed(fixed, mask), summed(mask, loose)
    energy = (summed(transformed(level.fixed**2), mask) - of_fixed**2 / share) * (
        summed(mask, transformed(level.loose**2)) - of_loose**2 / share
    )
    alike = (summed(fixed, loose) - of_fixed * of_loose / share) / np.sqrt(np.maximum(energy, 1e-12))
    middle = np.fft.fftshift(np.where(seen, alike, 0.0))
    top, left = (side - side // 2 for side in level.fixed.shape)
    return middle[top : top + level.height, left : left + level.width]


def _peaks(surface: NDArray[np.float64]) -> list[tuple[int, int]]:
    height, width = surface.shape
    reach_y, reach_x = max(2, round(height * _FARTHEST)), max(2, round(width * _FARTHEST))
    middle_y, middle_x = height // 2, width // 2
    near = surface[middle_y - reach_y : middle_y + reach_y + 1, middle_x - reach_x : middle_x + reach_x + 1].copy()
    found = []
    for _ in range(_PEAKS):
        row, column = (int(place) for place in np.unravel_index(int(np.argmax(near)), near.shape))
        found.append((column - reach_x, row - reach_y))
        near[max(0, row - 1) : row + 2, max(0, column - 1) : column + 2] = -np.inf
    return found


def _refined(level: _Level, pose: Pose, steps: int) -> Pose | None:
    """Return the pose after some Gauss-Newton steps; None where there is nothing to see, or it has run away."""
    for _ in range(steps):
        pose = _on_the_grid(pose)
        fit = _fit(level, pose)
        step = _step(*_sums(fit, (slice(None), slice(None))), level)
        if step is None:
            return None
        pose = composed(pose, step)
        moved = displacements(pose, level.width, level.height)
        if np.abs(moved).max() > 2 * _FARTHEST * level.width:
            return None
        if distance_px(step, Pose(), level.width, level.height) < _SETTLED_PX:
            break  # within the grid's half step, what is left is as good as linear
    return pose


def _on_the_grid(pose: Pose) -> Pose:
    """Return a pose whose move is one that OpenCV makes exactly: it rounds places to 1/32 pixel."""
    return pose.replace(dx_px=round(pose.dx_px * 32) / 32, dy_px=round(pose.dy_px * 32) / 32)


def _fit(level: _Level, pose: Pose) -> _Fit:
    import cv2

    height, width = level.height, level.width
    matrix = matrix_of(pose, width, height)
    # OpenCV's cubic kernel lays a picture up to 0.047 pixel wrong: its weights do not have their middle at the place.
    laid_on = np.asarray(cv2.warpAffine(level.loose, matrix, (width, height), flags=cv2.INTER_LANCZOS4), np.float32)
    covered = cv2.warpAffine(level.weight, matrix, (width, height), flags=cv2.INTER_LINEAR)
    use = (covered > 0.99) * level.weight
    edge = _EDGE_PX
    use[:edge], use[-edge:], use[:, :edge], use[:, -edge:] = 0, 0, 0, 0
    error = level.fixed - laid_on
    chosen = np.abs(error[use > 0])
    spread = MAD_TO_SIGMA * float(np.median(chosen[::7])) if chosen.size else 0.0
    held = np.clip(1 - (error / (TUKEY * max(spread, 1e-6))) ** 2, 0, 1) ** 2 * use
    return _Fit(laid_on, error, held.astype(np.float32), level.ways, _ways(laid_on))


def _ways(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how a picture changes as it moves left, moves up, shrinks and turns back: (4, height, width).

    The last two by as much as moves the middle of the frame's sides by one pixel.
    """
    import cv2

    across, down = (
        np.asarray(cv2.Sobel(picture, cv2.CV_32F, *way, ksize=3, scale=1 / 8), np.float32) for way in ((1, 0), (0, 1))
    )
    height, width = picture.shape
    x = ((np.arange(width, dtype=np.float32) - (width - 1) / 2) / (width / 2))[None, :]
    y = ((np.arange(height, dtype=np.float32) - (height - 1) / 2) / (width / 2))[:, None]
    return np.stack([across, down, across * x + down * y, down * x - across * y])


def _sums(fit: _Fit, part: tuple[slice, slice]) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return the normal equations (4, 4) and (4,) of a part of the frame, and the weight in it."""
    here = (slice(None), *part)
    fixed_ways, laid_ways = (ways[here].reshape(4, -1) for ways in (fit.fixed_ways, fit.laid_ways))
    held = fit.held[part].ravel()
    weighed = fixed_ways * held
    # Noise is not the same in the two pictures, so the product of their gradients is free of it, while either one's
    # square would make steps too short. The mean of both leaves noise no direction to pull in.
    normal = (weighed @ laid_ways.T).astype(np.float64)
    target = (weighed + laid_ways * held) @ fit.error[part].ravel() / 2
    return (normal + normal.T) / 2, target.astype(np.float64), float(held.sum())


def _step(normal: NDArray[np.float64], target: NDArray[np.float64], weight: float, level: _Level) -> Pose | None:
    if weight <= 0 or float(np.linalg.eigvalsh(normal)[0]) < 1e-6 * weight:
        return None
    # Moving right brings what was on the left, hence the sign.
    dx, dy, grow, turn = -np.linalg.solve(normal, target)
    factor = 1 + complex(grow, turn) / (level.width / 2)
    return Pose(dx_px=dx, dy_px=dy, rotation_deg=math.degrees(np.angle(factor)), scale=abs(factor))


def _judged(level: _Level, pose: Pose) -> Found:
    fit = _fit(level, _on_the_grid(pose))
    normals, targets, weights = [], [], []
    seen = agreeing = 0
    for part in _parts(level.width, level.height):
        normal, target, weight = _sums(fit, part)
        normals.append(normal)
        targets.append(target)
        weights.append(weight)
        if not _something_in(level, part):
            continue
        seen += 1
        if float(np.linalg.eigvalsh(normal[:2, :2])[0]) < _SEEN * weight or weight == 0:
            continue
        shift = np.linalg.solve(normal[:2, :2], target[:2])
        use = fit.held[part] > 0
        alike = _likeness(level.fixed[part], fit.laid[part], use)
        agreeing += bool(np.hypot(*shift) <= _AGREES_PX and alike >= _LIKE)
    error_px = _jackknife(np.array(normals), np.array(targets), weights, level)
    return Found(pose, error_px, agreeing / max(seen, _LEAST_PARTS), seen)


def _something_in(level: _Level, part: tuple[slice, slice]) -> bool:
    """Say whether a part of the reference has edges in two directions, where it may be looked at."""
    ways = level.ways[(slice(0, 2), *part)].reshape(2, -1)
    weight = level.weight[part].ravel()
    edges = (ways * weight) @ ways.T
    return bool(weight.sum() > weight.size / 4 and np.linalg.eigvalsh(edges)[0] >= _SEEN * weight.sum())


def _parts(width: int, height: int) -> Iterator[tuple[slice, slice]]:
    rows, columns = (np.linspace(0, size, count + 1).astype(int) for size, count in ((height, _DOWN), (width, _ACROSS)))
    for top, bottom in pairwise(rows):
        for left, right in pairwise(columns):
            yield slice(top, bottom), slice(left, right)


def _jackknife(normals: NDArray[Any], targets: NDArray[Any], weights: list[float], level: _Level) -> float:
    """Return the error to expect, from the answers with each part left out in turn."""
    without = []
    for normal, target, weight in zip(normals, targets, weights, strict=True):
        step = _step(normals.sum(axis=0) - normal, targets.sum(axis=0) - target, sum(weights) - weight, level)
        if step is None:
            return math.inf
        without.append(displacements(step, level.width, level.height))
    moved = np.array(without)
    count = len(moved)
    variance = (count - 1) / count * ((moved - moved.mean(axis=0)) ** 2).sum(axis=(0, 2))
    return float(np.sqrt(variance).mean())


def _likeness(one: NDArray[np.float32], other: NDArray[np.float32], weight: NDArray[Any]) -> float:
    """Return the correlation of two drawings, -1 to 1."""
    lengths = float(np.sum(weight * one * one)) * float(np.sum(weight * other * other))
    return float(np.sum(weight * one * other) / np.sqrt(max(lengths, 1e-12)))
