"""Shoot: how many faults of a take are found, how many are made up, what a verdict costs; offload against its floor.

``./start bench shoot`` runs all of it; ``--only pictures``, ``large``, ``outlines``, ``props``, ``files``, ``repeats``,
``facts``, ``plates``, ``live``, ``cost``, ``offload`` or ``kills`` a part, ``--few`` less of it. Scenes are those of
``bench/staging/scenes.py``; thresholds were tuned on seeds 0 to 20, the default run draws from 2000 on. CPU is user
plus system, of this process and its children.

``--only real --clip FILE`` lays faults into real footage of a camera that stood still. No such footage is kept here; a
street with people on it comes with Debian's package of OpenCV's examples:
``apt-get download opencv-doc && dpkg-deb -x opencv-doc_*.deb there``, then
``there/usr/share/doc/opencv-doc/examples/data/vtest.avi`` (``docs/sources.md``).
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np

from partsong.demo import camera as demo_camera
from partsong.film.folder import FilmFolder
from partsong.film.records import Film, Part, Pose, PoseKey
from partsong.film.store import FilmStore
from partsong.media.convert import converted, encoded_rgb, resized
from partsong.media.cues import cue_sound
from partsong.media.encode import RECIPES, PictureWriter, Recipe
from partsong.media.join import join
from partsong.media.packets import packets_of
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.sound import write_wav
from partsong.media.soundtrack import SoundTrack
from partsong.render.registration import laid
from partsong.shoot import again, begin, camera, check, copying, judge, live, order, props, steps
from partsong.shoot.offload import Copy, offload
from partsong.shoot.sight import Looker, Sight, changes_of, reduced
from partsong.timebase import Rate
from partsong.watch import silent
from shooting.props import moved_props, outlines
from staging.scenes import Banding, Scene, SceneSetting, scene_setting, with_take

WIDTH, HEIGHT, FPS, FRAMES = 480, 270, 25.0, 2400
SPREAD = tuple(range(60, FRAMES, 160))
RUNS = (range(300, 314),)


def main() -> None:
    """Print the parts asked for."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument(
        "--only",
        choices=(
            "pictures",
            "large",
            "outlines",
            "props",
            "files",
            "repeats",
            "facts",
            "plates",
            "live",
            "real",
            "cost",
            "offload",
            "kills",
        ),
    )
    options.add_argument("--few", action="store_true")
    options.add_argument("--clip", type=Path)
    options.add_argument("--seed", type=int, default=2000)
    given = options.parse_args()
    parts: dict[str, Callable[[], None]] = {
        "pictures": lambda: pictures(given.seed, 2 if given.few else 5),
        "large": lambda: large(given.seed, 1 if given.few else 2),
        "outlines": lambda: outlines(given.seed, 1 if given.few else 4),
        "props": lambda: moved_props(given.seed, 2 if given.few else 10),
        "files": lambda: files(given.seed, 3 if given.few else 8),
        "repeats": lambda: repeats(given.seed, 1 if given.few else 5),
        "facts": lambda: facts(given.seed, 1 if given.few else 3),
        "plates": lambda: plates(given.seed, 2 if given.few else 8),
        "live": lambda: live_frames(given.seed, 1 if given.few else 4),
        "cost": lambda: cost(20 if given.few else 240),
        "offload": lambda: offloading(64 if given.few else 512, 3 if given.few else 5),
        "kills": lambda: kills(given.seed, 5 if given.few else 20),
    }
    if given.clip is not None:
        parts["real"] = lambda: real(given.clip, given.seed, 2 if given.few else 10)
    elif given.only == "real":
        options.error("--only real needs --clip FILE: the docstring says where to get one")
    for name, part in parts.items():
        if given.only in (None, name):
            print(f"--- {name}", flush=True)
            part()


