"""What is in a media file, found without decoding more of it than its ends."""

from __future__ import annotations

import itertools
import struct
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.records import Clip, MediaFile, PictureInfo, Timecode
from partsong.media import sound, tags
from partsong.media.container import COPY_AGAIN, media_errors, only, picture_stream, reading
from partsong.media.frames import layout_of
from partsong.media.seeking import decoded, frames_from
from partsong.media.timing import Timing, timing_of
from partsong.timebase import Rate, Time, round_half_up, timecode_to_frame

# Containers of which a cut-off copy shows only in that they state to last longer than they do.
_STATES_LENGTH = {"matroska", "avi"}
_SHORT_BY_S = Fraction(1, 2)  # stated lengths are rounded, and include a last frame or packet of sound
_LOOK_AT = 4  # frames at the start, enough to see whether their times rise


def probe(path: Path, file: MediaFile) -> Clip:
    """Read what a file says of its picture and sound, and make sure that it is whole.

    Where the container has an index, that index, the sound's packets and the pictures from the last key frame onwards
    are all that is read; elsewhere the packets are read through once, without decoding them.

    Parameters
    ----------
    path : Path
        Where the file is.
    file : MediaFile
        Its record, as :meth:`partsong.film.folder.FilmFolder.refer` makes it.

    Returns
    -------
    Clip
        ``picture`` or ``sound`` is ``None`` when there is none: whether that will do is the caller's to say. What the
        file does not say of its colour stays ``unknown``.

    Raises
    ------
    UnreadableMedia
        If it is no media, holds neither picture nor sound, is cut off, encrypted, or stored in a way that we
        cannot decode.
    """
    with reading(path) as container:
        name = container.format.name.split(",")[0]
        stated_s = Fraction(container.duration or 0, 1_000_000)
        stream = picture_stream(container)
        if stream is None and not container.streams.audio:
            raise UnreadableMedia(path, "there is neither picture nor sound in it", "Choose another file.")
        picture, length = (None, None) if stream is None else _picture(path, container, stream)
    heard = sound.measured(path)
    heard_s = Fraction(heard.samples, heard.rate_hz) if heard else Fraction(0)
    if length is None:
        assert heard is not None  # a file without picture and sound was refused above
        length = Time(ticks=heard.samples, base_num=1, base_den=heard.rate_hz)
    lasts_s = max(length.seconds, heard_s)
    if name in _STATES_LENGTH and lasts_s + _SHORT_BY_S < stated_s:
        raise UnreadableMedia(
            path,
            f"it is cut off: it should last {float(stated_s):.2f} s, but ends at {float(lasts_s):.2f} s",
            COPY_AGAIN,
        )
    return Clip(file=file, container=name, duration=length, picture=picture, sound=heard)


def _picture(path: Path, container: Any, stream: Any) -> tuple[PictureInfo, Time]:
    context = stream.codec_context
    if context is None:
        raise UnreadableMedia(
            path,
            "its picture is encoded in a way that is not known here",
            "Convert it to H.264 or another usual codec.",
        )
    only(container, stream)
    timing = _some(path, timing_of(container, stream))
    if timing.by_index:
        _refuse_cut_off(path, stream)
    first, last = _first_frame(path), _last_frame(path, timing.ticks[-1])
    expected = (last.pts - first.pts) * stream.time_base * timing.rate
    if timing.by_index and (timing.variable or round_half_up(expected) != len(timing.ticks) - 1):
        # The index keeps the times of decoding; where they or those of showing are uneven, read all of the latter.
        timing = _some(path, timing_of(container, stream, trust_index=False))
    layout = layout_of(first.format)
    if layout is None:
        raise UnreadableMedia(
            path, f"its picture is stored as {first.format.name}", "Convert it to Y'CbCr 4:2:0, 4:2:2 or 4:4:4."
        )
    rate = Rate.of(timing.rate)
    shape = stream.sample_aspect_ratio or Fraction(1)
    info = PictureInfo(
        codec=context.codec.canonical_name,
        width=first.width,
        height=first.height,
        pixel_aspect_num=shape.numerator,
        pixel_aspect_den=shape.denominator,
        rotation_deg=_rotation(path, first),
        rate=rate,
        variable_rate=timing.variable,
        frames=len(timing.ticks),
        pixel_format=first.format.name,
        bit_depth=layout[1],
        matrix=tags.name_of(tags.MATRICES, _said(first.colorspace, context.colorspace)),
        value_range=_value_range(first, context),
        primaries=tags.name_of(tags.PRIMARIES, _said(first.color_primaries, context.color_primaries)),
        transfer=tags.name_of(tags.TRANSFERS, _said(first.color_trc, context.color_trc)),
        timecode=_timecode(container, stream, rate),
    )
    if not timing.variable:
        return info, Time.at_frame(info.frames, rate)
    shown_s = (timing.ticks[-1] - timing.ticks[0]) * stream.time_base + rate.frame_s
    return info, Time.of(shown_s, stream.time_base)


