"""Registration of pictures whose pose we made, under other light."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.render.registration import Found, composed, distance_px, drawing, find_pose, inverted
from partsong.render.warp import matrix_of

WIDTH, HEIGHT, MARGIN, OVER = 320, 180, 20, 4


def room(seed: int = 0) -> np.ndarray:
    """Paint a room of boxes four times as large as its frame, and a margin larger all round."""
    rng = np.random.default_rng(seed)
    height, width = ((side + 2 * MARGIN) * OVER for side in (HEIGHT, WIDTH))
    picture = np.full((height, width), 0.3)
    for _ in range(60):
        x, y, w, h = (int(rng.integers(low, high)) for low, high in ((0, width), (0, height), (16, 240), (16, 200)))
        picture[y : y + h, x : x + w] = rng.random() * 0.6
    return cv2.GaussianBlur(picture, (0, 0), 0.9 * OVER)


def seen(picture: np.ndarray, pose: Pose, *, light: tuple[float, float], noise: float, seed: int) -> np.ndarray:
    """Return the frame that ``pose`` lays on the room, with a lamp at one place and the camera's noise."""
    matrix = matrix_of(pose, WIDTH, HEIGHT)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    at = np.einsum("ij,jhw->ihw", matrix, np.stack([x, y, np.ones_like(x)]))
    at = (at + MARGIN + 0.5) * OVER - 0.5
    # OpenCV rounds places to 1/32: of a picture four times as large that is under 0.004 pixel of the frame.
    moved = cv2.remap(picture, at[0].astype(np.float32), at[1].astype(np.float32), cv2.INTER_LINEAR)
    pool = 0.35 + np.exp(-(((at[0] / OVER - light[0]) / 70) ** 2) - ((at[1] / OVER - light[1]) / 60) ** 2)
    return moved * pool + np.random.default_rng(seed).normal(0, noise, moved.shape)


@pytest.mark.parametrize(
    "pose",
    [
        Pose(),
        Pose(dx_px=1.0, dy_px=-2.0),
        Pose(dx_px=0.5, dy_px=0.25),
        Pose(dx_px=-3.4, dy_px=2.7, rotation_deg=0.15),
        Pose(dx_px=6.2, dy_px=-5.1, scale=1.004),
        Pose(rotation_deg=-0.4, scale=0.996),
    ],
)
def test_a_known_pose_is_found_under_another_light(pose):
    picture = room()
    reference = seen(picture, Pose(), light=(100, 110), noise=0.003, seed=1)
    moved = seen(picture, pose, light=(260, 90), noise=0.003, seed=2)
    found = find_pose(reference, moved)
    # The mark for the worst of many pairs at 1280 x 720; this frame has a sixteenth of those pixels to go by.
    assert distance_px(found.pose, pose, WIDTH, HEIGHT) < 0.15
    assert found.same_room
    assert found.certainty > 0.5


def test_a_player_does_not_carry_the_answer_away():
    picture, pose = room(3), Pose(dx_px=1.3, dy_px=-0.8)
    reference = seen(picture, Pose(), light=(180, 110), noise=0.002, seed=1)
    moved = seen(picture, pose, light=(180, 110), noise=0.002, seed=2)
    moved[60:150, 100:160] = np.random.default_rng(5).random((90, 60))
    assert distance_px(find_pose(reference, moved).pose, pose, WIDTH, HEIGHT) < 0.1


def rods(seed: int) -> np.ndarray:
    """Paint a room of thin rods, which a move by more than their width takes quite off themselves."""
    rng = np.random.default_rng(seed)
    height, width = ((side + 2 * MARGIN) * OVER for side in (HEIGHT, WIDTH))
    picture = np.full((height, width), 0.3)
    for _ in range(40):
        x, y = int(rng.integers(0, width)), int(rng.integers(0, height))
        across, down = (300, 6) if rng.random() < 0.5 else (6, 300)
        picture[y : y + down, x : x + across] = 0.6
    return cv2.GaussianBlur(picture, (0, 0), 0.6 * OVER)


