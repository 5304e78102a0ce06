"""The score that shows the placements."""

from xml.etree import ElementTree

import numpy as np
import pytest

from partsong.film.records import Candidate, Placement
from partsong.lineup.score import Head, Row, draw
from partsong.timebase import Time

SVG = "{http://www.w3.org/2000/svg}"
PEAKS = np.abs(np.sin(np.arange(500) / 9)).astype(np.float32)


def row(confidence, start_s=None, candidates=(), sentence="because"):
    placement = Placement(
        take="take-1",
        confidence=confidence,
        start=None if start_s is None else Time.of(start_s),
        candidates=tuple(Candidate(start=Time.of(at), score=1.0) for at in candidates),
        sentence=sentence,
    )
    return Row("cajón", "take-1", placement, 10.0, PEAKS)


def drawn(*rows, title="A song"):
    bars = [(bar, 2.0 * (bar - 1)) for bar in range(1, 11)]
    return ElementTree.fromstring(draw(Head(title, 20.0, PEAKS, bars), rows, 50))


def lines_at(picture, y):
    return [line for line in picture.iter(f"{SVG}line") if line.get("y1") == line.get("y2") == f"{y:.1f}"]


def test_a_take_starts_at_its_song_time():
    picture = drawn(row("sure", 4))
    song, take = (lines_at(picture, y)[0] for y in (74, 74 + 84 + 24))
    left, right = float(song.get("x1")), float(song.get("x2"))

    # A tenth of a pixel, as it is written.
    assert float(take.get("x1")) == pytest.approx(left + (right - left) * 4 / 20, abs=0.11)
    assert float(take.get("x2")) == pytest.approx(left + (right - left) * 14 / 20, abs=0.11)


def test_what_starts_before_the_song_has_room():
    picture = drawn(row("sure", -5))

    assert float(lines_at(picture, 182)[0].get("x1")) == pytest.approx(150, abs=0.1)


def test_the_line_is_as_heavy_as_the_confidence():
    picture = drawn(row("sure", 1), row("likely", 1), row("ask", candidates=(3, 5)))
    sure, likely, ask = (lines_at(picture, 98 + 84 * number)[0] for number in (1, 2, 3))

    assert float(sure.get("stroke-width")) > float(likely.get("stroke-width"))
    assert sure.get("stroke-dasharray") is None
    assert ask.get("stroke-dasharray") is not None
    assert ask.get("stroke") != sure.get("stroke")


def test_a_take_without_a_place_is_told_in_words_only():
    picture = drawn(row("none", candidates=(3,), sentence="too quiet"))

    assert lines_at(picture, 182) == []
    assert any("none: too quiet" in (text.text or "") for text in picture.iter(f"{SVG}text"))


def test_every_bar_has_a_line_and_names_are_escaped():
    picture = drawn(row("sure", 1), title="Salt & <Vinegar>")

    uprights = [line for line in picture.iter(f"{SVG}line") if line.get("x1") == line.get("x2")]
    assert len(uprights) == 10
    assert any(text.text == "Salt & <Vinegar>" for text in picture.iter(f"{SVG}text"))
