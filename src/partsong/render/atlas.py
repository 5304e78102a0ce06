"""The atlas: every placed take as a tile of one small film on the song's time, with the song as its sound.

A player that shows the atlas has all takes at once, in step, from one stream; merging, masks, look and cut are then
a matter of which tile is drawn where. It is made in two passes. Each take is decoded once and kept small, in pieces
of its own time, so that moving it on the song or taking it in and out never decodes it again. The pieces are then
laid side by side in segments of song time; only segments in which something changed are made anew.

Where takes' light is added, a shader cannot have the wide from their tiles: it begins with the room at rest, its grain
averaged out. So the wide has a tile of its own then, merged from the small takes as the real one is from the large
ones. Players are not laid over it: what the small pictures' codec does to still ground passes for a player.

Tiles keep the camera's encoding, at 8 bits. Where a take has no picture its tile is black.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from partsong.engine.run import Engine
from partsong.errors import InvalidInput
from partsong.film.coverage import has_wide, placed_takes, song_frames
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import WIDE, Clip, Film, PictureInfo, Pose, Stage
from partsong.media import tags
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.join import join
from partsong.media.picture import PictureReader, converted, open_picture
from partsong.media.planes import Matrix, Planes, ValueRange
from partsong.media.probe import probe
from partsong.render.segments import OneByOne, Output, Paint, Segment, render, spans
from partsong.render.wide import wide_key
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


PaintOne = Callable[[Segment, Path, Watch], None]
"""Paints one piece, at exactly the path that it is given."""

SmallWide = Callable[[Film, Watch], PaintOne]
"""Makes ready to paint pieces of a film's wide, in song time; its stage takes and plates are as small as tiles."""


@dataclass(frozen=True, slots=True)
class Tile:
    """Where a take, or the wide, lies on the atlas, in pixels, and the song frames at which it has a picture."""

    take: str
    x: int
    y: int
    width: int
    height: int
    first: int
    stop: int


@dataclass(frozen=True, slots=True)
class Layout:
    """The atlas of a film: its size, rate and length in frames, its tiles in the order of the film's takes.

    The wide comes last, if it has a tile at all.
    """

    width: int
    height: int
    rate: Rate
    frames: int
    tiles: tuple[Tile, ...]


def adds_light(film: Film) -> bool:
    """Say whether the takes' light is added to make the film's wide."""
    return film.stage.method != "masks" and bool(film.stage.order) and has_wide(film)


