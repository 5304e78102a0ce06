"""The guide track: what the musician hears while a part is filmed, with cues that tell every clip where it is.

::

    0 s    head cue   count-in bar   song .............................   tail cue   end
           rising     clicks         clicks, each bar's first one higher   falling

Every event starts on a whole sample, so that the guide agrees with the song to the sample from end to end. What the
cues are, and why: :mod:`partsong.media.cues`. Timecode, where asked for, runs on a second channel from end to end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.records import TempoMark
from partsong.film.tempo import Position, beats_in_bar, time_of
from partsong.media.cues import CUE_PEAK, CUE_S, count_in, cue_sound, cue_starts_s
from partsong.timebase import round_half_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from partsong.media.ltc_words import Printed

RATE_HZ = 48000
PEAK = CUE_PEAK
"""Full level of the guide, 6 dB below full scale; beats within a bar are 6 dB softer."""

_CLICK_S = Fraction(1, 40)
_CLICK_DECAY_S = 0.005
_BAR_HZ, _BEAT_HZ = 1600.0, 1000.0
_QUIET_S = Fraction(1, 2)

EventKind = Literal["head cue", "bar", "beat", "tail cue"]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that sounds from a sample of the guide on."""

    sample: int
    kind: EventKind


@dataclass(frozen=True, slots=True)
class Guide:
    """A guide track as a plan: samples at 48 kHz. The song's first sample plays at ``song_zero``."""

    song_zero: int
    length: int
    events: tuple[Event, ...]

    def first(self, kind: EventKind) -> int:
        """Return the sample at which the first event of a kind starts."""
        return next(event.sample for event in self.events if event.kind == kind)


def plan_guide(tempo: Sequence[TempoMark], song_s: Fraction) -> Guide:
    """Plan the guide track of a song.

    The clicks begin one whole bar before the bar in which the song begins, and end with the song.

    Parameters
    ----------
    tempo : sequence of TempoMark
        The song's tempo map.
    song_s : Fraction
        The song's length in seconds.

    Raises
    ------
    InvalidInput
        If there is no tempo map, or the beats are closer together than a click is long.
    """
    bar, _ = count_in(tempo)
    starts_s = cue_starts_s(tempo, song_s)
    # A whole number of seconds is easy to remember when the guide is laid under the song by hand.
    song_zero_s = -((-(_QUIET_S - starts_s["head cue"])).__floor__())
    song_zero = song_zero_s * RATE_HZ
    cue = round_half_up(CUE_S * RATE_HZ)
    head, tail = (Event(song_zero + round_half_up(at_s * RATE_HZ), kind) for kind, at_s in starts_s.items())

    clicks: list[Event] = []
    while time_of(tempo, Position(bar, Fraction(0))) < song_s:
        bar_end_s = time_of(tempo, Position(bar + 1, Fraction(0)))
        for beat in range(beats_in_bar(tempo, bar)):
            at_s = time_of(tempo, Position(bar, Fraction(beat)))
            # Where a new tempo mark cuts a bar short, its bar line comes before the beats that are left.
            if at_s < min(song_s, bar_end_s):
                clicks.append(Event(song_zero + round_half_up(at_s * RATE_HZ), "beat" if beat else "bar"))
        bar += 1
    click = round_half_up(_CLICK_S * RATE_HZ)
    if any(later.sample - earlier.sample < click for earlier, later in pairwise(clicks)):
        raise InvalidInput(
            f"Some beats are closer together than a click is long ({float(_CLICK_S) * 1000:.0f} ms). "
            "Check the tempo map."
        )
    return Guide(song_zero, tail.sample + cue + round_half_up(_QUIET_S * RATE_HZ), (head, *clicks, tail))


def click_sound(kind: Literal["bar", "beat"]) -> NDArray[np.float32]:
    """Return a click, shape (n,): loudest at its first sample, so that its start is where it is heard."""
    t_s = np.arange(round_half_up(_CLICK_S * RATE_HZ)) / RATE_HZ
    hertz, peak = (_BAR_HZ, PEAK) if kind == "bar" else (_BEAT_HZ, PEAK / 2)
    return (peak * np.exp(-t_s / _CLICK_DECAY_S) * np.cos(2 * np.pi * hertz * t_s)).astype(np.float32)


def blocks(guide: Guide, *, block: int = RATE_HZ, timecode: Printed | None = None) -> Iterator[NDArray[np.float32]]:
    """Yield the guide's sound in blocks of shape (n, 1), float32, at 48 kHz.

    With ``timecode`` the shape is (n, 2): the guide on the left, timecode on the right.
    """
    sounds = {
        "head cue": cue_sound("head cue"),
        "tail cue": cue_sound("tail cue"),
        "bar": click_sound("bar"),
        "beat": click_sound("beat"),
    }
    waiting = list(guide.events)
    for start in range(0, guide.length, block):
        stop = min(start + block, guide.length)
        out = np.zeros((stop - start, 1), np.float32)
        for event in waiting:
            if event.sample >= stop:
                break
            sound = sounds[event.kind]
            begin, end = max(event.sample, start), min(event.sample + len(sound), stop)
            if begin < end:
                out[begin - start : end - start, 0] += sound[begin - event.sample : end - event.sample]
        waiting = [event for event in waiting if event.sample + len(sounds[event.kind]) > stop]
        yield out if timecode is None else np.column_stack([out, timecode.block(start, stop - start)])
