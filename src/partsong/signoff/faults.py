"""Faults of the moving picture: it stands still, it is black, it shows a frame twice.

The thresholds are common practice without a published source; each is named and stands in the check's line.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.signoff.checks import Check, held
from partsong.timebase import Rate, clock

STILL_BELOW, MOVES_ABOVE = 0.25, 1.0
"""The greatest change of any place from frame to frame, in 8-bit codes: below the first the picture stands still
(camera noise averages out over a place), above the second something moves."""
STILL_TOO_LONG_S = 1.0
BLACK_SIGNAL, BLACK_SHARE = 0.05, 0.98
EDGE_S = 1.0
"""Black within this of the beginning or end is a fade, not a fault."""

_PLACES = (18, 32)
_SOURCE = "common practice, no source"
_TOLD = 4


@dataclass(frozen=True, slots=True)
class Faults:
    """Stretches of frames as (first, last), ends included; ``repeated`` single frames."""

    frames: int
    rate: Rate
    still: tuple[tuple[int, int], ...]
    black: tuple[tuple[int, int], ...]
    repeated: tuple[int, ...]


@dataclass
class FaultMeter:
    """Looks for faults in a stream of pictures. Feed every frame in order, then ask for the result."""

    rate: Rate
    _changes: list[float] = field(default_factory=list)
    _dark: list[bool] = field(default_factory=list)
    _before: NDArray[np.float64] | None = None

    def feed(self, luma_signal: NDArray[np.floating]) -> None:
        """Take the next frame's luma, shape (height, width), as signal: 0 black, 1 white. A small picture will do."""
        if luma_signal.ndim != 2 or luma_signal.shape[0] < 2 or luma_signal.shape[1] < 2:
            raise InvalidInput(f"A picture of shape {luma_signal.shape} is too small to look for faults.")
        places = _place_means(luma_signal)
        # The first frame follows nothing: it counts as movement, never as a repetition.
        self._changes.append(np.inf if self._before is None else float(np.abs(places - self._before).max() * 219))
        self._dark.append(bool((luma_signal < BLACK_SIGNAL).mean() >= BLACK_SHARE))
        self._before = places

    def result(self) -> Faults:
        """Return the faults so far."""
        changes, dark = np.array(self._changes), np.array(self._dark, bool)
        shortest = round(STILL_TOO_LONG_S * float(self.rate.exact))
        still = []
        for first, last in _runs((changes < STILL_BELOW) & ~dark):
            # The frame before the first repetition is the one that stands.
            if last - first + 2 >= shortest:
                still.append((first - 1, last))
        edge = EDGE_S * float(self.rate.exact)
        black = [(a, b) for a, b in _runs(dark) if a > 0 and b < len(dark) - 1 and a >= edge and b < len(dark) - edge]
        moves = np.concatenate([changes > MOVES_ABOVE, [False]])
        repeated = [
            frame
            for frame in range(2, len(changes))
            if changes[frame] < STILL_BELOW and moves[frame - 1] and moves[frame + 1]
        ]
        return Faults(len(changes), self.rate, tuple(still), tuple(black), tuple(repeated))


def judge(found: Faults) -> tuple[Check, ...]:
    """Turn faults into lines; each that was found needs a look."""
    still, black, repeated = found.still, found.black, found.repeated

    def places(runs: tuple[tuple[int, int], ...]) -> str:
        told = [f"{clock(a * found.rate.frame_s)} to {clock((b + 1) * found.rate.frame_s)}" for a, b in runs[:_TOLD]]
        return ", ".join(told) + (f" and {len(runs) - _TOLD} more" if len(runs) > _TOLD else "")

    once = tuple((frame, frame) for frame in repeated)
    return (
        Check(
            "Picture",
            f"Nothing moves from {places(still)}. See whether the picture froze."
            if still
            else "The picture never stands still.",
            _count(len(still), "standstill"),
            f"none of {STILL_TOO_LONG_S:g} s or longer (no place changes by {STILL_BELOW:g} of 255)",
            _SOURCE,
            held(not still),
        ),
        Check(
            "Picture",
            f"The picture is black from {places(black)}. See whether that is meant."
            if black
            else "No black frames lie within the film.",
            _count(sum(b - a + 1 for a, b in black), "black frame"),
            f"none after the first and before the last {EDGE_S:g} s "
            f"({BLACK_SHARE:.0%} of the picture under {BLACK_SIGNAL:.0%} of the signal)",
            _SOURCE,
            held(not black),
        ),
        Check(
            "Picture",
            f"Movement stops for a single frame at {places(once)}: a frame is shown twice."
            if repeated
            else "No frame is shown twice within a movement.",
            _count(len(repeated), "repeated frame"),
            f"none (change under {STILL_BELOW:g} of 255 between changes over {MOVES_ABOVE:g})",
            _SOURCE,
            held(not repeated),
        ),
    )


def _place_means(picture: NDArray[np.floating]) -> NDArray[np.float64]:
    rows, columns = (min(places, size) for places, size in zip(_PLACES, picture.shape, strict=True))
    starts = [np.arange(places) * size // places for places, size in zip((rows, columns), picture.shape, strict=True)]
    sums = np.add.reduceat(np.add.reduceat(picture.astype(np.float64), starts[0], axis=0), starts[1], axis=1)
    high, wide = (np.diff([*start, size]) for start, size in zip(starts, picture.shape, strict=True))
    return np.asarray(sums / (high[:, None] * wide))


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, last) of each run of true flags."""
    edges = np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8))
    return [(int(a), int(b) - 1) for a, b in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True)]


def _count(number: int, thing: str) -> str:
    return f"{number or 'no'} {thing}{'' if number == 1 else 's'}"
