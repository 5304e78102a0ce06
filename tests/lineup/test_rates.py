"""Events that some bands foretell, each at a rate of its own."""

import numpy as np
import pytest

from partsong.lineup.rates import foretold


@pytest.fixture
def heard(rng):
    """Return events over 6000 frames, and bands of 9000 of which the second has foretold them from frame 2000 on."""
    bands = (rng.random((4, 9000)) < 0.02).astype(float)
    struck = bands[1, 2000:8000] * (rng.random(6000) < 0.8) + (rng.random(6000) < 0.002)
    return np.flatnonzero(struck), bands


def test_events_are_likeliest_where_a_band_foretells_them(heard):
    at, bands = heard
    lags = [*range(0, 2000, 100), 2000, *range(2100, 3000, 100)]

    scores = foretold(at, 6000, bands, lags, 12)

    assert scores.shape == (30, 12)
    assert lags[int(np.argmax(scores.sum(axis=1)))] == 2000
    assert (scores[20] > 10).all()
    # What was learned from other stretches holds for none that is scored.
    assert np.delete(scores, 20, axis=0).sum(axis=1).max() < 10


def test_odds_are_those_of_known_rates(heard):
    # With so many events as to learn the rates well, against Poisson's likelihoods of the rates that made them.
    at, bands = heard

    told = foretold(at, 6000, bands[1:2], [2000], 12).sum()

    rate = 0.0018 + 0.8 * bands[1, 2000:8000]
    usual = len(at) / 6000
    exact = np.log(rate[at] / usual).sum() - (rate.sum() - usual * 6000)
    assert told == pytest.approx(exact, rel=0.1)


def test_what_is_foretold_and_does_not_come_counts_against_a_place(heard):
    at, bands = heard
    more = bands.copy()
    more[1, 2000:8000:11] = 1

    few, many = (foretold(at, 6000, rows, [2000], 12).sum() for rows in (bands, more))

    assert many < 0.6 * few


def test_a_place_without_events_has_no_odds(heard):
    at, bands = heard

    assert not foretold(at, 6000, bands, [9500, -7000], 12).any()
    assert np.isfinite(foretold(at, 6000, np.zeros_like(bands), [2000], 12)).all()
