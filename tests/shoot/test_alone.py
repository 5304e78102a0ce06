"""Which of two pictures holds a thing: pictures that we painted, boards with a thing on them, lit otherwise."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from partsong.shoot.alone import _path, _upright_lines, alone
from partsong.shoot.odd import Odd

Picture = NDArray[np.float32]

HEIGHT, WIDTH = 200, 260
PLACE = np.s_[70:130, 90:170]


def _grain(seed: int, strength: float) -> Picture:
    values = np.random.default_rng(seed).normal(size=(HEIGHT, WIDTH)).astype(np.float32)
    soft = cv2.GaussianBlur(values, (0, 0), 1.5)
    return np.asarray(strength * soft / soft.std(), np.float32)


def _ground() -> Picture:
    boards = _grain(1, 0.1)
    boards[::25] -= 0.8  # the gaps between them
    boards[1::25] -= 0.8
    return np.asarray(0.25 * np.exp(boards), np.float32)


def _lit(room: Picture, lamp_x: float) -> Picture:
    light = 0.4 + 0.8 * np.exp(-(((np.linspace(0, 1, WIDTH, dtype=np.float32) - lamp_x) / 0.6) ** 2))
    return np.asarray(cv2.GaussianBlur(room * light, (0, 0), 0.7), np.float32)


def _odd(cut: slice) -> Odd:
    """Return what two takes tell of the place, as ragged as windows leave it; from ``cut`` on a player hides it."""
    where = np.zeros((HEIGHT, WIDTH), bool)
    where[PLACE] = True
    wobble = _grain(5, 3.0) > -2
    where = np.asarray(cv2.dilate(where.astype(np.uint8), np.ones((5, 5))) > 0, bool) & wobble
    player = np.zeros_like(where)
    player[:, cut] = True
    where &= ~player
    return Odd(where, where, ~player, player, np.zeros_like(where))


@pytest.mark.parametrize("brightness", [0.12, 0.5])
@pytest.mark.parametrize("strength", [0.05, 0.3])
@pytest.mark.parametrize("cut", [slice(0, 0), slice(140, WIDTH)])
def test_the_picture_around_which_an_edge_runs_holds_the_thing(brightness: float, strength: float, cut: slice) -> None:
    with_it = _ground()
    with_it[PLACE] = (brightness * np.exp(_grain(2, strength)))[PLACE]
    for reference, here, which in ((with_it, _ground(), "before"), (_ground(), with_it, "after")):
        for lamps in ((0.1, 0.9), (0.9, 0.1)):
            (found,) = alone(_odd(cut), [_lit(reference, lamps[0])], _lit(here, lamps[1]), 0.0)
            assert found.which == which


def test_two_drawings_without_an_outline_are_not_told_apart() -> None:
    one, other = (np.asarray(0.25 * np.exp(_grain(seed, 0.3)), np.float32) for seed in (3, 4))
    whole = np.zeros((HEIGHT, WIDTH), bool)
    whole[3:-3, 3:-3] = True
    none = np.zeros_like(whole)
    (found,) = alone(Odd(whole, whole, ~none, none, none), [_lit(one, 0.5)], _lit(other, 0.5), 0.0)
    assert found.which == "either"


def test_another_take_shows_what_the_references_player_hides() -> None:
    with_it = _ground()
    with_it[PLACE] = (0.5 * np.exp(_grain(2, 0.3)))[PLACE]
    odd = _odd(slice(0, 0))
    none = np.zeros_like(odd.where)
    hidden = dataclasses.replace(odd, player_before=cv2.dilate(odd.where.astype(np.uint8), np.ones((71, 71))) > 0)
    for before, here, which in ((with_it, _ground(), "before"), (_ground(), with_it, "after")):
        reference, third, take = _lit(before, 0.1), _lit(before, 0.5), _lit(here, 0.9)
        (found,) = alone(hidden, [reference], take, 0.0)
        assert found.which == "either"
        (found,) = alone(dataclasses.replace(hidden, more_players=(none,)), [reference, third], take, 0.0)
        assert found.which == which


@pytest.mark.parametrize(("legs", "told"), [(np.s_[60:150, 100:105], 1), (np.s_[100:105, 80:170], 0)])
def test_thin_legs_are_told_and_thin_shadows_are_not(legs: tuple[slice, slice], told: int) -> None:
    """Legs stand upright; what is as thin and lies flat is the rim of a shadow on the ground."""
    where = np.zeros((HEIGHT, WIDTH), bool)
    where[legs] = True
    where |= np.roll(where, 20, axis=1 if told else 0)
    bar = np.s_[60:65, 100:125] if told else np.s_[100:125, 80:85]
    where[bar] = True
    none = np.zeros_like(where)
    assert len(alone(Odd(where, where, ~none, none, none), [_lit(_ground(), 0.1)], _lit(_ground(), 0.9), 0.0)) == told


def _pieces(*, jagged: int = 0) -> NDArray[np.bool_]:
    """Return pieces along a table's two legs and what they carry; each is set aside by so much, by turns."""
    pieces = np.zeros((HEIGHT, WIDTH), bool)
    for number, top in enumerate((40, 60, 80, 100, 120)):
        for left in (80, 160):
            aside = left + jagged * (number % 2)
            pieces[top : top + 12, aside : aside + 10] = True
    for number, left in enumerate((90, 114, 138)):
        aside = 40 + jagged * (number % 2)
        pieces[aside : aside + 12, left : left + 16] = True
    return pieces


def test_an_upright_thing_is_told_by_pieces_of_its_bars() -> None:
    """What little a table's bars differ from the ground behind them in one light leaves them odd in pieces."""
    pieces = _pieces()
    none = np.zeros_like(pieces)

    def count(where: NDArray[np.bool_], sure: NDArray[np.bool_]) -> int:
        return len(alone(Odd(where, sure, ~none, none, none), [_lit(_ground(), 0.1)], _lit(_ground(), 0.9), 0.0))

    assert count(pieces, pieces) == 1
    assert count(pieces, none) == 0  # that one take alone can see
    bar = pieces & (np.arange(HEIGHT) < 52)[:, None]
    assert count(bar, bar) == 0  # what lies flat
    aside = _pieces(jagged=12)
    assert aside.sum() > 0.9 * pieces.sum()
    assert count(aside, aside) == 0  # what lies anyhow
    specks = none.copy()
    for number, left in enumerate([*range(0, 60, 13), *range(190, WIDTH - 9, 13)]):
        for top in range(10 * number % 36, HEIGHT - 9, 36):
            specks[top : top + 9, left : left + 9] = True
    assert count(specks, specks) == 0
    everywhere = pieces | specks
    assert count(everywhere, everywhere) == 0  # in a light that leaves specks all over the frame


def test_what_reaches_the_frames_edge_is_no_longer_for_that() -> None:
    pieces = np.zeros((HEIGHT, WIDTH), bool)
    pieces[HEIGHT - 60 : HEIGHT - 10, 80:90] = True
    assert not _upright_lines(pieces.astype(np.uint8)).any()
    pieces[HEIGHT - 90 : HEIGHT - 75, 80:90] = True
    np.testing.assert_array_equal(_upright_lines(pieces.astype(np.uint8)), pieces)


def test_an_outline_winds_less_than_what_grain_offers() -> None:
    straight, wound = np.zeros((60, 9), np.float32), np.zeros((60, 9), np.float32)
    straight[:, 4] = 1.0
    wound[np.arange(60), 4 + np.arange(60) % 2] = 1.2
    assert _path(straight) > _path(wound)
