"""The steps of lineup: place takes on the song, accept, nudge or refuse a placement, listen to it, draw it.

Long work comes first and leaves only derived files in the cache; what was found is put into the film at the end, in
one revision. A stop at any moment leaves the film as it was, and the same step later finds what was heard already.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.engine.local import Local
from partsong.engine.run import Engine, run_tasks
from partsong.engine.tasks import Task
from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.folder import FilmFolder
from partsong.film.records import Candidate, Clip, Evidence, Film, Placement, Song, Take
from partsong.film.store import FilmStore
from partsong.lineup import arrival, cues, joint, listening, page, slates, timecode
from partsong.lineup.agreeing import by_flash, by_picture, with_picture
from partsong.lineup.features import RATE_HZ, Heard
from partsong.lineup.hearing import HearClip, KeepStarts, hear_clip, is_heard
from partsong.lineup.line import Line
from partsong.lineup.locate import Found, Reference, locate, measure_at
from partsong.lineup.marks import Mark, decided
from partsong.lineup.motion import look
from partsong.lineup.seeing import see_clip, see_flashes
from partsong.lineup.together import settled_together
from partsong.media.cues import CueKind, cue_starts_s
from partsong.media.sound import read_sound, write_wav
from partsong.timebase import Rate, Time, clock, timecode_to_frame
from partsong.watch import Watch, silent

_LISTEN_RATE_HZ = 48000
_FURTHEST_M = 1000
_MEASURED_WITHIN_S = 0.06  # an accepted place is measured anew, unless that leads further away than this


@dataclass(frozen=True, slots=True)
class Signals:
    """What is known of signals that were played with the song: its length, the cues' times, the label it starts at."""

    song_s: float
    cues_s: Mapping[CueKind, float] | None
    song_timecode: str | None

    def in_sound(self, heard: Heard, delay_s: float) -> tuple[list[Mark], str]:
        """Return the marks in a take's sound, timecode first, and a note on timecode that says nothing."""
        marks, note = [], ""
        carried = timecode.find_timecode(heard.samples, RATE_HZ)
        if carried is not None and self.song_timecode is None:
            note = (
                f" It has {carried.told}: if that ran with the song, say at which label the song starts, with "
                "--song-timecode."
            )
        elif carried is not None and self.song_timecode is not None:
            try:
                mark = timecode.mark_from(
                    carried, self.song_timecode, song_s=self.song_s, length_s=heard.length_s, delay_s=delay_s
                )
            except InvalidInput as problem:
                mark, note = None, f" It has {carried.told}. {problem}"
            else:
                note = "" if mark else f" It has {carried.told}, which is not that of the song at {self.song_timecode}."
            marks = [mark] if mark else []
        if self.cues_s is not None and (mark := cues.mark_from(cues.find_cues(heard), self.cues_s)):
            marks.append(mark)
        return marks, note


@dataclass(frozen=True, slots=True)
class PlaceTake:
    """The job of placing one take; it travels to worker processes. ``references`` are names and clips.

    ``stem`` is the part's, against which the picture is compared where the sound does not settle it.
    """

    root: Path
    take: Take
    references: tuple[tuple[str, Clip], ...]
    stem: Clip | None
    delay: arrival.Delay
    signals: Signals

    def __call__(self, watch: Watch) -> Placement:
        """Find the take's place by its sound, and by its picture where that does not settle it."""
        folder = FilmFolder(self.root)
        placement = self._by_sound(folder, watch)
        if self.stem is None or placement.confidence not in ("ask", "none"):
            return placement
        if self.take.picture.variable_rate:
            return placement.replace(
                sentence=f"{placement.sentence} Its frames are not evenly spaced, so its picture does not help."
            )
        try:
            motion = see_clip(folder, self.take.clip, watch)
        except UnreadableMedia as problem:
            return placement.replace(sentence=f"{placement.sentence} Its picture could not be read: {problem.reason}.")
        return with_picture(placement, look(motion, hear_clip(folder, self.stem, watch).voices[0].onsets))

    def _by_sound(self, folder: FilmFolder, watch: Watch) -> Placement:
        if self.take.clip.sound is None:
            return _without_sound(self.take, "It has no sound track")
        try:
            heard = hear_clip(folder, self.take.clip, watch)
        except UnreadableMedia as problem:
            return _without_sound(self.take, f"Its sound could not be read: {problem.reason}")
        references = _heard(folder, self.references, watch)
        marks, note = self.signals.in_sound(heard, self.delay.seconds)
        return placement_from(
            self.take, decided(locate(heard, references), marks, heard.length_s / 2), self.delay, note
        )


