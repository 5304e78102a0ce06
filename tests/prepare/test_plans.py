"""Lens, light, cards, noise and the day against handbook arithmetic and published tables."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film import cautions
from partsong.prepare import cards, light, optics, schedule

# --- optics: thin-lens geometry (S. F. Ray, Applied Photographic Optics, 3rd ed. 2002) ----------------


@pytest.mark.parametrize(
    ("sensor_mm", "focal_mm", "degrees"),
    [
        # Horizontal angle of view, 2 atan(w / 2f), computed apart from this code; 0.001 is half its last digit.
        (36, 14, 104.25),
        (36, 16, 96.733),
        (36, 24, 73.74),
        (36, 35, 54.432),
        (36, 50, 39.598),
        (36, 85, 23.913),
        (23.5, 16, 72.585),
        (23.5, 24, 52.171),
        (23.5, 35, 37.115),
        (17.3, 16, 56.794),
        (17.3, 24, 39.64),
    ],
)
def test_angle_of_view(sensor_mm: float, focal_mm: float, degrees: float) -> None:
    assert optics.angle_of_view_deg(focal_mm, sensor_mm) == pytest.approx(degrees, abs=0.001)


def test_field_width_at_three_metres() -> None:
    widths = [optics.field_width_m(focal, 36, 3) for focal in (16, 24, 35, 50)]
    assert widths == pytest.approx([6.75, 4.5, 3.0857, 2.16], abs=0.0001)  # w d / f


@pytest.mark.parametrize(
    ("focal_mm", "f_number", "focus_m", "near_m", "far_m", "tolerance_m"),
    [
        (16, 2.8, 2, 1.2114, 5.7307, 0.0005),
        (16, 2.8, 3, 1.5158, 143.71, 0.01),  # just short of the hyperfocal distance: the far limit is steep
        (24, 4, 2, 1.4168, 3.3994, 0.0005),
        (24, 4, 3, 1.8519, 7.8947, 0.0005),
        (24, 2.8, 3, 2.0921, 5.3004, 0.0005),
        (24, 2.8, 5, 2.8974, 18.226, 0.0005),
        (35, 4, 3, 2.3248, 4.228, 0.0005),
        (35, 4, 5, 3.3639, 9.7346, 0.0005),
        (50, 2.8, 3, 2.7295, 3.3301, 0.0005),
        (50, 2.8, 5, 4.287, 5.9975, 0.0005),
    ],
)
def test_depth_of_field(
    focal_mm: float, f_number: float, focus_m: float, near_m: float, far_m: float, tolerance_m: float
) -> None:
    sharp = optics.sharp_range(focal_mm, f_number, focus_m, 0.03)
    assert (sharp.near_m, sharp.far_m) == pytest.approx((near_m, far_m), abs=tolerance_m)


@pytest.mark.parametrize(
    ("focal_mm", "f_number", "hyperfocal_m"),
    [(16, 2.8, 3.0636), (24, 4, 4.824), (24, 2.8, 6.8811), (35, 4, 10.2433), (50, 2.8, 29.8119)],
)
def test_hyperfocal_distance(focal_mm: float, f_number: float, hyperfocal_m: float) -> None:
    assert optics.sharp_range(focal_mm, f_number, 1).hyperfocal_m == pytest.approx(hyperfocal_m, abs=0.0005)


def test_beyond_the_hyperfocal_distance_all_is_sharp() -> None:
    assert optics.sharp_range(16, 2.8, 5).far_m == math.inf


@given(st.floats(8, 200), st.floats(1.2, 22), st.floats(0.5, 50))
def test_the_focus_lies_within_what_is_sharp(focal_mm: float, f_number: float, focus_m: float) -> None:
    sharp = optics.sharp_range(focal_mm, f_number, focus_m)
    assert 0 < sharp.near_m < focus_m < sharp.far_m


def test_lengths_that_cannot_be_are_refused() -> None:
    with pytest.raises(InvalidInput, match="focal length must be above zero"):
        optics.angle_of_view_deg(0, 36)
    with pytest.raises(InvalidInput, match="distance must be above zero"):
        optics.field_width_m(24, 36, math.nan)
    with pytest.raises(InvalidInput, match=r"cannot focus at 0\.02 m"):
        optics.sharp_range(24, 4, 0.02)


# --- light --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("times", "stops"), [(2**0.5, -1), (2, -2), (3, -3.1699), (4, -4), (0.5, 2)])
def test_inverse_square_fall_off(times: float, stops: float) -> None:
    # -2 log2(k), any optics handbook; 0.0001 is the printed value's rounding.
    assert light.stops_between(1.5, 1.5 * times) == pytest.approx(stops, abs=0.0001)


@pytest.mark.parametrize(
    ("degrees", "metres", "width_m"),
    [(15, 2, 0.5266), (30, 3, 1.6077), (45, 2, 1.6569), (55, 3, 3.1234), (60, 2, 2.3094)],
)
def test_beam_width(degrees: float, metres: float, width_m: float) -> None:
    # 2 d tan(A / 2), any optics handbook.
    assert light.beam_width_m(degrees, metres) == pytest.approx(width_m, abs=0.0005)


@pytest.mark.parametrize(
    ("watts", "volts", "amperes"),
    [(1000, 120, 8.3333), (1920, 120, 16), (2000, 120, 16.6667), (300, 230, 1.3043), (3000, 230, 13.0435)],
)
def test_current_of_filament_lamps(watts: float, volts: float, amperes: float) -> None:
    load = light.circuit_load([watts], volts=volts, breaker_a=20)
    assert load.current_a == pytest.approx(amperes, abs=0.0001)  # P / V


@pytest.mark.parametrize(
    ("breaker_a", "volts", "allowed_a", "allowed_watts"),
    [
        # NFPA 70 (National Electrical Code) 210.20(A); the last three apply its share as a habit, no source.
        (15, 120, 12, 1440),
        (20, 120, 16, 1920),
        (10, 230, 8, 1840),
        (13, 230, 10.4, 2392),
        (16, 230, 12.8, 2944),
    ],
)
def test_a_continuous_load_may_use_four_fifths(
    breaker_a: float, volts: float, allowed_a: float, allowed_watts: float
) -> None:
    load = light.circuit_load([100], volts=volts, breaker_a=breaker_a)
    assert (load.allowed_a, load.allowed_watts) == pytest.approx((allowed_a, allowed_watts), abs=1e-9)


def test_a_load_fits_up_to_the_share_and_no_further() -> None:
    assert light.circuit_load([1000, 920], volts=120, breaker_a=20).fits
    assert not light.circuit_load([1000, 921], volts=120, breaker_a=20).fits
    assert not light.circuit_load([1000], volts=120, breaker_a=20, power_factor=0.5).fits


def test_loads_that_cannot_be_are_refused() -> None:
    with pytest.raises(InvalidInput, match="no lamp to add up"):
        light.circuit_load([], volts=230, breaker_a=16)
    with pytest.raises(InvalidInput, match="power factor"):
        light.circuit_load([100], volts=230, breaker_a=16, power_factor=1.2)
    with pytest.raises(InvalidInput, match="between 0 and 180"):
        light.beam_width_m(180, 2)


# --- cards: rate x time / 8, decimal gigabytes --------------------------------------------------------


@pytest.mark.parametrize(
    ("mbit", "seconds", "gigabytes"),
    [(100, 3600, 45), (50, 3600, 22.5), (140, 600, 10.5), (400, 240, 12), (600, 300, 22.5)],
)
def test_recorded_size(mbit: int, seconds: int, gigabytes: float) -> None:
    size = cards.recorded_bytes(Fraction(mbit), Fraction(seconds))
    assert size == Fraction(gigabytes) * cards.GIGABYTE


def test_twelve_takes_and_their_copies() -> None:
    found = cards.card_sum(Fraction(100), Fraction(300), 12, copies=2)
    assert (found.all_takes_gb, found.with_copies_gb) == (45.0, 135.0)


@pytest.mark.parametrize(("card_gb", "minutes"), [(64, 85.333), (128, 170.667), (256, 341.333), (512, 682.667)])
def test_a_card_holds_nine_tenths_of_its_minutes(card_gb: int, minutes: float) -> None:
    # A card filled to the brim at 100 Mbit/s holds c x 8e9 / rate / 60 minutes; a tenth of it is kept free.
    found = cards.card_sum(Fraction(100), Fraction(60), 1000, card_gb=Fraction(card_gb))
    assert found.takes_per_card == math.floor(minutes * 0.9)
    assert found.cards == math.ceil(1000 / found.takes_per_card)


def test_a_take_larger_than_a_card_is_refused() -> None:
    with pytest.raises(InvalidInput, match=r"One take of 12\.0 GB does not fit on a card of 13 GB"):
        cards.card_sum(Fraction(400), Fraction(240), 1, card_gb=Fraction(13))
    with pytest.raises(InvalidInput, match="above zero"):
        cards.card_sum(Fraction(0), Fraction(240), 1)


# --- noise: NIOSH Publication 98-126, Table 1-1 --------------------------------------------------------


@pytest.mark.parametrize(
    ("dba", "minutes"),
    [
        (80, 1523.905),
        (82, 960),
        (85, 480),
        (88, 240),
        (91, 120),
        (94, 60),
        (97, 30),
        (100, 15),
        (103, 7.5),
        (115, 0.46875),
    ],
)
def test_allowed_time_at_a_sound_level(dba: float, minutes: float) -> None:
    assert cautions.allowed_minutes(dba) == pytest.approx(minutes, abs=0.001)


def test_the_caution_says_what_the_table_says() -> None:
    for level, words in ((88, "4 hours"), (94, "1 hour"), (100, "15 minutes")):
        minutes = cautions.allowed_minutes(level)
        told = f"{minutes / 60:.0f} hour" if minutes >= 60 else f"{minutes:.0f} minutes"
        assert f"{level} dB(A) {words}" in cautions.HEARING.text
        assert words.startswith(told)
    with pytest.raises(InvalidInput, match="not to be heard at all"):
        cautions.allowed_minutes(141)


# --- the day ------------------------------------------------------------------------------------------

PARTS = [("cajon", "cajón"), ("bass", "upright bass"), ("harmonium", "harmonium")]
PACE = schedule.Pace(60, 10, 25, 4, 3, 1, 45, 30, 20)


def _day(**changes: object) -> schedule.Day:
    given: dict[str, object] = {"song_s": Fraction(150), "start": 540, "end": 1080, "pace": PACE, **changes}
    return schedule.plan_day(PARTS, **given)  # type: ignore[arg-type]


def test_a_day_adds_up_by_hand() -> None:
    # 150 s is 3 minutes, with 3 between takes 6; three parts x 5 takes x 6 = 90; set-ups 3 x 25 = 75; rig and plate
    # 70; 20 % of 235 = 47; break 45; strike 30: 357 minutes, of 540.
    day = _day()
    assert day.entries[-1].stop - 540 == 357
    assert day.sums[-1] == "together: 357 min of 540 min"
    assert day.fits


def test_a_day_done_by_noon_has_no_break_in_its_sums() -> None:
    day = _day(start=420, end=1200)
    assert not [entry for entry in day.entries if entry.work == "break"]
    assert day.entries[-1].stop - 420 == 357 - 45
    assert "rig 60 + plate 10 + break 0 + strike 30 min" in day.sums


def test_a_day_that_is_too_short_says_by_how_much() -> None:
    day = _day(end=540 + 300)
    assert (day.fits, day.over_minutes) == (False, 57)


def test_entries_follow_each_other_without_gaps() -> None:
    day = _day()
    assert day.entries[0].start == 540
    assert all(later.start == earlier.stop for earlier, later in zip(day.entries, day.entries[1:], strict=False))
    assert [entry.part for entry in day.entries if entry.work == "takes"] == ["cajon", "bass", "harmonium"]


def test_parts_that_share_a_setup_follow_each_other_and_save_one() -> None:
    day = _day(setups={"cajon": "window", "harmonium": "window"})
    assert [entry.part for entry in day.entries if entry.work == "takes"] == ["cajon", "harmonium", "bass"]
    assert sum(entry.work == "set-up" for entry in day.entries) == 2
    # One set-up of 25 minutes less, and 20 % of it.
    assert day.entries[-1].stop == _day().entries[-1].stop - 30


def test_the_break_comes_once_between_setups_near_the_middle() -> None:
    day = _day(end=540 + 360)
    at = [number for number, entry in enumerate(day.entries) if entry.work == "break"]
    assert len(at) == 1
    assert day.entries[at[0]].start <= 540 + 180
    assert day.entries[at[0] + 1].work in ("set-up", "spare")


def test_days_that_cannot_be_are_refused() -> None:
    with pytest.raises(InvalidInput, match="no parts to film"):
        schedule.plan_day([], song_s=Fraction(60), start=0, end=60)
    with pytest.raises(InvalidInput, match="before it starts"):
        _day(end=500)
    with pytest.raises(InvalidInput, match="setup minutes cannot be below zero"):
        _day(pace=schedule.Pace(setup_minutes=-1))
    for text in ("9", "25:00", "09:60", "9.30", ""):
        with pytest.raises(InvalidInput, match="not a time of day"):
            schedule.minutes_of(text)
