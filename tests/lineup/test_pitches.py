"""Notes of a mix heard by their shape."""

import numpy as np
import pytest
from scipy import signal

from partsong.lineup import features, parts, pitches, strokes
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
    return np.concatenate([likely for likely, _ in pitch_starts(features.hear(sound.astype(np.float32)))], axis=1)


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
    monkeypatch.setattr(pitches, "_AT_ONCE", 40)

    np.testing.assert_allclose(heard(sound), whole, atol=1e-4)


@pytest.mark.parametrize("parted", [True, False])
def test_the_network_is_what_plain_sums_make_of_it(rng, parted):
    quick, slow = 3, 2
    sizes = {"attack": (3, 8), "partials": (3, 3), "before": (3, 3), "others": (3, 3), "told": (2, 3)}
    sizes |= {"slower": (slow, 3), "slow_partials": (slow, slow), "slow_before": (slow, slow)}
    sizes |= {"slow_others": (slow, slow), "slow_around": (slow, slow), "slow_far": (slow, slow)}
    sizes |= {"quicker": (4 * quick, slow)}
    if parted:
        sizes |= {"whose": (12, 3)}
    weights, layers = {}, {}
    for name, (out, into) in sizes.items():
        seen = len(pitches._ABOVE if name in pitches._LINED else pitches._PLACES[name])
        weights[name] = rng.normal(0, 0.5 / np.sqrt(seen), (out, into * seen)), rng.normal(0, 0.1, out)
        layers[name] = pitches._layer(name, *(one.astype(np.float32) for one in weights[name]))
    levels = rng.uniform(0, 1.5, (8, PITCHES, 224)).astype(np.float32)

    likely, whose = pitches._told(layers, levels)

    # SciPy's correlation, a kernel for every row out and row in; silence lies around.
    def layer(name, rows, high, long, apart=1):
        kept, bias = weights[name]
        out, into = sizes[name]
        if name in pitches._LINED:
            kernels = np.zeros((out, into, 63, 1))  # semitones from 31 below to 31 above
            kernels[:, :, [31 + above for above in pitches._ABOVE], 0] = kept.reshape(out, -1, into).transpose(0, 2, 1)
        else:
            kernels = np.zeros((out, into, high, (long - 1) * apart + 1))
            kernels[..., ::apart] = kept.reshape(out, into, high, long)
        return bias[:, None, None] + np.array(
            [sum(signal.correlate2d(row, one, "same") for row, one in zip(rows, each, strict=True)) for each in kernels]
        )

    rows = np.maximum(layer("attack", levels, 3, 7), 0)
    rows = np.maximum(layer("partials", rows, 1, 1), 0)
    kept, bias = weights["slower"]
    every = np.einsum("oit,iptn->opn", kept.reshape(slow, quick, 4), np.moveaxis(rows.reshape(3, PITCHES, 56, 4), 3, 2))
    slowly = np.maximum(every + bias[:, None, None], 0)
    apart = {"slow_partials": 1, "slow_before": 1, "slow_others": 1, "slow_around": 3, "slow_far": 7}
    for name, steps in apart.items():
        slowly = slowly + np.maximum(layer(name, slowly, 1, 5, steps), 0)
    back = layer("quicker", slowly, 1, 1).reshape(4, quick, PITCHES, 56)
    rows = rows + back.transpose(1, 2, 3, 0).reshape(quick, PITCHES, 224)
    rows = rows + np.maximum(layer("before", rows, 1, 9, 2), 0)
    rows = rows + np.maximum(layer("others", rows, 1, 1), 0)
    last = layer("told", rows, 3, 5)[:, :, 108:-108]
    # Single precision, through twelve layers.
    np.testing.assert_allclose(likely, 1 / (1 + np.exp(-last.transpose(1, 2, 0).reshape(PITCHES, 16))), atol=1e-5)
    assert whose.shape == (12 if parted else 0, PITCHES, 8)
    if parted:
        np.testing.assert_allclose(whose, layer("whose", rows, 3, 5)[:, :, 108:-108], atol=1e-4)


def test_notes_of_one_instrument_are_more_alike_than_those_of_two():
    # Plucked tones and slow ones in turn, in the same octave.
    rng = np.random.default_rng(8)
    sound, notes = 0.001 * rng.normal(size=24 * RATE_HZ), []
    for number, at_s in enumerate(np.arange(0.5, 22.5, 0.55)):
        pitch, slow = int(rng.integers(55, 67)), number % 2
        t = np.arange(round(0.9 * RATE_HZ)) / RATE_HZ
        one = tone(pitch, 0.9, 0.08 if slow else 0.002, partials=8 if slow else 3)
        one = one if slow else one * np.exp(-t / 0.2)
        first = round(at_s * RATE_HZ)
        sound[first : first + len(one)] += 0.2 * one
        notes.append((round(100 * at_s) + 2, pitch - LOWEST, slow))

    told = all_pitch_starts(features.hear(sound.astype(np.float32)))

    assert told.likely.shape == (PITCHES, 24 * 200 + 1)
    assert told.whose.shape == (12, PITCHES, 24 * 100 + 1)
    one = np.array([told.whose[:, pitch, pair] for pair, pitch, _ in notes], np.float32)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    slow = np.array([which for *_, which in notes])
    alike, same = one @ one.T, slow[:, None] == slow
    np.fill_diagonal(same, False)
    assert alike[same].mean() > alike[slow[:, None] != slow].mean() + 0.3


def test_silence_holds_no_notes():
    silence = features.hear(np.zeros(RATE_HZ, np.float32))

    told = all_pitch_starts(silence)

    assert told.likely.max() < 0.05
    assert not strokes.note_starts(silence, pitches=told.likely).any()
    assert not parts.guesses(told).any()


def test_a_tone_of_power_one_has_that_power_in_every_window():
    t = np.arange(RATE_HZ) / RATE_HZ
    sound = features.hear((np.sqrt(2) * np.sin(2 * np.pi * 1000 * t)).astype(np.float32))

    for window in (256, 2048):
        middle = np.concatenate(list(spectra(sound, 0, window)))[100]
        assert middle.sum() == pytest.approx(1.0, rel=0.01)
    every = np.concatenate(list(spectra(sound, 0, 256, 16)))
    np.testing.assert_allclose(every, np.concatenate(list(spectra(sound, 0, 256)))[::16], rtol=1e-4, atol=1e-9)
