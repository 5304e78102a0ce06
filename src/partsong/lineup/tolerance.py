"""How far sound and picture may lie apart in the film, and which published tolerances that is inside of.

In the film the mix takes the place of a take's own sound, so every error of the placement becomes an error between
sound and picture. It has three parts: how finely the place could be **read**, how well the **arrival delay** is known,
and that **frames are whole**. The third is known exactly, the others are bounds.

**Signs.** Like ITU-R BT.1359-1: positive is sound early (it *leads* the picture), negative is sound late (it *lags*). A
picture that lies too late on the song makes sound early.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from partsong.film.coverage import PlacedTake
from partsong.film.records import Film, Placement, Take
from partsong.lineup.arrival import SOUND_M_PER_S, THROUGH_AIR, USUAL_DELAY_S
from partsong.lineup.joint import BY_OTHERS
from partsong.lineup.links import FRAMES_AGREE
from partsong.timebase import Rate


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A published window: sound may lead by ``lead_ms`` and lag by ``lag_ms``."""

    name: str
    lead_ms: float
    lag_ms: float

    def holds(self, spread: Spread) -> bool:
        """Whether all that is possible lies inside."""
        return spread.lead_ms <= self.lead_ms and spread.lag_ms <= self.lag_ms


TOLERANCES = (
    Tolerance("EBU R 37-2007, one stage of the chain", 5.0, 15.0),
    Tolerance("ATSC IS-191, input of the encoder", 15.0, 45.0),
    Tolerance("EBU R 37-2007, end of the chain", 40.0, 60.0),
    Tolerance("ITU-R BT.1359-1, detectable", 45.0, 125.0),
    Tolerance("ITU-R BT.1359-1, acceptable", 90.0, 185.0),
)
"""The narrowest first. IS-191 is from memory; R 37's figures as quoted elsewhere."""

DISTANCE_M = 0.25
"""How well a distance that was measured is known: the player moves. Common practice, no source."""

PLANNED_M = 1.0
"""How far from its planned spot a part is taken to be played at most. Common practice, no source."""

FURTHEST_M = 10.0
"""How far a camera of unknown distance is taken to be at most: a large room. Common practice, no source."""

ONSETS_EARLY_MS, ONSETS_LATE_MS = 20.0, 35.0
"""How far places read from note starts alone were seen to be out: they read late in reverberant rooms."""

CUE_MS = 5.0
READ_MS = 0.5
"""Windows of sound that lie this near to the line count as on it."""


@dataclass(frozen=True, slots=True)
class Spread:
    """By how much sound may lead and lag the picture at most, in milliseconds, both 0 or more."""

    lead_ms: float
    lag_ms: float

    def __add__(self, other: Spread) -> Spread:
        return Spread(self.lead_ms + other.lead_ms, self.lag_ms + other.lag_ms)


@dataclass(frozen=True, slots=True)
class Timing:
    """How sound and picture of a placed take may lie in the film.

    ``placed`` is the bound of the placement, ``frames_ms`` what whole frames make of it (least and most, positive is
    sound early), ``whole`` both together. ``because`` says in words what the bound is made of.
    """

    placed: Spread
    frames_ms: tuple[float, float]
    because: tuple[str, ...]

    @property
    def whole(self) -> Spread:
        """Everything together."""
        least, most = self.frames_ms
        return Spread(max(0.0, most + self.placed.lead_ms), max(0.0, self.placed.lag_ms - least))

    @property
    def inside(self) -> Mapping[str, bool]:
        """Whether each published tolerance holds."""
        return {tolerance.name: tolerance.holds(self.whole) for tolerance in TOLERANCES}


def timing(film: Film, take: Take, placement: Placement) -> Timing | None:
    """Return how sound and picture of a placed take may lie in the film; None where nobody measured it.

    That is so for what a person set by eye, and for what leans on that.
    """
    if placement.start is None:
        return None
    bound = _bound(film, take, placement)
    if bound is None:
        return None
    early = PlacedTake(take, placement, film.rate or take.picture.rate).early_s()
    least, most = sorted(-1e3 * float(seconds) for seconds in early)
    frames = (
        f"whole frames: {least:+.1f} ms" if most - least < 0.05 else f"whole frames: {least:+.1f} to {most:+.1f} ms"
    )
    return Timing(bound[0], (least, most), (*bound[1], frames))


def _bound(film: Film, take: Take, placement: Placement) -> tuple[Spread, tuple[str, ...]] | None:
    if placement.by_hand or placement.evidence is None:
        return None
    method = placement.evidence.method
    if method == BY_OTHERS:
        return _leaning(film, take, placement)
    read = _read(method, placement.evidence.spread_ms, take.picture.rate)
    told: tuple[str, ...] = (f"read to {_words(read)}",)
    if method not in THROUGH_AIR:
        return read, told
    late = _delay(placement)
    how = {
        "measured": f"distance known to {DISTANCE_M:g} m",
        "planned": f"distance as planned, to {PLANNED_M:g} m",
        "assumed": f"distance unknown, {FURTHEST_M:g} m at most",
    }[placement.delay_from]
    return read + late, (*told, f"{how}: {_words(late)}")


def _read(method: str, spread_ms: float | None, rate: Rate) -> Spread:
    if method in ("phase", "timecode"):
        fine = 3 * (spread_ms or 0.0) + READ_MS
        return Spread(fine, fine)
    if method == "sync cue":
        return Spread(CUE_MS, CUE_MS)
    if method == "onsets":
        return Spread(ONSETS_EARLY_MS, ONSETS_LATE_MS)
    frame = 1e3 * float(rate.frame_s)  # by picture, to about a frame
    return Spread(frame, frame)


def _delay(placement: Placement) -> Spread:
    if placement.delay_from == "assumed":
        # No camera hears before the sound was made, and none in the room stands further away.
        return Spread(1e3 * USUAL_DELAY_S, 1e3 * (FURTHEST_M / SOUND_M_PER_S - USUAL_DELAY_S))
    around = 1e3 * (DISTANCE_M if placement.delay_from == "measured" else PLANNED_M) / SOUND_M_PER_S
    return Spread(around, around)


def _leaning(film: Film, take: Take, placement: Placement) -> tuple[Spread, tuple[str, ...]] | None:
    assert placement.evidence is not None
    witness = next(one for one in placement.evidence.witnesses if one.says == "places")
    anchor = film.placement_of(witness.take)
    before = None if anchor is None else _bound(film, film.take(witness.take), anchor)
    if before is None:
        return None
    if witness.by == "timecode":
        frames = FRAMES_AGREE * 1e3 * float(take.picture.rate.frame_s)
        own = Spread(frames, frames)
    else:
        own = _read("phase", placement.evidence.spread_ms, take.picture.rate) + _delay(placement)
    return before[0] + own, (f"as {witness.take}: {_words(before[0])}", f"through {witness.by}: {_words(own)}")


def _words(spread: Spread) -> str:
    if round(spread.lead_ms, 1) == round(spread.lag_ms, 1):
        return f"{spread.lead_ms:.1f} ms either way"
    return f"{spread.lead_ms:.1f} ms early or {spread.lag_ms:.1f} ms late"
