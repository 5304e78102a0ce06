"""Sound out of any file that has some, on the clip's own clock, and plain sound files.

Time 0 is the first frame of the picture when the file has picture, and the first sample otherwise. Sound from
before it is left out; where sound begins later, silence stands in. So a sample and a frame of the same time belong
together, whatever the container does inside.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput, OutputFailed, UnreadableMedia
from partsong.film.folder import writing
from partsong.film.records import SoundInfo
from partsong.media.container import COPY_AGAIN, only, picture_stream, reading
from partsong.media.resample import Resampler
from partsong.media.soundtrack import to_codes
from partsong.timebase import round_half_up

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Containers whose index leads to an exact sample. Elsewhere we decode from the start.
_EXACT_SEEKING = {"mov", "wav", "w64", "aiff", "flac"}
# Decoders of compressed sound need what came before: one or two packets, or 80 ms; half a second is ample.
_RUN_UP_S = Fraction(1, 2)
# Time stamps may be rounded to thousandths, so samples are counted; a jump above this is a real gap or overlap.
_GAP_S = Fraction(1, 200)


@dataclass(frozen=True, slots=True)
class _Opened:
    container: Any
    stream: Any
    rate_hz: int
    channels: int
    origin_s: Fraction
    seekable: bool
    stop: int | None  # the sample at which the container ends the track, where it says so


def read_sound(
    path: Path,
    *,
    rate_hz: int = 48000,
    start_s: Fraction | int = 0,
    stop_s: Fraction | None = None,
    block: int = 48000,
) -> Iterator[NDArray[np.float32]]:
    """Yield the sound of a file, resampled where needed.

    The result from any start is, sample for sample, the same as that stretch of the whole (for compressed sound as
    far as its decoder repeats itself).

    Parameters
    ----------
    path : Path
        Any file with sound.
    rate_hz : int
        Samples a second of the result.
    start_s, stop_s : Fraction
        From the sample nearest to ``start_s`` (0 or later) to before the one nearest to ``stop_s``; the end of the
        sound by default, and never beyond it.
    block : int
        Samples in each block but the last.

    Yields
    ------
    ndarray of float32, shape (n, channels)
        Full scale is 1.0; more is possible in floating-point and compressed files.

    Raises
    ------
    UnreadableMedia
        If there is no sound in the file, or it cannot be decoded.
    """
    first = round_half_up(Fraction(start_s) * rate_hz)
    if first < 0:
        raise InvalidInput(f"Sound cannot be read from {float(start_s):.3f} s. Start at 0 or later.")
    last = None if stop_s is None else round_half_up(Fraction(stop_s) * rate_hz)
    return _even(_resampled(path, rate_hz, first, last), block)


def load_sound(path: Path, *, rate_hz: int = 48000) -> NDArray[np.float32]:
    """Return the whole sound of a file, shape (n, channels): for songs and stems, not for hours of camera sound."""
    blocks = list(read_sound(path, rate_hz=rate_hz, block=rate_hz * 10))
    if not blocks:
        raise UnreadableMedia(path, "its sound holds no sample", "Choose another file.")
    return np.concatenate(blocks)


def write_wav(path: Path, blocks: Iterable[NDArray[np.float32]], *, rate_hz: int = 48000, bits: int = 24) -> None:
    """Write sound as a WAV file, as a whole or not at all.

    Parameters
    ----------
    path : Path
        The file to make; one that is there is replaced.
    blocks : iterable of ndarray, shape (n, channels)
        Full scale 1.0; at 16 and 24 bits, what is louder is held at full scale. There is no dither.
    rate_hz : int
        Samples a second.
    bits : {16, 24, 32}
        32 is floating point.

    Raises
    ------
    OutputFailed
        If it cannot be written.
    """
    import soundfile

    kinds = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}
    if bits not in kinds:
        raise InvalidInput(f"Sound of {bits} bits cannot be written. Use 16, 24 or 32 (floating point).")
    blocks = iter(blocks)
    head = next(blocks, None)
    if head is None:
        raise InvalidInput(f"{path.name} would hold no sound. Give at least one block.")
    with writing(path) as temporary:
        try:
            with soundfile.SoundFile(
                temporary, "w", samplerate=rate_hz, channels=head.shape[1], subtype=kinds[bits], format="WAV"
            ) as file:
                for block in itertools.chain([head], blocks):
                    # The library takes whole codes in the upper bits of 32.
                    file.write(block if bits == 32 else to_codes(block, bits) << (32 - bits))
        except soundfile.LibsndfileError as problem:
            raise OutputFailed(
                f"{path} could not be written: {problem.error_string} Make room or choose another place."
            ) from problem


def measured(path: Path) -> SoundInfo | None:
    """Return what a file says of its sound, with its exact length; ``None`` when it has none.

    Raises
    ------
    UnreadableMedia
        If the sound cannot be decoded.
    """
    with reading(path, picture=False) as container:
        opened = _open(path, container)
        if opened is None:
            return None
        context = opened.stream.codec_context
        if container.format.name == "wav":
            _refuse_short_wav(path)
        start = 0
        if _is_plain(opened) and opened.seekable and opened.stream.duration:
            # Plain samples: only the last second is needed, to see that they are there.
            start = max(0, round_half_up(opened.stream.duration * opened.stream.time_base * opened.rate_hz))
            start = max(0, start - opened.rate_hz)
        samples = 0
        for position, block in _native(opened, start):
            samples = position + len(block)
        if samples == 0:
            raise UnreadableMedia(path, "its sound holds no sample", "Choose another file.")
        return SoundInfo(
            codec=context.codec.canonical_name,
            rate_hz=opened.rate_hz,
            channels=opened.channels,
            layout=opened.stream.layout.name,
            samples=samples,
        )


def native_blocks(path: Path) -> Iterator[tuple[NDArray[np.float32], int]]:
    """Yield all sound of a file at its own rate, as (block, rate in hertz); nothing when it has none."""
    with reading(path, picture=False) as container:
        opened = _open(path, container)
        if opened is not None:
            for _, block in _native(opened, 0):
                yield block, opened.rate_hz


# --- from packets to samples ----------------------------------------------------------------------


def _open(path: Path, container: Any) -> _Opened | None:
    stream = container.streams.best("audio")
    if stream is None:
        return None
    if stream.codec_context is None:
        raise UnreadableMedia(path, "its sound is encoded in a way that is not known here", "Convert it to WAV.")
    picture = picture_stream(container)
    only(container, stream)
    rate_hz = stream.rate
    shown_first = picture if picture is not None else stream
    origin_s = (shown_first.start_time or 0) * shown_first.time_base
    names = set(container.format.name.split(","))
    stop = None
    if "mov" in names and stream.frames and stream.duration:
        # An edit list ends the track within the last packet, whatever else that packet decodes to.
        end_s = ((stream.start_time or 0) + stream.duration) * stream.time_base
        stop = round_half_up((end_s - origin_s) * rate_hz)
    seekable = bool(names & _EXACT_SEEKING) and stream.time_base <= Fraction(1, rate_hz)
    return _Opened(container, stream, rate_hz, stream.channels, origin_s, seekable, stop)


def _refuse_short_wav(path: Path) -> None:
    """Compare what a WAV file's header promises with what is there; the library takes a short one as it is.

    RIFF (Multimedia Programming Interface and Data Specifications 1.0, 1991): chunks of a name, a length and as many
    bytes, padded to an even number. Recorders that never got to writing the length leave 0 or all ones.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        offset = 12
        while offset + 8 <= size:
            file.seek(offset)
            name, length = file.read(4), int.from_bytes(file.read(4), "little")
            if name == b"data":
                if length != 0xFFFFFFFF and offset + 8 + length > size:
                    here = (size - offset - 8) / length
                    raise UnreadableMedia(path, f"it is cut off: only {here:.0%} of its sound is there", COPY_AGAIN)
                return
            offset += 8 + length + length % 2


