"""Props that were moved between two takes in different light, in rooms that we painted."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from partsong.shoot.props import of_props
from partsong.shoot.sight import Looker, Sight

from .test_judging import HEIGHT, ROOM, WIDTH, _frame

PROP = cv2.GaussianBlur(np.random.default_rng(8).uniform(0.02, 0.8, (36, 44)).astype(np.float32), (0, 0), 1.2)
LEFT, TOP = 150, 120


def _with_prop(dx: float) -> NDArray[np.float32]:
    """Stand the prop in the room; it is shifted at four times its size, so that parts of a pixel are true."""
    large = cv2.resize(ROOM, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    prop = cv2.resize(PROP, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    left, top = round(4 * (LEFT + dx)), 4 * TOP
    large[top : top + prop.shape[0], left : left + prop.shape[1]] = prop
    return cv2.resize(large, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)


def _seen(monkeypatch: pytest.MonkeyPatch, room: NDArray[np.float32], lamp_x: float, seed: int) -> Sight:
    monkeypatch.setattr("tests.shoot.test_judging.ROOM", room)
    looker = Looker()
    for n in range(12):
        looker.add(n * 97, _frame(n * 97, lamp_x=lamp_x, seed=seed))
    return looker.sight()


@pytest.mark.parametrize("dx", [6.0, -8.25])
def test_a_prop_that_was_moved_is_found_and_measured_in_another_light(
    monkeypatch: pytest.MonkeyPatch, dx: float
) -> None:
    reference = _seen(monkeypatch, _with_prop(0), 0.75, 1)
    (said,) = of_props(_seen(monkeypatch, _with_prop(dx), 0.2, 2), reference, "cajon-1", [])
    assert (said.kind, said.unit) == ("prop moved", "px")
    # A quarter of a pixel is the mark for positions.
    assert said.size == pytest.approx(abs(dx), abs=0.25)
    assert said.moved_px == pytest.approx((dx, 0), abs=0.25)
    assert said.box is not None
    x, y, width, height = said.box
    assert x < LEFT + dx + 22 < x + width
    assert y < TOP + 18 < y + height


def test_another_light_moves_no_prop(monkeypatch: pytest.MonkeyPatch) -> None:
    room = _with_prop(0)
    unseen: list[str] = []
    assert of_props(_seen(monkeypatch, room, 0.2, 2), _seen(monkeypatch, room, 0.75, 1), "cajon-1", unseen) == []
    assert "not seen: too dark" in unseen[0]


def test_what_is_too_dark_in_either_light_is_not_called_unmoved(monkeypatch: pytest.MonkeyPatch) -> None:
    reference = _seen(monkeypatch, _with_prop(0), 0.75, 1)
    take = _seen(monkeypatch, _with_prop(6.0), 0.2, 2)
    # As much noise as would drown all of the room.
    noisy = dataclasses.replace(take, grain=np.ones_like(take.grain))
    unseen: list[str] = []
    assert of_props(noisy, reference, "cajon-1", unseen) == []
    assert "told in 0% of the frame" in unseen[0]


def test_another_room_is_not_searched_for_props(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    other = cv2.GaussianBlur(rng.uniform(0.05, 0.6, ROOM.shape).astype(np.float32), (0, 0), 1.5)
    unseen: list[str] = []
    take, reference = _seen(monkeypatch, other, 0.2, 2), _seen(monkeypatch, ROOM, 0.75, 1)
    assert of_props(take, reference, "cajon-1", unseen) == []
    assert "could not be laid on each other" in unseen[0]
