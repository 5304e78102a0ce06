"""How far one take's still picture lies from another's, although the light has moved.

Both pictures are first made alike: the mean of each neighbourhood is taken away and its contrast divided out, so that
what is left is the drawing of the room rather than its lighting. Phase correlation finds the shift to about a pixel;
Gauss-Newton steps refine it, giving no weight to what does not fit (shadow edges, the player). Nine parts of the frame
are then asked separately, and how many agree is the certainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

_NEIGHBOURHOOD = 1 / 50  # of the width: larger than a drawn line, smaller than a pool of light
_TUKEY = 4.685  # 95 % efficient on Gaussian noise (Huber and Ronchetti, Robust Statistics, 2nd ed., 4.8)
_MAD_TO_SIGMA = 1.4826
_STEPS = 12
_SETTLED_PX = 0.002
_TILES = 3
_AGREES_PX = 0.35
_LIKE = 0.3  # the least correlation of a part that shows the same things; strangers have about 0
_LEAST_TILES = 4


@dataclass(frozen=True, slots=True)
class Shift:
    """Move the picture by ``dx_px`` to the right and ``dy_px`` down to lay it on the reference.

    ``certainty`` is the share, 0 to 1, of the parts of the frame with something to see that say the same.
    """

    dx_px: float
    dy_px: float
    certainty: float


def find_shift(reference: ArrayLike, moved: ArrayLike, still: ArrayLike | None = None) -> Shift:
    """Find the shift that lays ``moved`` on ``reference``.

    Parameters
    ----------
    reference, moved : array_like, shape (height, width)
        Encoded luma of the still room, for example the median of some frames; 64 pixels or more each way.
    still : array_like of bool, shape (height, width), optional
        False where something moves in either picture.

    Raises
    ------
    InvalidInput
        If the sizes differ or are too small to tell.

    References
    ----------
    Kuglin and Hines (1975) for phase correlation; Baker and Matthews (2004) for the Gauss-Newton form; the weights are
    Tukey's biweight.
    """
    fixed, loose = np.asarray(reference, np.float32), np.asarray(moved, np.float32)
    if fixed.shape != loose.shape or min(fixed.shape) < 64:
        raise InvalidInput(
            f"Pictures of {fixed.shape[1]} x {fixed.shape[0]} and {loose.shape[1]} x {loose.shape[0]} pixels cannot be "
            "laid on each other. Give pictures of one size, 64 pixels or more each way."
        )
    weight = np.ones(fixed.shape, np.float32) if still is None else np.asarray(still).astype(np.float32)
    fixed, loose = drawing(fixed), drawing(loose)
    shift = shift_of_drawings(fixed, loose, weight)
    if shift is None:
        return Shift(0.0, 0.0, 0.0)
    return Shift(float(shift[0]), float(shift[1]), _agreement(fixed, loose, weight, shift))


def shift_of_drawings(
    fixed: NDArray[np.float32], loose: NDArray[np.float32], weight: NDArray[np.float32]
) -> NDArray[np.float64] | None:
    """Return (dx, dy) that lays one drawing on another, without asking how certain that is; None for empty ones."""
    shift = _phase_shift(fixed * weight, loose * weight)
    for _ in range(_STEPS):
        step, _ = _newton_step(fixed, loose, weight, shift)
        if step is None:
            return None
        shift = shift + step
        if np.abs(step).max() < _SETTLED_PX:
            break
    return shift


def drawing(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture with the mean of each neighbourhood taken away and its contrast divided out."""
    import cv2

    size = 2 * max(2, round(picture.shape[1] * _NEIGHBOURHOOD / 2)) + 1

    def mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.blur(values, (size, size), borderType=cv2.BORDER_REFLECT), np.float32)

    # A little smoothing keeps noise from being blown up to a drawing of its own.
    smooth = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0), np.float32)
    detail = smooth - mean(smooth)
    energy = mean(detail * detail)
    floor = max(float(np.median(energy)), 1e-6 * float(energy.max()), 1e-12)
    result: NDArray[np.float32] = detail / np.sqrt(energy + floor)
    return result


