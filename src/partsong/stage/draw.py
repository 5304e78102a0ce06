"""A frame of the wide as a picture to look at, with the ovals outlined on it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.records import Shape, Stage
from partsong.media.picture import encoded_rgb
from partsong.media.planes import Planes
from partsong.media.stills import eight_bits, write_png
from partsong.render import pixels
from partsong.render.shapes import shape_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

Colour = Callable[["NDArray[np.float32]"], "NDArray[np.float32]"]


def shown_picture(planes: Planes, colour: Colour | None) -> NDArray[np.uint8]:
    """Return a frame as 8-bit R'G'B' (height, width, 3), through a look or as the camera encoded it."""
    encoded = encoded_rgb(planes)
    if colour is not None:
        encoded = colour(encoded.reshape(-1, 3)).reshape(encoded.shape)
    return eight_bits(encoded)


def outlined(picture: NDArray[np.uint8], stage: Stage, frame: int) -> NDArray[np.uint8]:
    """Return the picture with each layer's shape at a frame drawn on it: the outline, its soft edge, the take's name.

    The lowest layer fills the frame and has no outline. Lines are dark beside light, so that they show on any ground.
    """
    import cv2

    drawn = picture.copy()
    if stage.method != "masks":
        return drawn  # added light has no edges
    thick = max(1, round(picture.shape[1] / 1280))
    for name in stage.order[1:]:
        mask = stage.mask_of(name)
        if mask is None:
            continue
        for grow_px, width in ((0.0, 2 * thick), (-mask.feather_px / 2, thick), (mask.feather_px / 2, thick)):
            line = _outline(shape_at(mask, frame), grow_px)
            if line is None:
                continue
            if not grow_px:
                left, top = line.min(axis=0)
                at = (int(left + (line[:, 0].max() - left) / 4), int(top + (line[:, 1].max() - top) / 10))
            cv2.polylines(drawn, [line + thick], True, (20, 20, 20), width, cv2.LINE_AA)
            cv2.polylines(drawn, [line], True, (235, 235, 235), width, cv2.LINE_AA)
        for colour, width in (((20, 20, 20), 3 * thick), ((235, 235, 235), thick)):
            cv2.putText(drawn, name, at, cv2.FONT_HERSHEY_SIMPLEX, 0.6 * thick, colour, width, cv2.LINE_AA)
    return drawn


def boxed(picture: NDArray[np.uint8], box: tuple[float, float, float, float], shape: Shape | None) -> NDArray[np.uint8]:
    """Return the picture with a box (left, top, right, bottom, in shares of it) and a shape's outline drawn on it."""
    import cv2

    drawn = picture.copy()
    height, width = picture.shape[:2]
    corners = [(round(box[n] * width), round(box[n + 1] * height)) for n in (0, 2)]
    line = _outline(shape, 0.0) if shape is not None else None
    for colour, wide in (((20, 20, 20), 3), ((235, 235, 235), 1)):
        cv2.rectangle(drawn, corners[0], corners[1], colour, wide, cv2.LINE_AA)
        if line is not None:
            cv2.polylines(drawn, [line], True, colour, wide, cv2.LINE_AA)
    return drawn


def quantised(picture: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a picture of 0 to 1 in the 16-bit steps in which it is written, so that what is measured can be read."""
    whole: NDArray[np.float64] = np.rint(np.clip(picture, 0, 1) * 65535)
    return whole / 65535


def write_deep(picture: NDArray[np.float64], path: Path) -> None:
    """Write an R'G'B' picture of 0 to 1 as PNG with 16 bits a channel, whole or not at all."""
    write_png(path, np.rint(picture * 65535).astype(np.uint16))


def _outline(shape: Shape, grow_px: float) -> NDArray[np.int32] | None:
    """Return an outline as whole pixels (n, 2), moved outwards; None where nothing is left of it."""
    if shape.kind == "curve":
        return _grown(pixels.curve_outline(shape), grow_px)
    oval = shape
    rx, ry = oval.rx + grow_px, oval.ry + grow_px
    if rx <= 0 or ry <= 0:
        return None
    around = np.linspace(0, 2 * np.pi, 181)
    u, v, turn = rx * np.cos(around), ry * np.sin(around), np.deg2rad(oval.rotation_deg)
    x = oval.x + u * np.cos(turn) - v * np.sin(turn)
    y = oval.y + u * np.sin(turn) + v * np.cos(turn)
    return np.round(np.stack([x, y], axis=-1)).astype(np.int32)


def _grown(outline: NDArray[np.float64], grow_px: float) -> NDArray[np.int32]:
    along = np.roll(outline, -1, axis=0) - np.roll(outline, 1, axis=0)
    outwards = np.stack([along[:, 1], -along[:, 0]], axis=-1) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    around = np.sum(outline[:, 0] * np.roll(outline[:, 1], -1) - np.roll(outline[:, 0], -1) * outline[:, 1])
    moved: NDArray[np.float64] = outline + np.sign(around) * grow_px * outwards
    return np.round(moved).astype(np.int32)
