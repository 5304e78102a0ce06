"""The table of a cut: exact round trips, and errors that name line and column."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from partsong.cut.table import parsed, place_text, printed
from partsong.errors import InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.records import WIDE, Panel, Shot, TempoMark
from partsong.timebase import Time


def shots_at(*starts: int, total: int, source: str = WIDE) -> tuple[Shot, ...]:
    return tuple(
        Shot(source=source, start=start, end=end) for start, end in zip(starts, [*starts[1:], total], strict=True)
    )


def test_a_table_reads_as_a_person_would_write_it(waltz: Any) -> None:
    text = """# revision 7 of the waltz
    1.1      wide           # the room
    @300     bass-close

    9.2+1/2  wide
    """
    table = parsed(waltz, text, "cut.txt")
    # Bar 9, beat 2 and a half: 25.5 beats of 60/92 s at 24 frames a second is frame 399.13.
    assert round(Fraction(51, 2) * 60 / 92 * 24) == 399
    assert table.revision == 7
    assert [(shot.source, shot.start, shot.end) for shot in table.shots] == [
        ("wide", 0, 300),
        ("bass-close", 300, 399),
        ("wide", 399, song_frames(waltz)),
    ]


def test_print_shows_bars_and_beats_and_frames_where_no_beat_is(waltz: Any) -> None:
    total = song_frames(waltz)
    # A beat is 15.652 frames. Frame 121 is nearest to beat 7.75 from the start, frame 118 to no simple part of a beat.
    film = waltz.replace(cut=shots_at(0, 47, 110, 118, 121, total=total))
    assert printed(film, 3).splitlines() == [
        "# revision 3 of Boathouse Waltz at 24 frames a second: where a shot begins, what it shows",
        "1.1      wide",
        "2.1      wide",
        "3.2      wide",
        "@118     wide",
        "3.2+3/4  wide",
    ]


def test_panels_are_printed_and_read_back(waltz: Any) -> None:
    rows = (
        (Panel(source="bass-close", x=0.35), Panel(source="wide")),
        (Panel(source="wide", x=0.1, y=0.9),),
    )
    total = song_frames(waltz)
    cut = (
        Shot(source="wide", start=0, end=300),
        Shot(source="bass-close", start=300, end=400, panels=rows),
        Shot(source="wide", start=400, end=total),
    )
    film = waltz.replace(cut=cut)
    text = printed(film, 3)
    assert text.splitlines()[2].split() == ["@300", "bass-close(0.35,0.5)|wide/wide(0.1,0.9)"]
    assert parsed(film, text, "cut.txt").shots == cut
    with pytest.raises(InvalidInput, match=r"line 2, column 6: there is no take 'bas-close'\. The nearest: bass-close"):
        parsed(waltz, "1.1 wide\n9.1  wide|bas-close\n", "cut.txt")
    with pytest.raises(InvalidInput, match="bass-close is shown from frame 0 to"):
        parsed(waltz, "1.1 wide|bass-close\n", "cut.txt")


def test_the_first_frame_is_a_beat_or_a_frame(make_film: Any) -> None:
    film = make_film()
    assert place_text(film, 0) == "1.1"
    # Bar 1 at 0.25 s: frame 0 lies 0.383 beats before it, near no beat, though near five eighths of one.
    late = TempoMark(bar=1, at=Time(ticks=12000), beats_per_bar=3, bpm_num=92)
    assert place_text(film.replace(song=film.song.replace(tempo=(late,))), 0) == "@0"


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), rate=st.sampled_from(["24", "25", "24000/1001", "30000/1001", "50"]), bpm=st.integers(40, 200))
def test_what_is_printed_reads_back_to_the_same_frames(make_film: Any, data: Any, rate: str, bpm: int) -> None:
    film = make_film(rate=rate, bpm=bpm, bars=12)
    song = film.song
    if data.draw(st.booleans()):  # a change of tempo in the middle, off the grid before it
        at = song.tempo[0].beat_s * 15 + data.draw(st.fractions(0, Fraction(1, 5), max_denominator=1000))
        later = TempoMark(bar=6, at=Time.of(at), beats_per_bar=5, bpm_num=bpm + 13)
        film = film.replace(song=song.replace(tempo=(song.tempo[0], later)))
    total = song_frames(film)
    starts = data.draw(st.lists(st.integers(1, total - 1), unique=True, max_size=8))
    cut = list(shots_at(0, *sorted(starts), total=total))
    for place in data.draw(st.lists(st.integers(0, len(cut) - 1), unique=True, max_size=2)):
        cut[place] = cut[place].replace(source="gone")
    film = film.replace(cut=tuple(shot for shot in cut if shot.source != "gone"))
    if not film.cut:
        return
    again = parsed(film, printed(film, 12), "t")
    assert again.revision == 12
    # Two stretches without a picture side by side are one.
    assert again.shots == film.cut


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("1.1 wide\n9.1", "line 2, column 4: after 9.1 the source is missing"),
        ("1.1 wide  extra", "line 1, column 11: 'extra' is too much"),
        ("1.1 wide\n  9.9 wide", "line 2, column 3: bar 9 has the beats 1 to 3, not 9"),
        ("1.1 wide\n9.0 wide", "line 2, column 1: bar 9 has the beats 1 to 3, not 0"),
        ("1.1 wide\n9.1+3/2 wide", "line 2, column 1: .3/2 is no part of a beat"),
        ("1.1 wide\n9.1+1/0 wide", "line 2, column 1: .1/0 is no part of a beat"),
        ("1.1 wide\nnine wide", "line 2, column 1: 'nine' is no place"),
        ("1.1 wide\n9.1 bass-clos", "line 2, column 5: there is no take 'bass-clos'. The nearest: bass-close"),
        ("2.1 wide", "line 1, column 1: the first shot begins at frame 47"),
        ("1.1 wide\n9.1 wide\n9.1 -", "line 3, column 1: frame 376 does not come after frame 376 of line 2"),
        ("1.1 wide\n@99999 wide", "line 2, column 1: frame 99999 lies after the end"),
        ("-3.1 wide", "line 1, column 1: -3.1 lies before the song begins"),
        ("1.1 bass-close", "line 1, column 5: bass-close is shown from frame 0 to 1503 but has a picture from"),
        ("\x00\x01", "line 1, column 1"),
    ],
)
def test_a_fault_is_named_by_line_and_column(waltz: Any, text: str, sentence: str) -> None:
    with pytest.raises(InvalidInput, match=f"cut.txt, {sentence}") as problem:
        parsed(waltz, text, "cut.txt")
    assert "\n" not in str(problem.value)


def test_a_take_that_is_not_placed_is_refused(waltz: Any) -> None:
    film = waltz.replace(placements=waltz.placements[:1])
    with pytest.raises(InvalidInput, match="melodica-close is not placed"):
        parsed(film, "1.1 wide\n20.1 melodica-close", "t")


def test_without_a_tempo_map_frames_still_work(waltz: Any) -> None:
    film = waltz.replace(song=waltz.song.replace(tempo=()))
    assert place_text(film, 47) == "@47"
    assert len(parsed(film, "@0 wide\n@300 bass-close\n@400 -", "t").shots) == 2
    with pytest.raises(InvalidInput, match="no tempo map"):
        parsed(film, "1.1 wide", "t")


def test_an_empty_table_is_an_empty_cut_and_prints_as_one(waltz: Any) -> None:
    text = printed(waltz, 2)
    assert re.match(r"# revision 2 ", text)
    assert parsed(waltz, text, "t").shots == ()


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(alphabet=st.sampled_from("0123456789.+/@#- \n\twidebass-close\u2028\x00é"), max_size=80))
def test_any_text_reads_or_is_refused(waltz: Any, text: str) -> None:
    try:
        shots = parsed(waltz, text, "t").shots
    except InvalidInput:
        return
    assert waltz.replace(cut=shots).cut == shots
