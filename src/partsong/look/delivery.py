"""Writing what is handed over: the look as a table, the takes' grades, the pieces of a config."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes
from partsong.film.folder import FilmFolder, write_text
from partsong.film.records import Cdl, Film, Look
from partsong.film.store import FilmStore
from partsong.look.frames import Frame, frame_at
from partsong.look.handover import (
    SIZES,
    BakeError,
    Correction,
    bake,
    bake_error,
    collection_xml,
    config_fragment,
    correction_xml,
    probes,
)
from partsong.look.steps import needed
from partsong.render import colour, cube


@dataclass(frozen=True, slots=True)
class Baked:
    """A table that was written, and how far it errs: on colours at random, and on a frame if the film has one."""

    file: Path
    size: int
    space: str
    at_random: BakeError
    of_frame: BakeError | None
    frame: str


def bake_look(
    store: FilmStore, out: Path, *, size: int, take: str | None = None, fragment: Path | None = None
) -> Baked:
    """Bake the look into a ``.cube`` from camera code to display code; texture is no part of it.

    Parameters
    ----------
    store : FilmStore
        The film.
    out : Path
        The file.
    size : int
        Points along each axis: 17, 33 or 65.
    take : str, optional
        Whose encoding and own grade go into it, instead of the wide's.
    fragment : Path, optional
        Where to write the pieces that make an OpenColorIO config show the look by this table.

    Raises
    ------
    InvalidInput
        If there is no look, an encoding is not known, or a name or size cannot be used.
    """
    if size not in SIZES:
        raise InvalidInput(f"A table of {size} points is not offered. Give one of {', '.join(map(str, SIZES))}.")
    if out.suffix.lower() != ".cube":
        raise InvalidInput(f"{out} should end in .cube.")
    film = store.head().film
    look = needed(film)
    space = colour.space_of_wide(film, look) if take is None else colour.space_of_take(look, film.take(take))
    own = None if take is None else film.grade_of(take)
    path = colour.display_path(look, space, colour.table_of(store.folder, look), own)
    table = bake(path, size, title=re.sub(r'["\r\n\0]', "", film.name) + (f", {take}" if take else ""))
    at_random = bake_error(path, table, probes())
    seen = _some_frame(store.folder, film, look, take)
    of_frame = None if seen is None else bake_error(path, table, seen.encoded().reshape(-1, 3))
    text = ""
    if fragment is not None:
        reference = colour.reference_space(look.config)
        text = config_fragment(
            name=film.name, reference=reference, camera=space, table=out.name, size=size, error=at_random
        )
    cube.write_cube(out, table)
    if fragment is not None:
        write_text(fragment, text)
    return Baked(out, size, space, at_random, of_frame, seen.what if seen else "")


def _some_frame(folder: FilmFolder, film: Film, look: Look, take: str | None) -> Frame | None:
    """Return a frame from the middle of a take, or of the first placed one; None where there is none to read."""
    placed = [one for one in placed_takes(film) if take in (None, one.take.id)] if film.rate is not None else []
    for one in placed:
        if one.frames() and film.rate is not None:
            song = one.frames()
            middle = song[len(song) // 2] * film.rate.frame_s
            return frame_at(folder, film, look, middle, one.take.id)
    return None


def write_grades(store: FilmStore, out: Path) -> tuple[Path, ...]:
    """Write the takes' own grades as ASC CDL: one ``.ccc`` file, or a ``.cc`` file a take into a folder.

    Takes without a grade of their own are written with one that changes nothing.

    Raises
    ------
    InvalidInput
        If the film has no takes, or the name ends in neither.
    """
    film = store.head().film
    look = needed(film)
    if not film.takes:
        raise InvalidInput("The film has no takes yet, so there are no grades. Add some: partsong shoot add FILM")
    corrections = [
        Correction(
            id=take.id,
            cdl=film.grade_of(take.id) or Cdl(),
            acts_on=f"Scene-linear light of {colour.space_of_take(look, take)}'s own primaries, not clamped",
            judged_on=f"{look.display}, {look.view}",
            description=Path(take.clip.file.path).name,
        )
        for take in film.takes
    ]
    if out.suffix.lower() == ".ccc":
        write_text(out, collection_xml(corrections, film.name))
        return (out,)
    if out.suffix:
        raise InvalidInput(f"{out} should end in .ccc, or name a folder for one .cc file a take.")
    files = tuple(out / f"{correction.id}.cc" for correction in corrections)
    for file, correction in zip(files, corrections, strict=True):
        write_text(file, correction_xml(correction))
    return files
