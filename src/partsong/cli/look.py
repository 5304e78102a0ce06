"""The commands of look."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import FilmArgument, JsonOption, emit_json, needs_decision, note, say, table

if TYPE_CHECKING:
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
    grain: Annotated[float | None, typer.Option(metavar="PERCENT", help="Grain at half signal; 0 is none.")] = None,
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
        grain_percent=grain,
        grain_px=grain_size,
        vignette_stops=vignette,
    )
    if wish.is_empty and cube is None:
        note("Nothing to change was named. See: partsong look set --help")
        return
    with FilmStore.open(film) as store:
        before = store.head().revision.number
        head = set_look(store, wish, table=cube, takes=tuple(take or ()))
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


@app.command()
def still(
    film: FilmArgument,
    at: Annotated[str, typer.Option(metavar="SECONDS", help="Song time.", show_default=False)],
    out: Annotated[Path, typer.Option(metavar="FILE.png", help="The picture to write.", show_default=False)],
    take: Annotated[str | None, typer.Option(help="A placed take instead of the merged wide.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Write one frame of the merged wide through the look.

    Example: partsong look still waltz --at 12.5 --out still.png
    """
    from fractions import Fraction

    from partsong.errors import InvalidInput
    from partsong.film.store import FilmStore
    from partsong.look import steps

    try:
        at_s = Fraction(at)
    except (ValueError, ZeroDivisionError) as problem:
        raise InvalidInput(f"--at takes seconds of the song, such as 12.5, not {at!r}.") from problem
    with FilmStore.open(film) as store:
        shown = steps.still(store, out, at_s=at_s, take=take)
    if as_json:
        emit_json({"file": out, "shows": shown})
    else:
        say(f"Wrote {out}: {shown}.")


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
    for entry in told.encodings:
        if entry.space is None:
            # Where nothing is known of any take, one word for the whole film will do.
            names = "" if len(told.encodings) == 1 else " ".join(f"--take {take}" for take in entry.takes) + " "
            say(f"\nTo decide: the encoding of {', '.join(entry.takes)}.")
            say(f"Say: partsong look set FILM {names}--input SPACE")


def _print_measured(what: str, measured: Measured) -> None:
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
    for name, value in rows:
        say(f"  {name:<26}{value}")
