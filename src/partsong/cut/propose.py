"""A first cut list: where the picture changes with the music.

What it holds to, as common practice among editors of music (no source): open and close on the wide, so that the
viewer knows the room; let a shot last a musical length; change where a section starts. Proposed cuts fall on bar lines.
Where several cameras filmed at once and there is no wide, the one that ran longest stands in for it.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

from partsong.cut.coverage import Covered
from partsong.cut.tempo import BarLine
from partsong.errors import InvalidInput
from partsong.film.records import Shot

SHORTEST_BARS = 2
LONGEST_BARS = 8

# How often each length of a shot is drawn, in bars: fours carry a song, twos and eights change its breath.
_LENGTHS = {2: 2.0, 3: 0.25, 4: 4.0, 5: 0.1, 6: 0.75, 7: 0.1, 8: 1.0}


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Bars ``first`` to before ``stop``, as places in the list of bar lines."""

    first: int
    stop: int


def propose(
    lines: Sequence[BarLine],
    sections: Sequence[int],
    total: int,
    takes: Sequence[Covered],
    *,
    base: Covered,
    seed: int = 0,
) -> tuple[Shot, ...]:
    """Return a cut list from frame 0 to ``total``, without gaps wherever ``base`` or a take has a picture.

    It opens and closes on the base and alternates it with the takes that have a picture; their shots last 2 to 8
    bars. Where no take covers two bars on end, the base stays, for as long as that is. Bars in which the base has no
    picture show a take that has, and none where nothing has. Frames before the first bar line belong to the first shot,
    those after the last bar to the last.

    Parameters
    ----------
    lines : sequence of BarLine
        The bars of the song.
    sections : sequence of int
        The bars at which sections start; one less than two bars after another is passed over.
    total : int
        Frames of the song.
    takes : sequence of Covered
        The takes to cut to, and where they have a picture.
    base : Covered
        What is cut from and back to: the wide, or a camera that ran on.
    seed : int
        Another seed gives another cut; the same seed the same.

    Raises
    ------
    InvalidInput
        If there is no bar line within the song.
    """
    if not lines:
        raise InvalidInput("No bar begins within the song. Set its tempo: partsong cut tempo FILM --bpm 92 --beats 3")
    # Only random() is promised to give the same numbers in every version of the language.
    draw = random.Random(seed)
    frames = [0, *(line.frame for line in lines[1:]), total]
    pieces = [piece for phrase in _phrases([line.bar for line in lines], sections) for piece in _split(phrase, draw)]
    sources: list[tuple[_Stretch, str]] = []
    shown: dict[str, int] = {take.take: 0 for take in takes}
    for number, piece in enumerate(pieces):
        edge = number in (0, len(pieces) - 1)
        if edge or sources[-1][1] != base.take:
            sources.append((piece, base.take))
            continue
        sources.extend(_with_take(piece, frames, takes, base.take, shown, draw))
    return _shots(_with_pictures(sources, frames, [base, *takes]), frames)


def _phrases(bars: Sequence[int], sections: Sequence[int]) -> list[_Stretch]:
    """Part the song where sections start; at least two bars each."""
    starts = [0]
    for place, bar in enumerate(bars):
        if bar in sections and place - starts[-1] >= SHORTEST_BARS and len(bars) - place >= SHORTEST_BARS:
            starts.append(place)
    return [_Stretch(first, stop) for first, stop in zip(starts, [*starts[1:], len(bars)], strict=True)]


def _split(phrase: _Stretch, draw: random.Random) -> list[_Stretch]:
    """Part a phrase into lengths of two to eight bars; a phrase of one bar stays whole."""
    pieces = []
    first = phrase.first
    while first < phrase.stop:
        left = phrase.stop - first
        fitting = {
            length: weight for length, weight in _LENGTHS.items() if length == left or left - length >= SHORTEST_BARS
        }
        length = _drawn(fitting, draw) if fitting else left
        pieces.append(_Stretch(first, first + length))
        first += length
    return pieces


def _drawn(weights: dict[int, float], draw: random.Random) -> int:
    mark = draw.random() * sum(weights.values())
    for value, weight in weights.items():
        mark -= weight
        if mark < 0:
            return value
    return value


def _with_take(
    piece: _Stretch,
    frames: Sequence[int],
    takes: Sequence[Covered],
    base: str,
    shown: dict[str, int],
    draw: random.Random,
) -> list[tuple[_Stretch, str]]:
    """Show a take in a piece where one covers it, in as much of it as one does, or else the base."""
    for bars in range(piece.stop - piece.first, SHORTEST_BARS - 1, -1):
        for first in range(piece.first, piece.stop - bars + 1):
            stretch = _Stretch(first, first + bars)
            after = piece.stop - stretch.stop
            # Bars of the base before it lengthen the base that is shown already; those after are a shot of their own.
            if 0 < after < SHORTEST_BARS:
                continue
            fitting = [take.take for take in takes if take.covers(frames[stretch.first], frames[stretch.stop])]
            if not fitting:
                continue
            least = min(shown[take] for take in fitting)
            rested = [take for take in fitting if shown[take] == least]
            chosen = rested[int(draw.random() * len(rested))]
            shown[chosen] += 1
            parts = [
                (_Stretch(piece.first, first), base),
                (stretch, chosen),
                (_Stretch(stretch.stop, piece.stop), base),
            ]
            return [(part, source) for part, source in parts if part.first < part.stop]
    return [(piece, base)]


def _with_pictures(
    sources: Sequence[tuple[_Stretch, str]], frames: Sequence[int], having: Sequence[Covered]
) -> list[tuple[_Stretch, str]]:
    """Show, bar by bar, what has a picture where a source has none: what was shown before, else the first that has."""
    found: list[tuple[_Stretch, str]] = []
    for stretch, source in sources:
        for bar in range(stretch.first, stretch.stop):
            there = [one.take for one in having if one.covers(frames[bar], frames[bar + 1])]
            before = found[-1][1] if found else source
            for name in (source, before, *there):
                if name in there:
                    found.append((_Stretch(bar, bar + 1), name))
                    break
    return found


def _shots(sources: Sequence[tuple[_Stretch, str]], frames: Sequence[int]) -> tuple[Shot, ...]:
    shots: list[Shot] = []
    for stretch, source in sources:
        start, end = frames[stretch.first], frames[stretch.stop]
        if shots and shots[-1].source == source and shots[-1].end == start:
            shots[-1] = shots[-1].replace(end=end)
        else:
            shots.append(Shot(source=source, start=start, end=end))
    return tuple(shots)
