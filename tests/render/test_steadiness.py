"""A camera followed over a take whose path we made."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.render.registration import distance_px, inverted
from partsong.render.steadiness import _knocked_between, course_of
from partsong.render.warp import matrix_of

WIDTH, HEIGHT, FRAMES = 320, 180, 1000
SAMPLES = [25 + 50 * number for number in range(20)]


class Camera:
    """Films a painted room from a path: ``path(frame)`` is the pose that lays that frame on the room."""

    def __init__(self, path):
        rng = np.random.default_rng(5)
        room = np.full((HEIGHT, WIDTH), 0.3, np.float32)
        for _ in range(60):
            x, y, w, h = (int(rng.integers(low, high)) for low, high in ((0, 320), (0, 180), (4, 60), (4, 50)))
            room[y : y + h, x : x + w] = rng.random() * 0.6
        self.room, self.path, self.looked = cv2.GaussianBlur(room, (0, 0), 1.0), path, 0

    def __call__(self, frames):
        self.looked += len(frames)
        return [self.frame(number) for number in frames]

    def frame(self, number):
        picture = self.room.copy()
        column = 150 + round(20 * np.sin(number))
        picture[60:140, column : column + 20] = 0.8  # the player
        moved = cv2.warpAffine(
            picture, matrix_of(inverted(self.path(number)), WIDTH, HEIGHT), (WIDTH, HEIGHT),
            flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        return (moved + np.random.default_rng(number).normal(0, 0.004, moved.shape)).astype(np.float32)

    def course(self):
        pictures = self(SAMPLES)
        self.looked = 0
        return course_of(self, SAMPLES, pictures, width=WIDTH, height=HEIGHT, rate_hz=25)


def test_a_camera_that_stood_still_has_one_pose():
    course = Camera(lambda frame: Pose()).course()
    assert (course.knocks, len(course.keys), course.sag_px) == ((), 1, 0.0)
    assert distance_px(course.keys[0].pose, Pose(), WIDTH, HEIGHT) < 0.03


@pytest.mark.parametrize(
    ("at", "pose"),
    [
        (613, Pose(dx_px=-1.0, dy_px=1.0)),
        (438, Pose(dx_px=0.5)),
        (777, Pose(dx_px=4, rotation_deg=0.3)),
        (341, Pose(dx_px=-0.09, dy_px=0.12)),
    ],
)
def test_a_knock_is_found_to_the_frame(at, pose):
    camera = Camera(lambda frame: pose if frame >= at else Pose())
    course = camera.course()
    (knock,) = course.knocks
    assert abs(knock.frame - at) <= 3  # the mark; a clean step should be found exactly
    assert distance_px(knock.after, pose, WIDTH, HEIGHT) < 0.1
    # Halving 50 frames and reading the last dozen at once; then what could still swing, up to the next sample.
    assert camera.looked < 3 + 12 + 50


@pytest.mark.parametrize("at", [500, 515, 519, 522, 524])  # a sample is taken in frame 525: at rest, or in the swing
def test_the_swing_after_a_knock_is_followed(at):
    def path(frame):
        since = max(frame - at, 0) / 25
        return Pose(dy_px=3 * (1 - np.exp(-since / 0.15) * np.cos(2 * np.pi * 3 * since)) * (frame >= at))

    course = Camera(path).course()
    (knock,) = course.knocks
    assert at <= knock.frame <= at + 3
    assert knock.frame < knock.rests <= at + 20
    assert distance_px(knock.after, Pose(dy_px=3), WIDTH, HEIGHT) < 0.1
    frames = [key.frame for key in course.keys]
    assert frames == sorted(set(frames))
    keys = {key.frame: key.pose for key in course.keys}
    for frame in range(knock.frame, knock.rests):
        assert distance_px(keys[frame], path(frame), WIDTH, HEIGHT) < 0.2


@pytest.mark.parametrize("way", [1, -1])
def test_a_small_knock_along_or_against_a_sag_is_named(way):
    course = Camera(lambda frame: Pose(dy_px=2.0 * frame / FRAMES + 0.4 * way * (frame >= 613))).course()
    (knock,) = course.knocks
    assert abs(knock.frame - 613) <= 3


def test_a_sag_that_dies_away_is_no_knock():
    course = Camera(lambda frame: Pose(dy_px=1.5 * (1 - np.exp(-5 * frame / FRAMES)))).course()
    assert course.knocks == ()
    assert course.sag_px > 1


def test_a_slow_sag_is_followed_and_is_no_knock():
    path = [Pose(dy_px=2.0 * frame / FRAMES, rotation_deg=0.1 * frame / FRAMES) for frame in range(FRAMES)]
    course = Camera(path.__getitem__).course()
    assert course.knocks == ()
    assert len(course.keys) >= 2
    start = path[SAMPLES[0]]
    for frame, pose in zip(SAMPLES, course.at_samples, strict=True):
        true = Pose(dy_px=path[frame].dy_px - start.dy_px, rotation_deg=path[frame].rotation_deg - start.rotation_deg)
        assert distance_px(pose, true, WIDTH, HEIGHT) < 0.1
    assert course.sag_px == pytest.approx(1.9, abs=0.2)


def test_one_odd_frame_is_no_knock():
    course = Camera(lambda frame: Pose(dx_px=2.0) if frame == SAMPLES[7] else Pose()).course()
    assert course.knocks == ()


def test_the_least_knock_stands_out_of_samples_that_scatter():
    rng = np.random.default_rng(1)
    for gap in range(2, 11):
        scatter = rng.normal(0, 0.01, (14, 2))
        knocked = scatter + np.where(np.arange(14)[:, None] > gap, (0.09, -0.12), 0.0)
        for path, found in ((scatter, []), (knocked, [gap])):
            poses = [Pose(dx_px=float(right), dy_px=float(down)) for right, down in path]
            assert _knocked_between(poses, WIDTH, HEIGHT) == found


def test_a_take_without_frames_is_refused():
    with pytest.raises(InvalidInput, match="no frames"):
        course_of(lambda frames: [], [], [], width=4, height=4, rate_hz=25)
