"""The steps of sign-off: make masters, measure files, write the edit, write the page."""

from __future__ import annotations

import contextlib
import dataclasses
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Literal

from partsong.engine.cluster import Cluster
from partsong.engine.local import Local
from partsong.engine.run import Engine, run_tasks
from partsong.engine.tasks import Task
from partsong.errors import InvalidInput, OutputFailed
from partsong.film.folder import FilmFolder, fingerprint, key_of, write_text, writing
from partsong.film.records import WIDE, Clip, Crop, Film, MediaFile, PictureInfo, Timecode
from partsong.media.planes import Matrix, Planes, ValueRange
from partsong.signoff import faults, flash, levels, loudness, sync
from partsong.signoff.checks import Check, undecided
from partsong.signoff.edit import WideFile, edit_of
from partsong.signoff.masters import (
    SOUND_RATE_HZ,
    MasterKind,
    MasterPlan,
    Piece,
    View,
    file_name,
    frame_size,
    plan_master,
)
from partsong.signoff.paint import Painter, SegmentPainter, painter_for
from partsong.signoff.recheck import Rechecked
from partsong.signoff.report import MasterPart, Picture, Report, glance_of, page, score_of, take_lines
from partsong.signoff.verify import verify
from partsong.timebase import Rate, clock
from partsong.watch import Watch

_MEASURED = "measured-1"  # part of every key: raise it when the same file would measure otherwise
_TAKE_WIDTH, _STAGE_WIDTH, _SCORE_WIDTH = 240, 960, 200
_JPEG_QUALITY = 82
_CODECS = {"h264": "H.264", "aac": "AAC", "pcm_s24le": "24-bit PCM", "pcm_s16le": "16-bit PCM"}


@dataclass(frozen=True, slots=True)
class Master:
    """A finished master and how it was found to be what was planned."""

    path: Path
    kind: MasterKind
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """What a file of any kind was found to hold, in words, and its checks."""

    path: Path
    facts: str
    checks: tuple[Check, ...]


# --- masters --------------------------------------------------------------------------------------


def make_masters(
    folder: FilmFolder,
    film: Film,
    kinds: Sequence[MasterKind],
    *,
    watch: Watch,
    engine: Engine | None = None,
    crop: Crop | None = None,
) -> tuple[Master, ...]:
    """Render the cut through the look into masters, whole or as a crop, each named only when it was found whole.

    What was rendered before, also by a run that was killed, is taken from the cache.

    Raises
    ------
    InvalidInput
        If something of the film is missing.
    OutputFailed
        If a master could not be written, or was not what was planned; nothing then has its name.
    Cancelled
        When the watch said stop.
    """
    from partsong.render.segments import render

    folder.sweep()
    plan = plan_master(film, crop)
    painters = {kind: painter_for(folder, film, plan, kind) for kind in kinds}
    outputs = {
        kind: [
            (segment, folder.cached(f"master-{kind}", segment.key, painter.recipe.suffix))
            for segment in painter.segments(plan)
        ]
        for kind, painter in painters.items()
    }
    # Stretch by stretch the same frames: what is missing of several masters is painted from one decoding.
    together = SegmentPainter({painter.recipe.suffix: painter for painter in painters.values()})
    render([(together, stretch) for stretch in zip(*outputs.values(), strict=True)], watch=watch, engine=engine)
    folder.sweep()  # workers may have been killed on the way, and others have done their work
    with contextlib.ExitStack() as opened:
        written = {}
        for kind, painter in painters.items():
            path = folder.masters / f"{plan.name}{painter.recipe.suffix}"
            written[path] = opened.enter_context(writing(path))
            _join(folder, film, plan, kind, [segment for _, segment in outputs[kind]], written[path])
        checked = _checked(written, plan, painters, watch, engine)
    for path, checks in zip(written, checked, strict=True):
        _keep(folder.cached("verified", fingerprint(path), ".json"), picture_key(film, crop), checks)
    return tuple(Master(path, kind, checks) for path, kind, checks in zip(written, painters, checked, strict=True))


def _join(
    folder: FilmFolder, film: Film, plan: MasterPlan, kind: MasterKind, segments: Sequence[Path], path: Path
) -> None:
    """Join a master's segments and give it its sound."""
    from partsong.media.join import join

    assert film.song is not None
    join(
        segments,
        path,
        sound=folder.locate(film.song.mix.file),
        sound_codec="aac" if kind == "h264" else "pcm_s24le",
        sound_samples=plan.samples,
        timecode=Timecode(frame=3600 * plan.rate.nominal) if kind == "mezzanine" else None,
    )


