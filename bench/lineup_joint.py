"""What takes say of each other: how many places that gives, and whether any wrong one was made sure by it.

Days of filming with known truth, on the songs and rooms of ``tests/lineup/conftest.py``: every take is first placed
alone, then together with the others of its day, through the links that ``lineup place`` uses (the same sound in two
takes, and their cameras' clocks). Half of the kinds of days are traps, on which nothing may be placed by it.

``python bench/lineup_joint.py 1 2 3`` takes other seeds. No limit was set on any of them.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from typing import Any

import numpy as np

from lineup_truth import band
from partsong.film.records import Clip, MediaFile, PictureInfo, Placement, SoundInfo, Take, Timecode
from partsong.lineup import arrival, steps
from partsong.lineup.features import RATE_HZ, Floats, Heard, hear
from partsong.lineup.joint import settle
from partsong.lineup.links import Link, sound_link, timecode_links
from partsong.lineup.locate import Reference, locate, locate_alone
from partsong.timebase import Rate, Time

SONG_S, RATE, DISTANCE_M = 70.0, Rate.of(25), 3.0
WRONG_S = 0.06
"""A frame and a half: what a camera's clock can tell."""


@dataclass(frozen=True)
class Shot:
    """One take: its sound, where its picture truly starts (None: nowhere), its clock's label and a person's placing."""

    name: str
    sound: Floats
    truth_s: float | None
    label_s: float | None = None
    hand_s: float | None = None
    kind: str = "roaming"

    @property
    def take(self) -> Take:
        """The take as the film knows it; all roaming ones come from one folder and so from one camera."""
        frames = round(len(self.sound) / RATE_HZ * 25)
        label = None if self.label_s is None else Timecode(frame=round(self.label_s * 25))
        picture = PictureInfo(codec="h264", width=64, height=36, rate=RATE, frames=frames, pixel_format="yuv420p",
                              bit_depth=8, timecode=label)  # fmt: skip
        sound = SoundInfo(codec="pcm", rate_hz=RATE_HZ, channels=1, layout="mono", samples=len(self.sound))
        clip = Clip(file=MediaFile(path=f"card/{self.name}.mov", size_bytes=1, fingerprint="0" * 32), container="mov",
                    duration=Time.of(Fraction(frames, 25)), picture=picture, sound=sound)  # fmt: skip
        return Take.model_validate({"id": self.name, "kind": self.kind, "clip": clip,
                                    "part": "part" if self.kind == "stage" else None})  # fmt: skip


def days(seed: int) -> Iterator[tuple[str, dict[str, Floats], list[Shot]]]:
    """Yield (what, sounds of the song, takes of the day)."""
    home, far, other = band(seed), band(seed + 50), band(seed + 100)
    song, rng = home.song(SONG_S), np.random.default_rng([seed, 9])
    player = band(seed + 30).part("drum", 80, bpm=71)  # a stool, a foot, keys: nothing of it is in the song
    hush = np.zeros(20 * RATE_HZ, np.float32)
    at_s = float(rng.uniform(8, 25))
    mix = {"mix": song["mix"]}

    def near(sound: Floats, start_s: float, length_s: float, **how: Any) -> Floats:
        return np.asarray(home.filmed(sound, start_s, length_s, distance_m=DISTANCE_M, **how), np.float32)

    def away(sound: Floats, start_s: float, length_s: float, **how: Any) -> Floats:  # another place, another noise
        return np.asarray(far.filmed(sound, start_s, length_s, distance_m=DISTANCE_M, **how), np.float32)

    # The player's own time runs three seconds ahead of the song's.
    shown = [Shot("stage", near(player, 3.0, 60), 0.0, kind="stage"), Shot("roam", away(player, at_s + 3, 20), at_s)]
    yield "a person places one of two cameras", mix, [
        Shot("stage", shown[0].sound, 0.0, hand_s=0.0, kind="stage"), shown[1]]  # fmt: skip
    yield "two cameras hear a part that is not in the song", mix, shown
    bells = song["bells"]
    yield "a faint camera beside a clear one", mix, [
        Shot("stage", near(bells, 0.0, 60), 0.0, kind="stage"),
        Shot("roam", away(bells, at_s, 12, snr_db=-16.0, direct_db=-3.0), at_s)]  # fmt: skip
    again = home.part("pluck", SONG_S, performance=1)
    yield "another performance, two cameras", {"stem": song["pluck"], **mix}, [
        Shot("stage", near(again, 0.0, 60), 0.0, kind="stage"), Shot("roam", away(again, at_s, 14), at_s)]  # fmt: skip
    drum = song["drum"]
    heard = [Shot("roam-1", near(drum, 2.0, 20), 2.0, 4002.0), Shot("roam-3", near(drum, 44.0, 20), 44.0, 4044.0)]
    yield "a silent take between two of one clock", mix, [*heard, Shot("roam-2", hush, 23.0, 4023.0)]
    strayed = [Shot("roam-1", heard[0].sound, 2.0, 4002.0), Shot("roam-3", heard[1].sound, 44.0, 9000.0)]
    yield "trap: a clock that was set in between", mix, [*strayed, Shot("roam-2", hush, None, 4023.0)]
    yield "trap: a person's mistake of a bar", mix, [
        Shot("stage", near(drum, 0.0, 60), None, hand_s=1.957, kind="stage"),
        Shot("roam", away(drum, at_s, 20), at_s)]  # fmt: skip
    stranger = other.song(SONG_S)["mix"]
    yield "trap: both cameras hear another song", mix, [
        Shot("stage", near(stranger, 0.0, 60), None, kind="stage"),
        Shot("roam", away(stranger, at_s, 20), None)]  # fmt: skip
    verse = home.part("pluck", 20.0)
    twice = np.concatenate([home.part("pad", 8.0), verse, home.part("bells", 10.0), verse])
    late_s = 38.0 + float(rng.uniform(2, 6))
    yield "trap: a verse that returns exactly", {"mix": twice.astype(np.float32)}, [
        Shot("stage", near(twice, 0.0, 28), 0.0, kind="stage"),
        Shot("roam", away(twice, late_s, 12), late_s)]  # fmt: skip
    # By its notes the second lies where it was played; by the first one's sound it must not be placed.
    yield "trap: the same part, played for two takes", mix, [
        Shot("stage", near(home.part("pluck", SONG_S, performance=2), 0.0, 60), 0.0, hand_s=0.0, kind="stage"),
        Shot("roam", away(home.part("pluck", SONG_S, performance=3), 5.0, 20), 5.0)]  # fmt: skip


