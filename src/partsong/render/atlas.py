"""The atlas: every placed take as a tile of one small film on the song's time, with the song as its sound.

A player that shows the atlas has all takes at once, in step, from one stream; merging, masks, look and cut are then
a matter of which tile is drawn where. It is made in two passes. Each take is decoded once and kept small, in pieces
of its own time, so that moving it on the song or taking it in and out never decodes it again. The pieces are then
laid side by side in segments of song time; only segments in which something changed are made anew.

Tiles keep the camera's encoding, at 8 bits. Where a take has no picture its tile is black.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from partsong.engine.run import Engine
from partsong.errors import InvalidInput
from partsong.film.coverage import PlacedTake, placed_takes, song_frames
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import Clip, Film, PictureInfo, Take
from partsong.media import tags
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.join import join
from partsong.media.picture import PictureReader, converted, open_picture
from partsong.media.planes import Matrix, Planes, ValueRange
from partsong.media.probe import probe
from partsong.render.segments import OneByOne, Output, Paint, Segment, render, spans
from partsong.timebase import Rate
from partsong.watch import Watch

if TYPE_CHECKING:
    from numpy.typing import NDArray

RECIPE = RECIPES["preview"]
MATRIX: Matrix = "bt709"
RANGE: ValueRange = "limited"

WIDTH_PX, HEIGHT_PX = 1920, 1080
"""What the atlas fits in: any machine's browser decodes that."""

PIECE_S = 20
SEGMENT_S = 4

_VERSION = 1  # raise it when the same takes give other tiles
_ALIGN = 4  # tiles begin at colour samples, and at blocks of the encoder's smallest transform
_BLACK = (16, 128, 128)  # BT.709-6, item 4.4, at 8 bits


@dataclass(frozen=True, slots=True)
class Tile:
    """Where a take lies on the atlas, in pixels, and the song frames at which it has a picture."""

    take: str
    x: int
    y: int
    width: int
    height: int
    first: int
    stop: int


@dataclass(frozen=True, slots=True)
class Layout:
    """The atlas of a film: its size, rate and length in frames, and its tiles in the order of the film's takes."""

    width: int
    height: int
    rate: Rate
    frames: int
    tiles: tuple[Tile, ...]


