"""The flash meter against the definition of WCAG 2.2 and counts worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.render.flashing import FlashMeter, Worst, chromaticity, linear_from_srgb, relative_luminance
from partsong.timebase import Rate

RED, WHITE, BLACK = (1.0, 0.0, 0.0), (1.0, 1.0, 1.0), (0.0, 0.0, 0.0)
BLUE, GREEN, YELLOW, MAGENTA = (0.0, 0.0, 1.0), (0.0, 1.0, 0.0), (1.0, 1.0, 0.0), (1.0, 0.0, 1.0)


def encode(light: tuple[float, ...]) -> np.ndarray:
    """IEC 61966-2-1 the other way."""
    value = np.asarray(light, np.float64)
    return np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)


def worst_of(colours: list[tuple[float, ...]], rate: str = "24", share: float = 1.0) -> dict[str, Worst]:
    """Show linear colours, one a frame, on the left ``share`` of one block of a 1024 x 768 screen, black around it."""
    meter = FlashMeter(1024, 768, Rate.of(rate))
    for colour in colours:
        picture = np.zeros((meter.rows, meter.columns, 3))
        wide, high = round(341 / 1024 * meter.columns * share), round(256 / 768 * meter.rows)
        if share >= 1:
            picture[:] = encode(colour)
        else:
            picture[:high, :wide] = encode(colour)
        meter.feed(picture)
    return {worst.kind: worst for worst in meter.worst()}


def flicker(period: int, frames: int, low: float = 0.0, high: float = 1.0) -> list[tuple[float, float, float]]:
    """Square flicker between two luminances of grey: the first half of each period is bright."""
    return [(high,) * 3 if frame % period < (period + 1) // 2 else (low,) * 3 for frame in range(frames)]


# Relative luminance by the formula of WCAG 2.2; values from colour-science 0.4.7 (sRGB), 1e-7: printed digits.
@pytest.mark.parametrize(
    ("code", "luminance"),
    [
        *[(0, 0.0), (10, 0.00303527), (11, 0.00334654), (64, 0.05126946), (89, 0.09989873), (90, 0.10224173)],
        *[(128, 0.2158605), (186, 0.49102085), (231, 0.79910274), (232, 0.80695226), (255, 1.0)],
    ],
)
def test_relative_luminance_of_greys(code: int, luminance: float) -> None:
    grey = linear_from_srgb(np.full(3, code / 255))
    assert relative_luminance(grey) == pytest.approx(luminance, abs=1e-7)


# CIE 1976 u', v' of BT.709 colours, from colour-science 0.4.7; 1e-6: printed digits of the matrix.
@pytest.mark.parametrize(
    ("light", "uv"),
    [
        (RED, (0.4507042, 0.5228873)),
        (WHITE, (0.19783, 0.46832)),
        (GREEN, (0.125, 0.5625)),
        (BLUE, (0.1754386, 0.1578947)),
        (YELLOW, (0.2039309, 0.5529003)),
        (MAGENTA, (0.305017, 0.3297112)),
        (BLACK, (0.19783, 0.46832)),  # our reading: black gets the chromaticity of white
    ],
)
def test_chromaticity(light: tuple[float, ...], uv: tuple[float, float]) -> None:
    assert chromaticity(np.array(light)) == pytest.approx(uv, abs=1.5e-6)


# Greys that make a pair of WCAG 2.2 (step of 0.10 or more) or do not, by their 8-bit codes.
@pytest.mark.parametrize(
    ("low", "high", "counts"),
    [(0, 89, False), (0, 90, True), (128, 150, False), (128, 155, True), (200, 212, False)],
)
def test_pairs_of_greys(low: int, high: int, counts: bool) -> None:
    meter = FlashMeter(1024, 768, Rate.of("24"))
    for frame in range(24):
        meter.feed(np.full((96, 128, 3), (high if frame % 2 else low) / 255))
    assert (meter.worst()[0].transitions > 0) == counts


# Two luminances at 6 Hz and 24 frames a second: step >= 0.10 and darker < 0.80 (WCAG 2.2).
@pytest.mark.parametrize(
    ("low", "high", "fails"),
    [
        *[(0, 0.09, False), (0, 0.1, True), (0.7, 0.8, True), (0.79, 0.89, True)],
        *[(0.8, 0.9, False), (0.85, 1.0, False), (0.4, 0.49, False), (0.4, 0.5, True), (0.46, 0.54, False)],
    ],
)
def test_levels(low: float, high: float, fails: bool) -> None:
    assert worst_of(flicker(4, 48, low, high))["general"].fails == fails


# Whole picture black and white: most transitions in a half-open second, worked out by hand; seven fail.
@pytest.mark.parametrize(
    ("rate", "period", "transitions"),
    [
        *[("24", 2, 24), ("24", 4, 12), ("24", 6, 8), ("24", 7, 7), ("24", 8, 6), ("24", 12, 4)],
        *[("25", 2, 25), ("25", 8, 7), ("25", 9, 6), ("25", 10, 5), ("30", 2, 30), ("30", 8, 8), ("30", 10, 6)],
        *[("60", 20, 6), ("24000/1001", 8, 6)],
    ],
)
def test_flicker_patterns(rate: str, period: int, transitions: int) -> None:
    worst = worst_of(flicker(period, 3 * Rate.of(rate).nominal), rate)["general"]
    assert worst.transitions == transitions
    assert worst.fails == (transitions >= 7)


def test_a_gradual_change_counts_by_its_extremes() -> None:
    # A raised cosine of 4 Hz has four peaks and four valleys in a second.
    light = 0.5 - 0.5 * np.cos(2 * np.pi * 4 * np.arange(72) / 24)
    assert worst_of([(value,) * 3 for value in light])["general"].transitions == 8


def test_a_quarter_of_the_block_may_flash() -> None:
    # WCAG 2.2: flashing over more than 25 % of a block of 341 x 256 pixels at 1024 x 768 fails.
    assert not worst_of(flicker(2, 48), share=0.20)["general"].fails
    assert worst_of(flicker(2, 48), share=0.30)["general"].fails


def test_places_that_take_turns_count_together() -> None:
    # Two halves of the screen flash twice a second each, one after the other: four flashes in the viewer's field.
    meter = FlashMeter(320, 180, Rate.of("24"))
    for frame in range(48):
        picture = np.zeros((180, 320, 3))
        half = slice(0, 160) if frame % 12 < 6 else slice(160, 320)
        if frame % 6 < 3:
            picture[:, half] = 1
        meter.feed(picture)
    assert meter.worst()[0].transitions == 8


# Pairs of colours at 6 Hz. Distance in u', v' over 0.2 with a red share of 0.8 (WCAG 2.2); the distances are, from
# colour-science 0.4.7: white 0.2587, blue 0.4572, green 0.3281, yellow 0.2486, magenta 0.2420, (1, 0.2, 0) 0.1262,
# (0.3, 0, 0) 0. The last changes (R - G - B) * 320 by 224 and counts under the earlier definition alone.
@pytest.mark.parametrize(
    ("other", "present", "earlier"),
    [
        (WHITE, True, True),
        (BLUE, True, True),
        (GREEN, True, True),
        (YELLOW, True, True),
        (MAGENTA, True, True),
        (BLACK, True, True),
        ((1.0, 0.2, 0.0), False, True),
        ((0.3, 0.0, 0.0), False, True),
        ((0.95, 0.0, 0.0), False, False),  # changes by 16, under 20
    ],
)
def test_red_flashes(other: tuple[float, ...], present: bool, earlier: bool) -> None:
    found = worst_of([RED if frame % 4 < 2 else other for frame in range(48)])
    assert found["red"].fails == present
    assert found["red by the earlier definition"].fails == earlier


def test_colours_without_saturated_red_make_no_red_flash() -> None:
    found = worst_of([BLUE if frame % 4 < 2 else GREEN for frame in range(48)])
    assert found["red"].transitions == 0
    assert found["red by the earlier definition"].transitions == 0


def test_a_steady_or_rising_picture_does_not_flash() -> None:
    found = worst_of([(value,) * 3 for value in np.linspace(0, 1, 48)])
    assert found["general"].transitions == 1
    assert worst_of([WHITE] * 48)["general"].transitions == 0


def test_the_failing_stretch_is_named() -> None:
    colours = [BLACK] * 48 + flicker(2, 24) + [BLACK] * 48
    worst = worst_of([tuple(colour) for colour in colours])["general"]
    (first, last), *more = worst.failing
    # The flicker fills frames 48 to 71; a second that reaches seven transitions starts at most a second before.
    assert not more
    assert 48 - 24 < first <= 48
    assert 71 <= last < 72 + 24


@settings(max_examples=12)
@given(st.lists(st.floats(0, 1), min_size=2, max_size=20))
def test_reversing_time_keeps_the_count(levels: list[float]) -> None:
    # The extremes of a curve are the same from behind, so a stretch under a second has as many transitions, give
    # or take the first, whose start is the first frame and no extreme.
    forward = worst_of([(level,) * 3 for level in levels], rate="50")["general"].transitions
    backward = worst_of([(level,) * 3 for level in levels[::-1]], rate="50")["general"].transitions
    assert abs(forward - backward) <= 1


def test_a_picture_without_colours_is_refused() -> None:
    with pytest.raises(InvalidInput, match="not \\(height, width, 3\\)"):
        FlashMeter(64, 36, Rate.of("24")).feed(np.zeros((36, 64)))
