"""Resampling: the definition against truth and other libraries, the fast path against the definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.film.records import Pose
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.warp import (
    bare_border,
    displacements,
    fast_warped,
    is_whole,
    matrix_of,
    settled,
    warped,
    weights_at,
)


def noise(rng, width, height, chroma="422", depth=10):
    across, down = pixels.colour_steps(chroma)
    small = (-(-height // down), -(-width // across))
    kind = np.uint8 if depth == 8 else np.uint16
    y, u, v = (rng.integers(0, 1 << depth, shape).astype(kind) for shape in ((height, width), small, small))
    return Planes(y, u, v, depth, "bt709", "limited")


def waves(x, y):
    """Return a picture that a camera could have taken: no wave is shorter than five pixels."""
    return 500 + 180 * np.sin(0.9 * x + 0.3 * y) + 120 * np.cos(0.5 * x - 1.1 * y + 1)


def painted(width, height, pose, chroma="422"):
    """Return the frame that the pose lays on ``waves``, in luma and colour, colour in the middle of its luma."""
    matrix = matrix_of(pose, width, height)
    across, down = pixels.colour_steps(chroma)

    def plane(step_x, step_y):
        x = np.arange(-(-width // step_x)) * step_x + (step_x - 1) / 2
        y = np.arange(-(-height // step_y))[:, None] * step_y + (step_y - 1) / 2
        # Colour is drawn in waves as long in its own samples as luma's are.
        at_x, at_y = (matrix[row, 0] * x + matrix[row, 1] * y + matrix[row, 2] for row in (0, 1))
        return pixels.rounded(waves(at_x / step_x, at_y / step_y), 10)

    colour = plane(across, down)
    return Planes(plane(1, 1), colour, colour, 10, "bt709", "limited")


POSES = [
    Pose(dx_px=0.5, dy_px=-0.25),
    Pose(dx_px=2.37, dy_px=1.5, rotation_deg=0.4),
    Pose(rotation_deg=-0.3, scale=1.006),
    Pose(dx_px=-1.2, scale=0.994),
]


@pytest.mark.parametrize("chroma", ["444", "422", "420"])
@pytest.mark.parametrize("pose", POSES)
def test_a_moved_picture_is_brought_back(pose, chroma):
    found, truth = warped(painted(160, 90, pose, chroma), pose), painted(160, 90, Pose(), chroma)
    for name in ("y", "u", "v"):
        error = (getattr(found, name).astype(float) - getattr(truth, name))[8:-8, 8:-8]
        # The kernel follows waves of five pixels within about 1 % of their 300 codes; a quarter of a pixel laid wrong
        # would be an error of 40 codes.
        assert np.abs(error).max() < 6
        assert np.abs(error.mean()) < 0.2


def test_the_kernel_agrees_with_another_library():
    # Pillow's resize from a box that begins between pixels, with its Lanczos filter, also of three lobes with weights
    # that are divided by their sum, in single precision.
    image = pytest.importorskip("PIL.Image")
    frame = noise(np.random.default_rng(9), 90, 60)
    given = image.fromarray(frame.y.astype(np.float32))
    theirs = np.asarray(given.resize((80, 50), image.Resampling.LANCZOS, box=(5.3, 4.8, 85.3, 54.8)))
    ours = warped(frame, Pose(dx_px=-0.3, dy_px=0.2)).y[5:55, 5:85]
    inside = (theirs > 0.5) & (theirs < 1022.5)  # ours holds to the codes that there are
    assert inside.mean() > 0.8
    # Half a code is our rounding.
    assert np.abs(ours - theirs)[inside].max() < 0.51


def test_weights_are_the_kernels_published_values():
    # Duchon (1979): the kernel is 1 at 0 and 0 at other whole numbers; at a half, sinc(1/2) sinc(1/6) = 0.60793 ...
    np.testing.assert_allclose(weights_at(0.0), [0, 0, 1, 0, 0, 0], atol=1e-15)
    half = np.array([0.024317, -0.135095, 0.607927])  # sinc(x) sinc(x/3) at 2.5, 1.5, 0.5, worked out by hand
    np.testing.assert_allclose(weights_at(0.5)[:3], half / (2 * half.sum()), atol=2e-6)


@settings(max_examples=60)
@given(
    st.tuples(st.integers(2, 50), st.integers(2, 40)),
    st.tuples(st.floats(-6, 6), st.floats(-6, 6), st.floats(-3, 3), st.floats(0.97, 1.03)),
    st.sampled_from(["444", "422", "420"]),
    st.sampled_from([8, 10]),
    st.integers(0, 1000),
)
def test_the_fast_path_lies_within_one_code_of_the_definition(size, values, chroma, depth, seed):
    frame = noise(np.random.default_rng(seed), *size, chroma, depth)
    pose = Pose(dx_px=values[0], dy_px=values[1], rotation_deg=values[2], scale=values[3])
    ours, defined = fast_warped(frame, pose), warped(frame, pose)
    for name in ("y", "u", "v"):
        assert np.abs(getattr(ours, name).astype(int) - getattr(defined, name)).max() <= 1


def test_only_the_rows_asked_for_are_drawn():
    frame, pose = noise(np.random.default_rng(3), 60, 40, "420"), Pose(dx_px=0.4, rotation_deg=1.0)
    part, whole = fast_warped(frame, pose, range(13, 22)), fast_warped(frame, pose)
    np.testing.assert_array_equal(part.y[13:22], whole.y[13:22])
    np.testing.assert_array_equal(part.u[6:11], whole.u[6:11])


@given(st.integers(-5, 5), st.integers(-5, 5))
def test_a_move_by_whole_pixels_is_a_copy(dx, dy):
    frame = noise(np.random.default_rng(1), 24, 18, "444")
    np.testing.assert_array_equal(warped(frame, Pose(dx_px=dx, dy_px=dy)).y, pixels.shifted(frame.y, dx, dy))


def test_an_even_picture_stays_even():
    frame = Planes(*(np.full((20, 30), code, np.uint16) for code in (700, 511, 513)), 10, "bt709", "limited")
    for pose in POSES:
        for moved in (warped(frame, pose), fast_warped(frame, pose)):
            assert [set(plane.ravel().tolist()) for plane in (moved.y, moved.u, moved.v)] == [{700}, {511}, {513}]


def test_what_lies_close_to_whole_pixels_is_settled_there():
    assert settled(Pose(dx_px=-2.08, dy_px=0.05), 1280, 720) == Pose(dx_px=-2.0)
    assert settled(Pose(dx_px=0.13), 1280, 720).dx_px == 0.13
    # 0.02 degrees are a quarter of a pixel at the corner of this frame, though its centre stays.
    assert not is_whole(settled(Pose(rotation_deg=0.02), 1280, 720))
    assert settled(Pose(rotation_deg=0.002), 1280, 720) == Pose()


def test_displacements_are_those_of_corners_and_centre():
    # A frame of 3 x 2 turned by 90 degrees clockwise about (1, 0.5): its left top corner (-1, -0.5) goes to (0.5, -1).
    moved = displacements(Pose(dx_px=10, rotation_deg=90), 3, 2)
    np.testing.assert_allclose(moved[[0, 4]], [[11.5, -0.5], [10, 0]], atol=1e-12)


def test_the_bare_strip_is_as_wide_as_the_move_leaves():
    assert bare_border(Pose(dx_px=2, dy_px=-1), 64, 36) == pytest.approx(2)
    assert bare_border(Pose(scale=1.01), 101, 51) == 0
    assert bare_border(Pose(scale=0.98), 101, 51) == pytest.approx(1)
