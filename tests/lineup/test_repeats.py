"""What fits elsewhere on the song to the sample, and what does not."""

import numpy as np
import pytest

from partsong.lineup import features, repeats
from partsong.lineup.features import RATE_HZ
from partsong.lineup.line import Line

SONG_S = 60.0


@pytest.fixture(scope="module")
def song(band):
    return band.part("pluck", SONG_S)


def test_flattening_keeps_phases_and_levels_all_frequencies(rng):
    # A click amid silence stays where it is; two tones of very different level come out alike.
    click = np.zeros(4 * RATE_HZ, np.float32)
    click[2 * RATE_HZ] = 1
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    tones = (np.sin(2 * np.pi * 500 * t) + 0.01 * np.sin(2 * np.pi * 1500 * t)).astype(np.float32)

    flat_click = repeats.flattened(features.hear(click), 0)
    spectrum = np.abs(np.fft.rfft(repeats.flattened(features.hear(tones), 0)[8000:24000]))

    assert np.argmax(np.abs(flat_click)) == 2 * repeats.FLAT_RATE_HZ
    # 16,000 samples at 8 kHz: half a hertz a bin. Within a factor of two of each other, having been 40 dB apart.
    assert 0.5 < spectrum[1000] / spectrum[3000] < 2


def test_a_copied_chorus_is_told(band, song):
    # The first 20 seconds once more at 40 s, to the sample.
    copied = song.copy()
    copied[40 * RATE_HZ :] = song[: 20 * RATE_HZ]
    reference = repeats.flattened(features.hear(copied), 0)
    first = features.hear(band.filmed(copied, 2.0, 15))
    again = features.hear(band.filmed(copied, 42.0, 15))
    between = features.hear(band.filmed(copied, 22.0, 15))
    late_s = 3 / 343.2

    # A place is told to the half millisecond in which peaks are sought.
    assert repeats.find_repeats(first, 0, reference, Line(2.0 - late_s)) == pytest.approx([40.0], abs=1e-3)
    assert repeats.find_repeats(again, 0, reference, Line(42.0 - late_s)) == pytest.approx([-40.0], abs=1e-3)
    assert repeats.find_repeats(between, 0, reference, Line(22.0 - late_s)) == ()


@pytest.fixture(scope="module")
def looped(band):
    """Return a loop of 4 s, repeated to the sample, and the same behind three parts that do not repeat."""
    turn = 4 * RATE_HZ
    loop = np.tile(band.part("drum", 4.0), 15)
    song = sum(band.part(kind, SONG_S) for kind in ("pluck", "bells", "pad"))
    return loop, (0.3 * loop + song[: 15 * turn]).astype(np.float32)


def test_a_loop_repeats_itself_and_a_player_does_not(band, looped):
    heard = [features.hear(band.filmed(sound, 21.3, 20, drift_ppm=50)) for sound in (looped[0], band.part("drum", 60))]

    turn_s, other_s = (repeats.own_turn_s(repeats.flattened(one, 0)) for one in heard)

    # A clock 50 parts in a million fast takes 0.2 ms less for a turn; five turns tell it to a quarter of a sample.
    assert turn_s == pytest.approx(4.0 * (1 - 50e-6), abs=3e-5)
    assert other_s is None


def test_a_loop_lies_where_it_begins_in_clip_and_stem(band, looped):
    stem = np.concatenate([np.zeros(12 * RATE_HZ, np.float32), looped[0]])
    flat = repeats.flattened(features.hear(band.filmed(stem, 2.6, 30, drift_ppm=-40)), 0)
    turn_s = repeats.own_turn_s(flat)

    found = repeats.turns(flat, turn_s, repeats.flattened(features.hear(stem), 0))

    assert found.lines[0].start_s == pytest.approx(2.6 - 3 / 343.2, abs=0.001)
    assert found.lines[0].drift_ppm == pytest.approx(-40, abs=4)
    assert found.lead > 4
    assert found.alike > 0.12
