"""Is a written master the one that was planned? Its decoded frames and lengths, held against the plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from partsong.media.check import Decoded
from partsong.signoff.checks import Check, held
from partsong.signoff.masters import SOUND_RATE_HZ, MasterKind, MasterPlan
from partsong.signoff.sync import judge_lengths
from partsong.timebase import clock

PSNR_FLOOR_DB: dict[MasterKind, float] = {"h264": 34.0, "mezzanine": 46.0}
"""Ours, no standard: noisy footage of our own gave 39.7 and 56.0 dB, and a film with other noise may lie some decibels
lower. A wrong frame, look or size gives far less than these."""

_ANOTHER_DB = 1.5


@dataclass(frozen=True, slots=True)
class Compared:
    """One frame, decoded again: its likeness to the planned one, and which planned frame it is most like.

    ``most_like`` is None where that cannot be told, because nothing moves.
    """

    frame: int
    psnr_db: float
    most_like: int | None


def most_like(frame: int, decoded_db: Mapping[int, float], planned_db: Mapping[int, float]) -> int | None:
    """Return which planned frame a decoded one is most like, or None where that cannot be told.

    Parameters
    ----------
    frame : int
        The number of the decoded frame.
    decoded_db : mapping
        PSNR of the decoded frame against the planned ones, itself and its neighbours, by number.
    planned_db : mapping
        PSNR of the planned frame against its planned neighbours, by number.

    Notes
    -----
    Coding lends a frame of a still picture some of the noise of the frame before, so that it may be a little more
    like that one. A neighbour therefore counts only when the two planned frames differ by more than what coding
    has cost, which is told by the best likeness. Were the frame really that neighbour, its own plan would then differ
    from it by both, at least twice as much noise, which is 3 dB; less than half of that is no sign of it.
    """
    best_db = max(decoded_db.values())
    apart = [number for number, likeness in planned_db.items() if likeness < best_db]
    if not apart:
        return None
    nearest = max(apart, key=lambda number: decoded_db[number])
    return nearest if decoded_db[nearest] > decoded_db[frame] + _ANOTHER_DB else frame


def verify(plan: MasterPlan, kind: MasterKind, found: Decoded, compared: Sequence[Compared]) -> tuple[Check, ...]:
    """Hold a decoded master against its plan.

    Parameters
    ----------
    plan : MasterPlan
        What was to be made.
    kind : {"h264", "mezzanine"}
        By which recipe.
    found : Decoded
        The whole file, decoded.
    compared : sequence of Compared
        Some of its frames against the planned ones, rendered again.
    """
    return (
        _count(plan, found),
        _times(plan, found),
        _sound(plan, kind, found),
        judge_lengths(found.picture_s, found.sound_s, plan.rate),
        _likeness(plan, kind, compared),
        _order(plan, compared),
    )


def _count(plan: MasterPlan, found: Decoded) -> Check:
    passes = found.frames == plan.frames
    sentence = (
        f"All {found.frames} frames decode, as many as planned."
        if passes
        else f"{found.frames} frames decode, {plan.frames} were planned."
    )
    return Check("Whole", sentence, f"{found.frames} frames", f"{plan.frames} frames", "the plan", held(passes))


def _times(plan: MasterPlan, found: Decoded) -> Check:
    last_s = (plan.frames - 1) * plan.rate.frame_s
    passes = found.first_s == 0 and found.last_s == last_s and found.even and found.rate == plan.rate.exact
    sentence = (
        f"They are shown evenly, {plan.rate} a second, from 0 on."
        if passes
        else "They are not shown when they should be: the first, the last or those between come at another time."
    )
    return Check(
        "Whole",
        sentence,
        f"first at {float(found.first_s):.4f} s, last at {float(found.last_s):.4f} s",
        f"0 s and {float(last_s):.4f} s, exactly",
        "the plan",
        held(passes),
    )


def _sound(plan: MasterPlan, kind: MasterKind, found: Decoded) -> Check:
    away = found.sound_samples - plan.samples
    # Compressed sound comes in blocks; a reader that does not trim the last one may still be within a frame.
    allowed = 0 if kind == "mezzanine" else int(plan.rate.frame_s * SOUND_RATE_HZ)
    passes = found.sound_rate_hz == SOUND_RATE_HZ and abs(away) <= allowed
    sentence = (
        "The sound is as long as the mix, to the sample."
        if passes and away == 0
        else f"The sound is {abs(away)} samples {'longer' if away > 0 else 'shorter'} than the mix."
    )
    return Check(
        "Whole",
        sentence,
        f"{found.sound_samples} samples",
        f"{plan.samples} samples" + (f" ± {allowed} (a frame)" if allowed else ", exactly"),
        "the mix",
        held(passes),
    )


def _likeness(plan: MasterPlan, kind: MasterKind, compared: Sequence[Compared]) -> Check:
    least = min(compared, key=lambda each: each.psnr_db)
    floor = PSNR_FLOOR_DB[kind]
    passes = least.psnr_db >= floor
    where = clock(least.frame * plan.rate.frame_s)
    return Check(
        "Whole",
        f"Of {len(compared)} frames decoded again, the one least like its plan is at {where}."
        + ("" if passes else " Something was lost or changed on the way; make the master again."),
        f"{least.psnr_db:.1f} dB",
        f"at least {floor:.0f} dB (PSNR of luma)",
        "ours: some decibels under what the recipe gives on noisy footage",
        held(passes),
    )


def _order(plan: MasterPlan, compared: Sequence[Compared]) -> Check:
    told = [each for each in compared if each.most_like is not None]
    strays = [each for each in told if each.most_like != each.frame]
    measured = f"{len(told) - len(strays)} of {len(told)} in place"
    if len(told) < len(compared):
        measured += f", {len(compared) - len(told)} in a still picture"
    if not told:
        sentence = "Nothing moves around the frames decoded again, so the picture's step cannot be told."
        return Check("Sync", sentence, measured, "", "", "stated")
    sentence = (
        "Each is more like its own plan than like the frame before or after."
        if not strays
        else f"The frame at {clock(strays[0].frame * plan.rate.frame_s)} is more like planned frame "
        f"{strays[0].most_like} than like its own, {strays[0].frame}: the picture is out of step."
    )
    return Check("Sync", sentence, measured, "all in place", "the plan", held(not strays))
