"""The life of one job, as a pure function: ``(job, event) -> (job, actions)``.

::

    waiting ──begun──> running ──finished──> done
       ^                  │├──failed────────> failed
       └───lost (retry)───┘└──lost too often─> failed
    any of the first two ──asked to stop──> stopped

Whoever runs jobs performs the actions and feeds back what happened; nothing here knows processes or clocks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

ATTEMPTS = 3
"""How often a job is begun before its workers' deaths count as its own fault."""

State = Literal["waiting", "running", "done", "failed", "stopped"]


@dataclass(frozen=True, slots=True)
class Job:
    """One piece of work: ``size`` units long, of which ``advanced`` are done; ``attempt`` counts its beginnings."""

    name: str
    size: int = 1
    state: State = "waiting"
    advanced: int = 0
    attempt: int = 0
    worker: int | None = None


@dataclass(frozen=True, slots=True)
class Begun:
    """A worker has taken the job."""

    worker: int


@dataclass(frozen=True, slots=True)
class Advanced:
    """The job has come this far, of this total in its own counting."""

    done: int
    total: int


@dataclass(frozen=True, slots=True)
class Finished:
    """The job's work returned."""


@dataclass(frozen=True, slots=True)
class Failed:
    """The job's work raised an error."""


@dataclass(frozen=True, slots=True)
class Lost:
    """The job's worker died without a word."""


@dataclass(frozen=True, slots=True)
class AskedToStop:
    """The person, or another job's failure, ends the run."""


Event = Begun | Advanced | Finished | Failed | Lost | AskedToStop

Action = Literal["queue again", "replace worker", "keep result", "report failure", "report loss", "tell worker to stop"]


def units(done: int, total: int, size: int) -> int:
    """Return how many of a job's ``size`` units are done, from how far it is in its own counting.

    >>> units(30, 120, 8)
    2
    """
    share = done / total if total else 0.0
    return min(size, round(share * size))


def step(job: Job, event: Event) -> tuple[Job, tuple[Action, ...]]:
    """Return the job after an event, and what has to be done about it.

    Events that come too late (news of a job that is no longer running) change nothing.
    """
    match event:
        case Begun(worker) if job.state == "waiting":
            return replace(job, state="running", worker=worker, attempt=job.attempt + 1, advanced=0), ()
        case Advanced(done, total) if job.state == "running":
            return replace(job, advanced=units(done, total, job.size)), ()
        case Finished() if job.state == "running":
            return replace(job, state="done", worker=None, advanced=job.size), ("keep result",)
        case Failed() if job.state == "running":
            return replace(job, state="failed", worker=None), ("report failure",)
        case Lost() if job.state == "running" and job.attempt < ATTEMPTS:
            return replace(job, state="waiting", worker=None, advanced=0), ("replace worker", "queue again")
        case Lost() if job.state == "running":
            return replace(job, state="failed", worker=None), ("report loss",)
        case AskedToStop() if job.state == "running":
            return replace(job, state="stopped"), ("tell worker to stop",)
        case AskedToStop() if job.state == "waiting":
            return replace(job, state="stopped"), ()
        case _:
            return job, ()
