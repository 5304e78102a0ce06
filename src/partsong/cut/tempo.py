"""The song's tempo map: made from what the musician knows, and read as the frames on which bars and beats fall.

A record made to a click has a known tempo, and known is better than estimated: nothing here listens to the song.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from partsong.errors import InvalidInput
from partsong.film.records import Section, TempoMark
from partsong.film.tempo import Position, bar_lines, mark_of, time_of
from partsong.timebase import Rate, Time, exact_number


@dataclass(frozen=True, slots=True)
class BarLine:
    """A bar that begins within the song: its number and the film frame nearest to its first beat."""

    bar: int
    frame: int


def tempo_map(
    before: Sequence[TempoMark],
    *,
    bpm: str,
    beats_per_bar: int,
    bar_one_s: str | None,
    from_bar: int,
    length_s: Fraction,
) -> tuple[TempoMark, ...]:
    """Return a tempo map with one tempo set.

    Parameters
    ----------
    before : sequence of TempoMark
        The map so far.
    bpm : str
        Beats a minute, taken exactly: ``92``, ``92.5`` or ``184/2``.
    beats_per_bar : int
        Beats in a bar.
    bar_one_s : str or None
        Song time in seconds of bar 1's first beat, kept to the nearest 48 kHz sample; None keeps what was.
        Only for ``from_bar`` 1.
    from_bar : int
        The bar from which the tempo holds. 1 makes the map anew; a later one follows the map so far up to that
        bar and replaces what came after.
    length_s : Fraction
        Length of the song in seconds.

    Raises
    ------
    InvalidInput
        If a number cannot be used, or a later bar is asked for before there is a map.
    """
    if from_bar < 1:
        raise InvalidInput(f"Bars count from 1; a tempo cannot hold from bar {from_bar}.")
    kept = tuple(mark for mark in before if mark.bar < from_bar)
    if from_bar == 1:
        start = exact_number(bar_one_s, "start of bar 1") if bar_one_s is not None else _bar_one(before)
        at = Time.of(start)
    elif not kept:
        raise InvalidInput(f"The song has no tempo before bar {from_bar}. Set the first one without --from-bar.")
    elif bar_one_s is not None:
        raise InvalidInput("--bar-one says where bar 1 begins; leave it out where a tempo begins at a later bar.")
    else:
        # The bar line may fall between samples; it is kept exactly, or the beats after it would drift.
        seconds = time_of(kept, Position(from_bar, Fraction(0)))
        at = Time(ticks=seconds.numerator, base_num=1, base_den=seconds.denominator)
    mark = mark_of(bar=from_bar, at=at, bpm=bpm, beats_per_bar=beats_per_bar, length_s=length_s)
    return (*kept, mark)


def _bar_one(before: Sequence[TempoMark]) -> Fraction:
    return before[0].at.seconds if before and before[0].bar == 1 else Fraction(0)


def sections_of(texts: Sequence[str]) -> tuple[Section, ...]:
    """Read named sections from texts such as ``verse=5``: a name, and the bar it starts with.

    >>> [section.name for section in sections_of(["chorus=13", "verse=5"])]
    ['verse', 'chorus']

    Raises
    ------
    InvalidInput
        If a text is no section, or two start with one bar.
    """
    sections = []
    for text in texts:
        name, sign, bar = text.rpartition("=")
        if not sign or not name.strip() or not re.fullmatch(r"[1-9]\d{0,5}", bar.strip()):
            raise InvalidInput(f"{text!r} is no section. Write its name and first bar, such as verse=5.")
        sections.append(Section(name=name.strip(), bar=int(bar)))
    sections.sort(key=lambda section: section.bar)
    for earlier, later in itertools.pairwise(sections):
        if earlier.bar == later.bar:
            raise InvalidInput(f"The sections {earlier.name!r} and {later.name!r} start with the same bar.")
    return tuple(sections)


def frame_of(tempo: Sequence[TempoMark], position: Position, rate: Rate) -> int:
    """Return the film frame nearest to a place in the score, halves upwards; below 0 before the song."""
    return rate.frames_at(time_of(tempo, position))


def bars(tempo: Sequence[TempoMark], rate: Rate, length_s: Fraction) -> tuple[BarLine, ...]:
    """Return the bars that begin within the song, in order."""
    return tuple(BarLine(bar, rate.frames_at(at)) for bar, at in bar_lines(tempo, length_s))
