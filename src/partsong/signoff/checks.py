"""One measured thing of a finished file: the sentence, the number, the limit and where the limit comes from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Outcome = Literal["within", "outside", "stated"]
"""``outside`` needs a decision; ``stated`` is a number without a limit of its own."""


@dataclass(frozen=True, slots=True)
class Check:
    """One line of the sign-off.

    ``sentence`` says in plain words what was found, ``measured`` the number with its unit, ``limit`` what it is held
    against (empty when it is only stated), and ``source`` who published the limit or the way of measuring.
    ``caution`` is a word of safety that belongs beside the line.
    """

    topic: str
    sentence: str
    measured: str
    limit: str
    source: str
    outcome: Outcome
    caution: str = ""

    @property
    def needs_decision(self) -> bool:
        """Whether somebody must look at this before the file is sent."""
        return self.outcome == "outside"


def held(passes: bool) -> Outcome:
    """Return the outcome of a comparison with a limit."""
    return "within" if passes else "outside"


def undecided(checks: Iterable[Check]) -> tuple[Check, ...]:
    """Return the checks that lie outside their limits, in order."""
    return tuple(check for check in checks if check.needs_decision)
