"""Edges laid where they show least, on stages whose truth we made."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.film.records import Curve, Oval
from partsong.render import pixels
from partsong.stage.boundary import alphas_of, edge_points, edge_step, read_at, scaled, steps_of
from partsong.stage.seams import StillLayer, arrange, bend, refine_ovals
from partsong.stage.visibility import plain_display

HEIGHT, WIDTH = 120, 200
Y, X = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float64)


def layer(x, light):
    figure = (np.hypot((X - x) / 8, (Y - 70) / 22) < 1).astype(np.float32)
    return StillLayer(np.asarray(light, np.float32), np.zeros((HEIGHT, WIDTH), np.float32), figure)


def test_edge_points_are_evenly_spaced_and_face_outwards():
    for shape in (
        Oval(x=90, y=60, rx=50, ry=20, rotation_deg=30),
        Curve.model_validate(
            {"points": tuple({"x": x, "y": y} for x, y in ((40, 30), (150, 40), (140, 90), (50, 100)))}
        ),
    ):
        points, outwards = edge_points(shape, 200)
        gaps = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
        # Chords of the same arc differ a little where it bends.
        assert gaps.max() / gaps.min() < 1.05
        inside = pixels.shape_alpha(shape, 0, *(points - 0.5 * outwards).T)
        outside = pixels.shape_alpha(shape, 0, *(points + 0.5 * outwards).T)
        assert inside.mean() == 1
        assert outside.mean() == 0


def test_reading_between_pixels_follows_a_ramp():
    ramp = (2 * X + 3 * Y).astype(np.float32)
    assert read_at(ramp, np.array([[10.25, 20.5], [0, 0]])) == pytest.approx([82, 0])
    assert np.isnan(read_at(ramp, np.array([[-0.1, 5.0]]))).all()


def test_the_step_of_two_flat_takes_is_their_difference():
    lights = [np.full((HEIGHT, WIDTH), 0.1, np.float32), np.full((HEIGHT, WIDTH), 0.2, np.float32)]
    oval = Oval(x=100, y=60, rx=30, ry=30)
    alphas = alphas_of([None, oval], [0, 8], (HEIGHT, WIDTH))
    step = edge_step(steps_of(lights, alphas, 1), oval, 8)
    # Light to display code with an exponent of 1/2.4; single precision.
    assert step == pytest.approx(0.2 ** (1 / 2.4) - 0.1 ** (1 / 2.4), abs=1e-6)


def test_what_lies_under_another_layer_is_no_step():
    lights = [np.full((HEIGHT, WIDTH), value, np.float32) for value in (0.1, 0.2, 0.3)]
    oval = Oval(x=100, y=60, rx=20, ry=20)
    alphas = alphas_of([None, oval, oval.replace(rx=50, ry=50)], [0, 8, 8], (HEIGHT, WIDTH))
    assert edge_step(steps_of(lights, alphas, 1), oval, 8) == 0


def pool(x, width):
    return 0.05 + 0.3 * np.exp(-(((X - x) / width) ** 2) - ((Y - 70) / 40) ** 2)


def test_ovals_settle_where_takes_are_equally_lit():
    # Two equal pools of light at 60 and 140: halfway between them both takes are the same.
    layers = [layer(60, pool(60, 40)), layer(140, pool(140, 40))]
    start = [Oval(x=60, y=70, rx=30, ry=40), Oval(x=152, y=70, rx=30, ry=40)]
    feathers = [10.0, 10.0]
    found = refine_ovals(layers, start, feathers, [False, False])
    lights = [one.light for one in layers]
    alphas = alphas_of([None, found[1]], feathers, (HEIGHT, WIDTH))
    step = steps_of(lights, alphas, 1)
    assert edge_step(step, found[1], 10) < 0.5 * edge_step(step, start[1], 10)
    # The conditions: all of the player inside the soft edge, none of the other.
    inside = pixels.shape_alpha(found[1], 10, X, Y)
    assert (inside * layers[1].figure).sum() > 0.98 * layers[1].figure.sum()
    assert (inside * layers[0].figure).sum() < 0.02 * layers[0].figure.sum()


def test_a_shape_set_by_hand_is_left_alone():
    layers = [layer(60, pool(60, 40)), layer(140, pool(140, 40))]
    start = [Oval(x=60, y=70, rx=30, ry=40), Oval(x=152, y=70, rx=30, ry=40)]
    assert refine_ovals(layers, start, [10, 10], [False, True]) == start


def test_a_bent_edge_goes_around_what_an_oval_cannot():
    # A lit box stands out of the take's own pool on one side, where the other take is dark.
    mine = pool(140, 30)
    mine[80:115, 95:120] = 0.4
    other = pool(60, 30)
    other[80:115, 95:120] = 0.4
    other[20:50, 105:125] = 0.5
    layers = [layer(60, other), layer(140, mine)]
    feathers = [8.0, 8.0]
    oval = refine_ovals(
        layers, [Oval(x=60, y=70, rx=30, ry=40), Oval(x=140, y=70, rx=35, ry=45)], feathers, [False] * 2
    )
    curve = bend(layers, oval, feathers, 1)
    lights = [one.light for one in layers]
    step = steps_of(lights, alphas_of([None, oval[1]], feathers, (HEIGHT, WIDTH)), 1)
    assert edge_step(step, curve, 8) < edge_step(step, oval[1], 8)
    inside = pixels.shape_alpha(curve, 8, X, Y)
    assert (inside * layers[1].figure).sum() > 0.98 * layers[1].figure.sum()
    assert (inside * layers[0].figure).sum() < 0.02 * layers[0].figure.sum()


def test_the_take_at_the_bottom_is_the_one_that_shows_least():
    # One take is bright everywhere. At the bottom, both others' edges would show against it; on top, only its own does.
    layers = [layer(50, pool(50, 15)), layer(100, 0.5 + 0 * X), layer(150, pool(150, 15))]
    start = [Oval(x=x, y=70, rx=20, ry=32) for x in (50, 100, 150)]
    found = arrange(layers, start, [6.0] * 3, [True] * 3, [1, 0, 2])
    assert sorted(found.order) == [0, 1, 2]
    assert found.order[0] != 1


@settings(max_examples=30)
@given(st.floats(-50, 250), st.floats(5, 90), st.floats(0.25, 4))
def test_a_shape_lies_on_the_same_place_at_every_size(x, rx, scale):
    oval = scaled(Oval(x=x, y=40, rx=rx, ry=20), scale)
    # Edges of pixels lie at minus a half; positions are kept to a tenth of a pixel.
    assert oval.x + 0.5 == pytest.approx((x + 0.5) * scale, abs=0.051)
    assert oval.rx == pytest.approx(max(1.0, rx * scale), abs=0.051)


def test_plain_display_is_monotonic():
    assert (np.diff(plain_display(np.linspace(0, 1, 50))) > 0).all()
