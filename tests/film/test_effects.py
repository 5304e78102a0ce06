"""What stutters show again, worked out by hand, and effects in words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film.effects import Stretch, played, told
from partsong.film.records import Film, Flicker, Leak, Shot, Stutter
from partsong.timebase import Rate

CUT = (Shot(source="wide", start=0, end=30), Shot(source="wide", start=40, end=100))


def film(*effects: Flicker | Stutter | Leak, cut: tuple[Shot, ...] = CUT) -> Film:
    return Film(name="one", rate=Rate(num=25), cut=cut, effects=effects)


def shown_at(one: Film, frame: int) -> int:
    """Return the song frame whose picture is shown at a song frame, by what a stutter is."""
    for effect in one.effects:
        if isinstance(effect, Stutter) and effect.start <= frame < effect.end:
            return effect.start + frame - max((again for again in effect.again if again <= frame), default=effect.start)
    return frame


def test_without_a_stutter_the_cut_plays_as_it_is():
    assert played(film()) == (Stretch("wide", 0, 30, 0, 0), Stretch("wide", 40, 100, 40, 40))


def test_a_stutter_begins_anew_and_then_the_cut_goes_on_where_it_would_be():
    assert played(film(Stutter(start=50, end=62, again=(54, 58)))) == (
        Stretch("wide", 0, 30, 0, 0),
        Stretch("wide", 40, 54, 40, 40),
        Stretch("wide", 54, 58, 50, 40),
        Stretch("wide", 58, 62, 50, 40),
        Stretch("wide", 62, 100, 62, 40),
    )


def test_a_cut_within_what_is_shown_again_is_shown_again_too():
    cut = (Shot(source="wide", start=0, end=12), Shot(source="wide", start=12, end=40))
    stuttering = film(Stutter(start=10, end=18, again=(14,)), cut=cut)
    assert [(one.start, one.end, one.shows, one.opens) for one in played(stuttering)] == [
        (0, 12, 0, 0), (12, 14, 12, 12), (14, 16, 10, 0), (16, 18, 12, 12), (18, 40, 18, 12),
    ]  # fmt: skip


@given(st.lists(st.integers(1, 9), min_size=1, max_size=6), st.integers(0, 60))
def test_every_frame_of_the_cut_is_shown_once_and_as_told(steps, start):
    again = [start + sum(steps[: n + 1]) for n in range(len(steps))]
    one = film(
        Stutter(start=start, end=again[-1] + 3, again=tuple(again)), cut=(Shot(source="wide", start=0, end=150),)
    )
    shown = [
        (frame, seen)
        for each in played(one)
        for frame, seen in zip(range(each.start, each.end), each.shown, strict=True)
    ]
    assert shown == [(frame, shown_at(one, frame)) for frame in range(150)]


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        (lambda: film(Stutter(start=10, end=20, again=(15,)), Stutter(start=18, end=30, again=(20,))), "overlap"),
        (lambda: film(Leak(start=50, end=60), Leak(start=10, end=20)), "not in the order"),
        (lambda: Stutter(start=10, end=20, again=(10,)), "show something before"),
        (lambda: Flicker(start=10, end=20, dips=(15, 12), depth_stops=1.0), "must rise"),
        (lambda: Flicker(start=10, end=20, dips=(20,), depth_stops=1.0), "lie within"),
        (lambda: Leak(start=10, end=10), "must end after"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(wrong, sentence):
    with pytest.raises((ValueError, InvalidInput), match=sentence):
        wrong()


def test_words():
    assert told(Flicker(start=0, end=9, dips=(0,), depth_stops=0.5)) == "flicker, 1 dip of 0.5 stops"
    assert told(Stutter(start=0, end=9, again=(3, 6))) == "stutter, 2 times again"
    assert told(Leak(start=0, end=9, side="left")) == "light leak from the left"


def test_effects_are_kept_in_the_document():
    one = film(
        Flicker(start=0, end=9, dips=(0, 4), depth_stops=0.5),
        Stutter(start=20, end=30, again=(25,)),
        Leak(start=40, end=60),
    )
    assert Film.model_validate_json(one.model_dump_json()) == one
