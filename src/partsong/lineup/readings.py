"""What a take's picture says of one place on the song: which gesture makes its notes, and where exactly they lie.

At a place the notes of the part are known, so that what the take does around them can be worked out from all of them
at once, by least squares. A gesture (:mod:`partsong.lineup.gestures`) foretells two things: how much each cell *moves*
from one frame to the next, and when the cells that show the hands *look* alike, namely whenever the hand is at the same
place. How looks go with the hand's place is left open, but for being the same at all notes.

How well a gesture fits is told in nats, half the logarithm of what it leaves unexplained for every look that a picture
of hands gives: frames are more than looks, since a movement goes on for many of them and many cells see the same hand.

Movement alone often fits two gestures: a brisk lift before a note looks like a pluck after it. Looks tell them apart:
a hand that strikes comes back to where it lay, lands there at the note and springs off; a finger that plucks leaves it.
Bows turn at every note, either way, so that their looks do not come back with the notes, and only movement counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from partsong.lineup.gestures import BOWS, WAYS, Array, Way, drawn

Rows = NDArray[np.float32]

_REACH_S, _STEP_S = 1.2, 0.02
_AT_S = np.linspace(-_REACH_S, _REACH_S, round(2 * _REACH_S / _STEP_S) + 1)
_NEAR = slice(20, -20)  # the steps within 0.8 s of the note, by which hands are found
SHIFTS_S = np.arange(-22, 23) * _STEP_S
"""How far from a place the notes are looked for."""

_STRETCH_S, _MOST_STRETCHES = 2.0, 32
_MOVES_HZ, _LOOKS_HZ = 2.5, 3.75  # looks a second that a cell's movement and the hands' looks are worth
_LEAST_LEFT = 1e-3
_HANDS = 12  # cells whose looks are taken
_LOOKS = 3  # of all their looks, what goes with the notes most
_KNOTS = np.array([0, 0.2, 0.45, 0.75, 1.1])  # of the hand's place, between which looks go in straight lines
_SMOOTH_MOVES, _SMOOTH_LOOKS = 0.02, 0.1
_STARTS, _STARTS_APART_S = 3, 0.035
_MOST_TRIES = 400
_SPREAD_S = 0.02


@dataclass(frozen=True, slots=True)
class Take:
    """What is compared of a take.

    Parameters
    ----------
    moves : ndarray, shape (cells, n)
        How the liveliest cells move between frame ``i`` and ``i + 1``, free of their local mean and of unit energy.
    looks : ndarray, shape (cells, parts, n)
        The mean luma of each part of these cells in frame ``i``, free of its local mean.
    counts : ndarray, shape (n,)
        Which frames count, 0 or 1.
    rate_hz : float
        Frames a second.
    """

    moves: Array
    looks: Array
    counts: Array
    rate_hz: float

    @property
    def length_s(self) -> float:
        """How long the take is."""
        return float(self.moves.shape[1] / self.rate_hz)

    @property
    def stretches(self) -> int:
        """Into how many stretches of two seconds it is cut, where steadiness counts."""
        return int(np.clip(self.length_s / _STRETCH_S, 1, _MOST_STRETCHES))


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read a take at a place: where it then starts on the song, in seconds, and how well that fits, in nats.

    ``moved`` is what of it movement says; ``stretches`` what each stretch of the take does (:attr:`Take.stretches`).
    """

    way: str
    start_s: float
    nats: float
    moved: float
    stretches: Array


@dataclass(frozen=True, slots=True)
class Glance:
    """What fits best near a place before anything is refined: starts in seconds, fits in nats.

    ``hand_moved`` is what hands explain of movement alone, ``bow`` what bows do.
    """

    hand_s: float
    hand: float
    hand_moved: float
    bow_s: float
    bow: float


