"""Bands of mains light: their distance and their mains come back as they were put into rows of frames."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.render import bands
from partsong.render.bands import moving_bands, row_cells, standing_bands

HEIGHT, RATE, READOUT_S = 270, 25.0, 1 / 50


def recorded(frames, mains_hz=None, depth=0.03):
    """Cells of frames of a room, lit by a lamp that pulses at twice the mains, read row by row; with grain."""
    rng = np.random.default_rng(3)
    room = 0.4 + 0.1 * rng.random((HEIGHT, 96)).astype(np.float32)
    cells = []
    for frame in frames:
        at = frame / RATE + np.arange(HEIGHT) / HEIGHT * READOUT_S
        wave = 1 + (depth * np.sin(4 * np.pi * mains_hz * at) if mains_hz else np.zeros(HEIGHT))
        # Light times a wave is, in a camera's logarithm, the wave added: 0.08 of the signal for a factor of e.
        luma = room + 0.08 * np.log(wave)[:, None] + rng.normal(0, 0.004, room.shape)
        cells.append(row_cells(luma.astype(np.float32)))
    return np.stack(cells)


def test_bands_that_move_are_named():
    found = moving_bands(recorded(range(24), 60.0), RATE, HEIGHT)
    assert found is not None
    assert (found.kind, found.mains_hz) == ("moving bands", 60)
    # 120 pulses a second over a reading of 1/50 s are 2.4 bands; a twelfth of a band is how finely they are tried.
    assert found.period_px == pytest.approx(HEIGHT / 2.4, rel=0.1)


def test_bands_that_stand_are_named_where_the_mains_wander():
    found = standing_bands(recorded(range(13, 613, 25), 50.015), RATE, HEIGHT)
    assert found is not None
    assert (found.kind, found.mains_hz) == ("standing bands", 50)
    assert found.period_px == pytest.approx(HEIGHT / 2.0, rel=0.1)


def test_a_shade_that_passes_on_one_side_is_no_band(monkeypatch):
    seen = recorded(range(13, 613, 25))
    seen[:, :, 20:30] += 0.3  # what the lamp lights
    rows = np.arange(seen.shape[1]) / seen.shape[1]
    height = np.random.default_rng(5).uniform(0, 1, len(seen))
    # As high as bands are, and of a wave's shape; but on the right of what is lit alone.
    seen[:, :, 25:] += 0.01 * np.cos(4 * np.pi * (rows[None] - height[:, None]))[:, :, None]
    assert standing_bands(seen, RATE, HEIGHT) is None
    monkeypatch.setattr(bands, "_ALIKE", 0.0)
    assert standing_bands(seen, RATE, HEIGHT) is not None


def test_a_steady_light_has_none():
    assert moving_bands(recorded(range(24)), RATE, HEIGHT) is None
    assert standing_bands(recorded(range(13, 613, 25)), RATE, HEIGHT) is None


def test_bands_that_do_not_creep_at_all_look_like_the_room():
    assert standing_bands(recorded(range(13, 613, 25), 50.0), RATE, HEIGHT) is None


def test_too_few_frames_tell_nothing():
    assert moving_bands(recorded(range(4), 60.0), RATE, HEIGHT) is None
    assert standing_bands(recorded(range(3), 50.015), RATE, HEIGHT) is None
