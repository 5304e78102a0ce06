"""A finished file, decoded from its first frame to its last, and what really came out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
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
_START_S = Fraction(0)


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
    return put_together(path, decode_stretch(path, watch, doing=doing, see=see), watch, doing=doing)


def decode_stretch(
    path: Path,
    watch: Watch,
    *,
    first_s: Fraction = _START_S,
    stop_s: Fraction | None = None,
    threads: int = 0,
    doing: str = "Checking the finished file",
    see: Callable[[int, Any], None] | None = None,
) -> list[int]:
    """Decode the picture from a key frame at ``first_s`` to before ``stop_s``, or to the end of the file.

    Whoever joins the answers of stretches that meet learns of each frame of the file once. It must be written in the
    order of showing.

    Returns
    -------
    list of int
        When each frame is shown, in ticks of the picture's own time base.

    Raises
    ------
    UnreadableMedia
        If it has no picture, there is no key frame where the stretch begins, or any frame cannot be decoded.
    Cancelled
        If the person asks to stop.
    """
    ticks: list[int] = []
    with reading(path) as container:
        stream = _picture(path, container)
        only(container, stream)
        stream.thread_type, stream.thread_count = "AUTO", threads
        first, stop = (None if at is None else round(at / stream.time_base) for at in (first_s, stop_s))
        assert first is not None
        if first > 0:
            container.seek(first, stream=stream, backward=True)
        for frame in decoded(_between(container, stream, first, stop)):
            if frame.is_corrupt:
                raise UnreadableMedia(path, f"frame {len(ticks)} is damaged", COPY_AGAIN)
            if len(ticks) % _TELL_EVERY == 0:
                watch.tick(doing, len(ticks), stream.frames)
            if see is not None:
                see(len(ticks), frame)
            ticks.append(frame.pts)
    if not ticks:
        raise UnreadableMedia(path, "no frame of it can be decoded", COPY_AGAIN)
    return ticks


def put_together(
    path: Path, ticks: Sequence[int], watch: Watch, *, doing: str = "Checking the finished file"
) -> Decoded:
    """Decode a file's sound, and say what it holds beside the frames that its picture was found to have.

    Raises
    ------
    UnreadableMedia
        If a block of sound cannot be decoded.
    Cancelled
        If the person asks to stop.
    """
    with reading(path) as container:
        stream = _picture(path, container)
        tick_s = stream.time_base
        rate, even = even_rate(ticks, tick_s, [stream.average_rate] if stream.average_rate else [])
    samples, rate_hz = 0, 0
    for block, block_hz in sound.native_blocks(path):
        watch.check(doing)
        samples += len(block)
        rate_hz = block_hz
    return Decoded(len(ticks), ticks[0] * tick_s, ticks[-1] * tick_s, rate, even, samples, rate_hz)


def _picture(path: Path, container: Any) -> Any:
    stream = picture_stream(container)
    if stream is None:
        raise UnreadableMedia(path, "there is no picture in it", "Choose a file with picture.")
    return stream


def _between(container: Any, stream: Any, first: int, stop: int | None) -> Iterator[Any]:
    """Yield packets of a stretch, and at its end the empty one that makes a decoder give all that it still holds."""
    import av

    for packet in container.demux(stream):
        if packet.size == 0:
            break
        if stop is not None and packet.pts is not None and packet.pts >= stop:
            break
        if first <= 0 or packet.pts is None or packet.pts >= first:
            yield packet
    empty = av.Packet()
    empty.stream = stream
    yield empty
