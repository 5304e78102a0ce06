"""The search over the whole song, held to plain correlation."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.lineup import coarse, features
from partsong.lineup.features import ONSET_RATE_HZ, Envelopes


@given(n=st.integers(2, 40), m=st.integers(2, 40), seed=st.integers(0, 1000))
def test_correlation_agrees_with_numpy(n, m, seed):
    rng = np.random.default_rng(seed)
    clip, song = (rng.normal(size=(3, size)).astype(np.float32) for size in (n, m))

    first, found, overlap = coarse.normalised_correlation(clip, song)

    lags = np.arange(first, first + len(found))
    raw = np.sum([np.correlate(s, c, "full") for c, s in zip(clip, song, strict=True)], axis=0)
    for lag, value, length, plain in zip(lags, found, overlap, raw, strict=True):
        start, stop = max(0, -lag), min(n, m - lag)
        energy = np.sum(clip[:, start:stop] ** 2.0) * np.sum(song[:, start + lag : stop + lag] ** 2.0)
        assert length == stop - start
        # 1e-4: single-precision transforms, divided by the energy of short overlaps.
        assert value == pytest.approx(np.clip(plain / np.sqrt(energy), -1, 1), abs=1e-4)


def test_correlation_agrees_with_scipy():
    from scipy.signal import correlate

    rng = np.random.default_rng(9)
    clip, song = rng.normal(size=(1, 300)).astype(np.float32), rng.normal(size=(1, 1000)).astype(np.float32)
    song[0, 400:700] += 3 * clip[0]

    first, found, overlap = coarse.normalised_correlation(clip, song)
    whole = overlap == 300
    reference = correlate(song[0], clip[0], "valid")

    assert int(np.argmax(found[whole])) == 400 == int(np.argmax(reference))
    assert first + int(np.flatnonzero(whole)[0]) == 0
    # Dividing by the song's energy only rescales; the clip's is the same at all whole overlaps.
    energy = np.sqrt(np.sum(clip**2.0) * np.convolve(song[0].astype(float) ** 2, np.ones(300), "valid"))
    np.testing.assert_allclose(found[whole], reference / energy, atol=1e-5)


def test_twins_are_all_kept_and_the_true_one_leads(band):
    song = band.part("bells", 70)
    clip = band.filmed(song, 20, 20, distance_m=0.01)

    places = coarse.find_places(features.hear(clip).voices[0], [features.hear(song).voices[0]])

    assert 2 <= len(places) <= coarse.MOST_CANDIDATES
    assert places[0].lag_s == pytest.approx(20, abs=0.03)  # an onset answer, late by the room
    assert [place.z for place in places] == sorted((place.z for place in places), reverse=True)
    # The phrase of eight bars comes again 24 beats later: that twin is on the list.
    assert any(place.lag_s == pytest.approx(20 - 24 * 60 / 92, abs=0.05) for place in places)


def test_places_do_not_crowd(band):
    song = band.part("pluck", 40)
    places = coarse.find_places(features.hear(song[:160000]).voices[0], [features.hear(song).voices[0]])
    lags = sorted(place.lag_s for place in places)

    assert min(np.diff(lags)) >= coarse.APART_S - 1e-9


def test_silence_has_no_place():
    silent = features.hear(np.zeros(80000, np.float32)).voices[0]

    assert coarse.find_places(silent, [silent]) == ()


def long_clip(rng, minutes, song, at_s):
    """Return envelopes of noise in two bands with a song's laid in at a time of the clip."""
    frames = round(minutes * 60 * ONSET_RATE_HZ)
    onsets, tones = rng.normal(size=(2, frames)), rng.normal(size=(2, frames // 4))
    first = round(at_s * ONSET_RATE_HZ)
    onsets[:, first : first + song.onsets.shape[1]] += song.onsets
    tones[:, first // 4 : first // 4 + song.tones.shape[1]] += song.tones
    return Envelopes(onsets.astype(np.float16), tones.astype(np.float16), np.zeros(0, np.float32), -20.0)


@pytest.fixture
def song_of_two_bands(rng):
    frames = 90 * ONSET_RATE_HZ
    return Envelopes(
        rng.normal(size=(2, frames)).astype(np.float16),
        rng.normal(size=(2, frames // 4)).astype(np.float16),
        np.zeros(0, np.float32),
        -20.0,
    )


@pytest.mark.parametrize("at_s", [3.0, 590.0, 1700.0])
def test_a_song_is_found_anywhere_in_half_an_hour(rng, song_of_two_bands, at_s):
    # 590 s lies across the end of the first piece of ten minutes, 1700 s near the end of the clip.
    places = coarse.find_places(long_clip(rng, 30, song_of_two_bands, at_s), [song_of_two_bands])

    assert places[0].lag_s == pytest.approx(-at_s, abs=0.01)  # two frames of 5 ms
    assert places[0].log10_chance < -6
    assert all(abs(place.lag_s + at_s) >= coarse.APART_S for place in places[1:])


def test_searching_two_hours_takes_no_more_memory_than_twenty_minutes(rng, song_of_two_bands):
    grown = []
    for minutes in (20, 120):
        clip = long_clip(rng, minutes, song_of_two_bands, 600.0)
        tracemalloc.start()
        coarse.find_places(clip, [song_of_two_bands])
        grown.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()

    assert grown[1] < 1.1 * grown[0]  # a tenth: the lists of places
