"""The engine with real processes, killed and stopped."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from partsong.engine.local import Local
from partsong.engine.run import run_tasks
from partsong.engine.tasks import Task
from partsong.errors import Cancelled, InvalidInput, OutputFailed
from partsong.watch import Progress, Watch, silent

HERE = Path(__file__).parent


@pytest.fixture
def work(monkeypatch):
    monkeypatch.syspath_prepend(str(HERE))
    import engine_work

    return engine_work


def squares(work, count):
    return [Task(f"Square {number}", work.Square(number), size=2) for number in range(count)]


def test_results_come_in_order_from_other_processes(work):
    told: list[Progress] = []
    found = run_tasks(squares(work, 5), doing="Squaring", watch=Watch(told.append, lambda: False), engine=Local(2))
    assert [square for square, _ in found] == [0, 1, 4, 9, 16]
    assert os.getpid() not in {process for _, process in found}
    assert told[-1] == Progress("Squaring", 10, 10)
    assert [progress.done for progress in told] == sorted(progress.done for progress in told)


def test_one_worker_is_this_process(work):
    found = run_tasks(squares(work, 2), doing="Squaring", watch=silent(), engine=Local(1))
    assert found == [(0, os.getpid()), (1, os.getpid())]


def test_an_error_of_ours_arrives_as_itself(work):
    tasks = [Task("Refuse", work.Refuse()), *squares(work, 2)]
    with pytest.raises(InvalidInput, match="The sheet is torn"):
        run_tasks(tasks, doing="Trying", watch=silent(), engine=Local(2))


def test_a_killed_worker_is_replaced(work, tmp_path):
    tasks = [Task("Die once", work.DieOnce(tmp_path / "trace")), *squares(work, 1)]
    found = run_tasks(tasks, doing="Trying", watch=silent(), engine=Local(2))
    assert found[0] == "finished"


def test_a_job_that_always_kills_its_worker_is_reported_in_one_sentence(work):
    tasks = [Task("Frames 0 to 9", work.DieAlways()), *squares(work, 1)]
    with pytest.raises(OutputFailed, match=r"Frames 0 to 9 could not be finished: .* 3 times"):
        run_tasks(tasks, doing="Trying", watch=silent(), engine=Local(2))


@pytest.mark.parametrize("kind", ["polite", "deaf"])
def test_cancel_ends_all_work_within_a_second(work, tmp_path, kind):
    begun = [tmp_path / f"begun{number}" for number in range(2)]
    cleaned = [tmp_path / f"cleaned{number}" for number in range(2)]
    if kind == "polite":
        tasks = [Task("Linger", work.Linger(*pair)) for pair in zip(begun, cleaned, strict=True)]
    else:
        tasks = [Task("Deaf", work.Deaf(trace)) for trace in begun]
    stop = threading.Event()
    stopped_at = []

    def stop_when_begun():
        while not all(trace.exists() for trace in begun):
            time.sleep(0.02)
        stopped_at.append(time.monotonic())
        stop.set()

    threading.Thread(target=stop_when_begun, daemon=True).start()
    with pytest.raises(Cancelled):
        run_tasks(tasks, doing="Trying", watch=Watch(lambda _: None, stop.is_set), engine=Local(2))
    # The promise to the person is one second; it is the subject here, not speed.
    assert time.monotonic() - stopped_at[0] < 1.2
    if kind == "polite":
        assert all(trace.exists() for trace in cleaned)


@pytest.mark.skipif(sys.platform == "win32", reason="signals to a process group")
def test_ctrl_c_to_the_whole_group_leaves_no_trace_of_the_workers(tmp_path):
    program = tmp_path / "program.py"
    program.write_text(
        f"""
import sys
sys.path.insert(0, {str(HERE)!r})
from pathlib import Path
import engine_work
from partsong.cli.console import watched
from partsong.engine.local import Local
from partsong.engine.run import run_tasks
from partsong.engine.tasks import Task
from partsong.errors import Cancelled

if __name__ == "__main__":
    there = Path({str(tmp_path)!r})
    tasks = [Task("Linger", engine_work.Linger(there / f"begun{{n}}", there / f"cleaned{{n}}")) for n in range(2)]
    with watched() as watch:
        try:
            run_tasks(tasks, doing="Trying", watch=watch, engine=Local(2))
        except Cancelled as problem:
            print(problem)
            sys.exit(problem.exit_code)
"""
    )
    process = subprocess.Popen(
        [sys.executable, str(program)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    while not all((tmp_path / f"begun{number}").exists() for number in range(2)):
        assert process.poll() is None
        time.sleep(0.05)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=10)
    assert (process.returncode, out, err) == (130, "Stopped while trying.\n", "")
    assert all((tmp_path / f"cleaned{number}").exists() for number in range(2))
