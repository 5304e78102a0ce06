"""Where strokes fall as the notes do: for instruments of which the room hears keys, pads or fingers, not the tone.

An instrument that goes straight into the desk is not silent: its keys go down. That noise shares no waveform and hardly
a frequency with the stem, but falls where the stem's notes start. So only times are compared.

**Strokes** are what rises at once in all bands from 850 Hz up, and far more than the room does: a list of moments, to
some milliseconds. **Note starts** are what rises in any of the song's frequencies. A tone that swells is heard in them
from its beginning on, not at its loudest: levels are compared with the song's own quiet, and a frequency counts as
rising only where its neighbours were not there before, so that a trembling tone does not start again and again.

Which of the song's bands hold the part nobody says: it is learned (:mod:`partsong.lineup.following`). Against a mix,
that is what finds it: other parts strike on the beat as well, but in other bands. Notes are heard there by their whole
shape as well (:mod:`partsong.lineup.pitches`): rises alone hide each other. Every bar has its strokes, and most
places of a song fit well. The beat itself tells nothing, so it is held down: what recurs strongly in a sequence counts
less, what happens once counts more. What tells a place is whether it beats *every* other, stretch by stretch.

The best of those places are compared once more, by how likely the strokes are there (:mod:`partsong.lineup.rates`):
that a note was not struck and a stroke played no note counts as well, and where they fall to some milliseconds. Of a
mix, whose notes are told apart by part (:mod:`partsong.lineup.parts`), every place is compared so
(:mod:`partsong.lineup.guesses`).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from partsong.lineup import coarse, guesses
from partsong.lineup.confidence import Odds, halves_agree, paired_t
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, Floats, Halves, Heard
from partsong.lineup.following import followed, unlike
from partsong.lineup.pitches import PITCHES
from partsong.lineup.rates import foretold
from partsong.lineup.spectra import floors, spectra
from partsong.render.robust import MAD_TO_SIGMA

LONGEST_S = 900.0
"""Clips and references longer than this are not compared: the whole of their strokes would have to be held."""

_LOOK_BACK = 2  # frames, 10 ms: what rises is compared with what was there before
_MOST_RISE = 3.0  # about 13 dB: one loud stroke must not outweigh a bar of notes

_STROKE_WINDOW, _STROKE_BANDS, _STROKE_HZ = 256, 8, (850.0, 7000.0)
_CLEAR_HEIGHT = 40.0  # in halls and talk, what rises most reaches 24; keys in a room 60
_TONES_HZ = (100.0, 650.0)
_TONELESS = 0.18  # by chance a tenth of all moments are among the tenth that rises most; keys: up to 0.16
_NOTE_WINDOW, _NOTES_HZ, _BANDS_AN_OCTAVE, _BANDS_IN_A_MIX = 1024, (80.0, 6000.0), 5, 3
_OCTAVE = 12  # semitones
_SLOWEST_HZ, _FASTEST_HZ = 0.3, 20.0
_ROUNDING = np.array([0.25, 0.5, 0.25])  # 10 ms wide
_LIKELIEST = 0.0025  # a band in which nothing is ever likelier than this to start holds no notes
_SHRINK = 0.15
_BLOCK_S, _MOST_BLOCKS = 2.0, 24
# For how long the score exceeds a share of its height before and after a place, at most, where tones start at once: as
# told by what rises, and where shapes of notes are heard too.
_RISES, _SHAPES = (0.25, 0.065, 0.22), (0.4, 0.13, 1.0)
_EARLIER_S = (0.075, 0.15, 0.225)
_MOST_TOLD = 40  # places that are compared by how likely strokes are there
_JITTER = 1.0  # frames
_CLEARER = 1.5
_COMPARED = 12  # places at which the stretches of strokes are compared by what parts may play


@dataclass(frozen=True, slots=True)
class Fit:
    """A place at which strokes fall as notes do: its lag in seconds, and how far it stands out of all (a z-score)."""

    lag_s: float
    z: float


@dataclass(frozen=True, slots=True)
class Strokes:
    """The best places, the best first, and what the first rests on.

    ``t`` is the paired t over stretches against whichever other place comes nearest, ``lead`` the first place's score
    over the second's, ``blocks`` how many stretches there are, ``count`` how many strokes, and ``halves_agree`` whether
    even and odd stretches choose the first alike. ``toneless`` says that nothing but strokes is heard: they are clear,
    and where they fall no lower tone rises. ``swells`` says that the score rises slowly towards the first place, or
    falls slowly after it, since tones are told some time after their keys: strokes then lie earlier by up to a quarter
    of a second, and such places follow the first.

    ``likeliest`` are the places at which these strokes are likeliest, the first of them first, ``odds`` what speaks for
    that one, and ``likeliest_swells`` the same of it as ``swells`` of the first of the best places. ``of_parts`` says
    that they are so as what one part may play.
    """

    fits: tuple[Fit, ...]
    t: float
    lead: float
    blocks: int
    count: int
    halves_agree: bool
    toneless: bool
    swells: bool
    likeliest: tuple[Fit, ...]
    odds: Odds
    likeliest_swells: bool
    of_parts: bool


def find_strokes(
    clip: Heard, voice: int, starts: Floats, *, mixed: bool = False, parts: Halves | None = None
) -> Strokes | None:
    """Return where a clip's strokes fall as notes start; None where fewer than two places can be compared.

    Parameters
    ----------
    clip : Heard
        Of at most :data:`LONGEST_S`.
    voice : int
        Which of its voices.
    starts : ndarray, shape (bands, frames)
        Of :func:`note_starts`: the part's stem's, or the mix's.
    mixed : bool
        Whether they are a mix's, or of :func:`shaped_starts`: many bands say a little there, else a few say much.
    parts : ndarray, shape (guesses, frames), optional
        Of :func:`partsong.lineup.parts.guesses`: what single parts of the mix may play.
    """
    struck = strokes_in(clip, voice)
    if not struck.any() or not starts.any():
        return None
    row = _without_beat(ndimage.convolve1d(struck, _ROUNDING, mode="constant")[None])
    n, m = row.shape[1], starts.shape[1]
    number = int(np.clip(n / ONSET_RATE_HZ / _BLOCK_S, 4, _MOST_BLOCKS))
    power = 1 if mixed else 2
    first, scores = followed(row, starts, number, power)
    lags = np.arange(first, m)
    overlap = np.minimum(n, m - lags) - np.maximum(0, -lags)
    valid = overlap >= coarse.least_overlap(n, m, ONSET_RATE_HZ)
    degree = power + 1
    scores = np.where(valid, scores / np.maximum(overlap, 1) ** (degree / 2), 0)
    total = scores.sum(axis=0)
    total = np.sign(total) * np.abs(total) ** (1 / degree)
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(total[valid] - np.median(total[valid]))))
    tops = coarse.peaks(total, _MOST_TOLD)
    if len(tops) < 2 or scatter <= 0:
        return None
    if parts is None:
        told = foretold(np.flatnonzero(struck), n, _clear(starts), [top + first for top in tops], number)
        ranked = np.argsort(-told.sum(axis=1), kind="stable")[: coarse.MOST_CANDIDATES]
        odds = Odds.of(told[ranked])
        likeliest = [_fit(total, tops[number], first, scatter) for number in ranked]
        likeliest_swells = _swells(total, tops[ranked[0]], mixed)
    else:
        odds, likeliest = _likeliest(np.flatnonzero(struck), n, parts, valid, total / scatter, number)
        likeliest_swells = False  # when such notes start is told, not how they rise
    tops = tops[: coarse.MOST_CANDIDATES]
    blocks = scores[:, tops].T
    fits = [_fit(total, top, first, scatter) for top in tops]
    swells = _swells(total, tops[0], mixed)
    if swells:
        fits[1:1] = [Fit(fits[0].lag_s - early_s, fits[0].z) for early_s in _EARLIER_S]
    return Strokes(
        fits=tuple(fits),
        t=min(paired_t(blocks[0], other) for other in blocks[1:]),
        lead=float(total[tops[0]] / total[tops[1]]),
        blocks=number,
        count=int(np.count_nonzero(struck)),
        halves_agree=halves_agree(blocks, 0),
        toneless=_toneless(clip, voice, struck),
        swells=swells,
        likeliest=tuple(likeliest),
        odds=odds,
        likeliest_swells=likeliest_swells,
        of_parts=parts is not None,
    )


def only_strokes(clip: Heard, voice: int) -> bool:
    """Say whether nothing but strokes is heard in a clip, as far as one of at most :data:`LONGEST_S` can tell."""
    if clip.length_s > LONGEST_S:
        return False
    struck = strokes_in(clip, voice)
    return bool(struck.any()) and _toneless(clip, voice, struck)


def strokes_in(clip: Heard, voice: int) -> Floats:
    """Return the strokes of a voice as a row (frames,) at 200 Hz: zero but where one falls, and there its strength."""
    hz = np.arange(_STROKE_WINDOW // 2 + 1) * RATE_HZ / _STROKE_WINDOW
    edges_hz = np.geomspace(*_STROKE_HZ, _STROKE_BANDS + 1)
    bands = [(hz >= low) & (hz < high) for low, high in itertools.pairwise(edges_hz)]
    powers = [np.stack([power[:, band].sum(axis=1) for band in bands])
              for power in spectra(clip, voice, _STROKE_WINDOW)]  # fmt: skip
    power = np.concatenate(powers, axis=1)
    floors = np.maximum(2 * np.quantile(power, 0.3, axis=1, keepdims=True), 1e-14)
    level = np.log1p(power / floors)
    risen = np.zeros_like(level)
    risen[:, _LOOK_BACK:] = np.clip(level[:, _LOOK_BACK:] - level[:, :-_LOOK_BACK], 0, _MOST_RISE)
    risen -= ndimage.uniform_filter1d(risen, ONSET_RATE_HZ + 1, axis=1, mode="constant")
    risen /= np.maximum(risen.std(axis=1, keepdims=True), 1e-3)
    height = ndimage.convolve1d(risen.sum(axis=0), 2 * _ROUNDING, mode="constant")
    out = np.zeros(len(height), np.float32)
    tops = np.flatnonzero((height[1:-1] >= height[:-2]) & (height[1:-1] > height[2:])) + 1
    middle = float(np.median(height))
    tops = tops[height[tops] > middle + 3 * MAD_TO_SIGMA * float(np.median(np.abs(height - middle)))]
    if len(tops) >= 2:
        strong = tops[height[tops] > _parting(height[tops])]
        out[strong] = np.sqrt(height[strong])
    return out


def note_starts(song: Heard, voice: int = 0, *, pitches: Floats | None = None) -> Floats:
    """Return where notes start in a stem or a mix: (bands, frames) at 200 Hz, the beat held down.

    The bands are made unlike each other; those in which nothing ever starts are left out. In a mix notes are heard by
    their shape too, ``pitches``, and there are bands of both kinds.
    """
    if pitches is None:
        return _comparable(_risen(song, voice, _BANDS_AN_OCTAVE))
    shapes = _noticed(pitches, _OCTAVE // _BANDS_IN_A_MIX)
    return _comparable(np.concatenate([_risen(song, voice, _BANDS_IN_A_MIX), shapes]))


def shaped_starts(pitches: Floats) -> Floats:
    """Return where notes start in a stem by their shape alone, octave by octave: as :func:`note_starts` does.

    What rises shows when a tone is loudest, and that is late where it swells; its shape tells when it began.
    """
    return _comparable(_noticed(pitches, _OCTAVE))


def _comparable(starts: Floats) -> Floats:
    if not len(starts):
        return np.zeros((1, starts.shape[1]), np.float32)
    even = _without_beat((starts - starts.mean(axis=1, keepdims=True)) / starts.std(axis=1, keepdims=True))
    return unlike(even, _SHRINK).astype(np.float32)


def _clear(starts: Floats) -> Floats:
    """Return what stands out of the beat in bands of note starts, the clear ones brought up."""
    clear = np.maximum(starts, 0) ** _CLEARER
    return np.asarray(ndimage.gaussian_filter1d(clear, _JITTER, axis=1, mode="constant"), np.float32)


def _risen(song: Heard, voice: int, bands_an_octave: int) -> Floats:
    """Return how much rises in which bands: (bands, frames)."""
    hz = np.arange(_NOTE_WINDOW // 2 + 1) * RATE_HZ / _NOTE_WINDOW
    used = (hz >= _NOTES_HZ[0]) & (hz < _NOTES_HZ[1])
    band = (np.log2(hz[used] / _NOTES_HZ[0]) * bands_an_octave).astype(int)
    few = np.concatenate([power[:, used] for power in spectra(song, voice, _NOTE_WINDOW, 16)])
    quiet = floors(few)
    rows, before = [], np.zeros((_LOOK_BACK, int(used.sum())), np.float32)
    for power in spectra(song, voice, _NOTE_WINDOW):
        level = np.concatenate([before, np.log1p(power[:, used] / quiet)])
        near = ndimage.maximum_filter1d(level[:-_LOOK_BACK], 3, axis=1)
        risen = np.clip(level[_LOOK_BACK:] - near, 0, _MOST_RISE)
        rows.append(np.stack([risen[:, band == number].sum(axis=1) for number in np.unique(band)]))
        before = level[-_LOOK_BACK:]
    starts = np.concatenate(rows, axis=1)
    # Roots: weak starts count beside strong ones.
    starts = np.sqrt(np.maximum(starts - np.median(starts, axis=1, keepdims=True), 0))
    starts = ndimage.convolve1d(starts, _ROUNDING, axis=1, mode="constant")
    return np.asarray(starts[starts.std(axis=1) > 1e-6], np.float32)


def _noticed(pitches: Floats, semitones: int) -> Floats:
    """Return how likely notes start in bands of some semitones, weak ones brought up as above: (bands, frames)."""
    starts = np.add.reduceat(pitches, np.arange(0, PITCHES, semitones), axis=0, dtype=np.float32)
    return np.asarray(np.sqrt(starts[starts.max(axis=1) > _LIKELIEST]), np.float32)


def _toneless(clip: Heard, voice: int, struck: Floats) -> bool:
    hz = np.arange(_STROKE_WINDOW // 2 + 1) * RATE_HZ / _STROKE_WINDOW
    low = (hz >= _TONES_HZ[0]) & (hz < _TONES_HZ[1])
    power = np.concatenate([power[:, low].sum(axis=1) for power in spectra(clip, voice, _STROKE_WINDOW)])
    level = ndimage.uniform_filter1d(np.log(np.maximum(power, 1e-14)), 3)
    risen = np.zeros_like(level)
    risen[4:-6] = level[10:] - level[:-10]  # from 20 ms before to 30 ms after
    at = np.flatnonzero(struck)
    clear = float(np.median(struck[at])) ** 2 >= _CLEAR_HEIGHT
    return clear and float(np.mean(risen[at] > np.quantile(risen, 0.9))) < _TONELESS


def _parting(heights: NDArray[np.floating]) -> float:
    """Return the height that parts the strokes from the rest: the two parts' logarithms scatter least.

    References
    ----------
    Otsu (1979), for the criterion (from memory).
    """
    heights = np.sort(heights)
    sums = np.cumsum(np.log(heights))
    low = np.arange(1, len(heights))
    high = len(heights) - low
    apart = sums[:-1] / low - (sums[-1] - sums[:-1]) / high
    return float(heights[int(np.argmax(low * high * apart**2))])


def _without_beat(rows: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return rows (rows, n) with the square root of each frequency's size in all of them, phases kept, 0.3 to 20 Hz."""
    size = fft.next_fast_len(2 * rows.shape[1], real=True)
    spectra = fft.rfft(rows - rows.mean(axis=1, keepdims=True), size)
    hz = fft.rfftfreq(size, 1 / ONSET_RATE_HZ)
    strength = np.sqrt(np.mean(np.abs(spectra) ** 2, axis=0))
    kept = (hz > _SLOWEST_HZ) & (hz < _FASTEST_HZ)
    flattened = np.where(kept, spectra / np.sqrt(np.maximum(strength, 1e-6 * max(float(strength.max()), 1e-12))), 0)
    return np.asarray(fft.irfft(flattened, size)[:, : rows.shape[1]])


