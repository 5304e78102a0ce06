"""Effects on pixels: the definition by hand, planes against it, and what the meter counts of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.film.records import Film, Flicker, Leak
from partsong.media.planes import Chroma, Matrix, Planes
from partsong.render.effects import brightness, dimmed, laid, metered, on_encoded
from partsong.render.pixels import codes_to_encoded, encoded_to_codes, full_size, to_planes
from partsong.timebase import Rate

FLICKER = Flicker(start=100, end=120, dips=(100, 110), depth_stops=1.0)
LEAK = Leak(start=100, end=140, side="right", at=0.25, reach=0.5, colour=(0.8, 0.4, 0.1))


def film(*effects: Flicker | Leak, rate: str = "24") -> Film:
    return Film(name="one", rate=Rate.of(rate), width=1920, height=1080, effects=effects)


def test_a_dip_takes_half_of_the_light_and_is_back_half_way():
    # A stop less is half the light; on a display of exponent 2.4 (ITU-R BT.1886) that is a signal of 0.5 ** (1 / 2.4).
    assert dimmed([FLICKER], 100) == pytest.approx(0.749154, abs=1e-6)
    assert dimmed([FLICKER], 100) ** 2.4 == pytest.approx(0.5)
    # 2 frames of 10 on: a line from one stop at 0 to none at 5 frames is 0.6 stops there.
    assert dimmed([FLICKER], 102) ** 2.4 == pytest.approx(2**-0.6)
    assert [dimmed([FLICKER], frame) for frame in (99, 105, 109, 115, 119, 120)] == [1.0] * 6
    assert dimmed([FLICKER], 110) == dimmed([FLICKER], 100)


def test_a_leak_comes_and_goes_once_without_a_step():
    levels = [brightness(LEAK, frame) for frame in range(99, 142)]
    assert levels[0] == levels[-1] == levels[-2] == 0
    assert max(levels) > 0.99
    assert max(abs(np.diff(levels))) < 0.08  # of 40 frames
    assert levels[1:41] == pytest.approx(levels[1:41][::-1])


def test_a_leak_is_brightest_at_its_point_of_the_side_and_leaves_white_white():
    made = on_encoded(np.zeros((90, 160, 3)), [LEAK], 120)
    row, column = np.unravel_index(made[..., 0].argmax(), made.shape[:2])
    assert (column, row) in {(159, 22), (159, 21)}  # a quarter of 90 pixels down, at the right edge
    assert made[22, 159] == pytest.approx([0.8, 0.4, 0.1], rel=0.03)
    assert made[22, 79] == pytest.approx([0, 0, 0])  # half the width away it is over
    assert on_encoded(np.ones((90, 160, 3)), [LEAK], 120) == pytest.approx(1.0)


@settings(max_examples=24, deadline=None)
@given(
    st.sampled_from(["420", "422", "444"]), st.sampled_from(["bt709", "bt2020nc"]), st.sampled_from([8, 10]),
    st.sampled_from(["left", "right", "top", "bottom"]), st.integers(100, 119), st.integers(0, 9),
)  # fmt: skip
def test_planes_are_laid_as_defined(chroma: Chroma, matrix: Matrix, depth: int, side, frame: int, seed: int):
    # A picture whose colours are alike within a sample's pixels, so that both agree on what lies between samples.
    noise = np.random.default_rng(seed).uniform(0, 1, (12, 20, 3)).repeat(2, 0).repeat(2, 1)
    planes = to_planes(encoded_to_codes(noise, depth, matrix, "limited"), chroma, depth, matrix, "limited")
    effects = [FLICKER, LEAK.replace(side=side), LEAK.replace(at=0.8, colour=(0.1, 0.2, 0.9))]
    made = laid(planes, effects, frame)
    encoded = codes_to_encoded(full_size(planes), depth, matrix, "limited")
    wanted = to_planes(
        encoded_to_codes(on_encoded(encoded, effects, frame), depth, matrix, "limited"),
        chroma,
        depth,
        matrix,
        "limited",
    )
    for name in ("y", "u", "v"):
        one, other = (getattr(each, name).astype(int) for each in (made, wanted))
        assert abs(one - other).max() <= (1 if name == "y" else 2), name


def test_a_frame_without_effects_is_the_same_object():
    plane = np.full((4, 4), 300, np.uint16)
    planes = Planes(plane, plane, plane, 10, "bt709", "limited")
    assert laid(planes, [FLICKER, LEAK], 99) is planes
    assert laid(planes, [FLICKER], 107) is planes


@pytest.mark.parametrize(
    ("apart", "stops", "flashes"),
    [
        (12, 1.0, 2.0),  # twice a second: two flashes
        (8, 1.0, 3.0),  # three times a second is the most that WCAG 2.2 allows
        (6, 1.0, 4.0),
        (6, 0.1, 0.0),  # a tenth of a stop takes 7 % of the light: under a tenth of white, so no flash
        (6, 0.2, 4.0),  # 13 % of a white whose darker end lies under 0.8 of it
    ],
)
def test_dips_are_counted_as_flashes(apart: int, stops: float, flashes: float):
    dips = tuple(range(240, 240 + 48, apart))
    worst = metered(film(Flicker(start=240, end=288, dips=dips, depth_stops=stops)))
    assert worst is not None
    assert worst.flashes == flashes
    assert worst.fails == (flashes > 3)
    if flashes:
        assert 239 - 24 <= worst.first <= 288


def test_effects_far_apart_are_counted_apart_and_close_ones_together():
    def dips(start: int) -> Flicker:
        return Flicker(start=start, end=start + 12, dips=(start, start + 6), depth_stops=1.0)

    near, far = metered(film(dips(0), dips(12))), metered(film(dips(0), dips(2400)))
    assert near is not None
    assert far is not None
    assert near.flashes == 4
    assert near.fails
    assert far.flashes == 2


def test_a_slow_leak_is_at_most_one_flash_and_quick_ones_are_counted():
    slow = metered(film(LEAK))
    assert slow is not None
    assert slow.flashes <= 1
    quick = metered(film(*(Leak(start=start, end=start + 6, reach=1.5) for start in range(0, 24, 6))))
    assert quick is not None
    assert quick.fails


def test_nothing_on_light_is_nothing_to_count():
    assert metered(film()) is None
