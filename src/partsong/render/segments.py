"""A render in segments, each kept in the cache under a key of all that it is made from.

Segments are what processes share out, and why a render that was killed goes on where it was: what is already in the
cache is not made again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

from partsong.engine.run import Engine, run_tasks
from partsong.engine.tasks import Task
from partsong.film.folder import writing
from partsong.watch import Watch


@dataclass(frozen=True, slots=True)
class Segment:
    """Frames ``first`` to before ``stop`` of a render, and the key of all that they are made from."""

    key: str
    first: int
    stop: int


Stretch = TypeVar("Stretch", Segment, range)

Output = tuple[Segment, Path]
"""A segment and the file that it becomes."""

Paint = Callable[[Sequence[Output], Watch], None]
"""Makes several files in one pass, each by ``writing``; picklable, since it runs in another process."""


def spans(frames: int, length: int) -> list[range]:
    """Cut frames 0 to ``frames`` into spans of about ``length``, as even as whole frames allow.

    >>> spans(10, 4)
    [range(0, 3), range(3, 6), range(6, 10)]
    """
    count = max(1, -(-frames // length))
    edges = [frames * number // count for number in range(count + 1)]
    return [range(first, stop) for first, stop in pairwise(edges)]


def runs_of(pieces: Iterable[Stretch]) -> list[list[Stretch]]:
    """Gather segments or ranges, in order, into runs of which each begins where the one before it stops.

    >>> runs_of([range(0, 3), range(3, 6), range(8, 9)])
    [[range(0, 3), range(3, 6)], [range(8, 9)]]
    """
    runs: list[list[Stretch]] = []
    for piece in pieces:
        if runs and runs[-1][-1].stop == (piece.start if isinstance(piece, range) else piece.first):
            runs[-1].append(piece)
        else:
            runs.append([piece])
    return runs


def render(
    batches: Iterable[tuple[Paint, Sequence[Output]]],
    *,
    watch: Watch,
    engine: Engine | None = None,
    doing: str = "Rendering",
) -> int:
    """Make those files that are not there, and return how many frames that was.

    Parameters
    ----------
    batches : iterable of (callable, sequence of (Segment, Path))
        What is best made in one pass, by one process, and what paints it; that is given the missing files only.
    watch : Watch
        Told in frames.
    engine : Engine, optional
        Where; all processors of this machine unless given.
    doing : str
        What progress is told under.

    Raises
    ------
    Cancelled
        When the watch said stop; finished segments stay in the cache, half ones do not.
    """
    tasks = []
    asked: set[Path] = set()
    for paint, batch in batches:
        # What looks the same has one name, and is painted once.
        missing = tuple({path: (segment, path) for segment, path in batch if path not in asked}.values())
        missing = tuple((segment, path) for segment, path in missing if not path.is_file())
        asked |= {path for _, path in missing}
        if missing:
            name = f"Frames {missing[0][0].first} to {missing[-1][0].stop - 1}"
            tasks.append(Task(name, _Painted(paint, missing), sum(each.stop - each.first for each, _ in missing)))
    run_tasks(tasks, doing=doing, watch=watch, engine=engine)
    return sum(task.size for task in tasks)


@dataclass(frozen=True, slots=True)
class OneByOne:
    """Paints several files one after another, each at exactly the path that ``paint`` is given."""

    paint: Callable[[Segment, Path, Watch], None]

    def __call__(self, outputs: Sequence[Output], watch: Watch) -> None:
        """Paint them."""
        for segment, path in outputs:
            with writing(path) as temporary:
                self.paint(segment, temporary, watch)


@dataclass(frozen=True, slots=True)
class _Painted:
    paint: Paint
    outputs: tuple[Output, ...]

    def __call__(self, watch: Watch) -> None:
        self.paint(self.outputs, watch)
