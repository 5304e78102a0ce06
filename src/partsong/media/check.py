"""A finished file, decoded from its first frame to its last, and what really came out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from partsong.errors import UnreadableMedia
from partsong.media import sound
from partsong.media.container import COPY_AGAIN, only, picture_stream, reading
from partsong.media.seeking import decoded
from partsong.media.timing import even_rate
from partsong.watch import Watch

_TELL_EVERY = 12  # frames between two reports


@dataclass(frozen=True, slots=True)
class Decoded:
    """What a file decoded to. Times are exact seconds on the file's own clock, lengths those of what came out.

    ``first_s`` and ``last_s`` are when the first and last frame are shown; ``even`` says whether all frames between
    them follow each other at ``rate``. ``sound_samples`` are counted on the clip's clock from the first frame at
    ``sound_rate_hz``; both are 0 in a file without sound.
    """

    frames: int
    first_s: Fraction
    last_s: Fraction
    rate: Fraction
    even: bool
    sound_samples: int
    sound_rate_hz: int

    @property
    def picture_s(self) -> Fraction:
        """The length of the picture, to the end of its last frame."""
        return self.last_s - self.first_s + 1 / self.rate

    @property
    def sound_s(self) -> Fraction:
        """The length of the sound."""
        return Fraction(self.sound_samples, self.sound_rate_hz) if self.sound_rate_hz else Fraction(0)


def decode_all(
    path: Path,
    watch: Watch,
    *,
    doing: str = "Checking the finished file",
    see: Callable[[int, Any], None] | None = None,
) -> Decoded:
    """Decode a file completely, picture and sound; ``see`` is given each frame with its number, from 0.

    Raises
    ------
    UnreadableMedia
        If it has no picture, or any frame or block of sound cannot be decoded.
    Cancelled
        If the person asks to stop.
    """
    ticks: list[int] = []
    with reading(path) as container:
        stream: Any = picture_stream(container)
        if stream is None:
            raise UnreadableMedia(path, "there is no picture in it", "Choose a file with picture.")
        only(container, stream)
        stream.thread_type = "AUTO"
        total = stream.frames
        for frame in decoded(container.demux(stream)):
            if frame.is_corrupt:
                raise UnreadableMedia(path, f"frame {len(ticks)} is damaged", COPY_AGAIN)
            if len(ticks) % _TELL_EVERY == 0:
                watch.tick(doing, len(ticks), total)
            if see is not None:
                see(len(ticks), frame)
            ticks.append(frame.pts)
        if not ticks:
            raise UnreadableMedia(path, "no frame of it can be decoded", COPY_AGAIN)
        tick_s = stream.time_base
        rate, even = even_rate(ticks, tick_s, [stream.average_rate] if stream.average_rate else [])
    samples, rate_hz = 0, 0
    for block, block_hz in sound.native_blocks(path):
        watch.check(doing)
        samples += len(block)
        rate_hz = block_hz
    return Decoded(len(ticks), ticks[0] * tick_s, ticks[-1] * tick_s, rate, even, samples, rate_hz)
