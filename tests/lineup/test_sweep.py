"""The sweep over the whole song, where no window tells the place by itself."""

import numpy as np
import pytest

from partsong.lineup import features, sweep
from partsong.lineup.features import RATE_HZ
from partsong.lineup.line import Line

SONG_S = 60.0


@pytest.fixture(scope="module")
def song(band):
    return band.part("pluck", SONG_S)


@pytest.fixture(scope="module")
def flat(song):
    return sweep.flattened(features.hear(song), 0)


def test_flattening_keeps_phases_and_levels_all_frequencies(rng):
    # A click amid silence stays where it is; two tones of very different level come out alike.
    click = np.zeros(4 * RATE_HZ, np.float32)
    click[2 * RATE_HZ] = 1
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    tones = (np.sin(2 * np.pi * 500 * t) + 0.01 * np.sin(2 * np.pi * 1500 * t)).astype(np.float32)

    flat_click = sweep.flattened(features.hear(click), 0)
    spectrum = np.abs(np.fft.rfft(sweep.flattened(features.hear(tones), 0)[8000:24000]))

    assert np.argmax(np.abs(flat_click)) == 2 * sweep.FLAT_RATE_HZ
    # 16,000 samples at 8 kHz: half a hertz a bin. Within a factor of two of each other, having been 40 dB apart.
    assert 0.5 < spectrum[1000] / spectrum[3000] < 2


def test_a_faint_clip_is_found_with_its_drift(band, song, flat):
    # Noise 15 dB above the music: no single window of two seconds shows it.
    clip = features.hear(band.filmed(song, 11.3, 40, drift_ppm=80, snr_db=-15))

    best, second, *_ = sweep.sweep(sweep.flattened(clip, 0), flat)

    assert best.log10_chance < -4 < second.log10_chance
    # Steps of half a millisecond at 8 kHz; 20 ppm move its ends by 0.4 ms.
    assert best.line.song_s(20) == pytest.approx(11.3 - 3 / 343.2 + 20 * (1 + 80e-6), abs=1e-3)
    assert best.line.drift_ppm == pytest.approx(80, abs=20)


def test_another_song_stands_out_nowhere(band, flat):
    stranger = type(band)(band.seed + 100)
    clip = features.hear(stranger.filmed(stranger.part("pluck", 40), 2, 30))

    assert sweep.sweep(sweep.flattened(clip, 0), flat)[0].log10_chance > -2


def test_too_short_a_clip_is_not_swept(flat):
    assert sweep.sweep(np.ones(1000, np.float32), flat) == ()


def test_a_copied_chorus_is_told(band, song):
    # The first 20 seconds once more at 40 s, to the sample.
    copied = song.copy()
    copied[40 * RATE_HZ :] = song[: 20 * RATE_HZ]
    reference = sweep.flattened(features.hear(copied), 0)
    first = features.hear(band.filmed(copied, 2.0, 15))
    again = features.hear(band.filmed(copied, 42.0, 15))
    between = features.hear(band.filmed(copied, 22.0, 15))
    late_s = 3 / 343.2

    # A place is told to the half millisecond in which peaks are sought.
    assert sweep.repeats(first, 0, reference, Line(2.0 - late_s)) == pytest.approx([40.0], abs=1e-3)
    assert sweep.repeats(again, 0, reference, Line(42.0 - late_s)) == pytest.approx([-40.0], abs=1e-3)
    assert sweep.repeats(between, 0, reference, Line(22.0 - late_s)) == ()
