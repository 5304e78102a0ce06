"""From the guide track to a placed take: what prepare prints, a camera records, and line up finds."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from days import Day
from partsong.cli.main import app
from partsong.film.records import Part, Song, Take, TempoMark
from partsong.film.store import FilmStore
from partsong.timebase import Rate, Time

RATE = Rate.of(25)
RATE_HZ = 48000
LABEL = "01:00:00:00"
BEFORE_S = 0.75  # the camera runs so long before the guide track does


def run(*words):
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert isinstance(result.exception, SystemExit | None), result.exception
    return result.exit_code, result.stdout


@pytest.fixture(scope="module")
def day(placed_by_content, tmp_path_factory):
    """Make a film of a part that the room does not hear, played to a guide track with cues and timecode.

    One camera hears the loudspeaker, one has the timecode on its right channel, and one a clock that runs with the day.
    """
    day = Day(tmp_path_factory.mktemp("signals"), RATE, RATE_HZ)
    root = day.root
    rng = np.random.default_rng(8)
    day.sound("mix", rng.normal(0, 0.1, 8 * RATE_HZ))
    mix = Song(
        title="Test",
        mix=day.clip("mix.wav"),
        tempo=(TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=92),),
    )
    parts = (Part(id="pad", name="Pad", distance_m=3.432),)
    day.film(song=mix, parts=parts)
    status, text = run("prepare", "guide", root / "film", "--out", root / "guide.wav", "--timecode", LABEL, "--json")
    assert status == 0
    guide, _ = soundfile.read(root / "guide.wav")
    before = round(BEFORE_S * RATE_HZ)
    sound = np.concatenate([np.zeros((before, 2)), guide, np.zeros((RATE_HZ, 2))])

    def noise(count):
        return rng.normal(0, 0.003, count)  # each camera's own: shared noise would be a shared sound

    hiss = np.stack([noise(len(sound)), noise(len(sound))], axis=1)
    late = round(0.010 * RATE_HZ)  # the loudspeaker stands where the player does, 3.432 m away
    room = np.zeros_like(sound)
    room[late:, :] = 0.2 * sound[:-late, :1]
    room[late + 700 :, :] += 0.1 * sound[: -late - 700, :1]
    day.grey("heard", room + hiss)
    day.grey("wired", np.stack([noise(len(sound)), sound[:, 1]], axis=1))
    # The same guide with another label stands for a clock.
    assert run("prepare", "guide", root / "film", "--out", root / "clock.wav", "--timecode", "14:03:20:00")[0] == 0
    clock, _ = soundfile.read(root / "clock.wav")
    day.grey("clock", np.stack([noise(len(clock)), clock[:, 1]], axis=1))
    takes = tuple(
        Take(id=f"{name}-1", kind="stage", part="pad", clip=day.clip(f"{name}.mov"))
        for name in ("heard", "wired", "clock")
    )
    with FilmStore.open(root / "film") as store:
        store.change("Added takes", lambda film: film.replace(takes=takes))
    return root / "film", -json.loads(text)["song_zero_s"] - BEFORE_S


def test_takes_that_the_room_does_not_hear_are_placed_by_what_was_played(day):
    film, start_s = day
    status, text = run("lineup", "place", film, "--song-timecode", LABEL, "--workers", "1", "--json")
    heard, wired, clock = json.loads(text)

    assert status == 1  # the clock needs a decision
    for found, method in ((heard, "sync cue"), (wired, "timecode")):
        assert (found["confidence"], found["evidence"]["method"]) == ("sure", method)
        # Both mean the picture: 10 ms of way are taken out of the cues, and none of the cable. A sample of 16 kHz.
        assert found["start_ms"] / 1e3 == pytest.approx(start_s, abs=6e-5)
        assert found["drift_ppm"] == pytest.approx(0, abs=5)  # the same sample, over 12 s
    assert "sync cues at head and tail" in heard["sentence"]
    assert wired["sentence"].startswith("Timecode on channel 2, from 00:59:5")
    assert clock["confidence"] == "none"
    assert "timecode on channel 2, from 14:03:1" in clock["sentence"]
    assert f"not that of the song at {LABEL}" in clock["sentence"]


def test_timecode_of_an_unknown_song_label_is_only_told(day):
    film, _ = day
    status, text = run("lineup", "place", film, "wired-1", "clock-1", "--workers", "1", "--json")
    assert status == 1
    for found in json.loads(text):
        assert found["confidence"] == "none"
        assert "say at which label the song starts, with --song-timecode" in found["sentence"]


def test_a_label_that_is_none_is_refused_before_the_work(day):
    film, _ = day
    result = CliRunner().invoke(app, ["lineup", "place", str(film), "--song-timecode", "1:00"])
    assert result.exception is not None
    assert "hh:mm:ss:ff" in str(result.exception)
