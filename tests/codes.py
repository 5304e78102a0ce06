"""Frames that the tests of pixels are made of."""

from __future__ import annotations

import numpy as np

from partsong.media.planes import Chroma, Matrix, Planes, ValueRange
from partsong.render import pixels


def random_planes(
    rng: np.random.Generator,
    width: int,
    height: int,
    chroma: Chroma,
    depth: int,
    matrix: Matrix = "bt709",
    value_range: ValueRange = "limited",
) -> Planes:
    """Return a frame of every code that the depth has."""
    across, down = pixels.colour_steps(chroma)
    kind = np.uint8 if depth == 8 else np.uint16
    small = (-(-height // down), -(-width // across))
    y, u, v = (rng.integers(0, 1 << depth, shape).astype(kind) for shape in ((height, width), small, small))
    return Planes(y, u, v, depth, matrix, value_range)
