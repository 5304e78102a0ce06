"""Puts the score of a film's placements together: what was heard, from the cache, and what is told of each take."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder
from partsong.film.records import Clip, Film, Placement, Song, Take
from partsong.film.tempo import Position, bar_lines, time_of
from partsong.lineup import score
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, TONE_RATE_HZ, Heard
from partsong.lineup.hearing import hear_clip, is_heard
from partsong.lineup.line import Line
from partsong.lineup.report import Facts, facts, signed
from partsong.watch import silent

_CLOSE_S, _BEFORE_S = 0.4, 0.1
_CLOSE_POINTS = 235  # one a pixel


def picture(folder: FilmFolder, film: Film) -> str:
    """Return the score of a film's placements as SVG; what was not heard yet is drawn without its waveform.

    Raises
    ------
    InvalidInput
        If the film has no song.
    """
    song = film.song
    if song is None:
        raise InvalidInput("The film has no song to draw takes on. Make it with one: partsong new FILM --song MIX.wav")
    mix = _heard(folder, song.mix)
    head = score.Head(
        title=song.title,
        length_s=float(song.length_s),
        peaks=_peaks(mix),
        bars=[(bar, float(at_s)) for bar, at_s in bar_lines(song.tempo, song.length_s)],
        sections=[
            (one.name, float(time_of(song.tempo, Position(one.bar, Fraction(0)))))
            for one in song.sections
            if song.tempo
        ],
    )
    rows = [_row(folder, film, song, take, mix) for take in film.takes]
    order = {part.name: number for number, part in enumerate(film.parts)}
    rows.sort(key=lambda row: order.get(row.part, len(order)))
    return score.draw(head, rows, TONE_RATE_HZ)


def _row(folder: FilmFolder, film: Film, song: Song, take: Take, mix: Heard | None) -> score.Row:
    placement = film.placement_of(take.id) or Placement(take=take.id, confidence="none", sentence="Not placed yet.")
    told = facts(film, placement)
    own = _heard(folder, take.clip)
    stem = song.stem_of(take.part) if take.part else None
    record = (_heard(folder, stem) if stem else None) or mix
    return score.Row(
        part=film.part(take.part).name if take.part else "coverage",
        take=take.id,
        placement=placement,
        length_s=float(take.clip.duration),
        peaks=_peaks(own),
        words=_words(told),
        onsets_s=_starts(own),
        record_s=_starts(record),
        close_up=_close_up(record, own, placement),
    )


def _words(told: Facts) -> tuple[str, ...]:
    if told.start is None:
        return (f"{told.confidence}{', by hand' if told.by_hand else ''}: {told.sentence}",)
    camera = "distance unknown" if told.distance_m is None else f"{told.distance_m:.3g} m"
    late = (
        "" if told.arrival_delay_ms is None else f", sound {told.arrival_delay_ms:.1f} ms late ({camera}, {told.delay})"
    )
    sure = f"{told.confidence}{', by hand' if told.by_hand else ''}"
    first = (
        f"{sure}: picture starts at {signed(told.start_ms or 0.0, 1)} ms, "
        f"clock {signed(told.drift_ppm, 1)} ppm, {signed(told.drift_frames, 2)} frames by the end{late}"
    )
    clock = told.clock_words if told.shifts else ""
    said = (first, told.sentence, clock, told.odd_clock, told.timing_words, told.since_words)
    return tuple(words for words in said if words)


def _close_up(record: Heard | None, own: Heard | None, placement: Placement) -> score.CloseUp | None:
    """Return the moment at which a note starts most clearly in record and camera, by the placement."""
    if record is None or own is None or placement.start is None:
        return None
    late_s = float(placement.arrival_delay) if placement.arrival_delay else 0.0
    line = Line(float(placement.start) - late_s, placement.drift_ppm)
    voice = max(range(len(own.voices)), key=lambda number: own.voices[number].level_db)
    margin = round(_CLOSE_S * ONSET_RATE_HZ)
    at = score.clearest(record.voices[0].onsets, own.voices[voice].onsets, round(line.start_s * ONSET_RATE_HZ), margin)
    if at is None:
        return None
    from_s = at / ONSET_RATE_HZ - _BEFORE_S
    media_s = (from_s - line.start_s) / (1 + line.drift_ppm * 1e-6)
    return score.CloseUp(from_s, _CLOSE_S, _highest(record, 0, from_s), _highest(own, voice, media_s))


def _highest(heard: Heard, voice: int, from_s: float) -> NDArray[np.float32]:
    """Return the highest sample in each of the close-up's points."""
    window = np.abs(heard.window(voice, round(from_s * RATE_HZ), round(_CLOSE_S * RATE_HZ)))
    edges = np.linspace(0, len(window), _CLOSE_POINTS + 1).astype(int)[:-1]
    return np.asarray(np.maximum.reduceat(window, edges), np.float32)


def _heard(folder: FilmFolder, clip: Clip) -> Heard | None:
    return hear_clip(folder, clip, silent()) if clip.sound is not None and is_heard(folder, clip) else None


def _peaks(heard: Heard | None) -> NDArray[np.float32]:
    return np.zeros(0, np.float32) if heard is None else heard.voices[0].peaks


def _starts(heard: Heard | None) -> tuple[float, ...]:
    return () if heard is None else score.note_starts(heard.voices[0].onsets, ONSET_RATE_HZ)
