"""The straight line that carries a clip's clock onto the song, and how to fit one through doubtful points.

**Conventions.** Song time is ``start_s + media_s * (1 + drift_ppm * 1e-6)``, where ``media_s`` counts from the
clip's first moment on the clip's own clock. The *slip* of a moment is its song time less its media time: the line seen
flat, so that a few parts in a million keep their digits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from partsong.errors import InvalidInput
from partsong.render.robust import MAD_TO_SIGMA

USUAL_DRIFT_PPM = 50.0
"""How far camera clocks usually stray, as a standard deviation: common practice, no source. Crystals are sold as
accurate to 20 to 100 parts in a million."""


@dataclass(frozen=True, slots=True)
class Line:
    """Where a clip starts on the song and how its clock runs. ``drift_ppm`` > 0: the clip's clock is slow.

    >>> Line(2.0, 100.0).song_s(10.0)
    12.001
    """

    start_s: float
    drift_ppm: float = 0.0

    def slip_s(self, media_s: ArrayLike) -> NDArray[np.float64]:
        """Return song time less media time at media times."""
        return self.start_s + np.asarray(media_s, np.float64) * (self.drift_ppm * 1e-6)

    def song_s(self, media_s: float) -> float:
        """Return the song time of a media time."""
        return self.start_s + media_s * (1 + self.drift_ppm * 1e-6)


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted line and the median distance of the points from it, in milliseconds."""

    line: Line
    spread_ms: float


def fit_line(media_s: ArrayLike, slip_s: ArrayLike, *, usual_ppm: float | None = USUAL_DRIFT_PPM) -> Fit:
    """Fit the line through moments of a clip and their slips, of which a good part may be wrong.

    The slope is the median over all pairs (Theil-Sen), so up to 29 % of the points may be wrong without carrying the
    answer away. A short clip cannot tell drift from scatter: the slope is drawn towards zero by as much as its own
    uncertainty exceeds ``usual_ppm`` (a ridge; None leaves the slope as it is). The line passes the points in the
    median.

    Parameters
    ----------
    media_s, slip_s : array_like, shape (n,), n >= 1
        Seconds.
    usual_ppm : float, optional
        Standard deviation of camera clocks' drift.

    Raises
    ------
    InvalidInput
        If the shapes differ, there is no point, or a value is not finite.

    References
    ----------
    Sen (1968), J. Am. Stat. Assoc. 63, 1379-1389, for the slope.

    Examples
    --------
    >>> fit_line([0, 100, 200], [2, 2.001, 2.002], usual_ppm=None).line
    Line(start_s=2.0, drift_ppm=10.0)
    """
    media, slip = np.asarray(media_s, np.float64), np.asarray(slip_s, np.float64)
    if media.shape != slip.shape or media.ndim != 1 or media.size == 0:
        raise InvalidInput(f"A line needs as many slips as moments, at least one; got {media.shape} and {slip.shape}.")
    if not (np.isfinite(media).all() and np.isfinite(slip).all()):
        raise InvalidInput("A line cannot pass through times that are not finite.")
    one, other = np.triu_indices(media.size, 1)
    apart = media[other] - media[one]
    distinct = apart != 0
    slope = float(np.median((slip[other] - slip[one])[distinct] / apart[distinct])) if distinct.any() else 0.0
    if usual_ppm is not None:
        slope *= _trust(media, slip - slope * media, usual_ppm * 1e-6)
    start = float(np.median(slip - slope * media))
    spread = float(np.median(np.abs(slip - start - slope * media)))
    return Fit(Line(start, round(slope * 1e6, 9)), 1e3 * spread)


def _trust(media: NDArray[np.float64], rest: NDArray[np.float64], usual: float) -> float:
    # Textbook weight of a measured mean against a prior one: usual^2 / (usual^2 + variance of the slope).
    # The scatter is at least a tenth of a millisecond: three points on a line by chance prove nothing.
    scatter = max(MAD_TO_SIGMA * float(np.median(np.abs(rest - np.median(rest)))), 1e-4)
    reach = float(np.sum((media - media.mean()) ** 2))
    if reach == 0:
        return 0.0
    return usual**2 / (usual**2 + scatter**2 / reach)