def _some(path: Path, timing: Timing | None) -> Timing:
    if timing is None:
        raise UnreadableMedia(path, "there is not one frame in its picture track", COPY_AGAIN)
    return timing


def _refuse_cut_off(path: Path, stream: Any) -> None:
    size = path.stat().st_size
    entries = list(stream.index_entries)
    here = sum(entry.pos + entry.size <= size for entry in entries)
    if here < len(entries):
        raise UnreadableMedia(
            path, f"it is cut off: its index lists {len(entries)} frames, but only {here} are in the file", COPY_AGAIN
        )


def _first_frame(path: Path) -> Any:
    with reading(path) as container:
        stream = picture_stream(container)
        only(container, stream)
        frames = list(itertools.islice(_refusing_encrypted(path, container.demux(stream)), _LOOK_AT))
    if not frames:
        raise UnreadableMedia(path, "no frame of its picture can be decoded", COPY_AGAIN)
    if any(later.pts <= earlier.pts for earlier, later in itertools.pairwise(frames)):
        raise UnreadableMedia(
            path, "its frames carry the time of their decoding, not of their showing", "Rewrap it as MOV with an index."
        )
    return frames[0]


def _refusing_encrypted(path: Path, packets: Iterator[Any]) -> Iterator[Any]:
    def checked() -> Iterator[Any]:
        for packet in packets:
            if packet.has_sidedata("encryption_info") or packet.has_sidedata("encryption_init_info"):
                raise UnreadableMedia(path, "its picture is encrypted", "Export it again without protection.")
            yield packet

    return decoded(checked())


def _last_frame(path: Path, tick: int) -> Any:
    """Decode to the very end: an index may list frames that a copy does not have any more."""
    with reading(path) as container:
        stream = picture_stream(container)
        only(container, stream)
        stream.thread_type = "AUTO"
        last = None
        try:
            with media_errors(path):
                for last in frames_from(container, stream, tick) or container.decode(stream):  # noqa: B007
                    pass
        except UnreadableMedia:
            last = None
    if last is None or last.is_corrupt:
        raise UnreadableMedia(path, "its last frames cannot be decoded, as if it were cut off", COPY_AGAIN)
    return last


def _said(of_frame: int, of_track: int) -> int:
    """Prefer what the pictures say of themselves; the container's word where they say nothing."""
    return of_track if of_frame == 2 else of_frame


def _value_range(first: Any, context: Any) -> Literal["limited", "full", "unknown"]:
    if first.format.name.startswith("yuvj"):  # JPEG's own formats are full range by definition
        return "full"
    return tags.usable_range(tags.name_of(tags.RANGES, first.color_range or context.color_range)) or "unknown"


# The upper left of a display matrix (ISO/IEC 14496-12, 6.2.2), by how far it turns the picture clockwise.
_TURNS: dict[tuple[int, ...], Literal[0, 90, 180, 270]] = {
    (1, 0, 0, 1): 0,
    (0, 1, -1, 0): 90,
    (-1, 0, 0, -1): 180,
    (0, -1, 1, 0): 270,
}


def _rotation(path: Path, first: Any) -> Literal[0, 90, 180, 270]:
    from av.sidedata.sidedata import Type

    matrix = next((data for data in first.side_data if data.type == Type.DISPLAYMATRIX), None)
    if matrix is None:
        return 0
    a, b, _, c, d = struct.unpack("=5i", bytes(matrix)[:20])
    turn = _TURNS.get(tuple(round(value / 65536) for value in (a, b, c, d)))
    if turn is None:
        raise UnreadableMedia(
            path, "it is to be shown mirrored or turned askew, which is not supported", "Export it again upright."
        )
    return turn


def _timecode(container: Any, stream: Any, rate: Rate) -> Timecode | None:
    """Read the label of the first frame from the timecode track, or from what the container says."""
    tracks = [track.metadata for track in container.streams if track.type == "data"]
    for metadata in (stream.metadata, *tracks, container.metadata):
        label = metadata.get("timecode")
        if label:
            try:
                return Timecode(frame=timecode_to_frame(label, rate), drop=label[-3] in ";.")
            except InvalidInput:  # a label that cannot exist at this rate tells nothing
                continue
    return None
