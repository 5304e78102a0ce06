"""Places by movement: hands whose notes are known, and hands that play something else."""

import numpy as np
import pytest

from partsong.lineup import motion
from partsong.lineup.features import hear
from partsong.lineup.motion import RESPONSE_REACH_S, RESPONSE_STEPS, Motion, changes, look, note_in, note_starts
from players import Player

RATE_HZ = 25.0


def onsets_of(player):
    return hear(player.stem()).voices[0].onsets


def filmed(player, way, start_s, length_s=36.0):
    lumas = (frame.astype(np.float32) for frame in player.frames(way, start_s, round(length_s * RATE_HZ), RATE_HZ))
    return Motion(changes(lumas), RATE_HZ)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_hand_is_placed_within_a_frame(seed):
    player = Player(seed)

    seen = look(filmed(player, "struck", 11.37), onsets_of(player))

    assert seen.confidence == "likely"
    assert seen.told_apart
    # One frame is what a picture can be told to.
    assert abs(seen.sights[0].start_s - 11.37) <= 1 / RATE_HZ


@pytest.mark.parametrize("seed", [3, 4])
def test_a_pluck_might_be_a_brisk_lift_so_a_person_is_asked(seed):
    player = Player(seed)

    seen = look(filmed(player, "plucked", 11.37), onsets_of(player))

    assert seen.confidence == "ask"
    assert "which part of it makes the notes" in seen.reason
    assert any(abs(sight.start_s - 11.37) <= 1 / RATE_HZ for sight in seen.sights)


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
    still = Motion(np.zeros((20, 500), np.float16), RATE_HZ)

    assert look(still, onsets_of(player)).reason == "Nothing moves in the picture"
    silent = np.zeros((20, 8000), np.float32)
    assert "no notes" in look(filmed(player, "struck", 11.37, length_s=8), silent).reason
    assert look(Motion(np.zeros((0, 0), np.float16), RATE_HZ), silent).confidence == "none"


def test_light_that_comes_and_goes_is_no_movement(rng):
    wall = rng.uniform(60, 120, (16, 24))
    brighter = [wall + shift for shift in (0, 5, -3, 40)]

    # Half precision of a difference between floats: a thousandth of a code.
    assert np.abs(changes(brighter).astype(float)).max() < 1e-3
    assert changes([wall]).shape == (0, 0)


def test_a_cell_that_changes_says_by_how_much():
    before = np.full((16, 24), 100.0)
    after = before.copy()
    after[8:16, 8:16] += np.where(np.arange(8) % 2, 3.0, -3.0)  # +-3 codes in the fifth cell of six

    assert changes([before, after]).astype(float)[:, 0] == pytest.approx([0, 0, 0, 0, 3, 0])


def test_the_response_is_what_was_built_in(rng):
    # Movements that are fastest 50 ms after each note, in noise.
    notes_s = np.cumsum(rng.uniform(0.4, 1.3, 60))
    starts = np.zeros(round((notes_s[-1] + 2) * 200))
    starts[np.round(notes_s * 200).astype(int)] = 1
    at_s = 3.0 + (np.arange(1000) + 0.5) / RATE_HZ
    moved = sum(np.exp(-0.5 * ((at_s - note_s - 0.05) / 0.05) ** 2) for note_s in notes_s)
    tracks = np.stack([moved + rng.normal(0, 0.2, len(at_s)), rng.normal(0, 0.2, len(at_s))])
    tracks -= tracks.mean(axis=1, keepdims=True)

    found = motion.response(tracks, RATE_HZ, 3.0, starts)

    fastest_s = np.linspace(-RESPONSE_REACH_S, RESPONSE_REACH_S, RESPONSE_STEPS)[np.argmax(found)]
    assert fastest_s == pytest.approx(0.05, abs=0.021)  # one step of the response


def bursts(*sizes_at_s):
    at_s = np.linspace(-RESPONSE_REACH_S, RESPONSE_REACH_S, RESPONSE_STEPS)
    return np.sum([size * np.exp(-0.5 * ((at_s - when) / 0.035) ** 2) for size, when in sizes_at_s], axis=0)


@pytest.mark.parametrize(
    "moves",
    [
        bursts((1.0, -0.04)),  # a stroke alone
        bursts((0.6, -0.22), (1.0, -0.04)),  # lifted slowly, struck fast
        bursts((1.0, -0.22), (1.0, -0.04)),  # as fast both ways: players get ready more than they draw back
        bursts((0.6, -0.34), (1.0, -0.04)),  # a slow lift
    ],
)
def test_the_note_follows_the_last_burst(moves):
    found_s, clear = note_in(moves)

    assert clear
    assert found_s == pytest.approx(-0.01, abs=0.021)  # one step of the response


@pytest.mark.parametrize(
    "moves",
    [
        np.zeros(RESPONSE_STEPS),
        bursts((1.0, 0.02), (0.5, 0.24)),  # plucked and slowly back, or lifted and gently pressed
        bursts((1.3, -0.1), (1.0, 0.1)),
        bursts((1.0, -0.16), (1.0, 0.16)),  # a bow's two ways: the note is between them
        bursts((1.0, -0.3), (0.8, -0.1), (0.9, 0.1)),
    ],
)
def test_what_could_be_either_leaves_doubt(moves):
    assert not note_in(moves)[1]


def test_notes_are_where_the_stem_has_them():
    player = Player(1)

    starts = note_starts(onsets_of(player))

    found_s = motion._peak_times(starts)
    # The onsets are counted over windows of 32 ms; half of one.
    nearest_ms = 1e3 * np.abs(found_s[:, None] - player.notes_s).min(axis=1)
    assert len(found_s) == pytest.approx(len(player.notes_s), abs=2)
    assert nearest_ms.max() < 16
    assert starts.max() == 1.0