def _checked(
    written: Mapping[Path, Path],
    plan: MasterPlan,
    painters: Mapping[MasterKind, Painter],
    watch: Watch,
    engine: Engine | None,
) -> list[tuple[Check, ...]]:
    """Decode masters again and hold them against their plan; ``written`` says what stands for each as yet.

    A cluster shares their stretches out; on this machine the decoder's own threads do that.
    """
    from partsong.media.check import put_together

    doing = "Decoding the masters again"
    shared = isinstance(engine, Cluster)
    tasks: list[Task] = []
    numbers = []
    for (path, file), painter in zip(written.items(), painters.values(), strict=True):
        spans = [(part.first, part.stop) for part in painter.segments(plan)] if shared else [(0, plan.frames)]
        numbers.append(range(len(tasks), len(tasks) + len(spans)))
        for first, stop in spans:
            work = Rechecked(file, painter, plan, first, stop, alone=not shared)
            tasks.append(Task(f"{path.name} from frame {first} on", work, stop - first))
    found = run_tasks(tasks, doing=doing, watch=watch, engine=engine if shared else Local(1))
    checked = []
    for (path, file), kind, mine in zip(written.items(), painters, numbers, strict=True):
        ticks = [tick for number in mine for tick in found[number][0]]
        compared = [one for number in mine for one in found[number][1]]
        checks = verify(plan, kind, put_together(file, ticks, watch, doing=doing), compared)
        failed = undecided(checks)
        if failed:
            raise OutputFailed(
                f"{path.name} was written but is not what was planned, so it was not kept. {failed[0].sentence} "
                f"({failed[0].measured}; limit {failed[0].limit})"
            )
        checked.append(checks)
    return checked


def picture_key(film: Film, crop: Crop | None = None) -> str:
    """Return what names the picture that a film gives: films with one key show the same, frame by frame."""
    clips = [*((take.id, take.clip) for take in film.takes), *((plate.id, plate.clip) for plate in film.plates)]
    files = {name: clip.file.fingerprint for name, clip in clips}
    places = [(found.take, str(found.start), found.drift_ppm) for found in film.placements if found.start is not None]
    shown = film.model_dump(mode="json", include={"rate", "width", "height", "stage", "look", "cut", "effects"})
    return key_of("picture", files, places, shown, *([crop.model_dump()] if crop else []))


def flashing_of(folder: FilmFolder, film: Film) -> tuple[Literal["safe", "fails", "unknown"], str]:
    """Return whether the cut as it is now flashes, and that in a sentence: from a master of it that was measured."""
    from partsong.render.effects import metered

    worst = metered(film)
    if worst is not None and worst.fails:
        return "fails", (
            f"The effects of this cut flash {worst.flashes:g} times in a second by themselves, which is too much."
        )
    for path, found in known_measures(folder, film) if film.song else ():
        verified = folder.cached("verified", fingerprint(path), ".json")
        if found is None or not verified.is_file() or _kept(verified)[0] != picture_key(film):
            continue
        flashes = [check for check in found.checks if check.topic == "Flashing"]
        failed = undecided(flashes)
        if failed:
            return "fails", f"This cut fails the flash check. {failed[0].sentence}"
        if flashes:
            return "safe", f"This cut was measured for flashing in {path.name}, and stays within the limits."
    return "unknown", "This cut was not measured for flashing yet. That is done with a master of it, under Sign off."


# --- measuring ------------------------------------------------------------------------------------


def measure_file(
    path: Path,
    *,
    watch: Watch,
    target_lufs: float | None = None,
    matrix: Matrix | None = None,
    value_range: ValueRange | None = None,
) -> Measured:
    """Measure a media file of any origin.

    Raises
    ------
    UnreadableMedia
        If it is not picture or sound, or is damaged.
    InvalidInput
        If the picture does not say its matrix or range and neither is given.
    """
    from partsong.media.probe import probe

    if not path.is_file():
        raise InvalidInput(f"{path} is not there. Give a media file or the folder of a film.")
    absolute = path.resolve()
    file = MediaFile(path=absolute.as_posix(), size_bytes=absolute.stat().st_size, fingerprint=fingerprint(absolute))
    clip = probe(absolute, file)
    checks: list[Check] = []
    if clip.picture is not None:
        checks += _measure_picture(absolute, clip.picture, watch, matrix, value_range)
    if clip.sound is not None:
        checks += _measure_sound(absolute, watch, target_lufs)
    if clip.picture is not None and clip.sound is not None:
        picture_s = clip.picture.frames * clip.picture.rate.frame_s
        sound_s = Fraction(clip.sound.samples, clip.sound.rate_hz)
        checks.append(sync.judge_lengths(picture_s, sound_s, clip.picture.rate))
    return Measured(path, _facts(absolute, clip), tuple(checks))


