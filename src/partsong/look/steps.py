"""Setting a film's look, telling what it does, and showing one frame of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes, song_frames
from partsong.film.folder import FilmFolder, writing
from partsong.film.records import WIDE, Film, Look, PictureInfo, Take
from partsong.film.store import FilmStore, Head
from partsong.look.measure import Measured, measure_path, measure_table
from partsong.look.settings import OFF, Wish, revised, sentence_of
from partsong.render import colour, cube
from partsong.render.cube import Cube
from partsong.timebase import clock


def set_look(store: FilmStore, wish: Wish, *, table: str | None = None, takes: Sequence[str] = ()) -> Head:
    """Change the film's look, and keep it as one revision.

    Parameters
    ----------
    store : FilmStore
        The film.
    wish : Wish
        What to change; its ``table`` is filled in here.
    table : str, optional
        Path of a ``.cube`` file, or ``off``. It is read whole, so that a broken one is refused now.
    takes : sequence of str
        The takes whose own encoding ``wish.input_space`` is; none means that it stands for the whole film.

    Raises
    ------
    InvalidInput
        If a name, a number or the file cannot be used; the film stays as it was.
    """
    if takes and wish.input_space is None:
        raise InvalidInput("--take says whose encoding --input names. Give both, or neither.")
    if table is not None and table != OFF:
        cube.read_cube(Path(table))
        wish = replace(wish, table=store.folder.refer(table))
    elif table == OFF:
        wish = replace(wish, table=OFF)
    if wish.config is not None and wish.config not in colour.builtin_configs():
        wish = replace(wish, config=str(Path(wish.config).resolve()))
    # Tried on the film as it is now, for the sentence; tried again on whatever it has become when it is saved.
    before = store.head().film
    after = _with_wish(before, wish, takes)
    told = []
    if after.look is not None and after.look != before.look:
        told.append(sentence_of(before.look, after.look))
    if takes:
        told.append(f"Named the encoding of {', '.join(takes)}: {after.take(takes[0]).input_space}")
    return store.change("; ".join(told) or "Left the look as it was", lambda film: _with_wish(film, wish, takes))


def _with_wish(film: Film, wish: Wish, takes: Sequence[str]) -> Film:
    config = wish.config or (film.look.config if film.look else colour.DEFAULT_CONFIG)
    if wish.input_space is not None:
        wish = replace(wish, input_space=colour.space_name(config, wish.input_space))
    if takes:
        chosen = {film.take(name).id for name in takes}
        own = [take.replace(input_space=wish.input_space) if take.id in chosen else take for take in film.takes]
        film = film.replace(takes=tuple(own))
        wish = replace(wish, input_space=None)
    if wish.is_empty:
        return film
    look = revised(film.look, wish, config=config, luminance=tuple(colour.luminance_weights(config)))
    colour.display_view(look.config, look.display, look.view)
    if look.input_space is not None:
        colour.space_name(look.config, look.input_space)
    return film.replace(look=look)


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
    """A look in words and numbers: ``lines`` are (step, setting) in the order in which they act."""

    look: Look
    lines: tuple[tuple[str, str], ...]
    encodings: tuple[Encoding, ...]
    paths: tuple[PathMeasured, ...]
    table: Measured | None

    @property
    def asks(self) -> bool:
        """Whether the encoding of some take is not known."""
        return any(entry.space is None for entry in self.encodings)


def describe(folder: FilmFolder, film: Film, *, table: str | None = None) -> Description:
    """Tell the path of the film's look step by step, and measure its floor and ceiling.

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
    encodings = _encodings(film, look)
    spaces = list(dict.fromkeys(entry.space for entry in encodings if entry.space is not None))
    paths = tuple(_measured(look, space, loaded) for space in spaces)
    of_table = None
    if loaded is not None:
        bare = look.replace(table=None, black_level=0.0)
        before = [_measured(bare, space, None).measured.grey_out.percent / 100 for space in spaces[:1]]
        of_table = measure_table(loaded, grey_in=before[0] if before else 0.5)
    return Description(look, tuple(_lines(look, loaded)), encodings, paths, of_table)


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


def _measured(look: Look, space: str, table: Cube | None) -> PathMeasured:
    grey_code = float(colour.from_linear(look.config, space, [[colour.MIDDLE_GREY] * 3])[0, 1])
    path = colour.display_path(look, space, table)
    return PathMeasured(space, measure_path(path, grey_in=grey_code))


