"""The cases: which clip is filmed of what, how, and where it truly lies. Everything follows from the seed.

=============  ==============================================================================================
easy           1 to 3 m, a small room, quiet; takes of 30 s up to the whole song
medium         3 to 7 m, a live room, noise, gain control, a little clipping, a narrow microphone, a count-in, takes of
               15 s up; some to playback of the mix, some with the whole band playing
hard           5 to 12 m, a hall, noise near or above the music, talk over it, telephone bandwidth, much clipping,
               8 to 40 s; a few over two minutes
adversarial    instruments that go straight into the desk (keys going down are all that is heard), exact loops,
               the part played again
not belonging  other songs of the same tempo and instruments (and loops from one machine), talk, noise, silence
recorded       six seconds of a recorded song, filmed easily and hard; only where its package is installed
=============  ==============================================================================================
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from . import songs
from .filming import RATE_HZ, SOUND_M_PER_S, Filming, clicks, filmed, talk, without_music
from .songs import Plan, Song, Sound

CLASSES = ("easy", "medium", "hard", "adversarial", "not belonging", "recorded")
_COUNTS = {"easy": 26, "medium": 30, "hard": 30, "adversarial": 28, "not belonging": 32, "recorded": 12}
_PLAIN_STRANGERS = 30  # the others are loops
_LEAST_NOTES = 4  # a clip in which the part rests is no take of it
_LONG_S = 130.0  # over two minutes: long enough to ask for the drift


@dataclass(frozen=True)
class Case:
    """A clip to make. ``song`` and ``part`` say what it is compared with, ``source`` what is heard in it."""

    id: str
    kind: str
    what: str
    song: str
    part: str
    source: str
    how: Filming
    other: str | None = None

    @property
    def belongs(self) -> bool:
        """Whether the clip has a place on the song."""
        return self.kind != "not belonging"

    @property
    def delay_s(self) -> float:
        """How late the sound truly arrives."""
        return self.how.distance_m / SOUND_M_PER_S


def all_cases(seed: int, plans: tuple[Plan, ...] = songs.PLANS) -> list[Case]:
    """Return every case, the classes taking turns, so that the first few are a fair sample."""
    kinds = CLASSES if songs.recording() and plans is songs.PLANS else CLASSES[:-1]
    by_class = {kind: list(_of_class(kind, seed, plans)) for kind in kinds}
    rows = [
        ((number + 0.5) / len(cases), position, case)
        for position, cases in enumerate(by_class.values())
        for number, case in enumerate(cases)
    ]
    return [case for _, _, case in sorted(rows, key=lambda row: row[:2])]


def settled(case: Case, song: Song) -> Case:
    """Return the case with its start moved, where it must be, to where the part plays at least four notes."""
    notes = song.notes.get(case.part, [])
    if case.kind not in ("easy", "medium", "hard", "adversarial") or len(notes) < _LEAST_NOTES:
        return case
    rng = np.random.default_rng([case.how.seed, 5])
    starts, how = np.array([note.start_s for note in notes]), case.how
    while np.sum((starts > how.picture_start_s) & (starts < how.picture_start_s + how.length_s)) < _LEAST_NOTES:
        how = replace(how, picture_start_s=rng.uniform(0, max(song.plan.length_s - how.length_s, 1)))
    return replace(case, how=how)


def make_clip(case: Case, folder: Path, seed: int) -> NDArray[np.int16]:
    """Film a settled case."""
    song = songs.song(plan_of(case.other or case.song), folder, seed)
    if case.source in ("talk", "noise", "silence"):
        return _nothing_to_place(case)
    return filmed(_source(case, song, folder, seed), case.how)


def plan_of(name: str) -> Plan:
    """Return the plan of a song."""
    return next(plan for plan in (*songs.PLANS, *songs.PRACTICE, songs.RECORDED) if plan.name == name)


def parts_of(plan: Plan) -> list[str]:
    """Return the parts that a song has, but for its loop."""
    return [*(str(number) for number in range(len(plan.programs))), "drums"]


# --- inside ---------------------------------------------------------------------------------------


def _of_class(kind: str, seed: int, plans: tuple[Plan, ...]) -> Iterator[Case]:
    for number in range(_COUNTS[kind]):
        rng = np.random.default_rng([seed, CLASSES.index(kind), number])
        if kind == "recorded":
            yield _recorded(f"recorded-{number:02d}", number, rng)
            continue
        plan = plans[(number * 5 + CLASSES.index(kind)) % len(plans)]
        parts = parts_of(plan)
        part = parts[(number + number // len(plans)) % len(parts)]
        maker = {"easy": _easy, "medium": _medium, "hard": _hard, "adversarial": _adversarial}.get(kind, _stranger)
        yield maker(f"{kind.replace(' ', '-')}-{number:02d}", number, plan, part, rng)


def _span(plan: Plan, rng: np.random.Generator, shortest_s: float, longest_s: float) -> tuple[float, float]:
    """Return a picture start and a length. Songs of three minutes give clips over two minutes half of the time."""
    if plan.length_s > 150 and longest_s > 40 and rng.random() < 0.6:
        return rng.uniform(-8, plan.length_s - _LONG_S - 6), rng.uniform(_LONG_S, _LONG_S + 10)
    length_s = rng.uniform(shortest_s, min(longest_s, plan.length_s))
    first_s = -min(6.0, 0.2 * length_s)
    return rng.uniform(first_s, max(first_s, plan.length_s - length_s)), length_s


def _easy(name: str, _number: int, plan: Plan, part: str, rng: np.random.Generator) -> Case:
    start_s, length_s = _span(plan, rng, 30, 110)
    how = Filming(
        start_s, length_s, rng.uniform(-100, 100), rng.uniform(1, 3), (5.5, 4.2, 2.7), rng.uniform(0.2, 0.4),
        noise_db=rng.uniform(-45, -30), seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    return Case(name, "easy", "small quiet room", plan.name, part, part, how)


def _medium(name: str, number: int, plan: Plan, part: str, rng: np.random.Generator) -> Case:
    start_s, length_s = _span(plan, rng, 15, 90)
    source, what = [(part, "live room"), (part, "live room"), ("mix", "to playback of the mix"), (part, "live room"),
                    ("band", "the band together")][number % 5]  # fmt: skip
    how = Filming(
        start_s, length_s, rng.uniform(-100, 100), rng.uniform(3, 7), (9.0, 6.5, 3.2), rng.uniform(0.4, 0.8),
        noise_db=rng.uniform(-25, -10), talk_before=bool(rng.random() < 0.3), gain_control=bool(rng.random() < 0.6),
        clip_share=0.002 if rng.random() < 0.4 else 0.0, band_hz=(120, 7000) if rng.random() < 0.5 else None,
        seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    return Case(name, "medium", what, plan.name, part, source, how)


def _hard(name: str, number: int, plan: Plan, part: str, rng: np.random.Generator) -> Case:
    start_s, length_s = _span(plan, rng, 8, 41 if plan.length_s > 150 and number % 2 else 40)
    talked = bool(rng.random() < 0.4)
    how = Filming(
        start_s, length_s, rng.uniform(-100, 100), rng.uniform(5, 12), (15.0, 11.0, 5.0), rng.uniform(0.9, 1.6),
        noise_db=rng.uniform(-10, 3), talk_db=rng.uniform(-6, 3) if talked else None,
        gain_control=bool(rng.random() < 0.7), clip_share=0.05 if rng.random() < 0.4 else 0.0,
        band_hz=(300, 3400) if rng.random() < 0.4 else None, seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    return Case(name, "hard", "hall, talked over" if talked else "hall", plan.name, part, part, how)


def _adversarial(name: str, number: int, plan: Plan, part: str, rng: np.random.Generator) -> Case:
    which = ("keys", "loop", "keys", "again", "keys", "loop inside", "keys")[number % 7]
    start_s, length_s = _span(plan, rng, 30, 80)
    pitched = part if part.isdigit() else "0"
    common = {"drift_ppm": rng.uniform(-100, 100), "seed": int(rng.integers(1 << 30))}
    if which == "keys":
        how = Filming(
            start_s, length_s, distance_m=rng.uniform(1, 4), reverb_s=0.4, room_m=(6.5, 5.0, 2.8),
            noise_db=rng.uniform(-12, 0), talk_before=bool(rng.random() < 0.3), gain_control=True, **common,
        )  # fmt: skip
        return Case(name, "adversarial", "straight into the desk, keys heard", plan.name, pitched, "keys", how)
    if which == "again":
        how = Filming(start_s, length_s, distance_m=rng.uniform(1, 4), reverb_s=0.4, room_m=(6.5, 5.0, 2.8),
                      noise_db=-25, **common)  # fmt: skip
        return Case(name, "adversarial", "the part played again", plan.name, part, "again", how)
    if which == "loop":  # with its first stroke in it
        start_s, length_s, what = rng.uniform(-6, 2), rng.uniform(30, 60), "exact loop, with its beginning"
    else:
        start_s, length_s, what = rng.uniform(18, 30), rng.uniform(15, 30), "exact loop, from within"
    how = Filming(start_s, length_s, distance_m=rng.uniform(1, 5), reverb_s=0.4, room_m=(8.0, 6.0, 3.0),
                  noise_db=-25, **common)  # fmt: skip
    return Case(name, "adversarial", what, plan.name, "loop", "loop", how)


def _stranger(name: str, number: int, plan: Plan, part: str, rng: np.random.Generator) -> Case:
    if number >= _PLAIN_STRANGERS:
        return _strange_loop(name, number, rng, songs.PLANS if plan in songs.PLANS else songs.PRACTICE)
    which = ("song", "song", "mix", "talk", "song", "noise", "mix", "song", "silence", "song")[number % 10]
    plans = songs.PLANS if plan in songs.PLANS else songs.PRACTICE
    twins = [other for other in plans if other.bpm == plan.bpm and other.name != plan.name]
    others = twins if number % 4 else [other for other in plans if other.bpm != plan.bpm]
    other = others[int(rng.integers(len(others)))]
    start_s, length_s = rng.uniform(0, 20), rng.uniform(20, 70)
    how = Filming(
        start_s, length_s, rng.uniform(-100, 100), rng.uniform(1, 5), (8.0, 6.0, 3.0), rng.uniform(0.25, 0.8),
        noise_db=rng.uniform(-40, -10), gain_control=bool(rng.random() < 0.5), seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    tempo = "of the same tempo" if other.bpm == plan.bpm else "of another tempo"
    if which == "song":
        source = part if part in parts_of(other) else "drums"
        return Case(name, "not belonging", f"another song {tempo}", plan.name, part, source, how, other.name)
    if which == "mix":
        return Case(name, "not belonging", f"another song's mix {tempo}", plan.name, part, "mix", how, other.name)
    return Case(name, "not belonging", which, plan.name, part, which, how)


def _strange_loop(name: str, number: int, rng: np.random.Generator, plans: tuple[Plan, ...]) -> Case:
    """Return another song's loop, of the same tempo: half of its strokes are the same to the sample."""
    plan = plans[int(rng.integers(len(plans)))]
    twins = [other for other in plans if other.bpm == plan.bpm and other.name != plan.name]
    if number % 2:  # with its first stroke in it
        start_s, length_s = rng.uniform(-6, 2), rng.uniform(30, 60)
    else:
        start_s, length_s = rng.uniform(18, 30), rng.uniform(15, 30)
    how = Filming(start_s, length_s, rng.uniform(-100, 100), rng.uniform(1, 5), (8.0, 6.0, 3.0), 0.4, noise_db=-25,
                  seed=int(rng.integers(1 << 30)))  # fmt: skip
    what = "another song's loop, from the same machine"
    return Case(name, "not belonging", what, plan.name, "loop", "loop", how, twins[int(rng.integers(len(twins)))].name)


