from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film.records import TempoMark
from partsong.film.tempo import Position, bar_lines, beats_in_bar, position_at, time_of
from partsong.timebase import SAMPLES, Time

WALTZ = (TempoMark(bar=1, at=Time(ticks=24000), beats_per_bar=3, bpm_num=92),)
# From bar 5 in four and slower: 4 bars x 3 beats x 60/90 s = 8 s after bar 1.
CHANGING = (
    TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=90),
    TempoMark(bar=5, at=Time(ticks=8 * 48000), beats_per_bar=4, bpm_num=60),
)


@given(st.fractions(min_value=-30, max_value=300), st.sampled_from([WALTZ, CHANGING]))
def test_position_and_time_are_each_others_inverse(song_s, tempo):
    assert time_of(tempo, position_at(tempo, song_s)) == song_s


def test_bars_fall_where_counting_by_hand_puts_them():
    assert time_of(CHANGING, Position(5, Fraction(0))) == 8
    assert time_of(CHANGING, Position(6, Fraction(2))) == 14
    assert position_at(CHANGING, Fraction(15)) == Position(6, Fraction(3))
    assert [beats_in_bar(CHANGING, bar) for bar in (1, 4, 5, 9)] == [3, 3, 4, 4]
    assert str(Position(6, Fraction(2))) == "6.3"
    assert str(Position(6, Fraction(1, 2))) == "6.1.50"


def test_before_bar_one_the_tempo_runs_backwards():
    assert position_at(WALTZ, Fraction(1, 2) - Fraction(60, 92)) == Position(0, Fraction(2))


def test_bar_lines_are_those_within_the_song():
    lines = list(bar_lines(WALTZ, Fraction(5)))
    bar_s = Fraction(180, 92)
    assert lines == [(bar, Fraction(1, 2) + (bar - 1) * bar_s) for bar in (1, 2, 3)]
    assert list(bar_lines((), Fraction(5))) == []


@pytest.mark.parametrize(("bpm", "frames"), [(120, 12), (60, 24), (72, 20), (90, 16)])
def test_tempos_whose_beat_is_a_whole_number_of_frames_at_24(bpm, frames):
    # Check values section 11 (music and tempo): these tempos give whole frames at 24 a second.
    mark = TempoMark(bar=1, at=Time.of(0, SAMPLES), bpm_num=bpm)
    assert mark.beat_s * 24 == frames


def test_without_a_tempo_map_the_question_is_refused():
    with pytest.raises(InvalidInput, match="no tempo map"):
        position_at((), Fraction(0))