def place(
    store: FilmStore,
    takes: Sequence[str] | None,
    *,
    watch: Watch,
    engine: Engine | None = None,
    song_timecode: str | None = None,
) -> tuple[Placement, ...]:
    """Place takes on the song by their sound, else by their picture, and keep the results as one revision.

    Takes are then asked about each other, and any take that was not placed by hand may be surer or less sure for it.

    Parameters
    ----------
    store : FilmStore
        The film.
    takes : sequence of str, optional
        The takes to place; all that were not placed by hand when None. A take placed by hand is only touched by name.
    watch : Watch
        Progress in seconds of sound.
    engine : Engine, optional
        Where; all processors of this machine unless given.
    song_timecode : str, optional
        The label at which the song starts in timecode that was played with it and recorded by the cameras.

    Raises
    ------
    InvalidInput
        If the film has no song, no such take, the label is none, or a file is no longer where it was.

    Returns
    -------
    tuple of Placement
        Of the takes asked for, then of others that changed.
    """
    if song_timecode is not None:
        timecode_to_frame(song_timecode, Rate.of(30), drop=False)  # its form; the rate is the timecode's own
    folder, film = store.folder, store.head().film
    chosen = _chosen(film, takes)
    signals = _signals(_song(film), song_timecode)
    jobs = [_job(folder, film, take, signals) for take in chosen]
    unheard = {clip.file.fingerprint: clip for job in jobs for _, clip in job.references if not is_heard(folder, clip)}
    for clip in [*unheard.values(), *(take.clip for take in chosen)]:
        folder.locate(clip.file)  # a missing file is told before the work, not after it
    run_tasks(
        [Task(_file_name(clip), HearClip(folder.root, clip), _seconds(clip)) for clip in unheard.values()],
        doing="Listening to the song",
        watch=watch,
        engine=engine,
    )
    placements: list[Placement] = run_tasks(
        [Task(job.take.id, job, _seconds(job.take.clip)) for job in jobs],
        doing="Placing takes",
        watch=watch,
        engine=engine,
    )
    if not placements:
        return ()
    named = set(takes or ())
    results, followers = _together(folder, film, placements, named, watch, engine)
    store.change(_told(results), lambda newest: _with(newest, [*results, *followers], named))
    return (*results, *followers)


def placement_from(take: Take, found: Found, delay: arrival.Delay, note: str = "") -> Placement:
    """Return the record of what was found: picture times, the arrival delay taken out of the start.

    ``note`` is said after the sentence.
    """

    def picture(line: Line) -> Time:
        return _time(arrival.picture_start_s(line.start_s, delay.seconds))

    placed = found.confidence in ("sure", "likely") and found.line is not None
    return Placement(
        take=take.id,
        confidence=found.confidence,
        start=picture(found.line) if placed and found.line is not None else None,
        drift_ppm=found.line.drift_ppm if placed and found.line is not None else 0.0,
        arrival_delay=_time(delay.seconds),
        delay_from=delay.rests_on,
        candidates=tuple(Candidate(start=picture(place.line), score=place.score) for place in found.possible),
        evidence=Evidence(
            method=found.method,
            windows=found.agreed,
            windows_tried=found.tried,
            spread_ms=found.spread_ms,
            margin=found.margin,
        ),
        sentence=_sentence(found) + note,
    )


