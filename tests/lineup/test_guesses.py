"""Odds of every place, by guesses of what foretells events."""

import numpy as np
import pytest
from scipy.stats import poisson

from partsong.lineup import guesses
from partsong.lineup.guesses import by_stretch, odds


@pytest.fixture
def heard(rng):
    """Return events over 6000 frames, and three guesses over 9000, the second of which foretold them from 2000 on."""
    told = np.where(rng.random((3, 9000)) < 0.02, 0.9, 0.001)
    struck = rng.random(6000) < told[1, 2000:8000] * 0.8 + 0.004
    return np.flatnonzero(struck), told.astype(np.float16)


def test_odds_are_those_of_poissons_law(heard):
    at, told = heard
    places = odds(at, 6000, told)
    counts = np.bincount(at, minlength=6000)

    # SciPy's law, frame by frame, at the right place, another, and two over the ends, beyond which nothing is foretold.
    assert places.shape == (6000 + 9000 - 1,)
    for lag in (2000, 431, -3000, 7700):
        frames = np.arange(6000) + lag
        inside = (frames >= 0) & (frames < 9000)
        each = []
        for guess in told.astype(np.float64):
            here = np.where(inside, guess[np.clip(frames, 0, 8999)], 0)
            for share, beside in guesses._MANNERS:
                rate = share * here + beside * len(at) / 6000
                each.append(poisson.logpmf(counts, rate).sum() - poisson.logpmf(counts, len(at) / 6000).sum())
        expected = np.logaddexp.reduce(each) - np.log(len(each))
        # Single precision.
        assert places[lag + 5999] == pytest.approx(expected, abs=0.01)
    assert int(np.argmax(places)) - 5999 == 2000


def test_stretches_add_up_to_the_guess_that_fits_best(heard):
    at, told = heard

    stretches = by_stretch(at, 6000, told, [2000, 431], 12)

    assert stretches.shape == (2, 12)
    best = [max(odds_of(at, guess, lag) for guess in told) for lag in (2000, 431)]
    np.testing.assert_allclose(stretches.sum(axis=1), best, atol=0.01)
    assert (stretches[0] > 3).all()


def odds_of(at, guess, lag):
    """Return the odds of a place by one guess in its best manner."""
    found = []
    for manner in guesses._MANNERS:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(guesses, "_MANNERS", (manner,))
            found.append(odds(at, 6000, guess[None])[lag + 5999])
    return max(found)


def test_many_guesses_are_paid_for(heard):
    at, told = heard
    more = np.concatenate([told, np.full((27, 9000), 0.0, np.float16)])

    few, many = (odds(at, 6000, some)[2000 + 5999] for some in (told, more))

    # One of thirty instead of one of three; the others say nothing.
    assert few - many == pytest.approx(np.log(10), abs=0.01)


def test_of_no_guesses_there_are_no_odds():
    assert (odds(np.array([3, 9]), 20, np.zeros((0, 50), np.float16)) == -np.inf).all()
