"""Pictures out: PNG and JPEG files, whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput, OutputFailed
from partsong.film.folder import writing

Codes: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16]


def png_only(out: Path) -> None:
    """Refuse a picture's name that does not end in .png, before anything is computed for it."""
    if out.suffix.lower() != ".png":
        raise InvalidInput(f"{out} should end in .png: pictures are written in that format.")


def eight_bits(picture: NDArray[np.floating[Any]]) -> NDArray[np.uint8]:
    """Return a picture of 0 to 1 as codes of 0 to 255, clipped."""
    codes: NDArray[np.uint8] = np.rint(255 * np.clip(picture, 0, 1)).astype(np.uint8)
    return codes


def write_png(out: Path, picture: Codes, *, compression: int | None = None) -> None:
    """Write a picture as PNG.

    Parameters
    ----------
    out : Path
        The file.
    picture : array, (height, width, 3) or (height, width)
        R'G'B' or grey codes, of 8 or 16 bits.
    compression : int, optional
        From 1 (soon done) to 9 (small); the encoder's own balance where it is not given.

    Raises
    ------
    OutputFailed
        If it cannot be written.
    """
    with writing(out) as temporary:
        temporary.write_bytes(png_of(picture, compression=compression))


def png_of(picture: Codes, *, compression: int | None = None) -> bytes:
    """Return a picture as the bytes of a PNG file; see :func:`write_png`."""
    import cv2

    return _encoded(".png", picture, () if compression is None else (cv2.IMWRITE_PNG_COMPRESSION, compression))


def write_jpeg(out: Path, picture: NDArray[np.uint8], *, quality: int) -> None:
    """Write R'G'B' or grey codes as JPEG; ``quality`` is 1 to 100.

    Raises
    ------
    OutputFailed
        If it cannot be written.
    """
    with writing(out) as temporary:
        temporary.write_bytes(jpeg_of(picture, quality=quality))


def jpeg_of(picture: NDArray[np.uint8], *, quality: int) -> bytes:
    """Return R'G'B' or grey codes as the bytes of a JPEG file; ``quality`` is 1 to 100."""
    import cv2

    return _encoded(".jpg", picture, (cv2.IMWRITE_JPEG_QUALITY, quality))


def _encoded(suffix: str, picture: Codes, options: tuple[int, ...]) -> bytes:
    import cv2

    done, data = cv2.imencode(suffix, picture[..., ::-1] if picture.ndim == 3 else picture, options)
    if not done:
        raise OutputFailed(f"A picture of {picture.shape[1]} x {picture.shape[0]} could not be encoded as {suffix}.")
    return data.tobytes()
