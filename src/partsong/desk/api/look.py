"""The look for its page: the colour path step by step, one frame with its scopes, and takes matched to each other."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from partsong.desk.api.film import JobTold, told
from partsong.desk.api.stage import bars_of
from partsong.desk.routes import Done, Edit, Route, Wire, changed
from partsong.desk.session import Desk
from partsong.errors import InvalidInput, NoSuchRecord
from partsong.film.coverage import placed_takes, song_frames
from partsong.film.records import WIDE, Cdl, Film, Look, Take
from partsong.look import matching, viewing
from partsong.look.measure import Measured
from partsong.look.settings import AS_SEEN, MIXES, OFF, TINTS, CdlWish, Wish, cdl_words, mix_of, tint_of
from partsong.look.steps import Encoding, describe, set_look
from partsong.look.viewing import Viewed, Way
from partsong.render import colour
from partsong.watch import Watch

JOB = "match"

Finite = Annotated[float, Field(ge=-1e3, le=1e3, allow_inf_nan=False)]
Triple = tuple[Finite, Finite, Finite]
Name = Annotated[str, Field(max_length=200)]


class StepTold(Wire):
    """A step of the colour path and its setting in words, in the order in which it acts."""

    step: str
    words: str


class Measure(Wire):
    """The darkest and the brightest that any grey comes out as, in percent and in words."""

    floor_percent: float
    ceiling_percent: float
    words: str


class Graded(Wire):
    """A take with its own grade, and how it came to it; ``hero`` is what it would be matched to."""

    take: str
    part: str
    roaming: bool
    grade: Cdl
    words: str
    sentence: str
    hero: str


class Source(Wire):
    """What can be looked at, from song frame ``first`` to before ``stop``."""

    source: str
    first: int
    stop: int


class LookTold(Wire):
    """The whole page. ``look`` is None while there is none; then nothing is measured.

    ``table`` is what the look's table does alone, ``whole`` what all of it does, to pictures in the first encoding.
    ``mix`` and ``tint`` name presets, ``off``, or are empty for values of the person's own. ``tables`` are the .cube
    files in the film's folder and beside it.
    """

    look: Look | None
    mix: str
    tint: str
    steps: tuple[StepTold, ...]
    encodings: tuple[StepTold, ...]
    asks: bool
    table: Measure | None
    whole: Measure | None
    tables: tuple[str, ...]
    takes: tuple[Graded, ...]
    sources: tuple[Source, ...]
    rate_num: int
    rate_den: int
    frames: int
    bars: tuple[int, ...]


class Choices(Wire):
    """What there is to choose from: encodings, displays with their views, black-and-white mixes and tints."""

    spaces: tuple[str, ...]
    displays: dict[str, tuple[str, ...]]
    mixes: tuple[str, ...]
    tints: tuple[str, ...]


class SetLook(Edit):
    """What to change; what is left out stays. Presets, the black level and the table can be ``off``."""

    input_space: Name | None = None
    display: Name | None = None
    view: Name | None = None
    exposure_stops: Finite | None = None
    slope: Triple | None = None
    offset: Triple | None = None
    power: Triple | None = None
    cdl_saturation: Finite | None = None
    contrast: Finite | None = None
    pivot: Finite | None = None
    saturation: Finite | None = None
    black_and_white: Name | None = None
    tint: Name | None = None
    order: Annotated[tuple[Name, ...], Field(max_length=5)] | None = None
    table: Name | None = None
    black: Name | None = None
    grain_percent: Finite | None = None
    grain_px: Finite | None = None
    vignette_stops: Finite | None = None


class SetGrade(Edit):
    """A take's own grade; what is left out stays. A stage take has a slope alone. ``off`` takes it away."""

    slope: Triple | None = None
    offset: Triple | None = None
    power: Triple | None = None
    saturation: Finite | None = None
    off: bool = False


class Frame(Wire):
    """Which frame is looked at, and through what."""

    source: Name
    frame: Annotated[int, Field(ge=0, le=10**8)]
    way: Way = "look"


class ViewTold(Wire):
    """A frame's lowest and highest luma, and its numbers in words; ``key`` names its pictures under /media/views."""

    key: str
    what: str
    luma_percent: tuple[float, float]
    words: tuple[str, ...]


