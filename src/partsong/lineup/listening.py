"""Song on the left, camera sound on the right: the check that a person makes by ear."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from partsong.lineup.line import Line
from partsong.media.resample import read_between


def media_range_s(sound_line: Line, from_s: float, length_s: float) -> tuple[float, float]:
    """Return from when to when (seconds of the take) a stretch of the song is heard in a take."""
    rate = 1 + sound_line.drift_ppm * 1e-6
    first_s = (from_s - sound_line.start_s) / rate
    return first_s, first_s + length_s / rate


def side_by_side(
    song: NDArray[np.float32],
    scratch: NDArray[np.float32],
    scratch_from_s: float,
    sound_line: Line,
    from_s: float,
    rate_hz: int,
) -> NDArray[np.float32]:
    """Return the song on the left and a take's own sound, moved and stretched onto it, on the right.

    Parameters
    ----------
    song : ndarray, shape (n,)
        The song from ``from_s`` on.
    scratch : ndarray, shape (m,)
        The take's sound from ``scratch_from_s`` on.
    scratch_from_s : float
        Media time of the first scratch sample, in seconds.
    sound_line : Line
        Where the take's *sound* lies: the arrival delay is in it, so that what belongs together sounds together.
    from_s : float
        Song time of the first sample, in seconds.
    rate_hz : int
        Samples a second of both.

    Returns
    -------
    ndarray, shape (n, 2)
    """
    song_s = from_s + np.arange(len(song)) / rate_hz
    media_s = (song_s - sound_line.start_s) / (1 + sound_line.drift_ppm * 1e-6)
    return np.stack([song, read_between(scratch, (media_s - scratch_from_s) * rate_hz)], axis=1)
