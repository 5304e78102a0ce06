"""What the render adds to its floor: seven 3840x2160 10-bit takes merged, graded, encoded; CPU ms a frame.

The floor is decoding the takes that show and encoding the result. Everything is measured in one run, on frames of soft
texture with grain, one thread each, the least of several passes. Sections, all of them unless named:

floor    decode, merge, table, encode, one by one, from HEVC 4:2:2 of 100 Mbit/s and from the quick camera recipe
graph    the same picture as one filter graph of the media library: a chain of masked merges and a tetrahedral table
film     a whole film: the script that decodes every take for the whole song, beside merging and mastering what is shown
layers   fourteen takes beside seven
look     a film whose look, and then whose cut, is changed: what the second render costs beside the first
shown    a film whose wide is on screen two fifths of the time: frames decoded
atlas    nine takes made small and laid side by side, beside decoding them
dask     two workers of a Dask cluster beside one, by the clock: wants a quiet machine with two processors or more
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any

from partsong.film.folder import FilmFolder
from partsong.film.records import WIDE, Clip, Film, Shot
from partsong.media.encode import RECIPES, PictureWriter, Recipe
from partsong.media.join import join
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.render.colour import DEFAULT_CONFIG, display_path, linear_curve
from partsong.render.merge import Form, Merger
from partsong.render.table import apply_table, build_table
from partsong.timebase import Rate
from partsong.watch import silent
from rendering.costs import FRAMES, Shares, cpu_ms, least_shares
from rendering.films import LOOK, camera_second, made_film
from rendering.graph import baked, by_film_graph, by_graph, mask_planes
from rendering.layers import HEIGHT, LAYERS, LOG, WIDTH, grainy, stack

LOOK_S, DASK_S = 8, 32  # of film
CAMERA_HEVC = Recipe(
    "camera-hevc", "libx265", "yuv422p10le", ".mov", 1,
    {"preset": "ultrafast", "x265-params": "bitrate=100000:vbv-maxrate=100000:vbv-bufsize=100000:bframes=0:"
                                           "log-level=none:pools=1:frame-threads=1"},
)  # fmt: skip
CAMERAS = (CAMERA_HEVC, RECIPES["camera"])
SECTIONS = ("floor", "graph", "film", "layers", "look", "shown", "atlas", "dask")


def main() -> None:
    """Print the tables."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("sections", nargs="*", choices=[*SECTIONS, []], help="Which; all otherwise.")
    wanted = options.parse_args().sections or SECTIONS
    with tempfile.TemporaryDirectory() as name:
        for section in wanted:
            print(f"{section}:", flush=True)
            for line in globals()[f"section_{section}"](Path(name)):
                print(f"  {line}", flush=True)


# --- one frame's way ------------------------------------------------------------------------------


def section_floor(folder: Path) -> Iterator[str]:
    """Measure each step of merging and grading seven takes alone."""
    frames = [grainy(seed) for seed in range(FRAMES)]
    curve, form = linear_curve(DEFAULT_CONFIG, "ACEScct"), Form(10, "422", "bt709", "limited")
    merger, kept = Merger(stack(), curve, form, reuses=True), Merger(stack(), curve, form)
    table = build_table(display_path(LOOK, "ACEScct", None), source=LOG, target=(8, "bt709", "limited"))
    merged = [kept.merge(turned(frames, n)) for n in range(FRAMES)]
    graded = [apply_table(frame, table, chroma="420") for frame in merged]
    clips = {kind.name: clip_of(folder / f"{kind.name}.mov", kind, frames) for kind in CAMERAS}
    decode = {kind: LAYERS * cpu_ms(lambda clip=clip: read(*clip)) for kind, clip in clips.items()}
    cost = {
        "merge": cpu_ms(lambda: [merger.merge(turned(frames, n)) for n in range(FRAMES)]),
        "colour table": cpu_ms(lambda: [apply_table(frame, table, chroma="420") for frame in merged]),
        "encode the wide": cpu_ms(lambda: write(folder / "wide.mov", RECIPES["intermediate"], merged)),
        "encode H.264": cpu_ms(lambda: write(folder / "master.mp4", RECIPES["h264"], graded)),
    }
    for kind, ms in decode.items():
        yield f"decode seven takes, {kind:12} {ms:7.1f} ms a frame"
    for what, ms in cost.items():
        yield f"{what:31} {ms:7.1f} ms a frame"
    for kind, ms in decode.items():
        wide, master = ms + cost["encode the wide"], ms + cost["encode H.264"]
        yield f"{kind}: merging into the wide over its floor {(wide + cost['merge']) / wide:.3f}"
        whole = master + cost["merge"] + cost["colour table"]
        yield f"{kind}: merging and grading into H.264 over its floor {whole / master:.3f}"


