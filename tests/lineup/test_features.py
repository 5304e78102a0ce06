"""What is heard of a clip: the same whatever its gain, blocks or faults."""

import io

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.lineup import features
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ


@pytest.fixture(scope="module")
def clip(band):
    return band.filmed(band.part("pluck", 12), 0, 12)


def test_an_onset_lies_where_the_sound_begins(rng):
    sound = np.zeros(4 * RATE_HZ, np.float32)
    sound[2 * RATE_HZ :] = rng.normal(size=2 * RATE_HZ) * 0.1

    onsets = features.hear(sound).voices[0].onsets.sum(axis=0)

    # The rise is taken over two frames of a 32 ms window: its peak lies within one such window of the truth.
    assert np.argmax(onsets) / ONSET_RATE_HZ == pytest.approx(2.0, abs=0.016)


def test_the_block_size_changes_nothing(clip):
    whole = features.envelopes([clip])
    pieces = features.envelopes(np.split(clip, [7, 1000, 1001, 50000, 123456]))

    # 1e-5: single precision sums in another order.
    np.testing.assert_allclose(pieces.onsets, whole.onsets, atol=1e-5)
    np.testing.assert_allclose(pieces.tones, whole.tones, atol=1e-5)
    np.testing.assert_array_equal(pieces.peaks, whole.peaks)


@pytest.mark.parametrize("gain", [0.001, 0.1, 30.0])
def test_gain_does_not_matter(clip, gain):
    plain, changed = features.hear(clip).voices[0], features.hear(clip * np.float32(gain)).voices[0]

    # 2e-3 of envelopes that reach 3: single precision logarithms of powers.
    np.testing.assert_allclose(changed.onsets, plain.onsets, atol=2e-3)
    assert changed.level_db - plain.level_db == pytest.approx(20 * np.log10(gain), abs=0.01)


def test_the_level_of_a_full_scale_sine():
    # Its mean power is one half: -3.01 dB below full scale. A tenth of a decibel: the skirts of the window.
    sine = np.sin(2 * np.pi * 1000 * np.arange(2 * RATE_HZ) / RATE_HZ).astype(np.float32)

    assert features.hear(sine).voices[0].level_db == pytest.approx(-3.01, abs=0.1)


def test_a_constant_offset_changes_no_onset(clip):
    plain, moved = features.hear(clip).voices[0], features.hear(clip + np.float32(0.3)).voices[0]
    inner = slice(120, -120)  # the offset itself begins and ends with the clip; half a second is levelled there

    np.testing.assert_allclose(moved.onsets[1:, inner], plain.onsets[1:, inner], atol=0.02)


def test_what_is_not_a_number_is_silence(clip):
    broken = clip.copy()
    broken[5000:5100] = np.nan
    broken[6000] = np.inf

    heard = features.hear(broken)

    assert np.isfinite(heard.voices[0].onsets).all()
    assert np.isfinite(heard.window(0, 4000, 4000)).all()


def test_silence_is_known_as_such():
    assert features.hear(np.zeros(RATE_HZ, np.float32)).voices[0].silent


def test_channels_with_one_sound_are_one_voice(clip, rng):
    noise = rng.normal(size=(len(clip), 2)).astype(np.float32) * 0.01 * np.abs(clip).max()
    upside_down = np.stack([clip, -clip], axis=1) + noise

    weights = features.hear(upside_down).weights

    # The second is turned over: a plain mean would leave nothing but noise.
    assert weights.tolist() in ([[0.5, -0.5]], [[-0.5, 0.5]])


def test_a_dead_channel_is_left_out_and_a_foreign_one_stands_alone(clip, rng):
    tone = 0.5 * np.sign(np.sin(np.arange(len(clip)) * 0.7)).astype(np.float32)
    dead = 1e-5 * rng.normal(size=len(clip)).astype(np.float32)

    heard = features.hear(np.stack([tone, dead, clip], axis=1))

    assert heard.weights.tolist() == [[1, 0, 0], [0, 0, 1]]


def test_stored_samples_keep_eleven_bits(clip):
    file = io.BytesIO()
    moments = features.store_samples([clip[:1000, None], clip[1000:, None]], file)

    stored = np.frombuffer(file.getvalue(), "<f2").astype(np.float32)

    assert moments.count == len(clip)
    # Half precision rounds to 11 bits: an error of at most one part in 2048 (2**-12 either way, with room).
    np.testing.assert_allclose(stored, clip, rtol=2**-11, atol=1e-7)


def test_a_window_beyond_the_clip_is_silent():
    heard = features.hear(np.ones(100, np.float32))

    assert heard.window(0, -5, 10).tolist() == [0] * 5 + [1] * 5
    assert not heard.window(0, 500, 10).any()


@pytest.mark.parametrize("sound", [np.zeros((0, 1)), np.zeros((3, 2, 2))])
def test_refuses_no_sound(sound):
    with pytest.raises(InvalidInput, match="no sound to hear"):
        features.hear(sound)


def test_refuses_an_empty_track():
    with pytest.raises(InvalidInput, match="empty"):
        features.store_samples([], io.BytesIO())
