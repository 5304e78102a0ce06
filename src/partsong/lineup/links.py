"""What two takes share that says how they lie to each other: the same sound in the air, or one clock.

**Same sound.** Two microphones in one room, or two takes to the same playback: the takes' own sounds are compared with
each other as a take is with the song.

**Timecode.** A file says what its camera's clock showed at the first frame. Clocks that are never set run on between
clips or count recorded frames only, start at zero, or agree with no other camera's; a label proves nothing by itself. A
clock is *proven* by takes that were placed otherwise: two of them whose places on the song lie as far apart as their
labels, to a frame and a half. What it then says holds for the cameras that these takes came from, while they ran.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import PurePosixPath
from typing import Literal

from partsong.film.records import Placement, Take
from partsong.lineup.line import Line
from partsong.lineup.locate import Found

LOCKED_OFF = "the locked-off camera"
SOUND_AGREES_S = 0.06
"""Onsets alone read some hundredths of a second late, and an unknown distance adds two hundredths."""

FRAMES_AGREE = 1.5
"""Two cameras that are not locked to each other expose up to a frame apart, and each label is a whole frame."""

_DAY_S = 86400.0
_RAN_ON_FRAMES = 2  # clips closer than this follow each other without a gap


@dataclass(frozen=True, slots=True)
class Link:
    """How two takes lie to each other: media time ``m`` of ``other`` is media time ``line.song_s(m)`` of ``one``.

    By ``sound`` the line is that of the sounds, by ``timecode`` that of the pictures. A place agrees with the link when
    it lies within ``agrees_s``. What is not ``proven`` may only choose among places that a take's own sound points to,
    or ``suggests`` one to a person. ``told`` says what they share.
    """

    one: str
    other: str
    by: Literal["sound", "timecode"]
    line: Line
    agrees_s: float
    proven: bool
    told: str
    suggests: bool = False
    spread_ms: float | None = None

    def seen_from(self, take: str) -> Link:
        """Return the link with ``take`` as its ``one``."""
        if take == self.one:
            return self
        rate = 1 + self.line.drift_ppm * 1e-6
        line = Line(-self.line.start_s / rate, (1 / rate - 1) * 1e6)
        return Link(
            self.other, self.one, self.by, line, self.agrees_s, self.proven, self.told, self.suggests, self.spread_ms
        )


def sound_link(one: str, other: str, found: Found) -> Link | None:
    """Return the link between two takes from comparing the sound of ``other`` with that of ``one``, if it is proven.

    Only windows that agree each by itself prove anything here: notes that start alike may be the same notes played
    again, and the sum of many windows may show those.
    """
    if found.confidence != "sure" or found.method != "phase" or not found.alone or found.line is None:
        return None
    told = f"which heard the same sound ({found.agreed} of {found.tried} windows agree)"
    return Link(one, other, "sound", found.line, SOUND_AGREES_S, True, told, spread_ms=found.spread_ms)


def camera_of(take: Take) -> str:
    """Return what tells a take's camera from others: the locked-off one, or where its files lie and what they are."""
    if take.kind == "stage":
        return LOCKED_OFF
    picture, sound = take.picture, take.clip.sound
    kind = (picture.codec, picture.width, picture.height, str(picture.rate), picture.pixel_format)
    heard = (sound.codec, str(sound.rate_hz), str(sound.channels)) if sound else ()
    return " ".join([str(PurePosixPath(take.clip.file.path).parent), *map(str, kind), *heard])


def clock_s(take: Take) -> float | None:
    """Return what a take's camera clock showed at the first frame, in seconds; None where it has no label but zero."""
    timecode = take.picture.timecode
    if timecode is None or timecode.frame == 0:
        return None
    return float(timecode.frame * take.picture.rate.frame_s)


