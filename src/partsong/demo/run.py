"""Carries the demo's clips through the whole job with the commands a person would type, the truth held beside.

Every step is a real ``partsong`` command in a process of its own. Where the job asks a person, the demo answers as one
would who looked at the picture; that answer comes from the known truth, and the report says so.
"""

from __future__ import annotations

import json
import math
import shlex
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from partsong.demo import scene
from partsong.demo.clips import LOCKED_OFF, DemoClip, stand_px
from partsong.demo.make import Truth
from partsong.errors import Cancelled, PartsongError
from partsong.film.folder import write_text
from partsong.film.records import Film, Placement, Pose, Region, Take
from partsong.film.store import FilmStore
from partsong.media.check import decode_all
from partsong.prepare.framing import box_of
from partsong.prepare.plan import view
from partsong.watch import silent

LOOK = ("--input", "ACEScct", "--display", "Rec.1886 Rec.709 - Display", "--view", "ACES 1.0 - SDR Video")
EXPOSURE_STOPS = "0.6"
SEED = "1"
UPRIGHT = "9:16"

SOUND_LEAD_MS = 20.0
"""A placement by clear sound should lie within this of the truth: half a frame at 24 a second, rounded."""
BY_PICTURE_FRAMES = 1
"""What a placement by the player's movement can be told to."""
BY_HAND_MS = 40.0
DRIFT_PPM = 10.0
PROPS_FROM_PX = 960
"""Across the frame: in a smaller picture the music stand is a few plain pixels, and nothing is asked of it."""

SENSOR_MM = 36
DUSK_LUX, LAMP_CANDELA, LAMP_WATTS = 40, 6000, 650
"""Figures of the plan that the scene does not know, since its light has no unit."""
PLANNED_WITHIN = 0.04
"""Shares of the frame: a player leans, and the spot that was planned is the middle of the instrument."""


@dataclass(frozen=True, slots=True)
class Step:
    """One command that was run: what it was for, its words, its exit status, how long it took, what it said."""

    phase: str
    words: tuple[str, ...]
    status: int
    seconds: float
    said: str

    @property
    def command(self) -> str:
        """The command as a person would type it."""
        return shlex.join(("partsong", *self.words))

    @property
    def outcome(self) -> str:
        """What the status means, in words."""
        return "done" if self.status == 0 else "done, and asks for a decision"


@dataclass(frozen=True, slots=True)
class Held:
    """A known truth beside what the job found; ``told`` is false of what the job says that it does not tell."""

    about: str
    truth: str
    found: str
    agrees: bool
    told: bool = True

    @property
    def outcome(self) -> str:
        """What it came to, in a word or two."""
        if not self.told:
            return "not told"
        return "agrees" if self.agrees else "DIFFERS"


@dataclass(frozen=True, slots=True)
class Report:
    """What the demo came to."""

    film: Path
    steps: tuple[Step, ...]
    held: tuple[Held, ...]
    notes: tuple[str, ...]
    made: tuple[Path, ...]

    @property
    def agrees(self) -> bool:
        """Whether everything that was told agrees with the truth."""
        return all(held.agrees or not held.told for held in self.held)


