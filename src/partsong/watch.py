"""Progress out of a step of work, and a request to stop into it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from partsong.errors import Cancelled

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Progress:
    """How far one step has come: ``done`` of ``total`` units; ``total`` 0 when it cannot be known."""

    doing: str
    done: int
    total: int


@dataclass(frozen=True, slots=True)
class Watch:
    """Carries progress out of a step, and a request to stop into it.

    ``report`` is called often and must be cheap; ``cancelled`` is asked at least once a second.
    """

    report: Callable[[Progress], None]
    cancelled: Callable[[], bool]

    def check(self, doing: str) -> None:
        """Raise :class:`Cancelled` when the person has asked to stop."""
        if self.cancelled():
            raise Cancelled(doing)

    def tick(self, doing: str, done: int, total: int) -> None:
        """Report one position, after checking whether to stop."""
        self.check(doing)
        self.report(Progress(doing, done, total))

    def over(self, items: Iterable[T], *, total: int, doing: str) -> Iterator[T]:
        """Yield the items, reporting and checking before each of them."""
        done = 0
        for done, item in enumerate(items, start=1):
            self.tick(doing, done - 1, total)
            yield item
        self.report(Progress(doing, done, total))

    def part(self, doing: str) -> Watch:
        """Return a watch whose progress is told under another name (one step inside a larger one)."""
        report = self.report
        return Watch(lambda p: report(Progress(doing, p.done, p.total)), self.cancelled)


def silent() -> Watch:
    """Return a watch that tells nobody and never stops: for tests and short work."""
    return Watch(lambda _: None, lambda: False)
