"""To the millisecond: how a clip lies around a place, measured in many windows.

Three measures look at the same place. The *onset line* stacks the onset correlations of eight-second segments along
straight lines; it holds even when the player played the part again, but reads late in a reverberant room. The
*phase line* compares the sound itself: in two-second windows the phases of all frequencies at which both have sound are
set against each other (generalised cross-correlation with the phase transform), which gives a peak a fraction of a
sample wide wherever the camera heard the very performance that is in the reference. Where noise or a hall hides that
peak in every window, the windows are summed along lines of drift until the room's *response* shows: nothing before the
direct sound, and a decay after it.

**Conventions.** See :mod:`partsong.lineup.line`; sound times throughout: the arrival delay is taken out elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, Envelopes, Floats, Halves, Heard
from partsong.lineup.line import USUAL_DRIFT_PPM, Fit, Line, fit_line
from partsong.render.robust import MAD_TO_SIGMA

BLOCK_S = 2.0
MOST_DRIFT_PPM = 200.0

_SEGMENT_S, _ONSET_REACH_S = 8.0, 0.3
_WINDOW = 1 << 15  # two seconds
_REACH_S = 0.12  # onset answers of soft parts in a reverberant room lie this far off
_GRID = 8  # samples: half a millisecond, the step in which lines are tried
_NEAR_S = 0.0015  # windows whose highest peak lies this near to the rough line are fitted
_AGREE_S = 0.0005  # and those this near to the fitted line agree with it
_GATHERED_S = 0.01  # how far the notes of two performances by one player lie apart
_EARLIER_S = 0.02  # the direct sound comes at most this long before a stronger reflection
_EARLIER_SHARE = 0.4  # the transform halves a direct sound that is almost as strong as its reflection
_WHOLE_HZ = (80.0, 7000.0)
_BANDS_HZ = (80.0, 300.0, 700.0, 1500.0, 3300.0, 7000.0)
_HIGH = 12.0  # what a window counts above this many scatters counts a half
_RESPONSE_REACH_S = 0.2  # onset answers in a hall with talk read up to a tenth of a second late
_RESPONSE_S = 0.1  # what a room sends back later than this is not counted
_RESPONSE_PPM = 150.0
_RESPONSE_LIMIT = 9.0  # what a window counts at most, in scatters: one loud one must not decide alone
_DECAYS_S = (0.003, 0.02, 0.07)  # from a close microphone to a hall, of the power
_STRENGTHS = (0.03, 0.2, 1.5, 15.0, 300.0)  # power of the response at its beginning, over that of what does not belong
_TELLS = 0.5  # of the bands' evidence
_OWN_SHARE, _OWN_S = 0.04, 0.03  # a mix's own reverberation, before the direct sound, adds so much to the evidence
_OWN_FROM = 300.0  # where there is much of it
_MOVED_SHARE = 0.3  # what a place is moved for that tells it to about so much of the move
_STEEP_S, _STEEP_SHARE = 0.003, 0.2  # where the direct sound is clear, so much of the evidence comes within so long
_STEEP_WITHIN_S, _STEEP_TELLS_S = 0.06, 0.001
_COUNTS = 0.15  # of a natural logarithm, beside what notes said: instants and bands near each other say the same again
_MOST_COUNTED = 75.0  # beside them all of it counts so much at most: a low tone swells in a small room, and loudly
_RIGHT_S = 0.02
_CELL = 8  # samples: half a millisecond, in which powers are added up while places are compared
_ALIKE_S = 0.012
_LEAST_BINS = 32  # frequencies, fewer of which tell nothing
_ALONE_BELOW = -2.0  # windows that agree by themselves decide where chance is this unlikely

Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OnsetLine:
    """The onset answer around a place: the line, and the score of each two-second block along it (NaN: no overlap)."""

    line: Line
    blocks: Doubles


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """The phase transform's answer: ``agreed`` of ``tried`` windows have their highest peak on the line.

    ``log10_chance`` is how likely it is that so many agree by chance on any line (a power of ten, 0 at most), and
    ``heights`` each window's correlation on the line against its own scatter (0 where there was nothing to compare).
    ``fit.spread_ms`` is the median distance of those windows from the line.
    """

    fit: Fit
    agreed: int
    tried: int
    log10_chance: float
    heights: Doubles


@dataclass(frozen=True, slots=True)
class Response:
    """Where all windows together show a room's response: its line is that of the direct sound.

    ``evidence`` is the natural logarithm of how much likelier the windows are with that response than with none, were
    they noise. Music is no noise: compare it with what other places reach. ``fit.spread_ms`` is how far even or odd
    windows alone put the direct sound from there, ``settled`` whether that is little. ``deviation_ms`` is the standard
    deviation of the instant, all windows and what was known before told, and ``right`` how probably it is within 20 ms.
    """

    fit: Fit
    evidence: float
    tried: int
    settled: bool
    deviation_ms: float
    right: float


def onset_line(clip: Envelopes, references: Sequence[Envelopes], lag_s: float) -> OnsetLine:
    """Measure where a clip lies within 0.3 s of a lag, from its onsets against all references together."""
    lag = round(lag_s * ONSET_RATE_HZ)
    reach = round(_ONSET_REACH_S * ONSET_RATE_HZ)
    span = overlap(clip.onsets.shape[1], max(reference.onsets.shape[1] for reference in references), lag)
    line = Line(lag / ONSET_RATE_HZ)
    if len(span) >= ONSET_RATE_HZ // 2:
        length = min(round(_SEGMENT_S * ONSET_RATE_HZ), max(len(span) // 3, 1))
        starts = np.arange(span.start, span.stop - length + 1, length)
        rows = np.sum(
            [correlated_segments(clip.onsets, ref.onsets, starts, length, lag, reach) for ref in references], axis=0
        )
        centres_s = (starts + length / 2) / ONSET_RATE_HZ
        offset, drift_ppm = _best_line(rows, centres_s, reach, ONSET_RATE_HZ)
        line = _through(lag / ONSET_RATE_HZ + offset, drift_ppm, float(np.mean(centres_s)))
    return OnsetLine(line, block_scores(clip, references, line))


def block_scores(clip: Envelopes, references: Sequence[Envelopes], line: Line) -> Doubles:
    """Return the normalised correlation of the onsets in each two-second block of the clip along a line.

    The mean over the references; NaN where a block lies outside the song or one side is silent.
    """
    length = round(BLOCK_S * ONSET_RATE_HZ)
    count = clip.onsets.shape[1] // length
    out = np.full((len(references), count), np.nan)
    for number in range(count):
        start = number * length
        lag = round(float(line.slip_s((start + length / 2) / ONSET_RATE_HZ)) * ONSET_RATE_HZ)
        for row, reference in enumerate(references):
            if start + lag >= 0 and start + lag + length <= reference.onsets.shape[1]:
                a = clip.onsets[:, start : start + length].astype(np.float32)
                b = reference.onsets[:, start + lag : start + lag + length].astype(np.float32)
                energy = math.sqrt(float(np.vdot(a, a)) * float(np.vdot(b, b)))
                if energy > 1e-6:
                    out[row, number] = float(np.vdot(a, b)) / energy
    heard = np.isfinite(out)
    return np.where(heard.any(axis=0), np.nansum(out, axis=0) / np.maximum(heard.sum(axis=0), 1), np.nan)


@dataclass(frozen=True, slots=True)
class Windows:
    """Stretches of a clip to compare: their first samples and their common length in samples."""

    starts: NDArray[np.int_]
    length: int

    @property
    def centres_s(self) -> Doubles:
        """The middle of each window, in seconds of the clip."""
        return (self.starts + self.length / 2) / RATE_HZ


def windows_of(clip: Heard, reference: Heard, line: Line, most: int, *, dense: bool = False) -> Windows:
    """Return up to ``most`` evenly spread windows of the clip that hold song by the line.

    They are two seconds long and lie side by side, or overlap by half where that is asked for (``dense``): the window
    laid over them leaves half of their sound unused. A short stretch gives shorter ones that overlap by half. A quarter
    of a window may hang over either end.
    """
    first = max(0, math.ceil(-line.start_s * RATE_HZ))
    stop = min(len(clip.samples), math.floor((reference.length_s - line.start_s) * RATE_HZ))
    short = stop - first < 8 * RATE_HZ
    length = _WINDOW // 2 if short else _WINDOW
    hop = length // 2 if short or dense else length
    first, last = first - length // 4, stop - length + length // 4
    if last <= first:
        return Windows(np.zeros(0, int), length)
    count = min(most, (last - first) // hop + 1)
    return Windows(np.rint(np.linspace(first, last, max(count, 2))).astype(int), length)


def phase_line(
    clip: Heard, voice: int, reference: Heard, reference_voice: int, around: Line, windows: Windows
) -> PhaseLine | None:
    """Measure where a clip lies within 120 ms of a line, by the phase transform in the windows given.

    Returns None where fewer than three windows hold sound on both sides.

    References
    ----------
    Knapp and Carter (1976), IEEE Trans. ASSP 24, 320-327, for the phase transform.
    """
    reach = round(_REACH_S * RATE_HZ)
    rows, used, slips_s = _transformed(clip, voice, reference, reference_voice, around, windows, reach, _WHOLE_HZ)
    if len(rows) < 3:
        return None
    found = _line_through(rows[:, 0], windows.centres_s[used], slips_s[used], reach)
    heights = np.zeros(len(used))
    heights[used] = found.heights
    return replace(found, heights=heights)


def response(
    clip: Heard,
    voice: int,
    reference: Heard,
    reference_voice: int,
    around: Line,
    windows: Windows,
    *,
    mixed: bool,
    known_s: float = math.inf,
) -> Response | None:
    """Measure where a clip lies within 0.2 s of a line, by the room's response in the sum of all windows.

    The phase transforms of the windows are summed along every line of start and drift. In the right sum the response of
    the room stands: none of it before the direct sound, a decay after it. So the direct sound is found where it is
    weaker than what is thrown back, and many faint windows count as a few clear ones. The likelihood ratio of a decay
    that begins somewhere to none at all, over a few strengths and lengths of it, chooses start and drift. Where the
    reference is ``mixed``, that is asked in five bands, since one part of a mix may be heard in one of them only; and
    since the mix has a reverberation of its own, which stands before the direct sound, that is put as late as all but a
    small share of the evidence allows.

    Where ``around`` is known before, to ``known_s`` (a standard deviation), that counts beside the evidence, and the
    most probable instant is chosen.

    Returns None where fewer than three windows hold sound on both sides.
    """
    reach = round(_RESPONSE_REACH_S * RATE_HZ)
    edges_hz = _BANDS_HZ if mixed else _WHOLE_HZ
    rows, used, slips_s = _transformed(clip, voice, reference, reference_voice, around, windows, reach, edges_hz)
    if len(rows) < 3:
        return None
    widths = np.diff(edges_hz) / (RATE_HZ / 2)
    return _response_in(rows, widths, windows.centres_s[used], slips_s[used], reach, mixed=mixed, known_s=known_s)


def _transformed(
    clip: Heard, voice: int, reference: Heard, reference_voice: int, around: Line, windows: Windows, reach: int,
    edges_hz: tuple[float, ...],
) -> tuple[Floats, NDArray[np.bool_], Doubles]:  # fmt: skip
    """Return the phase transforms of the windows that hold sound, which those are, and the slip of every window."""
    slips = np.rint(around.slip_s(windows.centres_s) * RATE_HZ).astype(int)
    rows = [
        phase_transform(
            clip.window(voice, int(start), windows.length),
            reference.window(reference_voice, int(start + slip), windows.length),
            reach,
            edges_hz,
        )
        for start, slip in zip(windows.starts, slips, strict=True)
    ]
    used = np.array([row is not None for row in rows], bool)
    kept = np.array([row for row in rows if row is not None], np.float32)
    return kept, used, slips / RATE_HZ


def phase_transform(x: Floats, y: Floats, reach: int, edges_hz: tuple[float, ...] = _WHOLE_HZ) -> Floats | None:
    """Return how well ``y``, moved earlier by each lag, carries the phases of ``x``, against its own scatter.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Two windows at 16 kHz; a Hann window is laid over both.
    reach : int
        The largest lag, in samples.
    edges_hz : tuple of float
        The edges of the bands that are compared.

    Returns
    -------
    ndarray, shape (bands, 2 * reach + 1), or None
        Lag ``-reach`` first; positive lags: what ``x`` holds comes later in ``y``. A band in which there is nothing to
        compare is zero. None when there is nothing in all of them.
    """
    n = len(x)
    edges = [round(edge * n / RATE_HZ) for edge in edges_hz]
    compared = slice(edges[0], edges[-1])
    one, other = (fft.rfft((each - each.mean()) * _hann(n))[compared] for each in (x, y))
    powers = [each.real**2 + each.imag**2 for each in (one, other)]
    # Below -70 dB of its loudest partial a window holds rounding, resampling and the skirts of the Hann window.
    first, second = (power > max(1e-7 * float(power.max(initial=0.0)), 1e-18) for power in powers)
    used = first & second
    if np.count_nonzero(used) < _LEAST_BINS:
        return None
    cross = np.conj(one) * other
    cross /= np.where(used, np.sqrt(powers[0]) * np.sqrt(powers[1]), np.inf)
    rows = np.zeros((len(edges) - 1, 2 * reach + 1), np.float32)
    for row, low, high in zip(rows, edges, edges[1:], strict=False):
        inside = slice(low - edges[0], high - edges[0])
        if np.count_nonzero(used[inside]) >= _LEAST_BINS:
            band = np.zeros(n // 2 + 1, np.complex64)
            band[low:high] = cross[inside]
            circular = fft.irfft(band, n)
            row[:reach], row[reach:] = circular[-reach:], circular[: reach + 1]
            row /= max(MAD_TO_SIGMA * float(np.median(np.abs(row))), 1e-20)
    return rows if rows.any() else None


@lru_cache(maxsize=16)
def _hann(n: int) -> Floats:
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)).astype(np.float32)


def log10_chance(agreed: int, tried: int, each: float, lines: float) -> float:
    """Return the power of ten of the chance that at least ``agreed`` of ``tried`` windows agree on any of some lines.

    Each window agrees with a line by chance with probability ``each``; ``lines`` is how many lines are told apart.

    >>> round(log10_chance(2, 2, 0.1, 1), 6)
    -2.0
    """
    if agreed == 0:
        return 0.0
    terms = [
        math.lgamma(tried + 1) - math.lgamma(k + 1) - math.lgamma(tried - k + 1)
        + k * math.log(each) + (tried - k) * math.log1p(-each)
        for k in range(agreed, tried + 1)
    ]  # fmt: skip
    largest = max(terms)
    tail = largest + math.log(sum(math.exp(term - largest) for term in terms))
    return min(0.0, tail / math.log(10) + math.log10(lines))


def _line_through(rows: Floats, centres_s: Doubles, slips_s: Doubles, reach: int) -> PhaseLine:
    if -float(rows.min(axis=1).mean()) > 1.2 * float(rows.max(axis=1).mean()):
        rows = -rows  # the camera's microphone is wired the other way round
    # First on a half-millisecond grid, then to a fraction of a sample.
    cells = reach // _GRID
    middle = rows[:, reach - cells * _GRID : reach + cells * _GRID]
    grid = _damped(middle.reshape(len(rows), 2 * cells, _GRID).max(axis=2))
    rate = RATE_HZ // _GRID
    # Every row starts at its own slip, rounded to a sample: take the common part out and shift by the rest.
    base = float(np.median(slips_s))
    offset, drift_ppm = _best_line(_shift_rows(grid, (slips_s - base) * rate), centres_s, cells, rate)
    rough = _through(base + offset + 0.5 / rate, drift_ppm, float(np.mean(centres_s)))

    # The windows whose highest peak of all lies on the line speak for it; only they are fitted.
    near = round(_NEAR_S * RATE_HZ)
    tops = rows.argmax(axis=1) - reach
    aside = _aside(tops - (rough.slip_s(centres_s) - slips_s) * RATE_HZ, near)
    rough = replace(rough, start_s=rough.start_s + aside / RATE_HZ)
    rough_fit = Fit(rough, 0.0)
    expected = (rough.slip_s(centres_s) - slips_s) * RATE_HZ
    close = np.abs(tops - expected) <= near
    peaks_s, heights = _peaks(rows, reach + expected, near)
    fit = fit_line(centres_s[close], (slips_s + peaks_s)[close]) if np.count_nonzero(close) >= 2 else rough_fit
    agrees = close & (np.abs(slips_s + peaks_s - fit.line.slip_s(centres_s)) <= _AGREE_S)
    chance = _chance(agrees, rows, expected, centres_s, reach)
    if chance > _ALONE_BELOW:
        return PhaseLine(rough_fit, int(agrees.sum()), len(rows), chance, heights)

    earlier = _earlier(rows, (fit.line.slip_s(centres_s) - slips_s) * RATE_HZ, reach)
    if earlier and agrees.any():
        first = (fit.line.slip_s(centres_s) - slips_s) * RATE_HZ + reach + earlier
        first_s, heights = _peaks(rows, first, round(_AGREE_S * RATE_HZ))
        fit = fit_line(centres_s[agrees], (slips_s + first_s)[agrees])

    return PhaseLine(fit, int(agrees.sum()), len(rows), chance, heights)


def _aside(highest: Doubles, near: int) -> float:
    """Return how far, in samples, most windows are highest from a line, of how far each is; 0 where that is on it.

    On the grid a reflection of two samples, one in either cell, sums higher than the direct sound in one of them.
    """
    gathered = np.sum(np.abs(highest[:, None] - highest) <= near, axis=1)
    gathered[np.abs(highest) > _EARLIER_S * RATE_HZ] = 0
    most = int(np.argmax(gathered))
    if gathered[most] <= np.count_nonzero(np.abs(highest) <= near):
        return 0.0
    return float(np.median(highest[np.abs(highest - highest[most]) <= near]))


def _damped(rows: NDArray[np.floating]) -> NDArray[np.floating]:
    # One clear window must not outvote many; a hard limit would make reflections as high as the direct sound.
    return np.asarray(np.minimum(rows, _HIGH) + 0.5 * np.maximum(rows - _HIGH, 0.0))


def _response_in(
    rows: Floats,
    widths: Doubles,
    centres_s: Doubles,
    slips_s: Doubles,
    reach: int,
    *,
    mixed: bool,
    known_s: float,
) -> Response:
    """Find the line along which windows, (windows, bands, lags), sum to a room's response."""
    limited = np.clip(rows, -_RESPONSE_LIMIT, _RESPONSE_LIMIT)
    middle_s, base = float(np.mean(centres_s)), float(np.median(slips_s))
    from_mean = centres_s - middle_s
    half = max(float(np.abs(from_mean).max()), 1e-9)
    step_ppm = 1e6 / (half * RATE_HZ)  # what moves the outermost window by one sample

    def summed(drift_ppm: float, some: slice = slice(None)) -> Doubles:
        by = (slips_s - base - drift_ppm * 1e-6 * from_mean) * RATE_HZ
        chosen = limited[some]
        heard = np.maximum(chosen.any(axis=2).sum(axis=0), 1)
        return np.asarray(_sum_shifted(chosen, by[some]) / np.sqrt(heard)[:, None])

    def known(found: Doubles, cell: int) -> Doubles:
        off_s = ((np.arange(len(found)) + 0.5) * cell - 0.5 - reach) / RATE_HZ
        return np.asarray(-0.5 / counts(found) * (off_s / known_s) ** 2)

    def counts(found: Doubles) -> float:
        return _COUNTS if math.isinf(known_s) else min(_COUNTS, _MOST_COUNTED / max(float(found.max()), 1e-9))

    def in_cells(drift_ppm: float, some: slice = slice(None)) -> Doubles:
        found = _evidence(summed(drift_ppm, some), widths, _CELL)
        return found + known(found, _CELL)

    def best_of(drifts: NDArray[np.floating]) -> float:
        found = [float(in_cells(float(drift)).max()) - 0.5 * (drift / USUAL_DRIFT_PPM) ** 2 for drift in drifts]
        return float(drifts[int(np.argmax(found))])

    steps = max(1, math.ceil(_RESPONSE_PPM / (4 * step_ppm)))
    drift = best_of(np.linspace(-_RESPONSE_PPM, _RESPONSE_PPM, 2 * steps + 1))
    drift = best_of(drift + min(step_ppm, _RESPONSE_PPM / 4) * np.arange(-3, 4))
    totals = summed(drift)
    every = _evidence(totals, widths, 1)
    before = known(every, 1)
    at = int(np.argmax(every + before))
    evidence = float(every[at]) - 0.5 * (drift / USUAL_DRIFT_PPM) ** 2
    # All bands as one tell the instant finer, where they tell it at all.
    first = max(at - round(_EARLIER_S * RATE_HZ), 0)
    whole = _evidence((np.sqrt(widths / widths.sum()) @ totals)[None], widths.sum(keepdims=True), 1)
    finer = first + int(np.argmax((whole + before)[first : at + round(_EARLIER_S * RATE_HZ)]))
    told = every
    if whole[finer] >= _TELLS * every[at]:
        at, told = finer, whole
    halves = [in_cells(drift, slice(part, None, 2)) for part in (0, 1)]
    apart_s = max(abs(int(np.argmax(half)) * _CELL - at) for half in halves) / RATE_HZ
    earliest, moved_s = at, 0.0
    if mixed and evidence >= _OWN_FROM:
        at, moved_s = _after_reverberation(every, told, at)
    line = _through(base + (at - reach) / RATE_HZ, drift, middle_s)
    probable = special.softmax(counts(every) * (every + before))
    # Where the mix's own reverberation stands, what lies before the direct sound speaks for it as well.
    lags = np.arange(len(every))
    off_s = (lags - np.clip(lags, at, earliest)) / RATE_HZ
    return Response(
        fit=Fit(line, 1e3 * apart_s),
        evidence=evidence,
        tried=len(rows),
        settled=apart_s <= _ALIKE_S,
        deviation_ms=1e3 * math.hypot(math.sqrt(float(probable @ off_s**2)), moved_s),
        right=float(probable[np.abs(off_s) <= _RIGHT_S].sum()),
    )


