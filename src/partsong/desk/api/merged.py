"""One frame as the render will make it, whatever the way of merging: what the preview of the Stage page cannot show."""

from __future__ import annotations

from pathlib import Path

from partsong.desk.api.film import JobTold, told
from partsong.desk.api.stage import Frame
from partsong.desk.routes import Route, Wire, frame_in
from partsong.desk.session import Desk
from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, key_of
from partsong.film.records import Film
from partsong.media.stills import write_png
from partsong.render.wide import segments_of
from partsong.stage.steps import merged_picture
from partsong.watch import Watch

JOB = "frame"


class AtFrame(Wire):
    """A frame of the song."""

    frame: Frame


def begin(desk: Desk, wish: AtFrame) -> JobTold:
    """Start merging one frame, in full size and with all that the film's way of merging takes."""
    film = desk.head().film

    def work(watch: Watch) -> str:
        out = _path(desk.folder, film, wish.frame)
        if not out.is_file():
            watch.check("Merging this frame")
            write_png(out, merged_picture(desk.folder, film, wish.frame), compression=1)  # somebody waits for it
        return f"Frame {wish.frame} is shown as the film merges it."

    return told(desk.jobs.start(JOB, "Merge this frame", work))


def merged(desk: Desk, frame: str) -> Path:
    """Return the frame, if it was merged from the film as it is now."""
    path = _path(desk.folder, desk.head().film, frame_in(frame))
    if not path.is_file():
        raise InvalidInput(f"Frame {frame} is not merged from the film as it is now. Merge it on the Stage page.")
    return path


def _path(folder: FilmFolder, film: Film, frame: int) -> Path:
    (segment,) = segments_of(film, [frame])  # its key is of all that the wide's pixels there depend on
    look = film.look.model_dump(mode="json") if film.look else None
    return folder.cached("merged", key_of("merged-1", segment.key, look, frame), ".png")


ROUTES = (
    Route("POST", "/api/stage/frame", begin, JobTold, "Merge one frame as the render will.", AtFrame),
    Route("GET", "/media/merged/{frame}", merged, "image/png", "A frame as the render merges it, in full size."),
)
