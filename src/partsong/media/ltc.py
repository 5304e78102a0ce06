"""Linear timecode out of sound: which labels a channel carries, where each of them begins, and how sure that is.

The sync word at the end of every word is searched for by a matched filter, which finds it under noise, at any level and
in either polarity. Between two of them the bit cells are laid out evenly, so that a wow of one per cent does no
harm, and each bit is decided by the sums over the two halves of its cell: opposite for a one, alike for a zero.

**Conventions.** Positions are in samples from the first sample given, with fractions; a word begins at its first edge.
Timecode that runs backwards is read forwards when the samples are given in reverse order.

References
----------
SMPTE ST 12-1:2014, Time and Control Code.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.records import Timecode
from partsong.media.ltc_words import COUNTS, SYNC, WORD_BITS, Bits, Word, even, read_word
from partsong.timebase import Rate, timecode_to_frame

LOWEST_RATE_HZ = 12000
"""Below it, the halves of a bit are shorter than two and a half samples."""

_AT_ONCE_S = 4.0
_LIKENESS = 0.5  # of a sync word; the timecode's power is then a third of the noise's left by the filter
_APART = 0.75  # of a word: two sync words are never closer
_SPEED = 0.03  # how far the length of a word may lie from its nominal one
_SYNC_BITS = len(SYNC)
_LOOK_S, _LOOK_EVERY_S = 0.25, 2.0

Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Label:
    """One word as it was read.

    ``sample`` is where it begins and ``length`` how many samples it lasts; ``count`` how many labels a second the code
    counts; ``parity_ok`` whether its polarity correction is right; ``margin`` how clearly its least clear bit
    was decided, from 0 (a toss) to 1; ``follows`` whether it carries on from the label before without a break.
    """

    word: Word
    bits: Bits
    sample: float
    length: float
    count: int
    parity_ok: bool
    margin: float
    follows: bool


@dataclass(frozen=True, slots=True)
class Run:
    """Labels that follow each other without a break."""

    labels: tuple[Label, ...]

    @property
    def good(self) -> int:
        """How many labels have the right parity."""
        return sum(label.parity_ok for label in self.labels)

    def rate(self, rate_hz: int) -> Rate:
        """Return the frame rate: of the whole count and the one a thousandth slower, the one nearer to what was heard.

        They lie 1000 parts in a million apart, far more than clocks do. Drop-frame labels belong to 30000/1001.
        """
        first, last = self.labels[0], self.labels[-1]
        whole = Fraction(first.count)
        slower = whole * Fraction(1000, 1001)
        if first.word.drop:
            return Rate.of(slower)
        span = last.sample + last.length - first.sample
        heard = len(self.labels) * rate_hz / span
        return Rate.of(min((whole, slower), key=lambda rate: abs(float(rate) - heard)))

    def frames(self, rate_hz: int) -> tuple[Rate, NDArray[np.int64], Doubles]:
        """Return the rate, each label as a count of frames from 00:00:00:00, and the sample where it begins.

        A run across midnight counts on beyond the day.
        """
        rate = self.rate(rate_hz)
        first = timecode_to_frame(self.labels[0].word.label, rate)
        samples = np.array([label.sample for label in self.labels])
        return rate, first + np.arange(len(self.labels), dtype=np.int64), samples

    def start(self, rate_hz: int) -> Timecode:
        """Return the first label of the run."""
        first = self.labels[0].word
        return Timecode(frame=timecode_to_frame(first.label, self.rate(rate_hz)), drop=first.drop)


def read_ltc(blocks: Iterable[NDArray[np.floating]], rate_hz: int) -> Iterator[Label]:
    """Yield the labels that a channel carries, in blocks of whatever length.

    Parameters
    ----------
    blocks : iterable of ndarray, shape (n,)
        One channel. What is not a number counts as silence.
    rate_hz : int
        Samples a second, 12000 at least.

    Raises
    ------
    InvalidInput
        If the sample rate is too low, or a block has more than one channel.
    """
    if rate_hz < LOWEST_RATE_HZ:
        raise InvalidInput(
            f"Timecode cannot be read from sound at {rate_hz} Hz. Give sound at {LOWEST_RATE_HZ} Hz or more."
        )
    held = np.zeros(0)
    at, waiting, size = 0, 0, round(_AT_ONCE_S * rate_hz)
    pieces: list[NDArray[np.floating]] = []
    before: Label | None = None
    count: int | None = None
    for block in (*_one_channel(blocks), None):
        if block is not None:
            pieces.append(block)
            waiting += len(block)
            if waiting < size:
                continue
        held = np.concatenate([held, *pieces])
        pieces, waiting = [], 0
        found, count = _labels(held, rate_hz, count)
        for label in found:
            placed = _placed(label, at, before)
            # The stretch held over from last time has words in it that were told already.
            if before is None or placed.sample > before.sample + before.length / 2:
                yield placed
                before = placed
        # Three words stay, so that each is seen whole and with the sync word before it.
        keep = min(len(held), 3 * rate_hz // min(COUNTS))
        at += len(held) - keep
        held = held[len(held) - keep :]


def runs(labels: Iterable[Label]) -> list[Run]:
    """Part labels where one does not follow the other: a jump, a gap, or another take of the playback."""
    parts: list[list[Label]] = []
    for label in labels:
        if not label.follows or not parts:
            parts.append([])
        parts[-1].append(label)
    return [Run(tuple(part)) for part in parts]


def carries_ltc(samples: NDArray[np.floating], rate_hz: int) -> bool:
    """Look into a channel, a quarter of a second in every two: does it carry timecode for some seconds at least?"""
    step, look = round(_LOOK_EVERY_S * rate_hz), round(_LOOK_S * rate_hz)
    return any(
        _labels(_clean(samples[start : start + look]), rate_hz, None)[0]
        for start in range(0, max(len(samples) - look, 1), step)
    )


# --- inside ---------------------------------------------------------------------------------------


def _one_channel(blocks: Iterable[NDArray[np.floating]]) -> Iterator[Doubles]:
    for block in blocks:
        if block.ndim != 1:
            raise InvalidInput(f"Timecode is read from one channel at a time; got sound of shape {block.shape}.")
        yield _clean(block)


def _clean(block: NDArray[np.floating]) -> Doubles:
    return np.clip(np.nan_to_num(np.asarray(block, np.float64), nan=0.0, posinf=0.0, neginf=0.0), -1e3, 1e3)


def _placed(label: Label, at: int, before: Label | None) -> Label:
    sample = label.sample + at
    carries_on = (
        before is not None
        and before.count == label.count
        and abs(sample - before.sample - before.length) < 0.25 * label.length
        and _fields(label.word) == _next(before.word, label.count)
    )
    return replace(label, sample=sample, follows=carries_on)


def _fields(word: Word) -> tuple[int, int, int, int]:
    return word.hours, word.minutes, word.seconds, word.frames


def _next(word: Word, count: int) -> tuple[int, int, int, int]:
    seconds = (word.hours * 60 + word.minutes) * 60 + word.seconds
    frames = word.frames + 1
    if frames == count:
        seconds, frames = (seconds + 1) % 86400, 0
        # Drop-frame leaves out the first two labels of every minute but each tenth.
        if word.drop and seconds % 60 == 0 and seconds // 60 % 10:
            frames = 2
    return seconds // 3600, seconds // 60 % 60, seconds % 60, frames


def _labels(samples: Doubles, rate_hz: int, count: int | None) -> tuple[list[Label], int | None]:
    """Read all whole words of a stretch, at the count that was read before or else at whichever fits."""
    if count is not None:
        found = _labels_at(samples, rate_hz, count)
        if found:
            return found, count
    tried = {each: _labels_at(samples, rate_hz, each) for each in COUNTS if each != count}
    best = max(tried, key=lambda each: len(tried[each]))
    return (tried[best], best) if tried[best] else ([], count)


def _labels_at(samples: Doubles, rate_hz: int, count: int) -> list[Label]:
    bit = rate_hz / count / WORD_BITS
    if len(samples) < 1.2 * WORD_BITS * bit:
        return []
    sums = _sums(_filtered(samples, bit))
    syncs = _find_syncs(np.diff(sums), bit)
    labels = []
    for sync, length in zip(syncs, _word_lengths(syncs, WORD_BITS * bit), strict=True):
        cell = length / WORD_BITS
        start = sync - (WORD_BITS - _SYNC_BITS / 2) * cell
        if start < -0.5 or start + length > len(samples) - 0.5:
            continue
        bits, margin = _bits(sums, start, cell)
        word = read_word(bits)
        if word is not None and word.frames < count:
            labels.append(Label(word, bits, start, length, count, even(bits), margin, follows=False))
    return labels


def _filtered(samples: Doubles, bit: float) -> Doubles:
    """Take out what the code does not need: below, by the mean over four bits; above, over a quarter of one."""
    return _smoothed(samples, bit / 4) - _smoothed(samples, 4 * bit)


def _smoothed(samples: Doubles, width: float) -> Doubles:
    sums = _sums(samples)
    at = np.arange(len(samples), dtype=np.float64)
    return (_read(sums, at + width / 2) - _read(sums, at - width / 2)) / width


def _sums(samples: Doubles) -> Doubles:
    """Return running sums: entry ``k`` is the sum of the samples before ``k``."""
    return np.concatenate([[0.0], np.cumsum(samples)])


def _read(sums: Doubles, position: Doubles) -> Doubles:
    """Return the integral up to a position, each sample standing for half a sample to either side of it."""
    return np.interp(position + 0.5, np.arange(len(sums)), sums)


def _find_syncs(samples: Doubles, bit: float) -> list[float]:
    """Return where the middles of sync words lie: the one place that a wrong speed does not move."""
    from scipy import signal

    size = round(_SYNC_BITS * bit)
    template = _smoothed(np.pad(_level(np.arange(size), bit), 4 * round(bit), mode="edge"), bit / 4)
    template = template[4 * round(bit) : -4 * round(bit)]
    template = (template - template.mean()) / np.linalg.norm(template - template.mean())
    match = np.abs(signal.fftconvolve(samples, template[::-1], mode="valid"))
    energy = _sums(samples**2)
    window = np.sqrt(np.maximum(energy[size:] - energy[:-size], 0.0))
    # Where the stretch is as good as silent beside its loud parts, the quotient would be rounding noise.
    likeness = match / np.maximum(window, max(1e-6 * float(window.max()), 1e-12))
    high = np.flatnonzero(likeness >= _LIKENESS)
    chosen: list[int] = []
    for group in np.split(high, np.flatnonzero(np.diff(high) > bit) + 1):
        if group.size == 0:
            continue
        top = int(group[np.argmax(likeness[group])])
        if chosen and top - chosen[-1] < _APART * WORD_BITS * bit:
            if likeness[top] > likeness[chosen[-1]]:
                chosen[-1] = top
        else:
            chosen.append(top)
    return [_peak(match, top) + _SYNC_BITS / 2 * bit for top in chosen]


def _level(at: NDArray[np.generic], bit: float) -> Doubles:
    """Return the level of a sync word at samples from its start: the mean over half a sample to either side."""
    ones = np.repeat(SYNC, 2)
    changes = np.where(np.arange(2 * _SYNC_BITS) % 2 == 0, True, ones == 1)
    halves = np.where(np.cumsum(changes) % 2 == 1, 1.0, -1.0)
    integral = np.concatenate([[0.0], np.cumsum(halves)]) * bit / 2
    edges = np.arange(2 * _SYNC_BITS + 1) * bit / 2
    position = np.asarray(at, np.float64)
    return np.interp(position + 0.5, edges, integral) - np.interp(position - 0.5, edges, integral)


def _peak(values: Doubles, top: int) -> float:
    if not 0 < top < len(values) - 1:
        return float(top)
    before, here, after = values[top - 1 : top + 2]
    bend = before - 2 * here + after
    return top + (float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0)


def _word_lengths(syncs: Sequence[float], nominal: float) -> list[float]:
    """Return how long the word of each sync word lasts: from the one before it, or else to the one after."""
    lengths = []
    for number, sync in enumerate(syncs):
        before = sync - syncs[number - 1] if number else 0.0
        after = syncs[number + 1] - sync if number + 1 < len(syncs) else 0.0
        near = [length for length in (before, after) if abs(length / nominal - 1) <= _SPEED]
        lengths.append(near[0] if near else nominal)
    return lengths


def _bits(sums: Doubles, start: float, cell: float) -> tuple[Bits, float]:
    """Decide the bits of a word, and say how clear the least clear one is."""
    edges = start - 0.5 + np.arange(2 * WORD_BITS + 1) * cell / 2
    halves = np.diff(_read(sums, edges))
    one = np.abs(halves[::2] - halves[1::2])
    zero = np.abs(halves[::2] + halves[1::2])
    margin = np.abs(one - zero) / np.maximum(np.median(np.maximum(one, zero)), 1e-30)
    return (one > zero).astype(np.uint8), float(min(margin.min(), 1.0))