def _lines(look: Look, table: Cube | None) -> list[tuple[str, str]]:
    mix = look.black_and_white
    if mix is not None:
        colours = f"black and white: {mix.red:.3f} red + {mix.green:.3f} green + {mix.blue:.3f} blue light"
    else:
        colours = f"saturation {look.saturation:g}" + (" (as it is)" if look.saturation == 1 else "")
    as_is = " (as it is)"
    shape = "none"
    if table is not None and look.table is not None:
        kind = "cube of" if table.is_solid else "curves of"
        title = f', titled "{table.title}"' if table.title else ""
        shape = f"{look.table.path} ({kind} {table.size} points{title})"
    return [
        ("config", look.config),
        ("exposure", f"{look.exposure_stops:+.2f} stops" + (as_is if look.exposure_stops == 0 else "")),
        ("contrast", f"{look.contrast:g} about {look.pivot:g}" + (as_is if look.contrast == 1 else "")),
        ("colour", colours),
        ("display", f"{look.display}, view {look.view}"),
        ("table", shape),
        ("black level", f"{100 * look.black_level:g} % becomes 0" if look.black_level else "0 % (as it is)"),
    ]


# --- one frame ------------------------------------------------------------------------------------


def still(store: FilmStore, out: Path, *, at_s: Fraction, take: str | None = None) -> str:
    """Write one frame through the look as an 8-bit picture file, and say what it shows.

    Parameters
    ----------
    store : FilmStore
        The film.
    out : Path
        A ``.png`` file.
    at_s : Fraction
        Song time in seconds.
    take : str, optional
        A placed take instead of the merged wide.

    Raises
    ------
    InvalidInput
        If there is no look, no wide yet, or no picture at that time.
    """
    from partsong.media.picture import open_picture
    from partsong.render.pixels import codes_to_encoded, full_size

    if out.suffix.lower() != ".png":
        raise InvalidInput(f"{out} should end in .png: a still is written in that format.")
    film = store.head().film
    look = needed(film)
    source, picture, frame, space = _source(store, film, look, at_s, take)
    path = colour.display_path(look, space, colour.table_of(store.folder, look))
    with open_picture(source, picture) as reader:
        planes = next(iter(reader.read([frame])))
        encoded = codes_to_encoded(full_size(planes), planes.bit_depth, planes.matrix, planes.value_range)
    shown = np.rint(255 * path(encoded.astype(np.float32))).astype(np.uint8)
    _write_png(out, shown)
    of = "the song" if take is None else source.name
    return f"{take or WIDE} at {clock(at_s)} (frame {frame} of {of}), {shown.shape[1]} x {shown.shape[0]}"


def _source(
    store: FilmStore, film: Film, look: Look, at_s: Fraction, take: str | None
) -> tuple[Path, PictureInfo, int, str]:
    total = song_frames(film)
    assert film.rate is not None
    song_frame = int(at_s * film.rate.exact)
    if at_s < 0 or song_frame >= total:
        raise InvalidInput(
            f"{float(at_s):g} s lies outside the song, which runs for {float(total / film.rate.exact):.2f} s."
        )
    if take is None:
        from partsong.media.probe import probe
        from partsong.render.wide import wide_path

        path = wide_path(store.folder, film)
        if path is None:
            raise InvalidInput(
                "The wide is not merged for the film as it is now. Merge it: partsong stage merge FILM (or look at "
                "one take with --take)"
            )
        picture = probe(path, store.folder.refer(path)).picture
        assert picture is not None
        return path, picture, song_frame, colour.space_of_wide(film, look)
    chosen = film.take(take)
    placed = next((entry for entry in placed_takes(film) if entry.take.id == take), None)
    if placed is None or song_frame not in placed.frames():
        raise InvalidInput(f"{take} has no picture at {clock(at_s)} of the song. See: partsong lineup show FILM")
    path = store.folder.locate(chosen.clip.file)
    return path, chosen.picture, placed.source_frame(song_frame), colour.space_of_take(look, chosen)


def _write_png(out: Path, rgb: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> None:
    import cv2

    done, data = cv2.imencode(".png", rgb[..., ::-1])
    assert done
    with writing(out) as temporary:
        temporary.write_bytes(data.tobytes())
