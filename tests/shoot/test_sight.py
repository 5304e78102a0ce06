"""What a sight sums up: the same whether a picture is taken whole or in strips, and what moves in it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from partsong.shoot import sight

from .test_judging import ROOM, WIDTH, _frame


def test_detail_of_strips_is_that_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = np.random.default_rng(2).random((391, 640), np.float32)
    strips = sight.detail_of(picture)
    monkeypatch.setattr(sight, "_STRIP", 391)
    # A wider blur ends 12 pixels out, so that nothing but rounding is left.
    np.testing.assert_allclose(strips, sight.detail_of(picture), rtol=1e-5)


def test_a_shadow_that_moves_is_no_body_and_a_sleeve_is(monkeypatch: pytest.MonkeyPatch) -> None:
    x = np.arange(WIDTH)
    looker = sight.Looker()
    for n in range(12):
        sway = 12 * math.sin(2 * n)
        room = ROOM * (1 - 0.7 / (1 + np.exp((218 + sway - x) / 3)))
        left = round(130 + sway)
        room[30:110, left : left + 40] = 0.3
        monkeypatch.setattr("tests.shoot.test_judging.ROOM", np.asarray(room, np.float32))
        looker.add(n * 97, _frame(n * 97, lamp_x=0.5, player=False))
    seen = looker.sight()
    shadow, sleeve = np.s_[20:100, 210:226], np.s_[36:104, 122:138]
    assert not seen.unmoving[shadow].any()
    movement = seen.movement()
    assert movement.moving[shadow].mean() < 0.2
    assert not movement.bodies[shadow].any()
    assert movement.moving[sleeve].mean() > 0.8
    assert movement.bodies[sleeve].mean() > 0.95
