"""One frame of the wide or of a take, with all that its colour path needs to know."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes, song_frames
from partsong.film.folder import FilmFolder
from partsong.film.records import WIDE, Cdl, Film, Look, PictureInfo
from partsong.media.picture import open_picture
from partsong.media.planes import Chroma, Planes
from partsong.render import colour
from partsong.render.pixels import codes_to_encoded, encoded_to_codes, full_size, to_planes
from partsong.render.texture import textured
from partsong.render.wide import merged_wide
from partsong.timebase import clock

ColourPath = Callable[[NDArray[np.float32]], NDArray[np.float32]]
"""From camera-encoded to display-encoded RGB."""


@dataclass(frozen=True, eq=False)
class Frame:
    """A frame as it was recorded: its ``planes``, colour space, its take's own grade, and what it shows in words."""

    planes: Planes
    space: str
    grade: Cdl | None
    number: int
    what: str

    def encoded(self) -> NDArray[np.float32]:
        """Return encoded R'G'B' (height, width, 3); 0 to 1 is the nominal range."""
        planes = self.planes
        codes = codes_to_encoded(full_size(planes), planes.bit_depth, planes.matrix, planes.value_range)
        return codes.astype(np.float32)


def frame_at(folder: FilmFolder, film: Film, look: Look, at_s: Fraction, take: str | None) -> Frame:
    """Read the frame of the merged wide, or of a placed take, that is shown at a song time.

    Raises
    ------
    InvalidInput
        If the time lies outside the song, the wide is not merged, or the take has no picture then.
    """
    total = song_frames(film)
    assert film.rate is not None
    frame = int(at_s * film.rate.exact)
    if at_s < 0 or frame >= total:
        raise InvalidInput(
            f"{float(at_s):g} s lies outside the song, which runs for {float(total / film.rate.exact):.2f} s."
        )
    if take is None:
        planes = next(merged_wide(folder, film, [frame]).read([frame]))
        what = f"{WIDE} at {clock(at_s)} (frame {frame} of the song)"
        return Frame(planes, colour.space_of_wide(film, look), None, frame, what)
    path, picture, own = _source(folder, film, frame, at_s, take)
    with open_picture(path, picture) as reader:
        planes = next(iter(reader.read([own])))
    what = f"{take} at {clock(at_s)} (frame {own} of {path.name})"
    return Frame(planes, colour.space_of_take(look, film.take(take)), film.grade_of(take), frame, what)


def delivered(frame: Frame, look: Look, path: ColourPath, *, bit_depth: int = 10, chroma: Chroma = "422") -> Planes:
    """Return a frame as a master holds it before it is encoded: display code in planes, with the look's texture."""
    codes = encoded_to_codes(path(frame.encoded()), bit_depth, "bt709", "limited")
    planes = to_planes(codes, chroma, bit_depth, "bt709", "limited")
    return planes if look.texture is None else textured(planes, look.texture, frame.number)


def shown(frame: Frame, look: Look, path: ColourPath) -> NDArray[np.float64]:
    """Return a frame for a still: display-encoded R'G'B' (height, width, 3), with the look's texture."""
    if look.texture is None:
        return path(frame.encoded()).astype(np.float64)
    planes = delivered(frame, look, path, bit_depth=16, chroma="444")
    return np.clip(codes_to_encoded(full_size(planes), 16, "bt709", "limited"), 0, 1)


def _source(folder: FilmFolder, film: Film, frame: int, at_s: Fraction, take: str) -> tuple[Path, PictureInfo, int]:
    chosen = film.take(take)
    placed = next((entry for entry in placed_takes(film) if entry.take.id == take), None)
    if placed is None or frame not in placed.frames():
        raise InvalidInput(f"{take} has no picture at {clock(at_s)} of the song. See: partsong lineup show FILM")
    path = folder.locate(chosen.clip.file)
    return path, chosen.picture, placed.source_frame(frame)
