"""The sign-off page: what the film is, how its cut reads, and what each master measures, in plain sentences.

Records in, one self-contained HTML page out. Pictures are data URIs, so that the page asks nobody for anything.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from partsong.film.effects import told
from partsong.film.pages import template
from partsong.film.records import WIDE, Film, Placement
from partsong.film.tempo import bar_lines, position_at
from partsong.signoff.checks import Check, undecided
from partsong.timebase import clock

BARS_A_LINE = 4
_STRETCH_S = Fraction(4)
_DRIFT_TOLD_PPM = 5.0  # under this a clock moves less than a fifth of a frame in ten minutes at 60 a second
_CONFIDENCE = {"sure": "sure", "likely": "likely", "ask": "to be asked about", "none": "not on the song"}


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG for the page, with words for those who do not see it."""

    jpeg: bytes
    alt: str
    width: int
    height: int

    @property
    def uri(self) -> str:
        """The picture as a data URI."""
        return "data:image/jpeg;base64," + base64.b64encode(self.jpeg).decode("ascii")


@dataclass(frozen=True, slots=True)
class TakeLine:
    """A take with its picture and, in words, where it sits and how sure that is."""

    name: str
    part: str
    kind: str
    place: str
    confidence: str
    to_decide: bool
    picture: Picture | None


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of one shot within a cell of the score: ``share`` of the cell's length, ``frame`` in its middle.

    ``source`` names what it shows: of panels, all of their sources.
    """

    source: str
    share: float
    frame: int
    opens: bool
    from_clock: str


@dataclass(frozen=True, slots=True)
class Cell:
    """A bar of the score (or a stretch of time, where the song has no tempo map); ``names`` tells what is new in it."""

    label: str
    section: str
    spans: tuple[Span, ...]
    names: str


@dataclass(frozen=True, slots=True)
class MasterPart:
    """A master on the page: its file, what it holds in words, and its checks."""

    name: str
    facts: str
    checks: tuple[Check, ...]

    @property
    def to_decide(self) -> int:
        """How many of its lines need a decision."""
        return len(undecided(self.checks))


@dataclass(frozen=True, slots=True)
class Report:
    """Everything on the page. ``pictures`` holds those of the score by frame of the film."""

    title: str
    glance: tuple[tuple[str, str], ...]
    takes: tuple[TakeLine, ...]
    stage: Picture | None
    stage_words: str
    score: tuple[Cell, ...]
    pictures: dict[int, Picture] = field(default_factory=dict)
    masters: tuple[MasterPart, ...] = ()
    handed_over: tuple[str, ...] = ()
    made: date | None = None

    @property
    def decisions(self) -> tuple[tuple[str, Check], ...]:
        """The lines that need a decision, each once, with the names of the masters that it is about."""
        about: dict[Check, list[str]] = {}
        for master in self.masters:
            for check in undecided(master.checks):
                about.setdefault(check, []).append(master.name)
        return tuple((" and ".join(names), check) for check, names in about.items())

    @property
    def lines(self) -> tuple[tuple[Cell, ...], ...]:
        """The score, wrapped."""
        return tuple(self.score[at : at + BARS_A_LINE] for at in range(0, len(self.score), BARS_A_LINE))

    @property
    def verdict(self) -> str:
        """The answer to: may I send it?"""
        if not self.masters:
            return "There is no master yet, so there is nothing to send."
        count = len(self.decisions)
        if count:
            return f"Not yet: {count} {'thing needs' if count == 1 else 'things need'} a decision before this is sent."
        return "Everything that was measured lies within its limits."


def page(report: Report) -> str:
    """Write the page."""
    cautions = list(dict.fromkeys(check.caution for _, check in report.decisions if check.caution))
    return template("signoff/templates/signoff.html").render(report=report, cautions=cautions, bars_a_line=BARS_A_LINE)


def score_of(film: Film) -> tuple[Cell, ...]:
    """Lay the cut out as bars, each holding the shots that play in it.

    A song without a tempo map is laid out in stretches of four seconds.
    """
    if film.song is None or film.rate is None or not film.cut:
        return ()
    rate, length_s = film.rate, film.song.length_s
    starts = [(f"{bar}", at) for bar, at in bar_lines(film.song.tempo, length_s)]
    if not starts:
        count = -(-length_s // _STRETCH_S)
        starts = [(clock(number * _STRETCH_S), number * _STRETCH_S) for number in range(int(count))]
    elif starts[0][1] > 0:
        starts.insert(0, ("pick-up", Fraction(0)))
    sections = {str(section.bar): section.name for section in film.song.sections}
    edges = [rate.frames_at(at) for _, at in starts] + [max(film.cut[-1].end, rate.frames_at(starts[-1][1]) + 1)]
    cells: list[Cell] = []
    for (label, _), first, stop in zip(starts, edges[:-1], edges[1:], strict=True):
        spans = []
        for shot in film.cut:
            begin, end = max(shot.start, first), min(shot.end, stop)
            if begin < end:
                opens = shot.start >= first and shot.start > 0
                share = (end - begin) / (stop - first)
                spans.append(
                    Span(" and ".join(shot.sources), share, (begin + end) // 2, opens, clock(begin * rate.frame_s))
                )
        # A line of music names its voices anew, even where nothing changes.
        new = [
            span.source for at, span in enumerate(spans) if span.opens or (at == 0 and len(cells) % BARS_A_LINE == 0)
        ]
        cells.append(Cell(label, sections.get(label, ""), tuple(spans), ", ".join(new)))
    return tuple(cells)


def place_words(film: Film, frame: int) -> str:
    """Say where in the song a frame of the film is: bar and beat where there is a tempo map, else its time."""
    assert film.rate is not None
    song_s = frame * film.rate.frame_s
    if film.song is None or not film.song.tempo:
        return clock(song_s)
    # A shot that was cut on a beat begins at the frame nearest to it.
    place = position_at(film.song.tempo, song_s + film.rate.frame_s / 2)
    return f"bar {place.bar}, beat {int(place.beat) + 1}"


def glance_of(film: Film) -> tuple[tuple[str, str], ...]:
    """Tell the film in a few lines."""
    lines = []
    if film.song is not None:
        tempo = film.song.tempo
        beat = f", {_number(Fraction(tempo[0].bpm_num, tempo[0].bpm_den))} beats a minute" if tempo else ""
        beat += f", {tempo[0].beats_per_bar} to the bar" if tempo else ""
        lines.append(("Song", f"{film.song.title}, {clock(film.song.length_s)}{beat}"))
    lines.append(("Parts", ", ".join(part.name for part in film.parts) or "none"))
    if film.rate is not None:
        size = f"{film.width} × {film.height}, " if film.width and film.height else ""
        lines.append(("Picture", f"{size}{film.rate} frames a second"))
    roaming = sum(take.kind == "roaming" for take in film.takes)
    lines.append(("Takes", f"{len(film.takes) - roaming} from the locked-off camera, {roaming} roaming"))
    if film.cut:
        wide = sum(WIDE in shot.sources for shot in film.cut)
        lines.append(("Cut", f"{_count(len(film.cut), 'shot')}, {wide} with the wide"))
    if film.effects:
        lines.append(("Effects", "; ".join(told(effect) for effect in film.effects)))
    if film.look is not None:
        mix = ", black and white" if film.look.black_and_white else ""
        table = ", through a look-up table" if film.look.table else ""
        lines.append(("Look", f"{film.look.view}, for {film.look.display}{mix}{table}"))
    return tuple(lines)


def place_in_words(placement: Placement | None) -> tuple[str, str, bool]:
    """Return (where a take sits, how sure that is, whether somebody must decide), in words."""
    if placement is None:
        return "not looked for yet", "nothing known", True
    if placement.confidence == "none" and placement.by_hand:
        return "was taken off the song by hand", "settled", False
    words = _CONFIDENCE[placement.confidence]
    to_decide = placement.confidence in ("ask", "none")
    if placement.start is None:
        return "has no place on the song", words, to_decide
    start = placement.start.seconds
    where = f"starts {clock(start)} into the song" if start >= 0 else f"starts {clock(-start)} before the song"
    if abs(placement.drift_ppm) >= _DRIFT_TOLD_PPM:
        side = "slow" if placement.drift_ppm > 0 else "fast"
        where += f"; its clock runs {abs(placement.drift_ppm):.0f} millionths {side}"
    if placement.by_hand:
        words += ", set by hand"
    return where, words, to_decide


def take_lines(film: Film, pictures: dict[str, Picture]) -> tuple[TakeLine, ...]:
    """Return the takes in score order, roaming ones last."""
    roaming = [take for take in film.takes if take.kind == "roaming"]
    lines = []
    for take in [*film.stage_takes(), *roaming]:
        place, confidence, to_decide = place_in_words(film.placement_of(take.id))
        part = film.part(take.part).name if take.part else "coverage"
        kind = "locked-off" if take.kind == "stage" else "roaming"
        lines.append(TakeLine(take.id, part, kind, place, confidence, to_decide, pictures.get(take.id)))
    return tuple(lines)


def in_words(checks: Sequence[Check]) -> str:
    """Say how many of some checks lie where they should."""
    held = [check for check in checks if check.outcome != "stated"]
    return f"{len(held) - len(undecided(held))} of {len(held)} within their limits"


def _number(value: Fraction) -> str:
    return str(value.numerator) if value.denominator == 1 else f"{float(value):.2f}"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"
