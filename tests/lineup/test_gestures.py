"""Gestures: where a hand is around its note, and how it gets there."""

import numpy as np
import pytest

from partsong.lineup.gestures import BOWS, WAYS, drawn, reach

STRUCK, PRESSED, PLUCKED = WAYS
AT_S = np.arange(-900, 901) / 1000


def test_a_reaching_movement_is_fastest_halfway_by_15_eighths_of_its_mean():
    # Minimum jerk: Flash and Hogan, The Journal of Neuroscience 5 (1985), whose peak speed is 1.875 times the mean.
    share = np.linspace(0, 1, 2001)
    speed = np.gradient(reach(share), share)

    assert reach(np.array([-1.0, 0.0, 0.5, 1.0, 2.0])) == pytest.approx([0, 0, 0.5, 1, 1])
    assert share[np.argmax(speed)] == pytest.approx(0.5)
    assert speed.max() == pytest.approx(1.875, abs=1e-3)
    assert speed[[0, -1]] == pytest.approx([0, 0], abs=1e-5)


def test_a_stroke_lands_at_its_note_where_it_is_fastest_and_springs_off():
    lift_s, fall_s, force, hold_s, spring_s, height = 0.2, 0.1, 2.0, 0.05, 0.3, 0.4
    values = np.array([np.log(lift_s), np.log(fall_s), force, hold_s, np.log(spring_s), height])

    travelled, place = STRUCK.curves(values, AT_S)

    note = np.searchsorted(AT_S, 0.0)
    assert place[note] == pytest.approx(0, abs=1e-9)
    assert place[AT_S <= -0.351].max() == pytest.approx(0, abs=1e-9)  # before the lift
    assert place[(AT_S > -0.149) & (AT_S < -0.101)] == pytest.approx(1, abs=1e-3)  # held aloft
    assert place[(AT_S > 0) & (spring_s > AT_S)].max() == pytest.approx(height, abs=1e-3)
    assert place[spring_s < AT_S] == pytest.approx(0, abs=1e-9)
    assert abs(AT_S[np.argmax(np.diff(travelled))]) <= 0.0021
    # Up and down once, and off and back by the height of the spring.
    assert travelled[-1] == pytest.approx(2 + 2 * height)
    assert np.all(np.diff(travelled) >= -1e-12)


def test_a_pluck_begins_at_its_note_and_comes_back():
    travelled, place = PLUCKED.curves(np.array([np.log(0.08), 0.05, np.log(0.3)]), AT_S)

    assert place[AT_S <= -0.0101].max() == pytest.approx(0, abs=1e-9)
    assert place[(AT_S > 0.071) & (AT_S < 0.119)] == pytest.approx(1, abs=1e-3)
    assert place[AT_S > 0.43] == pytest.approx(0, abs=1e-9)
    assert travelled[-1] == pytest.approx(2)


def test_what_is_pressed_is_plucked_seen_backwards():
    values = np.array([np.log(0.09), 0.03, np.log(0.24)])

    travelled, place = PRESSED.curves(values, AT_S)

    # A string sounds 10 ms after the finger has begun to move, a key when it has come to rest.
    assert place == pytest.approx(PLUCKED.curves(values, -AT_S - 0.01)[1], abs=1e-9)
    assert place[AT_S >= 0].max() == pytest.approx(0, abs=1e-9)
    assert travelled[-1] - travelled[0] == pytest.approx(2)
    assert np.all(np.diff(travelled) >= -1e-12)


@pytest.mark.parametrize(("longest_s", "swells"), BOWS)
def test_a_bow_has_come_all_the_way_at_the_next_note_or_when_it_is_as_long_as_it_can_be(longest_s, swells):
    notes_s = np.array([1.0, 1.4, 2.9, 7.0])

    way = drawn(np.array([0.2, 1.0, 1.2, 1.3999, 1.4, 2.8999, 6.9]), notes_s, longest_s, swells)

    assert way == pytest.approx([0, 0, 0.5, 1, 0, 1 if longest_s <= 1.5 else way[5], 1], abs=2e-3)
    assert 0.5 < way[5] <= 1
    inside = drawn(np.linspace(2.9, 2.9 + longest_s, 1000), notes_s, longest_s, swells)
    assert np.all(np.diff(inside) >= 0)
    if not swells:  # between its turns of 80 ms it keeps its speed
        middle = np.diff(inside)[200:800]
        assert middle == pytest.approx(middle.mean(), rel=1e-6)


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.name)
def test_what_is_tried_is_possible_and_the_usual_is_likeliest(way):
    unlikely = np.array([way.unlikely(values) for values in way.tried])

    assert np.isfinite(unlikely).all()
    assert way.unlikely(way.usual[:, 0]) == 0 <= unlikely.min()
    assert way.unlikely(way.within[:, 1] + 0.01) == np.inf
