"""Frames that show the one before once more, told from pictures that follow each other. Pure.

A sensor makes new grain for every frame, so where nothing moves two frames differ by grain, and where something moves
by more. A frame shown again brings neither. An encoder blurs that: it goes on refining the frame it has, so that
something changes all the same, and it spends its bits unevenly, so that right after a key frame little changes anyway.
So each frame's change is held against that of its neighbours, place by place, and then against what is usual in this
take that many frames after a key frame. Where an encoder has smoothed the grain away, nothing is usual, and nothing is
told but what stands quite still.

Whether a repeated frame would show at all is told by the frames that are not: where grain is new in every frame, a
frame differs from the next but one as much as from the next. Where an encoder of few bits carries grain along and
mends it bit by bit, it differs more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.render.robust import MAD_TO_SIGMA
from partsong.shoot.order import ENDS

_NEIGHBOURS = 3  # changes on either side that are usual; two of them must be there
_LEAST = 1e-5  # of the signal: below it, a change is none
_GRAIN = 2e-4
"""Of the signal, a fifth of a 10-bit code: where the usual change is less, most pixels do not change, and no grain is
kept that could be missed."""
_STILL = 1.5  # times the median change: up to that, nothing moves in a tile
_MOVES, _MOVES_BY = 2.0, 0.002  # times the median change, and of the signal: from there on, something does
_FEW, _MANY = 6, 12  # tiles with movement, of which it can be told that it stopped, and surely
_MOST_OF_THEM = 0.8

_LESS = 0.75
"""Of the usual change. Repeated frames come to 0.66 and less where grain is kept, on the seeds for tuning."""
_LESS_AT_ALL = 0.85
"""Of its neighbours' change: a repeated frame is below, whatever is usual that far from a key frame."""
_LESS_STANDING = 0.84
"""Of what is usual of key frames, where all that moved stands quite still. Their grain is new in a repeated one too."""
_LESS_UNMOVED = 0.6
"""The same where nothing moves that could have stopped. What no frame repeats comes down to 0.7 there."""
_COPY = 0.03
"""Of what is usual that far from a key frame: the frame before, bit for bit or nearly so."""
_STOPPED = 0.35
_STOPPED_AT_KEY, _STOPPED_QUITE = 0.2, 0.1
_QUITE = 0.2
_ABOVE_ALL, _ABOVE_OWN = 5.0, 3.0  # standard deviations of the take, and of frames as far from a key frame
_UNEVEN = 0.15
"""Powers of two by which the change of frames spreads: beyond it, grain is gone, and a low one says little."""
_USUALLY_LITTLE = 0.5  # of the neighbours' change
_UNEVEN_OWN = 0.25  # the same of frames as far from a key frame: a repeated frame is half a power or more below
_RENEWED, _NEW = 1.28, 1.2
"""The change over two frames in shares of that from frame to frame, below which repeats show, and below which no frame
is left as the one before was for want of bits.

On the seeds for tuning it is 1.12 to 1.19 at a bit a pixel, 1.21 to 1.24 with the demo's camera, 1.24 to 1.27 in H.265
of half a bit, and 1.29 to 1.41 in H.264 of half a bit, which hides repeats.
"""
_ENOUGH = 3
_REGULARLY = 0.6


@dataclass(frozen=True, slots=True)
class Again:
    """``frames`` show the one before again; ``asked`` are the frames of which that could be told.

    ``told`` says whether the take keeps and renews enough grain for an answer; what is found where it does not is there
    all the same.
    """

    frames: tuple[int, ...]
    asked: tuple[int, ...]
    told: bool