def _after_reverberation(every: Doubles, told: Doubles, at: int) -> tuple[int, float]:
    """Return the lag of the direct sound where a mix's own reverberation stands before it, and to how much it is told.

    The evidence is highest at ``at``, ``every`` by bands and ``told`` as the instant is told finest. A reverberation
    comes bit by bit, a direct sound at once; where none comes at once, a share of the evidence is the reverberation's.
    """
    steep = _steepest(every, at)
    if steep is not None:
        return steep, _STEEP_TELLS_S
    first = max(at - round(_OWN_S * RATE_HZ), 0)
    direct = first + int(np.argmax(told[first : at + 1] >= (1 - _OWN_SHARE) * told[at]))
    return direct, _MOVED_SHARE * (at - direct) / RATE_HZ


def _steepest(evidence: Doubles, at: int) -> int | None:
    """Return the lag at which the evidence rises most, up to its highest at ``at``; None where it rises slowly."""
    many = round(_STEEP_S * RATE_HZ)
    first = max(at - round(_STEEP_WITHIN_S * RATE_HZ), many)
    risen = evidence[first : at + 1] - evidence[first - many : at + 1 - many]
    if not risen.size or risen.max() < _STEEP_SHARE * evidence[at]:
        return None
    top = first + int(np.argmax(risen))
    step = evidence[top - many + _CELL : top + 1] - evidence[top - many : top + 1 - _CELL]
    return top - many + _CELL + int(np.argmax(step))


