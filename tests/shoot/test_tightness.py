"""Tightness: onsets against mir_eval on notes of known truth, and deviations that were put in."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import mir_eval
import numpy as np
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner

import clips
from partsong.cli.main import app
from partsong.errors import Cancelled, InvalidInput
from partsong.film.records import Placement, TempoMark
from partsong.film.store import FilmStore
from partsong.shoot import begin, hold, steps
from partsong.shoot.tightness import RATE_HZ, Tightness, against_click, against_recording, onsets_s, sentence
from partsong.timebase import Time
from partsong.watch import Watch, silent

BPM = 92
CLICK = (TempoMark(bar=1, at=Time(ticks=0), beats_per_bar=3, bpm_num=BPM),)
LENGTH_S = Fraction(60)
BEAT_S = 60 / BPM


def _played(times: NDArray[np.float64], *, attack_s: float, seed: int, noise: float = 0.002) -> NDArray[np.float32]:
    """Play notes of several pitches that die away, in noise."""
    rng = np.random.default_rng(seed)
    sound = rng.normal(0, noise, round(62 * RATE_HZ))
    for time in times:
        t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
        pitch = 110 * 2 ** (rng.integers(0, 24) / 12)
        shape = np.minimum(t / attack_s, 1) * np.exp(-t / 0.12)
        note = sum(np.sin(2 * np.pi * pitch * k * t + rng.uniform(0, 6)) / k for k in (1, 2, 3, 4))
        at = round(float(time) * RATE_HZ)
        sound[at : at + len(t)] += 0.2 * rng.uniform(0.5, 1) * shape * note
    return sound.astype(np.float32)


def _score(seed: int, spread_s: float, late_s: float = 0.0, division: int = 2) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    steps = np.arange(4, int(58 / (BEAT_S / division)))
    kept = steps[rng.random(len(steps)) < 0.6]
    return kept * BEAT_S / division + late_s + rng.normal(0, spread_s, len(kept))


@pytest.mark.parametrize("attack_s", [0.001, 0.008])
def test_onsets_by_mir_eval(attack_s: float) -> None:
    truth = _score(1, 0.012)
    found = onsets_s(_played(truth, attack_s=attack_s, seed=2))
    # mir_eval.onset: the usual window of 50 ms, and a narrower one; rise times of up to 8 ms lie within it.
    assert mir_eval.onset.f_measure(truth, found, window=0.05)[0] > 0.97
    assert mir_eval.onset.f_measure(truth, found, window=0.015)[0] > 0.93
    assert len(onsets_s(np.zeros(RATE_HZ, np.float32))) == 0


@pytest.mark.parametrize(("spread_s", "late_s"), [(0.004, 0.0), (0.012, 0.02), (0.025, -0.015)])
def test_what_was_put_in_comes_out(spread_s: float, late_s: float) -> None:
    truth = _score(3, spread_s, late_s)
    found = against_click(onsets_s(_played(truth, attack_s=0.002, seed=4)), CLICK, LENGTH_S)
    grid = np.round(truth / (BEAT_S / 2)) * (BEAT_S / 2)
    away = 1000 * (truth - grid)
    # 3 ms: a note's attack and the envelope's width; the spread of a hundred notes is known to some 8 %.
    assert found.median_ms == pytest.approx(float(np.median(away)), abs=3)
    assert found.spread_ms == pytest.approx(1.4826 * float(np.median(np.abs(away - np.median(away)))), abs=2.5)
    assert found.division == 2
    assert not found.free


def test_where_it_wanders_is_told_in_bars() -> None:
    truth = _score(5, 0.004)
    bar_s = 3 * BEAT_S
    drags = (truth >= 11 * bar_s) & (truth < 15 * bar_s)  # bars 12 to 15
    found = against_click(truth + 0.03 * drags, CLICK, LENGTH_S)
    assert found.worst is not None
    assert found.worst[:2] == (12, 15)
    assert found.worst[2] == pytest.approx(30, abs=4)
    assert "It strays furthest in bars 12 to 15: " in sentence(found, "the click")
    # All of it late by 50 ms: what strays is told against the middle.
    later = against_click(truth + 0.05 + 0.03 * drags, CLICK, LENGTH_S)
    assert later.worst is not None
    assert f"in bars 12 to 15: {later.worst[2] - later.median_ms:.0f} ms later." in sentence(later, "the click")
    assert later.worst[2] - later.median_ms == pytest.approx(30, abs=5)
    assert "A help for your ears, not a judge." in sentence(found, "the click")
    assert against_click(truth, CLICK, LENGTH_S).worst is None


def test_free_playing_gets_no_number() -> None:
    rng = np.random.default_rng(6)
    found = against_click(np.sort(rng.uniform(1, 58, 120)), CLICK, LENGTH_S)
    assert found.free
    assert "played freely" in sentence(found, "the click")
    few = against_click(np.array([1.0, 2.0]), CLICK, LENGTH_S)
    assert "too few for a number" in sentence(few, "the click")


def test_without_a_place_only_evenness_is_told() -> None:
    truth = _score(7, 0.01)
    found = against_click(truth + 123.456, CLICK, LENGTH_S, placed=False)
    assert found.median_ms == 0.0
    assert found.spread_ms == pytest.approx(10, abs=2.5)
    assert "in the middle" not in sentence(found, "the click", placed=False)


def test_against_another_recording() -> None:
    truth = _score(8, 0.01)
    rng = np.random.default_rng(9)
    here = np.delete(truth, [3, 30]) + 0.018 + rng.normal(0, 0.006, len(truth) - 2)
    found = against_recording(here, truth, CLICK)
    assert found.onsets == len(here)
    assert found.median_ms == pytest.approx(18, abs=2)
    assert found.spread_ms == pytest.approx(6, abs=1.5)
    assert against_recording(here, truth[:0], CLICK) == Tightness(0, 0, 0.0, 0.0, None, free=True)


def test_a_take_is_held_to_the_click_and_to_its_stem(tmp_path: Path) -> None:
    truth = _score(11, 0.008, 0.01)
    truth = truth[truth < 20]
    sound = _played(truth, attack_s=0.002, seed=12)[: 22 * RATE_HZ]
    room = np.concatenate([np.zeros(round(1.5 * RATE_HZ), np.float32), sound]).astype(np.float32)
    for name, samples in (("mix", sound), ("cajon", sound)):
        clips.sound_file(tmp_path / f"{name}.wav", samples[:, None], rate_hz=RATE_HZ)
    (tmp_path / "clips/cajon wide").mkdir(parents=True)
    clips.clip(tmp_path / "clips/cajon wide/a.mov", frames=588, sound=room[:, None], sound_rate_hz=RATE_HZ)
    begin.new_film(
        tmp_path / "film", song=tmp_path / "mix.wav", stems=(f"cajon={tmp_path}/cajon.wav",), bpm="92", beats_per_bar=3
    )
    with FilmStore.open(tmp_path / "film") as store:
        steps.add(store, [tmp_path / "clips"], silent())
        held = hold.hold(store, "cajon-1", "click", silent())
        assert held.heard == "the part's stem"
        assert held.tightness.median_ms == pytest.approx(10, abs=4)
        with pytest.raises(Cancelled):
            hold.hold(store, "cajon-1", "click", Watch(lambda _: None, lambda: True))
        with pytest.raises(InvalidInput, match="no place on the song yet"):
            hold.hold(store, "cajon-1", "stem", silent())
        place = Placement(take="cajon-1", confidence="sure", start=Time.of(Fraction(-3, 2)))
        store.change("Placed", lambda film: film.replace(placements=(place,)))
        held = hold.hold(store, "cajon-1", "stem", silent())
        # The same sound at its own place: nothing but rounding to a sample's time.
        assert held.tightness.median_ms == pytest.approx(0, abs=1)
        assert held.tightness.spread_ms < 2
        store.change("Lost the tempo", lambda film: film.replace(song=film.song and film.song.replace(tempo=())))
        with pytest.raises(InvalidInput, match="no tempo map"):
            hold.hold(store, "cajon-1", "click", silent())
    result = CliRunner().invoke(app, ["shoot", "tight", str(tmp_path / "film"), "cajon-1", "--against", "stem"])
    assert (result.exit_code, "notes against the stem" in result.output) == (0, True)
