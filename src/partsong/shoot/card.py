"""What lies on a camera card, or in any folder that is to be copied whole."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from partsong.errors import InvalidInput
from partsong.shoot.intake import natural_order

# Kept by operating systems for themselves, on any disk that they have seen; often not even readable.
_HOUSEKEEPING = frozenset(
    {
        ".DS_Store",
        ".Spotlight-V100",
        ".TemporaryItems",
        ".Trashes",
        ".fseventsd",
        "$RECYCLE.BIN",
        "System Volume Information",
        "lost+found",
    }
)
MANIFESTS = "ascmhl"
"""The folder of manifests that ASC MHL keeps inside a folder of media."""


@dataclass(frozen=True, slots=True)
class CardFile:
    """A file of a card: its path below the card with forward slashes, and what the file system says of it."""

    path: str
    size_bytes: int
    modified_ns: int


@dataclass(frozen=True, slots=True)
class Contents:
    """Everything on a card, in natural order.

    ``folders`` holds all folders, empty ones too. ``left_out`` names what operating systems keep for themselves,
    ``refused`` what cannot be copied, each with its reason.
    """

    files: tuple[CardFile, ...]
    folders: tuple[str, ...]
    left_out: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]

    @property
    def size_bytes(self) -> int:
        """The size of all files together."""
        return sum(file.size_bytes for file in self.files)


def contents(card: Path) -> Contents:
    """List a card. Its own manifests at the top (ASC MHL) are no part of the list: they go with the copy's manifest.

    Raises
    ------
    InvalidInput
        If it is no folder, or cannot be read at all.
    """
    if not card.is_dir():
        raise InvalidInput(f"{card} is not there, or is no folder. Check whether the card is in and mounted.")
    files: list[CardFile] = []
    folders: list[str] = []
    left_out: list[str] = []
    refused: list[tuple[str, str]] = []

    def unreadable(problem: OSError) -> None:
        where = Path(problem.filename).relative_to(card).as_posix()
        if where == ".":
            raise InvalidInput(f"{card} cannot be read: {problem.strerror}. Check the card and its reader.")
        refused.append((where, f"the folder cannot be read ({problem.strerror})"))

    for here, inner, names in os.walk(card, onerror=unreadable):
        below = Path(here).relative_to(card)
        for name in sorted({*inner, *names}):
            path = (below / name).as_posix()
            if name in _HOUSEKEEPING:
                left_out.append(path)
            elif (card / path).is_symlink():
                refused.append((path, "it is a link, not a file"))
        skipped = _HOUSEKEEPING | ({MANIFESTS} if below == Path() else set())
        inner[:] = [name for name in inner if name not in skipped and not (Path(here) / name).is_symlink()]
        folders += [(below / name).as_posix() for name in inner]
        files += _files(card, below, [name for name in names if name not in _HOUSEKEEPING], refused)
    in_order = tuple(sorted(files, key=lambda file: natural_order(Path(file.path))))
    return Contents(in_order, tuple(sorted(folders)), tuple(left_out), tuple(refused))


def _files(card: Path, below: Path, names: list[str], refused: list[tuple[str, str]]) -> Iterator[CardFile]:
    for name in names:
        path = (below / name).as_posix()
        try:
            found = (card / path).lstat()
        except OSError as problem:
            refused.append((path, f"it cannot be read ({problem.strerror})"))
            continue
        if stat.S_ISREG(found.st_mode):
            yield CardFile(path, found.st_size, found.st_mtime_ns)
        elif not stat.S_ISLNK(found.st_mode):
            refused.append((path, "it is no ordinary file"))