class Place:
    """A take laid on the song at one place, ready to be compared with gestures.

    Parameters
    ----------
    take : Take
        What was seen.
    notes_s : ndarray, shape (notes,)
        When the part's notes start on the song.
    at_s : float
        Where on the song the take's first frame lies.
    """

    def __init__(self, take: Take, notes_s: Array, at_s: float) -> None:
        self.take, self.notes_s, self.at_s = take, notes_s, at_s
        moving = _around(take, notes_s, at_s + 0.5 / take.rate_hz)
        still = _around(take, notes_s, at_s)
        self._moves, self._moves_like = moving.T @ take.moves.T, moving.T @ moving
        self._hands = _most_like(moving[:, _NEAR], take.moves, _SMOOTH_MOVES)[:_HANDS]
        looks = _looks_of(still[:, _NEAR], take.looks[self._hands])
        self._looks, self._looks_like = still.T @ looks.T, still.T @ still

    def at(self, at_s: float) -> Place:
        """Return the same take laid on another place."""
        return Place(self.take, self.notes_s, at_s)

    def glance(self) -> Glance:
        """Say which of the gestures and bows that are tried fits best, near the place."""
        tried = [(float(fits.max()), shift_s, float(moved.max())) for shift_s, moved, fits in self._tried()]
        hand, shift_s, _ = max(tried)
        bow = self.bows()[0]
        return Glance(self.at_s - shift_s, hand, max(moved for *_, moved in tried), bow.start_s, bow.nats)

    def hands(self) -> list[Reading]:
        """Return readings by hands, refined from the best beginnings of each way, the best first."""
        found: list[Reading] = []
        fits = np.array([fits for _, _, fits in self._tried()])
        for way, columns in zip(WAYS, _columns(), strict=True):
            peaks = fits[:, columns].max(axis=1)
            chosen: list[int] = []
            for at in np.argsort(-peaks, kind="stable").tolist():
                if all(abs(SHIFTS_S[at] - SHIFTS_S[other]) > _STARTS_APART_S for other in chosen):
                    chosen.append(at)
                if len(chosen) == _STARTS:
                    break
            for at in chosen:
                values = way.tried[int(fits[at, columns].argmax())]
                found.append(self._refined(way, np.append(values, SHIFTS_S[at])))
        return sorted(found, key=lambda reading: -reading.nats)

    def bows(self) -> list[Reading]:
        """Return readings by bows, one for each shift that fits better than its neighbours, the best first."""
        take = self.take
        at_s = self.at_s + (np.arange(take.moves.shape[1]) + 0.5) / take.rate_hz - SHIFTS_S[:, None]
        fits, tracks = [], []
        for longest_s, swells in BOWS:
            tracks.append(_plain(_drawn_moves(at_s, self.notes_s, longest_s, swells, take.rate_hz), take))
            likeness = np.maximum(tracks[-1] @ take.moves.T, 0) ** 2
            energy = np.maximum(np.sum(tracks[-1] ** 2, axis=1, keepdims=True), 1e-12)
            fits.append(self._nats(_MOVES_HZ, likeness / energy))
        best = np.argmax(fits, axis=0)
        nats = np.max(fits, axis=0)
        inner = np.flatnonzero((nats[1:-1] >= nats[:-2]) & (nats[1:-1] >= nats[2:])) + 1
        found = [
            Reading(
                "drawn",
                self.at_s - _summit_s(nats, at),
                float(nats[at]),
                float(nats[at]),
                self._summed(self._gained(_MOVES_HZ, take.moves, tracks[best[at]][at][:, None], one_way=True)),
            )
            for at in (inner.tolist() or [int(nats.argmax())])
        ]
        return sorted(found, key=lambda reading: -reading.nats)

    # --- inside -----------------------------------------------------------------------------------

    def _nats(self, looks_hz: float, explained: NDArray[np.floating]) -> Array:
        left = np.log(np.maximum(1 - explained, _LEAST_LEFT)).sum(axis=-1)
        return np.asarray(-0.5 * looks_hz * self.take.length_s * left, np.float64)

    def _tried(self) -> Iterator[tuple[float, Array, Array]]:
        """Yield for every shift how well each tried gesture fits, by movement and in all."""
        tracks, places = _tried(self.take.rate_hz)
        moves, like = self._moves.astype(np.float32), self._moves_like.astype(np.float32)
        looks, looks_like = self._looks.astype(np.float32), self._looks_like.astype(np.float32)
        for number, shift_s in enumerate(SHIFTS_S):
            # A note that lies later by some steps: the same curves, begun as many steps earlier.
            first = len(SHIFTS_S) - 1 - number
            window = slice(first, first + len(_AT_S))
            moved = np.max([self._moved(rows[:, window], moves, like) for rows in tracks], axis=0)
            yield float(shift_s), moved, moved + self._looked(places[..., window], looks, looks_like)

    def _moved(self, rows: NDArray[np.floating], moves: NDArray[np.floating], like: NDArray[np.floating]) -> Array:
        energy = np.maximum(np.sum((rows @ like) * rows, axis=-1, keepdims=True), 1e-12)
        return self._nats(_MOVES_HZ, np.maximum(rows @ moves, 0) ** 2 / energy)

    def _looked(self, places: NDArray[np.floating], looks: NDArray[np.floating], like: NDArray[np.floating]) -> Array:
        products = places @ looks
        likeness = (places @ like) @ np.swapaxes(places, -1, -2)
        knots = likeness.shape[-1]
        drawn_in = 1e-3 * np.trace(likeness, axis1=-2, axis2=-1) / knots + 1e-9
        likeness = likeness + drawn_in[..., None, None] * np.eye(knots, dtype=likeness.dtype)
        return self._nats(_LOOKS_HZ, np.sum(np.linalg.solve(likeness, products) * products, axis=-2))

    def _curves(self, way: Way, point: Array) -> tuple[Array, Array]:
        return _curves(way, point[:-1], _AT_S - point[-1], self.take.rate_hz)

    def _fit(self, way: Way, point: Array) -> tuple[float, float]:
        unlikely = way.unlikely(point[:-1])
        if not np.isfinite(unlikely):
            return -np.inf, 0.0
        moves, place = self._curves(way, point)
        moved = max(
            float(self._moved(rows[None], self._moves, self._moves_like)[0]) for rows in (moves, np.sqrt(moves))
        )
        return moved + float(self._looked(_knotted(place), self._looks, self._looks_like)) - unlikely, moved

    def _refined(self, way: Way, point: Array) -> Reading:
        spread = np.append(0.5 * way.usual[:, 1], _SPREAD_S)
        corners = point + np.vstack([np.zeros(len(point)), np.diag(spread)])
        for corner in corners[1:]:
            if not np.isfinite(way.unlikely(corner[:-1])):
                corner[:] = 2 * point - corner

        def left(at: NDArray[np.floating]) -> float:
            return -self._fit(way, np.asarray(at))[0]

        found = np.asarray(
            optimize.fmin(left, point, xtol=1e-3, ftol=0.02, maxfun=_MOST_TRIES, disp=False, initial_simplex=corners)
        )
        nats, moved = self._fit(way, found)
        return Reading(way.name, self.at_s - float(found[-1]), nats, moved, self._stretches(way, found))

    def _stretches(self, way: Way, point: Array) -> Array:
        moves, place = self._curves(way, point)
        moving = _around(self.take, self.notes_s, self.at_s + 0.5 / self.take.rate_hz)
        still = _around(self.take, self.notes_s, self.at_s)
        gained = self._gained(_MOVES_HZ, self.take.moves, (moving @ moves)[:, None], one_way=True)
        looks = _looks_of(still[:, _NEAR], self.take.looks[self._hands])
        return self._summed(gained + self._gained(_LOOKS_HZ, looks, still @ _knotted(place).T))

    def _gained(self, looks_hz: float, tracks: Array, foretold: Array, *, one_way: bool = False) -> Array:
        """Say for every frame what foretold tracks (n, ways) explain of tracks (rows, n) of unit energy, in nats."""
        likeness = foretold.T @ foretold
        drawn_in = (1e-3 * np.trace(likeness) + 1e-12) * np.eye(len(likeness))
        weights = np.linalg.solve(likeness + drawn_in, foretold.T @ tracks.T)
        fitted = (foretold @ (np.maximum(weights, 0) if one_way else weights)).T
        explained = (2 * tracks - fitted) * fitted
        left = np.maximum(1 - explained.sum(axis=1, keepdims=True), _LEAST_LEFT)
        return np.asarray(0.5 * looks_hz * self.take.length_s * np.sum(explained / left, axis=0))

    def _summed(self, gained: Array) -> Array:
        return np.array([part.sum() for part in np.array_split(gained, self.take.stretches)])