def carry(folder: Path, truth: Truth, *, tell: Callable[[Step], None]) -> Report:
    """Run the whole job on the demo's clips.

    Parameters
    ----------
    folder : Path
        Holds the material and gets the film as ``film``; a film that is there already is gone on with.
    truth : Truth
        What the material really is.
    tell : callable
        Is given each step as soon as it has ended.

    Raises
    ------
    PartsongError
        If a command could not do its work.
    Cancelled
        If the person stopped one.
    """
    film = folder / "film"
    steps: list[Step] = []

    def run(phase: str, *words: str) -> str:
        step = _run(phase, words)
        steps.append(step)
        tell(step)
        return step.said

    if not (film / "film.db").is_file():
        stems = [f"--stem={part.name}={folder / part.stem}" for part in truth.parts]
        tempo = truth.tempo
        bpm = f"{tempo.bpm_num}/{tempo.bpm_den}"
        run(
            "prepare", "new", str(film), f"--song={folder / truth.mix}", *stems, f"--title={truth.title}",
            f"--bpm={bpm}", f"--beats={tempo.beats_per_bar}", f"--bar-one={float(tempo.at)}",
        )  # fmt: skip
    sections = [f"--section={section.name}={section.bar}" for section in truth.sections]
    run("prepare", "cut", "tempo", str(film), *sections)
    for words in plan_words(truth):
        run("prepare", "prepare", words[0], str(film), *words[1:])
    run("prepare", "prepare", "sheet", str(film), f"--out={film / 'reports' / 'shoot-sheet.html'}")
    run("shoot", "shoot", "add", str(film), str(folder / "clips"))
    takes = _clips_by_take(film, truth)
    for part in truth.parts:
        stage = next((take for take, clip in takes.items() if clip.kind == "stage" and clip.part == part.id), None)
        if stage:
            run("shoot", "shoot", "set", str(film), stage, f"--distance={part.distance_m:.2f}")
    run("shoot", "shoot", "check", str(film))
    run("look", "look", "set", str(film), *LOOK, f"--exposure={EXPOSURE_STOPS}")
    run("lineup", "lineup", "place", str(film))
    found_alone = {placement.take: placement for placement in _film(film).placements}
    answered = []
    for take, clip in takes.items():
        answer = _answer(found_alone[take], clip, truth)
        if answer:
            run("lineup", "lineup", "accept", str(film), take, answer)
            answered.append(take)
    run("lineup", "lineup", "show", str(film), f"--picture={film / 'reports' / 'score.svg'}")
    run("stage", "stage", "propose", str(film))
    run("stage", "stage", "merge", str(film))
    run("stage", "stage", "show", str(film), "--at=12", f"--picture={film / 'reports' / 'stage.png'}")
    run("cut", "cut", "propose", str(film), f"--seed={SEED}")
    run("cut", "cut", "leak", str(film), "--from=5.1", "--to=7.1", "--at=0.35")
    run("cut", "cut", "stutter", str(film), "--from=8.3", "--to=9.1", "--every=1/2")
    write_text(film / "reports" / "cut.txt", run("cut", "cut", "show", str(film)))
    run("signoff", "signoff", "master", str(film))
    run("signoff", "signoff", "crop", str(film), UPRIGHT)
    run("signoff", "signoff", "master", str(film), "--kind=h264", f"--crop={UPRIGHT}")
    run("signoff", "signoff", "check", str(film))
    run("signoff", "signoff", "interchange", str(film))
    run("signoff", "signoff", "report", str(film))

    document = _film(film)
    held = tuple(_held(document, found_alone, takes, truth, film))
    made = tuple(path for name in ("masters", "reports") for path in sorted((film / name).iterdir()) if path.is_file())
    return Report(film, tuple(steps), held, tuple(_notes(answered)), made)


def text_of(report: Report) -> str:
    """Return the report as plain text."""
    lines = ["What was done", ""]
    for step in report.steps:
        lines += [f"  {step.phase:8} {step.seconds:6.1f} s  {step.outcome}", f"           {step.command}"]
    lines += [
        "",
        f"In all {sum(step.seconds for step in report.steps):.0f} s.",
        "",
        "The truth beside what was found",
        "",
    ]
    for held in report.held:
        lines += [f"  {held.outcome:8} {held.about}"]
        lines += [f"           true: {held.truth}", f"           found: {held.found}"]
    lines += ["", *report.notes, "", "To look at:", *(f"  {path}" for path in report.made)]
    return "\n".join(lines) + "\n"


def _run(phase: str, words: Sequence[str]) -> Step:
    began = time.monotonic()
    # Progress goes to the person's screen by itself; results are kept.
    with subprocess.Popen(
        [sys.executable, "-m", "partsong", *words], stdout=subprocess.PIPE, text=True, encoding="utf-8"
    ) as child:
        while True:
            try:
                said, _ = child.communicate()
                break
            except KeyboardInterrupt:
                continue  # the command hears it too, and ends when it has left nothing half-written
    status = child.returncode
    if status == Cancelled.exit_code:
        raise Cancelled(f"running {shlex.join(words[:2])}")
    if status not in (0, 1):
        raise PartsongError(f"The demo stopped: {shlex.join(('partsong', *words))} ended with status {status}.")
    return Step(phase, tuple(words), status, time.monotonic() - began, said)


def _film(film: Path) -> Film:
    with FilmStore.open(film) as store:
        return store.head().film


def _clips_by_take(film: Path, truth: Truth) -> dict[str, DemoClip]:
    by_path = {clip.path: clip for clip in truth.clips}

    def clip_of(take: Take) -> DemoClip:
        return next(clip for path, clip in by_path.items() if take.clip.file.path.endswith(path))

    return {take.id: clip_of(take) for take in _film(film).takes}