def _evidence(totals: Doubles, widths: Doubles, cell: int) -> Doubles:
    """Return for each lag how much likelier the sums are with a response that begins there: natural logarithms.

    Before the direct sound a sum is noise of power one; after it a decay is added to that. Both are taken as normal,
    so that the ratio is a sum of powers, each weighted by what the decay holds at that moment. Every band of (bands,
    lags) has its own strength, none among them; all have one decay. Neighbouring lags of a band tell the same unless it
    is as wide as all frequencies are, so that it counts by its share of them, ``widths``. Powers are added up by
    ``cell`` lags first.
    """
    count = totals.shape[1] // cell
    power = (totals[:, : count * cell] ** 2).reshape(len(totals), count, cell).sum(axis=2).astype(np.float32)
    length = round(_RESPONSE_S * RATE_HZ / cell)
    size = fft.next_fast_len(count + length, real=True)
    weights, costs = _weights(cell, size)
    spectra = fft.rfft(power, size)
    best = np.zeros((len(weights), count), np.float32)
    for spectrum, width in zip(spectra, widths, strict=True):
        ratios = fft.irfft(spectrum * weights, size)[..., :count] - costs[..., None]
        best += np.float32(width) * np.maximum(ratios.max(axis=1), 0.0)
    found = np.asarray(best.max(axis=0), np.float64)
    found[: length // 4] = 0.0  # too little lies after it
    return found


@lru_cache(maxsize=8)
def _weights(cell: int, size: int) -> tuple[NDArray[np.complexfloating], Floats]:
    """Return what powers count after a beginning, as spectra (decays, strengths, n), and what each decay costs."""
    t = np.arange(round(_RESPONSE_S * RATE_HZ / cell)) * cell / RATE_HZ
    share = np.array([[strength * np.exp(-t / decay) for strength in _STRENGTHS] for decay in _DECAYS_S])
    costs = 0.5 * cell * np.log1p(share).sum(axis=2)
    return fft.rfft((0.5 * share / (1 + share)).astype(np.float32), size), costs.astype(np.float32)


def _sum_shifted(rows: Floats, by: Doubles) -> Doubles:
    """Return the sum of rows, (rows, bands, lags), each moved to the right by its own whole number of places."""
    total = np.zeros(rows.shape[1:])
    for row, shift in zip(rows, np.rint(by).astype(int), strict=True):
        if shift >= 0:
            total[:, shift:] += row[:, : row.shape[1] - shift]
        else:
            total[:, :shift] += row[:, -shift:]
    return total


def _chance(agrees: NDArray[np.bool_], rows: Floats, expected: Doubles, centres_s: Doubles, reach: int) -> float:
    agreed, tried = int(agrees.sum()), len(rows)
    reach_s, span_s = 2 * reach / RATE_HZ, float(np.ptp(centres_s))
    lines = reach_s / (2 * _AGREE_S) * max(1.0, 2 * MOST_DRIFT_PPM * 1e-6 * span_s / (2 * _AGREE_S))
    # By chance the highest peak lies anywhere in reach. Where the part was played again, peaks gather some milliseconds
    # around the line without lying on it, and more of them hit it by luck.
    around = np.abs(rows.argmax(axis=1) - reach - expected) <= _GATHERED_S * RATE_HZ
    gathered = (int(around.sum()) - agreed) / tried * _AGREE_S / _GATHERED_S
    return log10_chance(agreed, tried, min(max(2 * _AGREE_S / reach_s, gathered), 0.5), lines)


def _earlier(rows: Floats, on_line: Doubles, reach: int) -> int:
    """Return by how many samples a first strong arrival precedes the strongest one along a line; 0 if none does.

    What reaches the microphone later reads as a smaller slip, so that the direct sound has the *larger* one.
    """
    stack = np.zeros(2 * reach + 1)
    for row, at in zip(rows, on_line, strict=True):
        stack += np.roll(row, -round(at))
    near = round(_AGREE_S * RATE_HZ)
    top = int(np.argmax(stack[reach - near : reach + near + 1])) + reach - near
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(stack)))
    for at in range(min(top + round(_EARLIER_S * RATE_HZ), 2 * reach - 1), top + near, -1):
        peak = stack[at] >= stack[at - 1] and stack[at] > stack[at + 1]
        strong = stack[at] >= max(_EARLIER_SHARE * stack[top], 6 * scatter)
        # A held note repeats itself to both sides of the peak; a direct sound has no counterpart after it.
        after = 2 * top - at
        alone = stack[max(after - 2, 0) : after + 3].max(initial=0.0) < 0.5 * stack[at]
        if peak and strong and alone:
            return at - top
    return 0


