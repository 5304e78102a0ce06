"""Which takes have a picture where, in whole bars."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from partsong.cut.tempo import BarLine, bars
from partsong.errors import InvalidInput
from partsong.film.coverage import has_wide, placed_takes, song_frames
from partsong.film.records import WIDE, Film


@dataclass(frozen=True, slots=True)
class Covered:
    """A take with the song frames at which it has a picture, ``first`` to before ``stop``."""

    take: str
    first: int
    stop: int

    def covers(self, start: int, end: int) -> bool:
        """Say whether there is a picture in every frame from ``start`` to before ``end``."""
        return self.first <= start and end <= self.stop


def coverage(film: Film) -> tuple[Covered, ...]:
    """Return every placed roaming take with the part of the song that it covers, those that cover some."""
    total = song_frames(film)
    found = []
    for placed in placed_takes(film):
        frames = placed.frames()
        if placed.take.kind == "roaming" and frames.start < min(frames.stop, total):
            found.append(Covered(placed.take.id, frames.start, min(frames.stop, total)))
    return tuple(found)


def base_of(film: Film, takes: Sequence[Covered]) -> Covered:
    """Return what a cut goes out from and comes back to: the wide, or the longest of some takes where there is none.

    Raises
    ------
    InvalidInput
        If there is neither.
    """
    if has_wide(film):
        return Covered(WIDE, 0, song_frames(film))
    if not takes:
        raise InvalidInput("No take is on the song yet. Place them: partsong lineup place FILM")
    return max(takes, key=lambda one: one.stop - one.first)


def whole_bars(covered: Covered, lines: Sequence[BarLine], total: int) -> tuple[int, ...]:
    """Return the numbers of the bars that a take covers from bar line to bar line (the last to the song's end)."""
    ends = [line.frame for line in lines[1:]] + [total]
    return tuple(line.bar for line, end in zip(lines, ends, strict=True) if covered.covers(line.frame, end))


def bars_of(film: Film) -> tuple[BarLine, ...]:
    """Return the bars of the film's song in frames of the film; none when it has no tempo map or rate."""
    if film.song is None or film.rate is None:
        return ()
    return bars(film.song.tempo, film.rate, film.song.length_s)


def runs(numbers: Sequence[int]) -> str:
    """Write rising numbers as stretches.

    >>> runs([1, 2, 3, 7, 9, 10])
    '1-3, 7, 9-10'
    """
    stretches: list[list[int]] = []
    for number in numbers:
        if stretches and number == stretches[-1][1] + 1:
            stretches[-1][1] = number
        else:
            stretches.append([number, number])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in stretches)