def _phase_shift(fixed: NDArray[np.float32], loose: NDArray[np.float32]) -> NDArray[np.float64]:
    height, width = fixed.shape
    window = np.outer(np.hanning(height), np.hanning(width))
    cross = np.fft.rfft2(fixed * window) * np.conj(np.fft.rfft2(loose * window))
    peak = np.fft.irfft2(cross / np.maximum(np.abs(cross), 1e-12), fixed.shape)
    row, column = np.unravel_index(int(np.argmax(peak)), peak.shape)
    dy = int(row) - height if row > height // 2 else int(row)
    dx = int(column) - width if column > width // 2 else int(column)
    # A camera that is still on its tripod has not turned by a tenth of its frame: that peak is chance.
    if abs(dx) > width / 10 or abs(dy) > height / 10:
        return np.zeros(2)
    return np.array([dx, dy], np.float64)


def _newton_step(
    fixed: NDArray[np.float32], loose: NDArray[np.float32], weight: NDArray[np.float32], shift: NDArray[np.float64]
) -> tuple[NDArray[np.float64] | None, float]:
    """Return the next change of the shift, or None where there is nothing to see, and how well the place is seen."""
    height, width = fixed.shape
    laid = _laid(loose, shift)
    covered = np.zeros_like(weight)
    edge = 3
    left, top = (max(edge, int(np.ceil(value)) + edge) for value in shift)
    right, bottom = (min(0, int(np.floor(value))) - edge for value in shift)
    covered[top : height + bottom, left : width + right] = 1
    along_y, along_x = np.gradient(laid)
    error = fixed - laid
    use = covered * weight
    chosen = use > 0
    if not chosen.any():
        return None, 0.0
    spread = _MAD_TO_SIGMA * float(np.median(np.abs(error[chosen])))
    held = np.clip(1 - (error / (_TUKEY * max(spread, 1e-6))) ** 2, 0, 1) ** 2 * use
    # laid(x + step) is about laid(x) - gradient * step, because moving right brings what was on the left.
    gxx, gxy, gyy = (
        float(np.sum(held * a * b)) for a, b in ((along_x, along_x), (along_x, along_y), (along_y, along_y))
    )
    normal = np.array([[gxx, gxy], [gxy, gyy]])
    seen = float(np.linalg.eigvalsh(normal)[0]) / float(chosen.sum())
    if seen < 1e-6:
        return None, 0.0
    target = np.array([float(np.sum(held * along_x * error)), float(np.sum(held * along_y * error))])
    return -np.linalg.solve(normal, target), seen


def _agreement(
    fixed: NDArray[np.float32], loose: NDArray[np.float32], weight: NDArray[np.float32], shift: NDArray[np.float64]
) -> float:
    height, width = fixed.shape
    laid = _laid(loose, shift)
    asked = agreeing = 0
    for row in range(_TILES):
        for column in range(_TILES):
            here = np.zeros_like(weight)
            part = (
                slice(row * height // _TILES, (row + 1) * height // _TILES),
                slice(column * width // _TILES, (column + 1) * width // _TILES),
            )
            here[part] = weight[part]
            place, seen = shift, 0.0
            for _ in range(3):
                step, seen = _newton_step(fixed, loose, here, place)
                if step is None:
                    break
                place = place + np.clip(step, -1, 1)
            if seen >= 1e-3:
                asked += 1
                near = bool(np.hypot(*(place - shift)) <= _AGREES_PX)
                agreeing += near and _likeness(fixed[part], laid[part], weight[part]) >= _LIKE
    return agreeing / max(asked, _LEAST_TILES)


def _laid(loose: NDArray[np.float32], shift: NDArray[np.float64]) -> NDArray[np.float32]:
    import cv2

    height, width = loose.shape
    matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float64)
    return np.asarray(cv2.warpAffine(loose, matrix, (width, height), flags=cv2.INTER_CUBIC), np.float32)


def _likeness(one: NDArray[np.float32], other: NDArray[np.float32], weight: NDArray[np.float32]) -> float:
    """Return the correlation of two drawings, -1 to 1."""
    lengths = float(np.sum(weight * one * one)) * float(np.sum(weight * other * other))
    return float(np.sum(weight * one * other) / np.sqrt(max(lengths, 1e-12)))
