"""The folder of a film: where things lie, how files are named and how they are written.

::

    FILM/film.db      the document with its revisions
    FILM/reports/     pages to read
    FILM/masters/     finished files to deliver
    FILM/cache/       derived things, each named by a hash of what it was made from; always safe to delete
"""

from __future__ import annotations

import contextlib
import glob
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

    def _made(self, *names: str) -> Path:
        path = self.root.joinpath(*names)
        path.mkdir(parents=True, exist_ok=True)
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
    cannot clean up after itself: what it left under a temporary name is removed when the same file is written a day
    later.

    Raises
    ------
    OutputFailed
        If the system could not write (no space, no permission): one sentence with the cause.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    # The suffix is kept, since containers are chosen by it; the leading dot hides it from a person.
    prefix, suffix = f".{path.stem}.", f".part{path.suffix}"
    for left in path.parent.glob(f"{glob.escape(prefix)}*{glob.escape(suffix)}"):
        if time.time() - left.stat().st_mtime > _LEFT_BEHIND_S:
            left.unlink(missing_ok=True)
    handle, name = tempfile.mkstemp(prefix=prefix, suffix=suffix, dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(path)
    except OutputFailed:
        raise
    except OSError as problem:
        if isinstance(problem, InvalidInput):
            raise
        raise OutputFailed(
            f"{path} could not be written: {problem.strerror or problem}. Make room or choose another place; "
            "nothing was left under that name."
        ) from problem
    finally:
        temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file as a whole or not at all."""
    with writing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
