"""Which frames of which takes make a frame of the wide."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.records import (
    Clip,
    Film,
    Mask,
    MaskKey,
    MediaFile,
    Oval,
    Part,
    PictureInfo,
    Placement,
    Pose,
    PoseKey,
    Registration,
    Stage,
    Take,
)
from partsong.render.merge import stack_weights
from partsong.render.plan import FramePlan, Stack, plan_frames, stretches
from partsong.timebase import SAMPLES, Rate, Time

RATE = Rate(num=25)


def film(**stage) -> Film:
    """Return a film of three takes: flute from frame 0, viola from frame 10, horn up to frame 30 and 100 ppm fast."""
    picture = PictureInfo(
        codec="h264", width=64, height=36, rate=RATE, frames=40, pixel_format="yuv422p10le", bit_depth=10
    )
    names = ("flute", "viola", "horn")
    clips = {
        name: Clip(
            file=MediaFile(path=f"{name}.mov", size_bytes=1, fingerprint=f"{number:032x}"),
            container="mov", duration=Time.of(Fraction(40, 25)), picture=picture,
        )
        for number, name in enumerate(names)
    }  # fmt: skip
    starts = {"flute": Fraction(0), "viola": Fraction(10, 25), "horn": Fraction(-10, 25)}
    given = {
        "order": names,
        "masks": tuple(
            Mask(take=name, shape=Oval(x=30, y=18, rx=9, ry=8), feather_px=4.0) for name in ("viola", "horn")
        ),
        "registrations": (Registration(take="horn", keys=(PoseKey(frame=0, pose=Pose(dx_px=1.6, dy_px=-0.5)),)),),
        **stage,
    }
    return Film(
        name="trio", rate=RATE, width=64, height=36,
        parts=tuple(Part(id=name, name=name) for name in names),
        takes=tuple(Take(id=name, kind="stage", part=name, clip=clips[name]) for name in names),
        placements=tuple(
            Placement(take=name, confidence="sure", start=Time.of(start, SAMPLES), drift_ppm=100.0 * (name == "horn"))
            for name, start in starts.items()
        ),
        stage=Stage(**given),
    )  # fmt: skip


def test_takes_show_while_they_have_a_picture():
    plans = plan_frames(film(), range(50))
    takes = [tuple(layer.take for layer in plan.stack.layers) for plan in plans]
    assert takes[5] == ("flute", "horn")
    assert takes[20] == ("flute", "viola", "horn")
    assert takes[35] == ("flute", "viola")
    assert takes[45] == ("viola",)
    assert plans[20].sources == (20, 10, 30)


def test_the_lowest_layer_with_a_picture_fills_the_frame():
    alone = plan_frames(film(), range(45, 46))[0].stack.layers
    assert [layer.shape for layer in alone] == [None]


def test_a_frame_that_no_take_covers_has_an_empty_stack():
    assert plan_frames(film(), range(60, 61)) == (FramePlan(frame=60, stack=Stack(width=64, height=36)),)


def test_what_lies_near_whole_pixels_is_moved_by_whole_pixels():
    near = (Registration(take="horn", keys=(PoseKey(frame=0, pose=Pose(dx_px=1.92, dy_px=-0.06)),)),)
    assert plan_frames(film(registrations=near), range(1))[0].poses == (Pose(), Pose(dx_px=2))
    assert plan_frames(film(), range(1))[0].poses == (Pose(), Pose(dx_px=1.6, dy_px=-0.5))


def test_a_slow_move_is_followed_though_it_begins_within_the_threshold():
    keys = (PoseKey(frame=10, pose=Pose()), PoseKey(frame=30, pose=Pose(dx_px=0.4)))
    plans = plan_frames(film(registrations=(Registration(take="horn", keys=keys),)), range(22))
    moved = [plan.poses[-1].dx_px for plan in plans]
    assert moved[:3] == pytest.approx([0, 0.02, 0.04])
    assert moved[20:] == [0.4, 0.4]


def test_a_camera_that_moves_during_its_take_shares_one_stack():
    keys = (PoseKey(frame=12, pose=Pose()), PoseKey(frame=13, pose=Pose(dx_px=3)))
    plans = plan_frames(film(registrations=(Registration(take="horn", keys=keys),)), range(5))
    # The horn's frames run ten ahead of the song's.
    assert [plan.poses[1].dx_px for plan in plans] == [0, 0, 0, 3, 3]
    assert len({plan.stack for plan in plans}) == 1


def test_equal_stretches_share_one_stack():
    plans = plan_frames(film(), range(60))
    runs = [(run[0].frame, len(run), len(stack.layers)) for stack, run in stretches(plans) if len(run) > 1]
    # The viola comes in at 10, the horn goes by 30 and the flute by 40, each over ten frames of its own.
    assert runs == [(0, 10, 2), (40, 10, 1), (50, 10, 0)]
    assert len({id(plan.stack) for plan in plans}) == 3 + 30


def weights(plan):
    stack = plan.stack
    found = stack_weights(stack, range(stack.height))
    return {layer.take: weight for layer, weight in zip(stack.layers, found, strict=True)}


def test_a_take_comes_and_goes_over_four_tenths_of_a_second():
    plans = plan_frames(film(), range(50))
    opacity = [next((la.opacity for la in plan.stack.layers if la.take == "viola"), 0.0) for plan in plans]
    assert opacity[9] == 0
    assert 0 < opacity[10] < 0.05
    assert opacity[14] + opacity[15] == pytest.approx(1, abs=1e-3)  # ten frames at 25 a second, half way between
    assert opacity[20:50] == [1.0] * 30
    # At most a smoothstep's steepest step: 1.5 over eleven.
    assert max(np.diff(opacity)) <= 1.5 / 11


def test_the_frame_changes_smoothly_also_when_its_lowest_layer_goes():
    plans = plan_frames(film(), range(25, 50))
    shown = [weights(plan) for plan in plans]
    for before, after in itertools.pairwise(shown):
        for take in before.keys() | after.keys():
            step = np.abs(np.asarray(after.get(take, 0.0)) - before.get(take, 0.0)).max()
            assert step <= 2 * 1.5 / 11  # two takes may be on their way at once


def test_the_only_take_with_a_picture_is_not_faded_against_nothing():
    alone = plan_frames(film(order=("viola",)), range(10, 12))
    assert [weights(plan)["viola"].min() for plan in alone] == [1, 1]


def test_a_mask_with_keys_changes_over_the_song():
    here, there = Oval(x=30, y=18, rx=9, ry=8), Oval(x=36, y=18, rx=9, ry=8)
    keys = (MaskKey(frame=22, shape=here), MaskKey(frame=34, shape=there))
    masks = (Mask(take="viola", shape=here, keys=keys), film().stage.masks[1])
    viola = [plan.stack.layers[1].shape.x for plan in plan_frames(film(masks=masks), range(20, 38))]
    assert viola[:3] == [30] * 3
    assert viola[14:] == [36] * 4
    assert viola[8] == 33


def test_a_plan_is_data():
    plan = plan_frames(film(), range(20, 21))[0]
    again = FramePlan.model_validate_json(plan.model_dump_json())
    assert again == plan
    assert hash(again) == hash(plan)


def test_hand_or_proposal_makes_no_difference_to_the_picture():
    by_hand = film()
    masks = tuple(mask.replace(by_hand=True) for mask in by_hand.stage.masks)
    assert plan_frames(film(masks=masks), range(3)) == plan_frames(by_hand, range(3))


def test_what_cannot_be_merged_says_what_to_do():
    with pytest.raises(InvalidInput, match="partsong stage propose FILM"):
        plan_frames(film(order=()), range(1))
    with pytest.raises(InvalidInput, match="'horn' lies above others and has no oval"):
        plan_frames(film(masks=film().stage.masks[:1]), range(1))
    unsure = film()
    placements = tuple(
        place.replace(confidence="ask") if place.take == "viola" else place for place in unsure.placements
    )
    with pytest.raises(InvalidInput, match="'viola' is a layer of the stage but has no sure place"):
        plan_frames(unsure.replace(placements=placements), range(1))
