import numpy as np
import pytest
from scipy import optimize, signal

from partsong.demo import synth, tune
from partsong.signoff.loudness import measure


@pytest.fixture(scope="module")
def song():
    return tune.waltz(bars=10)


@pytest.fixture(scope="module")
def stems(song):
    return {part: synth.stem(song, part) for part in tune.PARTS}


def test_struck_bars_ring_in_the_modes_of_a_free_bar():
    # A bar with free ends: cos(x) cosh(x) = 1, frequencies as x squared (Fletcher and Rossing, "The Physics of Musical
    # Instruments"). Solved here; the module quotes three decimals.
    roots = [optimize.brentq(lambda x: np.cos(x) - 1 / np.cosh(x), low, low + 2) for low in (4, 7, 10, 13)]
    assert np.square(np.array(roots) / roots[0]) == pytest.approx(synth.BAR_MODES, abs=6e-4)


@pytest.mark.parametrize("pitch", [33, 38, 45])
def test_the_plucked_string_is_in_tune(pitch):
    # A4 = 440 Hz (ISO 16:1975), equal temperament.
    wanted_hz = 440 * 2 ** ((pitch - 69) / 12)
    heard = synth._bass(tune.Note(0.0, 2.3, pitch, 0.8), np.random.default_rng(0))[6000:]
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard)), 1 << 19))
    hz = np.fft.rfftfreq(1 << 19, 1 / synth.RATE_HZ)
    around = (hz > 4 * wanted_hz * 0.97) & (hz < 4 * wanted_hz * 1.03)  # the fourth partial, clear of the body
    cents = 1200 * np.log2(hz[around][spectrum[around].argmax()] / (4 * wanted_hz))
    assert abs(cents) < 4  # about the least difference that a trained ear tells (common practice, no source)


@pytest.mark.parametrize("part", tune.PARTS)
def test_each_onset_is_heard_within_ten_milliseconds(part, song, stems):
    bright = signal.sosfilt(signal.butter(2, 2000, "high", fs=synth.RATE_HZ, output="sos"), stems[part])

    def rises_db(times_s):
        found = []
        for at_s in times_s:
            n = round(at_s * synth.RATE_HZ)
            before, after = ((bright[a : a + 480] ** 2).mean() + 1e-10 for a in (n - 480, n))
            found.append(10 * np.log10(after / before))
        return np.array(found)

    onsets = np.array(song.onsets_s(part))
    between = onsets[:-1] + 0.5 * np.diff(onsets)
    # 3 dB is a doubling of energy. A few notes are covered by what still rings.
    assert (rises_db(onsets) > 3).mean() > 0.9
    assert (rises_db(between) > 3).mean() < 0.1


def test_stems_and_mix_share_one_time_line(song, stems):
    both, scaled = synth.mix(stems, loudness=lambda sound: measure([sound]).integrated_lufs)
    dry = sum(scaled.values()).astype(np.float64)
    heard = both.mean(axis=1).astype(np.float64)

    assert {len(stem) for stem in scaled.values()} == {len(both)} == {round(song.length_s * 48000)}
    lags = signal.correlation_lags(len(heard), len(dry))
    assert lags[signal.correlate(heard, dry).argmax()] == 0


def test_the_mix_has_the_loudness_and_the_room_above_it(stems):
    both, _ = synth.mix(stems, loudness=lambda sound: measure([sound]).integrated_lufs)
    found = measure([both])
    # The peaks that are rounded off carry almost no loudness.
    assert found.integrated_lufs == pytest.approx(-16, abs=0.3)
    assert found.true_peak_dbtp < -1


def test_the_same_seed_plays_the_same_samples(song):
    assert np.array_equal(synth.stem(song, "melodica", seed=5), synth.stem(song, "melodica", seed=5))
    assert not np.array_equal(synth.stem(song, "melodica", seed=5), synth.stem(song, "melodica", seed=6))
