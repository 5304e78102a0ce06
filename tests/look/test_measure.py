"""Floor and ceiling against tables whose ends we set, and levels against the printed formula."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.look.measure import black_curve, hue_deg, level, measure_path, measure_table
from partsong.render import cube
from partsong.render.cube import Cube
from partsong.render.grading import held_black


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


def solid(function: object, size: int = 17) -> Cube:
    axis = np.linspace(0, 1, size, dtype=np.float32)
    rgb = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    return Cube(np.asarray(function(rgb), np.float32))  # type: ignore[operator]


def test_black_and_white_of_the_input_are_told_apart_from_floor_and_ceiling() -> None:
    # It dips below its own black on the way: the floor is not where black goes.
    table = np.array([0.05, 0.02, 0.5, 1.0, 0.95], np.float32)[:, None].repeat(3, axis=1)
    found = measure_table(Cube(table), grey_in=0.5)
    assert (found.black.percent, found.floor.percent) == pytest.approx((5, 2), abs=1e-4)
    assert (found.white.percent, found.ceiling.percent) == pytest.approx((95, 100), abs=1e-4)


def test_clipped_ends_are_told_from_where() -> None:
    ramp = np.clip((np.linspace(0, 1, 101) - 0.2) / 0.5, 0, 1).astype(np.float32)[:, None].repeat(3, axis=1)
    found = measure_table(Cube(ramp), grey_in=0.5)
    # Half a code of 876 at a slope of two is 0.03 % beyond the corner; a step of the ramp is 0.1 %.
    assert found.flat_below == pytest.approx(0.2, abs=2e-3)
    assert found.flat_above == pytest.approx(0.7, abs=2e-3)
    straight = measure_table(Cube(np.array([[0.0] * 3, [1.0] * 3], np.float32)), grey_in=0.5)
    assert (straight.flat_below, straight.flat_above) == (None, None)
    assert found.clipped_share > straight.clipped_share


def test_where_a_curve_bends_is_found() -> None:
    # Slope 0.25 up to 0.25, 1.25 up to 0.75, 0.5 after: it leaves half to double of 1.25 at both corners.
    codes = np.linspace(0, 1, 1001)
    ramp = (
        np.interp(codes, [0, 0.25, 0.75, 1], [0, 0.0625, 0.6875, 0.8125]).astype(np.float32)[:, None].repeat(3, axis=1)
    )
    bend = measure_table(Cube(ramp), grey_in=0.5).bend
    assert bend.slope == pytest.approx(1.25, abs=1e-4)
    # The slope is taken over a 64th of the range, so a corner is felt a 128th before it, at the most.
    assert bend.toe == pytest.approx(0.25, abs=1 / 128)
    assert bend.shoulder == pytest.approx(0.75, abs=1 / 128)
    assert bend.kink == pytest.approx(0.25, abs=3e-3)
    assert bend.kink_change == pytest.approx(1.0, abs=0.02)
    even = measure_table(Cube(np.array([[0.0] * 3, [1.0] * 3], np.float32)), grey_in=0.5).bend
    assert (even.toe, even.shoulder) == (None, None)
    assert even.kink_change == pytest.approx(0, abs=1e-4)


def test_a_turn_of_hue_is_told_in_degrees() -> None:
    turn = np.deg2rad(20)
    # Turned about the grey axis, by Rodrigues; small around mid grey so that nothing leaves the table.
    axis = np.ones(3) / np.sqrt(3)
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    matrix = np.eye(3) + np.sin(turn) * cross + (1 - np.cos(turn)) * cross @ cross
    found = measure_table(solid(lambda rgb: 0.5 + 0.4 * ((rgb - 0.5) @ matrix.T)), grey_in=0.5)
    assert found.hue is not None
    # Rounding of float32 entries, spread by colours of a tenth of signal.
    assert found.hue.worst_deg == pytest.approx(20, abs=0.01)
    assert found.hue.median_deg == pytest.approx(20, abs=0.01)
    plain = measure_table(solid(lambda rgb: 0.1 + 0.8 * rgb), grey_in=0.5).hue
    assert plain is not None
    assert abs(plain.worst_deg) < 0.01
    grey = measure_table(solid(lambda rgb: rgb.mean(axis=-1, keepdims=True).repeat(3, axis=-1)), grey_in=0.5)
    assert grey.hue is None


@pytest.mark.parametrize(("rgb", "degrees"), [((1, 0, 0), 0), ((1, 1, 0), 60), ((0, 1, 0), 120), ((0, 0, 1), 240)])
def test_hue_goes_round_the_primaries(rgb: tuple[int, ...], degrees: float) -> None:
    assert hue_deg(np.array(rgb)) == pytest.approx(degrees, abs=1e-9)


def test_a_table_is_measured_within_its_domain_as_the_picture_uses_it() -> None:
    table = Cube(np.array([[0.0] * 3, [0.25] * 3, [1.0] * 3], np.float32), (0.0,) * 3, (2.0,) * 3)
    found = measure_table(table, grey_in=0.5)
    # Picture code ends at 1, half way through the domain.
    assert found.ceiling.percent == pytest.approx(25, abs=1e-4)
    assert found.grey_out.percent == pytest.approx(12.5, abs=1e-4)


def test_the_correction_of_a_lifted_black_has_the_measured_level_and_keeps_mid_grey() -> None:
    # A table lifted to 3 % on purpose.
    measured = measure_table(Cube(np.array([[0.03] * 3, [1.0] * 3], np.float32)), grey_in=0.4)
    assert measured.floor.percent == pytest.approx(3.00, abs=0.05)
    curve = black_curve(measured)
    assert curve.level == pytest.approx((0.03,) * 3, abs=2e-5)  # to a thousandth of a percent
    corrected = measure_path(
        lambda rgb: held_black(curve, cube.apply(Cube(np.array([[0.03] * 3, [1.0] * 3], np.float32)), rgb)), grey_in=0.4
    )
    assert corrected.floor.percent == 0
    assert corrected.grey_out.code == measured.grey_out.code
    assert corrected.grey_out.percent == pytest.approx(measured.grey_out.percent, abs=1e-4)
    assert corrected.ceiling == measured.ceiling


def test_a_tinted_floor_is_brought_to_zero_in_each_channel() -> None:
    tinted = Cube(np.array([[0.03, 0.02, 0.06], [1, 1, 1]], np.float32))
    curve = black_curve(measure_table(tinted, grey_in=0.4))
    assert curve.level == pytest.approx((0.03, 0.02, 0.06), abs=2e-5)
    assert (held_black(curve, cube.apply(tinted, [0.0, 0.0, 0.0])) == 0).all()


def test_a_level_above_mid_grey_is_no_black() -> None:
    measured = measure_table(Cube(np.array([[0.0] * 3, [1.0] * 3], np.float32)), grey_in=0.4)
    with pytest.raises(InvalidInput, match="is not below mid grey"):
        black_curve(measured, level_percent=45.0)
