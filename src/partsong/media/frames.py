"""Planes in the library's own frames: views of what was decoded, copies for what is to be encoded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.media import tags
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange

if TYPE_CHECKING:
    import av
    from numpy.typing import NDArray


def layout_of(pixel_format: Any) -> tuple[Chroma, int] | None:
    """Return the chroma sampling and bit depth of a pixel format that planes can hold, else ``None``."""
    components = pixel_format.components
    usable = (
        len(components) in (3, 4)  # a fourth is coverage, which a camera does not record
        and pixel_format.is_planar
        and not pixel_format.is_rgb
        and not pixel_format.is_big_endian
        and [part.plane for part in components[:3]] == [0, 1, 2]
    )
    if not usable or pixel_format.name.startswith("gbr"):
        return None
    depth = components[0].bits
    # Asked at a size that halves and quarters evenly.
    halved = (pixel_format.chroma_width(16), pixel_format.chroma_height(16))
    chroma: Chroma | None = {(16, 16): "444", (8, 16): "422", (8, 8): "420"}.get(halved)  # type: ignore[assignment]
    return (chroma, depth) if chroma and 8 <= depth <= 16 else None


def planes_of(frame: av.VideoFrame, matrix: Matrix, value_range: ValueRange) -> Planes:
    """Return views of a frame's own memory, which lives as long as they do. No code value is touched."""
    depth = frame.format.components[0].bits
    dtype = np.dtype(np.uint8 if depth == 8 else "<u2")
    y, u, v = (_view(plane, dtype) for plane in frame.planes[:3])
    return Planes(y, u, v, depth, matrix, value_range)


def _view(plane: Any, dtype: np.dtype[Any]) -> NDArray[Any]:
    rows = np.frombuffer(plane, dtype).reshape(-1, plane.line_size // dtype.itemsize)
    return rows[: plane.height, : plane.width]


def frame_of(planes: Planes) -> av.VideoFrame:
    """Copy planes into a new frame with the same matrix and range."""
    import av

    deep = f"{planes.bit_depth}le" if planes.bit_depth > 8 else ""
    frame = av.VideoFrame(planes.width, planes.height, f"yuv{planes.chroma}p{deep}")
    for target, source in zip(frame.planes, (planes.y, planes.u, planes.v), strict=True):
        _view(target, source.dtype)[:] = source
    frame.colorspace = tags.code_of(tags.MATRICES, planes.matrix)
    frame.color_range = tags.code_of(tags.RANGES, planes.value_range)
    return frame
