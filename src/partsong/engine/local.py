"""Runs jobs on processes of this machine.

Each worker is a fresh process with one pipe to here. A job travels down the pipe as a picklable callable, and
progress and the result come back. While a job runs, anything that arrives in the pipe (or its end, when this process
has died) means stop, so there is no shared lock that a killed worker could take with it. Workers ignore Ctrl-C: the
parent hears it and tells them.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from types import FrameType
from typing import TYPE_CHECKING, Any, NoReturn

from partsong.engine import jobs
from partsong.engine.tasks import Task, answered
from partsong.errors import OutputFailed
from partsong.watch import Progress, Watch

if TYPE_CHECKING:
    from multiprocessing.context import SpawnProcess

_LISTEN_S = 0.1
_REPORT_S = 0.1
_GRACE_S = 0.6  # how long a worker has to leave its work when asked to stop
_LAST_GRACE_S = 0.2  # and to clean up when it is told that it must


def cores() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(frozen=True, slots=True)
class Local:
    """Processes of this machine: ``workers`` of them, as many as it has processors unless given.

    With one, or for one task, the work is done in the process that asks for it.
    """

    workers: int | None = None


def run_locally(tasks: Sequence[Task], doing: str, watch: Watch, engine: Local) -> list[Any]:
    """Do all tasks on this machine; see :func:`partsong.engine.run.run_tasks`."""
    count = min(engine.workers if engine.workers is not None else cores(), len(tasks))
    if count <= 1:
        return _here(tasks, doing, watch)
    return _Run(tasks, doing, watch, count).results()


def _here(tasks: Sequence[Task], doing: str, watch: Watch) -> list[Any]:
    total, before = sum(task.size for task in tasks), 0
    results = []
    for task in tasks:
        watch.tick(doing, before, total)

        def report(progress: Progress, task: Task = task, before: int = before) -> None:
            watch.report(Progress(doing, before + jobs.units(progress.done, progress.total, task.size), total))

        results.append(task.work(Watch(report, watch.cancelled)))
        before += task.size
    watch.report(Progress(doing, total, total))
    return results


@dataclass(slots=True)
class _Worker:
    process: SpawnProcess
    pipe: Connection
    task: int | None = None


class _Run:
    """Performs the actions of the jobs' state machine until every job has ended."""

    def __init__(self, tasks: Sequence[Task], doing: str, watch: Watch, count: int) -> None:
        self._tasks = tasks
        self._doing = doing
        self._watch = watch
        self._jobs = [jobs.Job(task.name, task.size) for task in tasks]
        self._queue = list(range(len(tasks)))
        self._results: dict[int, Any] = {}
        self._workers: dict[int, _Worker] = {}
        self._count = count

    def results(self) -> list[Any]:
        total = sum(job.size for job in self._jobs)
        try:
            while len(self._results) < len(self._jobs):
                self._watch.tick(self._doing, sum(job.advanced for job in self._jobs), total)
                self._fill()
                self._listen()
        except BaseException:
            self._stop_all()
            raise
        self._dismiss()
        self._watch.report(Progress(self._doing, total, total))
        return [self._results[number] for number in range(len(self._jobs))]

    def _fill(self) -> None:
        """Give waiting jobs to free workers, starting workers while there are fewer than may be."""
        free = [worker for worker in self._workers.values() if worker.task is None]
        while self._queue and (free or len(self._workers) < self._count):
            worker = free.pop() if free else self._hire()
            number = self._queue.pop(0)
            worker.task = number
            assert worker.process.pid is not None
            self._after(number, jobs.Begun(worker.process.pid))
            # A worker that has just died is noticed by its sentinel, and the job is lost with it.
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                worker.pipe.send(self._tasks[number].work)

    def _hire(self) -> _Worker:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        # Decoders and encoders come and go with every segment. With the C library's usual heaps, one a thread, what
        # they free is not found again and a long render creeps upwards. glibc reads this as the worker starts.
        os.environ.setdefault("MALLOC_ARENA_MAX", "1")
        process = context.Process(target=_serve, args=(theirs,), daemon=True)
        with _interrupts_held():
            process.start()
        theirs.close()
        assert process.pid is not None
        worker = _Worker(process, ours)
        self._workers[process.pid] = worker
        return worker

    def _listen(self) -> None:
        by_handle: dict[Any, _Worker] = {}
        for worker in self._workers.values():
            by_handle[worker.pipe] = by_handle[worker.process.sentinel] = worker
        told = {id(by_handle[handle]): by_handle[handle] for handle in wait(list(by_handle), timeout=_LISTEN_S)}
        for worker in told.values():
            dead = not worker.process.is_alive()
            while self._hear(worker):
                pass
            if dead:
                self._bury(worker)

    def _hear(self, worker: _Worker) -> bool:
        """Take one message from a worker; say whether there was one."""
        try:
            if not worker.pipe.poll():
                return False
            kind, value = worker.pipe.recv()
        except (EOFError, ConnectionResetError):
            return False
        number = worker.task
        assert number is not None
        if kind == "advanced":
            self._after(number, jobs.Advanced(*value))
            return True
        worker.task = None
        if kind == "finished":
            self._after(number, jobs.Finished(), value)
        else:
            self._after(number, jobs.Failed(), value)
        return True

    def _bury(self, worker: _Worker) -> None:
        assert worker.process.pid is not None
        del self._workers[worker.process.pid]
        worker.pipe.close()
        worker.process.join()
        if worker.task is not None:
            self._after(worker.task, jobs.Lost())

    def _after(self, number: int, event: jobs.Event, value: Any = None) -> None:
        self._jobs[number], actions = jobs.step(self._jobs[number], event)
        for action in actions:
            match action:
                case "keep result":
                    self._results[number] = value
                case "queue again":
                    self._queue.insert(0, number)
                case "report failure":
                    raise value
                case "report loss":
                    raise OutputFailed(
                        f"{self._jobs[number].name} could not be finished: its process was ended from outside "
                        f"{jobs.ATTEMPTS} times, most often for want of memory. Close other programs and run it again; "
                        "what was finished before is kept."
                    )
                case "tell worker to stop":
                    worker = next(worker for worker in self._workers.values() if worker.task == number)
                    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                        worker.pipe.send(None)
                case "replace worker":
                    pass  # the next round hires one, since there are fewer than may be

    def _stop_all(self) -> None:
        for number in range(len(self._jobs)):
            self._after(number, jobs.AskedToStop())
        for worker in self._workers.values():
            if worker.task is None:
                worker.pipe.close()  # an idle worker leaves at the end of its pipe
        for grace_s, push in ((_GRACE_S, "terminate"), (_LAST_GRACE_S, "kill")):
            until = time.monotonic() + grace_s
            for worker in self._workers.values():
                worker.process.join(max(0.0, until - time.monotonic()))
                if worker.process.is_alive():
                    getattr(worker.process, push)()
        for worker in self._workers.values():
            worker.process.join()
            worker.pipe.close()

    def _dismiss(self) -> None:
        for worker in self._workers.values():
            worker.pipe.close()
        for worker in self._workers.values():
            worker.process.join()


@contextlib.contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back while a process starts, which inherits that: it could not yet ignore it by itself."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


# --- in the worker --------------------------------------------------------------------------------


def _serve(pipe: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    while True:
        try:
            work = pipe.recv()
        except (EOFError, OSError):
            return
        if work is None:
            return
        answer = answered(work, _worker_watch(pipe))
        try:
            pipe.send(answer)
        except OSError:
            return  # nobody is left to tell


def _worker_watch(pipe: Connection) -> Watch:
    told = 0.0

    def report(progress: Progress) -> None:
        nonlocal told
        now = time.monotonic()
        if now - told >= _REPORT_S:
            told = now
            with contextlib.suppress(OSError):  # a parent that is gone is noticed by ``cancelled``
                pipe.send(("advanced", (progress.done, progress.total)))

    return Watch(report, pipe.poll)


def _leave(_number: int, _frame: FrameType | None) -> NoReturn:
    raise SystemExit(1)
