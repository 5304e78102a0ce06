"""The steps of a look that are arithmetic: what happens to scene-linear light, and to display code after the table.

Pure functions of arrays in float64; :mod:`partsong.render.colour` puts them between OpenColorIO's transforms.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from partsong.film.records import BlackCurve, Cdl, Look, Tint

# What red, green and blue weigh in the saturation of a grade (ASC CDL v1.2: those of BT.709, whatever the primaries).
_CDL_LUMA = (0.2126, 0.7152, 0.0722)

# Light is held to what a half float carries, so that a steep contrast cannot run to infinity.
_BRIGHTEST = 65504.0


def grade(look: Look, linear_rgb: NDArray[np.float64], luminance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Apply the steps of a look that act in scene-linear light, in the look's own order.

    Contrast is the power ``pivot * (light / pivot) ** contrast`` on each channel, mirrored below zero: the pivot stays,
    and a stop above it becomes ``contrast`` stops. Saturation moves each channel towards or away from luminance. Tint
    mixes the colours of shadows and highlights, evenly at the pivot, and keeps luminance.

    Parameters
    ----------
    look : Look
        What to apply.
    linear_rgb : ndarray, shape (..., 3)
        Light of the working space.
    luminance : ndarray, shape (3,)
        Luminance weights of the working space, summing to one.
    """
    light: NDArray[np.float64] = np.asarray(linear_rgb, np.float64)
    for step in look.order:
        if step == "exposure":
            light = light * 2.0**look.exposure_stops
        elif step == "cdl" and look.cdl is not None:
            light = apply_cdl(look.cdl, light)
        elif step == "contrast" and look.contrast != 1.0:
            with np.errstate(over="ignore"):  # held to the brightest light below
                light = np.sign(light) * look.pivot * (np.abs(light) / look.pivot) ** look.contrast
        elif step == "colour" and look.black_and_white is not None:
            mix = look.black_and_white
            light = np.repeat((light @ np.asarray((mix.red, mix.green, mix.blue)))[..., None], 3, axis=-1)
        elif step == "colour" and look.saturation != 1.0:
            grey = (light @ luminance)[..., None]
            light = np.asarray(grey + look.saturation * (light - grey))
        elif step == "tint" and look.tint is not None:
            light = _tinted(look.tint, look.pivot, light, luminance)
        light = np.clip(light, -_BRIGHTEST, _BRIGHTEST)
    return light


def _tinted(
    tint: Tint, pivot: float, light: NDArray[np.float64], luminance: NDArray[np.float64]
) -> NDArray[np.float64]:
    dark, bright = (np.asarray(colour) / (np.asarray(colour) @ luminance) for colour in (tint.shadows, tint.highlights))
    seen = np.maximum(light @ luminance, 0.0)[..., None]
    share = seen / (seen + pivot)
    tinted = light * (dark + share * (bright - dark))
    # A coloured picture would change its luminance a little; a grey one keeps it by itself.
    before, after = (light @ luminance)[..., None], (tinted @ luminance)[..., None]
    kept = np.divide(before, after, out=np.ones_like(after), where=after > 0)
    return np.asarray(tinted * kept)


def apply_cdl(cdl: Cdl, rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Apply a grade by the ASC CDL without clamping; see :class:`partsong.film.records.Cdl`.

    References
    ----------
    American Society of Cinematographers, ASC CDL Transfer Functions and Interchange Syntax, v1.2 (2009).

    Examples
    --------
    >>> apply_cdl(Cdl(slope=(1.5, 1.5, 1.5)), np.array([0.18, 0.18, 0.18])).round(6).tolist()
    [0.27, 0.27, 0.27]
    """
    moved = np.asarray(rgb, np.float64) * np.asarray(cdl.slope) + np.asarray(cdl.offset)
    with np.errstate(over="ignore"):
        powered = np.maximum(moved, 0.0) ** np.asarray(cdl.power)
    result = np.where(moved < 0, moved, powered)
    if cdl.saturation != 1.0:
        luma = (result @ np.asarray(_CDL_LUMA))[..., None]
        result = luma + cdl.saturation * (result - luma)
    return np.asarray(np.clip(result, -_BRIGHTEST, _BRIGHTEST))


def held_black(black: BlackCurve, code: ArrayLike) -> NDArray[np.float64]:
    """Bring a lifted black to zero by a curve that leaves everything from ``black.keep`` upwards as it is.

    Below that it is the parabola through (level, 0) that meets the straight line at ``keep`` with its slope, so that
    no edge shows; it rises all the way. Code under the level becomes 0.

    Examples
    --------
    >>> curve = BlackCurve(level=(0.03,) * 3, keep=(0.4,) * 3)
    >>> held_black(curve, [[0.03, 0.2, 0.4]]).round(4).tolist()
    [[0.0, 0.1912, 0.4]]
    """
    values = np.asarray(code, np.float64)
    level, keep = np.asarray(black.level), np.asarray(black.keep)
    along = np.clip((values - level) / (keep - level), 0.0, 1.0)
    start = 1.0 + level / keep
    return np.where(values >= keep, values, keep * along * (start - (start - 1.0) * along))
