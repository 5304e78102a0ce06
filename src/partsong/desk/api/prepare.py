"""Prepare: the stage and its light as planned in the film; the day, the load and the cards from a few further numbers.

Those further numbers stand in the page's address and not in the film: what comes of them is worked out anew whenever it
is looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import Field

from partsong.desk.api.cautions import CautionTold, cautions_told
from partsong.desk.routes import Done, Edit, Route, Wire, changed
from partsong.desk.session import Desk
from partsong.errors import InvalidInput
from partsong.film.cautions import CAUTIONS, LOCAL_RULES
from partsong.film.folder import key_of
from partsong.film.records import Film, PlannedCamera, PlannedLamp, PlannedRoom, PlannedSpot
from partsong.prepare import drawing, optics, plan, planned, schedule, sheet, steps
from partsong.prepare.cards import CardSum
from partsong.prepare.light import Load, circuit_load
from partsong.prepare.values import exact

Minutes = Annotated[int, Field(ge=0, le=1440)]
Count = Annotated[int, Field(ge=0, le=99)]
Size = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
Place = Annotated[float, Field(ge=-1000, le=1000, allow_inf_nan=False)]
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
    """A part on the plan: its distance where that was measured, and its spot where one is planned."""

    part: str
    name: str
    distance_m: float | None
    spot: PlannedSpot | None


class SaidTold(Wire):
    """A sentence about the plan, and whether somebody has to decide something."""

    sentence: str
    decide: bool


class StageTold(Wire):
    """The stage from above and the frame as the camera will see it, as SVG, and what there is to say of both."""

    above: str
    frame: str
    camera: PlannedCamera
    room: PlannedRoom | None
    ambient_lux: float
    view: str
    spots: tuple[SpotTold, ...]
    lamps: tuple[PlannedLamp, ...]
    of_frame: tuple[SaidTold, ...]
    of_light: tuple[SaidTold, ...]


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


class CameraEdit(Edit):
    """Numbers of the planned camera to change; see the record of the film."""

    focal_mm: Size | None = None
    sensor_mm: Size | None = None
    height_m: Size | None = None
    tilt_deg: float | None = None
    focus_m: Size | None = None
    f_number: Size | None = None
    iso: Size | None = None
    shutter: Size | None = None


class RoomEdit(Edit):
    """The room's size, all four or none of them, and the light that is there in every take."""

    left_m: Size | None = None
    right_m: Size | None = None
    back_m: Size | None = None
    height_m: Size | None = None
    ambient_lux: Annotated[float, Field(ge=0, le=1e6)] | None = None


class SpotEdit(Edit):
    """Numbers of a part's spot to change; a new one needs its place."""

    x_m: Place | None = None
    y_m: Place | None = None
    width_m: Size | None = None
    height_m: Size | None = None


