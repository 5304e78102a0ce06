"""Makes the demo's files: the song with its stems, every clip of the card, and the truth about them."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal

from partsong.demo import clips as card
from partsong.demo import synth, tune
from partsong.demo.clips import DemoClip
from partsong.engine.local import Local
from partsong.engine.run import run_tasks
from partsong.engine.tasks import Task
from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, fingerprint, key_of, write_text, writing
from partsong.film.records import Finite, Id, Natural, Record, Section, TempoMark, Timecode
from partsong.media.encode import RECIPES, PictureWriter
from partsong.media.soundtrack import SoundTrack
from partsong.timebase import Rate, Time
from partsong.watch import Watch

# A card's worth of grain would fill the disk: a coarser quantiser than a real camera's keeps the demo small.
_RECIPE = dataclasses.replace(RECIPES["camera"], options={**RECIPES["camera"].options, "crf": "16"})
_SONG_COST = 90
"""What making the song takes, counted in frames of picture."""


class TruePart(Record):
    """What is true of a part: onsets in song seconds, and the box that its player never leaves in the wide frame."""

    id: Id
    name: str
    stem: str
    onsets_s: tuple[Finite, ...]
    distance_m: Finite
    box_px: tuple[int, int, int, int]


class Truth(Record):
    """Everything that was made, as it really is. All paths are relative to the demo's folder.

    ``stand_box_px`` and ``stand_moved_box_px`` are where the music stand's desk is seen before and after the knock:
    left, top, right, bottom. Boxes and moves are pixels of the wide frame.
    """

    title: str
    width: Natural
    height: Natural
    rate: Rate
    mix: str
    song_samples: Natural
    tempo: TempoMark
    bars: Natural
    sections: tuple[Section, ...]
    parts: tuple[TruePart, ...]
    clips: tuple[DemoClip, ...]
    input_space: Literal["ACEScct"] = "ACEScct"
    stand_box_px: tuple[Finite, Finite, Finite, Finite]
    stand_moved_box_px: tuple[Finite, Finite, Finite, Finite]

    def stage(self, part: str) -> DemoClip:
        """Return the stage take of a part."""
        return next(clip for clip in self.clips if clip.kind == "stage" and clip.part == part)

    def part(self, part: str) -> TruePart:
        """Return what is true of a part."""
        return next(known for known in self.parts if known.id == part)


def make(
    folder: Path,
    *,
    width: int = 960,
    height: int = 540,
    bars: int = tune.WALTZ_BARS,
    parts: Sequence[str] = tune.PARTS,
    roaming: bool = True,
    seed: int = 1,
    workers: int | None = None,
    watch: Watch,
) -> Truth:
    """Make the demo film's material in a folder; files that are there and still right are kept.

    Parameters
    ----------
    folder : Path
        Gets ``song/mix.wav``, ``song/stems/*.wav``, ``clips/...`` and ``truth.json``.
    width, height : int
        Of the picture; even.
    bars : int, 1 to 20
        How much of the waltz is played.
    parts : sequence of str
        Which parts were filmed; the song always has all five.
    roaming : bool
        With coverage, and with one clip that belongs to another song.
    seed : int
        The same seed gives the same material.
    workers : int, optional
        Processes to use; all processors unless given.
    watch : Watch
        Told the frames made so far; asked whether to stop.

    Returns
    -------
    Truth
        Also written as ``truth.json``.

    Raises
    ------
    InvalidInput
        If the number of bars, a part or the size is not possible.
    Cancelled
        If the watch said stop; finished files stay and are kept the next time.
    """
    _check(width, height, bars, parts)
    song = tune.waltz(bars=bars, seed=seed)
    chosen = card.clips(song, parts, roaming=roaming)
    made = _Kept(folder)
    tasks = [Task("the song", _MakeSong(made, song, seed), _SONG_COST)]
    for clip in sorted(chosen, key=lambda clip: -clip.frames):
        tasks.append(Task(clip.path, _MakeClip(made, clip, song, width, height, seed), clip.frames))
    run_tasks(tasks, doing="Making the demo's song and clips", watch=watch, engine=Local(workers))
    truth = _truth(song, chosen, width, height)
    write_text(folder / "truth.json", truth.model_dump_json(indent=1) + "\n")
    return truth


def read_truth(folder: Path) -> Truth:
    """Read ``truth.json`` back."""
    return Truth.model_validate_json((folder / "truth.json").read_text(encoding="utf-8"))


def _check(width: int, height: int, bars: int, parts: Sequence[str]) -> None:
    if not 1 <= bars <= tune.WALTZ_BARS:
        raise InvalidInput(f"The demo's song has {tune.WALTZ_BARS} bars; {bars} cannot be played. Give 1 to 20.")
    unknown = [part for part in parts if part not in tune.PARTS]
    if unknown or not parts:
        wanted = ", ".join(unknown) or "none"
        raise InvalidInput(f"The demo has no such part: {wanted}. Choose from {', '.join(tune.PARTS)}.")
    if width % 2 or height % 2 or width < 160 or height < 90:
        raise InvalidInput(f"The demo cannot be made at {width} x {height}: give even sides of at least 160 x 90.")


def _truth(song: tune.Performance, chosen: Sequence[DemoClip], width: int, height: int) -> Truth:
    zones = card.zones(width, height)
    return Truth(
        title=song.title,
        width=width,
        height=height,
        rate=card.RATE,
        mix="song/mix.wav",
        song_samples=round(song.length_s * synth.RATE_HZ),
        tempo=TempoMark(bar=1, at=Time.of(song.bar_one_s), beats_per_bar=song.beats_per_bar, bpm_num=song.bpm),
        bars=song.bars,
        sections=tuple(Section(name=name, bar=bar) for name, bar in song.sections),
        parts=tuple(
            TruePart(
                id=part,
                name=name,
                stem=f"song/stems/{part}.wav",
                onsets_s=tuple(song.onsets_s(part)),
                distance_m=card.distance_m(part, card.LOCKED_OFF),
                box_px=zones[part],
            )
            for part, name in tune.PART_NAMES.items()
        ),
        clips=tuple(chosen),
        stand_box_px=card.stand_px(width, height, moved=False),
        stand_moved_box_px=card.stand_px(width, height, moved=True),
    )


# --- one file after the other ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Kept:
    """Knows which finished files may stay: a note in the cache holds what each was made from, and its fingerprint."""

    root: Path

    def has(self, path: str, ingredients: object) -> bool:
        """Say whether a file is there, made from these ingredients and unchanged since."""
        target, note = self.root / path, self._note(path, ingredients)
        return target.is_file() and note.is_file() and json.loads(note.read_text()) == fingerprint(target)

    def keep(self, path: str, ingredients: object, write: Callable[[Path], None]) -> None:
        """Write a file as a whole, and note what it was made from."""
        target = self.root / path
        with writing(target) as temporary:
            write(temporary)
        write_text(self._note(path, ingredients), json.dumps(fingerprint(target)))

    def _note(self, path: str, ingredients: object) -> Path:
        return FilmFolder(self.root).cached("demo", key_of(path, _sources(), ingredients), ".json")


def _sources() -> list[str]:
    """Return a fingerprint of each module of the demo: after a change of the code everything is made anew."""
    return [fingerprint(module) for module in sorted(Path(__file__).parent.glob("*.py")) if module.name != "run.py"]


def _ingredients(song: tune.Performance, seed: int) -> dict[str, Any]:
    return {"title": song.title, "bars": song.bars, "notes": _plain(song.notes), "seed": seed}


def _plain(notes: dict[str, tuple[tune.Note, ...]]) -> dict[str, list[Any]]:
    return {part: [dataclasses.astuple(note) for note in line] for part, line in notes.items()}


@dataclass(frozen=True, slots=True)
class _MakeSong:
    """Plays all parts and mixes them."""

    made: _Kept
    song: tune.Performance
    seed: int

    def __call__(self, watch: Watch) -> None:
        from partsong.media.sound import write_wav
        from partsong.signoff.loudness import measure

        paths = ["song/mix.wav", *(f"song/stems/{part}.wav" for part in tune.PARTS)]
        ingredients = _ingredients(self.song, self.seed)
        if all(self.made.has(path, ingredients) for path in paths):
            return
        total = len(tune.PARTS) + 1
        stems: dict[str, synth.Sound] = {}
        for number, part in enumerate(tune.PARTS):
            watch.tick("Playing the parts", number, total)
            stems[part] = synth.stem(self.song, part, seed=self.seed)
        watch.tick("Mixing", total - 1, total)
        both, stems = synth.mix(stems, loudness=lambda sound: measure([sound]).integrated_lufs, seed=self.seed)
        sounds = [both, *(stems[part][:, None] for part in tune.PARTS)]
        for path, sound in zip(paths, sounds, strict=True):
            self.made.keep(path, ingredients, partial(write_wav, blocks=[sound], bits=24))


@dataclass(frozen=True, slots=True)
class _MakeClip:
    """Films one clip."""

    made: _Kept
    clip: DemoClip
    song: tune.Performance
    width: int
    height: int
    seed: int

    def __call__(self, watch: Watch) -> None:
        ingredients = [
            self.clip.model_dump(mode="json"),
            _ingredients(card.performance(self.clip, self.song), self.seed),
            [self.width, self.height, _RECIPE.name, dict(_RECIPE.options)],
        ]
        if not self.made.has(self.clip.path, ingredients):
            self.made.keep(self.clip.path, ingredients, partial(self._film, watch=watch))

    def _film(self, path: Path, watch: Watch) -> None:
        watch.check("Filming")
        heard = card.sound(self.clip, self.song, seed=self.seed)
        seconds = (heard[at : at + synth.RATE_HZ] for at in range(0, len(heard), synth.RATE_HZ))
        track = SoundTrack(seconds, channels=2, samples=len(heard))
        with PictureWriter(
            path,
            _RECIPE,
            width=self.width,
            height=self.height,
            rate=card.RATE,
            primaries="unknown",  # no tag describes ACEScct in AP1
            transfer="unknown",
            timecode=Timecode(frame=self.clip.timecode_frame),
            sound=track,
            threads=1,
        ) as writer:
            shot = card.frames(self.clip, self.song, width=self.width, height=self.height)
            for planes in watch.over(shot, total=self.clip.frames, doing="Filming"):
                writer.write(planes)