def local_mean(track: NDArray[np.floating], half: int) -> Array:
    """Return the mean of what lies within ``half`` steps, along the last axis."""
    sums = np.concatenate([np.zeros((*track.shape[:-1], 1)), np.cumsum(track, axis=-1, dtype=np.float64)], axis=-1)
    at = np.arange(track.shape[-1])
    first, stop = np.maximum(at - half, 0), np.minimum(at + half + 1, track.shape[-1])
    return np.asarray((sums[..., stop] - sums[..., first]) / (stop - first))


def _plain(tracks: Array, take: Take) -> Array:
    return np.asarray((tracks - local_mean(tracks, round(take.rate_hz / 2))) * take.counts)


def _around(take: Take, notes_s: Array, first_s: float) -> Array:
    """Return how near each frame (rows) lies to each step around the notes (columns), summed over notes."""
    n, steps = take.moves.shape[1], len(_AT_S)
    at_s = first_s + np.arange(n) / take.rate_hz
    first, stop = (np.searchsorted(notes_s, at_s + side) for side in (-_REACH_S, _REACH_S))
    frames = np.repeat(np.arange(n), stop - first)
    notes = np.arange(len(frames)) - np.repeat(np.cumsum(stop - first) - stop, stop - first)
    step = (at_s[frames] - notes_s[notes] + _REACH_S) / _STEP_S
    below = np.clip(step.astype(int), 0, steps - 2)
    share = step - below
    near = np.zeros(n * steps)
    near += np.bincount(frames * steps + below, 1 - share, n * steps)
    near += np.bincount(frames * steps + below + 1, share, n * steps)
    return _plain(near.reshape(n, steps).T, take).T


