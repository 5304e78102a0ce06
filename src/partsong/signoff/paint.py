"""From the plan of a master to its pictures: read, fit, put through the look, and encode segments."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import WIDE, Effect, Film, Look, PictureInfo, Texture
from partsong.media.encode import RECIPES, PictureWriter, Recipe
from partsong.media.planes import Planes
from partsong.render.effects import laid
from partsong.render.segments import Output, Segment, spans
from partsong.render.table import FORMAT, KeptTable, apply_table, build_table, kept_table
from partsong.render.texture import textured
from partsong.render.wide import Wide, merged_wide
from partsong.signoff.crops import cropped, window
from partsong.signoff.masters import MasterPlan, Piece, View, fitted, on_black, pixel_aspect
from partsong.timebase import Rate
from partsong.watch import Watch

if TYPE_CHECKING:
    from partsong.render.cube import Cube

SEGMENT_S = 4
_PAINTED = "signoff-3"  # part of every key: raise it when the same plan would give other pixels


@dataclass(frozen=True, slots=True)
class Source:
    """A take's file or the wide, as a master shows it, with the table of its colour path.

    ``key`` stands for the content of both; which segments of the wide it is, :meth:`content` says.
    """

    file: Path | Wide
    picture: PictureInfo
    table: KeptTable
    key: str

    def read(self, frames: Sequence[int]) -> Iterator[Planes]:
        """Yield frames of it, rising."""
        return _read(self.file, self.picture, frames)

    def content(self, frames: Sequence[int]) -> list[object]:
        """Return what these frames' pixels depend on."""
        return [self.key, self.file.within(frames) if isinstance(self.file, Wide) else frames]


@dataclass(frozen=True, slots=True)
class Seen:
    """A picture as it was recorded, in the size that it is shown in, and where in the frame that lies."""

    source: str
    planes: Planes
    left: int
    top: int


@dataclass(frozen=True, slots=True)
class Shown:
    """A frame of the film: its picture, or those of its panels."""

    frame: int
    pictures: tuple[Seen, ...]


@dataclass(frozen=True)
class Painter:
    """Makes the frames of a master."""

    sources: Mapping[str, Source]
    pieces: tuple[Piece, ...]
    size: tuple[int, int]
    rate: Rate
    recipe_name: str
    texture: Texture | None = None
    effects: tuple[Effect, ...] = ()

    @property
    def recipe(self) -> Recipe:
        """How its segments are encoded."""
        return RECIPES[self.recipe_name]

    def pictures(self, frames: Sequence[int]) -> Iterator[Planes]:
        """Yield frames of the film, rising, as they go to the encoder."""
        return map(self.graded, self.shown(frames))

    def shown(self, frames: Sequence[int]) -> Iterator[Shown]:
        """Yield frames of the film, rising, before the look: the same for every kind of master."""
        for piece in self.pieces:
            shown = [frame for frame in frames if piece.start <= frame < piece.stop]
            if shown:
                at = [frame - piece.start for frame in shown]
                views = [self._seen(view, [view.frames[n] for n in at]) for view in piece.views]
                for frame, *pictures in zip(shown, *views, strict=True):
                    yield Shown(frame, tuple(pictures))

    def _seen(self, view: View, frames: Sequence[int]) -> Iterator[Seen]:
        """Yield frames of a source in the size that they are shown in."""
        from partsong.media.picture import resized

        source = self.sources[view.source]
        aspect = pixel_aspect(source.picture)
        left, top, width, height = view.box or (0, 0, *self.size)
        for planes in source.read(frames):
            size = (planes.width, planes.height)
            if view.centre is not None:
                part = cropped(planes, *window(size, aspect, (width, height), view.centre))
                yield Seen(view.source, resized(part, width, height), left, top)
            else:
                beside, above, across, down = fitted(*size, aspect, (width, height))
                yield Seen(view.source, resized(planes, across, down), left + beside, top + above)

    def graded(self, shown: Shown) -> Planes:
        """Return a frame as it goes to the encoder."""
        pictures = [(self._looked(seen), seen.left, seen.top) for seen in shown.pictures]
        if len(pictures) > 1:
            pictures = [(on_black(pictures, self.size), 0, 0)]
        ((planes, left, top),) = pictures
        planes = laid(planes, self.effects, shown.frame)
        if self.texture is not None:
            planes = textured(planes, self.texture, shown.frame)
        return on_black([(planes, left, top)], self.size)

    def _looked(self, seen: Seen) -> Planes:
        return apply_table(seen.planes, self.sources[seen.source].table.table, chroma=self.recipe.chroma)

    def segments(self, plan: MasterPlan) -> list[Segment]:
        """Cut the master into segments, each keyed by all that its pixels depend on."""
        recipe = self.recipe
        form = [recipe.name, recipe.codec, recipe.pixel_format, recipe.gop_s, dict(recipe.options), self.size]
        found = []
        for span in spans(plan.frames, round(SEGMENT_S * plan.rate.exact)):
            shown = [piece for piece in (each.within(span.start, span.stop) for each in self.pieces) if piece]
            content = [
                [[*self.sources[view.source].content(view.frames), view.centre, view.box] for view in piece.views]
                for piece in shown
            ]
            # The grain of a frame hangs on its number in the film.
            over = [self.texture.model_dump(), span.start] if self.texture else []
            done = [one.model_dump() for one in self.effects if one.start < span.stop and span.start < one.end]
            effects = [done, span.start] if done else []
            key = key_of(_PAINTED, form, str(plan.rate), content, over, *effects)
            found.append(Segment(key, span.start, span.stop))
        return found

    def writer(self, path: Path) -> PictureWriter:
        """Return the encoder of one segment."""
        width, height = self.size
        return PictureWriter(path, self.recipe, width=width, height=height, rate=self.rate, threads=1)


