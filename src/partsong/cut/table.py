"""The cut list as plain text: one shot a line, where it begins and what it shows, until the next line begins.

::

    # revision 14 of Boathouse Waltz at 24 frames a second: where a shot begins, what it shows
    1.1        wide
    9.1        bass-close
    17.3+1/2   wide             # half a beat after beat 3 of bar 17
    21.1       wide|bass-close  # two panels side by side; a / begins another row of panels
    @1203      melodica-close   # exactly this frame of the film
    25.1       -                # no picture
    33.1       wide

Bars and beats count from 1. A panel shows the window about the middle of its picture, or about another point of it:
``bass-close(0.3,0.5)``, shares from the left and the top. ``#`` begins a comment. The first comment names the revision
that the table was printed from. Printing takes the musical place whose nearest frame is the shot's, and ``@frame``
where there is none, so that a printed table reads back to exactly the same frames.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from partsong.cut.tempo import frame_of
from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes, song_frames
from partsong.film.records import MOST_PANELS, WIDE, Film, Panel, Shot, TempoMark
from partsong.film.tempo import Position, beats_in_bar, position_at, time_of
from partsong.timebase import Rate, clock

NOTHING = "-"
"""Stands in a table where the film shows no picture."""

_PLACE = re.compile(r"(-?\d{1,6})\.(\d{1,2})(?:\+(\d{1,3})/(\d{1,3}))?")
_FRAME = re.compile(r"@(\d{1,9})")
_PANEL = re.compile(r"([a-z0-9-]+)(?:\((\d*\.?\d+),(\d*\.?\d+)\))?")
_REVISION = re.compile(r"#\s*revision\s+(\d{1,9})\b")

# Parts of a beat that are meant when a shot begins on one: halves, thirds, quarters. Finer ones would name nearly every
# frame by chance; such frames are printed as frames.
_PARTS = tuple(Fraction(part, of) for part, of in ((1, 2), (1, 3), (2, 3), (1, 4), (3, 4)))


@dataclass(frozen=True, slots=True)
class Table:
    """What a table says: the shots, and the revision it was printed from where it names one."""

    shots: tuple[Shot, ...]
    revision: int | None


# --- printing -------------------------------------------------------------------------------------


def printed(film: Film, revision: int) -> str:
    """Write the film's cut as a table."""
    total = song_frames(film)
    rows: list[tuple[str, str]] = []
    reached = 0
    for shot in film.cut:
        if shot.start > reached:
            rows.append((place_text(film, reached), NOTHING))
        rows.append((place_text(film, shot.start), shown_text(shot)))
        reached = shot.end
    if film.cut and reached < total:
        rows.append((place_text(film, reached), NOTHING))
    title = re.sub(r"\s+", " ", film.song.title if film.song else film.name)
    head = f"# revision {revision} of {title} at {film.rate} frames a second: where a shot begins, what it shows"
    width = max((len(place) for place, _ in rows), default=0)
    lines = [head, *(f"{place.ljust(width)}  {source}" for place, source in rows)]
    if not rows:
        lines.append("# no shots yet; propose some: partsong cut propose FILM")
    return "\n".join(lines) + "\n"


def shown_text(shot: Shot) -> str:
    """Return how a table writes what a shot shows."""
    if not shot.panels:
        return shot.source
    return "/".join("|".join(_panel_text(panel) for panel in row) for row in shot.panels)


def _panel_text(panel: Panel) -> str:
    return panel.source if (panel.x, panel.y) == (0.5, 0.5) else f"{panel.source}({panel.x:g},{panel.y:g})"


def place_text(film: Film, frame: int) -> str:
    """Return how a frame is written: ``bar.beat``, with a part of a beat where needed, or ``@frame``.

    The song's first frame is where the picture begins; it is written in beats only when it is a beat.
    """
    position = place_of(film, frame)
    return f"@{frame}" if position is None else _position_text(position)


def place_of(film: Film, frame: int) -> Position | None:
    """Return the musical place that a frame is meant to be: the simplest whose nearest frame it is, or None."""
    tempo = film.song.tempo if film.song else ()
    assert film.rate is not None
    if tempo:
        for position in _near(tempo, frame, film.rate)[: 2 if frame == 0 else None]:
            if _is_place(tempo, position) and frame_of(tempo, position, film.rate) == frame:
                return position
    return None


