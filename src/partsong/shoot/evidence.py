"""The one picture that shows why a take was judged as it was: a frame of it, its places marked, its reasons beneath."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.folder import FilmFolder
from partsong.film.records import Finding, Region, Take
from partsong.media import tags
from partsong.media.packets import read_key_frames
from partsong.media.picture import PictureReader, encoded_rgb, open_picture, resized
from partsong.media.planes import Planes
from partsong.media.stills import eight_bits, write_jpeg
from partsong.shoot.closeup import side_by_side
from partsong.shoot.names import without_accents
from partsong.shoot.sight import encoded_luma

if TYPE_CHECKING:
    from numpy.typing import NDArray

_WIDTH = 1280
_LINE_PX, _MARGIN_PX = 26, 14
_PAPER, _INK, _MARK = (250, 246, 236), (34, 32, 28), (235, 90, 40)
_SIZE = 0.6  # of the writing
_QUALITY = 90
_RESTS = 12  # frames after a knock, when what swung is at rest


def draw(
    folder: FilmFolder,
    take: Take,
    findings: Sequence[Finding],
    verdict: str,
    free: NDArray[np.bool_],
    moved_from: Take | None = None,
) -> Path:
    """Draw a take's picture of evidence as ``reports/shoot-TAKE.jpg`` and return its path.

    The frame is that of the first finding that has a time, else a key frame near the middle, which costs least; it is
    shown as it was encoded.
    Of a knocked camera a place where nobody moves (``free``) is shown before and after; of one that stands elsewhere
    than in ``moved_from``, in that take and in this one.

    Raises
    ------
    OutputFailed
        If it cannot be written.
    """
    import cv2

    picture = take.picture
    timed = [finding.at for finding in findings if finding.at is not None]
    path = folder.locate(take.clip.file)
    if timed:
        frame = min(max(picture.rate.frames_at(timed[0].seconds), 0), picture.frames - 1)
        planes = _frame(path, take, frame)
    else:
        frame, planes = _key_frame(path, take, picture.frames // 2)
    shown = eight_bits(_small(planes))
    scale = shown.shape[1] / picture.shown_size[0]
    for number, finding in enumerate(findings, start=1):
        if finding.region is not None:
            box = finding.region
            left, top = round(box.x * scale), round(box.y * scale)
            right, bottom = round((box.x + box.width) * scale), round((box.y + box.height) * scale)
            cv2.rectangle(shown, (left, top), (right, bottom), _MARK, 3)
            if finding.was is not None and finding.moved_px is not None:
                _draw_way(shown, finding.was, finding.moved_px, scale)
            cv2.putText(shown, str(number), (left + 6, top + 24), cv2.FONT_HERSHEY_SIMPLEX, 0.8, _MARK, 2)
    lines = [_plain(f"{take.id}, frame {frame}: {verdict}")]
    knock = next((finding.at for finding in findings if finding.kind == "camera knocked"), None)
    jump = None if knock is None else _jump(folder, take, picture.rate.frames_at(knock.seconds), free, shown.shape[1])
    if jump is not None:
        shown = np.vstack([shown, jump])
        lines[0] += ". Below the frame: the same pixels before and after the knock"
    elif moved_from is not None:
        beside = _beside(folder, take, moved_from, free, shown.shape[1])
        if beside is not None:
            shown = np.vstack([shown, beside])
            lines[0] += f". Below the frame: the same pixels in {moved_from.id} and in this take"
    for number, finding in enumerate(findings, start=1):
        said = _plain(f"{number}. {finding.sentence} {finding.advice}")
        lines += _wrapped(said, shown.shape[1] - 2 * _MARGIN_PX)
    sheet = np.full((2 * _MARGIN_PX + _LINE_PX * len(lines), shown.shape[1], 3), _PAPER, np.uint8)
    for number, line in enumerate(lines):
        at = (_MARGIN_PX, _MARGIN_PX + _LINE_PX * number + 18)
        cv2.putText(sheet, line, at, cv2.FONT_HERSHEY_SIMPLEX, _SIZE, _INK, 1, cv2.LINE_AA)
    out = folder.reports / f"shoot-{take.id}.jpg"
    write_jpeg(out, np.vstack([shown, sheet]), quality=_QUALITY)
    return out


def _wrapped(text: str, width_px: int) -> list[str]:
    """Part a text into lines, at its blanks, that are no wider than ``width_px`` unless one word is."""
    import cv2

    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and cv2.getTextSize(longer, cv2.FONT_HERSHEY_SIMPLEX, _SIZE, 1)[0][0] <= width_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _plain(text: str) -> str:
    """Return a text in the letters that the drawing library has: accents fall away, signs become question marks.

    >>> _plain("Cajón, 3 × 4")
    'Cajon, 3 ? 4'
    """
    return without_accents(text).encode("ascii", "replace").decode()


def _draw_way(shown: NDArray[np.uint8], was: Region, moved_px: tuple[float, float], scale: float) -> None:
    """Draw where something stood, as a thin box, and an arrow from there to where it stands."""
    import cv2

    corners = ((was.x, was.y), (was.x + was.width, was.y + was.height))
    first, second = ((round(x * scale), round(y * scale)) for x, y in corners)
    cv2.rectangle(shown, first, second, _MARK, 1)
    middle = (was.x + was.width / 2, was.y + was.height / 2)
    start = (round(middle[0] * scale), round(middle[1] * scale))
    end = (round((middle[0] + moved_px[0]) * scale), round((middle[1] + moved_px[1]) * scale))
    cv2.arrowedLine(shown, start, end, _MARK, 2, cv2.LINE_AA, tipLength=0.3)


def _jump(folder: FilmFolder, take: Take, frame: int, free: NDArray[np.bool_], width: int) -> NDArray[np.uint8] | None:
    """Return a place before a frame and once the camera is at rest again."""
    frames = [max(0, frame - 1), min(frame + _RESTS, take.picture.frames - 1)]
    with _opened(folder.locate(take.clip.file), take) as reader:
        before, after = (encoded_luma(planes) for planes in reader.read(frames))
    return side_by_side(before, after, free, width)


def _beside(
    folder: FilmFolder, take: Take, other: Take, free: NDArray[np.bool_], width: int
) -> NDArray[np.uint8] | None:
    """Return a place in another take, and in this one."""
    theirs, ours = (
        encoded_luma(_key_frame(folder.locate(one.clip.file), one, one.picture.frames // 2)[1]) for one in (other, take)
    )
    return side_by_side(theirs, ours, free, width)


def _frame(path: Path, take: Take, frame: int) -> Planes:
    with _opened(path, take) as reader:
        return next(reader.read([frame]))


def _key_frame(path: Path, take: Take, near: int) -> tuple[int, Planes]:
    """Return the last key frame up to ``near`` and its number; the frame itself where there is none."""
    matrix, value_range = tags.presumed(take.picture.matrix, take.picture.value_range)
    for number, planes in read_key_frames(path, take.picture, [near], matrix=matrix, value_range=value_range):
        return number, planes
    return near, _frame(path, take, near)


def _opened(path: Path, take: Take) -> PictureReader:
    matrix, value_range = tags.presumed(take.picture.matrix, take.picture.value_range)
    return open_picture(path, take.picture, threads=1, matrix=matrix, value_range=value_range)


def _small(planes: Planes) -> NDArray[np.float32]:
    width = min(_WIDTH, planes.width)
    return encoded_rgb(resized(planes, width, max(2, round(planes.height * width / planes.width))))
