"""Where on the song a take sits, by what the picture shows: hands move when notes start.

For takes whose sound says nothing: a part that went straight into the desk, a silent track. The picture is looked at
small, in cells of eight by eight pixels. A cell's *movement* is how much it changed from one frame to the next, its
own mean change taken out, so that a lamp which brightens it counts for nothing. Frames in which most of the picture
changes at once (a knock against the tripod, a flash, a key frame of the codec) are left out.

The tracks of all cells are slid along the part's notes. Which cells show the hands nobody says: it is learned from
the take itself. At every place, each stretch of the take is scored with the cells that followed the notes in all the
*other* stretches, so that a place counts only if the same cells keep following the notes all through. The hands of a
player who plays another song do not, however much they move.

**Where in a movement the note lies** depends on how it is played. Three ways are tried, and compared like places:

* *struck*: the hand lifts, is fastest 40 ms before the note, and still once it has struck;
* *plucked*: still before the note, fastest 30 ms after it has begun;
* *drawn*: slowest at the note, where the bow turns.

These are common practice, no source. A hand that lifts and strikes looks much like one that plucks and goes back, a
fifth of a second later. So the take's own *response* is worked out: how it moves, on average, around each of the
notes. Where the hand gets ready, strikes and rests, the last burst of movement is the stroke, and the place is taken
from it. Where the response could be read in more than one way, a person is asked.

**Conventions.** Movement ``i`` lies between frames ``i`` and ``i + 1``, at ``(i + 0.5) / rate``. A *start* is where the
take's first frame is on the song, in seconds. Light needs no time to the camera: no arrival delay.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

from partsong.film.records import Confidence
from partsong.lineup.confidence import halves_agree, paired_t
from partsong.lineup.features import ONSET_RATE_HZ, Floats
from partsong.lineup.following import followed, unlike
from partsong.render.robust import MAD_TO_SIGMA

WIDTH_PX = 160
"""The width at which a take is looked at: a hand in a wide frame is still about a cell."""
CELL_PX = 8

VERSION = 2
"""Raised whenever the tracks change, so that those of older versions in the cache are not used."""

MOST_CANDIDATES = 8
_APART_S = 0.15  # within one way of moving, closer than this two places are the same
_SAME_S = 0.06  # and this between two ways: what they differ by where a movement is neither
_SHAPE_S = 0.4
_WAYS: tuple[tuple[tuple[float, float, float], ...], ...] = (  # weight, centre and width in seconds after the note
    ((1.0, -0.04, 0.035), (0.7, -0.20, 0.05), (-1.0, 0.10, 0.07)),  # struck
    ((1.0, 0.03, 0.04), (-1.0, -0.10, 0.07)),  # plucked
    ((0.5, -0.20, 0.08), (0.5, 0.20, 0.08), (-1.0, 0.0, 0.05)),  # drawn
)
_NEAR_S = 0.6
RESPONSE_REACH_S, RESPONSE_STEPS = 0.8, 81
_FOLLOWERS = 12
_RIVAL = 0.45  # a burst smaller than this share of the largest leaves it the only one
_BURSTS_WITHIN_S = 0.5  # further out the bursts of the notes before and after leak in
_TWO_BURSTS_S = 0.25  # further apart than this, two alike are no lift and stroke: a bow's two ways, or two notes
_SLOW_LIFT_S = 0.35  # and this where the second is clearly the faster
_AFTER = 0.25  # a burst after the stroke, as large as this, makes the stroke doubtful
_QUICK_LIFT = 1.25  # nor may the lift be faster than the stroke by more than this
_SETTLED_S = 0.03
_STRUCK_S, _PLUCKED_S = 0.03, 0.02  # after its fastest moment a struck note sounds; before it a plucked one does
_MOST_CELLS = 80
_MOST_BLOCKS, _LEAST_BLOCKS, _BLOCK_S = 32, 12, 2.0
_LEAST_FLOOR = 0.01  # in squared 8-bit codes: below it lies the rounding of the decoder, not noise
_SHRINK = 0.1  # how far the cells' correlations are drawn towards none before they are undone


@dataclass(frozen=True, slots=True)
class Motion:
    """How much each cell of a take's picture moves: root mean square change in 8-bit codes, (cells, frames - 1).

    ``first_s`` is the media time of the first frame looked at.
    """

    change: NDArray[np.floating]
    rate_hz: float
    first_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Sight:
    """A place where the take might sit by its picture, and how far it stands out of all places (a z-score)."""

    start_s: float
    z: float


@dataclass(frozen=True, slots=True)
class Seen:
    """The answer for one take: at most ``likely``.

    ``agreed`` of ``blocks`` stretches speak for the best place. ``t`` is how steadily they do (Student's t over
    blocks), ``runner_up_t`` the same of the best place against whichever other comes nearest, and ``margin`` how far
    its score stands above the second one (0 to 1). ``told_apart`` says whether the response left no doubt which of the
    hand's movements makes the note.
    """

    confidence: Confidence
    reason: str
    sights: tuple[Sight, ...]
    blocks: int
    agreed: int
    t: float
    runner_up_t: float
    halves_agree: bool
    margin: float
    told_apart: bool = True


@dataclass(frozen=True, slots=True)
class _Place:
    start_s: float
    z: float
    blocks: NDArray[np.float64]


def changes(lumas: Iterable[NDArray[np.floating]]) -> NDArray[np.float16]:
    """Return how much each cell changes from frame to frame.

    Parameters
    ----------
    lumas : iterable of ndarray, shape (height, width)
        Small pictures in 8-bit codes (fractions allowed), both sides multiples of :data:`CELL_PX`.

    Returns
    -------
    ndarray, shape (cells, frames - 1)
        Half precision keeps three digits of it, in half the room.
    """
    before: NDArray[np.floating] | None = None
    found: list[NDArray[np.float16]] = []
    for luma in lumas:
        if before is not None:
            rows, columns = luma.shape[0] // CELL_PX, luma.shape[1] // CELL_PX
            cells = (luma - before).reshape(rows, CELL_PX, columns, CELL_PX)
            spread = (cells**2).mean(axis=(1, 3)) - cells.mean(axis=(1, 3)) ** 2
            found.append(np.sqrt(np.maximum(spread, 0)).ravel().astype(np.float16))
        before = luma
    return np.stack(found, axis=1) if found else np.zeros((0, 0), np.float16)


def note_starts(onsets: Floats) -> NDArray[np.float64]:
    """Boil the onsets (bands, n) of a stem at 200 Hz down to where its notes start, (n,) from 0 to 1."""
    rise = np.maximum(onsets, 0).sum(axis=0, dtype=np.float64)
    starts = np.sqrt(np.maximum(rise - 2 * _local_mean(rise, ONSET_RATE_HZ // 4), 0))
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
        tracks.append(moved - _local_mean(moved, ONSET_RATE_HZ // 2))
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
    lively, counts = _lively(motion)
    starts = note_starts(onsets)
    if not len(lively):
        return _nothing("Nothing moves in the picture")
    if not starts.any():
        return _nothing("The part's stem has no notes to compare the picture with")
    tracks = unlike(lively, _SHRINK)
    places: list[_Place] = []
    for expected in expected_motion(starts):
        places += _places(tracks, counts, _at_rate(expected, motion.rate_hz), motion.rate_hz)
    seen = _judged(places, lambda start_s: response(lively, motion.rate_hz, start_s, starts))
    return replace(seen, sights=tuple(Sight(one.start_s - motion.first_s, one.z) for one in seen.sights))


def response(
    tracks: NDArray[np.float64], rate_hz: float, start_s: float, starts: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Work out how a take moves around its notes, by least squares over all of them.

    Parameters
    ----------
    tracks : ndarray, shape (cells, frames - 1)
        Movements, free of their local mean.
    rate_hz : float
        Frames a second.
    start_s : float
        Where on the song the take starts.
    starts : ndarray, shape (n,)
        Of :func:`note_starts`.

    Returns
    -------
    ndarray, shape (:data:`RESPONSE_STEPS`,)
        From :data:`RESPONSE_REACH_S` before the note to as long after it, in equal steps: the cells that follow the
        notes best, weighted by how well they do. All zeros where there are no notes in the take.
    """
    at_s = start_s + (np.arange(tracks.shape[1]) + 0.5) / rate_hz
    notes_s = _peak_times(starts)
    step_s = 2 * RESPONSE_REACH_S / (RESPONSE_STEPS - 1)
    design = np.zeros((len(at_s), RESPONSE_STEPS))
    for note_s in notes_s[(notes_s > at_s[0] - RESPONSE_REACH_S) & (notes_s < at_s[-1] + RESPONSE_REACH_S)]:
        place = (at_s - note_s + RESPONSE_REACH_S) / step_s
        inside = np.flatnonzero((place >= 0) & (place < RESPONSE_STEPS - 1))
        below = place[inside].astype(int)
        share = place[inside] - below
        np.add.at(design, (inside, below), 1 - share)
        np.add.at(design, (inside, below + 1), share)
    design -= _local_mean(design.T, round(rate_hz / 2)).T
    # Drawn a little towards zero and towards its neighbours: notes on every beat alone would not settle it.
    likeness = design.T @ design
    slopes = np.diff(np.eye(RESPONSE_STEPS), axis=0)
    ridge = 0.02 * np.trace(likeness) / RESPONSE_STEPS + 1e-9
    moves = np.linalg.solve(
        likeness + ridge * (np.eye(RESPONSE_STEPS) + slopes.T @ slopes), design.T @ tracks.T
    )  # (steps, cells)
    follows = np.maximum(np.sum((design @ moves) * tracks.T, axis=0), 0)
    best = np.argsort(-follows, kind="stable")[:_FOLLOWERS]
    return np.asarray(moves[:, best] @ follows[best])


