"""Floor and ceiling against tables whose ends we set, and levels against the printed formula."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.look.measure import level, measure_path, measure_table
from partsong.render.cube import Cube


# ITU-R BT.709-6, item 4.6: 10-bit code = 64 + 876 E', rounded; percent counts from black to white.
@pytest.mark.parametrize(
    ("percent", "code"), [(0, 64), (3, 90), (5, 108), (7.5, 130), (50, 502), (100, 940), (109, 1019)]
)
def test_percent_and_code_of_a_level(percent: float, code: int) -> None:
    found = level(percent / 100)
    assert (found.percent, found.code) == (pytest.approx(percent), code)


@given(low=st.floats(0, 0.4), high=st.floats(0.6, 1))
def test_the_ends_of_a_table_are_its_floor_and_ceiling(low: float, high: float) -> None:
    found = measure_table(Cube(np.array([[low] * 3, [high] * 3], np.float32)), grey_in=0.5)
    # 1e-5 percent: float32 entries.
    assert found.floor.percent == pytest.approx(100 * low, abs=1e-5)
    assert found.ceiling.percent == pytest.approx(100 * high, abs=1e-5)
    assert found.grey_out.percent == pytest.approx(50 * (low + high), abs=1e-5)
    assert found.falls_at is None


def test_a_table_that_lifts_black_says_by_how_much_and_in_which_colour() -> None:
    found = measure_table(Cube(np.array([[0.03, 0.03, 0.06], [1, 1, 1]], np.float32)), grey_in=0.5)
    assert found.floor_rgb_percent == pytest.approx((3, 3, 6), abs=1e-5)
    # Luma by BT.709-6, item 3.2: 3 % and 0.0722 of the 3 % more in blue.
    assert found.floor.percent == pytest.approx(3 + 0.0722 * 3, abs=1e-4)
    assert found.lowest.percent == pytest.approx(3, abs=1e-5)


def test_a_table_that_falls_back_is_told_from_where() -> None:
    table = np.array([0, 0.5, 0.4, 1.0], np.float32)[:, None].repeat(3, axis=1)
    found = measure_table(Cube(table), grey_in=0.5)
    # It turns at a third; from there 0.1 over a third of the way: half a code (0.00057) is lost within 0.002.
    assert found.falls_at == pytest.approx(1 / 3, abs=0.004)


def test_colours_beside_grey_count_for_lowest_and_highest() -> None:
    axis = np.linspace(0, 1, 2, dtype=np.float32)
    table = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    table[1, 0, 0] = (1.25, -0.1, 0)
    found = measure_table(Cube(table), grey_in=0.5)
    assert (found.lowest.percent, found.highest.percent) == pytest.approx((-10, 125), abs=1e-4)
    assert (found.floor.percent, found.ceiling.percent) == pytest.approx((0, 100))


def test_a_path_is_measured_like_a_table() -> None:
    found = measure_path(lambda rgb: 0.1 + 0.5 * rgb**2, grey_in=0.4)
    assert found.floor.percent == pytest.approx(10)
    assert found.ceiling.percent == pytest.approx(60)
    assert found.grey_out.percent == pytest.approx(18)
    assert (found.lowest.percent, found.highest.percent) == pytest.approx((10, 60))
