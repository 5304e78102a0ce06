"""The engine on a real Dask cluster: a scheduler and workers as processes of their own."""

from __future__ import annotations

import os
import pickle
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.engine.cluster import Cluster, packed, renamed
from partsong.engine.run import run_tasks
from partsong.engine.tasks import Task
from partsong.errors import Cancelled, InvalidInput, OutputFailed
from partsong.film.folder import FilmFolder
from partsong.film.records import MediaFile
from partsong.watch import Progress, Watch, silent

HERE = Path(__file__).parent


@dataclass
class Processes:
    """A scheduler and its workers."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def add_worker(self) -> None:
        self.workers.append(
            started("worker", self.address, "--nthreads", "1", "--no-dashboard", "--death-timeout", "60", "--no-nanny")
        )


def started(*words: str) -> subprocess.Popen[bytes]:
    # A task may lose one worker; the second one that dies on it is its own fault. (Dask's default is three.)
    once = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1"}
    environment = {**os.environ, **once, "PYTHONPATH": str(HERE)}
    command = [sys.executable, "-W", "ignore", "-m", "dask", *words]
    return subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory) -> Iterator[Processes]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    scheduler = started("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
    made = Processes(address, scheduler)
    made.add_worker()
    made.add_worker()
    yield made
    for process in [*made.workers, scheduler]:
        process.kill()
        process.wait()


@pytest.fixture
def engine(cluster, tmp_path) -> Cluster:
    (tmp_path / "film").mkdir()
    (tmp_path / "film" / "film.db").touch()
    return Cluster(cluster.address, tmp_path / "film")


@pytest.fixture(scope="module")
def work():
    sys.path.insert(0, str(HERE))
    import engine_work

    yield engine_work
    sys.path.remove(str(HERE))


def test_results_come_back_in_order_from_several_workers(engine, work):
    told: list[Progress] = []
    tasks = [Task(f"Square of {value}", work.Square(value), size=5) for value in range(6)]
    found = run_tasks(tasks, doing="Squaring", watch=Watch(told.append, lambda: False), engine=engine)
    assert [square for square, _ in found] == [0, 1, 4, 9, 16, 25]
    assert os.getpid() not in {pid for _, pid in found}
    assert told[-1] == Progress("Squaring", 30, 30)


def test_an_error_of_a_task_is_raised_here_as_it_is(engine, work):
    with pytest.raises(InvalidInput, match="The sheet is torn"):
        run_tasks([Task("Copy", work.Refuse())], doing="Copying", watch=silent(), engine=engine)


def test_stopping_reaches_running_work_and_lets_it_clean_up(engine, work, tmp_path):
    begun, cleaned = tmp_path / "begun", tmp_path / "cleaned"
    stop = threading.Event()
    told: list[int] = []

    def report(progress: Progress) -> None:
        told.append(progress.done)
        if begun.exists() and progress.done:
            stop.set()

    tasks = [Task("Linger", work.Linger(begun, cleaned), size=600)]
    with pytest.raises(Cancelled):
        run_tasks(tasks, doing="Lingering", watch=Watch(report, stop.is_set), engine=engine)
    assert cleaned.exists()
    assert 0 < max(told) < 600  # progress came through while it ran


def test_a_killed_workers_task_is_done_by_another(cluster, engine, work, tmp_path):
    found = run_tasks(
        [Task("Die once", work.DieOnce(tmp_path / "trace")), Task("Square", work.Square(3))],
        doing="Trying",
        watch=silent(),
        engine=engine,
    )
    assert (found[0], found[1][0]) == ("finished", 9)
    # That worker had no nanny to start it anew.
    until = time.monotonic() + 10
    while all(worker.poll() is None for worker in cluster.workers):
        assert time.monotonic() < until
        time.sleep(0.05)
    cluster.workers = [worker for worker in cluster.workers if worker.poll() is None]
    cluster.add_worker()


def test_work_that_kills_every_worker_is_given_up_with_one_sentence(cluster, engine, work):
    cluster.add_worker()  # one is left for the tests that follow
    with pytest.raises(OutputFailed, match="ended from outside"):
        run_tasks([Task("Frames 0 to 9", work.DieAlways())], doing="Trying", watch=silent(), engine=engine)


def test_what_cannot_work_is_said_before_work_begins(cluster, engine, work, tmp_path):
    with pytest.raises(InvalidInput, match="No Dask scheduler answers at nonsense"):
        run_tasks([Task("Square", work.Square(1))], doing="T", watch=silent(), engine=Cluster("nonsense", tmp_path))
    nowhere = Cluster(cluster.address, tmp_path / "elsewhere")
    with pytest.raises(InvalidInput, match=r"finds no film in .*--map HERE=THERE"):
        run_tasks([Task("Square", work.Square(1))], doing="T", watch=silent(), engine=nowhere)


def test_a_scheduler_that_goes_away_is_told_in_one_sentence(work, tmp_path):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    (tmp_path / "film.db").touch()
    mine = Processes(f"tcp://127.0.0.1:{port}", started("scheduler", "--host", "127.0.0.1", "--port", str(port)))
    mine.add_worker()
    begun = tmp_path / "begun"

    def end_it() -> None:
        while not begun.exists():
            time.sleep(0.05)
        mine.scheduler.send_signal(signal.SIGKILL)

    threading.Thread(target=end_it, daemon=True).start()
    try:
        with pytest.raises(OutputFailed, match="went away"):
            run_tasks(
                [Task("Linger", work.Linger(begun, tmp_path / "cleaned"))],
                doing="Lingering",
                watch=silent(),
                engine=Cluster(mine.address, tmp_path),
            )
    finally:
        for process in [mine.scheduler, *mine.workers]:
            process.kill()
            process.wait()


# --- paths ----------------------------------------------------------------------------------------


def test_paths_and_records_are_rewritten_for_the_workers():
    moved = [("/films", "/mnt/store"), ("/cards", "/mnt/cards")]
    folder = FilmFolder(Path("/films/waltz"))
    near = MediaFile(path="clips/a.mov", size_bytes=1, fingerprint="0" * 32)
    far = near.replace(path="/cards/b.mov")
    other = near.replace(path="/cardsharp/c.mov")
    got = pickle.loads(packed((folder, near, far, other), moved))
    assert got == (
        FilmFolder(Path("/mnt/store/waltz")),
        near,
        far.replace(path="/mnt/cards/b.mov"),
        other,
    )


@given(st.text("ab/", max_size=12), st.text("ab", min_size=1, max_size=3))
def test_only_what_lies_beneath_a_folder_is_renamed(path, name):
    moved = [(f"/{name}", "/there")]
    there = renamed(path, moved)
    inside = path == f"/{name}" or path.startswith(f"/{name}/")
    assert there.startswith("/there") if inside else there == path
