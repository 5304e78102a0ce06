"""Levels against the codes of BT.709 and the range of EBU R 103."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.media.planes import Planes, ValueRange
from partsong.signoff.levels import LevelMeter, judge, share_outside
from partsong.timebase import Rate

RATE = Rate.of("25")


def flat(
    y: int, u: int | None = None, v: int | None = None, bits: int = 8, value_range: ValueRange = "limited"
) -> Planes:
    """A 64 x 32 frame of one colour in 4:2:0."""
    kind = np.uint8 if bits == 8 else np.uint16
    middle = 1 << (bits - 1)
    colour = [np.full((16, 32), middle if code is None else code, kind) for code in (u, v)]
    return Planes(np.full((32, 64), y, kind), *colour, bits, "bt709", value_range)


# ITU-R BT.709-6, item 4.6: black and white at 8 and 10 bits.
@pytest.mark.parametrize(("bits", "black", "white"), [(8, 16, 235), (10, 64, 940)])
def test_black_and_white_of_bt709(bits: int, black: int, white: int) -> None:
    meter = LevelMeter()
    meter.feed(flat(black, bits=bits))
    meter.feed(flat(white, bits=bits))
    found = meter.result()
    assert (found.darkest, found.brightest) == (black, white)
    assert (found.signal(black), found.signal(white)) == (0.0, 1.0)
    assert found.worst_outside == 0.0


# EBU R 103 (2020): preferred range of codes 5 to 246 at 8 bits, 20 to 984 at 10 bits, for R, G, B and luma.
@pytest.mark.parametrize(
    ("bits", "code", "lies_outside"),
    [
        *[(8, 5, False), (8, 4, True), (8, 246, False), (8, 247, True)],
        *[(10, 20, False), (10, 19, True), (10, 984, False), (10, 985, True)],
    ],
)
def test_preferred_range_of_r103(bits: int, code: int, lies_outside: bool) -> None:
    assert share_outside(flat(code, bits=bits)) == float(lies_outside)


def test_colour_can_leave_the_range_where_luma_does_not() -> None:
    # BT.709 full red is (63, 102, 240) at 8 bits (colour-science 0.4.7) and lies inside; the same colour
    # difference on a luma of 120 asks for red far above 105 %.
    assert share_outside(flat(63, 102, 240)) == 0.0
    assert share_outside(flat(120, 102, 240)) == 1.0


def test_a_hundredth_of_the_picture_may_lie_outside() -> None:
    def with_columns(count: int) -> Planes:
        # 800 colour samples across, every second looked at: 4 luma columns are one of 400 places.
        y = np.full((8, 1600), 100, np.uint8)
        y[:, : 4 * count] = 255
        half = np.full((4, 800), 128, np.uint8)
        return Planes(y, half, half, 8, "bt709", "limited")

    outcomes = []
    for count in (4, 5):
        meter = LevelMeter()
        meter.feed(with_columns(count))
        outcomes.append(judge(meter.result(), RATE)[1].outcome)
    assert outcomes == ["within", "outside"]


def test_single_noisy_pixels_do_not_move_the_deepest_thousandth() -> None:
    frame = flat(40)
    y = frame.y.copy()
    y[0, 0] = 16
    meter = LevelMeter()
    meter.feed(Planes(y, frame.u, frame.v, 8, "bt709", "limited"))
    found = meter.result()
    assert (found.darkest, found.deep, found.high) == (16, 40, 40)


def test_frames_of_another_depth_are_refused() -> None:
    meter = LevelMeter()
    meter.feed(flat(16))
    with pytest.raises(InvalidInput, match="changes bit depth"):
        meter.feed(flat(64, bits=10))


def test_no_picture_is_refused() -> None:
    with pytest.raises(InvalidInput, match="no picture"):
        LevelMeter().result()
