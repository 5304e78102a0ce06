"""Small clips of every kind, each frame of which carries its own number in the picture.

For the tests of all rooms: ``import clips``. Numbers are drawn as twelve blocks, black for 0 and white for 1, large
and far enough apart to survive any codec.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from partsong.film.folder import fingerprint
from partsong.film.records import MediaFile
from partsong.media import tags
from partsong.media.frames import frame_of, layout_of
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange

WIDTH, HEIGHT = 96, 64
BITS = 12


def numbered(
    number: int,
    *,
    width: int = WIDTH,
    height: int = HEIGHT,
    bit_depth: int = 8,
    chroma: Chroma = "420",
    matrix: Matrix = "bt709",
    value_range: ValueRange = "limited",
) -> Planes:
    """Return a frame that shows a number: four blocks across, three down, the lowest bit at the top left.

    Behind them is a soft ramp that moves with the number, so that an encoder has motion to predict.
    """
    step = 1 << (bit_depth - 8)
    rows, columns = np.mgrid[0:height, 0:width]
    y = (60 + 60 * columns / width + 40 * np.sin((rows + 3 * number) / 9)) * step
    for bit in range(BITS):
        top, left = (bit // 4) * height // 3, (bit % 4) * width // 4
        value = 235 if number >> bit & 1 else 16
        y[top + height // 24 : top + height // 4, left + width // 32 : left + width * 3 // 16] = value * step
    size = (height if chroma != "420" else -(-height // 2), width if chroma == "444" else -(-width // 2))
    dtype = np.uint8 if bit_depth == 8 else np.uint16
    u, v = (np.full(size, level * step, dtype) for level in (110, 140))
    return Planes(np.rint(y).astype(dtype), u, v, bit_depth, matrix, value_range)


def number_in(planes: Planes) -> int:
    """Read the number that :func:`numbered` drew; fails where a block is neither black nor white."""
    height, width = planes.y.shape
    step = 1 << (planes.bit_depth - 8)
    number = 0
    for bit in range(BITS):
        row, column = (bit // 4) * height // 3 + height * 7 // 48, (bit % 4) * width // 4 + width * 7 // 64
        level = float(planes.y[row - 1 : row + 2, column - 1 : column + 2].mean()) / step
        assert level < 80 or level > 170, f"block {bit} is grey: {level}"
        number |= (level > 125) << bit
    return number


def tone(seconds: float, *, rate_hz: int = 48000, channels: int = 1, hz: float = 440.0) -> NDArray[np.float32]:
    """Return a sine at half of full scale, shape (n, channels)."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.repeat(0.5 * np.sin(2 * np.pi * hz * time_s)[:, None], channels, axis=1).astype(np.float32)


def clip(
    path: Path,
    *,
    frames: int = 24,
    codec: str = "libx264",
    pixel_format: str = "yuv420p",
    rate: str | int = 25,
    width: int = WIDTH,
    height: int = HEIGHT,
    b_frames: int = 0,
    gop: int = 12,
    options: dict[str, str] | None = None,
    muxing: dict[str, str] | None = None,
    ticks: Sequence[int] | None = None,
    tick_s: Fraction | None = None,
    turned_deg: int = 0,
    mirrored: bool = False,
    pixel_aspect: Fraction | None = None,
    timecode: str | None = None,
    matrix: str = "bt709",
    value_range: str = "limited",
    sound: NDArray[np.float32] | None = None,
    sound_codec: str = "pcm_s16le",
    sound_rate_hz: int = 48000,
    sound_start: int = 0,
) -> Path:
    """Write a clip of numbered frames, by the library alone: none of our own encoding is at work.

    ``ticks`` are the times at which frames are shown, in units of ``tick_s`` (a frame by default). ``turned_deg`` is
    clockwise. Tags may be ``"unknown"``.
    """
    exact = Fraction(rate)
    layout = layout_of(av.VideoFormat(pixel_format, 16, 16))
    assert layout is not None, f"{pixel_format} cannot be made here"
    chroma, bit_depth = layout
    with av.open(str(path), "w", options=muxing or {}) as container:
        if timecode:
            container.metadata["timecode"] = timecode
        coding = {**_quiet(codec, b_frames, gop), **(options or {})}
        stream: Any = container.add_stream(codec, rate=exact, options=coding)
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        time_base = tick_s or 1 / exact
        stream.time_base = stream.codec_context.time_base = time_base
        stream.thread_count = 1
        stream.gop_size = gop
        stream.colorspace = tags.code_of(tags.MATRICES, matrix)
        stream.color_range = tags.code_of(tags.RANGES, value_range)
        if pixel_aspect:
            stream.codec_context.sample_aspect_ratio = pixel_aspect
            stream.sample_aspect_ratio = pixel_aspect
        if turned_deg or mirrored:
            stream.set_display_rotation(-turned_deg, mirrored)
        heard = _sound(container, sound, sound_codec, sound_rate_hz, sound_start) if sound is not None else iter(())
        next(heard, None)  # the stream must be there before the first packet is written
        for number in range(frames):
            planes = numbered(number, width=width, height=height, bit_depth=bit_depth, chroma=chroma)
            frame = frame_of(planes)
            frame.colorspace = stream.colorspace
            frame.color_range = stream.color_range
            frame.pts = ticks[number] if ticks else number
            frame.time_base = time_base  # the muxer has changed the stream's by now
            container.mux(stream.encode(frame))
            next(heard, None)
        container.mux(stream.encode(None))
        for _ in heard:
            pass
    return path


def _quiet(codec: str, b_frames: int, gop: int) -> dict[str, str]:
    if codec == "libx264":
        return {"bf": str(b_frames), "preset": "veryfast", "crf": "18"}
    if codec == "libx265":
        # This encoder writes to the terminal by itself unless told not to.
        return {
            "preset": "ultrafast",
            "crf": "18",
            "x265-params": f"log-level=none:bframes={b_frames}:keyint={gop}:b-adapt=0:pools=1:frame-threads=1",
        }
    return {}


def _sound(container: Any, samples: NDArray[np.float32], codec: str, rate_hz: int, start: int) -> Iterator[None]:
    stream = container.add_stream(codec, rate=rate_hz)
    layout = "stereo" if samples.shape[1] == 2 else "mono"
    stream.layout = layout
    stream.time_base = Fraction(1, rate_hz)
    yield
    for first in range(0, len(samples), 1600):
        block = np.ascontiguousarray(samples[first : first + 1600])
        frame = av.AudioFrame.from_ndarray(block.reshape(1, -1), format="flt", layout=layout)
        frame.sample_rate = rate_hz
        frame.pts, frame.time_base = start + first, Fraction(1, rate_hz)
        container.mux(stream.encode(frame))
        yield
    container.mux(stream.encode(None))


def sound_file(path: Path, samples: NDArray[np.float32], *, codec: str = "pcm_s16le", rate_hz: int = 48000) -> Path:
    """Write a file of sound alone, in the container that its suffix names."""
    with av.open(str(path), "w") as container:
        for _ in _sound(container, samples, codec, rate_hz, 0):
            pass
    return path


def cut_off(path: Path, keep: float) -> Path:
    """Cut a file down to its first part, as a copy that broke off would be."""
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * keep)])
    return path


def record_of(path: Path) -> MediaFile:
    """Return a record of a file outside any film."""
    return MediaFile(path=str(path), size_bytes=path.stat().st_size, fingerprint=fingerprint(path))
