"""The score of the placements: the song with its bars, each take under it, and what a person may decide of it."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Annotated

from pydantic import Field

from partsong.desk.api.film import JobTold, told
from partsong.desk.routes import Done, Edit, Route, Wire
from partsong.desk.session import Desk
from partsong.desk.waves import note_starts, waveform
from partsong.errors import InvalidInput
from partsong.film.folder import key_of, writing
from partsong.film.records import Clip, Film, Placement, Song, Take
from partsong.film.tempo import Position, bar_lines, beats_in_bar, time_of
from partsong.lineup import steps
from partsong.lineup.agreeing import by_picture
from partsong.lineup.report import Facts, facts
from partsong.watch import Watch

JOB = "place"
_MOST_LISTENED_S = 120


class Bar(Wire):
    """A bar line: its number, its song time, and that of the beats after its first."""

    bar: int
    at_s: float
    beats_s: tuple[float, ...]


class Mark(Wire):
    """A section and where it begins."""

    name: str
    at_s: float


class Place(Wire):
    """A place where a take might sit."""

    start_s: float
    score: float


class Row(Wire):
    """One take of the score.

    Its picture begins at song time ``start_s`` and goes on at ``stretch`` song seconds a second of its own; its sound
    was made ``delay_s`` before the camera heard it. ``words`` are sentences; ``to_decide`` asks for one. ``record`` is
    what it is compared with, as a person would call it.
    """

    take: str
    part: str
    roaming: bool
    length_s: float
    has_sound: bool
    record: str
    seen: bool
    confidence: str
    by_hand: bool
    to_decide: bool
    start_s: float | None
    stretch: float
    delay_s: float
    words: tuple[str, ...]
    candidates: tuple[Place, ...]


class Score(Wire):
    """The whole score; ``frame_s`` is the length of a frame of the film."""

    revision: int
    title: str
    length_s: float
    frame_s: float | None
    bars: tuple[Bar, ...]
    sections: tuple[Mark, ...]
    rows: tuple[Row, ...]


class Nudge(Edit):
    """By how much to move a take: either in frames of the film or in milliseconds; later is positive."""

    frames: Annotated[int, Field(ge=-100_000, le=100_000)] | None = None
    ms: Annotated[float, Field(ge=-1e7, le=1e7, allow_inf_nan=False)] | None = None


class Accept(Edit):
    """Where to put a take: on a candidate, counted from 1, or at a song time in seconds."""

    candidate: Annotated[int, Field(ge=1)] | None = None
    start_s: Annotated[float, Field(ge=-1e5, le=1e5, allow_inf_nan=False)] | None = None


class Stretch(Wire):
    """A stretch of the song to listen to."""

    at: Annotated[float, Field(ge=0, le=1e5)]
    length: Annotated[float, Field(gt=0, le=_MOST_LISTENED_S)] = 12.0


def score(desk: Desk) -> Score:
    """Return the score of the film as it is now."""
    head = desk.head()
    film, song = head.film, _song(head.film)
    order = {part.id: number for number, part in enumerate(film.parts)}
    takes = sorted(film.takes, key=lambda take: (take.kind == "roaming", order.get(take.part or "", len(order))))
    return Score(
        revision=head.revision.number,
        title=song.title,
        length_s=float(song.length_s),
        frame_s=float(film.rate.frame_s) if film.rate else None,
        bars=tuple(_bar(song, bar, at_s) for bar, at_s in bar_lines(song.tempo, song.length_s)),
        sections=tuple(
            Mark(name=one.name, at_s=float(time_of(song.tempo, Position(one.bar, Fraction(0)))))
            for one in song.sections
            if song.tempo
        ),
        rows=tuple(_row(film, take) for take in takes),
    )


def _bar(song: Song, bar: int, at_s: Fraction) -> Bar:
    beats = range(1, beats_in_bar(song.tempo, bar))
    return Bar(
        bar=bar,
        at_s=float(at_s),
        beats_s=tuple(float(time_of(song.tempo, Position(bar, Fraction(beat)))) for beat in beats),
    )


def _row(film: Film, take: Take) -> Row:
    placement = film.placement_of(take.id)
    found = placement or Placement(take=take.id, confidence="none", sentence="Not looked for yet.")
    told_of = facts(film, found)
    return Row(
        take=take.id,
        part=film.part(take.part).name if take.part else "coverage",
        roaming=take.kind == "roaming",
        length_s=float(take.clip.duration),
        has_sound=take.clip.sound is not None,
        record=_record(film, take)[0],
        seen=by_picture(placement),
        confidence=found.confidence,
        by_hand=found.by_hand,
        to_decide=placement is not None and found.confidence in ("ask", "none") and not found.by_hand,
        start_s=None if found.start is None else float(found.start),
        stretch=1 + found.drift_ppm * 1e-6,
        delay_s=float(found.arrival_delay) if found.arrival_delay else 0.0,
        words=_words(told_of, found),
        candidates=tuple(Place(start_s=float(one.start), score=one.score) for one in found.candidates),
    )


def _words(told_of: Facts, found: Placement) -> tuple[str, ...]:
    delay = ""
    if found.start is not None and told_of.arrival_delay_ms is not None:
        far = "at an unknown distance" if told_of.distance_m is None else f"{told_of.distance_m:.3g} m away"
        how = {"measured": "", "planned": " (as planned)", "assumed": ", assumed"}[told_of.delay]
        delay = f"Sound reached this camera, {far}{how}, {told_of.arrival_delay_ms:.1f} ms late."
    said = (told_of.sentence, told_of.clock_words, told_of.odd_clock, delay, told_of.timing_words, told_of.since_words)
    return tuple(words for words in said if words)


def nudge(desk: Desk, take: str, edit: Nudge) -> Done:
    """Move a take by frames or milliseconds."""
    ms = None if edit.ms is None else Fraction(str(edit.ms))
    with desk.editing(edit.base) as store:
        steps.nudge(store, take, ms=ms, frames=edit.frames)
        return Done.of(store.head().revision)


def accept(desk: Desk, take: str, edit: Accept) -> Done:
    """Put a take on a candidate, or at a time."""
    if (edit.candidate is None) == (edit.start_s is None):
        raise InvalidInput("Give either a candidate or a start, not both and not neither.")
    with desk.editing(edit.base) as store:
        if edit.start_s is not None:
            steps.accept(store, take, start_s=Fraction(str(edit.start_s)))
        else:
            steps.accept(store, take, candidate=edit.candidate or 1)
        return Done.of(store.head().revision)


def refuse(desk: Desk, take: str, edit: Edit) -> Done:
    """Take a take off the song."""
    with desk.editing(edit.base) as store:
        steps.refuse(store, take)
        return Done.of(store.head().revision)


def place(desk: Desk) -> JobTold:
    """Start finding where the takes sit; those placed by hand stay."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            found = steps.place(store, None, watch=watch)
            return store.head().revision.sentence + "." if found else "Nothing to place: all were placed by hand."

    _song(desk.head().film)
    return told(desk.jobs.start(JOB, "Placing takes on the song", work))


