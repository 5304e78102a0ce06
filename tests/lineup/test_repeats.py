"""What fits elsewhere on the song to the sample, and what does not."""

import numpy as np
import pytest

from partsong.lineup import features, repeats
from partsong.lineup.features import RATE_HZ
from partsong.lineup.line import Line

SONG_S = 60.0


@pytest.fixture(scope="module")
def song(band):
    return band.part("pluck", SONG_S)


def test_flattening_keeps_phases_and_levels_all_frequencies(rng):
    # A click amid silence stays where it is; two tones of very different level come out alike.
    click = np.zeros(4 * RATE_HZ, np.float32)
    click[2 * RATE_HZ] = 1
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    tones = (np.sin(2 * np.pi * 500 * t) + 0.01 * np.sin(2 * np.pi * 1500 * t)).astype(np.float32)

    flat_click = repeats.flattened(features.hear(click), 0)
    spectrum = np.abs(np.fft.rfft(repeats.flattened(features.hear(tones), 0)[8000:24000]))

    assert np.argmax(np.abs(flat_click)) == 2 * repeats.FLAT_RATE_HZ
    # 16,000 samples at 8 kHz: half a hertz a bin. Within a factor of two of each other, having been 40 dB apart.
    assert 0.5 < spectrum[1000] / spectrum[3000] < 2


def test_a_copied_chorus_is_told(band, song):
    # The first 20 seconds once more at 40 s, to the sample.
    copied = song.copy()
    copied[40 * RATE_HZ :] = song[: 20 * RATE_HZ]
    reference = repeats.flattened(features.hear(copied), 0)
    first = features.hear(band.filmed(copied, 2.0, 15))
    again = features.hear(band.filmed(copied, 42.0, 15))
    between = features.hear(band.filmed(copied, 22.0, 15))
    late_s = 3 / 343.2

    # A place is told to the half millisecond in which peaks are sought.
    assert repeats.find_repeats(first, 0, reference, Line(2.0 - late_s)) == pytest.approx([40.0], abs=1e-3)
    assert repeats.find_repeats(again, 0, reference, Line(42.0 - late_s)) == pytest.approx([-40.0], abs=1e-3)
    assert repeats.find_repeats(between, 0, reference, Line(22.0 - late_s)) == ()
