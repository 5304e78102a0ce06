"""The exposure at which mains light leaves no bands, beside the finding of bands itself. Pure."""

from __future__ import annotations

import numpy as np

from partsong.render.bands import Bands, beat_hz, moving_bands, standing_bands

__all__ = ["Bands", "beat_hz", "even_exposure_s", "moving_bands", "standing_bands"]


def even_exposure_s(mains_hz: int, rate_hz: float) -> tuple[int, int]:
    """Return the exposure, as a fraction, of whole pulses nearest to half a frame's length.

    >>> even_exposure_s(50, 24), even_exposure_s(60, 24), even_exposure_s(60, 60)
    ((1, 50), (1, 60), (1, 120))
    """
    pulses = max(1, round(mains_hz / rate_hz))
    top, bottom = pulses, 2 * mains_hz
    divisor = int(np.gcd(top, bottom))
    return top // divisor, bottom // divisor
