"""Setting a film's look and its takes' grades, telling and measuring what they do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes
from partsong.film.folder import FilmFolder
from partsong.film.records import BlackCurve, Film, Look, Take
from partsong.film.store import FilmStore, Head
from partsong.look.grain import grain_of
from partsong.look.measure import Measured, black_curve, measure_path, measure_table
from partsong.look.settings import (
    OFF,
    Wish,
    cdl_of,
    cdl_words,
    graded,
    percents,
    revised,
    sentence_of,
)
from partsong.media.convert import encoded_rgb
from partsong.media.picture import open_picture
from partsong.render import colour, cube
from partsong.render.cube import Cube
from partsong.render.pixels import LUMA_WEIGHTS

MEASURED = "measured"
"""The black level that is whatever floor is measured."""


def set_look(
    store: FilmStore,
    wish: Wish,
    *,
    table: str | None = None,
    takes: Sequence[str] = (),
    grain_as_takes: bool = False,
) -> Head:
    """Change the film's look, and keep it as one revision.

    Parameters
    ----------
    store : FilmStore
        The film.
    wish : Wish
        What to change; its ``table`` is filled in here. A ``black`` given as text is a percentage, ``measured`` or
        ``off``.
    table : str, optional
        Path of a ``.cube`` file, or ``off``. It is read whole, so that a broken one is refused now.
    takes : sequence of str
        The takes whose own encoding ``wish.input_space`` is, and whose own grade ``wish.cdl``; none means that both
        stand for the whole film.
    grain_as_takes : bool
        Whether to lay over it the grain that the takes have, through this look.

    Raises
    ------
    InvalidInput
        If a name, a number or the file cannot be used; the film stays as it was.
    """
    if takes and wish.input_space is None and wish.cdl is None:
        raise InvalidInput("--take says whose encoding --input names, or whose grade is given. Give both, or neither.")
    if table is not None and table != OFF:
        cube.read_cube(Path(table))
        wish = replace(wish, table=store.folder.refer(table))
    elif table == OFF:
        wish = replace(wish, table=OFF)
    if wish.config is not None and wish.config not in colour.builtin_configs():
        wish = replace(wish, config=str(Path(wish.config).resolve()))
    if grain_as_takes:
        percent, px = _grain_of_takes(store.folder, _with_wish(store.folder, store.head().film, wish, takes))
        wish = replace(wish, grain_percent=percent, grain_px=px)
    # Tried on the film as it is now, for the sentence; tried again on whatever it has become when it is saved.
    before = store.head().film
    after = _with_wish(store.folder, before, wish, takes)
    told = []
    if after.look is not None and after.look != before.look:
        told.append(sentence_of(before.look, after.look))
    if takes and wish.input_space is not None:
        told.append(f"Named the encoding of {', '.join(takes)}: {after.take(takes[0]).input_space}")
    if takes and wish.cdl is not None:
        told.append(f"Graded {', '.join(takes)}: {cdl_words(after.grade_of(takes[0]))}")
    sentence = "; ".join(told) or "Left the look as it was"
    return store.change(sentence, lambda film: _with_wish(store.folder, film, wish, takes))


def _with_wish(folder: FilmFolder, film: Film, wish: Wish, takes: Sequence[str]) -> Film:
    config = wish.config or (film.look.config if film.look else colour.DEFAULT_CONFIG)
    if wish.input_space is not None:
        wish = replace(wish, input_space=colour.space_name(config, wish.input_space))
    if wish.table_space not in (None, OFF):
        assert wish.table_space is not None
        wish = replace(wish, table_space=colour.space_name(config, wish.table_space))
    if takes:
        chosen = {film.take(name).id for name in takes}
        if wish.input_space is not None:
            named = [take.replace(input_space=wish.input_space) if take.id in chosen else take for take in film.takes]
            film = film.replace(takes=tuple(named))
        if wish.cdl is not None:
            for name in takes:
                film = graded(film, name, cdl_of(film.grade_of(name), wish.cdl))
        wish = replace(wish, input_space=None, cdl=None)
    if wish.is_empty:
        return film
    measured_black = wish.black if isinstance(wish.black, str) and wish.black != OFF else None
    if measured_black is not None:
        wish = replace(wish, black=OFF)
    look = revised(film.look, wish, config=config, luminance=tuple(colour.luminance_weights(config)))
    colour.display_view(look.config, look.display, look.view)
    if look.input_space is not None:
        colour.space_name(look.config, look.input_space)
    if measured_black is not None:
        look = look.replace(black=_black_of(folder, film, look, measured_black))
    return film.replace(look=look)


def _grain_of_takes(folder: FilmFolder, film: Film) -> tuple[float, float]:
    """Return strength and width of the stage takes' own grain through the look: the middle one of those placed."""
    look = needed(film)
    plain = look.replace(texture=None)
    table = colour.table_of(folder, look)
    found = []
    for placed in placed_takes(film) if film.rate is not None else ():
        picture, take = placed.take.picture, placed.take
        if take.kind != "stage" or picture.frames < 2:
            continue  # a carried camera moves more than grain does
        path = colour.display_path(plain, colour.space_of_take(look, take), table, film.grade_of(take.id))
        middle = picture.frames // 2
        # Neighbouring frames will not do: codecs repeat what stands still, grain and all, until the next key frame.
        apart = [middle, min(picture.frames - 1, middle + round(1.25 * picture.rate.exact))]
        with open_picture(folder.locate(take.clip.file), picture) as reader:
            pair = [path(encoded_rgb(planes)) @ np.asarray(LUMA_WEIGHTS["bt709"]) for planes in reader.read(apart)]
        found.append(grain_of(*pair))
    if not found:
        raise InvalidInput(
            "No take of the locked-off camera is placed on the song, and grain is measured where the camera stands "
            "still. Give it as a number: --grain PERCENT"
        )
    percent, px = (float(np.median([one[number] for one in found])) for number in (0, 1))
    return round(percent, 3), round(px, 2)


