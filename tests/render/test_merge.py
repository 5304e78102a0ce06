"""The fast merge against the definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import acescct
from codes import random_planes
from partsong.errors import InvalidInput
from partsong.film.records import Curve, Oval, Point, Pose
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.merge import Form, Merger, compile_stack, stack_weights
from partsong.render.plan import Layer, Stack
from partsong.render.warp import is_whole, warped

CODE = np.linspace(0, 1, 4096)
# IEC 61966-2-1: a display encoding, whose curve is far from a logarithm.
SRGB = np.where(CODE <= 0.04045, CODE / 12.92, ((CODE + 0.055) / 1.055) ** 2.4)


def defined(stack, layers, curve, poses=None):
    weights = stack_weights(stack, range(stack.height))
    poses = poses or [Pose()] * len(layers)
    layers = [layer if is_whole(pose) else warped(layer, pose) for layer, pose in zip(layers, poses, strict=True)]
    shifts = [(round(pose.dx_px), round(pose.dy_px)) if is_whole(pose) else (0, 0) for pose in poses]
    return pixels.merged(layers, weights, curve, shifts=shifts, gains=[layer.gain for layer in stack.layers])


@st.composite
def stacks(draw):
    width, height = draw(st.integers(2, 24)), draw(st.integers(2, 18))
    number = st.floats(-4, 28)
    radius = st.floats(0.5, 20)
    gain = st.floats(0.25, 4)
    layers = []
    for name in "abcd"[: draw(st.integers(1, 4))]:
        oval = Oval(
            x=draw(number), y=draw(number), rx=draw(radius), ry=draw(radius), rotation_deg=draw(st.floats(-180, 180))
        )
        curve = Curve(points=tuple(Point(x=draw(number), y=draw(number)) for _ in range(4)))
        gains = (1.0, 1.0, 1.0) if draw(st.booleans()) else (draw(gain), draw(gain), draw(gain))
        layers.append(
            Layer(
                take=name,
                shape=draw(st.sampled_from([oval, curve])) if layers else None,
                opacity=draw(st.sampled_from([1.0, 1.0, 0.4])) if layers else 1.0,
                fills=draw(st.sampled_from([0.0, 0.0, 0.7])) if layers else 0.0,
                feather_px=draw(st.sampled_from([0.0, 1.5, 6.0, 15.0])),
                gain=gains,
            )
        )
    return Stack(width=width, height=height, layers=tuple(layers))


@settings(max_examples=150)
@given(
    stacks(),
    st.sampled_from(["444", "422", "420"]),
    st.sampled_from([8, 10]),
    st.sampled_from(["bt709", "bt601", "bt2020nc"]),
    st.sampled_from(["limited", "full"]),
    st.sampled_from(["computed", "looked up"]),
    st.integers(0, 1000),
)
def test_the_kernel_lies_within_one_code_of_the_definition(stack, chroma, depth, matrix, value_range, way, seed):
    curve = {"computed": acescct.CURVE, "looked up": SRGB}[way]
    rng = np.random.default_rng(seed)
    poses = [Pose(dx_px=dx, dy_px=dy) for dx, dy in rng.integers(-5, 6, (len(stack.layers), 2)).tolist()]
    layers = [random_planes(rng, stack.width, stack.height, chroma, depth, matrix, value_range) for _ in stack.layers]
    found = Merger(stack, curve, Form.of(layers[0])).merge(layers, poses)
    expected = defined(stack, layers, curve, poses)
    for name in ("y", "u", "v"):
        ours, theirs = (getattr(planes, name).astype(int) for planes in (found, expected))
        assert np.abs(ours - theirs).max() <= 1


@pytest.mark.parametrize("chroma", ["444", "422", "420"])
@pytest.mark.parametrize("move", [(0, 0), (7, -3), (-8, 2)])
def test_frames_of_several_bands_and_many_pixels_at_once_are_merged_as_defined(chroma, move):
    # Rows long enough for vector instructions and what is left over, and memory with gaps, as decoders give it.
    rng = np.random.default_rng(7)
    width, height = 301, 139
    oval = Oval(x=150, y=70, rx=80, ry=50)
    stack = Stack(width=width, height=height, layers=(Layer(take="a"), Layer(take="b", shape=oval, feather_px=60)))
    layers = []
    for _ in stack.layers:
        planes = random_planes(rng, 352, height, chroma, 10)
        cells = -(-width // pixels.colour_steps(chroma)[0])
        layers.append(Planes(planes.y[:, :width], planes.u[:, :cells], planes.v[:, :cells], 10, "bt709", "limited"))
    poses = [Pose(dx_px=move[0], dy_px=move[1])] * 2
    found = Merger(stack, acescct.CURVE, Form.of(layers[0])).merge(layers, poses)
    expected = defined(stack, layers, acescct.CURVE, poses)
    for name in ("y", "u", "v"):
        ours, theirs = (getattr(planes, name).astype(int) for planes in (found, expected))
        assert np.abs(ours - theirs).max() <= 1


def test_a_layer_moved_by_fractions_is_resampled_where_it_shows():
    rng = np.random.default_rng(12)
    layers = [random_planes(rng, 64, 40, "422", 10) for _ in range(2)]
    oval = Oval(x=30, y=20, rx=12, ry=9)
    stack = Stack(width=64, height=40, layers=(Layer(take="a"), Layer(take="b", shape=oval)))
    poses = [Pose(), Pose(dx_px=1.4, dy_px=-0.3, rotation_deg=0.5)]
    found = Merger(stack, acescct.CURVE, Form.of(layers[0])).merge(layers, poses)
    shows = stack_weights(stack, range(40))[1] == 1
    # Nothing is blended here: copies of what lies beneath, and the resampled frame, itself within a code.
    np.testing.assert_array_equal(found.y[~shows], layers[0].y[~shows])
    assert np.abs(found.y.astype(int) - warped(layers[1], poses[1]).y)[shows].max() <= 1


def test_a_display_encoding_is_merged_as_well():
    rng = np.random.default_rng(2)
    stack = Stack(
        width=40,
        height=30,
        layers=(Layer(take="a"), Layer(take="b", shape=Oval(x=20, y=15, rx=9, ry=9), feather_px=20)),
    )
    layers = [random_planes(rng, 40, 30, "422", 10) for _ in range(2)]
    found, expected = Merger(stack, SRGB, Form.of(layers[0])).merge(layers), defined(stack, layers, SRGB)
    assert np.abs(found.y.astype(int) - expected.y).max() <= 1


@pytest.mark.parametrize("chroma", ["444", "422", "420"])
def test_where_one_layer_shows_alone_its_codes_are_copied(chroma):
    rng = np.random.default_rng(4)
    oval = Oval(x=16, y=8, rx=7, ry=5)
    stack = Stack(width=32, height=16, layers=(Layer(take="a"), Layer(take="b", shape=oval, feather_px=4)))
    below, above = (random_planes(rng, 32, 16, chroma, 10) for _ in range(2))
    found = Merger(stack, acescct.CURVE, Form.of(below)).merge([below, above], [Pose(), Pose(dx_px=2, dy_px=-2)])
    weights = stack_weights(stack, range(16))
    np.testing.assert_array_equal(found.y[weights[0] == 1], below.y[weights[0] == 1])
    moved = pixels.shifted(above.y, 2, -2)
    alone = weights[1] == 1
    # Cells that also hold a soft pixel go through light, which may cost a code; whole cells may not.
    across, down = pixels.colour_steps(chroma)
    cells = (
        np.add.reduceat(np.add.reduceat(alone, np.arange(0, 32, across), 1), np.arange(0, 16, down), 0) == across * down
    )
    whole = np.repeat(np.repeat(cells, across, 1), down, 0)
    assert whole.any()
    np.testing.assert_array_equal(found.y[whole], moved[whole])
    np.testing.assert_array_equal(found.u[cells], pixels.shifted(above.u, 2 // across, -2 // down)[cells])


def test_equal_layers_merge_into_themselves():
    planes = random_planes(np.random.default_rng(6), 48, 32, "422", 10)
    ovals = [Layer(take=name, shape=Oval(x=x, y=16, rx=14, ry=10), feather_px=12) for name, x in (("b", 14), ("c", 30))]
    stack = Stack(width=48, height=32, layers=(Layer(take="a"), *ovals))
    found = Merger(stack, acescct.CURVE, Form.of(planes)).merge([planes] * 3)
    assert np.abs(found.y.astype(int) - planes.y).max() <= 1


def test_a_layer_that_shows_nowhere_need_not_be_given():
    whole = Oval(x=8, y=8, rx=100, ry=100)
    stack = Stack(width=16, height=16, layers=(Layer(take="a"), Layer(take="b", shape=whole, feather_px=2)))
    top = random_planes(np.random.default_rng(1), 16, 16, "420", 8)
    merger = Merger(stack, acescct.CURVE, Form.of(top))
    assert merger.shows == (False, True)
    np.testing.assert_array_equal(merger.merge([None, top]).y, top.y)


def test_a_frame_without_layers_is_without_light():
    dark = Merger(Stack(width=4, height=2), acescct.CURVE, Form(10, "422", "bt709", "full")).merge([])
    # ACEScct of 0 is 0.0729055 (Academy S-2016-001): full-range code 74.58.
    assert set(dark.y.ravel().tolist()) == {75}
    assert set(dark.u.ravel().tolist()) == {512}


def test_decoder_memory_is_read_as_it_lies():
    # Decoders give read-only views with padded rows.
    padded = np.random.default_rng(1).integers(64, 940, (6, 32)).astype(np.uint16)
    padded.flags.writeable = False
    planes = Planes(padded[:, :20], padded[:, :10], padded[:, 10:20], 10, "bt709", "limited")
    stack = Stack(width=20, height=6, layers=(Layer(take="a"),))
    np.testing.assert_array_equal(Merger(stack, acescct.CURVE, Form.of(planes)).merge([planes]).y, planes.y)


def test_most_of_a_frame_of_ovals_is_copied():
    layers = [Layer(take="a"), Layer(take="b", shape=Oval(x=100, y=60, rx=40, ry=30), feather_px=6)]
    compiled = compile_stack(Stack(width=200, height=120, layers=tuple(layers)), "422")
    # The soft ring is about perimeter x feather: 221 x 6 pixels, and up to a cell on either side of each row of it.
    blended = 2 * sum(int((runs[:, 2] - runs[:, 1]).sum()) for runs in compiled.blended)
    assert 221 * 6 < blended < 221 * 6 + 4 * 66 * 2


def test_what_does_not_fit_is_refused():
    planes = random_planes(np.random.default_rng(1), 16, 8, "422", 10)
    stack = Stack(width=16, height=8, layers=(Layer(take="cello-1"),))
    merger = Merger(stack, acescct.CURVE, Form.of(planes))
    with pytest.raises(InvalidInput, match=r"cello-1.*8 x 8.*16 x 8"):
        merger.merge([random_planes(np.random.default_rng(1), 8, 8, "422", 10)])
    with pytest.raises(InvalidInput, match=r"cello-1.*8-bit"):
        merger.merge([random_planes(np.random.default_rng(1), 16, 8, "422", 8)])
    with pytest.raises(InvalidInput, match="no frame of it was given"):
        merger.merge([None])


def test_a_merger_that_reuses_its_planes_gives_the_same_frames_one_after_another():
    rng = np.random.default_rng(21)
    stack = Stack(width=64, height=48, layers=(Layer(take="a"), Layer(take="b", shape=Oval(x=30, y=20, rx=9, ry=9))))
    frames = [[random_planes(rng, 64, 48, "422", 10) for _ in stack.layers] for _ in range(3)]
    kept, over = (Merger(stack, acescct.CURVE, Form.of(frames[0][0]), reuses=reuses) for reuses in (False, True))
    expected = [kept.merge(layers) for layers in frames]
    for layers, wanted in zip(frames, expected, strict=True):
        found = over.merge(layers)
        for name in ("y", "u", "v"):
            np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name))
    assert over.merge(frames[0]).y is found.y
