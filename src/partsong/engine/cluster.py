"""Runs jobs on a Dask cluster whose machines see the same files, perhaps under other paths.

The scheduler that somebody started is asked to do the tasks; it begins a task again elsewhere when a worker dies.
Progress comes back as the scheduler's events. One shared event means stop: it is set when the person stops, and
workers look at it twice a second. When this process dies, tasks that have begun go on to their end and leave their
files in the film's cache, where the next run finds them.

Tasks are pickled here, and every path beneath a folder that the workers know by another name is rewritten on the way:
in path objects, and in the text fields of records.
"""

from __future__ import annotations

import contextlib
import io
import pickle
import queue
import sys
import time
import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

import partsong
from partsong.engine import jobs
from partsong.engine.tasks import Task, answered
from partsong.errors import Cancelled, InvalidInput, OutputFailed
from partsong.film.records import Record
from partsong.watch import Progress, Watch

if TYPE_CHECKING:
    from distributed import Client, Future

_CONNECT_S = 10
_WORKERS_S = 20  # how long a scheduler may be without any worker
_LISTEN_S = 0.2
_REPORT_S = 0.5
_GRACE_S = 3.0


@dataclass(frozen=True, slots=True)
class Cluster:
    """A Dask scheduler's address, such as ``tcp://10.0.0.2:8786``; the film's folder; and what workers call folders.

    ``moved`` holds pairs of folders: as they are called here, and as the workers call them.
    """

    address: str
    folder: Path
    moved: tuple[tuple[str, str], ...] = ()


def run_on_cluster(tasks: Sequence[Task], doing: str, watch: Watch, engine: Cluster) -> list[Any]:
    """Do all tasks on a cluster; see :func:`partsong.engine.run.run_tasks`."""
    if not tasks:
        return []
    with _connected(engine.address) as client:
        _check_workers(client, engine)
        return _Run(client, tasks, doing, watch, engine).results()


def packed(work: object, moved: Sequence[tuple[str, str]]) -> bytes:
    """Pickle work for workers that call some folders by other names."""
    buffer = io.BytesIO()
    _Pickler(buffer, moved).dump(work)
    return buffer.getvalue()


def renamed(path: str, moved: Sequence[tuple[str, str]]) -> str:
    """Return a path as the workers call it.

    >>> renamed("/films/waltz/cache", [("/films", "/mnt/store/films")])
    '/mnt/store/films/waltz/cache'
    >>> renamed("/filmset", [("/films", "/mnt/store/films")])
    '/filmset'
    """
    for here, there in moved:
        if path == here or path.startswith((here.rstrip("/") + "/", here.rstrip("\\") + "\\")):
            rest = path[len(here) :].replace("\\", "/").lstrip("/")
            return f"{there.rstrip('/')}/{rest}" if rest else there
    return path


class _Pickler(pickle.Pickler):
    def __init__(self, file: io.BytesIO, moved: Sequence[tuple[str, str]]) -> None:
        super().__init__(file, protocol=pickle.HIGHEST_PROTOCOL)
        self._moved = moved

    def reducer_override(self, obj: object) -> Any:
        if not self._moved:
            return NotImplemented
        if isinstance(obj, PurePath):
            return Path, (renamed(str(obj), self._moved),)
        if isinstance(obj, Record):
            return type(obj).model_validate_json, (self._text(obj),)
        return NotImplemented

    def _text(self, record: Record) -> str:
        import json

        return json.dumps(self._inside(record.model_dump(mode="json")))

    def _inside(self, value: Any) -> Any:
        if isinstance(value, str):
            return renamed(value, self._moved)
        if isinstance(value, list):
            return [self._inside(entry) for entry in value]
        if isinstance(value, dict):
            return {name: self._inside(entry) for name, entry in value.items()}
        return value


@contextlib.contextmanager
def _connected(address: str) -> Iterator[Client]:
    try:
        from distributed import Client
    except ImportError as problem:
        raise InvalidInput(
            "Working on a cluster needs Dask's distributed, which is not installed. Install it: "
            "pip install 'partsong[cluster]'"
        ) from problem
    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as problem:
        raise InvalidInput(
            f"No Dask scheduler answers at {address}. Start one, or leave --cluster out to work on this machine "
            "(docs/scale.md says how)."
        ) from problem
    try:
        yield client
    finally:
        client.close(timeout=_GRACE_S)


