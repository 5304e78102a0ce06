"""Props that do not stand as they stood, seen in another light, in rooms that we painted."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from partsong.shoot import moves, props
from partsong.shoot.alone import Alone
from partsong.shoot.changes import Changes, alike_within
from partsong.shoot.fine import WINDOW_PX, likeness
from partsong.shoot.judge import Remark
from partsong.shoot.moves import Moved
from partsong.shoot.odd import Odd
from partsong.shoot.sight import Looker, Sight

from .test_judging import HEIGHT, ROOM, WIDTH, _frame

Picture = NDArray[np.float32]

PROP = cv2.GaussianBlur(np.random.default_rng(8).uniform(0.02, 0.8, (56, 76)).astype(np.float32), (0, 0), 1.2)
LEFT, TOP = 134, 112
LARGE = cv2.GaussianBlur(np.random.default_rng(9).uniform(0.02, 0.8, (64, 100)).astype(np.float32), (0, 0), 1.2)
MIDDLE = (LEFT + 38, TOP + 28)


def _with_prop(dx: float = 0.0, dy: float = 0.0, turn_deg: float = 0.0, prop: Picture = PROP) -> Picture:
    """Stand a prop in the room; it is moved at four times its size, so that parts of a pixel are true."""
    large = cv2.resize(ROOM, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    prop = cv2.resize(prop, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    height, width = prop.shape
    # OpenCV turns against the clock.
    matrix = cv2.getRotationMatrix2D((width / 2 - 0.5, height / 2 - 0.5), -turn_deg, 1)
    matrix[:, 2] += 4 * np.array([LEFT + dx, TOP + dy])
    size = (large.shape[1], large.shape[0])
    cover = cv2.warpAffine(np.ones_like(prop), matrix, size)
    placed = cv2.warpAffine(prop, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    return cv2.resize(large + cover * (placed - large), (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)


def _seen(monkeypatch: pytest.MonkeyPatch, room: NDArray[np.float32], lamp_x: float, seed: int) -> Sight:
    monkeypatch.setattr("tests.shoot.test_judging.ROOM", room)
    looker = Looker()
    for n in range(12):
        looker.add(n * 97, _frame(n * 97, lamp_x=lamp_x, seed=seed))
    return looker.sight()


def of_props(
    take: Sight, reference: Sight, name: str, unseen: list[str], others: tuple[Sight, ...] = ()
) -> list[Remark]:
    more = [one for one in (props.laid_on(other, reference) for other in others) if one is not None]
    return props.of_props(props.laid_on(take, reference), reference, name, unseen, more)


@pytest.mark.parametrize(("dx", "dy"), [(6.0, 0.0), (-8.25, 1.5), (-14.5, -3.0)])
def test_a_prop_that_was_moved_is_found_and_measured_in_another_light(
    monkeypatch: pytest.MonkeyPatch, dx: float, dy: float
) -> None:
    reference = _seen(monkeypatch, _with_prop(), 0.75, 1)
    (said,) = of_props(_seen(monkeypatch, _with_prop(dx, dy), 0.2, 2), reference, "cajon-1", [])
    assert (said.kind, said.unit) == ("prop moved", "px")
    # A quarter of a pixel is the mark for positions.
    assert said.size == pytest.approx(np.hypot(dx, dy), abs=0.25)
    assert said.moved_px == pytest.approx((dx, dy), abs=0.25)
    assert ("right" if dx > 0 else "left") in said.sentence
    assert said.box is not None
    x, y, width, height = said.box
    assert x < MIDDLE[0] + dx < x + width
    assert y < MIDDLE[1] + dy < y + height
    assert said.was is not None
    x, y, width, height = said.was
    assert x < MIDDLE[0] < x + width
    assert y < MIDDLE[1] < y + height


@pytest.mark.parametrize("turn_deg", [4.0, -11.0])
def test_a_prop_that_was_turned_is_told_as_turned(monkeypatch: pytest.MonkeyPatch, turn_deg: float) -> None:
    reference = _seen(monkeypatch, _with_prop(), 0.75, 1)
    (said,) = of_props(_seen(monkeypatch, _with_prop(turn_deg=turn_deg), 0.2, 2), reference, "cajon-1", [])
    assert (said.kind, said.unit) == ("prop turned", "degrees")
    # A tenth of a degree is 0.05 pixels at this prop's end; what is asked for is a tenth of what was turned.
    assert said.turned_deg == pytest.approx(turn_deg, rel=0.1)
    assert ("anticlockwise" if turn_deg < 0 else "degrees clockwise") in said.sentence
    # It stays where it is: the box's middle need not be the axis, but it lies near it.
    assert said.moved_px is not None
    assert np.hypot(*said.moved_px) < 1.5


def test_a_prop_that_was_taken_away_or_brought_is_told_as_that(monkeypatch: pytest.MonkeyPatch) -> None:
    large = _with_prop(prop=LARGE)
    with_it, without = (_seen(monkeypatch, room, 0.75, 1) for room in (large, ROOM))
    for taken, reference, kind in ((ROOM, with_it, "prop gone"), (large, without, "prop brought")):
        said = of_props(_seen(monkeypatch, taken, 0.2, 2), reference, "cajon-1", [])
        assert [one.kind for one in said] in ([kind], ["prop gone or brought"])
        assert said[0].box is not None
        x, y, width, height = said[0].box
        assert x < MIDDLE[0] < x + width
        assert y < MIDDLE[1] < y + height


def test_what_one_comparison_tells_weakly_counts_when_a_third_light_tells_it_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    small = PROP[:31, :31]
    reference, third = (_seen(monkeypatch, _with_prop(prop=small), lamp_x, 1) for lamp_x in (0.75, 0.5))
    take = _seen(monkeypatch, _with_prop(7.0, prop=small), 0.2, 2)
    assert of_props(take, reference, "cajon-1", []) == []
    (said,) = of_props(take, reference, "cajon-1", [], (third,))
    assert said.kind == "prop moved"
    assert said.moved_px == pytest.approx((7.0, 0.0), abs=0.25)


def test_another_light_moves_no_prop(monkeypatch: pytest.MonkeyPatch) -> None:
    room = _with_prop()
    unseen: list[str] = []
    assert of_props(_seen(monkeypatch, room, 0.2, 2), _seen(monkeypatch, room, 0.75, 1), "cajon-1", unseen) == []
    assert "Not seen:" in unseen[0]
    assert "too dark" in unseen[0]


def test_what_stays_in_the_camera_s_own_picture_while_that_moved_is_no_prop(monkeypatch: pytest.MonkeyPatch) -> None:
    # The camera was pushed: the room lies 2 pixels right and 1 up. Dust on the lens lies where it lay.
    reference = _seen(monkeypatch, _with_prop(), 0.75, 1)
    monkeypatch.setattr("tests.shoot.test_props.ROOM", np.roll(ROOM, (-1, 2), (0, 1)))
    dust, moved = (_seen(monkeypatch, _with_prop(*way), 0.2, 2) for way in ((0.0, 0.0), (8.0, -1.0)))
    assert of_props(dust, reference, "cajon-1", []) == []
    (said,) = of_props(moved, reference, "cajon-1", [])
    assert said.moved_px == pytest.approx((6.0, 0.0), abs=0.25)


def test_what_is_too_dark_in_either_light_is_not_called_unmoved(monkeypatch: pytest.MonkeyPatch) -> None:
    reference = _seen(monkeypatch, _with_prop(), 0.75, 1)
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


@pytest.mark.parametrize("turn_deg", [3.0, -4.0])
def test_what_turns_so_little_that_hardly_any_of_it_is_lost_is_found(
    monkeypatch: pytest.MonkeyPatch, turn_deg: float
) -> None:
    soft = cv2.GaussianBlur(np.random.default_rng(10).uniform(0.02, 0.8, (72, 72)).astype(np.float32), (0, 0), 3.0)
    soft = np.clip((soft - soft.mean()) * 5 + 0.3, 0.02, 0.9)
    reference = _seen(monkeypatch, _with_prop(prop=soft), 0.75, 1)
    (said,) = of_props(_seen(monkeypatch, _with_prop(turn_deg=turn_deg, prop=soft), 0.2, 2), reference, "cajon-1", [])
    assert said.kind == "prop turned"
    assert said.turned_deg == pytest.approx(turn_deg, rel=0.1)


def test_ground_that_repeats_is_no_prop_that_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    # Where the prop stood the ground now shows what lies beside it, and still does.
    repeated = np.tile(ROOM[:, :40], (1, 1 + WIDTH // 40))[:, :WIDTH]
    with_it = repeated.copy()
    with_it[TOP : TOP + 64, LEFT : LEFT + 100] = LARGE
    reference = _seen(monkeypatch, with_it, 0.75, 1)
    said = of_props(_seen(monkeypatch, repeated, 0.2, 2), reference, "cajon-1", [])
    assert [one.kind for one in said] in (["prop gone"], ["prop gone or brought"])


@pytest.mark.parametrize(("after", "told"), [(np.s_[40:80, 40:65], True), (np.s_[40:90, 40:90], False)])
def test_what_fits_all_over_is_told_even_where_a_player_hides_it_in_other_takes(
    after: tuple[slice, slice], told: bool
) -> None:
    where, none = np.zeros((120, 160), bool), np.zeros((120, 160), bool)
    where[after] = True
    one = Moved(where, where, 9.0, 0.0, 0.0, 15.0)
    assert props._borne_out(one, None, [], [], Odd(none, none, none, ~none, none)) is told


@pytest.mark.parametrize(("told", "share", "explains"), [(10.0, 0.7, True), (8.0, 0.7, False), (10.0, 0.4, False)])
def test_a_surface_that_a_weak_move_explains_is_of_something_that_moved(
    told: float, share: float, explains: bool
) -> None:
    surface, none = np.zeros((120, 160), bool), np.zeros((120, 160), bool)
    surface[40:80, 60:100] = True
    after = surface & (np.arange(120) < 40 + 40 * share)[:, None]
    before = np.roll(after, 60, axis=1)
    odd = Odd(surface, surface, ~none, none, none)
    one = Moved(before, after, -60.0, 0.0, 0.0, told)
    assert not props._borne_out(one, _changes(*_correlated(0.0)), [], [Alone(surface, "after")], odd)
    weak = props._explaining([Alone(surface, "after")], [one], _changes(*_correlated(0.0)), [], odd)
    assert weak == ([dataclasses.replace(one, measured=False)] if explains else [])
    assert props._beside([Alone(surface, "after")], weak, odd) == ([] if explains else [Alone(surface, "after")])


def _changes(before: Picture, after: Picture) -> Changes:
    """Return two details as two stills without noise share them."""
    none = np.zeros(before.shape, bool)
    quiet = np.zeros(before.shape, np.float32)
    alike = likeness(before, after, quiet, quiet, WINDOW_PX)
    return Changes(before, after, quiet, quiet, alike, ~none, ~none, none, none, none, none)


def _correlated(share: float) -> tuple[Picture, Picture]:
    one, other = np.random.default_rng(4).normal(size=(2, 120, 160)).astype(np.float32)
    return one, np.asarray(share * one + np.sqrt(1 - share**2) * other, np.float32)


@pytest.mark.parametrize(("place", "alone"), [(np.s_[20:105, 60:80], True), (np.s_[60:80, 20:105], False)])
def test_what_is_a_little_alike_everywhere_is_a_shadow_if_it_is_flat(place: tuple[slice, slice], alone: bool) -> None:
    where = np.zeros((120, 160), bool)
    where[place] = True
    seen = _changes(*_correlated(0.37))
    assert props._unlike(Alone(where, "either"), [seen, seen]) is alone
    assert not props._unlike(Alone(where, "either"), [_changes(*_correlated(0.55))])


def test_a_legs_surroundings_are_no_part_of_its_likeness() -> None:
    """Of a thin leg the windows hold more of the ground than of it."""
    where = np.zeros((120, 160), bool)
    where[20:105, 60:64] = True
    before, other = _correlated(0.0)
    after = np.where(where, other, before)
    seen = _changes(before, after)
    assert np.median(seen.alike[where]) > 0.5
    assert abs(np.median(alike_within(seen, where)[where])) < 0.2
    assert props._unlike(Alone(where, "either"), [seen])
    assert not props._unlike(Alone(where, "either"), [_changes(before, before)])


def test_specks_beside_a_thing_are_no_part_of_it() -> None:
    thing, before = np.zeros((120, 160), bool), np.zeros((120, 160), bool)
    thing[40:80, 60:100] = thing[80:100, 60:75] = True
    before[40:100, 55:95] = True
    before[10:16, 65:71] = True
    after = thing.copy()
    after[10:16, 70:76] = True
    told = moves._without_specks(Moved(before, after, 5.0, 0.0, 0.0, 40.0))
    np.testing.assert_array_equal(told.after, thing)
    assert not told.before[:35].any()
    assert (told.dx, told.dy) == pytest.approx((5.0, 0.0))
    assert moves._without_specks(told) is told


@pytest.mark.parametrize(("told", "measured"), [(15.0, False), (25.0, True)])
def test_what_fits_at_several_places_is_told_without_a_place(
    monkeypatch: pytest.MonkeyPatch, told: float, measured: bool
) -> None:
    where = np.zeros((120, 160), bool)
    where[40:80, 60:100] = True
    one = Moved(where, where, 9.0, 0.0, 0.0, told)
    monkeypatch.setattr(moves, "_asked", lambda found: "asked")
    monkeypatch.setattr(moves, "_followed", lambda asked, at, move: dataclasses.replace(one, dx=13.0))
    (found,) = moves.as_told(None, [one])
    assert found.measured is measured
    said = props._of_moved(found, 1.0, 160, "cajon-1")
    assert said.kind == "prop moved"
    assert said.box is not None
    assert (said.moved_px is not None, said.was is not None, said.size is not None) == (measured,) * 3
    assert ("too little is seen of it" in said.sentence) is not measured


def test_a_move_that_comes_back_to_where_it_was_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    where = np.zeros((120, 160), bool)
    where[40:80, 60:100] = True
    one = Moved(where, where, 9.0, 0.0, 0.0, 15.0)
    for other in (dataclasses.replace(one, dx=9.2), dataclasses.replace(one, dx=13.0, told=10.0), None):
        monkeypatch.setattr(moves, "_followed", lambda asked, at, move, other=other: other)
        assert moves._only_one(None, one)