def _recorded(name: str, number: int, rng: np.random.Generator) -> Case:
    part = str(number % 4)
    easy = Filming(
        rng.uniform(-2, 0), 8.0, rng.uniform(-100, 100), rng.uniform(1, 3), (5.5, 4.2, 2.7), 0.3,
        noise_db=-35, seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    if number < 4:
        return Case(name, "recorded", "small quiet room", "recorded", part, part, easy)
    live = replace(easy, distance_m=rng.uniform(3, 6), room_m=(9.0, 6.5, 3.2), reverb_s=0.6, noise_db=-15.0,
                   gain_control=True)  # fmt: skip
    if number < 8:
        return Case(name, "recorded", "live room", "recorded", part, part, live)
    return Case(name, "recorded", "live room, to playback of the mix", "recorded", part, "mix", live)


def _source(case: Case, song: Song, folder: Path, seed: int) -> Sound:
    if case.source == "mix":
        return song.mix
    if case.source == "band":
        return np.asarray(sum(song.stems[part] for part in parts_of(song.plan)), np.float32)
    if case.source == "again":
        return songs.again(song, case.part, folder, seed)
    if case.source == "keys":
        return clicks(song.notes[case.part], song.plan.length_s, case.how.seed)
    return song.stems[case.source]


def _nothing_to_place(case: Case) -> NDArray[np.int16]:
    if case.source == "silence":
        return np.zeros(round(case.how.length_s * RATE_HZ) // 2, np.int16)
    sound = talk(case.how.length_s, case.how.seed) if case.source == "talk" else np.zeros(0)
    return without_music(sound, case.how)
