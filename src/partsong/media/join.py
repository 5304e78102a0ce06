"""Segments of picture into one file, copied without encoding again, with the sound muxed once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.records import Timecode
from partsong.media.container import only, opened_for_writing, output_errors, picture_stream, reading
from partsong.media.encode import container_options
from partsong.media.sound import measured, read_sound
from partsong.media.soundtrack import SoundCodec, SoundMuxer, SoundTrack
from partsong.media.timing import even_rate, packet_times
from partsong.timebase import Rate, frame_to_timecode, round_half_up

if TYPE_CHECKING:
    from av.container import OutputContainer

_RATE_HZ = 48000

# Left to itself the muxer renames all-intra 4:2:2 of broadcast sizes (1280x720, 1920x1080) to a format whose
# parameter sets it then leaves out: nothing could decode the result. A stream keeps the name its segments had.
_KEEP_TAGS = {"strict": "unofficial"}


def join(
    segments: Sequence[Path],
    out: Path,
    *,
    sound: Path | None,
    sound_codec: SoundCodec = "pcm_s24le",
    sound_samples: int | None = None,
    timecode: Timecode | None = None,
) -> None:
    """Join segments that were written alike into one file, and give it its sound.

    The picture starts at time 0 and runs on evenly, and so does the sound. AAC comes in packets of 1024 samples and
    decodes to 1024 of its own before the first, and to silence up to the end of the last packet. The file's edit list
    hides both, so that a player that honours it, as the ISO base media format asks, gives exactly ``sound_samples``;
    one that does not sounds 1024 samples (21 ms at 48 kHz) late and stops up to 1023 samples later. PCM has neither.

    Parameters
    ----------
    segments : sequence of Path
        In order; of one recipe, size and rate, without reordered frames, as :class:`PictureWriter` makes them.
    out : Path
        Written to exactly there, ``.mov`` or ``.mp4`` (index in front): use it inside ``writing``.
    sound : Path, optional
        Any file with sound; its time 0 is put on the first frame.
    sound_codec : {"aac", "pcm_s24le"}
        PCM needs ``.mov``.
    sound_samples : int, optional
        Length of the sound at 48 kHz, cut or filled with silence; the whole file by default.
    timecode : Timecode, optional
        The label of the first frame.

    Raises
    ------
    InvalidInput
        If there is no segment, or they do not match.
    OutputFailed
        If the file cannot be written.
    """
    if not segments:
        raise InvalidInput(f"{out.name} would hold no picture. Give at least one segment.")
    if sound is not None and sound_codec == "pcm_s24le" and out.suffix == ".mp4":
        raise InvalidInput(f"{out.name}: uncompressed sound needs a .mov. Name it so, or use AAC.")
    rate = _rate(segments[0])
    with (
        reading(segments[0]) as first,
        output_errors(out),  # inside, so that a failure to write is not taken for one to read
        opened_for_writing(out, {**container_options(out), **_KEEP_TAGS}) as container,
    ):
        template = picture_stream(first)
        stream: Any = container.add_stream_from_template(template)
        # In the first segment's own unit, every frame of every segment is a whole number of ticks.
        stream.time_base = template.time_base
        stream.codec_context.framerate = rate  # the timecode track counts by it
        stream.codec_context.codec_tag = template.codec_context.codec_tag  # kept, with _KEEP_TAGS
        if timecode is not None:
            label = frame_to_timecode(timecode.frame, Rate.of(rate), drop=timecode.drop)
            container.metadata["timecode"] = label
        muxer = _sound_muxer(container, sound, sound_codec, sound_samples)
        for frames, packet in enumerate(_packets(segments, rate), start=1):
            packet.stream = stream
            container.mux(packet)
            if muxer is not None:
                muxer.until(frames / rate)
        if muxer is not None:
            muxer.finish()


def _packets(segments: Sequence[Path], rate: Fraction) -> Iterator[Any]:
    """Yield the packets of all segments, timed to follow each other; frames are whole and in order in all of them."""
    frames = 0
    alike: tuple[Any, ...] | None = None
    for segment in segments:
        with reading(segment) as source:
            own = picture_stream(source)
            alike = alike or _likeness(own)
            if own is None or _likeness(own) != alike:
                raise InvalidInput(f"{segment.name} was not encoded like the segments before it. Render it again.")
            only(source, own)
            step = round_half_up(1 / (rate * own.time_base))
            for number, packet in enumerate(packet for packet in source.demux(own) if packet.size):
                if packet.pts != number * step or packet.dts != packet.pts:
                    raise InvalidInput(f"{segment.name} does not run evenly from time 0. Render it again.")
                packet.pts = packet.dts = frames * step
                packet.duration = step
                frames += 1
                yield packet


def _likeness(stream: Any) -> tuple[Any, ...]:
    """Return what must be equal in streams that are to be decoded as one."""
    context = stream.codec_context
    colour = (context.colorspace, context.color_range, context.color_primaries, context.color_trc)
    return (context.name, stream.width, stream.height, context.pix_fmt, context.extradata, stream.time_base, *colour)


def _rate(segment: Path) -> Fraction:
    with reading(segment) as container:
        stream = picture_stream(container)
        only(container, stream)
        ticks = packet_times(container, stream)
        rate, even = even_rate(ticks, stream.time_base, [stream.average_rate]) if ticks else (Fraction(0), False)
    if not even:
        raise UnreadableMedia(segment, "its frames do not follow evenly", "Render it again.")
    return rate


def _sound_muxer(
    container: OutputContainer, sound: Path | None, codec: SoundCodec, samples: int | None
) -> SoundMuxer | None:
    if sound is None:
        return None
    heard = measured(sound)
    if heard is None:
        raise UnreadableMedia(sound, "there is no sound in it", "Choose a file with sound.")
    blocks = read_sound(sound, rate_hz=_RATE_HZ, block=_RATE_HZ // 10)
    return SoundMuxer(container, SoundTrack(blocks, heard.channels, codec, _RATE_HZ, samples))
