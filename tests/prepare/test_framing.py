"""The frame of a planned stage: places in it as OpenCV projects them, who hides whom, and what reaches outside."""

import math

import cv2
import numpy as np
import pytest

from partsong.film.records import PlannedCamera, PlannedSpot
from partsong.prepare.framing import Box, box_of, coverings, outside, view_of

CAMERA = PlannedCamera(focal_mm=24.0, sensor_mm=36.0, height_m=1.4, tilt_deg=-7.0)
ASPECT = 16 / 9


def in_opencv(points, camera):
    """Return where OpenCV's pinhole camera sees points of the plan, as shares of the frame."""
    tilt = math.radians(camera.tilt_deg)
    # Rows: to the right, down and forward, of a camera that looks up by the tilt.
    turned = np.array(
        [[1, 0, 0], [0, math.sin(tilt), -math.cos(tilt)], [0, math.cos(tilt), math.sin(tilt)]], np.float64
    )
    moved = -turned @ np.array([0, 0, camera.height_m])
    focal = camera.focal_mm / camera.sensor_mm
    lens = np.array([[focal, 0, 0.5], [0, focal * ASPECT, 0.5], [0, 0, 1]])
    seen, _ = cv2.projectPoints(np.array(points, np.float64), cv2.Rodrigues(turned)[0], moved, lens, None)
    return seen.reshape(-1, 2)


def test_places_in_the_frame_are_those_of_a_pinhole_camera():
    view = view_of(CAMERA, ASPECT)
    points = np.random.default_rng(3).uniform((-4, 1, 0), (4, 9, 3), (200, 3))
    ours = np.array([view.place(*point) for point in points])
    assert np.abs(ours - in_opencv(points, CAMERA)).max() < 1e-9
    assert view.place(0, -1, 1.4) is None  # behind the lens


def test_the_box_of_a_spot_holds_its_player_from_the_feet_up():
    view = view_of(PlannedCamera(focal_mm=18.0, sensor_mm=36.0, height_m=1.0), 2.0)
    # 18 of 36 mm: the frame is twice as wide as a place is far, 8 m at 4 m, and 4 m high.
    box = box_of(view, PlannedSpot(part="bass", x_m=2.0, y_m=4.0, width_m=0.8, height_m=2.0))
    assert (box.left, box.right) == pytest.approx((0.5 + 1.6 / 8, 0.5 + 2.4 / 8))
    assert (box.top, box.bottom) == pytest.approx((0.25, 0.75))
    assert box.across == pytest.approx(0.75)


def test_who_stands_before_whom_and_what_would_part_them():
    view = view_of(PlannedCamera(focal_mm=18.0, sensor_mm=36.0, height_m=1.0), 2.0)
    near = PlannedSpot(part="cello", x_m=0.0, y_m=3.0, width_m=1.2, height_m=1.2)
    far = PlannedSpot(part="bells", x_m=0.5, y_m=5.0, width_m=1.0, height_m=1.6)
    (found,) = coverings(view, (far, near, PlannedSpot(part="oboe", x_m=-3.0, y_m=4.0)))
    assert (found.nearer, found.farther) == ("cello", "bells")
    moved = near.replace(x_m=near.x_m - found.apart_m)
    assert box_of(view, moved).right == pytest.approx(box_of(view, far).left)
    # Everything is hidden behind something larger.
    (whole,) = coverings(view, (far.replace(x_m=0.0), near.replace(width_m=3.0, height_m=3.0)))
    assert whole.share == pytest.approx(1.0)


def test_the_edges_that_a_box_reaches_over_are_named():
    assert outside(Box(-0.1, 0.2, 0.3, 1.01)) == ("left", "bottom")
    assert outside(Box(0.1, -0.2, 1.3, 0.9)) == ("right", "top")
    assert outside(Box(0, 0, 1, 1)) == ()
    view = view_of(CAMERA, ASPECT)
    assert box_of(view, PlannedSpot(part="bass", x_m=0.0, y_m=0.05)) is None