def _peaks(rows: Floats, at: Doubles, near: int) -> tuple[Doubles, Doubles]:
    """Return (lag_s, height) of each row's highest point within ``near`` samples of an index."""
    found = [_peak(row, round(float(index)), near) for row, index in zip(rows, at, strict=True)]
    reach = (rows.shape[1] - 1) / 2
    places, heights = np.array(found).T
    return (places - reach) / RATE_HZ, heights


def _peak(row: NDArray[np.floating], at: int, near: int) -> tuple[float, float]:
    """Return the (fractional index, height) of the highest point near an index, by a parabola through three points."""
    first = min(max(at - near, 1), len(row) - 2)
    stop = min(max(at + near + 1, first + 1), len(row) - 1)
    top = int(np.argmax(row[first:stop])) + first
    before, here, after = (float(value) for value in row[top - 1 : top + 2])
    bend = before - 2 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return top + min(max(shift, -0.5), 0.5), here


def _best_line(rows: NDArray[np.floating], centres_s: Doubles, reach: int, rate_hz: int) -> tuple[float, float]:
    """Return (offset_s at the mean centre, drift_ppm) of the straight line along which the rows sum highest."""
    count, lags = rows.shape
    from_mean = centres_s - centres_s.mean()
    half = max(float(np.abs(from_mean).max()), 1e-9)
    steps = max(1, math.ceil(MOST_DRIFT_PPM * 1e-6 * half * rate_hz))
    drifts = np.linspace(-MOST_DRIFT_PPM, MOST_DRIFT_PPM, 2 * steps + 1)
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(rows - np.median(rows)))) * math.sqrt(count) or 1.0
    sums = np.empty((len(drifts), lags))
    for number, drift in enumerate(drifts):
        total = _shift_rows(rows, -drift * 1e-6 * from_mean * rate_hz).sum(axis=0) / scatter
        sums[number] = total - 0.5 * (drift / USUAL_DRIFT_PPM) ** 2  # ridge: a log-likelihood of the usual clocks
    best = np.unravel_index(int(np.argmax(sums)), sums.shape)
    row, at = int(best[0]), int(best[1])
    offset, _ = _peak(np.pad(sums[row], 1, mode="edge"), at + 1, 0)
    return (offset - 1 - reach) / rate_hz, float(drifts[row])


