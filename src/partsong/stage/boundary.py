"""Where layers meet, and how far apart their pictures are there.

Everything here works on small pictures of the whole stage, layers first, bottom up: their scene-linear light, their
alphas. The *step* of a layer at a pixel is how far its picture lies from what would show without it, in display code,
as far as the layers above let that be seen. A seam shows where an edge runs over a large step.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.records import Oval, Shape
from partsong.render import pixels, shapes
from partsong.stage.visibility import plain_display

if TYPE_CHECKING:
    from numpy.typing import NDArray

_ACROSS = ((-0.25, 0.25), (0.0, 0.5), (0.25, 0.25))
"""Where across a soft edge it is looked at, in feathers from its middle, and what each place weighs.

A smoothstep changes fastest in its middle and half as fast, on average, in its outer quarters.
"""

_POINTS = 160


def alphas_of(
    masks: Sequence[Shape | None], feathers_px: Sequence[float], size: tuple[int, int]
) -> NDArray[np.float64]:
    """Return the alphas (layer, height, width) of shapes in the pixels of a picture of this (height, width)."""
    height, width = size
    rows = range(height)
    return np.stack(
        [
            np.ones((height, width)) if shape is None else shapes.alpha_rows(shape, feather, rows, width)
            for shape, feather in zip(masks, feathers_px, strict=True)
        ]
    )


def steps_of(lights: Sequence[NDArray[np.float32]], alphas: NDArray[np.float64], layer: int) -> NDArray[np.float32]:
    """Return a layer's step at each pixel, in display code: 0 to 1.

    Parameters
    ----------
    lights : sequence of arrays, shape (height, width)
        Scene-linear light of each layer's still room.
    alphas : (layer, height, width)
        From :func:`alphas_of`; the layer's own counts for nothing.
    layer : int
        1 or more: the lowest fills the frame and has no edge.
    """
    beneath = pixels.layer_weights(alphas[:layer])
    under = np.sum(beneath * np.asarray(lights[:layer]), axis=0)
    seen = np.prod(1 - alphas[layer + 1 :], axis=0)
    step: NDArray[np.float64] = np.abs(plain_display(lights[layer]) - plain_display(under)) * seen
    return step.astype(np.float32)


def softened(picture: NDArray[np.float32], feather_px: float) -> NDArray[np.float32]:
    """Return a picture without the detail that a soft edge of this width spreads out anyway."""
    import cv2

    return np.asarray(cv2.GaussianBlur(picture, (0, 0), max(0.5, feather_px / 4)), np.float32)


def edge_points(shape: Shape, count: int = _POINTS) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return points (count, 2) of x and y, evenly spaced along a shape's edge, and unit vectors pointing outwards."""
    if isinstance(shape, Oval):
        around = np.linspace(0, 2 * np.pi, 721)
        u, v, turn = shape.rx * np.cos(around), shape.ry * np.sin(around), np.deg2rad(shape.rotation_deg)
        ring = np.stack([shape.x + u * np.cos(turn) - v * np.sin(turn), shape.y + u * np.sin(turn) + v * np.cos(turn)])
    else:
        outline = pixels.curve_outline(shape)
        ring = np.concatenate([outline, outline[:1]]).T
    sides = np.diff(ring, axis=1)
    lengths = np.hypot(*sides)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    at = (np.arange(count) + 0.5) / count * along[-1]
    points = np.stack([np.interp(at, along, ring[axis]) for axis in (0, 1)], axis=-1)
    side = np.clip(np.searchsorted(along, at, "right") - 1, 0, len(lengths) - 1)
    turned = float(np.sum(ring[0, :-1] * ring[1, 1:] - ring[0, 1:] * ring[1, :-1]))
    outwards = np.sign(turned) * np.stack([sides[1, side], -sides[0, side]], axis=-1)
    return points, outwards / np.maximum(lengths[side], 1e-9)[:, None]


def read_at(picture: NDArray[np.float32], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Read a picture between its pixels at points (..., 2) of x and y; NaN outside the frame."""
    height, width = picture.shape
    x, y = points[..., 0], points[..., 1]
    outside = (x < 0) | (y < 0) | (x > width - 1) | (y > height - 1)
    left = np.clip(np.floor(x).astype(int), 0, max(width - 2, 0))
    top = np.clip(np.floor(y).astype(int), 0, max(height - 2, 0))
    right, below = np.clip(x - left, 0, 1), np.clip(y - top, 0, 1)
    value: NDArray[np.float64] = (
        (1 - below) * ((1 - right) * picture[top, left] + right * picture[top, left + 1])
        + below * ((1 - right) * picture[top + 1, left] + right * picture[top + 1, left + 1])
    )  # fmt: skip
    return np.where(outside, np.nan, value)


def edge_step(step: NDArray[np.float32], shape: Shape, feather_px: float, count: int = _POINTS) -> float:
    """Return the mean step along a shape's soft edge, over what of it lies in the frame; 0 when none does.

    The step metric of the benchmarks. ``step`` is from :func:`steps_of`, softened or not.
    """
    points, outwards = edge_points(shape, count)
    total = np.zeros(len(points))
    for across, weight in _ACROSS:
        total += weight * read_at(step, points + across * feather_px * outwards)
    inside = np.isfinite(total)
    # What has left the frame costs nothing: nobody sees an edge there.
    return float(total[inside].sum() / len(points))


def scaled(shape: Shape, scale: float) -> Shape:
    """Return a shape in the pixels of a picture ``scale`` times as large; centres of pixels lie on whole numbers."""

    def moved(value: float) -> float:
        return round((value + 0.5) * scale - 0.5, 1)

    if isinstance(shape, Oval):
        return shape.replace(
            x=moved(shape.x), y=moved(shape.y),
            rx=max(1.0, round(shape.rx * scale, 1)), ry=max(1.0, round(shape.ry * scale, 1)),
        )  # fmt: skip
    return shape.replace(points=tuple(point.replace(x=moved(point.x), y=moved(point.y)) for point in shape.points))
