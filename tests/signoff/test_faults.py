"""Standstills, black and repeated frames, put into a moving picture at known places."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.signoff.faults import FaultMeter, Faults, judge
from partsong.timebase import Rate

RATE = Rate.of("24")


def moving(frames: int) -> list[NDArray[np.float64]]:
    """A bright square that walks over a grey picture, with a little noise."""
    noise = np.random.default_rng(7)
    pictures = []
    for frame in range(frames):
        picture = 0.3 + noise.normal(0, 0.002, (90, 160))
        left = 3 * frame % 140
        picture[30:60, left : left + 20] = 0.8
        pictures.append(picture)
    return pictures


def found_in(pictures: list[NDArray[np.float64]]) -> Faults:
    meter = FaultMeter(RATE)
    for picture in pictures:
        meter.feed(picture)
    return meter.result()


def test_a_moving_picture_has_no_faults() -> None:
    found = found_in(moving(120))
    assert (found.still, found.black, found.repeated) == ((), (), ())
    assert not any(check.needs_decision for check in judge(found))


@pytest.mark.parametrize(("length", "seen"), [(24, True), (22, False)])
def test_a_standstill_is_found_from_a_second_on(length: int, seen: bool) -> None:
    pictures = moving(120)
    pictures[50 : 50 + length] = [pictures[50]] * length
    assert found_in(pictures).still == (((50, 50 + length - 1),) if seen else ())


def test_black_frames_within_the_film_are_found_and_fades_are_not() -> None:
    pictures = moving(120)
    for frame in [*range(10), 60, 61, *range(110, 120)]:
        pictures[frame] = np.zeros((90, 160))
    assert found_in(pictures).black == ((60, 61),)


def test_a_repeated_frame_is_found() -> None:
    pictures = moving(120)
    pictures[70] = pictures[69]
    found = found_in(pictures)
    assert found.repeated == (70,)
    assert "00:02.92" in judge(found)[2].sentence  # 70 / 24 s


def test_no_picture_to_speak_of_is_refused() -> None:
    with pytest.raises(InvalidInput, match="too small"):
        FaultMeter(RATE).feed(np.zeros((1, 160)))