def accept(
    store: FilmStore,
    take_id: str,
    *,
    candidate: int = 1,
    start_s: Fraction | None = None,
    watch: Watch | None = None,
) -> Placement:
    """Put a take where a person says: on one of its candidates (from 1), or at a song time in seconds.

    Others that share its sound or its clock are pulled along, in the same revision, unless a person placed them.

    A candidate of the sound is measured anew around its place, for the millisecond and the drift; one of the picture
    and a given time are kept as they are.

    Raises
    ------
    InvalidInput
        If the take has no such candidate.
    """
    film = store.head().film
    take = film.take(take_id)
    before = film.placement_of(take_id)
    delay = arrival.delay_of(film, take)
    if start_s is not None:
        line = Line(float(start_s), before.drift_ppm if before else 0.0)
        sentence = f"Set by hand to {clock(start_s)}."
    else:
        found = before.candidates if before else ()
        if not 1 <= candidate <= len(found):
            have = f"it has {len(found)}" if found else "it has none"
            raise InvalidInput(
                f"Take {take_id} has no candidate {candidate}; {have}. Choose another, or give the start by hand: "
                f"partsong lineup accept FILM {take_id} --start SECONDS"
            )
        line = Line(float(found[candidate - 1].start))
        if not by_picture(before):  # what the picture had to decide cannot be measured in the sound
            line = _measured(store.folder, film, take, line, delay)
        sentence = f"Candidate {candidate} of {len(found)}, accepted by hand."
    placement = Placement(
        take=take_id,
        confidence="sure",
        start=Time.of(start_s) if start_s is not None else _time(line.start_s),
        drift_ppm=line.drift_ppm,
        arrival_delay=_time(delay.seconds),
        delay_from=delay.rests_on,
        by_hand=True,
        candidates=before.candidates if before else (),
        evidence=before.evidence if before else None,
        sentence=sentence,
    )
    return _by_hand(store, film, placement, f"Accepted a place for take {take_id}", watch)


def nudge(
    store: FilmStore,
    take_id: str,
    *,
    ms: Fraction | None = None,
    frames: int | None = None,
    watch: Watch | None = None,
) -> Placement:
    """Move a placed take by milliseconds or by frames of the film; positive moves it later on the song.

    Raises
    ------
    InvalidInput
        If the take has no start, or not exactly one amount is given.
    """
    if (ms is None) == (frames is None):
        raise InvalidInput("Give either milliseconds or frames to nudge by, not both and not neither.")
    film = store.head().film
    before = film.placement_of(film.take(take_id).id)
    if before is None or before.start is None:
        raise InvalidInput(
            f"Take {take_id} has no place yet, so it cannot be nudged. Give it one first: partsong lineup accept"
        )
    if ms is not None:
        by_s, amount = ms / 1000, f"{float(ms):+g} ms"
    else:
        rate = film.rate or film.take(take_id).picture.rate
        assert frames is not None
        by_s, amount = frames * rate.frame_s, f"{frames:+d} frame{'' if abs(frames) == 1 else 's'}"
    moved = before.replace(
        start=Time.of(before.start.seconds + by_s),
        confidence="sure",
        by_hand=True,
        sentence=f"Nudged by hand by {amount}.",
        alone=None,
    )
    return _by_hand(store, film, moved, f"Nudged take {take_id} by {amount}", watch)


def refuse(store: FilmStore, take_id: str, *, watch: Watch | None = None) -> Placement:
    """Take a take off the song; its candidates stay on record."""
    film = store.head().film
    before = film.placement_of(film.take(take_id).id) or Placement(take=take_id, confidence="none")
    refused = before.replace(
        confidence="none", start=None, drift_ppm=0.0, by_hand=True, sentence="Taken off the song by hand.", alone=None
    )
    return _by_hand(store, film, refused, f"Took take {take_id} off the song", watch)


