"""The law of extremes, held to SciPy's and to scores that we drew."""

import numpy as np
import pytest
from scipy.stats import gumbel_r

from partsong.lineup.chance import Law, law_of_extremes


def test_the_chance_agrees_with_scipys_law():
    law = Law(place=3.0, width=0.5, blocks=100)

    # Of 100 blocks any one: a hundred times the chance of one, where that is small (the union bound).
    expected = np.log10(100 * gumbel_r.sf(12.0, loc=3.0, scale=0.5))
    # 1e-6: the law's tail is an exponential but for a hundred-millionth here.
    assert law.log10_chance(12.0) == pytest.approx(expected, abs=1e-6)


def test_the_law_is_found_in_scores_that_follow_it(rng):
    scores = np.zeros((500, 20))
    scores[:, 7] = gumbel_r.rvs(loc=5.0, scale=0.7, size=500, random_state=rng)

    law = law_of_extremes(scores.ravel(), 20)

    assert law is not None
    # Three standard errors of quantiles of 500 draws: about 0.1 of the place, 0.08 of the width.
    assert law.place == pytest.approx(5.0, abs=0.1)
    assert law.width == pytest.approx(0.7, abs=0.08)


def test_nothing_stands_out_of_scores_alike(rng):
    scores = np.abs(rng.normal(size=20000))
    law = law_of_extremes(scores, 20)

    assert law is not None
    assert law.log10_chance(float(scores.max())) > -1.5  # once in thirty songs by chance


def test_too_few_blocks_give_no_law():
    assert law_of_extremes(np.ones(100), 20) is None
    assert law_of_extremes(np.zeros(10000), 20) is None
