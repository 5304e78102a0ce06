"""A render in segments, each kept in the cache under a key of all that it is made from.

Segments are what processes share out, and why a render that was killed goes on where it was: what is already in the
cache is not made again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from partsong.engine.run import Engine, run_tasks
from partsong.engine.tasks import Task
from partsong.film.folder import FilmFolder, writing
from partsong.watch import Watch


@dataclass(frozen=True, slots=True)
class Segment:
    """Frames ``first`` to before ``stop`` of a render, and the key of all that they are made from."""

    key: str
    first: int
    stop: int


Paint = Callable[[Segment, Path, Watch], None]
"""Makes one segment's file at exactly the path given; picklable, since it runs in another process."""


def spans(frames: int, length: int) -> list[range]:
    """Cut frames 0 to ``frames`` into spans of about ``length``, as even as whole frames allow.

    >>> spans(10, 4)
    [range(0, 3), range(3, 6), range(6, 10)]
    """
    count = max(1, -(-frames // length))
    edges = [frames * number // count for number in range(count + 1)]
    return [range(first, stop) for first, stop in pairwise(edges)]


def render_segments(
    folder: FilmFolder,
    kind: str,
    suffix: str,
    segments: Sequence[Segment],
    paint: Paint,
    *,
    watch: Watch,
    engine: Engine | None = None,
    doing: str = "Rendering",
) -> list[Path]:
    """Make the segments that the cache does not hold, and return the paths of all of them, in order.

    Parameters
    ----------
    folder : FilmFolder
        Whose cache keeps them.
    kind, suffix : str
        Where in the cache they lie, and how their names end.
    segments : sequence of Segment
        In the order of the render.
    paint : callable
        Makes one segment.
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
    pieces = [(segment, paint) for segment in segments]
    return render_all(folder, kind, suffix, pieces, watch=watch, engine=engine, doing=doing)


def render_all(
    folder: FilmFolder,
    kind: str,
    suffix: str,
    pieces: Sequence[tuple[Segment, Paint]],
    *,
    watch: Watch,
    engine: Engine | None = None,
    doing: str,
) -> list[Path]:
    """Make segments of several renders at once; see :func:`render_segments`."""
    paths = [folder.cached(kind, segment.key, suffix) for segment, _ in pieces]
    missing = {path: piece for path, piece in zip(paths, pieces, strict=True) if not path.is_file()}
    tasks = [
        Task(
            f"Frames {segment.first} to {segment.stop - 1}",
            _Painted(paint, segment, path),
            segment.stop - segment.first,
        )
        for path, (segment, paint) in missing.items()
    ]
    run_tasks(tasks, doing=doing, watch=watch, engine=engine)
    return paths


@dataclass(frozen=True, slots=True)
class _Painted:
    paint: Paint
    segment: Segment
    path: Path

    def __call__(self, watch: Watch) -> None:
        with writing(self.path) as temporary:
            self.paint(self.segment, temporary, watch)
