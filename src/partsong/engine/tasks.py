"""What the engine is given to do, and how its answer travels back from wherever it was done."""

from __future__ import annotations

import pickle
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from partsong.errors import Cancelled
from partsong.watch import Watch


@dataclass(frozen=True, slots=True)
class Task:
    """Work to do: a picklable callable that takes a watch, its name for messages, and its size in units of progress."""

    name: str
    work: Callable[[Watch], object]
    size: int = 1


def answered(work: Callable[[Watch], object], watch: Watch) -> tuple[Literal["finished", "failed"], Any]:
    """Do the work and return how it ended, with its result or its error; both can be pickled."""
    try:
        return "finished", work(watch)
    except Exception as problem:  # noqa: BLE001  everything is carried to whoever asked, who raises it
        # What is an answer here is unexpected there: the asker's trace would not show where it came from.
        if not isinstance(problem, Cancelled):
            problem.add_note(traceback.format_exc())
        try:
            pickle.loads(pickle.dumps(problem))  # our own bytes
        except Exception:  # noqa: BLE001  an error that cannot travel is told in words
            return "failed", RuntimeError("".join(traceback.format_exception(problem)))
        return "failed", problem
