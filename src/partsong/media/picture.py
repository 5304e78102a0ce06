"""Frames out of a clip, each the one asked for, with its code values as they were recorded."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
import numpy as np
from av.codec.hwaccel import HWAccel

from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.records import PictureInfo
from partsong.media import tags
from partsong.media.container import media_errors, only, picture_stream, reading
from partsong.media.convert import converted, encoded_rgb, resized
from partsong.media.frames import layout_of, planes_of
from partsong.media.planes import Matrix, Planes, ValueRange
from partsong.media.seeking import decoded, frames_from
from partsong.media.timing import has_whole_index, packet_times
from partsong.timebase import round_half_up

__all__ = ["PictureReader", "converted", "encoded_rgb", "open_picture", "resized"]

_DECODE_ON = 4  # frames that are sooner decoded than sought past
_BLIND_S = 5  # how far to decode on where no index tells whether a key frame lies between


def open_picture(
    path: Path,
    picture: PictureInfo,
    *,
    threads: int = 0,
    matrix: Matrix | None = None,
    value_range: ValueRange | None = None,
    preview: tuple[int, int] | None = None,
    device: str | None = None,
    known: bool = False,
) -> PictureReader:
    """Return a reader of a clip's frames, to be used as a context manager.

    Parameters
    ----------
    path : Path
        The clip.
    picture : PictureInfo
        What :func:`partsong.media.probe.probe` found in it.
    threads : int
        Of the decoder; 0 takes what the machine has. With many clips open at once, 1 each costs least.
    matrix, value_range : optional
        Stand in for what the file does not say, or says wrongly.
    preview : (width, height), optional
        Give frames of this size instead, as they are shown, at 8 bits and 4:2:0, each pixel the mean of the area that
        it covers. It costs a third of reading whole frames and making them smaller.
    device : str, optional
        Decode on this kind of hardware, as :func:`partsong.media.hardware.agreed` names it. A clip that it fails at
        goes on without it.
    known : bool
        Whether we wrote the file, by one of our recipes: then it opens at once, not for the price of a frame.

    Raises
    ------
    InvalidInput
        If the matrix or range is unknown and not given.
    """
    used_matrix = matrix or tags.usable_matrix(picture.matrix)
    if used_matrix is None:
        said = "does not say" if picture.matrix == tags.UNKNOWN else f"says {picture.matrix!r} for"
        raise InvalidInput(
            f"{path.name} {said} its colour matrix, and a guess would shift its colours. "
            "Look it up in the camera's manual and give it as matrix: bt709, bt601 or bt2020nc."
        )
    used_range = value_range or tags.usable_range(picture.value_range)
    if used_range is None:
        raise InvalidInput(
            f"{path.name} does not say whether its codes use the limited or the full range, and a guess would "
            "shift its black. Look it up in the camera's manual and give it as value_range: limited or full."
        )
    return PictureReader(path, picture, used_matrix, used_range, threads, preview, device, known)


class PictureReader:
    """Reads frames by number: 0 is the first one shown, in the order of showing."""

    def __init__(
        self,
        path: Path,
        picture: PictureInfo,
        matrix: Matrix,
        value_range: ValueRange,
        threads: int,
        preview: tuple[int, int] | None = None,
        device: str | None = None,
        known: bool = False,
    ) -> None:
        self.path = path
        self.picture = picture
        self._matrix: Matrix = matrix
        self._range: ValueRange = value_range
        self._threads = threads
        self._device = device
        self._known = known
        turned = picture.rotation_deg in (90, 270)
        self._size = (preview[1], preview[0]) if preview and turned else preview  # before it is turned upright
        self._open = contextlib.ExitStack()
        self._container: Any = None
        self._stream: Any = None
        self._frames: Iterator[Any] = iter(())
        self._next = 0  # the number of the frame that the decoder gives next, as far as we know
        self._first_tick = 0
        self._numbers: dict[int, int] = {}  # of a clip at a variable rate: frame numbers by time
        self._ticks: list[int] = []
        self._last: tuple[int, Planes] | None = None

    def __enter__(self) -> Self:
        if self.picture.variable_rate:
            with reading(self.path) as container:
                stream = picture_stream(container)
                only(container, stream)
                self._ticks = packet_times(container, stream)
            self._numbers = {tick: number for number, tick in enumerate(self._ticks)}
        with media_errors(self.path):
            try:
                self._from_the_start()
            except (av.FFmpegError, UnreadableMedia):
                if self._device is None:
                    raise
                self._without_hardware()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._frames = iter(())
        self._open.close()

    def read(self, frames: Iterable[int]) -> Iterator[Planes]:
        """Yield the frames with these numbers.

        Parameters
        ----------
        frames : iterable of int
            Rising; a number may come again.

        Yields
        ------
        Planes
            Turned upright when the file says that the camera was not. Views of the decoder's memory where possible: do
            not write to them.

        Raises
        ------
        InvalidInput
            If a number is not in the clip, or smaller than the one before.
        UnreadableMedia
            If a frame cannot be decoded.
        """
        before = 0
        for wanted in frames:
            if not 0 <= wanted < self.picture.frames:
                raise InvalidInput(
                    f"{self.path.name} has no frame {wanted}: it has {self.picture.frames}, counted from 0."
                )
            if wanted < before:
                raise InvalidInput(f"Frame {wanted} of {self.path.name} was asked for after {before}: ask in order.")
            before = wanted
            if self._last is None or self._last[0] != wanted:
                with media_errors(self.path):
                    self._last = (wanted, self.upright(self._decoded(wanted)))
            yield self._last[1]

    def _decoded(self, wanted: int) -> Any:
        try:
            return self._find(wanted)
        except (av.FFmpegError, UnreadableMedia):
            if self._device is None:
                raise
            self._without_hardware()
            return self._find(wanted)

    def _without_hardware(self) -> None:
        self._device = None
        self._from_the_start()

    def _find(self, wanted: int) -> Any:
        if wanted < self._next or self._worth_seeking(wanted):
            frames = frames_from(self._container, self._stream, self._tick_of(wanted))
            if frames is None:
                self._from_the_start()
            else:
                self._frames = frames
        for frame in self._frames:
            number = self._number_of(frame.pts)
            if number >= wanted:
                self._next = number + 1
                if number == wanted:
                    if frame.is_corrupt:
                        break
                    return frame
                break
        self._next = self.picture.frames  # whatever comes next, seek for it
        raise UnreadableMedia(
            self.path,
            f"frame {wanted} of {self.picture.frames} cannot be decoded",
            "Copy the clip again from the card and compare.",
        )

    def _worth_seeking(self, wanted: int) -> bool:
        if wanted - self._next < _DECODE_ON:
            return False
        if has_whole_index(self._stream):
            entries = self._stream.index_entries
            found = entries.search_timestamp(self._tick_of(wanted), backward=True)
            # A key frame decoded later than the next frame is shown lies ahead for certain.
            return bool(found >= 0 and entries[found].timestamp > self._tick_of(self._next))
        return wanted - self._next > _BLIND_S * self.picture.rate.exact

    def _from_the_start(self) -> None:
        self._frames = iter(())
        self._open.close()
        hardware = HWAccel(self._device, allow_software_fallback=False) if self._device else None
        self._container = self._open.enter_context(reading(self.path, hardware, known=self._known))
        self._stream = picture_stream(self._container)
        if self._stream is None:
            raise UnreadableMedia(self.path, "there is no picture in it", "Choose a clip with picture.")
        only(self._container, self._stream)
        self._stream.thread_count = self._threads
        self._stream.thread_type = "AUTO"
        frames = decoded(self._container.demux(self._stream))
        first = next(frames, None)
        if first is None:
            raise UnreadableMedia(self.path, "no frame of it can be decoded", "Copy the clip again from the card.")
        if layout_of(first.format) is None:
            raise UnreadableMedia(
                self.path, f"its picture is stored as {first.format.name}", "Convert it to Y'CbCr first."
            )
        self._first_tick = first.pts
        self._frames = itertools.chain([first], frames)
        self._next = 0

    def _number_of(self, tick: int) -> int:
        if self._numbers:
            return self._numbers.get(tick, -1)
        return round_half_up((tick - self._first_tick) * self._stream.time_base * self.picture.rate.exact)

    def _tick_of(self, number: int) -> int:
        if self._ticks:
            return self._ticks[min(number, len(self._ticks) - 1)]
        return self._first_tick + round_half_up(Fraction(number) / (self._stream.time_base * self.picture.rate.exact))

    def upright(self, frame: Any) -> Planes:
        """Return a decoded frame of this clip as planes, turned as the camera was not."""
        if self._size is not None:
            frame = frame.reformat(*self._size, "yuv420p", interpolation="AREA", threads=1)
        planes = planes_of(frame, self._matrix, self._range)
        turn = self.picture.rotation_deg
        if turn == 0:
            return planes
        if turn != 180 and planes.chroma == "422":
            planes = converted(planes, chroma="444")  # on its side, 4:2:2 would halve the wrong way
        y, u, v = (np.rot90(plane, -turn // 90) for plane in (planes.y, planes.u, planes.v))
        return Planes(y, u, v, planes.bit_depth, planes.matrix, planes.value_range)