def plan_words(truth: Truth) -> Iterator[tuple[str, ...]]:
    """Return the commands that plan the stage and its light as both really are: camera, room, spots, lamps."""
    focal_mm = SENSOR_MM / 2 / LOCKED_OFF.half_width
    tilt_deg = -math.degrees(math.atan(LOCKED_OFF.rise))  # what stands for a frame that is shifted down
    _, height_m, back_m = scene.CAMERA
    yield (
        "camera", f"--focal-mm={focal_mm:.2f}", f"--sensor-mm={SENSOR_MM}", f"--height-m={height_m}",
        f"--tilt-deg={tilt_deg:.2f}", "--focus-m=5", "--f-number=4", "--iso=200", "--shutter=48",
    )  # fmt: skip
    half = scene.ROOM_WIDTH_M / 2
    yield (
        "room", f"--left-m={half}", f"--right-m={half}", f"--back-m={scene.ROOM_DEPTH_M - back_m:.2f}",
        f"--height-m={scene.ROOM_HEIGHT_M}", f"--ambient-lux={DUSK_LUX}",
    )  # fmt: skip
    for part in truth.parts:
        spot = scene.SPOTS[part.id]
        x_m, up_m, into_m = spot.lamp
        yield ("spot", part.id, f"--x-m={spot.x}", f"--y-m={spot.z - back_m:.2f}", "--width-m=0.9", "--height-m=1.5")
        yield (
            "lamp", f"key-{part.id}", f"--for={part.id}", f"--x-m={x_m}", f"--y-m={into_m - back_m:.2f}",
            f"--height-m={up_m}", "--hangs", "--beam-deg=30", f"--candela={LAMP_CANDELA}", f"--watts={LAMP_WATTS}",
        )  # fmt: skip


def _answer(placement: Placement, clip: DemoClip, truth: Truth) -> str:
    """Return how a person who sees the hands would answer about a take, or nothing when they would leave it."""
    if placement.start is not None or clip.song != truth.title:
        return ""
    for number, candidate in enumerate(placement.candidates, start=1):
        if abs(float(candidate.start) - float(clip.start)) * 1e3 < BY_HAND_MS:
            return f"--candidate={number}"
    return f"--start={round(float(clip.start), 2)}"


def _held(
    film: Film, alone: dict[str, Placement], takes: dict[str, DemoClip], truth: Truth, root: Path
) -> Iterator[Held]:
    if film.plan.spots:
        yield _held_plan(film, truth)
    for take, clip in takes.items():
        yield _held_placement(take, clip, alone[take], film.placement_of(take), truth)
    for take, clip in takes.items():
        if clip.kind == "stage" and take in film.stage.order:
            yield _held_registration(take, clip, film)
    for take, clip in takes.items():
        if clip.kind == "stage" and film.take(take).picture.width >= PROPS_FROM_PX:
            part = next(one for one in truth.parts if one.id == clip.part)
            yield held_props(take, clip, film, part.box_px)
    yield from _held_masters(film, truth, root)


def _held_plan(film: Film, truth: Truth) -> Held:
    seen = view(film)
    boxes = {spot.part: box_of(seen, spot) for spot in film.plan.spots}
    true = {part.id: (part.box_px[0] + part.box_px[2]) / 2 / truth.width for part in truth.parts}
    said = {part: box.across for part, box in boxes.items() if box is not None}
    agrees = said.keys() == true.keys() and all(abs(said[part] - true[part]) <= PLANNED_WITHIN for part in true)
    return Held(
        "where each part is played across the frame, planned before the day",
        ", ".join(f"{part} {place:.2f}" for part, place in true.items()),
        ", ".join(f"{part} {place:.2f}" for part, place in said.items()),
        agrees,
    )


def _held_placement(take: str, clip: DemoClip, alone: Placement, now: Placement | None, truth: Truth) -> Held:
    about = f"{take}, where it sits on the song"
    if clip.song != truth.title:
        agrees = alone.confidence in ("none", "ask")
        return Held(about, f"nowhere: it plays {clip.song}", f"{alone.confidence}: {alone.sentence}", agrees)
    true = f"starts at {float(clip.start):.4f} s, clock {clip.drift_ppm:+.1f} ppm"
    if now is None or now.start is None:
        return Held(about, true, f"{alone.confidence}, not placed", False)
    error_ms = (float(now.start) - float(clip.start)) * 1e3
    found = f"{now.confidence}: {float(now.start):.4f} s ({error_ms:+.1f} ms), clock {now.drift_ppm:+.1f} ppm"
    if now.by_hand:
        found = f"{found}; alone it said {alone.confidence}, then placed by hand"
        return Held(about, true, found, abs(error_ms) <= BY_HAND_MS and alone.confidence in ("ask", "none"))
    long_enough = clip.frames > 30 * truth.rate.nominal  # a clock shows itself over time only
    drift_agrees = abs(now.drift_ppm - clip.drift_ppm) <= DRIFT_PPM or not long_enough
    by_picture = now.evidence is not None and now.evidence.method.startswith("picture")
    most_ms = BY_PICTURE_FRAMES * 1e3 / float(truth.rate.exact) if by_picture else SOUND_LEAD_MS
    return Held(about, true, found, abs(error_ms) <= most_ms and drift_agrees)