def found_again(
    runs: Sequence[tuple[int, NDArray[np.floating], NDArray[np.floating]]], keys: NDArray[np.bool_]
) -> Again:
    """Look for repeated frames in stretches of a take.

    Parameters
    ----------
    runs : sequence of (first, changes, over_two)
        Of each stretch of n frames its first one and the mean change of luma in each tile, in shares of the signal,
        from each frame to the next, (n - 1, tiles), and to the next but one, (n - 2, tiles).
    keys : (frames of the take,)
        Whether each frame is encoded alone.
    """
    parts = [(first, *_held(np.asarray(changes, np.float64))) for first, changes, _ in runs if len(changes) > 2]
    if not parts:
        return Again((), (), False)
    frames = np.concatenate([first + 1 + np.arange(len(still)) for first, still, _, _ in parts])
    still, stopped, moving = (np.concatenate([part[n] for part in parts]) for n in (1, 2, 3))
    since = _since_key(keys)[frames]
    least, own = np.full(len(frames), np.nan), np.zeros(len(frames))
    regular, standing = np.zeros((2, len(frames)), bool)
    for distance in np.unique(since):
        here = since == distance
        values = still[here & ~np.isnan(still)]
        if len(values) >= _ENOUGH:
            least[here] = np.log2(still[here] / np.median(values))
            own[here] = MAD_TO_SIGMA * np.median(np.abs(least[here & ~np.isnan(still)]))
            # Where frames usually change little, the next one makes up for it.
            standing[(here | (since == distance + 1)) & (np.median(values) < _USUALLY_LITTLE)] = True
        known = here & ~np.isnan(stopped)
        # A recorder that converts the rate repeats regularly, and that is usual then: but nothing ever moves in it.
        low = known & (still < _LESS) & (stopped < _STOPPED_AT_KEY)
        if known.sum() >= _ENOUGH and low.sum() >= _REGULARLY * known.sum():
            regular |= low
    inner = (frames >= ENDS) & (frames < len(keys) - ENDS)
    least[~inner] = np.nan
    asked = ~np.isnan(least)
    if not asked.any():
        return Again((), (), False)
    spread = MAD_TO_SIGMA * float(np.median(np.abs(least[asked])))
    renewed = _renewed(runs)
    kept = spread < _UNEVEN
    limit = -np.maximum(_ABOVE_ALL * spread, _ABOVE_OWN * own)
    at_key, unmoved = since == 0, np.isnan(stopped)
    with np.errstate(invalid="ignore"):
        less = (least < np.minimum(np.log2(_LESS), limit)) & (stopped < _STOPPED) & (still < _LESS_AT_ALL)
        # Right after a key frame some encoders spend so little that they leave the frame as it is.
        less |= unmoved & (since > 1) & (least < np.minimum(np.log2(_LESS_UNMOVED), limit))
        less |= unmoved & (renewed < _NEW) & (least < np.log2(_COPY))
        less |= at_key & (least < np.log2(_LESS)) & (stopped < _STOPPED_AT_KEY)
        stands = np.minimum(np.log2(_LESS_STANDING), -_ABOVE_OWN * own)
        less |= at_key & (least < stands) & (stopped < _STOPPED_QUITE)
        quite = (still < _QUITE) & (stopped < _STOPPED_QUITE) & (moving >= _MANY)
    quite &= inner
    chosen = ((less | regular) & kept) | quite
    told = kept and renewed < _RENEWED
    # Not of frames as far from a key frame as where they change unevenly, or little, or where only movement tells.
    asked &= (own < _UNEVEN_OWN) & ~standing & ~(unmoved & (at_key | ((since == 1) & (renewed >= _NEW))))
    return Again(_numbers(frames[chosen]), _numbers(frames[asked]), told)


def _numbers(frames: NDArray[np.intp]) -> tuple[int, ...]:
    return tuple(sorted({int(frame) for frame in frames}))


def _renewed(runs: Sequence[tuple[int, NDArray[np.floating], NDArray[np.floating]]]) -> float:
    """Return by how much more frames differ from the next but one than from the next, as it is in most tiles."""
    once = np.concatenate([changes.reshape(len(changes), -1) for _, changes, _ in runs])
    twice = np.concatenate([over_two.reshape(len(over_two), -1) for _, _, over_two in runs])
    if not len(twice):
        return float("inf")
    return float(np.median((np.median(twice, axis=0) + _LEAST) / (np.median(once, axis=0) + _LEAST)))


def _held(changes: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.intp]]:
    """Return, of each change (n, tiles), its share of the usual one where nothing moves and where something does.

    The third is in how many tiles something does. NaN where there are no neighbours, or too few such tiles.
    """
    tiles = changes.reshape(len(changes), -1)
    usual = np.minimum(_middle_of_neighbours(tiles), _middle_of_neighbours(tiles[::-1])[::-1])
    still, stopped = np.full(len(tiles), np.nan), np.full(len(tiles), np.nan)
    moving = np.zeros(len(tiles), np.intp)
    for n, (change, reference) in enumerate(zip(tiles, usual, strict=True)):
        if not np.isfinite(reference).all():
            continue
        base = float(np.median(reference))
        calm = reference <= _STILL * base
        grain = float(np.median(reference[calm]))
        if grain >= _GRAIN:
            still[n] = (float(np.median(change[calm])) + _LEAST) / (grain + _LEAST)
        moves = reference > max(_MOVES * base, _MOVES_BY)
        moving[n] = int(moves.sum())
        if moving[n] >= _FEW:
            left = np.maximum(change[moves] - np.median(change), 0) / (reference[moves] - base)
            stopped[n] = float(np.quantile(left, _MOST_OF_THEM))
    return still, stopped, moving


def _middle_of_neighbours(tiles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of the changes before each, infinite where there are less than two."""
    before = np.full((_NEIGHBOURS, *tiles.shape), np.inf)
    for back in range(1, _NEIGHBOURS + 1):
        before[back - 1, back:] = tiles[:-back]
    before.sort(axis=0)
    middle: NDArray[np.float64] = before[1].copy()
    if len(tiles) > _NEIGHBOURS - 1:
        # Of two, the middle is between them.
        middle[_NEIGHBOURS - 1] = before[:2, _NEIGHBOURS - 1].mean(axis=0)
    return middle


def _since_key(keys: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return how many frames ago the last key frame was; in a clip of key frames alone they are no matter: 2."""
    if keys.all():
        return np.full(len(keys), 2, np.intp)
    numbers = np.arange(len(keys))
    return np.asarray(numbers - np.maximum.accumulate(np.where(keys, numbers, 0)), np.intp)
