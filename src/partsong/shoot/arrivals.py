"""Clips as they arrive in a folder: each told of once it has stopped growing and can be read to its end.

A folder is looked through every second; nothing of the system's own notices is needed, so that network disks and card
readers work too. A file that is still being written grows, or its time changes, or its index is not there yet.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from partsong.errors import Cancelled, InvalidInput, UnreadableMedia
from partsong.film.records import MediaFile
from partsong.film.store import FilmStore
from partsong.shoot import check as checking
from partsong.shoot import intake, steps
from partsong.watch import Watch

SETTLED_S = 3.0
"""A file that has not changed for so long is tried; recorders and copies write more often than that."""
GIVE_UP_S = 60.0
"""A file that has not changed for so long and still cannot be read is told of as it is."""
_EVERY_S = 1.0


@dataclass(frozen=True, slots=True)
class Arrived:
    """What became of a file: added as takes and judged, asked about, or refused with a reason.

    ``failed`` is why its takes could not be judged, or empty.
    """

    path: Path
    added: steps.Added
    judged: tuple[checking.Judged, ...]
    failed: str = ""


@dataclass
class _Waiting:
    size: int
    modified_ns: int
    since_s: float
    tried: bool = False
    told: bool = False


def there(folder: Path) -> None:
    """Raise :class:`InvalidInput` if there is no such folder."""
    if not folder.is_dir():
        raise InvalidInput(f"{folder} is not there, or is no folder. Give the folder that clips are written to.")


def arrivals(
    folder: Path,
    watch: Watch,
    *,
    settled_s: float = SETTLED_S,
    give_up_s: float = GIVE_UP_S,
    every_s: float = _EVERY_S,
    now_s: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Iterator[Path]:
    """Yield clips below a folder as they become whole, for ever: the watch ends it.

    One that stays unreadable is yielded too, once, when it has not changed for ``give_up_s``; it comes again if it
    changes after that.

    Raises
    ------
    InvalidInput
        If there is no such folder.
    Cancelled
        When the watch says stop.
    """
    there(folder)
    waiting: dict[Path, _Waiting] = {}
    while True:
        watch.tick(f"Watching {folder.name}", sum(entry.told for entry in waiting.values()), 0)
        for path in _clips(folder):
            try:
                state = path.stat()
            except OSError:  # gone again, or renamed: it comes under its new name
                waiting.pop(path, None)
                continue
            entry = waiting.get(path)
            if entry is None or (entry.size, entry.modified_ns) != (state.st_size, state.st_mtime_ns):
                waiting[path] = _Waiting(state.st_size, state.st_mtime_ns, now_s())
                continue
            still_s = now_s() - entry.since_s
            if entry.told or still_s < settled_s or (entry.tried and still_s < give_up_s):
                continue
            entry.tried = True
            if still_s >= give_up_s or _whole(path, state.st_size):
                entry.told = True
                yield path
        sleep(every_s)


def watch_folder(
    store: FilmStore, folder: Path, tell: Callable[[Arrived], None], watch: Watch, *, settled_s: float = SETTLED_S
) -> int:
    """Add clips to a film as they arrive, and check the stage takes among them, until the watch says stop.

    A take that the film holds already is checked if it has no verdict yet, as after a watch that was killed; else
    nothing is told of it. One that cannot be checked is told of, and the others go on. Returns how many files were
    told of.
    """
    count = 0
    with contextlib.suppress(Cancelled):
        for path in arrivals(folder, watch, settled_s=settled_s):
            added = steps.add(store, [path], watch, below=folder)
            stage = _without_verdict(store, path)
            judged: tuple[checking.Judged, ...] = ()
            failed = ""
            try:
                judged = checking.check(store, stage, watch) if stage else ()
            except (UnreadableMedia, InvalidInput) as problem:
                failed = str(problem)
            if stage or not added.known:
                tell(Arrived(path, added, judged, failed))
                count += 1
    return count


def _without_verdict(store: FilmStore, path: Path) -> list[str]:
    """Return the stage takes that lie in a file and were not judged yet."""
    film = store.head().film
    judged = {judgement.take for judgement in film.judgements}
    own = [take for take in film.stage_takes() if take.id not in judged]
    return [take.id for take in own if (store.folder.root.parent / take.clip.file.path).resolve() == path.resolve()]


def _clips(folder: Path) -> list[Path]:
    found = [
        path
        for path in folder.rglob("*")
        if path.suffix.lower() in intake.PICTURE_SUFFIXES
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        and path.is_file()
    ]
    return sorted(found, key=intake.natural_order)


def _whole(path: Path, size: int) -> bool:
    from partsong.media.probe import probe

    if size == 0:
        return False
    try:
        # The record is not kept: only whether the file reads from its index to its last frame counts.
        probe(path, MediaFile(path=path.as_posix(), size_bytes=size, fingerprint="0" * 32))
    except (UnreadableMedia, InvalidInput, OSError):
        return False
    return True