def measure_film(
    folder: FilmFolder, film: Film, *, watch: Watch, target_lufs: float | None = None
) -> tuple[Measured, ...]:
    """Measure every master of a film, its sound against the song too; what was measured before is remembered.

    Raises
    ------
    InvalidInput
        If there is no master yet.
    """
    paths = master_paths(folder)
    if not paths:
        raise InvalidInput(f"There is no master yet. Make one: partsong signoff master {folder.root}")
    for path in paths:
        kept = _kept_at(folder, film, path, target_lufs)
        if not kept.is_file():
            assert film.song is not None
            measured = measure_file(path, watch=watch, target_lufs=target_lufs)
            against_song = _against_song(path, folder.locate(film.song.mix.file), watch)
            _keep(kept, measured.facts, (*measured.checks, *against_song))
    return tuple(found for _, found in known_measures(folder, film, target_lufs=target_lufs) if found is not None)


def known_measures(
    folder: FilmFolder, film: Film, *, target_lufs: float | None = None
) -> tuple[tuple[Path, Measured | None], ...]:
    """Return every master of a film with what is remembered of it: None where it was not measured yet."""
    found: list[tuple[Path, Measured | None]] = []
    for path in master_paths(folder):
        kept = _kept_at(folder, film, path, target_lufs)
        if not kept.is_file():
            found.append((path, None))
            continue
        facts, checks = _kept(kept)
        verified = folder.cached("verified", fingerprint(path), ".json")
        before = _kept(verified)[1] if verified.is_file() else ()
        # The verification has already held picture against sound; once is enough.
        told = {check.sentence for check in before}
        checks = (*before, *(check for check in checks if check.sentence not in told))
        found.append((path, Measured(path, facts, checks)))
    return tuple(found)


def _kept_at(folder: FilmFolder, film: Film, path: Path, target_lufs: float | None) -> Path:
    assert film.song is not None
    key = key_of(_MEASURED, fingerprint(path), film.song.mix.file.fingerprint, target_lufs)
    return folder.cached("measured", key, ".json")


def master_paths(folder: FilmFolder) -> tuple[Path, ...]:
    """Return the finished masters of a film by name, crops after the whole frame that they are named after."""
    # What starts with a dot is being written.
    finished = (path for path in folder.masters.iterdir() if not path.name.startswith("."))
    masters = [path for path in finished if path.suffix in (".mp4", ".mov")]
    return tuple(sorted(masters, key=lambda path: (path.stem, path.suffix)))


def _measure_picture(
    path: Path, picture: PictureInfo, watch: Watch, matrix: Matrix | None, value_range: ValueRange | None
) -> list[Check]:
    from partsong.media.picture import encoded_rgb, open_picture, resized
    from partsong.render.flashing import FlashMeter
    from partsong.render.pixels import code_scale

    level, fault = levels.LevelMeter(), faults.FaultMeter(picture.rate)
    flashing: FlashMeter | None = None
    with open_picture(path, picture, matrix=matrix, value_range=value_range) as reader:
        frames = reader.read(range(picture.frames))
        for planes in watch.over(frames, total=picture.frames, doing=f"Looking at {path.name}"):
            if flashing is None:
                flashing = FlashMeter(planes.width, planes.height, picture.rate)
                # Twice the meter's cells: light is averaged there, codes only below that.
                size = [
                    max(2, min(full, 2 * cells)) // 2 * 2
                    for full, cells in ((planes.width, flashing.columns), (planes.height, flashing.rows))
                ]
            level.feed(planes)
            small = resized(planes, *size)
            flashing.feed(encoded_rgb(small))
            scale, zero, _, _ = code_scale(small.bit_depth, small.value_range)
            fault.feed((small.y.astype("f4") - zero) / scale)
    assert flashing is not None
    return [
        *flash.judge(flashing.worst()),
        *levels.judge(level.result(), picture.rate),
        *faults.judge(fault.result()),
    ]


