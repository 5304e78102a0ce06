"""A mix taken apart into what one part may play: groups of notes that sound alike.

Whose notes are whose nobody says. But the network that hears them (:mod:`partsong.lineup.pitches`) gives each
twelve numbers that are alike for notes of one part; so they fall into groups. How many parts there are nobody says
either: all notes are one guess of what a part plays, each of three groups is another, and each of four, and of six.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from partsong.lineup.features import Floats, Halves, Heard
from partsong.lineup.pitches import TOLD_FOR, Notes, all_pitch_starts

_GROUPS = (1, 3, 4, 6)
_NOTHING = 0.05  # a start less likely is none
_CLEAR = 0.15  # a note likelier than this to be one, as odds would have it, is grouped
_WEIGHTED = 3.0  # how much more a start counted than none when the network was taught
_NEAR = 9  # frames between two notes of a pitch
_AFTER = 2  # pairs of frames after a note's start at which it is told whose it is
_SHARPNESS = 9.0  # where a note is nearer to one group by 0.3 in what they correlate, 15 parts of 16 are that one's
_ROUNDS = 25
_SURE = 0.95
_JITTER = 0.7  # frames
_AT_ONCE = 4000  # frames


VERSION = 1
"""Raised whenever another network hears notes, or they are grouped otherwise, so that what is kept is not used."""


class Starts(NamedTuple):
    """What starts in a song, both in half precision, from 0 to 1, at 200 Hz.

    ``likely`` is (pitches, frames): which note. ``guessed`` is (groups, frames): what single parts of a mix may play.
    """

    likely: Halves
    guessed: Halves


def starts_in(song: Heard) -> Starts:
    """Hear what starts in a stem or a mix: two seconds of work a minute."""
    notes = all_pitch_starts(song)
    return Starts(notes.likely, guesses(notes))


def guesses(notes: Notes) -> Halves:
    """Return how likely a note starts in each group: (groups, frames at 200 Hz), from 0 to 1, spread by 3.5 ms."""
    directions, weights = _clear(notes)
    groupings = [_grouped(directions, weights, groups) for groups in _GROUPS if groups <= len(directions)]
    if not groupings:
        return np.zeros((0, notes.likely.shape[1]), np.float16)
    rows = np.concatenate(
        [_starts(notes, groupings, first) for first in range(0, notes.likely.shape[1], _AT_ONCE)], axis=1
    )
    return np.asarray(ndimage.gaussian_filter1d(rows, _JITTER, axis=1, mode="constant"), np.float16)


def _clear(notes: Notes) -> tuple[Floats, Floats]:
    """Return the directions of the notes that are clearly heard (notes, 12), and how likely each is one (notes,)."""
    directions, weights = [], []
    for pitch, row in enumerate(notes.likely.astype(np.float32)):
        odds = row / (row + _WEIGHTED * (1 - row))
        tops = np.flatnonzero((odds >= ndimage.maximum_filter1d(odds, _NEAR)) & (odds > _CLEAR))
        pair = np.minimum(tops // 2 + _AFTER, notes.whose.shape[2] - 1)
        directions.append(_direction(notes.whose[:, pitch, pair]).T)
        weights.append(odds[tops])
    return np.concatenate(directions), np.concatenate(weights)


def _grouped(directions: Floats, weights: Floats, groups: int) -> Floats:
    """Return the directions (groups, 12) around which those of notes lie, each note belonging to all in some measure.

    References
    ----------
    Banerjee, Dhillon, Ghosh and Sra (2005), for groups of directions (from memory). The first begins as the clearest
    note's, each further one as that of a clear note far from all before.
    """
    centres = directions[[int(np.argmax(weights))]]
    while len(centres) < groups:
        apart = 1 - np.max(directions @ centres.T, axis=1)
        centres = np.concatenate([centres, directions[[int(np.argmax(weights * apart))]]])
    for _ in range(_ROUNDS):
        shares = _shares(directions @ centres.T) * weights[:, None]
        centres = _direction(directions.T @ shares).T
    return centres


def _direction(numbers: NDArray[np.floating]) -> Floats:
    """Return numbers (12, ...) as directions, of length one."""
    numbers = numbers.astype(np.float32)
    return np.asarray(numbers / (np.sqrt(np.sum(numbers**2, axis=0)) + 1e-6), np.float32)


def _shares(alike: Floats) -> Floats:
    """Return to what share something belongs to each group (..., groups), of how alike it is to them."""
    shares = np.exp(_SHARPNESS * (alike - alike.max(axis=-1, keepdims=True)))
    return np.asarray(shares / shares.sum(axis=-1, keepdims=True), np.float32)


def _starts(notes: Notes, groupings: list[Floats], first: int) -> Floats:
    """Return how likely a note starts in each group of all groupings (groups, frames), from an even frame on."""
    likely = notes.likely[:, first : first + _AT_ONCE].astype(np.float32)
    likely = np.where(likely < _NOTHING, 0, likely / TOLD_FOR)
    count = likely.shape[1]
    pairs = np.minimum(first // 2 + _AFTER + np.arange((count + 1) // 2), notes.whose.shape[2] - 1)
    directions = _direction(notes.whose[:, :, pairs])
    rows = []
    for centres in groupings:
        shares = _shares(np.einsum("dpn,gd->png", directions, centres))
        for share in np.moveaxis(shares, 2, 0):
            each = np.minimum(likely * np.repeat(share, 2, axis=1)[:, :count], _SURE)
            rows.append(1 - np.exp(np.sum(np.log1p(-each), axis=0)))
    return np.array(rows, np.float32)
