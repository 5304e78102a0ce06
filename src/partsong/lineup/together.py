"""Joins what takes say of each other to the cache and the engine: which takes to compare by sound, and what follows.

A take that is not sure is compared with every placed one, until nothing new is placed. Two takes that are both sure are
compared only where their cameras' clocks say that they ran at once: there a contradiction can be.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from partsong.engine.run import Engine, run_tasks
from partsong.engine.tasks import Task
from partsong.film.folder import FilmFolder, key_of, write_text
from partsong.film.records import Clip, Film, Placement, Take
from partsong.lineup import features
from partsong.lineup.hearing import hear_clip, is_heard
from partsong.lineup.joint import alone, settle
from partsong.lineup.line import Line
from partsong.lineup.links import Link, sound_link, timecode_links
from partsong.lineup.locate import Reference, locate_alone
from partsong.watch import Watch

_KIND = "linked"
VERSION = 4
"""Raised whenever the comparison changes, so that links of older versions in the cache are not used."""

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class CompareTakes:
    """The job of comparing the sounds of two takes, both heard before; it travels to worker processes."""

    root: Path
    one: Take
    other: Take

    def __call__(self, watch: Watch) -> Link | None:
        """Return the link between them, if there is one."""
        folder = FilmFolder(self.root)
        prints = [f"{take.clip.file.fingerprint} {take.clip.file.size_bytes}" for take in (self.one, self.other)]
        path = folder.cached(_KIND, key_of(_KIND, VERSION, features.VERSION, *prints), ".json")
        if path.is_file():
            return _read(path, self.one.id, self.other.id)
        one, other = (hear_clip(folder, take.clip, watch) for take in (self.one, self.other))
        link = sound_link(self.one.id, self.other.id, locate_alone(other, [Reference(self.one.id, one)]))
        write_text(path, json.dumps(None if link is None else asdict(link)))
        return link


def settled_together(
    folder: FilmFolder, film: Film, *, watch: Watch, engine: Engine | None = None
) -> tuple[Placement, ...]:
    """Return the placements of a film with what its takes say of each other.

    Parameters
    ----------
    folder, film
        The film, its takes placed alone or by hand. Only takes that were heard are compared by sound.
    watch : Watch
        Progress in pairs of takes.
    engine : Engine, optional
        Where; all processors of this machine unless given.
    """
    assert film.song is not None
    song_s = float(film.song.length_s)
    takes = {take.id: take for take in film.takes}
    said = {found.take: found if found.by_hand else alone(found) for found in film.placements}
    clocks = timecode_links(film.takes, said, song_s)
    audible = {name for name in said if _is_audible(folder, takes[name].clip)}
    sounds: dict[Pair, Link | None] = {}
    placements = film.placements
    while True:
        placements = settle(film.takes, film.placements, [*clocks, *filter(None, sounds.values())], song_s)
        pairs = [pair for pair in _pairs(said, placements, clocks) if audible.issuperset(pair) and pair not in sounds]
        if not pairs:
            return placements
        jobs = [CompareTakes(folder.root, *_longer_first(takes, pair)) for pair in pairs]
        links: list[Link | None] = run_tasks(
            [Task(f"{job.one.id} with {job.other.id}", job, 1) for job in jobs],
            doing="Comparing takes with each other",
            watch=watch,
            engine=engine,
        )
        sounds.update(zip(pairs, links, strict=True))


def _pairs(said: Mapping[str, Placement], now: Sequence[Placement], clocks: Sequence[Link]) -> list[Pair]:
    placed = [found.take for found in now if found.start is not None]
    open_takes = [name for name, found in said.items() if not found.by_hand and found.confidence != "sure"]
    pairs = {_pair(one, other) for one in open_takes for other in placed if one != other}
    sure = {name for name, found in said.items() if found.confidence == "sure"}
    pairs |= {_pair(link.one, link.other) for link in clocks if {link.one, link.other} <= sure}
    return sorted(pairs)


def _pair(one: str, other: str) -> Pair:
    return (one, other) if one < other else (other, one)


def _longer_first(takes: Mapping[str, Take], pair: Pair) -> tuple[Take, Take]:
    one, other = takes[pair[0]], takes[pair[1]]
    return (one, other) if one.clip.duration.seconds >= other.clip.duration.seconds else (other, one)


def _is_audible(folder: FilmFolder, clip: Clip) -> bool:
    return clip.sound is not None and is_heard(folder, clip)


def _read(path: Path, one: str, other: str) -> Link | None:
    kept = json.loads(path.read_text(encoding="utf-8"))
    return None if kept is None else Link(**{**kept, "one": one, "other": other, "line": Line(**kept["line"])})
