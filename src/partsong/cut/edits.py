"""Edits of one shot of a cut: split it, join it to the one before, show another source, move where it begins.

All take a film and return a film; frames are the film's.
"""

from __future__ import annotations

from partsong.cut.table import shown_in, without_picture
from partsong.errors import InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.records import Film, Shot


def split(film: Film, frame: int) -> Film:
    """Return the film with the shot that plays at ``frame`` cut in two there; both go on showing the same.

    Raises
    ------
    InvalidInput
        If no shot plays there, or one begins there already.
    """
    number = next((at for at, shot in enumerate(film.cut) if shot.start < frame < shot.end), None)
    if number is None:
        raise InvalidInput(f"There is nothing to split at frame {frame}: a shot begins there, or none plays.")
    shot = film.cut[number]
    return _with(film, number, 1, (shot.replace(end=frame), shot.replace(start=frame)))


def joined(film: Film, start: int) -> Film:
    """Return the film with the shot that begins at ``start`` taken into the one before, which goes on over it.

    Raises
    ------
    InvalidInput
        If it is the first, there is a gap before it, or the one before has no picture that far.
    """
    number = _numbered(film, start)
    if number == 0 or film.cut[number - 1].end != start:
        raise InvalidInput("There is no shot right before this one to join it to.")
    longer = film.cut[number - 1].replace(end=film.cut[number].end)
    _has_picture(film, longer)
    return _with(film, number - 1, 2, (longer,))


def replaced(film: Film, start: int, shows: str) -> Film:
    """Return the film with the shot that begins at ``start`` showing another source, or panels, as a table writes them.

    Raises
    ------
    InvalidInput
        If there is no such source, or one has no picture all through the shot.
    """
    number = _numbered(film, start)
    source, panels = shown_in(film, shows)
    shot = film.cut[number].replace(source=source, panels=panels)
    _has_picture(film, shot)
    return _with(film, number, 1, (shot,))


def moved(film: Film, start: int, to: int) -> Film:
    """Return the film with the shot that begins at ``start`` beginning at ``to`` instead; its neighbour gives or gains.

    Raises
    ------
    InvalidInput
        If a shot would vanish, the song would begin without picture, or a source has no picture that far.
    """
    number = _numbered(film, start)
    shot = film.cut[number]
    before = film.cut[number - 1] if number and film.cut[number - 1].end == start else None
    if number == 0 and start == 0:
        raise InvalidInput("The first shot begins with the song; split it, and move where the second one begins.")
    lowest = before.start + 1 if before else (film.cut[number - 1].end if number else 0)
    if not lowest <= to < shot.end:
        raise InvalidInput(f"A shot cannot begin at frame {to} here: that leaves nothing of it, or of the one before.")
    later = shot.replace(start=to)
    _has_picture(film, later)
    if before is None:
        return _with(film, number, 1, (later,))
    earlier = before.replace(end=to)
    _has_picture(film, earlier)
    return _with(film, number - 1, 2, (earlier, later))


def _numbered(film: Film, start: int) -> int:
    number = next((at for at, shot in enumerate(film.cut) if shot.start == start), None)
    if number is None:
        raise InvalidInput(f"No shot begins at frame {start}.")
    return number


def _has_picture(film: Film, shot: Shot) -> None:
    for source in shot.sources:
        if wrong := without_picture(film, source, shot.start, min(shot.end, song_frames(film))):
            raise InvalidInput(wrong)


def _with(film: Film, first: int, count: int, shots: tuple[Shot, ...]) -> Film:
    return film.replace(cut=(*film.cut[:first], *shots, *film.cut[first + count :]))
