"""Readings of one place: gestures that are known, in cells that show them and cells that do not."""

import numpy as np
import pytest

from partsong.lineup.gestures import WAYS, drawn
from partsong.lineup.readings import Place, Take, local_mean

STRUCK, PRESSED, PLUCKED = WAYS
START_S = 3.217
FRAMES = 900


def notes_of(rng):
    return 1.0 + np.cumsum(rng.uniform(0.5, 1.4, 50))


def plain(tracks, rate_hz):
    return tracks - local_mean(tracks, round(rate_hz / 2))


def taken(rng, rate_hz, travelled, place, noise=0.6):
    """Film a hand: four cells of twenty move as it does, and each part of them looks as its place makes it look."""
    moved = np.diff(travelled)
    moves = noise * moved.std() * rng.normal(size=(20, len(moved)))
    moves[4:8] += rng.uniform(0.5, 1.5, (4, 1)) * moved
    moves = plain(moves, rate_hz)
    moves /= np.sqrt(np.sum(moves**2, axis=1, keepdims=True))
    looks = noise * place.std() * rng.normal(size=(20, 4, len(moved)))
    bends = rng.uniform(-1, 1, (2, 4, 4, 1))
    looks[4:8] += bends[0] * place[:-1] + bends[1] * np.sin(4 * place[:-1])
    return Take(moves, plain(looks, rate_hz), np.ones(len(moved)), rate_hz)


def played(rng, way, values, rate_hz, notes_s):
    at_s = START_S + np.arange(FRAMES + 1) / rate_hz
    both = [way.curves(values, at_s - note_s) for note_s in notes_s]
    return taken(rng, rate_hz, np.sum([one for one, _ in both], axis=0), np.sum([one for _, one in both], axis=0))


@pytest.mark.parametrize("rate_hz", [24.0, 30000 / 1001, 50.0])
@pytest.mark.parametrize(
    ("way", "values"),
    [
        (STRUCK, [np.log(0.3), np.log(0.07), 1.5, 0.02, np.log(0.2), 0.5]),
        (STRUCK, [np.log(0.15), np.log(0.14), 2.2, 0.0, np.log(0.35), 0.6]),  # lifted as fast as it falls
        (PLUCKED, [np.log(0.07), 0.05, np.log(0.3)]),
    ],
)
def test_the_gesture_that_was_made_is_read_to_a_fifth_of_a_frame(rng, way, values, rate_hz):
    notes_s = notes_of(rng)
    take = played(rng, way, np.array(values), rate_hz, notes_s)

    # A tenth of a second off: the place is read within 0.44 s to either side.
    best, *others = Place(take, notes_s, START_S + 0.1).hands()

    assert best.way == way.name
    assert abs(best.start_s - START_S) <= 0.2 / rate_hz
    apart = [other.nats for other in others if abs(other.start_s - best.start_s) > 1 / rate_hz]
    assert best.nats > max(apart) + 10
    assert best.nats > best.moved > 0
    assert len(best.stretches) == take.stretches
    assert np.mean(best.stretches > 0) > 0.9


def test_looks_tell_a_stroke_from_a_pluck_that_moves_just_as_much(rng):
    # A lift of 0.1 s and a fall of 0.1 s after it: as movement, also a pull at -0.2 s and its way back.
    notes_s = notes_of(rng)
    values = np.array([np.log(0.1), np.log(0.1), 1.2, 0.0, np.log(0.25), 0.6])
    take = played(rng, STRUCK, values, 25.0, notes_s)
    blind = Take(take.moves, rng.normal(size=take.looks.shape), take.counts, take.rate_hz)

    readings, guesses = (Place(one, notes_s, START_S).hands() for one in (take, blind))

    def ahead_of_plucks(found):
        plucked = max(reading.nats for reading in found if reading.way == "plucked")
        return max(reading.nats for reading in found if reading.way == "struck") - plucked

    assert readings[0].way == "struck"
    assert abs(readings[0].start_s - START_S) <= 0.2 / 25
    assert ahead_of_plucks(readings) > 2 * ahead_of_plucks(guesses)


def test_what_looks_alike_both_ways_is_read_both_ways(rng):
    notes_s = notes_of(rng)
    take = played(rng, PRESSED, np.array([np.log(0.2), 0.02, np.log(0.2)]), 25.0, notes_s)

    best = {}
    for reading in Place(take, notes_s, START_S).hands():
        best.setdefault(reading.way, reading)

    # The same movement begins 0.42 s before it ends; a string sounds 10 ms after it is let go.
    assert best["pressed"].start_s == pytest.approx(START_S, abs=0.02)
    assert best["plucked"].start_s == pytest.approx(START_S + 0.41, abs=0.02)
    assert best["pressed"].nats == pytest.approx(best["plucked"].nats, abs=0.5)


@pytest.mark.parametrize("swells", [True, False])
def test_a_bow_is_read_by_its_movement(rng, swells):
    notes_s = notes_of(rng)
    at_s = START_S + np.arange(FRAMES + 1) / 25
    stroke = drawn(at_s, notes_s, 1.2, swells)
    number = np.clip(np.searchsorted(notes_s, at_s, side="right") - 1, 0, None)
    place = np.where(number % 2 == 0, stroke, 1 - stroke)
    travelled = np.cumsum(np.abs(np.diff(place, prepend=place[0])))
    take = taken(rng, 25.0, travelled, place, noise=0.3)

    at = Place(take, notes_s, START_S + 0.07)
    glance = at.glance()

    assert glance.bow > glance.hand_moved + 10
    assert at.bows()[0].nats == glance.bow
    assert abs(at.bows()[0].start_s - START_S) <= 0.3 / 25
    assert np.mean(at.bows()[0].stretches > 0) > 0.9


def test_a_glance_sees_what_a_reading_refines(rng):
    notes_s = notes_of(rng)
    take = played(rng, STRUCK, np.array([np.log(0.2), np.log(0.1), 2.0, 0.02, np.log(0.3), 0.3]), 25.0, notes_s)

    right, wrong = (Place(take, notes_s, at_s).glance() for at_s in (START_S + 0.2, START_S + 7.3))

    assert abs(right.hand_s - START_S) <= 0.021  # a step
    assert right.hand > 3 * wrong.hand
    assert right.hand_moved > 3 * wrong.hand_moved


def test_nothing_to_see_says_next_to_nothing(rng):
    notes_s = notes_of(rng)
    moves = plain(rng.normal(size=(20, FRAMES)), 25.0)
    noise = Take(
        moves / np.sqrt(np.sum(moves**2, axis=1, keepdims=True)),
        plain(rng.normal(size=(20, 4, FRAMES)), 25.0),
        np.ones(FRAMES),
        25.0,
    )
    still = Take(noise.moves, np.zeros((20, 4, FRAMES)), np.ones(FRAMES), 25.0)

    assert Place(noise, notes_s, START_S).glance().hand < 12  # less than a place must lead by
    # Where nothing looks different, looks say nothing: what is left is movement.
    glance = Place(still, notes_s, START_S).glance()
    assert glance.hand == pytest.approx(glance.hand_moved)
    # Away from all notes nothing is foretold.
    assert Place(noise, notes_s, START_S + 500).glance().hand == pytest.approx(0, abs=1e-6)


def test_the_local_mean_is_of_what_lies_within_reach():
    assert local_mean(np.array([1.0, 2.0, 6.0, 3.0]), 1) == pytest.approx([1.5, 3, 11 / 3, 4.5])
