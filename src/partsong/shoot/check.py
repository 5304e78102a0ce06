"""The check of a take: what to read of its file, what it is held against, and where the verdict is kept."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TypeVar

import av
import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.folder import FilmFolder, key_of, write_text, writing
from partsong.film.records import Film, Finding, Judgement, Plate, Take
from partsong.film.store import FilmStore
from partsong.media import tags
from partsong.media.packets import Packets, packets_of, read_key_frames
from partsong.media.picture import open_picture
from partsong.media.sound import read_sound
from partsong.shoot import again, camera, evidence, judge, order, props, seams
from partsong.shoot.hearing import Heard, hear
from partsong.shoot.reference import reference_of
from partsong.shoot.sampling import Sampling, sampling
from partsong.shoot.sight import Looker, Run, Sight, changes_of, reduced
from partsong.watch import Watch

_VERSION = 10
"""Of what a sight holds; goes into the cache's names."""
_SUSPECTS = 6
"""Frames that may be repeated, each of which costs a little decoding to be sure of."""
_ENOUGH_KEYS = 8
_NEARLY_ALL = 0.9  # of the frames: of fewer, it is said of how many
_MORE_LIGHTS = 2  # besides the reference's, that props are looked at in
_LEAST_OF_PLATE = 5  # frames, of which noise can be told


_STEPS = 4  # of the check of one take, that it is asked between whether to stop

_LaidOn = dict[str, props.Laid | None]
_Tick = Callable[[int], None]
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Judged:
    """A take, its findings in order of weight, what was said of it, and the picture that shows why, if there is one."""

    take: str
    judgement: Judgement
    findings: tuple[Finding, ...]
    picture: Path | None


def check(store: FilmStore, takes: Sequence[str], watch: Watch) -> tuple[Judged, ...]:
    """Judge stage takes (all of them when none is named) and keep the verdicts in the film: one revision for all.

    Raises
    ------
    InvalidInput
        If there is no such take, or no stage take at all.
    """
    film = store.head().film
    chosen = [film.take(name) for name in takes] or list(film.stage_takes())
    if not chosen:
        raise InvalidInput("The film has no stage take to check. Add one with: partsong shoot add FILM FOLDER")
    # What a take is held against is looked at first, so that a verdict does not hang on which take came before.
    broken = _look_at(store.folder, film, chosen, watch)
    against = reference_of(film, broken)
    judged = []
    laid: _LaidOn = {}
    for number, take in enumerate(chosen):

        def tick(step: int, before: int = number * _STEPS) -> None:
            watch.tick("Checking takes", before + step, len(chosen) * _STEPS)

        try:
            judged.append(_checked(store.folder, film, take, against, laid, tick))
        except UnreadableMedia as problem:
            if problem.path != store.folder.locate(take.clip.file):
                raise
            judged.append(_unreadable(take, problem))
    done = {entry.take for entry in judged}

    def edit(newest: Film) -> Film:
        place = {take.id: number for number, take in enumerate(newest.takes)}
        kept = [entry for entry in judged if entry.take in place]
        findings = [finding for finding in newest.findings if finding.take not in done]
        findings += [finding for entry in kept for finding in entry.findings]
        judgements = [old for old in newest.judgements if old.take not in done]
        judgements += [entry.judgement for entry in kept]
        return newest.replace(
            findings=tuple(sorted(findings, key=lambda finding: place[finding.take])),
            judgements=tuple(sorted(judgements, key=lambda judgement: place[judgement.take])),
        )

    store.change(f"Checked {', '.join(entry.take for entry in judged)}", edit)
    return tuple(judged)


def sight_of(folder: FilmFolder, take: Take) -> Sight:
    """Return what a take shows, looked at once and then kept in the cache.

    Raises
    ------
    UnreadableMedia
        If a frame cannot be decoded.
    """
    kept = _kept(folder, take)
    return _loaded(kept) if kept.is_file() else _look(folder, take, *_plan(folder, take), lambda _: None)


