"""Masks set by hand: ovals, curves and keys."""

from __future__ import annotations

import pytest

from partsong.errors import InvalidInput, NoSuchRecord
from partsong.render.plan import plan_frames
from partsong.stage.steps import MaskWish, set_mask, set_order

TRIANGLE = ((90.0, 40.0), (150.0, 60.0), (110.0, 120.0))


@pytest.fixture
def opened(three):
    """Return the store of a film whose stage is set by hand; what a test does to it is undone."""
    with three() as store:
        first = store.head().film
        set_mask(store, "oboe", MaskWish(x=120.0, y=80.0, rx=30.0, ry=40.0, feather_px=8.0))
        set_mask(store, "celesta", MaskWish(x=190.0, y=80.0, rx=30.0, ry=40.0, feather_px=8.0))
        set_order(store, ("cello", "oboe", "celesta"))
        yield store
        while store.head().film != first:
            store.undo()


def oboe(store):
    return store.head().film.stage.mask_of("oboe")


def test_what_is_not_named_stays(opened):
    set_mask(opened, "oboe", MaskWish(rx=44.0, rotation_deg=10.0))
    mask = oboe(opened)
    assert (mask.shape.x, mask.shape.rx, mask.shape.rotation_deg, mask.feather_px) == (120, 44, 10, 8)
    assert mask.by_hand


def test_a_curve_takes_the_place_of_an_oval_and_back(opened):
    set_mask(opened, "oboe", MaskWish(points=TRIANGLE))
    assert [(point.x, point.y) for point in oboe(opened).shape.points] == list(TRIANGLE)
    assert oboe(opened).feather_px == 8
    set_mask(opened, "oboe", MaskWish(x=100.0, y=70.0, rx=20.0, ry=30.0))
    assert oboe(opened).shape.kind == "oval"
    opened.undo()
    assert oboe(opened).shape.kind == "curve"


def test_keys_change_the_mask_over_the_song(opened):
    set_mask(opened, "oboe", MaskWish(key_at_s=0.2))
    set_mask(opened, "oboe", MaskWish(x=140.0, key_at_s=0.8))
    mask = oboe(opened)
    assert [(key.frame, key.shape.x) for key in mask.keys] == [(5, 120), (20, 140)]
    # The film has 25 frames; the oboe's layer is the second.
    seen = [plan.stack.layers[1].shape.x for plan in plan_frames(opened.head().film, range(25))]
    assert seen[:6] == [120] * 6
    assert seen[20:] == [140] * 5
    assert seen == sorted(seen)
    # A key asked for again takes the place of the one that was there; whatever is not named is as it is there.
    set_mask(opened, "oboe", MaskWish(ry=50.0, key_at_s=0.8))
    assert [(key.shape.x, key.shape.ry) for key in oboe(opened).keys] == [(120, 40), (140, 50)]


def test_a_soft_edge_alone_keeps_keys_and_a_shape_for_the_song_drops_them(opened):
    set_mask(opened, "oboe", MaskWish(x=140.0, key_at_s=0.4))
    set_mask(opened, "oboe", MaskWish(feather_px=12.0))
    assert len(oboe(opened).keys) == 1
    set_mask(opened, "oboe", MaskWish(x=125.0))
    assert oboe(opened).keys == ()


@pytest.mark.parametrize(
    ("wish", "complaint"),
    [
        (MaskWish(points=TRIANGLE[:2]), "needs three points or more, not 2"),
        (MaskWish(points=TRIANGLE, rx=4.0), "either the numbers of an oval or the points of a curve"),
        (MaskWish(x=-200.0), "lies outside the frame of 240 x 136"),
        (MaskWish(points=((300.0, 10.0), (340.0, 10.0), (320.0, 60.0))), "lies outside the frame"),
        (MaskWish(x=100.0, key_at_s=9.0), "The song lasts 1.00 s; there is no frame at 9 s"),
        (MaskWish(rx=0.0), "rx"),
        (MaskWish(feather_px=-1.0), "feather_px"),
    ],
)
def test_what_cannot_be_a_mask_is_refused(opened, wish, complaint):
    before = oboe(opened)
    with pytest.raises(InvalidInput, match=complaint):
        set_mask(opened, "oboe", wish)
    assert oboe(opened) == before


def test_kinds_of_shape_do_not_mix_in_keys(opened):
    set_mask(opened, "oboe", MaskWish(key_at_s=0.2))
    with pytest.raises(InvalidInput, match="cannot change from one kind of shape"):
        set_mask(opened, "oboe", MaskWish(points=TRIANGLE, key_at_s=0.6))
    set_mask(opened, "oboe", MaskWish(points=TRIANGLE))
    with pytest.raises(InvalidInput, match="is a curve"):
        set_mask(opened, "oboe", MaskWish(rx=10.0))


def test_a_take_without_a_mask_needs_all_of_one(opened):
    with pytest.raises(InvalidInput, match="has no mask yet"):
        set_mask(opened, "cello", MaskWish(x=10.0))
    with pytest.raises(NoSuchRecord, match="no take 'tuba'"):
        set_mask(opened, "tuba", MaskWish(x=10.0))
