"""Notes of a clip beside those of a mix: tones of known starts in noise and a made-up hall."""

import numpy as np
import pytest
from scipy import signal

from partsong.lineup import features, notes
from partsong.lineup.features import RATE_HZ, Heard
from partsong.lineup.notes import find_notes
from partsong.lineup.pitches import all_pitch_starts, pitch_starts

SONG_S = 60.0


def played(seed, attack_s, length_s=SONG_S, low=55):
    """Return tones of random pitches and lengths, each rising for ``attack_s``."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round((length_s + 2) * RATE_HZ))
    at_s = 0.4
    while at_s < length_s - 1:
        t = np.arange(round(0.8 * RATE_HZ)) / RATE_HZ
        hz = 440 * 2 ** ((low + int(rng.integers(0, 20)) - 69) / 12)
        tone = sum(np.sin(2 * np.pi * hz * n * t + n) / n for n in range(1, 6))
        tone = tone * np.minimum(t / attack_s, 1) * np.minimum((0.8 - t) / 0.05, 1)
        first = round(at_s * RATE_HZ)
        out[first : first + len(tone)] += 0.2 * tone
        at_s += float(rng.choice([0.25, 0.5, 0.5, 0.75, 1.0])) + rng.normal(0, 0.01)
    return out[: round(length_s * RATE_HZ)]


def in_a_hall(sound, start_s, length_s, seed=1):
    """Return an excerpt as a hall of a second and noise 6 dB below make it; the direct sound comes at once."""
    rng = np.random.default_rng(seed)
    t = np.arange(RATE_HZ) / RATE_HZ
    room = 0.05 * rng.normal(size=RATE_HZ) * np.exp(-6.9 * t)
    room[0] = 1.0
    first = round(start_s * RATE_HZ)
    wet = signal.fftconvolve(sound, room)[first : first + round(length_s * RATE_HZ)]
    return (wet + 0.5 * wet.std() * rng.normal(size=len(wet))).astype(np.float32)


def starts_of(sound):
    return all_pitch_starts(features.hear(sound.astype(np.float32))).likely


@pytest.fixture(scope="module")
def mix():
    return starts_of(played(1, 0.01) + played(2, 0.02, low=40))


def test_a_part_is_found_behind_another(mix):
    clip = features.hear(in_a_hall(played(1, 0.01), 21.3, 18.0))

    first, second, *_ = find_notes(clip, 0, mix)

    # 20 ms: what a clip in a hall may be off.
    assert first.slip_s == pytest.approx(21.3, abs=0.02)
    assert first.evidence >= second.evidence + 25
    assert first.width_s <= 0.045


def test_another_part_is_not(mix):
    first, second, *_ = find_notes(features.hear(in_a_hall(played(7, 0.01), 5.0, 18.0)), 0, mix)

    assert first.evidence < second.evidence + 2.6


def test_slow_tones_are_told_wider(mix):
    prompt, *_ = find_notes(features.hear(in_a_hall(played(1, 0.01), 10.0, 20.0)), 0, mix)
    slow, *_ = find_notes(features.hear(in_a_hall(played(1, 0.15), 10.0, 20.0)), 0, starts_of(played(1, 0.15)))

    assert slow.width_s > 1.25 * prompt.width_s
    assert slow.slip_s == pytest.approx(10.0, abs=0.02)


def test_of_a_long_clip_the_middle_is_heard(mix, monkeypatch):
    monkeypatch.setattr(notes, "LISTENED_S", 12.0)
    heard = []

    def told(clip: Heard, voice, *, filmed):
        heard.append(clip.length_s)
        return pitch_starts(clip, voice, filmed=filmed)

    monkeypatch.setattr(notes, "pitch_starts", told)

    first, *_ = find_notes(features.hear(in_a_hall(played(1, 0.01), 21.3, 30.0)), 0, mix)

    assert heard == [12.0]
    assert first.slip_s == pytest.approx(21.3, abs=0.02)


@pytest.mark.parametrize(("width_s", "known_s"), [(0.025, 0.003), (0.05, 0.012), (0.1, 0.024)])
def test_a_wide_likeness_tells_less(width_s, known_s):
    # Measured in halls: 3 ms below a width of 30 ms, 12 at 50; 31 between 90 and 120, of eight clips.
    assert notes.Alike(10.0, 20.0, width_s).known_s == pytest.approx(known_s)