def note_in(moves: NDArray[np.float64]) -> tuple[float, bool]:
    """Say where in a response the note lies, in seconds from its middle, and whether that leaves no doubt.

    A hand is fastest where it makes the note, or a little before: it gets ready, strikes and rests. So the last of its
    bursts is the stroke, as long as none before it is much larger. A large burst with a smaller one after it may be a
    pluck and the way back, or a brisk lift and a gentle press: there is doubt, as there is with bursts so far apart or
    so many that no reading holds.
    """
    sharp = ndimage.gaussian_filter1d(moves, 1.5) - ndimage.gaussian_filter1d(moves, 6.0)
    at_s = np.linspace(-RESPONSE_REACH_S, RESPONSE_REACH_S, RESPONSE_STEPS)
    inner = np.flatnonzero((sharp[1:-1] >= sharp[:-2]) & (sharp[1:-1] > sharp[2:]) & (sharp[1:-1] > 0)) + 1
    bursts = sorted((at for at in inner.tolist() if abs(at_s[at]) < _BURSTS_WITHIN_S), key=lambda at: -sharp[at])
    if not bursts:
        return 0.0, False
    rivals = [at for at in bursts[1:] if sharp[at] > _RIVAL * sharp[bursts[0]]]
    late, early = max([bursts[0], *rivals[:1]]), min([bursts[0], *rivals[:1]])
    share = float(sharp[early] / sharp[late])
    most_s = _SLOW_LIFT_S if share < 0.85 else _TWO_BURSTS_S
    after = any(at > late and sharp[at] > _AFTER * sharp[bursts[0]] for at in bursts)
    clear = len(rivals) <= 1 and share < _QUICK_LIFT and at_s[late] - at_s[early] <= most_s and not after
    at = late if share < _QUICK_LIFT else early
    fastest_s = (_summit(sharp, at) - at) * (at_s[1] - at_s[0]) + at_s[at]
    return float(fastest_s + (_STRUCK_S if at == late and not after else -_PLUCKED_S)), bool(clear)