def _measure_sound(path: Path, watch: Watch, target_lufs: float | None) -> list[Check]:
    from partsong.media.sound import read_sound

    blocks = read_sound(path, rate_hz=loudness.RATE_HZ)
    heard = watch.over(blocks, total=0, doing=f"Listening to {path.name}")
    return list(loudness.judge(loudness.measure(heard), target_lufs=target_lufs))


def _against_song(path: Path, mix: Path, watch: Watch) -> list[Check]:
    from partsong.media.sound import load_sound, measured

    watch.check(f"Holding {path.name} against the song")
    heard = measured(path)
    if heard is None:
        missing = "There is no sound in this master. Make it again."
        return [Check("Sync", missing, "no sound", "the song", "the plan", "outside")]
    song, sound = (load_sound(each, rate_hz=SOUND_RATE_HZ) for each in (mix, path))
    found = sync.offsets(song, sound, rate_hz=SOUND_RATE_HZ)
    return [sync.judge_offsets(found, rate_hz=SOUND_RATE_HZ, lossless=heard.codec.startswith("pcm_"))]


def _facts(path: Path, clip: Clip) -> str:
    parts = []
    if clip.picture is not None:
        picture = clip.picture
        codec = _CODECS.get(picture.codec, picture.codec)
        parts += [f"{codec}, {picture.bit_depth} bits", f"{picture.width} × {picture.height}"]
        parts += [f"{picture.rate} frames a second", clock(picture.frames * picture.rate.frame_s)]
    if clip.sound is not None:
        codec = _CODECS.get(clip.sound.codec, clip.sound.codec)
        parts.append(f"{codec} sound, {clip.sound.layout} at {clip.sound.rate_hz} Hz")
    parts.append(f"{path.stat().st_size / 1e6:.1f} MB")
    return ", ".join(parts)


def _keep(path: Path, facts: str, checks: Iterable[Check]) -> None:
    kept = {"facts": facts, "checks": [dataclasses.asdict(check) for check in checks]}
    write_text(path, json.dumps(kept, indent=1, ensure_ascii=False))


def _kept(path: Path) -> tuple[str, tuple[Check, ...]]:
    kept = json.loads(path.read_text(encoding="utf-8"))
    return kept["facts"], tuple(Check(**fields) for fields in kept["checks"])


def _picture_of(path: Path, clip: Clip) -> PictureInfo:
    if clip.picture is None:
        raise OutputFailed(f"{path.name} holds no picture after it was written. Make it again.")
    return clip.picture


# --- interchange ----------------------------------------------------------------------------------


def write_edit(folder: FilmFolder, film: Film) -> tuple[Path, Path]:
    """Write the cut as an open timeline and as an edit list beside the masters, and return both paths."""
    from partsong.render.wide import joined, merged_runs
    from partsong.signoff.interchange import edit_list, timeline

    assert film.song is not None
    urls = {"mix": folder.locate(film.song.mix.file).as_uri()}
    for source in {source for shot in film.cut for source in shot.sources} - {WIDE}:
        urls[source] = folder.locate(film.take(source).clip.file).as_uri()
    wide = [
        WideFile(joined(folder, run).as_uri(), run.segments[0].first, run.segments[-1].stop)
        for run in merged_runs(folder, film)
        if any(WIDE in shot.sources and run.covers(shot.start, shot.end) for shot in film.cut)
    ]
    edit = edit_of(film, urls, wide)
    names = tuple(folder.masters / f"{file_name(film.name)}{suffix}" for suffix in (".otio", ".edl"))
    write_text(names[0], timeline(edit))
    write_text(names[1], edit_list(edit))
    return names[0], names[1]


# --- report ---------------------------------------------------------------------------------------


def write_report(
    folder: FilmFolder, film: Film, *, watch: Watch, target_lufs: float | None = None
) -> tuple[Path, Report]:
    """Write the sign-off page of a film as it is today; masters that were not measured yet are."""
    paths = master_paths(folder)
    measured = measure_film(folder, film, watch=watch, target_lufs=target_lufs) if paths else ()
    watch.check("Drawing the sign-off page")
    pictures = _source_pictures(folder, film)
    stage = pictures.get(WIDE)
    score = score_of(film)
    report = Report(
        title=film.name,
        glance=glance_of(film),
        takes=take_lines(film, pictures),
        stage=stage,
        stage_words=_stage_words(film, stage is not None),
        score=score,
        pictures=_score_pictures(paths, {span.frame: span.source for cell in score for span in cell.spans}, watch),
        masters=tuple(MasterPart(each.path.name, each.facts, each.checks) for each in measured),
        handed_over=tuple(
            f"{path.name}: the cut {words}"
            for suffix, words in ((".otio", "as an open timeline"), (".edl", "as an edit list"))
            if (path := folder.masters / f"{file_name(film.name)}{suffix}").is_file()
        ),
        made=date.today(),
    )
    path = folder.reports / "signoff.html"
    write_text(path, page(report))
    return path, report


