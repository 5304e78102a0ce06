"""The folder of a film: where things lie, how files are named and how they are written.

::

    FILM/film.db      the document with its revisions
    FILM/reports/     pages to read
    FILM/masters/     finished files to deliver
    FILM/cache/       derived things, each named by a hash of what it was made from; always safe to delete
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from partsong.errors import InvalidInput, NotAFilm, OutputFailed
from partsong.film.records import MediaFile

_SAMPLE_BYTES = 1 << 20
_LEFT_BEHIND_S = 24 * 3600.0
_PART = ".part"


@dataclass(frozen=True, slots=True)
class FilmFolder:
    """The paths of one film. Nothing is opened or created until asked."""

    root: Path

    @classmethod
    def at(cls, path: str | Path) -> FilmFolder:
        """Return the folder of an existing film.

        Raises
        ------
        NotAFilm
            If there is no ``film.db`` in it.
        """
        folder = cls(Path(path).resolve())
        if not folder.database.is_file():
            raise NotAFilm(
                f"{path} holds no film (no film.db in it). Make one with: partsong new {path} --song MIX.wav"
            )
        return folder

    @property
    def database(self) -> Path:
        """The document with its revisions."""
        return self.root / "film.db"

    @property
    def reports(self) -> Path:
        """Pages to read; made on first use."""
        return self._made("reports")

    @property
    def masters(self) -> Path:
        """Finished files; made on first use."""
        return self._made("masters")

    def cached(self, kind: str, key: str, suffix: str) -> Path:
        """Return where a derived thing lies: ``cache/kind/key.suffix``. The key says all that it was made from."""
        return self._made("cache", kind) / f"{key}{suffix}"

    def refer(self, path: str | Path) -> MediaFile:
        """Return the record of a media file: relative to the film's neighbourhood when it lies there."""
        absolute = Path(path).resolve()
        neighbourhood = self.root.parent
        inside = absolute.is_relative_to(neighbourhood)
        name = absolute.relative_to(neighbourhood) if inside else absolute
        return MediaFile(path=name.as_posix(), size_bytes=absolute.stat().st_size, fingerprint=fingerprint(absolute))

    def locate(self, media: MediaFile) -> Path:
        """Return the path of a media file of the film.

        Raises
        ------
        InvalidInput
            If the file is no longer where it was.
        """
        path = self.root.parent / media.path  # an absolute path stands as it is
        if not path.is_file():
            raise InvalidInput(f"{path} is no longer there. Put the file back, or add it again from its new place.")
        return path

    def sweep(self) -> int:
        """Remove hidden files that killed processes left half-written, and return how many there were.

        A file that a process has locked is being written. Where the file system knows no locks, one that was not
        touched for a day is not.
        """
        places = [self.root / "masters", self.root / "reports", *(self.root / "cache").glob("*/")]
        return sum(_swept(left) for place in places for left in place.glob(f".*{_PART}*"))

    def _made(self, *names: str) -> Path:
        path = self.root.joinpath(*names)
        try:
            path.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise not_written(path, problem) from problem
        return path


def fingerprint(path: Path) -> str:
    """Return a sampled content hash: xxh3-128 over the size and up to three separate mebibytes.

    It tells takes apart and names derived files without reading hundreds of gigabytes; it is no proof
    that a copy is whole (the manifests of an offload hash every byte).
    """
    import xxhash

    size = path.stat().st_size
    digest = xxhash.xxh3_128(size.to_bytes(8, "little"))
    with path.open("rb") as file:
        for offset in sorted({0, max(0, size // 2 - _SAMPLE_BYTES // 2), max(0, size - _SAMPLE_BYTES)}):
            file.seek(offset)
            digest.update(file.read(_SAMPLE_BYTES))
    return digest.hexdigest()


def key_of(*ingredients: object) -> str:
    """Return the cache key of anything that is made from JSON-like values.

    >>> key_of("thumbnail", 3) == key_of("thumbnail", 3) != key_of("thumbnail", 4)
    True
    """
    import xxhash

    text = json.dumps(ingredients, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return xxhash.xxh3_128(text.encode()).hexdigest()


@contextlib.contextmanager
def writing(path: Path) -> Iterator[Path]:
    """Give a temporary name beside ``path`` to write to, and rename it into place when all went well.

    When anything goes wrong, the temporary file is removed and whatever stood under the name stays. A killed process
    cannot clean up after itself; :meth:`FilmFolder.sweep` removes what it left.

    Raises
    ------
    OutputFailed
        If the system could not write (no space, no permission): one sentence with the cause.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = _reserved(path)
    except OSError as problem:
        raise not_written(path, problem) from problem
    try:
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(path)
    except OutputFailed as problem:
        # Whoever wrote knew the hidden name only.
        raise OutputFailed(str(problem).replace(temporary.name, path.name)) from problem
    except OSError as problem:
        if isinstance(problem, InvalidInput):
            raise
        raise not_written(path, problem) from problem
    finally:
        temporary.unlink(missing_ok=True)
        if handle is not None:
            os.close(handle)


def not_written(path: Path, problem: OSError) -> OutputFailed:
    """Return the error that says what the system did not let us write, and why."""
    return OutputFailed(
        f"{path} could not be written: {problem.strerror or problem}. Make room or choose another place; "
        "nothing was left under that name."
    )


def _reserved(path: Path) -> tuple[int | None, Path]:
    """Make an empty temporary file beside ``path``, and hold a lock on it where there are such locks.

    The system lets go of the lock when the process ends, however it ends: so a sweep can tell what nobody writes any
    more.
    """
    while True:
        # The suffix is kept, since containers are chosen by it; the leading dot hides it from a person.
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}.", suffix=f"{_PART}{path.suffix}", dir=path.parent)
        temporary, locked = Path(name), _lock(handle)
        if locked and temporary.exists():  # a sweep may have come between the two
            return handle, temporary
        os.close(handle)
        if locked is None:
            return None, temporary


def _lock(handle: int) -> bool | None:
    """Lock an open file; False when another process has, None where there are no locks."""
    try:
        import fcntl
    except ImportError:
        return None  # Windows
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return None  # some network file systems
    return True


def _swept(left: Path) -> bool:
    """Remove a temporary file unless a process may still be writing it, and say whether it was removed."""
    try:
        with left.open("rb") as file:
            locked = _lock(file.fileno())
            if locked:
                left.unlink()
        if locked is None and time.time() - left.stat().st_mtime > _LEFT_BEHIND_S:
            left.unlink()
            return True
    except FileNotFoundError:
        return False  # it got its name, or another swept it
    return bool(locked)


def write_text(path: Path, text: str) -> None:
    """Write a text file as a whole or not at all."""
    with writing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
