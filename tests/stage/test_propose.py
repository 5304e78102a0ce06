"""Motion, ovals and order on pictures whose truth we made."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film.records import Oval
from partsong.render import pixels
from partsong.render.registration import laid
from partsong.render.steadiness import course_of
from partsong.stage.motion import look_at, reduced_size, sample_frames
from partsong.stage.propose import own_light, propose_order, propose_oval

HEIGHT, WIDTH = 108, 192
Y, X = np.mgrid[0:HEIGHT, 0:WIDTH]


def blob(x, y, rx, ry, height=1.0):
    return np.where(((X - x) / rx) ** 2 + ((Y - y) / ry) ** 2 < 1, height, 0.0).astype(np.float32)


def test_motion_is_seen_where_the_player_moves_and_not_in_the_grain():
    rng = np.random.default_rng(1)
    room = 0.2 + 0.3 * (X / WIDTH)
    frames = [
        room + blob(60 + 8 * np.sin(number), 60, 8, 20, 0.3) + rng.normal(0, 0.01, room.shape) for number in range(24)
    ]
    seen = look_at(frames)
    moving = blob(60, 60, 20, 24) > 0
    assert seen.motion[moving].sum() > 0.99 * seen.motion.sum()
    assert (seen.motion[~moving] > 0).mean() < 0.02
    away = blob(60, 60, 24, 28) == 0
    # The median of 24 frames of grain of 0.01 strays by 1.25 * 0.01 / sqrt(24), five times that in the worst of 20,000.
    assert np.abs(seen.still - room)[away].max() < 0.015


def test_a_still_take_has_no_motion_to_speak_of():
    rng = np.random.default_rng(1)
    seen = look_at([0.3 + rng.normal(0, 0.01, (HEIGHT, WIDTH)) for _ in range(24)])
    assert (seen.motion > 0).mean() < 0.001


def test_a_camera_nudged_in_the_middle_is_no_motion():
    rng = np.random.default_rng(2)
    height, width = 160, 280
    room = np.full((height + 8, width + 8), 0.3)
    for _ in range(60):
        x, y, w, h = rng.integers(0, width), rng.integers(0, height), rng.integers(4, 60), rng.integers(4, 50)
        room[y : y + h, x : x + w] = rng.random() * 0.6
    y, x = np.mgrid[0:height, 0:width]
    frames = []
    for number in range(20):
        dx, dy = (0, 0) if number < 12 else (2, -1)
        frame = room[4 - dy : 4 - dy + height, 4 - dx : 4 - dx + width].copy()
        frame[((x - 140 - 9 * np.sin(number)) / 12) ** 2 + ((y - 90) / 30) ** 2 < 1] = 0.9
        frames.append(frame + rng.normal(0, 0.005, frame.shape))
    course = course_of(
        lambda numbers: [frames[n] for n in numbers], range(20), frames, width=width, height=height, rate_hz=25
    )
    seen = look_at(
        laid(np.asarray(frame, np.float32), pose) for frame, pose in zip(frames, course.at_samples, strict=True)
    )
    near_player = ((x - 140) / 26) ** 2 + ((y - 90) / 34) ** 2 < 1
    assert seen.motion[near_player].sum() > 0.9 * seen.motion.sum()


def test_too_few_frames_are_refused():
    with pytest.raises(InvalidInput, match="fewer than three frames"):
        look_at([np.zeros((9, 16))] * 2)


@given(st.integers(0, 500), st.integers(1, 500), st.integers(1, 60))
def test_samples_lie_in_the_range_in_order(first, length, count):
    chosen = sample_frames(range(first, first + length), count)
    assert len(chosen) == min(count, length)
    assert chosen == sorted(set(chosen))
    assert first <= chosen[0]
    assert chosen[-1] < first + length


def test_sizes():
    assert reduced_size(3840, 2160) == (960, 540)
    assert reduced_size(640, 360) == (640, 360)


def test_own_light_is_where_no_other_take_is_as_bright():
    dim = np.full((HEIGHT, WIDTH), 0.05, np.float32)
    left, right = dim + blob(50, 60, 30, 40, 0.15), dim + blob(140, 60, 30, 40, 0.35)
    mine, other = own_light([left, right])
    # 0.2 against 0.05 is two stops, 0.4 is three; less a little for the floor that noise is held to.
    assert mine[60, 50] == pytest.approx(2, abs=0.06)
    assert other[60, 140] == pytest.approx(3, abs=0.06)
    assert mine[60, 140] == 0
    assert mine[5, 5] == 0


@settings(max_examples=25)
@given(st.integers(40, 150), st.integers(40, 70), st.integers(6, 22), st.integers(10, 30), st.floats(2, 14))
def test_an_oval_holds_the_motion_inside_its_soft_edge(x, y, rx, ry, feather):
    motion = blob(x, y, rx, ry)
    light = blob(x + 6, y, rx + 8, ry + 6, 2.0)
    oval = propose_oval(motion, light, feather)
    full = pixels.shape_alpha(oval, feather, X, Y) == 1
    assert motion[full].sum() >= 0.98 * motion.sum()
    assert oval.x == pytest.approx(x + 3, abs=6)
    assert oval.y == pytest.approx(y, abs=6)


def test_a_lamp_elsewhere_does_not_pull_the_oval():
    motion = blob(60, 60, 10, 25)
    with_lamp = propose_oval(motion, blob(64, 60, 20, 30, 2.0) + blob(170, 20, 15, 12, 3.0), 8)
    without = propose_oval(motion, blob(64, 60, 20, 30, 2.0), 8)
    # The lamp is seven standard deviations of the weight away: exp(-24) of it counts.
    for name in ("x", "y", "rx", "ry"):
        assert getattr(with_lamp, name) == pytest.approx(getattr(without, name), abs=0.01)


def test_nothing_to_go_by_is_refused():
    with pytest.raises(InvalidInput, match="nothing moves"):
        propose_oval(np.zeros((HEIGHT, WIDTH), np.float32), np.zeros((HEIGHT, WIDTH), np.float32), 8)


def test_the_layer_whose_player_would_be_hidden_lies_above():
    # The harp's wide oval covers the flute's player; the flute's narrow one leaves the harp's player alone.
    motions = [blob(170, 60, 8, 20), blob(60, 60, 8, 20), blob(85, 60, 8, 20)]
    ovals = [Oval(x=170, y=60, rx=16, ry=30), Oval(x=60, y=60, rx=12, ry=30), Oval(x=85, y=60, rx=40, ry=45)]
    assert propose_order(motions, ovals, 4.0, reference=0) == [0, 2, 1]


def test_the_reference_lies_at_the_bottom_unless_it_would_be_hidden():
    motions = [blob(80, 60, 8, 20), blob(90, 60, 8, 20), blob(170, 60, 8, 20)]
    ovals = [Oval(x=80, y=60, rx=14, ry=30), Oval(x=90, y=60, rx=30, ry=40), Oval(x=170, y=60, rx=14, ry=30)]
    assert propose_order(motions, ovals, 4.0, reference=2)[0] == 2
    assert propose_order(motions, ovals, 4.0, reference=0)[0] == 2
