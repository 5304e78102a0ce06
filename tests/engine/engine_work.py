"""Work for the engine's tests; worker processes import it by this name."""

from __future__ import annotations

import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from partsong.errors import InvalidInput
from partsong.watch import Watch


@dataclass(frozen=True)
class Square:
    value: int

    def __call__(self, watch: Watch) -> tuple[int, int]:
        for done in watch.over(range(3), total=3, doing="Squaring"):
            del done
        return self.value**2, os.getpid()


@dataclass(frozen=True)
class Refuse:
    def __call__(self, watch: Watch) -> None:
        raise InvalidInput("The sheet is torn. Give another one.")


@dataclass(frozen=True)
class DieOnce:
    """Is killed at its first attempt, like a process that the system ends for want of memory."""

    trace: Path

    def __call__(self, watch: Watch) -> str:
        if not self.trace.exists():
            self.trace.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return "finished"


@dataclass(frozen=True)
class DieAlways:
    def __call__(self, watch: Watch) -> None:
        os.kill(os.getpid(), signal.SIGKILL)


@dataclass(frozen=True)
class Linger:
    """Works for a minute, and says that it was cleaned up when it is stopped."""

    begun: Path
    cleaned: Path

    def __call__(self, watch: Watch) -> None:
        try:
            self.begun.touch()
            for tenth in range(600):
                watch.tick("Lingering", tenth, 600)
                time.sleep(0.1)
        finally:
            self.cleaned.touch()


@dataclass(frozen=True)
class Deaf:
    """Never looks at its watch."""

    begun: Path

    def __call__(self, watch: Watch) -> None:
        self.begun.touch()
        time.sleep(60)
