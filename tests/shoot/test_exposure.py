"""Exposure against light: one factor over the whole frame is told as exposure, whatever else is not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from partsong.shoot import exposure

ROWS, COLUMNS = 18, 32
DOWN, ACROSS = np.mgrid[0:ROWS, 0:COLUMNS] / np.array([ROWS, COLUMNS])[:, None, None]
REFLECTS = np.random.default_rng(3).uniform(0.05, 0.5, (ROWS, COLUMNS))


def _seen(light: NDArray[np.float64], *, gamma: float | None = None) -> NDArray[np.float32]:
    """Return encoded blocks of a room in a light: logarithmic as ACEScct is (S-2016-001), or a power."""
    linear = REFLECTS * light
    code = np.power(linear, 1 / gamma) if gamma else (np.log2(linear) + 9.72) / 17.52
    noisy = code + np.random.default_rng(7).normal(0, 3e-4, code.shape)
    return np.asarray(np.repeat(noisy[..., None], 3, axis=2), np.float32)


def _lamp(x: float, *, wide: float = 0.08) -> NDArray[np.float64]:
    return np.asarray(0.05 + 1.5 * np.clip(1 - ((ACROSS - x) ** 2 + (DOWN - 0.4) ** 2) / wide, 0, None))


@pytest.mark.parametrize("stops", [-0.4, 0.0, 0.3])
def test_two_lamps_leave_a_place_that_tells_exposure(stops: float) -> None:
    found = exposure.unlit(_seen(_lamp(0.25) * 2**stops), _seen(_lamp(0.75)))
    assert found.one_level
    # The encoding has 17.52 powers of two; half a code of eight bits of tolerance.
    assert found.bright == pytest.approx(stops / 17.52, abs=0.002)
    assert found.other_exposure == (stops != 0)


@pytest.mark.parametrize("gamma", [None, 2.2])
@pytest.mark.parametrize("ends", [(1.0, 0.4), (0.95, 0.85), (0.8, 0.8)])
def test_light_that_fills_the_room_is_no_exposure(gamma: float | None, ends: tuple[float, float]) -> None:
    # Also where it dims all of it alike: nothing shows that a place is out of its reach.
    ramp = ends[0] + (ends[1] - ends[0]) * ACROSS
    assert not exposure.unlit(_seen(ramp, gamma=gamma), _seen(np.ones_like(ramp), gamma=gamma)).other_exposure


def test_a_third_light_that_fades_across_the_dark_parts_is_no_exposure() -> None:
    spill = 0.03 * (1 - ACROSS)
    found = exposure.unlit(_seen(_lamp(0.25) + spill), _seen(_lamp(0.75)))
    assert found.told
    assert not found.one_level


def test_one_light_tells_exposure_from_all_it_lights_and_another_place_of_it_does_not() -> None:
    still = np.ones((ROWS, COLUMNS), bool)
    assert exposure.lit_alike(_seen(_lamp(0.5) * 2**0.25), _seen(_lamp(0.5)), still).other_exposure
    assert not exposure.lit_alike(_seen(_lamp(0.6, wide=0.8)), _seen(_lamp(0.5, wide=0.8)), still).one_level
    assert not exposure.lit_alike(_seen(_lamp(0.5)), _seen(_lamp(0.5)), ~still).told


def test_where_an_encoding_bends_exposure_is_told_from_one_light_all_the_same() -> None:
    def seen(light: NDArray[np.float64]) -> NDArray[np.float32]:
        linear = REFLECTS * light
        # ACEScct, S-2016-001: straight below 0.0078125, where the darker of what is asked lies.
        code = np.where(linear > 0.0078125, (np.log2(linear) + 9.72) / 17.52, 10.5402377416545 * linear + 0.0729055)
        return np.asarray(np.repeat(code[..., None], 3, axis=2), np.float32)

    light = 2**-6.5 + 2**-4.5 * np.clip(1 - ((ACROSS - 0.2) ** 2 + (DOWN - 0.4) ** 2) / 0.3, 0, None)
    found = exposure.lit_alike(seen(light * 2**-0.5), seen(light), np.ones((ROWS, COLUMNS), bool))
    assert found.other_exposure
    assert found.bright == pytest.approx(-0.5 / 17.52, abs=0.004)


@pytest.mark.parametrize(("bits", "told"), [(10, True), (8, False)])
def test_what_rounding_does_to_colours_is_no_white_balance(bits: int, told: bool) -> None:
    # Faint colours of a dark room, which an encoder of eight bits rounds away: up to half a code of Cb and of Cr, which
    # ITU-R BT.709-6 adds to red times 1.5748, and takes off green times 0.4681.
    own, theirs = _seen(_lamp(0.25)), _seen(_lamp(0.75))
    own[..., 0] += 0.4 / 224 * 1.5748
    own[..., 1] -= 0.4 / 224 * 0.4681
    assert exposure.unlit(own, theirs, bits=bits).other_white == told
    own[..., 0] += 1 / 219
    assert exposure.unlit(own, theirs, bits=bits).other_white
