"""How much masks' edges show, and whether crossings are found, on scenes whose truth is known.

Edges. Takes of a scene are proposed masks from what the camera recorded; the step along each mask's own edge
(:func:`partsong.stage.boundary.edge_step`) is then measured on the *true* empty rooms, which the proposal never sees.
Beside the proposed ovals and the bent edges stands what one lays without looking: ovals of one size, that of the
proposal's (the means of the logarithms of its radii), at even distances across the frame and half way up it.

Crossings. Every take is watched for half a minute in which its player leans over, or walks, some times, and for another
in which he does not. Truth is the share of the player, and of his shadow by the light it takes, that the take's weight
hides, by the generator; and of that, what is beyond the take's own median, since what is always hidden is no event. A
stretch truly crosses where over 5 % more of the player, or 10 % more of the shadow, is hidden for a third of a second
or longer. A listed stretch is false where neither changes by 1 %; between the two it is small, and counted apart.

Thresholds were set on seeds 11 to 16; the default run uses none of them.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.records import Oval, Shape
from partsong.render import pixels
from partsong.stage.boundary import alphas_of, edge_step, scaled, steps_of
from partsong.stage.crossings import LOOKS_A_SECOND, Crossing, Moving, find_crossings, grain_of, moving_in
from partsong.stage.motion import look_at
from partsong.stage.propose import FEATHER_SHARE, propose_masks
from partsong.stage.visibility import plain_display

from .scenes import FPS, Lean, Scene, scene_setting, with_take

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from partsong.media.planes import Planes

WIDTH, HEIGHT = 480, 270
SMALL = (320, 180)
TRULY, TRULY_SHADOW, HARDLY = 0.05, 0.10, 0.01
_LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
_CODE = np.linspace(0, 1, 4096)
# Academy S-2016-001, ACEScct: what the scenes are encoded in.
CURVE = np.where(
    _CODE > 0.155251141552511, 2 ** (_CODE * 17.52 - 9.72), (_CODE - 0.0729055341958355) / 10.5402377416545
)


def _luma(planes: Planes) -> NDArray[np.float32]:
    return ((planes.y - np.float32(64)) / np.float32(876)).astype(np.float32)


@dataclass(frozen=True)
class Staged:
    """A scene with proposed masks, all bottom first: takes by number, ovals, bent edges; and the soft edges' width."""

    scene: Scene
    order: tuple[int, ...]
    ovals: tuple[Shape, ...]
    curves: tuple[Shape, ...]
    feather_px: float


def staged(seed: int, parts: int) -> Staged:
    """Propose masks for a scene from twenty frames of each take."""
    scene = Scene(scene_setting(seed=seed, width=WIDTH, height=HEIGHT, parts=parts, oversample=1))
    seen = [look_at(_luma(scene.planes(take, frame)) for frame in range(0, 400, 20)) for take in range(parts)]
    lights = [pixels.to_linear(one.still, CURVE).astype(np.float32) for one in seen]
    feather = FEATHER_SHARE * WIDTH
    found = [
        propose_masks(
            lights, [one.motion for one in seen], [None] * parts, [feather] * parts,
            names=[str(take) for take in range(parts)], reference=0, bent=bent,
        )
        for bent in (False, True)
    ]  # fmt: skip
    order = found[0].order
    ovals, curves = (tuple(one.shapes[take] for take in order) for one in found)
    return Staged(scene, order, ovals, curves, feather)


def evenly(stage: Staged) -> tuple[Shape, ...]:
    """Return ovals at even distances, all of the proposal's mean size."""
    drawn = [oval for oval in stage.ovals[1:] if isinstance(oval, Oval)]
    rx, ry = (float(np.exp(np.mean([np.log(getattr(oval, name)) for oval in drawn]))) for name in ("rx", "ry"))
    count = len(stage.order)
    return tuple(Oval(x=(take + 0.5) / count * WIDTH, y=HEIGHT / 2, rx=rx, ry=ry) for take in stage.order)


def steps_along(stage: Staged, shapes: tuple[Shape, ...]) -> float:
    """Return the mean step along the masks' own edges, on the true rooms with nobody in them."""
    rooms = [stage.scene.empty(take) @ _LUMA for take in stage.order]
    alphas = alphas_of([None, *shapes[1:]], [stage.feather_px] * len(shapes), (HEIGHT, WIDTH))
    numbers = range(1, len(shapes))
    return float(np.mean([edge_step(steps_of(rooms, alphas, n), shapes[n], stage.feather_px) for n in numbers]))


# --- crossings ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Watched:
    """A take watched: what was listed, and per look the truth (player, shadow) as a change from what is usual."""

    listed: list[Crossing]
    truth: NDArray[np.float64]
    every: int
    frames: int


def watch(stage: Staged, take: int, leans: tuple[Lean, ...], frames: int) -> Watched:
    """Watch one take, as the step of stage does: six looks a second at 320 pixels.

    The camera itself is that small here, so its grain is not averaged away as that of a large frame would be.
    """
    small = replace(stage.scene.setting, width=SMALL[0], height=SMALL[1])
    scene = Scene(with_take(small, take, leans=leans))
    every = round(FPS / LOOKS_A_SECOND)
    scale = SMALL[0] / WIDTH
    shapes = [None, *(scaled(shape, scale) for shape in stage.ovals[1:])]
    alphas = alphas_of(shapes, [stage.feather_px * scale] * len(shapes), (SMALL[1], SMALL[0]))
    weights = pixels.layer_weights(alphas)
    rank = stage.order.index(take)

    def shown(frame: int) -> NDArray[np.float32]:
        light = pixels.to_linear(_luma(scene.planes(take, frame)), CURVE)
        return plain_display(light).astype(np.float32)

    some = [shown(int(frame)) for frame in np.linspace(0, frames - 1, 24)]
    still = np.median(some, axis=0).astype(np.float32)
    grain = grain_of(some, still)
    at = range(0, frames, every)
    looks = ((Moving(frame, moving_in(shown(frame), still, grain)), weights) for frame in at)
    names = [str(number) for number in stage.order]
    listed = find_crossings(str(take), names, looks, every=every, rate_hz=FPS)
    truth = np.array([scene.crossing(take, frame, weights[rank]) for frame in at])
    return Watched(listed, truth - np.median(truth, axis=0), every, frames)


