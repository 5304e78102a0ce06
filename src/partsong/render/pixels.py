"""The one definition of the pixel maths: slow, obvious, float64.

Every faster path (the processor's kernel, a graphics kernel, the page's preview) is held against these functions, and
none of them defines anything that is not written here.

Conventions
-----------
- Pictures are (height, width, channel). A pixel's centre lies on whole coordinates: the top left one at (0, 0).
- *codes* are Y'CbCr code values, *encoded* is R'G'B' as the camera wrote it (0 to 1 for the nominal range, and beyond),
  *linear* is scene-linear light.
- A curve is an increasing array: the linear light of equally spaced encoded values 0 to 1, straight between its
  samples, carried on at both ends by its first and last slope.
- Colour planes are brought to the size of the luma plane by replication and back by the mean of the box that each
  sample covers, so that a copy is exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput
from partsong.media.planes import Chroma, Matrix, Planes, ValueRange

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from partsong.film.records import Curve, Oval, Shape

LUMA_WEIGHTS: dict[Matrix, tuple[float, float, float]] = {
    "bt709": (0.2126, 0.7152, 0.0722),  # BT.709-6, item 3.2
    "bt601": (0.299, 0.587, 0.114),  # BT.601-7, section 2.5.1
    "bt2020nc": (0.2627, 0.6780, 0.0593),  # BT.2020-2, table 4, non-constant luminance
}
"""What red, green and blue weigh in luma."""

NO_GAIN = (1.0, 1.0, 1.0)

AT_CENTRE = 1e-9
"""A point at which an oval grows less steep than this, a pixel, is its very centre: see :func:`oval_distance`."""

# --- codes and encoded colour ---------------------------------------------------------------------


def colour_steps(chroma: Chroma) -> tuple[int, int]:
    """Return how many luma pixels (across, down) one colour sample covers."""
    return {"444": (1, 1), "422": (2, 1), "420": (2, 2)}[chroma]


def code_scale(bit_depth: int, value_range: ValueRange) -> tuple[float, float, float, float]:
    """Return (luma scale, luma zero, chroma scale, chroma zero): code = scale * signal + zero.

    References
    ----------
    BT.709-6, item 3.4 (limited range); full range uses every code, as in BT.2100-2, table 9.
    """
    if value_range == "limited":
        unit = 2.0 ** (bit_depth - 8)
        return 219 * unit, 16 * unit, 224 * unit, 128 * unit
    top = 2.0**bit_depth - 1
    return top, 0.0, top, 2.0 ** (bit_depth - 1)


def codes_to_encoded(codes: ArrayLike, bit_depth: int, matrix: Matrix, value_range: ValueRange) -> NDArray[np.float64]:
    """Turn Y'CbCr codes (..., 3) into encoded R'G'B' (..., 3), not clipped.

    References
    ----------
    BT.709-6, items 3.2 and 3.3; the same form for the other matrices.
    """
    scale_y, zero_y, scale_c, zero_c = code_scale(bit_depth, value_range)
    red, green, blue = LUMA_WEIGHTS[matrix]
    values = np.asarray(codes, np.float64)
    luma = (values[..., 0] - zero_y) / scale_y
    cb = (values[..., 1] - zero_c) / scale_c
    cr = (values[..., 2] - zero_c) / scale_c
    r = luma + 2 * (1 - red) * cr
    b = luma + 2 * (1 - blue) * cb
    g = (luma - red * r - blue * b) / green
    return np.stack([r, g, b], axis=-1)


def encoded_to_codes(
    encoded: ArrayLike, bit_depth: int, matrix: Matrix, value_range: ValueRange
) -> NDArray[np.float64]:
    """Turn encoded R'G'B' (..., 3) into Y'CbCr codes (..., 3), neither rounded nor clipped.

    Examples
    --------
    >>> encoded_to_codes([1.0, 0.0, 0.0], 10, "bt709", "limited").round().tolist()
    [250.0, 409.0, 960.0]
    """
    scale_y, zero_y, scale_c, zero_c = code_scale(bit_depth, value_range)
    red, green, blue = LUMA_WEIGHTS[matrix]
    rgb = np.asarray(encoded, np.float64)
    luma = red * rgb[..., 0] + green * rgb[..., 1] + blue * rgb[..., 2]
    cb = (rgb[..., 2] - luma) / (2 * (1 - blue))
    cr = (rgb[..., 0] - luma) / (2 * (1 - red))
    return np.stack([luma * scale_y + zero_y, cb * scale_c + zero_c, cr * scale_c + zero_c], axis=-1)


def rounded(codes: ArrayLike, bit_depth: int) -> NDArray[Any]:
    """Round codes to whole ones, halves upwards, held to those that the depth has; uint8 at 8 bits, uint16 above.

    Codes at the very ends, which limited range leaves to synchronisation, are kept: a camera may have written them, and
    a copy is exact.
    """
    whole = np.clip(np.floor(np.asarray(codes, np.float64) + 0.5), 0, (1 << bit_depth) - 1)
    return whole.astype(np.uint8 if bit_depth == 8 else np.uint16)


# --- planes ---------------------------------------------------------------------------------------


def full_size(planes: Planes) -> NDArray[np.float64]:
    """Return a frame's codes as (height, width, 3), colour replicated to the size of luma."""
    across, down = colour_steps(planes.chroma)
    rows = np.arange(planes.height) // down
    columns = np.arange(planes.width) // across
    colour = [plane[np.ix_(rows, columns)] for plane in (planes.u, planes.v)]
    return np.stack([planes.y, *colour], axis=-1).astype(np.float64)


