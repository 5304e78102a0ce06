"""What the picture makes of a take's placement: its movement where the sound does not settle it, or a flash slate."""

from __future__ import annotations

from fractions import Fraction

from partsong.film.records import Candidate, Evidence, Placement, Take
from partsong.lineup.arrival import Delay
from partsong.lineup.motion import Seen
from partsong.lineup.slates import Shared
from partsong.timebase import Time

SAME_S = 0.06
"""Sound and picture mean the same place when they are this close: a frame and a half of 25 a second."""

_METHOD = "picture: movement against the stem"
_FLASH = "picture: flashes seen by another take too"


def with_picture(placement: Placement, seen: Seen) -> Placement:
    """Return the placement of a take by its picture, or as the sound left it where the picture does not help.

    Light needs no time to the camera, so the picture's start is taken as it is; the arrival delay is kept beside it.

    Parameters
    ----------
    placement : Placement
        By sound: ``ask`` or ``none``, with its candidates.
    seen : Seen
        By picture. It lifts a take to ``likely`` at most, and only where the sound does not point elsewhere.
    """
    starts = [Time.of(Fraction(sight.start_s)) for sight in seen.sights]
    own = tuple(Candidate(start=start, score=sight.nats) for start, sight in zip(starts, seen.sights, strict=True))
    told = f"{seen.agreed} of {seen.blocks} stretches go with its notes"
    if placement.confidence == "ask" and seen.confidence == "likely":
        near = next(
            (one for one in placement.candidates if abs(float(one.start) - seen.sights[0].start_s) < SAME_S), None
        )
        if near is None:
            sentence = f"{placement.sentence} {seen.reason}, but at a place that the sound does not point to."
            return placement.replace(candidates=(*placement.candidates, own[0]), sentence=sentence)
        others = tuple(one for one in placement.candidates if one is not near)
        return placement.replace(
            confidence="likely",
            start=near.start,  # the sound is the finer of the two
            candidates=(near, *others),
            evidence=_evidence(seen),
            sentence=f"{placement.sentence} {seen.reason} at one of these places: {told}.",
        )
    if placement.confidence == "none" and seen.confidence in ("likely", "ask"):
        placed = seen.confidence == "likely"
        return placement.replace(
            confidence=seen.confidence,
            start=starts[0] if placed else None,
            drift_ppm=0.0,
            candidates=own,
            evidence=_evidence(seen),
            sentence=f"{placement.sentence} {seen.reason}: {told}" + (", to about a frame." if placed else "."),
        )
    if placement.confidence == "none":
        return placement.replace(sentence=f"{placement.sentence} {seen.reason}.")
    return placement


def by_flash(take: Take, other: Placement, shared: Shared, before: Placement | None, delay: Delay) -> Placement:
    """Return the placement of a take that saw the same flashes as another one, which has a place.

    A person said that they did; so this is kept as placed by hand. It is to about a frame, and so no more than likely.
    """
    assert other.start is not None
    start_s = float(other.start) + shared.offset_s * (1 + other.drift_ppm * 1e-6)
    flashes = "the same flash" if shared.matched == 1 else f"the same {shared.matched} flashes"
    return Placement(
        take=take.id,
        confidence="likely",
        start=Time.of(Fraction(start_s)),
        arrival_delay=Time.of(Fraction(delay.seconds)),
        delay_from=delay.rests_on,
        by_hand=True,
        candidates=before.candidates if before else (),
        evidence=Evidence(method=_FLASH, windows=shared.matched, windows_tried=shared.matched),
        sentence=f"It saw {flashes} as {other.take}, which puts it where it is to {shared.within_s * 1e3:.0f} ms.",
    )


def by_picture(placement: Placement | None) -> bool:
    """Say whether a placement rests on the picture."""
    return bool(placement and placement.evidence and placement.evidence.method.startswith("picture"))


def _evidence(seen: Seen) -> Evidence:
    return Evidence(method=_METHOD, windows=seen.agreed, windows_tried=seen.blocks, margin=seen.margin)
