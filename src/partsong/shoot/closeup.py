"""A place of two frames side by side, enlarged, so that the eye sees how a camera moved between them. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_WIDE, _HIGH = 96, 54  # pixels of the frame that are shown
_LINE = (235, 90, 40)
_GAP_PX = 4


def side_by_side(
    before: NDArray[np.float32], after: NDArray[np.float32], free: NDArray[np.bool_], width: int
) -> NDArray[np.uint8] | None:
    """Return the place with the clearest corners, of two frames, with a cross at the same pixel of both.

    Parameters
    ----------
    before, after : (h, w)
        Encoded luma, 0 to 1; the light of the two may differ, so each is shown from its own black to its own white.
    free : (h, w) of bool
        Where nobody moves, at any size.
    width : int
        Of what is returned, in pixels; its height follows, and its three channels are blue, green and red.

    Returns
    -------
    ndarray or None
        None where the frame is too small, or somebody moves everywhere.
    """
    import cv2

    height, across = before.shape
    if height < 2 * _HIGH or across < 2 * _WIDE:
        return None
    corners = np.minimum(*(cv2.cornerMinEigenVal(picture, 7) for picture in (before, after)))
    alone = cv2.resize(free.astype(np.uint8), (across, height), interpolation=cv2.INTER_NEAREST)
    # All of what is shown keeps still.
    alone = cv2.erode(alone, np.ones((_HIGH, _WIDE), np.uint8), borderValue=0)
    inner = np.zeros(alone.shape, bool)
    inner[_HIGH // 2 : height - _HIGH // 2, _WIDE // 2 : across - _WIDE // 2] = True
    likely = np.where(inner & (np.asarray(alone) > 0), corners, 0)
    if not likely.any():
        return None
    down, right = np.unravel_index(int(likely.argmax()), likely.shape)
    top, left = int(down) - _HIGH // 2, int(right) - _WIDE // 2
    crops = [picture[top : top + _HIGH, left : left + _WIDE] for picture in (before, after)]
    side = (width - _GAP_PX) // 2
    size = (side, round(side * _HIGH / _WIDE))
    shown = np.full((size[1], width, 3), 128, np.uint8)
    for number, crop in enumerate(crops):
        dark, bright = np.percentile(crop, (1, 99))
        grey = np.clip((crop - dark) / max(float(bright - dark), 1e-3), 0, 1) * 255
        large = cv2.resize(grey.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        place = shown[:, number * (width - side) :][:, :side]
        place[:] = large[..., None]
        place[size[1] // 2] = _LINE
        place[:, side // 2] = _LINE
    return shown
