"""From the plan of a master to its pictures: read, fit, put through the look, and encode a segment."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, key_of
from partsong.film.records import WIDE, Film, Look, PictureInfo, Texture
from partsong.media.encode import RECIPES, PictureWriter, Recipe
from partsong.media.planes import Planes
from partsong.render.segments import Segment, spans
from partsong.render.table import Table, apply_table, build_table
from partsong.render.texture import textured
from partsong.signoff.masters import MasterPlan, Piece, fitted, on_black
from partsong.timebase import Rate
from partsong.watch import Watch

if TYPE_CHECKING:
    from partsong.render.cube import Cube

SEGMENT_S = 4
_PAINTED = "signoff-1"  # part of every key: raise it when the same plan would give other pixels


@dataclass(frozen=True, slots=True)
class Source:
    """A file that a master shows, with the table of its colour path; ``key`` stands for the content of both."""

    path: Path
    picture: PictureInfo
    table: Table
    key: str


@dataclass(frozen=True)
class Painter:
    """Makes the frames of a master, and encodes segments of them in any process."""

    sources: Mapping[str, Source]
    pieces: tuple[Piece, ...]
    size: tuple[int, int]
    rate: Rate
    recipe_name: str
    texture: Texture | None = None

    @property
    def recipe(self) -> Recipe:
        """How its segments are encoded."""
        return RECIPES[self.recipe_name]

    def pictures(self, frames: Sequence[int]) -> Iterator[Planes]:
        """Yield frames of the film, rising, as they go to the encoder."""
        from partsong.media.picture import open_picture

        for piece in self.pieces:
            shown = [frame for frame in frames if piece.start <= frame < piece.stop]
            if shown:
                source = self.sources[piece.source]
                wanted = [piece.frames[frame - piece.start] for frame in shown]
                with open_picture(source.path, source.picture, threads=1) as reader:
                    for frame, planes in zip(shown, reader.read(wanted), strict=True):
                        yield self._shown(planes, source, frame)

    def _shown(self, planes: Planes, source: Source, frame: int) -> Planes:
        from partsong.media.picture import resized

        left, top, width, height = fitted(planes.width, planes.height, pixel_aspect(source.picture), self.size)
        graded = apply_table(resized(planes, width, height), source.table, chroma=self.recipe.chroma)
        if self.texture is not None:
            graded = textured(graded, self.texture, frame)
        return on_black(graded, self.size, left, top)

    def segments(self, plan: MasterPlan) -> list[Segment]:
        """Cut the master into segments, each keyed by all that its pixels depend on."""
        recipe = self.recipe
        form = [recipe.name, recipe.codec, recipe.pixel_format, recipe.gop_s, dict(recipe.options), self.size]
        found = []
        for span in spans(plan.frames, round(SEGMENT_S * plan.rate.exact)):
            shown = [piece for piece in (each.within(span.start, span.stop) for each in self.pieces) if piece]
            content = [[self.sources[piece.source].key, piece.frames] for piece in shown]
            # The grain of a frame hangs on its number in the film.
            over = [self.texture.model_dump(), span.start] if self.texture else []
            found.append(Segment(key_of(_PAINTED, form, str(plan.rate), content, over), span.start, span.stop))
        return found

    def __call__(self, segment: Segment, path: Path, watch: Watch) -> None:
        """Encode one segment to exactly the path given."""
        frames = range(segment.first, segment.stop)
        width, height = self.size
        doing = f"Frames {segment.first} to {segment.stop - 1}"
        with PictureWriter(path, self.recipe, width=width, height=height, rate=self.rate, threads=1) as writer:
            for planes in watch.over(self.pictures(frames), total=len(frames), doing=doing):
                writer.write(planes)


def pixel_aspect(picture: PictureInfo) -> Fraction:
    """Return how much wider than high a pixel is shown, once the picture is upright."""
    aspect = Fraction(picture.pixel_aspect_num, picture.pixel_aspect_den)
    return 1 / aspect if picture.rotation_deg in (90, 270) else aspect


def painter_for(folder: FilmFolder, film: Film, plan: MasterPlan, recipe_name: str) -> Painter:
    """Find the files of a plan and build the tables of their colour paths.

    Raises
    ------
    InvalidInput
        If the merged wide is not there yet, a file is gone, or a colour path cannot be built.
    """
    from partsong.render.colour import table_of

    assert film.look is not None
    cube = table_of(folder, film.look)
    tables: dict[str, Table] = {}
    sources = {
        name: _source(folder, film, film.look, cube, name, RECIPES[recipe_name], tables) for name in plan.sources
    }
    return Painter(sources, plan.pieces, (plan.width, plan.height), plan.rate, recipe_name, film.look.texture)


def locate_wide(folder: FilmFolder, film: Film) -> Path:
    """Return the merged wide of the film as it is now, or say how to make it."""
    from partsong.render.wide import wide_path

    path = wide_path(folder, film)
    if path is None:
        raise InvalidInput(
            "The cut shows the wide, and the wide of the film as it is now has not been merged yet. "
            f"Merge it: partsong stage merge {folder.root}"
        )
    return path


def _source(
    folder: FilmFolder, film: Film, look: Look, cube: Cube | None, name: str, recipe: Recipe, tables: dict[str, Table]
) -> Source:
    from partsong.media.picture import open_picture
    from partsong.media.probe import probe
    from partsong.render.colour import display_path, space_of_take, space_of_wide

    if name == WIDE:
        path = locate_wide(folder, film)
        file = folder.refer(path)
        picture = probe(path, file).picture
        space, grade = space_of_wide(film, look), None  # each layer's own is in the wide already
        assert picture is not None
    else:
        take = film.take(name)
        path, file, picture = folder.locate(take.clip.file), take.clip.file, take.picture
        space, grade = space_of_take(look, take), film.grade_of(name)
    with open_picture(path, picture, threads=1) as reader:
        first = next(reader.read([0]))
    signal = (first.bit_depth, first.matrix, first.value_range)
    own = grade.model_dump() if grade else None
    colour_key = key_of(_look_key(look), space, own, signal, recipe.bit_depth)
    if colour_key not in tables:
        tables[colour_key] = build_table(
            display_path(look, space, cube, grade), source=signal, target=(recipe.bit_depth, "bt709", "limited")
        )
    return Source(path, picture, tables[colour_key], key_of(file.fingerprint, picture.model_dump(), colour_key))


def _look_key(look: Look) -> str:
    from partsong.film.folder import fingerprint

    config = Path(look.config)
    own = fingerprint(config) if config.is_file() else ""
    # The table counts by its content, wherever it lies.
    table = look.table.fingerprint if look.table else ""
    return key_of(look.replace(table=None, table_space=None, texture=None).model_dump(), look.table_space, own, table)
