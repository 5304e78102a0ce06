"""Loudness against the minimum requirements of EBU Tech 3341 and Tech 3342, with tones that we generate."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.signoff.loudness import RATE_HZ, Loudness, judge, measure


def tone(
    *steps: tuple[float, float], channels: int = 2, frequency_hz: float = 1000.0, phase_deg: float = 0.0
) -> NDArray[np.float32]:
    """Steps of (level in dBFS of a full-scale sine, seconds), one unbroken sine, the same in each channel."""
    gain = np.concatenate([np.full(round(seconds * RATE_HZ), 10 ** (level / 20)) for level, seconds in steps])
    at = np.arange(len(gain)) / RATE_HZ
    wave = gain * np.sin(2 * np.pi * frequency_hz * at + np.radians(phase_deg))
    return np.repeat(wave[:, None], channels, axis=1).astype(np.float32)


def in_blocks(sound: NDArray[np.float32], block: int = 7919) -> list[NDArray[np.float32]]:
    """Cut the sound at lengths that no meter works in."""
    return [sound[start : start + block] for start in range(0, len(sound), block)]


# EBU Tech 3341 v4.0 (November 2023), Table 1, cases 1 to 5: each reads -23.0 or -33.0 LUFS within 0.1 LU.
@pytest.mark.parametrize(
    ("steps", "expected_lufs"),
    [
        pytest.param([(-23, 20)], -23.0, id="case-1"),
        pytest.param([(-33, 20)], -33.0, id="case-2"),
        pytest.param([(-36, 10), (-23, 60), (-36, 10)], -23.0, id="case-3"),
        pytest.param([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0, id="case-4"),
        pytest.param([(-26, 20), (-20, 20.1), (-26, 20)], -23.0, id="case-5"),
    ],
)
def test_integrated_loudness_of_tech_3341(steps: list[tuple[float, float]], expected_lufs: float) -> None:
    assert measure(in_blocks(tone(*steps))).integrated_lufs == pytest.approx(expected_lufs, abs=0.1)


def test_surround_weights_of_tech_3341_case_6() -> None:
    # Left and right -28, centre -24, surrounds -30 dBFS for 20 s: -23.0 LUFS within 0.1 LU.
    sound = np.concatenate([tone((level, 20), channels=1) for level in (-28, -28, -24, -30, -30)], axis=1)
    assert measure(in_blocks(sound)).integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_calibration_tone_of_bs_1770() -> None:
    # ITU-R BS.1770-5, Annex 1: 997 Hz at full scale in one front channel reads -3.01 LUFS (0.01: printed digits).
    assert measure([tone((0, 5), channels=1, frequency_hz=997)]).integrated_lufs == pytest.approx(-3.01, abs=0.011)


# EBU Tech 3342 v4.0, Table 1, cases 1 to 4, each within 1 LU.
@pytest.mark.parametrize(
    ("levels", "expected_lu"),
    [((-20, -30), 10.0), ((-20, -15), 5.0), ((-40, -20), 20.0), ((-50, -35, -20, -35, -50), 15.0)],
)
def test_loudness_range_of_tech_3342(levels: tuple[float, ...], expected_lu: float) -> None:
    sound = tone(*((level, 20.0) for level in levels))
    assert measure(in_blocks(sound)).range_lu == pytest.approx(expected_lu, abs=1.0)


# EBU Tech 3341 v4.0, Table 1, cases 15 to 19: sines whose samples miss the peak; +0.2 / -0.4 dB.
@pytest.mark.parametrize(
    ("part_of_rate", "phase_deg", "peak", "expected_dbtp"),
    [
        pytest.param(4, 0.0, 0.5, -6.0, id="case-15"),
        pytest.param(4, 45.0, 0.5, -6.0, id="case-16"),
        pytest.param(6, 60.0, 0.5, -6.0, id="case-17"),
        pytest.param(8, 67.5, 0.5, -6.0, id="case-18"),
        pytest.param(4, 45.0, 1.41, 3.0, id="case-19"),
    ],
)
def test_true_peak_of_tech_3341(part_of_rate: int, phase_deg: float, peak: float, expected_dbtp: float) -> None:
    wave = tone((20 * math.log10(peak), 1.0), frequency_hz=RATE_HZ / part_of_rate, phase_deg=phase_deg)
    fade = np.clip(np.minimum(np.arange(len(wave)), np.arange(len(wave))[::-1]) / 4800, 0, 1)[:, None]
    found = measure([(wave * fade).astype(np.float32)]).true_peak_dbtp
    assert expected_dbtp - 0.4 <= found <= expected_dbtp + 0.2


def test_gain_moves_loudness_by_as_much() -> None:
    # A property of any loudness meter; 0.02: the values come rounded to thousandths from hundredths of histogram.
    quiet, loud = (measure([tone((level, 3))]).integrated_lufs for level in (-30.0, -24.5))
    assert loud - quiet == pytest.approx(5.5, abs=0.02)


def test_silence_is_told_as_silence() -> None:
    found = measure([np.zeros((RATE_HZ, 2), np.float32)])
    assert math.isinf(found.integrated_lufs)
    assert math.isinf(found.true_peak_dbtp)
    assert [check.outcome for check in judge(found, target_lufs=-14)] == ["outside", "stated", "within"]


def test_less_than_a_gating_block_is_refused() -> None:
    with pytest.raises(InvalidInput, match=r"only 0\.10 s of sound"):
        measure([np.zeros((4800, 2), np.float32)])


def test_channels_without_weights_are_refused() -> None:
    with pytest.raises(InvalidInput, match="3 channels"):
        measure([np.zeros((48000, 3), np.float32)])


@pytest.mark.parametrize(
    ("integrated", "peak", "outcomes"),
    [
        (-14.4, -1.0, ["within", "stated", "within"]),
        (-13.4, -1.0, ["outside", "stated", "within"]),
        (-14.0, -0.5, ["within", "stated", "outside"]),
    ],
)
def test_judged_against_target_and_peak_limit(integrated: float, peak: float, outcomes: list[str]) -> None:
    # EBU R 128 (2023): 0.5 LU around the target, -1 dBTP.
    assert [check.outcome for check in judge(Loudness(integrated, 6.0, peak, 180.0), target_lufs=-14.0)] == outcomes


def test_the_advice_names_the_gain() -> None:
    # -18.4 to -23.0 is 4.6 dB down (arithmetic: target minus measured).
    assert "down by 4.6 dB" in judge(Loudness(-18.4, 6.0, -0.5, 180.0), target_lufs=-23.0)[0].sentence
