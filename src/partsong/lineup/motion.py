"""Where on the song a take sits, by what the picture shows: hands move when notes start.

For takes whose sound says nothing: a part that went straight into the desk, a silent track. The picture is looked at
small, in cells of eight by eight pixels. A cell's *movement* is how much it changed from one frame to the next, its
own mean change taken out, so that a lamp which brightens it counts for nothing; its *looks* are the mean luma of its
four quarters. Frames in which most of the picture changes at once (a knock against the tripod, a flash, a key frame of
the codec) are left out.

**Candidates.** The tracks of all cells are slid along the part's notes. Which cells show the hands nobody says: it is
learned from the take itself. At every lag, each stretch of the take is scored with the cells that followed the notes in
all the *other* stretches, so that a lag counts only if the same cells keep following the notes all through. Where in a
movement the note lies is guessed in three rough ways (*struck*: fastest just before the note; *plucked*: just after it;
*drawn*: slowest at it).

**Places.** Each candidate is then read closely (:mod:`partsong.lineup.readings`): which gesture, with the notes where,
explains best how the cells move and look. The place that is explained best must stand above all others, more than half
a second away, and its reading above all other readings of it that put the notes elsewhere; a person is asked otherwise.

**Conventions.** Movement ``i`` lies between frames ``i`` and ``i + 1``, at ``(i + 0.5) / rate``; looks ``i`` are of
frame ``i``. A *start* is where the take's first frame is on the song, in seconds. Light needs no time to the camera: no
arrival delay.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from partsong.film.records import Confidence
from partsong.lineup.confidence import halves_agree, paired_t
from partsong.lineup.features import ONSET_RATE_HZ, Floats
from partsong.lineup.following import followed, unlike
from partsong.lineup.readings import Place, Reading, Take, local_mean

WIDTH_PX = 160
"""The width at which a take is looked at: a hand in a wide frame is still about a cell."""
CELL_PX = 8
QUARTERS = 4
"""How many parts of a cell are looked at by themselves."""

VERSION = 3
"""Raised whenever what is seen changes, so that what older versions left in the cache is not used."""

MOST_SIGHTS = 8
_MOST_PLACES = 16
_MOST_PEAKS = 24  # of each rough way of moving
_APART_S = 0.15  # within one rough way, closer than this two places are the same
_PLACES_APART_S = 0.3  # and this between all of them: each is read within 0.44 s to either side
_SAME_S = 0.06
_FAR_S = 0.45
_SHAPE_S = 0.4
_WAYS: tuple[tuple[tuple[float, float, float], ...], ...] = (  # weight, centre and width in seconds after the note
    ((1.0, -0.04, 0.035), (0.7, -0.20, 0.05), (-1.0, 0.10, 0.07)),  # struck
    ((1.0, 0.03, 0.04), (-1.0, -0.10, 0.07)),  # plucked
    ((0.5, -0.20, 0.08), (0.5, 0.20, 0.08), (-1.0, 0.0, 0.05)),  # drawn
)
_MOST_CELLS = 80
_LEAST_STRETCHES = 12
_RIVALS = 2  # as many places elsewhere are read as closely as the best one
_LEAST_FLOOR = 0.01  # in squared 8-bit codes: below it lies the rounding of the decoder, not noise
_SHRINK = 0.1  # how far the cells' correlations are drawn towards none before they are undone
_LEAD, _AGAINST = 16.0, 2.0
_TOLD_APART = 3.0
_ASKED_LEAD, _ASKED_T = 6.0, 6.0


@dataclass(frozen=True, slots=True)
class Motion:
    """What is seen of a take: how its cells move, and how they look.

    Parameters
    ----------
    change : ndarray, shape (cells, frames - 1)
        Root mean square change from frame to frame in 8-bit codes.
    looks : ndarray, shape (cells, QUARTERS, frames - 1)
        Mean luma of each cell's quarters, in 8-bit codes, of all frames but the last.
    rate_hz : float
        Frames a second.
    first_s : float
        The media time of the first frame looked at.
    """

    change: NDArray[np.floating]
    looks: NDArray[np.floating]
    rate_hz: float
    first_s: float = 0.0

    @classmethod
    def of(cls, watched: NDArray[np.floating], rate_hz: float, first_s: float = 0.0) -> Motion:
        """Take apart what :func:`watched` returned."""
        return cls(watched[:, 0], watched[:, 1:], rate_hz, first_s)


@dataclass(frozen=True, slots=True)
class Sight:
    """A place where the take might sit by its picture, and how well it explains what is seen, in nats."""

    start_s: float
    nats: float


@dataclass(frozen=True, slots=True)
class Steady:
    """How a place stands against the ones after it.

    ``lead`` is in nats. ``t`` says how steadily its stretches speak for it (Student's t), ``against`` how steadily they
    prefer it to whichever other place comes nearest, and ``halves_agree`` whether even and odd stretches both do.
    """

    lead: float = 0.0
    t: float = 0.0
    against: float = 0.0
    halves_agree: bool = False


@dataclass(frozen=True, slots=True)
class Seen:
    """The answer for one take: at most ``likely``.

    ``way`` is how the part seems to be played. ``agreed`` of ``blocks`` stretches speak for the best place, and its
    best reading explains ``apart`` nats more than any other that puts the notes elsewhere.
    """

    confidence: Confidence
    reason: str
    sights: tuple[Sight, ...] = ()
    way: str = ""
    blocks: int = 0
    agreed: int = 0
    steady: Steady = Steady()
    apart: float = 0.0

    @property
    def margin(self) -> float:
        """How far the best place stands above the next (0 to 1)."""
        return self.steady.lead / self.sights[0].nats if self.sights and self.sights[0].nats > 0 else 0.0


def watched(lumas: Iterable[NDArray[np.floating]]) -> NDArray[np.float16]:
    """Return how each cell changes from frame to frame, and how its quarters look.

    Parameters
    ----------
    lumas : iterable of ndarray, shape (height, width)
        Small pictures in 8-bit codes (fractions allowed), both sides multiples of :data:`CELL_PX`.

    Returns
    -------
    ndarray, shape (cells, 1 + QUARTERS, frames - 1)
        The change first. Half precision keeps three digits of it, in half the room.
    """
    before: NDArray[np.floating] | None = None
    found: list[NDArray[np.float16]] = []
    half = CELL_PX // 2
    for luma in lumas:
        if before is not None:
            rows, columns = luma.shape[0] // CELL_PX, luma.shape[1] // CELL_PX
            cells = (luma - before).reshape(rows, CELL_PX, columns, CELL_PX)
            spread = (cells**2).mean(axis=(1, 3)) - cells.mean(axis=(1, 3)) ** 2
            quarters = before.reshape(rows, 2, half, columns, 2, half).mean(axis=(2, 5)).swapaxes(1, 2)
            change = np.sqrt(np.maximum(spread, 0)).reshape(-1, 1)
            found.append(np.hstack([change, quarters.reshape(-1, QUARTERS)]).astype(np.float16))
        before = luma
    return np.stack(found, axis=-1) if found else np.zeros((0, 1 + QUARTERS, 0), np.float16)


def note_starts(onsets: Floats) -> NDArray[np.float64]:
    """Boil the onsets (bands, n) of a stem at 200 Hz down to where its notes start, (n,) from 0 to 1."""
    rise = np.maximum(onsets, 0).sum(axis=0, dtype=np.float64)
    starts = np.sqrt(np.maximum(rise - 2 * local_mean(rise, ONSET_RATE_HZ // 4), 0))
    if starts.any():
        starts /= np.percentile(starts[starts > 0], 95)
    return np.asarray(np.minimum(starts, 1))  # one loud note must not outweigh a bar


def expected_motion(starts: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Turn note starts into the movement that goes with them, one track for each way of moving, all (n,) at 200 Hz."""
    half = round(_SHAPE_S * ONSET_RATE_HZ)
    at_s = np.arange(-half, half + 1) / ONSET_RATE_HZ
    tracks = []
    for way in _WAYS:
        weight, centre, width = (column[:, None] for column in np.array(way).T)
        shape = np.sum(weight / width * np.exp(-0.5 * ((at_s - centre) / width) ** 2), axis=0)
        moved = np.convolve(starts, shape)[half : half + len(starts)]
        tracks.append(moved - local_mean(moved, ONSET_RATE_HZ // 2))
    return tracks


def look(motion: Motion, onsets: Floats) -> Seen:
    """Find where a take sits by its movement.

    Parameters
    ----------
    motion : Motion
        Of the take.
    onsets : ndarray, shape (bands, n)
        Of the part's stem at 200 Hz, as heard (:class:`partsong.lineup.features.Envelopes`).
    """
    take = _take(motion)
    starts = note_starts(onsets)
    if take is None:
        return Seen("none", "Nothing moves in the picture")
    notes_s = _peak_times(starts)
    if not len(notes_s):
        return Seen("none", "The part's stem has no notes to compare the picture with")
    places = [Place(take, notes_s, at_s) for at_s in _candidates(take, starts)]
    if not places:
        return Seen("none", "No movement of the picture goes with the notes")
    return _judged(take, places, motion.first_s)


# --- inside ---------------------------------------------------------------------------------------


def _at_rate(envelope: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    # The envelope holds nothing faster than its bumps, which the frames of a camera can follow.
    frames = int(len(envelope) / ONSET_RATE_HZ * rate_hz)
    return np.interp(np.arange(frames) / rate_hz, np.arange(len(envelope)) / ONSET_RATE_HZ, envelope)


def _take(motion: Motion) -> Take | None:
    """Return what the liveliest cells show, or nothing where none is lively."""
    change = motion.change.astype(np.float64) ** 2
    if change.shape[-1] < 2 * motion.rate_hz:
        return None
    floor = np.maximum(np.percentile(change, 15, axis=1, keepdims=True), _LEAST_FLOOR)
    moved = np.sqrt(np.maximum(change / floor - 1, 0))
    most = np.median(moved, axis=0)  # of all cells: what moves here is the camera or the light
    middle, upper = np.percentile(most, [50, 75])
    counts = (most <= middle + 6 * (upper - middle + 0.05)).astype(np.float64)
    lively = np.flatnonzero(np.percentile(moved, 95, axis=1) > 1)  # for a twentieth of the time, twice the noise
    if not len(lively):
        return None
    moved = np.minimum(moved[lively], np.percentile(moved[lively], 98, axis=1, keepdims=True))
    half = round(motion.rate_hz / 2)
    moved = (moved - local_mean(moved, half)) * counts
    scatter = moved.std(axis=1)
    chosen = np.argsort(-scatter, kind="stable")[:_MOST_CELLS]
    chosen = chosen[scatter[chosen] > 0]
    if not len(chosen):
        return None
    moves = moved[chosen] / np.sqrt(np.sum(moved[chosen] ** 2, axis=1, keepdims=True))
    looks = motion.looks[lively[chosen]].astype(np.float64)
    return Take(moves, (looks - local_mean(looks, half)) * counts, counts, motion.rate_hz)


def _candidates(take: Take, starts: NDArray[np.float64]) -> list[float]:
    """Return the places where cells follow the notes best, by one rough way of moving or another."""
    tracks = unlike(take.moves, _SHRINK)
    found = [
        peak
        for expected in expected_motion(starts)
        for peak in _peaks_of(take, tracks, _at_rate(expected, take.rate_hz))
    ]
    chosen: list[float] = []
    for _, start_s in sorted(found, reverse=True):
        if all(abs(start_s - other) > _PLACES_APART_S for other in chosen):
            chosen.append(start_s)
            if len(chosen) == _MOST_PLACES:
                break
    return chosen


def _scores(take: Take, tracks: NDArray[np.float64], expected: NDArray[np.float64]) -> tuple[int, NDArray[np.float64]]:
    """Score every lag: the first one, and the sum over the take's stretches, none where it would mean nothing."""
    n, m = tracks.shape[1], len(expected)
    size = fft.next_fast_len(n + m - 1, real=True)
    lags = np.arange(1 - n, m)
    counted = np.conj(fft.rfft(take.counts.astype(np.float32), size))

    def slid(series: NDArray[np.floating]) -> NDArray[np.float32]:
        return np.asarray(fft.irfft(fft.rfft(series.astype(np.float32), size) * counted, size)[lags])

    overlap, energy = slid(np.ones(m)), slid(expected**2)
    valid = overlap >= 0.5 * min(m, take.counts.sum())
    # Where the part hardly plays in the overlap, the quotient would be of next to nothing.
    valid &= energy > 0.3 * np.median(energy[valid]) if valid.any() else False
    first, scores = followed(tracks, expected[None], max(take.stretches, 4))
    return first, np.where(valid, scores.sum(axis=0) / np.maximum(energy, 1e-9) ** 1.5, 0.0)


def _peaks_of(take: Take, tracks: NDArray[np.float64], expected: NDArray[np.float64]) -> list[tuple[float, float]]:
    """Return the best places for one rough way of moving: score, start in seconds."""
    first, total = _scores(take, tracks, expected)
    # Movement i lies half a frame after frame i.
    return [(float(total[at]), (first + at - 0.5) / take.rate_hz) for at in _peaks(total, take.rate_hz)]


def _judged(take: Take, places: list[Place], first_s: float) -> Seen:
    glances = [place.glance() for place in places]
    # Bows turn either way at a note, and what does not come back with it is not counted for them: movement decides.
    bowed = max(glance.bow for glance in glances) > max(glance.hand_moved for glance in glances)

    def explains(at: int) -> float:
        return glances[at].bow if bowed else glances[at].hand

    def start_s(at: int) -> float:
        return glances[at].bow_s if bowed else glances[at].hand_s

    order = sorted(range(len(places)), key=lambda at: -explains(at))
    # Read with the notes in the middle, so that what might be meant before and after them is seen alike.
    best = places[order[0]].at(start_s(order[0]))
    reading, others, apart = _read(best, bowed, 1 / take.rate_hz)
    far = [at for at in order[1:] if abs(start_s(at) - reading.start_s) > _FAR_S]
    rivals = [_readings(places[at], bowed)[0] for at in far[:_RIVALS]]
    stretches = np.stack([one.stretches for one in (reading, *rivals)])
    steady = Steady(
        lead=reading.nats - max((rival.nats for rival in rivals), default=0.0),
        t=paired_t(stretches[0], np.zeros_like(stretches[0])),
        against=min((paired_t(stretches[0], rival) for rival in stretches[1:]), default=float("inf")),
        halves_agree=halves_agree(stretches, 0),
    )
    sights = [
        *((one.start_s, one.nats) for one in (reading, *others, *rivals)),
        *((start_s(at), explains(at)) for at in far[_RIVALS:]),
    ]
    confidence, reason = _judge(take.stretches, steady, apart)
    return Seen(
        confidence,
        reason,
        tuple(Sight(start_s - first_s, nats) for start_s, nats in sights[:MOST_SIGHTS]),
        reading.way,
        take.stretches,
        int(np.sum(stretches[0] > 0)),
        steady,
        apart,
    )


def _readings(place: Place, bowed: bool) -> list[Reading]:
    return place.bows() if bowed else place.hands()


def _read(place: Place, bowed: bool, frame_s: float) -> tuple[Reading, list[Reading], float]:
    """Read a place closely: the best reading, others that put the notes elsewhere, and how far it leads them."""
    readings = _readings(place, bowed)
    best = readings[0]
    others: list[Reading] = []
    for reading in readings[1:]:
        if all(abs(reading.start_s - other.start_s) > max(frame_s, _SAME_S) for other in (best, *others)):
            others.append(reading)
    beside = [reading.nats for reading in readings if abs(reading.start_s - best.start_s) > frame_s]
    apart = best.moved - (place.glance().hand_moved if bowed else place.bows()[0].nats)
    return best, others, min(apart, best.nats - max(beside, default=0.0))


def _judge(stretches: int, steady: Steady, apart: float) -> tuple[Confidence, str]:
    """Say how much a place is worth.

    The limits were set on 72 drawn players beside their own songs and 144 others (0253): of these the best came to 2.2
    against the places after it, but with a lead of 13, and to 1.8 with one of 25.
    """
    if steady.lead >= _LEAD and steady.against >= _AGAINST and steady.halves_agree:
        if stretches < _LEAST_STRETCHES:
            return "ask", "The player's movement fits the stem, but there is too little of it to rely on"
        if apart >= _TOLD_APART:
            return "likely", "The player's movement fits the stem"
        return "ask", "The player's movement fits the stem, but which part of it makes the notes cannot be told"
    if stretches < _LEAST_STRETCHES:
        return "none", "The picture is too short to be told by its movement"
    if steady.lead >= _ASKED_LEAD or steady.t >= _ASKED_T:
        return "ask", "The player's movement goes with the stem's notes, but fits several places almost equally well"
    return "none", "The movement in the picture fits the stem nowhere"


def _peaks(total: NDArray[np.float64], rate_hz: float) -> list[int]:
    inner = (total[1:-1] >= total[:-2]) & (total[1:-1] > total[2:]) & (total[1:-1] > 0)
    at = np.flatnonzero(inner) + 1
    at = at[np.argsort(-total[at], kind="stable")]
    chosen: list[int] = []
    for peak in at.tolist():
        if all(abs(peak - other) >= _APART_S * rate_hz for other in chosen):
            chosen.append(peak)
            if len(chosen) == _MOST_PEAKS:
                break
    return chosen


def _peak_times(starts: NDArray[np.float64]) -> NDArray[np.float64]:
    peaks, _ = signal.find_peaks(starts, height=0.3, distance=round(0.06 * ONSET_RATE_HZ))
    return np.asarray(peaks / ONSET_RATE_HZ)
