"""Song left, camera sound right."""

import numpy as np
import pytest

from partsong.lineup.line import Line
from partsong.lineup.listening import media_range_s, side_by_side

RATE_HZ = 48000


def test_both_sides_sound_together():
    # A take whose clock is 80 ppm slow and whose sound starts 2.5 s into the song.
    line = Line(2.5, 80.0)

    def song_at(song_s):
        return np.sin(2 * np.pi * 440 * song_s) * (song_s > 0)

    media_s = np.arange(20 * RATE_HZ) / RATE_HZ
    take = song_at(line.start_s + media_s * (1 + 80e-6)).astype(np.float32)
    first_s, stop_s = media_range_s(line, 10.0, 5.0)
    scratch_from = int(first_s * 10) / 10
    scratch = take[round(scratch_from * RATE_HZ) : round(stop_s * RATE_HZ) + 500]
    song = song_at(10.0 + np.arange(5 * RATE_HZ) / RATE_HZ).astype(np.float32)

    pair = side_by_side(song, scratch, scratch_from, line, 10.0, RATE_HZ)

    assert pair.shape == (5 * RATE_HZ, 2)
    # 2e-5: sums of single precision; between samples is read to -100 dB.
    np.testing.assert_allclose(pair[100:-100, 1], pair[100:-100, 0], atol=2e-5)


def test_the_range_of_a_take():
    assert media_range_s(Line(-2.0), 3.0, 4.0) == pytest.approx((5.0, 9.0))
