"""What two hearings of a clip say of its place together, where neither is clear by itself.

The sum of all windows hears waveforms (:mod:`partsong.lineup.fine`), and the notes network hears notes start
(:mod:`partsong.lineup.notes`). What misleads one, a chord that is held or a voice that talks, hardly ever misleads the
other to the same place.

Scores of places that mean nothing have an exponential tail, and the first of them leads the second by the scale of
that tail on average, and the second the third by half of it (Rényi's spacings). So a score over the scale that it has
with other songs is the logarithm of odds against chance, and those of two hearings add. Of a sum the score is the
logarithm of its evidence.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.lineup import coarse

SAME_S = 0.04
"""Two hearings mean one place where they read it as near to each other."""

_SUM_SCALE, _NOTES_SCALE = 0.16, 0.80  # mean lead of the first place, 390 and 1756 clips against other songs' mixes
_NO_EVIDENCE = 10.0  # of a response: below it is noise
_FEWEST_SUMS, _FEWEST_NOTES = 3, 2


@dataclass(frozen=True, slots=True)
class Told:
    """What one hearing says of a place: the slip of the clip's middle in seconds, and the evidence for it."""

    slip_s: float
    evidence: float


@dataclass(frozen=True, slots=True)
class Pooled:
    """The first place of both hearings together, and by how much it leads: natural logarithms of odds.

    ``lead`` is over the next place, and ``of_both`` that of these two, the worse one of them, over all others: where
    music comes back note by note, both are far ahead of what another song may bring, and only near to each other.
    """

    slip_s: float
    lead: float
    of_both: float


def pool(sums: Sequence[Told], notes: Sequence[Told]) -> Pooled | None:
    """Return the place that sums of windows and notes choose together.

    The evidence of a sum is that of its :class:`partsong.lineup.fine.Response`, that of notes what
    :class:`partsong.lineup.notes.Alike` says.

    Where a hearing does not name a place, it counts as the least that this hearing names. None where either names too
    few places to say what that is.

    Examples
    --------
    >>> chosen = pool([Told(3, 30), Told(50, 28), Told(70, 12)], [Told(20, 12), Told(49.99, 10.5), Told(90, 6)])
    >>> chosen.slip_s, round(chosen.lead, 2)
    (50.0, 3.42)
    """
    if len(sums) < _FEWEST_SUMS or len(notes) < _FEWEST_NOTES:
        return None
    slips_s = np.array([told.slip_s for told in (*sums, *notes)])
    summed = np.log([max(told.evidence, _NO_EVIDENCE) for told in sums]) / _SUM_SCALE
    heard = np.array([told.evidence for told in notes]) / _NOTES_SCALE
    odds = _odds(sums, summed, slips_s) + _odds(notes, heard, slips_s)
    tops = _tops(odds, slips_s)
    leads = [float(odds[one] - odds[other]) for one, other in itertools.pairwise(tops)]
    lead, of_both, *_ = *leads, 0.0, 0.0
    return Pooled(float(slips_s[tops[0]]), lead, of_both)


def _tops(odds: NDArray[np.float64], slips_s: NDArray[np.float64]) -> list[int]:
    """Return the three places with the highest odds, the highest first, and none near another; fewer if there are."""
    tops: list[int] = []
    for at in np.argsort(-odds, kind="stable").tolist():
        if all(abs(slips_s[at] - slips_s[top]) > coarse.APART_S for top in tops):
            tops.append(at)
    return tops[:3]


def _odds(said: Sequence[Told], odds: NDArray[np.float64], slips_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the odds that one hearing gives each of some slips, of those of the places that it names."""
    near = np.abs(slips_s[:, None] - [told.slip_s for told in said]) <= SAME_S
    return np.asarray(np.where(near, odds, odds.min()).max(axis=1), np.float64)
