"""Small pictures of takes and of the wide for the pages: through the look where there is one, made once and kept."""

from __future__ import annotations

import dataclasses
import threading
from collections import OrderedDict
from pathlib import Path

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import WIDE, Film
from partsong.media import tags
from partsong.media.thumbs import thumbnail
from partsong.render.wide import Wide, merged_wide
from partsong.signoff.masters import MasterPlan, Piece, frame_size
from partsong.signoff.paint import Painter, painter_for
from partsong.signoff.steps import picture_of

WIDTH = 320
_MOST_PAINTERS = 16
_painters: OrderedDict[str, Painter] = OrderedDict()
_one_at_a_time = threading.Lock()


def picture(folder: FilmFolder, film: Film, source: str, frame: int) -> Path:
    """Return a frame of a take (its own number) or of the wide (the song's) as a small JPEG.

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
        shown = take.model_dump(mode="json", exclude={"circled", "notes", "slate", "distance_m"})
        grade = film.grade_of(take.id)
        path_key = key_of("painter", look, shown, grade.model_dump() if grade else None)
        content: object = [path_key, frame]
    else:
        assert wide is not None
        path_key = key_of("painter", look, WIDE, *sorted({one.input_space or "" for one in film.stage_takes()}))
        content = [path_key, wide.within([frame])]
    out = folder.cached("pictures", key_of("picture-1", content, WIDTH), ".jpg")
    if out.is_file():
        return out
    if film.look is None and take is not None:
        thumbnail(
            folder.locate(take.clip.file),
            take.picture,
            frame,
            out,
            width=WIDTH,
            matrix=tags.usable_matrix(take.picture.matrix) or "bt709",
            value_range=tags.usable_range(take.picture.value_range) or "limited",
        )
        return out
    if film.look is None:
        raise InvalidInput("The wide is shown through the look, and there is none yet. Set one: partsong look set")
    with _one_at_a_time:
        painter = _painter(folder, film, source, frame, path_key, wide)
    planes = next(painter.pictures([0]))
    with writing(out) as temporary:
        temporary.write_bytes(picture_of(planes, "").jpeg)
    return out


def _painter(folder: FilmFolder, film: Film, source: str, frame: int, key: str, wide: Wide | None) -> Painter:
    """Return what paints one frame; the table of a source's colour path is built once, since that takes seconds."""
    across, down = frame_size(film)
    size = (WIDTH, max(2, WIDTH * down // across // 2 * 2))
    piece = Piece(source, 0, 1, (frame,))
    assert film.rate is not None
    if key not in _painters:
        plan = MasterPlan("", *size, film.rate, (piece,), 0)
        _painters[key] = painter_for(folder, film, plan, "h264")
        while len(_painters) > _MOST_PAINTERS:
            _painters.popitem(last=False)
    painter = _painters[key]
    sources = painter.sources
    if wide is not None:
        sources = {WIDE: dataclasses.replace(sources[WIDE], file=wide)}
    return dataclasses.replace(painter, pieces=(piece,), sources=sources)
