"""Effects in time with the music: a flicker, a stutter, light that leaks in; and how much they flash by themselves.

All take a film and return a film; frames are the film's.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import get_args

from partsong.cut.table import place_of, place_text
from partsong.cut.tempo import frame_of
from partsong.errors import InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.records import Effect, Film, Flicker, Leak, Side, Stutter, TempoMark
from partsong.film.tempo import Position, beats_in_bar, position_at
from partsong.render.effects import metered
from partsong.render.flashing import FLASHES_ALLOWED
from partsong.timebase import clock, exact_number

SIDES: tuple[Side, ...] = get_args(Side)
CAUTION = "Flashing pictures can trigger seizures in photosensitive people (WCAG 2.2, 2.3.1; ITU-R BT.1702-3)."
_LONGEST_BEATS = 64


@dataclass(frozen=True, slots=True)
class Metered:
    """The most flashes in any second that effects make by themselves, over a flat picture of any grey.

    ``frame`` is the last of that second.
    """

    flashes: float
    frame: int
    fails: bool
    sentence: str


def flicker(film: Film, start: int, end: int, *, every: str, depth_stops: float) -> Flicker:
    """Make a flicker: the light dips at ``start`` and every so many beats after it.

    Parameters
    ----------
    film : Film
        With a song, its tempo map and a rate.
    start, end : int
        Song frames.
    every : str
        Beats, exact: ``1``, ``1/2``, ``1.5``.
    depth_stops : float
        How deep, above 0 to 6.

    Raises
    ------
    InvalidInput
        If the stretch is not in the song, or a number cannot be used.
    """
    _in_song(film, start, end)
    if not 0 < depth_stops <= 6:
        raise InvalidInput(f"A dip of {depth_stops:g} stops is out of range. Give above 0, up to 6.")
    return Flicker(start=start, end=end, dips=(start, *_moments(film, start, end, every)), depth_stops=depth_stops)


def stutter(film: Film, start: int, end: int, *, every: str) -> Stutter:
    """Make a stutter: every so many beats after ``start`` the picture begins anew from there.

    Raises
    ------
    InvalidInput
        If the stretch is not in the song, another stutter lies in it, or it is too short to begin anew.
    """
    _in_song(film, start, end)
    again = _moments(film, start, end, every)
    if not again:
        raise InvalidInput(
            f"From {place_text(film, start)} to {place_text(film, end)} there is no time to begin anew every {every} "
            "beats. Let it last longer, or begin anew more often."
        )
    return Stutter(start=start, end=end, again=again)


def leak(
    film: Film,
    start: int,
    end: int,
    *,
    side: Side = "right",
    at: float = 0.5,
    reach: float = 0.8,
    colour: tuple[float, float, float] = (0.8, 0.42, 0.16),
) -> Leak:
    """Make a light leak that comes and goes once between two frames.

    Raises
    ------
    InvalidInput
        If the stretch is not in the song, or a number is out of range.
    """
    _in_song(film, start, end)
    for name, value, low, high in (
        ("place along the side", at, 0.0, 1.0),
        ("reach", reach, 0.05, 2.0),
        *(("colour", value, 0.0, 1.0) for value in colour),
    ):
        if not low <= value <= high:
            raise InvalidInput(f"A light leak's {name} of {value:g} is out of range. Give {low:g} to {high:g}.")
    return Leak(start=start, end=end, side=side, at=at, reach=reach, colour=colour)


def end_of(film: Film, start: int, beats: str) -> int:
    """Return the frame so many beats after a frame, or the song's end where that comes first.

    Raises
    ------
    InvalidInput
        If the song has no tempo map, or the number cannot be used.
    """
    assert film.rate is not None
    tempo = _tempo(film)
    after = _later(film, _position(film, start), _beats(beats))
    return min(song_frames(film), frame_of(tempo, after, film.rate))


def added(film: Film, effect: Effect, *, anyway: bool = False) -> Film:
    """Return the film with one effect more.

    Raises
    ------
    InvalidInput
        If it makes the effects flash more than three times in a second by themselves, unless ``anyway``; or if two
        stutters would overlap.
    """
    changed = film.replace(effects=tuple(sorted((*film.effects, effect), key=lambda one: one.start)))
    if not anyway and (found := meter(changed)).fails and not meter(film).fails:
        raise InvalidInput(
            f"{found.sentence} {CAUTION} Let it come less often or less deep. To have it all the same, say so: --anyway"
        )
    return changed


def removed(film: Film, number: int) -> Film:
    """Return the film without one of its effects, which count from 1.

    Raises
    ------
    InvalidInput
        If there is no such effect.
    """
    if not 1 <= number <= len(film.effects):
        raise InvalidInput(f"There is no effect {number}. See them: partsong cut effects FILM")
    return film.replace(effects=(*film.effects[: number - 1], *film.effects[number:]))


def meter(film: Film) -> Metered:
    """Count how much the film's effects flash by themselves; what the picture does comes on top."""
    worst = metered(film)
    if worst is None or worst.flashes < 1:
        return Metered(0.0, 0, False, "The effects do not flash by themselves.")
    times = {1.0: "once", 2.0: "twice"}.get(worst.flashes, f"{worst.flashes:g} times")
    limit = f"more than {FLASHES_ALLOWED} is too much" if worst.fails else f"up to {FLASHES_ALLOWED} are allowed"
    sentence = f"By themselves the effects flash {times} in a second, about {_about(film, worst.last)}; {limit}."
    return Metered(worst.flashes, worst.last, worst.fails, sentence)


