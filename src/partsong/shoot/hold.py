"""Holding a take to the click or to its part's stem: which sound is heard, and where it lies on the song."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.records import Clip, Film, Song, Take
from partsong.film.store import FilmStore
from partsong.shoot import tightness
from partsong.watch import Watch

Against = Literal["click", "stem"]


@dataclass(frozen=True, slots=True)
class Held:
    """A take held to something: ``heard`` says what was listened to."""

    take: str
    against: Against
    heard: str
    tightness: tightness.Tightness
    sentence: str


def hold(store: FilmStore, name: str, against: Against, watch: Watch) -> Held:
    """Say how tight a take is.

    Against the click the part's stem is heard where there is one: it is what was recorded of that playing. Else the
    take's own sound is, at its place on the song; before line-up, only its evenness can be told.

    Raises
    ------
    InvalidInput
        If the song has no tempo map (for the click), the take no part with a stem or no place (for the stem), or
        nothing has sound.
    """
    film = store.head().film
    take = film.take(name)
    song = film.song
    if song is None:
        raise InvalidInput("The film has no song to hold a take to. Make it with: partsong new FILM --song MIX.wav")
    stem = song.stem_of(take.part) if take.part else None
    if against == "stem":
        if stem is None:
            raise InvalidInput(f"{name} has no stem of its part to be held to. Hold it to the click.")
        placed = _placed(film, take)
        if placed is None:
            raise InvalidInput(f"{name} has no place on the song yet. Run: partsong lineup place FILM")
        ours = _song_times(_onsets(store, take.clip, name, watch), placed)
        theirs = _onsets(store, stem, "the stem", watch)
        found = tightness.against_recording(ours, theirs, song.tempo)
        said = tightness.sentence(found, "the stem")
        return Held(name, against, "the take's own sound", found, said)
    if not song.tempo:
        raise InvalidInput("The song has no tempo map. Give one with: partsong cut tempo FILM --bpm 92 --beats 3")
    if stem is not None:
        onsets = _onsets(store, stem, "the stem", watch)
        return _to_click(name, song, onsets, "the part's stem", placed=True)
    onsets = _onsets(store, take.clip, name, watch)
    placed = _placed(film, take)
    if placed is None:
        return _to_click(name, song, onsets, "the take's own sound, not yet placed", placed=False)
    return _to_click(name, song, _song_times(onsets, placed), "the take's own sound", placed=True)


def _to_click(name: str, song: Song, onsets: NDArray[np.float64], heard: str, *, placed: bool) -> Held:
    found = tightness.against_click(onsets, song.tempo, song.length_s, placed=placed)
    return Held(name, "click", heard, found, tightness.sentence(found, f"the click ({heard})", placed=placed))


def _placed(film: Film, take: Take) -> tuple[Fraction, float, Fraction] | None:
    """Return a take's start, drift in ppm and arrival delay, when it is placed."""
    found = film.placement_of(take.id)
    if found is None or found.start is None or found.confidence not in ("sure", "likely"):
        return None
    delay = found.arrival_delay.seconds if found.arrival_delay is not None else Fraction(0)
    return found.start.seconds, found.drift_ppm, delay


def _song_times(media_s: NDArray[np.float64], placed: tuple[Fraction, float, Fraction]) -> NDArray[np.float64]:
    start_s, drift_ppm, delay_s = placed
    return np.asarray(float(start_s) + (media_s - float(delay_s)) * (1 + drift_ppm * 1e-6), np.float64)


def _onsets(store: FilmStore, clip: Clip, what: str, watch: Watch) -> NDArray[np.float64]:
    from partsong.media.sound import read_sound

    if clip.sound is None:
        raise InvalidInput(f"There is no sound in {what}, so nothing can be held to anything.")
    rate_hz = tightness.RATE_HZ
    total = clip.sound.samples // clip.sound.rate_hz
    blocks: list[NDArray[np.float32]] = []
    for block in read_sound(store.folder.locate(clip.file), rate_hz=rate_hz, block=rate_hz):
        watch.tick(f"Listening to {what}, seconds", min(len(blocks), total), total)
        blocks.append(block.mean(axis=1))
    return tightness.onsets_s(np.concatenate(blocks))