def song_wave(desk: Desk) -> Path:
    """Return the waveform of the song."""
    return waveform(desk.folder, _song(desk.head().film).mix)


def take_wave(desk: Desk, take: str) -> Path:
    """Return the waveform of a take's own sound."""
    return waveform(desk.folder, desk.head().film.take(take).clip)


def take_starts(desk: Desk, take: str) -> Path:
    """Return how strongly notes start in a take's own sound."""
    return note_starts(desk.folder, desk.head().film.take(take).clip)


def record_starts(desk: Desk, take: str) -> Path:
    """Return how strongly notes start in what a take is compared with."""
    film = desk.head().film
    return note_starts(desk.folder, _record(film, film.take(take))[1])


def _record(film: Film, take: Take) -> tuple[str, Clip]:
    """Return what a take is best compared with, its part's stem or else the mix, and its name."""
    song = _song(film)
    stem = next((stem for stem in song.stems if stem.part == take.part), None)
    if stem is None or take.part is None:
        return "the mix", song.mix
    return f"the {film.part(take.part).name} stem", stem.clip


def listen(desk: Desk, take: str, stretch: Stretch) -> Path:
    """Return the song on the left and a take's own sound on the right, as a file that is kept."""
    film = desk.head().film
    placement, clip = film.placement_of(take), film.take(take).clip
    sits = placement.model_dump(mode="json", include={"start", "drift_ppm", "arrival_delay"}) if placement else None
    files = [_song(film).mix.file.fingerprint, clip.file.fingerprint]
    out = desk.folder.cached("listen", key_of("listen", files, sits, stretch.at, stretch.length), ".wav")
    if not out.is_file():
        with desk.store() as store, writing(out) as temporary:
            steps.listen(store, take, at_s=Fraction(stretch.at), length_s=Fraction(stretch.length), out=temporary)
    return out


def _song(film: Film) -> Song:
    if film.song is None:
        raise InvalidInput("The film has no song to put takes on. Make it around one: partsong new FILM --song MIX.wav")
    return film.song


ROUTES = (
    Route("GET", "/api/lineup", score, Score, "The song with its bars, and each take under it."),
    Route("POST", "/api/lineup/place", place, JobTold, "Find where the takes sit on the song."),
    Route("POST", "/api/lineup/takes/{take}/nudge", nudge, Done, "Move a take by frames or milliseconds.", Nudge),
    Route("POST", "/api/lineup/takes/{take}/accept", accept, Done, "Put a take on a candidate or at a time.", Accept),
    Route("POST", "/api/lineup/takes/{take}/refuse", refuse, Done, "Take a take off the song.", Edit),
    Route("GET", "/media/wave", song_wave, "application/octet-stream", "The song's waveform: a byte each 1 ms."),
    Route("GET", "/media/takes/{take}/wave", take_wave, "application/octet-stream", "A take's waveform."),
    Route("GET", "/media/takes/{take}/starts", take_starts, "application/octet-stream", "Note starts of a take."),
    Route("GET", "/media/takes/{take}/record", record_starts, "application/octet-stream", "Note starts of the record."),
    Route("GET", "/media/takes/{take}/listen", listen, "audio/wav", "Song left, the take's sound right.", Stretch),
)
