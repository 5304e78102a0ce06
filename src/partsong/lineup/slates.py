"""Flash slates: a flash that lights up the room marks one moment in the picture of every camera that ran.

A flash is found where a good part of the picture grows brighter from one frame to the next and goes dark again soon
after. What pans, walks through or is switched on for good does not: it darkens as much as it brightens, or it stays.

**How closely.** A frame says only that the light came while it was exposed, so each flash is known to one frame of its
camera. Two cameras that saw several flashes are known more closely: only what all of them allow together is left.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.lineup.motion import CELL_PX

VERSION = 1
"""Raised whenever the turns change, so that those of older versions in the cache are not used."""

BRIGHTER_CODES = 6.0
"""A cell counts from this change on, in 8-bit codes: three times the noise of a dark room, and a tenth of a flash."""
LIT_SHARE, DARK_SHARE = 0.30, 0.20
"""This share of the cells must brighten, net, and this darken again; the rest is burnt out or out of its reach."""
LONGEST_S = 0.25
"""A flash is over after this; a lamp that is switched on stays."""


@dataclass(frozen=True, slots=True)
class Flash:
    """A flash as seen: the light came between two times of the take's own clock, in seconds."""

    from_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class Shared:
    """What two takes' flashes say of them: the second take's clock shows ``offset_s`` less than the first's.

    ``within_s`` is half of what the frames leave open; ``matched`` flashes agree, and ``only`` says that no other
    offset matches as many.
    """

    offset_s: float
    within_s: float
    matched: int
    only: bool


def turns(lumas: Iterable[NDArray[np.floating]]) -> NDArray[np.float32]:
    """Return which share of the cells brightens and which darkens, at every frame against the one before.

    Parameters
    ----------
    lumas : iterable of ndarray, shape (height, width)
        Small pictures in 8-bit codes, both sides multiples of :data:`partsong.lineup.motion.CELL_PX`.

    Returns
    -------
    ndarray, shape (frames, 2)
        The shares that brighten and darken, from 0 to 1; the first frame has none.
    """
    before: NDArray[np.floating] | None = None
    found: list[tuple[float, float]] = []
    for luma in lumas:
        rows, columns = luma.shape[0] // CELL_PX, luma.shape[1] // CELL_PX
        cells = luma.reshape(rows, CELL_PX, columns, CELL_PX).mean(axis=(1, 3))
        if before is None:
            found.append((0.0, 0.0))
        else:
            rise = cells - before
            found.append((float(np.mean(rise > BRIGHTER_CODES)), float(np.mean(rise < -BRIGHTER_CODES))))
        before = cells
    return np.array(found, np.float32).reshape(-1, 2)


def find_flashes(shares: NDArray[np.floating], rate_hz: float) -> tuple[Flash, ...]:
    """Return the flashes of a take in order, from its :func:`turns` and its frames a second.

    Examples
    --------
    >>> find_flashes(np.array([(0, 0), (0, 0), (0.9, 0), (0, 0.8), (0, 0)]), 25.0)
    (Flash(from_s=0.08, until_s=0.12),)
    """
    brighter, darker = shares[:, 0], shares[:, 1]
    net = brighter - darker
    longest = max(1, round(LONGEST_S * rate_hz))
    found: list[Flash] = []
    at = 0
    while at < len(net):
        if net[at] < LIT_SHARE:
            at += 1
            continue
        # A shutter that rolls down the picture may leave the other part of it to the next frame.
        last = at + 1 if at + 1 < len(net) and brighter[at + 1] >= DARK_SHARE else at
        over = next((n for n in range(last + 1, min(last + 1 + longest, len(net))) if net[n] <= -DARK_SHARE), None)
        if over is not None:
            found.append(Flash(at / rate_hz, (last + 1) / rate_hz))
        at = (last if over is None else over) + 1
    return tuple(found)


def shared(one: Sequence[Flash], other: Sequence[Flash]) -> Shared | None:
    """Return the offset at which most flashes of two takes fall together, or None where one of them saw none.

    Clocks are taken to run alike: over ten minutes at 20 parts in a million they part by a third of a frame.

    Examples
    --------
    >>> shared([Flash(2.0, 2.04)], [Flash(1.0, 1.04)])
    Shared(offset_s=1.0, within_s=0.04, matched=1, only=True)
    """
    ranges = [(a.from_s - b.until_s, a.until_s - b.from_s) for a in one for b in other]
    best: list[tuple[int, float, float]] = []
    for low, high in ranges:
        inside = [(max(low, other_low), min(high, other_high)) for other_low, other_high in ranges]
        kept = [(a, b) for a, b in inside if a < b]
        # Of the offsets that this pair allows, those that most pairs allow.
        middle = max(((a + b) / 2 for a, b in kept), key=lambda m: sum(a <= m <= b for a, b in kept))
        chosen = [(a, b) for a, b in kept if a <= middle <= b]
        best.append((len(chosen), max(a for a, _ in chosen), min(b for _, b in chosen)))
    if not best:
        return None
    matched, low, high = max(best, key=lambda found: found[0])
    rivals = [found for found in best if found[0] == matched and (found[1] > high or found[2] < low)]
    return Shared(round((low + high) / 2, 9), round((high - low) / 2, 9), matched, not rivals)
