"""Two hearings of places together: neither clear, both clear, and what chance does."""

import math

import numpy as np
import pytest

from partsong.lineup.pooled import Told, pool

SUM_SCALE, NOTES_SCALE = 0.16, 0.80


def told(*places):
    return [Told(slip_s, evidence) for slip_s, evidence in places]


def test_what_neither_is_clear_about_both_are():
    # Each hearing puts another place first, and both put 50 s second.
    sums = told((3, 60), (50, 57), (70, 12))
    notes = told((20, 32), (50.01, 31), (90, 24))

    chosen = pool(sums, notes)

    assert chosen.slip_s == pytest.approx(50, abs=0.02)
    second = math.log(60) / SUM_SCALE + 24 / NOTES_SCALE
    first = math.log(57) / SUM_SCALE + 31 / NOTES_SCALE
    assert chosen.lead == pytest.approx(first - second)


def test_the_order_of_places_does_not_matter():
    sums, notes = told((3, 60), (50, 57), (70, 12)), told((20, 32), (50.01, 31), (90, 24))

    there, back = pool(sums, notes), pool(sums[::-1], notes[::-1])

    assert (back.slip_s, back.lead) == pytest.approx((there.slip_s, there.lead), abs=0.02)


def test_notes_that_are_hardly_heard_speak_for_no_place():
    # As of timecode against white noise.
    chosen = pool(told((3, 15), (50, 10), (70, 12)), told((20, 0.3), (60, 0.2), (90, 0.2)))

    assert chosen.lead == pytest.approx(math.log(15 / 12) / SUM_SCALE)


@pytest.mark.parametrize(("apart_s", "adds"), [(0.03, True), (-0.03, True), (0.06, False), (-0.06, False)])
def test_readings_add_only_where_they_are_near_each_other(apart_s, adds):
    chosen = pool(told((50, 40), (3, 30), (70, 12)), told((50 + apart_s, 31), (20, 30), (90, 24)))

    alone = (math.log(40) - math.log(30)) / SUM_SCALE
    assert (chosen.lead > alone + 3) == adds


def test_faint_evidence_counts_as_none():
    notes = told((50, 31), (20, 30), (90, 24))

    assert pool(told((50, 10), (3, 0.5), (70, -4.0)), notes) == pool(told((50, 9), (3, 0.1), (70, 0.0)), notes)


def test_a_place_that_stands_alone_leads_by_nothing():
    # Everything within the same 0.15 s is one place.
    assert pool(told((50, 40), (50.02, 30), (50.05, 12)), told((50, 31), (50.05, 24))).lead == 0.0


@pytest.mark.parametrize(("sums", "notes"), [(2, 8), (9, 1), (0, 0)])
def test_too_few_places_say_nothing(sums, notes):
    assert pool(told(*((9 * n, 20 + n) for n in range(sums))), told(*((7 * n, 1 + n) for n in range(notes)))) is None


def test_both_places_of_music_that_comes_back_lead_all_others():
    chosen = pool(told((3, 100), (50, 60), (70, 12)), told((3, 40), (50.01, 40), (90, 20)))

    assert chosen.slip_s == 3.0
    assert chosen.lead == pytest.approx(math.log(100 / 60) / SUM_SCALE)
    assert chosen.of_both == pytest.approx(math.log(60 / 12) / SUM_SCALE + (40 - 20) / NOTES_SCALE)


def test_the_first_of_random_places_leads_by_one_on_average():
    # Rényi (1953): of exponential variables the highest leads the second by the scale on average, however many, and
    # that the third by half of it.
    rng = np.random.default_rng(5)
    even = told((500, 1.0), (700, 1.0))  # the notes prefer nothing
    leads = []
    for _ in range(3000):
        scores = 20 * np.exp(SUM_SCALE * rng.exponential(size=12))
        chosen = pool(told(*zip(10.0 * np.arange(12), scores, strict=True)), even)
        leads.append((chosen.lead, chosen.of_both))

    # Three standard errors of the mean of 3000 exponential leads.
    assert np.mean(leads, axis=0) == pytest.approx([1.0, 0.5], abs=0.055)


def test_two_hearings_of_nothing_hardly_ever_lead_by_eight():
    rng = np.random.default_rng(6)
    leads = []
    for _ in range(3000):
        places_s = rng.uniform(0, 200, 20)
        sums = zip(places_s[:12], 20 * np.exp(SUM_SCALE * rng.exponential(size=12)), strict=True)
        notes = zip(places_s[12:], NOTES_SCALE * rng.exponential(size=8), strict=True)
        leads.append(pool(told(*sums), told(*notes)).lead)

    # One in e^8, 3000, for either hearing alone to lead so.
    assert np.sum(np.array(leads) >= 8) <= 6
    assert np.median(leads) < 2
