"""Frames lost and frames shown twice, from packets, sound and pictures that follow each other. Pure."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from partsong.media.packets import Packets

_SMALL = 0.12
"""Of its neighbours' size: a repeated frame tells an encoder nothing new, so its packet is nearly empty."""
_OFTEN, _OFTEN_SMALL = 0.25, 0.5  # that share of the packets at one distance is below that share of the usual size
_NEIGHBOURS = 12
ENDS = 4
"""Frames at either end of a file, where its encoder finds its way or runs out of frames: nothing is told of them."""
STILL = 0.25
"""Of the change from frame to frame around it: grain alone changes more, so less is the same frame again."""
_AROUND = 6  # frames
_LEAST_CHANGE = 2e-4  # of the signal; where an encoder has smoothed all grain away, nothing can be told
_GAP = 1.5  # frames
_PACKET_S = 0.024  # of compressed sound: the finest step in which some cameras end it


@dataclass(frozen=True, slots=True)
class Gap:
    """Frames missing before a frame: how many, and where."""

    frame: int
    missing: int


def gaps(packets: Packets, rate_hz: float) -> tuple[Gap, ...]:
    """Return where the clip's own times leave frames out."""
    steps = np.diff(packets.times_s) * rate_hz
    return tuple(Gap(int(n) + 1, max(1, round(float(steps[n])) - 1)) for n in np.flatnonzero(steps > _GAP))


def suspects(packets: Packets) -> tuple[int, ...]:
    """Return frames whose packets are so small that they may show the frame before once more.

    In a clip of key frames alone, those as large as the one before to the byte: the same picture, encoded twice.
    Encoders of few bits leave the first frames after a key frame nearly empty anyway; where packets at one distance
    from a key frame are often that small, nothing is told by them.
    """
    from scipy.ndimage import median_filter

    sizes = packets.sizes.astype(np.float64)
    if packets.keys.all():
        return tuple(int(n) + 1 for n in np.flatnonzero(np.diff(sizes) == 0))
    between = np.flatnonzero(~packets.keys)
    usual = median_filter(sizes[between], 2 * _NEIGHBOURS + 1)
    small = between[sizes[between] < _SMALL * usual]
    inner, unsaid = range(ENDS, len(sizes) - ENDS), hidden(packets)
    return tuple(int(n) for n in small if n in inner and n not in unsaid)


def hidden(packets: Packets) -> set[int]:
    """Return the frames of which nothing is told: those at distances from a key frame whose packets are often small."""
    if packets.keys.all():
        return set()
    sizes = packets.sizes.astype(np.float64)
    numbers = np.arange(len(sizes))
    distance = numbers - np.maximum.accumulate(np.where(packets.keys, numbers, 0))
    usual = float(np.median(sizes[~packets.keys]))
    small = [d for d in np.unique(distance) if np.quantile(sizes[distance == d], _OFTEN) < _OFTEN_SMALL * usual]
    return {int(n) for n in numbers[np.isin(distance, small)]}


def repeats(first: int, changes: NDArray[np.floating], suspected: Collection[int]) -> tuple[int, ...]:
    """Return those of some suspected frames that show the frame before once more.

    ``changes`` (n, ...) are the changes of picture from frame ``first`` to the next and so on, in shares of the signal.
    """
    mean = changes.reshape(len(changes), -1).mean(axis=1, dtype=np.float64)

    def again(n: int) -> bool:
        usual = float(np.median(mean[max(0, n - _AROUND) : n + _AROUND + 1]))
        return usual > _LEAST_CHANGE and bool(mean[n] < STILL * usual)

    inside = range(first + 1, first + 1 + len(mean))
    return tuple(frame for frame in suspected if frame in inside and again(frame - inside.start))


def lost_against_sound(picture_s: float, sound_s: float, rate_hz: float) -> int:
    """Return how many frames a picture is shorter than the sound recorded with it, 0 when they agree.

    >>> [lost_against_sound(10.0, 10.0 + late, 25) for late in (0.02, 0.041, 0.2)]
    [0, 1, 5]
    """
    late_s = sound_s - picture_s
    return round(late_s * rate_hz) if late_s > max(0.75 / rate_hz, _PACKET_S) else 0
