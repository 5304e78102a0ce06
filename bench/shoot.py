"""Shoot: how many faults of a take are found, how many are made up, what a verdict costs; offload against its floor.

``./start bench shoot`` runs all of it; ``--only pictures``, ``props``, ``files``, ``cost``, ``offload`` or ``kills`` a
part, ``--few`` less of it. Scenes are those of ``bench/staging/scenes.py``; thresholds were tuned on seeds 0 to 20, the
default run draws from 2000 on. CPU is user plus system, of this process and its children.
"""

from __future__ import annotations

import argparse
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

import numpy as np

from partsong.film.records import Film, Part, Pose, PoseKey
from partsong.film.store import FilmStore
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.join import join
from partsong.media.planes import Planes
from partsong.media.sound import write_wav
from partsong.media.soundtrack import SoundTrack
from partsong.shoot import begin, camera, check, copying, judge, props, steps
from partsong.shoot.offload import offload
from partsong.shoot.sight import Looker, Sight, reduced
from partsong.timebase import Rate
from partsong.watch import silent
from staging.scenes import Banding, PropMove, Scene, SceneSetting, scene_setting, with_take

WIDTH, HEIGHT, FPS, FRAMES = 480, 270, 25.0, 2400
SPREAD = tuple(range(60, FRAMES, 160))
RUNS = (range(300, 314),)


