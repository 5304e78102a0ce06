"""What something costs: CPU time of this process, the least of several passes."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

FRAMES, PASSES = 8, 3


class Shares(dict[str, float]):
    """CPU seconds by what they were spent on."""

    def call(self, name: str, work: Callable[..., Any], *given: object) -> Any:
        """Do some work and count it under a name."""
        began = time.process_time()
        done = work(*given)
        self[name] = self.get(name, 0) + time.process_time() - began
        return done

    def over(self, name: str, items: Iterator[Any]) -> Iterator[Any]:
        """Yield items and count under a name what it takes to get them."""
        nothing = object()
        while (item := self.call(name, next, items, nothing)) is not nothing:
            yield item


def least_shares(work: Callable[[Shares], None], frames: int = FRAMES) -> dict[str, float]:
    """Return the shares of the cheapest of several passes over so many frames, in milliseconds a frame."""
    passes = []
    for _ in range(PASSES):
        passes.append(Shares())
        work(passes[-1])
    best = min(passes, key=lambda shares: sum(shares.values()))
    return {name: seconds * 1000 / frames for name, seconds in best.items()}


def least(work: Callable[[], object]) -> float:
    """Return the least CPU time of a pass, in seconds."""
    best = float("inf")
    for _ in range(PASSES):
        began = time.process_time()
        work()
        best = min(best, time.process_time() - began)
    return best


def cpu_ms(work: Callable[[], object]) -> float:
    """Return the least CPU time of a pass, in milliseconds a frame."""
    return least(work) * 1000 / FRAMES