def section_graph(folder: Path) -> Iterator[str]:
    """Merge, grade and encode the same takes as one filter graph, and by our own way, each as a whole.

    Both run on one thread, so that each call's CPU time can be told to decoding, encoding or what lies between.
    """
    frames = [grainy(seed) for seed in range(FRAMES)]
    curve = linear_curve(DEFAULT_CONFIG, "ACEScct")
    colour = display_path(LOOK, "ACEScct", None)
    cube = baked(folder / "look.cube", colour)
    masks = mask_planes(stack())
    began = time.process_time()
    merger = Merger(stack(), curve, Form(10, "422", "bt709", "limited"), reuses=True)
    table = build_table(colour, source=LOG, target=(8, "bt709", "limited"))
    once = time.process_time() - began
    yield f"made ready once, compiling the stack and building the table: {once:.2f} s"

    def graded(planes: Planes) -> Planes:
        return apply_table(planes, table, chroma="420")

    graded(merger.merge(turned(frames, 0)))  # loads or compiles the kernels
    for kind in CAMERAS:
        path, clip = clip_of(folder / f"{kind.name}.mov", kind, frames)

        def ours(shares: Shares, path: Path = path, clip: Clip = clip) -> None:
            writer = writer_of(folder / "ours.mp4", RECIPES["h264"])
            for layers in shares.over("decode", side_by_side(path, clip, LAYERS)):
                picture = shares.call("between", lambda layers: graded(merger.merge(layers)), layers)
                shares.call("encode", writer.write, picture)
            shares.call("encode", writer.close)

        def theirs(shares: Shares, path: Path = path) -> None:
            by_graph(path, masks, cube, folder / "graph.mp4", shares)

        graph, own = least_shares(theirs), least_shares(ours)
        for what, found in (("graph", graph), ("ours", own)):
            told = ", ".join(f"{name} {ms:.0f}" for name, ms in found.items())
            yield f"{kind.name}: {what:5} {sum(found.values()):.0f} ms a frame: {told}"
        both = own["decode"] + own["encode"]
        yield (
            f"{kind.name}: in all {sum(graph.values()) / sum(own.values()):.2f} times less, "
            f"at most {sum(graph.values()) / both:.2f} with nothing between; "
            f"outside decode and encode {graph['between'] / own['between']:.1f} times less"
        )


def section_film(folder: Path) -> Iterator[str]:
    """Make the H.264 master of half a minute, wide on screen two fifths of the time, by a script's graph and by ours.

    The script is what somebody would write: trims, a chain of masked merges for each shot of the wide, the shots one
    after another, a table. It decodes all takes from end to end; ours decodes what is shown, keeps the wide, and
    decodes the master again to check it. So this compares ways of working, not pixels a frame: that is ``graph``.
    """
    from partsong.render.plan import plan_frames
    from partsong.signoff.steps import make_masters
    from partsong.stage import steps

    size, rate, seconds, coverage = (960, 540), Rate.of(24), 30, 3
    cut = shots_of([150, 111, 90, 81], [83, 97, 108], coverage)
    second_of = [camera_second(folder, rate, size, 400 + number) for number in range(LAYERS + coverage)]
    cube = baked(folder / "look.cube", display_path(LOOK, "ACEScct", None))
    with made_film(folder / "whole", second_of, seconds, rate, size) as store:
        store.change("Cut", lambda film: with_coverage(film, cut))
        film = store.head().film
        paths = [store.folder.locate(take.clip.file) for take in film.takes]
        (plan,) = plan_frames(film, range(1))

        masks = mask_planes(plan.stack)
        for _ in range(2):  # the first time, kernels are loaded or compiled
            shutil.rmtree(store.folder.root / "cache", ignore_errors=True)
            began = time.process_time()
            steps.merge(store, silent(), engine=local_one())
            make_masters(store.folder, film, ("h264",), watch=silent(), engine=local_one())
            own = time.process_time() - began
        began = time.process_time()
        by_film_graph(paths, masks, cut, cube, folder / "film.mp4")
        graph = time.process_time() - began
    frames = sum(shot.end - shot.start for shot in cut)
    yield f"{frames} frames of {size[0]} x {size[1]}, ten takes, each decoded whole by the script: {graph:.1f} s CPU"
    yield f"merged, mastered and checked by ours, decoding what is shown: {own:.1f} s CPU: {graph / own:.2f} times less"


