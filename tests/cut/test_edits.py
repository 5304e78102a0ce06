"""Edits of one shot: what they give, and what they refuse."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.cut import edits
from partsong.errors import InvalidInput
from partsong.film.records import (
    Clip,
    Film,
    MediaFile,
    PictureInfo,
    Placement,
    Shot,
    Song,
    SoundInfo,
    Take,
)  # fmt: skip
from partsong.timebase import Rate, Time

RATE = Rate(num=25)
_FILE = MediaFile(path="a.wav", size_bytes=1, fingerprint="0" * 32)


def film(*shots: tuple[str, int, int]) -> Film:
    """Return a film of 100 frames in which ``close`` has a picture in frames 20 to 79."""
    sound = SoundInfo(codec="pcm_s24le", rate_hz=48000, channels=1, layout="mono", samples=192000)
    picture = PictureInfo(codec="h264", width=64, height=36, rate=RATE, frames=60, pixel_format="yuv420p", bit_depth=8)
    mix = Clip(file=_FILE, container="wav", duration=Time.of(4), sound=sound)
    close = Clip(file=_FILE, container="mov", duration=Time.of(Fraction(60, 25)), picture=picture)
    return Film(
        name="one", rate=RATE, song=Song(title="One", mix=mix),
        takes=(Take(id="close", kind="roaming", clip=close),),
        placements=(Placement(take="close", confidence="sure", start=Time.of(Fraction(20, 25))),),
        cut=tuple(Shot(source=source, start=start, end=end) for source, start, end in shots),
    )  # fmt: skip


def plain(one: Film) -> list[tuple[str, int, int]]:
    return [(shot.source, shot.start, shot.end) for shot in one.cut]


START = film(("wide", 0, 30), ("close", 30, 60), ("wide", 60, 100))


def test_split_and_join_undo_each_other():
    cut = edits.split(START, 45)
    assert plain(cut) == [("wide", 0, 30), ("close", 30, 45), ("close", 45, 60), ("wide", 60, 100)]
    assert edits.joined(cut, 45) == START


def test_a_shot_shows_panels_where_all_have_a_picture():
    cut = edits.replaced(START, 30, "close|wide/wide(0.3,0.5)")
    shot = cut.cut[1]
    above, below = ([(one.source, one.x) for one in row] for row in shot.panels)
    assert (above, below) == ([("close", 0.5), ("wide", 0.5)], [("wide", 0.3)])
    assert (shot.source, shot.sources) == ("close", ("close", "wide"))
    assert edits.replaced(cut, 30, "wide").cut[1].panels == ()
    # They are held to where every one of them has a picture: close has none from frame 80 on.
    assert plain(edits.moved(cut, 60, 80))[1:3] == [("close", 30, 80), ("wide", 80, 100)]
    with pytest.raises(InvalidInput, match="but has a picture from @20 to @80"):
        edits.moved(cut, 60, 81)
    with pytest.raises(InvalidInput, match="but has a picture from @20 to @80"):
        edits.replaced(START, 0, "wide|close")


@pytest.mark.parametrize(
    ("shows", "sentence"),
    [
        ("close|far", "no take 'far'"),
        ("close|", "'' is no source"),
        ("close(2,0.5)|wide", "outside its picture"),
        ("close(0.5,0.5)", "for one of several panels"),
        ("|".join(["wide"] * 10), "10 panels are too many"),
    ],
)
def test_panels_that_cannot_be_are_named(shows, sentence):
    with pytest.raises(InvalidInput, match=sentence):
        edits.replaced(START, 30, shows)


def test_joining_lets_the_one_before_go_on():
    assert plain(edits.joined(START, 30)) == [("wide", 0, 60), ("wide", 60, 100)]


def test_a_shot_is_replaced_where_the_other_has_a_picture():
    assert plain(edits.replaced(START, 30, "wide"))[1] == ("wide", 30, 60)
    with pytest.raises(InvalidInput, match="shown from frame 60 to 100 but has a picture from @20 to @80"):
        edits.replaced(START, 60, "close")
    with pytest.raises(InvalidInput, match="no take 'nobody'"):
        edits.replaced(START, 30, "nobody")


def test_moving_a_beginning_takes_from_the_neighbour():
    assert plain(edits.moved(START, 30, 21))[:2] == [("wide", 0, 21), ("close", 21, 60)]
    assert plain(edits.moved(START, 60, 80))[1:] == [("close", 30, 80), ("wide", 80, 100)]


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda: edits.split(START, 30), "nothing to split at frame 30"),
        (lambda: edits.split(START, 100), "nothing to split"),
        (lambda: edits.joined(START, 0), "no shot right before"),
        (lambda: edits.joined(START, 60), "shown from frame 30 to 100 but has a picture from @20 to @80"),
        (lambda: edits.joined(START, 31), "No shot begins at frame 31"),
        (lambda: edits.moved(START, 0, 5), "begins with the song"),
        (lambda: edits.moved(START, 30, 60), "leaves nothing"),
        (lambda: edits.moved(START, 60, 30), "leaves nothing"),
        (lambda: edits.moved(START, 30, 19), "picture from @20"),
        (lambda: edits.moved(START, 60, 81), "picture from @20"),
        (lambda: edits.joined(film(("wide", 0, 30), ("wide", 40, 100)), 40), "no shot right before"),
    ],
)
def test_what_cannot_be_is_refused(edit, words):
    with pytest.raises(InvalidInput, match=words):
        edit()


@given(
    st.lists(st.tuples(st.sampled_from(["split", "join", "move"]), st.integers(0, 99), st.integers(0, 99)), max_size=8)
)
def test_no_edit_opens_a_gap(steps):
    one = film(("wide", 0, 100))
    for what, frame, to in steps:
        try:
            if what == "split":
                one = edits.split(one, frame)
            elif what == "join":
                one = edits.joined(one, frame)
            else:
                one = edits.moved(one, frame, to)
        except InvalidInput:
            continue
    ends = [0, *(shot.end for shot in one.cut)]
    assert [shot.start for shot in one.cut] == ends[:-1]
    assert ends[-1] == 100
