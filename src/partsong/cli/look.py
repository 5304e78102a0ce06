"""The commands of look."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import FilmArgument, JsonOption, emit_json, needs_decision, note, say, table, watched

if TYPE_CHECKING:
    from partsong.look.handover import BakeError
    from partsong.look.measure import Measured
    from partsong.look.steps import Description

app = typer.Typer(help="Set and measure the colour path from camera to display.", no_args_is_help=True)


@app.command("set")
def set_(
    film: FilmArgument,
    input_space: Annotated[
        str | None, typer.Option("--input", metavar="SPACE", help="The camera's encoding, of all takes or of --take.")
    ] = None,
    take: Annotated[
        list[str] | None,
        typer.Option(metavar="TAKE", help="A take that --input and the grade are for; again for each."),
    ] = None,
    display: Annotated[str | None, typer.Option(help="What the film is watched on.")] = None,
    view: Annotated[str | None, typer.Option(help="How light is brought to that display.")] = None,
    exposure: Annotated[float | None, typer.Option(metavar="STOPS", help="Brighter or darker, in stops.")] = None,
    slope: Annotated[
        str | None, typer.Option(metavar="R,G,B", help="ASC CDL: what light is multiplied by; of the film or --take.")
    ] = None,
    offset: Annotated[str | None, typer.Option(metavar="R,G,B", help="ASC CDL: what is added to it.")] = None,
    power: Annotated[str | None, typer.Option(metavar="R,G,B", help="ASC CDL: the power of the result.")] = None,
    cdl_saturation: Annotated[float | None, typer.Option(help="ASC CDL: its saturation.")] = None,
    no_cdl: Annotated[bool, typer.Option("--no-cdl", help="Take the grade away, of the film or --take.")] = False,
    contrast: Annotated[float | None, typer.Option(help="Stops out for each stop in; 1 leaves it.")] = None,
    pivot: Annotated[float | None, typer.Option(help="The light that contrast leaves alone; 0.18 is mid grey.")] = None,
    saturation: Annotated[float | None, typer.Option(help="0 has no colour, 1 leaves it.")] = None,
    black_and_white: Annotated[
        str | None,
        typer.Option(
            metavar="MIX", help="as-seen, even, lift-warm, lift-green, lift-cool, darken-sky, three weights, or off."
        ),
    ] = None,
    tint: Annotated[
        str | None,
        typer.Option(
            metavar="TINT", help="warm, cool, cool-shadows-warm-lights, shadows/highlights as r,g,b/r,g,b, or off."
        ),
    ] = None,
    order: Annotated[
        str | None,
        typer.Option(metavar="STEPS", help="The order in light: exposure,cdl,contrast,colour,tint."),
    ] = None,
    cube: Annotated[
        str | None, typer.Option(metavar="FILE", help="A .cube table for the display code, or off.")
    ] = None,
    table_input: Annotated[
        str | None,
        typer.Option(metavar="SPACE", help="The encoding that the table expects, in the view's place; or off."),
    ] = None,
    black_level: Annotated[
        str | None,
        typer.Option(metavar="PERCENT", help="The level that becomes zero, mid grey kept; measured, or off."),
    ] = None,
    grain: Annotated[
        str | None, typer.Option(metavar="PERCENT", help="Grain at half signal; as-takes matches theirs, 0 is none.")
    ] = None,
    grain_size: Annotated[float | None, typer.Option(metavar="PIXELS", help="How wide a grain is.")] = None,
    vignette: Annotated[float | None, typer.Option(metavar="STOPS", help="How much darker corners get.")] = None,
    config: Annotated[
        str | None, typer.Option(help="An OpenColorIO config: a built-in one by its full name, or a file.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Change the look; what is not named stays as it is.

    Example: partsong look set waltz --input ACEScct --exposure -0.5 --black-and-white as-seen --black-level measured
    """
    from partsong.errors import InvalidInput
    from partsong.film.store import FilmStore
    from partsong.look.settings import OFF, CdlWish, Wish, triple_of
    from partsong.look.steps import set_look

    cdl = CdlWish(
        slope=triple_of(slope, "a slope") if slope else None,
        offset=triple_of(offset, "an offset") if offset else None,
        power=triple_of(power, "a power") if power else None,
        saturation=cdl_saturation,
    )
    if no_cdl and not cdl.is_empty:
        raise InvalidInput("--no-cdl takes the grade away; leave out --slope, --offset, --power and --cdl-saturation.")
    wish = Wish(
        config=config,
        input_space=input_space,
        display=display,
        view=view,
        exposure_stops=exposure,
        cdl=OFF if no_cdl else None if cdl.is_empty else cdl,
        contrast=contrast,
        pivot=pivot,
        saturation=saturation,
        black_and_white=black_and_white,
        tint=tint,
        order=tuple(word.strip() for word in order.split(",")) if order else None,
        table_space=table_input,
        black=black_level,
        grain_percent=None if grain in (None, _AS_TAKES) else _number("--grain", grain),
        grain_px=grain_size,
        vignette_stops=vignette,
    )
    if wish.is_empty and cube is None and grain is None:
        note("Nothing to change was named. See: partsong look set --help")
        return
    with FilmStore.open(film) as store:
        before = store.head().revision.number
        head = set_look(store, wish, table=cube, takes=tuple(take or ()), grain_as_takes=grain == _AS_TAKES)
    if as_json:
        emit_json({"revision": head.revision.number, "look": head.film.look})
    elif head.revision.number == before:
        say("The look is that already.")
    else:
        say(f"{head.revision.sentence} (revision {head.revision.number})")