def _is_plain(opened: _Opened) -> bool:
    return bool(opened.stream.codec_context.codec.canonical_name.startswith("pcm_"))


def _native(opened: _Opened, first: int) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Yield (position, samples) without gaps from sample ``first`` at the file's own rate."""
    stream, rate_hz = opened.stream, opened.rate_hz
    run_up = 0 if _is_plain(opened) else round_half_up(_RUN_UP_S * rate_hz)
    if opened.seekable and first > run_up:
        time_s = Fraction(first - run_up, rate_hz) + opened.origin_s
        opened.container.seek(round_half_up(time_s / stream.time_base), stream=stream, backward=True)
    expected = None  # the position after the last decoded sample
    done = first
    for frame in opened.container.decode(stream):
        samples = _float(frame)
        stamped = expected
        if frame.pts is not None:
            stamped = round_half_up((frame.pts * frame.time_base - opened.origin_s) * rate_hz)
        if expected is None or (stamped is not None and abs(stamped - expected) > _GAP_S * rate_hz):
            expected = stamped or 0
        at, expected = expected, expected + len(samples)
        if opened.stop is not None:
            samples = samples[: max(0, opened.stop - at)]
        if at > done and len(samples):
            yield done, np.zeros((at - done, opened.channels), np.float32)
            done = at
        fresh = samples[max(0, done - at) :]
        if len(fresh):
            yield done, fresh
            done += len(fresh)