def slate(store: FilmStore, take_id: str, other_id: str, *, watch: Watch) -> Placement:
    """Put a take where flashes say that another, placed take saw too.

    Raises
    ------
    InvalidInput
        If the other take has no place, one of them saw no flash, or their flashes fit in more than one way.
    UnreadableMedia
        If a frame cannot be decoded.
    """
    film = store.head().film
    take, other = film.take(take_id), film.take(other_id)
    placed = film.placement_of(other.id)
    if placed is None or placed.start is None:
        raise InvalidInput(f"Take {other_id} has no place yet. Place it first: partsong lineup place")
    for one in (other, take):
        if one.picture.variable_rate:
            raise InvalidInput(
                f"The frames of take {one.id} are not evenly spaced, so a flash in it tells no time. Give the start by "
                f"hand: partsong lineup accept FILM {take_id} --start SECONDS"
            )
    seen = {one.id: see_flashes(store.folder, one.clip, watch) for one in (other, take)}
    for name, flashes in seen.items():
        if not flashes:
            raise InvalidInput(
                f"No flash is seen in take {name}. Give the start by hand: "
                f"partsong lineup accept FILM {take_id} --start SECONDS"
            )
    shared = slates.shared(seen[other.id], seen[take.id])
    if shared is None or not shared.only:
        counts = " and ".join(f"{len(flashes)} in {name}" for name, flashes in seen.items())
        raise InvalidInput(
            f"The flashes fit together in more than one way ({counts}). Give the start by hand: "
            f"partsong lineup accept FILM {take_id} --start SECONDS"
        )
    delay = arrival.delay_of(film, take)
    found = by_flash(take, placed, shared, film.placement_of(take.id), delay)
    return _by_hand(store, film, found, f"Placed take {take_id} by a flash that {other_id} saw too", watch)


def set_distance(
    store: FilmStore, take_id: str, metres: Fraction | None, *, watch: Watch | None = None
) -> Placement | None:
    """Say how far a take's camera was from the sound; None where that is not known, and its part's counts again.

    A start that was read from sound through the air moves with the delay; what a person placed stays, and so does what
    picture or timecode placed.

    Returns
    -------
    Placement or None
        The take's, with its new delay; None where it has none yet.

    Raises
    ------
    InvalidInput
        If the distance is none that a camera could have.
    """
    if metres is not None and not 0 < metres < _FURTHEST_M:
        raise InvalidInput(
            f"The distance of take {take_id} is out of range. Give metres from the sound to its camera, above 0 and "
            f"below {_FURTHEST_M}, or: unknown"
        )
    distance_m = None if metres is None else float(metres)
    film = store.head().film
    take = film.take(take_id).replace(distance_m=distance_m)
    delay = arrival.delay_of(film, take)
    said = "unknown" if distance_m is None else f"{distance_m:g} m"
    sentence = f"Set the distance of take {take_id} to {said}"

    def known(newest: Film) -> Film:
        return newest.replace(
            takes=tuple(one.replace(distance_m=distance_m) if one.id == take_id else one for one in newest.takes)
        )

    before = film.placement_of(take_id)
    if before is None or before.arrival_delay is None:
        store.change(sentence, known)
        return before
    moved = arrival.with_delay(joint.alone(before), delay)
    results, followers = _together(store.folder, known(film), [moved], {take_id}, watch or silent(), Local(1))
    store.change(sentence, lambda newest: _with(known(newest), [*results, *followers], {take_id}))
    return results[0]