def _likeliest(
    at: NDArray[np.integer],
    frames: int,
    parts: Halves,
    valid: NDArray[np.bool_],
    z: NDArray[np.float64],
    blocks: int,
) -> tuple[Odds, list[Fit]]:
    """Return the places at which strokes are likeliest by what parts may play, the best first, and its odds.

    ``valid`` and ``z`` are of the places from ``1 - frames`` on: where enough overlaps, and what strokes correlate.
    """
    every = guesses.odds(at, frames, parts)
    tops = coarse.peaks(np.where(valid, every, 0), _COMPARED)
    if len(tops) < 2:
        return Odds.of([]), []
    stretches = guesses.by_stretch(at, frames, parts, [top + 1 - frames for top in tops], blocks)
    odds = replace(Odds.of(stretches), lead=float(every[tops[0]] - every[tops[1]]))
    return odds, [Fit(_summit_s(every, top, 1 - frames), float(z[top])) for top in tops[: coarse.MOST_CANDIDATES]]


def _fit(total: NDArray[np.float64], peak: int, first: int, scatter: float) -> Fit:
    return Fit(_summit_s(total, peak, first), float(total[peak]) / scatter)


def _swells(total: NDArray[np.float64], peak: int, mixed: bool) -> bool:
    """Say whether the score rises slowly to a peak, or falls slowly after it."""
    share, rise_s, fall_s = _SHAPES if mixed else _RISES
    after = _before_s(total[::-1], len(total) - 1 - peak, share)
    return _before_s(total, peak, share) > rise_s or after > fall_s


def _before_s(total: NDArray[np.float64], peak: int, share: float) -> float:
    """Return for how long before a peak the score has been above a share of it, in seconds."""
    low = np.flatnonzero(total[:peak] < share * total[peak])
    return float(peak - (low[-1] if len(low) else 0)) / ONSET_RATE_HZ


def _summit_s(total: NDArray[np.float64], peak: int, first: int) -> float:
    """Return the lag at which the parabola through a peak and its neighbours is highest, in seconds."""
    before, here, after = total[peak - 1 : peak + 2]
    return float(peak + first + 0.5 * (before - after) / (before - 2 * here + after)) / ONSET_RATE_HZ
