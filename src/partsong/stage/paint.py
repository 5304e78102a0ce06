"""Painting stretches of the merged wide: takes' frames in, segments out. Runs in a process of its own."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from partsong.film.folder import FilmFolder, writing
from partsong.film.records import Film
from partsong.media.encode import PictureWriter
from partsong.media.hardware import agreed
from partsong.media.picture import PictureReader, converted, open_picture
from partsong.media.planes import Planes
from partsong.render import atlas
from partsong.render.gpu import GpuMerger
from partsong.render.lightsum import LightSum
from partsong.render.merge import Form, Merger
from partsong.render.plan import FramePlan, Stack, clip_of, plan_frames, stretches
from partsong.render.segments import Output, Segment
from partsong.render.wide import RECIPE, Encoding, form_of
from partsong.stage.rooms import RoomFinder
from partsong.watch import Watch


@dataclass(frozen=True, slots=True)
class WidePainter:
    """Paints segments of a film's wide.

    ``gpu`` merges masked layers on this machine's graphics processor; ``hardware`` decodes on its video hardware what
    that decodes to the bit.
    """

    folder: FilmFolder
    film: Film
    encoding: Encoding
    form: Form
    gpu: bool = False
    hardware: bool = False

    def __call__(self, outputs: Sequence[Output], watch: Watch) -> None:
        film = self.film
        assert film.width is not None
        assert film.height is not None
        assert film.rate is not None
        plans = tuple(plan for segment, _ in outputs for plan in plan_frames(film, range(segment.first, segment.stop)))
        frames = watch.over(self.frames(plans), total=len(plans), doing="Merging the takes")
        for segment, path in outputs:
            # One thread each: the processes share the processors out already.
            with (
                writing(path) as temporary,
                PictureWriter(
                    temporary,
                    RECIPE,
                    width=film.width,
                    height=film.height,
                    rate=film.rate,
                    matrix=self.form.matrix,
                    value_range=self.form.value_range,
                    primaries="unknown",
                    transfer="unknown",
                    threads=1,
                ) as writer,
            ):
                for planes in islice(frames, segment.stop - segment.first):
                    writer.write(planes)

    def frames(self, plans: tuple[FramePlan, ...]) -> Iterator[Planes]:
        """Yield the merged frame of each plan, to be used before the next; takes that do not show are not opened."""
        with contextlib.ExitStack() as opened:
            readers: dict[str, PictureReader] = {}
            for stack, run in stretches(plans):
                merger = self._merger(stack)
                shown: list[Iterator[Planes] | None] = []
                for number, layer in enumerate(stack.layers):
                    if not merger.shows[number]:
                        shown.append(None)
                        continue
                    if layer.take not in readers:
                        clip = clip_of(self.film, layer.take)
                        assert clip.picture is not None
                        path = self.folder.locate(clip.file)
                        device = agreed(path, clip.picture).device if self.hardware else None
                        reader = open_picture(path, clip.picture, threads=1, device=device)
                        readers[layer.take] = opened.enter_context(reader)
                    wanted = [plan.sources[number] for plan in run]
                    shown.append(self._brought(readers[layer.take].read(wanted)))
                for plan in run:
                    yield merger.merge([next(frames) if frames else None for frames in shown], plan.poses)

    def _merger(self, stack: Stack) -> Merger | GpuMerger | LightSum:
        if stack.method == "masks":
            if self.gpu:
                return GpuMerger(stack, self.encoding.curve, self.form)
            return Merger(stack, self.encoding.curve, self.form, reuses=True)
        rooms = RoomFinder(self.folder, self.film, self.encoding, self.form).latest()
        lit = [rooms.lit[layer.take] for layer in stack.layers if layer.shape is None]
        return LightSum(stack, lit, rooms.ambient, self.encoding.curve, self.form)

    def _brought(self, frames: Iterator[Planes]) -> Iterator[Planes]:
        form = self.form
        for planes in frames:
            yield converted(
                planes,
                bit_depth=form.bit_depth,
                chroma=form.chroma,
                matrix=form.matrix,
                value_range=form.value_range,
            )


@dataclass(frozen=True, slots=True)
class SmallWidePainter:
    """Paints pieces of the wide of a film of small takes, for the preview. Runs in a process of its own."""

    wide: WidePainter

    def __call__(self, segment: Segment, path: Path, watch: Watch) -> None:
        film = self.wide.film
        assert film.width is not None
        assert film.height is not None
        assert film.rate is not None
        plans = plan_frames(film, range(segment.first, segment.stop))
        with atlas.small_writer(path, film.width, film.height, film.rate) as writer:
            for planes in watch.over(self.wide.frames(plans), total=len(plans), doing="Adding the takes' light"):
                writer.write(atlas.small_form(planes))


def small_wide(folder: FilmFolder, encoding: Encoding) -> atlas.SmallWide:
    """Return what makes the tile of a wide that adds light; ``encoding`` is that of the film's own takes."""

    def ready(small: Film, watch: Watch) -> SmallWidePainter:
        form = form_of(small)
        RoomFinder(folder, small, encoding, form).found(watch)  # once, for all processes
        return SmallWidePainter(WidePainter(folder, small, encoding, form))

    return ready
