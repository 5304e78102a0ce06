"""What a clip's container says of every packet of its picture, and its key frames one by one: much for little.

A repeated frame, a lost one and a clock that stumbles show in the packets' times and sizes without decoding
anything; a key frame costs one frame's decoding, wherever in the clip it stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.errors import UnreadableMedia
from partsong.film.records import PictureInfo
from partsong.media.container import COPY_AGAIN, media_errors, only, picture_stream, reading
from partsong.media.picture import open_picture
from partsong.media.planes import Matrix, Planes, ValueRange
from partsong.media.timing import has_whole_index


@dataclass(frozen=True, slots=True)
class Packets:
    """The packets of a clip's picture, in the order of showing (of decoding where no frame's times are swapped).

    ``times_s`` are seconds from the first one, ``sizes`` bytes, ``keys`` whether a packet stands alone. All of
    shape (n,).
    """

    times_s: NDArray[np.float64]
    sizes: NDArray[np.int64]
    keys: NDArray[np.bool_]


def packets_of(path: Path) -> Packets:
    """Read the packets' times and sizes: from the index where it lists all, else by reading through the file.

    Raises
    ------
    UnreadableMedia
        If there is no picture in the file.
    """
    with reading(path, picture=False) as container:
        stream = picture_stream(container)
        if stream is None:
            raise UnreadableMedia(path, "there is no picture in it", "Choose a clip with picture.")
        only(container, stream)
        if has_whole_index(stream):
            rows = [
                (entry.timestamp, entry.size, entry.is_keyframe)
                for entry in stream.index_entries
                if not entry.is_discard
            ]
        else:
            rows = [
                (packet.dts if packet.pts is None else packet.pts, packet.size, packet.is_keyframe)
                for packet in container.demux(stream)
                if packet.size and not packet.is_discard
            ]
        tick_s = float(stream.time_base)
    rows = sorted(row for row in rows if row[0] is not None)
    if not rows:
        raise UnreadableMedia(path, "there is not one frame in its picture track", COPY_AGAIN)
    times = np.array([row[0] for row in rows], np.float64)
    sizes, keys = np.array([row[1] for row in rows]), np.array([row[2] for row in rows], bool)
    return Packets((times - times[0]) * tick_s, sizes, keys)


def read_key_frames(
    path: Path,
    picture: PictureInfo,
    frames: Iterable[int],
    *,
    matrix: Matrix | None = None,
    value_range: ValueRange | None = None,
) -> Iterator[tuple[int, Planes]]:
    """Yield (number, frame) of the key frame at or before each number asked for, each once, decoding nothing else.

    Parameters
    ----------
    path : Path
        The clip.
    picture : PictureInfo
        What :func:`partsong.media.probe.probe` found in it.
    frames : iterable of int
        Rising.
    matrix, value_range : optional
        Stand in for what the file does not say.
    """
    # Opened for its checks and sentences about colour; the frames below come from a decoder of their own.
    checked = open_picture(path, picture, matrix=matrix, value_range=value_range)
    rate = picture.rate.exact
    with reading(path) as container:
        stream = picture_stream(container)
        only(container, stream)
        stream.thread_count = 1
        first = stream.start_time or 0
        before = -1
        for wanted in frames:
            tick = first + round(wanted / rate / stream.time_base)
            with media_errors(path):
                container.seek(tick, stream=stream, backward=True)
                packet = next((one for one in container.demux(stream) if one.is_keyframe and one.size), None)
                if packet is None:
                    return
                decoded = [*packet.decode(), *stream.codec_context.decode(None)]
                stream.codec_context.flush_buffers()
            if not decoded:
                raise UnreadableMedia(path, f"its frame {wanted} cannot be decoded", COPY_AGAIN)
            number = round((decoded[0].pts - first) * stream.time_base * rate)
            if number > before:
                before = number
                yield number, checked.upright(decoded[0])