def _look_at(folder: FilmFolder, film: Film, chosen: Sequence[Take], watch: Watch) -> set[str]:
    """Look at takes and at all that they are held against, what was not looked at yet: one progress for all frames.

    Returns which cannot be decoded. That, or that they are no longer there, is told of where they are asked for.
    """
    asked = [*chosen, *filter(None, [reference_of(film)])]
    for take in chosen:
        asked += [*_retakes(film, take), *(_as_take(plate) for plate in _plates_of(film, take) if _long_enough(plate))]
    broken = set[str]()
    plans: list[tuple[Take, Sampling, tuple[int, ...]]] = []
    for take in {take.id: take for take in asked}.values():
        if not _kept(folder, take).is_file():
            try:
                plans.append((take, *_plan(folder, take)))
            except UnreadableMedia:
                broken.add(take.id)
            except InvalidInput:
                pass
    total = sum(plan.looks(take.picture.frames) for take, plan, _ in plans)
    done = 0
    for take, plan, keys in plans:

        def tick(looked: int, before: int = done) -> None:
            watch.tick("Looking at frames of takes", before + looked, total)

        try:
            _look(folder, take, plan, keys, tick)
        except UnreadableMedia:
            broken.add(take.id)
        except InvalidInput:
            pass
        done += plan.looks(take.picture.frames)
    return broken


def _plan(folder: FilmFolder, take: Take) -> tuple[Sampling, tuple[int, ...]]:
    """Return what to look at of a take, and its key frames.

    Raises
    ------
    UnreadableMedia
        Also if it could not be decoded before, and neither the file nor what decodes it is another since.
    """
    picture = take.picture
    path = folder.locate(take.clip.file)
    remembered = _failure(folder, take, path)
    if remembered.is_file():
        raise UnreadableMedia(path, *json.loads(remembered.read_text(encoding="utf-8")))
    packets = packets_of(path)
    keys = tuple(int(frame) for frame in np.flatnonzero(packets.keys))
    return sampling(picture.frames, picture.width, picture.height, keys), keys


def _look(folder: FilmFolder, take: Take, plan: Sampling, keys: tuple[int, ...], tick: _Tick) -> Sight:
    path = folder.locate(take.clip.file)
    failure = _failure(folder, take, path)
    try:
        sight = _looked_at(path, take, plan, keys, tick)
    except UnreadableMedia as problem:
        # A disk that fails may be well again the next time, and a file that was changed meanwhile whole.
        if not isinstance(problem.__cause__, OSError) and path.is_file() and failure == _failure(folder, take, path):
            write_text(failure, json.dumps([problem.reason, problem.remedy]))
        raise
    with writing(_kept(folder, take)) as temporary:
        temporary.write_bytes(_dumped(sight))
    return sight


def _kept(folder: FilmFolder, take: Take) -> Path:
    picture = take.picture
    name = key_of("sight", _VERSION, take.clip.file.fingerprint, picture.matrix, picture.value_range)
    return folder.cached("sights", name, ".npz")


def _failure(folder: FilmFolder, take: Take, path: Path) -> Path:
    """Return where it is kept that a take could not be decoded.

    A fingerprint samples a file, and a whole copy in place of a damaged one may have the same: so its name also tells
    when the file was last changed or replaced.
    """
    state = path.stat()
    file = [state.st_size, state.st_mtime_ns, state.st_ctime_ns, state.st_ino]
    return folder.cached("sights", key_of("failure", _kept(folder, take).stem, av.__version__, file), ".json")


# --- one take -------------------------------------------------------------------------------------


