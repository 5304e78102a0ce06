"""The steps of shoot: clips taken in from folders, and takes noted and corrected."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.folder import FilmFolder, key_of
from partsong.film.records import Clip, Film, MediaFile, Part, Take
from partsong.film.store import FilmStore
from partsong.media.planes import Matrix, ValueRange
from partsong.shoot import intake, log
from partsong.shoot.names import part_id
from partsong.watch import Watch

THUMBNAIL_WIDTH = 320


@dataclass(frozen=True, slots=True)
class Refused:
    """A file that cannot be a take, why, and what to do about it."""

    path: Path
    reason: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Question:
    """A clip that was not added since its names leave open what it is, and the option that answers."""

    path: Path
    question: str
    answer: str


@dataclass(frozen=True, slots=True)
class Added:
    """What an intake came to. ``takes`` and ``plates`` are ids; ``ignored`` counts files that are no media."""

    takes: tuple[str, ...]
    plates: tuple[str, ...]
    refused: tuple[Refused, ...]
    questions: tuple[Question, ...]
    remarks: tuple[str, ...]
    known: int
    relinked: int
    ignored: int

    @property
    def needs_decision(self) -> bool:
        """Whether somebody must look: a file was refused or is asked about."""
        return bool(self.refused or self.questions)


@dataclass(frozen=True, slots=True)
class _Seen:
    """A file of the walk: where it lies and the names from the given folder down to its own."""

    path: Path
    names: tuple[str, ...]


def add(
    store: FilmStore,
    places: Sequence[Path],
    watch: Watch,
    *,
    part: str | None = None,
    new_part: str | None = None,
    kind: intake.Kind | None = None,
    below: Path | None = None,
) -> Added:
    """Take in the clips of folders (or single files) as takes and plates: one revision for all of them.

    A file that cannot be used is refused with its reason and the others go on; a clip whose part or kind its names
    leave open is asked about and not added. Files whose content the film already holds are not added twice; when
    such a file has left its old place, the film follows it.

    Parameters
    ----------
    store : FilmStore
        The film.
    places : sequence of Path
        Folders and files; nothing in them is written to.
    watch : Watch
        Progress and cancel.
    part : str, optional
        The id or name of a part, for clips whose names tell none.
    new_part : str, optional
        The name of a part to make, for clips whose names tell none of the film's.
    kind : {"stage", "roaming", "plate"}, optional
        For clips whose names tell no kind.
    below : Path, optional
        A folder that single files lie in: the names of folders from there on tell what they are.

    Raises
    ------
    InvalidInput
        If a place is not there, or a part is not known.
    """
    film = store.head().film
    made = _new_part(film, new_part) if new_part is not None else None
    if made is not None:
        if part is not None:
            raise InvalidInput("Give --part for a part that the film has or --new-part for one to make, not both.")
        film = film.replace(parts=(*film.parts, made))
    said = intake.Asked(part=made.id if made else find_part(film, part).id if part else None, kind=kind)

    refused: list[Refused] = []
    seen = list(_walk(places, store.folder.root, refused, below))
    media = [file for file in seen if file.path.suffix.lower() in intake.PICTURE_SUFFIXES | intake.SOUND_SUFFIXES]
    known = log.known_clips(film)
    found: dict[str, log.Found] = {}
    moved: dict[str, MediaFile] = {}
    questions: list[Question] = []
    again = 0
    for file in watch.over(media, total=len(media), doing="Looking at clips"):
        try:
            record = _refer(store.folder, file.path)
            mark = record.fingerprint
            if mark in known or mark in found:
                again += 1
                if mark in known and not (store.folder.root.parent / known[mark].file.path).is_file():
                    moved[mark] = record
                continue
            clip = _checked(store.folder, file.path, record)
        except UnreadableMedia as problem:
            refused.append(Refused(file.path, problem.reason, problem.remedy))
            continue
        guessed = intake.guess(file.names, film.parts, said)
        if guessed.question or guessed.kind is None:
            questions.append(Question(file.path, guessed.question, guessed.answer))
        else:
            found[mark] = log.Found(clip, guessed.kind, guessed.part)

    def edit(newest: Film) -> Film:
        # The part is made only for clips that turned out to be in it.
        if made is not None and any(entry.part == made.id for entry in found.values()):
            newest = newest.replace(parts=(*newest.parts, made))
        return log.with_found(log.with_moved(newest, moved), found.values())

    after = store.change(_sentence(found.values(), len(moved)), edit).film
    new_takes = [take for take in after.takes if take.clip.file.fingerprint in found]
    return Added(
        takes=tuple(take.id for take in new_takes),
        plates=tuple(plate.id for plate in after.plates if plate.clip.file.fingerprint in found),
        refused=tuple(refused),
        questions=tuple(questions),
        remarks=tuple(f"{take.id} {said}" for take in new_takes for said in log.differences(after, take)),
        known=again,
        relinked=len(moved),
        ignored=len(seen) - len(media),
    )


def thumbnail_of(folder: FilmFolder, clip: Clip) -> Path:
    """Return the small picture of a clip's middle, made if it is not there yet.

    Raises
    ------
    UnreadableMedia
        If the frame cannot be decoded.
    """
    from partsong.media import tags
    from partsong.media.thumbs import thumbnail

    picture = clip.picture
    if picture is None:
        raise InvalidInput(f"{clip.file.path} has no picture to make a small one of.")
    frame = picture.frames // 2
    out = folder.cached("thumbs", key_of("thumbnail", clip.file.fingerprint, frame, THUMBNAIL_WIDTH), ".jpg")
    if not out.is_file():
        # What a file leaves unsaid about its colour is asked later; a small picture may show it as most video is.
        matrix, value_range = tags.presumed(picture.matrix, picture.value_range)
        thumbnail(
            folder.locate(clip.file),
            picture,
            frame,
            out,
            width=THUMBNAIL_WIDTH,
            matrix=matrix,
            value_range=value_range,
        )
    return out


def note(store: FilmStore, take: str, *, text: str | None, circled: bool | None, slate: str | None = None) -> Take:
    """Write down what was noticed about a take, its slate, and whether it is the one to use (circled)."""
    if text is None and circled is None and slate is None:
        raise InvalidInput("There is nothing to note. Give --text, --slate, --circle or --no-circle.")
    store.head().film.take(take)

    def edit(film: Film) -> Film:
        old = film.take(take)
        new = old.replace(
            notes=old.notes if text is None else text,
            slate=old.slate if slate is None else slate,
            circled=old.circled if circled is None else circled,
        )
        return log.with_take(film, new)

    return store.change(f"Noted {take}", edit).film.take(take)


@dataclass(frozen=True, slots=True)
class Correction:
    """What takes are, as the person says; None leaves it as it is.

    ``matrix`` and ``value_range`` stand for what a file should have said of its colour. The distance (metres from the
    sound to the camera) is kept with the take's part, since the spot does not move.
    """

    part: str | None = None
    kind: Literal["stage", "roaming"] | None = None
    input_space: str | None = None
    matrix: Matrix | None = None
    value_range: ValueRange | None = None
    distance_m: float | None = None


def correct(store: FilmStore, takes: Sequence[str], change: Correction) -> tuple[Take, ...]:
    """Correct what takes are, all of them in one revision.

    Raises
    ------
    InvalidInput
        If nothing is given, a take or part is not known, the distance has no part to belong to, or the colour config
        has no such encoding.
    """
    if change == Correction():
        raise InvalidInput(
            "There is nothing to set. Give --part, --kind, --input-space, --matrix, --range or --distance."
        )
    film = store.head().film
    for take in takes:
        film.take(take)
    part = find_part(film, change.part).id if change.part is not None else None
    space = _space_of(film, change.input_space) if change.input_space is not None else None
    metres = change.distance_m
    if metres is not None and not 0 < metres < 1000:
        raise InvalidInput(f"A distance of {metres:g} m is out of range. Give the metres from sound to camera.")

    def edit(before: Film) -> Film:
        newest = before
        for name in takes:
            old = newest.take(name)
            picture = old.picture.replace(
                matrix=change.matrix or old.picture.matrix, value_range=change.value_range or old.picture.value_range
            )
            new = old.replace(
                part=part or old.part,
                kind=change.kind or old.kind,
                input_space=space or old.input_space,
                clip=old.clip.replace(picture=picture),
            )
            newest = log.with_take(newest, new)
            if metres is not None:
                newest = log.with_distance(newest, new, metres)
        return log.shaped(before, newest)

    after = store.change(f"Corrected {', '.join(takes)}", edit).film
    return tuple(after.take(take) for take in takes)


def find_part(film: Film, said: str) -> Part:
    """Return a part by its id or its name, accents and case aside.

    Raises
    ------
    NoSuchRecord
        If the film has no such part.
    """
    wanted = part_id(said, 0)
    same = [part for part in film.parts if said == part.name or wanted in (part.id, part_id(part.name, 0))]
    return same[0] if len(same) == 1 else film.part(said)


def _new_part(film: Film, name: str) -> Part:
    part = Part(id=part_id(name, len(film.parts) + 1), name=name.strip())
    if not part.name:
        raise InvalidInput("A new part needs a name.")
    same = next((old.name for old in film.parts if old.id == part.id), None)
    if same is not None:
        raise InvalidInput(f"The film already has the part {same!r}. Give --part {part.id} instead.")
    return part


def _walk(places: Sequence[Path], film_root: Path, refused: list[Refused], below: Path | None) -> Iterator[_Seen]:
    """Yield every file that is not hidden, in natural order, leaving out the film's own folder."""

    def unreadable(problem: OSError) -> None:
        reason = f"the folder cannot be read ({problem.strerror})"
        refused.append(Refused(Path(problem.filename), reason, "Check its permissions."))

    for place in places:
        base = place.resolve()
        if base.is_file():
            root = base.parent if below is None else below.resolve()
            inside = base.relative_to(root)
            yield _Seen(place, (root.name, *inside.parent.parts, base.stem))
        elif not base.is_dir():
            raise InvalidInput(f"{place} is not there. Give a folder of clips, or a clip.")
        else:
            paths = []
            for folder, inner, files in os.walk(base, onerror=unreadable):
                here = Path(folder)
                inner[:] = [name for name in inner if not name.startswith(".") and here / name != film_root]
                paths += [here / name for name in files if not name.startswith(".")]
            for path in sorted(paths, key=intake.natural_order):
                inside = path.relative_to(base)
                yield _Seen(place / inside, (base.name, *inside.parent.parts, path.stem))


