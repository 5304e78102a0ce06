"""Small still pictures of single frames."""

from __future__ import annotations

from pathlib import Path

from partsong.errors import InvalidInput
from partsong.film.records import PictureInfo
from partsong.media.picture import encoded_rgb, open_picture, resized
from partsong.media.planes import Matrix, ValueRange
from partsong.media.stills import eight_bits, write_jpeg

_QUALITY = 88  # of 100, of the JPEG encoder


def thumbnail(
    path: Path,
    picture: PictureInfo,
    frame: int,
    out: Path,
    *,
    width: int = 320,
    matrix: Matrix | None = None,
    value_range: ValueRange | None = None,
) -> None:
    """Write one frame of a clip as a JPEG, as a whole or not at all.

    The picture is shown as it was encoded (log footage looks flat), upright and in its true shape. ``width`` is that
    of the still; the height follows.

    Raises
    ------
    InvalidInput
        If the clip has no such frame, or does not say its matrix or range and they are not given.
    OutputFailed
        If the still cannot be written.
    """
    if width < 16:
        raise InvalidInput(f"A still {width} pixels wide shows nothing. Make it 16 or more.")
    with open_picture(path, picture, threads=1, matrix=matrix, value_range=value_range) as reader:
        planes = next(reader.read([frame]))
        aspect = picture.pixel_aspect_num / picture.pixel_aspect_den
        if picture.rotation_deg in (90, 270):
            aspect = 1 / aspect
        height = max(2, round(width * planes.height / (planes.width * aspect)))
        rgb = encoded_rgb(resized(planes, width, height))
    write_jpeg(out, eight_bits(rgb), quality=_QUALITY)
