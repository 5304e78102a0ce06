import dataclasses

import numpy as np
import pytest
from scipy import signal

from partsong.demo import acoustics, synth, tune

RATE_HZ = 48000
ROOM = (9.2, 3.0, 7.4)
HEARD = acoustics.Heard(
    start_ticks=-100_000, samples=12 * RATE_HZ, source=(2.4, 0.3, 4.4), camera=(4.6, 1.5, 0.2), room=ROOM
)


@pytest.fixture(scope="module")
def cajon():
    return synth.stem(tune.waltz(bars=5), "cajon")


def _lag(heard, dry, first, stop):
    """How many samples after the dry sound a stretch of heard sound comes, in fractions by a parabola.

    Above 1.5 kHz, where the direct sound stands out from the modes that the room's tail rings in.
    """
    high = signal.butter(4, 1500, "high", fs=RATE_HZ, output="sos")
    piece = signal.sosfiltfilt(high, heard[first:stop].astype(np.float64))
    both = signal.correlate(signal.sosfiltfilt(high, dry.astype(np.float64)), piece, "full")
    n = both.argmax()
    a, b, c = both[n - 1 : n + 2]
    return first - (n - len(piece) + 1 + 0.5 * (a - c) / (a - 2 * b + c))


def test_the_direct_sound_comes_after_distance_over_343_metres_a_second():
    response = acoustics.impulse_response(HEARD.source, HEARD.camera, ROOM, np.random.default_rng(0))
    # 343 m/s in dry air at 20 degrees Celsius (handbook value). Half a sample is the grid of the response.
    first = np.flatnonzero(response)[0]
    assert abs(first / RATE_HZ - HEARD.distance_m / 343) <= 0.5 / RATE_HZ
    assert first == np.abs(response).argmax()


def test_the_room_dies_away_in_its_reverberation_time():
    # Schroeder (1965): the energy still to come falls in a straight line of decibels; from -5 to -25 dB, tripled.
    response = acoustics.impulse_response(HEARD.source, HEARD.camera, ROOM, np.random.default_rng(1))
    left_db = 10 * np.log10(np.cumsum(response[::-1] ** 2)[::-1] / (response**2).sum())
    fell = [np.argmax(left_db < level) / RATE_HZ for level in (-10, -30)]
    # The tail alone falls 60 dB in 0.55 s; one noise sample of it wanders by a tenth.
    assert 3 * (fell[1] - fell[0]) == pytest.approx(0.55, rel=0.15)


def test_a_clip_hears_the_song_where_it_should(cajon):
    heard = acoustics.scratch_sound(cajon, HEARD, seed=1)
    # The clip began 100 000 samples before the song; what it hears is later by the way through the air. Reflections
    # broaden the peak: 0.3 ms is a third of what anybody could see.
    lag = _lag(heard[:, 0], cajon, 4 * RATE_HZ, 8 * RATE_HZ)
    assert (lag - 100_000) / RATE_HZ == pytest.approx(HEARD.arrival_delay_s, abs=3e-4)


def test_a_fast_clock_drifts_by_60_ppm(cajon):
    fast = dataclasses.replace(HEARD, drift_ppm=(1 / 1.00006 - 1) * 1e6, automatic_gain=False)
    true = dataclasses.replace(HEARD, automatic_gain=False)
    late = [acoustics.scratch_sound(cajon, heard, seed=1)[:, 0] for heard in (fast, true)]
    onsets = np.array(tune.waltz(bars=5).onsets_s("cajon")) * RATE_HZ + 100_000 + HEARD.arrival_delay_s * RATE_HZ
    starts = (onsets - 500).astype(int)
    slip = [_lag(late[0][a : a + 5000], late[1][a : a + 5000], 200, 4500) for a in starts.tolist()]
    slope, start = np.polyfit(onsets, slip, 1)
    # A fast clock counts more samples to the same stroke. Lags are good to a tenth of a sample over half a million.
    assert slope * 1e6 == pytest.approx(60, abs=1)
    assert start == pytest.approx(0, abs=1)


def test_a_silent_part_is_sixty_decibels_down_under_noise_and_clicks():
    song = tune.waltz(bars=5)
    dry = synth.stem(song, "harmonium")
    clicks = tuple(song.onsets_s("harmonium"))
    loud = dataclasses.replace(HEARD, automatic_gain=False)
    silent = dataclasses.replace(loud, level_db=-64.0, clicks_s=clicks)
    empty = np.zeros_like(dry)
    noise, faint, full = (
        acoustics.scratch_sound(sound, heard, seed=2)[3 * RATE_HZ : 10 * RATE_HZ].astype(np.float64)
        for sound, heard in ((empty, loud), (dry, dataclasses.replace(silent, clicks_s=())), (dry, loud))
    )
    # Both hear the same noise: what is left is the instrument.
    level_db = 10 * np.log10(((faint - noise) ** 2).mean() / ((full - noise) ** 2).mean())
    assert level_db < -60
    assert ((faint - noise) ** 2).mean() < 0.01 * (noise**2).mean()
    clicked = acoustics.scratch_sound(dry, silent, seed=2)
    assert not np.array_equal(clicked, acoustics.scratch_sound(dry, dataclasses.replace(silent, clicks_s=()), seed=2))


def test_talk_before_the_song_owes_nothing_to_the_stem(cajon):
    silent, played = (acoustics.scratch_sound(sound, HEARD, seed=3) for sound in (np.zeros_like(cajon), cajon))
    before = slice(0, 80_000)
    quiet = dataclasses.replace(HEARD, automatic_gain=False)
    assert np.abs(silent[before]).max() > 0.02
    assert np.array_equal(
        acoustics.scratch_sound(np.zeros_like(cajon), quiet, seed=3)[before],
        acoustics.scratch_sound(cajon, quiet, seed=3)[before],
    )
    assert np.array_equal(silent[before], played[before])
