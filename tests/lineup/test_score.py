"""The score as a picture: where things are drawn, by the numbers in the SVG."""

from xml.etree import ElementTree

import numpy as np
import pytest

from partsong.film.records import Candidate, Placement
from partsong.lineup.score import CloseUp, Head, Row, clearest, draw, note_starts
from partsong.timebase import Time

SVG = "{http://www.w3.org/2000/svg}"
PEAKS = np.abs(np.sin(np.arange(500) / 9)).astype(np.float32)


def row(confidence, start_s=None, candidates=(), sentence="because", **more):
    placement = Placement(
        take="take-1",
        confidence=confidence,
        start=None if start_s is None else Time.of(start_s),
        arrival_delay=Time.of(0),
        candidates=tuple(Candidate(start=Time.of(at), score=1.0) for at in candidates),
        sentence=sentence,
    )
    return Row("cajón", "take-1", placement, 10.0, PEAKS, **more)


def drawn(*rows, title="A song", **more):
    bars = [(bar, 2.0 * (bar - 1)) for bar in range(1, 11)]
    return ElementTree.fromstring(draw(Head(title, 20.0, PEAKS, bars, **more), rows, 50))


def under_takes(picture):
    """Return the lines under the takes, from the top down."""
    return [line for line in picture.iter(f"{SVG}line") if float(line.get("stroke-width", 0)) in (4.0, 1.6)]


def across(picture):
    """Return where the song begins and ends across the page."""
    song = next(line for line in picture.iter(f"{SVG}line") if line.get("y1") == line.get("y2"))
    return float(song.get("x1")), float(song.get("x2"))


def texts(picture):
    return [text.text or "" for text in picture.iter(f"{SVG}text")]


def test_a_take_starts_at_its_song_time():
    picture = drawn(row("sure", 4))
    (take,) = under_takes(picture)
    left, right = across(picture)

    # A tenth of a pixel, as it is written.
    assert float(take.get("x1")) == pytest.approx(left + (right - left) * 4 / 20, abs=0.11)
    assert float(take.get("x2")) == pytest.approx(left + (right - left) * 14 / 20, abs=0.11)


def test_what_starts_before_the_song_has_room():
    picture = drawn(row("sure", -5))

    assert float(under_takes(picture)[0].get("x1")) == pytest.approx(170, abs=0.1)
    assert across(picture)[0] > 170


def test_the_line_is_as_heavy_as_the_confidence():
    sure, likely, ask = under_takes(drawn(row("sure", 1), row("likely", 1), row("ask", candidates=(3, 5))))

    assert float(sure.get("stroke-width")) > float(likely.get("stroke-width"))
    assert sure.get("stroke-dasharray") is None
    assert ask.get("stroke-dasharray") is not None
    assert ask.get("stroke") != sure.get("stroke")


def test_candidates_are_numbered_where_they_lie():
    picture = drawn(row("ask", candidates=(3, 5)))
    left, right = across(picture)
    numbers = {text.text: float(text.get("x")) for text in picture.iter(f"{SVG}text") if text.get("fill") == "#a8321f"}

    for number, at_s in (("1", 3), ("2", 5)):
        assert numbers[number] == pytest.approx(left + (right - left) * at_s / 20 + 2, abs=0.11)


def test_a_take_without_a_place_is_told_in_words_only():
    picture = drawn(row("none", candidates=(3,), sentence="too quiet"))

    assert under_takes(picture) == []
    assert any("none: too quiet" in text for text in texts(picture))


def test_words_are_wrapped_and_rows_make_room_for_them():
    long = " ".join(["the sound itself agrees with the song"] * 12)
    short, tall = (
        drawn(row("sure", 1, words=("sure",)), row("sure", 1, words=words)) for words in (("a",), ("a", long))
    )

    assert max(len(text) for text in texts(tall)) <= 260  # the legend is the longest line
    assert " ".join(text for text in texts(tall) if "agrees" in text) == long
    assert float(tall.get("viewBox").split()[3]) > float(short.get("viewBox").split()[3])


def test_every_bar_has_a_line_sections_a_name_and_names_are_escaped():
    picture = drawn(row("sure", 1), title="Salt & <Vinegar>", sections=[("Verse", 4.0)])

    uprights = [line for line in picture.iter(f"{SVG}line") if line.get("x1") == line.get("x2")]
    assert len(uprights) == 10
    assert {"Salt & <Vinegar>", "Verse", "0:10"} <= set(texts(picture))


def test_ticks_of_record_and_camera_stand_under_each_other():
    # The take starts 4 s into the song: its note at 2 s of its own clock is the record's at 6 s.
    picture = drawn(row("sure", 4, onsets_s=(2.0,), record_s=(1.0, 6.0)))
    record, camera = [path.get("d") for path in picture.iter(f"{SVG}path")]

    assert record.count("M") == 1  # what the take does not hold is not drawn
    assert record.split()[0] == camera.split()[0]


def test_a_close_up_shows_the_record_upwards_and_the_camera_downwards():
    step = np.repeat([0.0, 1.0], [50, 150]).astype(np.float32)
    picture = drawn(row("sure", 4, close_up=CloseUp(5.0, 0.4, step, step)))
    record, camera = [
        [tuple(map(float, point.split(","))) for point in shape.get("points").split()]
        for shape in picture.iter(f"{SVG}polygon")
        if shape.get("points").startswith("1345")
    ]

    middle = record[0][1]
    assert min(y for _, y in record) < middle == max(y for _, y in record)
    assert max(y for _, y in camera) > middle == min(y for _, y in camera)
    assert "00:05.00, 400 ms, a line every 100" in texts(picture)


def test_note_starts_are_the_peaks_of_all_bands_together():
    onsets = np.zeros((3, 400), np.float32)
    for band, frames in enumerate(((50, 120), (50, 300), (121, 302))):
        onsets[band, list(frames)] = 1.0

    # The nearer one of two that lie a hundredth of a second apart is the louder; 5 ms a frame.
    assert note_starts(onsets, 200) == pytest.approx((0.25, 0.6, 1.5), abs=0.011)
    assert note_starts(np.zeros((3, 400), np.float32), 200) == ()


def test_the_clearest_moment_is_clear_in_both():
    record, camera = np.zeros((1, 300), np.float32), np.zeros((1, 100), np.float32)
    record[0, [100, 150, 160]] = 5.0, 1.0, 1.0
    camera[0, [10, 60]] = 1.0, 1.0

    assert (
        clearest(record, camera, 100) == 160
    )  # the loudest of the record is at frame 0 of the camera, which is silent
    assert clearest(record, camera, 100, margin=50) is None
    assert clearest(record, camera, 400) is None
