"""Sound on its way into a file: a track of known length, muxed in step with the picture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from partsong.errors import InvalidInput

if TYPE_CHECKING:
    from av.container import OutputContainer
    from numpy.typing import NDArray

SoundCodec = Literal["aac", "pcm_s24le"]

_AAC_BIT_RATE = 320_000  # for two channels; the mix should survive delivery
_LAYOUTS = {1: "mono", 2: "stereo"}


@dataclass(frozen=True, slots=True)
class SoundTrack:
    """Sound to go into a file.

    ``blocks`` are float32 arrays of shape (n, channels), full scale 1.0, one after the other from time 0 of the
    picture. With ``samples`` the track is cut or filled up with silence to exactly that length.
    """

    blocks: Iterable[NDArray[np.float32]]
    channels: int
    codec: SoundCodec = "pcm_s24le"
    rate_hz: int = 48000
    samples: int | None = None


class SoundMuxer:
    """Encodes one track into a container, never far ahead of the picture that it goes with."""

    def __init__(self, container: OutputContainer, track: SoundTrack) -> None:
        if track.channels not in _LAYOUTS:
            raise InvalidInput(f"Sound of {track.channels} channels cannot be written; mix it to one or two first.")
        self._container = container
        self._stream: Any = container.add_stream(track.codec, rate=track.rate_hz)
        self._stream.layout = _LAYOUTS[track.channels]
        self._stream.time_base = Fraction(1, track.rate_hz)
        if track.codec == "aac":
            self._stream.bit_rate = _AAC_BIT_RATE * track.channels // 2
        self._pcm = track.codec != "aac"
        self._rate_hz = track.rate_hz
        self._blocks = _exactly(track)
        self._done = 0
        self._ended = False

    def until(self, time_s: Fraction) -> None:
        """Mux sound up to a time, to the next whole block."""
        while not self._ended and Fraction(self._done, self._rate_hz) < time_s:
            self._next()

    def finish(self) -> int:
        """Mux what is left, and return the number of samples written."""
        while not self._ended:
            self._next()
        return self._done

    def _next(self) -> None:
        block = next(self._blocks, None)
        if block is None:
            self._ended = True
            self._container.mux(self._stream.encode(None))
        elif len(block):
            self._container.mux(self._stream.encode(self._frame(block)))
            self._done += len(block)

    def _frame(self, block: NDArray[np.float32]) -> Any:
        import av

        layout = self._stream.layout.name
        frame: Any
        if self._pcm:
            codes = to_codes(block, 24).astype(np.int32) << 8  # the codec takes the upper 24 of 32 bits
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(codes).reshape(1, -1), format="s32", layout=layout)
        else:
            planar = np.ascontiguousarray(block.T, dtype=np.float32)
            frame = av.AudioFrame.from_ndarray(planar, format="fltp", layout=layout)
        frame.sample_rate = self._rate_hz
        frame.time_base = Fraction(1, self._rate_hz)
        frame.pts = self._done
        return frame


def to_codes(block: NDArray[np.float32], bits: int) -> NDArray[np.int32]:
    """Quantise sound to whole codes: full scale 1.0 is ``2**(bits - 1)``, which itself is held at one code less."""
    full = float(1 << (bits - 1))
    codes = np.rint(block.astype(np.float64) * full)
    return np.clip(codes, -full, full - 1).astype(np.int32)


def _exactly(track: SoundTrack) -> Iterator[NDArray[np.float32]]:
    left = track.samples
    for block in track.blocks:
        if block.ndim != 2 or block.shape[1] != track.channels:
            raise InvalidInput(f"A block of sound has shape {block.shape}; it should be (n, {track.channels}).")
        if left is None:
            yield block
        elif left > 0:
            yield block[:left]
            left -= len(block)
        else:
            return
    while left is not None and left > 0:
        silence = min(left, track.rate_hz)
        yield np.zeros((silence, track.channels), np.float32)
        left -= silence
