"""The phase transform, held to its formula, to plain correlation and to delays that we made."""

import numpy as np
import pytest

from partsong.lineup import features, fine
from partsong.lineup.features import RATE_HZ
from partsong.lineup.line import Line


def reference_phase_transform(x, y, reach):
    """Knapp and Carter (1976): inverse transform of the cross-spectrum over its modulus, here in double precision."""
    n = len(x)
    shape = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    cross = np.conj(np.fft.rfft((x - x.mean()) * shape)) * np.fft.rfft((y - y.mean()) * shape)
    hertz = np.arange(n // 2 + 1) * RATE_HZ / n
    phase = np.where((hertz >= 80) & (hertz < 7000), cross / np.abs(cross), 0)
    lags = np.fft.irfft(phase, n)
    return np.concatenate([lags[-reach:], lags[: reach + 1]])


def test_phase_transform_agrees_with_numpy(rng):
    x = rng.normal(size=4096).astype(np.float32)
    y = np.roll(x, 100) + 0.5 * rng.normal(size=4096).astype(np.float32)

    (row,) = fine.phase_transform(x, y, 300)
    reference = reference_phase_transform(x.astype(float), y.astype(float), 300)

    assert np.argmax(row) - 300 == 100
    # Ours is in units of its scatter; 1e-3 of its peak is single precision over 4096 points.
    np.testing.assert_allclose(row / row.max(), reference / reference.max(), atol=1e-3)


def test_phase_transform_peaks_where_plain_correlation_does(rng):
    from scipy.signal import correlate, correlation_lags

    x = rng.normal(size=8192).astype(np.float32)
    y = np.concatenate([np.zeros(57, np.float32), x])[:8192]

    lags = correlation_lags(8192, 8192)
    plain = lags[np.argmax(correlate(y, x))]

    assert np.argmax(fine.phase_transform(x, y, 200)) - 200 == plain == 57


def test_a_delay_of_37_and_a_half_samples(band):
    # The camera hears the song 37.5 samples of 16 kHz after its own start: 2.34375 ms.
    song = band.part("pluck", 12)
    clip = band.filmed(song, 37.5 / RATE_HZ, 10, distance_m=1e-6, reverb_s=0.01, direct_db=40, snr_db=40)
    heard, reference = features.hear(clip), features.hear(song)
    around = Line(0.0)

    found = fine.phase_line(heard, 0, reference, 0, around, fine.windows_of(heard, reference, around, 16))

    # A twentieth of a sample (3 microseconds): the parabola through three points of a band-limited peak.
    assert found.fit.line.start_s * RATE_HZ == pytest.approx(37.5, abs=0.05)
    assert found.agreed == found.tried


def test_drift_of_60_ppm_over_three_minutes(band):
    song = band.part("pluck", 180)
    clip = band.filmed(song, 0.01, 175, drift_ppm=60, distance_m=1e-6)
    heard, reference = features.hear(clip), features.hear(song)

    found = fine.phase_line(heard, 0, reference, 0, Line(0.0), fine.windows_of(heard, reference, Line(0.0), 48))

    # Half a ppm is 90 microseconds over the clip, one and a half samples.
    assert found.fit.line.drift_ppm == pytest.approx(60, abs=0.5)
    assert found.fit.line.start_s == pytest.approx(0.01, abs=1e-4)


def test_a_microphone_wired_upside_down(band):
    song = band.part("pluck", 20)
    clip = -band.filmed(song, 0.02, 18, distance_m=1e-6)
    heard, reference = features.hear(clip), features.hear(song)

    found = fine.phase_line(heard, 0, reference, 0, Line(0.0), fine.windows_of(heard, reference, Line(0.0), 16))

    assert found.fit.line.start_s == pytest.approx(0.02, abs=1e-4)


def test_the_direct_sound_counts_not_a_louder_reflection(band):
    # A wall behind the player throws back more than the camera hears directly, 9 ms later. In the transform of two
    # paths a and 1 the direct one stands at about J1(a) / J0(a) of the other: half of it for 0.9.
    song = band.part("drum", 30)
    later = np.zeros_like(song)
    later[round(0.009 * RATE_HZ) :] = song[: -round(0.009 * RATE_HZ)]
    room = 0.9 * song + later
    clip = band.filmed(room.astype(np.float32), 0.0, 28, distance_m=1e-6, reverb_s=0.01, direct_db=40)
    heard, reference = features.hear(clip), features.hear(song)

    found = fine.phase_line(heard, 0, reference, 0, Line(0.0), fine.windows_of(heard, reference, Line(0.0), 16))

    # A quarter of a millisecond: the reflection, 9 ms away, is what must not be taken.
    assert found.fit.line.start_s == pytest.approx(0.0, abs=2.5e-4)


@pytest.mark.parametrize("at", [960, 964, 967])
def test_the_line_lies_where_most_windows_are_highest(rng, at):
    # As a cello in a small room read: the direct sound one sample wide, a reflection of two, 2.6 ms after it.
    rows, centres_s = rng.normal(size=(30, 1921)).astype(np.float32), np.linspace(0, 90, 30)
    moved = np.round(-34e-6 * centres_s * RATE_HZ).astype(int)
    for row, by in zip(rows, moved, strict=True):
        row[at + by] = 60
        row[[at + by - 41, at + by - 40]] = 50

    found = fine._line_through(rows, centres_s, np.full(30, 0.25), 960)

    assert found.agreed == 30
    # 0.01 ms: each is in a whole sample.
    assert found.fit.line.slip_s(45.0) == pytest.approx(0.25 + (at - 960) / RATE_HZ - 45 * 34e-6, abs=1e-5)


def test_few_windows_move_no_line():
    # Windows in which nothing agrees move no line.
    assert fine._aside(np.array([300.0, -2.0, 150.0, 0.0, 900.0, 5.0, 901.0, 902.0, 903.0]), 24) == 0
    assert fine._aside(np.array([41.0, -2.0, 42.0, 0.0, 41.5]), 24) == 41.5


def test_a_held_note_is_not_taken_for_an_earlier_arrival(rng):
    # Eight partials of 100 Hz with vibrato: the correlation repeats every 10 ms on both sides of the truth.
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    phase = 2 * np.pi * (100 * t + 0.4 * np.sin(2 * np.pi * 0.7 * t))
    song = sum(np.sin(k * phase + rng.uniform(0, 6)) / k for k in range(1, 60)).astype(np.float32)
    song += 0.02 * rng.normal(size=len(t)).astype(np.float32)
    heard, reference = features.hear(song[800:]), features.hear(song)

    found = fine.phase_line(heard, 0, reference, 0, Line(0.04), fine.windows_of(heard, reference, Line(0.04), 16))

    assert found.fit.line.start_s == pytest.approx(0.05, abs=2e-4)


@pytest.fixture(scope="module")
def hall(band):
    """Return a song's part, and 30 s of it heard in a hall from 8 m, in noise 2 dB above it: from 20.37 s on."""
    song = band.part("pluck", 75)
    how = {"drift_ppm": -60, "distance_m": 8.0, "reverb_s": 1.5, "direct_db": -12, "snr_db": -2}
    return features.hear(band.filmed(song, 20.37, 30, **how)), features.hear(song), 20.37 - 8 / 343.2


def responded(clip, reference, around, most=40, *, mixed=False, **known):
    windows = fine.windows_of(clip, reference, around, most, dense=True)
    return fine.response(clip, 0, reference, 0, around, windows, mixed=mixed, **known)


def test_the_response_of_a_hall_begins_with_the_direct_sound(hall):
    clip, reference, truth_s = hall

    found = responded(clip, reference, Line(truth_s - 0.03))

    # The direct sound is 12 dB below what is thrown back, the first of which comes 4 ms later.
    assert found.fit.line.song_s(15) == pytest.approx(truth_s + 15 * (1 - 60e-6), abs=0.004)
    # Over 28 s a sample at the ends of the line is 4 ppm.
    assert found.fit.line.drift_ppm == pytest.approx(-60, abs=10)
    assert found.settled


def under_reverberation(band, rng, level_db, *, distance_m, direct_db):
    """Return a clip of a part, a mix that holds it with a second of reverberation, and where the clip truly begins.

    It stands before the direct sound, as the room's does after it: both answer the dry part.
    """
    from scipy.signal import fftconvolve

    song, t = band.part("pluck", 40), np.arange(RATE_HZ) / RATE_HZ
    tail = rng.normal(size=len(t)) * 10 ** (-3 * t)
    tail *= 10 ** (level_db / 20) / np.sqrt(np.sum(tail**2))
    mix = features.hear((0.5 * (song + fftconvolve(song, tail)[: len(song)])).astype(np.float32))
    clip = features.hear(band.filmed(song, 6.2, 30, distance_m=distance_m, reverb_s=0.3, direct_db=direct_db))
    return clip, mix, 6.2 - distance_m / 343.2


def test_a_mix_s_own_reverberation_is_not_taken_for_the_direct_sound(band, rng):
    clip, mix, truth_s = under_reverberation(band, rng, -8, distance_m=2.0, direct_db=0)

    as_a_mix, as_a_stem = (responded(clip, mix, Line(truth_s), mixed=mixed) for mixed in (True, False))

    assert as_a_stem.fit.line.song_s(15) > truth_s + 15 + 0.01
    assert as_a_mix.fit.line.song_s(15) == pytest.approx(truth_s + 15, abs=0.008)
    # What the evidence says of the hundredths of a second before is no doubt about where the direct sound is.
    assert as_a_mix.right > 0.9
    assert as_a_mix.deviation_ms < 12


def test_a_direct_sound_that_comes_at_once_is_told_from_a_louder_reverberation(band, rng):
    clip, mix, truth_s = under_reverberation(band, rng, -6, distance_m=1.0, direct_db=6)

    found = responded(clip, mix, Line(truth_s), mixed=True)

    # By the share of 0198 alone it lies 30 ms off.
    assert found.fit.line.song_s(15) == pytest.approx(truth_s + 15, abs=0.001)
    assert found.right > 0.99
    assert found.deviation_ms < 2


def test_what_is_heard_outweighs_what_was_known_before(hall):
    clip, reference, truth_s = hall

    found = responded(clip, reference, Line(truth_s - 0.03), known_s=0.01)

    assert found.fit.line.song_s(15) == pytest.approx(truth_s + 15 * (1 - 60e-6), abs=0.004)
    assert found.deviation_ms < 4
    assert found.right > 0.99


def test_where_nothing_is_heard_a_line_stays_what_it_was_known_to_be(hall, rng):
    from scipy.stats import norm

    clip, _, _ = hall
    other = features.hear(rng.normal(size=75 * RATE_HZ).astype(np.float32))

    for known_s in (0.004, 0.02):
        found = responded(clip, other, Line(20.0), known_s=known_s)

        assert abs(found.fit.line.song_s(15) - 35) < 2.5 * known_s
        assert found.deviation_ms == pytest.approx(1e3 * known_s, rel=0.6)
        # Within 20 ms of a normal law's middle; a little less from where noise put it.
        assert found.right == pytest.approx(2 * norm.cdf(0.02 / known_s) - 1, abs=0.2)


@pytest.mark.parametrize(("highest", "share", "expected_ms"), [
    (60.0, 0.85, 0.0),
    (6000.0, 0.85, 0.0),  # as of a low tone that a small room swells
    (6000.0, 0.3, -25.0),
])  # fmt: skip
def test_how_much_is_heard_does_not_count_without_end(hall, monkeypatch, highest, share, expected_ms):
    clip, reference, truth_s = hall

    def evidence(totals, widths, cell):  # two instants, the later one known before
        found, reach = np.zeros(totals.shape[1] // cell), totals.shape[1] // 2
        found[reach // cell] = share * highest
        found[(reach - RATE_HZ // 40) // cell] = highest
        return found

    monkeypatch.setattr(fine, "_evidence", evidence)

    found = responded(clip, reference, Line(truth_s), known_s=0.004)

    assert 1e3 * float(found.fit.line.slip_s(15) - truth_s) == pytest.approx(expected_ms, abs=1)
    assert found.right > 0.99


def test_only_the_right_place_shows_a_response(hall):
    clip, reference, truth_s = hall

    right = responded(clip, reference, Line(truth_s)).evidence
    # Whole bars of four beats at 92 a minute: the same beats, and often the same notes.
    others = [responded(clip, reference, Line(truth_s + bars * 4 * 60 / 92)).evidence for bars in (-4, -2, -1, 1, 2, 4)]

    assert right > 5 * max(*others, 10)


def test_evidence_is_the_likelihood_ratio_of_two_normal_laws(rng):
    from scipy.stats import norm

    at, length = 3000, round(0.1 * RATE_HZ)
    totals = rng.normal(size=(5, 6401)) * np.array([[1], [1.2], [1], [3], [1]])  # two bands hold something
    t = np.arange(length) / RATE_HZ
    after = totals[:, at - np.arange(length)]  # what arrives later reads as a smaller slip

    def ratio(band, decay_s, strength):
        held = strength * np.exp(-t / decay_s)
        return np.sum(norm.logpdf(after[band], scale=np.sqrt(1 + held)) - norm.logpdf(after[band]))

    shares = np.array([220, 400, 800, 1800, 3700]) / 8000  # of all frequencies
    expected = max(
        sum(
            share * max(0.0, *(ratio(band, decay_s, strength) for strength in (0.03, 0.2, 1.5, 15.0, 300.0)))
            for band, share in enumerate(shares)
        )
        for decay_s in (0.003, 0.02, 0.07)
    )

    assert expected > 100
    # 1e-4: single precision over sums of a thousand and more.
    assert fine._evidence(totals, shares, 1)[at] == pytest.approx(expected, rel=1e-4)
    # Cells of half a millisecond, against decays of 3 ms and more.
    assert fine._evidence(totals, shares, 8)[at // 8] == pytest.approx(expected, rel=0.02)


def test_a_part_is_found_in_the_one_band_in_which_it_is_heard(rng):
    from scipy.signal import butter, fftconvolve, sosfiltfilt

    def low(sound):
        return sosfiltfilt(butter(4, 250, fs=RATE_HZ, output="sos"), sound)

    bass, rest, noise = rng.normal(size=(3, 30 * RATE_HZ))
    song = features.hear((low(bass) + 0.3 * rest).astype(np.float32))
    # The camera hears the bass alone, in a hall and in six times as much noise, from 0.5 s of the song on.
    hall = rng.normal(size=RATE_HZ) * 10 ** (-3 * np.arange(RATE_HZ) / RATE_HZ / 1.2)
    hall[0] = 15
    far = fftconvolve(low(bass), hall)[RATE_HZ // 2 : 20 * RATE_HZ]
    clip = features.hear((far / far.std() + 6 * noise[: len(far)]).astype(np.float32))

    here, there = (responded(clip, song, Line(near_s), mixed=True) for near_s in (0.52, 5.0))

    assert here.fit.line.start_s == pytest.approx(0.5, abs=0.01)  # 250 Hz tell no finer
    assert here.settled
    assert here.evidence > 5 * max(there.evidence, 10)


def test_chance_agrees_with_the_binomial_law():
    from scipy.stats import binom

    for agreed, tried, each in ((1, 5, 0.01), (4, 20, 0.004), (20, 20, 0.1), (3, 64, 0.02)):
        expected = np.log10(binom.sf(agreed - 1, tried, each))
        # 1e-9: log-gamma against an incomplete beta function.
        assert fine.log10_chance(agreed, tried, each, 1) == pytest.approx(expected, abs=1e-9)
    assert fine.log10_chance(0, 10, 0.1, 100) == 0.0


def test_noise_agrees_by_chance_only(rng):
    heard, reference = (features.hear(rng.normal(size=40 * RATE_HZ).astype(np.float32)) for _ in range(2))

    found = fine.phase_line(heard, 0, reference, 0, Line(0.0), fine.windows_of(heard, reference, Line(0.0), 20))

    assert found.log10_chance > -2


def test_the_onset_line_finds_the_drift(band):
    song = band.part("drum", 110)
    clip = band.filmed(song, 3.0, 100, drift_ppm=120, distance_m=1e-6)
    heard, reference = features.hear(clip).voices[0], features.hear(song).voices[0]

    found = fine.onset_line(heard, [reference], 3.0)

    # Frames of 5 ms on lines that are tried in steps of one frame at the ends.
    assert found.line.song_s(50) == pytest.approx(3 + 50 * (1 + 120e-6), abs=0.006)
    assert found.line.drift_ppm == pytest.approx(120, abs=60)
    assert np.nanmean(found.blocks) > 0.3


def test_too_little_sound_gives_no_line():
    heard = features.hear(np.zeros(RATE_HZ, np.float32))

    assert fine.phase_line(heard, 0, heard, 0, Line(0.0), fine.windows_of(heard, heard, Line(0.0), 8)) is None
    assert responded(heard, heard, Line(0.0)) is None
    assert fine.windows_of(heard, heard, Line(50.0), 8).starts.size == 0
