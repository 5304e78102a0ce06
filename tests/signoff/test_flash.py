"""What the flash meter counted, in sentences."""

from __future__ import annotations

from partsong.render.flashing import Worst
from partsong.signoff.flash import judge
from partsong.timebase import Rate


def worst(transitions: int, failing: tuple[tuple[int, int], ...] = ()) -> Worst:
    return Worst("general", transitions, 48, 71, failing, Rate.of("24"))


def test_too_much_flashing_names_its_places_and_the_danger() -> None:
    check = judge((worst(8, ((40, 80),)),))[0]
    assert check.needs_decision
    assert "4 flashes, from 00:02.00" in check.sentence
    assert "00:01.67 to 00:03.38" in check.sentence  # frames 40 to 80, ends included, at 24 a second
    assert "seizures" in check.caution


def test_what_stays_within_the_limit_is_told_with_its_number() -> None:
    check = judge((worst(6),))[0]
    assert not check.needs_decision
    assert check.measured == "3 flashes in a second"
    assert not check.caution


def test_a_change_that_does_not_come_back_is_no_flash() -> None:
    assert judge((worst(1),))[0].sentence == "Nothing flashes (light and dark)."