def layout_of(film: Film) -> Layout:
    """Lay out the tiles of every placed take, as large as fit, at most as large as the film.

    Raises
    ------
    InvalidInput
        If no take is placed on the song.
    """
    placed = placed_takes(film)
    if not placed:
        raise InvalidInput("No take has a place on the song yet. Place them first: partsong lineup place FILM")
    assert film.rate is not None
    wide, high = (film.width, film.height) if film.width and film.height else placed[0].take.picture.shown_size
    columns, width, height = _grid(len(placed), wide / high, wide)
    frames = song_frames(film)
    tiles = []
    for number, one in enumerate(placed):
        span = one.frames()
        w, h = _fitted(one.take.picture, width, height)
        x, y = number % columns * width, number // columns * height
        tiles.append(Tile(one.take.id, x, y, w, h, min(span.start, frames), min(span.stop, frames)))
    rows = -(-len(placed) // columns)
    return Layout(columns * width, rows * height, film.rate, frames, tuple(tiles))


def atlas_path(folder: FilmFolder, film: Film) -> Path:
    """Return where the atlas of a film as it is now lies, made or not.

    Raises
    ------
    InvalidInput
        If no take is placed on the song.
    """
    layout = layout_of(film)
    assert film.song is not None
    keys = [segment.key for segment in _segments(film, layout)]
    return folder.cached("atlas", key_of(keys, film.song.mix.file.fingerprint), RECIPE.suffix)


def make_atlas(folder: FilmFolder, film: Film, watch: Watch, engine: Engine | None = None) -> Path:
    """Make the atlas, or what of it is missing, and return its path.

    Raises
    ------
    InvalidInput
        If no take is placed on the song, or a file is no longer where it was.
    Cancelled
        When the watch said stop; what was finished is kept.
    """
    path = atlas_path(folder, film)
    if path.is_file():
        return path
    layout = layout_of(film)
    placed = {one.take.id: one for one in placed_takes(film)}
    batches: list[tuple[Paint, list[Output]]] = []
    for tile in layout.tiles:
        small = OneByOne(TilePainter(folder, placed[tile.take].take, tile.width, tile.height))
        batches += [(small, [(piece, folder.cached("tile", piece.key, RECIPE.suffix))])
                    for piece in _pieces(placed[tile.take], tile)]  # fmt: skip
    render(batches, watch=watch, engine=engine, doing="Making takes small")
    painter = OneByOne(AtlasPainter(folder, film, layout))
    outputs = [(part, folder.cached("atlas-parts", part.key, RECIPE.suffix)) for part in _segments(film, layout)]
    render([(painter, [output]) for output in outputs], watch=watch, engine=engine, doing="Laying takes side by side")
    assert film.song is not None
    samples = math.ceil(film.song.length_s * 48000)
    with writing(path) as temporary:
        join(
            [part for _, part in outputs],
            temporary,
            sound=folder.locate(film.song.mix.file),
            sound_codec="aac",
            sound_samples=samples,
        )
    return path


# --- the layout -----------------------------------------------------------------------------------


def _grid(count: int, shape: float, most: int) -> tuple[int, int, int]:
    """Return columns, and width and height of a tile, that make the tiles largest, but not wider than ``most``.

    ``shape`` is width over height.
    """
    best = (1, 0, 0)
    for columns in range(1, count + 1):
        rows = -(-count // columns)
        width = min(WIDTH_PX / columns, HEIGHT_PX / rows * shape, most)
        whole = max(_ALIGN * 4, int(width) // _ALIGN * _ALIGN)
        if whole > best[1]:
            best = (columns, whole, max(_ALIGN * 4, int(whole / shape) // _ALIGN * _ALIGN))
    return best


def _fitted(picture: PictureInfo, width: int, height: int) -> tuple[int, int]:
    """Return the size of a take's picture inside a tile, its shape kept."""
    wide, high = picture.shown_size
    along, across = picture.pixel_aspect_num, picture.pixel_aspect_den
    shape = wide * along / (high * across) if picture.rotation_deg in (0, 180) else wide * across / (high * along)
    scale = min(width, height * shape)
    w, h = int(scale) // _ALIGN * _ALIGN, int(scale / shape + 0.5) // _ALIGN * _ALIGN
    return min(width, max(2 * _ALIGN, w)), min(height, max(2 * _ALIGN, h))


def _pieces(placed: PlacedTake, tile: Tile) -> list[Segment]:
    """Return the pieces of a take's own time that its tile needs."""
    if tile.first == tile.stop:
        return []
    first, last = placed.source_frame(tile.first), placed.source_frame(tile.stop - 1)
    return [piece for piece in _all_pieces(placed.take, tile) if piece.first <= last and piece.stop > first]


def _all_pieces(take: Take, tile: Tile) -> list[Segment]:
    picture = take.picture
    made_from = [_VERSION, take.clip.file.fingerprint, tile.width, tile.height, dict(RECIPE.options)]
    cuts = spans(picture.frames, round(PIECE_S * picture.rate.exact))
    return [Segment(key_of("tile", made_from, cut.start, cut.stop), cut.start, cut.stop) for cut in cuts]


def _segments(film: Film, layout: Layout) -> list[Segment]:
    """Return the segments of the atlas, each with a key of all that is seen in it."""
    placed = {one.take.id: one for one in placed_takes(film)}
    found = []
    for span in spans(layout.frames, round(SEGMENT_S * layout.rate.exact)):
        seen: list[object] = []
        for tile in layout.tiles:
            shown = range(max(span.start, tile.first), min(span.stop, tile.stop))
            if not shown:
                continue
            one = placed[tile.take]
            sources = [one.source_frame(frame) for frame in shown]
            # Runs of frames one after another are all that the key needs.
            breaks = [n for n in range(1, len(sources)) if sources[n] != sources[n - 1] + 1]
            box = [tile.x, tile.y, tile.width, tile.height]
            runs = [[shown.start + n, sources[n]] for n in (0, *breaks)]
            seen.append([one.take.clip.file.fingerprint, box, runs, shown.stop])
        size = [layout.width, layout.height, str(layout.rate)]
        found.append(Segment(key_of("atlas", _VERSION, size, seen, len(span)), span.start, span.stop))
    return found


# --- painting -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TilePainter:
    """Makes a piece of a take small. Runs in a process of its own."""

    folder: FilmFolder
    take: Take
    width: int
    height: int

    def __call__(self, segment: Segment, path: Path, watch: Watch) -> None:
        picture = self.take.picture
        matrix, value_range = tags.usable_matrix(picture.matrix), tags.usable_range(picture.value_range)
        source = self.folder.locate(self.take.clip.file)
        doing = f"Making {self.take.id} small"
        with (
            open_picture(
                source, picture, threads=1, preview=(self.width, self.height),
                # What the file does not say is only asked for where colours count.
                matrix=matrix or MATRIX, value_range=value_range or RANGE,
            ) as reader,
            _writer(path, self.width, self.height, picture.rate) as writer,
        ):  # fmt: skip
            count = segment.stop - segment.first
            for planes in watch.over(reader.read(range(segment.first, segment.stop)), total=count, doing=doing):
                writer.write(converted(planes, matrix=MATRIX, value_range=RANGE))


@dataclass(frozen=True, slots=True)
class AtlasPainter:
    """Lays tiles side by side. Runs in a process of its own."""

    folder: FilmFolder
    film: Film
    layout: Layout

    def __call__(self, segment: Segment, path: Path, watch: Watch) -> None:
        layout = self.layout
        placed = {one.take.id: one for one in placed_takes(self.film)}
        with contextlib.ExitStack() as opened, _writer(path, layout.width, layout.height, layout.rate) as writer:
            rows = []
            for tile in layout.tiles:
                shown = range(max(segment.first, tile.first), min(segment.stop, tile.stop))
                one = placed[tile.take]
                rows.append((tile, shown, self._read(opened, one, tile, shown)))
            count = segment.stop - segment.first
            doing = "Laying takes side by side"
            for frame in watch.over(range(segment.first, segment.stop), total=count, doing=doing):
                canvas = _canvas(layout.width, layout.height)
                for tile, shown, pictures in rows:
                    if frame in shown:
                        _lay(canvas, next(pictures), tile)
                writer.write(Planes(*canvas, 8, MATRIX, RANGE))

    def _read(self, opened: contextlib.ExitStack, placed: PlacedTake, tile: Tile, shown: range) -> Iterator[Planes]:
        """Yield the small pictures of a take at some song frames."""
        pieces = _all_pieces(placed.take, tile)
        reader: PictureReader | None = None
        now = -1
        for frame in shown:
            source = placed.source_frame(frame)
            number = next(n for n, piece in enumerate(pieces) if source < piece.stop)
            if number != now:
                path = self.folder.cached("tile", pieces[number].key, RECIPE.suffix)
                reader = opened.enter_context(open_picture(path, _picture(self.folder, path), threads=1))
                now = number
            assert reader is not None
            yield from reader.read([source - pieces[number].first])


def _writer(path: Path, width: int, height: int, rate: Rate) -> PictureWriter:
    # A camera's log encoding is described by no tag.
    return PictureWriter(path, RECIPE, width=width, height=height, rate=rate, matrix=MATRIX, value_range=RANGE,
                         primaries="unknown", transfer="unknown", threads=1)  # fmt: skip


def _picture(folder: FilmFolder, path: Path) -> PictureInfo:
    clip: Clip = probe(path, folder.refer(path))
    assert clip.picture is not None
    return clip.picture


def _canvas(width: int, height: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
    luma, blue, red = _BLACK
    half = (height // 2, width // 2)
    return np.full((height, width), luma, np.uint8), np.full(half, blue, np.uint8), np.full(half, red, np.uint8)


def _lay(canvas: tuple[NDArray[np.uint8], ...], planes: Planes, tile: Tile) -> None:
    for plane, source, step in zip(canvas, (planes.y, planes.u, planes.v), (1, 2, 2), strict=True):
        x, y, width, height = (side // step for side in (tile.x, tile.y, tile.width, tile.height))
        plane[y : y + height, x : x + width] = source
