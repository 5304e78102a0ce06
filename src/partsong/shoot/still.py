"""A still, or one frame of a clip, held against the film's reference."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.folder import FilmFolder
from partsong.film.records import Film, PictureInfo, Take
from partsong.film.store import FilmStore
from partsong.media import tags
from partsong.media.container import COPY_AGAIN
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.shoot import live
from partsong.shoot.check import sight_of
from partsong.shoot.reference import reference_of

PHOTOGRAPHS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp")


@dataclass(frozen=True, slots=True)
class Held:
    """What one picture tells: of which file and frame (None for a photograph), against which take."""

    file: Path
    frame: int | None
    against: str
    reading: live.LiveReading


def prepared(folder: FilmFolder, take: Take) -> live.Prepared:
    """Return a take prepared to be the reference: looked at once; focus at a smaller size asks for its middle frame.

    Raises
    ------
    UnreadableMedia
        If it cannot be decoded.
    """
    path, picture = folder.locate(take.clip.file), take.picture
    return live.prepared_of(sight_of(folder, take), lambda: _frame(path, picture, picture.frames // 2))


def hold(
    store: FilmStore, path: Path, *, frame: int = 0, take: str | None = None, same_encoding: bool | None = None
) -> Held:
    """Hold a photograph, or a frame of a clip, against the reference.

    Parameters
    ----------
    store : FilmStore
        Of the film; nothing in it is changed.
    path : Path
        A photograph (JPEG, PNG, TIFF, BMP, WebP) or a clip.
    frame : int
        Of the clip.
    take : str, optional
        What to hold it against; the film's reference otherwise.
    same_encoding : bool, optional
        Whether the picture is encoded as the take is; without, a clip is taken to be and a photograph not.

    Raises
    ------
    InvalidInput
        If the film has no stage take, the clip no such frame, or the picture another shape.
    UnreadableMedia
        If the file cannot be read.
    """
    film = store.head().film
    against = film.take(take) if take is not None else reference_of(film)
    if against is None:
        raise InvalidInput("The film has no stage take to hold a still against. Run: partsong shoot add FILM FOLDER")
    if not path.is_file():
        raise InvalidInput(f"{path} is not there. Give a photograph or a clip.")
    photograph = path.suffix.lower() in PHOTOGRAPHS
    if photograph:
        picture: live.Picture = _photograph(path)
    else:
        info = _info(store.folder, film, path)
        if info is None:
            raise UnreadableMedia(path, "there is no picture in it", "Choose a clip with picture, or a photograph.")
        if not 0 <= frame < info.frames:
            raise InvalidInput(f"{path.name} has no frame {frame}. Give one from 0 to {info.frames - 1}.")
        picture = _frame(path, info, frame)
    alike = not photograph if same_encoding is None else same_encoding
    reading = live.compare(prepared(store.folder, against), picture, same_encoding=alike)
    return Held(path, None if photograph else frame, against.id, reading)


def _info(folder: FilmFolder, film: Film, path: Path) -> PictureInfo | None:
    """Return what a clip's picture is like: as the film has it, where the clip is one of its takes."""
    record = folder.refer(path)
    known = next((take.picture for take in film.takes if take.clip.file.fingerprint == record.fingerprint), None)
    return known or probe(path, record).picture


def _frame(path: Path, picture: PictureInfo, frame: int) -> Planes:
    matrix, value_range = tags.presumed(picture.matrix, picture.value_range)
    with open_picture(path, picture, threads=1, matrix=matrix, value_range=value_range) as reader:
        return next(iter(reader.read([frame])))


def _photograph(path: Path) -> NDArray[Any]:
    import cv2

    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as problem:
        raise UnreadableMedia(
            path, f"it cannot be read ({problem.strerror or problem})", "Check its permissions and the disk."
        ) from problem
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR | cv2.IMREAD_ANYDEPTH) if len(data) else None
    if picture is None:
        raise UnreadableMedia(path, "it is no picture, or damaged", COPY_AGAIN)
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB))