def cpu_s() -> float:
    """Return the CPU seconds of this process and its children so far."""
    return sum(
        usage.ru_utime + usage.ru_stime
        for usage in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


# --- faults of pictures ---------------------------------------------------------------------------


def seen(planes_at: Callable[[int], Planes], size: tuple[int, int] = (WIDTH, HEIGHT)) -> Sight:
    """Sum up a made take as the check does it with a file."""
    looker = Looker(together=max(5, len(SPREAD) // 3))
    for frame in SPREAD:
        looker.add(frame, planes_at(frame))
    for run in RUNS:
        looker.add_run(run.start, [planes_at(frame) for frame in run])

    def look(frames: Sequence[int]) -> list[np.ndarray]:
        return [reduced(planes_at(frame)) for frame in frames]

    knocks, sag, steady = camera.followed(looker, look, size=size, frames=FRAMES, rate_hz=FPS)
    return looker.sight(steady=steady, knocks=knocks, sag_px=sag)


def judged(sight: Sight, reference: Sight, same_light: Sequence[Sight] = ()) -> list[judge.Remark]:
    """Return all that is said of a picture."""
    remarks = camera.of_camera(sight, reference, "reference", FPS, [])
    said, _ = judge.of_picture(sight, reference, same_light, FPS)
    return remarks + [one for one in said if not (len(sight.knocks) and one.kind == "light changed")]


def cases(
    base: SceneSetting, rng: np.random.Generator
) -> Iterator[tuple[str, str | None, Callable[[int], Planes], object]]:
    """Yield (case, kind that must be found, frames, truth); a third of them are clean."""
    sign = lambda: float(rng.choice([-1, 1]))  # noqa: E731
    for take in (1, 2, 1, 2):
        scene = Scene(with_take(base, take, noise=float(rng.uniform(0.7, 1.4))))
        yield "clean", None, (lambda frame, scene=scene, take=take: scene.planes(take, frame)), None

    def changed(**how: object) -> Callable[[int], Planes]:
        scene = Scene(with_take(base, 1, **how))
        return lambda frame: scene.planes(1, frame)

    size, way = float(rng.choice([0.15, 0.4, 1.5])), float(rng.uniform(0, 2 * np.pi))
    moved = Pose(dx_px=size * float(np.cos(way)), dy_px=size * float(np.sin(way)))
    yield "camera moved", "camera moved", changed(poses=(PoseKey(frame=0, pose=moved),)), size
    frame = int(rng.integers(500, 1900))
    size = float(rng.choice([0.15, 0.5, 2.0]))
    bumped = Pose(dx_px=size * float(np.cos(way)), dy_px=size * float(np.sin(way)))
    keys = (PoseKey(frame=frame - 1, pose=Pose()), PoseKey(frame=frame, pose=bumped))
    yield "camera knocked", "camera knocked", changed(poses=keys), frame
    yield "focus", "focus", changed(defocus_px=float(rng.uniform(0.6, 1.5))), None
    by = 1 + sign() * float(rng.uniform(0.08, 0.15))
    yield "white balance", "white balance", changed(white=(by, 1.0, 1 / by)), None
    depth, readout = float(rng.uniform(0.04, 0.12)), float(rng.uniform(1 / 100, 1 / 50))
    yield "moving bands", "moving bands", changed(banding=Banding(60.0, depth, readout)), None
    yield "standing bands", "standing bands", changed(banding=Banding(50.015, depth, readout)), None
    # What clips three percent of this take's own picture.
    top = float(np.quantile(Scene(base).light(1, 400).min(axis=-1), 0.97))
    yield "clipped highlights", "clipped highlights", changed(ceiling=top), None
    part = base.parts[1]
    knocked = replace(part, aim=(part.aim[0] + sign() * float(rng.uniform(0.2, 0.5)), *part.aim[1:]))
    before, after = Scene(base), Scene(replace(base, parts=(base.parts[0], knocked, *base.parts[2:])))
    at = int(rng.integers(700, 1700))
    yield "knocked light", "light changed", (lambda n: (before if n < at else after).planes(1, n)), at
    # The least that must be found.
    yield "clean", None, changed(noise=float(rng.uniform(0.7, 1.4))), None
    way, frame = float(rng.uniform(0, 2 * np.pi)), int(rng.integers(500, 1900))
    least = Pose(dx_px=0.15 * float(np.cos(way)), dy_px=0.15 * float(np.sin(way)))
    yield "camera moved 0.15 px", "camera moved", changed(poses=(PoseKey(frame=0, pose=least),)), 0.15
    keys = (PoseKey(frame=frame - 1, pose=Pose()), PoseKey(frame=frame, pose=least))
    yield "camera knocked 0.15 px", "camera knocked", changed(poses=keys), frame


def pictures(seed: int, count: int) -> None:
    """Count faults found and made up over generated takes, each held to a reference in another light."""
    made, found, extra, alarms = Counter[str](), Counter[str](), Counter[str](), Counter[str]()
    late: list[int] = []
    in_time: list[bool] = []
    sizes: list[float] = []
    spent = cpu_s()
    for number in range(seed, seed + count):
        base = scene_setting(number, width=WIDTH, height=HEIGHT, parts=3, oversample=1)
        rng = np.random.default_rng([number, 7])
        scene = Scene(base)
        reference = seen(lambda frame, scene=scene: scene.planes(0, frame))
        for name, kind, planes_at, truth in cases(base, rng):
            sight = seen(planes_at)
            remarks = judged(sight, reference)
            kinds = [remark.kind for remark in remarks]
            made[name] += 1
            print(f"    {number} {name}: {', '.join(kinds) or 'nothing'}", file=sys.stderr, flush=True)
            if kind is None or kind in kinds:
                found[name] += 1
            else:
                print(f"    missed: seed {number} {name} {truth or ''}: {kinds}")
            wrong = [one for one in kinds if one != kind]
            extra[name] += len(wrong)
            for one in wrong:
                alarms[f"{one} in {name}"] += 1
            if kind == "camera knocked" and kind in kinds:
                late.append(abs(int(remarks[kinds.index(kind)].frame or 0) - int(truth)))  # type: ignore[call-overload]
            if kind == "light changed" and kind in kinds:
                first = next(frame for frame in sight.frames if frame >= int(truth))  # type: ignore[call-overload]
                in_time.append(remarks[kinds.index(kind)].frame == first)
            if kind == "camera moved" and kind in kinds:
                sizes.append(abs(float(remarks[kinds.index(kind)].size or 0) - float(truth)))  # type: ignore[arg-type]
    takes = sum(made.values())
    for name in made:
        print(f"{name:22} {found[name]:3} of {made[name]:3}, other findings {extra[name]}")
    print(
        f"{takes} takes, {made['clean']} clean; false findings a take {sum(extra.values()) / takes:.3f}: {dict(alarms)}"
    )
    if late:
        print(f"knock found within {max(late)} frames (median {np.median(late):.0f})")
    if in_time:
        print(f"a lamp's knock told between the frames looked at before and after it: {sum(in_time)} of {len(in_time)}")
    if sizes:
        print(f"size of a move against the reference: worst error {max(sizes):.3f} px, median {np.median(sizes):.3f}")
    print(f"{(cpu_s() - spent) / takes:.2f} s CPU a take, drawing it included")


def large(seed: int, count: int) -> None:
    """Move and knock a camera of 3840x2160 by the least that must be found, 0.15 of its own pixels.

    Each take shows its player in two postures by turns, with noise of its own in every frame: drawing him anew in each
    would take ten times as long.
    """
    made, found, extra = Counter[str](), Counter[str](), Counter[str]()
    for number in range(seed, seed + count):
        base = scene_setting(number, width=3840, height=2160, parts=3, oversample=1)
        rng = np.random.default_rng([number, 15])
        way, at = float(rng.uniform(0, 2 * np.pi)), int(rng.integers(500, 1900))
        moved = Pose(dx_px=0.15 * float(np.cos(way)), dy_px=0.15 * float(np.sin(way)))
        rooms: dict = {}  # the same one at every pose

        def filmed(
            take: int, before: Pose, after: Pose, base: SceneSetting = base, at: int = at, rooms: dict = rooms
        ) -> Sight:
            keys = [(PoseKey(frame=0, pose=pose),) for pose in (before, after)]
            scenes = [Scene(with_take(base, take, poses=key), rooms) for key in keys]
            lights: dict[tuple[Pose, int], np.ndarray] = {}

            def planes_at(frame: int) -> Planes:
                pose, posture = (before, after)[frame >= at], 100 + 200 * (frame // 160 % 2)
                if (pose, posture) not in lights:
                    lights[pose, posture] = scenes[frame >= at].light(take, posture)
                return scenes[0].recorded(lights[pose, posture], take, frame)

            return seen(planes_at, size=(3840, 2160))

        still = Pose()
        reference = filmed(0, still, still)
        for name, kind, before, after in (
            ("clean", None, still, still),
            ("camera moved 0.15 px", "camera moved", moved, moved),
            ("camera knocked 0.15 px", "camera knocked", still, moved),
        ):
            remarks = camera.of_camera(filmed(1, before, after), reference, "reference", FPS, [])
            kinds = [remark.kind for remark in remarks]
            made[name] += 1
            found[name] += kind is None or kind in kinds
            extra[name] += sum(one != kind for one in kinds)
            told = [(one.kind, one.size and round(one.size, 3), one.frame) for one in remarks]
            print(f"    seed {number} {name}{f', at {at}' if 'knocked' in name else ''}: {told}", flush=True)
    for name in made:
        print(f"{name:22} {found[name]:3} of {made[name]:3}, other findings {extra[name]}")


# --- faults of files ------------------------------------------------------------------------------


def files(seed: int, count: int) -> None:
    """Encode takes with one frame repeated, or some lost, or none of it, and count what is found."""
    made, found, extra = Counter[str](), Counter[str](), Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        rng = np.random.default_rng([seed, 8])
        write_wav(root / "mix.wav", [np.zeros((48_000, 1), np.float32)])
        begin.new_film(root / "film", song=root / "mix.wav")
        parts = tuple(Part(id=f"p{n}", name=f"p{n}") for n in range(3 * count))
        truth: dict[str, str | None] = {}
        places: dict[str, str] = {}
        for n, part in enumerate(parts):
            kind = ("repeated frames", "dropped frames", None)[n % 3]
            scene = Scene(scene_setting(seed + n, width=320, height=180, parts=1, oversample=1))
            frames = list(range(200))
            at = int(rng.integers(20, 180))
            if kind == "repeated frames":
                frames[at] = frames[at - 1]
            elif kind == "dropped frames":
                del frames[at : at + int(rng.integers(1, 4))]
            recipe = "camera" if n % 2 else "intermediate"
            path = root / "clips" / f"{part.id} wide" / "a.mov"
            path.parent.mkdir(parents=True)
            noise = rng.normal(0, 0.02, (8 * 48_000, 1)).astype(np.float32)
            write(path, recipe, [scene.planes(0, frame) for frame in frames], noise)
            truth[f"{part.id}-1"], places[f"{part.id}-1"] = kind, f"frame {at}, {recipe}"
        with FilmStore.open(root / "film") as store:
            store.change("Added parts", lambda film: film.replace(parts=parts))
            steps.add(store, [root / "clips"], silent())
            for entry in check.check(store, [], silent()):
                kinds = {one.kind for one in entry.findings if one.kind in ("repeated frames", "dropped frames")}
                kind = truth[entry.take]
                case = kind or "whole"
                made[case] += 1
                found[case] += kind is None or kind in kinds
                extra[case] += len(kinds - {kind})
                if kinds != {kind} - {None}:
                    print(f"    {case} ({places[entry.take]}): {kinds or 'none'}, {entry.judgement.unseen}")
    for case in made:
        print(f"{case:20} {found[case]:3} of {made[case]:3}, other findings {extra[case]}")


def facts(seed: int, count: int) -> None:
    """Judge takes each of which differs in one thing that its file or its sound tells, among takes that do not."""
    made, found, extra = Counter[str](), Counter[str](), Counter[str]()
    quiet_kinds = {"sync cues"}
    for number in range(seed, seed + count):
        rng = np.random.default_rng([number, 14])
        scene = Scene(scene_setting(number, width=320, height=180, parts=1, oversample=1))
        shown = [scene.planes(0, frame) for frame in range(150)]
        seconds = len(shown) // 25
        time_s = np.arange(48_000 * seconds) / 48_000
        played = 0.05 * np.sin(2 * np.pi * 110 * 2 ** (np.floor(2 * time_s) / 12) * time_s)
        sound = (played + rng.normal(0, 0.002, len(time_s))).astype(np.float32)
        for kind, at_s in (("head cue", 0.3), ("tail cue", seconds - 1.2)):
            cue = 0.1 * cue_sound(kind)  # type: ignore[arg-type]
            sound[round(48_000 * at_s) :][: len(cue)] += cue
        mains = int(rng.choice([50, 60]))
        hum = sum(0.003 / k * np.sin(2 * np.pi * mains * k * time_s) for k in (1, 2, 3))
        uncued = (played + rng.normal(0, 0.002, len(time_s))).astype(np.float32)
        small = [resized(one, 160, 90) for one in shown]
        files = {
            "frame rate": {"rate": Rate.of(24)},
            "size": {"frames": small},
            "codec": {"recipe": "h264"},
            "colour": {"primaries": "bt2020"},
            "variable frame rate": {"uneven": True},
            "sound missing": {"sound": None},
            "sound clipped": {"sound": np.clip(30 * sound, -1, 1)},
            "hum": {"sound": sound + hum.astype(np.float32)},
            "length": {"frames": shown[:100], "sound": sound[: 48_000 * 4]},
            "no sync cue": {"sound": uncued},
            "one sync cue": {"sound": np.concatenate([uncued[:96_000], sound[96_000:]])},
            "silent": {"sound": 0 * sound},
        }
        with tempfile.TemporaryDirectory() as name:
            root = Path(name)
            write_wav(root / "mix.wav", [np.zeros((48_000 * seconds, 1), np.float32)])
            begin.new_film(root / "film", song=root / "mix.wav", bpm="92")
            parts = tuple(Part(id=f"p{n}", name=f"p{n}") for n in range(len(files) + 8))
            truth: dict[str, str | None] = {}
            for part, kind in zip(parts, [None] * 8 + list(files), strict=True):
                how = {"frames": shown, "sound": sound, "recipe": "camera", **(files[kind] if kind else {})}
                path = root / "clips" / f"{part.id} wide" / "a.mov"
                path.parent.mkdir(parents=True)
                own = how["sound"]
                if own is not None and kind != "silent":
                    own = np.clip(own + rng.normal(0, 1e-4, len(own)), -1, 1).astype(np.float32)  # type: ignore[operator, arg-type]
                track = None if own is None else SoundTrack(blocks=iter([np.asarray(own)[:, None]]), channels=1)
                recipe, clip = RECIPES[str(how["recipe"])], how["frames"]
                fitted = [converted(one, bit_depth=recipe.bit_depth, chroma=recipe.chroma) for one in clip]  # type: ignore[arg-type, attr-defined]
                with PictureWriter(
                    path,
                    recipe,
                    width=fitted[0].width,
                    height=fitted[0].height,
                    rate=how.get("rate", Rate.of(25)),  # type: ignore[arg-type]
                    primaries=str(how.get("primaries", "bt709")),
                    sound=track,
                    threads=1,
                ) as writer:
                    for frame in fitted:
                        writer.write(frame)
                if how.get("uneven"):
                    _made_uneven(path)
                truth[f"{part.id}-1"] = kind
            with FilmStore.open(root / "film") as store:
                store.change("Added parts", lambda film, parts=parts: film.replace(parts=parts))
                steps.add(store, [root / "clips"], silent())
                for entry in check.check(store, [], silent()):
                    kind = truth[entry.take]
                    told = {one.kind for one in entry.findings} - quiet_kinds
                    wanted = {"silent": "sound missing"}.get(kind or "", kind)
                    case = kind or "like the others"
                    made[case] += 1
                    found[case] += wanted is None or wanted in told
                    # A clip at another rate has another length, and one that ends early has no tail cue.
                    follows = {"frame rate": {"length", "dropped frames"}, "length": {"one sync cue"}}
                    other = told - {wanted} - follows.get(kind or "", set())
                    extra[case] += len(other)
                    if other or (wanted and wanted not in told):
                        print(f"    seed {number} {case}: {sorted(told)}")
    for case in made:
        print(f"{case:20} {found[case]:3} of {made[case]:3}, other findings {extra[case]}")


def _made_uneven(path: Path) -> None:
    """Write a clip anew with every third frame a third of a frame late."""
    late = path.with_name("late.mov")
    with av.open(str(path)) as source, av.open(str(late), "w") as out:
        streams = {stream.index: out.add_stream_from_template(stream) for stream in source.streams}
        for packet in source.demux():
            if packet.dts is None:
                continue
            if packet.stream.type == "video" and round(packet.pts * packet.time_base * 25) % 3 == 1:
                packet.pts = packet.dts = packet.pts + round(1 / (75 * packet.time_base))
            packet.stream = streams[packet.stream.index]
            out.mux(packet)
    late.replace(path)


def _encoder(name: str, codec: str, pixels: str, mbit: float, key_s: float, between: int) -> Recipe:
    """Return a recipe of a camera's kind: so many Mbit/s for 480x270, frames in between that look ahead or none."""
    kbit = round(1000 * mbit)
    options = {"preset": "superfast", "b": f"{kbit}k"}
    if codec == "libx265":
        options["x265-params"] = f"bframes={between}:vbv-maxrate={kbit}:vbv-bufsize={kbit}:log-level=none"
    else:
        options |= {"bf": str(between), "maxrate": f"{kbit}k", "bufsize": f"{kbit}k"}
    return Recipe(name, codec, pixels, ".mp4", key_s, options)


# 1.6 Mbit/s of 480x270 at 25 frames a second are 0.5 bits a pixel, as 100 Mbit/s are of 3840x2160.
ENCODERS = (
    replace(RECIPES["camera"], name="camera: H.264, even quality"),
    _encoder("H.264 10-bit, 1.0 bit a pixel", "libx264", "yuv422p10le", 3.2, 0.48, 0),
    _encoder("H.264 10-bit, 0.5, frames between", "libx264", "yuv422p10le", 1.6, 0.96, 2),
    _encoder("H.264 8-bit, 0.5", "libx264", "yuv420p", 1.6, 0.48, 0),
    _encoder("H.264 8-bit, 0.2, frames between", "libx264", "yuv420p", 0.65, 1, 2),
    _encoder("H.265 10-bit, 1.0, frames between", "libx265", "yuv422p10le", 3.2, 0.96, 2),
    _encoder("H.265 10-bit, 0.5", "libx265", "yuv420p10le", 1.6, 0.48, 0),
    _encoder("H.265 10-bit, 0.2, frames between", "libx265", "yuv420p10le", 0.65, 0.96, 2),
)


def repeats(seed: int, count: int) -> None:
    """Repeat one frame of a take, with several encoders; count what pictures tell, and what packets alone do.

    Every second take is encoded on two threads, which has encoders spend their bits otherwise.
    """
    made, found, alone, told, asked, unsaid, extra = (Counter[str]() for _ in range(7))
    frames = 150
    with tempfile.TemporaryDirectory() as name:
        folder = FilmFolder(Path(name))
        for number in range(seed, seed + count):
            rng = np.random.default_rng([number, 77])
            scene = Scene(scene_setting(number, width=WIDTH, height=HEIGHT, parts=1, oversample=1))
            shown = [scene.planes(0, 100 + n) for n in range(frames)]
            for recipe in ENCODERS:
                fitted = [converted(one, bit_depth=recipe.bit_depth, chroma=recipe.chroma) for one in shown]  # type: ignore[arg-type]
                for at in (int(rng.integers(10, frames - 10)), None):
                    order_shown = list(range(frames))
                    if at is not None:
                        order_shown[at] = at - 1
                        if rng.random() < 0.5:  # it goes on where it was, without a jump
                            order_shown = [*range(at), *range(at - 1, frames - 1)]
                    path = folder.root / f"clip{recipe.suffix}"
                    threads = 1 + number % 2
                    with PictureWriter(
                        path, recipe, width=WIDTH, height=HEIGHT, rate=Rate.of(25), threads=threads
                    ) as writer:
                        for n in order_shown:
                            writer.write(fitted[n])
                    picture = probe(path, folder.refer(path)).picture
                    assert picture is not None
                    packets = packets_of(path)
                    with open_picture(path, picture, threads=1) as reader:
                        changes = changes_of(reader.read(range(picture.frames)))
                    answer = again.found_again([(0, *changes)], packets.keys)
                    named = {*answer.frames, *order.repeats(0, changes[0], order.suspects(packets))}
                    wrong = named - {at}
                    made[recipe.name] += at is not None
                    found[recipe.name] += at in named
                    alone[recipe.name] += at in order.suspects(packets)
                    told[recipe.name] += answer.told
                    claimed = answer.told and at in answer.asked
                    asked[recipe.name] += claimed
                    unsaid[recipe.name] += claimed and at not in named
                    extra[recipe.name] += len(wrong)
                    if wrong or (at is not None and at not in named):
                        print(f"    seed {number} {recipe.name}: repeated {at}, found {named or None}, told {claimed}")
    for recipe in ENCODERS:
        kind = recipe.name
        print(
            f"{kind:36} {found[kind]:3} of {made[kind]:3}, by packets alone {alone[kind]}, "
            f"takes of which it tells {told[kind]} of {2 * made[kind]}; repeats of which it tells {asked[kind]}, "
            f"missed {unsaid[kind]}; false {extra[kind]}"
        )


# --- plates, stills and live frames ---------------------------------------------------------------


def plates(seed: int, count: int) -> None:
    """Change exposure or white balance by little and hold the take against a plate of its own light."""
    made, found, extra = Counter[str](), Counter[str](), Counter[str]()
    for number in range(seed, seed + count):
        base = scene_setting(number, width=WIDTH, height=HEIGHT, parts=3, oversample=1)
        rng = np.random.default_rng([number, 11])
        room = Scene(base).empty(1)
        plate = seen(lambda frame, room=room, number=number: demo_camera.record(room, seed=1000 * number + frame))
        stops, by = (float(rng.choice([-1, 1])) * float(rng.uniform(*ends)) for ends in ((0.2, 0.5), (0.08, 0.15)))
        for kind, how in (
            (None, {"noise": float(rng.uniform(0.7, 1.4))}),
            ("exposure", {"exposure_stops": stops}),
            ("white balance", {"white": (1 + by, 1.0, 1 / (1 + by))}),
        ):
            take = Scene(with_take(base, 1, **how))
            remarks, told = judge.of_plate(seen(lambda frame, take=take: take.planes(1, frame)), plate, "plate-1")
            kinds = [remark.kind for remark in remarks]
            case = kind or "clean"
            made[case] += 1
            found[case] += kind is None or kind in kinds
            extra[case] += sum(one != kind for one in kinds)
            print(
                f"    seed {number} {case}: {kinds} {'' if told else '(exposure not told)'}",
                file=sys.stderr,
                flush=True,
            )
    for case in made:
        print(f"{case:20} {found[case]:3} of {made[case]:3}, other findings {extra[case]}")


def live_frames(seed: int, count: int) -> None:
    """Hold 4K stills and frames of 1280 against a 4K reference in another light, moved by 0 to 8 pixels."""
    sizes = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0)
    for small in (False, True):
        errors, turns, times, least, alarms, missed, unsure = [], [], [], [], 0, 0, 0
        for number in range(seed, seed + count):
            base = scene_setting(number, width=3840, height=2160, parts=3, oversample=1)
            rng = np.random.default_rng([number, 12])
            reference = live.prepare(_codes(Scene(base).planes(0, 10)))
            live.compare(reference, _codes(Scene(base).planes(0, 10)))
            for size in sizes:
                way, turn = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(-0.05, 0.05)) if size else 0.0
                right, down = size * float(np.cos(way)), size * float(np.sin(way))
                pose = Pose(dx_px=-right, dy_px=-down, rotation_deg=-turn)
                picture = _codes(Scene(with_take(base, 1, poses=(PoseKey(frame=0, pose=pose),))).planes(1, 30))
                if small:
                    picture = cv2.resize(picture, (1280, 720), interpolation=cv2.INTER_AREA)
                # Other work on the cores is felt in single calls, now in this step and now in that: each is made anew.
                for _ in range(3):
                    before = cpu_s()
                    told = live.compare(reference, picture)
                    times.append(cpu_s() - before)
                least.append(min(times[-3:]))
                errors.append(float(np.hypot(told.shift_px[0] - right, told.shift_px[1] - down)))
                turns.append(abs(told.degrees - turn))
                alarms += size == 0 and not told.alike
                missed += size > 0 and not told.moved
                unsure += not told.sure
        print(
            f"{'1280x720' if small else '3840x2160'}: {len(errors)} frames, error of the shift median "
            f"{np.median(errors):.3f} px, worst {max(errors):.3f} px of the reference, "
            f"of the turn worst {max(turns):.4f} degrees; moves missed {missed}, not sure {unsure}, "
            f"false alarms {alarms} of {count}; "
            f"CPU median {np.median(times):.2f} s, worst {max(times):.2f} s, "
            f"worst least of three calls {max(least):.2f} s"
        )


def _codes(planes: Planes) -> np.ndarray:
    return np.clip(np.rint(encoded_rgb(planes) * 255), 0, 255).astype(np.uint8)


# --- real footage ---------------------------------------------------------------------------------


def real(clip: Path, seed: int, count: int) -> None:
    """Lay moves, knocks and blur into a real clip of a camera that stood still, in other light, and judge it.

    The clip's first third is the reference. Takes are drawn from the rest of it, with a ramp of light laid over them
    from one side to the other: the codes are raised to a power of 2.2, multiplied and taken back.
    """
    with av.open(str(clip)) as container:
        video = container.streams.video[0]
        rate_hz = float(video.average_rate)
        shown = [frame.to_ndarray(format="yuv420p") for frame in container.decode(video)]
        width, height = video.width, video.height
    length = len(shown) // 3
    made, found, extra, alarms = Counter[str](), Counter[str](), Counter[str](), Counter[str]()
    sizes: list[float] = []
    late: list[int] = []

    def planes_at(number: int, light: np.ndarray, pose: Pose, blur: float) -> Planes:
        whole = shown[number]
        y = whole[:height]
        u, v = whole[height:].reshape(2, height // 2, width // 2)
        code = np.clip((y.astype(np.float32) - 16) / 219, 0, 1)
        code = np.clip(np.power(np.power(code, 2.2) * light, 1 / 2.2), 0, 1).astype(np.float32)
        code = laid(code, pose) if pose != Pose() else code
        code = cv2.GaussianBlur(code, (0, 0), blur) if blur else code
        return Planes(np.rint(16 + 219 * code).astype(np.uint8), u, v, 8, "bt601", "limited")

    def looked_at(first: int, frame_at: Callable[[int], Planes]) -> Sight:
        spread = tuple(int(n) for n in np.linspace(first + 5, first + length - 6, 15))
        looker = Looker(together=5)
        for n in spread:
            looker.add(n - first, frame_at(n))
        looker.add_run(0, [frame_at(n) for n in range(first, first + 14)])
        knocks, sag, steady = camera.followed(
            looker,
            lambda frames: [reduced(frame_at(first + n)) for n in frames],
            size=(width, height),
            frames=length,
            rate_hz=rate_hz,
        )
        return looker.sight(steady=steady, knocks=knocks, sag_px=sag)

    even = np.ones((height, width), np.float32)
    reference = looked_at(0, lambda n: planes_at(n, even, Pose(), 0.0))
    rng = np.random.default_rng([seed, 13])
    for _ in range(count):
        first = int(rng.integers(length, len(shown) - length))
        ends, upright = rng.uniform(0.35, 1.0, 2), rng.random() < 0.5
        ramp = np.linspace(*ends, height if upright else width, dtype=np.float32)
        light = (ramp[:, None] if upright else ramp[None]) * even
        size, way = float(rng.choice([0.15, 0.4, 1.5])), float(rng.uniform(0, 2 * np.pi))
        pose = Pose(dx_px=size * float(np.cos(way)), dy_px=size * float(np.sin(way)))
        at = int(rng.integers(first + length // 5, first + length * 4 // 5))
        blur = float(rng.uniform(0.7, 1.5))
        for name, kind, frame_at in (
            ("clean", None, lambda n: planes_at(n, light, Pose(), 0.0)),  # noqa: B023
            ("camera moved", "camera moved", lambda n: planes_at(n, light, pose, 0.0)),  # noqa: B023
            ("camera knocked", "camera knocked", lambda n: planes_at(n, light, pose if n >= at else Pose(), 0.0)),  # noqa: B023
            ("focus", "focus", lambda n: planes_at(n, light, Pose(), blur)),  # noqa: B023
        ):
            sight = looked_at(first, frame_at)
            remarks = camera.of_camera(sight, reference, "reference", rate_hz, [])
            of_light, _ = judge.of_picture(sight, reference, [], rate_hz)
            remarks += [one for one in of_light if not (len(sight.knocks) and one.kind == "light changed")]
            remarks += props.of_props(props.laid_on(sight, reference), reference, "reference", [])
            kinds = [remark.kind for remark in remarks]
            made[name] += 1
            found[name] += kind is None or kind in kinds
            wrong = [one for one in kinds if one != kind]
            extra[name] += len(wrong)
            if wrong:
                print(f"    {name}, from frame {first}: {[one.sentence for one in remarks if one.kind != kind]}")
            for one in wrong:
                alarms[f"{one} in {name}"] += 1
            if name == "camera moved" and kind in kinds:
                sizes.append(abs(float(remarks[kinds.index(kind)].size or 0) - size))
            if name == "camera knocked" and kind in kinds:
                late.append(abs(int(remarks[kinds.index(kind)].frame or 0) + first - at))
            if kind is not None and kind not in kinds:
                print(f"    missed {name}: {size if 'camera' in name else blur:.2f} px, found {kinds}")
    for name in made:
        print(f"{name:20} {found[name]:3} of {made[name]:3}, other findings {extra[name]}")
    print(f"false findings: {dict(alarms)}")
    if sizes:
        print(f"size of a move: worst error {max(sizes):.3f} px; knock found within {max(late, default=0)} frames")


def write(path: Path, recipe: str, frames: Sequence[Planes], sound: np.ndarray) -> None:
    """Encode frames with sound that lasts as long as the camera ran."""
    track = SoundTrack(blocks=iter([sound]), channels=1)
    first = frames[0]
    with PictureWriter(
        path, RECIPES[recipe], width=first.width, height=first.height, rate=Rate.of(25), sound=track
    ) as writer:
        for frame in frames:
            writer.write(frame)


# --- what a verdict costs -------------------------------------------------------------------------


def cost(seconds: int) -> None:
    """Judge one 3840x2160 take at 24 frames a second, by each of two codecs, against a reference in another light."""
    # About 100 Mbit/s, as cameras record; the recipe for the demo's small clips would take ten times as much.
    even = replace(RECIPES["camera"], options={**RECIPES["camera"].options, "preset": "veryfast", "crf": "15"})
    codecs = {"H.264": even, "H.265": replace(_encoder("", "libx265", "yuv422p10le", 100, 0.96, 0), suffix=".mov")}
    rng = np.random.default_rng(1)
    scene = Scene(scene_setting(2000, width=960, height=540, parts=2, oversample=1))
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)

        def clip(part: str, take: int, recipe: Recipe, length_s: int) -> Path:
            played, path = root / f"{part}{recipe.suffix}", root / f"clips/{part} wide/a{recipe.suffix}"
            path.parent.mkdir(parents=True)
            with PictureWriter(played, recipe, width=3840, height=2160, rate=Rate.of(24)) as writer:
                # Two seconds far from each other: of one alone all key frames would show the player in one posture.
                for frame in (*range(24), *range(500, 524)):
                    small = scene.planes(take, frame)
                    y = np.kron(small.y, np.ones((4, 4), np.uint16)) + rng.integers(0, 6, (2160, 3840), np.uint16)
                    u, v = (np.kron(plane, np.ones((4, 4), np.uint16)) for plane in (small.u, small.v))
                    writer.write(Planes(y, u, v, 10, "bt709", "limited"))
            sound = rng.normal(0, 0.05, (48_000 * length_s, 2)).astype(np.float32)
            write_wav(root / f"{part}.wav", [sound])
            joined = {"sound": root / f"{part}.wav", "sound_codec": "pcm_s24le", "sound_samples": len(sound)}
            join([played] * (length_s // 2), path.with_suffix(".mov"), **joined)  # type: ignore[arg-type]
            return path.with_suffix(".mov")

        parts = ("reference", *codecs)
        clip("reference", 0, even, 20)
        paths = {codec: clip(codec, 1, recipe, seconds) for codec, recipe in codecs.items()}
        write_wav(root / "mix.wav", [np.zeros((48_000 * seconds, 1), np.float32)])
        begin.new_film(root / "film", song=root / "mix.wav", bpm="92")
        with FilmStore.open(root / "film") as store:
            made = tuple(Part(id=f"p{n}", name=part) for n, part in enumerate(parts))
            store.change("Added parts", lambda film: Film.replace(film, parts=made))
            for part in made:
                steps.add(store, [root / f"clips/{part.name} wide"], silent(), part=part.id, kind="stage")
            check.check(store, ["p0-1"], silent())
            for part in made[1:]:
                before, began = cpu_s(), time.perf_counter()
                (entry,) = check.check(store, [f"{part.id}-1"], silent())
                rate = paths[part.name].stat().st_size * 8e-6 / seconds
                print(
                    f"{part.name}, {seconds} s of 3840x2160 at 24 a second ({rate:.0f} Mbit/s): "
                    f"{cpu_s() - before:.2f} s CPU, {time.perf_counter() - began:.2f} s wall; "
                    f"{entry.judgement.unseen[0]}"
                )


# --- offload --------------------------------------------------------------------------------------


def make_card(root: Path, megabytes: int, files_count: int = 8) -> Path:
    """Write a card of noise."""
    card = root / "card"
    card.mkdir()
    for n in range(files_count):
        with (card / f"clip{n}.mov").open("wb") as file:
            for _ in range(max(1, megabytes // files_count)):
                file.write(os.urandom(1 << 20))
    os.sync()
    return card


def forget(card: Path) -> None:
    """Have the system forget what it holds of a card, so that each way reads it from the disk."""
    for path in card.iterdir():
        handle = os.open(path, os.O_RDONLY)
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(handle)


def offloading(megabytes: int, passes: int) -> None:
    """Compare copying to two places in one read with plain copying, and the whole with copying and hashing by hand."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        card = make_card(root, megabytes)
        clips = sorted(card.iterdir())

        def plain() -> None:
            for clip in clips:
                for place in ("a", "b"):
                    target = root / place / clip.name
                    shutil.copyfile(clip, target)
                    with target.open("rb") as file:
                        os.fsync(file.fileno())

        def hashed() -> None:
            for clip in clips:
                copying.digest_of(clip)

        def ours() -> None:
            for clip in clips:
                copying.copy_once(clip, [root / place / clip.name for place in ("a", "b")], tick=lambda _: None)

        def by_hand() -> None:
            plain()
            hashed()
            for place in ("a", "b"):
                for clip in clips:
                    copying.digest_from_disk(root / place / clip.name)

        def whole() -> None:
            done = offload(card, [root / "a", root / "b"], silent())
            assert all(copy.good for copy in done.copies)

        ways = {"plain copy": plain, "hash": hashed, "copy in one read": ours, "by hand": by_hand, "offload": whole}
        times: dict[str, list[tuple[float, float]]] = {way: [] for way in ways}
        for number in range(passes):
            # Each way comes first once: what went before leaves the system's memory in another state.
            turn = number % len(ways)
            for way, run in [*list(ways.items())[turn:], *list(ways.items())[:turn]]:
                for place in ("a", "b"):
                    shutil.rmtree(root / place, ignore_errors=True)
                    (root / place).mkdir()
                os.sync()
                forget(card)
                before, began = cpu_s(), time.perf_counter()
                run()
                times[way].append((time.perf_counter() - began, cpu_s() - before))
        middle = {way: np.median(rows, axis=0) for way, rows in times.items()}
        for way, (wall, cpu) in middle.items():
            print(f"{way:18} {wall:6.2f} s wall {cpu:6.2f} s CPU (median of {passes}, {megabytes} MiB)")
        floor = np.maximum(middle["plain copy"], middle["hash"])
        one_read, verified = middle["copy in one read"] / floor, middle["offload"] / middle["by hand"]
        print(f"copy in one read over the slower of plain copy and hash: wall {one_read[0]:.2f}, CPU {one_read[1]:.2f}")
        print(f"offload over plain copy, hash and reading back: wall {verified[0]:.2f}, CPU {verified[1]:.2f}")


def _half_copied(root: Path, since_s: float) -> bool:
    """Say whether a copy is at work on a file, or was when it was killed."""
    with contextlib.suppress(FileNotFoundError):  # finished meanwhile
        return any(path.stat().st_mtime >= since_s for path in root.rglob("*.partsong-part"))
    return False


def kills(seed: int, count: int) -> None:
    """Kill an offload at random, resume it, and hold the copies to the card and to the ASC MHL reference.

    A copy that ends before it is killed is held to the card, and a new one begun, until as many were killed as asked.
    """
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        card = make_card(root, 192, 12)
        places = [root / "a", root / "b"]
        words = [sys.executable, "-m", "partsong", "shoot", "offload", card]
        words += [word for place in places for word in ("--to", place)]
        killed = halves = ended = 0
        while killed < count:
            for place in places:
                place.mkdir(exist_ok=True)
            began_s = time.time()
            process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            while process.poll() is None and not _half_copied(root, began_s):
                time.sleep(0.01)
            time.sleep(rng.uniform(0, 0.15))
            process.send_signal(signal.SIGKILL)
            if process.wait() == -signal.SIGKILL:
                killed += 1
                halves += _half_copied(root, began_s)
            elif process.returncode not in (0, 1):  # 1: whole, but both lie on one disk
                raise SystemExit(f"An offload that was resumed ended with status {process.returncode}.")
            if process.returncode >= 0 or killed == count:
                copies = offload(card, places, silent()).copies
                for copy in copies:
                    _hold_to_card(card, copy)
                ended += 1
                if killed < count:
                    for place in places:
                        shutil.rmtree(place)
        print(
            f"{killed} killed, {halves} of them with files half copied; of {ended} offloads both copies verified, "
            "the same files and no other, one manifest each"
        )
        _change_a_byte(copies[0].folder)


def _hold_to_card(card: Path, copy: Copy) -> None:
    """End the run where a copy of an offload that was killed is not what the card holds."""
    there = {path.name: path.read_bytes() for path in card.iterdir()}
    here = {path.name: path.read_bytes() for path in copy.folder.iterdir() if path.is_file()}
    pages = len(list((copy.folder / "ascmhl").glob("*.mhl")))
    if here != there or copy.verified != len(there) or pages != 1:
        raise SystemExit(
            f"{copy.folder} is not what the card holds: {copy.verified} of {len(there)} verified, the same files and "
            f"no other: {here == there}, manifests {pages}"
        )


def _change_a_byte(copy: Path) -> None:
    """Change one byte of a copy and ask both who can tell."""
    from ascmhl import commands

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        commands.verify_entire_folder(str(copy), False, None, None)
        print("the reference implementation verifies the manifest")
        with (copy / "clip3.mov").open("r+b") as file:
            file.seek(12345)
            byte = file.read(1)
            file.seek(12345)
            file.write(bytes([byte[0] ^ 1]))
        try:
            commands.verify_entire_folder(str(copy), False, None, None)
            print("MISSED by the reference: a changed byte")
        except Exception as problem:  # noqa: BLE001
            print(f"a changed byte, by the reference: {type(problem).__name__}")
    told = subprocess.run(
        [sys.executable, "-m", "partsong", "shoot", "verify", copy], capture_output=True, text=True, check=False
    )
    print(f"a changed byte, by partsong shoot verify (status {told.returncode}): {told.stdout.splitlines()[0]}")


if __name__ == "__main__":
    main()
