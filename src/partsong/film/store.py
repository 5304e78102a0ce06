"""The store of a film: every revision of the document in SQLite, with a head that undo and redo move.

A change is a new revision whose parent is the head, with a sentence of what changed. Undo moves the head to
its parent, redo moves it back along the way that undo came; a change after an undo starts a new branch and the
old one stays in the store. All of it happens in immediate transactions on a write-ahead log, so that a crash
loses nothing that was reported as saved and two processes can work on one film.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pydantic import ValidationError

from partsong.errors import Conflict, InvalidInput, NoSuchRecord, NotAFilm, OutputFailed, PartsongError
from partsong.film import migrations
from partsong.film.folder import FilmFolder
from partsong.film.records import Film, sentence_of

_STORE_FORMAT = 1
_BUSY_TIMEOUT_S = 30.0

_TABLES = """
CREATE TABLE revision (
    number   INTEGER PRIMARY KEY,
    parent   INTEGER REFERENCES revision(number),
    made_ns  INTEGER NOT NULL,
    sentence TEXT NOT NULL,
    document TEXT NOT NULL
) STRICT;
CREATE TABLE head (
    one      INTEGER PRIMARY KEY CHECK (one = 1),
    number   INTEGER NOT NULL REFERENCES revision(number)
) STRICT;
CREATE TABLE undone (
    depth    INTEGER PRIMARY KEY,
    number   INTEGER NOT NULL REFERENCES revision(number)
) STRICT;
"""


@dataclass(frozen=True, slots=True)
class Revision:
    """One state of the film: ``made_s`` in seconds since 1970, ``parent`` None for the first."""

    number: int
    parent: int | None
    made_s: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Head:
    """The revision that the film is at, and the film itself."""

    revision: Revision
    film: Film


class FilmStore:
    """One film's revisions. Use it as a context manager, in one thread; open another for another thread."""

    def __init__(self, folder: FilmFolder, connection: _Connection) -> None:
        self.folder = folder
        self._db = connection

    @classmethod
    def create(cls, root: str | Path, film: Film, sentence: str) -> Self:
        """Make a film's folder with its first revision.

        Raises
        ------
        InvalidInput
            If the folder already holds a film, or is something else.
        OutputFailed
            If the film cannot be written there.
        """
        folder = FilmFolder(Path(root).resolve())
        if folder.database.exists():
            raise InvalidInput(f"{root} already holds a film. Choose another folder; nothing was changed.")
        try:
            folder.root.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise InvalidInput(f"{root} cannot be made: {problem.strerror}. Choose another folder.") from problem
        # The database is made under a temporary name, so that a crash leaves no film that is half there.
        making = folder.root / ".film.db.part"
        making.unlink(missing_ok=True)
        connection = _Connection(making)
        try:
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.executescript(f"BEGIN;{_TABLES}PRAGMA user_version = {_STORE_FORMAT};COMMIT;")
            connection.execute("BEGIN IMMEDIATE")
            number = _insert(connection, None, film, sentence)
            connection.execute("INSERT INTO head VALUES (1, ?)", (number,))
            connection.execute("COMMIT")
        finally:
            connection.close()
        making.rename(folder.database)
        return cls.open(root)

    @classmethod
    def open(cls, root: str | Path) -> Self:
        """Open an existing film.

        Raises
        ------
        NotAFilm
            If there is none, or it is damaged, or written by a newer version.
        OutputFailed
            If it cannot be written.
        """
        folder = FilmFolder.at(root)
        connection = _Connection(folder.database)
        try:
            found = connection.execute("PRAGMA user_version").fetchone()[0]
            if found != _STORE_FORMAT:
                raise NotAFilm(
                    f"{folder.database} is in store format {found}, this version reads {_STORE_FORMAT}. "
                    "Open it with the version that wrote it."
                )
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
        except PartsongError:
            connection.close()
            raise
        return cls(folder, connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; nothing is pending."""
        self._db.close()

    # --- reading ------------------------------------------------------------------------------

    def head(self) -> Head:
        """Return the film as it is now."""
        number = self._head_number()
        return Head(self._revision(number), self.film_at(number))

    def film_at(self, number: int) -> Film:
        """Return the film as it was at a revision."""
        row = self._db.execute("SELECT document FROM revision WHERE number = ?", (number,)).fetchone()
        if row is None:
            raise NoSuchRecord(f"The film has no revision {number}. See: partsong film history.")
        document = migrations.bring_up(json.loads(row[0]))
        try:
            return Film.model_validate_json(json.dumps(document))
        except ValidationError as problem:
            raise NotAFilm(
                f"Revision {number} of {self.folder.database} does not read: {sentence_of(problem)}. "
                "Restore the file from a copy, or undo to an earlier revision."
            ) from problem

    def head_number(self) -> int:
        """Return the number of the revision that the film is at; cheap enough to be asked many times a second."""
        return self._head_number()

    def expect(self, base: int) -> int:
        """Return the head's number if it is ``base``.

        Raises
        ------
        Conflict
            If somebody else changed the film since revision ``base``.
        """
        number = self._head_number()
        if number != base:
            theirs = self._revision(number).sentence
            raise Conflict(
                f"The film was changed elsewhere while you worked on it ({theirs.rstrip('.')}). "
                "Your change was not saved over it: look at the new state and make the change again."
            )
        return number

    def can_redo(self) -> bool:
        """Say whether an undo can be taken back."""
        return self._db.execute("SELECT 1 FROM undone LIMIT 1").fetchone() is not None

    def history(self) -> tuple[Revision, ...]:
        """Return every revision, oldest first, those of left branches too."""
        rows = self._db.execute("SELECT number, parent, made_ns, sentence FROM revision ORDER BY number")
        return tuple(Revision(number, parent, made_ns / 1e9, sentence) for number, parent, made_ns, sentence in rows)

    # --- changing -----------------------------------------------------------------------------

    def change(self, sentence: str, edit: Callable[[Film], Film]) -> Head:
        """Apply a pure function to the newest film and keep the result as one revision.

        ``edit`` sees whatever others have saved meanwhile and runs while they wait, so it must be quick: do the
        long work before, and let it only put results in their place. When it returns an equal film, no revision is
        made.
        """
        with self._write():
            number = self._head_number()
            before = self.film_at(number)
            after = edit(before)
            if after != before:
                number = self._append(number, after, sentence)
        return Head(self._revision(number), after)

    def commit(self, film: Film, sentence: str, *, base: int) -> Head:
        """Keep a film that was made from revision ``base``, if the film is still at that revision.

        Raises
        ------
        Conflict
            If somebody else changed the film since; nothing is written.
        """
        with self._write():
            number = self.expect(base)
            number = self._append(number, film, sentence)
        return Head(self._revision(number), film)

    def undo(self) -> Head:
        """Go back to the parent revision.

        Raises
        ------
        InvalidInput
            At the first revision.
        """
        with self._write():
            number = self._head_number()
            parent = self._revision(number).parent
            if parent is None:
                raise InvalidInput("There is nothing to undo: this is the film as it was made.")
            self._db.execute("INSERT INTO undone (number) VALUES (?)", (number,))
            self._db.execute("UPDATE head SET number = ?", (parent,))
        return self.head()

    def redo(self) -> Head:
        """Take back the latest undo.

        Raises
        ------
        InvalidInput
            If nothing was undone since the latest change.
        """
        with self._write():
            row = self._db.execute("SELECT depth, number FROM undone ORDER BY depth DESC LIMIT 1").fetchone()
            if row is None:
                raise InvalidInput("There is nothing to redo: no change was undone since the latest one.")
            self._db.execute("DELETE FROM undone WHERE depth = ?", (row[0],))
            self._db.execute("UPDATE head SET number = ?", (row[1],))
        return self.head()

    # --- inside -------------------------------------------------------------------------------

    def _head_number(self) -> int:
        row = self._db.execute("SELECT number FROM head").fetchone()
        if row is None:
            raise NotAFilm(f"{self.folder.database} has no head revision; it is damaged. Restore it from a copy.")
        return int(row[0])

    def _revision(self, number: int) -> Revision:
        row = self._db.execute(
            "SELECT number, parent, made_ns, sentence FROM revision WHERE number = ?", (number,)
        ).fetchone()
        return Revision(row[0], row[1], row[2] / 1e9, row[3])

    def _append(self, parent: int, film: Film, sentence: str) -> int:
        number = _insert(self._db, parent, film, sentence)
        self._db.execute("UPDATE head SET number = ?", (number,))
        self._db.execute("DELETE FROM undone")
        return number

    @contextlib.contextmanager
    def _write(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            # A full disk makes SQLite roll back by itself.
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise


class _Connection(sqlite3.Connection):
    """A connection to one film's database, which tells in our words what the database or its disk refuses."""

    def __init__(self, path: Path) -> None:
        self._path = path
        with self._told():
            # Transactions are begun by hand: the library's own are not immediate.
            super().__init__(path, timeout=_BUSY_TIMEOUT_S, isolation_level=None)
        self.execute("PRAGMA foreign_keys = ON")

    def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
        with self._told():
            return super().execute(sql, parameters)

    def executescript(self, sql_script: str, /) -> sqlite3.Cursor:
        with self._told():
            return super().executescript(sql_script)

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.DatabaseError as problem:
            code = (
                getattr(problem, "sqlite_errorcode", 0) & 0xFF
            )  # the bits above tell of the cause, as the message does
            if code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
                raise NotAFilm(f"{self._path} is damaged: {problem}. Restore it from a copy.") from problem
            if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise Conflict(
                    f"{self._path} is being written by somebody else and did not become free in "
                    f"{_BUSY_TIMEOUT_S:.0f} s ({problem}). Try again."
                ) from problem
            if isinstance(problem, sqlite3.OperationalError):
                raise OutputFailed(
                    f"{self._path} could not be written: {problem}. Make room, or allow writing in its folder, and try "
                    "again; nothing was changed."
                ) from problem
            raise


def _insert(connection: _Connection, parent: int | None, film: Film, sentence: str) -> int:
    row = connection.execute(
        "INSERT INTO revision (parent, made_ns, sentence, document) VALUES (?, ?, ?, ?) RETURNING number",
        (parent, time.time_ns(), sentence, film.model_dump_json()),
    ).fetchone()
    return int(row[0])
