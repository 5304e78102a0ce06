"""The commands of stage."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import (
    ClusterOption,
    FilmArgument,
    JsonOption,
    MapOption,
    WorkersOption,
    chosen_engine,
    emit_json,
    say,
    table,
    watched,
)

if TYPE_CHECKING:
    from partsong.film.records import Film

app = typer.Typer(help="Merge the locked-off takes into one believable picture.", no_args_is_help=True)

TakeArgument = Annotated[str, typer.Argument(metavar="TAKE", help="The take's id.", show_default=False)]


@app.command()
def propose(
    film: FilmArgument,
    bend: Annotated[bool, typer.Option("--bend", help="Bend edges into curves along the least step.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Propose a mask for each take, the order of layers, and how far each take must be moved.

    Masks that were set by hand stay.

    Example: partsong stage propose waltz --bend
    """
    from partsong.film.store import FilmStore
    from partsong.stage import steps

    with watched() as watch, FilmStore.open(film) as store:
        head = steps.propose(store, watch, bent=bend)
    _print(head.film, as_json)


@app.command()
def mask(
    film: FilmArgument,
    take: TakeArgument,
    x: Annotated[float | None, typer.Option(help="Centre, pixels from the left.")] = None,
    y: Annotated[float | None, typer.Option(help="Centre, pixels from the top.")] = None,
    rx: Annotated[float | None, typer.Option(help="Radius across, pixels.")] = None,
    ry: Annotated[float | None, typer.Option(help="Radius down, pixels.")] = None,
    rotate: Annotated[float | None, typer.Option(metavar="DEGREES", help="Turn, clockwise.")] = None,
    feather: Annotated[float | None, typer.Option(help="Width of the soft edge, pixels.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Set a take's oval by hand; what is not named stays as it is.

    Example: partsong stage mask waltz cajon-1 --x 310 --y 420 --rx 140 --ry 230 --feather 60
    """
    from partsong.film.store import FilmStore
    from partsong.stage import steps

    wish = steps.MaskWish(x=x, y=y, rx=rx, ry=ry, rotation_deg=rotate, feather_px=feather)
    with FilmStore.open(film) as store:
        head = steps.set_mask(store, take, wish)
    _print(head.film, as_json)


@app.command()
def order(
    film: FilmArgument,
    takes: Annotated[list[str], typer.Argument(metavar="TAKE ...", help="From the bottom up.", show_default=False)],
    as_json: JsonOption = False,
) -> None:
    """Set which takes are merged, from the bottom up; the first fills the frame.

    Example: partsong stage order waltz cajon-1 harmonium-2 melodica-1
    """
    from partsong.film.store import FilmStore
    from partsong.stage import steps

    with FilmStore.open(film) as store:
        head = steps.set_order(store, takes)
    _print(head.film, as_json)


@app.command()
def merge(
    film: FilmArgument,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    moved: MapOption = None,
    as_json: JsonOption = False,
) -> None:
    """Merge the takes into the wide; what is merged already is not merged again.

    A merge that was stopped or killed goes on from what it had finished.

    Example: partsong stage merge waltz
    """
    from partsong.film.store import FilmStore
    from partsong.stage import steps

    engine = chosen_engine(film, workers, cluster, moved)
    with watched() as watch, FilmStore.open(film) as store:
        path = steps.merge(store, watch, engine=engine)
    if as_json:
        emit_json({"wide": path})
    else:
        say(f"The wide is merged: {path}")


@app.command()
def show(
    film: FilmArgument,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE.png", help="Draw a merged frame with its ovals.", show_default=False)
    ] = None,
    at: Annotated[float, typer.Option(metavar="SECONDS", help="Song time of that frame.", min=0)] = 0.0,
    as_json: JsonOption = False,
) -> None:
    """Print the layers, or draw a merged frame with the ovals outlined.

    Example: partsong stage show waltz --picture stage.png --at 12
    """
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        if picture is not None:
            from partsong.stage import steps

            steps.draw_frame(store, at, picture)
        head = store.head()
    _print(head.film, as_json)
    if picture is not None and not as_json:
        say(f"Drawn: {picture}")


def _print(film: Film, as_json: bool) -> None:
    if as_json:
        emit_json(film.stage)
        return
    if not film.stage.order:
        say("The stage has no layers yet. Let them be proposed: partsong stage propose FILM")
        return
    rows = []
    for number, take in enumerate(film.stage.order):
        mask, moved = film.stage.mask_of(take), film.stage.registration_of(take)
        shape = "fills the frame"
        if number and mask:
            drawn = mask.shape
            if drawn.kind == "oval":
                shape = f"{drawn.x:.0f}, {drawn.y:.0f}, {drawn.rx:.0f} x {drawn.ry:.0f}, soft {mask.feather_px:.0f}"
                shape += f", turned {drawn.rotation_deg:.0f} deg" if drawn.rotation_deg else ""
            else:
                shape = f"a curve of {len(drawn.points)} points, soft {mask.feather_px:.0f}"
            shape += f", {len(mask.keys)} keys" if mask.keys else ""
        elif number:
            shape = "no oval yet"
        rows.append((number + 1, take, shape, "by hand" if mask and mask.by_hand else "proposed", _moved(moved)))
    table(("layer", "take", "mask (centre, radii, edge) in pixels", "set", "moved onto the reference"), rows)


def _moved(moved: object) -> str:
    from fractions import Fraction

    from partsong.film.records import Registration
    from partsong.timebase import round_half_up

    if not isinstance(moved, Registration):
        return "not measured"
    whole = [round_half_up(Fraction(value)) for value in (moved.first.dx_px, moved.first.dy_px)]
    left = max(abs(moved.first.dx_px - whole[0]), abs(moved.first.dy_px - whole[1]))
    return f"{whole[0]:+d}, {whole[1]:+d}, {left:.2f} left over, certainty {moved.certainty:.0%}"