def timecode_links(takes: Sequence[Take], placements: Mapping[str, Placement], song_s: float) -> tuple[Link, ...]:
    """Return the links that camera clocks make.

    Parameters
    ----------
    takes : sequence of Take
        All takes of the film.
    placements : mapping
        By take: what each take's own sound and picture say, or a person. Those that are sure prove clocks.
    song_s : float
        The length of the song: takes further apart than that were not of one performance.
    """
    timed = [take for take in takes if clock_s(take) is not None]
    proofs = tuple(_proofs(timed, placements))
    links = []
    for one, other in combinations(timed, 2):
        if not _same_count(one, other):
            continue
        later_s, frame_s = _later_s(one, other), float(one.picture.rate.frame_s)
        gap_s = max(later_s - float(one.clip.duration), -later_s - float(other.clip.duration))
        at_once = gap_s < -_RAN_ON_FRAMES * frame_s
        if gap_s > song_s or (at_once and camera_of(one) == camera_of(other)):
            continue  # no camera films two clips at once: its clock was set in between
        proven = any(proof.holds_for(one) and proof.holds_for(other) for proof in proofs)
        if not proven and gap_s > _RAN_ON_FRAMES * frame_s:
            continue
        links.append(
            Link(
                one.id,
                other.id,
                "timecode",
                Line(later_s),
                FRAMES_AGREE * frame_s,
                proven,
                "by timecode",
                suggests=camera_of(one) == camera_of(other) or any(proof.covers(one, other) for proof in proofs),
            )
        )
    return tuple(links)


# --- inside ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Proof:
    """Two takes that prove the clocks of their cameras, and from when to when (by the first one's clock)."""

    first: Take
    cameras: frozenset[str]
    start_s: float
    stop_s: float
    ran_freely: bool

    def covers(self, *takes: Take) -> bool:
        """Whether it was these takes' cameras whose clocks were proven, if at another time."""
        return all(camera_of(take) in self.cameras and _same_count(self.first, take) for take in takes)

    def holds_for(self, take: Take) -> bool:
        """Whether a take was filmed by one of these cameras while they ran."""
        if not self.covers(take):
            return False
        starts = _later_s(self.first, take)
        stops, frame_s = starts + float(take.clip.duration), float(take.picture.rate.frame_s)
        # A clock that only counts recorded frames runs on from clip to clip whatever was played: it says nothing of
        # what comes before or after the two that prove it.
        slack = (_RAN_ON_FRAMES if self.ran_freely else -_RAN_ON_FRAMES) * frame_s
        return starts < self.stop_s + slack and stops > self.start_s - slack


def _proofs(takes: Sequence[Take], placements: Mapping[str, Placement]) -> Iterator[_Proof]:
    sure = [
        (take, float(found.start))
        for take in takes
        if (found := placements.get(take.id)) and found.start is not None and found.confidence == "sure"
    ]
    for (one, one_s), (other, other_s) in combinations(sure, 2):
        if not _same_count(one, other):
            continue
        later_s, frame_s = _later_s(one, other), float(one.picture.rate.frame_s)
        if abs(other_s - one_s - later_s) > FRAMES_AGREE * frame_s:
            continue
        lengths = float(one.clip.duration), float(other.clip.duration)
        gap_s = max(later_s - lengths[0], -later_s - lengths[1])
        cameras = frozenset((camera_of(one), camera_of(other)))
        ran_freely = len(cameras) == 2 or gap_s > _RAN_ON_FRAMES * frame_s
        yield _Proof(one, cameras, min(0.0, later_s), max(lengths[0], later_s + lengths[1]), ran_freely)


def _same_count(one: Take, other: Take) -> bool:
    first, second = one.picture.timecode, other.picture.timecode
    assert first is not None
    assert second is not None
    return one.picture.rate == other.picture.rate and first.drop == second.drop


def _later_s(one: Take, other: Take) -> float:
    """Return how much later the clock of ``other`` stood, the shorter way around midnight."""
    first, second = clock_s(one), clock_s(other)
    assert first is not None
    assert second is not None
    return (second - first + _DAY_S / 2) % _DAY_S - _DAY_S / 2
