"""Takes of one camera share its clock: what that says of a take whose own drift was not measured, or does not fit.

Drift is a property of a camera's crystal; the record's clock is the same for all takes. It wanders by some parts in a
million with the warmth of a day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from statistics import median

from partsong.film.records import Placement, Take
from partsong.lineup.links import camera_of
from partsong.timebase import Time

TOLD_S = 30.0
"""From this length on, half a millisecond of reading error leaves a drift good to some 15 parts in a million."""

WANDERS_PPM = 20.0
"""A clock this far from its camera's other takes is not explained by a day's warmth: common practice, no source."""

_LEAST = 2


@dataclass(frozen=True, slots=True)
class CameraClock:
    """The drift of a camera and the takes that it was read from."""

    drift_ppm: float
    takes: tuple[str, ...]


def camera_clocks(takes: Sequence[Take], placements: Mapping[str, Placement]) -> dict[str, CameraClock]:
    """Return the clock of every camera of which at least two takes, and most of them, agree.

    Only takes whose drift was measured count: placed surely by the sound itself, by nobody's hand, over half a minute.
    """
    read: dict[str, dict[str, float]] = {}
    for take in takes:
        found = placements.get(take.id)
        if found is not None and _measured(take, found):
            read.setdefault(camera_of(take), {})[take.id] = found.drift_ppm
    clocks = {}
    for camera, drifts in read.items():
        middle = median(drifts.values())
        close = tuple(name for name, drift in drifts.items() if abs(drift - middle) <= WANDERS_PPM)
        if len(close) >= _LEAST and 2 * len(close) > len(drifts):
            clocks[camera] = CameraClock(median(drifts[name] for name in close), close)
    return clocks


def odd_one(take: Take, placement: Placement, clocks: Mapping[str, CameraClock]) -> str:
    """Say that a take's clock is not its camera's; nothing where it is, or where neither is known."""
    clock = clocks.get(camera_of(take))
    if clock is None or not _measured(take, placement) or take.id in clock.takes:
        return ""
    return (
        f"Its clock runs {placement.drift_ppm - clock.drift_ppm:+.0f} ppm from that of {', '.join(clock.takes)}, which "
        "should be the same camera: look whether it was."
    )


def with_clock(take: Take, placement: Placement, clocks: Mapping[str, CameraClock]) -> Placement:
    """Return a placement whose own drift nobody measured with its camera's; the middle of the take stays in place."""
    clock = clocks.get(camera_of(take))
    method = placement.evidence.method if placement.evidence else ""
    blind = (method.startswith("picture") or method == "onsets") and placement.drift_ppm == 0
    if clock is None or placement.by_hand or placement.start is None or not blind or not round(clock.drift_ppm, 1):
        return placement
    earlier_s = Fraction(clock.drift_ppm) / 1_000_000 * take.clip.duration.seconds / 2
    return placement.replace(
        start=Time.of(placement.start.seconds - earlier_s),
        drift_ppm=clock.drift_ppm,
        sentence=f"{placement.sentence} Its clock is taken to run like that of {clock.takes[0]}, by the same camera: "
        f"{clock.drift_ppm:+.1f} ppm.",
    )


def _measured(take: Take, placement: Placement) -> bool:
    return (
        placement.confidence == "sure"
        and not placement.by_hand
        and placement.evidence is not None
        and placement.evidence.method in ("phase", "timecode")
        and float(take.clip.duration) >= TOLD_S
    )
