"""What a film's cache holds, and taking from it what has not been used for long. All of it can be made again."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder

_DAY_S = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class Kept:
    """What lies in the cache of one kind: number of files, bytes, and days since the newest of them was used."""

    kind: str
    files: int
    size_bytes: int
    unused_days: float


def kept(folder: FilmFolder) -> list[Kept]:
    """Return what the cache holds, the largest kind first."""
    now = time.time()
    found = []
    for place in _places(folder):
        stats = [path.stat() for path in place.iterdir() if path.is_file()]
        if stats:
            newest = max(max(stat.st_atime, stat.st_mtime) for stat in stats)
            size = sum(stat.st_size for stat in stats)
            found.append(Kept(place.name, len(stats), size, max(0.0, now - newest) / _DAY_S))
    return sorted(found, key=lambda one: -one.size_bytes)


def clean(folder: FilmFolder, *, kinds: tuple[str, ...] = (), unused_days: float = 0) -> list[Kept]:
    """Remove files from the cache and return what was removed of each kind.

    Parameters
    ----------
    folder : FilmFolder
        The film's.
    kinds : names of folders in the cache
        Only these; all when none is named.
    unused_days : float
        Only files that were neither read nor written for so many days. File systems note reading once a day at best,
        some never: there, writing alone counts.

    Raises
    ------
    InvalidInput
        If the cache holds no such kind.
    """
    places = {place.name: place for place in _places(folder)}
    unknown = [kind for kind in kinds if kind not in places]
    if unknown:
        raise InvalidInput(
            f"The cache of {folder.root} holds nothing of the kind {unknown[0]!r}. It holds: "
            f"{', '.join(sorted(places)) or 'nothing'}."
        )
    limit = time.time() - unused_days * _DAY_S
    removed = []
    for kind in kinds or sorted(places):
        files, size = 0, 0
        for path in places[kind].iterdir():
            stat = path.stat()
            # Hidden files are being written; a sweep knows when they are not.
            if path.is_file() and not path.name.startswith(".") and max(stat.st_atime, stat.st_mtime) <= limit:
                path.unlink()
                files, size = files + 1, size + stat.st_size
        if files:
            removed.append(Kept(kind, files, size, unused_days))
    folder.sweep()
    return removed


def _places(folder: FilmFolder) -> list[Path]:
    return sorted(place for place in (folder.root / "cache").glob("*/") if place.is_dir())
