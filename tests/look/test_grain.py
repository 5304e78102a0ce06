"""Grain that we laid ourselves, measured back."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.errors import InvalidInput
from partsong.film.records import Texture
from partsong.look.grain import grain_of
from partsong.media.planes import Planes
from partsong.render.texture import textured


def luma(texture: Texture, frame: int, *, player_at: int | None = None) -> np.ndarray:
    """A soft slope of light with grain; a player stands in a fifth of it."""
    y = np.rint(64 + 876 * np.linspace(0.1, 0.9, 640)[None, :].repeat(360, axis=0)).astype(np.uint16)
    if player_at is not None:
        y[100:300, player_at : player_at + 120] = 700
    c = np.full((360, 320), 512, np.uint16)
    return (textured(Planes(y, c, c, 10, "bt709", "limited"), texture, frame).y.astype(float) - 64) / 876


@pytest.mark.parametrize(("percent", "px"), [(0.5, 1.0), (2.0, 1.0), (1.5, 2.5), (3.0, 4.0)])
def test_grain_comes_back(percent: float, px: float) -> None:
    texture = Texture(grain_percent=percent, grain_px=px)
    found = grain_of(luma(texture, 1, player_at=200), luma(texture, 2, player_at=230))
    # A tenth: whole codes (0.11 % of signal) at the weakest, few independent grains at the widest.
    assert found[0] == pytest.approx(percent, rel=0.1)
    assert found[1] == pytest.approx(px, rel=0.1)


def test_a_picture_without_grain_has_none() -> None:
    assert grain_of(luma(Texture(), 1), luma(Texture(), 2)) == (0.0, 1.0)


def test_a_black_picture_cannot_tell() -> None:
    with pytest.raises(InvalidInput, match="between black and white"):
        grain_of(np.zeros((40, 40)), np.zeros((40, 40)))
