"""Scopes on pictures whose levels we set, against published codes and limits."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from partsong.errors import InvalidInput
from partsong.look import drawing, scopes

PICTURES = hnp.arrays(
    np.float64, hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9).map(lambda s: (*s, 3)),
    elements=st.floats(-0.3, 1.4),
)  # fmt: skip


def grey(percent: float, size: tuple[int, int] = (20, 30)) -> np.ndarray:
    return np.full((*size, 3), percent / 100)


def level_of(row: int, levels: int) -> float:
    """The middle of a waveform's row, in percent."""
    return 100 * (scopes.LOWEST + (row + 0.5) * (scopes.HIGHEST - scopes.LOWEST) / levels)


@pytest.mark.parametrize("percent", [0, 3, 50, 100, 105])
def test_a_flat_picture_is_one_line_at_its_level(percent: float) -> None:
    counts = scopes.waveform(scopes.luma(grey(percent)), columns=30, levels=250)
    (row,) = np.unique(np.nonzero(counts)[0])
    assert level_of(row, 250) == pytest.approx(percent, abs=0.5)  # a row of 250 is half a percent
    assert counts[row] == pytest.approx(np.ones(30))


def test_a_lifted_black_shows_and_its_correction_too() -> None:
    from partsong.film.records import BlackCurve
    from partsong.render.grading import held_black

    ramp = np.repeat(np.linspace(0.03, 1, 400)[None, :, None], 3, axis=-1)
    held = held_black(BlackCurve(level=(0.03,) * 3, keep=(0.4,) * 3), ramp)
    lowest = [np.nonzero(scopes.waveform(scopes.luma(one)).sum(axis=1))[0][0] for one in (ramp, held)]
    assert level_of(lowest[0], 320) == pytest.approx(3.0, abs=0.4)  # a row of 320 is 0.39 %
    assert level_of(lowest[1], 320) == pytest.approx(0.0, abs=0.4)
    assert scopes.limits(held).lowest[3] == pytest.approx(0, abs=1e-9)


@given(PICTURES)
def test_every_pixel_is_counted_once(rgb: np.ndarray) -> None:
    width = rgb.shape[1]
    counts = scopes.parade(rgb, columns=width, levels=40)
    np.testing.assert_allclose(counts.sum(axis=1), 1)
    np.testing.assert_allclose(scopes.histogram(rgb, bins=30).sum(axis=1), 1)
    assert scopes.vectorscope(rgb, size=20).sum() == pytest.approx(1)
    limits = scopes.limits(rgb)
    assert all(low <= high for low, high in zip(limits.lowest, limits.highest, strict=True))
    assert 0 <= limits.outside_r103 <= 1


def test_a_wide_picture_is_shared_out_over_the_columns() -> None:
    ramp = np.repeat(np.linspace(0, 1, 1000)[None, :, None], 3, axis=-1)
    counts = scopes.waveform(scopes.luma(ramp), columns=100, levels=125)
    middles = (counts * np.array([level_of(row, 125) for row in range(125)])[:, None]).sum(axis=0)
    # The ramp again, within half a level (1 %).
    np.testing.assert_allclose(middles, np.linspace(0.45, 99.55, 100), atol=0.5)


# ITU-R BT.709-6, items 3.2 to 4.6, 10-bit limited range; the same codes as colour-science 0.4.7 gives.
@pytest.mark.parametrize(
    ("rgb", "codes"),
    [
        ((1, 1, 1), (940, 512, 512)),
        ((0, 0, 0), (64, 512, 512)),
        ((1, 0, 0), (250, 409, 960)),
        ((0, 1, 0), (691, 167, 105)),
        ((0, 0, 1), (127, 960, 471)),
        ((0, 0.75, 0.75), (581, 589, 176)),
        ((0.8, 0.6, 0.5), (621, 447, 606)),
    ],
)
def test_the_numbers_at_a_point_are_the_published_codes(rgb: tuple[float, ...], codes: tuple[int, ...]) -> None:
    picture = np.broadcast_to(np.array(rgb, float), (9, 9, 3))
    read = scopes.reading(picture, np.full((9, 9, 3), 0.36), (0.3, 0.6, 0.1), 4, 4)
    assert read.codes == codes
    assert read.rgb_percent == pytest.approx([100 * value for value in rgb])
    assert read.stops == pytest.approx(1)  # twice 18 %


def test_colour_differences_agree_with_colour_science() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that plotting is not installed
        import colour

    rgb = np.random.default_rng(1).random((50, 3))
    weights = colour.WEIGHTS_YCBCR["ITU-R BT.709"]
    expected = colour.RGB_to_YCbCr(rgb, K=weights, out_legal=False)
    np.testing.assert_allclose(scopes.chroma(rgb), expected[:, 1:], atol=1e-4)  # its weights are to four places