class MatchTakes(Wire):
    """Which takes to match, each to its own hero or to ``to``; all that nobody graded by hand if none is named."""

    takes: Annotated[tuple[Name, ...], Field(max_length=500)] = ()
    to: Name | None = None


def look(desk: Desk) -> LookTold:
    """Return the look of the film as it is now."""
    film = desk.head().film
    rate = film.rate
    frames = song_frames(film) if film.song and rate else 0
    found = describe(desk.folder, film) if film.look is not None else None
    return LookTold(
        look=film.look,
        mix=_mix_name(film.look) if film.look else OFF,
        tint=_tint_name(film.look) if film.look else OFF,
        steps=tuple(StepTold(step=step, words=words) for step, words in found.lines) if found else (),
        encodings=tuple(_encoding(one) for one in found.encodings) if found else (),
        asks=found is not None and found.asks,
        table=_measure(found.table) if found and found.table else None,
        whole=_measure(found.paths[0].measured) if found and found.paths else None,
        tables=tuple(sorted(_tables(desk))),
        takes=tuple(_graded(film, take) for take in film.takes),
        sources=_sources(film, frames),
        rate_num=rate.num if rate else 25,
        rate_den=rate.den if rate else 1,
        frames=frames,
        bars=bars_of(film),
    )


def _mix_name(look: Look) -> str:
    luminance = tuple(colour.luminance_weights(look.config))
    names = (OFF, AS_SEEN, *MIXES)
    return next((name for name in names if mix_of(name, luminance) == look.black_and_white), "")


def _tint_name(look: Look) -> str:
    return next((name for name in (OFF, *TINTS) if tint_of(name) == look.tint), "")


def _encoding(found: Encoding) -> StepTold:
    return StepTold(step=found.space or "", words=f"{', '.join(found.takes)}: {found.known_from}")


def _measure(found: Measured) -> Measure:
    return Measure(
        floor_percent=found.floor.percent,
        ceiling_percent=found.ceiling.percent,
        words=f"Greys come out from {found.floor} to {found.ceiling}; mid grey at {found.grey_out}.",
    )


def _graded(film: Film, take: Take) -> Graded:
    match = film.stage.match_of(take.id)
    try:
        hero = matching.hero_of(film, take, None).id
    except InvalidInput:
        hero = ""  # nothing is placed yet
    grade = film.grade_of(take.id)
    return Graded(
        take=take.id,
        part=film.part(take.part).name if take.part else "coverage",
        roaming=take.kind == "roaming",
        grade=grade or Cdl(),
        words=cdl_words(grade),
        sentence=match.sentence if match is not None else "",
        hero="" if hero == take.id else hero,
    )


def _sources(film: Film, frames: int) -> tuple[Source, ...]:
    if not frames:
        return ()
    found = [Source(source=WIDE, first=0, stop=frames)] if film.stage.order else []
    for placed in placed_takes(film):
        span = placed.frames()
        if span.start < min(frames, span.stop):
            found.append(Source(source=placed.take.id, first=span.start, stop=min(frames, span.stop)))
    return tuple(found)


def _tables(desk: Desk) -> dict[str, Path]:
    """Return the table files that a page may name: they lie in the film's folder or beside it."""
    root = desk.folder.root
    return {path.name: path for folder in (root.parent, root) for path in folder.glob("*.cube") if path.is_file()}


def choices(desk: Desk) -> Choices:
    """Return what there is to choose from in the film's config."""
    look = desk.head().film.look
    config = look.config if look else colour.DEFAULT_CONFIG
    return Choices(
        spaces=colour.spaces(config),
        displays=colour.displays(config),
        mixes=(OFF, AS_SEEN, *MIXES),
        tints=(OFF, *TINTS),
    )


# --- one frame ------------------------------------------------------------------------------------


def view(desk: Desk, wanted: Frame) -> ViewTold:
    """Draw and measure a frame."""
    found = viewing.view(desk.folder, desk.head().film, source=wanted.source, frame=wanted.frame, way=wanted.way)
    return ViewTold(
        key=found.key,
        what=found.what,
        luma_percent=_luma_percent(found),
        words=_in_words(found),
    )


