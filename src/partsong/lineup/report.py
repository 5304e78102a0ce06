"""A placement in plain facts and words: for the screen, for JSON and for the score."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from partsong.film.coverage import PlacedTake, Retimed
from partsong.film.records import Confidence, DelayFrom, Evidence, Film, Placement
from partsong.lineup.arrival import SOUND_M_PER_S, THROUGH_AIR, Delay, delay_of
from partsong.lineup.clocks import camera_clocks, odd_one
from partsong.lineup.tolerance import TOLERANCES, Timing, timing
from partsong.timebase import clock

_MOST_FRAMES_NAMED = 6
_SAME_DELAY_S = 1e-4
_UNKNOWN = "Clock not known: note starts do not tell it; taken as the song's."


@dataclass(frozen=True, slots=True)
class Facts:
    """What is told of a take's placement.

    ``start`` and ``start_ms`` are of the picture, ``sound_start_ms`` of the take's own sound: apart by the delay.
    ``twice`` and ``left_out`` are song frames where drift shows a frame again, or passes one over; None where the
    rates differ. ``sound_leads_ms`` and ``sound_lags_ms`` bound what lies between sound and picture in the film; None
    where nobody measured it. ``distance_m`` is what the delay was worked out from; ``since_words`` tells of another one
    that the film has by now. ``alone`` is how sure the take was before others were asked, where that changed.
    """

    take: str
    confidence: Confidence
    by_hand: bool
    start: str | None
    start_ms: float | None
    sound_start_ms: float | None
    drift_ppm: float
    drift_frames: float
    twice: Sequence[int] | None
    left_out: Sequence[int] | None
    distance_m: float | None
    arrival_delay_ms: float | None
    delay: DelayFrom
    sound_leads_ms: float | None
    sound_lags_ms: float | None
    tolerances: Sequence[dict[str, Any]]
    alone: Confidence | None
    candidates: Sequence[dict[str, float]]
    evidence: Evidence | None
    sentence: str
    clock_words: str
    odd_clock: str
    timing_words: str
    since_words: str

    @property
    def between(self) -> str:
        """Between what sound lies in the film, late (negative) to early; a dash where nobody measured it."""
        if self.sound_lags_ms is None or self.sound_leads_ms is None:
            return "-"
        return f"{signed(-self.sound_lags_ms, 1)} to {signed(self.sound_leads_ms, 1)} ms"

    @property
    def shifts(self) -> bool:
        """Whether drift moves any frame of the picture."""
        return bool(self.twice or self.left_out)


def facts(film: Film, placement: Placement) -> Facts:
    """Return what is told of a placement in a film."""
    take = film.take(placement.take)
    start, delay = placement.start, placement.arrival_delay
    rate = film.rate or take.picture.rate
    retimed = None if start is None else PlacedTake(take, placement, rate).retimed()
    found = timing(film, take, placement)
    clocks = camera_clocks(film.takes, {one.take: one for one in film.placements})
    now = delay_of(film, take)
    delay_ms = None if delay is None else float(delay) * 1e3
    start_ms = None if start is None else float(start) * 1e3
    return Facts(
        take=take.id,
        confidence=placement.confidence,
        by_hand=placement.by_hand,
        start=None if start is None else clock(start.seconds),
        start_ms=start_ms,
        sound_start_ms=None if start_ms is None else start_ms - (delay_ms or 0.0),
        drift_ppm=placement.drift_ppm,
        drift_frames=0.0 if retimed is None else retimed.by_end_frames,
        twice=() if retimed is None else retimed.twice,
        left_out=() if retimed is None else retimed.left_out,
        distance_m=now.distance_m if _rests_on(placement, now) else _metres(placement),
        arrival_delay_ms=delay_ms,
        delay=now.rests_on if delay is None else placement.delay_from,
        sound_leads_ms=None if found is None else found.whole.lead_ms,
        sound_lags_ms=None if found is None else found.whole.lag_ms,
        tolerances=() if found is None else _judged(found),
        alone=None if placement.alone is None else placement.alone.confidence,
        candidates=[{"start_s": float(one.start), "score": one.score} for one in placement.candidates],
        evidence=placement.evidence,
        sentence=placement.sentence,
        clock_words=_clock_told(placement, retimed),
        odd_clock="" if start is None else odd_one(take, placement, clocks),
        timing_words="" if start is None else timing_words(found),
        since_words=_since(placement, now),
    )


def _rests_on(placement: Placement, now: Delay) -> bool:
    delay = placement.arrival_delay
    return delay is None or abs(float(delay) - now.seconds) < _SAME_DELAY_S


def _metres(placement: Placement) -> float | None:
    if placement.arrival_delay is None or placement.delay_from == "assumed":
        return None
    return float(placement.arrival_delay) * SOUND_M_PER_S


def _since(placement: Placement, now: Delay) -> str:
    """Say that a place read from sound through the air rests on another distance than the film has now."""
    method = placement.evidence.method if placement.evidence else ""
    if placement.by_hand or method not in THROUGH_AIR or _rests_on(placement, now):
        return ""
    far = "is not known any more" if now.distance_m is None else f"is now {now.distance_m:.3g} m ({now.rests_on})"
    return (
        f"Since it was placed its distance has changed: it {far}, which makes sound {now.seconds * 1e3:.1f} ms late. "
        "Place it again."
    )


def signed(value: float, digits: int) -> str:
    """Write a number with its sign; none where it rounds to nothing.

    >>> signed(1.25, 1), signed(-0.04, 1)
    ('+1.2', '0.0')
    """
    text = f"{value:+.{digits}f}"
    return text if float(text) else text[1:]


def clock_words(drift_ppm: float, retimed: Retimed) -> str:
    """Say what a camera's clock does to its picture.

    >>> clock_words(60.0, Retimed(0.14, (), ()))
    'Clock +60.0 ppm, +0.14 frames by the end: every frame is shown once.'
    """
    told = f"Clock {signed(drift_ppm, 1)} ppm, {signed(retimed.by_end_frames, 2)} frames by the end"
    if retimed.twice is None or retimed.left_out is None:
        return f"{told}: its frame rate is not the film's, so frames are chosen by the nearest moment anyway."
    if retimed.twice:
        return f"{told}: the frame before is shown again at {_frames(retimed.twice)}."
    if retimed.left_out:
        return f"{told}: one of its frames is left out before {_frames(retimed.left_out)}."
    return f"{told}: every frame is shown once."


def _clock_told(placement: Placement, retimed: Retimed | None) -> str:
    if retimed is None:
        return ""
    method = placement.evidence.method if placement.evidence else ""
    # Note starts that placed a take and told no drift: nobody measured its clock.
    return _UNKNOWN if method == "onsets" and placement.drift_ppm == 0 else clock_words(placement.drift_ppm, retimed)


def timing_words(found: Timing | None) -> str:
    """Say how sound and picture may lie in the film, and which published tolerances that is inside of."""
    if found is None:
        return "Sound to picture: set by eye, so not measured. Listen to it, and watch it with the mix."
    told = (
        f"Sound to picture in the film: at most {found.whole.lead_ms:.1f} ms early and {found.whole.lag_ms:.1f} ms "
        f"late ({'; '.join(found.because)})."
    )
    inside = [tolerance.name for tolerance in TOLERANCES if tolerance.holds(found.whole)]
    outside = [tolerance.name for tolerance in TOLERANCES if not tolerance.holds(found.whole)]
    held = f"Inside {inside[0]}{' and all wider' if len(inside) > 1 else ''}" if inside else "Inside no tolerance"
    return f"{told} {held}{f'; outside {outside[-1]}' if outside else ''}."


def _judged(found: Timing) -> list[dict[str, Any]]:
    return [
        {"name": one.name, "lead_ms": one.lead_ms, "lag_ms": one.lag_ms, "inside": one.holds(found.whole)}
        for one in TOLERANCES
    ]


def _frames(frames: Sequence[int]) -> str:
    named = ", ".join(str(frame) for frame in frames[:_MOST_FRAMES_NAMED])
    more = len(frames) - _MOST_FRAMES_NAMED
    return f"song frame{'s' if len(frames) > 1 else ''} {named}" + (f" and {more} more" if more > 0 else "")
