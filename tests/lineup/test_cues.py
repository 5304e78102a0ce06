"""Sync cues in a room: known truth, and nothing found where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.lineup.cues import Cue, find_cues, mark_from
from partsong.lineup.features import RATE_HZ, hear
from partsong.media.cues import cue_sound

SONG_TIMES_S = {"head cue": -4.0, "tail cue": 16.0}
START_S = -9.123  # song time of the take's first moment of sound
LEAD_S = 12


def played(times_s, length_s=24.0):
    out = np.zeros(round((length_s + LEAD_S) * RATE_HZ))
    for kind, song_s in times_s:
        cue = cue_sound(kind, RATE_HZ)
        at = round((song_s + LEAD_S) * RATE_HZ)
        out[at : at + len(cue)] += cue
    return out


def filmed(band, sound, rng, *, drift_ppm=0.0, direct_db=0.0, snr_db=0.0, length_s=30.0):
    """Record in a room that rings for a third of a second; noise against a cue's own r.m.s. level.

    Media time m hears song time START_S + m (1 + drift); ``direct_db`` is the direct sound over all reflections.
    """
    heard = band.filmed(
        sound,
        START_S + LEAD_S,
        length_s,
        drift_ppm=drift_ppm,
        distance_m=1e-6,
        direct_db=direct_db,
        snr_db=200,
    )
    level = np.sqrt(np.mean(cue_sound("head cue", RATE_HZ) ** 2)) * 10 ** (-snr_db / 20)
    return hear((heard + rng.normal(size=len(heard)) * level).astype(np.float32))


@pytest.mark.parametrize(
    ("drift_ppm", "direct_db", "snr_db"), [(0.0, 0.0, 0.0), (60.0, 0.0, 0.0), (60.0, -8.0, 0.0), (60.0, 0.0, -6.0)]
)
def test_both_cues_give_place_and_drift_in_a_noisy_room(band, rng, drift_ppm, direct_db, snr_db):
    heard = filmed(band, played(SONG_TIMES_S.items()), rng, drift_ppm=drift_ppm, direct_db=direct_db, snr_db=snr_db)
    cues = find_cues(heard)
    mark = mark_from(cues, SONG_TIMES_S)

    assert [cue.kind for cue in cues] == ["head cue", "tail cue"]
    assert (mark.confidence, mark.method, mark.agreed) == ("sure", "sync cue", 2)
    (line,) = mark.lines
    # A sample of 16 kHz is 0.06 ms; half of one over the 20 s between the cues is 1.6 ppm.
    assert line.start_s == pytest.approx(START_S, abs=6e-5)
    assert line.drift_ppm == pytest.approx(drift_ppm, abs=2)


def test_the_first_strong_arrival_counts_and_not_a_louder_reflection(band, rng):
    direct = played(SONG_TIMES_S.items())
    louder = direct.copy()
    louder[130:] += 1.4 * direct[:-130]  # 8 ms later, from a wall that throws it together
    (line,) = mark_from(find_cues(filmed(band, louder, rng, direct_db=10, snr_db=10)), SONG_TIMES_S).lines
    assert line.start_s == pytest.approx(START_S, abs=1e-4)


def test_one_cue_is_likely_and_gives_no_drift(band, rng):
    for kind, song_s in SONG_TIMES_S.items():
        mark = mark_from(find_cues(filmed(band, played([(kind, song_s)]), rng)), SONG_TIMES_S)
        assert mark.confidence == "likely"
        assert mark.lines[0].start_s == pytest.approx(START_S, abs=1e-4)
        assert mark.lines[0].drift_ppm == 0
        assert kind.split()[0] in mark.reason


def cue(kind, media_s):
    return Cue(kind, media_s, 0.6)


def test_a_false_start_is_told_from_the_take_by_the_tail():
    # Playback was stopped and begun again: only the second head belongs to the tail.
    cues = (cue("head cue", 3.0), cue("head cue", 20.0), cue("tail cue", 40.0))
    mark = mark_from(cues, SONG_TIMES_S)
    assert (mark.confidence, mark.lines[0].start_s) == ("sure", pytest.approx(-24.0))


def test_more_than_one_playback_is_asked_about():
    twice = tuple(cue(kind, at) for at in (0.0, 100.0) for kind, at in (("head cue", at + 5), ("tail cue", at + 25)))
    mark = mark_from(twice, SONG_TIMES_S)
    assert mark.confidence == "ask"
    assert [line.start_s for line in mark.lines] == pytest.approx([-9.0, -109.0])
    # Two heads and no tail.
    mark = mark_from((cue("head cue", 5.0), cue("head cue", 30.0)), SONG_TIMES_S)
    assert mark.confidence == "ask"
    assert len(mark.lines) == 2
    # A head and a tail of different playbacks: seven seconds are missing between them.
    assert mark_from((cue("head cue", 5.0), cue("tail cue", 18.0)), SONG_TIMES_S).confidence == "ask"


@pytest.mark.parametrize("seed", [1, 2])
def test_music_and_noise_hold_no_cues(band, seed):
    band = type(band)(seed)
    song = band.song(25)
    assert [kind for kind, sound in song.items() if find_cues(hear(band.filmed(sound, 0, 24)))] == []
    noise = np.random.default_rng(seed).normal(size=30 * RATE_HZ).astype(np.float32)
    assert find_cues(hear(noise)) == ()
    assert find_cues(hear(np.zeros(RATE_HZ, np.float32))) == ()
    assert find_cues(hear(np.ones(100, np.float32))) == ()
    assert mark_from((), SONG_TIMES_S) is None


def test_cues_anywhere_in_a_long_take_are_found_once(rng):
    # Around the seam of the pieces that a take is searched in, and at both ends.
    at = [0.0, 31.5, 31.8, 32.1, 32.4, 32.7, 39.7]
    sound = np.zeros(40 * RATE_HZ, np.float32)
    cue = cue_sound("head cue", RATE_HZ)
    for media_s in at:
        first = round(media_s * RATE_HZ)
        sound[first : first + len(cue)] += cue
    found = [one.media_s for one in find_cues(hear(sound + rng.normal(0, 0.01, len(sound)).astype(np.float32)))]
    assert found == pytest.approx(at, abs=1e-4)
