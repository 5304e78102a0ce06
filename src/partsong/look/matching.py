"""Matching the takes of a film: from their files to grades in the document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes
from partsong.film.folder import FilmFolder
from partsong.film.records import Cdl, Film, Look, Match, Take
from partsong.film.store import FilmStore
from partsong.look import match
from partsong.look.match import Pairs, Solved
from partsong.look.settings import graded
from partsong.media.convert import encoded_rgb
from partsong.media.picture import open_picture, resized
from partsong.render import colour, grading
from partsong.render.pixels import to_linear
from partsong.watch import Watch

Box = tuple[int, int, int, int]
"""A grey card in a take's own picture: left, top, width, height in pixels."""

_FRAMES = 5  # enough for a median that a moving player does not stay in
_WIDEST_PX = 640
_CLIPPED = 0.97  # of the code's range


@dataclass(frozen=True, slots=True)
class Matched:
    """What was found for a take: the grade that brings it to its hero, and what it rests on."""

    take: str
    hero: str
    cdl: Cdl
    patches: int
    spread_stops: float
    told: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class How:
    """How to match: towards which take (each to its own hero if None), where to look, and where grey cards are.

    ``head_s`` looks at the takes' first seconds, which only ambient light should fill; ``at_s`` at one frame of the
    hero, by song time, and at that of each take where it has one; ``cards`` are boxes by take.
    """

    hero: str | None = None
    head_s: Fraction | None = None
    at_s: Fraction | None = None
    cards: Mapping[str, Box] | None = None


def match_takes(store: FilmStore, how: How, *, takes: Sequence[str] = (), watch: Watch) -> tuple[Matched, ...]:
    """Match takes to a hero and keep what is known as their grades, in one revision.

    A stage take is matched to the stage's reference; a roaming one to the placed stage take of the same part, whose
    light stood where its own did, else to the reference; all of them to ``how.hero`` where that is given. Unless takes
    are named, those that a person graded stay as they are.

    Raises
    ------
    InvalidInput
        If there is no hero, a take's encoding is not known, or a card is no card.
    """
    folder, film = store.folder, store.head().film
    look = film.look or Look(config=colour.DEFAULT_CONFIG, display="none", view="none")
    placed = {one.take.id for one in placed_takes(film)}
    chosen = [film.take(name) for name in takes] or [
        take for take in film.takes if take.id in placed and not _by_hand(film, take)
    ]
    if how.at_s is not None and how.head_s is not None:
        raise InvalidInput("--at names a frame of the song, and --head the takes' first seconds. Give one of them.")
    found = []
    for take in watch.over(chosen, total=len(chosen), doing="Matching the takes"):
        hero = hero_of(film, take, how.hero)
        if how.at_s is not None:
            _covered(film, hero, how.at_s)
        if hero.id != take.id:
            found.append(_matched(folder, film, look, hero, take, how))
    if not found:
        raise InvalidInput("There is nothing to match: only the hero itself was named. Name another take: --take TAKE")
    known = [one for one in found if one.told]
    if known:
        names = ", ".join(one.take for one in known)
        store.change(f"Matched the light of {names}", lambda newest: _kept(newest, found))
    return tuple(found)


def _by_hand(film: Film, take: Take) -> bool:
    """Say whether a person graded a take: matching gives a roaming take nothing but a gain."""
    match_ = film.stage.match_of(take.id)
    if take.kind == "stage":
        return match_ is not None and match_.by_hand
    return take.grade is not None and not take.grade.is_gain


def hero_of(film: Film, take: Take, named: str | None) -> Take:
    """Return the take that another one is matched to."""
    if named is not None:
        return film.take(named)
    placed = [one.take for one in placed_takes(film) if one.take.kind == "stage"]
    same_light = [one for one in placed if one.part == take.part]
    if take.kind == "roaming" and take.part is not None and same_light:
        merged = [one for one in same_light if one.id in film.stage.order]
        return (merged or same_light)[-1]
    if film.stage.reference is not None:
        return film.take(film.stage.reference)
    if placed:
        return placed[0]
    raise InvalidInput("No take of the locked-off camera is placed yet, so there is no hero. Name one: --to TAKE")


def _covered(film: Film, hero: Take, at_s: Fraction) -> None:
    placed = next((one for one in placed_takes(film) if one.take.id == hero.id), None)
    if placed is None or int(at_s * placed.rate.exact) not in placed.frames():
        raise InvalidInput(
            f"{hero.id} has no picture at {float(at_s):g} s of the song, so it cannot be the hero there."
        )


def _matched(folder: FilmFolder, film: Film, look: Look, hero: Take, take: Take, how: How) -> Matched:
    cards = how.cards or {}
    try:
        if cards:
            boxes = [_card(folder, film, look, one, how, cards) for one in (hero, take)]
            solved = match.solve_cards(_as_graded(film, hero, boxes[0]), boxes[1])
            seen = "the grey card"
        else:
            solved = match.solve(_pairs(folder, film, look, hero, take, how))
            seen = f"{solved.patches} patches"
    except InvalidInput as problem:
        raise InvalidInput(f"{take.id} against {hero.id}: {problem}") from problem
    cdl = Cdl(slope=tuple(round(value, 5) for value in solved.gain)) if solved.told else Cdl()  # type: ignore[arg-type]
    return Matched(
        take=take.id,
        hero=hero.id,
        cdl=cdl,
        patches=solved.patches,
        spread_stops=solved.spread_stops,
        told=solved.told,
        sentence=_sentence(hero, solved, seen, how),
    )


