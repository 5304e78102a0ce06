"""How late sound arrives, held to the reference speed of sound; and which way the delay goes."""

from fractions import Fraction

import pytest

from partsong.errors import InvalidInput
from partsong.film.records import Candidate, Evidence, Placement
from partsong.lineup.arrival import (
    SOUND_M_PER_S,
    USUAL_DELAY_S,
    delay_over,
    picture_start_s,
    sound_start_s,
    with_delay,
)
from partsong.timebase import Time


@pytest.mark.parametrize(("distance_m", "delay_ms"), [(1, 2.914), (3, 8.741), (5, 14.569), (10, 29.138)])
def test_travel_time_at_20_degrees(distance_m, delay_ms):
    # ISO 9613-1 takes 343.2 m/s at 20 degrees C (from memory); the times are its quotients, to a microsecond.
    delay = delay_over(distance_m)

    assert delay.rests_on == "measured"
    assert delay.seconds * 1e3 == pytest.approx(delay_ms, abs=1e-3)


def test_speed_of_sound_agrees_with_the_straight_line_rule():
    # 331.3 + 0.606 t: common practice, no source; the two differ by 0.22 m/s at 20 degrees C.
    assert pytest.approx(331.3 + 0.606 * 20, abs=0.25) == SOUND_M_PER_S


def test_an_unknown_distance_is_said_to_be_assumed():
    delay = delay_over(None)

    assert delay.rests_on == "assumed"
    assert delay.seconds == USUAL_DELAY_S


def test_the_signs_once():
    # A drum is struck at song time 10.000 s. The camera, three metres away, records the blow 8.741 ms after it shows
    # it. In the clip the blow is seen at media time 4.000 s, so it is heard at 4.008741 s.
    delay_s = delay_over(3).seconds
    seen_s, heard_s, struck_s = 4.0, 4.0 + delay_s, 10.0
    sound_line_start_s = struck_s - heard_s  # what any comparison of sounds finds

    start_s = picture_start_s(sound_line_start_s, delay_s)

    # The frame that shows the blow must lie on the blow. 1e-12: rounding.
    assert start_s + seen_s == pytest.approx(struck_s, abs=1e-12)
    assert start_s > sound_line_start_s
    assert sound_start_s(start_s, delay_s) == pytest.approx(sound_line_start_s, abs=1e-12)


@pytest.mark.parametrize("distance_m", [0, -1, float("nan")])
def test_refuses_a_distance_that_is_none(distance_m):
    with pytest.raises(InvalidInput, match="not above zero"):
        delay_over(distance_m)


@pytest.mark.parametrize(
    ("method", "by_hand", "moves"),
    [("phase", False, True), ("onsets", False, True), ("picture: x", False, False), ("timecode", False, False),
     ("phase", True, False)],
)  # fmt: skip
def test_only_what_was_read_through_air_moves_with_the_distance(method, by_hand, moves):
    before = Placement(
        take="a",
        confidence="sure",
        start=Time.of(2),
        arrival_delay=Time.of(Fraction(1, 100)),
        candidates=(Candidate(start=Time.of(2), score=1.0), Candidate(start=Time.of(5), score=0.5)),
        evidence=Evidence(method=method),
        by_hand=by_hand,
    )
    after = with_delay(before, delay_over(6.864))

    # 6.864 m are 20 ms: 10 more than were assumed.
    by_s = Fraction(1, 100) if moves else 0
    assert after.start.seconds == 2 + by_s
    assert [one.start.seconds for one in after.candidates] == [2 + by_s, 5 + by_s]
    assert after.arrival_delay.seconds == Fraction(2, 100)
    assert after.delay_from == "measured"
    assert with_delay(after, delay_over(None)).start == before.start  # and back again
