"""The shoot sheet: one page to print, which needs nothing but itself. Film and plans in, HTML out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from partsong.film.cautions import CAUTIONS, LAMPS, LOCAL_RULES
from partsong.film.pages import template
from partsong.film.records import Film, PlannedLamp, Song
from partsong.film.tempo import bar_lines, beats_in_bar
from partsong.prepare import drawing, lamps
from partsong.prepare.cards import CardSum
from partsong.prepare.planned import Said, said_of_frame, said_of_light
from partsong.prepare.schedule import Day, time_of_day
from partsong.timebase import clock

CHECKS = (
    "camera and focus untouched",
    "spot marked",
    "light set, stand weighted",
    "room plate filmed",
    "recording armed, guide heard",
    "good take logged",
    "copy checked",
)
"""What to tick for each part, in the order of the work."""


@dataclass(frozen=True, slots=True)
class BarRow:
    """One line of the song's table: a section, or the whole song, with where it starts."""

    name: str
    bar: int
    start: str


@dataclass(frozen=True, slots=True)
class StageDrawn:
    """The plan of stage and light on paper: two pictures as SVG, a row for each lamp, and what there is to say."""

    above: str
    frame: str
    lamps: tuple[LampRow, ...]
    said: tuple[Said, ...]


@dataclass(frozen=True, slots=True)
class LampRow:
    """A lamp as it is set up: for whom, from which side, how high above the player (degrees)."""

    lamp: PlannedLamp
    part: str
    side: str
    above_deg: float


def plan_html(film: Film) -> str:
    """Return the plan of stage and light as one HTML page."""
    return template("prepare/plan.html").render(film=film, stage=_stage(film), cautions=LAMPS, local_rules=LOCAL_RULES)


def _stage(film: Film) -> StageDrawn | None:
    if not film.plan.spots:
        return None
    rows = []
    for spot in film.plan.spots:
        for lamp in film.plan.lamps_of(spot.part):
            key = lamps.key_of(lamp, spot)
            side = f"{abs(key.side_deg):.0f}° {lamps.hand(key.side_deg)}"
            rows.append(LampRow(lamp, film.part(spot.part).name, side, key.above_deg))
    return StageDrawn(
        drawing.from_above(film, 640),
        drawing.as_filmed(film, 640),
        tuple(rows),
        (*said_of_frame(film), *said_of_light(film)),
    )


def song_rows(song: Song) -> tuple[BarRow, ...]:
    """Return the song's sections with the time of their first bar; bars beyond the song are left out."""
    starts = dict(bar_lines(song.tempo, song.length_s))
    return tuple(
        BarRow(section.name, section.bar, clock(starts[section.bar]))
        for section in song.sections
        if section.bar in starts
    )


def song_sentence(song: Song) -> str:
    """Return the song's measure in a sentence: length, tempo, bars."""
    if not song.tempo:
        return f"{clock(song.length_s)} long. No tempo map yet."
    bars = sum(1 for bar, _ in bar_lines(song.tempo, song.length_s) if bar >= 1)
    tempos = []
    for mark in song.tempo:
        bpm = Fraction(mark.bpm_num, mark.bpm_den)
        shown = f"{bpm.numerator}" if bpm.denominator == 1 else f"{float(bpm):g}"
        beats = beats_in_bar(song.tempo, mark.bar)
        tempos.append(f"{shown} beats a minute, {beats} to the bar, from bar {mark.bar}")
    return f"{clock(song.length_s)} long, {bars} bars. {'; '.join(tempos)}."


def sheet_html(film: Film, day: Day, cards: CardSum | None, card_words: Sequence[str] = ()) -> str:
    """Return the shoot sheet as one HTML page.

    Parameters
    ----------
    film : Film
        With its song.
    day : Day
        The plan of the day.
    cards : CardSum, optional
        What the takes fill, when the data rate is known.
    card_words : sequence of str
        The sums behind it, a sentence each.
    """
    return template("prepare/sheet.html").render(
        film=film,
        stage=_stage(film),
        song=film.song,
        song_sentence=song_sentence(film.song) if film.song else "",
        sections=song_rows(film.song) if film.song else (),
        checks=CHECKS,
        day=day,
        time_of_day=time_of_day,
        cards=cards,
        card_words=card_words,
        cautions=CAUTIONS,
        local_rules=LOCAL_RULES,
    )
