"""What the render adds to its floor: seven 3840x2160 10-bit takes merged, graded, encoded; CPU ms a frame.

The floor is decoding the takes that show and encoding the result. Everything is measured in one run, on frames of soft
texture with grain, one thread each, the least of several passes.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from partsong.film.folder import FilmFolder
from partsong.film.records import Look
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.render.colour import DEFAULT_CONFIG, display_path, linear_curve
from partsong.render.merge import Form, Merger
from partsong.render.table import apply_table, build_table
from partsong.timebase import Rate
from rendering.layers import HEIGHT, LAYERS, LOG, WIDTH, grainy, stack

FRAMES, PASSES = 8, 3
LOOK = Look(config=DEFAULT_CONFIG, display="Rec.1886 Rec.709 - Display", view="ACES 1.0 - SDR Video")


def main() -> None:
    """Print the table."""
    frames = [grainy(seed) for seed in range(FRAMES)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        camera = folder / "take.mov"
        write(camera, "camera", frames)
        clip = probe(camera, FilmFolder(folder / "film").refer(camera))
        assert clip.picture is not None

        def decode() -> None:
            with open_picture(camera, clip.picture, threads=1) as reader:
                for _ in reader.read(range(FRAMES)):
                    pass

        merger = Merger(stack(), linear_curve(DEFAULT_CONFIG, "ACEScct"), Form(10, "422", "bt709", "limited"))
        table = build_table(display_path(LOOK, "ACEScct", None), source=LOG, target=(8, "bt709", "limited"))
        merged = [merger.merge([frames[(n + k) % FRAMES] for k in range(LAYERS)]) for n in range(FRAMES)]
        graded = [apply_table(frame, table, chroma="420") for frame in merged]
        cost = {
            "decode seven takes": LAYERS * cpu_ms(decode),
            "merge": cpu_ms(
                lambda: [merger.merge([frames[(n + k) % FRAMES] for k in range(LAYERS)]) for n in range(FRAMES)]
            ),
            "encode the wide": cpu_ms(lambda: write(folder / "wide.mov", "intermediate", merged)),
            "colour table": cpu_ms(lambda: [apply_table(frame, table, chroma="420") for frame in merged]),
            "encode H.264": cpu_ms(lambda: write(folder / "master.mp4", "h264", graded)),
        }
    for what, ms in cost.items():
        print(f"{what:20} {ms:7.1f} ms a frame")
    floor = cost["decode seven takes"] + cost["encode H.264"]
    added = cost["merge"] + cost["colour table"]
    print(f"merge and table over the floor of decoding and encoding: {(floor + added) / floor:.3f}")


def cpu_ms(work: Callable[[], object]) -> float:
    """Return the least CPU time of a pass, in milliseconds a frame."""
    least = float("inf")
    for _ in range(PASSES):
        began = time.process_time()
        work()
        least = min(least, time.process_time() - began)
    return least * 1000 / FRAMES


def write(path: Path, recipe: str, frames: list[Planes]) -> None:
    """Encode frames by a recipe with one thread."""
    with PictureWriter(path, RECIPES[recipe], width=WIDTH, height=HEIGHT, rate=Rate.of(24), threads=1) as writer:
        for frame in frames:
            writer.write(frame)


if __name__ == "__main__":
    main()
