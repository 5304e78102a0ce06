"""The commands of prepare."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import FilmArgument, JsonOption, emit_json, needs_decision, note, say, table, watched

if TYPE_CHECKING:
    from collections.abc import Callable

    from partsong.film.records import Film
    from partsong.film.store import FilmStore, Head

app = typer.Typer(
    help="Plan the day: stage, light, guide track, schedule, cards, lens and the shoot sheet.", no_args_is_help=True
)

StartOption = Annotated[str, typer.Option(help="When the day starts.")]
EndOption = Annotated[str, typer.Option(help="When the room must be empty.")]
TakesOption = Annotated[int, typer.Option(help="Stage takes of each part.", min=0)]
CoverageOption = Annotated[int, typer.Option(help="Roaming takes of each part.", min=0)]
SetupOption = Annotated[
    list[str] | None,
    typer.Option(metavar="PART=NAME", help="The set-up that a part shares with others; again for each such part."),
]
SetupMinutesOption = Annotated[int, typer.Option(help="Minutes to move the light and settle a part.", min=0)]
BreakOption = Annotated[int, typer.Option(help="Minutes of break; 0 for none.", min=0)]
MarginOption = Annotated[int, typer.Option(help="Spare time, percent of the work.", min=0)]
CopiesOption = Annotated[int, typer.Option(help="Further copies to keep.", min=0)]
CardOption = Annotated[str | None, typer.Option("--card-gb", help="The size printed on a card, in GB.")]


@app.command()
def guide(
    film: FilmArgument,
    out: Annotated[Path, typer.Option(help="The WAV file to write.", show_default=False)],
    timecode: Annotated[
        str | None,
        typer.Option(metavar="HH:MM:SS:FF", help="Print timecode on a right channel; the song starts at this label."),
    ] = None,
    rate: Annotated[
        str | None, typer.Option(metavar="FPS", help="The frame rate of the timecode; the film's otherwise.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write the guide track: count-in, clicks of the tempo map, and a sync cue at head and tail.

    Example: partsong prepare guide waltz --out guide.wav --timecode 01:00:00:00 --rate 25
    """
    from partsong.film import cautions
    from partsong.prepare import steps
    from partsong.timebase import Rate

    document = _film(film)
    with watched() as watch:
        made = steps.make_guide(document, out, watch, timecode=timecode, rate=None if rate is None else Rate.of(rate))
    cautioned = [cautions.HEARING] if made.timecode is None else [cautions.HEARING, cautions.TIMECODE]
    if as_json:
        emit_json(
            {
                "path": made.path,
                "song_zero_s": float(made.song_zero_s),
                "head_cue_s": float(made.head_cue_s),
                "tail_cue_s": float(made.tail_cue_s),
                "length_s": float(made.length_s),
                "timecode": made.timecode,
                "rate": None if made.rate is None else str(made.rate),
                "cautions": cautioned,
            }
        )
        return
    say(f"Wrote {out}, {float(made.length_s):.2f} s, peak -6 dB below full scale.")
    say(
        f"The song starts {float(made.song_zero_s):g} s in; cues at {float(made.head_cue_s):.3f} s and "
        f"{float(made.tail_cue_s):.3f} s."
    )
    say("Play it aloud in the room for a moment at head and tail, so that every camera hears the cues.")
    if made.timecode is not None:
        say(
            f"Timecode on the right channel, {made.rate} frames a second, 12 dB below full scale: the song starts at "
            f"{made.timecode}. Record it on a sound channel of the camera, then: "
            f"partsong lineup place {film} --song-timecode {made.timecode}"
        )
    for caution in cautioned:
        say(f"Caution, {caution.title[0].lower()}{caution.title[1:]}: {caution.text} ({caution.source})")


