"""How the camera stood in takes, from files to sentences."""

from __future__ import annotations

import json

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.render.plan import plan_frames
from partsong.stage.steps import propose, register
from partsong.watch import silent


@pytest.fixture(scope="module")
def knocked(small, tmp_path_factory):
    root = tmp_path_factory.mktemp("knocked")
    clips = {"cello": small.Painted(50), "oboe": small.Painted(122, knocked=(19, 2, -1))}
    with small.made_film(root, clips, {}, song_s=1.2) as store:
        propose(store, silent())
        yield store


def test_a_knock_in_the_middle_of_a_take_is_found_and_said(knocked):
    film = knocked.head().film
    found = film.stage.registration_of("oboe")
    assert film.stage.registration_of("cello").keys[0].pose == Pose()
    # The picture went right and up, so from frame 19 on it has to go back; a tenth of a pixel is our mark.
    assert [found.at(18).dx_px, found.at(18).dy_px] == pytest.approx([0, 0], abs=0.1)
    assert [found.at(19).dx_px, found.at(19).dy_px] == pytest.approx([-2, 1], abs=0.1)
    assert "from 00:00.76 on" in found.sentence  # frame 19 at 25 a second
    assert found.certainty > 0.5


def test_the_merge_moves_it_from_that_frame_on(knocked):
    film = knocked.head().film
    layer = film.stage.order.index("oboe")
    poses = [plan.poses[layer] for plan in plan_frames(film, range(30))]
    assert set(poses[:19]) == {Pose()}
    assert set(poses[19:]) == {Pose(dx_px=-2, dy_px=1)}


def test_registering_again_leaves_masks_and_finds_the_same(knocked):
    before = knocked.head().film.stage
    after = register(knocked, silent()).film.stage
    assert {one.take: one for one in after.registrations} == {one.take: one for one in before.registrations}
    assert (after.masks, after.order) == (before.masks, before.order)


def test_the_strip_that_was_not_filmed_is_named(three):
    with three() as store:
        stage = register(store, silent()).film.stage
        store.undo()
    # The oboe's picture went 3 to the left and 2 down: 3 columns were never filmed.
    said = stage.registration_of("oboe").sentence
    assert "up to 3.0 px at the frame's edge" in said
    assert "px left and" in said
    assert "down of cello" in said


def test_a_take_of_another_room_is_refused_in_one_sentence(small, tmp_path):
    clips = {"cello": small.Painted(122), "oboe": small.Painted(122, room=77)}
    with (
        small.made_film(tmp_path, clips, {}) as store,
        pytest.raises(InvalidInput, match="oboe shows another room than cello"),
    ):
        propose(store, silent())


def test_what_is_kept_is_the_same_as_what_was_measured(knocked):
    (kept, *_) = (knocked.folder.root / "cache" / "standing").glob("*.npz")
    with np.load(kept) as arrays:
        assert json.loads(str(arrays["path"]))["keys"]
