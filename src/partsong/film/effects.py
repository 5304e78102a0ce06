"""The cut as it plays, with what stutters show again; and effects in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from partsong.film.records import Effect, Film, Flicker, Panel, Stutter


@dataclass(frozen=True, slots=True)
class Stretch:
    """Song frames ``start`` to before ``end`` show a source as the cut has it from song frame ``shows`` on.

    ``shows`` is ``start`` but where a stutter shows something again. ``opens`` is where the cut's shot begins. Where
    the shot has panels, the frame shows these.
    """

    source: str
    start: int
    end: int
    shows: int
    opens: int
    panels: tuple[tuple[Panel, ...], ...] = ()

    @property
    def shown(self) -> range:
        """The song frames of the cut that it shows."""
        return range(self.shows, self.shows + self.end - self.start)


def played(film: Film) -> tuple[Stretch, ...]:
    """Return the cut as it plays, in order; where the cut shows nothing, there is no stretch."""
    return tuple(
        Stretch(shot.source, start + begin - shows, start + stop - shows, begin, shot.start, shot.panels)
        for start, end, shows in _runs(film)
        for shot in film.cut
        for begin, stop in [(max(shot.start, shows), min(shot.end, shows + end - start))]
        if begin < stop
    )


def _runs(film: Film) -> Iterator[tuple[int, int, int]]:
    """Yield (start, end, shows): song frames start to before end show those from shows on."""
    at = 0
    for stutter in film.effects:
        if isinstance(stutter, Stutter):
            yield at, stutter.again[0], at  # the first time it is as it was cut
            for again, until in pairwise((*stutter.again, stutter.end)):
                yield again, until, stutter.start
            at = stutter.end
    stop = max((shot.end for shot in film.cut), default=0)
    if at < stop:
        yield at, stop, at


def told(effect: Effect) -> str:
    """Return an effect in a few words.

    >>> told(Flicker(start=0, end=48, dips=(0, 12), depth_stops=1.0))
    'flicker, 2 dips of 1 stop'
    """
    if isinstance(effect, Flicker):
        count = len(effect.dips)
        stops = "stop" if effect.depth_stops == 1 else "stops"
        return f"flicker, {count} {'dip' if count == 1 else 'dips'} of {effect.depth_stops:g} {stops}"
    if isinstance(effect, Stutter):
        count = len(effect.again)
        return f"stutter, {'once' if count == 1 else f'{count} times'} again"
    return f"light leak from the {effect.side}"
