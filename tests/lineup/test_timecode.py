"""Timecode of the playback on a channel of the camera: known truth, and what it must not be taken for."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.records import Timecode
from partsong.lineup.timecode import find_timecode, mark_from
from partsong.media.ltc_words import Printed
from partsong.timebase import Rate, timecode_to_frame

RATE_HZ = 16000
HOUR = "01:00:00:00"
KNOWN = {"song_s": 60.0, "delay_s": 0.010}


def on_channel_two(code, rng):
    """Put a code on the right, and music as loud on the left."""
    return np.stack([rng.normal(0, 0.2, len(code)), code], axis=1).astype(np.float16)


def recorded(start_s, length_s, rate="25", label=HOUR, drift_ppm=0.0):
    """Record timecode by which the song starts at a label; the take's first sample plays at song time ``start_s``."""
    rate = Rate.of(rate)
    frame = Timecode(frame=timecode_to_frame(label, rate), drop=";" in label)
    # The camera's clock is slow by the drift: what lasts a second lasts fewer samples.
    rate_hz = 240_000
    code = Printed(frame, rate, at=Fraction(0), rate_hz=rate_hz)
    at = (start_s + np.arange(round(length_s * RATE_HZ)) / RATE_HZ * (1 + drift_ppm * 1e-6)) * rate_hz
    first = int(np.floor(at[0]))
    dense = code.block(first, int(np.ceil(at[-1])) - first + 2)
    # A camera's converter takes the mean around a sample, so that what lies above its reach does not fold down.
    smooth = np.convolve(dense, np.ones(15) / 15, mode="same")
    return np.interp(at - first, np.arange(len(dense)), smooth)


@pytest.mark.parametrize("rate", ["24000/1001", "24", "25", "30000/1001", "30"])
@pytest.mark.parametrize("drift_ppm", [0.0, 60.0])
def test_the_take_lies_where_the_timecode_says(rng, rate, drift_ppm):
    carried = find_timecode(on_channel_two(recorded(-2.5, 6, rate, drift_ppm=drift_ppm), rng), RATE_HZ)
    mark = mark_from(carried, HOUR, length_s=6, **KNOWN)

    assert carried.channel == 2
    assert (mark.method, mark.confidence, mark.exact) == ("timecode", "sure", True)
    assert mark.agreed == mark.tried >= 6 * 23 - 2
    # The line is of the sound: by cable there was no delay, so the picture starts where the timecode does.
    assert mark.lines[0].start_s + 0.010 == pytest.approx(-2.5, abs=2e-5)
    assert mark.lines[0].drift_ppm == pytest.approx(drift_ppm, abs=5)  # a tenth of a sample over six seconds is 1


def test_drop_frame_labels_are_counted_as_they_run(rng):
    carried = find_timecode(on_channel_two(recorded(50.0, 6, "30000/1001", "00:58:30;00"), rng), RATE_HZ)
    mark = mark_from(carried, "00:58:30:00", length_s=6, **KNOWN)
    assert mark.lines[0].start_s + 0.010 == pytest.approx(50.0, abs=2e-5)
    with pytest.raises(InvalidInput, match="leaves out"):
        mark_from(carried, "00:59:00:00", length_s=6, **KNOWN)


def test_the_time_of_day_is_not_a_place_on_the_song(rng):
    carried = find_timecode(on_channel_two(recorded(5.0, 4, label="14:03:20:00"), rng), RATE_HZ)
    assert carried.told.startswith("timecode on channel 2, from 14:03:25")
    assert mark_from(carried, HOUR, length_s=4, **KNOWN) is None


def test_few_labels_are_likely_and_fewer_say_nothing(rng):
    silence = np.zeros(3 * RATE_HZ)
    for frames, confidence in ((18, "likely"), (8, None)):
        code = np.concatenate([recorded(1.0, frames / 25, label=HOUR), silence])
        carried = find_timecode(on_channel_two(code, rng), RATE_HZ)
        mark = carried and mark_from(carried, HOUR, length_s=4, **KNOWN)
        assert (mark and mark.confidence) == confidence


def test_a_song_played_twice_in_one_take_is_asked_about(rng):
    code = np.concatenate([recorded(0.0, 5), np.zeros(RATE_HZ), recorded(0.0, 4)])
    mark = mark_from(find_timecode(on_channel_two(code, rng), RATE_HZ), HOUR, length_s=10, **KNOWN)
    assert mark.confidence == "ask"
    assert [line.start_s + 0.010 for line in mark.lines] == pytest.approx([0.0, -6.0], abs=1e-4)


def test_a_gap_in_the_signal_is_no_second_playback(rng):
    code = recorded(0.0, 8)
    code[3 * RATE_HZ : 4 * RATE_HZ] = 0
    mark = mark_from(find_timecode(on_channel_two(code, rng), RATE_HZ), HOUR, length_s=8, **KNOWN)
    assert mark.confidence == "sure"
    assert len(mark.lines) == 1


def test_timecode_at_another_speed_than_the_song_places_nothing(rng):
    # The song was played a thousandth slow, its timecode at 25: no clock strays that far.
    carried = find_timecode(on_channel_two(recorded(0.0, 8, drift_ppm=600.0), rng), RATE_HZ)
    assert mark_from(carried, HOUR, length_s=8, **KNOWN) is None


def test_sound_without_timecode_has_none(band, rng):
    heard = band.filmed(band.song(12)["mix"], 0, 10)
    assert find_timecode(np.stack([heard, rng.normal(size=len(heard))], axis=1), RATE_HZ) is None
    assert find_timecode(np.zeros((200, 1)), RATE_HZ) is None
