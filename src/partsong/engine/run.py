"""Runs tasks wherever the person wants them run: on this machine, or on a cluster."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from partsong.engine.cluster import Cluster, run_on_cluster
from partsong.engine.local import Local, run_locally
from partsong.engine.tasks import Task
from partsong.watch import Watch

Engine = Local | Cluster


def run_tasks(tasks: Sequence[Task], *, doing: str, watch: Watch, engine: Engine | None = None) -> list[Any]:
    """Do all tasks and return what they returned, in their order.

    Parameters
    ----------
    tasks : sequence of Task
        Independent of each other, and safe to begin again after half the work.
    doing : str
        What progress is told under.
    watch : Watch
        Told the sum of the tasks' progress; when it says stop, all work ends within a second.
    engine : Engine, optional
        Where; all processors of this machine unless given.

    Raises
    ------
    Cancelled
        When the watch said stop.
    OutputFailed
        When a task's workers died several times, or the cluster went away.
    InvalidInput
        When the cluster cannot be reached or does not see the film.
    Exception
        The first error that a task raised; the others are stopped.
    """
    if isinstance(engine, Cluster):
        return run_on_cluster(tasks, doing, watch, engine)
    return run_locally(tasks, doing, watch, engine or Local())