def _shift_rows(rows: NDArray[np.floating], by: Doubles) -> Doubles:
    """Move each row to the right by its own whole number of places; what comes in from outside is zero."""
    count, lags = rows.shape
    source = np.arange(lags)[None, :] - np.rint(by).astype(int)[:, None]
    inside = (source >= 0) & (source < lags)
    return np.where(inside, rows[np.arange(count)[:, None], np.clip(source, 0, lags - 1)], 0.0)


def _through(slip_s: float, drift_ppm: float, media_s: float) -> Line:
    return Line(slip_s - drift_ppm * 1e-6 * media_s, drift_ppm)


def overlap(clip_frames: int, reference_frames: int, lag: int) -> range:
    """Return the frames of a clip that lie on a reference at a lag."""
    first = max(0, -lag)
    return range(first, max(first, min(clip_frames, reference_frames - lag)))


def correlated_segments(
    clip: Halves, reference: Halves, starts: NDArray[np.int_], length: int, lag: int, reach: int
) -> Doubles:
    """Correlate segments of the clip's envelope with the reference around a lag: (segments, 2 * reach + 1)."""
    size = fft.next_fast_len(length + 2 * reach, real=True)
    padded = np.pad(reference, ((0, 0), (reach, reach)))
    out = np.zeros((len(starts), 2 * reach + 1))
    for row, start in enumerate(starts):
        a = clip[:, start : start + length].astype(np.float32)
        first = start + lag  # of the padded reference: this is ``reach`` before the lag itself
        b = padded[:, max(first, 0) : max(first + length + 2 * reach, 0)].astype(np.float32)
        missing = max(0, -first)
        energy = math.sqrt(float(np.vdot(a, a)) * float(np.vdot(b, b)))
        if b.shape[1] == 0 or energy <= 1e-6:
            continue
        b = np.pad(b, ((0, 0), (missing, 0)))
        product = np.sum(fft.rfft(b, size, axis=1) * np.conj(fft.rfft(a, size, axis=1)), axis=0)
        out[row] = fft.irfft(product, size)[: 2 * reach + 1] / energy
    return out
