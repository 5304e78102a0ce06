"""What sound and picture make of a take together."""

from fractions import Fraction

import pytest

from partsong.film.records import Candidate, Evidence, Placement
from partsong.lineup.agreeing import by_picture, with_picture
from partsong.lineup.motion import Seen, Sight, Steady
from partsong.timebase import Time


def seen(confidence, *starts_s):
    sights = tuple(Sight(start_s, 100.0) for start_s in starts_s)
    steady = Steady(lead=30.0, t=9.0, against=4.0, halves_agree=True)
    return Seen(confidence, "The player's movement fits the stem", sights, "struck", 20, 18, steady, 12.0)


def heard(confidence, *starts_s):
    candidates = tuple(Candidate(start=Time.of(Fraction(start_s)), score=8.0) for start_s in starts_s)
    delay = Time.of(Fraction(1, 100))
    return Placement(
        take="pad-1",
        confidence=confidence,
        arrival_delay=delay,
        delay_from="measured",
        candidates=candidates,
        evidence=Evidence(method="onsets"),
        sentence="One place fits a little better.",
    )


def test_the_picture_places_what_is_not_heard_but_is_never_sure():
    placed = with_picture(heard("none"), seen("likely", 2.5, 9.0))

    assert placed.confidence == "likely"
    assert float(placed.start) == 2.5
    assert [float(one.start) for one in placed.candidates] == [2.5, 9.0]
    assert by_picture(placed)
    assert placed.evidence.windows == 18
    assert placed.arrival_delay == Time.of(Fraction(1, 100))  # kept beside it: light needs no time
    assert "to about a frame" in placed.sentence


def test_the_picture_settles_what_the_sound_could_not():
    placed = with_picture(heard("ask", 7.0, 2.52), seen("likely", 2.5))

    assert placed.confidence == "likely"
    assert float(placed.start) == pytest.approx(2.52)  # the sound is the finer of the two
    assert [float(one.start) for one in placed.candidates] == pytest.approx([2.52, 7.0])


def test_where_they_point_apart_a_person_is_asked():
    placed = with_picture(heard("ask", 7.0), seen("likely", 2.5))

    assert placed.confidence == "ask"
    assert placed.start is None
    assert [float(one.start) for one in placed.candidates] == [7.0, 2.5]
    assert "does not point to" in placed.sentence
    assert not by_picture(placed)


def test_a_doubtful_picture_offers_its_places():
    asked = with_picture(heard("none"), seen("ask", 2.5, 2.7))

    assert asked.confidence == "ask"
    assert asked.start is None
    assert len(asked.candidates) == 2


def test_a_picture_that_says_nothing_changes_nothing():
    nothing = Seen("none", "Nothing moves in the picture")

    assert with_picture(heard("ask", 7.0), nothing) == heard("ask", 7.0)
    silent = with_picture(heard("none"), nothing)
    assert silent.confidence == "none"
    assert silent.sentence.endswith("Nothing moves in the picture.")
    assert not by_picture(None)
