"""The tempo map read both ways: bars and beats to song time, and back. All of it exact.

**Conventions.** Bars count from 1, beats from 0 within their bar (whole or fractional). Before the first
mark the first tempo runs backwards, so that a pick-up has a place too; bar 0 is the bar before bar 1.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from partsong.errors import InvalidInput
from partsong.film.records import TempoMark
from partsong.timebase import Time, exact_number


@dataclass(frozen=True, slots=True)
class Position:
    """A place in the score: ``bar`` from 1, ``beat`` from 0 up to the bar's length."""

    bar: int
    beat: Fraction

    def __str__(self) -> str:
        beat = self.beat + 1  # people count beats from one
        whole = beat.denominator == 1
        return f"{self.bar}.{beat.numerator}" if whole else f"{self.bar}.{float(beat):.2f}"


FASTEST_BPM = 1000
MOST_BEATS = 32


def mark_of(*, bar: int, at: Time, bpm: str, beats_per_bar: int, length_s: Fraction) -> TempoMark:
    """Return the mark of a tempo that a person gave.

    Parameters
    ----------
    bar : int
        The bar from which it holds, 1 or later.
    at : Time
        Song time of that bar's first beat.
    bpm : str
        Beats a minute, taken exactly: ``92``, ``92.5`` or ``184/2``.
    beats_per_bar : int
        1 to 32.
    length_s : Fraction
        Length of the song in seconds.

    Raises
    ------
    InvalidInput
        If a number cannot be used, or the bar would begin after the song's end.
    """
    beats_a_minute = exact_number(bpm, "tempo")
    if not 0 < beats_a_minute <= FASTEST_BPM:
        raise InvalidInput(f"A tempo of {bpm} beats a minute is out of range. Give one above 0, up to {FASTEST_BPM}.")
    if not 1 <= beats_per_bar <= MOST_BEATS:
        raise InvalidInput(f"A bar of {beats_per_bar} beats is out of range. Give 1 to {MOST_BEATS}.")
    if at.seconds >= length_s:
        raise InvalidInput(
            f"Bar {bar} would begin at {float(at.seconds):.3f} s, after the song's end ({float(length_s):.3f} s). "
            "Give an earlier time."
        )
    return TempoMark(
        bar=bar,
        at=at,
        beats_per_bar=beats_per_bar,
        bpm_num=beats_a_minute.numerator,
        bpm_den=beats_a_minute.denominator,
    )


def time_of(tempo: Sequence[TempoMark], position: Position) -> Fraction:
    """Return the song time of a place in the score, in seconds.

    Raises
    ------
    InvalidInput
        If there is no tempo map.
    """
    mark = _needed(tempo)[0]
    for later in tempo:
        if later.bar <= position.bar:
            mark = later
    beats = (position.bar - mark.bar) * mark.beats_per_bar + position.beat
    return mark.at.seconds + beats * mark.beat_s


def position_at(tempo: Sequence[TempoMark], song_s: Fraction) -> Position:
    """Return the place in the score at a song time in seconds.

    >>> from partsong.timebase import Time
    >>> waltz = [TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=92)]
    >>> str(position_at(waltz, Fraction(60, 92) * 4))
    '2.2'
    """
    mark = _needed(tempo)[0]
    for later in tempo:
        if later.at.seconds <= song_s:
            mark = later
    beats = (song_s - mark.at.seconds) / mark.beat_s
    bars, beat = divmod(beats, mark.beats_per_bar)
    return Position(mark.bar + int(bars), beat)


def bar_lines(tempo: Sequence[TempoMark], length_s: Fraction) -> Iterator[tuple[int, Fraction]]:
    """Yield (bar, song time in seconds) of every bar that starts within the song."""
    if not tempo:
        return
    first = position_at(tempo, Fraction(0))
    bar = first.bar if first.beat == 0 else first.bar + 1
    while (at := time_of(tempo, Position(bar, Fraction(0)))) < length_s:
        yield bar, at
        bar += 1


def beats_in_bar(tempo: Sequence[TempoMark], bar: int) -> int:
    """Return how many beats a bar has."""
    mark = _needed(tempo)[0]
    for later in tempo:
        if later.bar <= bar:
            mark = later
    return mark.beats_per_bar


def _needed(tempo: Sequence[TempoMark]) -> Sequence[TempoMark]:
    if not tempo:
        raise InvalidInput("The song has no tempo map. Give one with: partsong cut tempo FILM --bpm 92 --beats 3")
    return tempo
