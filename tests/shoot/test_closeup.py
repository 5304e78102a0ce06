"""The jump of a camera, side by side: the same pixels, where nobody moves, enlarged."""

from __future__ import annotations

import numpy as np

from partsong.shoot.closeup import side_by_side


def test_a_jump_is_shown_where_nobody_moves_by_as_much_as_it_was() -> None:
    before = np.full((270, 480), 0.2, np.float32)
    before[100:130, 300:330] = 0.6  # a box, whose corners keep still
    before[40:80, 60:100] = 1.0  # clearer, but it is the player
    after = np.roll(before, (2, 3), axis=(0, 1))
    free = np.ones((27, 48), bool)
    free[:, :20] = False
    shown = side_by_side(before, after, free, 964)
    assert shown is not None
    assert shown.shape == (270, 964, 3)
    left, right = (part[..., 1] > 200 for part in (shown[:, :480], shown[:, 484:]))
    # Both halves are 5 times as large; an edge may lie under the cross, which is a pixel wide.
    first, second = (np.argwhere(half).min(axis=0) for half in (left, right))
    assert np.abs(second - first - (10, 15)).max() <= 1


def test_nothing_is_shown_where_somebody_moves_everywhere() -> None:
    picture = np.random.default_rng(1).random((270, 480), np.float32)
    assert side_by_side(picture, picture, np.zeros((27, 48), bool), 960) is None
    assert side_by_side(picture[:60], picture[:60], np.ones((6, 48), bool), 960) is None
