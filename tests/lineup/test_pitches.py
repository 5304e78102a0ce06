"""Notes of a mix heard by their shape."""

import numpy as np
import pytest

from partsong.lineup import features, pitches, strokes
from partsong.lineup.features import RATE_HZ
from partsong.lineup.pitches import LOWEST, PITCHES, all_pitch_starts, pitch_starts
from partsong.lineup.spectra import spectra


def tone(pitch, length_s, attack_s, partials=6):
    """Return a tone that rises for ``attack_s`` and stays."""
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    hz = 440 * 2 ** ((pitch - 69) / 12)
    sound = sum(np.sin(2 * np.pi * hz * n * t + n) / n for n in range(1, partials + 1))
    return sound * np.minimum(t / attack_s, 1) * np.minimum((length_s - t) / 0.03, 1)


def heard(sound):
    return np.concatenate(list(pitch_starts(features.hear(sound.astype(np.float32)))), axis=1)


@pytest.fixture(scope="module")
def slow_over_drums():
    """Return slow tones of one octave over a drum that strikes elsewhere, and the tones' starts and pitches."""
    rng = np.random.default_rng(3)
    sound = 0.001 * rng.normal(size=30 * RATE_HZ)
    notes = [(at_s, int(rng.integers(60, 72))) for at_s in np.arange(1.0, 28.0, 0.73)]
    for at_s, pitch in notes:
        first = round(at_s * RATE_HZ)
        one = 0.2 * tone(pitch, 0.7, 0.04)
        sound[first : first + len(one)] += one
    for at_s in np.arange(0.6, 29.0, 0.5):
        first = round(at_s * RATE_HZ)
        sound[first : first + 1600] += 0.3 * rng.normal(size=1600) * np.exp(-np.arange(1600) / 300)
    return sound, notes


def test_slow_tones_are_heard_at_their_pitch_and_drums_are_not(slow_over_drums):
    sound, notes = slow_over_drums

    told = heard(sound)

    assert told.shape == (PITCHES, 30 * 200 + 1)
    assert ((told >= 0) & (told <= 1)).all()
    found = 0
    for at_s, pitch in notes:
        near = told[:, round(200 * at_s) - 4 : round(200 * at_s) + 12].max(axis=1)
        found += int(np.argmax(near)) == pitch - LOWEST and near.max() > 0.3
    assert found >= 5 / 6 * len(notes)
    at = np.array([round(200 * at_s) for at_s, _ in notes])
    away = np.min(np.abs(np.arange(told.shape[1])[:, None] - at), axis=1) > 20
    assert np.quantile(told[:, away].max(axis=0), 0.99) < 0.3


def test_pieces_do_not_matter(slow_over_drums, monkeypatch):
    sound = slow_over_drums[0][: 7 * RATE_HZ + 333]
    whole = heard(sound)

    monkeypatch.setattr("partsong.lineup.spectra._FRAMES", 100)

    np.testing.assert_allclose(heard(sound), whole, atol=1e-4)


def test_the_network_is_what_plain_sums_make_of_it(rng):
    levels = rng.uniform(0, 1.5, size=(8, PITCHES, 28)).astype(np.float32)
    weights = pitches._weights("pitches_filmed")

    told = pitches._started(weights, levels)

    # One cell of each layer at a time, as it is written down: padded with nothing above and below.
    def cell(rows, pitch):
        return rows[:, pitch] if 0 <= pitch < PITCHES else np.zeros_like(rows[:, 0])

    def layer(name, rows, taps, count, positive=True):
        w = weights[name].reshape(len(weights[name]), *taps.shape)
        out = np.zeros((len(w), PITCHES, count))
        for pitch in range(PITCHES):
            for number in np.ndindex(*taps.shape):
                channel, move, frame = taps[number]
                out[:, pitch] += np.outer(w[(slice(None), *number)], cell(rows, pitch + move)[channel][frame:][:count])
        out += weights[f"{name}_bias"][:, None, None]
        return np.maximum(out, 0) if positive else out

    def taps(channels, moves, frames, by_move=False):
        out = np.empty((len(moves), channels) if by_move else (channels, len(moves), len(frames)), object)
        for number in np.ndindex(*out.shape):
            out[number] = (number[1], moves[number[0]], 0) if by_move else \
                (number[0], moves[number[1]], frames[number[2]])  # fmt: skip
        return out

    above = taps(16, pitches._ABOVE, (0,), by_move=True)
    rows = layer("attack", levels, taps(8, (-1, 0, 1), range(7)), 22)
    rows = layer("partials", rows, above, 22)
    rows = rows[:, :, 8:-8] + layer("before", rows, taps(16, (0,), range(0, 18, 2)), 6)
    rows = rows + layer("others", rows, above, 6)
    last = layer("told", rows, taps(16, (-1, 0, 1), range(5)), 2, positive=False)
    expected = 1 / (1 + np.exp(-last.transpose(1, 2, 0).reshape(PITCHES, 4)))
    np.testing.assert_allclose(told, expected, rtol=2e-4, atol=1e-6)


def test_silence_holds_no_notes():
    silence = features.hear(np.zeros(RATE_HZ, np.float32))

    assert np.concatenate(list(pitch_starts(silence)), axis=1).max() < 0.05
    assert not strokes.note_starts(silence, pitches=all_pitch_starts(silence)).any()


def test_a_tone_of_power_one_has_that_power_in_every_window():
    t = np.arange(RATE_HZ) / RATE_HZ
    sound = features.hear((np.sqrt(2) * np.sin(2 * np.pi * 1000 * t)).astype(np.float32))

    for window in (256, 2048):
        middle = np.concatenate(list(spectra(sound, 0, window)))[100]
        assert middle.sum() == pytest.approx(1.0, rel=0.01)
    every = np.concatenate(list(spectra(sound, 0, 256, 16)))
    np.testing.assert_allclose(every, np.concatenate(list(spectra(sound, 0, 256)))[::16], rtol=1e-4, atol=1e-9)
