"""Windows of another shape: their size, where they lie, and where they are proposed."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.media.planes import Planes
from partsong.signoff.crops import best_centre, crop_size, cropped, largest, window

SIDES = st.tuples(st.integers(1, 21), st.integers(1, 21)).filter(lambda sides: 1 / 3 <= sides[0] / sides[1] <= 3)
FRAMES = st.tuples(st.integers(160, 4096), st.integers(120, 2160))


@pytest.mark.parametrize(
    ("frame", "sides", "size"),
    [
        ((3840, 2160), (9, 16), (1080, 1920)),
        ((3840, 2160), (4, 5), (1080, 1350)),
        ((3840, 2160), (1, 1), (1080, 1080)),
        ((1920, 1080), (9, 16), (594, 1056)),  # 66 x 9 and 66 x 16: the largest even multiple in 1080 rows
        ((3840, 2160), (16, 9), (1920, 1080)),
    ],
)
def test_a_crop_is_as_large_as_the_frame_holds_up_to_1080(
    frame: tuple[int, int], sides: tuple[int, int], size: tuple[int, int]
) -> None:
    assert crop_size(frame, sides) == size


@given(FRAMES, SIDES)
def test_the_largest_window_is_even_lies_within_and_keeps_its_shape(
    frame: tuple[int, int], sides: tuple[int, int]
) -> None:
    width, height = largest(frame, Fraction(*sides))
    assert width % 2 == height % 2 == 0
    assert 0 < width <= frame[0]
    assert 0 < height <= frame[1]
    # Where whole pixels do not give the shape exactly, each side is cut by less than two of them.
    shape = sides[0] / sides[1]
    assert (width - 2) / (height + 2) < shape < (width + 2) / (height - 2)
    assert width > 0.9 * frame[0] - 2 or height > 0.9 * frame[1] - 2


@given(FRAMES, SIDES, st.floats(0, 1), st.floats(0, 1))
def test_a_window_lies_within_the_picture_as_near_to_its_centre_as_it_can(
    frame: tuple[int, int], sides: tuple[int, int], x: float, y: float
) -> None:
    left, top, width, height = window(frame, Fraction(1), crop_size(frame, sides), (x, y))
    for first, part, whole, share in ((left, width, frame[0], x), (top, height, frame[1], y)):
        assert first % 2 == 0
        assert 0 <= first <= whole - part
        nearest = min(max(share * whole, part / 2), whole - part / 2)
        assert abs(first + part / 2 - nearest) <= 2


def test_pixels_that_are_not_square_are_shown_in_shape() -> None:
    # 1440 x 1080 pixels, each a third wider than high, are a picture of 16:9; half as wide as high is 405 of them.
    _, _, width, height = window((1440, 1080), Fraction(4, 3), (540, 1080), (0.5, 0.5))
    assert width * Fraction(4, 3) / height == Fraction(1, 2)
    assert height >= 1070


def test_a_part_of_a_frame_is_its_pixels() -> None:
    y = np.arange(12 * 16, dtype=np.uint16).reshape(12, 16)
    for across, down in ((1, 1), (2, 1), (2, 2)):
        u = np.arange(12 * 16 // across // down, dtype=np.uint16).reshape(12 // down, 16 // across)
        part = cropped(Planes(y, u, u + 1, 10, "bt709", "limited"), 4, 2, 8, 6)
        assert np.array_equal(part.y, y[2:8, 4:12])
        assert np.array_equal(part.u, u[2 // down : 8 // down, 4 // across : 12 // across])
        assert np.array_equal(part.v, part.u + 1)


def test_what_moves_stands_in_the_middle_of_the_window() -> None:
    movement = np.zeros((90, 160), np.float32)
    movement[40:60, 120:130] = 1
    assert best_centre(movement, (0.3, 1.0)) == pytest.approx((125 / 160, 0.5))
    # At the edge the window stays inside: it cannot be centred on what moves there.
    assert best_centre(np.roll(movement, 30, axis=1), (0.3, 1.0))[0] == pytest.approx(0.85)


def test_a_window_takes_the_larger_of_two_movements_and_the_middle_of_none() -> None:
    movement = np.zeros((90, 160), np.float32)
    movement[40:60, 20:30] = 1
    movement[40:60, 120:130] = 1.5
    assert best_centre(movement, (0.3, 1.0))[0] == pytest.approx(125 / 160)
    assert best_centre(np.zeros((90, 160), np.float32), (0.3, 1.0)) == (0.5, 0.5)


def test_a_picture_too_small_for_a_window_is_refused() -> None:
    with pytest.raises(InvalidInput, match="too small to take a window"):
        largest((4, 2), Fraction(1, 3))
