"""What a sight sums up: the same whether a picture is taken whole or in strips."""

from __future__ import annotations

import numpy as np
import pytest

from partsong.shoot import sight


def test_detail_of_strips_is_that_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = np.random.default_rng(2).random((391, 640), np.float32)
    strips = sight.detail_of(picture)
    monkeypatch.setattr(sight, "_STRIP", 391)
    # A wider blur ends 12 pixels out, so that nothing but rounding is left.
    np.testing.assert_allclose(strips, sight.detail_of(picture), rtol=1e-5)