def layout_of(film: Film) -> Layout:
    """Lay out the tiles of every placed take, and of a wide that adds light, as large as fit, at most the film's size.

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
    count = len(placed) + adds_light(film)
    columns, width, height = _grid(count, wide / high, wide)
    frames = song_frames(film)
    tiles = []
    for number, one in enumerate(placed):
        span = one.frames()
        w, h = _fitted(one.take.picture, width, height)
        x, y = number % columns * width, number // columns * height
        tiles.append(Tile(one.take.id, x, y, w, h, min(span.start, frames), min(span.stop, frames)))
    if adds_light(film):
        x, y = len(placed) % columns * width, len(placed) // columns * height
        tiles.append(Tile(WIDE, x, y, width, height, 0, frames))
    rows = -(-count // columns)
    return Layout(columns * width, rows * height, film.rate, frames, tuple(tiles))


def atlas_path(folder: FilmFolder, film: Film) -> Path:
    """Return where the atlas of a film as it is now lies, made or not.

    Raises
    ------
    InvalidInput
        If no take is placed on the song.
    """
    layout = layout_of(film)
    return _path(folder, film, _segments(layout, _strips(film, layout)))


def make_atlas(
    folder: FilmFolder, film: Film, watch: Watch, engine: Engine | None = None, small_wide: SmallWide | None = None
) -> Path:
    """Make the atlas, or what of it is missing, and return its path.

    ``small_wide`` paints the wide's own tile; a film that has none needs it not.

    Raises
    ------
    InvalidInput
        If no take is placed on the song, or a file is no longer where it was.
    Cancelled
        When the watch said stop; what was finished is kept.
    """
    layout = layout_of(film)
    strips = _strips(film, layout)
    segments = _segments(layout, strips)
    path = _path(folder, film, segments)
    if path.is_file():
        return path
    takes = [
        (TilePainter(folder, film.take(name).clip, name, strip.tile), strip.needed())
        for name, strip in strips.items()
        if name != WIDE
    ]
    render(_batches(folder, takes), watch=watch, engine=engine, doing="Making takes small")
    wide = strips.get(WIDE)
    if wide is not None:
        assert small_wide is not None
        small = _small_film(folder, film, wide.tile, watch, engine)
        pieces = [(small_wide(small, watch), wide.needed())]
        render(_batches(folder, pieces), watch=watch, engine=engine, doing="Adding the takes' light")
    painter = OneByOne(AtlasPainter(folder, layout, strips))
    outputs = [(part, folder.cached("atlas-parts", part.key, RECIPE.suffix)) for part in segments]
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


def _small_film(folder: FilmFolder, film: Film, tile: Tile, watch: Watch, engine: Engine | None) -> Film:
    """Return the film with stage takes and plates as small as a tile, and what moves them onto the reference too."""
    clips = {name: film.take(name).clip for name in film.stage.order}
    clips |= {plate.id: plate.clip for plate in film.plates if plate.clip.picture is not None}
    pieces = {name: _clip_pieces(clip, tile) for name, clip in clips.items()}
    painted = [(TilePainter(folder, clip, name, tile), pieces[name]) for name, clip in clips.items()]
    render(_batches(folder, painted), watch=watch, engine=engine, doing="Making takes small")
    small = {name: _joined(folder, pieces[name]) for name in clips}
    assert film.width is not None
    assert film.height is not None
    across, down = tile.width / film.width, tile.height / film.height

    def moved(pose: Pose) -> Pose:
        return pose.replace(dx_px=pose.dx_px * across, dy_px=pose.dy_px * down)

    registrations = tuple(
        one.replace(keys=tuple(key.replace(pose=moved(key.pose)) for key in one.keys))
        for one in film.stage.registrations
    )
    return film.replace(
        width=tile.width,
        height=tile.height,
        takes=tuple(take.replace(clip=small.get(take.id, take.clip)) for take in film.takes),
        plates=tuple(plate.replace(clip=small.get(plate.id, plate.clip)) for plate in film.plates),
        stage=_summed(film).replace(registrations=registrations),
    )


def _joined(folder: FilmFolder, pieces: Sequence[Segment]) -> Clip:
    """Return all pieces of a clip as one."""
    path = folder.cached("small", key_of("small", [piece.key for piece in pieces]), RECIPE.suffix)
    if not path.is_file():
        with writing(path) as temporary:
            join([_small(folder, piece) for piece in pieces], temporary, sound=None)
    return probe(path, folder.refer(path))


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


@dataclass(frozen=True, slots=True)
class _Strip:
    """The small pictures behind a tile: pieces of their own time, their origin, and which one a song frame shows."""

    tile: Tile
    made_from: str
    pieces: tuple[Segment, ...]
    at: Callable[[int], int]

    def needed(self) -> list[Segment]:
        """Return the pieces that the tile shows something of."""
        if self.tile.first == self.tile.stop:
            return []
        first, last = self.at(self.tile.first), self.at(self.tile.stop - 1)
        return [piece for piece in self.pieces if piece.first <= last and piece.stop > first]


def _strips(film: Film, layout: Layout) -> dict[str, _Strip]:
    """Return what lies behind each tile, by its take, or as the wide."""
    placed = {one.take.id: one for one in placed_takes(film)}
    strips = {}
    for tile in layout.tiles:
        if tile.take == WIDE:
            key = wide_key(film.replace(stage=_summed(film)))
            strips[WIDE] = _Strip(tile, key, _pieces(key, layout.frames, layout.rate, tile), _same)
        else:
            one = placed[tile.take]
            strips[tile.take] = _Strip(
                tile, one.take.clip.file.fingerprint, _clip_pieces(one.take.clip, tile), one.source_frame
            )
    return strips


def _summed(film: Film) -> Stage:
    """Return the stage as the wide's tile shows it: its light alone. Patches are laid over it by whoever draws it."""
    return film.stage.replace(method="light-sum", masks=(), patches=())


def _same(frame: int) -> int:
    return frame


def _clip_pieces(clip: Clip, tile: Tile) -> tuple[Segment, ...]:
    assert clip.picture is not None
    return _pieces(clip.file.fingerprint, clip.picture.frames, clip.picture.rate, tile)


def _pieces(made_from: str, frames: int, rate: Rate, tile: Tile) -> tuple[Segment, ...]:
    ground = [_VERSION, made_from, tile.width, tile.height, dict(RECIPE.options)]
    cuts = spans(frames, round(PIECE_S * rate.exact))
    return tuple(Segment(key_of("tile", ground, cut.start, cut.stop), cut.start, cut.stop) for cut in cuts)


def _small(folder: FilmFolder, piece: Segment) -> Path:
    return folder.cached("tile", piece.key, RECIPE.suffix)


def _batches(
    folder: FilmFolder, painted: Iterable[tuple[PaintOne, Sequence[Segment]]]
) -> list[tuple[Paint, list[Output]]]:
    return [(OneByOne(paint), [(piece, _small(folder, piece))]) for paint, pieces in painted for piece in pieces]


