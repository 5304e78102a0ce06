"""A clock read from note starts alone, and when it is not."""

import numpy as np
import pytest

from partsong.lineup.features import ONSET_BANDS, ONSET_RATE_HZ, Envelopes
from partsong.lineup.pace import pace


def onsets(starts_s, length_s):
    """Return envelopes whose onsets rise and fall over 30 ms around each start, as a window of 32 ms makes them."""
    at_s = np.arange(round(length_s * ONSET_RATE_HZ)) / ONSET_RATE_HZ
    row = np.zeros(len(at_s), np.float32)
    for start_s in starts_s:
        row += np.maximum(1 - np.abs(at_s - start_s) / 0.03, 0)
    rows = np.repeat((row - row.mean())[None], ONSET_BANDS, axis=0)
    return Envelopes(rows, np.zeros((60, len(at_s) // 4), np.float32), np.zeros(len(at_s) // 4, np.float32), -20.0)


def played(rng, length_s):
    return np.cumsum(rng.choice([0.2, 0.3, 0.45, 0.6], size=round(length_s / 0.35)))


@pytest.mark.parametrize("drift_ppm", [-90.0, 30.0])
def test_two_minutes_of_loosely_played_notes_tell_the_clock(rng, drift_ppm):
    starts_s = played(rng, 160)
    heard_s = (starts_s - 12.3) / (1 + drift_ppm * 1e-6) + rng.normal(0, 0.003, size=len(starts_s))
    middle_slip_s = 12.3 + 65 * drift_ppm * 1e-6

    found = pace(onsets(heard_s, 130), onsets(starts_s, 160), middle_slip_s)

    # 370 notes 3 ms loose over 130 s tell the slope to 4 ppm (one standard error); twice that, and the ridge's 2 %.
    assert found == pytest.approx(drift_ppm, abs=10)


def test_half_a_minute_tells_nothing(rng):
    starts_s = played(rng, 60)

    assert (
        pace(onsets(starts_s - 10 + rng.normal(0, 0.003, size=len(starts_s)), 30), onsets(starts_s, 60), 10.0) is None
    )


def test_other_notes_tell_nothing(rng):
    assert pace(onsets(played(rng, 130), 130), onsets(played(rng, 160), 160), 12.3) is None