def _near(tempo: Sequence[TempoMark], frame: int, rate: Rate) -> list[Position]:
    """Return the places around a frame that could be meant, the simplest first."""
    here = position_at(tempo, frame * rate.frame_s)
    beat = here.beat.__floor__()
    next_bar = beat + 1 >= beats_in_bar(tempo, here.bar)
    after = Position(here.bar + 1, Fraction(0)) if next_bar else Position(here.bar, Fraction(beat + 1))
    whole = Position(here.bar, Fraction(beat))
    return [whole, after, *(Position(here.bar, beat + part) for part in _PARTS)]


def _position_text(position: Position) -> str:
    beat = position.beat.__floor__()
    part = position.beat - beat
    return f"{position.bar}.{beat + 1}" + (f"+{part.numerator}/{part.denominator}" if part else "")


# --- reading --------------------------------------------------------------------------------------


def parsed(film: Film, text: str, name: str) -> Table:
    """Read a table for a film.

    Parameters
    ----------
    film : Film
        Gives the tempo map, the frame rate, the takes and the song's length.
    text : str
        The table.
    name : str
        What errors call it.

    Raises
    ------
    InvalidInput
        If a line cannot be read, lies out of order or outside the song, or shows a take where it has no picture; the
        sentence names line and column.
    """
    total = song_frames(film)
    revision: int | None = None
    entries: list[_Entry] = []
    seen_comment = False
    for number, line in enumerate(text.removeprefix("\ufeff").splitlines(), start=1):
        if line.lstrip().startswith("#") and not seen_comment:
            seen_comment = True
            match = _REVISION.match(line.lstrip())
            revision = int(match[1]) if match else None
        words = [(match.start() + 1, match[0]) for match in re.finditer(r"\S+", line.partition("#")[0])]
        if words:
            entry = _entry(film, _Spot(name, number), words)
            _follows(entry, entries, total)
            entries.append(entry)
    ends = [*(entry.start for entry in entries[1:]), total] if entries else []
    shots: list[Shot] = []
    for entry, end in zip(entries, ends, strict=True):
        if entry.source != NOTHING:
            shot = Shot(source=entry.source, start=entry.start, end=end, panels=entry.panels)
            for source in shot.sources:
                if wrong := without_picture(film, source, entry.start, end):
                    raise entry.spot.wrong(entry.source_column, wrong)
            shots.append(shot)
    return Table(tuple(shots), revision)


@dataclass(frozen=True, slots=True)
class _Spot:
    """A line of a table, for errors."""

    name: str
    line: int

    def wrong(self, column: int, what: str) -> InvalidInput:
        return InvalidInput(f"{self.name}, line {self.line}, column {column}: {what}")


@dataclass(frozen=True, slots=True)
class _Entry:
    """One line read: the frame and source of a shot, and where both stand."""

    spot: _Spot
    start: int
    start_column: int
    source: str
    source_column: int
    panels: tuple[tuple[Panel, ...], ...] = ()


def _entry(film: Film, spot: _Spot, words: Sequence[tuple[int, str]]) -> _Entry:
    column, place = words[0]
    start = _frame(film, spot, column, place)
    if len(words) < 2:
        raise spot.wrong(column + len(place), f"after {place} the source is missing. Name {WIDE} or a take.")
    if len(words) > 2:
        raise spot.wrong(words[2][0], f"{words[2][1]!r} is too much; a line holds a place and a source.")
    source_column, source = words[1]
    if source == NOTHING:
        return _Entry(spot, start, column, source, source_column)
    try:
        first, panels = shown_in(film, source)
    except InvalidInput as problem:
        raise spot.wrong(source_column, str(problem)) from problem
    return _Entry(spot, start, column, first, source_column, panels)


def shown_in(film: Film, text: str) -> tuple[str, tuple[tuple[Panel, ...], ...]]:
    """Return (first source, rows of panels) of what a person wrote: a source, or panels parted by ``|`` and ``/``.

    Raises
    ------
    InvalidInput
        If a source is none, or the panels are too many.
    """
    rows = tuple(tuple(_panel(film, each) for each in row.split("|")) for row in text.split("/"))
    count = sum(len(row) for row in rows)
    if count > MOST_PANELS:
        raise InvalidInput(f"{count} panels are too many; a shot has up to {MOST_PANELS}.")
    if count == 1 and "(" in text:
        raise InvalidInput(f"{text!r} shows the whole picture; a point of it is for one of several panels.")
    return rows[0][0].source, rows if count > 1 else ()