def box_mean(plane: NDArray[Any], chroma: Chroma) -> NDArray[np.float64]:
    """Return the mean of each box of pixels that one colour sample covers; boxes at the edges may be smaller."""
    across, down = colour_steps(chroma)
    summed = plane.astype(np.float64)
    count = np.ones(plane.shape)
    for axis, step in ((1, across), (0, down)):
        starts = np.arange(0, plane.shape[axis], step)
        summed = np.add.reduceat(summed, starts, axis=axis)
        count = np.add.reduceat(count, starts, axis=axis)
    return summed / count


def to_planes(codes: NDArray[Any], chroma: Chroma, bit_depth: int, matrix: Matrix, value_range: ValueRange) -> Planes:
    """Make a frame of unrounded codes (height, width, 3)."""
    y = rounded(codes[..., 0], bit_depth)
    u, v = (rounded(box_mean(codes[..., channel], chroma), bit_depth) for channel in (1, 2))
    return Planes(y, u, v, bit_depth, matrix, value_range)


def shifted(picture: NDArray[Any], dx: int, dy: int) -> NDArray[Any]:
    """Move a picture by whole pixels (right, down); what comes in at an edge repeats that edge."""
    height, width = picture.shape[:2]
    rows = np.clip(np.arange(height) - dy, 0, height - 1)
    columns = np.clip(np.arange(width) - dx, 0, width - 1)
    return picture[np.ix_(rows, columns)]


# --- masks and weights ----------------------------------------------------------------------------


