"""A picture moved by less than a pixel, turned or made larger, from its planes to planes.

The definition. A sample of the moved picture lies somewhere between samples of the given one: at the place that the
pose brings there. It is found in two passes with Lanczos' kernel of three lobes, six samples to a pass: first along
each row, at the place where the column to be drawn crosses that row; then along the columns. Beyond an edge the edge
is repeated. For a move without turning it makes no difference which pass comes first. Colour samples lie in the middle
of the luma that they cover, as everywhere here (:mod:`partsong.render.pixels`); for a camera that wrote them beside
the left one, the error is half a pixel times what turning and scale change: under 0.002 pixel for 0.2 degrees.

:func:`warped` is the definition, in double precision; :func:`fast_warped` lies within one code of it.
"""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.film.records import Pose
from partsong.media.planes import Planes
from partsong.render import pixels

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

LOBES = 3
"""Of the kernel: it weighs twice as many samples."""

COPIED_WITHIN_PX = 0.12
"""A picture that lies no further than this from a move by whole pixels is copied, not resampled.

At half a pixel the kernel costs as much of a sharp picture as laying it 0.07 to 0.17 pixel wrong does.
"""

PHASES = 2048
"""How finely the fast path divides a pixel: half a step is 1/4096 pixel, a tenth of a code at a hard edge."""

Affine = tuple[float, float, float, float, float, float]


def matrix_of(pose: Pose, width: int, height: int) -> NDArray[np.float64]:
    """Return the (2, 3) matrix that carries a take's pixel coordinates to the reference's.

    Examples
    --------
    >>> matrix_of(Pose(dx_px=2.0), 8, 6).tolist()
    [[1.0, -0.0, 2.0], [0.0, 1.0, 0.0]]
    """
    turn = math.radians(pose.rotation_deg)
    a, b = pose.scale * math.cos(turn), pose.scale * math.sin(turn)
    linear = np.array([[a, -b], [b, a]])
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    shift = centre + np.array([pose.dx_px, pose.dy_px]) - linear @ centre
    return np.hstack([linear, shift[:, None]])


def displacements(pose: Pose, width: int, height: int) -> NDArray[np.float64]:
    """Return how far the pose moves the frame's four corners and its centre: (5, 2), pixels right and down."""
    matrix = matrix_of(pose, width, height)
    right, bottom = width - 1.0, height - 1.0
    points = np.array([[0, 0], [right, 0], [0, bottom], [right, bottom], [right / 2, bottom / 2]])
    moved: NDArray[np.float64] = points @ matrix[:, :2].T + matrix[:, 2] - points
    return moved


def settled(pose: Pose, width: int, height: int) -> Pose:
    """Return the move by whole pixels that a pose is within :data:`COPIED_WITHIN_PX` of, else the pose itself.

    Examples
    --------
    >>> settled(Pose(dx_px=1.95, dy_px=-0.04), 64, 36)
    Pose(dx_px=2.0, dy_px=0.0, rotation_deg=0.0, scale=1.0)
    >>> settled(Pose(dx_px=1.6), 64, 36).dx_px
    1.6
    """
    whole = np.floor(np.array([pose.dx_px, pose.dy_px]) + 0.5) + 0.0
    if np.hypot(*(displacements(pose, width, height) - whole).T).max() > COPIED_WITHIN_PX:
        return pose
    return Pose(dx_px=float(whole[0]), dy_px=float(whole[1]))


def is_whole(pose: Pose) -> bool:
    """Say whether a pose is a move by whole pixels."""
    return pose == Pose(dx_px=math.floor(pose.dx_px), dy_px=math.floor(pose.dy_px))


def bare_border(pose: Pose, width: int, height: int) -> float:
    """Return the greatest width in pixels of the strip at an edge of the reference in which the take shows nothing."""
    corners = displacements(pose, width, height)[:4]
    left, right = corners[[0, 2], 0].max(), -corners[[1, 3], 0].min()
    top, bottom = corners[[0, 1], 1].max(), -corners[[2, 3], 1].min()
    return float(max(0.0, left, right, top, bottom))


def lanczos(distance: ArrayLike) -> NDArray[np.float64]:
    """Return Lanczos' kernel of three lobes.

    References
    ----------
    Duchon (1979), "Lanczos filtering in one and two dimensions".
    """
    x = np.asarray(distance, np.float64)
    return np.where(np.abs(x) < LOBES, np.sinc(x) * np.sinc(x / LOBES), 0.0)


