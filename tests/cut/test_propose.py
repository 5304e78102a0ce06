"""The rules that every proposed cut holds to, over many songs, coverages and seeds."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.cut.coverage import Covered, bars_of, base_of, coverage
from partsong.cut.propose import propose
from partsong.cut.tempo import BarLine
from partsong.errors import InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.records import WIDE, Shot


@st.composite
def songs(draw: Any) -> tuple[list[BarLine], list[int], int, list[Covered]]:
    count = draw(st.integers(1, 60))
    bar_frames = draw(st.integers(10, 100))
    pick_up = draw(st.integers(0, bar_frames - 1))
    lines = [BarLine(bar + 1, pick_up + bar * bar_frames) for bar in range(count)]
    total = lines[-1].frame + draw(st.integers(1, bar_frames))
    sections = draw(st.lists(st.integers(1, count), unique=True, max_size=6))
    takes = []
    for number in range(draw(st.integers(0, 4))):
        first = draw(st.integers(0, total - 1))
        takes.append(Covered(f"close-{number}", first, draw(st.integers(first + 1, total))))
    return lines, sections, total, takes


@given(song=songs(), seed=st.integers(0, 1 << 40))
def test_every_cut_is_whole_in_time_with_the_music_and_shows_only_what_there_is(song: Any, seed: int) -> None:
    lines, sections, total, takes = song
    shots = propose(lines, sections, total, takes, base=Covered(WIDE, 0, total), seed=seed)

    assert shots[0].start == 0
    assert shots[-1].end == total
    assert all(earlier.end == later.start for earlier, later in itertools.pairwise(shots))
    assert shots[0].source == shots[-1].source == WIDE
    # The wide and a take alternate; no two shots in a row show the same.
    assert all((a.source == WIDE) != (b.source == WIDE) for a, b in itertools.pairwise(shots))

    place = {line.frame: number for number, line in enumerate(lines)} | {0: 0, total: len(lines)}
    for shot in shots:
        assert shot.start in place  # on a bar line
        length = place[shot.end] - place[shot.start]
        if shot.source != WIDE:
            assert 2 <= length <= 8
            cover = next(take for take in takes if take.take == shot.source)
            assert cover.first <= shot.start
            assert shot.end <= cover.stop
        elif len(shots) > 1:
            assert length >= 2
    assert shots == propose(lines, sections, total, takes, base=Covered(WIDE, 0, total), seed=seed)


def test_full_coverage_changes_at_every_section_and_keeps_musical_lengths() -> None:
    lines = [BarLine(bar + 1, bar * 48) for bar in range(64)]
    takes = [Covered("a", 0, 64 * 48), Covered("b", 0, 64 * 48)]
    for seed in range(40):
        shots = propose(lines, [9, 25, 41, 57], 64 * 48, takes, base=Covered(WIDE, 0, 64 * 48), seed=seed)
        starts = {shot.start for shot in shots}
        # The last section's change can be lost only where the shot before the closing wide is the wide itself.
        assert {48 * 8, 48 * 24, 48 * 40} <= starts
        assert all((shot.end - shot.start) % 48 == 0 for shot in shots)
        assert all(shot.end - shot.start <= 8 * 48 for shot in shots[:-1])
        shown = [shot.source for shot in shots if shot.source != WIDE]
        # Takes take turns: the counts differ by one at most.
        assert abs(shown.count("a") - shown.count("b")) <= 1


def test_seeds_differ(make_film: Any) -> None:
    film = make_film(takes={"a": (0, 2000), "b": (0, 2000)})
    base = Covered(WIDE, 0, song_frames(film))
    cuts = {propose(bars_of(film), [], song_frames(film), coverage(film), base=base, seed=seed) for seed in range(6)}
    assert len(cuts) > 1


def test_without_coverage_the_film_is_the_wide_alone() -> None:
    lines = [BarLine(1, 0), BarLine(2, 40)]
    assert propose(lines, [2], 80, [], base=Covered(WIDE, 0, 80), seed=4) == (Shot(source=WIDE, start=0, end=80),)


def test_a_take_that_covers_the_middle_of_a_phrase_is_shown_there() -> None:
    # Sixteen bars of 40 frames; the take covers bars 6 and 7 only. Some seed's phrase has room for it.
    lines = [BarLine(bar + 1, bar * 40) for bar in range(16)]
    close = Covered("close", 200, 280)
    found = [propose(lines, [], 640, [close], base=Covered(WIDE, 0, 640), seed=seed) for seed in range(20)]
    shown = [cut for cut in found if len(cut) == 3]
    assert shown
    assert all(cut[1] == Shot(source="close", start=200, end=280) for cut in shown)


def test_a_song_without_bars_is_refused() -> None:
    with pytest.raises(InvalidInput, match="partsong cut tempo"):
        propose([], [], 100, [], base=Covered(WIDE, 0, 100))


@given(song=songs(), seed=st.integers(0, 1 << 40))
def test_a_camera_that_ran_on_stands_in_for_the_wide_and_no_bar_with_a_picture_is_left_out(
    song: Any, seed: int
) -> None:
    lines, sections, total, takes = song
    if not takes:
        return
    base = max(takes, key=lambda one: one.stop - one.first)
    shots = propose(lines, sections, total, [one for one in takes if one != base], base=base, seed=seed)

    edges = [0, *(line.frame for line in lines[1:]), total]
    cover = {take.take: take for take in takes}
    assert all(cover[shot.source].covers(shot.start, shot.end) for shot in shots)
    assert all(earlier.end <= later.start for earlier, later in itertools.pairwise(shots))
    for start, end in itertools.pairwise(edges):
        has_picture = any(take.covers(start, end) for take in takes)
        assert has_picture == any(shot.start <= start and end <= shot.end for shot in shots)


def test_several_cameras_of_a_band_are_cut_from_and_back_to_the_one_that_ran_longest(make_film: Any) -> None:
    film = make_film(takes={"near": (10, 480), "far": (-1, 2000), "side": (25, 600)}, wide=False)
    assert base_of(film, coverage(film)).take == "far"
    with pytest.raises(InvalidInput, match="partsong lineup place"):
        base_of(film, ())