def _stage_words(film: Film, is_merged: bool) -> str:
    layers = len(film.stage.order)
    if not is_merged:
        return "Nothing of the wide as the film is now has been merged yet, so there is no picture of it."
    return (
        f"The merged wide, near the middle of the song: {layers} {'take' if layers == 1 else 'takes'} in one picture."
    )


def _source_pictures(folder: FilmFolder, film: Film) -> dict[str, Picture]:
    """Return a picture of every take from its middle, and of the wide, through the look when there is one."""
    from partsong.render.wide import merged_runs

    if not film.takes or film.rate is None:
        return {}
    frames = {take.id: take.picture.frames // 2 for take in film.takes}
    alts = {take.id: f"A frame from the middle of {take.id}" for take in film.takes}
    pictures = {
        take: picture_of(planes, alts[take]) for take, planes in _shown(folder, film, frames, _TAKE_WIDTH).items()
    }
    if film.look and film.song and film.stage.order:
        middle = film.rate.frames_at(film.song.length_s / 2)
        merged = [segment for run in merged_runs(folder, film) for segment in run.segments]
        near = min(
            (min(max(middle, one.first), one.stop - 1) for one in merged), key=lambda at: abs(at - middle), default=None
        )
        if near is not None:
            planes = _shown(folder, film, {WIDE: near}, _STAGE_WIDTH)[WIDE]
            pictures[WIDE] = picture_of(planes, "The merged wide, all parts in one picture")
    return pictures


def _shown(folder: FilmFolder, film: Film, frames: Mapping[str, int], width: int) -> dict[str, Planes]:
    """Return one frame of each source, reduced to a width, through the look when there is one."""
    from partsong.media.picture import open_picture, resized

    wide, high = frame_size(film)
    size = (width, max(2, width * high // wide // 2 * 2))
    assert film.rate is not None
    if film.look is not None:
        # As if they were the frames of one short master: sources of one encoding then share their table.
        pieces = tuple(Piece(at, at + 1, (View(name, (frame,)),)) for at, (name, frame) in enumerate(frames.items()))
        painter = painter_for(folder, film, MasterPlan("", *size, film.rate, pieces, 0), "h264")
        return dict(zip(frames, painter.pictures(range(len(pieces))), strict=True))
    shown = {}
    for take, frame in frames.items():
        clip = film.take(take).clip
        assert clip.picture is not None
        with open_picture(folder.locate(clip.file), clip.picture, threads=1) as reader:
            shown[take] = resized(next(reader.read([frame])), *size)
    return shown


def _score_pictures(paths: Sequence[Path], wanted: Mapping[int, str], watch: Watch) -> dict[int, Picture]:
    """Return pictures of frames out of the first master that holds them."""
    from partsong.media.picture import open_picture, resized
    from partsong.media.probe import probe

    for path in paths:
        file = MediaFile(path=path.as_posix(), size_bytes=path.stat().st_size, fingerprint=fingerprint(path))
        picture = _picture_of(path, probe(path, file))
        frames = sorted(frame for frame in wanted if frame < picture.frames)
        size = (_SCORE_WIDTH, max(2, _SCORE_WIDTH * picture.height // picture.width // 2 * 2))
        with open_picture(path, picture) as reader:
            shown = zip(frames, reader.read(frames), strict=True)
            return {
                frame: picture_of(resized(planes, *size), f"{wanted[frame]} at {_at(frame, picture.rate)}")
                for frame, planes in watch.over(shown, total=len(frames), doing="Drawing the score")
            }
    return {}


def picture_of(planes: Planes, alt: str) -> Picture:
    """Return a frame as a JPEG for the page."""
    from partsong.media.picture import encoded_rgb
    from partsong.media.stills import eight_bits, jpeg_of

    jpeg = jpeg_of(eight_bits(encoded_rgb(planes)), quality=_JPEG_QUALITY)
    return Picture(jpeg, alt, planes.width, planes.height)


def _at(frame: int, rate: Rate) -> str:
    return clock(frame * rate.frame_s)
