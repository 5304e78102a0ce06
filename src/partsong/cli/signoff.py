"""The commands of signoff."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import (
    ClusterOption,
    FilmArgument,
    JsonOption,
    MapOption,
    MatrixName,
    RangeName,
    WorkersOption,
    chosen_engine,
    emit_json,
    needs_decision,
    note,
    say,
    watched,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from partsong.signoff.checks import Check

app = typer.Typer(help="Make the masters, check them and hand them over.", no_args_is_help=True)


class Kind(StrEnum):
    """Which master to make."""

    h264 = "h264"
    mezzanine = "mezzanine"
    both = "both"


LoudnessOption = Annotated[
    float | None, typer.Option(metavar="LUFS", help="The loudness that was asked for, such as -14.", show_default=False)
]


@app.command()
def master(
    film: FilmArgument,
    kind: Annotated[Kind, typer.Option(help="H.264 to deliver, 10 bits to work on, or both.")] = Kind.both,
    crop: Annotated[
        str | None, typer.Option(metavar="SHAPE", help="As a crop of the film, such as 9:16.", show_default=False)
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    moved: MapOption = None,
    as_json: JsonOption = False,
) -> None:
    """Render the cut through the look into masters, and decode each again before it gets its name.

    A render that was stopped or killed goes on where it was.

    Example: partsong signoff master waltz --kind h264
    """
    from partsong.film.store import FilmStore
    from partsong.signoff.masters import KINDS
    from partsong.signoff.steps import make_masters

    engine = chosen_engine(film, workers, cluster, moved)
    with FilmStore.open(film) as store, watched() as watch:
        kinds = [each for each in KINDS if kind.value in (each, "both")]
        shown = store.head().film
        shape = shown.crop(crop) if crop else None
        made = make_masters(store.folder, shown, kinds, watch=watch, engine=engine, crop=shape)
    if as_json:
        emit_json(made)
        return
    for each in made:
        say(f"{each.path}")
        _tell(each.checks)
    say(f"Next: partsong signoff check {film}")


@app.command("crop")
def crop_film(
    film: FilmArgument,
    shape: Annotated[str, typer.Argument(metavar="SHAPE", help="Width and height, such as 9:16.", show_default=False)],
    at: Annotated[
        float | None, typer.Option(metavar="SECONDS", help="Move it in the shot that plays then.", show_default=False)
    ] = None,
    x: Annotated[float | None, typer.Option(help="Its centre, 0 left to 1 right.", show_default=False)] = None,
    y: Annotated[float | None, typer.Option(help="Its centre, 0 top to 1 bottom.", show_default=False)] = None,
    drop: Annotated[bool, typer.Option("--drop", help="Take this crop out of the film.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Frame every shot for a master of another shape where most moves in it, or move one; draw them all on a page.

    Example: partsong signoff crop waltz 9:16 --at 12.5 --x 0.3
    """
    from partsong.errors import InvalidInput
    from partsong.film.store import FilmStore
    from partsong.signoff import crop_steps

    if (at is None) != (x is None and y is None) or (drop and at is not None):
        raise InvalidInput("To move a crop give --at and --x or --y; to take it away give --drop alone.")
    with FilmStore.open(film) as store, watched() as watch:
        if drop:
            head = crop_steps.drop_crop(store, shape)
        elif at is not None:
            head = crop_steps.move_crop(store, shape, at, x=x, y=y)
        else:
            head = crop_steps.propose_crop(store, shape, watch)
        told = None if drop else crop_steps.write_crop_page(store.folder, head.film, shape, watch)
    if as_json:
        shots = [] if told is None else [{"when": s.when, "source": s.source, "centre": s.centre} for s in told[1]]
        emit_json({"revision": head.revision.number, "page": told and told[0], "shots": shots})
        return
    say(f"{head.revision.sentence} (revision {head.revision.number}).")
    if told is not None:
        say(f"{told[0]}: what it shows of each of {len(told[1])} shots.")
        say(f"Next: partsong signoff master {film} --crop {shape}")


@app.command()
def check(
    what: Annotated[Path, typer.Argument(metavar="FILE|FILM", help="A media file, or a film.", show_default=False)],
    loudness: LoudnessOption = None,
    matrix: Annotated[MatrixName | None, typer.Option(help="Where the file does not say it.")] = None,
    value_range: Annotated[RangeName | None, typer.Option("--range", help="Where the file does not say it.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Measure loudness, levels, flashing, picture faults and sync of a file, or of a film's masters.

    Ends with status 1 when something lies outside its limit.

    Example: partsong signoff check waltz --loudness -14
    """
    from partsong.film.store import FilmStore
    from partsong.signoff.checks import undecided
    from partsong.signoff.steps import measure_file, measure_film

    with watched() as watch:
        if what.is_dir():
            with FilmStore.open(what) as store:
                found = measure_film(store.folder, store.head().film, watch=watch, target_lufs=loudness)
        else:
            found = (
                measure_file(
                    what,
                    watch=watch,
                    target_lufs=loudness,
                    matrix=matrix.value if matrix else None,
                    value_range=value_range.value if value_range else None,
                ),
            )
    if as_json:
        emit_json(found)
    else:
        for each in found:
            say(f"{each.path.name}: {each.facts}")
            _tell(each.checks)
    outside = undecided(check for each in found for check in each.checks)
    for caution in dict.fromkeys(check.caution for check in outside if check.caution):
        note(f"CAUTION: {caution}")
    if outside:
        needs_decision()


@app.command()
def interchange(film: FilmArgument, as_json: JsonOption = False) -> None:
    """Write the cut as an OpenTimelineIO document and as an edit list, for other programs to open.

    Example: partsong signoff interchange waltz
    """
    from partsong.film.store import FilmStore
    from partsong.signoff.steps import write_edit

    with FilmStore.open(film) as store:
        timeline, listed = write_edit(store.folder, store.head().film)
    if as_json:
        emit_json({"timeline": timeline, "edit_list": listed})
        return
    say(f"{timeline}: picture, mix, bar lines and sections.")
    say(f"{listed}: picture and mix, one line of each.")


@app.command()
def report(film: FilmArgument, loudness: LoudnessOption = None, as_json: JsonOption = False) -> None:
    """Write the sign-off page: the film, its cut as a score, and every check with its limit and source.

    Ends with status 1 when something needs a decision.

    Example: partsong signoff report waltz
    """
    from partsong.film.store import FilmStore
    from partsong.signoff.steps import write_report

    with FilmStore.open(film) as store, watched() as watch:
        path, made = write_report(store.folder, store.head().film, watch=watch, target_lufs=loudness)
    if as_json:
        masters = {part.name: part.checks for part in made.masters}
        emit_json({"page": path, "verdict": made.verdict, "masters": masters})
    else:
        say(f"{path}")
        say(made.verdict)
    if made.decisions:
        needs_decision()


def _tell(checks: Sequence[Check]) -> None:
    words = {"within": "holds ", "outside": "DECIDE", "stated": "stated"}
    for each in checks:
        limit = f"; limit: {each.limit}" if each.limit else ""
        say(f"  {words[each.outcome]}  {each.sentence} [{each.measured}{limit}; {each.source}]")
