"""Broadcast Wave files: sound that says at which time of day its first sample plays.

References
----------
EBU Tech 3285 v2 (May 2011), Specification of the Broadcast Wave Format: the ``bext`` chunk. EBU R 98 (1999), the
coding history (from memory). RIFF: Multimedia Programming Interface and Data Specifications 1.0 (1991).
"""

from __future__ import annotations

import struct
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.folder import writing
from partsong.film.records import Timecode
from partsong.media.soundtrack import to_codes
from partsong.timebase import Rate, round_half_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

BITS = 24
_FRAME = 3  # bytes a sample
_NOT_SET = 0x7FFF  # of the five loudness values
_MOST_BYTES = 0xFFFFFFFF  # what RIFF's lengths can count


@dataclass(frozen=True, slots=True)
class BroadcastInfo:
    """What the ``bext`` chunk says.

    ``time_reference`` is how many samples after midnight the file's first one plays. Texts are plain ASCII in the file;
    letters that are not lose their accents, and what does not fit is cut.
    """

    description: str
    originator: str
    reference: str
    made: datetime
    time_reference: int


def samples_since_midnight(origin: Timecode, rate: Rate, rate_hz: int = 48000) -> int:
    """Return the sample at which a label plays, counted from midnight, to the nearest.

    >>> samples_since_midnight(Timecode(frame=90000), Rate.of(25)) == 3600 * 48000
    True
    """
    return round_half_up(origin.frame * rate.frame_s * rate_hz)


def bext(info: BroadcastInfo, *, rate_hz: int, channels: int) -> bytes:
    """Return the content of a ``bext`` chunk, version 2, without loudness values and UMID.

    Raises
    ------
    InvalidInput
        If the time reference is before midnight or too large to write.
    """
    if not 0 <= info.time_reference < 1 << 64:
        raise InvalidInput(f"A file cannot begin {info.time_reference} samples after midnight. Choose another origin.")
    layout = {1: ",M=mono", 2: ",M=stereo"}.get(channels, "")
    history = f"A=PCM,F={rate_hz},W={BITS}{layout}\r\n".encode("ascii")
    fixed = struct.pack(
        "<256s32s32s10s8sIIH64s5h180x",
        _ascii(info.description, 256),
        _ascii(info.originator, 32),
        _ascii(info.reference, 32),
        info.made.strftime("%Y-%m-%d").encode("ascii"),
        info.made.strftime("%H:%M:%S").encode("ascii"),
        info.time_reference & 0xFFFFFFFF,
        info.time_reference >> 32,
        2,
        b"",
        *[_NOT_SET] * 5,
    )
    return fixed + history


def write_bwf(path: Path, blocks: Iterable[NDArray[np.float32]], info: BroadcastInfo, *, rate_hz: int = 48000) -> None:
    """Write sound as a Broadcast Wave file of 24 bits, as a whole or not at all.

    Parameters
    ----------
    path : Path
        The file to make; one that is there is replaced.
    blocks : iterable of ndarray, shape (n, channels)
        Full scale 1.0; what is louder is held at full scale. There is no dither.
    info : BroadcastInfo
        What the file says of itself.
    rate_hz : int
        Samples a second.

    Raises
    ------
    InvalidInput
        If there is no sound, or more of it than the format's lengths can count (4 GiB).
    OutputFailed
        If it cannot be written.
    """
    blocks = iter(blocks)
    head = next(blocks, None)
    if head is None:
        raise InvalidInput(f"{path.name} would hold no sound. Give at least one block.")
    channels = head.shape[1]
    said = bext(info, rate_hz=rate_hz, channels=channels)
    form = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * channels * _FRAME, channels * _FRAME, 8 * _FRAME)
    before = b"WAVE" + _chunk(b"bext", said) + _chunk(b"fmt ", form) + b"data"
    with writing(path) as temporary, temporary.open("wb") as file:
        file.write(b"RIFF" + bytes(4) + before + bytes(4))
        size = 0
        for part in _packed(chain([head], blocks)):
            size += len(part)
            if size + len(before) + 5 > _MOST_BYTES:
                raise InvalidInput(f"{path.name} would be longer than a WAVE file can be (4 GiB). Use shorter clips.")
            file.write(part)
        file.write(bytes(size % 2))
        file.seek(4)
        file.write(struct.pack("<I", len(before) + 4 + size + size % 2))
        file.seek(8 + len(before))
        file.write(struct.pack("<I", size))


def _packed(blocks: Iterable[NDArray[np.float32]]) -> Iterator[bytes]:
    for block in blocks:
        codes = np.ascontiguousarray(to_codes(block, BITS), "<i4")
        yield codes.view(np.uint8).reshape(-1, 4)[:, :_FRAME].tobytes()


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2)


def _ascii(text: str, most: int) -> bytes:
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore")
    return plain[:most]