def _luma_percent(found: Viewed) -> tuple[float, float]:
    """Return the lowest and the highest luma to a hundredth; nothing reads as minus zero."""
    return round(found.limits.lowest[3], 2) + 0.0, round(found.limits.highest[3], 2) + 0.0


def _in_words(found: Viewed) -> tuple[str, ...]:
    limits, (low, high) = found.limits, _luma_percent(found)
    outside = f"{limits.outside_r103:.2%} of it lies outside -5 to 105 %"
    dark = sum(share for zone, share in found.zones if zone <= -5)
    said = [
        f"Luma from {low:.2f} to {high:.2f} %.",
        f"Below black {limits.below_black:.2%} of the picture, above white {limits.above_white:.2%}.",
        f"{outside}: {'within' if limits.within_r103 else 'more than'} the hundredth that EBU R 103 allows.",
        f"{dark:.0%} of it lies five stops or more under mid grey.",
    ]
    if found.every > 1:
        said.append(f"Every {_NTH.get(found.every, f'{found.every}th')} pixel across and down was measured.")
    return tuple(said)


_NTH = {2: "second", 3: "third"}


def pictured(desk: Desk, key: str) -> Path:
    """Return a frame that was viewed."""
    return _there(desk, key, "picture")


def drawn(desk: Desk, key: str, kind: str) -> Path:
    """Return a drawing of a frame that was viewed."""
    if kind == "picture":
        raise InvalidInput("The picture itself lies under its own address.")
    return _there(desk, key, kind)


def _there(desk: Desk, key: str, kind: str) -> Path:
    path = viewing.kept(desk.folder, key, kind)
    if not path.is_file():
        raise NoSuchRecord("That picture is not there any more. Turn to the page again.")
    return path


# --- changes --------------------------------------------------------------------------------------


def change(desk: Desk, edit: SetLook) -> Done:
    """Change the look."""
    cdl = CdlWish(slope=edit.slope, offset=edit.offset, power=edit.power, saturation=edit.cdl_saturation)
    wish = Wish(
        **edit.model_dump(exclude={"base", "slope", "offset", "power", "cdl_saturation", "table"}),
        cdl=None if cdl.is_empty else cdl,
    )
    table = edit.table
    if table is not None and table != OFF:
        files = _tables(desk)
        if table not in files:
            raise InvalidInput(f"There is no table {table!r} in the film's folder or beside it. Put it there first.")
        table = str(files[table])
    return changed(desk, edit, lambda store: set_look(store, wish, table=table))


def grade(desk: Desk, take: str, edit: SetGrade) -> Done:
    """Set a take's own grade."""
    cdl = CdlWish(slope=edit.slope, offset=edit.offset, power=edit.power, saturation=edit.saturation)
    return changed(desk, edit, lambda store: set_look(store, Wish(cdl=OFF if edit.off else cdl), takes=(take,)))


def match(desk: Desk, wanted: MatchTakes) -> JobTold:
    """Start matching takes by what two of them show alike."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            found = matching.match_takes(store, matching.How(hero=wanted.to), takes=wanted.takes, watch=watch)
        return " ".join(f"{one.take}: {one.sentence}" for one in found)

    return told(desk.jobs.start(JOB, "Match takes", work))


ROUTES = (
    Route("GET", "/api/look", look, LookTold, "The colour path step by step, and what it measures."),
    Route("GET", "/api/look/choices", choices, Choices, "The encodings, displays, mixes and tints to choose from."),
    Route("GET", "/api/look/view", view, ViewTold, "Draw and measure one frame.", Frame),
    Route("GET", "/media/views/{key}/picture", pictured, "image/jpeg", "A viewed frame."),
    Route("GET", "/media/views/{key}/{kind}", drawn, "image/png", "A viewed frame's zones, or one of its scopes."),
    Route("POST", "/api/look", change, Done, "Change the look.", SetLook),
    Route("POST", "/api/look/takes/{take}/grade", grade, Done, "Set a take's own grade.", SetGrade),
    Route("POST", "/api/look/match", match, JobTold, "Match takes to their heroes.", MatchTakes),
)