def _black_of(folder: FilmFolder, film: Film, look: Look, asked: str) -> BlackCurve | None:
    """Return the black curve for a percentage, or for the floor as it is measured."""
    try:
        percent = None if asked == MEASURED else float(asked)
    except ValueError as problem:
        raise InvalidInput(f"A black level is a percentage such as 3, {MEASURED} or {OFF}, not {asked!r}.") from problem
    if percent is not None and not 0 <= percent < 50:
        raise InvalidInput(f"A black level of {asked} % is out of range. Give the measured floor: at most 50 %.")
    if percent == 0:
        return None
    spaces = _spaces(film, look)
    if not spaces:
        raise InvalidInput(
            "A black level leaves mid grey where it is, so the encoding must be known first. Name it: "
            "partsong look set FILM --input SPACE"
        )
    measured = _measured(look, spaces[0], colour.table_of(folder, look)).measured
    curve = black_curve(measured, level_percent=percent)
    return curve if any(curve.level) else None


# --- telling what a look does ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Encoding:
    """In which colour space some takes are, and how that is known; ``space`` is None where it must be asked."""

    takes: tuple[str, ...]
    space: str | None
    known_from: str


@dataclass(frozen=True, slots=True)
class PathMeasured:
    """What the whole look does to pictures in one colour space."""

    space: str
    measured: Measured


@dataclass(frozen=True, slots=True)
class Description:
    """A look in words and numbers: ``lines`` are (step, setting) in the order in which they act.

    ``grades`` are (take, setting) of the takes that have a grade of their own, which acts before all else.
    """

    look: Look
    lines: tuple[tuple[str, str], ...]
    grades: tuple[tuple[str, str], ...]
    encodings: tuple[Encoding, ...]
    paths: tuple[PathMeasured, ...]
    table: Measured | None

    @property
    def asks(self) -> bool:
        """Whether the encoding of some take is not known."""
        return any(entry.space is None for entry in self.encodings)


def describe(folder: FilmFolder, film: Film, *, table: str | None = None) -> Description:
    """Tell the path of the film's look step by step, and measure what it does.

    Parameters
    ----------
    folder, film
        The film.
    table : str, optional
        Path of a ``.cube`` file to try in the place of the look's own.

    Raises
    ------
    InvalidInput
        If the film has no look, or its table cannot be read.
    """
    look = needed(film)
    if table is not None:
        loaded: Cube | None = cube.read_cube(Path(table))
        look = look.replace(table=folder.refer(table))
    else:
        loaded = colour.table_of(folder, look)
    spaces = _spaces(film, look)
    of_table = None
    if loaded is not None:
        of_table = measure_table(loaded, grey_in=_grey_at_table(look, spaces[0], loaded) if spaces else 0.5)
    return Description(
        look=look,
        lines=tuple(_lines(look, loaded)),
        grades=tuple((take.id, cdl_words(film.grade_of(take.id))) for take in film.takes if film.grade_of(take.id)),
        encodings=_encodings(film, look),
        paths=tuple(_measured(look, space, loaded) for space in spaces),
        table=of_table,
    )


