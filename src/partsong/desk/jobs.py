"""Long work behind the desk: one job of a kind at a time, each in a thread, with progress, time left and cancel."""

from __future__ import annotations

import dataclasses
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from partsong.errors import Cancelled, Conflict, NoSuchRecord, PartsongError
from partsong.watch import Progress, Watch

JobState = Literal["running", "done", "cancelled", "failed"]
logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Job:
    """The latest job of its kind, of which it is the ``number``-th, from 1.

    ``doing``, ``done`` and ``total`` are its latest progress, ``began_s`` when that part of it began (monotonic
    seconds), ``left_s`` how many seconds are left of it, None while that cannot be told. ``sentence`` says how it
    ended.
    """

    kind: str
    title: str
    number: int = 1
    state: JobState = "running"
    doing: str = ""
    done: int = 0
    total: int = 0
    began_s: float = 0.0
    left_s: float | None = None
    sentence: str = ""


def advanced(job: Job, progress: Progress, now_s: float) -> Job:
    """Return a job after a report of progress.

    >>> job = advanced(Job("merge", "Merge"), Progress("Merging", 0, 8), 10.0)
    >>> advanced(job, Progress("Merging", 2, 8), 13.0).left_s
    9.0
    """
    began_s = job.began_s if progress.doing == job.doing else now_s
    left_s = None
    if progress.total > 0 and 0 < progress.done <= progress.total:
        left_s = (now_s - began_s) * (progress.total - progress.done) / progress.done
    return dataclasses.replace(
        job, doing=progress.doing, done=progress.done, total=progress.total, began_s=began_s, left_s=left_s
    )


class Jobs:
    """The jobs of one desk. All methods may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}
        self._stops: dict[str, threading.Event] = {}
        self._threads: dict[str, threading.Thread] = {}

    def all(self) -> tuple[Job, ...]:
        """Return the latest job of every kind that was started."""
        with self._lock:
            return tuple(self._jobs.values())

    def start(self, kind: str, title: str, work: Callable[[Watch], str]) -> Job:
        """Start work; what it returns is the sentence told when it is done.

        Raises
        ------
        Conflict
            If a job of this kind is running.
        """
        with self._lock:
            running = self._jobs.get(kind)
            if running is not None and running.state == "running":
                raise Conflict(f"{running.title} is already running. Wait for it, or cancel it first.")
            stop = self._stops[kind] = threading.Event()
            number = running.number + 1 if running is not None else 1
            job = self._jobs[kind] = Job(kind, title, number, began_s=time.monotonic())
            thread = self._threads[kind] = threading.Thread(target=self._run, args=(kind, work, stop), name=kind)
        thread.start()
        return job

    def cancel(self, kind: str) -> Job:
        """Ask the job of a kind to stop; it does so within a second or so and leaves nothing half-written.

        Raises
        ------
        NoSuchRecord
            If none is running.
        """
        with self._lock:
            job = self._jobs.get(kind)
            if job is None or job.state != "running":
                raise NoSuchRecord(f"There is no running job {kind!r} to cancel; it may just have ended.")
            self._stops[kind].set()
            return job

    def close(self) -> None:
        """Cancel what runs and wait for it."""
        for stop in self._stops.values():
            stop.set()
        for thread in self._threads.values():
            thread.join()

    def _run(self, kind: str, work: Callable[[Watch], str], stop: threading.Event) -> None:
        def report(progress: Progress) -> None:
            with self._lock:
                self._jobs[kind] = advanced(self._jobs[kind], progress, time.monotonic())

        try:
            self._end(kind, "done", work(Watch(report, stop.is_set)))
        except Cancelled as stopped:
            self._end(kind, "cancelled", str(stopped))
        except PartsongError as problem:
            self._end(kind, "failed", str(problem))
        except Exception:
            logger.exception("The job %s failed in a way that was not foreseen", kind)
            self._end(kind, "failed", "This went wrong in a way that was not foreseen; the terminal says more.")

    def _end(self, kind: str, state: JobState, sentence: str) -> None:
        with self._lock:
            self._jobs[kind] = dataclasses.replace(self._jobs[kind], state=state, left_s=None, sentence=sentence)