def oval_distance(oval: Oval, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Return the distance in pixels from an ellipse's edge, negative inside.

    With (u, v) the point in the ellipse's own axes and q = sqrt((u/rx)^2 + (v/ry)^2), it is (q - 1) divided by the
    length of q's gradient: the first-order distance. It is exact for circles and on the ellipse itself, and errs by a
    few per cent of the distance near the edge of long ovals.
    """
    turn = np.deg2rad(oval.rotation_deg)
    right, down = np.asarray(x, np.float64) - oval.x, np.asarray(y, np.float64) - oval.y
    u = (right * np.cos(turn) + down * np.sin(turn)) / oval.rx
    v = (-right * np.sin(turn) + down * np.cos(turn)) / oval.ry
    q = np.hypot(u, v)
    steepness = np.hypot(u / oval.rx, v / oval.ry)
    at_centre = steepness < AT_CENTRE
    # At the very centre the direction is open; the shorter radius is what the formula tends to along that axis.
    reach = np.where(at_centre, min(oval.rx, oval.ry), q / np.where(at_centre, 1.0, steepness))
    distance: NDArray[np.float64] = (q - 1) * reach
    return distance


def smoothstep(t: ArrayLike) -> NDArray[np.float64]:
    """Return 3 t^2 - 2 t^3 with t held to 0 to 1; f(t) + f(1 - t) = 1, so edges that meet add up to one."""
    held = np.clip(np.asarray(t, np.float64), 0, 1)
    return held * held * (3 - 2 * held)


def curve_outline(curve: Curve, steps: int = 16) -> NDArray[np.float64]:
    """Return a closed curve as a polygon (points * steps, 2) of x and y.

    Between two of its points it is a Catmull-Rom spline with centripetal spacing, which makes neither loops nor cusps.

    References
    ----------
    Yuksel, Schaefer and Keyser (2011), "Parameterization and applications of Catmull-Rom curves".
    """
    points = np.array([(point.x, point.y) for point in curve.points])
    ring = np.array([np.roll(points, shift, axis=0) for shift in (1, 0, -1, -2)])
    gaps = np.sqrt(np.hypot(*np.moveaxis(np.diff(ring, axis=0), -1, 0)))[..., None]
    knots = np.concatenate([np.zeros_like(gaps[:1]), np.cumsum(np.maximum(gaps, 1e-9), axis=0)])
    t = knots[1] + (knots[2] - knots[1]) * (np.arange(steps) / steps)[:, None, None]

    def between(first: NDArray[np.float64], second: NDArray[np.float64], a: int, b: int) -> NDArray[np.float64]:
        share = (t - knots[a]) / (knots[b] - knots[a])
        mixed: NDArray[np.float64] = (1 - share) * first + share * second
        return mixed

    near = [between(ring[i], ring[i + 1], i, i + 1) for i in range(3)]
    wide = [between(near[0], near[1], 0, 2), between(near[1], near[2], 1, 3)]
    return between(wide[0], wide[1], 1, 2).swapaxes(0, 1).reshape(-1, 2)


def curve_distance(curve: Curve, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Return the distance in pixels from a closed curve's polygon, negative inside (even-odd where it crosses)."""
    at_x, at_y = np.broadcast_arrays(np.asarray(x, np.float64), np.asarray(y, np.float64))
    outline = curve_outline(curve)
    nearest = np.full(at_x.shape, np.inf)
    inside = np.zeros(at_x.shape, bool)
    for (ax, ay), (bx, by) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        length = (bx - ax) ** 2 + (by - ay) ** 2
        along = np.clip(((at_x - ax) * (bx - ax) + (at_y - ay) * (by - ay)) / max(length, 1e-12), 0, 1)
        nearest = np.minimum(nearest, np.hypot(at_x - ax - along * (bx - ax), at_y - ay - along * (by - ay)))
        beside = (ay > at_y) != (by > at_y)
        down = np.divide(at_y - ay, by - ay, out=np.zeros_like(at_y), where=beside)  # 0 to 1, however flat the side
        inside ^= beside & (at_x < ax + down * (bx - ax))
    return np.where(inside, -nearest, nearest)


def shape_alpha(shape: Shape, feather_px: float, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """Return how much of a layer shows at points of the frame: 1 inside its shape, 0 outside.

    The soft edge is ``feather_px`` wide, half of it on either side of the outline, and follows :func:`smoothstep` of
    the distance (:func:`oval_distance`, :func:`curve_distance`). With a feather of 0 the outline belongs to the inside.
    """
    distance = oval_distance(shape, x, y) if shape.kind == "oval" else curve_distance(shape, x, y)
    if feather_px == 0:
        return (distance <= 0).astype(np.float64)
    return smoothstep(0.5 - distance / feather_px)


def layer_weights(alphas: ArrayLike) -> NDArray[np.float64]:
    """Turn the alphas of layers (n, ...), bottom first, into the weight each has in the picture.

    Each layer lies *over* those beneath. The lowest has all that is left, whatever its alpha, so weights sum to one.

    References
    ----------
    Porter and Duff (1984), the operator *over*.
    """
    stack = np.asarray(alphas, np.float64)
    weights = np.empty_like(stack)
    left = np.ones(stack.shape[1:])
    for layer in range(len(stack) - 1, 0, -1):
        weights[layer] = stack[layer] * left
        left = left * (1 - stack[layer])
    weights[0] = left
    return weights


# --- light ----------------------------------------------------------------------------------------


def checked_curve(curve: ArrayLike) -> NDArray[np.float64]:
    """Return a curve as float64.

    Raises
    ------
    InvalidInput
        If it is not finite and increasing throughout, so that light could not be encoded again.
    """
    samples = np.asarray(curve, np.float64)
    if samples.ndim != 1 or samples.size < 2 or not np.isfinite(samples).all() or (np.diff(samples) <= 0).any():
        raise InvalidInput(
            "The camera's curve does not rise throughout, so merged light could not be encoded again. "
            "Name a camera encoding, not a display or data space: partsong look set FILM --input NAME"
        )
    return samples


def to_linear(encoded: ArrayLike, curve: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn encoded values into scene-linear light."""
    values = np.asarray(encoded, np.float64)
    last = len(curve) - 1
    light = np.interp(values * last, np.arange(len(curve)), curve)
    light = np.where(values < 0, curve[0] + values * last * (curve[1] - curve[0]), light)
    return np.where(values > 1, curve[-1] + (values - 1) * last * (curve[-1] - curve[-2]), light)


def to_encoded(linear: ArrayLike, curve: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn scene-linear light into encoded values: the inverse of :func:`to_linear`."""
    light = np.asarray(linear, np.float64)
    last = len(curve) - 1
    values = np.interp(light, curve, np.arange(len(curve))) / last
    values = np.where(light < curve[0], (light - curve[0]) / (last * (curve[1] - curve[0])), values)
    return np.where(light > curve[-1], 1 + (light - curve[-1]) / (last * (curve[-1] - curve[-2])), values)


def merged(
    layers: Sequence[Planes],
    weights: NDArray[np.float64],
    curve: NDArray[np.float64],
    *,
    shifts: Sequence[tuple[int, int]] | None = None,
    gains: Sequence[tuple[float, float, float]] | None = None,
) -> Planes:
    """Merge layers of one size and form in scene-linear light.

    Parameters
    ----------
    layers : sequence of Planes
        Bottom first; all of the same size, sampling, depth, matrix and range.
    weights : (n, height, width)
        From :func:`layer_weights`.
    curve : (size,)
        The linear light of the encoding that the layers share.
    shifts : sequence of (dx, dy)
        Whole pixels that each layer is moved by, right and down.
    gains : sequence of (red, green, blue)
        Factors on each layer's linear light.

    Notes
    -----
    Where one layer has all the weight and no gain its codes are taken as they are, without a way through light.
    """
    form = layers[0]
    light = np.zeros((form.height, form.width, 3))
    copied = np.zeros((form.height, form.width, 3))
    is_copy = np.zeros((form.height, form.width, 1), bool)
    for number, layer in enumerate(layers):
        codes = shifted(full_size(layer), *(shifts[number] if shifts else (0, 0)))
        gain = gains[number] if gains else NO_GAIN
        encoded = codes_to_encoded(codes, form.bit_depth, form.matrix, form.value_range)
        light += weights[number][..., None] * np.asarray(gain) * to_linear(encoded, curve)
        if gain == NO_GAIN:
            alone = weights[number][..., None] == 1
            copied = np.where(alone, codes, copied)
            is_copy |= alone
    blended = encoded_to_codes(to_encoded(light, curve), form.bit_depth, form.matrix, form.value_range)
    codes = np.where(is_copy, copied, blended)
    return to_planes(codes, form.chroma, form.bit_depth, form.matrix, form.value_range)


# --- tables ---------------------------------------------------------------------------------------


def look_up(lattice: NDArray[np.float64], positions: ArrayLike) -> NDArray[np.float64]:
    """Read a lattice (n, n, n, channels) between its points, at positions (..., 3) in steps of the lattice.

    Tetrahedral: from the cell's low corner along the axis with the greatest fraction first; equal fractions give the
    same value in any order.
    """
    where = np.asarray(positions, np.float64)
    size = lattice.shape[0]
    low = np.clip(np.floor(where).astype(int), 0, size - 2)
    fraction = where - low
    order = np.argsort(-fraction, axis=-1, kind="stable")
    corner = low
    value: NDArray[np.float64] = lattice[tuple(np.moveaxis(corner, -1, 0))]
    for step in range(3):
        axis = order[..., step : step + 1]
        following = corner + (np.arange(3) == axis)
        ahead = lattice[tuple(np.moveaxis(following, -1, 0))]
        value = value + np.take_along_axis(fraction, axis, -1) * (ahead - lattice[tuple(np.moveaxis(corner, -1, 0))])
        corner = following
    return value
