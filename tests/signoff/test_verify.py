"""What a decoded master must be, with every way of failing made on purpose."""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import pytest

from partsong.media.check import Decoded
from partsong.signoff.masters import MasterPlan, Piece, View
from partsong.signoff.verify import Compared, most_like, verify
from partsong.timebase import Rate

PLAN = MasterPlan("waltz", 64, 36, Rate.of("24"), (Piece(0, 48, (View("wide", tuple(range(48))),)),), 95_000)
WHOLE = Decoded(48, Fraction(0), Fraction(47, 24), Fraction(24), True, 95_000, 48_000)
GOOD = (Compared(0, 45.0, 0), Compared(24, 44.0, 24), Compared(47, 46.0, None))


def test_what_was_planned_passes() -> None:
    assert [check.outcome for check in verify(PLAN, "h264", WHOLE, GOOD)] == ["within"] * 6
    # Sound of 95000 samples lasts 1.979 s, the picture 2 s: less than a frame apart.


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"frames": 47}, 0),
        ({"first_s": Fraction(1, 24)}, 1),
        ({"last_s": Fraction(46, 24)}, 1),
        ({"even": False}, 1),
        ({"rate": Fraction(24000, 1001)}, 1),
        ({"sound_samples": 95_000 + 2001}, 2),
        ({"sound_rate_hz": 44_100}, 2),
        ({"sound_samples": 0, "sound_rate_hz": 0}, 2),
        ({"sound_samples": 93_000}, 3),
    ],
)
def test_each_way_of_being_wrong_is_seen(changes: dict[str, object], line: int) -> None:
    checks = verify(PLAN, "h264", dataclasses.replace(WHOLE, **changes), GOOD)
    assert checks[line].outcome == "outside"


@pytest.mark.parametrize(("samples", "kind", "outcome"), [(95_001, "h264", "within"), (95_001, "mezzanine", "outside")])
def test_uncompressed_sound_is_exact(samples: int, kind: str, outcome: str) -> None:
    found = dataclasses.replace(WHOLE, sound_samples=samples)
    assert verify(PLAN, kind, found, GOOD)[2].outcome == outcome  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("psnr_db", "kind", "outcome"),
    [(34.0, "h264", "within"), (33.9, "h264", "outside"), (45.9, "mezzanine", "outside")],
)
def test_a_frame_unlike_its_plan_fails(psnr_db: float, kind: str, outcome: str) -> None:
    compared = (*GOOD[:2], Compared(30, psnr_db, 30))
    assert verify(PLAN, kind, WHOLE, (Compared(0, 60.0, 0), compared[-1]))[4].outcome == outcome  # type: ignore[arg-type]


def test_a_picture_out_of_step_fails() -> None:
    check = verify(PLAN, "h264", WHOLE, (*GOOD, Compared(30, 40.0, 29)))[5]
    assert check.outcome == "outside"
    assert "planned frame 29" in check.sentence


def test_a_still_picture_tells_nothing_about_step() -> None:
    assert verify(PLAN, "h264", WHOLE, (Compared(0, 45.0, None),))[5].outcome == "stated"


@pytest.mark.parametrize(
    ("decoded_db", "planned_db", "expected"),
    [
        ({9: 30.0, 10: 45.0, 11: 31.0}, {9: 30.2, 11: 31.2}, 10),  # moving, in step
        ({9: 45.0, 10: 30.0, 11: 27.0}, {9: 30.2, 11: 31.2}, 9),  # moving, a frame late
        ({9: 45.5, 10: 45.4, 11: 45.3}, {9: 51.7, 11: 51.0}, None),  # still: neighbours are nearer than coding is
        (
            {9: 45.5, 10: 45.4, 11: 44.0},
            {9: 45.3, 11: 45.3},
            10,
        ),  # a slow ramp: half of each frame's noise is the last's
        ({9: 44.0, 10: 37.5, 11: 37.4}, {9: 38.2, 11: 38.1}, 9),  # only noise moves, a frame late: seen all the same
    ],
)
def test_which_frame_it_is(decoded_db: dict[int, float], planned_db: dict[int, float], expected: int | None) -> None:
    assert most_like(10, decoded_db, planned_db) == expected