def _sentence(hero: Take, solved: Solved, seen: str, how: How) -> str:
    if not solved.told:
        asked = (
            "another moment of the head, or a grey card in both"
            if how.head_s is not None
            else "a second of ambient light at the head of both (--head SECONDS), or a grey card in both (--card)"
        )
        return f"Not known against {hero.id}: {solved.why}. It takes {asked}."
    return f"By {seen} that {hero.id} shows too, {solved.spread_stops:.3f} stops apart over the frame."


def _kept(film: Film, found: Sequence[Matched]) -> Film:
    for one in found:
        if one.told:
            film = graded(film, one.take, one.cdl, sentence=one.sentence, by_hand=False)
    # Where nothing is known, that is kept too, unless a person has said.
    unknown = {one.take: one for one in found if not one.told and film.take(one.take).kind == "stage"}
    matches = list(film.stage.matches)
    for name, one in unknown.items():
        if film.stage.match_of(name) is None:
            matches.append(Match(take=name, sentence=one.sentence))
    return film.replace(stage=film.stage.replace(matches=tuple(matches)))


# --- light of a take ------------------------------------------------------------------------------


def _pairs(folder: FilmFolder, film: Film, look: Look, hero: Take, take: Take, how: How) -> Pairs:
    if hero.kind == "stage" and take.kind == "stage":
        still = [np.median(_lights(folder, film, look, one, how), axis=0) for one in (hero, take)]
        if still[0].shape == still[1].shape:
            return match.same_place(_as_graded(film, hero, still[0]), still[1])
    # A camera that is carried shows another view in every frame.
    heroes = _as_graded(film, hero, _lights(folder, film, look, hero, how))
    fixed = [np.median(heroes, axis=0)] if hero.kind == "stage" else list(heroes)
    others = _lights(folder, film, look, take, how)
    return match.joined([match.seen_elsewhere(one, other) for one in fixed for other in others])


def _as_graded(film: Film, hero: Take, light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the hero's light as it is used: through its own grade."""
    grade = film.grade_of(hero.id)
    return light if grade is None else grading.apply_cdl(grade, light)


def _card(
    folder: FilmFolder, film: Film, look: Look, take: Take, how: How, cards: Mapping[str, Box]
) -> NDArray[np.float64]:
    if take.id not in cards:
        raise InvalidInput(
            f"Where the grey card is in {take.id} is not said. Say it: --card {take.id}=LEFT,TOP,WIDTH,HEIGHT"
        )
    left, top, width, height = cards[take.id]
    frames = _lights(folder, film, look, take, how, whole=True)
    area = np.median(frames[:, top : top + height, left : left + width], axis=0)
    if left < 0 or top < 0 or width < 1 or height < 1 or area.shape[:2] != (height, width):
        raise InvalidInput(f"The card's box reaches out of the picture of {take.id}.")
    return np.asarray(area)


def _lights(
    folder: FilmFolder, film: Film, look: Look, take: Take, how: How, *, whole: bool = False
) -> NDArray[np.float64]:
    """Return frames of a take as light of its own camera, (n, height, width, 3); not a number where it is clipped."""
    picture, numbers = take.picture, _frames(film, take, how)
    space = colour.space_of_take(look, take)
    curve = colour.linear_curve(look.config, space)
    lights = []
    with open_picture(folder.locate(take.clip.file), picture) as reader:
        for planes in reader.read(numbers):
            if not whole and planes.width > _WIDEST_PX:
                planes = resized(planes, _WIDEST_PX, max(2, round(planes.height * _WIDEST_PX / planes.width)))
            encoded = encoded_rgb(planes).astype(np.float64)
            light = to_linear(encoded, curve)
            light[(encoded >= _CLIPPED).any(axis=-1)] = np.nan
            lights.append(light)
    return np.stack(lights)


def _frames(film: Film, take: Take, how: How) -> list[int]:
    """Return the numbers of a take's frames that are compared."""
    picture = take.picture
    placed = next((one for one in placed_takes(film) if one.take.id == take.id), None)
    song = placed.frames() if placed else range(0)
    if how.head_s is not None:
        frames, edge = range(min(picture.frames, max(1, int(how.head_s * picture.rate.exact)))), 0
    elif placed is not None and song:
        if how.at_s is not None and int(how.at_s * placed.rate.exact) in song:
            return [placed.source_frame(int(how.at_s * placed.rate.exact))]
        frames = range(placed.source_frame(song.start), placed.source_frame(song.stop - 1) + 1)
        edge = len(frames) // 10  # away from the clap, and the hand on the camera
    else:
        frames, edge = range(picture.frames), picture.frames // 10
    spread = np.linspace(frames.start + edge, frames.stop - 1 - edge, min(_FRAMES, len(frames)))
    return sorted({round(float(number)) for number in spread})
