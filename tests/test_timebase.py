from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from timecode import Timecode as Referee

from partsong.errors import InvalidInput
from partsong.timebase import (
    SAMPLES,
    Rate,
    Time,
    clock,
    exact_number,
    frame_to_timecode,
    round_half_up,
    timecode_to_frame,
)

DROP_ROWS = [
    *(f"tc.df2997.{n}" for n in (0, 1799, 1800, 17981, 17982, 19781, 19782, 53946, 107891, 107892, 2589407)),
    *(f"tc.df5994.{n}" for n in (3599, 3600, 35963, 35964, 215783, 215784)),
]


@pytest.mark.parametrize("row_id", DROP_ROWS)
def test_drop_frame_labels_of_smpte_st_12_1(row_id, check_value):
    row = check_value(row_id)
    frame, rate = row["inputs"]["frame"], Rate.of(row["inputs"]["rate"])
    assert frame_to_timecode(frame, rate, drop=True) == row["expected"]
    assert timecode_to_frame(row["expected"], rate) == frame


def test_a_drop_frame_hour_and_day_have_the_published_number_of_frames(check_value):
    rate = Rate.of("29.97")
    assert timecode_to_frame("01:00:00;00", rate) == check_value("tc.df2997.hour")["expected"]
    assert timecode_to_frame("23:59:59;29", rate) + 1 == check_value("tc.df2997.day")["expected"]


@pytest.mark.parametrize("label", ["00:01:00;00", "00:01:00;01", "12:59:00;01"])
def test_labels_that_drop_frame_leaves_out_are_refused(label):
    # The reference libraries accept these silently (check value tc.invalid_label); SMPTE ST 12-1 has no such label.
    with pytest.raises(InvalidInput, match="leaves out"):
        timecode_to_frame(label, Rate.of("29.97"))


def test_the_tenth_minute_keeps_its_labels(check_value):
    expected = check_value("tc.valid_tenth")["expected"]
    assert [timecode_to_frame(label, Rate.of("29.97")) for label in ("00:10:00;00", "00:20:00;01")] == expected


@given(st.integers(0, 2589407))
def test_every_drop_frame_label_agrees_with_the_reference_library(frame):
    label = frame_to_timecode(frame, Rate.of("29.97"), drop=True)
    assert label == str(Referee("29.97", frames=frame + 1))  # the referee counts frames from one
    assert timecode_to_frame(label, Rate.of("29.97")) == frame


@given(st.integers(0, 24 * 3600 * 24 - 1), st.sampled_from(["24", "25", "24000/1001"]))
def test_non_drop_labels_read_back(frame, rate_text):
    rate = Rate.of(rate_text)
    assert timecode_to_frame(frame_to_timecode(frame, rate), rate) == frame


@pytest.mark.parametrize(
    ("label", "rate", "message"),
    [
        ("1:00:00:00", "25", "hh:mm:ss:ff"),
        ("00:00:00:25", "25", "frames to 24"),
        ("24:00:00:00", "25", "hours run to 23"),
        ("00:00:60:00", "25", "seconds to 59"),
        ("00:00:00;00", "25", "no drop-frame timecode at 25"),
        ("words", "25", "not a timecode label"),
    ],
)
def test_bad_labels_are_refused_in_one_sentence(label, rate, message):
    with pytest.raises(InvalidInput, match=message):
        timecode_to_frame(label, Rate.of(rate))


def test_a_frame_before_zero_has_no_label():
    with pytest.raises(InvalidInput, match="at or after 0"):
        frame_to_timecode(-1, Rate.of(25))


@pytest.mark.parametrize("name", ["24000_1001", "24", "25", "30000_1001", "30", "50", "60000_1001"])
def test_the_length_of_a_frame(name, check_value):
    row = check_value(f"tc.frame_ms.{name}")
    frame_ms = float(Rate.of(name.replace("_", "/")).frame_s * 1000)
    assert frame_ms == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("name", ["24000_1001", "24", "25", "30000_1001", "30", "48", "50", "60000_1001", "60"])
def test_sound_samples_a_frame_at_48_khz(name, check_value):
    row = check_value(f"aud.spf48.{name}")
    assert float(Rate.of(name.replace("_", "/")).frame_s / SAMPLES) == pytest.approx(row["expected"], abs=1e-9)


def test_a_rate_is_exact_or_refused():
    assert Rate.of("23.976") == Rate(num=24000, den=1001) == Rate(num=48000, den=2002)
    for bad in ("23.9", "0", "1/0", "-24", "fast"):
        with pytest.raises(InvalidInput):
            Rate.of(bad)
    with pytest.raises(InvalidInput):
        Rate.of(Fraction(-1))


@given(st.fractions(min_value=-1000, max_value=1000))
def test_the_nearest_tick_is_at_most_half_a_tick_away(seconds):
    time = Time.of(seconds)
    assert abs(time.seconds - seconds) <= SAMPLES / 2
    assert Time.model_validate_json(time.model_dump_json()) == time


def test_halves_round_upwards_on_both_sides_of_zero():
    assert [round_half_up(Fraction(n, 2)) for n in (-3, -1, 1, 3)] == [-1, 0, 1, 2]


def test_clock_reads_as_minutes_and_seconds():
    assert [clock(s) for s in (0, 72.44, -0.5, 59.999, 3600)] == [
        "00:00.00",
        "01:12.44",
        "-00:00.50",
        "01:00.00",
        "60:00.00",
    ]


@pytest.mark.parametrize("text", ["", "1" * 99, "fast", "9 2", "1e3", "184/0", "92,5", "nan", "1_0"])
def test_inexact_numbers_are_refused(text):
    with pytest.raises(ValueError, match="is not a number"):
        exact_number(text, "tempo")


def test_numbers_are_taken_exactly():
    expected = {"92.5": Fraction(185, 2), "184/2": 92, " -.5 ": Fraction(-1, 2)}
    assert {text: exact_number(text, "tempo") for text in expected} == expected
