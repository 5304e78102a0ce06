"""The tempo map and the frames it gives, against arithmetic and the beat measures of a reference library."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.cut.tempo import BarLine, bars, frame_of, sections_of, tempo_map
from partsong.errors import InvalidInput
from partsong.film.records import TempoMark
from partsong.film.tempo import Position, position_at, time_of
from partsong.timebase import Rate, Time

VALUES = json.loads((Path(__file__).parents[1] / "data" / "check-values.json").read_text())["values"]
RATES = ("24", "25", "24000/1001", "30000/1001")


def steady(bpm: str, beats: int = 4, *, bar_one: str = "0", length: int = 600) -> tuple[TempoMark, ...]:
    return tempo_map((), bpm=bpm, beats_per_bar=beats, bar_one_s=bar_one, from_bar=1, length_s=Fraction(length))


# Arithmetic: seconds a beat = 60/bpm, frames a beat = 60 rate/bpm.
@pytest.mark.parametrize(
    "row", [row for row in VALUES if re.fullmatch(r"mus\.beat\.\d+", row["id"])], ids=lambda row: row["id"]
)
def test_the_length_of_a_beat_in_seconds_and_frames(row: dict[str, Any]) -> None:
    bpm = row["id"].rpartition(".")[2]
    one = time_of(steady(bpm), Position(1, Fraction(1)))
    found = [one, *(one * Rate.of(rate).exact for rate in RATES)]
    assert [float(value) for value in found] == pytest.approx(row["expected"], abs=row["tolerance"])


def test_there_are_rows_to_check() -> None:
    assert sum(bool(re.fullmatch(r"mus\.beat\.\d+", row["id"])) for row in VALUES) == 7


@pytest.mark.parametrize(("bpm", "samples"), [("60", 48000), ("100", 28800), ("120", 24000), ("128", 22500)])
def test_samples_a_beat(bpm: str, samples: int) -> None:
    # Arithmetic: 48000 * 60 / bpm.
    assert time_of(steady(bpm), Position(1, Fraction(1))) * 48000 == samples


def test_a_beat_of_twelve_frames_drifts_by_one_frame_in_83_beats() -> None:
    # Arithmetic: at 24000/1001 a beat of 120 a minute is 12 - 0.012 frames: counting twelves is one frame out after
    # 83.4 beats, and half a frame out, so on another frame, after 41.7.
    tempo = steady("120")
    rate = Rate.of("24000/1001")
    found = [frame_of(tempo, Position(1 + beat // 4, Fraction(beat % 4)), rate) for beat in range(120)]
    counted = [12 * beat for beat in range(120)]
    assert [c - f for c, f in zip(counted, found, strict=True)].index(1) == 42
    exact_drift = 83 * 12 - time_of(tempo, Position(21, Fraction(3))) * rate.exact
    assert 0.99 < exact_drift < 1


@given(
    bpm=st.fractions(20, 300, max_denominator=50),
    beats=st.integers(1, 12),
    bar=st.integers(1, 400),
    rate=st.sampled_from(RATES),
)
def test_a_bar_line_s_frame_is_never_more_than_half_a_frame_away(
    bpm: Fraction, beats: int, bar: int, rate: str
) -> None:
    tempo = steady(str(bpm), beats)
    at = (bar - 1) * beats * 60 / bpm
    away = frame_of(tempo, Position(bar, Fraction(0)), Rate.of(rate)) / Rate.of(rate).exact - at
    assert abs(away) <= Rate.of(rate).frame_s / 2


def test_the_map_s_beats_are_the_song_s_by_the_reference_measure() -> None:
    # mir_eval 0.8: a beat counts within +-0.07 s, one to one, beats before 5 s left out.
    import mir_eval

    truth = mir_eval.beat.trim_beats(0.5 + np.arange(184) * 60 / 92)

    def score(bpm: str) -> float:
        tempo = steady(bpm, 3, bar_one="0.5")
        frames = [frame_of(tempo, Position(1 + beat // 3, Fraction(beat % 3)), Rate(num=24)) for beat in range(184)]
        return float(mir_eval.beat.f_measure(truth, mir_eval.beat.trim_beats(np.array(frames) / 24)))

    assert score("92") == pytest.approx(1.0)
    assert score("94") < 0.5


def test_a_pick_up_and_the_end_of_the_song() -> None:
    # Bar 1 at 1.5 s with bars of 2 s: the first bar line lies in the pick-up, none after the end.
    found = bars(steady("60", 2, bar_one="1.5"), Rate(num=24), Fraction(6))
    assert found == (BarLine(1, 36), BarLine(2, 84), BarLine(3, 132))


def test_a_later_tempo_starts_exactly_on_its_bar_line_and_replaces_what_came_after() -> None:
    first = steady("92", 3)
    second = tempo_map(
        first, bpm="184/2.".rstrip("."), beats_per_bar=4, bar_one_s=None, from_bar=8, length_s=Fraction(99)
    )
    assert second[1].at.seconds == Fraction(60, 92) * 21  # no whole number of samples
    assert position_at(second, time_of(second, Position(9, Fraction(0)))) == Position(9, Fraction(0))
    third = tempo_map(second, bpm="100", beats_per_bar=3, bar_one_s=None, from_bar=6, length_s=Fraction(99))
    assert [mark.bar for mark in third] == [1, 6]
    assert [
        mark.bar
        for mark in tempo_map(third, bpm="90", beats_per_bar=3, bar_one_s=None, from_bar=1, length_s=Fraction(99))
    ] == [1]


def test_bar_one_stays_where_it_was_unless_it_is_given() -> None:
    first = steady("92", 3, bar_one="0.5")
    again = tempo_map(first, bpm="93", beats_per_bar=3, bar_one_s=None, from_bar=1, length_s=Fraction(99))
    assert again[0].at == Time(ticks=24000)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"bpm": "fast"}, "is not a number"),
        ({"bpm": "0"}, "out of range"),
        ({"bpm": "-92"}, "out of range"),
        ({"bpm": "1e9"}, "is not a number"),
        ({"bpm": "92/0"}, "is not a number"),
        ({"bpm": "9" * 50}, "is not a number"),
        ({"beats_per_bar": 0}, "Give 1 to 32"),
        ({"bar_one_s": "600"}, "after the song's end"),
        ({"from_bar": 5}, "no tempo before bar 5"),
        ({"from_bar": 0}, "count from 1"),
    ],
)
def test_what_cannot_be_a_tempo_is_refused(change: dict[str, Any], sentence: str) -> None:
    wish = {"bpm": "92", "beats_per_bar": 3, "bar_one_s": "0", "from_bar": 1, "length_s": Fraction(60), **change}
    with pytest.raises(InvalidInput, match=sentence):
        tempo_map((), **wish)


@pytest.mark.parametrize("texts", [["verse"], ["=5"], ["verse=0"], ["verse=x"], ["verse=5", "chorus=5"]])
def test_what_cannot_be_a_section_is_refused(texts: list[str]) -> None:
    with pytest.raises(InvalidInput):
        sections_of(texts)