class LampEdit(Edit):
    """Values of a lamp to change; a new one needs its part and its place."""

    part: str | None = None
    x_m: Place | None = None
    y_m: Place | None = None
    height_m: Size | None = None
    hangs: bool | None = None
    beam_deg: Annotated[float, Field(gt=0, lt=180)] | None = None
    candela: Size | None = None
    watts: Size | None = None


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
    missing += plan.missing(plan.spots(film))
    unlit = [film.part(spot.part).name for spot in film.plan.spots if not film.plan.lamps_of(spot.part)]
    if unlit:
        missing.append(f"No lamp is planned yet for {plan.listed(unlit)}.")
    load = None
    if wish.lamps.strip() or planned.most_watts(film):
        load = tried(lambda: _load(film, wish))
    else:
        missing.append(f"The lamps are not given ({_FROM_LAMPS}, or in the plan), so their load is not added up.")
    cards = None
    if wish.rate.strip() and film.song:
        cards = tried(lambda: _cards(film, wish))
    else:
        missing.append("The camera's data rate is not given, so there is no sum of the cards.")
    return Prepared(
        revision=head.revision.number,
        song=f"{film.song.title}: {sheet.song_sentence(film.song)}" if film.song else "",
        day=_told(film, day, wish) if day else None,
        stage=tried(lambda: _stage(film)) if film.parts else None,
        setups=tuple(entry.sentence for entry in day.entries if entry.work == "set-up") if day else (),
        load=_loaded(load) if load else None,
        cards=cards,
        missing=tuple(missing),
        wrong=tuple(wrong),
        cautions=cautions_told(CAUTIONS),
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


def _stage(film: Film) -> StageTold:
    camera = film.plan.camera
    return StageTold(
        above=drawing.from_above(film),
        frame=drawing.as_filmed(film),
        camera=camera,
        room=film.plan.room,
        ambient_lux=film.plan.ambient_lux,
        view=optics.view_in_words(camera.focal_mm, camera.sensor_mm, camera.focus_m),
        spots=tuple(
            SpotTold(
                part=spot.part,
                name=spot.name,
                distance_m=film.part(spot.part).distance_m,
                spot=film.plan.spot_of(spot.part),
            )
            for spot in plan.spots(film)
        ),
        lamps=film.plan.lamps,
        of_frame=_said(planned.said_of_frame(film)),
        of_light=_said(planned.said_of_light(film)),
    )


def _said(found: Iterable[planned.Said]) -> tuple[SaidTold, ...]:
    return tuple(SaidTold(sentence=one.sentence, decide=one.decide) for one in found)


def _load(film: Film, wish: Wish) -> Load:
    watts = [float(exact(text, "power of a lamp")) for text in wish.lamps.replace(";", ",").split(",") if text.strip()]
    at_once = [most] if (most := planned.most_watts(film)) else []
    return circuit_load([*at_once, *watts], volts=wish.volts, breaker_a=wish.breaker, power_factor=wish.factor)


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


def set_camera(desk: Desk, edit: CameraEdit) -> Done:
    """Change numbers of the planned camera."""
    return changed(desk, edit, lambda store: steps.set_camera(store, **_given(edit)))


def set_room(desk: Desk, edit: RoomEdit) -> Done:
    """Say how large the room is; without any size it is not known."""
    size = {name: value for name, value in _given(edit).items() if name != "ambient_lux"}
    room = PlannedRoom.of(**size) if size else None
    return changed(desk, edit, lambda store: steps.set_room(store, room, ambient_lux=edit.ambient_lux))


def set_spot(desk: Desk, part: str, edit: SpotEdit) -> Done:
    """Plan where a part is played."""
    return changed(desk, edit, lambda store: steps.set_spot(store, part, **_given(edit)))


def drop_spot(desk: Desk, part: str, edit: Edit) -> Done:
    """Take a part's spot, and its lamps, out of the plan."""
    return changed(desk, edit, lambda store: steps.drop_spot(store, part))


def set_lamp(desk: Desk, lamp: str, edit: LampEdit) -> Done:
    """Plan a lamp, or change one."""
    values = {name: value for name, value in _given(edit).items() if name != "part"}
    return changed(desk, edit, lambda store: steps.set_lamp(store, lamp, edit.part, **values))


def drop_lamp(desk: Desk, lamp: str, edit: Edit) -> Done:
    """Take a lamp out of the plan."""
    return changed(desk, edit, lambda store: steps.drop_lamp(store, lamp))


def _given(edit: Edit) -> dict[str, Any]:
    return edit.model_dump(exclude_unset=True, exclude={"base"})


ROUTES = (
    Route("GET", "/api/prepare", prepared, Prepared, "The day, the stage, the lamps and the cards.", Wish),
    Route("POST", "/api/prepare/parts/{part}/distance", set_distance, Done, "Say how far a part is played.", Distance),
    Route("POST", "/api/prepare/camera", set_camera, Done, "Plan the locked-off camera.", CameraEdit),
    Route("POST", "/api/prepare/room", set_room, Done, "Say how large the room is.", RoomEdit),
    Route("POST", "/api/prepare/spots/{part}", set_spot, Done, "Plan where a part is played.", SpotEdit),
    Route("POST", "/api/prepare/spots/{part}/drop", drop_spot, Done, "Take a spot out of the plan.", Edit),
    Route("POST", "/api/prepare/lamps/{lamp}", set_lamp, Done, "Plan a lamp.", LampEdit),
    Route("POST", "/api/prepare/lamps/{lamp}/drop", drop_lamp, Done, "Take a lamp out of the plan.", Edit),
    Route("GET", "/media/sheet", printed, "text/html", "The shoot sheet, to print.", Wish),
)
