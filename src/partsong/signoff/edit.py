"""The cut as an edit that other programs can open: which stretch of which file plays when.

It is made of the film document alone and knows no file format; :mod:`partsong.signoff.interchange` writes it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import PurePath

from partsong.errors import InvalidInput
from partsong.film.coverage import PlacedTake, placed_takes, song_frames
from partsong.film.effects import Stretch, played, told
from partsong.film.panels import Box, boxes
from partsong.film.records import WIDE, Film
from partsong.film.tempo import bar_lines
from partsong.timebase import Rate

REEL_LENGTH = 8
_UNIT = (16_000, 9_000)  # a frame in which panels are measured: their boxes are even there too


@dataclass(frozen=True, slots=True)
class Event:
    """One shot of the edit.

    Record positions are frames of the film from the start of the song. ``source_in`` counts the source's own frames at
    ``source_rate`` from 00:00:00:00, its timecode included; ``source_first`` and ``source_frames`` say what the file
    holds. ``drift_ppm`` is by how much the source must be stretched to stay with the song, ``slipped_frames`` how many
    frames of its own it has shown more (or, negative, fewer) by the end of the shot than an even clock would. ``panel``
    is where in the frame it lies (left, top, width, height, as shares), where it does not fill it.
    """

    source: str
    name: str
    reel: str
    url: str | None
    record_in: int
    frames: int
    source_rate: Rate
    source_in: int
    source_first: int
    source_frames: int
    drop: bool
    drift_ppm: float
    slipped_frames: int
    panel: tuple[float, float, float, float] | None = None

    @property
    def record_out(self) -> int:
        """The frame after the last one."""
        return self.record_in + self.frames

    @property
    def speed(self) -> Fraction:
        """Seconds of the source that pass in a second of song."""
        return 1 / (1 + Fraction(self.drift_ppm) / 1_000_000)


@dataclass(frozen=True, slots=True)
class Sound:
    """The mix under the whole edit; it starts with the song. ``samples`` at ``rate_hz``."""

    name: str
    reel: str
    url: str | None
    rate_hz: int
    samples: int
    channels: int


@dataclass(frozen=True, slots=True)
class WideFile:
    """A file of the wide: where it lies, as a URL, and its song frames ``first`` to before ``stop``."""

    url: str
    first: int
    stop: int


@dataclass(frozen=True, slots=True)
class Mark:
    """A bar line, the start of a section, or an effect, on the nearest frame."""

    name: str
    frame: int
    opens_section: bool


@dataclass(frozen=True, slots=True)
class Edit:
    """The whole edit, ``start_frame`` being the label of its first frame counted from 00:00:00:00.

    ``events`` are the picture, and of shots with panels the first of these; ``beside`` has a track for each other one.
    """

    title: str
    rate: Rate
    start_frame: int
    frames: int
    events: tuple[Event, ...]
    sound: Sound
    marks: tuple[Mark, ...]
    beside: tuple[tuple[Event, ...], ...] = ()


def edit_of(film: Film, urls: Mapping[str, str], wide: Sequence[WideFile] = ()) -> Edit:
    """Make the edit of a film's cut.

    Parameters
    ----------
    film : Film
        With a song and a cut; the takes that the cut shows are placed.
    urls : mapping
        Where each take and ``mix`` lies, as URLs. What is missing is left for the reader to find.
    wide : sequence of WideFile
        What there is of the wide. Its frames are labelled as the song's, in whichever file they lie.

    Raises
    ------
    InvalidInput
        If there is no cut, or it shows a take that has no sure place or no picture there.
    """
    if film.song is None or film.rate is None or not film.cut:
        raise InvalidInput("The film has no cut yet. Let one be proposed: partsong cut propose FILM")
    placed = {entry.take.id: entry for entry in placed_takes(film)}
    reels = reel_names(["mix", *dict.fromkeys(source for shot in film.cut for source in shot.sources)])
    frames = song_frames(film)
    mix = film.song.mix
    assert mix.sound is not None
    tracks: list[list[Event]] = [[]]
    for stretch in played(film):
        places: list[tuple[str, Box | None]] = [(stretch.source, None)]
        if stretch.panels:
            places = [(panel.source, box) for panel, box in boxes(stretch.panels, *_UNIT)]
        tracks += [[] for _ in range(len(places) - len(tracks))]
        for track, (source, box) in zip(tracks, places, strict=False):
            if source == WIDE:
                event = _wide(stretch, film.rate, frames, reels, wide)
            else:
                event = _take(stretch, source, placed, reels, urls)
            track.append(event if box is None else replace(event, panel=_shares(box)))
    return Edit(
        title=film.name,
        rate=film.rate,
        start_frame=3600 * film.rate.nominal,  # 01:00:00:00: common practice, no source
        frames=frames,
        events=tuple(tracks[0]),
        sound=Sound(
            PurePath(mix.file.path).name,
            reels["mix"],
            urls.get("mix"),
            mix.sound.rate_hz,
            mix.sound.samples,
            mix.sound.channels,
        ),
        marks=_marks(film),
        beside=tuple(tuple(track) for track in tracks[1:]),
    )


def _shares(box: Box) -> tuple[float, float, float, float]:
    wide, high = _UNIT
    left, top, width, height = box
    return left / wide, top / high, width / wide, height / high


def shown_frames(stretch: Stretch, source: str, placed: Mapping[str, PlacedTake]) -> tuple[int, ...]:
    """Return a take's frame for each frame of a stretch of the cut that shows it.

    Raises
    ------
    InvalidInput
        If the take has no sure place on the song, or no picture for the whole stretch.
    """
    entry = placed.get(source)
    if entry is None:
        raise InvalidInput(
            f"The cut shows {source!r} from frame {stretch.start}, which has no sure place on the song. "
            f"Place it (partsong lineup) or change the shot: partsong cut --help"
        )
    numbers = tuple(entry.source_frame(frame) for frame in stretch.shown)
    if numbers[0] < 0 or numbers[-1] >= entry.take.picture.frames:
        covered = entry.frames()
        raise InvalidInput(
            f"The cut shows {source!r} in frames {stretch.start} to {stretch.end - 1}, but its picture covers "
            f"{covered.start} to {covered.stop - 1} only. Shorten the shot: partsong cut --help"
        )
    return numbers


def reel_names(sources: list[str]) -> dict[str, str]:
    """Give each source a reel name: capitals and digits, at most eight, no two the same.

    >>> reel_names(["cajon-take-1", "cajon-take-2", "wide"])
    {'cajon-take-1': 'CAJONTAK', 'cajon-take-2': 'CAJONTA2', 'wide': 'WIDE'}
    """
    given: dict[str, str] = {}
    for source in sources:
        plain = re.sub(r"[^A-Z0-9]", "", source.upper()) or "REEL"
        name, number = plain[:REEL_LENGTH], 1
        while name in given.values():
            number += 1
            name = plain[: REEL_LENGTH - len(str(number))] + str(number)
        given[source] = name
    return given


def _take(
    stretch: Stretch, source: str, placed: Mapping[str, PlacedTake], reels: Mapping[str, str], urls: Mapping[str, str]
) -> Event:
    numbers = shown_frames(stretch, source, placed)
    entry = placed[source]
    picture, drift_ppm = entry.take.picture, entry.placement.drift_ppm
    first = picture.timecode.frame if picture.timecode else 0
    length_s = len(stretch.shown) * entry.rate.frame_s
    even_s = length_s * picture.rate.exact
    return Event(
        source=source,
        name=PurePath(entry.take.clip.file.path).name,
        reel=reels[source],
        url=urls.get(source),
        record_in=stretch.start,
        frames=len(stretch.shown),
        source_rate=picture.rate,
        source_in=first + numbers[0],
        source_first=first,
        source_frames=picture.frames,
        drop=picture.timecode.drop if picture.timecode else False,
        drift_ppm=drift_ppm,
        slipped_frames=round(even_s * (1 / (1 + Fraction(drift_ppm) / 1_000_000) - 1)),
    )


def _wide(stretch: Stretch, rate: Rate, frames: int, reels: Mapping[str, str], files: Sequence[WideFile]) -> Event:
    begin, stop = stretch.shows, min(stretch.shown.stop, frames)
    file = next((file for file in files if file.first <= begin and stop <= file.stop), None)
    first, end = (file.first, file.stop) if file else (0, frames)
    return Event(
        source=WIDE,
        name=file.url.rpartition("/")[2] if file else "merged wide",
        reel=reels[WIDE],
        url=file.url if file else None,
        record_in=stretch.start,
        frames=len(stretch.shown),
        source_rate=rate,
        source_in=begin,
        source_first=first,
        source_frames=end - first,
        drop=False,
        drift_ppm=0.0,
        slipped_frames=0,
    )


def _marks(film: Film) -> tuple[Mark, ...]:
    assert film.song is not None
    assert film.rate is not None
    sections = {section.bar: section.name for section in film.song.sections}
    marks = []
    for bar, at in bar_lines(film.song.tempo, film.song.length_s):
        name = f"{sections[bar]} (bar {bar})" if bar in sections else f"bar {bar}"
        marks.append(Mark(name, film.rate.frames_at(at), bar in sections))
    marks += [Mark(told(effect), effect.start, False) for effect in film.effects]
    return tuple(sorted(marks, key=lambda mark: mark.frame))