def section_layers(folder: Path) -> Iterator[str]:
    """Merge fourteen takes beside seven into the wide, from reading them to writing it."""
    frames = [grainy(seed) for seed in range(FRAMES)]
    curve = linear_curve(DEFAULT_CONFIG, "ACEScct")
    kind = RECIPES["camera"]
    path, clip = clip_of(folder / f"{kind.name}.mov", kind, frames)
    whole, alone = [], []
    for count in (LAYERS, 2 * LAYERS):
        merger = Merger(stack(count), curve, Form(10, "422", "bt709", "limited"), reuses=True)

        def merged(merger: Merger = merger, count: int = count) -> Iterator[Planes]:
            return (merger.merge(layers) for layers in side_by_side(path, clip, count))

        whole.append(cpu_ms(lambda merged=merged: write(folder / "wide.mov", RECIPES["intermediate"], merged())))
        alone.append(
            cpu_ms(lambda merger=merger, count=count: [merger.merge(turned(frames, n, count)) for n in range(FRAMES)])
        )
    for what, (seven, fourteen) in (("decode, merge, write the wide", whole), ("merge alone", alone)):
        yield f"{what}: of seven {seven:.1f} ms a frame, of fourteen {fourteen:.1f}: {fourteen / seven:.2f} times"


# --- a film ---------------------------------------------------------------------------------------


def section_look(folder: Path) -> Iterator[str]:
    """Merge and master seven 3840x2160 takes of HEVC, change the look, then the cut, and master again."""
    from partsong.signoff.steps import make_masters
    from partsong.stage import steps

    size, rate, seconds = (WIDTH, HEIGHT), Rate.of(24), LOOK_S
    frames = [grainy(seed) for seed in range(FRAMES)]
    second = second_of_grain(folder, CAMERA_HEVC)
    # Compiling the kernels, once a machine, is no part of a first render.
    merger = Merger(stack(), linear_curve(DEFAULT_CONFIG, "ACEScct"), Form(10, "422", "bt709", "limited"))
    table = build_table(display_path(LOOK, "ACEScct", None), source=LOG, target=(8, "bt709", "limited"))
    apply_table(merger.merge(turned(frames, 0)), table, chroma="420")
    with made_film(folder / "shown", [second] * LAYERS, seconds, rate, size) as store:
        store.change("Cut", lambda film: film.replace(cut=(Shot(source=WIDE, start=0, end=seconds * 24),)))
        film = store.head().film

        def mastered(film: Film) -> float:
            began = time.process_time()
            make_masters(store.folder, film, ("h264",), watch=silent(), engine=local_one())
            return time.process_time() - began

        began = time.process_time()
        steps.merge(store, silent(), engine=local_one())
        merged = time.process_time() - began
        first = merged + mastered(film)
        look = mastered(film.replace(look=film.look.replace(exposure_stops=0.5)))
        moved = (Shot(source="take-1", start=0, end=6), Shot(source=WIDE, start=6, end=seconds * 24))
        cut = mastered(film.replace(cut=moved))
    yield f"seven HEVC takes: first render {first:.1f} s CPU for {seconds * 24} frames, of which the merge {merged:.1f}"
    yield f"after a change of look {look:.1f} s CPU: {first / look:.1f} times faster"
    yield f"after a change of cut {cut:.1f} s CPU: {first / cut:.1f} times faster"


