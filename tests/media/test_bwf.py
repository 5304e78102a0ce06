"""Broadcast Wave: the bytes of the standard, and sound that comes back."""

from __future__ import annotations

import struct
from datetime import datetime

import av
import numpy as np
import pytest
import soundfile

from partsong.errors import InvalidInput
from partsong.film.records import Timecode
from partsong.media import bwf
from partsong.media.bwf import BroadcastInfo, bext, samples_since_midnight, write_bwf
from partsong.timebase import Rate, timecode_to_frame


def info(time_reference=0, **more):
    texts = {"description": "Cajón, take 1", "originator": "Partsong", "reference": "cajon-1", **more}
    return BroadcastInfo(made=datetime(2026, 3, 9, 7, 5, 1), time_reference=time_reference, **texts)


def chunks(data):
    """Walk a RIFF file: names and contents, by its lengths alone."""
    assert data[:4] == b"RIFF"
    assert data[8:12] == b"WAVE"
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    at, found = 12, {}
    while at < len(data):
        (length,) = struct.unpack("<I", data[at + 4 : at + 8])
        found[data[at : at + 4]] = data[at + 8 : at + 8 + length]
        at += 8 + length + length % 2
    assert at == len(data)
    return found


def test_fields_lie_where_the_standard_puts_them(check_value):
    # EBU Tech 3285 v2, the bext chunk.
    offsets = check_value("bext.layout")["expected"]
    content = bext(info(0x1_0000_0002), rate_hz=48000, channels=2)
    (text, who, reference, date, time, low, high, version, umid, loudness, history) = offsets

    def word(at):
        return content[at:].split(b"\0")[0]

    assert word(text) == b"Cajon, take 1"
    assert word(who) == b"Partsong"
    assert word(reference) == b"cajon-1"
    assert content[date:time] == b"2026-03-09"
    assert content[time:low] == b"07:05:01"
    assert struct.unpack_from("<II", content, low) == (2, 1)
    assert high == low + 4
    assert struct.unpack_from("<H", content, version) == (2,)
    assert content[umid:loudness] == bytes(64)
    unset = check_value("bext.loudness")["expected"]["unset"]
    assert struct.unpack_from("<5h", content, loudness) == (unset,) * 5
    assert content[loudness + 10 : history] == bytes(180)
    assert content[history:] == b"A=PCM,F=48000,W=24,M=stereo\r\n"


def test_time_references_are_those_of_the_table(check_value):
    # EBU Tech 3285 v2: samples since midnight, as two words.
    value, high, low = check_value("bext.tr.10h")["expected"]
    assert samples_since_midnight(Timecode(frame=10 * 3600 * 25), Rate.of(25)) == value
    assert divmod(value, 1 << 32) == (high, low)
    day = samples_since_midnight(Timecode(frame=24 * 3600 * 25), Rate.of(25), 192000)
    assert list(divmod(day, 1 << 32)) == check_value("bext.tr.192")["expected"]
    hour = [samples_since_midnight(Timecode(frame=3600 * 24), Rate.of(rate)) for rate in ("24", "24000/1001")]
    assert hour == check_value("bext.tr.tc")["expected"]
    rate = Rate.of("30000/1001")
    drop = samples_since_midnight(Timecode(frame=timecode_to_frame("01:00:00;00", rate), drop=True), rate)
    assert drop == pytest.approx(check_value("bext.tr.df")["expected"], abs=0.5)  # to the nearest sample


@pytest.mark.parametrize("channels", [1, 2, 5])
def test_sound_comes_back_to_the_last_bit(tmp_path, channels):
    codes = np.random.default_rng(2).integers(-(1 << 23), 1 << 23, (1001, channels))
    sound = (codes / (1 << 23)).astype(np.float32)
    write_bwf(tmp_path / "a.wav", [sound[:400], sound[400:]], info(1728000000))

    back, rate_hz = soundfile.read(tmp_path / "a.wav", dtype="int32", always_2d=True)
    assert rate_hz == 48000
    np.testing.assert_array_equal(back >> 8, codes)
    found = chunks((tmp_path / "a.wav").read_bytes())
    assert list(found) == [b"bext", b"fmt ", b"data"]
    assert len(found[b"data"]) == 1001 * channels * 3
    assert struct.unpack("<HHIIHH", found[b"fmt "]) == (1, channels, 48000, 48000 * 3 * channels, 3 * channels, 24)
    with av.open(tmp_path / "a.wav") as container:  # FFmpeg's own reader of the chunk
        said = container.metadata
    assert said["time_reference"] == "1728000000"
    assert said["date"] == "2026-03-09"
    assert said["comment"] == "Cajon, take 1"


def test_nothing_is_left_where_it_cannot_be_written(tmp_path, monkeypatch):
    with pytest.raises(InvalidInput, match="no sound"):
        write_bwf(tmp_path / "a.wav", [], info())
    with pytest.raises(InvalidInput, match="after midnight"):
        write_bwf(tmp_path / "a.wav", [np.zeros((10, 1), np.float32)], info(-1))
    monkeypatch.setattr(bwf, "_MOST_BYTES", 5000)
    with pytest.raises(InvalidInput, match="longer than a WAVE file"):
        write_bwf(tmp_path / "a.wav", [np.zeros((2000, 1), np.float32)], info())
    assert list(tmp_path.iterdir()) == []