def _held_registration(take: str, clip: DemoClip, film: Film) -> Held:
    reference = film.stage.reference
    moved = [move for move in clip.moves if move.at_s == 0]
    dx, dy = -sum(move.dx_px for move in moved), -sum(move.dy_px for move in moved)
    found = film.stage.registration_of(take)
    measured = (found.first.dx_px, found.first.dy_px) if found else (0.0, 0.0)
    agrees = max(abs(measured[0] - dx), abs(measured[1] - dy)) <= 0.5  # what a whole-pixel correction can right
    true, said = f"{dx:+.1f}, {dy:+.1f} at its start", f"{measured[0]:+.2f}, {measured[1]:+.2f}"
    last = sum(move.dx_px for move in clip.moves), sum(move.dy_px for move in clip.moves)
    if len(moved) < len(clip.moves):
        end = found.keys[-1].pose if found else Pose()
        true += f", {-last[0]:+.1f}, {-last[1]:+.1f} at its end"
        said += f", {end.dx_px:+.2f}, {end.dy_px:+.2f}"
        agrees = agrees and max(abs(end.dx_px + last[0]), abs(end.dy_px + last[1])) <= 0.5
    about = f"{take}, moved back onto {reference} by (pixels right, down)"
    return Held(about, true, said, agrees)


def held_props(take: str, clip: DemoClip, film: Film, player: tuple[float, float, float, float]) -> Held:
    """Hold what was said of props in a take to the one stand that was knocked: found where it stands, and no other.

    Right before the ``player`` (left, top, right, bottom) it need not be told where it went: the check says that it
    sees little there. That it does not stand where it stood may be said, of that place and no other.
    """
    said = [one for one in film.findings if one.take == take and one.kind.startswith("prop")]
    found = "; ".join(one.sentence for one in said) or "nothing"
    about = f"{take}, props that do not stand as they stood"
    if not clip.stand_moved:
        return Held(about, "none", found, not said)
    picture = film.take(take).picture
    before, after = (stand_px(picture.width, picture.height, moved=moved) for moved in (False, True))
    dx, dy = ((after[n] + after[n + 2] - before[n] - before[n + 2]) / 2 for n in (0, 1))
    true = f"a music stand, knocked and turned: {abs(dx):.0f} px right and {abs(dy):.0f} down"
    within = player[0] <= after[0] and player[1] <= after[1] and after[2] <= player[2] and after[3] <= player[3]
    if within and all(one.kind == "prop gone" and _middle_in(one.region, before) for one in said):
        return Held(
            about, true, f"{found} (where it went: it stands right before the player)", agrees=False, told=False
        )
    middle = ((after[0] + after[2]) / 2, (after[1] + after[3]) / 2)
    boxes = [one.region for one in said if one.region is not None]
    here = [box.x < middle[0] < box.x + box.width and box.y < middle[1] < box.y + box.height for box in boxes]
    return Held(about, true, found, here == [True])


def _middle_in(region: Region | None, box: tuple[float, float, float, float]) -> bool:
    if region is None:
        return False
    x, y = region.x + region.width / 2, region.y + region.height / 2
    return box[0] < x < box[2] and box[1] < y < box[3]


def _held_masters(film: Film, truth: Truth, root: Path) -> Iterator[Held]:
    frames = -(-truth.song_samples * truth.rate.num // (48000 * truth.rate.den))
    for path in sorted((root / "masters").iterdir()):
        if path.suffix in (".mp4", ".mov"):
            decoded = decode_all(path, silent())
            found = f"{decoded.frames} frames, {decoded.sound_samples} samples of sound"
            agrees = (decoded.frames, decoded.sound_samples) == (frames, truth.song_samples)
            yield Held(f"{path.name}, decoded", f"{frames} frames, {truth.song_samples} samples", found, agrees)
    shown = sum(shot.end - shot.start for shot in film.cut)
    yield Held(
        "the cut covers the song", f"{frames} frames", f"{shown} frames in {len(film.cut)} shots", shown == frames
    )


def _notes(answered: Sequence[str]) -> Iterator[str]:
    if answered:
        yield f"Placed by hand, with the demo's own truth in place of a person's eye: {', '.join(answered)}."


def json_of(report: Report) -> dict[str, Any]:
    """Return the report as plain data."""
    return {
        "film": str(report.film),
        "steps": [
            {"phase": s.phase, "command": s.command, "status": s.status, "seconds": round(s.seconds, 2)}
            for s in report.steps
        ],
        "held": [
            {"about": h.about, "truth": h.truth, "found": h.found, "agrees": h.agrees, "told": h.told}
            for h in report.held
        ],
        "notes": list(report.notes),
        "made": [str(path) for path in report.made],
        "agrees": report.agrees,
    }


def write_reports(folder: Path, report: Report) -> Path:
    """Write the report beside the film, as text and as JSON, and return the text's path."""
    path = folder / "report.txt"
    write_text(path, text_of(report))
    write_text(folder / "report.json", json.dumps(json_of(report), indent=1, ensure_ascii=False) + "\n")
    return path