@dataclass(frozen=True)
class SegmentPainter:
    """Encodes the same stretch of one master, or of several, in any process: each frame is decoded once for all.

    Masters are told apart by how their files end.
    """

    painters: Mapping[str, Painter]

    def __call__(self, outputs: Sequence[Output], watch: Watch) -> None:
        segment, _ = outputs[0]
        frames = range(segment.first, segment.stop)
        doing = f"Frames {segment.first} to {segment.stop - 1}"
        painters = [self.painters[path.suffix] for _, path in outputs]
        with contextlib.ExitStack() as opened:
            writers = []
            for painter, (_, path) in zip(painters, outputs, strict=True):
                temporary = opened.enter_context(writing(path))
                writers.append(opened.enter_context(painter.writer(temporary)))
            for shown in watch.over(painters[0].shown(frames), total=len(frames), doing=doing):
                for painter, writer in zip(painters, writers, strict=True):
                    writer.write(painter.graded(shown))


def painter_for(folder: FilmFolder, film: Film, plan: MasterPlan, recipe_name: str) -> Painter:
    """Find the files of a plan and build the tables of their colour paths.

    Raises
    ------
    InvalidInput
        If a stretch of the wide that it shows is not merged yet, a file is gone, or a colour path cannot be built.
    """
    from partsong.render.colour import table_of

    assert film.look is not None
    cube = table_of(folder, film.look)
    sources = {name: _source(folder, film, film.look, cube, plan, name, RECIPES[recipe_name]) for name in plan.sources}
    size = (plan.width, plan.height)
    return Painter(sources, plan.pieces, size, plan.rate, recipe_name, film.look.texture, plan.effects)


def _source(
    folder: FilmFolder,
    film: Film,
    look: Look,
    cube: Cube | None,
    plan: MasterPlan,
    name: str,
    recipe: Recipe,
) -> Source:
    from partsong.render.colour import display_path, space_of_take, space_of_wide

    file: Path | Wide
    if name == WIDE:
        views = [view for piece in plan.pieces for view in piece.views if view.source == WIDE]
        frames = sorted({frame for view in views for frame in view.frames})
        file = merged_wide(folder, film, frames)
        picture, content, sample = file.picture, WIDE, frames[0]
        space, grade = space_of_wide(film, look), None  # each layer's own is in the wide already
    else:
        take = film.take(name)
        file, picture = folder.locate(take.clip.file), take.picture
        content, sample = take.clip.file.fingerprint, 0
        space, grade = space_of_take(look, take), film.grade_of(name)
    first = next(_read(file, picture, [sample]))
    signal = (first.bit_depth, first.matrix, first.value_range)
    own = grade.model_dump() if grade else None
    colour_key = key_of(_look_key(look), space, own, signal, recipe.bit_depth)
    table = kept_table(
        folder.cached("table", key_of(FORMAT, colour_key), ".npz"),
        lambda: build_table(
            display_path(look, space, cube, grade), source=signal, target=(recipe.bit_depth, "bt709", "limited")
        ),
    )
    return Source(file, picture, table, key_of(content, picture.model_dump(), colour_key))


def _read(file: Path | Wide, picture: PictureInfo, frames: Sequence[int]) -> Iterator[Planes]:
    """Yield frames of a take's file or of the wide on one thread: processes share the processors out already."""
    from partsong.media.picture import open_picture

    if isinstance(file, Wide):
        yield from file.read(frames, threads=1)
    else:
        with open_picture(file, picture, threads=1) as reader:
            yield from reader.read(frames)


def _look_key(look: Look) -> str:
    from partsong.film.folder import fingerprint

    config = Path(look.config)
    own = fingerprint(config) if config.is_file() else ""
    # The table counts by its content, wherever it lies.
    table = look.table.fingerprint if look.table else ""
    return key_of(look.replace(table=None, table_space=None, texture=None).model_dump(), look.table_space, own, table)
