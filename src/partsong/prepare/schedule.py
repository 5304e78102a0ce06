"""The order of the day: a plain plan, part after part, with the sums that it rests on.

Parts are filmed in score order, except that those which share a set-up (the same light, the same corner of the room)
follow each other, so that each set-up is built once. Working times are the person's own; the defaults are common
practice, no source.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from partsong.errors import InvalidInput

Work = Literal["rig", "plate", "set-up", "takes", "coverage", "break", "strike", "spare"]


@dataclass(frozen=True, slots=True)
class Pace:
    """How long things take, in minutes, and how often; all defaults are common practice, no source."""

    rig_minutes: int = 60
    plate_minutes: int = 10
    setup_minutes: int = 25
    takes: int = 4
    between_takes_minutes: int = 3
    coverage_takes: int = 1
    break_minutes: int = 45
    strike_minutes: int = 30
    margin_percent: int = 20


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the schedule; times in minutes after midnight."""

    start: int
    stop: int
    work: Work
    sentence: str
    part: str | None = None

    @property
    def minutes(self) -> int:
        """How long it takes."""
        return self.stop - self.start


@dataclass(frozen=True, slots=True)
class Day:
    """A planned day. ``over_minutes`` is how far it runs past its end; 0 when it fits."""

    entries: tuple[Entry, ...]
    end: int
    sums: tuple[str, ...]

    @property
    def over_minutes(self) -> int:
        """By how much the plan misses the end of the day."""
        return max(0, self.entries[-1].stop - self.end)

    @property
    def fits(self) -> bool:
        """Whether everything, the margin too, is done by the end."""
        return self.over_minutes == 0


def order_of_setups(parts: Sequence[str], setups: Mapping[str, str]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the set-ups in the order in which to build them, each with its parts in score order.

    >>> order_of_setups(["cajon", "bass", "melodica"], {"cajon": "window", "melodica": "window"})
    (('window', ('cajon', 'melodica')), ('bass', ('bass',)))
    """
    grouped: dict[str, list[str]] = {}
    for part in parts:
        grouped.setdefault(setups.get(part, part), []).append(part)
    return tuple((setup, tuple(members)) for setup, members in grouped.items())


def plan_day(
    parts: Sequence[tuple[str, str]],
    *,
    song_s: Fraction,
    start: int,
    end: int,
    pace: Pace | None = None,
    setups: Mapping[str, str] | None = None,
) -> Day:
    """Plan a day of filming.

    Parameters
    ----------
    parts : sequence of (id, name)
        In score order.
    song_s : Fraction
        The song's length in seconds; a take is counted as that, rounded up to a minute, plus the time between takes.
    start, end : int
        Minutes after midnight; the end lies after the start.
    pace : Pace, optional
        Working times.
    setups : mapping, optional
        The name of the set-up of those part ids that share one.

    Raises
    ------
    InvalidInput
        If there are no parts, the day ends before it starts, or a time is negative.
    """
    pace = pace or Pace()
    _check(parts, start, end, pace)
    names = dict(parts)
    take_minutes = -((-song_s / 60).__floor__()) + pace.between_takes_minutes
    groups = order_of_setups([part for part, _ in parts], setups or {})

    opening = [
        _Job("rig", pace.rig_minutes, "Rig the camera, lock it off, set the frame; mark every spot on the floor"),
        _Job("plate", pace.plate_minutes, "Film the empty room by ambient light: the first plate"),
    ]
    filming = [_of_setup(setup, members, names, take_minutes, pace) for setup, members in groups]
    busy = sum(job.minutes for job in itertools.chain(opening, *filming))
    margin = -(-busy * pace.margin_percent // 100)
    closing = [
        _Job("spare", margin, f"Spare: {pace.margin_percent} % of the work above, for what goes wrong"),
        _Job("strike", pace.strike_minutes, "Second copies checked, then strike"),
    ]

    entries: list[Entry] = []
    now, rested = start, pace.break_minutes == 0
    for jobs in (opening, *filming, closing):
        # The break comes before the set-up that would run past the middle of the day: no lit set is left standing.
        if not rested and entries and 2 * (now + sum(job.minutes for job in jobs)) > start + end:
            entries.append(Entry(now, now + pace.break_minutes, "break", "Break; lamps off"))
            now, rested = now + pace.break_minutes, True
        for job in jobs:
            if job.minutes:
                entries.append(Entry(now, now + job.minutes, job.work, job.sentence, job.part))
                now += job.minutes
    rest = sum(entry.minutes for entry in entries if entry.work == "break")
    takes = len(parts) * (pace.takes + pace.coverage_takes)
    sums = (
        f"a take: song {float(song_s):.0f} s, rounded up to the minute, + {pace.between_takes_minutes} min = "
        f"{take_minutes} min",
        f"takes: {len(parts)} parts x ({pace.takes} + {pace.coverage_takes}) = {takes}, x {take_minutes} min = "
        f"{takes * take_minutes} min",
        f"set-ups: {len(groups)} x {pace.setup_minutes} min = {len(groups) * pace.setup_minutes} min",
        f"rig {pace.rig_minutes} + plate {pace.plate_minutes} + break {rest} + strike {pace.strike_minutes} min",
        f"margin: {pace.margin_percent} % = {margin} min",
        f"together: {now - start} min of {end - start} min",
    )
    return Day(tuple(entries), end, sums)


def minutes_of(text: str) -> int:
    """Read a time of day.

    >>> minutes_of("09:30")
    570

    Raises
    ------
    InvalidInput
        If the text is no time from 00:00 to 24:00.
    """
    match = re.fullmatch(r"(\d{1,2}):([0-5]\d)", text.strip(), re.ASCII)
    if match is None or int(match[1]) * 60 + int(match[2]) > 24 * 60:
        raise InvalidInput(f"{text!r} is not a time of day. Write it like 09:00.")
    return int(match[1]) * 60 + int(match[2])


def time_of_day(minutes: int) -> str:
    """Write minutes after midnight as a time of day; past midnight the hours go on counting.

    >>> time_of_day(570), time_of_day(1500)
    ('09:30', '25:00')
    """
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


@dataclass(frozen=True, slots=True)
class _Job:
    work: Work
    minutes: int
    sentence: str
    part: str | None = None


def _of_setup(
    setup: str, members: Sequence[str], names: Mapping[str, str], take_minutes: int, pace: Pace
) -> list[_Job]:
    """Return the work in one set-up: lighting it, then each of its parts."""
    shared = f" ({setup})" if setup not in names else ""
    sentence = f"Light for {_listed([names[part] for part in members])}{shared}; film the empty room in this light"
    jobs = [_Job("set-up", pace.setup_minutes, sentence, members[0])]
    for part in members:
        stage = f"{names[part]}: {_count(pace.takes, 'stage take')}"
        roaming = f"{names[part]}: {_count(pace.coverage_takes, 'roaming take')}; leave the stage camera alone"
        jobs.append(_Job("takes", pace.takes * take_minutes, stage, part))
        jobs.append(_Job("coverage", pace.coverage_takes * take_minutes, roaming, part))
    return jobs


def _check(parts: Sequence[tuple[str, str]], start: int, end: int, pace: Pace) -> None:
    if not parts:
        raise InvalidInput("The film has no parts to film. Make it with a --stem for each part, or add clips first.")
    if end <= start:
        raise InvalidInput(f"The day ends at {time_of_day(end)}, before it starts at {time_of_day(start)}.")
    for name in Pace.__dataclass_fields__:
        if getattr(pace, name) < 0:
            raise InvalidInput(f"The plan's {name.replace('_', ' ')} cannot be below zero.")


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
