"""Places by movement: hands whose notes are known, and hands that play something else."""

import numpy as np
import pytest

from partsong.lineup import motion
from partsong.lineup.features import hear
from partsong.lineup.motion import Motion, look, note_starts, watched
from players import Player

RATE_HZ = 25.0


def onsets_of(player):
    return hear(player.stem()).voices[0].onsets


def filmed(player, way, start_s, length_s=36.0):
    lumas = (frame.astype(np.float32) for frame in player.frames(way, start_s, round(length_s * RATE_HZ), RATE_HZ))
    return Motion.of(watched(lumas), RATE_HZ)


@pytest.mark.parametrize("way", ["struck", "plucked"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_hand_is_placed_within_a_frame(seed, way):
    player = Player(seed)

    seen = look(filmed(player, way, 11.37), onsets_of(player))

    assert seen.confidence == "likely"
    assert (seen.way == "plucked") == (way == "plucked")
    # One frame is what a picture can be told to; 0.51 of one is the most that it comes to here.
    assert abs(seen.sights[0].start_s - 11.37) <= 0.6 / RATE_HZ
    assert seen.steady.lead > 100
    assert 0.5 < seen.margin <= 1
    assert seen.agreed >= 0.9 * seen.blocks


def test_a_hand_that_goes_and_comes_alike_is_asked_about():
    # Seen in a mirror of time it is the same: whether it strikes or plucks, nobody can tell.
    player = Player(3)

    seen = look(filmed(player, "swung", 11.37), onsets_of(player))

    assert seen.confidence == "ask"
    assert "which part of it makes the notes" in seen.reason
    # The note is where it comes back or where it leaves, 0.4 s apart: both are offered, first of all.
    offered = sorted(sight.start_s - 11.37 for sight in seen.sights[:2])
    assert offered == pytest.approx([0, 0.4], abs=1 / RATE_HZ)


@pytest.mark.parametrize("seed", range(5, 9))
def test_a_hand_that_plays_another_song_is_never_placed(seed):
    seen = look(filmed(Player(seed), "struck", 9.0), onsets_of(Player(seed + 100)))

    assert seen.confidence in ("ask", "none")


def test_too_short_a_take_is_not_placed():
    player = Player(1)

    seen = look(filmed(player, "struck", 11.37, length_s=12), onsets_of(player))

    assert seen.confidence in ("ask", "none")
    assert "too short" in seen.reason or "too little" in seen.reason


def test_a_still_picture_and_a_silent_stem_say_so():
    player = Player(1)
    still = Motion.of(np.zeros((20, 5, 500), np.float16), RATE_HZ)

    assert look(still, onsets_of(player)).reason == "Nothing moves in the picture"
    silent = np.zeros((20, 8000), np.float32)
    assert "no notes" in look(filmed(player, "struck", 11.37, length_s=8), silent).reason
    assert look(Motion.of(watched([]), RATE_HZ), silent).confidence == "none"


def test_light_that_comes_and_goes_is_no_movement(rng):
    wall = rng.uniform(60, 120, (16, 24))
    brighter = [wall + shift for shift in (0, 5, -3, 40)]

    # Half precision of a difference between floats: a thousandth of a code.
    assert np.abs(watched(brighter)[:, 0].astype(float)).max() < 1e-3
    assert watched([wall]).shape == (0, 5, 0)


def test_a_cell_that_changes_says_by_how_much_and_how_its_quarters_look():
    before = np.full((16, 24), 100.0)
    before[12:16, 8:12] = 80.0  # the third quarter of the fifth cell of six
    after = before.copy()
    after[8:16, 8:16] += np.where(np.arange(8) % 2, 3.0, -3.0)

    seen = watched([before, after]).astype(float)

    assert seen.shape == (6, 5, 1)
    assert seen[:, 0, 0] == pytest.approx([0, 0, 0, 0, 3, 0])
    assert seen[4, 1:, 0] == pytest.approx([100, 100, 80, 100])  # of the frame before the change
    assert seen[3, 1:, 0] == pytest.approx([100] * 4)


def test_notes_are_where_the_stem_has_them():
    player = Player(1)

    starts = note_starts(onsets_of(player))

    found_s = motion._peak_times(starts)
    # The onsets are counted over windows of 32 ms; half of one.
    nearest_ms = 1e3 * np.abs(found_s[:, None] - player.notes_s).min(axis=1)
    assert len(found_s) == pytest.approx(len(player.notes_s), abs=2)
    assert nearest_ms.max() < 16
    assert starts.max() == 1.0
