"""When the frames of a stream are shown: how many, how fast, and whether evenly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

# Frames a second of cameras and deliveries; a rate that a container states only nearly is one of them.
_USUAL = tuple(
    Fraction(count * 1000, den) for count in (24, 25, 30, 48, 50, 60, 90, 100, 120, 240) for den in (1000, 1001)
)


@dataclass(frozen=True, slots=True)
class Timing:
    """``ticks`` are the times of all frames in the stream's time base, rising; of decoding when ``by_index``."""

    ticks: Sequence[int]
    rate: Fraction
    variable: bool
    by_index: bool


def has_whole_index(stream: Any) -> bool:
    """Say whether the container gave an entry for every frame when it was opened."""
    return "mov" in stream.container.format.name and 0 < stream.frames <= len(stream.index_entries)


def timing_of(container: Any, stream: Any, *, trust_index: bool = True) -> Timing | None:
    """Work out the timing from the container's index, or by reading (not decoding) all packets.

    ``None`` when there are no frames.
    """
    by_index = trust_index and has_whole_index(stream)
    ticks = _indexed(stream) if by_index else packet_times(container, stream)
    if not ticks:
        return None
    stated = [rate for rate in (stream.average_rate, stream.guessed_rate, stream.base_rate) if rate]
    rate, even = even_rate(ticks, stream.time_base, stated)
    return Timing(ticks, rate, not even, by_index)


def _indexed(stream: Any) -> list[int]:
    return [entry.timestamp for entry in stream.index_entries if not entry.is_discard]


def packet_times(container: Any, stream: Any) -> list[int]:
    """Return when each frame is shown, in ticks of the stream, rising."""
    times = []
    for packet in container.demux(stream):
        if packet.size and not packet.is_discard:
            time = packet.dts if packet.pts is None else packet.pts
            if time is not None:
                times.append(time)
    return sorted(times)


def even_rate(ticks: Sequence[int], tick_s: Fraction, stated: Sequence[Fraction]) -> tuple[Fraction, bool]:
    """Find the rate at which frames follow each other, and whether they do so evenly.

    Even means that every time lies within one tick of ``first + n / rate``: no clock of that tick can do
    better, since each time is rounded to it. Of several rates that fit, the usual one nearest to what
    the container states is taken.

    Returns
    -------
    rate, even
        The mean rate when they are not even.

    Examples
    --------
    >>> even_rate([0, 42, 83, 125, 167, 209], Fraction(1, 1000), [Fraction(2398, 100)])
    (Fraction(24000, 1001), True)
    """
    times = np.asarray(ticks, dtype=np.int64) - ticks[0]
    span = int(times[-1])
    mean = Fraction(len(ticks) - 1) / (span * tick_s) if span else None
    candidates = [rate for rate in (*stated, mean) if rate]
    if not candidates:
        return Fraction(25), False
    near = sorted(_USUAL, key=lambda rate: abs(rate / candidates[0] - 1))
    usual = [rate for rate in near if abs(rate / candidates[0] - 1) < Fraction(1, 200)]
    numbers = np.arange(len(ticks), dtype=np.int64)
    for rate in (*usual, *candidates):
        # Ticks a frame as a fraction, so that the comparison stays whole.
        step = (1 / (rate * tick_s)).limit_denominator(1 << 20)
        off = times * step.denominator - numbers * step.numerator
        if np.all(np.abs(off) <= step.denominator):
            return rate, True
    return (mean or candidates[0]).limit_denominator(1001), False
