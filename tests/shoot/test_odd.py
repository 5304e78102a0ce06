"""Which take is the odd one out at a place: three pictures of one wall that we painted."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from partsong.shoot.odd import View, odd_one_out
from partsong.shoot.sight import Movement
from partsong.shoot.strange import drawn

Picture = NDArray[np.float32]

SIZE = (160, 200)
PLACE = np.s_[50:110, 60:140]
INSIDE = np.s_[60:100, 70:130]
NONE = np.zeros(SIZE, bool)


def _grain(seed: int) -> Picture:
    soft = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=SIZE).astype(np.float32), (0, 0), 1.5)
    return np.asarray(0.3 * np.exp(0.3 * soft / soft.std()), np.float32)


def _wall(place: Picture | None = None, light: float = 1.0) -> Picture:
    wall = _grain(1)
    if place is not None:
        wall[PLACE] = place[PLACE]
    return np.asarray(light * wall, np.float32)


def _view(picture: Picture, noise: float = 0.002) -> View:
    own = np.random.default_rng(int(1e6 * picture.mean())).normal(0, noise, SIZE).astype(np.float32)
    return View(drawn(picture + own, np.full(SIZE, noise**2, np.float32), 0.0), Movement(NONE, NONE))


def test_a_take_that_differs_from_two_that_agree_is_the_odd_one() -> None:
    odd = odd_one_out(_view(_wall(_grain(2))), [_view(_wall(light=0.5)), _view(_wall(light=0.8))])
    assert odd.where[INSIDE].mean() > 0.7
    assert odd.sure[INSIDE].mean() > 0.7
    assert odd.where[:40].mean() < 0.02


def test_three_that_differ_say_nothing_of_each_other() -> None:
    odd = odd_one_out(_view(_wall(_grain(2))), [_view(_wall(_grain(3))), _view(_wall(_grain(4)))])
    assert odd.where[INSIDE].mean() < 0.2


def test_a_take_that_is_blind_there_bears_nothing_out() -> None:
    """So strong is what the take shows that a dark reference would show it, but nothing of what the third shows."""
    strong = np.asarray(0.3 * np.exp(3 * np.log(_grain(2) / 0.3)), np.float32)
    blind = _view(_wall(light=0.05), 0.01)
    odd = odd_one_out(_view(_wall(strong)), [blind, _view(_wall())])
    assert odd.told[INSIDE].mean() > 0.9
    assert odd.where[INSIDE].mean() < 0.2
    # One that sees it bears it out.
    odd = odd_one_out(_view(_wall(strong)), [_view(_wall(light=0.5)), _view(_wall())])
    assert odd.where[INSIDE].mean() > 0.7
