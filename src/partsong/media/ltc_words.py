"""Linear timecode as words and as sound: 80 bits a frame, written in bi-phase mark.

A bit begins with a change of level; a one changes once more in its middle. The polarity bit makes the changes of every
word even, so that each word starts with the same level and the sound at any moment follows from the label alone.

References
----------
SMPTE ST 12-1:2014, Time and Control Code: the code word, its polarity correction, and edges that rise within
40 microseconds (the last from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.records import Timecode
from partsong.timebase import Rate, frame_to_timecode, timecode_to_frame

Bits = NDArray[np.uint8]

WORD_BITS = 80
COUNTS = (24, 25, 30)
"""How many labels a second linear timecode counts; faster pictures share a label."""

SYNC: Bits = np.array([0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 1], np.uint8)
"""The last sixteen bits of every word, in the order sent."""

PEAK = 10 ** (-12 / 20)
"""Level of printed timecode, 12 dB below full scale: common practice, no source."""

_DROP, _COLOUR = 10, 11
_RISE_S = 40e-6  # from a tenth of the swing to nine tenths
# (first bit, bits, digit's worth) of frames, seconds, minutes and hours, least significant bit first.
_FIELDS = (
    ((0, 4, 1), (8, 2, 10)),
    ((16, 4, 1), (24, 3, 10)),
    ((32, 4, 1), (40, 3, 10)),
    ((48, 4, 1), (56, 2, 10)),
)
_USER = (4, 12, 20, 28, 36, 44, 52, 60)  # four bits each


@dataclass(frozen=True, slots=True)
class Word:
    """What one word says. ``user`` holds the eight groups of user bits as four bytes, the first group lowest."""

    hours: int
    minutes: int
    seconds: int
    frames: int
    drop: bool = False
    user: bytes = bytes(4)

    @property
    def label(self) -> str:
        """The label as people write it."""
        mark = ";" if self.drop else ":"
        return f"{self.hours:02d}:{self.minutes:02d}:{self.seconds:02d}{mark}{self.frames:02d}"


def word_of(frame: int, rate: Rate, *, drop: bool = False, user: bytes = bytes(4)) -> Word:
    """Return the word of a frame, counted from 00:00:00:00; frames before it count back from midnight.

    Raises
    ------
    InvalidInput
        If linear timecode does not count at the rate, or the user bits are not four bytes.
    """
    if rate.nominal not in COUNTS:
        raise InvalidInput(
            f"Linear timecode counts 24, 25 or 30 labels a second, not {rate.nominal}. Choose one of these rates."
        )
    if len(user) != 4:
        raise InvalidInput(f"The user bits of a word are 4 bytes, not {len(user)}.")
    day = timecode_to_frame(f"23:59:59:{rate.nominal - 1}", rate, drop=drop) + 1
    label = frame_to_timecode(frame % day, rate, drop=drop)
    hours, minutes, seconds, frames = (int(label[at : at + 2]) for at in (0, 3, 6, 9))
    return Word(hours, minutes, seconds, frames, drop, user)


def word_bits(word: Word, count: int) -> Bits:
    """Return the 80 bits of a word in the order sent, for timecode of 24, 25 or 30 labels a second."""
    bits = np.zeros(WORD_BITS, np.uint8)
    for value, (units, tens) in zip((word.frames, word.seconds, word.minutes, word.hours), _FIELDS, strict=True):
        for (first, length, _), digit in ((units, value % 10), (tens, value // 10)):
            bits[first : first + length] = (digit >> np.arange(length)) & 1
    bits[_DROP] = word.drop
    for group, first in enumerate(_USER):
        bits[first : first + 4] = (word.user[group // 2] >> (4 * (group % 2)) >> np.arange(4)) & 1
    bits[-len(SYNC) :] = SYNC
    bits[59 if count == 25 else 27] = int(bits.sum()) % 2
    return bits


def read_word(bits: Bits) -> Word | None:
    """Return what 80 bits say, or None where they are no word: no sync at their end, or digits that no label has.

    Parity is not looked at here (:func:`even`): the label may be right all the same.
    """
    if not np.array_equal(bits[-len(SYNC) :], SYNC):
        return None
    fields = []
    for digits in _FIELDS:
        units, tens = (int(bits[first : first + length] @ (1 << np.arange(length))) for first, length, _ in digits)
        if units > 9:
            return None
        fields.append(10 * tens + units)
    frames, seconds, minutes, hours = fields
    if frames > 29 or seconds > 59 or minutes > 59 or hours > 23:
        return None
    groups = [int(bits[first : first + 4] @ (1 << np.arange(4))) for first in _USER]
    user = bytes(low | high << 4 for low, high in zip(groups[::2], groups[1::2], strict=True))
    return Word(hours, minutes, seconds, frames, bool(bits[_DROP]), user)


def even(bits: Bits) -> bool:
    """Say whether the polarity correction is right: as many changes as bring the level back to where it was."""
    return int(bits.sum()) % 2 == 0


@dataclass(frozen=True, slots=True)
class Printed:
    """Timecode as sound: the label ``zero`` begins at sample ``at``, and it runs before and after without end."""

    zero: Timecode
    rate: Rate
    at: Fraction = Fraction(0)
    rate_hz: int = 48000
    peak: float = PEAK
    user: bytes = bytes(4)

    def block(self, start: int, count: int) -> NDArray[np.float32]:
        """Return the samples from ``start`` on, shape (count,)."""
        bit = Fraction(self.rate_hz) * self.rate.frame_s / WORD_BITS
        first = ((start - self.at) / (bit * WORD_BITS)).__floor__() - 1
        last = ((start + count - self.at) / (bit * WORD_BITS)).__floor__() + 1
        edges = np.concatenate([self._edges(number) for number in range(first, last + 1)])
        origin = float(self.at + first * WORD_BITS * bit - start)
        edges = origin + (edges - first * WORD_BITS) * float(bit)
        samples = np.arange(count, dtype=np.float64)
        passed = np.searchsorted(edges, samples, side="right")
        from_edge = np.minimum(samples - edges[passed - 1], edges[passed] - samples)
        # The quarter wave passes eight tenths of the level after 0.59 of its length, on either side of the edge.
        half = _RISE_S * self.rate_hz / (2 * 0.5903)
        level = np.sin(np.pi / 2 * np.minimum(from_edge / half, 1.0))
        return (self.peak * np.where(passed % 2 == 1, level, -level)).astype(np.float32)

    def _edges(self, number: int) -> NDArray[np.float64]:
        """Return where the level changes in a word, in bits from the label ``zero``: an even number of places."""
        word = word_of(self.zero.frame + number, self.rate, drop=self.zero.drop, user=self.user)
        bits = word_bits(word, self.rate.nominal)
        starts = number * WORD_BITS + np.arange(WORD_BITS, dtype=np.float64)
        return np.sort(np.concatenate([starts, starts[bits == 1] + 0.5]))
