"""Rows that follow, and rows that do so by chance."""

import numpy as np

from partsong.lineup.following import followed, unlike


def test_only_rows_that_follow_all_through_count(rng):
    # Row 0 holds the moving side at lag 300 all through; row 1 holds its first sixth much louder at lag 100.
    moving = rng.normal(size=(1, 600))
    fixed = rng.normal(size=(5, 1200)) * 0.5
    fixed[0, 300:900] += moving[0]
    fixed[1, 100:200] += 8 * moving[0, :100]

    first, scores = followed(moving, fixed, 6)

    assert first == -599
    assert scores.shape == (6, 1799)
    assert first + int(np.argmax(scores.sum(axis=0))) == 300
    assert (scores[:, 300 - first] > 0).all()


def test_scores_are_those_of_plain_sums(rng):
    moving, fixed = rng.normal(size=(1, 8)), rng.normal(size=(2, 10))

    first, scores = followed(moving, fixed, 2)

    lag = 1  # both halves lie on the other side
    own = [[fixed[row, lag + start : lag + start + 4] @ moving[0, start : start + 4] for row in (0, 1)]
           for start in (0, 4)]  # fmt: skip
    expected = [sum(max(own[1 - half][row], 0) ** 2 * own[half][row] for row in (0, 1)) for half in (0, 1)]
    # Single precision inside.
    np.testing.assert_allclose(scores[:, lag - first], expected, rtol=1e-4, atol=1e-4)


def test_unlike_rows_hardly_correlate(rng):
    shared = rng.normal(size=4000)
    tracks = rng.normal(size=(6, 4000)) + 2 * shared

    before, after = np.corrcoef(tracks), np.corrcoef(unlike(tracks, 0.1))

    upper = np.triu_indices(6, 1)
    assert before[upper].min() > 0.7
    assert np.abs(after[upper]).max() < 0.2
