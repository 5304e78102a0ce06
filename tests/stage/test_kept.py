"""Where seams lie, as lines."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.stage.kept import seam_lines


@pytest.mark.parametrize("turn", [0, 1])
def test_a_seam_lies_where_both_takes_show_alike(turn):
    # Two takes share a picture along column 30: a ramp 16 pixels wide, whose middle is known.
    right = np.tile(np.clip((np.arange(80) - 22) / 16, 0, 1), (60, 1))
    one, other = (1 - right, right) if not turn else (right.T, 1 - right.T)
    (line,) = seam_lines(one, other)
    across = line[:, 1 if turn else 0]
    assert np.abs(across - 30).max() <= 1
    along = line[:, 0 if turn else 1]
    assert along.min() <= 1
    assert along.max() >= 58


def test_a_seam_that_goes_round_closes_and_the_rim_is_none():
    y, x = np.mgrid[:90, :120]
    inside = np.clip((30 - np.hypot(x - 60, y - 45)) / 8 + 0.5, 0, 1)
    (line,) = seam_lines(inside, 1 - inside)
    assert np.abs(np.hypot(line[:, 0] - 60, line[:, 1] - 45) - 30).max() < 1.5
    assert line[0].tolist() == line[-1].tolist()
    assert seam_lines(np.ones((50, 50)), np.ones((50, 50))) == []  # no crossing from one to the other
