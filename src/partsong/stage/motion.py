"""What stays and what moves in a take, from frames spread over it at a reduced size."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

SAMPLES = 40
"""How many frames of a take are looked at."""

WIDTH = 960
"""The greatest width at which they are."""

_GRAIN_PX = 5
_ABOVE_NOISE = 3.0


@dataclass(frozen=True, slots=True)
class Seen:
    """A take's still room and its motion, (height, width) each, at the reduced size.

    ``still`` is the median of encoded luma, 0 to 1; ``motion`` how far luma strays from it on average,
    beyond what noise does, in the same unit.
    """

    still: NDArray[np.float32]
    motion: NDArray[np.float32]


def sample_frames(frames: range, count: int = SAMPLES) -> list[int]:
    """Choose frames evenly from the middle of each part of a range.

    >>> sample_frames(range(100, 200), 4)
    [112, 137, 162, 187]
    """
    count = min(count, len(frames))
    return [frames[(2 * number + 1) * len(frames) // (2 * count)] for number in range(count)]


def reduced_size(width: int, height: int, widest: int = WIDTH) -> tuple[int, int]:
    """Return the size at which a frame of this size is looked at: not wider than ``widest``, sides even."""
    if width <= widest:
        return width, height
    return widest, 2 * round(height * widest / width / 2)


def look_at(pictures: Iterable[NDArray[Any]]) -> Seen:
    """Tell what stays from what moves.

    Parameters
    ----------
    pictures : iterable of array, shape (height, width)
        Encoded luma of frames of one take, 0 to 1, all laid as one of them: else every edge would seem to move where
        somebody nudged the camera.

    Raises
    ------
    InvalidInput
        If there are fewer than three.
    """
    import cv2

    frames = np.stack([np.asarray(picture, np.float32) for picture in pictures])
    if len(frames) < 3:
        raise InvalidInput("The take is on the song for fewer than three frames, too short to see what moves in it.")
    still = np.median(frames, axis=0)
    # Averaging over a few pixels quietens grain but not a moving arm.
    strays = np.zeros_like(still)
    for frame in frames:
        strays += np.abs(cv2.blur(frame - still, (_GRAIN_PX, _GRAIN_PX)))
    strays /= len(frames)
    # Grain differs with brightness, so it is judged among pixels that are as bright; most of a room stays.
    motion = np.maximum(strays - _ABOVE_NOISE * _noise_at(still, strays), 0)
    return Seen(still.astype(np.float32), motion.astype(np.float32))


def _noise_at(still: NDArray[np.float32], strays: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the usual straying at each pixel's brightness: the lower quartile of sixteen groups."""
    edges = np.quantile(still, np.linspace(0, 1, 17)[1:-1])
    group = np.digitize(still, edges)
    usual = np.array([np.percentile(strays[group == one], 25) if (group == one).any() else 0.0 for one in range(16)])
    return usual.astype(np.float32)[group]
