"""Tiny clips made with real encoders, as cameras and phones would leave them."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from partsong.shoot import begin

SIZE = (64, 48)


def write_clip(
    path: Path,
    *,
    codec: str = "libx264",
    pixels: str = "yuv420p",
    rate: str = "25",
    count: int = 12,
    seed: int = 0,
    options: dict[str, str] | None = None,
    container: dict[str, str] | None = None,
    timecode: str | None = None,
    ticks: Sequence[int] | None = None,
    tagged: bool = True,
    pictures: Sequence[NDArray[np.uint8]] = (),
) -> Path:
    """Encode a clip of noise, or of RGB pictures; ``ticks`` gives each frame's time in ms instead of an even rate."""
    path.parent.mkdir(parents=True, exist_ok=True)
    exact = Fraction(rate)
    rng = np.random.default_rng(seed)
    with av.open(str(path), "w", options=container or {}) as out:
        if timecode:
            out.metadata["timecode"] = timecode
        stream: Any = out.add_stream(codec, rate=exact, options=options or {})
        stream.width, stream.height = pictures[0].shape[1::-1] if pictures else SIZE
        stream.pix_fmt = pixels
        if tagged:
            context = stream.codec_context
            context.colorspace, context.color_range, context.color_primaries, context.color_trc = 1, 1, 1, 1
        if ticks is not None:
            stream.codec_context.time_base = Fraction(1, 1000)
        for number in range(len(pictures) or count):
            rgb = pictures[number] if pictures else rng.integers(40, 200, (SIZE[1], SIZE[0], 3), np.uint8)
            frame = av.VideoFrame.from_ndarray(rgb, format="rgb24").reformat(format=pixels)
            if ticks is None:
                frame.pts, frame.time_base = number, 1 / exact
            else:
                frame.pts, frame.time_base = ticks[number], Fraction(1, 1000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def turn(path: Path) -> Path:
    """Write a quarter turn clockwise into a clip's track header (ISO/IEC 14496-12, 8.3.2), as phones do."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 4 + 20 + 8 + 8  # past version, times, reserved words, layer and volume
    one, height = 0x10000, SIZE[1] * 0x10000
    matrix = (0, one, 0, -one, 0, 0, height, 0, 0x40000000)
    data[at : at + 36] = b"".join(value.to_bytes(4, "big", signed=True) for value in matrix)
    path.write_bytes(bytes(data))
    return path


def write_wav(path: Path, seconds: float = 1.0, rate_hz: int = 48000) -> Path:
    """Write a mono WAV of noise, another one for each file name."""
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(sum(path.name.encode())).normal(0, 0.1, round(seconds * rate_hz))
    soundfile.write(path, noise, rate_hz, subtype="PCM_16")
    return path


@pytest.fixture
def film(tmp_path: Path) -> Path:
    """A film with the parts cajón and harmonium; its media may lie beside it."""
    mix, cajon, harmonium = (write_wav(tmp_path / "song" / f"{name}.wav") for name in ("mix", "cajon", "harmonium"))
    begin.new_film(tmp_path / "waltz", song=mix, stems=(f"cajón={cajon}", f"harmonium={harmonium}"), bpm="92")
    return tmp_path / "waltz"
