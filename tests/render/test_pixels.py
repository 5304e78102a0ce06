"""The definition of the pixel maths against published values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acescct import CURVE
from codes import random_planes
from partsong.errors import InvalidInput
from partsong.film.records import Curve, Oval, Point
from partsong.media.planes import Planes
from partsong.render import pixels

# BT.709-6, items 3.2 to 3.4, evaluated with colour-science 0.4.7: R'G'B', then codes of 10 and of 8 bits.
BT709_CODES = [
    ([1, 1, 1], (940, 512, 512), (235, 128, 128)),
    ([0, 0, 0], (64, 512, 512), (16, 128, 128)),
    ([1, 0, 0], (250, 409, 960), (63, 102, 240)),
    ([0, 1, 0], (691, 167, 105), (173, 42, 26)),
    ([0, 0, 1], (127, 960, 471), (32, 240, 118)),
    ([0.5, 0.5, 0.5], (502, 512, 512), (126, 128, 128)),
    ([0, 0.75, 0.75], (581, 589, 176), (145, 147, 44)),
    ([0.8, 0.6, 0.5], (621, 447, 606), (155, 112, 151)),
]


@pytest.mark.parametrize(("encoded", "ten", "eight"), BT709_CODES)
def test_codes_of_bt709(encoded, ten, eight):
    for depth, expected in ((10, ten), (8, eight)):
        codes = pixels.rounded(pixels.encoded_to_codes(encoded, depth, "bt709", "limited"), depth)
        assert tuple(codes.tolist()) == expected


@pytest.mark.parametrize(
    ("matrix", "name"), [("bt709", "ITU-R BT.709"), ("bt601", "ITU-R BT.601"), ("bt2020nc", "ITU-R BT.2020")]
)
@pytest.mark.parametrize("value_range", ["limited", "full"])
@pytest.mark.parametrize("depth", [8, 10, 12])
def test_codes_agree_with_a_reference_library(matrix, name, value_range, depth):
    colour = pytest.importorskip("colour")
    encoded = np.random.default_rng(3).random((200, 3))
    legal = value_range == "limited"
    theirs = colour.RGB_to_YCbCr(
        encoded, K=colour.WEIGHTS_YCBCR[name], in_legal=False, out_bits=depth, out_legal=legal, out_int=False
    )
    scale = (1 << depth) - 1  # floating-point answers are shares of the top code
    middle = 0 if legal else np.array([0, 1 << (depth - 1), 1 << (depth - 1)])  # their full-range colour is about zero
    ours = pixels.encoded_to_codes(encoded, depth, matrix, value_range)
    # Rounding of the printed matrix coefficients alone: far below a thousandth of a code.
    np.testing.assert_allclose(ours, theirs * scale + middle, atol=1e-3)


@given(
    st.lists(st.floats(-0.5, 1.5), min_size=3, max_size=3),
    st.sampled_from(["bt709", "bt601", "bt2020nc"]),
    st.sampled_from(["limited", "full"]),
    st.sampled_from([8, 10, 12]),
)
def test_codes_come_back_as_encoded_colour(encoded, matrix, value_range, depth):
    there = pixels.encoded_to_codes(encoded, depth, matrix, value_range)
    np.testing.assert_allclose(pixels.codes_to_encoded(there, depth, matrix, value_range), encoded, atol=1e-12)


@pytest.mark.parametrize("chroma", ["444", "422", "420"])
@pytest.mark.parametrize("size", [(8, 6), (7, 5), (1, 1)])
def test_planes_come_back_exactly(chroma, size):
    planes = random_planes(np.random.default_rng(5), *size, chroma, 10)
    again = pixels.to_planes(pixels.full_size(planes), chroma, 10, "bt709", "limited")
    for name in ("y", "u", "v"):
        np.testing.assert_array_equal(getattr(again, name), getattr(planes, name))


def test_what_comes_in_at_an_edge_repeats_it():
    moved = pixels.shifted(np.arange(12).reshape(3, 4), 1, -1)
    assert moved.tolist() == [[4, 4, 5, 6], [8, 8, 9, 10], [8, 8, 9, 10]]


def test_area_of_a_hard_oval():
    # The count of pixel centres inside an ellipse of half axes 400 and 300 in the middle of 1920 x 1080 (arithmetic;
    # within 0.005 % of pi a b).
    oval = Oval(x=959.5, y=539.5, rx=400, ry=300)
    alpha = pixels.shape_alpha(oval, 0, np.arange(1920)[None, :], np.arange(1080)[:, None])
    assert alpha.sum() == 376976


def test_an_oval_turns_clockwise_on_the_screen():
    # A quarter turn of a wide oval makes it tall; an eighth turn clockwise points its right end downwards (y is down).
    points = [(7, 7), (7, -7)]
    inside = [float(pixels.oval_distance(Oval(x=0, y=0, rx=12, ry=3, rotation_deg=45), x, y)) < 0 for x, y in points]
    assert inside == [True, False]


def test_distance_is_exact_for_a_circle():
    x, y = np.meshgrid(np.arange(-20, 21), np.arange(-20, 21))
    away = x**2 + y**2 > 0
    distance = pixels.oval_distance(Oval(x=0, y=0, rx=9, ry=9), x, y)
    np.testing.assert_allclose(distance[away], np.hypot(x, y)[away] - 9, atol=1e-12)
    assert distance[20, 20] == -9


def test_distance_of_a_long_oval_is_right_to_first_order():
    # From points on the ellipse, along its normal: the true distance is the step taken.
    a, b = 300.0, 120.0
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    normal = np.stack([np.cos(turn) / a, np.sin(turn) / b])
    normal /= np.hypot(*normal)
    for step in (-10.0, 10.0):
        x, y = a * np.cos(turn) + step * normal[0], b * np.sin(turn) + step * normal[1]
        found = pixels.oval_distance(Oval(x=0, y=0, rx=a, ry=b), x, y)
        # A tenth of the step: second order in step / radius of curvature (48 px at the sharp ends).
        np.testing.assert_allclose(found, step, atol=1.1)


def test_feather():
    # Smoothstep at 0, 0.1, 0.25, 0.5, 0.75, 0.9, 1 (arithmetic).
    t = [0, 0.1, 0.25, 0.5, 0.75, 0.9, 1]
    np.testing.assert_allclose(pixels.smoothstep(t), [0, 0.028, 0.15625, 0.5, 0.84375, 0.972, 1], atol=1e-12)
    circle = Oval(x=0, y=0, rx=50, ry=50)
    alpha = pixels.shape_alpha(circle, 20, np.array([0, 40, 45, 50, 55, 60, 70]), 0)
    np.testing.assert_allclose(alpha, [1, 1, 0.84375, 0.5, 0.15625, 0, 0], atol=1e-12)


def test_over():
    # Porter and Duff (1984): straight colours (0.75, 0.5, 0.25; 0.4) over (0.4, 0.6, 0.2; 0.5) give alpha 0.7 and the
    # premultiplied sum A a + B b (1 - a); ours lies on an opaque bottom.
    weights = pixels.layer_weights(np.array([1.0, 0.5, 0.4]))
    np.testing.assert_allclose(weights, [0.3, 0.3, 0.4], atol=1e-12)
    premultiplied = weights[1] * np.array([0.4, 0.6, 0.2]) + weights[2] * np.array([0.75, 0.5, 0.25])
    np.testing.assert_allclose(premultiplied / 0.7, [0.6, 0.5428571, 0.2285714], atol=1e-7)


@given(st.lists(st.lists(st.floats(0, 1), min_size=4, max_size=4), min_size=1, max_size=8))
def test_weights_sum_to_one(alphas):
    weights = pixels.layer_weights(np.array(alphas))
    assert (weights >= 0).all()
    np.testing.assert_allclose(weights.sum(axis=0), 1, atol=1e-12)


def test_half_and_half_is_mixed_in_light():
    # A half-and-half mix of black and white in linear light is 0.735357 in sRGB, 188 of 255 (IEC 61966-2-1).
    code = np.linspace(0, 1, 4096)
    curve = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    black, white = (flat(level, 8) for level in (0, 255))
    mixed = pixels.merged([black, white], np.full((2, 2, 2), 0.5), curve)
    assert mixed.y.tolist() == [[188, 188], [188, 188]]


def test_light_of_acescct():
    # Academy S-2016-001: ACEScct of 0.18 and of 1.
    np.testing.assert_allclose(pixels.to_linear([0.4135884025, 0.5547945205], CURVE), [0.18, 1.0], rtol=1e-5)
    np.testing.assert_allclose(pixels.to_encoded([0.18, 1.0], CURVE), [0.4135884025, 0.5547945205], atol=1e-6)


@given(st.floats(-1.2, 2.2))
def test_light_comes_back_as_the_same_code(encoded):
    assert pixels.to_encoded(pixels.to_linear(encoded, CURVE), CURVE) == pytest.approx(encoded, abs=1e-9)


def test_a_curve_that_falls_is_refused():
    with pytest.raises(InvalidInput, match="does not rise throughout"):
        pixels.checked_curve([0.0, 0.5, 0.4, 1.0])


def test_tetrahedral_look_up():
    # Tetrahedral interpolation of the product of the axes at (0.75, 0.5, 0.25) walks 000, 100, 110, 111:
    # 0 * 0.25 + 0 * 0.25 + 0 * 0.25 + 1 * 0.25.
    lattice = np.zeros((2, 2, 2, 1))
    lattice[1, 1, 1] = 1
    assert pixels.look_up(lattice, [0.75, 0.5, 0.25]).item() == pytest.approx(0.25)


@given(st.lists(st.floats(0, 4), min_size=3, max_size=3))
def test_a_straight_lattice_is_read_exactly(position):
    axis = np.arange(5.0)
    lattice = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    np.testing.assert_allclose(pixels.look_up(lattice, position), position, atol=1e-12)


def flat(level, depth):
    y = np.full((2, 2), level, np.uint8)
    return Planes(y, np.full((2, 2), 128, np.uint8), np.full((2, 2), 128, np.uint8), depth, "bt709", "full")


def test_a_curve_through_points_of_a_circle_has_the_circles_distance() -> None:
    around = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    points = tuple(Point(x=50 + 30 * np.cos(turn), y=40 + 30 * np.sin(turn)) for turn in around)
    x, y = np.meshgrid(np.arange(100.0), np.arange(80.0))
    found = pixels.curve_distance(Curve(points=points), x, y)
    # A Catmull-Rom curve through 16 points of a circle bulges from it by less than a five-hundredth of the radius.
    np.testing.assert_allclose(found, np.hypot(x - 50, y - 40) - 30, atol=0.1)


def test_a_curve_is_soft_on_both_sides_of_its_outline() -> None:
    square = Curve(points=tuple(Point(x=x, y=y) for x, y in ((10, 10), (60, 10), (60, 60), (10, 60))))
    x, y = np.arange(80.0)[None, :], np.full((1, 1), 35.0)
    alpha = pixels.shape_alpha(square, 8, x, y)[0]
    outline = pixels.curve_outline(square)
    right = outline[np.abs(outline[:, 1] - 35) < 1][:, 0].max()
    assert alpha[35] == 1
    assert alpha[79] == 0
    assert alpha[round(right)] == pytest.approx(0.5, abs=0.1)
