"""A mix's notes taken apart by what sounds alike."""

import numpy as np
import pytest

from partsong.lineup.parts import guesses
from partsong.lineup.pitches import PITCHES, TOLD_FOR, Notes

FRAMES = 5001
ONE, OTHER = np.eye(12)[[0, 3]].T @ [3.0, 1], np.eye(12)[[1, 5]].T @ [2.0, 1]


@pytest.fixture
def two_parts(rng):
    """Return notes of two parts among the same pitches, told as the network does, and at which frames each starts."""
    likely, whose = np.zeros((PITCHES, FRAMES), np.float16), rng.normal(0, 0.1, (12, PITCHES, FRAMES // 2 + 1))
    starts = [np.sort(rng.choice(np.arange(20, FRAMES - 20, 14), 90, replace=False)) for _ in range(2)]
    starts[1] = starts[1] + 5
    for frames, numbers in zip(starts, (ONE, OTHER), strict=True):
        for frame in frames:
            pitch = int(rng.integers(30, 50))
            likely[pitch, frame - 2 : frame + 3] = [0.3, 0.7, 0.9, 0.7, 0.3]
            whose[:, pitch, frame // 2 - 2 : frame // 2 + 5] = (numbers + rng.normal(0, 0.2, 12))[:, None]
    return Notes(likely, whose.astype(np.float16)), starts


def share(row, frames):
    """Return how much of a guess lies within 35 ms of some frames."""
    near = np.min(np.abs(np.arange(len(row))[:, None] - frames), axis=1) <= 7
    return float(row[near].sum() / row.sum())


def test_all_notes_are_one_guess_and_each_part_is_another(two_parts):
    notes, (one, other) = two_parts

    told = guesses(notes).astype(np.float64)

    assert told.shape == (1 + 3 + 4 + 6, FRAMES)
    assert ((told >= 0) & (told <= 1)).all()
    # A note counts for as much as was told around its start; few coincide.
    assert told[0].sum() == pytest.approx(180 * 2.9 / TOLD_FOR, rel=0.05)
    for part, rest in ((one, other), (other, one)):
        best = max(told[1:4], key=lambda row: share(row, part) - share(row, rest))
        assert best[part].mean() > 5 * best[rest].mean()


def test_pieces_do_not_matter(two_parts, monkeypatch):
    whole = guesses(two_parts[0])

    monkeypatch.setattr("partsong.lineup.parts._AT_ONCE", 700)

    np.testing.assert_allclose(guesses(two_parts[0]), whole, atol=1e-3)  # half precision


def test_fewer_notes_than_groups_are_not_grouped():
    likely, whose = np.zeros((PITCHES, 400), np.float16), np.ones((12, PITCHES, 200), np.float16)
    likely[40, 100], likely[44, 200] = 0.9, 0.9

    assert guesses(Notes(likely, whose)).shape == (1, 400)
    assert guesses(Notes(np.zeros_like(likely), whose)).shape == (0, 400)