def test_primaries_lie_where_the_vectorscope_marks_them() -> None:
    # BT.709-6, item 3.3: Cr of red is (1 - 0.2126) / 1.5748 = 0.5.
    shares = scopes.vectorscope(np.broadcast_to(np.array([1.0, 0.0, 0.0]), (4, 4, 3)), size=110)
    (row,), (column,) = np.nonzero(shares)
    assert row == pytest.approx((0.55 - 0.5) * 100, abs=1)
    assert column == pytest.approx((0.55 - 0.2126 / 1.8556) * 100, abs=1)


# EBU R 103 v3.0 (2020): preferred range -5 % to 105 %; a hundredth of the picture may lie outside.
@pytest.mark.parametrize(("percent", "outside"), [(105, False), (105.2, True), (-5, False), (-5.2, True), (50, False)])
def test_the_preferred_range_is_that_of_r103(percent: float, outside: bool) -> None:
    found = scopes.limits(grey(percent))
    assert found.outside_r103 == float(outside)
    assert found.within_r103 is not outside


def test_a_hundredth_of_the_picture_may_lie_outside() -> None:
    rgb = grey(50, (100, 100))
    rgb[0] = 1.2
    assert scopes.limits(rgb).within_r103
    rgb[1, 0] = 1.2
    assert not scopes.limits(rgb).within_r103


def test_legal_white_and_black_are_not_called_excess() -> None:
    found = scopes.limits(np.array([[[0.0, 0.0, 0.0], [1.0, 1.0, 1.0]]]))
    assert (found.below_black, found.above_white) == (0, 0)
    beyond = scopes.limits(np.array([[[-0.01, 0.5, 0.5], [1.0, 1.01, 1.0]]]))
    assert (beyond.below_black, beyond.above_white) == (0.5, 0.5)


def test_zones_are_whole_stops_from_grey() -> None:
    stops = np.array([-20, -6.2, -1.4, -0.4, 0, 0.4, 0.6, 3, 11])
    light = 0.18 * 2.0 ** stops[:, None] * np.ones(3)
    assert scopes.zones(light, np.array((0.27, 0.67, 0.06))).tolist() == [-6, -6, -1, 0, 0, 0, 1, 3, 6]
    assert scopes.zones(np.zeros((1, 3)), np.ones(3) / 3).tolist() == [-6]


def test_a_point_outside_is_refused() -> None:
    with pytest.raises(InvalidInput, match="30,4 lies outside the picture of 30 x 20"):
        scopes.reading(grey(50), grey(18), (0.3, 0.6, 0.1), 30, 4)
    with pytest.raises(InvalidInput, match="without pixels"):
        scopes.limits(np.zeros((0, 3)))


# --- drawn ----------------------------------------------------------------------------------------


def rows_of(image: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return np.nonzero((image == colour).all(axis=-1).sum(axis=1) > image.shape[1] // 4)[0]


def test_a_drawn_waveform_has_its_marks_where_the_levels_are() -> None:
    marks = drawing.waveform(np.zeros((320, 512)))
    white, black = rows_of(marks, drawing.INK)
    high, low = rows_of(marks, drawing.ACCENT)
    # EBU R 103's lines lie 5 % beyond either end; a row is 0.39 %.
    assert (low - black) / (black - white) == pytest.approx(0.05, abs=0.005)
    assert (white - high) / (black - white) == pytest.approx(0.05, abs=0.005)
    image = drawing.waveform(scopes.waveform(scopes.luma(grey(3, (50, 600)))))
    (level,) = set(rows_of(image, drawing.INK)) - {white, black}
    assert (black - level) / (black - white) == pytest.approx(0.03, abs=0.005)


def test_every_scope_becomes_a_picture() -> None:
    rng = np.random.default_rng(3)
    rgb = rng.random((60, 90, 3))
    images = [
        drawing.waveform(scopes.waveform(scopes.luma(rgb))),
        drawing.parade(scopes.parade(rgb)),
        drawing.histogram(scopes.histogram(rgb)),
        drawing.vectorscope(scopes.vectorscope(rgb)),
        drawing.zones(scopes.zones(rgb, np.ones(3) / 3)),
    ]
    for image in images:
        assert image.dtype == np.uint8
        assert image.shape[2] == 3
        assert (image != drawing.PAPER).any()
    page = drawing.sheet(images)
    assert page.shape[0] > max(image.shape[0] for image in images)
    assert page.shape[1] > images[0].shape[1] + images[1].shape[1]


def test_neighbouring_zones_differ_in_lightness_so_colour_is_not_needed() -> None:
    picture = drawing.zones(np.array([list(scopes.ZONES)], np.int8))[0]
    light = picture @ np.array((0.2126, 0.7152, 0.0722))
    assert (np.abs(np.diff(light)) >= 5).all()  # of 255: two just noticeable steps or more
