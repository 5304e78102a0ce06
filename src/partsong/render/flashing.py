"""Flashing that can harm photosensitive viewers: general flashes and flashes of saturated red.

**What is counted.** A transition is a change between two successive extremes of a place on the screen: of relative
luminance by 0.10 or more whose darker end lies under 0.80 (general), or one into or out of a saturated red (red, by
the present definition of WCAG 2.2 and by the earlier one, each by itself). Two opposing transitions are a flash. More
than three flashes in any second fail, read as seven transitions or more within one half-open second, when they cover
more than a quarter of any block that stands for 10 degrees of the visual field.

**What the texts leave open,** and how it is read here, always on the safe side:

* The block is the 341 x 256 of a 1024 x 768 screen, scaled so that it is the smaller one of by width and by height.
* A block fails when a quarter of its cells flash too often each, and also when its cells take turns: each
  time more than a quarter of it changes the same way at once counts as one transition of the block.
* Black has no colour; it gets that of white, so red on and off against black counts.
* On a display with a white of 200 cd/m2 the 20 and 160 cd/m2 of ITU-R BT.1702-3 are 0.10 and 0.80 of white: one
  count serves both.

Balanced fine patterns (squares under 0.1 degree) average out within a cell, as the standard allows.

References
----------
W3C WCAG 2.2, success criterion 2.3.1 and its definition of the general and red flash thresholds; ITU-R BT.1702-3; IEC
61966-2-1 for the transfer function; CIE 15:2018 for u', v'.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.timebase import Rate

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Kind = Literal["general", "red", "red by the earlier definition"]

FLASHES_ALLOWED = 3
LUMINANCE_STEP, DARKER_BELOW = 0.10, 0.80
RED_SHARE, RED_DISTANCE = 0.8, 0.2
EARLIER_RED_SCALE, EARLIER_RED_STEP = 320.0, 20.0
BLOCK_SHARE = 0.25
_BLOCK = (341, 256)
_SCREEN = (1024, 768)
_BLOCK_ROWS = 24
# 0.89 - 0.79 is 0.09999999999999998 in floating point.
_GUARD = 1e-9
_TRANSITIONS_TO_FAIL = 2 * FLASHES_ALLOWED + 1
# Linear light of one 8-bit code: what is darker is black, and its chromaticity would be rounding.
_BLACK = 1 / 255 / 12.92
_WHITE_UV = (0.19783, 0.46832)
_RED_UV = (0.4507042, 0.5228873)


@dataclass(frozen=True, slots=True)
class Worst:
    """The second with the most flashing of one kind.

    ``transitions`` is the most that any block of the screen saw within a second, ``first`` and ``last`` the frames of
    that second (the first such), and ``failing`` the stretches of frames, ends included, with too much flashing.
    """

    kind: Kind
    transitions: int
    first: int
    last: int
    failing: tuple[tuple[int, int], ...]
    rate: Rate

    @property
    def flashes(self) -> float:
        """Flashes in that second; a half is a transition without its return."""
        return self.transitions / 2

    @property
    def fails(self) -> bool:
        """Whether there are more than three flashes in a second."""
        return bool(self.failing)


class FlashMeter:
    """Counts flashes in a stream of pictures. Feed every frame in order, then ask for the worst of each kind.

    Parameters
    ----------
    width, height : int
        The size of the picture on the screen, in pixels.
    rate : Rate
        Frames a second.
    first : int
        What the first frame is called.
    """

    def __init__(self, width: int, height: int, rate: Rate, *, first: int = 0) -> None:
        self.rate = rate
        scale = min(width / _SCREEN[0], height / _SCREEN[1])
        cell_px = max(1.0, _BLOCK[1] * scale / _BLOCK_ROWS)
        self.rows = max(1, round(height / cell_px))
        self.columns = max(1, round(width / cell_px))
        block = (
            min(self.rows, max(1, round(_BLOCK[1] * scale / cell_px))),
            min(self.columns, max(1, round(_BLOCK[0] * scale / cell_px))),
        )
        window = math.ceil(rate.exact)
        size = (self.rows, self.columns)
        self._kinds: dict[Kind, _Counter] = {
            "general": _Counter(size, block, window, 1, _general),
            "red": _Counter(size, block, window, 4, _red),
            "red by the earlier definition": _Counter(size, block, window, 2, _earlier_red),
        }
        self._frame = first

    def feed(self, encoded_rgb: NDArray[np.floating]) -> None:
        """Take the next frame: display-encoded R'G'B' (0 to 1), shape (height, width, 3), of any size.

        A size a few times that of the meter's ``rows`` and ``columns`` is enough; each cell sees the mean of its light.
        """
        if encoded_rgb.ndim != 3 or encoded_rgb.shape[2] != 3 or not encoded_rgb.size:
            raise InvalidInput(f"A picture of shape {encoded_rgb.shape} is not (height, width, 3). Give R'G'B' pixels.")
        light = cell_means(linear_from_srgb(encoded_rgb), self.rows, self.columns)
        red, green, blue = np.moveaxis(light, 2, 0)
        u, v = chromaticity(light)
        total = red + green + blue
        saturated = (red >= RED_SHARE * total - _GUARD) & (total > 3 * _BLACK)
        closeness = -np.hypot(u - _RED_UV[0], v - _RED_UV[1])
        redness = np.maximum(red - green - blue, 0) * EARLIER_RED_SCALE
        self._kinds["general"].feed(np.stack([relative_luminance(light)]), self._frame)
        self._kinds["red"].feed(np.stack([closeness, u, v, saturated]), self._frame)
        self._kinds["red by the earlier definition"].feed(np.stack([redness, saturated]), self._frame)
        self._frame += 1

    def worst(self) -> tuple[Worst, ...]:
        """Return the worst second of each kind so far, general first."""
        return tuple(
            Worst(kind, counter.most, counter.first, counter.last, tuple(counter.failing), self.rate)
            for kind, counter in self._kinds.items()
        )


# --- light ----------------------------------------------------------------------------------------


def linear_from_srgb(encoded: NDArray[np.floating]) -> Floats:
    """Return linear light of display-encoded values 0 to 1 (IEC 61966-2-1, as WCAG defines relative luminance).

    >>> round(float(linear_from_srgb(np.array(128 / 255))), 7)
    0.2158605
    """
    code = np.clip(np.asarray(encoded, np.float64), 0, 1)
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def relative_luminance(light: Floats) -> Floats:
    """Return the luminance of linear R, G, B (last axis), white 1 (WCAG 2.2)."""
    return np.asarray(light @ np.array([0.2126, 0.7152, 0.0722]))


def chromaticity(light: Floats) -> tuple[Floats, Floats]:
    """Return u', v' of linear BT.709 R, G, B (last axis); black gets the chromaticity of white (CIE 15:2018)."""
    x = light @ np.array([0.4123908, 0.3575843, 0.1804808])
    y = light @ np.array([0.2126390, 0.7151687, 0.0721923])
    z = light @ np.array([0.0193308, 0.1191948, 0.9505322])
    below = x + 15 * y + 3 * z
    black = light.sum(-1) <= 3 * _BLACK
    safe = np.where(black, 1.0, below)
    return np.where(black, _WHITE_UV[0], 4 * x / safe), np.where(black, _WHITE_UV[1], 9 * y / safe)


def cell_means(picture: Floats, rows: int, columns: int) -> Floats:
    """Average a picture (height, width, channels) over a grid of cells; sizes need not divide.

    A cell is never empty: where the picture is smaller than the grid, cells share its pixels.
    """
    across = _means(np.moveaxis(picture, 1, 0), columns)
    return _means(np.moveaxis(across, 0, 1), rows)


def _means(values: Floats, cells: int) -> Floats:
    length = len(values)
    edges = np.arange(cells + 1) * length // cells
    start = np.minimum(edges[:-1], length - 1)
    stop = np.maximum(edges[1:], start + 1)
    sums = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
    count = (stop - start).reshape(-1, *[1] * (values.ndim - 1))
    return np.asarray((sums[stop] - sums[start]) / count)


# --- what is a transition: from a lower state to a higher one, each of shape (values, rows, columns) ----


def _general(low: Floats, high: Floats) -> Flags:
    return np.asarray((high[0] - low[0] >= LUMINANCE_STEP - _GUARD) & (low[0] < DARKER_BELOW - _GUARD))


def _red(low: Floats, high: Floats) -> Flags:
    distance = np.hypot(high[1] - low[1], high[2] - low[2])
    return np.asarray((distance > RED_DISTANCE + _GUARD) & ((low[3] > 0) | (high[3] > 0)))


def _earlier_red(low: Floats, high: Floats) -> Flags:
    return np.asarray((high[0] - low[0] > EARLIER_RED_STEP + _GUARD) & ((low[1] > 0) | (high[1] > 0)))


# --- counting -------------------------------------------------------------------------------------


class _Counter:
    """Transitions of every cell, and of every block, within the latest second."""

    def __init__(
        self,
        size: tuple[int, int],
        block: tuple[int, int],
        window: int,
        values: int,
        rises: Callable[[Floats, Floats], Flags],
    ) -> None:
        self._turns = _Turns(values, size, rises)
        self._block, self._window = block, window
        self._quarter = BLOCK_SHARE * block[0] * block[1]
        places = (size[0] - block[0] + 1, size[1] - block[1] + 1)
        self._block_direction = np.zeros(places, np.int8)
        self._cell_count, self._block_count = np.zeros(size, np.int16), np.zeros(places, np.int16)
        self._cell_latest: deque[Flags] = deque()
        self._block_latest: deque[Flags] = deque()
        self.most = self.first = self.last = 0
        self.failing: list[tuple[int, int]] = []

    def feed(self, state: Floats, frame: int) -> None:
        up, down = self._turns.feed(state)
        changed = np.zeros_like(self._block_direction, dtype=np.bool_)
        for flags, direction in ((up, 1), (down, -1)):
            # Strictly more than a quarter changing the same way, and the other way than the last time.
            moved = (self._in_blocks(flags) > self._quarter) & (self._block_direction != direction)
            self._block_direction[moved] = direction
            changed |= moved
        _slide(self._cell_latest, self._cell_count, up | down, self._window)
        _slide(self._block_latest, self._block_count, changed, self._window)
        self._note(frame)

    def _note(self, frame: int) -> None:
        now = self._quarter_reaches(int(self._block_count.max()))
        start = max(0, frame - self._window + 1)
        if now > self.most:
            self.most, self.first, self.last = now, start, frame
        if now >= _TRANSITIONS_TO_FAIL:
            if self.failing and start <= self.failing[-1][1] + 1:
                start = self.failing.pop()[0]
            self.failing.append((start, frame))

    def _quarter_reaches(self, known: int) -> int:
        """Return how many transitions more than a quarter of some block has, if more than are known."""
        reached = known
        while int(self._cell_count.max()) > reached:
            if not (self._in_blocks(self._cell_count > reached) > self._quarter).any():
                break
            reached += 1
        return reached

    def _in_blocks(self, flags: Flags) -> NDArray[np.int32]:
        """Return how many flags each place of the block holds."""
        if not flags.any():
            return np.zeros(self._block_direction.shape, np.int32)
        sums = np.zeros((flags.shape[0] + 1, flags.shape[1] + 1), np.int32)
        np.cumsum(np.cumsum(flags, axis=0, dtype=np.int32), axis=1, out=sums[1:, 1:])
        rows, columns = self._block
        return sums[rows:, columns:] - sums[:-rows, columns:] - sums[rows:, :-columns] + sums[:-rows, :-columns]


class _Turns:
    """Follows each cell from extreme to extreme; the first of a state's values is what rises and falls."""

    def __init__(self, values: int, size: tuple[int, int], rises: Callable[[Floats, Floats], Flags]) -> None:
        self._rises = rises
        self._direction = np.zeros(size, np.int8)  # 0 until the first transition
        self._low: Floats | None = None
        self._high: Floats | None = None
        self._shape = (values, *size)

    def feed(self, state: Floats) -> tuple[Flags, Flags]:
        """Return which cells completed a rise, and which a fall, with this frame."""
        assert state.shape == self._shape
        if self._low is None or self._high is None:
            self._low, self._high = state.copy(), state.copy()
        up = (self._direction <= 0) & self._rises(self._low, state)
        down = (self._direction >= 0) & ~up & self._rises(state, self._high)
        self._direction[up], self._direction[down] = 1, -1
        # The extreme behind a turn starts anew where it happened; the one being left keeps growing.
        lower = down | (state[0] < self._low[0])
        higher = up | (state[0] > self._high[0])
        self._low = np.where(lower, state, self._low)
        self._high = np.where(higher, state, self._high)
        return up, down


def _slide(latest: deque[Flags], count: NDArray[np.int16], flags: Flags, window: int) -> None:
    latest.append(flags)
    count += flags
    if len(latest) > window:
        count -= latest.popleft()