def listen(store: FilmStore, take_id: str, *, at_s: Fraction, length_s: Fraction, out: Path) -> None:
    """Write a stretch of the song (left) with the take's own sound (right), moved and stretched as it is placed.

    The sound is played where it was *made*, without the arrival delay: a right placement sounds together.

    Raises
    ------
    InvalidInput
        If the take has no start or no sound, or the stretch lies outside the song.
    """
    film = store.head().film
    song, take, placement = _song(film), film.take(take_id), film.placement_of(take_id)
    if placement is None or placement.start is None or take.clip.sound is None:
        raise InvalidInput(
            f"Take {take_id} has no place or no sound to listen to. Place it first: partsong lineup place"
        )
    if not 0 <= at_s < song.length_s or length_s <= 0:
        raise InvalidInput(
            f"There is no song at {float(at_s):g} s to listen to. Choose a time from 0 to {float(song.length_s):g} s."
        )
    delay_s = float(placement.arrival_delay) if placement.arrival_delay else 0.0
    line = Line(arrival.sound_start_s(float(placement.start), delay_s), placement.drift_ppm)
    first_s, stop_s = listening.media_range_s(line, float(at_s), float(length_s))
    scratch_from = max(Fraction(0), Fraction(int(first_s * 100) - 1, 100))
    scratch = _mono(store.folder.locate(take.clip.file), scratch_from, Fraction(stop_s + 0.01))
    mix = _mono(store.folder.locate(song.mix.file), at_s, at_s + length_s)
    pair = listening.side_by_side(mix, scratch, float(scratch_from), line, float(at_s), _LISTEN_RATE_HZ)
    write_wav(out, [pair], rate_hz=_LISTEN_RATE_HZ, bits=24)


def picture(store: FilmStore) -> str:
    """Return the score of the film's placements as SVG; what was not heard yet is drawn without its waveform."""
    return page.picture(store.folder, store.head().film)


# --- inside ---------------------------------------------------------------------------------------


def _chosen(film: Film, takes: Sequence[str] | None) -> list[Take]:
    _song(film)
    if takes:
        return [film.take(name) for name in dict.fromkeys(takes)]
    placed = {take.id: film.placement_of(take.id) for take in film.takes}
    return [take for take in film.takes if not ((found := placed[take.id]) and found.by_hand)]


def _job(folder: FilmFolder, film: Film, take: Take, signals: Signals) -> PlaceTake:
    stem = _song(film).stem_of(take.part) if take.part else None
    return PlaceTake(folder.root, take, _references(film, take), stem, arrival.delay_of(film, take), signals)


def _signals(song: Song, song_timecode: str | None) -> Signals:
    # Without a tempo map there was no guide track, so there are no cues to listen for.
    starts_s = cue_starts_s(song.tempo, song.length_s) if song.tempo else None
    cues_s = None if starts_s is None else {kind: float(at_s) for kind, at_s in starts_s.items()}
    return Signals(float(song.length_s), cues_s, song_timecode)


def _heard(folder: FilmFolder, known: Sequence[tuple[str, Clip]], watch: Watch) -> list[Reference]:
    return [Reference(name, hear_clip(folder, clip, watch), KeepStarts(folder, clip)) for name, clip in known]


def _references(film: Film, take: Take) -> tuple[tuple[str, Clip], ...]:
    song = _song(film)
    stem = song.stem_of(take.part) if take.part else None
    named = [(f"the {film.part(take.part).name} stem", stem)] if take.part and stem else []
    return (*named, ("the mix", song.mix))


def _song(film: Film) -> Song:
    if film.song is None:
        raise InvalidInput("The film has no song to place takes on. Make it with one: partsong new FILM --song MIX.wav")
    return film.song


def _by_hand(store: FilmStore, film: Film, placed: Placement, sentence: str, watch: Watch | None) -> Placement:
    """Keep what a person decided on one take, with what follows for others, as one revision.

    Raises
    ------
    InvalidInput
        If no part of the take would lie on the song.
    """
    if placed.start is not None and film.song is not None:
        start_s, length_s = placed.start.seconds, film.take(placed.take).clip.duration.seconds
        if not -length_s < start_s < film.song.length_s:
            raise InvalidInput(
                f"Take {placed.take} would start at {float(start_s):g} s and lie outside the song, which lasts "
                f"{float(film.song.length_s):.2f} s; the take lasts {float(length_s):.2f} s. Give a start at which "
                f"they overlap, or take it off the song: partsong lineup refuse FILM {placed.take}"
            )
    _, followers = _together(store.folder, film, [placed], {placed.take}, watch or silent(), Local(1))
    if followers:
        sentence += f", and {len(followers)} other{'s' if len(followers) > 1 else ''} followed"
    store.change(sentence, lambda newest: _with(newest, [placed, *followers], {placed.take}))
    return placed