def alone(shot: Shot, heard: Heard, references: list[Reference]) -> Placement:
    """Place a take by its own sound, or as a person did."""
    delay = arrival.delay_over(DISTANCE_M)
    if shot.hand_s is None:
        return steps.placement_from(shot.take, locate(heard, references), delay)
    return Placement(take=shot.name, confidence="sure", start=Time.of(Fraction(shot.hand_s)), by_hand=True,
                     arrival_delay=Time.of(Fraction(delay.seconds)), delay_from="measured")  # fmt: skip


def together(shots: list[Shot], heard: dict[str, Heard], said: list[Placement], song_s: float) -> tuple[Placement, ...]:
    """Ask all takes of a day about each other."""
    links: list[Link | None] = []
    for one, other in combinations(sorted(shots, key=lambda shot: -len(shot.sound)), 2):
        found = locate_alone(heard[other.name], [Reference(one.name, heard[one.name])])
        links.append(sound_link(one.name, other.name, found))
    takes = [shot.take for shot in shots]
    clocks = timecode_links(takes, {found.take: found for found in said}, song_s)
    return settle(takes, said, [*clocks, *(link for link in links if link)], song_s)


def outcome(shot: Shot, found: Placement) -> str:
    """Say what became of a take: its confidence, and ``wrong`` where it was placed and does not lie there."""
    if found.start is None:
        return found.confidence
    right = shot.truth_s is not None and abs(float(found.start) - shot.truth_s) <= WRONG_S
    return found.confidence if right else f"wrong, {found.confidence}"


def main(seeds: list[int]) -> None:
    """Print a row for each kind of day: takes that no person placed, alone and together."""
    rows: dict[str, list[tuple[str, str]]] = {}
    for seed in seeds:
        for what, sounds, shots in days(seed):
            references = [Reference(name, hear(sound)) for name, sound in sounds.items()]
            heard = {shot.name: hear(shot.sound) for shot in shots}
            said = [alone(shot, heard[shot.name], references) for shot in shots]
            now = together(shots, heard, said, references[-1].heard.length_s)
            rows.setdefault(what, []).extend(
                (outcome(shot, before), outcome(shot, after))
                for shot, before, after in zip(shots, said, now, strict=True)
                if shot.hand_s is None
            )
    print(f"Seeds {seeds}, {len(seeds)} days of each kind.\n\n| day | takes | alone | together |\n|---|---|---|---|")
    for what, pairs in rows.items():
        told = [", ".join(f"{side.count(word)} {word}" for word in dict.fromkeys(sorted(side)))
                for side in zip(*pairs, strict=True)]  # fmt: skip
        print(f"| {what} | {len(pairs)} | {told[0]} | {told[1]} |")
    every = [pair for pairs in rows.values() for pair in pairs]
    raised = sum(before in ("ask", "none") and after in ("likely", "sure") for before, after in every)
    made = sum("wrong" in after and after != before for before, after in every)
    print(f"\nOf {len(every)} takes {raised} were placed by others, rightly; {made} were placed wrongly by it.")


if __name__ == "__main__":
    main([int(seed) for seed in sys.argv[1:]] or [1, 2, 3])
