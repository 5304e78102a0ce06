"""The room at rest, the guess behind a player, and the measures of where adding light fails."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.render.mattes import LitRoom
from partsong.stage.still import ambient_stops, grain_growth, midmean, region_of, see_through, without_player

WIDTH, HEIGHT = 240, 136


def drawn():
    rng = np.random.default_rng(8)
    albedo = np.full((HEIGHT, WIDTH, 3), 0.2)
    for _ in range(90):
        x, y, w, h = (int(v) for v in rng.integers(3, [WIDTH, HEIGHT, 30, 24]))
        albedo[y : y + h, x : x + w] = rng.uniform(0.05, 0.5, 3)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    lamp = np.exp(-(((x - 120) / 50) ** 2) - ((y - 80) / 60) ** 2)[..., None] * np.array([1.0, 0.9, 0.75])
    ambient = (albedo * 0.1).astype(np.float32)
    return ambient, (ambient + albedo * lamp).astype(np.float32)


def lit(light, shot=1.5e-5):
    return LitRoom(np.asarray(light, np.float32), np.zeros(light.shape[:2], np.float32), 3e-4, shot)


def test_the_middle_halfs_mean_withstands_a_quarter_of_wild_values():
    rng = np.random.default_rng(1)
    frames = rng.normal(0.5, 0.01, (25, 40, 40))
    frames[:6] = 9.0
    still = midmean(frames)
    # Six of 25 lie above, so the middle moves up by a quarter of the rest's spread at most, and its own error is less.
    assert still == pytest.approx(0.5, abs=0.015)
    assert np.std(still) < np.std(frames[6]) / 3


def test_a_region_closes_what_lies_between_moving_edges():
    moving = np.zeros((HEIGHT, WIDTH), np.float32)
    moving[40:100, 110] = moving[40:100, 117] = 1.0
    region = region_of(moving)
    assert region[50:90, 110:118].all()
    assert not region[:, :90].any()


def test_the_room_behind_a_player_is_guessed():
    ambient, room = drawn()
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    body = np.hypot((x - 120) / 12, (y - 80) / 30) < 1
    still = np.where(body[..., None], np.array([0.05, 0.12, 0.4], np.float32), room)
    region = np.hypot((x - 120) / 18, (y - 80) / 38) < 1
    guess, hidden = without_player(still, ambient, region, 3e-4, 1.5e-5)
    assert hidden[body].mean() > 0.9
    assert hidden[~region].max() < 0.5
    # The lamp's light is smooth, so it carries over; a quarter of a stop is what its fall across the body leaves open.
    assert np.abs(np.log2(guess[body].sum(axis=-1) / room[body].sum(axis=-1))).mean() < 0.25
    away = np.hypot((x - 120) / 24, (y - 80) / 44) > 1
    assert (guess[away] == still[away]).all()


def test_a_lamp_that_lights_nothing_else_cannot_be_guessed_from():
    ambient, _ = drawn()
    with pytest.raises(InvalidInput, match="lights nothing but the player"):
        without_player(ambient, ambient, np.zeros((HEIGHT, WIDTH), bool), 3e-4, 1.5e-5)


def test_what_shines_through_a_player_is_measured():
    matte = np.zeros((40, 60), np.float32)
    matte[10:30, 20:40] = 1.0
    frame = np.full((40, 60, 3), 0.4, np.float32)
    others = np.zeros((40, 60, 3), np.float32)
    others[:, 30:] = 0.1
    assert see_through(others, matte, frame) == pytest.approx(0.5)
    assert see_through(others, np.zeros_like(matte), frame) == 0.0


@pytest.mark.parametrize("stops", [-0.5, 0.0, 0.3])
def test_an_ambient_plate_that_does_not_fit_is_measured(stops):
    ambient, room = drawn()
    plate = (ambient * 2.0**-stops).astype(np.float32)
    room = np.where((room - ambient).max(axis=-1, keepdims=True) > 0.02, room, ambient)
    # A fifth of the frame and more is beyond the lamp, where the take shows ambient light alone.
    assert ambient_stops(plate, [lit(room)]) == pytest.approx(stops, abs=0.05)


def test_grain_grows_with_the_root_of_equal_takes():
    ambient, _ = drawn()
    # Variances of independent grain add, so four takes of one light have twice the grain of one.
    assert grain_growth([lit(ambient)] * 4) == pytest.approx(2.0)
