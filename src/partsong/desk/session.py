"""One running desk: the film it shows, its jobs, and the newest revision, whoever made it."""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Iterator
from pathlib import Path

from partsong.desk.jobs import Jobs
from partsong.errors import PartsongError
from partsong.film.folder import FilmFolder
from partsong.film.store import FilmStore, Head

_ASK_S = 0.4
logger = logging.getLogger(__name__)


class Desk:
    """What all routes share. Its methods may be called from any thread.

    ``revision`` follows the store: a change made by the command line shows within half a second.
    """

    def __init__(self, root: Path) -> None:
        self.folder = FilmFolder.at(root)
        self.jobs = Jobs()
        self.closing = threading.Event()
        self._writing = threading.Lock()
        with FilmStore.open(root) as store:
            self._head = store.head()
        self.revision = self._head.revision.number
        self._follower = threading.Thread(target=self._follow, name="follow the store", daemon=True)
        self._follower.start()

    @contextlib.contextmanager
    def store(self) -> Iterator[FilmStore]:
        """Open the film's store for this thread."""
        with FilmStore.open(self.folder.root) as store:
            yield store

    def head(self) -> Head:
        """Return the film as it is now; it is read again only when its revision changed."""
        with self.store() as store:
            if store.head_number() != self._head.revision.number:
                self._head = store.head()
        return self._head

    @contextlib.contextmanager
    def editing(self, base: int) -> Iterator[FilmStore]:
        """Open the store for a change of what the page showed: revision ``base``.

        Raises
        ------
        Conflict
            If the film is at another revision by now.
        """
        with self._writing, self.store() as store:
            store.expect(base)
            yield store
            self.revision = store.head_number()

    def close(self) -> None:
        """Stop what runs, and following the store."""
        self.closing.set()
        self.jobs.close()
        self._follower.join()

    def _follow(self) -> None:
        while not self.closing.is_set():
            try:
                with self.store() as store:
                    while not self.closing.wait(_ASK_S):
                        self.revision = store.head_number()
            except PartsongError:
                logger.warning("The film cannot be read at the moment; trying again.")
                self.closing.wait(_ASK_S)