def needed(film: Film) -> Look:
    """Return the film's look, or say how to set one."""
    if film.look is None:
        raise InvalidInput(
            "The film has no look yet. Set one: partsong look set FILM --input SPACE --display DISPLAY --view VIEW"
        )
    return film.look


def _encodings(film: Film, look: Look) -> tuple[Encoding, ...]:
    groups: dict[tuple[str | None, str], list[str]] = {}
    for take in film.takes:
        groups.setdefault(_encoding(look, take), []).append(take.id)
    if not film.takes and look.input_space:
        groups[(look.input_space, "as set for the film")] = []
    return tuple(Encoding(tuple(takes), space, how) for (space, how), takes in groups.items())


def _encoding(look: Look, take: Take) -> tuple[str | None, str]:
    if take.input_space is not None:
        return colour.space_name(look.config, take.input_space), "as set for the take"
    if look.input_space is not None:
        tagged = colour.tagged_space(look.config, take.picture)
        against = (
            f", though the file's tag says {take.picture.transfer}" if tagged not in (None, look.input_space) else ""
        )
        return look.input_space, f"as set for the film{against}"
    tagged = colour.tagged_space(look.config, take.picture)
    if tagged is not None:
        return tagged, f"from the file's tag ({take.picture.transfer}); log pictures can carry it too, so look at one"
    return None, f"not known: the file's transfer is {take.picture.transfer!r}"


def _spaces(film: Film, look: Look) -> list[str]:
    """Return the colour spaces of the film's takes as far as they are known, each once."""
    return list(dict.fromkeys(entry.space for entry in _encodings(film, look) if entry.space is not None))


def _grey_code(look: Look, space: str) -> float:
    return float(colour.from_linear(look.config, space, [[colour.MIDDLE_GREY] * 3])[0, 1])


def _grey_at_table(look: Look, space: str, table: Cube) -> float:
    """Return what the table is given for an 18 % grey card."""
    code = np.full((1, 3), _grey_code(look, space), np.float32)
    given = colour.display_path(look, space, table).before_table(code)
    return float(given[0] @ np.asarray(LUMA_WEIGHTS["bt709"]))


def _measured(look: Look, space: str, table: Cube | None) -> PathMeasured:
    path = colour.display_path(look, space, table)
    return PathMeasured(space, measure_path(path, grey_in=_grey_code(look, space)))


def _lines(look: Look, table: Cube | None) -> list[tuple[str, str]]:
    in_light = dict(_light_lines(look))
    shape = "none"
    if table is not None and look.table is not None:
        kind = "cube of" if table.is_solid else "curves of"
        title = f', titled "{table.title}"' if table.title else ""
        on = f", in the view's place, on {look.table_space}" if look.table_space else ""
        shape = f"{look.table.path} ({kind} {table.size} points{title}){on}"
    black = "0 % (as it is)"
    if look.black is not None:
        levels, keeps = (percents(values) for values in (look.black.level, look.black.keep))
        black = f"{levels} % becomes 0; from {keeps} % up nothing changes"
    texture = "none"
    if look.texture is not None:
        texture = (
            f"grain {look.texture.grain_percent:g} % of {look.texture.grain_px:g} px, "
            f"vignette {look.texture.vignette_stops:g} stops"
        )
    view = "left out: the table stands in its place" if look.table_space else f"{look.display}, view {look.view}"
    return [
        ("config", look.config),
        *((step, in_light[step]) for step in look.order),
        ("display", view),
        ("table", shape),
        ("black level", black),
        ("texture", texture),
    ]


def _light_lines(look: Look) -> list[tuple[str, str]]:
    as_is = " (as it is)"
    mix = look.black_and_white
    if mix is not None:
        colours = f"black and white: {mix.red:.3f} red + {mix.green:.3f} green + {mix.blue:.3f} blue light"
    else:
        colours = f"saturation {look.saturation:g}" + (as_is if look.saturation == 1 else "")
    tint = "none"
    if look.tint is not None:
        tint = " ".join(
            f"{name} {' '.join(f'{part:g}' for part in half)}"
            for name, half in (("shadows", look.tint.shadows), ("highlights", look.tint.highlights))
        )
    return [
        ("exposure", f"{look.exposure_stops:+.2f} stops" + (as_is if look.exposure_stops == 0 else "")),
        ("cdl", cdl_words(look.cdl)),
        ("contrast", f"{look.contrast:g} about {look.pivot:g}" + (as_is if look.contrast == 1 else "")),
        ("colour", colours),
        ("tint", tint),
    ]
