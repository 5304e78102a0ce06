"""Reading a sound between its samples."""

import numpy as np
import pytest

from partsong.media.resample import TAPS, read_between

RATE_HZ = 48000


@pytest.mark.parametrize("hz", [40, 997, 7350, 15000, 20000])
@pytest.mark.parametrize("drift_ppm", [-300, 20, 300])
def test_a_sine_that_is_stretched_stays_the_sine(hz, drift_ppm):
    sine = np.sin(2 * np.pi * hz * np.arange(3 * RATE_HZ) / RATE_HZ).astype(np.float32)
    at = 500.25 + np.arange(2 * RATE_HZ) * (1 + drift_ppm * 1e-6)
    error = read_between(sine, at) - np.sin(2 * np.pi * hz * at / RATE_HZ)

    # -98 dB under the sine: the noise of 16 bits. The Kaiser window is made for -100 dB.
    assert np.sqrt(2 * np.mean(error**2)) < 10 ** (-98 / 20)


def test_whole_positions_are_the_samples_themselves_and_outside_is_silent():
    sound = np.arange(1.0, 51.0)

    # 1e-5: single precision.
    np.testing.assert_allclose(read_between(sound, np.arange(50.0)), sound, rtol=1e-5, atol=1e-5)
    assert not read_between(sound, np.array([-1e9, -TAPS - 1.0, 50.0 + TAPS, 1e9])).any()
    assert read_between(sound, np.array([-3.5, 52.5])).any()  # a sinc rings beyond the ends


def test_channels_are_read_alike():
    rng = np.random.default_rng(5)
    sound = rng.normal(size=(4000, 3)).astype(np.float32)
    at = np.linspace(-10, 4010, 30_000)
    together = read_between(sound, at)

    assert together.shape == (30_000, 3)
    for channel in range(3):
        # 1e-5: sums of 48 values of about one, in another order in single precision.
        np.testing.assert_allclose(together[:, channel], read_between(sound[:, channel], at), atol=1e-5)


def test_a_constant_stays_what_it_is():
    at = 100 + np.linspace(0, 1, 777)

    # 1e-6: single precision.
    np.testing.assert_allclose(read_between(np.ones(300), at), 1.0, atol=1e-6)


def test_no_samples_give_silence():
    assert not read_between(np.zeros((0, 2), np.float32), np.arange(5.0)).any()
