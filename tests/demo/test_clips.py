import itertools

import cv2
import numpy as np
import pytest

from partsong.demo import clips as card
from partsong.demo import tune

WIDTH, HEIGHT = 320, 180


@pytest.fixture(scope="module")
def song():
    return tune.waltz(bars=6)


@pytest.fixture(scope="module")
def clips(song):
    return card.clips(song, tune.PARTS, roaming=True)


def stage(clips, part, **changes):
    return next(clip for clip in clips if clip.kind == "stage" and clip.part == part).replace(**changes)


def drawn(clip, song, some, *, width=WIDTH, height=HEIGHT):
    """Frames as the eye would weigh them: the square root of light."""
    frames = card.light_frames(clip, song, width=width, height=height, some=some)
    return [np.sqrt(np.maximum(frame, 0)) for frame in frames]


def test_a_nudged_tripod_shows_as_the_shift_it_says(clips, song):
    nudged = stage(clips, "upright-bass")
    upright = nudged.replace(moves=())
    assert nudged.moves
    (there,), (here,) = (drawn(clip, song, [60]) for clip in (nudged, upright))
    shift, _ = cv2.phaseCorrelate(
        here.mean(axis=2), there.mean(axis=2), cv2.createHanningWindow((WIDTH, HEIGHT), cv2.CV_32F)
    )
    # Phase correlation (Kuglin and Hines, 1975) of clean pictures finds whole pixels to a few hundredths.
    assert shift == pytest.approx((nudged.moves[0].dx_px, nudged.moves[0].dy_px), abs=0.05)


def test_a_bump_during_the_take_swings_and_rests(clips):
    bumped = stage(clips, "melodica")
    (move,) = bumped.moves
    times_s = move.at_s + np.array([-1.0, 0.0, 0.04, 0.08, 2.0])
    path = card.offsets_px(bumped, times_s)
    assert 0.3 * bumped.frames / 24 < move.at_s < 0.8 * bumped.frames / 24
    assert path[0].tolist() == [0, 0]
    assert path[-1].tolist() == [move.dx_px, move.dy_px]
    assert np.abs(path[2:4] - path[-1]).max() > 0.1


def test_a_knocked_stand_changes_the_picture_where_it_stood_and_stands(clips, song):
    knocked = stage(clips, "glockenspiel", lamp_on_at_s=0.0)
    assert knocked.stand_moved
    (after,), (before,) = (drawn(clip, song, [40]) for clip in (knocked, knocked.replace(stand_moved=False)))
    differs = np.abs(after - before).max(axis=2)
    boxes = [card.stand_px(WIDTH, HEIGHT, moved=moved) for moved in (False, True)]
    assert boxes[0] != boxes[1]
    inside = np.zeros((HEIGHT, WIDTH), bool)
    for left, top, right, bottom in boxes:
        inside[int(top) : int(bottom) + 1, int(left) : int(right) + 1] = True
    # The desk is much of it; stem, feet and shadow lie beneath the boxes and beside them.
    assert differs[inside].mean() > 10 * differs[~inside].mean()
    assert differs[:, : int(min(b[0] for b in boxes)) - 40].max() < 0.05


def test_stage_takes_begin_in_the_dark_of_the_room(clips, song):
    take = stage(clips, "harmonium")
    dark, lit = drawn(take, song, [12, 40])
    still_dark = drawn(take, song, [22])[0]
    left, top, right, bottom = card.zones(WIDTH, HEIGHT)["harmonium"]
    assert lit[top:bottom, left:right].mean() > 1.5 * dark[top:bottom, left:right].mean()
    assert dark.mean() > 0.02  # dark, not black
    assert still_dark.mean() == pytest.approx(dark.mean(), rel=0.01)


@pytest.mark.parametrize("part", tune.PARTS)
def test_the_player_moves_when_the_notes_sound(part, clips, song):
    take = stage(clips, part, lamp_on_at_s=0.0, moves=())
    first = round((-float(take.start) + (5.0 if part == "melodica" else 0.5)) * 24)
    some = range(first, first + 168)
    frames = drawn(take, song, some, width=160, height=90)
    motion = np.array([np.abs(b - a).sum() for a, b in itertools.pairwise(frames)])
    times_s = take.song_s(np.array(some[1:]) / 24)
    beats = sum(np.exp(-(((times_s - onset) / 0.05) ** 2)) for onset in song.onsets_s(part))
    by_lag = {lag: np.corrcoef(np.roll(beats, lag), motion)[0, 1] for lag in range(-6, 7)}
    # Hands are fastest as they come down: most motion lies in the frames around the onsets, and at no other lag.
    assert by_lag[0] > 0.35
    assert abs(max(by_lag, key=by_lag.__getitem__)) <= 1


@pytest.mark.parametrize("part", tune.PARTS)
def test_nothing_moves_outside_the_players_box_but_shadows(part, clips, song):
    take = stage(clips, part, lamp_on_at_s=0.0, moves=())
    frames = np.stack(drawn(take, song, range(80, 200, 8)))
    changes = frames.std(axis=0).max(axis=2)
    left, top, right, bottom = card.zones(WIDTH, HEIGHT)[part]
    outside = changes.copy()
    outside[top:bottom, left:right] = 0
    assert changes[top:bottom, left:right].max() > 0.1
    assert (outside > 0.1).mean() < 0.002
    assert (changes > 1e-6).mean() < 0.5


def test_a_hand_held_take_is_closer_moves_and_is_sharp(clips, song):
    roaming = [clip for clip in clips if clip.kind == "roaming" and clip.song == song.title]
    assert len({clip.part for clip in roaming}) >= 3
    clip = roaming[0]
    early, late = drawn(clip, song, [2, clip.frames - 2])
    wide = drawn(stage(clips, clip.part), song, [60])[0]
    assert np.abs(early - late).mean() > 0.01
    # Detail of the finest scale, where it is most: at least as much as in the wide frame.
    detail = [np.percentile(np.abs(cv2.Laplacian(frame, cv2.CV_32F)), 99) for frame in (early, wide)]
    assert detail[0] > 0.5 * detail[1]


def test_the_same_entry_gives_the_same_frames(clips, song):
    clip = clips[0]
    one, two = (next(card.frames(clip, song, width=WIDTH, height=HEIGHT)) for _ in range(2))
    assert np.array_equal(one.y, two.y)
    assert np.array_equal(one.v, two.v)


def test_faults_are_spread_one_to_a_take(clips):
    faults = {
        clip.part: [bool(clip.drift_ppm), bool(clip.moves), clip.stand_moved, clip.room_silent]
        for clip in clips
        if clip.kind == "stage"
    }
    assert set(faults) == set(tune.PARTS)
    assert all(sum(found) == 1 for found in faults.values())
    assert stage(clips, "cajon").drift_ppm == pytest.approx(-60, abs=0.01)
    stray = [clip for clip in clips if clip.song != "Boathouse Waltz"]
    assert len(stray) == 1
