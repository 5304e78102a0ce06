"""Keys going down against the notes they play."""

import numpy as np
import pytest
from scipy import ndimage

from partsong.lineup import features, strokes
from partsong.lineup.features import RATE_HZ
from partsong.lineup.pitches import all_pitch_starts


@pytest.fixture(scope="module")
def played():
    """Return a bass line of uneven notes, and the times they start at."""
    rng = np.random.default_rng(5)
    starts_s = np.cumsum(rng.choice([0.3, 0.6, 0.9], size=110))
    out = np.zeros(round((starts_s[-1] + 3) * RATE_HZ), np.float32)
    t = np.arange(round(0.8 * RATE_HZ)) / RATE_HZ
    for start_s in starts_s:
        note = np.exp(-t / 0.25) * np.sin(2 * np.pi * 55 * 2 ** (rng.integers(0, 12) / 12) * t)
        first = round(start_s * RATE_HZ)
        out[first : first + len(note)] += note
    return strokes.note_starts(features.hear(out)), starts_s


def keys(starts_s, from_s, length_s):
    """Return knocks at the given times as a camera hears them that starts at ``from_s``."""
    rng = np.random.default_rng(6)
    out = 0.02 * rng.normal(size=round(length_s * RATE_HZ))
    for at_s in starts_s - from_s:
        first = round((at_s + rng.normal(0, 0.003)) * RATE_HZ)
        if 0 <= first < len(out) - 400:
            out[first : first + 400] += rng.normal(size=400) * np.exp(-np.arange(400) / 80)
    return features.hear(out.astype(np.float32))


def test_keys_are_found_by_when_they_fall(played):
    stem, starts_s = played

    found = strokes.find_strokes(keys(starts_s, 12.34, 35), 0, stem)

    # Windows of 32 ms and rounding over 20 ms.
    assert found.fits[0].lag_s == pytest.approx(12.34, abs=0.02)
    assert found.halves_agree
    assert found.t > 2.75
    assert found.toneless
    assert not found.swells


def test_tones_that_are_told_slowly_offer_earlier_places(played):
    # As a pad's that swells for half a second.
    _, starts_s = played
    starts = 0.1 * np.random.default_rng(9).normal(size=(6, round(200 * (starts_s[-1] + 3))))
    for start_s in starts_s:
        starts[:, round(200 * start_s) :][:, :100] += np.linspace(0, 1, 100)

    found = strokes.find_strokes(keys(starts_s, 12.34, 40), 0, starts)

    assert found.fits[0].lag_s > 12.5
    assert found.swells
    assert np.diff([fit.lag_s for fit in found.fits[:4]]) == pytest.approx(-0.075)


def test_keys_are_found_in_a_mix(played):
    _, starts_s = played
    rng = np.random.default_rng(8)
    t = np.arange(4000) / RATE_HZ
    mix = np.zeros(round((starts_s[-1] + 3) * RATE_HZ), np.float32)
    for at_s, pitch_hz in [(at, 220) for at in starts_s] + [(at, 523) for at in np.arange(0.1, starts_s[-1], 0.3)]:
        first = round((at_s + rng.normal(0, 0.005)) * RATE_HZ)
        mix[first : first + 4000] += (np.exp(-t / 0.1) * np.sin(2 * np.pi * pitch_hz * t))[: len(mix) - first]

    found = strokes.find_strokes(keys(starts_s, 12.34, 60), 0, strokes.note_starts(features.hear(mix)))

    # Beside another part that strikes every beat.
    assert found.fits[0].lag_s == pytest.approx(12.34, abs=0.02)
    assert found.t > 1.9


def test_other_keys_beat_no_other_place(played):
    stem, _ = played
    rng = np.random.default_rng(7)

    found = strokes.find_strokes(keys(np.cumsum(rng.choice([0.3, 0.6, 0.9], size=110)), 12.34, 35), 0, stem)

    assert not (found.halves_agree and found.t > 1.3)


def test_silence_has_no_strokes(played):
    silence = features.hear(np.zeros(RATE_HZ, np.float32))

    assert strokes.find_strokes(silence, 0, played[0]) is None
    assert not strokes.note_starts(silence).any()


