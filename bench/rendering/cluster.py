"""The command line, and a Dask cluster of this machine's own for it to work on."""

from __future__ import annotations

import os
import random
import socket
import subprocess
import sys
from pathlib import Path


def partsong(*words: str) -> list[str]:
    """Return the command line that runs a command of ours."""
    return [sys.executable, "-m", "partsong", *words]


class Workers:
    """A Dask scheduler and some workers of one thread each."""

    def __init__(self, count: int = 2) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{port}"
        self.scheduler = self._started("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
        self.workers = [self._worker() for _ in range(count)]

    def kill_one(self, rng: random.Random) -> None:
        """Kill a worker and start another in its place."""
        victim = rng.randrange(len(self.workers))
        self.workers[victim].kill()
        self.workers[victim].wait()
        self.workers[victim] = self._worker()

    def spent_s(self) -> tuple[float, list[float]]:
        """Return the CPU seconds of the scheduler, and of each worker, so far; Linux only."""
        scheduler, *workers = (_spent_s(process.pid) for process in (self.scheduler, *self.workers))
        return scheduler, workers

    def close(self) -> None:
        """End them all."""
        for process in [*self.workers, self.scheduler]:
            process.kill()
            process.wait()

    def _worker(self) -> subprocess.Popen[bytes]:
        return self._started("worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
                             "--death-timeout", "60")  # fmt: skip

    def _started(self, *words: str) -> subprocess.Popen[bytes]:
        # A render of half a minute loses its workers far more often than Dask takes for bad luck.
        settings = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "100"}
        return subprocess.Popen([sys.executable, "-W", "ignore", "-m", "dask", *words], env={**os.environ, **settings},
                                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # fmt: skip


def _spent_s(process: int) -> float:
    """Return user plus system time of a process, by proc(5): fields 14 and 15 of its ``stat``, in ticks."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
