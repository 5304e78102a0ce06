"""Picture on its way into a file: the recipes that we encode by, and the writer that follows one.

Why these recipes and no others, with the numbers: ``docs/decisions/0010-recipes.md``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any, Self

from partsong.errors import InvalidInput
from partsong.film.records import Timecode
from partsong.media import tags
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange
from partsong.media.soundtrack import SoundMuxer, SoundTrack
from partsong.timebase import Rate, frame_to_timecode

__all__ = ["RECIPES", "PictureWriter", "Recipe", "SoundTrack"]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a kind of file is encoded. ``gop_s`` is the distance of key frames in seconds; 0 makes each frame one."""

    name: str
    codec: str
    pixel_format: str
    suffix: str
    gop_s: float = 0
    options: Mapping[str, str] = field(default_factory=dict)

    @property
    def bit_depth(self) -> int:
        """Bits of a code value."""
        return 10 if self.pixel_format.endswith("10le") else 8

    @property
    def chroma(self) -> Chroma:
        """How the colour planes are sampled."""
        return "422" if "422" in self.pixel_format else "420"


# No recipe reorders frames (bf 0): then every stream starts at time 0 without an edit list, in every player, and
# segments join by copying. GOPs are closed, as this encoder does unless told otherwise.
_X264 = {"bf": "0"}

RECIPES: Mapping[str, Recipe] = MappingProxyType(
    {
        recipe.name: recipe
        for recipe in (
            Recipe("camera", "libx264", "yuv422p10le", ".mov", 1, {**_X264, "preset": "ultrafast", "crf": "12"}),
            Recipe("intermediate", "libx264", "yuv422p10le", ".mov", 0, {**_X264, "preset": "ultrafast", "crf": "4"}),
            Recipe("h264", "libx264", "yuv420p", ".mp4", 2, {**_X264, "preset": "veryfast", "crf": "17"}),
            # For the desk: to be decoded anywhere, and sought to any frame at the cost of half a second's.
            Recipe(
                "preview",
                "libx264",
                "yuv420p",
                ".mp4",
                0.5,
                {**_X264, "preset": "veryfast", "crf": "20", "tune": "fastdecode"},
            ),
            Recipe("mezzanine", "prores_aw", "yuv422p10le", ".mov", 0, {"profile": "3"}),
        )
    }
)

# Tracks state their length in this unit of a second; thousandths, as usual, would cut sound short by up to 48 samples.
# It is a multiple of the sample rate and of the time scale of every usual frame rate.
_EXACT_LENGTHS = {"movie_timescale": "240000"}


class PictureWriter:
    """Writes one clip frame by frame, in order, to exactly the path given.

    Use it as a context manager inside :func:`partsong.film.folder.writing`: when the block fails, what was
    written is no playable file, and ``writing`` removes it.

    Parameters
    ----------
    path : Path
        ``.mov`` or ``.mp4``; the suffix chooses the container.
    recipe : Recipe
        One of :data:`RECIPES`.
    width, height : int
        The frame's size in pixels; even, since the colour planes are halved.
    rate : Rate
        Frames a second.
    matrix, value_range, primaries, transfer : str
        Colour tags. Frames must have the same matrix and range; give ``"unknown"`` primaries and transfer for a
        camera's log encoding, which no tag describes.
    timecode : Timecode, optional
        The label of the first frame, written as a timecode track.
    sound : SoundTrack, optional
        Muxed in step with the picture.
    threads : int
        Of the encoder; 0 takes what the machine has.

    Raises
    ------
    InvalidInput
        If a frame or a setting does not fit the recipe.
    OutputFailed
        If the file cannot be written.
    """

    def __init__(
        self,
        path: Path,
        recipe: Recipe,
        *,
        width: int,
        height: int,
        rate: Rate,
        matrix: Matrix = "bt709",
        value_range: ValueRange = "limited",
        primaries: str = "bt709",
        transfer: str = "bt709",
        timecode: Timecode | None = None,
        sound: SoundTrack | None = None,
        threads: int = 0,
    ) -> None:
        from partsong.media.container import opened_for_writing, output_errors

        if width % 2 or height % 2 or width < 16 or height < 16:
            raise InvalidInput(f"A picture of {width} x {height} cannot be encoded: sides must be even, 16 or more.")
        self.path = path
        self.frames = 0
        self._recipe = recipe
        self._shape = (height, width)
        self._kind = (recipe.bit_depth, recipe.chroma, matrix, value_range)
        self._rate = rate
        self._primaries = tags.code_of(tags.PRIMARIES, primaries)
        self._transfer = tags.code_of(tags.TRANSFERS, transfer)
        self._container = opened_for_writing(path, container_options(path))
        if timecode is not None:
            label = frame_to_timecode(timecode.frame, rate, drop=timecode.drop)
            self._container.metadata["timecode"] = label
        options = dict(recipe.options)
        with output_errors(path):
            stream: Any = self._container.add_stream(recipe.codec, rate=rate.exact, options=options)
            stream.width, stream.height, stream.pix_fmt = width, height, recipe.pixel_format
            stream.time_base = stream.codec_context.time_base = rate.frame_s
            stream.gop_size = max(1, round(recipe.gop_s * rate.exact))
            stream.thread_count = threads
            stream.colorspace = tags.code_of(tags.MATRICES, matrix)
            stream.color_range = tags.code_of(tags.RANGES, value_range)
            stream.color_primaries = self._primaries
            stream.color_trc = self._transfer
            self._sound = SoundMuxer(self._container, sound) if sound else None
        self._stream = stream

    def __enter__(self) -> Self:
        return self

    def write(self, planes: Planes) -> None:
        """Encode the next frame; its sound up to there goes with it."""
        from partsong.media.container import output_errors
        from partsong.media.frames import frame_of

        kind = (planes.bit_depth, planes.chroma, planes.matrix, planes.value_range)
        if (planes.height, planes.width) != self._shape or kind != self._kind:
            height, width = self._shape
            raise InvalidInput(
                f"Frame {self.frames} is {planes.width} x {planes.height} {kind}, but the recipe "
                f"{self._recipe.name!r} of this file takes {width} x {height} {self._kind}. Convert it first."
            )
        frame = frame_of(planes)
        frame.pts = self.frames
        frame.time_base = self._rate.frame_s
        frame.color_primaries, frame.color_trc = self._primaries, self._transfer  # some codecs tag each frame
        with output_errors(self.path):
            self._container.mux(self._stream.encode(frame))
            self.frames += 1
            if self._sound:
                self._sound.until(self.frames * self._rate.frame_s)

    def close(self) -> None:
        """Finish the file; afterwards it can be read."""
        from partsong.media.container import output_errors

        with output_errors(self.path):
            self._container.mux(self._stream.encode(None))
            if self._sound:
                self._sound.finish()
            self._container.close()
        if self.frames == 0:
            raise InvalidInput(f"{self.path.name} would hold no picture. Give at least one frame.")

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        if problem is None:
            self.close()
            return
        import contextlib

        import av

        # The block failed already: let the file go without hiding why.
        with contextlib.suppress(av.FFmpegError, OSError):
            self._container.close()


def container_options(path: Path) -> dict[str, str]:
    """Return the muxer's options by the suffix: an MP4 has its index in front, so that it plays while it loads."""
    if path.suffix == ".mp4":
        return {"movflags": "faststart", **_EXACT_LENGTHS}
    if path.suffix == ".mov":
        return dict(_EXACT_LENGTHS)
    raise InvalidInput(f"{path.name} cannot be written: name it .mov or .mp4.")
