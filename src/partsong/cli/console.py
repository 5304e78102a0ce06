"""What all commands share: progress on the screen, stopping on Ctrl-C, results as text or JSON, exit statuses."""

from __future__ import annotations

import contextlib
import json
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

if TYPE_CHECKING:
    from partsong.engine.run import Engine
    from partsong.watch import Progress, Watch

DONE, DECISION, BAD_INPUT, FAULT, CANCELLED = 0, 1, 2, 70, 130
"""Exit statuses: all done; findings need a decision; unusable input; a fault of ours; stopped by the person."""

FilmArgument = Annotated[Path, typer.Argument(metavar="FILM", help="The film's folder.", show_default=False)]
WorkersOption = Annotated[
    int | None,
    typer.Option(help="Processes of this machine; as many as it has processors.", min=1, show_default=False),
]
ClusterOption = Annotated[
    str | None,
    typer.Option(
        "--cluster", metavar="ADDRESS", help="Work on the Dask cluster of this scheduler instead.", show_default=False
    ),
]
MapOption = Annotated[
    list[str] | None,
    typer.Option(
        "--map",
        metavar="HERE=THERE",
        help="A shared folder that the cluster calls by another name.",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


class MatrixName(StrEnum):
    """How a picture's colour was turned into codes."""

    BT709 = "bt709"
    BT601 = "bt601"
    BT2020NC = "bt2020nc"


class RangeName(StrEnum):
    """Which codes a picture uses."""

    LIMITED = "limited"
    FULL = "full"


def say(text: str = "") -> None:
    """Print a line of the result."""
    typer.echo(text)


def note(text: str) -> None:
    """Print a line beside the result, on standard error."""
    typer.echo(text, err=True)


def emit_json(value: object) -> None:
    """Print a result as JSON; records are written by their own fields, in ASCII that any screen or file can hold."""
    say(json.dumps(value, default=_plain, indent=2, allow_nan=False))


def table(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Print rows under headings, columns as wide as they need."""
    cells = [[str(cell) for cell in row] for row in [headings, *rows]]
    widths = [max(len(row[column]) for row in cells) for column in range(len(headings))]
    for row in cells:
        say("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def chosen_engine(film: Path, workers: int | None, cluster: str | None, moved: Sequence[str] | None) -> Engine:
    """Return where a command's work is to be done, from its options.

    Raises
    ------
    InvalidInput
        If they contradict each other or are not understood.
    """
    from partsong.engine.cluster import Cluster
    from partsong.engine.local import Local
    from partsong.errors import InvalidInput

    if cluster is None:
        if moved:
            raise InvalidInput("--map names folders of a cluster; give its scheduler too: --cluster ADDRESS")
        return Local(workers)
    if workers is not None:
        raise InvalidInput("--workers counts processes of this machine; a cluster has the workers that it has.")
    pairs = [tuple(entry.split("=", 1)) for entry in moved or []]
    for pair in pairs:
        if len(pair) != 2 or not all(pair):
            raise InvalidInput(f"--map {'='.join(pair)} is not understood. Give it as HERE=THERE: /films=/mnt/films")
    return Cluster(cluster, film.resolve(), tuple((str(Path(here).resolve()), there) for here, there in pairs))


def needs_decision() -> NoReturn:
    """End the command with the status that says: somebody must look at this."""
    raise typer.Exit(DECISION)


@contextlib.contextmanager
def watched() -> Iterator[Watch]:
    """Give a watch that draws progress with time left on standard error and stops on Ctrl-C.

    The first Ctrl-C asks the step to stop, so that it can leave nothing half-written; a second one interrupts at once.
    """
    from partsong.watch import Watch

    stop = threading.Event()

    def on_interrupt(_number: int, _frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    in_main = threading.current_thread() is threading.main_thread()
    previous = signal.signal(signal.SIGINT, on_interrupt) if in_main else None
    try:
        with _bars() if sys.stderr.isatty() else _lines() as report:
            yield Watch(report, stop.is_set)
    finally:
        if previous is not None:
            signal.signal(signal.SIGINT, previous)


@contextlib.contextmanager
def _bars() -> Iterator[Callable[[Progress], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TaskID, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, TaskID] = {}

        def report(progress: Progress) -> None:
            if progress.doing not in tasks:
                tasks[progress.doing] = bars.add_task(progress.doing, total=progress.total or None)
            bars.update(tasks[progress.doing], completed=progress.done, total=progress.total or None)

        yield report


@contextlib.contextmanager
def _lines(every_s: float = 5.0) -> Iterator[Callable[[Progress], None]]:
    began: dict[str, float] = {}
    told: dict[str, float] = {}

    def report(progress: Progress) -> None:
        now = time.monotonic()
        since = now - began.setdefault(progress.doing, now)
        if now - told.setdefault(progress.doing, now) < every_s:
            return
        told[progress.doing] = now
        of = f" of {progress.total}" if progress.total else ""
        left = ""
        if progress.total and progress.done:
            left = f", about {since * (progress.total - progress.done) / progress.done:.0f} s left"
        note(f"{progress.doing}: {progress.done}{of}{left}")

    yield report


def _plain(value: object) -> Any:
    from pydantic import BaseModel

    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, Mapping):
        return dict(value)
    if hasattr(value, "__dataclass_fields__"):
        return {name: getattr(value, name) for name in value.__dataclass_fields__}
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} has no JSON form")
