"""How much of a difference between two takes can be seen on a display: the model, in numbers.

**Display.** What the film's look sends to the display (or, without a look, the plain path of :func:`plain_display`) is
shown on a reference monitor: the curve of BT.1886 with a white of 100 cd/m² and a black of 0.05 cd/m², watched in the
dark from 3 picture heights, so that a picture's height fills 18.9 degrees.

**Eye.** Barten's contrast sensitivity for a standard observer says the least modulation of a grating that is seen. An
edge that is soft over some width holds no spatial frequencies above that of a grating of which it is half a period;
it is taken to be seen when the best grating up to there is. That last step is ours (common practice, no source).

A *step* is the difference of luminance of two sides over their mean, in per cent. A grating of modulation m swings by
2 m about its mean, so a step is seen from 2 / sensitivity.

References
----------
ITU-R BT.1886 (2011), annex 1; ITU-R BT.2035 (2013) for the monitor and its surround; Barten (2003), "Formula for the
contrast sensitivity of the human eye", Proc. SPIE 5294, equations 1 to 13.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

WHITE_CD_M2, BLACK_CD_M2, GAMMA = 100.0, 0.05, 2.4
HEIGHTS_AWAY = 3.0
_FIELD_DEG = 60.0

# BT.709-6, item 3.2.
_LUMA = np.array([0.2126, 0.7152, 0.0722])


def plain_display(linear: ArrayLike) -> NDArray[np.float64]:
    """Return display code 0 to 1 of scene-linear light where a film has no look: light 1 is white, no more is done.

    >>> plain_display([0.0, 0.18, 1.0, 4.0]).round(4).tolist()
    [0.0, 0.4894, 1.0, 1.0]
    """
    code: NDArray[np.float64] = np.clip(np.asarray(linear, np.float64), 0, 1) ** (1 / GAMMA)
    return code


def luminance(code: ArrayLike) -> NDArray[np.float64]:
    """Return the luminance in cd/m² of display R'G'B' (..., 3), 0 to 1, on the monitor of the model.

    Each channel follows BT.1886, L = a * max(V + b, 0) ** 2.4; the weights are those of BT.709.
    """
    low, high = BLACK_CD_M2 ** (1 / GAMMA), WHITE_CD_M2 ** (1 / GAMMA)
    gain, lift = (high - low) ** GAMMA, low / (high - low)
    light: NDArray[np.float64] = gain * np.maximum(np.asarray(code, np.float64) + lift, 0) ** GAMMA @ _LUMA
    return light


def sensitivity(cycles_per_degree: ArrayLike, luminance_cd_m2: ArrayLike) -> NDArray[np.float64]:
    """Return Barten's contrast sensitivity (one over the least modulation seen) for a field of 60 degrees.

    Parameters
    ----------
    cycles_per_degree, luminance_cd_m2 : array_like
        Of a grating and its mean; broadcast against each other.
    """
    u = np.asarray(cycles_per_degree, np.float64)
    level = np.asarray(luminance_cd_m2, np.float64)
    pupil_mm = 5 - 3 * np.tanh(0.4 * np.log10(level * _FIELD_DEG**2 / 40**2))
    blur_deg = np.hypot(0.5 / 60, 0.08 / 60 * pupil_mm)
    optics = np.exp(-2 * (np.pi * blur_deg * u) ** 2)
    troland = np.pi * pupil_mm**2 / 4 * level * (1 - (pupil_mm / 9.7) ** 2 + (pupil_mm / 12.4) ** 4)
    spread = 1 / _FIELD_DEG**2 + 1 / 12**2 + (u / 15) ** 2
    photons = 1 / (0.03 * 1.2274e6 * troland)
    neural = 3e-8 / (1 - np.exp(-((u / 7) ** 2)))
    result: NDArray[np.float64] = optics / 3 / np.sqrt(2 / 0.1 * spread * (photons + neural))
    return result


_FREQUENCIES = np.geomspace(0.05, 30, 200)


def least_step_percent(luminance_cd_m2: float, width_deg: float) -> float:
    """Return the least step, in per cent of the mean, that is seen across an edge that is soft over ``width_deg``.

    The best frequency is looked for up to that of a grating whose half period is the edge's width.
    """
    highest = 30.0 if width_deg <= 0 else float(np.clip(0.5 / width_deg, 0.05, 30))
    inside = _FREQUENCIES[: max(1, int(np.searchsorted(_FREQUENCIES, highest, "right")))]
    return float(200 / sensitivity(inside, max(luminance_cd_m2, BLACK_CD_M2)).max())


def step_percent(one_cd_m2: float, other_cd_m2: float) -> float:
    """Return the difference of two luminances over their mean, in per cent, signed: positive where one is brighter.

    >>> step_percent(51, 49)
    4.0
    """
    return 200 * (one_cd_m2 - other_cd_m2) / (one_cd_m2 + other_cd_m2)


def pixels_per_degree(height_px: int) -> float:
    """Return how many of a picture's pixels fill a degree of the viewer's field, in the middle of the picture."""
    return float(height_px / np.rad2deg(2 * np.arctan(0.5 / HEIGHTS_AWAY)))