def _checked(folder: FilmFolder, film: Film, take: Take, against: Take | None, laid: _LaidOn, tick: _Tick) -> Judged:
    """Judge one take against the reference.

    ``laid`` are takes that were laid on the reference so far, and gets those that are. ``tick`` is told of each of the
    :data:`_STEPS`, before it.
    """
    tick(0)
    path = folder.locate(take.clip.file)
    picture = take.picture
    rate_hz = float(picture.rate.exact)
    others = [other for other in film.stage_takes() if other.id != take.id]
    packets = packets_of(path)
    sight = sight_of(folder, take)
    unseen: list[str] = []
    said, reference = _compared_with(folder, take, sight, against, unseen)
    same_light = [one for one in (_seen(folder, other, unseen) for other in _retakes(film, take)) if one is not None]
    said += judge.of_file(film, take, others)
    said += judge.of_length(film, take)
    said += _of_order(path, take, packets, sight, unseen)
    tick(1)
    if reference is not None and take.id not in laid:
        laid[take.id] = props.laid_on(sight, reference)
    own = laid.get(take.id)
    of_camera = camera.of_camera(
        sight, reference, against.id if against else "", rate_hz, unseen, own.found if own else None
    )
    said += of_camera
    moved_from = against if any(remark.kind == "camera moved" for remark in of_camera) else None
    alike = against is not None and against.part is not None and against.part == take.part
    bits = min(picture.bit_depth, against.picture.bit_depth) if against is not None else picture.bit_depth
    seen, not_told = judge.of_picture(sight, reference, same_light, rate_hz, reference_alike=alike, bits=bits)
    if len(sight.knocks):  # what moved with the camera is no change of light
        seen = [remark for remark in seen if remark.kind != "light changed"]
    if against is not None and against.id == take.id:
        not_told = [sentence for sentence in not_told if "no reference" not in sentence]
        not_told.append("Focus was not compared: this take is the reference itself.")
        not_told.append("Exposure and white balance were not compared: this take is the reference itself.")
    if reference is not None and against is not None:
        more = [other for other in others if other.id != against.id and other.part != take.part]
        tick(2)
        lights = _other_lights(folder, take, more)
        laid |= {one.id: props.laid_on(sight_of(folder, one), reference) for one in lights if one.id not in laid}
        see = [one for one in (laid[other.id] for other in lights) if one is not None]
        said += props.of_props(own, reference, against.id, unseen, see)
    else:
        not_told.append("Whether a prop was moved was not told: there is no other take to hold this one against.")
    kinds = {remark.kind for remark in [*said, *seen]}
    seen += [remark for remark in _of_plates(folder, film, take, sight, not_told) if remark.kind not in kinds]
    tick(3)
    heard = _heard(path, take)
    said += seen
    said += judge.of_sound(heard, guide=film.song is not None and bool(film.song.tempo))
    name = film.part(take.part).name if take.part else take.id
    findings = tuple(remark.finding(take) for remark in seams.ranked(film.stage, take.id, name, said))
    looked = len(set(sight.frames).union(*(range(run.first, run.first + len(run.changes) + 1) for run in sight.runs)))
    if looked < picture.frames:
        not_told.insert(
            0,
            f"{looked} of {picture.frames} frames were looked at; sound, times and sizes of all of them were.",
        )
    verdict = judge.worst(findings)
    sentence = _sentence(findings, verdict)
    judgement = Judgement(take=take.id, verdict=verdict, sentence=sentence, unseen=(*unseen, *not_told))
    free = sight.unmoving if reference is None else sight.unmoving & reference.unmoving
    return Judged(take.id, judgement, findings, evidence.draw(folder, take, findings, verdict, free, moved_from))


def _of_plates(folder: FilmFolder, film: Film, take: Take, sight: Sight, not_told: list[str]) -> list[judge.Remark]:
    """Hold a take against the plates of its part, which are in the same light, else against those of ambient light."""
    said: list[judge.Remark] = []
    for plate in _plates_of(film, take):
        if not _long_enough(plate):
            not_told.append(f"It was not compared with {plate.id}, which is too short.")
            continue
        shown = _seen(folder, _as_take(plate), not_told)
        if shown is None:
            continue
        if shown.still.shape != sight.still.shape:
            not_told.append(f"It was not compared with {plate.id}: the two are of different size.")
            continue
        kinds = {remark.kind for remark in said}
        found = camera.of_place(sight, shown, plate.id, not_told) if not len(sight.knocks) else []
        if plate.part == take.part:
            bits = min(_as_take(plate).picture.bit_depth, take.picture.bit_depth)
            of_light, told = judge.of_plate(sight, shown, plate.id, bits=bits)
            found += of_light
            if told:
                not_told[:] = [one for one in not_told if not one.startswith(("Exposure", "White balance"))]
        said += [remark for remark in found if remark.kind not in kinds]
    return said


def _unreadable(take: Take, problem: UnreadableMedia) -> Judged:
    """Return the verdict on a take that cannot be decoded to its end."""
    remark = judge.Remark("unreadable", f"It cannot be read: {problem.reason}.", problem.remedy, "do not strike")
    finding = remark.finding(take)
    sentence = _sentence([finding], finding.verdict)
    unseen = ("Nothing else was looked at.",)
    return Judged(
        take.id, Judgement(take=take.id, verdict=finding.verdict, sentence=sentence, unseen=unseen), (finding,), None
    )


def _seen(folder: FilmFolder, take: Take, unseen: list[str]) -> Sight | None:
    """Return what something shows that a take is held against; None, with the reason in ``unseen``, if it cannot be."""
    try:
        return sight_of(folder, take)
    except InvalidInput as problem:
        unseen.append(f"It was not compared with {take.id}: {problem}")
        return None