def _panel(film: Film, text: str) -> Panel:
    match = _PANEL.fullmatch(text)
    if match is None:
        raise InvalidInput(
            f"{text!r} is no source. Name {WIDE} or a take; in a panel a point of it may follow, as in take(0.3,0.5)."
        )
    source = match[1]
    known = [WIDE, *(take.id for take in film.takes)]
    if source not in known:
        close = ", ".join(difflib.get_close_matches(source, known, n=3, cutoff=0.4)) or ", ".join(known[:6])
        raise InvalidInput(f"there is no take {source!r}. The nearest: {close}.")
    x, y = (0.5, 0.5) if match[2] is None else (float(match[2]), float(match[3]))
    if not (0 <= x <= 1 and 0 <= y <= 1):
        raise InvalidInput(f"the point of {text!r} lies outside its picture. Give shares from 0 to 1.")
    return Panel(source=source, x=round(x, 4), y=round(y, 4))


def without_picture(film: Film, source: str, start: int, end: int) -> str:
    """Return why a source cannot be shown from one frame to another, as a sentence; none where it can.

    Raises
    ------
    InvalidInput
        If there is no such source.
    """
    if source == WIDE:
        return ""
    assert film.rate is not None
    film.take(source)
    placed = next((found for found in placed_takes(film) if found.take.id == source), None)
    if placed is None:
        return f"{source} is not placed on the song yet. Place it first: partsong lineup"
    frames = placed.frames()
    if frames.start <= start and end <= frames.stop:
        return ""
    where = "nowhere in the song"
    if frames.start < frames.stop:
        first, last = (clock(frame * film.rate.frame_s) for frame in (frames.start, frames.stop))
        where = f"from {place_text(film, frames.start)} to {place_text(film, frames.stop)} ({first} to {last})"
    return f"{source} is shown from frame {start} to {end} but has a picture {where}."


def frame_in(film: Film, text: str) -> int:
    """Return the frame of a place that a person wrote: ``bar.beat``, with a part of a beat, or ``@frame``.

    Raises
    ------
    InvalidInput
        If it is no place, or no place of the song.
    """
    assert film.rate is not None
    if match := _FRAME.fullmatch(text):
        return int(match[1])
    match = _PLACE.fullmatch(text)
    if match is None:
        raise InvalidInput(
            f"{text!r} is no place. Write bar.beat such as 9.1, a part of a beat such as 9.2+1/2, or @frame."
        )
    tempo = film.song.tempo if film.song else ()
    if not tempo:
        raise InvalidInput("the song has no tempo map, so only @frame can be used. Set one: partsong cut tempo")
    bar, beat = int(match[1]), int(match[2])
    beats = beats_in_bar(tempo, bar)
    if not 1 <= beat <= beats:
        raise InvalidInput(f"bar {bar} has the beats 1 to {beats}, not {beat}.")
    part = Fraction(0)
    if match[3] is not None:
        if not 0 < int(match[3]) < int(match[4]):
            raise InvalidInput(f"+{match[3]}/{match[4]} is no part of a beat. Write one such as +1/2.")
        part = Fraction(int(match[3]), int(match[4]))
    position = Position(bar, beat - 1 + part)
    frame = frame_of(tempo, position, film.rate)
    if frame < 0:
        raise InvalidInput(f"{text} lies before the song begins.")
    return frame


def _frame(film: Film, spot: _Spot, column: int, text: str) -> int:
    try:
        return frame_in(film, text)
    except InvalidInput as problem:
        raise spot.wrong(column, str(problem)) from problem


def _follows(entry: _Entry, entries: Sequence[_Entry], total: int) -> None:
    if not entries and entry.start != 0:
        raise entry.spot.wrong(
            entry.start_column,
            f"the first shot begins at frame {entry.start}; the cut begins at frame 0. Begin with @0, "
            f"and {NOTHING} if there is to be no picture.",
        )
    if entries and entry.start <= entries[-1].start:
        raise entry.spot.wrong(
            entry.start_column,
            f"frame {entry.start} does not come after frame {entries[-1].start} of line {entries[-1].spot.line}.",
        )
    if entry.start >= total:
        raise entry.spot.wrong(
            entry.start_column, f"frame {entry.start} lies after the end of the song, which has {total} frames."
        )


def _is_place(tempo: Sequence[TempoMark], position: Position) -> bool:
    """Say whether reading would accept a place: a beat of its bar, not past the mark that follows."""
    return (
        position.beat < beats_in_bar(tempo, position.bar) and position_at(tempo, time_of(tempo, position)) == position
    )
