"""Small pictures of takes and of the wide for the pages: through the look where there is one, made once and kept."""

from __future__ import annotations

import dataclasses
import threading
from collections import OrderedDict
from pathlib import Path
from typing import Any

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import WIDE, Film
from partsong.media import tags
from partsong.media.thumbs import thumbnail
from partsong.render.wide import Wide, merged_wide
from partsong.signoff.masters import MasterPlan, Piece, View, frame_size
from partsong.signoff.paint import Painter, painter_for
from partsong.signoff.steps import picture_of

WIDTH = 320
_MOST_PAINTERS = 4
_NOT_SEEN = {"circled", "notes", "slate", "distance_m"}  # of a take, what its picture does not depend on
_painters: OrderedDict[str, Painter] = OrderedDict()
_one_at_a_time = threading.Lock()


def picture(folder: FilmFolder, film: Film, source: str, frame: int, *, width: int = WIDTH) -> Path:
    """Return a frame of a take (its own number) or of the wide (the song's) as a JPEG, ``width`` pixels wide.

    Without a look, takes are shown as they were encoded; log footage then looks flat.

    Raises
    ------
    NoSuchRecord
        If the film has no such take.
    InvalidInput
        If the take has no such frame, or the wide is not merged there.
    """
    wide = merged_wide(folder, film, [frame]) if source == WIDE else None
    take = None if wide else film.take(source)
    if take is not None and not 0 <= frame < take.picture.frames:
        raise InvalidInput(f"{source} has no frame {frame}; it has the frames 0 to {take.picture.frames - 1}.")
    look = film.look.model_dump(mode="json") if film.look else None
    if take is not None:
        content: object = [look, take.model_dump(mode="json", exclude=_NOT_SEEN), _grade(film, take.id), frame]
    else:
        assert wide is not None
        content = [look, sorted({one.input_space or "" for one in film.stage_takes()}), wide.within([frame])]
    out = folder.cached("pictures", key_of("picture-1", content, width), ".jpg")
    if out.is_file():
        return out
    if film.look is None and take is not None:
        matrix, value_range = tags.presumed(take.picture.matrix, take.picture.value_range)
        thumbnail(
            folder.locate(take.clip.file),
            take.picture,
            frame,
            out,
            width=width,
            matrix=matrix,
            value_range=value_range,
        )
        return out
    if film.look is None:
        raise InvalidInput("The wide is shown through the look, and there is none yet. Set one: partsong look set")
    with _one_at_a_time:
        painter = _painter(folder, film, source, frame, wide, width)
    planes = next(painter.pictures([0]))
    with writing(out) as temporary:
        temporary.write_bytes(picture_of(planes, "").jpeg)
    return out


def version(film: Film) -> str:
    """Return what goes into the addresses of pictures, so that a browser shows no picture of an older look or stage."""
    look = film.look.model_dump(mode="json") if film.look else None
    return f"?of={key_of(look, film.stage.model_dump(mode='json'))[:8]}"


def _painter(folder: FilmFolder, film: Film, source: str, frame: int, wide: Wide | None, width: int) -> Painter:
    """Return what paints one frame. The tables of colour paths take seconds to build: all takes share theirs."""
    across, down = frame_size(film)
    size = (width, max(2, width * down // across // 2 * 2))
    assert film.look is not None
    assert film.rate is not None
    names = [WIDE] if wide is not None else [take.id for take in film.takes]
    takes = [[one.model_dump(mode="json", exclude=_NOT_SEEN), _grade(film, one.id)] for one in film.takes]
    key = key_of(str(folder.root), film.look.model_dump(mode="json"), names, takes, size)
    if key not in _painters:
        firsts = [Piece(at, at + 1, (View(name, (frame if wide else 0,)),)) for at, name in enumerate(names)]
        _painters[key] = painter_for(folder, film, MasterPlan("", *size, film.rate, tuple(firsts), 0), "h264")
        while len(_painters) > _MOST_PAINTERS:
            _painters.popitem(last=False)
    painter = _painters[key]
    shown = painter.sources[source]
    sources = {source: shown if wide is None else dataclasses.replace(shown, file=wide)}
    return dataclasses.replace(painter, pieces=(Piece(0, 1, (View(source, (frame,)),)),), sources=sources)


def _grade(film: Film, take: str) -> dict[str, Any] | None:
    grade = film.grade_of(take)
    return grade.model_dump() if grade else None
