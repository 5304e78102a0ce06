"""Marks and music together: who decides, and when a person is asked."""

from __future__ import annotations

import pytest

from partsong.lineup.line import Line
from partsong.lineup.locate import Found, Possible
from partsong.lineup.marks import Mark, decided

HERE, NEAR, FAR = Line(10.0, 20.0), Line(10.004, 15.0), Line(31.0)


def music(confidence, line=HERE, method="phase"):
    return Found(confidence, "The music fits", method, "the mix", line, 0.1, 30, 31, 0.4, (Possible(line, 9.0),))


def cues(line=NEAR, confidence="sure"):
    return Mark("sync cue", "the sync cues", confidence, "The cues say so", (line,), 2, 2)


def code(line=NEAR, confidence="sure"):
    return Mark("timecode", "timecode on channel 2", confidence, "Timecode says so", (line,), 99, 99, 0.0, exact=True)


def test_without_marks_the_music_decides():
    assert decided(music("likely"), [], 5.0) == music("likely")


@pytest.mark.parametrize("mark", [cues(), code()])
@pytest.mark.parametrize("confidence", ["ask", "none"])
def test_a_mark_places_what_the_music_cannot(mark, confidence):
    found = decided(music(confidence, FAR), [mark], 5.0)
    assert (found.confidence, found.line, found.method, found.reason) == ("sure", NEAR, mark.method, mark.reason)
    assert [place.line for place in found.possible] == [NEAR]


@pytest.mark.parametrize("confidence", ["sure", "likely"])
def test_cues_that_agree_make_the_sounds_own_line_sure(confidence):
    found = decided(music(confidence), [cues(confidence="likely")], 5.0)
    assert (found.confidence, found.line, found.method) == ("sure", HERE, "phase")
    assert found.reason == "The sync cues and the sound itself agree with the song"


def test_timecode_that_agrees_gives_the_line_and_so_do_cues_beside_onsets():
    for found in (decided(music("sure"), [code()], 5.0), decided(music("likely", method="onsets"), [cues()], 5.0)):
        assert (found.confidence, found.line) == ("sure", NEAR)
        assert found.reason.endswith("and so does the music")


@pytest.mark.parametrize("mark", [cues(FAR), code(FAR)])
def test_a_person_decides_where_both_are_sure_of_different_places(mark):
    found = decided(music("sure"), [mark], 5.0)
    assert found.confidence == "ask"
    assert [place.line for place in found.possible] == [FAR, HERE]
    assert "but the music fits another place" in found.reason


def test_a_sure_mark_beats_music_that_is_only_likely_and_a_likely_one_does_not():
    assert decided(music("likely"), [code(FAR)], 5.0).line == FAR
    assert decided(music("likely"), [code(FAR)], 5.0).confidence == "sure"
    assert decided(music("likely"), [cues(FAR, "likely")], 5.0).confidence == "ask"


def test_two_marks_that_disagree_are_asked_about():
    found = decided(music("none"), [code(), cues(FAR)], 5.0)
    assert found.confidence == "ask"
    assert [place.line for place in found.possible] == [NEAR, FAR]
    assert found.reason == "Timecode says so, but the sync cues says otherwise"
