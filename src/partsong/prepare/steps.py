"""The steps of prepare: plans made for one film, and what is written of them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from partsong.errors import InvalidInput
from partsong.film.folder import write_text
from partsong.film.records import Film, Plan, PlannedLamp, PlannedRoom, PlannedSpot, Song, Timecode
from partsong.prepare import cards, schedule
from partsong.timebase import Rate, timecode_to_frame
from partsong.watch import Watch

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from partsong.film.store import FilmStore, Head
    from partsong.media.ltc_words import Printed


_LAMP = re.compile(r"[a-z0-9][a-z0-9-]{,79}")


@dataclass(frozen=True, slots=True)
class GuideMade:
    """Where a guide track was written and its times, in seconds from its start."""

    path: Path
    song_zero_s: Fraction
    head_cue_s: Fraction
    tail_cue_s: Fraction
    length_s: Fraction
    timecode: str | None
    rate: Rate | None


def make_guide(
    film: Film, out: Path, watch: Watch, *, timecode: str | None = None, rate: Rate | None = None
) -> GuideMade:
    """Write the guide track of a film's song as a 24-bit WAV at 48 kHz: mono, or with timecode on a right channel.

    Parameters
    ----------
    film, out, watch
        The film, the file to write, and progress in seconds.
    timecode : str, optional
        The label at which the song starts; then linear timecode is printed.
    rate : Rate, optional
        The frame rate of the timecode; the film's unless given.

    Raises
    ------
    InvalidInput
        If the film has no song or no tempo map, ``out`` is no ``.wav`` file, or there can be no such timecode.
    """
    from partsong.media.sound import write_wav
    from partsong.prepare import guide

    if out.suffix.lower() != ".wav":
        raise InvalidInput(f"A guide track is a WAV file; {out.name} does not end in .wav.")
    song = song_of(film)
    plan = guide.plan_guide(song.tempo, song.length_s)
    seconds = -(-plan.length // guide.RATE_HZ)
    printed = None if timecode is None else _printed(timecode, rate or film.rate, plan.song_zero)

    def sound() -> Iterator[NDArray[np.float32]]:
        yield from watch.over(guide.blocks(plan, timecode=printed), total=seconds, doing="Writing the guide track")

    write_wav(out, sound(), rate_hz=guide.RATE_HZ, bits=24)
    at = Fraction(1, guide.RATE_HZ)
    return GuideMade(
        out,
        plan.song_zero * at,
        plan.first("head cue") * at,
        plan.first("tail cue") * at,
        plan.length * at,
        timecode if printed else None,
        printed.rate if printed else None,
    )


def plan_day(film: Film, *, start: int, end: int, pace: schedule.Pace, setups: Sequence[str] = ()) -> schedule.Day:
    """Plan the day of a film's parts; ``setups`` are ``PART=NAME`` for parts that share a set-up."""
    parts = [(part.id, part.name) for part in film.parts]
    song = song_of(film)
    return schedule.plan_day(parts, song_s=song.length_s, start=start, end=end, pace=pace, setups=_shared(film, setups))


def cards_of(
    film: Film, rate_mbit: Fraction, pace: schedule.Pace, *, copies: int, card_gb: Fraction | None
) -> tuple[cards.CardSum, tuple[str, ...]]:
    """Return what the planned takes of a film fill, and the sums in words."""
    song = song_of(film)
    takes = max(1, len(film.parts)) * (pace.takes + pace.coverage_takes)
    lead_s = Fraction(20)
    found = cards.card_sum(rate_mbit, song.length_s + lead_s, takes, copies=copies, card_gb=card_gb)
    words = (
        f"{float(rate_mbit):g} Mbit/s x (song {float(song.length_s):.0f} s + {lead_s} s before and after) / 8 = "
        f"{found.take_gb:.2f} GB a take",
        f"{takes} takes, and {copies} further copies; 1 GB = 1,000,000,000 bytes",
    )
    return found, words


def set_part_distance(store: FilmStore, part_id: str, metres: Fraction | None) -> Head:
    """Say how far from the camera a part will be played; None where that is not known.

    Raises
    ------
    InvalidInput
        If there is no such part, or a take of it lies on the song already: sound and picture were set apart by the
        distance it had then.
    """
    film = store.head().film
    part = film.part(part_id)
    placed = [take.id for take in film.takes if take.part == part_id and film.placement_of(take.id) is not None]
    if placed:
        raise InvalidInput(
            f"{placed[0]} of {part.name} was placed with the distance that the part had. Set that of the take instead, "
            f"which moves it rightly: partsong lineup distance {store.folder.root.name} {placed[0]} METRES"
        )
    distance_m = None if metres is None else float(metres)
    said = "not known" if distance_m is None else f"{distance_m:g} m"
    return store.change(
        f"Set the distance of {part.name} to {said}",
        lambda newest: newest.replace(
            parts=tuple(one.replace(distance_m=distance_m) if one.id == part_id else one for one in newest.parts)
        ),
    )


def set_camera(store: FilmStore, **numbers: float) -> Head:
    """Change some numbers of the planned camera; see :class:`~partsong.film.records.PlannedCamera`."""
    return _planned(store, "Planned the camera", lambda plan: plan.replace(camera=plan.camera.replace(**numbers)))


def set_room(store: FilmStore, room: PlannedRoom | None, *, ambient_lux: float | None = None) -> Head:
    """Say how large the room is, None where that is not known, and how much light it has in every take."""

    def changed(plan: Plan) -> Plan:
        return plan.replace(room=room, ambient_lux=plan.ambient_lux if ambient_lux is None else float(ambient_lux))

    return _planned(store, "Planned the room", changed)


