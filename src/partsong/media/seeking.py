"""Finding the place in a stream from which a frame can be decoded for certain.

A container's index is in the order of decoding, and a key frame is shown after frames that precede it there, so the
entry found for a time may be of a key frame shown too late. Nor may a frame be taken that is shown before its key
frame: it leans on pictures from before (open GOPs). Starting from a key frame shown at or before the wanted one
avoids both.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any


def frames_from(container: Any, stream: Any, target: int) -> Iterator[Any] | None:
    """Return decoded frames from the last key frame shown at or before ``target`` (ticks of the stream).

    ``None`` when none is found; then decode from the start of a file opened afresh.
    """
    import av

    at, step = target, 1
    while at >= (stream.start_time or 0) - step:
        try:
            container.seek(at, stream=stream, backward=True)
        except av.FFmpegError:  # some containers refuse a time before their first entry
            return None
        packets = container.demux(stream)
        key = next((packet for packet in packets if packet.is_keyframe and packet.pts is not None), None)
        if key is not None and key.pts <= target:
            return decoded(itertools.chain([key], packets))
        # Just before this key frame; where that finds it again (an index by showing time), further and further back.
        at = min(at - step, at if key is None or key.dts is None else key.dts - 1)
        step *= 8
    return None


def decoded(packets: Iterator[Any]) -> Iterator[Any]:
    """Decode packets to frames in the order of showing."""
    for packet in packets:
        for frame in packet.decode():
            if frame.pts is not None:
                yield frame
