"""A camera's curve made ready for the compiled loops, against the definition and a published encoding."""

from __future__ import annotations

import numpy as np
import pytest

import acescct
from partsong.render import curves, kernels, pixels
from partsong.render.colour import DEFAULT_CONFIG, linear_curve

ENCODED = np.linspace(curves.DECODE_LOW, curves.DECODE_HIGH, 20_001)
CODE = 1 / 876  # of limited range at 10 bits, BT.709-6, item 3.4
CODES = np.linspace(0, 1, 4096)
# IEC 61966-2-1: a display encoding, whose curve is far from a logarithm.
SRGB = np.where(CODES <= 0.04045, CODES / 12.92, ((CODES + 0.055) / 1.055) ** 2.4)


def test_a_published_log_encoding_is_found_to_be_one():
    # Academy S-2016-001, ACEScct: 2 ** (17.52 * encoded - 9.72) above 0.155251141552511, straight below.
    found = curves.exponential_of(acescct.CURVE)
    assert found.rate == pytest.approx(17.52, abs=1e-3)
    assert np.log2(found.scale) == pytest.approx(-9.72, abs=1e-3)
    assert found.constant == pytest.approx(0, abs=1e-5)
    assert found.cut == pytest.approx(0.155251141552511, abs=2e-3)


def test_curves_of_other_kinds_are_not_taken_for_one():
    straight = np.linspace(0, 1, 4096)
    bent = np.sinh(6 * CODES - 1) / 40  # two logarithms back to back
    noisy = straight.astype(np.float32).astype(float) + 1e-12 * CODES**2  # as single precision gives a straight line
    for curve in (SRGB, straight, noisy, bent, acescct.CURVE[:6]):
        assert curves.exponential_of(curve) is None
        assert curves.to_light(curve).log.size == 0
        assert curves.from_light(curve).log.size == 0


def computed(curve, encoded):
    ready = curves.to_light(curve)
    factor, constant = ready.to_steps
    powers = np.asarray(encoded * factor + constant, np.float32)
    return np.array([kernels._lit.py_func(power, *ready.log) for power in powers])


@pytest.mark.parametrize("curve", [acescct.CURVE, linear_curve(DEFAULT_CONFIG, "ACEScct")])
def test_computed_light_and_signals_lie_far_within_a_code_of_the_definition(curve):
    # A tenth of a code is what a curve may differ from an exponential; this one is one, and the polynomials err less.
    light = computed(curve, ENCODED)
    assert np.abs(pixels.to_encoded(light, curve) - ENCODED).max() < 0.02 * CODE
    log = curves.from_light(curve).log
    given = pixels.to_linear(ENCODED, curve).astype(np.float32)
    signals = np.array([kernels._signal.py_func(one, *log) for one in given])
    assert np.abs(signals - ENCODED).max() < 0.02 * CODE


def test_powers_of_two_and_logarithms_are_as_close_as_they_say():
    part = np.linspace(0, 1, 1001)
    power = np.polynomial.Polynomial(np.array(curves.EXP2, float))(part)
    assert np.abs(np.log2(power) - part).max() < 2e-4
    logarithm = np.polynomial.Polynomial(np.array(curves.LOG2, float))(1 + part) + 127
    assert np.abs(logarithm - np.log2(1 + part)).max() < 1.2e-4