@pytest.mark.parametrize("pose", [Pose(dx_px=-2.0, dy_px=0.5), Pose(dx_px=-4.0, dy_px=3.0)])
def test_a_mask_that_is_the_same_in_both_pictures_does_not_hold_them_in_place(pose):
    # With this seed the product of masked pictures has all its peaks at the masks' own edges, none near the move.
    picture, still = rods(9), np.ones((HEIGHT, WIDTH), bool)
    for left in (30, 110, 190, 260):
        still[20:, left : left + 32] = False
    reference = seen(picture, Pose(), light=(100, 110), noise=0.004, seed=1)
    moved = seen(picture, pose, light=(260, 90), noise=0.004, seed=2)
    found = find_pose(reference, moved, still)
    assert distance_px(found.pose, pose, WIDTH, HEIGHT) < 0.15
    assert found.same_room


def test_noise_does_not_pull_towards_no_move():
    # Noise in one picture's gradients makes every step too short; enough of it would stop the search half way.
    picture, pose = room(4), Pose(dx_px=0.5, dy_px=-0.5)
    found = []
    for seed in range(6):
        reference = seen(picture, Pose(), light=(180, 110), noise=0.02, seed=2 * seed)
        moved = seen(picture, pose, light=(180, 110), noise=0.02, seed=2 * seed + 1)
        found.append(find_pose(reference, moved).pose)
    # The mean of six: a pull would show in all of them alike.
    assert np.mean([one.dx_px for one in found]) == pytest.approx(0.5, abs=0.05)
    assert np.mean([one.dy_px for one in found]) == pytest.approx(-0.5, abs=0.05)


def test_a_shift_agrees_with_a_reference_library():
    # scikit-image's upsampled phase correlation (Guizar-Sicairos et al. 2008) returns (row, column) of the shift that
    # lays the second picture on the first; two roads to one answer, within the mark of a tenth of a pixel.
    from skimage.registration import phase_cross_correlation

    picture = room(7)
    reference = seen(picture, Pose(), light=(180, 110), noise=0.001, seed=1)
    moved = seen(picture, Pose(dx_px=-2.4, dy_px=1.6), light=(180, 110), noise=0.001, seed=2)
    pose = find_pose(reference, moved).pose
    window = np.outer(np.hanning(HEIGHT), np.hanning(WIDTH))
    one, other = (drawing(np.asarray(frame, np.float32)) * window for frame in (reference, moved))
    theirs = phase_cross_correlation(one, other, upsample_factor=50)[0]
    assert (pose.dy_px, pose.dx_px) == (pytest.approx(theirs[0], abs=0.1), pytest.approx(theirs[1], abs=0.1))


def test_two_rooms_are_told_apart():
    one, other = (seen(room(seed), Pose(), light=(180, 110), noise=0.002, seed=seed) for seed in (1, 2))
    found = find_pose(one, other)
    assert not found.same_room
    assert found.certainty == 0


def test_nothing_to_see_is_no_answer():
    flat = np.full((90, 160), 0.4)
    found = find_pose(flat, flat)
    assert (found.seen, found.certainty) == (0, 0)


def test_certainty_is_the_chance_to_lie_within_the_mark():
    # Rayleigh: with a mean square of r^2 the circle of radius r holds 1 - 1/e.
    assert Found(Pose(), 0.15, 1.0, 12).certainty == pytest.approx(1 - np.exp(-1))
    assert Found(Pose(), 0.15, 0.2, 12).certainty == 0


def test_pictures_that_cannot_be_laid_on_each_other_are_refused():
    with pytest.raises(InvalidInput, match="160 x 90 and 320 x 180"):
        find_pose(np.zeros((90, 160)), np.zeros((180, 320)))


@given(st.tuples(st.floats(-9, 9), st.floats(-9, 9), st.floats(-20, 20), st.floats(0.8, 1.2)))
def test_a_pose_and_its_inverse_undo_each_other(values):
    pose = Pose(**dict(zip(("dx_px", "dy_px", "rotation_deg", "scale"), values, strict=True)))
    assert distance_px(composed(pose, inverted(pose)), Pose(), WIDTH, HEIGHT) < 1e-6
    both = np.vstack([matrix_of(composed(pose, pose), WIDTH, HEIGHT), [0, 0, 1]])
    once = np.vstack([matrix_of(pose, WIDTH, HEIGHT), [0, 0, 1]])
    np.testing.assert_allclose(both, once @ once, atol=1e-6)
