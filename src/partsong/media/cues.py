"""The sync cues of a guide track: what they sound like, and where on the song's time line they are played.

A rising linear chirp before the song and a falling one after it. Correlating a recording with a cue gives one sharp
peak, about the inverse of the cue's bandwidth wide, in any room; both of them together give the drift of the recorder's
clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

import numpy as np

from partsong.film.records import TempoMark
from partsong.film.tempo import Position, position_at, time_of
from partsong.timebase import round_half_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

CueKind = Literal["head cue", "tail cue"]

CUE_S = Fraction(1, 4)
CUE_LOW_HZ, CUE_HIGH_HZ = 500.0, 4500.0
"""Where small loudspeakers and camera microphones both work."""

CUE_PEAK = 10 ** (-6 / 20)
"""6 dB below full scale."""

GAP_S = Fraction(1)
"""Of quiet between a cue and what it leads to or follows."""

_EDGE_S = Fraction(1, 100)


def count_in(tempo: Sequence[TempoMark]) -> tuple[int, Fraction]:
    """Return the bar that counts the song in, one whole bar before that in which the song begins, and its song time.

    Raises
    ------
    InvalidInput
        If there is no tempo map.
    """
    bar = position_at(tempo, Fraction(0)).bar - 1
    return bar, time_of(tempo, Position(bar, Fraction(0)))


def cue_starts_s(tempo: Sequence[TempoMark], song_s: Fraction) -> dict[CueKind, Fraction]:
    """Return the song times at which the cues start: before the count-in (negative), and after the song's end."""
    return {"head cue": count_in(tempo)[1] - GAP_S - CUE_S, "tail cue": song_s + GAP_S}


def cue_sound(kind: CueKind, rate_hz: int = 48000) -> NDArray[np.float32]:
    """Return a cue, shape (n,), peak at most -6 dBFS: a linear chirp, rising at the head and falling at the tail."""
    count = round_half_up(CUE_S * rate_hz)
    t_s = np.arange(count) / rate_hz
    start_hz, stop_hz = (CUE_LOW_HZ, CUE_HIGH_HZ) if kind == "head cue" else (CUE_HIGH_HZ, CUE_LOW_HZ)
    phase = 2 * np.pi * (start_hz * t_s + (stop_hz - start_hz) / (2 * float(CUE_S)) * t_s**2)
    edge = round_half_up(_EDGE_S * rate_hz)
    fade = np.sin(np.pi / 2 * (np.arange(edge) + 0.5) / edge) ** 2
    shape = np.ones(count)
    shape[:edge] = fade
    shape[-edge:] = fade[::-1]
    return (CUE_PEAK * shape * np.cos(phase)).astype(np.float32)