def set_spot(store: FilmStore, part_id: str, **numbers: float) -> Head:
    """Plan where a part is played, or change some numbers of that; see :class:`~partsong.film.records.PlannedSpot`.

    Raises
    ------
    InvalidInput
        If there is no such part, the spot is new and ``x_m`` or ``y_m`` is missing, or a number is out of range.
    """
    name = store.head().film.part(part_id).name

    def changed(plan: Plan) -> Plan:
        was = plan.spot_of(part_id)
        if was is None and not {"x_m", "y_m"} <= numbers.keys():
            raise InvalidInput(f"{name} has no spot yet. Say how far to the right and into the room it is to be.")
        spot = PlannedSpot.of(part=part_id, **numbers) if was is None else was.replace(**numbers)
        return plan.replace(spots=(*(one for one in plan.spots if one is not was), spot))

    return _planned(store, f"Planned where {name} is played", changed)


def drop_spot(store: FilmStore, part_id: str) -> Head:
    """Take a part's spot out of the plan, and its lamps with it."""
    name = store.head().film.part(part_id).name

    def changed(plan: Plan) -> Plan:
        if plan.spot_of(part_id) is None:
            raise InvalidInput(f"{name} has no spot in the plan.")
        return plan.replace(
            spots=tuple(one for one in plan.spots if one.part != part_id),
            lamps=tuple(one for one in plan.lamps if one.part != part_id),
        )

    return _planned(store, f"Took the spot of {name} out of the plan", changed)


def set_lamp(store: FilmStore, lamp_id: str, part_id: str | None = None, **values: float | bool | None) -> Head:
    """Plan a lamp for a part, or change one; see :class:`~partsong.film.records.PlannedLamp`.

    Raises
    ------
    InvalidInput
        If a new lamp lacks its part or its place, its part has no spot to look at, or a number is out of range.
    """

    def changed(plan: Plan) -> Plan:
        was = next((one for one in plan.lamps if one.id == lamp_id), None)
        part = part_id or (was.part if was else None)
        if was is None and (part is None or not {"x_m", "y_m"} <= values.keys()):
            raise InvalidInput(f"{lamp_id} is no lamp yet. Say for which part it is and where it stands.")
        if was is None and not _LAMP.fullmatch(lamp_id):
            raise InvalidInput(f"{lamp_id!r} names no lamp. Use small letters, digits and hyphens, such as key-cajon.")
        if part is not None and plan.spot_of(part) is None:
            raise InvalidInput(f"{part} has no spot yet for a lamp to look at. Plan its spot first.")
        new = {"part": part, **values}
        lamp = PlannedLamp.of(id=lamp_id, **new) if was is None else was.replace(**new)
        return plan.replace(lamps=(*(one for one in plan.lamps if one is not was), lamp))

    return _planned(store, f"Planned the lamp {lamp_id}", changed)


def drop_lamp(store: FilmStore, lamp_id: str) -> Head:
    """Take a lamp out of the plan."""

    def changed(plan: Plan) -> Plan:
        kept = tuple(one for one in plan.lamps if one.id != lamp_id)
        if len(kept) == len(plan.lamps):
            raise InvalidInput(f"There is no lamp {lamp_id!r} in the plan.")
        return plan.replace(lamps=kept)

    return _planned(store, f"Took the lamp {lamp_id} out of the plan", changed)


def make_plan_page(film: Film, out: Path) -> None:
    """Write the plan of stage and light, one page of HTML that needs nothing but itself."""
    from partsong.prepare.sheet import plan_html

    write_text(out, plan_html(film))


def make_sheet(
    film: Film,
    out: Path,
    *,
    day: schedule.Day,
    card: tuple[cards.CardSum, tuple[str, ...]] | None,
) -> None:
    """Write the shoot sheet, one page of HTML that needs nothing but itself."""
    from partsong.prepare.sheet import sheet_html

    found, words = card if card else (None, ())
    write_text(out, sheet_html(film, day, found, words))


def song_of(film: Film) -> Song:
    """Return the film's song, or say that there is none."""
    if film.song is None:
        raise InvalidInput("The film has no song yet. Make it with: partsong new FILM --song MIX.wav")
    return film.song


def _planned(store: FilmStore, sentence: str, change: Callable[[Plan], Plan]) -> Head:
    """Change the plan; spots and lamps are kept in score order."""

    def changed(film: Film) -> Film:
        plan = change(film.plan)
        rank = {part.id: number for number, part in enumerate(film.parts)}
        spots = sorted(plan.spots, key=lambda one: rank.get(one.part, len(rank)))
        lamps = sorted(plan.lamps, key=lambda one: (rank.get(one.part, len(rank)), one.id))
        return film.replace(plan=plan.replace(spots=tuple(spots), lamps=tuple(lamps)))

    return store.change(sentence, changed)


def _printed(label: str, rate: Rate | None, song_zero: int) -> Printed:
    from partsong.media.ltc_words import COUNTS, Printed

    if rate is None:
        raise InvalidInput("The film has no frame rate yet for its timecode. Give one with --rate, such as 25.")
    if rate.nominal not in COUNTS:
        raise InvalidInput(
            f"Linear timecode counts 24, 25 or 30 labels a second, not {rate.nominal}. Give one of these rates with "
            "--rate, such as half the film's."
        )
    frame = timecode_to_frame(label, rate)
    return Printed(Timecode(frame=frame, drop=";" in label), rate, at=Fraction(song_zero))


def _shared(film: Film, setups: Sequence[str]) -> Mapping[str, str]:
    shared: dict[str, str] = {}
    for text in setups:
        part, equals, name = text.partition("=")
        if not (equals and part.strip() and name.strip()):
            raise InvalidInput(f"{text!r} does not say which set-up a part shares. Write it as PART=NAME.")
        shared[film.part(part.strip()).id] = name.strip()
    return shared
