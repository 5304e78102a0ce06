"""The sign-off page: escaped, self-contained, legible by published measures, and true to its records."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from partsong.film.records import Film, Placement, Shot
from partsong.signoff.checks import Check
from partsong.signoff.report import (
    MasterPart,
    Picture,
    Report,
    glance_of,
    page,
    place_in_words,
    score_of,
    take_lines,
)
from partsong.timebase import Time

HELD = Check("Levels", "All is well.", "0 %", "at most 1 %", "EBU R 103", "within")
FAILED = Check("Flashing", "It flashes.", "5 flashes", "at most 3", "WCAG 2.2", "outside", "Mind the viewers.")
PICTURE = Picture(b"\xff\xd8\xff", "A bar", 32, 18)


def report_of(film: Film, *checks: Check) -> Report:
    score = score_of(film)
    return Report(
        title=film.name,
        glance=glance_of(film),
        takes=take_lines(film, {"cajon-1": PICTURE}),
        stage=PICTURE,
        stage_words="The merged wide.",
        score=score,
        pictures={span.frame: PICTURE for cell in score for span in cell.spans},
        masters=(MasterPart("four-bars.mp4", "H.264", checks),) if checks else (),
    )


class Reader(HTMLParser):
    """Checks that elements nest and collects what the page refers to."""

    VOID = frozenset({"meta", "img", "br", "link"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.images: list[dict[str, str | None]] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag == "img":
            self.images.append(dict(attrs))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def read(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    assert reader.open == []
    return reader


def test_the_page_nests_and_needs_nobody(film: Film) -> None:
    text = page(report_of(film, HELD, FAILED))
    reader = read(text)
    assert reader.images
    assert all((image["src"] or "").startswith("data:image/jpeg;base64,") for image in reader.images)
    assert all(image["alt"] for image in reader.images)
    assert not {"script", "link", "iframe"} & set(reader.tags)
    assert "url(" not in text
    assert "http" not in text


def test_names_are_escaped(film: Film) -> None:
    text = page(report_of(film.replace(name="<script>alert(1)</script>"), HELD))
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def test_decisions_come_first_with_their_caution(film: Film) -> None:
    text = page(report_of(film, HELD, FAILED))
    assert text.index("1 thing needs a decision") < text.index("It flashes.") < text.index("All is well.")
    assert "Mind the viewers." in text
    calm = page(report_of(film, HELD))
    assert "Everything that was measured lies within its limits." in calm
    assert "To be decided" not in calm


def test_a_film_without_masters_is_not_called_ready(film: Film) -> None:
    assert "nothing to send" in page(report_of(film))


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize("text_colour", ["ink", "quiet", "decide"])
def test_text_has_the_contrast_of_wcag(film: Film, text_colour: str) -> None:
    # WCAG 2.2, 1.4.3: at least 4.5 to 1 for text.
    colours = dict(re.findall(r"--(\w+): (#\w{6});", page(report_of(film))))
    light, dark = luminance(colours["paper"]), luminance(colours[text_colour])
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_pictures_stand_on_a_neutral_grey(film: Film) -> None:
    surround = dict(re.findall(r"--(\w+): (#\w{6});", page(report_of(film))))["surround"]
    assert surround[1:3] == surround[3:5] == surround[5:7]
    # Mid-grey: a luminance near the 0.18 to 0.22 of a grey card or of code 118 to 128.
    assert 0.17 < luminance(surround) < 0.23


def test_the_score_has_a_cell_for_each_bar(film: Film) -> None:
    # A bar lasts 48 frames; the cut changes with the first three bars and in the middle of the fourth.
    cells = score_of(film)
    assert [(cell.label, cell.section) for cell in cells] == [("1", "verse"), ("2", ""), ("3", "end"), ("4", "")]
    assert [[(span.source, span.share, span.opens) for span in cell.spans] for cell in cells] == [
        [("wide", 1.0, False)],
        [("cajon-1", 1.0, True)],
        [("roaming-1", 1.0, True)],
        [("bass-1", 0.5, True), ("wide", 0.5, True)],
    ]
    assert [cell.names for cell in cells] == ["wide", "cajon-1", "roaming-1", "bass-1, wide"]


def test_a_shot_that_goes_on_is_no_cut(film: Film) -> None:
    cells = score_of(film.replace(cut=(Shot(source="wide", start=0, end=192),)))
    assert [[span.opens for span in cell.spans] for cell in cells] == [[False]] * 4


def test_without_tempo_the_score_is_laid_out_by_time(film: Film) -> None:
    assert film.song is not None
    plain = film.replace(song=film.song.replace(tempo=(), sections=()))
    assert [cell.label for cell in score_of(plain)] == ["00:00.00", "00:04.00"]


def test_a_pick_up_has_its_own_cell(film: Film) -> None:
    assert film.song is not None
    tempo = (film.song.tempo[0].replace(at=Time(ticks=24000)),)  # bar 1 half a second in
    cells = score_of(film.replace(song=film.song.replace(tempo=tempo)))
    assert [cell.label for cell in cells][:2] == ["pick-up", "1"]
    assert cells[0].spans[0].frame == 6  # the middle of 12 frames


@pytest.mark.parametrize(
    ("placement", "where", "words", "to_decide"),
    [
        (None, "not looked for yet", "nothing known", True),
        (Placement(take="a", confidence="none"), "has no place on the song", "not on the song", True),
        (Placement(take="a", confidence="none", by_hand=True), "was taken off the song by hand", "settled", False),
        (
            Placement(take="a", confidence="ask", start=Time(ticks=48000)),
            "starts 00:01.00 into the song",
            "to be asked about",
            True,
        ),
        (
            Placement(take="a", confidence="sure", start=Time(ticks=-24000), drift_ppm=60.0, by_hand=True),
            "starts 00:00.50 before the song; its clock runs 60 millionths slow",
            "sure, set by hand",
            False,
        ),
    ],
)
def test_placements_in_words(placement: Placement | None, where: str, words: str, to_decide: bool) -> None:
    assert place_in_words(placement) == (where, words, to_decide)


def test_what_is_the_same_in_two_masters_is_decided_once(film: Film) -> None:
    report = report_of(film, FAILED)
    both = Report(
        **{
            **{name: getattr(report, name) for name in report.__dataclass_fields__},
            "masters": (MasterPart("a.mp4", "", (FAILED,)), MasterPart("a.mov", "", (FAILED, HELD))),
        }
    )
    assert both.decisions == (("a.mp4 and a.mov", FAILED),)
