"""Pictures of the film through its look: stills, scopes, and the curve of a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder
from partsong.film.records import Film, Look
from partsong.film.store import FilmStore
from partsong.look import drawing, scopes
from partsong.look.frames import Frame, delivered, frame_at, shown
from partsong.look.measure import grey_ramp
from partsong.look.scopes import Limits, Reading
from partsong.look.settings import AS_SEEN, MIXES, mix_of
from partsong.look.steps import describe, needed
from partsong.media.stills import eight_bits, png_only, write_png
from partsong.render import colour, cube
from partsong.render.pixels import LUMA_WEIGHTS, codes_to_encoded, full_size

KINDS = ("all", "picture", "waveform", "parade", "histogram", "vectorscope", "zones")
_WIDEST_PX = 720  # of a picture on a sheet of scopes


# --- one frame ------------------------------------------------------------------------------------


def still(
    store: FilmStore,
    out: Path,
    *,
    at_s: Fraction,
    take: str | None = None,
    mixes: bool = False,
    width: int | None = None,
) -> str:
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
    mixes : bool
        Whether to show the frame in every black-and-white mix beside plain desaturation, each under its name.
    width : int, optional
        How wide to make the picture, or each of the mixes, in pixels.

    Raises
    ------
    InvalidInput
        If there is no look, no wide yet, or no picture at that time.
    """
    png_only(out)
    film = store.head().film
    look = needed(film)
    frame = frame_at(store.folder, film, look, at_s, take)
    table = colour.table_of(store.folder, look)

    def through(changed: Look) -> NDArray[np.float64]:
        return _at_width(shown(frame, changed, colour.display_path(changed, frame.space, table, frame.grade)), width)

    if not mixes:
        picture = through(look)
        write_png(out, eight_bits(picture), compression=9)
        return f"{frame.what}, {picture.shape[1]} x {picture.shape[0]}"
    weights = tuple(colour.luminance_weights(look.config))
    coloured = through(look.replace(black_and_white=None, tint=None))
    pictures = {"in colour": coloured, "display code desaturated": desaturated(coloured)}
    for name in (AS_SEEN, *MIXES):
        pictures[name] = through(look.replace(black_and_white=mix_of(name, weights), tint=None))
    tiles = [drawing.titled(eight_bits(picture), name) for name, picture in pictures.items()]
    write_png(out, drawing.sheet(tiles), compression=9)
    return f"{frame.what}: {', '.join(pictures)}"


def _at_width(rgb: NDArray[np.float64], width: int | None) -> NDArray[np.float64]:
    import cv2

    if width is None:
        return rgb
    if not 16 <= width <= rgb.shape[1]:
        raise InvalidInput(f"A width of {width} pixels is not possible: give 16 to {rgb.shape[1]}, the frame's own.")
    height = max(1, round(rgb.shape[0] * width / rgb.shape[1]))
    return np.asarray(cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA), np.float64)