def _path(folder: FilmFolder, film: Film, segments: Sequence[Segment]) -> Path:
    assert film.song is not None
    keys = [segment.key for segment in segments]
    return folder.cached("atlas", key_of(keys, film.song.mix.file.fingerprint), RECIPE.suffix)


def _segments(layout: Layout, strips: Mapping[str, _Strip]) -> list[Segment]:
    """Return the segments of the atlas, each with a key of all that is seen in it."""
    found = []
    for span in spans(layout.frames, round(SEGMENT_S * layout.rate.exact)):
        seen: list[object] = []
        for tile in layout.tiles:
            shown = range(max(span.start, tile.first), min(span.stop, tile.stop))
            if not shown:
                continue
            strip = strips[tile.take]
            sources = [strip.at(frame) for frame in shown]
            # Runs of frames one after another are all that the key needs.
            breaks = [n for n in range(1, len(sources)) if sources[n] != sources[n - 1] + 1]
            box = [tile.x, tile.y, tile.width, tile.height]
            runs = [[shown.start + n, sources[n]] for n in (0, *breaks)]
            seen.append([strip.made_from, box, runs, shown.stop])
        size = [layout.width, layout.height, str(layout.rate)]
        found.append(Segment(key_of("atlas", _VERSION, size, seen, len(span)), span.start, span.stop))
    return found


# --- painting -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TilePainter:
    """Makes a piece of a clip as small as a tile. Runs in a process of its own."""

    folder: FilmFolder
    clip: Clip
    name: str
    tile: Tile

    def __call__(self, segment: Segment, path: Path, watch: Watch) -> None:
        picture = self.clip.picture
        assert picture is not None
        width, height = self.tile.width, self.tile.height
        matrix, value_range = tags.usable_matrix(picture.matrix), tags.usable_range(picture.value_range)
        source = self.folder.locate(self.clip.file)
        doing = f"Making {self.name} small"
        with (
            open_picture(
                source, picture, threads=1, preview=(width, height),
                # What the file does not say is only asked for where colours count.
                matrix=matrix or MATRIX, value_range=value_range or RANGE,
            ) as reader,
            small_writer(path, width, height, picture.rate) as writer,
        ):  # fmt: skip
            count = segment.stop - segment.first
            for planes in watch.over(reader.read(range(segment.first, segment.stop)), total=count, doing=doing):
                writer.write(small_form(planes))


@dataclass(frozen=True, slots=True)
class AtlasPainter:
    """Lays tiles side by side. Runs in a process of its own."""

    folder: FilmFolder
    layout: Layout
    strips: Mapping[str, _Strip]

    def __call__(self, segment: Segment, path: Path, watch: Watch) -> None:
        layout = self.layout
        with contextlib.ExitStack() as opened, small_writer(path, layout.width, layout.height, layout.rate) as writer:
            rows = []
            for tile in layout.tiles:
                shown = range(max(segment.first, tile.first), min(segment.stop, tile.stop))
                rows.append((tile, shown, self._read(opened, self.strips[tile.take], shown)))
            count = segment.stop - segment.first
            doing = "Laying takes side by side"
            for frame in watch.over(range(segment.first, segment.stop), total=count, doing=doing):
                canvas = _canvas(layout.width, layout.height)
                for tile, shown, pictures in rows:
                    if frame in shown:
                        _lay(canvas, next(pictures), tile)
                writer.write(Planes(*canvas, 8, MATRIX, RANGE))

    def _read(self, opened: contextlib.ExitStack, strip: _Strip, shown: range) -> Iterator[Planes]:
        """Yield the small pictures behind a tile at some song frames."""
        reader: PictureReader | None = None
        now = -1
        for frame in shown:
            source = strip.at(frame)
            number = next(n for n, piece in enumerate(strip.pieces) if source < piece.stop)
            if number != now:
                path = _small(self.folder, strip.pieces[number])
                reader = opened.enter_context(open_picture(path, _picture(self.folder, path), threads=1))
                now = number
            assert reader is not None
            yield from reader.read([source - strip.pieces[number].first])


def small_writer(path: Path, width: int, height: int, rate: Rate) -> PictureWriter:
    """Return what writes small pictures, such as :func:`small_form` makes."""
    # A camera's log encoding is described by no tag.
    return PictureWriter(path, RECIPE, width=width, height=height, rate=rate, matrix=MATRIX, value_range=RANGE,
                         primaries="unknown", transfer="unknown", threads=1)  # fmt: skip


def small_form(planes: Planes) -> Planes:
    """Return a picture as :func:`small_writer` takes it."""
    return converted(planes, bit_depth=RECIPE.bit_depth, chroma=RECIPE.chroma, matrix=MATRIX, value_range=RANGE)


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