def _about(film: Film, frame: int) -> str:
    assert film.rate is not None
    at_s = frame * film.rate.frame_s
    return f"bar {position_at(film.song.tempo, at_s).bar}" if film.song and film.song.tempo else clock(at_s)


def _in_song(film: Film, start: int, end: int) -> None:
    total = song_frames(film)
    if not 0 <= start < end:
        raise InvalidInput(f"An effect cannot last from frame {start} to frame {end}: it must end after it begins.")
    if end > total:
        raise InvalidInput(f"An effect cannot last until frame {end}: the song has {total} frames.")


def _moments(film: Film, start: int, end: int, every: str) -> tuple[int, ...]:
    """Return the frames every so many beats after a frame, before another."""
    assert film.rate is not None
    tempo, beats = _tempo(film), _beats(every)
    position = _position(film, start)
    moments: list[int] = []
    while True:
        position = _later(film, position, beats)
        frame = frame_of(tempo, position, film.rate)
        if frame >= end:
            return tuple(moments)
        if frame <= (moments[-1] if moments else start):
            raise InvalidInput(f"Every {every} beats is less than a frame. Give a longer time, such as 1/4.")
        moments.append(frame)


def _position(film: Film, frame: int) -> Position:
    assert film.rate is not None
    return place_of(film, frame) or position_at(_tempo(film), frame * film.rate.frame_s)


def _later(film: Film, position: Position, beats: Fraction) -> Position:
    tempo = _tempo(film)
    bar, beat = position.bar, position.beat + beats
    while beat >= (whole := beats_in_bar(tempo, bar)):
        bar, beat = bar + 1, beat - whole
    return Position(bar, beat)


def _tempo(film: Film) -> tuple[TempoMark, ...]:
    if film.song is None or not film.song.tempo:
        raise InvalidInput("The song has no tempo map, so nothing can come on its beats. Set one: partsong cut tempo")
    return film.song.tempo


def _beats(text: str) -> Fraction:
    beats = exact_number(text, "number of beats")
    if not 0 < beats <= _LONGEST_BEATS:
        raise InvalidInput(f"{text} beats is out of range. Give above 0, up to {_LONGEST_BEATS}, such as 1/2.")
    return beats