def leans_of(seed: int, take: int, frames: int) -> tuple[Lean, ...]:
    """Draw leans by lot: to either side, 0.15 to 0.8 m, 0.5 to 2.5 s, some of them walks."""
    rng = np.random.default_rng([seed, take, 77])
    leans = []
    start = int(rng.integers(30, 70))
    while start + 90 < frames:
        length = int(rng.integers(13, 63))
        shift = float(rng.choice([-1, 1]) * rng.uniform(0.15, 0.8))
        leans.append(Lean(start, start + length, shift, bool(rng.random() < 0.3)))
        start += length + int(rng.integers(60, 120))
    return tuple(leans)


def stretches_of(on: NDArray[np.bool_], every: int) -> list[tuple[int, int]]:
    """Return runs of looks as song frames (start, end), those of a third of a second or longer."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    runs = [(int(a) * every, int(b) * every) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [run for run in runs if run[1] - run[0] >= FPS / 3]


@dataclass(frozen=True)
class Judged:
    """Of one take: stretches that truly cross, and how many of them are listed; how many are listed, and false."""

    players: int
    players_listed: int
    shadows: int
    shadows_listed: int
    false: int
    small: int
    listed: int


def judged(watched: Watched) -> Judged:
    """Hold what was listed against the truth."""
    every = watched.every
    counts = []
    for part, least in ((0, TRULY), (1, TRULY_SHADOW)):
        true = stretches_of(watched.truth[:, part] > least, every)
        meets = [any(one.start < end and start < one.end for one in watched.listed) for start, end in true]
        counts += [len(true), sum(meets)]
    false = small = 0
    for one in watched.listed:
        looks = np.abs(watched.truth[max(0, one.start // every - 1) : one.end // every + 1]).max(axis=0)
        false += bool(looks.max() < HARDLY)
        small += bool(looks.max() >= HARDLY and looks[0] < TRULY and looks[1] < TRULY_SHADOW)
    return Judged(*counts, false, small, len(watched.listed))


def report_seams(first: int = 2000, *, few: bool = False) -> None:
    """Measure and print: edges on eight scenes (four if few), crossings on the first three (one) of them."""
    seeds = range(first, first + (4 if few else 8))
    crossing_scenes, seconds = (1, 24) if few else (3, 30)
    report(seeds, crossing_scenes, seconds)


def report(seeds: Iterable[int], crossing_scenes: int, seconds: int) -> None:
    """Measure and print, on scenes of these seeds."""
    began = time.process_time()
    rows = []
    print("\nEdges: mean step along the masks' own edges on the true rooms, in per cent of display code")
    print("seed  parts  evenly spaced   proposed ovals   bent edges")
    stages = []
    for number, seed in enumerate(seeds):
        stage = staged(seed, 3 + number % 2)
        stages.append(stage)
        row = [steps_along(stage, shapes) for shapes in (evenly(stage), stage.ovals, stage.curves)]
        rows.append(row)
        print(f"{seed}  {len(stage.order):5d}  {100 * row[0]:13.2f}  {100 * row[1]:14.2f}  {100 * row[2]:11.2f}")
    even, oval, bent = np.mean(rows, axis=0)
    print(f"mean         {100 * even:13.2f}  {100 * oval:14.2f}  {100 * bent:11.2f}")
    print(f"proposed ovals lie {100 * (1 - oval / even):.0f} % below evenly spaced ones (wanted: 40)")
    print(f"bent edges lie {100 * (1 - bent / oval):.0f} % below the ovals (wanted: lower)")

    print("\nCrossings: takes whose players lean and walk, and takes in which nobody does")
    frames = round(seconds * FPS)
    leaning, quiet = [], []
    for stage in stages[:crossing_scenes]:
        for take in stage.order:
            leans = leans_of(stage.scene.setting.seed, take, frames)
            leaning.append(judged(watch(stage, take, leans, frames)))
            quiet.append(judged(watch(stage, take, (), frames)))
    both = leaning + quiet
    for what in ("players", "shadows"):
        true, listed = (sum(getattr(one, what + end) for one in both) for end in ("", "_listed"))
        share = 100 * listed / max(true, 1)
        print(f"{what}: {true} truly crossing stretches, {listed} listed ({share:.0f} %, wanted: 95)")
    false, listed = sum(one.false for one in both), sum(one.listed for one in both)
    small = sum(one.small for one in both)
    takes = len(both) * seconds / 240
    print(
        f"{listed} stretches listed in {len(both) * seconds} s, {sum(one.listed for one in quiet)} where nobody leans"
    )
    print(f"{small} of them small: more than {100 * HARDLY:.0f} % of player or shadow, less than what truly crosses")
    print(f"{false} of them false: {false / takes:.2f} a four-minute take (wanted: 1 at most)")
    print(f"{time.process_time() - began:.0f} s of CPU")