def test_a_drum_and_a_noise_are_no_toneless_strokes(band, rng, played):
    drum = strokes.find_strokes(features.hear(band.filmed(band.part("drum", 40), 3, 30)), 0, played[0])
    noise = strokes.find_strokes(features.hear(rng.normal(size=30 * RATE_HZ).astype(np.float32)), 0, played[0])

    assert not drum.toneless
    assert not noise.toneless


def test_only_strokes_are_heard_of_keys_and_not_of_a_drum(band, played, monkeypatch):
    drum = features.hear(band.filmed(band.part("drum", 40), 3, 30))
    silence = features.hear(np.zeros(RATE_HZ, np.float32))
    struck = keys(played[1], 12.34, 35)

    assert strokes.only_strokes(struck, 0)
    assert not strokes.only_strokes(drum, 0)
    assert not strokes.only_strokes(silence, 0)
    monkeypatch.setattr(strokes, "LONGEST_S", 30)  # a clip as long as this is not listened to for strokes
    assert not strokes.only_strokes(struck, 0)


def test_keys_lie_where_one_part_of_a_mix_foretells_them(played):
    # What rises tells nothing: it is another song's. Of five parts the keys played one; a third of them came up.
    _, starts_s = played
    rng = np.random.default_rng(9)
    frames = round((starts_s[-1] + 3) * 200)
    guesses = np.zeros((5, frames), np.float16)
    for number in range(5):
        at = starts_s if number == 2 else rng.uniform(0, frames / 200, len(starts_s))
        guesses[number, np.round(200 * at).astype(int)] = 0.8
    guesses = ndimage.gaussian_filter1d(guesses.astype(np.float32), 1.4, axis=1).astype(np.float16)
    other = rng.normal(size=(3, frames)).astype(np.float32)
    struck = keys(np.sort(np.concatenate([starts_s, starts_s[::3] + 0.17])), 12.34, 35)

    found = strokes.find_strokes(struck, 0, other, mixed=True, parts=guesses)

    assert found.of_parts
    assert found.likeliest[0].lag_s == pytest.approx(12.34, abs=0.01)
    assert found.odds.lead > 20
    assert found.odds.agree
    assert not found.likeliest_swells


def test_keys_of_no_part_have_no_odds(played):
    guesses = np.zeros((1, 8000), np.float16)

    found = strokes.find_strokes(keys(played[1], 12.34, 35), 0, played[0][:, :8000], mixed=True, parts=guesses)

    assert (found.odds.lead, found.odds.agree, found.likeliest) == (0.0, False, ())


def test_the_shape_of_notes_tells_when_swelling_tones_began():
    # Chords that take a third of a second to be loud and ring on into the next: keys fall long before.
    rng = np.random.default_rng(5)
    starts_s = np.cumsum(rng.choice([0.4, 0.8, 1.2], size=75))
    out = 0.01 * rng.normal(size=round((starts_s[-1] + 3) * RATE_HZ))
    t = np.arange(round(2.4 * RATE_HZ)) / RATE_HZ
    swell = np.minimum(t / 0.33, 1) ** 2 * np.minimum((2.4 - t) / 0.5, 1)
    for start_s in starts_s:
        pitch_hz = 220 * 2 ** (rng.choice([0, 3, 7, 12]) / 12)
        note = swell * sum(np.sin(2 * np.pi * pitch_hz * k * t + k) / k for k in range(1, 7))
        out[round(start_s * RATE_HZ) :][: len(note)] += note
    heard, pad = keys(starts_s, 12.34, 45), features.hear((0.2 * out).astype(np.float32))

    risen = strokes.find_strokes(heard, 0, strokes.note_starts(pad))
    shaped = strokes.find_strokes(heard, 0, strokes.shaped_starts(all_pitch_starts(pad).likely), mixed=True)

    assert risen.swells
    assert risen.fits[0].lag_s > 12.34 + 0.2
    # As late as slow tones of a sound font are told.
    assert shaped.fits[0].lag_s == pytest.approx(12.34, abs=0.045)
    assert shaped.t > 2
    assert shaped.lead > 1.15
