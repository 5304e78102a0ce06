"""Prepare: the day, the stage from above, the lamps' load and the cards, from a few numbers that are a person's own.

Those numbers stand in the page's address and not in the film: a plan is made anew whenever it is looked at.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Annotated, TypeVar

from pydantic import Field

from partsong.desk.routes import Done, Edit, Route, Wire, changed
from partsong.desk.session import Desk
from partsong.errors import InvalidInput
from partsong.film.cautions import CAUTIONS, LOCAL_RULES
from partsong.film.folder import key_of
from partsong.film.records import Film
from partsong.prepare import optics, plan, schedule, sheet, steps
from partsong.prepare.cards import CardSum
from partsong.prepare.light import Load, circuit_load
from partsong.prepare.values import exact

Minutes = Annotated[int, Field(ge=0, le=1440)]
Count = Annotated[int, Field(ge=0, le=99)]
Size = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
Text = Annotated[str, Field(max_length=400)]
_FROM_LAMPS = "the watts of each lamp, as 650, 300"

T = TypeVar("T")


class Wish(Wire):
    """What a person gave; an empty text is not given. ``together`` is PART=SET-UP, several with commas between them."""

    start: Text = "09:00"
    end: Text = "18:00"
    takes: Count = 4
    coverage: Count = 1
    setup: Minutes = 25
    rest: Minutes = 45
    margin: Annotated[int, Field(ge=0, le=500)] = 20
    together: Text = ""
    rate: Text = ""
    copies: Count = 2
    card: Text = ""
    focal: Size = 24.0
    sensor: Size = 36.0
    focus: Size = 4.0
    stop: Size = 4.0
    lamps: Text = ""
    volts: Size = 230.0
    breaker: Size = 16.0
    factor: Annotated[float, Field(gt=0, le=1)] = 1.0


class EntryTold(Wire):
    """One line of the day: minutes after midnight, what is done, and in which part's row (empty: the room's)."""

    start: int
    stop: int
    times: str
    work: str
    part: str
    sentence: str


class DayTold(Wire):
    """The day, and whether it fits, in words."""

    start: int
    end: int
    fits: bool
    words: str
    entries: tuple[EntryTold, ...]
    sums: tuple[str, ...]


class SpotTold(Wire):
    """A part on the plan: its distance, and its place in metres where both distance and direction are known."""

    part: str
    name: str
    distance_m: float | None
    across: float | None
    x_m: float | None
    y_m: float | None


class StageTold(Wire):
    """The stage from above and what the lens sees of it. ``far_m`` is None where all beyond ``near_m`` is sharp."""

    angle_deg: float
    near_m: float
    far_m: float | None
    words: str
    spots: tuple[SpotTold, ...]


class LoadTold(Wire):
    """What the lamps draw, and what they may."""

    watts: float
    allowed_watts: float
    fits: bool
    words: str


class CardsTold(Wire):
    """What the takes fill. ``on_each`` and ``cards`` are None where the size of a card is not given."""

    takes: int
    cards: int | None
    on_each: int | None
    words: tuple[str, ...]


class CautionTold(Wire):
    """One danger of the day, and where its figure comes from."""

    title: str
    text: str
    source: str


class Prepared(Wire):
    """The page. What cannot be planned is None, and ``missing`` says why; ``wrong`` is what was given and cannot be."""

    revision: int
    song: str
    day: DayTold | None
    stage: StageTold | None
    setups: tuple[str, ...]
    load: LoadTold | None
    cards: CardsTold | None
    missing: tuple[str, ...]
    wrong: tuple[str, ...]
    cautions: tuple[CautionTold, ...]
    rules: str


class Distance(Edit):
    """How far from the camera a part is played, in metres; None where that is not known."""

    metres: Annotated[float, Field(gt=0, lt=1000)] | None = None


def prepared(desk: Desk, wish: Wish) -> Prepared:
    """Return the plans for the film as it is now."""
    head = desk.head()
    film = head.film
    missing: list[str] = []
    wrong: list[str] = []

    def tried(make: Callable[[], T]) -> T | None:
        try:
            return make()
        except InvalidInput as problem:
            wrong.append(str(problem))
            return None

    day = tried(lambda: _day(film, wish)) if film.song and film.parts else None
    if film.song is None or not film.parts:
        missing.append("The film has no song or no parts yet, so there is no day to plan.")
    if not (film.song and film.song.tempo):
        missing.append("The song has no tempo map yet, so there is no guide track to play to.")
    found = tried(lambda: plan.spots(film, focal_mm=wish.focal, sensor_mm=wish.sensor)) or ()
    missing += plan.missing(found)
    load = None
    if wish.lamps.strip():
        load = tried(lambda: _load(wish))
    else:
        missing.append(f"The lamps are not given ({_FROM_LAMPS}), so their load is not added up.")
    missing.append("Where lamps stand is not kept in a film: draw them on the printed sheet.")
    cards = None
    if wish.rate.strip() and film.song:
        cards = tried(lambda: _cards(film, wish))
    else:
        missing.append("The camera's data rate is not given, so there is no sum of the cards.")
    return Prepared(
        revision=head.revision.number,
        song=f"{film.song.title}: {sheet.song_sentence(film.song)}" if film.song else "",
        day=_told(film, day, wish) if day else None,
        stage=tried(lambda: _stage(wish, found)) if found else None,
        setups=tuple(entry.sentence for entry in day.entries if entry.work == "set-up") if day else (),
        load=_loaded(load) if load else None,
        cards=cards,
        missing=tuple(missing),
        wrong=tuple(wrong),
        cautions=tuple(CautionTold(title=one.title, text=one.text, source=one.source) for one in CAUTIONS),
        rules=LOCAL_RULES,
    )


def _pace(wish: Wish) -> schedule.Pace:
    return schedule.Pace(
        takes=wish.takes,
        coverage_takes=wish.coverage,
        setup_minutes=wish.setup,
        break_minutes=wish.rest,
        margin_percent=wish.margin,
    )


def _day(film: Film, wish: Wish) -> schedule.Day:
    start, end = schedule.minutes_of(wish.start), schedule.minutes_of(wish.end)
    shared = [text for text in wish.together.split(",") if text.strip()]
    return steps.plan_day(film, start=start, end=end, pace=_pace(wish), setups=shared)


def _told(film: Film, day: schedule.Day, wish: Wish) -> DayTold:
    ends = schedule.time_of_day(day.entries[-1].stop)
    words = f"It fits: done at {ends}."
    if not day.fits:
        words = (
            f"It does not fit: it would end at {ends}, {day.over_minutes} minutes past {wish.end}. Leave something "
            "out, let parts share a set-up, or start earlier."
        )
    return DayTold(
        start=day.entries[0].start,
        end=day.end,
        fits=day.fits,
        words=words,
        entries=tuple(
            EntryTold(
                start=entry.start,
                stop=entry.stop,
                times=f"{schedule.time_of_day(entry.start)} to {schedule.time_of_day(entry.stop)}",
                work=entry.work,
                part=film.part(entry.part).name if entry.part else "",
                sentence=entry.sentence,
            )
            for entry in day.entries
        ),
        sums=day.sums,
    )


def _stage(wish: Wish, found: tuple[plan.Spot, ...]) -> StageTold:
    angle_deg = optics.angle_of_view_deg(wish.focal, wish.sensor)
    blur_mm = optics.USUAL_BLUR_MM * wish.sensor / 36
    sharp = optics.sharp_range(wish.focal, wish.stop, wish.focus, blur_mm)
    measured = [(spot.name, spot.distance_m) for spot in found if spot.distance_m is not None]
    outside = [name for name, distance_m in measured if not sharp.near_m <= distance_m <= sharp.far_m]
    said = [
        optics.view_in_words(wish.focal, wish.sensor, wish.focus),
        optics.sharp_in_words(sharp, wish.stop, wish.focus, blur_mm),
        *([f"Not sharp: {', '.join(outside)}."] if outside else []),
    ]
    return StageTold(
        angle_deg=angle_deg,
        near_m=sharp.near_m,
        far_m=sharp.far_m if math.isfinite(sharp.far_m) else None,
        words=" ".join(said),
        spots=tuple(
            SpotTold(
                part=spot.part,
                name=spot.name,
                distance_m=spot.distance_m,
                across=spot.across,
                x_m=spot.x_m,
                y_m=spot.y_m,
            )
            for spot in found
        ),
    )


def _load(wish: Wish) -> Load:
    watts = [float(exact(text, "power of a lamp")) for text in wish.lamps.replace(";", ",").split(",") if text.strip()]
    return circuit_load(watts, volts=wish.volts, breaker_a=wish.breaker, power_factor=wish.factor)


def _loaded(load: Load) -> LoadTold:
    return LoadTold(watts=load.watts, allowed_watts=load.allowed_watts, fits=load.fits, words=" ".join(load.words))


def _card_sum(film: Film, wish: Wish) -> tuple[CardSum, tuple[str, ...]]:
    size = exact(wish.card, "size of a card") if wish.card.strip() else None
    return steps.cards_of(film, exact(wish.rate, "data rate"), _pace(wish), copies=wish.copies, card_gb=size)


def _cards(film: Film, wish: Wish) -> CardsTold:
    found, words = _card_sum(film, wish)
    takes = max(1, len(film.parts)) * (wish.takes + wish.coverage)
    filled = f"All takes fill {found.all_takes_gb:.1f} GB; with copies {found.with_copies_gb:.1f} GB."
    needed: tuple[str, ...] = ()
    if found.cards is not None:
        on_each = f"{found.takes_per_card} takes on each"
        needed = (f"Cards of {wish.card} GB, a tenth of each kept free: {found.cards}, with {on_each}.",)
    return CardsTold(takes=takes, cards=found.cards, on_each=found.takes_per_card, words=(filled, *needed, *words))


def printed(desk: Desk, wish: Wish) -> Path:
    """Return the shoot sheet for these plans, to print."""
    film = desk.head().film
    out = desk.folder.cached("sheet", key_of("sheet", wish.model_dump(mode="json")), ".html")
    card = _card_sum(film, wish) if wish.rate.strip() else None
    steps.make_sheet(film, out, day=_day(film, wish), card=card)
    return out


def set_distance(desk: Desk, part: str, edit: Distance) -> Done:
    """Say how far from the camera a part is played."""
    metres = None if edit.metres is None else Fraction(str(edit.metres))
    return changed(desk, edit, lambda store: steps.set_part_distance(store, part, metres))


ROUTES = (
    Route("GET", "/api/prepare", prepared, Prepared, "The day, the stage, the lamps and the cards.", Wish),
    Route("POST", "/api/prepare/parts/{part}/distance", set_distance, Done, "Say how far a part is played.", Distance),
    Route("GET", "/media/sheet", printed, "text/html", "The shoot sheet, to print.", Wish),
)
