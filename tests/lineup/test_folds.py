"""A loop behind a mix: which turn of it the clip begins at, and whether it is the song's loop at all."""

import itertools

import numpy as np
import pytest

from partsong.lineup import features, folds, repeats
from partsong.lineup.features import RATE_HZ

TURN_S, SILENT_S, SONG_S = 4.0, 12.0, 72.0


@pytest.fixture(scope="module")
def loop(band):
    """Return a loop that is let in after three turns and goes on to the end."""
    silence = np.zeros(round(SILENT_S * RATE_HZ), np.float32)
    return np.concatenate([silence, np.tile(band.part("drum", TURN_S), 15)]).astype(np.float32)


@pytest.fixture(scope="module")
def mix(band, loop):
    """Return the same behind three parts that do not repeat."""
    others = sum(band.part(kind, SONG_S) for kind in ("pluck", "bells", "pad"))
    return (0.3 * loop + others).astype(np.float32)


@pytest.fixture(scope="module")
def flat_mix(mix):
    return repeats.flattened(features.hear(mix), 0)


def found(band, sound, start_s, length_s, mix, flat_mix, drift_ppm=0.0):
    clip = features.hear(band.filmed(sound, start_s, length_s, drift_ppm=drift_ppm))
    flat = repeats.flattened(clip, 0)
    return folds.turns_behind(clip.window(0, 0, len(clip.samples)), flat, repeats.own_turn_s(flat), mix, flat_mix)


def test_a_loop_lies_where_it_begins_in_clip_and_mix(band, loop, mix, flat_mix):
    turns = found(band, loop, 2.6, 30, mix, flat_mix, drift_ppm=-40)

    # The phase is told to a sample of 8 kHz; 3 m of air lie between.
    assert turns.lines[0].start_s == pytest.approx(2.6 - 3 / 343.2, abs=0.001)
    assert turns.lines[0].drift_ppm == pytest.approx(-40, abs=2)
    assert turns.turn_s == pytest.approx(TURN_S, abs=1e-6)
    assert turns.lead > 2
    assert turns.alike > 0.9


def test_a_loop_from_within_lies_at_one_of_its_turns(band, loop, mix, flat_mix):
    turns = found(band, loop, 33.3, 20, mix, flat_mix, drift_ppm=50)

    assert min(abs(line.start_s - (33.3 - 3 / 343.2)) for line in turns.lines) < 0.002
    assert np.diff(sorted(line.start_s for line in turns.lines)) == pytest.approx(turns.turn_s)
    assert turns.lead < 0.5


def test_a_machine_that_joins_later_does_not_hide_where_it_begins(band, loop):
    # Its tones repeat to the sample as well, so the mean of all turns holds them; the clip does not.
    t = np.arange(RATE_HZ) / RATE_HZ
    others = 0.3 * band.part("pad", SONG_S)
    for turn, (beat, hz) in itertools.product(range(5, 18), enumerate((82.4, 110.0, 98.0, 123.5))):
        tone = sum(np.sin(2 * np.pi * hz * partial * t) / partial for partial in range(1, 12)) * np.exp(-t / 0.3)
        others[round((turn * TURN_S + beat) * RATE_HZ) :][: len(tone)] += tone
    mix = (0.05 * loop + others).astype(np.float32)

    turns = found(band, loop, 2.6, 30, mix, repeats.flattened(features.hear(mix), 0))

    assert turns.lines[0].start_s == pytest.approx(2.6 - 3 / 343.2, abs=0.001)
    assert turns.lead > 4  # 3.6 where all of the mean counts


def test_another_loop_is_not_taken_for_it(band, mix, flat_mix):
    other = np.tile(type(band)(77).part("drum", TURN_S), 10)
    turns = found(band, other, 5.1, 20, mix, flat_mix)

    assert turns is None or turns.alike < 0.4


def test_a_loop_that_strikes_elsewhere_as_well_is_not_taken_for_it(band):
    # The same machine, the same strokes on the beat; what differs is where only one of the two strikes.
    ours, theirs = machine(0, 3, 4, 6, 8, 9, 12, 13, 14), machine(0, 1, 4, 8, 10, 11, 12, 15)
    silence = np.zeros(round(SILENT_S * RATE_HZ), np.float32)
    others = sum(band.part(kind, SONG_S) for kind in ("pluck", "bells"))
    mix = (0.3 * np.concatenate([silence, np.tile(ours, 15)]) + others).astype(np.float32)
    flat_mix = repeats.flattened(features.hear(mix), 0)

    own, other = (found(band, np.concatenate([silence, np.tile(bar, 15)]), 2.6, 30, mix, flat_mix)
                  for bar in (ours, theirs))  # fmt: skip

    assert own.alike > 0.8
    assert own.lines[0].start_s == pytest.approx(2.6 - 3 / 343.2, abs=0.001)
    assert other.alike < 0.5


def machine(*steps):
    """Return 4 s of a machine's bar of sixteen steps, struck at some: one sound on all beats, others between."""
    out = np.zeros(round(TURN_S * RATE_HZ), np.float32)
    t = np.arange(RATE_HZ // 5) / RATE_HZ
    for step in steps:
        stroke = np.random.default_rng(step % 4).normal(size=len(t)) * np.exp(-t / 0.03)
        out[step * RATE_HZ // 4 :][: len(t)] += stroke.astype(np.float32)
    return out
