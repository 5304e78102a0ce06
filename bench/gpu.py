"""Merging and decoding on a graphics processor, beside the processor's own work in the same run.

Merging: seven 3840x2160 10-bit layers. Decoding: clips of several kinds, through the reader that merging uses, on the
hardware that gives the same codes. Then the whole way from takes to H.264 beside a filter graph of the media library.
``--software`` takes an adapter that is only a program: it shows that the bench runs, and its times mean nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder
from partsong.media.convert import converted
from partsong.media.encode import RECIPES, PictureWriter, Recipe
from partsong.media.hardware import agreed, difference
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.render import pixels
from partsong.render.colour import display_path
from partsong.render.gpu import GpuMerger, device
from partsong.render.merge import Form, Merger, stack_weights
from partsong.render.table import apply_table, build_table
from partsong.timebase import Rate
from rendering.costs import Shares, least_shares
from rendering.films import LOOK
from rendering.graph import baked, by_graph, mask_planes
from rendering.layers import HEIGHT, LAYERS, LOG, WIDTH, grainy, stack

FRAMES, PASSES = 24, 5
DECODED = 48
H265 = "log-level=none:bframes=3:bitrate=100000:vbv-maxrate=100000:vbv-bufsize=100000"
CAMERAS = (
    Recipe("hevc-420", "libx265", "yuv420p10le", ".mov", 1, {"preset": "ultrafast", "x265-params": H265}),
    Recipe("hevc-422", "libx265", "yuv422p10le", ".mov", 1, {"preset": "ultrafast", "x265-params": H265}),
    Recipe("h264-420", "libx264", "yuv420p", ".mov", 1, {"preset": "ultrafast", "b": "100M", "bf": "2"}),
)
CODE = np.linspace(0, 1, 4096)
CURVE = np.where(  # Academy S-2016-001, ACEScct
    CODE > 0.155251141552511, 2 ** (CODE * 17.52 - 9.72), (CODE - 0.0729055341958355) / 10.5402377416545
)
FORM = Form(10, "422", "bt709", "limited")


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--software", action="store_true")
    software = parser.parse_args().software
    decoding()
    scripted()
    try:
        merging(software)
    except InvalidInput as problem:
        print(problem)


def decoding() -> None:
    """Print where each kind of clip is decoded, and what it costs there and in software."""
    frames = [grainy(seed) for seed in range(6)]
    with tempfile.TemporaryDirectory() as name:
        for recipe in CAMERAS:
            path = Path(name) / f"{recipe.name}.mov"
            with PictureWriter(path, recipe, width=WIDTH, height=HEIGHT, rate=Rate.of(24)) as writer:
                for n in range(DECODED):
                    frame = frames[n % len(frames)]
                    writer.write(converted(frame, bit_depth=recipe.bit_depth, chroma=recipe.chroma))
            picture = probe(path, FilmFolder(Path(name) / "film").refer(path)).picture
            assert picture is not None
            found = agreed(path, picture)
            print(found.sentence)
            for device in dict.fromkeys((None, found.device)):
                cpu, wall = time.process_time(), time.perf_counter()
                with open_picture(path, picture, threads=1, device=device) as reader:
                    for _ in reader.read(range(DECODED)):
                        pass
                cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
                print(f"  {device or 'software':9} {1000 * cpu / DECODED:7.1f} ms of CPU a frame, "
                      f"{1000 * wall / DECODED:6.1f} ms wall")  # fmt: skip
            if found.device:
                with (
                    open_picture(path, picture, threads=1) as ours,
                    open_picture(path, picture, threads=1, device=found.device) as theirs,
                ):
                    pairs = zip(ours.read(range(DECODED)), theirs.read(range(DECODED)), strict=True)
                    print(f"  worst difference over all frames: {max(difference(*pair) for pair in pairs)} codes")


def scripted() -> None:
    """Print what a frame costs from seven decoded takes to H.264, by ours and by a filter graph of the media library.

    Both decode on the hardware where it gives the same codes, and on one thread where there is none.
    """
    look = display_path(LOOK, "ACEScct", None)
    merger = Merger(stack(), CURVE, Form(10, "420", "bt709", "limited"), reuses=True)
    table = build_table(look, source=LOG, target=(8, "bt709", "limited"))
    frames = [converted(grainy(seed), chroma="420") for seed in range(6)]
    with tempfile.TemporaryDirectory() as name:
        here = Path(name)
        path, cube, masks = here / "clip.mov", baked(here / "look.cube", look), mask_planes(stack())
        with PictureWriter(path, CAMERAS[0], width=WIDTH, height=HEIGHT, rate=Rate.of(24)) as writer:
            for n in range(FRAMES):
                writer.write(frames[n % len(frames)])
        picture = probe(path, FilmFolder(here / "film").refer(path)).picture
        assert picture is not None
        where = agreed(path, picture).device

        def read() -> Iterator[tuple[Planes, ...]]:
            with contextlib.ExitStack() as opened:
                readers = [opened.enter_context(open_picture(path, picture, threads=1, device=where))
                           for _ in range(LAYERS)]  # fmt: skip
                yield from zip(*(reader.read(range(FRAMES)) for reader in readers), strict=True)

        def graded(layers: tuple[Planes, ...]) -> Planes:
            return apply_table(merger.merge(layers), table, chroma="420")

        def ours(shares: Shares) -> None:
            writer = PictureWriter(
                here / "ours.mp4", RECIPES["h264"], width=WIDTH, height=HEIGHT, rate=Rate.of(24), threads=1
            )
            for layers in shares.over("decode", read()):
                shares.call("encode", writer.write, shares.call("between", graded, layers))
            shares.call("encode", writer.close)

        graded(next(read()))  # loads or compiles the kernels
        own = least_shares(ours, FRAMES)
        graph = least_shares(lambda shares: by_graph(path, masks, cube, here / "graph.mp4", shares, where), FRAMES)
    print(f"seven takes into H.264, decoded {f'on {where}' if where else 'in software'}:")
    for what, found in (("graph", graph), ("ours", own)):
        told = ", ".join(f"{part} {ms:.0f}" for part, ms in found.items())
        print(f"  {what:5} {sum(found.values()):6.0f} ms of CPU a frame: {told}")
    print(f"  in all {sum(graph.values()) / sum(own.values()):.2f} times less, "
          f"outside decode and encode {graph['between'] / own['between']:.1f} times")  # fmt: skip


def merging(software: bool) -> None:
    """Print what merging costs."""
    info = device(software).adapter.info
    count = 1 if software else FRAMES
    print(f"{info['device']}, {info['backend_type']}")
    frames = [grainy(seed) for seed in range(LAYERS)]
    turns = [[frames[(n + k) % LAYERS] for k in range(LAYERS)] for n in range(LAYERS)]
    here, there = Merger(stack(), CURVE, FORM), GpuMerger(stack(), CURVE, FORM, software=software)
    ours, theirs = there.merge(turns[0]), here.merge(turns[0])
    wanted = definition(turns[0])
    for name, got in (("graphics", ours), ("processor", theirs)):
        worst = max(int(np.abs(getattr(got, p).astype(int) - getattr(wanted, p)).max()) for p in ("y", "u", "v"))
        print(f"{name:10} worst difference from the definition: {worst} of 1023 codes")

    def kernel() -> None:
        for _ in range(count):
            there.run()
        there.received()

    def only_received() -> None:
        there.received()

    def whole() -> None:
        for n in range(count):
            there.merge(turns[n % LAYERS])

    def processor() -> None:
        for n in range(count):
            here.merge(turns[n % LAYERS])

    back = wall_ms(only_received)
    print(f"kernel alone {(wall_ms(kernel) - back) / count:8.3f} ms a frame")
    print(f"reading back {back:8.2f} ms a frame")
    print(f"whole frame  {wall_ms(whole) / count:8.2f} ms a frame: layers sent, merged, read back, one after another")
    print(f"processor    {wall_ms(processor) / count:8.2f} ms a frame, one core")
    sent = sum(plane.nbytes for frame in turns[0] for plane in (frame.y, frame.u, frame.v))
    print(f"copying the same {sent / 1e6:.0f} MB in memory: {wall_ms(lambda: copied(turns[0])):.2f} ms")


def definition(layers: list[Planes]) -> Planes:
    """Return the frame as the definition has it, in double precision, band by band to save memory."""
    bands = []
    for top in range(0, HEIGHT, 120):
        rows = range(top, top + 120)
        cut = [Planes(a.y[top : top + 120], a.u[top : top + 120], a.v[top : top + 120], 10, "bt709", "limited")
               for a in layers]  # fmt: skip
        bands.append(pixels.merged(cut, stack_weights(stack(), rows), CURVE))
    y, u, v = (np.concatenate([getattr(band, plane) for band in bands]) for plane in ("y", "u", "v"))
    return Planes(y, u, v, 10, "bt709", "limited")


def copied(layers: list[Planes]) -> None:
    """Copy every plane."""
    for layer in layers:
        for plane in (layer.y, layer.u, layer.v):
            plane.copy()


def wall_ms(work: Callable[[], object]) -> float:
    """Return the median wall time of some passes after a first one that warms up."""
    work()
    times = []
    for _ in range(PASSES):
        began = time.perf_counter()
        work()
        times.append(1000 * (time.perf_counter() - began))
    return statistics.median(times)


if __name__ == "__main__":
    main()