def _retakes(film: Film, take: Take) -> list[Take]:
    """Return the other stage takes of a take's part, which have its light."""
    return [one for one in film.stage_takes() if one.id != take.id and one.part == take.part and _same_size(one, take)]


def _plates_of(film: Film, take: Take) -> list[Plate]:
    """Return the plates that a take is held against."""
    return [one for one in film.plates if one.part == take.part] or [one for one in film.plates if one.part is None]


def _as_take(plate: Plate) -> Take:
    """Return a plate as the take as which it is looked at."""
    return Take(id=plate.id, kind="roaming", part=plate.part, clip=plate.clip)


def _long_enough(plate: Plate) -> bool:
    return plate.clip.picture is not None and plate.clip.picture.frames >= _LEAST_OF_PLATE


def _compared_with(
    folder: FilmFolder, take: Take, sight: Sight, against: Take | None, unseen: list[str]
) -> tuple[list[judge.Remark], Sight | None]:
    """Return what the reference shows, or None if a take cannot be held against it, and what is to be said then."""
    if against is None or against.id == take.id:
        return [], None
    reference = _seen(folder, against, unseen)
    if reference is None:
        advice = "Copy that clip again from the card, add it, and check again."
        return [judge.Remark("not compared", unseen.pop(), advice, "look first")], None
    if reference.still.shape != sight.still.shape:
        unseen.append(f"It was not compared with {against.id}: the two are of different size.")
        return [], None
    return [], reference


def _other_lights(folder: FilmFolder, take: Take, others: Sequence[Take]) -> list[Take]:
    """Return some other takes, of those that were looked at already: no more is decoded for this."""
    return [other for other in others if _same_size(other, take) and _kept(folder, other).is_file()][:_MORE_LIGHTS]


def _same_size(one: Take, other: Take) -> bool:
    return (one.picture.width, one.picture.height) == (other.picture.width, other.picture.height)