def section_shown(folder: Path) -> Iterator[str]:
    """Count what a minute of small pictures decodes: seven takes of the wide, three of coverage, shots of 3 to 6 s."""
    from partsong.signoff.steps import make_masters
    from partsong.stage import steps

    size, rate, seconds, coverage = (320, 180), Rate.of(24), 60, 3
    frames, takes = seconds * 24, LAYERS + coverage
    wide = [83, 97, 121, 71, 103, 101]  # two fifths of the song
    cut = shots_of([150, 111, 137, 97, 143, 109, 117], wide, coverage)
    for gop_s in (1, 0.5):
        here = folder / f"keys-{gop_s}"
        here.mkdir()
        second_of = [camera_second(here, rate, size, 200 + number, gop_s) for number in range(takes)]
        with made_film(here / "counted", second_of, seconds, rate, size) as store:
            store.change("Cut", lambda film: with_coverage(film, cut))
            with decoding_counted(store.folder.root) as count:
                merged = steps.merge(store, silent(), engine=local_one())
                merging = count["takes"]
                make_masters(store.folder, store.head().film, ("h264", "mezzanine"), watch=silent(), engine=local_one())
        yield f"a key frame every {gop_s} s; the wide shows {sum(wide) / frames:.1%}, in {len(wide)} shots"
        share = merging / (frames * LAYERS)
        yield f"  merged {merged.made / frames:.1%}, decoded of seven takes {merging} of {frames * LAYERS}: {share:.1%}"
        share = count["takes"] / (frames * takes)
        yield f"  with both masters, of all ten takes {count['takes']} of {frames * takes}: {share:.1%}"
        yield f"  and {count['made']} frames of the wide and the masters themselves, read back"


def shots_of(gaps: list[int], wide: list[int], coverage: int) -> tuple[Shot, ...]:
    """Return a cut of shots of coverage, ``gaps`` frames long, and of the wide between them."""
    edges = [*accumulate(length for pair in zip(gaps, [*wide, 0], strict=True) for length in pair)][:-1]
    sources = [WIDE if n % 2 else f"take-{LAYERS + n // 2 % coverage}" for n in range(len(edges))]
    return tuple(
        Shot(source=source, start=a, end=b) for source, (a, b) in zip(sources, pairwise([0, *edges]), strict=True)
    )


def with_coverage(film: Film, cut: tuple[Shot, ...]) -> Film:
    """Return a film with a cut whose takes beyond the seventh are coverage, no layers of the wide."""
    order, masks = film.stage.order[:LAYERS], film.stage.masks[: LAYERS - 1]
    return film.replace(cut=cut, stage=film.stage.replace(order=order, masks=masks))


@contextlib.contextmanager
def decoding_counted(film: Path) -> Iterator[dict[str, int]]:
    """Count every frame that a decoder gives, wanted or passed over: of takes, and of what the film's folder holds."""
    from partsong.media import check, picture, seeking

    real, count = seeking.decoded, {"takes": 0, "made": 0}

    def counted(packets: Iterator[Any]) -> Iterator[Any]:
        kind = "takes"

        def noted() -> Iterator[Any]:
            nonlocal kind
            for packet in packets:
                kind = "made" if Path(packet.stream.container.name).is_relative_to(film) else "takes"
                yield packet

        for frame in real(noted()):
            count[kind] += 1
            yield frame

    seeking.decoded = picture.decoded = check.decoded = counted
    try:
        yield count
    finally:
        seeking.decoded = picture.decoded = check.decoded = real


def section_atlas(folder: Path) -> Iterator[str]:
    """Make the atlas of nine takes beside decoding them, from HEVC and from the quick recipe."""
    from partsong.film.coverage import placed_takes
    from partsong.render.atlas import make_atlas

    size, rate, seconds, count = (WIDTH, HEIGHT), Rate.of(24), 2, 9
    for kind in CAMERAS:
        takes = [second_of_grain(folder, kind, number) for number in range(count)]
        with made_film(folder / f"atlas-{kind.name}", takes, seconds, rate, size) as store:
            film = store.head().film
            frames = seconds * 24 * count
            began = time.process_time()
            for placed in placed_takes(film):
                read(store.folder.locate(placed.take.clip.file), placed.take.clip)
            decode = (time.process_time() - began) * 1000 / frames
            began = time.process_time()
            make_atlas(store.folder, film, silent(), local_one())
            made = (time.process_time() - began) * 1000 / frames
        yield f"{kind.name}: decode {decode:.1f} ms a frame of a take, atlas made {made:.1f}: {made / decode:.3f} times"


