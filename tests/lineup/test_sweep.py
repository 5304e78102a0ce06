"""The search by the sound itself, with noise and rooms of known truth, and held to plain sums."""

import numpy as np
import pytest

from partsong.lineup import features, sweep
from partsong.lineup.features import RATE_HZ

SONG_S = 40.0


@pytest.fixture(scope="module")
def noise():
    return np.random.default_rng(4).normal(size=round(SONG_S * RATE_HZ)).astype(np.float32)


def excerpt(sound, start_s, length_s, drift_ppm=0.0):
    at_s = start_s + np.arange(round(length_s * RATE_HZ)) / RATE_HZ * (1 + drift_ppm * 1e-6)
    return np.interp(at_s, np.arange(len(sound)) / RATE_HZ, sound, left=0.0, right=0.0).astype(np.float32)


@pytest.mark.parametrize(
    ("start_s", "length_s", "drift_ppm"),
    [(12.345, 9.0, 0.0), (3.3, 30.0, 80.0), (21.0, 19.0, -100.0), (-5.0, 12.0, 0.0), (32.5, 13.0, 0.0)],
)
def test_an_excerpt_stands_alone(noise, start_s, length_s, drift_ppm):
    clip = excerpt(noise, start_s, length_s, drift_ppm)

    places = sweep.find_sounding(features.hear(clip), 0, sweep.level_song(features.hear(noise)), 6)

    # 3 ms: three cells of a millisecond.
    middle_s = start_s + drift_ppm * 1e-6 * length_s / 2
    assert places[0].slip_s == pytest.approx(middle_s, abs=3e-3)
    assert places[0].evidence > 10 * places[1].evidence


def test_a_part_is_found_in_noise_behind_the_mix(band):
    song = band.song(60.0)
    level = sweep.level_song(features.hear(song["mix"]))
    truth_s = 20.3 - 3 / 343.2
    for seed in range(4):
        clip = band.filmed(song["bells"], 20.3, 9, snr_db=-6, direct_db=-3)
        clip += clip.std() * np.random.default_rng(seed).normal(size=len(clip)).astype(np.float32) / 2

        places = sweep.find_sounding(features.hear(clip), 0, level, 3)

        # 60 ms: a room's answer is told by its decay as well.
        assert min(abs(place.slip_s - truth_s) for place in places) < 0.06


def test_evidence_is_a_plain_sum_of_logarithms():
    rng = np.random.default_rng(1)
    powers = rng.exponential(2.0, size=(4, 300)).astype(np.float32)
    powers[:, 100:160] += 8

    found = sweep._evidence(powers, 1)

    t = np.arange(100) / 1000
    at, best = 180, 0.0
    for decay in (0.01, 0.05):
        total = 0.0
        for row, width_hz in zip(powers, (220, 400, 800, 1800), strict=True):
            odds = []
            for strength in (0.1, 1.0, 10.0):
                share = strength * np.exp(-t / decay)
                # Exponential powers of mean 2 against those of mean 2 (1 + share), backwards from the cell on.
                ratio = row[at - np.arange(100)] * share / (1 + share) - 2 * np.log1p(share)
                odds.append(ratio.sum())
            total += width_hz / 2000 * max(*odds, 0.0)
        best = max(best, total)
    # 1e-3: single-precision transforms of sums near a hundred.
    assert found[at] == pytest.approx(best, rel=1e-3)


@pytest.mark.parametrize("clip", [np.zeros(10 * RATE_HZ, np.float32), np.ones(100, np.float32)])
def test_nothing_to_compare_names_nothing(noise, clip):
    assert sweep.find_sounding(features.hear(clip), 0, sweep.level_song(features.hear(noise)), 6) == ()