def _looked_at(path: Path, take: Take, plan: Sampling, keys: tuple[int, ...], tick: _Tick) -> Sight:
    picture = take.picture
    looked = [0]

    def told(frames: Iterable[_T]) -> Iterator[_T]:
        for frame in frames:
            tick(looked[0])
            looked[0] += 1
            yield frame

    # What a file leaves unsaid of its colour is asked elsewhere; faults show all the same.
    matrix, value_range = tags.presumed(picture.matrix, picture.value_range)
    looker = Looker(together=max(5, len(plan.spread) // 3))
    before = {max((key for key in keys if key <= frame), default=0) for frame in plan.spread}
    by_keys = len(before) >= min(_ENOUGH_KEYS, len(plan.spread))
    if by_keys:
        frames = read_key_frames(path, picture, plan.spread, matrix=matrix, value_range=value_range)
        for number, planes in told(frames):
            looker.add(number, planes)
    with open_picture(path, picture, threads=1, matrix=matrix, value_range=value_range) as reader:
        if not by_keys:
            for number, planes in zip(plan.spread, told(reader.read(plan.spread)), strict=True):
                looker.add(number, planes)
        for run in plan.runs:
            looker.add_run(run.start, list(told(reader.read(run))))
        if plan.whole:
            looker.add_changes(told(reader.read(range(picture.frames))))

        def look(numbers: Sequence[int]) -> list[NDArray[np.float32]]:
            tick(looked[0])
            return [reduced(planes) for planes in reader.read(numbers)]

        knocks, sag_px, steady = camera.followed(
            looker, look, size=take.picture.shown_size, frames=picture.frames, rate_hz=float(picture.rate.exact)
        )
    return looker.sight(steady=steady, knocks=knocks, sag_px=sag_px)


def _of_order(path: Path, take: Take, packets: Packets, sight: Sight, not_told: list[str]) -> list[judge.Remark]:
    picture = take.picture
    rate_hz = float(picture.rate.exact)
    said = []
    missing = order.gaps(packets, rate_hz) if not picture.variable_rate else ()
    if missing:
        count = sum(gap.missing for gap in missing)
        said.append(
            _dropped(count, missing[0].frame, f"its times leave {count} out, first before frame {missing[0].frame}")
        )
    if take.clip.sound is not None and not missing:
        sound_s = take.clip.sound.samples / take.clip.sound.rate_hz
        lost = order.lost_against_sound(float(take.clip.duration.seconds), sound_s, rate_hz)
        if lost:
            said.append(_dropped(lost, None, f"the picture is {lost} shorter than the sound recorded with it"))
    found = again.found_again([(run.first, run.changes, run.over_two) for run in sight.runs], packets.keys)
    suspected = [frame for frame in order.suspects(packets) if frame not in found.frames]
    twice, seen = set(found.frames), set[int]()
    for run in sight.runs:
        twice.update(order.repeats(run.first, run.changes, suspected))
        seen.update(range(run.first + 1, run.first + 1 + len(run.changes)))
    unseen = [frame for frame in suspected if frame not in seen]
    twice.update(*(_repeated_near(path, take, frame) for frame in unseen[:_SUSPECTS]))
    if not found.told:
        not_told.append(
            "Whether every frame is new cannot be told: the encoder leaves too little grain, or carries it along. "
            "Frames shown twice were looked for all the same, by movement and by packets that are nearly empty."
        )
    elif len(found.asked) < _NEARLY_ALL * picture.frames:
        not_told.append(
            f"Whether frames are shown twice was told of {len(found.asked)} frames, as far as their grain is kept, "
            "and of those with nearly empty packets."
        )
    if twice:
        first = min(twice)
        more = max(0, len(unseen) - _SUSPECTS)
        said.append(
            judge.Remark(
                "repeated frames",
                f"{len(twice)} {'frame shows' if len(twice) == 1 else 'frames show'} the one before again, first frame "
                f"{first}" + (f"; {more} more may." if more else "."),
                "Try another card: this is usually one that is too slow, or a recorder that converts the rate.",
                "do not strike",
                frame=first,
                size=float(len(twice)),
                unit="frames",
            )
        )
    return said


def _dropped(count: int, frame: int | None, why: str) -> judge.Remark:
    return judge.Remark(
        "dropped frames",
        f"{count} {'frame is' if count == 1 else 'frames are'} missing: {why}.",
        "Try another card, and shoot again: a lost frame is a jump, and from there on the lips are off.",
        "do not strike",
        frame=frame,
        size=float(count),
        unit="frames",
    )


def _repeated_near(path: Path, take: Take, frame: int) -> tuple[int, ...]:
    """Return a suspected frame if pictures around it say that it shows the one before once more."""
    matrix, value_range = tags.presumed(take.picture.matrix, take.picture.value_range)
    with open_picture(path, take.picture, threads=1, matrix=matrix, value_range=value_range) as reader:
        around = range(max(0, frame - 4), min(take.picture.frames, frame + 4))
        changes, _ = changes_of(reader.read(around))
    return order.repeats(around.start, changes, [frame])


def _heard(path: Path, take: Take) -> Heard | None:
    sound = take.clip.sound
    if sound is None:
        return None
    return hear(read_sound(path, rate_hz=sound.rate_hz), sound.rate_hz)


def _sentence(findings: Sequence[Finding], verdict: str) -> str:
    telling = [finding for finding in findings if finding.verdict != "clear to strike"]
    if not telling:
        return f"{verdict.capitalize()}: nothing was found that a seam or a cut would show."
    return f"{verdict.capitalize()}: {' '.join(finding.sentence for finding in telling)}"


# --- the cache ------------------------------------------------------------------------------------


def _dumped(sight: Sight) -> bytes:
    held: dict[str, object] = {}
    for entry in fields(Sight):
        if entry.name != "runs":
            held[entry.name] = getattr(sight, entry.name)
    for number, run in enumerate(sight.runs):
        held |= {f"run{number}_{entry.name}": getattr(run, entry.name) for entry in fields(Run)}
    data = io.BytesIO()
    np.savez(data, **{name: np.asarray(value) for name, value in held.items()})  # type: ignore[arg-type]
    return data.getvalue()


def _loaded(path: Path) -> Sight:
    try:
        with np.load(path) as held:
            runs: list[Run] = []
            while f"run{len(runs)}_first" in held:
                of_run = {entry.name: held[f"run{len(runs)}_{entry.name}"] for entry in fields(Run)}
                runs.append(Run(**of_run | {"first": int(of_run["first"])}))
            plain = {entry.name: held[entry.name] for entry in fields(Sight) if entry.name != "runs"}
    except (OSError, ValueError, KeyError) as problem:
        raise UnreadableMedia(
            path, "it is damaged", "Delete the film's cache folder; nothing in it is lost."
        ) from problem
    plain["frames"] = tuple(int(frame) for frame in plain["frames"])
    for name in ("width", "height"):
        plain[name] = int(plain[name])
    for name in ("ceiling", "sag_px"):
        plain[name] = float(plain[name])
    return Sight(**plain, runs=tuple(runs))
