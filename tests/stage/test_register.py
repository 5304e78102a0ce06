"""Registration of pictures whose shift we made, under other light."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.stage.register import drawing, find_shift


def room(seed: int = 0, size: tuple[int, int] = (180, 320)) -> np.ndarray:
    """Paint a room of boxes and lines, larger than its frame by 20 pixels all round."""
    rng = np.random.default_rng(seed)
    height, width = size[0] + 40, size[1] + 40
    picture = np.full((height, width), 0.3)
    for _ in range(60):
        x, y, w, h = rng.integers(0, width), rng.integers(0, height), rng.integers(4, 60), rng.integers(4, 50)
        picture[y : y + h, x : x + w] = rng.random() * 0.6
    return cv2.GaussianBlur(picture, (0, 0), 0.9)


def seen(
    picture: np.ndarray, dx: float, dy: float, *, light: tuple[float, float], noise: float, seed: int
) -> np.ndarray:
    """Return the frame moved by (dx, dy), with a lamp at one place and the camera's noise."""
    height, width = picture.shape
    moved = cv2.warpAffine(
        picture, np.array([[1, 0, dx], [0, 1, dy]], float), (width, height), flags=cv2.INTER_LANCZOS4
    )
    y, x = np.mgrid[0:height, 0:width]
    pool = 0.35 + np.exp(-(((x - light[0]) / 70) ** 2) - ((y - light[1]) / 60) ** 2)
    frame = (moved * pool)[20:-20, 20:-20]
    return frame + np.random.default_rng(seed).normal(0, noise, frame.shape)


@pytest.mark.parametrize(("dx", "dy"), [(0.0, 0.0), (1.0, -2.0), (0.5, 0.25), (-3.4, 2.7), (6.2, -5.1)])
def test_a_known_shift_is_found_under_another_light(dx, dy):
    picture = room()
    reference = seen(picture, 0, 0, light=(100, 110), noise=0.003, seed=1)
    moved = seen(picture, -dx, -dy, light=(260, 90), noise=0.003, seed=2)
    found = find_shift(reference, moved)
    # A tenth of a pixel is the mark within which locked-off takes should lie (ours, no standard's).
    assert (found.dx_px, found.dy_px) == (pytest.approx(dx, abs=0.1), pytest.approx(dy, abs=0.1))
    assert found.certainty > 0.6


def test_a_player_does_not_carry_the_answer_away():
    picture = room(3)
    reference = seen(picture, 0, 0, light=(180, 110), noise=0.002, seed=1)
    moved = seen(picture, -1.3, 0.8, light=(180, 110), noise=0.002, seed=2)
    moved[60:150, 100:160] = np.random.default_rng(5).random((90, 60))
    found = find_shift(reference, moved)
    assert (found.dx_px, found.dy_px) == (pytest.approx(1.3, abs=0.1), pytest.approx(-0.8, abs=0.1))


def test_shift_agrees_with_a_reference_library():
    # scikit-image's upsampled phase correlation (Guizar-Sicairos et al. 2008) returns (row, column) of the shift that
    # lays the second picture on the first; two roads to one answer, within the mark of a tenth of a pixel.
    from skimage.registration import phase_cross_correlation

    picture = room(7)
    reference = seen(picture, 0, 0, light=(180, 110), noise=0.001, seed=1)
    moved = seen(picture, 2.4, -1.6, light=(180, 110), noise=0.001, seed=2)
    found = find_shift(reference, moved)
    window = np.outer(np.hanning(180), np.hanning(320))
    theirs = phase_cross_correlation(drawing(reference) * window, drawing(moved) * window, upsample_factor=50)[0]
    assert (found.dy_px, found.dx_px) == (pytest.approx(theirs[0], abs=0.1), pytest.approx(theirs[1], abs=0.1))


def test_two_rooms_are_no_certain_match():
    assert find_shift(room(1), room(2)).certainty < 0.35


def test_nothing_to_see_is_no_answer():
    flat = np.full((90, 160), 0.4)
    assert find_shift(flat, flat).certainty == 0


def test_pictures_that_cannot_be_laid_on_each_other_are_refused():
    with pytest.raises(InvalidInput, match="160 x 90 and 320 x 180"):
        find_shift(np.zeros((90, 160)), np.zeros((180, 320)))