def main() -> None:
    """Print the parts asked for."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--only", choices=("pictures", "props", "files", "cost", "offload", "kills"))
    options.add_argument("--few", action="store_true")
    options.add_argument("--seed", type=int, default=2000)
    given = options.parse_args()
    parts: dict[str, Callable[[], None]] = {
        "pictures": lambda: pictures(given.seed, 2 if given.few else 5),
        "props": lambda: moved_props(given.seed, 2 if given.few else 8),
        "files": lambda: files(given.seed, 3 if given.few else 8),
        "cost": lambda: cost(20 if given.few else 240),
        "offload": lambda: offloading(64 if given.few else 512, 3 if given.few else 5),
        "kills": lambda: kills(given.seed, 5 if given.few else 20),
    }
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


def seen(planes_at: Callable[[int], Planes]) -> Sight:
    """Sum up a made take as the check does it with a file."""
    looker = Looker(together=max(5, len(SPREAD) // 3))
    for frame in SPREAD:
        looker.add(frame, planes_at(frame))
    for run in RUNS:
        looker.add_run(run.start, [planes_at(frame) for frame in run])

    def look(frames: Sequence[int]) -> list[np.ndarray]:
        return [reduced(planes_at(frame)) for frame in frames]

    knocks, sag, steady = camera.followed(looker, look, size=(WIDTH, HEIGHT), frames=FRAMES, rate_hz=FPS)
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

    size, way = float(rng.choice([0.2, 0.4, 1.5])), float(rng.uniform(0, 2 * np.pi))
    moved = Pose(dx_px=size * float(np.cos(way)), dy_px=size * float(np.sin(way)))
    yield "camera moved", "camera moved", changed(poses=(PoseKey(frame=0, pose=moved),)), size
    frame = int(rng.integers(500, 1900))
    size = float(rng.choice([0.2, 0.5, 2.0]))
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
    yield "knocked light", "light changed", (lambda n: (before if n < at else after).planes(1, n)), None


def pictures(seed: int, count: int) -> None:
    """Count faults found and made up over generated takes, each held to a reference in another light."""
    made, found, extra, alarms = Counter[str](), Counter[str](), Counter[str](), Counter[str]()
    late: list[int] = []
    sizes: list[float] = []
    spent = cpu_s()
    for number in range(seed, seed + count):
        base = scene_setting(number, width=WIDTH, height=HEIGHT, parts=3, oversample=1)
        rng = np.random.default_rng([number, 7])
        scene = Scene(base)
        reference = seen(lambda frame, scene=scene: scene.planes(0, frame))
        for name, kind, planes_at, truth in cases(base, rng):
            remarks = judged(seen(planes_at), reference)
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
            if name == "camera knocked" and kind in kinds:
                late.append(abs(int(remarks[kinds.index(kind)].frame or 0) - int(truth)))  # type: ignore[call-overload]
            if name == "camera moved" and kind in kinds:
                sizes.append(abs(float(remarks[kinds.index(kind)].size or 0) - float(truth)))  # type: ignore[arg-type]
    takes = sum(made.values())
    for name in made:
        print(f"{name:20} {found[name]:3} of {made[name]:3}, other findings {extra[name]}")
    print(
        f"{takes} takes, {made['clean']} clean; false findings a take {sum(extra.values()) / takes:.3f}: {dict(alarms)}"
    )
    if late:
        print(f"knock found within {max(late)} frames (median {np.median(late):.0f})")
    if sizes:
        print(f"size of a move against the reference: worst error {max(sizes):.3f} px, median {np.median(sizes):.3f}")
    print(f"{(cpu_s() - spent) / takes:.2f} s CPU a take, drawing it included")


def moved_props(seed: int, count: int) -> None:
    """Count props found and made up: any prop of the scene by lot, hidden by a player or in the dark or not."""
    made, found, extra = Counter[str](), Counter[str](), 0
    near: list[float] = []
    for number in range(seed, seed + count):
        base = scene_setting(number, width=WIDTH, height=HEIGHT, parts=3, oversample=1)
        rng = np.random.default_rng([number, 9])
        scene = Scene(base)
        reference = seen(lambda frame, scene=scene: scene.planes(0, frame))
        for kind in ("clean", "moved", "turned", "gone"):
            prop, sign = int(rng.integers(0, len(base.props))), float(rng.choice([-1, 1]))
            move = {
                "clean": PropMove(prop),
                "moved": PropMove(prop, dx_m=sign * float(rng.uniform(0.04, 0.2))),
                "turned": PropMove(prop, turn_deg=sign * float(rng.uniform(4, 15))),
                "gone": PropMove(prop, gone=True),
            }[kind]
            take = Scene(with_take(base, 1, moved=() if kind == "clean" else (move,)))
            remarks = props.of_props(seen(lambda frame, take=take: take.planes(1, frame)), reference, "reference", [])
            made[kind] += 1
            if kind == "clean":
                extra += len(remarks)
                continue
            # Something that went by what it went: a camera of this scene sees width pixels a metre at one metre.
            went = move.dx_m * WIDTH / base.props[prop].z
            sizes = [f"{remark.sentence.split('now ')[1]}" for remark in remarks]
            errors = [abs(remark.size - abs(went)) for remark in remarks if remark.size is not None]
            found[kind] += bool(remarks) and (kind != "moved" or min(errors) <= 1)
            near += [min(errors)] if kind == "moved" and errors else []
            print(f"    seed {number} {kind} {base.props[prop].kind}, went {went:+.2f} px: {sizes or 'not found'}")
    for kind in ("moved", "turned", "gone"):
        print(f"{kind:20} {found[kind]:3} of {made[kind]:3}")
    if near:
        print(f"size of a move: errors of {', '.join(f'{error:.2f}' for error in sorted(near))} px")
    print(f"false findings in {made['clean']} clean takes: {extra}")


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
            truth[f"{part.id}-1"] = kind
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
    for case in made:
        print(f"{case:20} {found[case]:3} of {made[case]:3}, other findings {extra[case]}")


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
    """Judge one 3840x2160 take at 24 frames a second, and one frame."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        second, clip = root / "second.mov", root / "clips/p wide/a.mov"
        clip.parent.mkdir(parents=True)
        scene = Scene(scene_setting(2000, width=960, height=540, parts=1, oversample=1))
        rng = np.random.default_rng(1)
        # About 100 Mbit/s, as cameras record; the recipe for the demo's small clips would take ten times as much.
        recipe = replace(RECIPES["camera"], options={**RECIPES["camera"].options, "preset": "veryfast", "crf": "15"})
        with PictureWriter(second, recipe, width=3840, height=2160, rate=Rate.of(24)) as writer:
            for frame in range(24):
                small = scene.planes(0, frame)
                y = np.kron(small.y, np.ones((4, 4), np.uint16)) + rng.integers(0, 6, (2160, 3840), np.uint16)
                u, v = (np.kron(plane, np.ones((4, 4), np.uint16)) for plane in (small.u, small.v))
                writer.write(Planes(y, u, v, 10, "bt709", "limited"))
        write_wav(root / "long.wav", [rng.normal(0, 0.05, (48_000 * seconds, 2)).astype(np.float32)])
        join([second] * seconds, clip, sound=root / "long.wav", sound_codec="pcm_s24le", sound_samples=48_000 * seconds)
        write_wav(root / "mix.wav", [np.zeros((48_000 * seconds, 1), np.float32)])
        begin.new_film(root / "film", song=root / "mix.wav", bpm="92")
        with FilmStore.open(root / "film") as store:
            store.change("Added a part", lambda film: Film.replace(film, parts=(Part(id="p", name="p"),)))
            steps.add(store, [root / "clips"], silent())
            before, began = cpu_s(), time.perf_counter()
            (entry,) = check.check(store, [], silent())
            print(
                f"{seconds} s of 3840x2160 at 24 a second ({clip.stat().st_size * 8e-6 / seconds:.0f} Mbit/s): "
                f"{cpu_s() - before:.2f} s CPU, {time.perf_counter() - began:.2f} s wall; {entry.judgement.unseen[0]}"
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


def kills(seed: int, count: int) -> None:
    """Kill an offload at random, resume it, and hold the copies to the card and to the ASC MHL reference."""
    from ascmhl import commands

    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        card = make_card(root, 192, 12)
        for place in ("a", "b"):
            (root / place).mkdir()
        words = [sys.executable, "-m", "partsong", "shoot", "offload", card, "--to", root / "a", "--to", root / "b"]
        killed = 0
        for _ in range(count):
            process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            time.sleep(rng.uniform(0.2, 1.6))
            process.send_signal(signal.SIGKILL)
            killed += process.wait() == -signal.SIGKILL
        done = offload(card, [root / "a", root / "b"], silent())
        for copy in done.copies:
            here = {path.name: path.read_bytes() for path in copy.folder.iterdir() if path.is_file()}
            same = here == {path.name: path.read_bytes() for path in card.iterdir()}
            pages = len(list((copy.folder / "ascmhl").glob("*.mhl")))
            print(
                f"{killed} of {count} killed: {copy.verified} verified, "
                f"the same files and no other: {same}, manifests {pages}"
            )
        target = done.copies[0].folder
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            commands.verify_entire_folder(str(target), False, None, None)
            print("the reference implementation verifies the manifest")
            with (target / "clip3.mov").open("r+b") as file:
                file.seek(12345)
                byte = file.read(1)
                file.seek(12345)
                file.write(bytes([byte[0] ^ 1]))
            try:
                commands.verify_entire_folder(str(target), False, None, None)
                print("MISSED by the reference: a changed byte")
            except Exception as problem:  # noqa: BLE001
                print(f"a changed byte, by the reference: {type(problem).__name__}")
        told = subprocess.run(
            [sys.executable, "-m", "partsong", "shoot", "verify", target], capture_output=True, text=True, check=False
        )
        print(f"a changed byte, by partsong shoot verify (status {told.returncode}): {told.stdout.splitlines()[0]}")


if __name__ == "__main__":
    main()