def _float(frame: Any) -> NDArray[np.float32]:
    samples: NDArray[Any] = frame.to_ndarray()
    # Interleaved samples come as one row, others as a row a channel.
    samples = samples.reshape(-1, frame.layout.nb_channels) if frame.format.is_packed else samples.T
    if samples.dtype == np.uint8:
        return (samples.astype(np.float32) - 128) / np.float32(128)
    if samples.dtype.kind == "i":
        full = -float(np.iinfo(samples.dtype).min)
        return samples.astype(np.float32) / np.float32(full)
    return np.ascontiguousarray(samples, dtype=np.float32)


def _resampled(path: Path, rate_hz: int, first: int, last: int | None) -> Iterator[NDArray[np.float32]]:
    with reading(path, picture=False) as container:
        opened = _open(path, container)
        if opened is None:
            raise UnreadableMedia(path, "there is no sound in it", "Choose a file with sound.")
        if opened.rate_hz == rate_hz:
            own = (block for _, block in _native(opened, first))
            yield from _up_to(own, 0, None if last is None else last - first)
            return
        resampler = Resampler(opened.rate_hz, rate_hz)
        periods = first // resampler.period_out // resampler.together * resampler.together
        start = periods * resampler.period_in - resampler.reach
        silence = np.zeros((max(0, -start), opened.channels), np.float32)
        old = (block for _, block in _native(opened, max(0, start)))
        begun = periods * resampler.period_out
        new = resampler.run(itertools.chain([silence], old), periods)
        yield from _up_to(new, first - begun, None if last is None else last - begun)


def _up_to(blocks: Iterator[NDArray[np.float32]], first: int, last: int | None) -> Iterator[NDArray[np.float32]]:
    """Yield the samples from number ``first`` of some blocks to before number ``last``."""
    at = 0
    for block in blocks:
        yield block[max(0, first - at) : None if last is None else max(0, last - at)]
        at += len(block)
        if last is not None and at >= last:
            return


def _even(blocks: Iterator[NDArray[np.float32]], size: int) -> Iterator[NDArray[np.float32]]:
    """Cut and join blocks so that each has ``size`` samples, except the last, which has at least one."""
    held: list[NDArray[np.float32]] = []
    count = 0
    for block in blocks:
        held.append(block)
        count += len(block)
        if count >= size:
            whole = np.concatenate(held)
            for start in range(0, count - size + 1, size):
                yield whole[start : start + size]
            held = [whole[count - count % size :]]
            count %= size
    if count:
        yield np.concatenate(held)
