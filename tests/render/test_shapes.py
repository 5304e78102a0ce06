"""Shapes over time and over whole rows, against the definition."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.film.records import Curve, Mask, MaskKey, Oval, Point
from partsong.render import pixels
from partsong.render.shapes import STEP_PX, alpha_rows, box_of, shape_at, shape_between, travel_px

number = st.floats(-12, 60)
ovals = st.builds(
    Oval, x=number, y=number, rx=st.floats(0.5, 40), ry=st.floats(0.5, 40), rotation_deg=st.floats(-180, 180)
)
points = st.builds(Point, x=number, y=number)
curves = st.builds(Curve, points=st.lists(points, min_size=3, max_size=8).map(tuple))


@settings(max_examples=200)
@given(st.one_of(ovals, curves), st.sampled_from([0.0, 1.0, 5.5, 30.0]), st.integers(0, 20), st.integers(1, 24))
def test_alpha_equals_the_definition(shape, feather_px, top, height):
    rows = range(top, top + height)
    found = alpha_rows(shape, feather_px, rows, 50)
    expected = pixels.shape_alpha(shape, feather_px, np.arange(50)[None, :], np.array(rows)[:, None])
    if feather_px == 0:
        # A pixel's centre that lies on the line to the last bits may fall on either side of it.
        grow = pixels.shape_alpha(shape, 1e-6, np.arange(50)[None, :], np.array(rows)[:, None])
        assert ((found == expected) | ((grow > 0) & (grow < 1))).all()
    else:
        # Rounding of float64 in another order, through a division by the feather.
        np.testing.assert_allclose(found, expected, atol=1e-9)


@given(ovals, ovals, st.floats(0, 1))
def test_no_point_of_an_oval_travels_further_than_said(one, other, share):
    around = np.linspace(0, 2 * np.pi, 90)

    def edge(oval):
        u, v, turn = oval.rx * np.cos(around), oval.ry * np.sin(around), np.deg2rad(oval.rotation_deg)
        return np.stack([oval.x + u * np.cos(turn) - v * np.sin(turn), oval.y + u * np.sin(turn) + v * np.cos(turn)])

    moved = np.hypot(*(edge(shape_between(one, other, share)) - edge(one)))
    # Shapes are written to a tenth of a thousandth of a pixel, or of a degree.
    assert moved.max() <= share * travel_px(one, other) + 0.001


def keyed(*keys):
    return Mask(take="a", shape=keys[0][1], keys=tuple(MaskKey(frame=frame, shape=shape) for frame, shape in keys))


def test_a_mask_is_held_before_its_first_key_and_after_its_last():
    first, last = Oval(x=10, y=5, rx=4, ry=4), Oval(x=20, y=5, rx=4, ry=4)
    mask = keyed((10, first), (20, last))
    assert [shape_at(mask, frame) for frame in (0, 10, 20, 99)] == [first, first, last, last]
    assert shape_at(mask, 15).x == 15


def test_keys_that_hardly_differ_share_shapes():
    mask = keyed((0, Oval(x=10, y=5, rx=4, ry=4)), (1000, Oval(x=12, y=5, rx=4, ry=4)))
    shapes = [shape_at(mask, frame) for frame in range(1001)]
    # Two pixels in steps of a quarter: nine places.
    assert len(set(shapes)) == 2 / STEP_PX + 1
    assert max(travel_px(a, b) for a, b in itertools.pairwise(shapes)) == pytest.approx(STEP_PX)


def test_a_curve_moves_point_by_point():
    one = Curve(points=(Point(x=0, y=0), Point(x=10, y=0), Point(x=10, y=10)))
    other = Curve(points=(Point(x=0, y=0), Point(x=10, y=0), Point(x=14, y=13)))
    assert shape_between(one, other, 0.5).points[2] == Point(x=12, y=11.5)
    assert travel_px(one, other) == 5


def test_a_box_holds_a_turned_oval():
    # A long oval turned by a right angle lies along y.
    assert box_of(Oval(x=50, y=40, rx=30, ry=10, rotation_deg=90), 2) == pytest.approx((38, 8, 62, 72))
