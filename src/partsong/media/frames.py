"""Planes in the library's own frames: views of what was decoded, copies for what is to be encoded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.media import tags
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange

if TYPE_CHECKING:
    import av
    from numpy.typing import NDArray


_PAIRED: dict[str, tuple[Chroma, int]] = {
    "nv12": ("420", 8), "nv16": ("422", 8), "nv24": ("444", 8),
    "p010le": ("420", 10), "p210le": ("422", 10), "p410le": ("444", 10),
    "p012le": ("420", 12), "p212le": ("422", 12), "p412le": ("444", 12),
}  # fmt: skip
"""Formats that a graphics processor decodes to: both colours side by side in one plane, codes in the highest bits."""


def layout_of(pixel_format: Any) -> tuple[Chroma, int] | None:
    """Return the chroma sampling and bit depth of a pixel format that planes can hold, else ``None``."""
    if pixel_format.name in _PAIRED:
        return _PAIRED[pixel_format.name]
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
    """Return views of a frame's own memory, which lives as long as they do. No code value is touched.

    Where both colours share a plane they are copied apart.
    """
    if frame.format.name in _PAIRED:
        return _apart(frame, _PAIRED[frame.format.name][1], matrix, value_range)
    depth = frame.format.components[0].bits
    dtype = np.dtype(np.uint8 if depth == 8 else "<u2")
    y, u, v = (_view(plane, dtype) for plane in frame.planes[:3])
    return Planes(y, u, v, depth, matrix, value_range)


def _apart(frame: av.VideoFrame, depth: int, matrix: Matrix, value_range: ValueRange) -> Planes:
    dtype = np.dtype(np.uint8 if depth == 8 else "<u2")
    spare = 8 * dtype.itemsize - depth  # bits below a code
    across = frame.format.chroma_width(frame.width)
    y, both = _view(frame.planes[0], dtype), _rows(frame.planes[1], dtype)
    u, v = both[:, 0 : 2 * across : 2], both[:, 1 : 2 * across : 2]
    return Planes(y >> spare, u >> spare, v >> spare, depth, matrix, value_range)


def _view(plane: Any, dtype: np.dtype[Any]) -> NDArray[Any]:
    return _rows(plane, dtype)[:, : plane.width]


def _rows(plane: Any, dtype: np.dtype[Any]) -> NDArray[Any]:
    return np.frombuffer(plane, dtype).reshape(-1, plane.line_size // dtype.itemsize)[: plane.height]


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