def section_dask(folder: Path) -> Iterator[str]:
    """Merge and master a film on a Dask cluster of one worker, then of two, by the command line.

    On processors that are busy otherwise only processor time tells: what the client spends alone, and the worker that
    spends most, one after the other, are the least that it can take.
    """
    from rendering.cluster import Workers, partsong

    size, rate, seconds, count = (1920, 1080), Rate.of(24), DASK_S, 5
    second_of = [camera_second(folder, rate, size, 300 + number) for number in range(count)]
    took, least_s = [], []
    for workers in (1, 2):
        with made_film(folder / f"workers-{workers}", second_of, seconds, rate, size, cut=True) as store:
            film = store.folder.root
        cluster = Workers(workers)
        try:
            for again in (False, True):  # the first time, workers load and compile what they need
                began, before, client = time.monotonic(), cluster.spent_s(), os.times()
                for command in ("stage merge", "signoff master"):
                    words = partsong(*command.split(), str(film), "--cluster", cluster.address)
                    subprocess.run(words, check=True, capture_output=True)
                if not again:
                    shutil.rmtree(film / "cache")
            took.append(time.monotonic() - began)
            now, after = os.times(), cluster.spent_s()
        finally:
            cluster.close()
        alone = now.children_user + now.children_system - client.children_user - client.children_system
        each = [late - early for early, late in zip(before[1], after[1], strict=True)]
        least_s.append(alone + max(each))
        told = ", ".join(f"{spent:.1f}" for spent in each)
        yield f"CPU s of the client {alone:.1f}, the scheduler {after[0] - before[0]:.1f}, {workers} workers {told}"
    yield f"one worker {took[0]:.1f} s, two {took[1]:.1f}: {took[0] / took[1]:.2f} times faster by the clock"
    yield f"client and busiest worker {least_s[0]:.1f} and {least_s[1]:.1f} CPU s: {least_s[0] / least_s[1]:.2f} times"


# --- ways and means -------------------------------------------------------------------------------


def local_one() -> object:
    """Return the engine that works in this process, whose time we take."""
    from partsong.engine.local import Local

    return Local(1)


def turned(frames: list[Planes], n: int, count: int = LAYERS) -> list[Planes]:
    """Return another frame for each layer."""
    return [frames[(n + k) % len(frames)] for k in range(count)]


def clip_of(path: Path, recipe: Recipe, frames: list[Planes]) -> tuple[Path, Clip]:
    """Write frames as a camera would, unless that was done, and return the path and what is in it."""
    if not path.is_file():
        write(path, recipe, frames)
    return path, probe(path, FilmFolder(path.parent / "film").refer(path))


def second_of_grain(folder: Path, kind: Recipe, first: int = 0) -> Path:
    """Return a second of grainy film as a camera would write it, another one for each ``first`` seed."""
    frames = [grainy(seed) for seed in range(first, first + FRAMES)]
    third, _ = clip_of(folder / f"{kind.name}-{first}.mov", kind, frames)
    second = folder / f"second-{kind.name}-{first}.mov"
    join([third] * (24 // FRAMES), second, sound=None)
    return second


def side_by_side(path: Path, clip: Clip, count: int) -> Iterator[tuple[Planes, ...]]:
    """Yield the frames of so many readers of a clip, one thread each, as a merge reads its takes."""
    assert clip.picture is not None
    with contextlib.ExitStack() as opened:
        readers = [opened.enter_context(open_picture(path, clip.picture, threads=1)) for _ in range(count)]
        yield from zip(*(reader.read(range(FRAMES)) for reader in readers), strict=True)


def exhaust(items: Iterator[object]) -> None:
    """Take everything and keep nothing."""
    for _ in items:
        pass


def read(path: Path, clip: Clip) -> None:
    """Decode every frame of a clip on one thread."""
    assert clip.picture is not None
    with open_picture(path, clip.picture, threads=1) as reader:
        for _ in reader.read(range(clip.picture.frames)):
            pass


def writer_of(path: Path, recipe: Recipe) -> PictureWriter:
    """Return an encoder with one thread."""
    return PictureWriter(path, recipe, width=WIDTH, height=HEIGHT, rate=Rate.of(24), threads=1)


def write(path: Path, recipe: Recipe, frames: list[Planes] | Iterator[Planes]) -> None:
    """Encode frames by a recipe with one thread."""
    with writer_of(path, recipe) as writer:
        for frame in frames:
            writer.write(frame)


if __name__ == "__main__":
    main()
