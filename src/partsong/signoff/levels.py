"""Signal levels: how dark black is, how bright white is, how much of the picture lies outside the tolerated range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.media.planes import Planes, ValueRange
from partsong.render.pixels import code_scale, codes_to_encoded, colour_steps
from partsong.signoff.checks import Check, held
from partsong.timebase import Rate, clock

PREFERRED_SIGNAL = (-0.05, 1.05)
PREFERRED_CODES_8 = (5, 246)
OUTSIDE_ALLOWED = 0.01
"""EBU R 103 (2020): R, G, B and luma from -5 % to 105 %, 8-bit codes 5 to 246; a hundredth of the picture may lie
outside."""

_DEEPEST_SHARE = 0.001


@dataclass(frozen=True, slots=True)
class Levels:
    """What the codes of a film reach.

    ``darkest`` and ``brightest`` are luma codes at ``bit_depth``; ``deep`` and ``high`` the codes that a thousandth of
    all pixels lies at or under, at or over: single pixels of noise do not move them. ``worst_outside`` is the share (0
    to 1) of the picture outside the preferred range in ``worst_frame``, ``frames_over`` how many frames exceed a
    hundredth.
    """

    bit_depth: int
    value_range: ValueRange
    darkest: int
    brightest: int
    deep: int
    high: int
    worst_outside: float
    worst_frame: int
    frames_over: int

    def signal(self, code: int) -> float:
        """Return a luma code as a share of the nominal range: 0 is black, 1 is white."""
        scale, zero, _, _ = code_scale(self.bit_depth, self.value_range)
        return (code - zero) / scale


class LevelMeter:
    """Collects the levels of a stream of frames. Feed every frame in order, then ask for the result.

    Luma is counted at every pixel. Red, green and blue are worked out at every second colour sample across and down,
    from the mean luma of the pixels that share it, which also calms overshoots of single pixels.
    """

    def __init__(self) -> None:
        self._luma: NDArray[np.int64] | None = None
        self._form: tuple[int, ValueRange] | None = None
        self._frame = self._worst_frame = self._over = 0
        self._worst = 0.0

    def feed(self, planes: Planes) -> None:
        """Take the next frame; all frames have one bit depth and range."""
        form = (planes.bit_depth, planes.value_range)
        if self._form is None or self._luma is None:
            self._form, self._luma = form, np.zeros(1 << planes.bit_depth, np.int64)
        if form != self._form:
            raise InvalidInput(f"Frame {self._frame} changes bit depth or range from {self._form} to {form}.")
        self._luma += np.bincount(planes.y.ravel(), minlength=len(self._luma))
        outside = share_outside(planes)
        if outside > self._worst:
            self._worst, self._worst_frame = outside, self._frame
        self._over += outside > OUTSIDE_ALLOWED
        self._frame += 1

    def result(self) -> Levels:
        """Return what was reached so far."""
        if self._luma is None or self._form is None:
            raise InvalidInput("There is no picture to measure the levels of.")
        used = np.flatnonzero(self._luma)
        below = np.cumsum(self._luma) / self._luma.sum()
        return Levels(
            *self._form,
            darkest=int(used[0]),
            brightest=int(used[-1]),
            deep=int(np.searchsorted(below, _DEEPEST_SHARE)),
            high=int(np.searchsorted(below, 1 - _DEEPEST_SHARE)),
            worst_outside=self._worst,
            worst_frame=self._worst_frame,
            frames_over=self._over,
        )


def share_outside(planes: Planes) -> float:
    """Return the share of a frame in which luma, red, green or blue lies outside the preferred range.

    References
    ----------
    EBU R 103 (2020): the range of -5 % to 105 %. Full range has no code outside it in luma, but mixtures of luma and
    colour that no display can show remain.
    """
    across, down = colour_steps(planes.chroma)
    # Whole boxes only, every second one; sums of slices, because means over short axes are slow.
    rows, columns = planes.height // down, planes.width // across
    boxes = [
        planes.y[row : rows * down : 2 * down, column : columns * across : 2 * across]
        for row in range(down)
        for column in range(across)
    ]
    luma = sum((box.astype(np.float32) for box in boxes[1:]), start=boxes[0].astype(np.float32)) / len(boxes)
    u, v = planes.u[:rows:2, :columns:2], planes.v[:rows:2, :columns:2]
    rgb = codes_to_encoded(np.stack([luma, u, v], axis=-1), planes.bit_depth, planes.matrix, planes.value_range)
    # Half a code of room: the limits are whole codes of each channel, 5 and 246 at 8 bits.
    scale, zero, _, _ = code_scale(planes.bit_depth, planes.value_range)
    if planes.value_range == "limited":
        unit = 1 << (planes.bit_depth - 8)
        low, high = ((code * unit - zero) / scale for code in PREFERRED_CODES_8)
    else:
        low, high = PREFERRED_SIGNAL
    room = 0.5 / scale
    signals = [(luma - zero) / scale, *np.moveaxis(rgb, -1, 0)]
    outside = np.zeros(luma.shape, np.bool_)
    for signal in signals:
        outside |= (signal < low - room) | (signal > high + room)
    return float(outside.mean())


def judge(found: Levels, rate: Rate) -> tuple[Check, ...]:
    """Hold levels against the preferred range, and state where black and white lie."""
    deep, high = found.signal(found.deep), found.signal(found.high)
    ends = Check(
        "Levels",
        f"The darkest thousandth of the film lies at {deep:.1%} of the signal, the brightest at {high:.1%}.",
        f"codes {found.darkest} to {found.brightest} at {found.bit_depth} bits, {found.value_range} range",
        "",
        "black and white of ITU-R BT.709-6, item 4.6" if found.value_range == "limited" else "full range, 0 to highest",
        "stated",
    )
    passes = found.worst_outside <= OUTSIDE_ALLOWED
    where = clock(found.worst_frame * rate.frame_s)
    at_worst = f" at worst, at {where}" if found.worst_outside > 0 else ""
    outside = Check(
        "Levels",
        f"{found.worst_outside:.2%} of the picture lies outside the preferred range{at_worst}."
        + ("" if passes else f" It does so in {found.frames_over} frames: soften the look's highlights or saturation."),
        f"{found.worst_outside:.2%}",
        f"at most {OUTSIDE_ALLOWED:.0%} outside {PREFERRED_SIGNAL[0]:.0%} to {PREFERRED_SIGNAL[1]:.0%}",
        "EBU R 103 (2020)",
        held(passes),
    )
    return ends, outside
