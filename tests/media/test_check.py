"""A finished file decoded whole, and in stretches that meet."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from codes import random_planes
from partsong.errors import UnreadableMedia
from partsong.media.check import decode_all, decode_stretch, put_together
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.join import join
from partsong.timebase import Rate
from partsong.watch import silent

RATE = Rate.of("24000/1001")
LENGTHS = (30, 41, 7)


@pytest.fixture(params=["h264", "mezzanine"])
def joined(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    recipe = RECIPES[request.param]
    rng = np.random.default_rng(3)
    segments = []
    for number, length in enumerate(LENGTHS):
        segments.append(tmp_path / f"{number}{recipe.suffix}")
        with PictureWriter(segments[-1], recipe, width=64, height=48, rate=RATE) as writer:
            for _ in range(length):
                writer.write(random_planes(rng, 64, 48, recipe.chroma, recipe.bit_depth))
    whole = tmp_path / f"whole{recipe.suffix}"
    join(segments, whole, sound=None)
    return whole


def test_stretches_that_meet_are_the_file(joined: Path) -> None:
    def gathered(into: list[np.ndarray]) -> Any:
        return lambda _, frame: into.append(np.array(frame.to_ndarray()))

    pictures: list[np.ndarray] = []
    whole = decode_all(joined, silent(), see=gathered(pictures))
    assert whole.frames == sum(LENGTHS)
    edges = [0, *np.cumsum(LENGTHS).tolist()]
    ticks, again, numbers = [], [], []
    for first, stop in pairwise(edges):
        end = None if stop == edges[-1] else stop * RATE.frame_s
        see = gathered(again)
        ticks += decode_stretch(
            joined,
            silent(),
            first_s=first * RATE.frame_s,
            stop_s=end,
            threads=1,
            see=lambda number, frame, see=see: (numbers.append(number), see(number, frame)),
        )
    assert put_together(joined, ticks, silent()) == whole
    assert all((one == other).all() for one, other in zip(pictures, again, strict=True))
    assert numbers == [number for length in LENGTHS for number in range(length)]


def test_a_stretch_left_out_or_taken_twice_is_noticed(joined: Path) -> None:
    first = decode_stretch(joined, silent(), stop_s=30 * RATE.frame_s)
    last = decode_stretch(joined, silent(), first_s=71 * RATE.frame_s)
    assert (len(first), len(last)) == (30, 7)
    assert put_together(joined, [*first, *last], silent()).even is False
    assert put_together(joined, [*first, *first, *last], silent()).even is False


def test_a_stretch_beyond_the_end_is_refused(joined: Path) -> None:
    with pytest.raises(UnreadableMedia, match="no frame of it"):
        decode_stretch(joined, silent(), first_s=Fraction(100))
