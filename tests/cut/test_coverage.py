"""Which takes cover which bars, by truth that we built."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from partsong.cut.coverage import Covered, bars_of, coverage, whole_bars
from partsong.film.coverage import song_frames


def test_a_take_covers_the_bars_that_lie_within_it(make_film: Any) -> None:
    # Bars of 2 s (4 beats of 120) at 24 frames; a take from 3 s to 9 s covers bars 3 and 4 (4 to 8 s) whole.
    film = make_film(bpm=120, beats=4, bars=8, takes={"close": (3, 144)})
    (found,) = coverage(film)
    assert (found.first, found.stop) == (72, 216)
    assert whole_bars(found, bars_of(film), song_frames(film)) == (3, 4)


def test_a_take_that_begins_before_the_song_and_one_that_outlasts_it(make_film: Any) -> None:
    film = make_film(bpm=120, beats=4, bars=4, takes={"early": (-2, 96), "late": (6, 480), "never": (-30, 24)})
    found = coverage(film)
    assert [entry.take for entry in found] == ["early", "late"]
    lines, total = bars_of(film), song_frames(film)
    assert [whole_bars(entry, lines, total) for entry in found] == [(1,), (4,)]


def test_takes_only_asked_about_and_stage_takes_are_no_coverage(make_film: Any) -> None:
    film = make_film()
    asked = film.placements[0].replace(confidence="ask")
    film = film.replace(placements=(asked, *film.placements[1:]))
    assert [entry.take for entry in coverage(film)] == ["melodica-close"]
    stage = film.takes[1].replace(kind="stage", part="bass")
    assert coverage(film.replace(takes=(film.takes[0], stage))) == ()


def test_bars_of_a_song_without_a_map_are_none(make_film: Any) -> None:
    film = make_film()
    assert bars_of(film.replace(song=film.song.replace(tempo=()))) == ()
    assert len(bars_of(film)) == 32
    assert bars_of(film)[1].frame == round(Fraction(60 * 3, 92) * 24)
    assert not Covered("a", 10, 20).covers(9, 15)