def weights_at(fraction: ArrayLike) -> NDArray[np.float64]:
    """Return the weights (..., 6) of the samples from 2 before to 3 after a place ``fraction`` beyond a sample.

    They are divided by their sum, so that an even picture stays as it is.
    """
    taps = np.arange(1 - LOBES, LOBES + 1)
    weights = lanczos(np.asarray(fraction, np.float64)[..., None] - taps)
    normed: NDArray[np.float64] = weights / weights.sum(axis=-1, keepdims=True)
    return normed


def warped(planes: Planes, pose: Pose) -> Planes:
    """Return a frame as its pose lays it on the reference: the definition, slow and obvious."""
    luma, colour = _inverses(planes, pose)
    y = _warped_plane(planes.y, luma)
    u, v = (_warped_plane(plane, colour) for plane in (planes.u, planes.v))
    y, u, v = (pixels.rounded(plane, planes.bit_depth) for plane in (y, u, v))
    return Planes(y, u, v, planes.bit_depth, planes.matrix, planes.value_range)


def fast_warped(planes: Planes, pose: Pose, rows: range | None = None) -> Planes:
    """Return a frame as its pose lays it on the reference.

    Parameters
    ----------
    planes : Planes
        As recorded.
    pose : Pose
        For instance one frame's of :class:`partsong.render.plan.FramePlan`.
    rows : range, optional
        The rows that will be looked at; what the others hold is then left open.
    """
    from partsong.render import warping  # Numba takes over a second to load

    luma, colour = _inverses(planes, pose)
    rows = rows or range(planes.height)
    _, down = pixels.colour_steps(planes.chroma)
    colour_rows = range(rows.start // down, -(-rows.stop // down))
    top, table = (1 << planes.bit_depth) - 1, _phase_table()

    def moved(plane: NDArray[Any], inverse: Affine, wanted: range) -> NDArray[Any]:
        out = np.empty(plane.shape, plane.dtype)
        warping.warp_plane(plane, out, np.array(inverse), table, wanted.start, wanted.stop, top)
        return out

    y = moved(planes.y, luma, rows)
    u, v = (moved(plane, colour, colour_rows) for plane in (planes.u, planes.v))
    return Planes(y, u, v, planes.bit_depth, planes.matrix, planes.value_range)


@functools.cache
def _phase_table() -> NDArray[np.float32]:
    return weights_at(np.arange(PHASES + 1) / PHASES).astype(np.float32)


def _inverses(planes: Planes, pose: Pose) -> tuple[Affine, Affine]:
    """Return, for luma and for colour, how a sample's place (X, Y) is found: x = aX + bY + c, y = dX + eY + f."""
    matrix = np.vstack([matrix_of(pose, planes.width, planes.height), [0, 0, 1]])
    back = np.linalg.inv(matrix)
    across, down = pixels.colour_steps(planes.chroma)
    # From colour samples to the luma coordinates of their middles.
    middle = np.array([[across, 0, (across - 1) / 2], [0, down, (down - 1) / 2], [0, 0, 1]])
    luma, colour = back, np.linalg.inv(middle) @ back @ middle
    first, second = (tuple(float(value) for value in one[:2].ravel()) for one in (luma, colour))
    return first, second  # type: ignore[return-value]


def _warped_plane(plane: NDArray[Any], inverse: Affine) -> NDArray[np.float64]:
    a, b, c, d, e, f = inverse
    height, width = plane.shape
    samples = plane.astype(np.float64)
    columns, rows = np.arange(width)[None, :], np.arange(height)[:, None]
    # The column X crosses the given row y where y = dX + eY + f, and is there at x = aX + bY + c.
    crossing = (rows - d * columns - f) / e
    along = _sampled(samples, a * columns + b * crossing + c)
    return _sampled(along.T, (d * columns + e * rows + f).T).T


def _sampled(samples: NDArray[np.float64], places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return rows of samples at places along them."""
    before = np.floor(places).astype(int)
    weights = weights_at(places - before)
    out = np.zeros(places.shape)
    for tap in range(2 * LOBES):
        column = np.clip(before + tap + 1 - LOBES, 0, samples.shape[1] - 1)
        out += weights[..., tap] * np.take_along_axis(samples, column, axis=1)
    return out