def desaturated(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return display code without colour: its BT.709 luma. What a mix in light is compared with."""
    return np.repeat((rgb @ np.asarray(LUMA_WEIGHTS["bt709"]))[..., None], 3, axis=-1)


# --- scopes ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Scoped:
    """What the scopes say of a frame: its limits, the numbers at points, and the share of it in each zone (stops)."""

    what: str
    limits: Limits
    readings: tuple[Reading, ...]
    zones: tuple[tuple[int, float], ...]


def scope(
    store: FilmStore,
    *,
    at_s: Fraction,
    take: str | None = None,
    out: Path | None = None,
    kind: str = "all",
    points: Sequence[tuple[int, int]] = (),
    before: bool = False,
) -> Scoped:
    """Measure one frame as it is delivered, in 10 bits, and draw its scopes.

    Parameters
    ----------
    store : FilmStore
        The film.
    at_s : Fraction
        Song time in seconds.
    take : str, optional
        A placed take instead of the merged wide.
    out : Path, optional
        A ``.png`` file for the drawing.
    kind : str
        One of :data:`KINDS`.
    points : sequence of (x, y)
        Where the numbers are wanted, in pixels.
    before : bool
        Whether to show the camera's own code, before the look.

    Raises
    ------
    InvalidInput
        If there is no look or picture, a point lies outside, or the kind is not known.
    """
    if kind not in KINDS:
        raise InvalidInput(f"There is no scope {kind!r}. There are: {', '.join(KINDS)}.")
    if out is not None:
        png_only(out)
    film = store.head().film
    look = needed(film)
    frame = frame_at(store.folder, film, look, at_s, take)
    rgb = frame.encoded().astype(np.float64) if before else as_delivered(store.folder, look, frame)
    light = light_of(look, frame)
    weights = colour.luminance_weights(look.config)
    zones = scopes.zones(light, weights)
    readings = tuple(scopes.reading(rgb, light, weights, x, y) for x, y in points)
    if out is not None:
        write_png(out, _drawn(kind, rgb, zones), compression=9)
    shares = tuple((zone, float((zones == zone).mean())) for zone in scopes.ZONES)
    return Scoped(frame.what + (", before the look" if before else ""), scopes.limits(rgb), readings, shares)


def as_delivered(folder: FilmFolder, look: Look, frame: Frame) -> NDArray[np.float64]:
    """Return a frame's R'G'B' as a master holds it, rounded to its 10-bit codes; it may lie outside 0 to 1."""
    path = colour.display_path(look, frame.space, colour.table_of(folder, look), frame.grade)
    planes = delivered(frame, look, path)
    return codes_to_encoded(full_size(planes), planes.bit_depth, planes.matrix, planes.value_range)


def light_of(look: Look, frame: Frame) -> NDArray[np.float64]:
    """Return a frame's scene-linear light before the look, its take's own grade done."""
    code = frame.encoded()
    if frame.grade is not None:
        code = colour.graded_code(frame.grade, look.config, frame.space, code)
    return colour.to_linear(look.config, frame.space, code)


def _drawn(kind: str, rgb: NDArray[np.float64], zones: NDArray[np.int8]) -> drawing.Image:
    import cv2

    small = max(1, -(-rgb.shape[1] // _WIDEST_PX))
    picture = eight_bits(rgb)

    def one(name: str) -> drawing.Image:
        if name == "picture":
            smaller = (-(-picture.shape[1] // small), -(-picture.shape[0] // small))
            return np.asarray(cv2.resize(picture, smaller, interpolation=cv2.INTER_AREA), np.uint8)
        if name == "zones":
            return drawing.zones(zones[::small, ::small])
        if name == "waveform":
            return drawing.waveform(scopes.waveform(scopes.luma(rgb)))
        if name == "parade":
            return drawing.parade(scopes.parade(rgb))
        if name == "histogram":
            return drawing.histogram(scopes.histogram(rgb))
        return drawing.vectorscope(scopes.vectorscope(rgb))

    return drawing.sheet([one(name) for name in KINDS[1:]]) if kind == "all" else one(kind)


# --- the curve of a table -------------------------------------------------------------------------


def plot(folder: FilmFolder, film: Film, out: Path, *, table: str | None = None) -> None:
    """Draw the grey curve of a table alone, or of the whole look where there is none, as a picture file.

    Raises
    ------
    InvalidInput
        If the film has no look, no encoding is known, or the table cannot be read.
    """
    png_only(out)
    told = describe(folder, film, table=table)
    if told.table is not None:
        loaded = cube.read_cube(Path(table)) if table else colour.table_of(folder, told.look)
        assert loaded is not None
        codes, found = grey_ramp(lambda rgb: cube.apply(loaded, rgb))
        image = drawing.curve(codes, found, told.table, "The table alone")
    elif told.paths:
        entry = told.paths[0]
        codes, found = grey_ramp(colour.display_path(told.look, entry.space, None))
        image = drawing.curve(codes, found, entry.measured, f"The whole look, from {entry.space}")
    else:
        raise InvalidInput(
            "No take's encoding is known, so there is no curve. Name it: partsong look set FILM --input SPACE"
        )
    write_png(out, image, compression=9)