def _check_workers(client: Client, engine: Cluster) -> None:
    """Refuse a cluster without workers, of another version, or that does not see the film."""
    until = time.monotonic() + _WORKERS_S
    while not client.scheduler_info()["workers"]:
        if time.monotonic() > until:
            raise InvalidInput(
                f"The scheduler at {engine.address} has no workers. Start some (docs/scale.md says how)."
            )
        time.sleep(_LISTEN_S)
    root = renamed(str(engine.folder), engine.moved)
    for worker, (version, python, sees) in client.run(_looked, root).items():
        if version != partsong.__version__ or python != list(sys.version_info[:2]):
            raise InvalidInput(
                f"The worker at {worker} has Partsong {version} on Python {python[0]}.{python[1]}, this machine "
                f"{partsong.__version__} on {sys.version_info[0]}.{sys.version_info[1]}. Give all machines the same."
            )
        if not sees:
            raise InvalidInput(
                f"The worker at {worker} finds no film in {root}. Share that folder with it, or say what it is called "
                "there: --map HERE=THERE"
            )


class _Run:
    def __init__(self, client: Client, tasks: Sequence[Task], doing: str, watch: Watch, engine: Cluster) -> None:
        self._client = client
        self._tasks = tasks
        self._doing = doing
        self._watch = watch
        self._engine = engine
        self._topic = f"partsong-{uuid.uuid4().hex}"
        self._advanced = [0] * len(tasks)
        self._ended: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._futures: list[Future] = []

    def results(self) -> list[Any]:
        from distributed import Event

        stop = Event(self._topic, client=self._client)
        results: dict[int, Any] = {}
        total = sum(task.size for task in self._tasks)
        self._client.subscribe_topic(self._topic, self._hear)
        try:
            for number, task in enumerate(self._tasks):
                blob = packed(task.work, self._engine.moved)
                # The same work twice must not be answered from memory: the cache may have been cleared between.
                future = self._client.submit(
                    _served, blob, number, self._topic, key=f"{self._topic}-{number}", pure=False, retries=0
                )
                future.add_done_callback(lambda _, number=number: self._ended.put(number))
                self._futures.append(future)
            while len(results) < len(self._tasks):
                self._watch.tick(self._doing, sum(self._advanced), total)
                with contextlib.suppress(queue.Empty):
                    number = self._ended.get(timeout=_LISTEN_S)
                    results[number] = self._result(number)
                    self._advanced[number] = self._tasks[number].size
        except BaseException:
            self._stop(stop)
            raise
        finally:
            with contextlib.suppress(OSError, RuntimeError):  # the scheduler may be gone
                self._client.unsubscribe_topic(self._topic)
        self._watch.report(Progress(self._doing, total, total))
        return [results[number] for number in range(len(self._tasks))]

    def _hear(self, event: tuple[float, tuple[int, int, int]]) -> None:
        number, done, total = event[1]
        self._advanced[number] = jobs.units(done, total, self._tasks[number].size)

    def _result(self, number: int) -> Any:
        from distributed import CancelledError, KilledWorker

        task = self._tasks[number]
        try:
            kind, value = self._futures[number].result()
        except KilledWorker as problem:
            raise OutputFailed(
                f"{task.name} could not be finished: the workers that tried it were ended from outside, most often for "
                "want of memory. Look at the workers, and run it again; what was finished before is kept."
            ) from problem
        except (CancelledError, OSError) as problem:
            raise OutputFailed(
                f"The cluster at {self._engine.address} went away before {task.name.lower()} was finished. "
                "Start it and run this again; what was finished before is kept."
            ) from problem
        if kind == "failed":
            raise value
        return value

    def _stop(self, stop: Any) -> None:
        until = time.monotonic() + _GRACE_S
        with contextlib.suppress(OSError, RuntimeError, TimeoutError):  # a scheduler that is gone needs no telling
            stop.set()
            # Those that run look up and leave; those that wait never begin.
            while not all(future.done() for future in self._futures) and time.monotonic() < until:
                time.sleep(_LISTEN_S)
        with contextlib.suppress(OSError, RuntimeError, TimeoutError):
            self._client.cancel(self._futures)


# --- on the worker --------------------------------------------------------------------------------


def _looked(root: str) -> tuple[str, list[int], bool]:
    return partsong.__version__, list(sys.version_info[:2]), (Path(root) / "film.db").is_file()


def _served(blob: bytes, number: int, topic: str) -> tuple[str, Any]:
    from distributed import Event, get_worker

    worker, stop = get_worker(), Event(topic)
    told = asked = 0.0
    stopped = False

    def report(progress: Progress) -> None:
        nonlocal told
        if time.monotonic() - told >= _REPORT_S:
            told = time.monotonic()
            worker.log_event(topic, (number, progress.done, progress.total))

    def cancelled() -> bool:
        nonlocal asked, stopped
        if not stopped and time.monotonic() - asked >= _REPORT_S:
            asked = time.monotonic()
            stopped = bool(stop.is_set())
        return stopped

    watch = Watch(report, cancelled)
    if cancelled():
        return "failed", Cancelled()
    return answered(pickle.loads(blob), watch)  # bytes of our own program, from the client that gave the task