@app.command()
def show(film: FilmArgument, as_json: JsonOption = False) -> None:
    """Print the path in the order in which it acts, and its measured floor and ceiling.

    Example: partsong look show waltz
    """
    from partsong.film.store import FilmStore
    from partsong.look.steps import describe

    with FilmStore.open(film) as store:
        told = describe(store.folder, store.head().film)
    if as_json:
        emit_json(told)
    else:
        _print(told)
    if told.asks:
        needs_decision()


@app.command()
def spaces(
    film: FilmArgument,
    config: Annotated[str | None, typer.Option(help="Another config than the film's.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List the names to choose from: encodings, displays and their views.

    Example: partsong look spaces waltz
    """
    from partsong.film.store import FilmStore
    from partsong.render import colour

    with FilmStore.open(film) as store:
        look = store.head().film.look
    chosen = config or (look.config if look else colour.DEFAULT_CONFIG)
    names, displays = colour.spaces(chosen), colour.displays(chosen)
    if as_json:
        emit_json({"config": chosen, "spaces": names, "displays": displays})
        return
    say(f"Config: {chosen}")
    say("\nEncodings, for --input:")
    for name in names:
        say(f"  {name}")
    for display, views in displays.items():
        say(f'\n--display "{display}", with --view one of:')
        for view in views:
            say(f'  "{view}"')


_AS_TAKES = "as-takes"

AtOption = Annotated[str, typer.Option("--at", metavar="SECONDS", help="Song time.", show_default=False)]
TakeOption = Annotated[str | None, typer.Option("--take", help="A placed take instead of the merged wide.")]


@app.command()
def still(
    film: FilmArgument,
    at: AtOption,
    out: Annotated[Path, typer.Option(metavar="FILE.png", help="The picture to write.", show_default=False)],
    take: TakeOption = None,
    mixes: Annotated[bool, typer.Option("--mixes", help="Show every black-and-white mix side by side.")] = False,
    width: Annotated[int | None, typer.Option(metavar="PIXELS", help="Make the picture this wide.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Write one frame of the merged wide through the look.

    Example: partsong look still waltz --at 12.5 --out still.png
    """
    from partsong.film.store import FilmStore
    from partsong.look import showing

    at_s = _seconds("--at", at)
    with FilmStore.open(film) as store:
        shown = showing.still(store, out, at_s=at_s, take=take, mixes=mixes, width=width)
    if as_json:
        emit_json({"file": out, "shows": shown})
    else:
        say(f"Wrote {out}: {shown}.")


@app.command()
def scope(
    film: FilmArgument,
    at: AtOption,
    take: TakeOption = None,
    out: Annotated[Path | None, typer.Option(metavar="FILE.png", help="Draw the scopes.", show_default=False)] = None,
    kind: Annotated[
        str, typer.Option(help="all, picture, waveform, parade, histogram, vectorscope or zones (exposure, in stops).")
    ] = "all",
    point: Annotated[
        list[str] | None, typer.Option(metavar="X,Y", help="Print the numbers at a pixel; again for each.")
    ] = None,
    before: Annotated[bool, typer.Option("--before", help="The camera's own code, before the look.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Measure one frame as it is delivered, and draw its scopes.

    Example: partsong look scope waltz --at 12.5 --out scope.png --point 480,300
    """
    from partsong.errors import InvalidInput
    from partsong.film.store import FilmStore
    from partsong.look import showing

    at_s = _seconds("--at", at)
    points = []
    for text in point or ():
        numbers = text.split(",")
        if len(numbers) != 2 or not all(number.strip().isdecimal() for number in numbers):
            raise InvalidInput(f"--point takes two whole numbers such as 480,300, not {text!r}.")
        points.append((int(numbers[0]), int(numbers[1])))
    with FilmStore.open(film) as store:
        told = showing.scope(store, at_s=at_s, take=take, out=out, kind=kind, points=points, before=before)
    if as_json:
        emit_json(told)
        return
    limits = told.limits
    say(told.what)
    names = ("red", "green", "blue", "luma")
    rows = [
        (name, f"{low:.2f} %", f"{high:.2f} %")
        for name, low, high in zip(names, limits.lowest, limits.highest, strict=True)
    ]
    table(("", "lowest", "highest"), rows)
    say(f"below black {limits.below_black:.3%}, above white {limits.above_white:.3%} of the pixels")
    within = "within" if limits.within_r103 else "OUTSIDE"
    say(f"outside -5 to 105 %: {limits.outside_r103:.3%}, {within} EBU R 103 (1 % of the picture)")
    say("exposure: " + ", ".join(f"{zone:+d} stops {share:.0%}" for zone, share in told.zones if share >= 0.005))
    for read in told.readings:
        red, green, blue = read.rgb_percent
        stops = "no light" if read.stops is None else f"{read.stops:+.2f} stops from 18 % grey before the look"
        say(
            f"at {read.x},{read.y}: luma {read.luma_percent:.2f} %, red {red:.2f} green {green:.2f} blue {blue:.2f} %, "
            f"10-bit Y' {read.codes[0]} Cb {read.codes[1]} Cr {read.codes[2]}, {stops}"
        )
    if out is not None:
        say(f"Drawn: {out}")


@app.command()
def measure(
    film: FilmArgument,
    cube: Annotated[
        str | None, typer.Option(metavar="FILE", help="A .cube table to try in the place of the look's own.")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE.png", help="Draw what comes out for every grey.", show_default=False)
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Measure the look's table, and the whole look: floor, ceiling, bends, clipping, hue, mid grey.

    Example: partsong look measure waltz --cube soft.cube --plot curve.png
    """
    from partsong.film.store import FilmStore
    from partsong.look import showing
    from partsong.look.steps import describe

    with FilmStore.open(film) as store:
        told = describe(store.folder, store.head().film, table=cube)
        if plot is not None:
            showing.plot(store.folder, store.head().film, plot, table=cube)
    if as_json:
        emit_json({"table": told.table, "paths": told.paths})
    else:
        if told.table is not None:
            _print_measured("The table alone", told.table, whole=True)
        for path in told.paths:
            _print_measured(f"The whole look, from {path.space}", path.measured, whole=True)
        floor = max((path.measured.floor.percent for path in told.paths), default=0.0)
        if floor >= 0.05:
            say(f"\nBlack stops at {floor:.3f} %. To bring it to zero after the table, mid grey kept as it is:")
            say("  partsong look set FILM --black-level measured")
        if plot is not None:
            say(f"Drawn: {plot}")
    if told.asks:
        _ask_encodings(told)
        needs_decision()


@app.command()
def match(
    film: FilmArgument,
    hero: Annotated[
        str | None, typer.Option("--to", metavar="TAKE", help="The take that the others are to match.")
    ] = None,
    take: Annotated[list[str] | None, typer.Option(metavar="TAKE", help="A take to match; again for each.")] = None,
    head: Annotated[
        str | None,
        typer.Option(metavar="SECONDS", help="Compare the takes' first seconds, lit by ambient light alone."),
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", metavar="SECONDS", help="Match to the hero's frame at this song time.")
    ] = None,
    card: Annotated[
        list[str] | None,
        typer.Option(metavar="TAKE=X,Y,W,H", help="Where a grey card is in a take, in pixels; again for each."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Solve exposure and white balance of takes towards a hero, as grades that can be seen and changed.

    Example: partsong look match waltz --head 1
    """
    from partsong.film.store import FilmStore
    from partsong.look.matching import How, match_takes
    from partsong.look.settings import cdl_words

    how = How(
        hero=hero,
        head_s=_seconds("--head", head) if head else None,
        at_s=_seconds("--at", at) if at else None,
        cards=dict(map(_card, card or ())),
    )
    with watched() as watch, FilmStore.open(film) as store:
        found = match_takes(store, how, takes=tuple(take or ()), watch=watch)
    if as_json:
        emit_json(found)
    else:
        rows = [
            (
                one.take,
                one.hero,
                f"{math.log2(one.cdl.slope[1]):+.3f}" if one.told else "?",
                cdl_words(one.cdl) if one.told else "?",
                one.sentence,
            )
            for one in found
        ]
        table(("take", "to", "stops", "its grade now", "why"), rows)
    if not all(one.told for one in found):
        needs_decision()


@app.command()
def bake(
    film: FilmArgument,
    cube: Annotated[
        Path | None, typer.Option(metavar="FILE.cube", help="The look from camera to display.", show_default=False)
    ] = None,
    size: Annotated[int, typer.Option(help="Points along each axis: 17, 33 or 65.")] = 33,
    take: Annotated[str | None, typer.Option(help="A take whose own grade goes into the table.")] = None,
    config: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.ocio", help="Beside the table: pieces for an OpenColorIO config.", show_default=False
        ),
    ] = None,
    grades: Annotated[
        Path | None,
        typer.Option(metavar="FILE.ccc", help="The takes' grades as ASC CDL; a folder gets a .cc file each."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write the look as a .cube table with its measured error, and the takes' grades as ASC CDL.

    Example: partsong look bake waltz --cube waltz.cube --size 65 --grades waltz.ccc
    """
    from partsong.errors import InvalidInput
    from partsong.film.store import FilmStore
    from partsong.look import delivery

    if cube is None and grades is None:
        raise InvalidInput("Nothing to write was named. Give --cube FILE.cube, --grades FILE.ccc, or both.")
    if cube is None and config is not None:
        raise InvalidInput("The pieces of a config show the look by its table. Give the table too: --cube FILE.cube")
    with FilmStore.open(film) as store:
        baked = delivery.bake_look(store, cube, size=size, take=take, fragment=config) if cube else None
        written = delivery.write_grades(store, grades) if grades else ()
    if as_json:
        emit_json({"table": baked, "grades": written})
        return
    if baked is not None:
        say(f"Wrote {baked.file}: {baked.size} points along each axis, from {baked.space} to display code.")
        say("Against the exact path, in 10-bit codes (worst, 99.9th percentile, mean):")
        errors = [("colours at random", baked.at_random)]
        errors += [(baked.frame, baked.of_frame)] if baked.of_frame else []
        table(("", "worst", "99.9 %", "mean"), [(what, *_codes(error)) for what, error in errors])
    for file in (*([config] if config else []), *written):
        say(f"Wrote {file}")


def _codes(error: BakeError) -> tuple[str, str, str]:
    return f"{error.worst:.2f}", f"{error.p999:.2f}", f"{error.mean:.3f}"


def _number(option: str, text: str) -> float:
    from partsong.errors import InvalidInput

    try:
        return float(text)
    except ValueError as problem:
        raise InvalidInput(f"{option} takes a percentage such as 1.5, or {_AS_TAKES}, not {text!r}.") from problem


def _seconds(option: str, text: str) -> Fraction:
    from partsong.errors import InvalidInput

    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError) as problem:
        raise InvalidInput(f"{option} takes seconds such as 12.5, not {text!r}.") from problem


def _card(text: str) -> tuple[str, tuple[int, int, int, int]]:
    from partsong.errors import InvalidInput

    name, _, box = text.partition("=")
    numbers = [number.strip() for number in box.split(",")]
    if len(numbers) != 4 or not all(number.isdecimal() for number in numbers):
        raise InvalidInput(f"--card takes a take and a box such as cajon-1=310,240,60,40, not {text!r}.")
    left, top, width, height = (int(number) for number in numbers)
    return name.strip(), (left, top, width, height)


def _print(told: Description) -> None:
    rows: list[tuple[str, str]] = []
    for entry in told.encodings:
        who = f"{', '.join(entry.takes)}: " if len(told.encodings) > 1 and entry.takes else ""
        rows.append(("camera", f"{who}{entry.space or '?'} ({entry.known_from})"))
    steps = [*told.lines[:1], *rows, *told.lines[1:]]
    table(("", "step", "setting"), [(number, *step) for number, step in enumerate(steps, start=1)])
    if told.grades:
        say()
        table(("take", "its own grade, before all else"), told.grades)
    if told.table is not None:
        _print_measured("The table alone", told.table)
    for path in told.paths:
        _print_measured(f"The whole look, from {path.space}", path.measured)
    _ask_encodings(told)


def _ask_encodings(told: Description) -> None:
    for entry in told.encodings:
        if entry.space is None:
            # Where nothing is known of any take, one word for the whole film will do.
            names = "" if len(told.encodings) == 1 else " ".join(f"--take {take}" for take in entry.takes) + " "
            say(f"\nTo decide: the encoding of {', '.join(entry.takes)}.")
            say(f"Say: partsong look set FILM {names}--input SPACE")


def _print_measured(what: str, measured: Measured, *, whole: bool = False) -> None:
    red, green, blue = measured.floor_rgb_percent
    tint = (
        f", red {red:.2f} green {green:.2f} blue {blue:.2f} %"
        if max(red, green, blue) - min(red, green, blue) > 0.1
        else ""
    )
    say(f"\n{what}:")
    rows = [
        ("floor", f"{measured.floor}{tint}"),
        ("ceiling", str(measured.ceiling)),
        ("any channel of any colour", f"{measured.lowest} to {measured.highest}"),
        ("mid grey", f"{100 * measured.grey_in:.2f} % in, {measured.grey_out} out"),
        (
            "more in, more out",
            "yes" if measured.falls_at is None else f"no: it falls from {100 * measured.falls_at:.1f} % in",
        ),
    ]
    if whole:
        rows += _more(measured)
    for name, value in rows:
        say(f"  {name:<26}{value}")


def _more(measured: Measured) -> list[tuple[str, str]]:
    def at(signal: float | None, otherwise: str) -> str:
        return otherwise if signal is None else f"{100 * signal:.1f} % in"

    bend, hue = measured.bend, measured.hue
    rows = [
        ("black in, black out", str(measured.black)),
        ("white in, white out", str(measured.white)),
        ("shadows are flat below", at(measured.flat_below, "nowhere")),
        ("lights are flat above", at(measured.flat_above, "nowhere")),
        ("colours at an end", f"{measured.clipped_share:.1%} have a channel at or beyond 0 or 100 %"),
        ("slope at mid grey", f"{bend.slope:.3f}"),
        ("it bends", f"below {at(bend.toe, 'nowhere')}, above {at(bend.shoulder, 'nowhere')}"),
        ("sharpest corner", f"at {100 * bend.kink:.1f} % in, the slope changes by {bend.kink_change:.3f}"),
    ]
    if hue is not None:
        red, green, blue = (f"{100 * value:.0f}" for value in hue.colour_in)
        turned = (
            f"{hue.worst_deg:+.1f} degrees for {red} {green} {blue} % in, half of all by {hue.median_deg:.1f} or less"
        )
        rows.append(("hue turns by up to", turned))
    return rows
