"""The offset of a master's sound, against shifts that we made."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.signoff.sync import judge_lengths, judge_offsets, offset_of, offsets
from partsong.timebase import Rate

RATE_HZ = 48000


def song(seconds: float = 6.0) -> NDArray[np.float32]:
    """Noise with a slow swell: it has one place only."""
    count = round(seconds * RATE_HZ)
    noise = np.random.default_rng(3).normal(0, 0.1, (count, 2))
    return (noise * (1.2 + np.sin(np.arange(count) / 9000))[:, None]).astype(np.float32)


@pytest.mark.parametrize("late", [0, 1, -1, 480, -4800, 47999])
def test_a_shift_is_measured_to_the_sample(late: int) -> None:
    ours = song()
    heard = np.roll(ours, late, axis=0)
    if late > 0:
        heard[:late] = 0
    elif late < 0:
        heard[late:] = 0
    found = offsets(ours, heard, rate_hz=RATE_HZ)
    assert [offset.late_samples for offset in found] == [late] * 3
    assert judge_offsets(found, rate_hz=RATE_HZ, lossless=True).outcome == ("within" if late == 0 else "outside")


def test_the_same_sound_has_likeness_one() -> None:
    # 1e-6: float64 rounding of a transform over half a million samples.
    assert [offset.likeness for offset in offsets(song(), song(), rate_hz=RATE_HZ)] == pytest.approx(
        [1, 1, 1], abs=1e-6
    )


@settings(max_examples=10)
@given(st.integers(-100, 100), st.floats(0.05, 4), st.booleans())
def test_gain_and_polarity_do_not_move_the_offset(late: int, gain: float, upside_down: bool) -> None:
    # A property of the correlation coefficient; a stretch short enough for many examples.
    ours = song(0.2)[:, 0]
    heard = np.zeros(len(ours) + 9600, np.float32)
    heard[4800 + late : 4800 + late + len(ours)] = ours * gain * (-1 if upside_down else 1)
    found, likeness = offset_of(ours, heard, rate_hz=RATE_HZ, searched_s=0.1)
    assert found == late
    assert likeness == pytest.approx(-1 if upside_down else 1, abs=1e-6)


@pytest.mark.parametrize(("late", "outcome"), [(0, "within"), (48, "within"), (49, "outside"), (-49, "outside")])
def test_a_millisecond_is_allowed_to_compressed_sound(late: int, outcome: str) -> None:
    found = offsets(song(), np.roll(song(), late, axis=0), rate_hz=RATE_HZ)
    assert judge_offsets(found, rate_hz=RATE_HZ, lossless=False).outcome == outcome


def test_another_song_is_told() -> None:
    other = np.random.default_rng(4).normal(0, 0.1, (6 * RATE_HZ, 2)).astype(np.float32)
    check = judge_offsets(offsets(song(), other, rate_hz=RATE_HZ), rate_hz=RATE_HZ, lossless=False)
    assert check.needs_decision
    assert "not the song's" in check.sentence


def test_upside_down_sound_is_told() -> None:
    check = judge_offsets(offsets(song(), -song(), rate_hz=RATE_HZ), rate_hz=RATE_HZ, lossless=True)
    assert check.needs_decision
    assert "polarity" in check.sentence


def test_a_silent_song_cannot_be_measured() -> None:
    silent = np.zeros((6 * RATE_HZ, 2), np.float32)
    assert judge_offsets(offsets(silent, silent, rate_hz=RATE_HZ), rate_hz=RATE_HZ, lossless=True).outcome == "stated"


def test_a_song_of_a_moment_is_refused() -> None:
    with pytest.raises(InvalidInput, match="too short"):
        offsets(song(0.2), song(0.2), rate_hz=RATE_HZ)


@pytest.mark.parametrize(
    ("away", "outcome"), [("0", "within"), ("1/25", "within"), ("-1/25", "within"), ("41/1000", "outside")]
)
def test_lengths_may_differ_by_a_frame(away: str, outcome: str) -> None:
    check = judge_lengths(Fraction(10), 10 + Fraction(away), Rate.of("25"))
    assert check.outcome == outcome
