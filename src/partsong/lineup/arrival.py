"""How late sound reaches the camera, and what that means for the picture.

**The signs, once.** The camera records at media time ``m`` a sound that left the player ``delay`` earlier, while its
picture at ``m`` shows what the player does at ``m``. What is *seen* at ``m`` is therefore *heard* at ``m + delay``.
When the sound of a clip says that media time 0 lies at song time ``s``, its first frame shows song time ``s + delay``:

    picture_start = sound_start + delay

Lining the clip up by its sound alone would show every stroke ``delay`` too early on the song's time line; sound would
come late on the lips by that much.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from partsong.errors import InvalidInput
from partsong.film.records import DelayFrom, Film, Placement, Take
from partsong.timebase import Time

SOUND_M_PER_S = 343.2
"""Speed of sound in dry air at 20 degrees C: ISO 9613-1, reference value."""

USUAL_DELAY_S = 0.010
"""Assumed where the distance is not given: a camera three and a half metres away. Common practice, no source."""

THROUGH_AIR = ("phase", "onsets", "sync cue")
"""The methods of evidence that read a take's place from sound through the air."""


@dataclass(frozen=True, slots=True)
class Delay:
    """How late sound arrives, in seconds, and what that rests on; ``distance_m`` is None where it is assumed."""

    seconds: float
    rests_on: DelayFrom
    distance_m: float | None = None


def delay_of(film: Film, take: Take) -> Delay:
    """Return how late sound reached a take's camera.

    The take's own distance comes first, then its part's: as measured, else as planned. Those two are the locked-off
    camera's, so that a roaming take does not have them.
    """
    if take.distance_m is not None or take.kind != "stage" or take.part is None:
        return delay_over(take.distance_m)
    measured_m = film.part(take.part).distance_m
    return delay_over(film.plan.distance_m(take.part), "planned") if measured_m is None else delay_over(measured_m)


def delay_over(distance_m: float | None, rests_on: DelayFrom = "measured") -> Delay:
    """Return the delay over a distance in metres, or the usual one where none is given.

    Raises
    ------
    InvalidInput
        If the distance is not above zero.

    Examples
    --------
    >>> delay_over(3.432)
    Delay(seconds=0.01, rests_on='measured', distance_m=3.432)
    >>> delay_over(None)
    Delay(seconds=0.01, rests_on='assumed', distance_m=None)
    """
    if distance_m is None:
        return Delay(USUAL_DELAY_S, "assumed")
    if not distance_m > 0:
        raise InvalidInput(f"The distance {distance_m} m is not above zero. Give metres from the player to the camera.")
    return Delay(distance_m / SOUND_M_PER_S, rests_on, distance_m)


def picture_start_s(sound_start_s: float, delay_s: float) -> float:
    """Return the song time that a clip's first frame shows, from where its sound starts."""
    return sound_start_s + delay_s


def sound_start_s(picture_start_s: float, delay_s: float) -> float:
    """Return where a clip's sound starts on the song, from the song time that its first frame shows."""
    return picture_start_s - delay_s


def with_delay(placement: Placement, delay: Delay) -> Placement:
    """Return a placement with another arrival delay; what was read from sound through the air moves by the difference.

    A start by hand stays where the person saw it fit, and one by picture or timecode never had the delay in it.
    """
    exact = Time.of(Fraction(delay.seconds))
    told = placement.replace(arrival_delay=exact, delay_from=delay.rests_on)
    method = placement.evidence.method if placement.evidence else ""
    if placement.by_hand or placement.arrival_delay is None or method not in THROUGH_AIR:
        return told
    by_s = exact.seconds - placement.arrival_delay.seconds

    def moved(start: Time) -> Time:
        return Time.of(start.seconds + by_s)

    return told.replace(
        start=None if placement.start is None else moved(placement.start),
        candidates=tuple(one.replace(start=moved(one.start)) for one in placement.candidates),
    )
