"""The log of what was shot: films with clips added as takes and plates, and what is odd or open about each."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import get_args

from partsong.errors import InvalidInput
from partsong.film.records import Clip, Film, MediaFile, Plate, Take
from partsong.media.planes import Matrix, ValueRange
from partsong.shoot.intake import Kind


@dataclass(frozen=True, slots=True)
class Found:
    """A clip that can be used and what it is."""

    clip: Clip
    kind: Kind
    part: str | None


def known_clips(film: Film) -> dict[str, Clip]:
    """Return every clip of the film by its content's fingerprint: takes, plates, mix and stems."""
    song = film.song
    sounds = [song.mix, *(stem.clip for stem in song.stems)] if song else []
    clips = [*(take.clip for take in film.takes), *(plate.clip for plate in film.plates), *sounds]
    return {clip.file.fingerprint: clip for clip in clips}


def with_found(film: Film, found: Iterable[Found]) -> Film:
    """Return the film with clips added as takes and plates, those it already holds left out, and :func:`shaped`."""
    known = set(known_clips(film))
    takes, plates = list(film.takes), list(film.plates)
    for entry in found:
        if entry.clip.file.fingerprint in known:
            continue
        known.add(entry.clip.file.fingerprint)
        if entry.kind == "plate":
            plates.append(Plate(id=next_id("plate", [plate.id for plate in plates]), clip=entry.clip, part=entry.part))
        else:
            prefix = entry.part if entry.kind == "stage" and entry.part else "roaming"
            name = next_id(prefix, [take.id for take in takes])
            takes.append(Take(id=name, kind=entry.kind, part=entry.part, clip=entry.clip))
    return shaped(film, film.replace(takes=tuple(takes), plates=tuple(plates)))


def shaped(before: Film, film: Film) -> Film:
    """Return a film with the frame rate and size of its takes, where ``before`` they had not settled them.

    They are those of the first stage take. A film without any has those of its longest take of a constant rate: a band
    filmed by several cameras at once has no wide to be merged. Once a stage take, a cut or effects stand on them, they
    stay.
    """
    if not film.takes:
        return film
    stage = [take for take in film.takes if take.kind == "stage"]
    steady = [take for take in film.takes if not take.picture.variable_rate] or film.takes
    first = stage[0] if stage else max(steady, key=lambda take: take.clip.duration.seconds)
    width, height = first.picture.shown_size
    only_coverage = before.takes and not any(take.kind == "stage" for take in before.takes)
    if only_coverage and not (before.cut or before.effects):
        return film.replace(rate=first.picture.rate, width=width, height=height)
    return film.replace(rate=film.rate or first.picture.rate, width=film.width or width, height=film.height or height)


def with_moved(film: Film, moved: Mapping[str, MediaFile]) -> Film:
    """Return the film with takes and plates following their files to new places; ``moved`` is by fingerprint."""

    def follow(clip: Clip) -> Clip:
        new = moved.get(clip.file.fingerprint)
        return clip if new is None else clip.replace(file=new)

    takes = tuple(take.replace(clip=follow(take.clip)) for take in film.takes)
    plates = tuple(plate.replace(clip=follow(plate.clip)) for plate in film.plates)
    song = film.song
    if song is not None:
        stems = tuple(stem.replace(clip=follow(stem.clip)) for stem in song.stems)
        song = song.replace(mix=follow(song.mix), stems=stems)
    return film.replace(takes=takes, plates=plates, song=song)


def with_take(film: Film, new: Take) -> Film:
    """Return the film with one take exchanged for a newer record of it."""
    return film.replace(takes=tuple(new if take.id == new.id else take for take in film.takes))


def with_distance(film: Film, take: Take, distance_m: float) -> Film:
    """Return the film with a take's part that far from the camera, in metres.

    Raises
    ------
    InvalidInput
        If the take has no part.
    """
    if take.part is None:
        raise InvalidInput(f"{take.id} belongs to no part, so its distance has no place. Give --part as well.")
    parts = tuple(part.replace(distance_m=distance_m) if part.id == take.part else part for part in film.parts)
    return film.replace(parts=parts)


def next_id(prefix: str, taken: Iterable[str]) -> str:
    """Return the next free id of a series.

    >>> next_id("cajon", ["cajon-1", "cajon-4", "harmonium-9"])
    'cajon-5'
    """
    numbers = [int(match[1]) for name in taken if (match := re.fullmatch(re.escape(prefix) + r"-(\d+)", name))]
    return f"{prefix}-{max(numbers, default=0) + 1}"


def differences(film: Film, take: Take) -> tuple[str, ...]:
    """Return what is unlike the rest of the film in a take's file, a sentence each."""
    said = []
    picture = take.picture
    if film.rate is not None and picture.rate != film.rate:
        said.append(f"runs at {picture.rate} frames a second, the film at {film.rate}")
    if picture.variable_rate:
        said.append("has a variable frame rate")
    width, height = take.picture.shown_size
    if film.width and film.height and (width, height) != (film.width, film.height):
        said.append(f"is {width} x {height}, the film {film.width} x {film.height}")
    if picture.pixel_aspect_num != picture.pixel_aspect_den:
        said.append(f"has pixels that are not square ({picture.pixel_aspect_num}:{picture.pixel_aspect_den})")
    if take.clip.sound is None:
        said.append("has no sound to line it up by")
    return tuple(said)


def open_questions(film: Film, take: Take) -> tuple[str, ...]:
    """Return what the file of a take leaves open and later phases need, a few words each."""
    asked = []
    if take.picture.matrix not in get_args(Matrix):
        asked.append(f"colour matrix {_unsaid(take.picture.matrix)} (--matrix)")
    if take.picture.value_range not in get_args(ValueRange):
        asked.append(f"value range {_unsaid(take.picture.value_range)} (--range)")
    said = take.input_space or (film.look.input_space if film.look else None)
    if said is None and take.picture.transfer == "unknown":
        asked.append("camera encoding not set (--input-space)")
    return tuple(asked)


def _unsaid(name: str) -> str:
    return "not stated" if name == "unknown" else f"{name} cannot be used"
