"""Players who cross the edges of their masks, found and mended."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from partsong.film.records import Curve, Mask, Oval
from partsong.film.store import FilmStore
from partsong.render import pixels
from partsong.render.shapes import shape_at
from partsong.stage.crossings import Crossing, Moving, find_crossings, grain_of, keyed, moving_in, widened
from partsong.stage.seam_steps import crossings, mend
from partsong.stage.steps import propose
from partsong.watch import silent

HEIGHT, WIDTH = 90, 160
Y, X = np.mgrid[0:HEIGHT, 0:WIDTH]
WEIGHTS = pixels.layer_weights(
    np.stack([np.ones((HEIGHT, WIDTH)), pixels.shape_alpha(Oval(x=100, y=50, rx=30, ry=35), 8, X, Y)])
)


def hand(x, y=50):
    return (abs(X - x) < 12) & (abs(Y - y) < 6)


def looks(*places):
    return [(Moving(4 * number, hand(x) if x else hand(-99)), WEIGHTS) for number, x in enumerate(places)]


def found(*places, take="b"):
    return find_crossings(take, ("a", "b"), looks(*places), every=4, rate_hz=25.0)


def test_a_player_inside_his_mask_does_not_cross():
    assert found(100, 102, 98, 104, None, 100) == []


def test_a_hand_that_leaves_the_mask_is_one_stretch():
    (one,) = found(100, 100, 128, 135, 133, 100, 100)
    # The mask ends at 130: the hand reaches beyond at looks 2, 3 and 4.
    assert (one.start, one.end, one.frame, one.take, one.into) == (8, 20, 12, "b", ("a",))
    # 24 x 12 pixels, of which all but the few left of 126 are hidden at least in part.
    assert one.share * HEIGHT * WIDTH == pytest.approx(17 * 11, rel=0.2)
    assert one.box[0] * WIDTH == pytest.approx(127, abs=4)
    assert one.box[2] * WIDTH == pytest.approx(147, abs=1)


def test_a_player_under_anothers_mask_crosses_into_it():
    (one,) = found(40, 70, 76, 72, 40, take="a")
    assert (one.start, one.end, one.into) == (4, 16, ("b",))


def test_who_walks_out_is_followed_until_he_is_back():
    (one,) = found(100, 132, 150, 150, 150, 132, 100)
    assert (one.start, one.end) == (4, 24)


def test_what_moves_only_where_it_is_hidden_is_nobodys_concern():
    # Another take shows there: a shadow that has no part in the picture.
    assert found(20, 24, 20, 24, 20) == []


def test_a_single_look_is_too_short_to_list():
    assert found(100, 100, 135, 100, 100, 100) == []


def test_grain_does_not_move_and_a_hand_does():
    rng = np.random.default_rng(3)
    room = (0.2 + 0.4 * X / WIDTH).astype(np.float32)
    pictures = [(room + rng.normal(0, 0.02 + 0.02 * X / WIDTH)).astype(np.float32) for _ in range(20)]
    still = np.median(pictures, axis=0).astype(np.float32)
    grain = grain_of(pictures, still)
    # The mean of nine pixels: a third of the grain, less what the median of twenty takes of it, and its own.
    assert grain[:, 20].mean() == pytest.approx(0.0225 / 3, rel=0.25)
    assert grain[:, 140].mean() == pytest.approx(0.0375 / 3, rel=0.25)
    assert not moving_in(pictures[0], still, grain).any()
    shown = pictures[1] + np.float32(0.1) * hand(80)
    moving = moving_in(shown, still, grain)
    # Along the rim the mean of nine pixels holds less than all of the step.
    assert (moving & hand(80)).sum() > 0.85 * hand(80).sum()
    assert (moving & ~hand(80)).sum() < 0.15 * hand(80).sum()  # a rim of one pixel, from the mean


CROSSING = Crossing("b", 100, 150, 120, 0.01, (0.7, 0.4, 0.8, 0.6), ("a",))
SIZE = (640, 360)


@given(
    st.floats(200, 420),
    st.floats(120, 240),
    st.floats(40, 150),
    st.floats(40, 150),
    st.floats(-40, 40),
    st.sampled_from([0.0, 8.0, 60.0]),
)
@example(318.0, 120.0, 40.0, 40.0, 0.0, 0.0)
def test_a_widened_oval_holds_what_was_lost_inside_its_soft_edge(x, y, rx, ry, turn, feather):
    mask = Mask(take="b", shape=Oval(x=x, y=y, rx=rx, ry=ry, rotation_deg=turn), feather_px=feather)
    wider = widened(mask, CROSSING, SIZE)
    left, top, right, bottom = 0.7 * 640, 0.4 * 360, 0.8 * 640, 0.6 * 360
    at = np.array([(px, py) for px in (left, right) for py in (top, bottom)])
    # Numbers are kept to a tenth of a pixel, and the oval's distance is first order: by its slope a little is left out.
    assert pixels.shape_alpha(wider, feather, *at.T).min() > 0.97
    assert wider.rx >= rx - 0.06
    assert wider.ry >= ry - 0.06


def test_a_widened_curve_moves_the_points_that_face_what_was_lost():
    points = tuple({"x": 300 + 100 * np.cos(a), "y": 180 + 80 * np.sin(a)} for a in np.arange(12) / 12 * 2 * np.pi)
    mask = Mask(take="b", shape=Curve.model_validate({"points": points}), feather_px=10)
    wider = widened(mask, CROSSING, SIZE)
    assert pixels.shape_alpha(wider, 10, 0.8 * 640, 180) > 0.999
    assert wider.points[6].x == pytest.approx(mask.shape.points[6].x, abs=0.1)


def test_keys_widen_a_mask_for_the_stretch_only():
    mask = Mask(take="b", shape=Oval(x=300, y=180, rx=60, ry=90), feather_px=20)
    wide = Oval(x=360, y=180, rx=120, ry=90)
    moved = keyed(mask, CROSSING, wide, ramp=10, last=500)
    assert len(moved.keys) == 4
    assert [shape_at(moved, frame) for frame in (0, 89, 99, 120, 150, 160, 500)] == [
        mask.shape, mask.shape, wide, wide, wide, mask.shape, mask.shape,
    ]  # fmt: skip


def test_keys_of_two_stretches_live_together():
    mask = Mask(take="b", shape=Oval(x=300, y=180, rx=60, ry=90), feather_px=20)
    wide = Oval(x=360, y=180, rx=120, ry=90)
    both = keyed(keyed(mask, CROSSING, wide, ramp=10, last=500), Crossing("b", 155, 180, 160, 0.01, (0, 0, 1, 1), ()),
                 wide, ramp=10, last=500)  # fmt: skip
    assert [shape_at(both, frame) for frame in (89, 120, 170, 190)] == [mask.shape, wide, wide, mask.shape]


@pytest.fixture(scope="module")
def leaning(small, tmp_path_factory):
    """Return an opener of a film whose cello leans over by 28 pixels for half a second, after ovals were proposed."""
    root = tmp_path_factory.mktemp("leaning")
    clips = {
        name: small.Painted(x, frames=75, leans=(40, 52, 28.0) if name == "cello" else None)
        for name, x in small.players.items()
    }
    with small.made_film(root, clips, {}, song_s=3.0) as store:
        propose(store, silent())
        body = Oval(x=50, y=82, rx=26, ry=34)

        def edit(film):
            masks = tuple(
                mask.replace(shape=body, feather_px=8.0) if mask.take == "cello" else mask for mask in film.stage.masks
            )
            return film.replace(stage=film.stage.replace(order=("celesta", "oboe", "cello"), masks=masks))

        store.change("Drew the cello's oval tightly", edit)
    return lambda: FilmStore.open(root / "film")


def test_a_lean_is_listed_and_mended_with_keys(leaning):
    with leaning() as store:
        lean = [one for one in crossings(store, silent()) if one.take == "cello"]
        assert len(lean) == 1
        # Looked at every fourth frame.
        assert abs(lean[0].start - 40) <= 4
        assert abs(lean[0].end - 52) <= 4
        head, proposed = mend(store, silent())
        assert "keys" in [one.kind for one in proposed if one.crossing.take == "cello"]
        assert len(head.film.stage.mask_of("cello").keys) == 4
        assert not [one for one in crossings(store, silent()) if one.take == "cello"]
        store.undo()
        assert store.head().film.stage.mask_of("cello").keys == ()