def _refer(folder: FilmFolder, path: Path) -> MediaFile:
    try:
        if path.stat().st_size == 0:
            raise UnreadableMedia(path, "the file is empty", "Copy it again from the card.")
        return folder.refer(path)
    except UnreadableMedia:
        raise
    except OSError as problem:
        reason = f"it cannot be read ({problem.strerror or problem})"
        raise UnreadableMedia(path, reason, "Check the disk and the file's permissions.") from problem


def _checked(folder: FilmFolder, path: Path, record: MediaFile) -> Clip:
    """Return what a file holds, having decoded a frame from its middle for the small picture."""
    from partsong.media.probe import probe

    clip = probe(path, record)
    if clip.picture is None:
        raise UnreadableMedia(
            path, "sound without picture is no take", "Give it as --song or --stem when you make the film."
        )
    thumbnail_of(folder, clip)
    return clip


def _space_of(film: Film, name: str) -> str:
    from partsong.render import colour

    config = film.look.config if film.look else colour.DEFAULT_CONFIG
    space = colour.space_name(config, name)
    colour.linear_curve(config, space, size=64)  # refuses encodings that cannot be merged in linear light
    return space


def _sentence(found: Collection[log.Found], moved: int) -> str:
    takes = sum(entry.kind != "plate" for entry in found)
    counts = ((takes, "take"), (len(found) - takes, "plate"))
    said = " and ".join(f"{count} {thing}{'' if count == 1 else 's'}" for count, thing in counts if count)
    follows = f"{'; f' if said else 'F'}ollowed {moved} moved file{'' if moved == 1 else 's'}" if moved else ""
    return (f"Added {said}" if said else "") + follows
