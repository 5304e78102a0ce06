"""What two hearings of a clip say of its place together, where neither is clear by itself.

The sum of all windows hears waveforms (:mod:`partsong.lineup.fine`), and the notes network hears notes start
(:mod:`partsong.lineup.notes`). What misleads one, a chord that is held or a voice that talks, hardly ever misleads the
other to the same place.

Scores of places that mean nothing have an exponential tail, and the first of them leads the second by the scale of
that tail on average (Rényi's spacings). So the logarithm of a score over the scale that it has with other songs is the
logarithm of odds against chance, and those of two hearings add.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.lineup import coarse

SAME_S = 0.04
"""Two hearings mean one place where they read it as near to each other."""

_SUM_SCALE, _NOTES_SCALE = 0.16, 0.08  # mean lead of the first place, 390 clips against other songs' mixes
_NO_EVIDENCE = 10.0  # of a response: below it is noise
_NO_LIKENESS = 0.1  # of notes: of 274 right places 0.137 or more, of noise 0.04 at most
_FEWEST_SUMS, _FEWEST_NOTES = 3, 2


@dataclass(frozen=True, slots=True)
class Told:
    """What one hearing says of a place: the slip of the clip's middle in seconds, and a score above zero."""

    slip_s: float
    score: float


@dataclass(frozen=True, slots=True)
class Pooled:
    """The first place of both hearings together; ``lead`` is over the next one, a natural logarithm of odds."""

    slip_s: float
    lead: float


def pool(sums: Sequence[Told], notes: Sequence[Told]) -> Pooled | None:
    """Return the place that the evidence of sums of windows and the likeness of notes choose together.

    Where a hearing does not name a place, it counts as the least that this hearing names. None where either names too
    few places to say what that is.

    Examples
    --------
    >>> chosen = pool([Told(3, 30), Told(50, 28), Told(70, 12)], [Told(20, 1.4), Told(49.99, 1.3), Told(90, 1.0)])
    >>> chosen.slip_s, round(chosen.lead, 2)
    (50.0, 2.85)
    """
    if len(sums) < _FEWEST_SUMS or len(notes) < _FEWEST_NOTES:
        return None
    slips_s = np.array([told.slip_s for told in (*sums, *notes)])
    odds = _odds(sums, _NO_EVIDENCE, _SUM_SCALE, slips_s) + _odds(notes, _NO_LIKENESS, _NOTES_SCALE, slips_s)
    first = int(np.argmax(odds))
    others = odds[np.abs(slips_s - slips_s[first]) > coarse.APART_S]
    return Pooled(float(slips_s[first]), float(odds[first] - others.max()) if others.size else 0.0)


def _odds(said: Sequence[Told], least: float, scale: float, slips_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the odds that one hearing gives each of some slips."""
    odds = np.log([max(told.score, least) for told in said]) / scale
    near = np.abs(slips_s[:, None] - [told.slip_s for told in said]) <= SAME_S
    return np.asarray(np.where(near, odds, odds.min()).max(axis=1), np.float64)
