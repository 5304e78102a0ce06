"""Pictures of the film through its look: stills, scopes, and the curve of a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, writing
from partsong.film.records import Film, Look
from partsong.film.store import FilmStore
from partsong.look import drawing, scopes
from partsong.look.frames import Frame, delivered, frame_at, shown
from partsong.look.measure import grey_ramp
from partsong.look.scopes import Limits, Reading
from partsong.look.settings import AS_SEEN, MIXES, mix_of
from partsong.look.steps import describe, needed
from partsong.render import colour, cube
from partsong.render.pixels import LUMA_WEIGHTS, codes_to_encoded, full_size

KINDS = ("all", "picture", "waveform", "parade", "histogram", "vectorscope", "zones")
_WIDEST_PX = 720  # of a picture on a sheet of scopes


# --- one frame ------------------------------------------------------------------------------------


def still(store: FilmStore, out: Path, *, at_s: Fraction, take: str | None = None, mixes: bool = False) -> str:
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
        Whether to show the frame in every black-and-white mix beside plain desaturation, in reading order.

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
        return shown(frame, changed, colour.display_path(changed, frame.space, table, frame.grade))

    if not mixes:
        picture = through(look)
        write_picture(out, picture)
        return f"{frame.what}, {picture.shape[1]} x {picture.shape[0]}"
    weights = tuple(colour.luminance_weights(look.config))
    names = (AS_SEEN, *MIXES)
    grey = look.replace(black_and_white=None, saturation=0.0)
    pictures = [desaturated(through(look.replace(black_and_white=None, saturation=1.0))), through(grey)]
    pictures += [through(look.replace(black_and_white=mix_of(name, weights))) for name in names[1:]]
    write_picture(out, side_by_side(pictures, across=2))
    return f"{frame.what}, in reading order: display code desaturated, {', '.join(names)}"


def desaturated(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return display code without colour: its BT.709 luma. What a mix in light is compared with."""
    return np.repeat((rgb @ np.asarray(LUMA_WEIGHTS["bt709"]))[..., None], 3, axis=-1)


def side_by_side(pictures: Sequence[NDArray[np.float64]], across: int) -> NDArray[np.float64]:
    """Lay pictures of one size out in rows, the last row filled up with black."""
    blank = np.zeros_like(pictures[0])
    filled = [*pictures, *[blank] * (-len(pictures) % across)]
    rows = [np.concatenate(filled[first : first + across], axis=1) for first in range(0, len(filled), across)]
    return np.concatenate(rows)


def png_only(out: Path) -> None:
    """Refuse a picture's name that does not end in .png."""
    if out.suffix.lower() != ".png":
        raise InvalidInput(f"{out} should end in .png: pictures are written in that format.")


def write_picture(out: Path, rgb: NDArray[np.float64]) -> None:
    """Write encoded R'G'B' from 0 to 1 as an 8-bit picture file, whole or not at all."""
    write_png(out, np.rint(255 * np.clip(rgb, 0, 1)).astype(np.uint8))


def write_png(out: Path, image: NDArray[np.uint8]) -> None:
    """Write an 8-bit R'G'B' picture file, whole or not at all."""
    import cv2

    done, data = cv2.imencode(".png", image[..., ::-1])
    assert done
    with writing(out) as temporary:
        temporary.write_bytes(data.tobytes())


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
    rgb = frame.encoded().astype(np.float64) if before else _as_delivered(store.folder, look, frame)
    code = frame.encoded()
    if frame.grade is not None:
        code = colour.graded_code(frame.grade, look.config, frame.space, code)
    light = colour.to_linear(look.config, frame.space, code)
    weights = colour.luminance_weights(look.config)
    zones = scopes.zones(light, weights)
    readings = tuple(scopes.reading(rgb, light, weights, x, y) for x, y in points)
    if out is not None:
        write_png(out, _drawn(kind, rgb, zones))
    shares = tuple((zone, float((zones == zone).mean())) for zone in scopes.ZONES)
    return Scoped(frame.what + (", before the look" if before else ""), scopes.limits(rgb), readings, shares)


def _as_delivered(folder: FilmFolder, look: Look, frame: Frame) -> NDArray[np.float64]:
    path = colour.display_path(look, frame.space, colour.table_of(folder, look), frame.grade)
    planes = delivered(frame, look, path)
    return codes_to_encoded(full_size(planes), planes.bit_depth, planes.matrix, planes.value_range)


def _drawn(kind: str, rgb: NDArray[np.float64], zones: NDArray[np.int8]) -> drawing.Image:
    small = max(1, -(-rgb.shape[1] // _WIDEST_PX))
    picture = np.rint(255 * np.clip(rgb, 0, 1)).astype(np.uint8)

    def one(name: str) -> drawing.Image:
        if name == "picture":
            return picture[::small, ::small]
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
    write_png(out, image)
