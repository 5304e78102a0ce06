"""The guide track: where everything starts, to the sample, and whether the cues can be found again."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from partsong.errors import InvalidInput
from partsong.film.records import TempoMark
from partsong.media.cues import cue_sound
from partsong.prepare import guide
from partsong.timebase import Time


def _tempo(bpm: int | Fraction, beats: int, at_s: Fraction | int = 0) -> tuple[TempoMark, ...]:
    bpm = Fraction(bpm)
    return (TempoMark(bar=1, at=Time.of(at_s), beats_per_bar=beats, bpm_num=bpm.numerator, bpm_den=bpm.denominator),)


@pytest.mark.parametrize(("bpm", "samples"), [(60, 48000), (100, 28800), (120, 24000), (128, 22500)])
def test_beats_are_whole_samples_apart(bpm: int, samples: int) -> None:
    # 48000 x 60 / bpm: exact at these tempos.
    plan = guide.plan_guide(_tempo(bpm, 4), Fraction(12))
    clicks = [event.sample for event in plan.events if event.kind in ("bar", "beat")]
    assert {later - earlier for earlier, later in pairwise(clicks)} == {samples}


@pytest.mark.parametrize(("bpm", "seconds"), [(60, 4.0), (90, 2.6666667), (120, 2.0)])
def test_a_four_beat_count_in_leads_to_the_song(bpm: int, seconds: float) -> None:
    # 4 x 60 / bpm.
    plan = guide.plan_guide(_tempo(bpm, 4), Fraction(30))
    count_in = plan.song_zero - plan.first("bar")
    assert count_in == round(seconds * 48000)
    before = [event.kind for event in plan.events if event.sample < plan.song_zero]
    assert before == ["head cue", "bar", "beat", "beat", "beat"]


def test_a_song_that_starts_within_a_bar_is_counted_in_from_the_bar_before() -> None:
    # Bar 1 half a second into the song at 120: the song starts on beat 4 of bar 0, the count-in is bar -1.
    plan = guide.plan_guide(_tempo(120, 4, Fraction(1, 2)), Fraction(10))
    clicks = [event for event in plan.events if event.kind in ("bar", "beat")]
    assert clicks[0].sample == plan.song_zero - 24000 * 7
    assert [event.kind for event in clicks if event.sample == plan.song_zero + 24000] == ["bar"]


def test_no_error_adds_up_over_a_long_song() -> None:
    # 92 beats a minute is 31304.3 samples a beat: the last bar line is still within half a sample of the truth.
    plan = guide.plan_guide(_tempo(92, 3), Fraction(3600))
    bars = [event.sample for event in plan.events if event.kind == "bar"]
    number = 1 + (3600 * 92 // 60 - 1) // 3  # bar lines from bar 1 on, within the hour
    exact = plan.song_zero + Fraction(60 * 3, 92) * (number - 1) * 48000
    assert len(bars) == number + 1
    assert abs(bars[-1] - exact) <= Fraction(1, 2)


def test_the_tempo_may_change() -> None:
    # Two bars of 4/4 at 120, then 3/4 at 90 from 4 s on.
    tempo = (*_tempo(120, 4), TempoMark(bar=3, at=Time.of(4), beats_per_bar=3, bpm_num=90))
    plan = guide.plan_guide(tempo, Fraction(8))
    song_s = [(event.sample - plan.song_zero) / 48000 for event in plan.events if event.kind == "bar"]
    assert song_s == [-2, 0, 2, 4, 6]


@settings(max_examples=40)
@given(st.fractions(30, 300, max_denominator=7), st.integers(1, 7), st.fractions(-3, 3, max_denominator=48))
def test_any_song_is_counted_in_and_closed(bpm: Fraction, beats: int, at_s: Fraction) -> None:
    plan = guide.plan_guide(_tempo(bpm, beats, at_s), Fraction(11))
    samples = [event.sample for event in plan.events]
    assert samples == sorted(samples)
    assert plan.song_zero % 48000 == 0
    assert samples[0] >= 24000  # half a second of quiet first
    assert plan.events[1].kind == "bar"
    assert plan.events[1].sample < plan.song_zero
    assert samples[-1] >= plan.song_zero + 12 * 48000  # one second after the song
    assert sum(len(block) for block in guide.blocks(plan, block=7001)) == plan.length


def test_blocks_do_not_depend_on_their_size() -> None:
    plan = guide.plan_guide(_tempo(92, 3), Fraction(5))
    whole = np.concatenate(list(guide.blocks(plan, block=plan.length)))
    pieces = np.concatenate(list(guide.blocks(plan, block=997)))
    np.testing.assert_array_equal(whole, pieces)


def test_sound_starts_on_the_planned_samples_and_peaks_six_decibels_down() -> None:
    plan = guide.plan_guide(_tempo(92, 3), Fraction(5))
    sound = np.concatenate(list(guide.blocks(plan)))[:, 0]
    for event in plan.events:
        if event.kind in ("bar", "beat"):
            level = guide.PEAK if event.kind == "bar" else guide.PEAK / 2
            assert sound[event.sample - 1] == 0
            assert sound[event.sample] == pytest.approx(level, abs=1e-6)  # float32 keeps 6e-8 of it
    assert 20 * np.log10(np.abs(sound).max()) == pytest.approx(-6, abs=1e-4)


@pytest.mark.parametrize("kind", ["head cue", "tail cue"])
def test_a_cue_is_found_to_the_sample_in_a_noisy_room(kind: str) -> None:
    # Known truth: the guide played into a room with two reflections, and noise as loud as the cue's own r.m.s. level.
    plan = guide.plan_guide(_tempo(92, 3), Fraction(4))
    sound = np.concatenate(list(guide.blocks(plan)))[:, 0].astype(float)
    heard = sound.copy()
    for delay, gain in ((331, 0.5), (1207, 0.35)):
        heard[delay:] += gain * sound[:-delay]
    cue = cue_sound(kind).astype(float)  # type: ignore[arg-type]
    heard += np.random.default_rng(4).normal(0, np.sqrt(np.mean(cue**2)), len(heard))
    match = signal.correlate(heard, cue, mode="valid")
    assert int(np.argmax(match)) == plan.first(kind)  # type: ignore[arg-type]


def test_songs_without_usable_tempo_are_refused() -> None:
    with pytest.raises(InvalidInput, match="no tempo map"):
        guide.plan_guide((), Fraction(10))
    with pytest.raises(InvalidInput, match="closer together than a click"):
        guide.plan_guide(_tempo(2500, 4), Fraction(2))