def _responses(around: Array, tracks: Array, smooth: float) -> Array:
    """Return how tracks (rows, n) go around the notes, (steps, rows), by least squares drawn towards smooth courses."""
    likeness = around.T @ around
    slopes = np.diff(np.eye(len(likeness)), axis=0)
    ridge = smooth * np.trace(likeness) / len(likeness) + 1e-9
    return np.linalg.solve(likeness + ridge * (np.eye(len(likeness)) + slopes.T @ slopes), around.T @ tracks.T)


def _most_like(around: Array, tracks: Array, smooth: float) -> NDArray[np.intp]:
    follows = np.sum((around @ _responses(around, tracks, smooth)) * tracks.T, axis=0)
    return np.argsort(-follows, kind="stable")


def _looks_of(around: Array, looks: Array) -> Array:
    """Boil the looks of the hands' cells down to the few that go with the notes most, (looks, n) of unit energy."""
    parts = looks.reshape(-1, looks.shape[-1])
    scatter = parts.std(axis=1, keepdims=True)
    parts = np.where(scatter > 0, parts / np.sqrt(np.maximum(scatter, 1e-12)), 0)
    _, _, most = np.linalg.svd(around @ _responses(around, parts, _SMOOTH_LOOKS), full_matrices=False)
    found = most[:_LOOKS] @ parts
    return np.asarray(found / np.maximum(np.sqrt(np.sum(found**2, axis=1, keepdims=True)), 1e-12))


def _curves(way: Way, values: Array, since_s: Array, rate_hz: float) -> tuple[Array, Array]:
    """Return how much a gesture moves between two frames and where it is, at times after the note."""
    before, _ = way.curves(values, since_s - 0.5 / rate_hz)
    after, _ = way.curves(values, since_s + 0.5 / rate_hz)
    return np.maximum(after - before, 0), way.curves(values, since_s)[1]


def _knotted(places: Array) -> Array:
    """Spread places (..., steps) over the knots above none, (..., knots, steps)."""
    return np.stack([np.interp(places, _KNOTS, row) for row in np.eye(len(_KNOTS))[1:]], axis=-2)


def _columns() -> list[slice]:
    ends = np.cumsum([len(way.tried) for way in WAYS])
    return [slice(int(end) - len(way.tried), int(end)) for end, way in zip(ends, WAYS, strict=True)]


@lru_cache(maxsize=4)
def _tried(rate_hz: float) -> tuple[tuple[Rows, Rows], Rows]:
    """Return what the tried gestures foretell, movement in two strengths and place, with room to shift them."""
    reach_s = _REACH_S + float(SHIFTS_S[-1])
    at_s = np.linspace(-reach_s, reach_s, len(_AT_S) + len(SHIFTS_S) - 1)
    both = [_curves(way, values, at_s, rate_hz) for way in WAYS for values in way.tried]
    moves = np.array([moves for moves, _ in both], np.float32)
    places = _knotted(np.array([place for _, place in both])).astype(np.float32)
    return (moves, np.sqrt(moves)), places


def _drawn_moves(at_s: Array, notes_s: Array, longest_s: float, swells: bool, rate_hz: float) -> Array:
    half_s = 0.5 / rate_hz
    ahead, behind = (drawn(at_s + side, notes_s, longest_s, swells) for side in (half_s, -half_s))
    # Across a note the stroke begins anew: what is left of the old one and what the new one has come.
    return np.where(ahead >= behind, ahead - behind, 1 - behind + ahead)


def _summit_s(nats: Array, at: int) -> float:
    before, here, after = nats[at - 1 : at + 2] if 0 < at < len(nats) - 1 else (0.0, 1.0, 0.0)
    return float(SHIFTS_S[at] + _STEP_S * 0.5 * (before - after) / (before - 2 * here + after - 1e-12))