@app.command()
def camera(
    film: FilmArgument,
    focal_mm: Annotated[float | None, typer.Option(help="Focal length.")] = None,
    sensor_mm: Annotated[float | None, typer.Option(help="The sensor's width.")] = None,
    height_m: Annotated[float | None, typer.Option(help="The lens above the floor.")] = None,
    tilt_deg: Annotated[float | None, typer.Option(help="How far it looks up; below 0 it looks down.")] = None,
    focus_m: Annotated[float | None, typer.Option(help="The distance that it is focused at.")] = None,
    f_number: Annotated[float | None, typer.Option(help="The aperture.")] = None,
    iso: Annotated[float | None, typer.Option(help="The sensitivity that it is set to.")] = None,
    shutter: Annotated[float | None, typer.Option(help="The 50 of 1/50 s.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Plan the locked-off camera: what is given is changed, the rest stays.

    Example: partsong prepare camera waltz --focal-mm 24 --height-m 1.5 --focus-m 4.5 --f-number 4
    """
    from partsong.prepare import steps

    given = {
        "focal_mm": focal_mm,
        "sensor_mm": sensor_mm,
        "height_m": height_m,
        "tilt_deg": tilt_deg,
        "focus_m": focus_m,
        "f_number": f_number,
        "iso": iso,
        "shutter": shutter,
    }
    _plan(film, lambda store: steps.set_camera(store, **_given(given)), as_json)


@app.command()
def room(
    film: FilmArgument,
    left_m: Annotated[float, typer.Option(help="From the camera to the wall on the left.", show_default=False)],
    right_m: Annotated[float, typer.Option(help="From the camera to the wall on the right.", show_default=False)],
    back_m: Annotated[float, typer.Option(help="From the camera to the wall at the back.", show_default=False)],
    height_m: Annotated[float, typer.Option(help="From the floor to the ceiling.", show_default=False)],
    ambient_lux: Annotated[float | None, typer.Option(help="The light that is there in every take.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Say how large the room is, and how much light it has without your lamps.

    Example: partsong prepare room waltz --left-m 4 --right-m 4.5 --back-m 7 --height-m 3 --ambient-lux 40
    """
    from partsong.film.records import PlannedRoom
    from partsong.prepare import steps

    size = PlannedRoom.of(left_m=left_m, right_m=right_m, back_m=back_m, height_m=height_m)
    _plan(film, lambda store: steps.set_room(store, size, ambient_lux=ambient_lux), as_json)


XOption = Annotated[float | None, typer.Option("--x-m", help="To the right of the camera; below 0 to its left.")]
YOption = Annotated[float | None, typer.Option("--y-m", help="From the camera into the room.")]


@app.command()
def spot(
    film: FilmArgument,
    part: Annotated[str, typer.Argument(metavar="PART", help="The part, such as cajon.", show_default=False)],
    x_m: XOption = None,
    y_m: YOption = None,
    width_m: Annotated[float | None, typer.Option(help="How wide player and instrument are.")] = None,
    height_m: Annotated[float | None, typer.Option(help="How high they are.")] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Take it out of the plan, and its lamps.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Plan where a part is played; what is not given stays.

    Example: partsong prepare spot waltz cajon --x-m -2.1 --y-m 4.4 --width-m 0.9 --height-m 1.4
    """
    from partsong.prepare import steps

    given = _given({"x_m": x_m, "y_m": y_m, "width_m": width_m, "height_m": height_m})
    if remove:
        _plan(film, lambda store: steps.drop_spot(store, part), as_json)
    else:
        _plan(film, lambda store: steps.set_spot(store, part, **given), as_json)


@app.command()
def lamp(
    film: FilmArgument,
    name: Annotated[str, typer.Argument(metavar="LAMP", help="What the lamp is called.", show_default=False)],
    part: Annotated[str | None, typer.Option("--for", metavar="PART", help="In whose takes it is on.")] = None,
    x_m: XOption = None,
    y_m: YOption = None,
    height_m: Annotated[float | None, typer.Option(help="Above the floor.")] = None,
    hangs: Annotated[bool | None, typer.Option("--hangs/--stands", help="Whether it hangs or stands.")] = None,
    beam_deg: Annotated[float | None, typer.Option(help="The full angle of half its light, from its papers.")] = None,
    candela: Annotated[
        float | None, typer.Option(help="In its middle, from its papers: lux at a distance x metres x metres.")
    ] = None,
    watts: Annotated[float | None, typer.Option(help="What it draws.")] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Take it out of the plan.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Plan a lamp; it looks at the spot of its part. What is not given stays.

    Example: partsong prepare lamp waltz key-cajon --for cajon --x-m -3.1 --y-m 2.9 --height-m 2.6 --candela 12000
    """
    from partsong.prepare import steps

    given = _given(
        {
            "x_m": x_m,
            "y_m": y_m,
            "height_m": height_m,
            "hangs": hangs,
            "beam_deg": beam_deg,
            "candela": candela,
            "watts": watts,
        }
    )
    if remove:
        _plan(film, lambda store: steps.drop_lamp(store, name), as_json)
    else:
        _plan(film, lambda store: steps.set_lamp(store, name, part, **given), as_json)


@app.command()
def plan(
    film: FilmArgument,
    out: Annotated[Path | None, typer.Option(help="An HTML page to write, with its pictures.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Say what the plan of stage and light comes to, and draw it; status 1 where something needs a decision.

    Example: partsong prepare plan waltz --out plan.html
    """
    from partsong.prepare import steps

    document = _film(film)
    if out is not None:
        steps.make_plan_page(document, out)
    decide = _say_plan(document, as_json)
    if out is not None:
        note(f"Wrote {out}. Open it in a browser.")
    if decide:
        needs_decision()


@app.command()
def cards(
    rate_mbit: Annotated[str, typer.Option(help="The camera's data rate, Mbit/s.", show_default=False)],
    minutes: Annotated[str, typer.Option(help="The length of a take.", show_default=False)],
    takes: Annotated[int, typer.Option(help="How many takes.", min=1, show_default=False)],
    copies: CopiesOption = 2,
    card_gb: CardOption = None,
    as_json: JsonOption = False,
) -> None:
    """Sum up what takes fill, in decimal gigabytes.

    Example: partsong prepare cards --rate-mbit 400 --minutes 4 --takes 10 --card-gb 128
    """
    from partsong.prepare.cards import card_sum
    from partsong.prepare.values import exact

    size = exact(card_gb, "size of a card") if card_gb is not None else None
    found = card_sum(
        exact(rate_mbit, "data rate"), exact(minutes, "length of a take") * 60, takes, copies=copies, card_gb=size
    )
    if as_json:
        emit_json(found)
        return
    say(f"One take: {rate_mbit} Mbit/s x {minutes} min x 60 / 8000 = {found.take_gb:.2f} GB")
    say(f"{takes} takes: {found.all_takes_gb:.1f} GB; with {copies} further copies: {found.with_copies_gb:.1f} GB")
    if found.cards is not None:
        say(f"Cards of {card_gb} GB with a tenth kept free: {found.cards}, {found.takes_per_card} takes on each")
    say("1 GB = 1,000,000,000 bytes, as cards and disks are sold.")


@app.command()
def day(
    film: FilmArgument,
    start: StartOption = "09:00",
    end: EndOption = "18:00",
    takes: TakesOption = 4,
    coverage: CoverageOption = 1,
    setup: SetupOption = None,
    setup_minutes: SetupMinutesOption = 25,
    break_minutes: BreakOption = 45,
    margin: MarginOption = 20,
    as_json: JsonOption = False,
) -> None:
    """Lay out the order of the day and say whether it fits; status 1 when it does not.

    Example: partsong prepare day waltz --start 09:00 --end 18:00 --setup cajon=window --setup melodica=window
    """
    from partsong.prepare import schedule, steps

    pace = schedule.Pace(
        takes=takes,
        coverage_takes=coverage,
        setup_minutes=setup_minutes,
        break_minutes=break_minutes,
        margin_percent=margin,
    )
    starts, ends = schedule.minutes_of(start), schedule.minutes_of(end)
    planned = steps.plan_day(_film(film), start=starts, end=ends, pace=pace, setups=setup or ())
    if as_json:
        emit_json(
            {
                "fits": planned.fits,
                "over_minutes": planned.over_minutes,
                "entries": planned.entries,
                "sums": planned.sums,
            }
        )
    else:
        table(
            ("from", "to", "min", "what"),
            [
                (schedule.time_of_day(entry.start), schedule.time_of_day(entry.stop), entry.minutes, entry.sentence)
                for entry in planned.entries
            ],
        )
        for line in planned.sums:
            say(line)
        if planned.fits:
            say(f"It fits: done at {schedule.time_of_day(planned.entries[-1].stop)}.")
        else:
            say(f"It does not fit: {planned.over_minutes} minutes past {end}. Leave something out or start earlier.")
    if not planned.fits:
        needs_decision()


@app.command()
def sheet(
    film: FilmArgument,
    out: Annotated[Path, typer.Option(help="The HTML file to write.", show_default=False)],
    start: StartOption = "09:00",
    end: EndOption = "18:00",
    takes: TakesOption = 4,
    coverage: CoverageOption = 1,
    setup: SetupOption = None,
    rate_mbit: Annotated[str | None, typer.Option(help="The camera's data rate, Mbit/s, for the card sum.")] = None,
    copies: CopiesOption = 2,
    card_gb: CardOption = None,
) -> None:
    """Write the shoot sheet: song, cautions, day, parts to tick and cards on one page to print.

    Example: partsong prepare sheet waltz --out sheet.html --rate-mbit 400 --card-gb 256
    """
    from partsong.prepare import schedule, steps
    from partsong.prepare.values import exact

    document = _film(film)
    pace = schedule.Pace(takes=takes, coverage_takes=coverage)
    starts, ends = schedule.minutes_of(start), schedule.minutes_of(end)
    planned = steps.plan_day(document, start=starts, end=ends, pace=pace, setups=setup or ())
    card = None
    if rate_mbit is not None:
        size = exact(card_gb, "size of a card") if card_gb is not None else None
        card = steps.cards_of(document, exact(rate_mbit, "data rate"), pace, copies=copies, card_gb=size)
    steps.make_sheet(document, out, day=planned, card=card)
    say(f"Wrote {out}. Open it in a browser and print it.")
    if not planned.fits:
        note(f"The day does not fit: it runs {planned.over_minutes} minutes past {end}.")


@app.command()
def lens(
    focal_mm: Annotated[float, typer.Option(help="Focal length.", show_default=False)],
    distance_m: Annotated[float, typer.Option(help="From the lens to the subject.", show_default=False)],
    sensor_mm: Annotated[float, typer.Option(help="The sensor's width.")] = 36.0,
    f_number: Annotated[float | None, typer.Option(help="The aperture, for the depth of field.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Say what a lens sees: angle of view, width of the room at a distance, and what is sharp.

    Example: partsong prepare lens --focal-mm 24 --sensor-mm 36 --distance-m 3 --f-number 4
    """
    import math

    from partsong.prepare import optics

    angle_deg = optics.angle_of_view_deg(focal_mm, sensor_mm)
    width_m = optics.field_width_m(focal_mm, sensor_mm, distance_m)
    blur_mm = optics.usual_blur_mm(sensor_mm)
    sharp = None if f_number is None else optics.sharp_range(focal_mm, f_number, distance_m, blur_mm)
    if as_json:
        depth = None
        if sharp is not None:
            far_m = sharp.far_m if math.isfinite(sharp.far_m) else None
            depth = {"near_m": sharp.near_m, "far_m": far_m, "hyperfocal_m": sharp.hyperfocal_m, "blur_mm": blur_mm}
        emit_json({"angle_of_view_deg": angle_deg, "field_width_m": width_m, "sharp": depth})
        return
    say(optics.view_in_words(focal_mm, sensor_mm, distance_m))
    if sharp is not None and f_number is not None:
        say(optics.sharp_in_words(sharp, f_number, distance_m, blur_mm))


@app.command()
def light(
    watts: Annotated[
        list[float], typer.Option(help="What one lamp draws; again for each on the circuit.", show_default=False)
    ],
    volts: Annotated[float, typer.Option(help="Mains voltage.", show_default=False)],
    breaker_a: Annotated[float, typer.Option(help="The breaker's rating, A.", show_default=False)],
    power_factor: Annotated[float, typer.Option(help="From the lamp's papers; 1 for filament lamps only.")] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """Add up the lamps on one circuit against 80 % of its breaker; status 1 when it is too much.

    Example: partsong prepare light --watts 650 --watts 300 --volts 230 --breaker-a 16
    """
    from partsong.film import cautions
    from partsong.prepare.light import circuit_load

    load = circuit_load(watts, volts=volts, breaker_a=breaker_a, power_factor=power_factor)
    if as_json:
        emit_json({**{name: getattr(load, name) for name in load.__dataclass_fields__}, "fits": load.fits})
    else:
        for line in load.words:
            say(line)
        say(cautions.LOCAL_RULES)
    if not load.fits:
        needs_decision()


def _given(values: dict[str, float | None]) -> dict[str, float]:
    return {name: value for name, value in values.items() if value is not None}


def _plan(path: Path, change: Callable[[FilmStore], Head], as_json: bool) -> None:
    from partsong.film.store import FilmStore

    with FilmStore.open(path) as store:
        head = change(store)
    _say_plan(head.film, as_json)


def _say_plan(film: Film, as_json: bool) -> bool:
    """Print what a plan comes to; say whether something needs a decision."""
    from partsong.prepare import planned

    said = (*planned.said_of_frame(film), *planned.said_of_light(film))
    if as_json:
        emit_json({"plan": film.plan.model_dump(mode="json"), "said": said})
    else:
        for one in said:
            say(f"{'!' if one.decide else ' '} {one.sentence}")
        if not film.plan.spots:
            say("No spot is planned yet. Plan one: partsong prepare spot FILM PART --x-m ... --y-m ...")
    return any(one.decide for one in said)


def _film(path: Path) -> Film:
    from partsong.film.store import FilmStore

    with FilmStore.open(path) as store:
        return store.head().film