# --- inside ---------------------------------------------------------------------------------------


def _nothing(reason: str) -> Seen:
    return Seen("none", reason, (), 0, 0, 0.0, 0.0, False, 0.0)


def _local_mean(track: NDArray[np.floating], half: int) -> NDArray[np.float64]:
    sums = np.concatenate([np.zeros((*track.shape[:-1], 1)), np.cumsum(track, axis=-1, dtype=np.float64)], axis=-1)
    at = np.arange(track.shape[-1])
    first, stop = np.maximum(at - half, 0), np.minimum(at + half + 1, track.shape[-1])
    return np.asarray((sums[..., stop] - sums[..., first]) / (stop - first))


def _at_rate(envelope: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    # The envelope holds nothing faster than its bumps, which the frames of a camera can follow.
    frames = int(len(envelope) / ONSET_RATE_HZ * rate_hz)
    return np.interp(np.arange(frames) / rate_hz, np.arange(len(envelope)) / ONSET_RATE_HZ, envelope)


def _lively(motion: Motion) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the liveliest cells' tracks, each of unit energy, and which frames count (0 or 1)."""
    change = motion.change.astype(np.float64) ** 2
    if change.shape[-1] < 2 * motion.rate_hz:
        return np.zeros((0, 0)), np.zeros(0)
    floor = np.maximum(np.percentile(change, 15, axis=1, keepdims=True), _LEAST_FLOOR)
    moved = np.sqrt(np.maximum(change / floor - 1, 0))
    most = np.median(moved, axis=0)  # of all cells: what moves here is the camera or the light
    middle, upper = np.percentile(most, [50, 75])
    counts = (most <= middle + 6 * (upper - middle + 0.05)).astype(np.float64)
    lively = np.percentile(moved, 95, axis=1) > 1  # for a twentieth of the time, twice the noise at least
    moved = moved[lively]
    moved = np.minimum(moved, np.percentile(moved, 98, axis=1, keepdims=True)) if len(moved) else moved
    moved = (moved - _local_mean(moved, round(motion.rate_hz / 2))) * counts
    scatter = moved.std(axis=1)
    chosen = np.argsort(-scatter, kind="stable")[:_MOST_CELLS]
    chosen = chosen[scatter[chosen] > 0]
    return moved[chosen] / np.sqrt(np.sum(moved[chosen] ** 2, axis=1, keepdims=True)), counts


def _scores(
    tracks: NDArray[np.float64], counts: NDArray[np.float64], expected: NDArray[np.float64], rate_hz: float
) -> tuple[int, NDArray[np.float64], NDArray[np.bool_]]:
    """Score every lag in every block of the take: the first lag, (blocks, lags), and which lags mean anything."""
    n, m = tracks.shape[1], len(expected)
    size = fft.next_fast_len(n + m - 1, real=True)
    lags = np.arange(1 - n, m)
    counted = np.conj(fft.rfft(counts.astype(np.float32), size))

    def slid(series: NDArray[np.floating]) -> NDArray[np.float32]:
        return np.asarray(fft.irfft(fft.rfft(series.astype(np.float32), size) * counted, size)[lags])

    overlap, energy = slid(np.ones(m)), slid(expected**2)
    valid = overlap >= 0.5 * min(m, counts.sum())
    # Where the part hardly plays in the overlap, the quotient would be of next to nothing.
    valid &= energy > 0.3 * np.median(energy[valid]) if valid.any() else False
    number = int(np.clip(n / rate_hz / _BLOCK_S, 4, _MOST_BLOCKS))
    first, scores = followed(tracks, expected[None], number)
    return first, np.where(valid, scores / np.maximum(energy, 1e-9) ** 1.5, 0.0), valid


def _places(
    tracks: NDArray[np.float64], counts: NDArray[np.float64], expected: NDArray[np.float64], rate_hz: float
) -> list[_Place]:
    """Return the best places for one way of moving."""
    first, blocks, valid = _scores(tracks, counts, expected, rate_hz)
    if not valid.any():
        return []
    total = np.cbrt(blocks.sum(axis=0))  # the score is of the third degree
    centre = np.median(total[valid])
    scatter = max(MAD_TO_SIGMA * float(np.median(np.abs(total[valid] - centre))), 1e-12)
    return [
        # Movement i lies half a frame after frame i.
        _Place((first + _summit(total, peak) - 0.5) / rate_hz, float((total[peak] - centre) / scatter), blocks[:, peak])
        for peak in _peaks(np.where(valid, total, 0.0), rate_hz)
    ]


def _judged(places: list[_Place], responds: Callable[[float], NDArray[np.float64]]) -> Seen:
    apart: list[_Place] = []
    for place in sorted(places, key=lambda place: -place.blocks.sum()):
        if all(abs(place.start_s - other.start_s) > _SAME_S for other in apart):
            apart.append(place)
    if not apart:
        return _nothing("No movement of the picture goes with the notes")
    # Places this near go with the same notes, and differ in how the hand is taken to move around them.
    near = [place for place in apart if abs(place.start_s - apart[0].start_s) <= _NEAR_S]
    far = [place for place in apart if place not in near]
    best = apart[0].blocks
    t = paired_t(best, np.zeros_like(best))
    against = min((paired_t(best, other.blocks) for other in far), default=t)
    second = max(float(far[0].blocks.sum()), 0.0) if far else 0.0
    halves = halves_agree(np.stack([place.blocks for place in [apart[0], *far][:MOST_CANDIDATES]]), 0)
    margin = 1 - float(np.cbrt(second / best.sum()))
    start_s, told_apart = _by_response(apart[0].start_s, responds)
    kept = [place for place in near if abs(place.start_s - start_s) > _SAME_S]
    first = _Place(start_s, apart[0].z, best) if told_apart else apart[0]
    ordered = [first, *(kept if told_apart else near[1:]), *far][:MOST_CANDIDATES]
    confidence, reason = _judge(len(best), t, against, halves, told_apart)
    sights = tuple(Sight(place.start_s, place.z) for place in ordered)
    return Seen(confidence, reason, sights, len(best), int(np.sum(best > 0)), t, against, halves, margin, told_apart)


def _by_response(start_s: float, responds: Callable[[float], NDArray[np.float64]]) -> tuple[float, bool]:
    """Move a place to where the response has the note in its middle, and say whether that leaves no doubt."""
    for _ in range(3):
        note_s, clear = note_in(responds(start_s))
        # A note seen late in the response was played late: the take shows an earlier moment of the song than taken.
        start_s -= note_s
        if clear and abs(note_s) <= _SETTLED_S:
            return start_s, True
    return start_s, False


def _judge(blocks: int, t: float, against: float, halves: bool, told_apart: bool) -> tuple[Confidence, str]:
    """Say how much the places are worth.

    The limits were set on drawn players beside songs that were not theirs: of 120, one passed 2.1 against its
    runner-up, with 3.0.
    """
    if t >= 5 and against >= 3.25 and halves:
        if blocks < _LEAST_BLOCKS:
            return "ask", "The player's movement fits the stem, but there is too little of it to rely on"
        if told_apart:
            return "likely", "The player's movement fits the stem"
        return "ask", "The player's movement fits the stem, but which part of it makes the notes cannot be told"
    if blocks < _LEAST_BLOCKS:
        return "none", "The picture is too short to be told by its movement"
    if t >= 6 or (t >= 4.5 and halves):
        return "ask", "The player's movement goes with the stem's notes, but fits several places almost equally well"
    return "none", "The movement in the picture fits the stem nowhere"


def _peaks(z: NDArray[np.float64], rate_hz: float) -> list[int]:
    inner = (z[1:-1] >= z[:-2]) & (z[1:-1] > z[2:]) & (z[1:-1] > 0)
    at = np.flatnonzero(inner) + 1
    at = at[np.argsort(-z[at], kind="stable")]
    chosen: list[int] = []
    for peak in at:
        if all(abs(int(peak) - other) >= _APART_S * rate_hz for other in chosen):
            chosen.append(int(peak))
            if len(chosen) == MOST_CANDIDATES:
                break
    return chosen


def _peak_times(starts: NDArray[np.float64]) -> NDArray[np.float64]:
    peaks, _ = signal.find_peaks(starts, height=0.3, distance=round(0.06 * ONSET_RATE_HZ))
    return np.asarray(peaks / ONSET_RATE_HZ)


def _summit(z: NDArray[np.float64], peak: int) -> float:
    """Return where the parabola through a peak and its neighbours is highest, in frames."""
    before, here, after = z[peak - 1 : peak + 2]
    return float(peak + 0.5 * (before - after) / (before - 2 * here + after))
