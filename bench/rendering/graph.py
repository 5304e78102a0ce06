"""The same pictures by a script: filter graphs of the general-purpose media library, one thread each."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import av
import numpy as np
from av.codec.hwaccel import HWAccel

from partsong.film.records import WIDE, Shot
from partsong.media.encode import RECIPES
from partsong.media.frames import frame_of
from partsong.media.planes import Planes
from partsong.render.cube import Cube, write_cube
from partsong.render.merge import stack_weights
from partsong.render.plan import Stack
from rendering.costs import Shares
from rendering.layers import LAYERS

if TYPE_CHECKING:
    from collections.abc import Callable

Port = tuple[Any, int]
"""A filter, and the number of one of its outputs."""


def baked(path: Path, colour: Callable[[np.ndarray], np.ndarray]) -> Path:
    """Write a colour path as a table of 33 points a side, as the media library's filter reads it."""
    steps = np.linspace(0, 1, 33, dtype=np.float32)
    points = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    write_cube(path, Cube(table=colour(points.copy()).reshape(33, 33, 33, 3)))
    return path


def mask_planes(drawn: Stack) -> list[np.ndarray]:
    """Return each upper layer's alpha as a 10-bit plane."""
    alphas = []
    for layer in drawn.layers[1:]:
        alone = drawn.replace(layers=(drawn.layers[0], layer))
        alphas.append(np.rint(stack_weights(alone, range(drawn.height))[1] * 1023).astype(np.uint16))
    return alphas


class Script:
    """A filter graph of the media library, one thread, and the encoder that it feeds.

    With a ``device`` the inputs, 4:2:0 of ten bits, are decoded on it, and come as two planes that the graph parts.
    """

    def __init__(self, paths: list[Path], masks: list[np.ndarray], out: Path, device: str | None = None) -> None:
        hardware = HWAccel(device, allow_software_fallback=False) if device else None
        self.inputs = [av.open(str(path), hwaccel=hardware) for path in paths]
        streams = [one.streams.video[0] for one in self.inputs]
        for stream in streams:
            stream.thread_count = 1
        height, width = masks[0].shape
        self.graph = av.filter.Graph()
        self.graph.threads = 1
        time_base, form = streams[0].time_base, streams[0].format.name

        def entrance(form: str) -> Any:
            return self.graph.add_buffer(width=width, height=height, format=form, time_base=time_base)

        self.entrances = [entrance("p010le" if device else form) for _ in streams]
        self.sources = [self._planar(one) if device else one for one in self.entrances]
        self.covers = [entrance("yuv420p10le" if device else form) for _ in masks]
        self.veils = []
        for mask in masks:
            small = mask[:: 2 if device or "420" in form else 1, ::2].copy()
            veil = frame_of(Planes(mask, small, small, 10, "bt709", "limited"))
            veil.time_base = time_base
            self.veils.append(veil)
        self.container = av.open(str(out), "w")
        recipe = RECIPES["h264"]
        self.stream = self.container.add_stream(recipe.codec, rate=24, options=dict(recipe.options))
        self.stream.width, self.stream.height, self.stream.pix_fmt = width, height, "yuv420p"
        self.stream.thread_count, self.stream.gop_size = 1, 48

    def _planar(self, source: Any) -> Any:
        node = self.graph.add("format", "pix_fmts=yuv420p10le")
        source.link_to(node)
        return node

    def merged(self, sources: list[Port], covers: list[Port]) -> Port:
        """Lay sources over each other through covers."""
        below = sources[0]
        for source, cover in zip(sources[1:], covers, strict=True):
            node = self.graph.add("maskedmerge")
            for place, (one, port) in enumerate((below, source, cover)):
                one.link_to(node, port, place)
            below = (node, 0)
        return below

    def graded(self, port: Port, cube: Path) -> None:
        """Put what comes out there through a table, to the encoder's form."""
        node, at = port
        for name, options in (("lut3d", f"file={cube}:interp=tetrahedral"), ("format", "pix_fmts=yuv420p"),
                              ("buffersink", None)):  # fmt: skip
            following = self.graph.add(name, options)
            node.link_to(following, at, 0)
            node, at = following, 0
        self.graph.configure()

    def run(self, shares: Shares) -> None:
        """Decode all inputs, filter and encode."""
        for frames in shares.over("decode", zip(*(one.decode(video=0) for one in self.inputs), strict=True)):
            for made in shares.call("between", self._filtered, frames):
                self.container.mux(shares.call("encode", self.stream.encode, made))
        self.container.mux(shares.call("encode", self.stream.encode, None))
        self.container.close()
        for one in self.inputs:
            one.close()

    def _filtered(self, frames: tuple[Any, ...]) -> list[Any]:
        for source, frame in zip(self.entrances, frames, strict=True):
            with contextlib.suppress(av.EOFError):  # nothing more of it is shown
                source.push(frame)
        for cover, veil in zip(self.covers, self.veils, strict=True):
            veil.pts = frames[0].pts
            with contextlib.suppress(av.EOFError):
                cover.push(veil)
        made = []
        while True:
            try:
                made.append(self.graph.pull())
            except (av.BlockingIOError, av.EOFError):
                return made


def by_graph(
    path: Path, masks: list[np.ndarray], cube: Path, out: Path, shares: Shares, device: str | None = None
) -> None:
    """Merge, grade and encode a clip's frames, as so many layers, with the media library's filters."""
    script = Script([path] * LAYERS, masks, out, device)
    script.graded(script.merged([(one, 0) for one in script.sources], [(one, 0) for one in script.covers]), cube)
    script.run(shares)


def by_film_graph(paths: list[Path], masks: list[np.ndarray], cut: tuple[Shot, ...], cube: Path, out: Path) -> None:
    """Make a film of takes by a script: what each shot shows cut out, the wide's merged, one after another, graded."""
    script = Script(paths, masks, out)
    uses: dict[Any, list[Shot]] = {}
    for shot in cut:
        shown = script.sources[:LAYERS] + script.covers if shot.source == WIDE else [script.sources[number_of(shot)]]
        for one in shown:
            uses.setdefault(one, []).append(shot)
    parts: dict[tuple[Any, Shot], Port] = {}
    for one, shots in uses.items():
        split = script.graph.add("split", str(len(shots)))
        one.link_to(split)
        for port, shot in enumerate(shots):
            trim = script.graph.add("trim", f"start_frame={shot.start}:end_frame={shot.end}")
            again = script.graph.add("setpts", "PTS-STARTPTS")
            split.link_to(trim, port, 0)
            trim.link_to(again)
            parts[one, shot] = (again, 0)
    whole = script.graph.add("concat", f"n={len(cut)}")
    for place, shot in enumerate(cut):
        if shot.source == WIDE:
            shown, through = script.sources[:LAYERS], script.covers
            node, port = script.merged([parts[one, shot] for one in shown], [parts[one, shot] for one in through])
        else:
            node, port = parts[script.sources[number_of(shot)], shot]
        node.link_to(whole, port, place)
    script.graded((whole, 0), cube)
    script.run(Shares())


def number_of(shot: Shot) -> int:
    """Return which take a shot of coverage shows."""
    return int(shot.source.removeprefix("take-"))