def _together(
    folder: FilmFolder, film: Film, new: Sequence[Placement], named: set[str], watch: Watch, engine: Engine | None
) -> tuple[list[Placement], list[Placement]]:
    """Return the new placements in their order, with what other takes say of them, and others that change for it."""
    settled = settled_together(folder, _with(film, new, named), watch=watch, engine=engine)
    by_take = {found.take: found for found in settled}
    asked = {found.take for found in new}
    followers = [found for found in settled if found.take not in asked and found != film.placement_of(found.take)]
    return [by_take[found.take] for found in new], followers


def _measured(folder: FilmFolder, film: Film, take: Take, near: Line, delay: arrival.Delay) -> Line:
    if take.clip.sound is None:
        return near
    watch = silent()
    heard = hear_clip(folder, take.clip, watch)
    references = _heard(folder, _references(film, take), watch)
    found = measure_at(heard, references, Line(arrival.sound_start_s(near.start_s, delay.seconds)))
    line = Line(arrival.picture_start_s(found.start_s, delay.seconds), found.drift_ppm)
    return line if abs(line.start_s - near.start_s) <= _MEASURED_WITHIN_S else near


def _with(film: Film, placements: Sequence[Placement], named: set[str]) -> Film:
    """Put placements in; takes that are gone, or that a person placed meanwhile and did not name, stay as they are."""
    takes = {take.id for take in film.takes}
    kept = {found.take: found for found in film.placements}
    for new in placements:
        old = kept.get(new.take)
        if new.take in takes and (new.take in named or not (old and old.by_hand)):
            kept[new.take] = new
    ordered = [kept[take.id] for take in film.takes if take.id in kept]
    return film.replace(placements=tuple(ordered))


def _sentence(found: Found) -> str:
    if found.summed and found.method == "phase":
        spread = f", and tell it to {found.spread_ms:.2f} ms" if found.spread_ms else ""
        return f"{found.reason}: {found.tried} windows were summed with {found.against}{spread}."
    if found.method == "phase":
        spread = f", to {found.spread_ms:.2f} ms in the median" if found.spread_ms is not None else ""
        windows = f"{found.agreed} of {found.tried} windows agree {'' if found.alone else 'each by itself '}with"
        return f"{found.reason}: {windows} {found.against}{spread}."
    if found.method == "onsets":
        clock_told = "" if found.line is None or found.line.drift_ppm else " How the clock ran is not known."
        return f"{found.reason} (against {found.against}).{clock_told}"
    return f"{found.reason}."


def _without_sound(take: Take, reason: str) -> Placement:
    return Placement(take=take.id, confidence="none", evidence=Evidence(method="none"), sentence=f"{reason}.")


def _told(placements: Sequence[Placement]) -> str:
    placed = sum(found.confidence in ("sure", "likely") for found in placements)
    asking = len(placements) - placed
    told = f"Placed {placed} take{'' if placed == 1 else 's'} on the song"
    return f"{told}, {asking} to ask about" if asking else told


def _time(seconds: float) -> Time:
    return Time.of(Fraction(seconds))


def _seconds(clip: Clip) -> int:
    return max(1, round(clip.duration.seconds))


def _file_name(clip: Clip) -> str:
    return Path(clip.file.path).name


def _mono(path: Path, start_s: Fraction, stop_s: Fraction) -> NDArray[np.float32]:
    if stop_s <= start_s:
        return np.zeros(0, np.float32)
    blocks = [block.mean(axis=1) for block in read_sound(path, rate_hz=_LISTEN_RATE_HZ, start_s=start_s, stop_s=stop_s)]
    return np.concatenate(blocks) if blocks else np.zeros(0, np.float32)
