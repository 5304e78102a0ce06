"""Signals that were made to be found, beside the music: what they say of a take, and what that makes of its place.

A mark (timecode of the playback, or the sync cues of the guide track) names a song time by itself, so it places takes
that the room does not hear. What the music says is still asked: where both are sure and disagree, a person decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from partsong.film.records import Confidence
from partsong.lineup.line import Line
from partsong.lineup.locate import Found, Possible

AGREE_S = 0.06
"""A mark and the music agree within this: loudspeaker and player may stand fifteen metres apart, and onsets alone are
good to some hundredths of a second."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What a signal says: the lines of the take's *sound* that it allows, the best first, and how sure that is.

    ``name`` is how a person calls it ("timecode on channel 2"), ``method`` how the evidence does. ``exact`` where the
    signal was recorded by cable, so that its line is better than any sound through the air. ``agreed`` of ``tried``
    readings agree, ``spread_ms`` from the line in the median.
    """

    method: str
    name: str
    confidence: Confidence
    reason: str
    lines: tuple[Line, ...]
    agreed: int
    tried: int
    spread_ms: float | None = None
    exact: bool = False


def decided(found: Found, marks: Sequence[Mark], middle_s: float) -> Found:
    """Return the answer for a take from what its music says and its marks, the best mark first.

    Parameters
    ----------
    found : Found
        What the music says.
    marks : sequence of Mark
        What the marks say; none leaves the music's answer as it is.
    middle_s : float
        Media time of the middle of the take, where lines are compared.
    """
    if not marks:
        return found
    mark, others = marks[0], marks[1:]

    def apart(one: Line, other: Line) -> bool:
        return abs(one.song_s(middle_s) - other.song_s(middle_s)) > AGREE_S

    line = mark.lines[0]
    placed = found.line if found.confidence in ("sure", "likely") else None
    against = next((other for other in others if other.confidence == "sure" and apart(other.lines[0], line)), None)
    if against is not None and mark.confidence == "sure":
        both = f"{mark.reason}, but {against.name} says otherwise"
        return _from(mark, replace(mark, confidence="ask", reason=both, lines=(line, against.lines[0])), found)
    if placed is None or mark.confidence == "ask":
        return _from(mark, mark, found)
    if apart(placed, line):
        if found.confidence == "likely" and mark.confidence == "sure":
            return _from(mark, mark, found)
        both = f"{mark.reason}, but the music fits another place"
        return _from(mark, replace(mark, confidence="ask", reason=both, lines=(line, placed)), found)
    if found.method == "phase" and not mark.exact:
        return replace(
            found, confidence="sure", reason=f"{_capital(mark.name)} and the sound itself agree with the song"
        )
    return _from(mark, replace(mark, confidence="sure", reason=f"{mark.reason}, and so does the music"), found)


def _from(first: Mark, mark: Mark, found: Found) -> Found:
    best = found.possible[0].score if found.possible else 0.0
    return Found(
        confidence=mark.confidence,
        reason=mark.reason,
        method=mark.method,
        against=first.name,
        line=mark.lines[0],
        spread_ms=mark.spread_ms,
        agreed=mark.agreed,
        tried=mark.tried,
        margin=None,
        possible=tuple(Possible(line, best) for line in mark.lines),
    )


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
