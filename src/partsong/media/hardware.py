"""Decoding on the machine's own video hardware, where it gives the very codes that the software decoder gives.

Standards of video coding define decoding to the bit, so hardware that disagrees is at fault. Whether it does is seen by
decoding a clip's first frames both ways.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import av
import numpy as np
from av.codec.hwaccel import HWAccel, hwdevices_available

from partsong.errors import UnreadableMedia
from partsong.film.records import PictureInfo
from partsong.media.container import picture_stream, reading
from partsong.media.frames import layout_of, planes_of
from partsong.media.planes import Planes
from partsong.media.seeking import decoded

COMPARED = 12
"""Frames decoded both ways: enough for pictures of every kind, those between two others among them."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """What came of comparing: the ``device`` that gives the same codes, if any, and the sentence that says so."""

    device: str | None
    sentence: str


_known: dict[tuple[str, str, int, int], Agreement] = {}


def agreed(path: Path, picture: PictureInfo) -> Agreement:
    """Return the hardware on which a clip like this one decodes to the same codes as in software.

    Clips of one codec, pixel format and size are of one kind, and a process compares once a kind: the first
    :data:`COMPARED` frames of the clip that it is asked about first.

    Raises
    ------
    UnreadableMedia
        If there is hardware for it, but the clip cannot be decoded in software.
    """
    kind = (picture.codec, picture.pixel_format, picture.width, picture.height)
    if kind not in _known:
        _known[kind] = _compared(path, picture)
    return _known[kind]


def _compared(path: Path, picture: PictureInfo) -> Agreement:
    kind = f"{picture.codec} {picture.pixel_format} {picture.width} x {picture.height}"
    told = []
    for device in devices_for(picture.codec):
        try:
            theirs = _first_frames(path, device)
        except (av.FFmpegError, UnreadableMedia, NotImplementedError):
            told.append(f"{device} does not decode it here")
            continue
        ours = _first_frames(path, None)
        if len(ours) != len(theirs) or not ours:
            told.append(f"{device} gives {len(theirs)} of {len(ours)} frames")
            continue
        worst = max(difference(one, other) for one, other in zip(ours, theirs, strict=True))
        if worst == 0:
            return Agreement(device, f"{kind} is decoded on {device}: its first frames are the same to the bit.")
        told.append(f"{device} differs by up to {worst} codes")
    return Agreement(None, f"{kind} is decoded in software: {', '.join(told) or 'no hardware for it was found'}.")


def devices_for(codec: str) -> list[str]:
    """Return the kinds of hardware that this build of the media library can decode a codec on, present or not."""
    try:
        offered = {config.device_type.name for config in av.Codec(codec, "r").hardware_configs if config.is_supported}
    except av.codec.codec.UnknownCodecError:
        return []
    return [name for name in hwdevices_available() if name in offered]


def difference(one: Planes, other: Planes) -> int:
    """Return how many codes two frames lie apart at most; a whole range where they are not of one form."""
    if (one.bit_depth, one.y.shape, one.u.shape) != (other.bit_depth, other.y.shape, other.u.shape):
        return 1 << one.bit_depth
    pairs = ((one.y, other.y), (one.u, other.u), (one.v, other.v))
    return max(int(np.abs(a.astype(np.int32) - b).max()) for a, b in pairs)


def _first_frames(path: Path, device: str | None) -> list[Planes]:
    hardware = HWAccel(device, allow_software_fallback=False) if device else None
    found = []
    with reading(path, hardware) as container:
        stream = picture_stream(container)
        if stream is None:
            return []
        stream.thread_count = 1
        for frame in islice(decoded(container.demux(stream)), COMPARED):
            if layout_of(frame.format) is None:
                return []
            planes = planes_of(frame, "bt709", "limited")  # the codes alone are compared
            found.append(
                Planes(planes.y.copy(), planes.u.copy(), planes.v.copy(), planes.bit_depth, "bt709", "limited")
            )
    return found
