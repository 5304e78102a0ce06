"""Sound that no one would wish for: an answer or one clear sentence, and nothing that is wrong and sure."""

import tracemalloc

import numpy as np
import pytest

from partsong.lineup import features
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, TONE_RATE_HZ, Envelopes, Heard
from partsong.lineup.locate import Reference, locate

SONG_S = 45.0
LATE_S = 3 / 343.2


@pytest.fixture(scope="module")
def song(band):
    return band.part("pluck", SONG_S)


@pytest.fixture(scope="module")
def reference(song):
    return Reference("the mix", features.hear(song))


@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(10 * RATE_HZ, np.float32),
        np.full(10 * RATE_HZ, 0.7, np.float32),
        np.full(10 * RATE_HZ, np.nan, np.float32),
        np.full(10 * RATE_HZ, 1e30, np.float32),
        np.zeros(1, np.float32),
        np.sign(np.sin(2 * np.pi * 440 * np.arange(10 * RATE_HZ) / RATE_HZ)).astype(np.float32),
    ],
    ids=["silence", "an offset alone", "nothing but NaN", "absurd values", "one sample", "a square wave"],
)
def test_what_holds_no_music_is_not_placed(reference, sound):
    found = locate(features.hear(sound), [reference])

    assert found.confidence == "none"
    assert found.reason


@pytest.mark.parametrize(
    "spoil",
    [
        lambda clip, rng: np.sign(clip).astype(np.float32),
        lambda clip, rng: (clip + 5.0).astype(np.float32),
        lambda clip, rng: np.where(rng.random(len(clip)) < 0.001, np.inf, clip).astype(np.float32),
        lambda clip, rng: np.where((np.arange(len(clip)) // RATE_HZ) % 5 == 2, np.nan, clip).astype(np.float32),
    ],
    ids=["clipped to square", "a large offset", "infinite samples", "every fifth second missing"],
)
def test_spoilt_clips_are_right_or_not_placed(band, song, reference, rng, spoil):
    clip = spoil(band.filmed(song, 10.0, 20), rng)

    found = locate(features.hear(clip), [reference])

    if found.confidence in ("sure", "likely"):
        # A millisecond: the sound itself, less what was spoilt. 20: what may be off where no window tells by itself.
        assert found.line.start_s == pytest.approx(10.0 - LATE_S, abs=1e-3 if found.alone else 0.02)
        assert found.alone or found.confidence == "likely"
    else:
        assert found.reason


@pytest.mark.parametrize("channels", [1, 2, 5, 8])
def test_three_seconds_on_any_number_of_channels(band, song, reference, rng, channels):
    clip = band.filmed(song, 20.0, 3)
    sound = 1e-4 * rng.normal(size=(len(clip), channels))
    sound[:, channels // 2] += clip

    found = locate(features.hear(sound.astype(np.float32)), [reference])

    assert found.confidence != "none"
    assert min(abs(place.line.start_s - 20.0 + LATE_S) for place in found.possible) < 0.02


def test_two_hours_with_the_song_somewhere_in_them(song, reference, tmp_path):
    # At the level of envelopes: a camera that ran for two hours, quiet but for the song, from 1:23:20 on.
    length_s, at_s = 7200, 5000
    known = reference.heard.voices[0]
    samples = np.memmap(tmp_path / "long.f16", np.float16, "w+", shape=(length_s * RATE_HZ, 1))
    samples[at_s * RATE_HZ : at_s * RATE_HZ + len(song), 0] = song
    onsets = np.zeros((known.onsets.shape[0], length_s * ONSET_RATE_HZ), np.float16)
    tones = np.zeros((known.tones.shape[0], length_s * TONE_RATE_HZ), np.float16)
    for whole, part, rate_hz in ((onsets, known.onsets, ONSET_RATE_HZ), (tones, known.tones, TONE_RATE_HZ)):
        whole[:, at_s * rate_hz : at_s * rate_hz + part.shape[1]] = part
    peaks = np.zeros(length_s * TONE_RATE_HZ, np.float32)
    clip = Heard(samples, np.ones((1, 1), np.float32), (Envelopes(onsets, tones, peaks, known.level_db),))

    tracemalloc.start()
    found = locate(clip, [reference])
    grown = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert found.confidence == "sure"
    assert found.line.start_s == pytest.approx(-at_s, abs=1e-3)
    # Some rows of 1.5 million lags each; the envelopes themselves take 100 MB.
    assert grown < 250 * 2**20
