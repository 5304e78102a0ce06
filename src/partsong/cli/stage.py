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
    needs_decision,
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
def register(film: FilmArgument, as_json: JsonOption = False) -> None:
    """Measure how each take lies on the reference, over its length: knocks, slow sags, move, turn and scale.

    Masks and their order stay as they are.

    Example: partsong stage register waltz
    """
    from partsong.film.store import FilmStore
    from partsong.stage import steps

    with watched() as watch, FilmStore.open(film) as store:
        head = steps.register(store, watch)
    _print_registrations(head.film, as_json)


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
    point: Annotated[
        list[str] | None,
        typer.Option(metavar="X,Y", help="A point of a closed curve; once for each.", show_default=False),
    ] = None,
    key_at: Annotated[
        float | None,
        typer.Option(metavar="SECONDS", help="Set the shape at this song time only.", show_default=False),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Set a take's mask by hand: an oval, of which what is not named stays as it is, or a closed curve.

    With --key-at the shape holds at that moment, and changes straight from one such moment to the next.

    Example: partsong stage mask waltz cajon-1 --x 310 --y 420 --rx 140 --ry 230 --feather 60
    """
    from partsong.film.store import FilmStore
    from partsong.stage import steps

    wish = steps.MaskWish(
        x=x,
        y=y,
        rx=rx,
        ry=ry,
        rotation_deg=rotate,
        feather_px=feather,
        points=tuple(_point(text) for text in point or ()),
        key_at_s=key_at,
    )
    with FilmStore.open(film) as store:
        head = steps.set_mask(store, take, wish)
    _print(head.film, as_json)


def _point(text: str) -> tuple[float, float]:
    from partsong.errors import InvalidInput

    try:
        x, y = (float(value) for value in text.split(","))
    except ValueError:
        raise InvalidInput(f"{text!r} is not a point. Give two numbers: --point X,Y") from None
    return x, y


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
    whole: Annotated[bool, typer.Option("--all", help="Merge also what the cut does not show.")] = False,
    gpu: Annotated[bool, typer.Option("--gpu", help="Merge masked layers on the graphics processor.")] = False,
    hardware: Annotated[
        bool, typer.Option("--hardware-decode", help="Decode on video hardware, where it gives the same codes.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Merge the takes into the wide, as far as the cut shows it; all of it while there is no cut.

    What is merged already is not merged again. A merge that was stopped or killed goes on from what it had finished.

    Example: partsong stage merge waltz
    """
    from partsong.film.store import FilmStore
    from partsong.stage import steps

    engine = chosen_engine(film, workers, cluster, moved)
    with watched() as watch, FilmStore.open(film) as store:
        merged = steps.merge(store, watch, whole=whole, engine=engine, gpu=gpu, hardware=hardware)
    if as_json:
        emit_json(merged)
    else:
        for line in merged.decoding:
            say(line)
        say(merged.sentence)


@app.command()
def crossings(
    film: FilmArgument,
    mend: Annotated[bool, typer.Option("--mend", help="Put what mends them into the film.")] = False,
    as_json: JsonOption = False,
) -> None:
    """List when a player, or his shadow, crosses the edge of his mask; with --mend, widen masks or reorder layers.

    Takes are watched from end to end, six times a second, the first time.

    Example: partsong stage crossings waltz --mend
    """
    from partsong.film.store import FilmStore
    from partsong.stage import kept, seam_steps

    with watched() as watch, FilmStore.open(film) as store:
        if mend:
            _, proposed = seam_steps.mend(store, watch)
        else:
            _, proposed = seam_steps.mends(store, seam_steps.crossings(store, watch), watch)
        pictures = seam_steps.draw_crossings(store, [one.crossing for one in proposed], watch)
        newest = store.head().film
        kept.keep_crossings(store.folder, newest, proposed)
        lines = [seam_steps.in_words(newest, one) for one in proposed]
    if as_json:
        emit_json([{"mend": one, "picture": path} for one, path in zip(proposed, pictures, strict=True)])
    elif not proposed:
        say("Nobody crosses the edge of a mask.")
    else:
        for line, path in zip(lines, pictures, strict=True):
            say(line)
            say(f"    {path}")
        say("Mended; partsong undo takes it back." if mend else "Mend them with: partsong stage crossings FILM --mend")
    if proposed and not mend:
        needs_decision()


@app.command()
def report(
    film: FilmArgument,
    moments: Annotated[int, typer.Option(metavar="N", help="How many moments of the song to look at.", min=1)] = 6,
    as_json: JsonOption = False,
) -> None:
    """Measure what shows at every seam, and write a page with its numbers and pictures.

    Example: partsong stage report waltz
    """
    from partsong.film.store import FilmStore
    from partsong.stage import seam_steps

    with watched() as watch, FilmStore.open(film) as store:
        path, found = seam_steps.report(store, watch, moments=moments)
    if as_json:
        say((path.parent / "seams.json").read_text(encoding="utf-8"))
        return
    say(found.verdict)
    for seam in found.seams:
        say(found.sentence(seam, seam.worst))
    say(f"Written: {path}")


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


@app.command()
def match(
    film: FilmArgument,
    take: Annotated[str | None, typer.Option(metavar="TAKE", help="Set this take by hand.", show_default=False)] = None,
    stops: Annotated[float, typer.Option(help="With --take: brighten it by this many stops.")] = 0.0,
    red: Annotated[float, typer.Option(help="With --take: multiply red, beside green.")] = 1.0,
    blue: Annotated[float, typer.Option(help="With --take: multiply blue, beside green.")] = 1.0,
    head: Annotated[
        float | None, typer.Option(metavar="SECONDS", help="How long every take's ambient head is.", show_default=False)
    ] = None,
    card: Annotated[
        str | None, typer.Option(metavar="X,Y,WIDTH,HEIGHT", help="Box of a grey card.", show_default=False)
    ] = None,
    at: Annotated[float, typer.Option(metavar="SECONDS", help="When the card shows, in each take.", min=0)] = 0.0,
    as_json: JsonOption = False,
) -> None:
    """Match takes' exposure and white balance to the reference's, by their ambient heads or a grey card.

    A lamp that stands nearer and a wider aperture look alike. So without a head, or a card, it says that it cannot be
    told, and changes nothing.

    Example: partsong stage match waltz --head 1.5
    """
    from partsong.errors import InvalidInput
    from partsong.film.store import FilmStore
    from partsong.stage import light_steps

    box = None
    if card is not None:
        try:
            x, y, width, height = (int(value) for value in card.split(","))
        except ValueError:
            raise InvalidInput(f"{card!r} is not a box. Give four whole numbers: --card X,Y,WIDTH,HEIGHT") from None
        box = light_steps.Card(x, y, width, height, at)
    with watched() as watch, FilmStore.open(film) as store:
        if take is not None:
            found = light_steps.set_match(store, take, stops, (red, blue))
        else:
            found = light_steps.match_takes(store, watch, head_s=head, card=box)
    if as_json:
        emit_json({"matches": [one.model_dump(mode="json") for one in found.film.stage.matches]})
        return
    table(("take", "match"), [(one.take, one.sentence) for one in found.film.stage.matches])


@app.command()
def method(
    film: FilmArgument,
    way: Annotated[str, typer.Argument(metavar="masks|light-sum|combined", show_default=False)],
    as_json: JsonOption = False,
) -> None:
    """Choose how takes are merged: layered through masks, their light added, or added with the players over the sum.

    Adding says where it goes wrong in this film: players before ground that others light, an ambient plate that does
    not fit, light that the camera could not hold.

    Example: partsong stage method waltz combined
    """
    from partsong.film.store import FilmStore
    from partsong.stage import light_steps

    with watched() as watch, FilmStore.open(film) as store:
        light_steps.set_method(store, way)
        said = light_steps.sum_warnings(store, watch) if way != "masks" else []
    if as_json:
        emit_json({"method": way, "warnings": said})
        return
    say(f"The takes are merged by {way}.")
    for sentence in said:
        say(sentence)


@app.command()
def patch(
    film: FilmArgument,
    source: Annotated[
        str | None, typer.Argument(metavar="[TAKE or PLATE]", help="Where the pixels come from.", show_default=False)
    ] = None,
    x: Annotated[float, typer.Option(help="Centre, pixels from the left.")] = 0.0,
    y: Annotated[float, typer.Option(help="Centre, pixels from the top.")] = 0.0,
    rx: Annotated[float, typer.Option(help="Radius across, pixels.")] = 0.0,
    ry: Annotated[float, typer.Option(help="Radius down, pixels.")] = 0.0,
    rotate: Annotated[float, typer.Option(metavar="DEGREES", help="Turn, clockwise.")] = 0.0,
    feather: Annotated[float | None, typer.Option(help="Width of the soft edge, pixels.", show_default=False)] = None,
    since: Annotated[
        float | None, typer.Option("--from", metavar="SECONDS", help="Song time it starts at.", show_default=False)
    ] = None,
    until: Annotated[
        float | None, typer.Option("--to", metavar="SECONDS", help="Song time it ends at.", show_default=False)
    ] = None,
    stops: Annotated[
        float | None, typer.Option(help="Brighten by this many stops instead of matching.", show_default=False)
    ] = None,
    remove: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="Take this patch away.", show_default=False)
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Cover a fault with pixels of another take or a plate, matched to what lies around; or list the patches.

    Example: partsong stage patch waltz plate-1 --x 640 --y 410 --rx 60 --ry 90
    """
    from partsong.errors import InvalidInput
    from partsong.film.records import Oval
    from partsong.film.store import FilmStore
    from partsong.stage import light_steps

    with FilmStore.open(film) as store:
        if remove is not None:
            light_steps.remove_patch(store, remove)
        elif source is not None:
            if rx <= 0 or ry <= 0:
                raise InvalidInput("A patch needs its centre and radii. Give all of --x, --y, --rx and --ry.")
            level = None if stops is None else (2.0**stops,) * 3
            oval = Oval(x=x, y=y, rx=rx, ry=ry, rotation_deg=rotate)
            light_steps.add_patch(store, source, oval, feather_px=feather, start_s=since, end_s=until, gain=level)
        newest = store.head().film
        rows = light_steps.described(newest.stage, newest.plates)
    if as_json:
        emit_json({"patches": [one.model_dump(mode="json") for one in newest.stage.patches]})
    elif rows:
        table(("patch", "from", "oval (centre, radii, edge) in pixels", "song frames", "light"), rows)
    else:
        say("The stage has no patches.")


def _print(film: Film, as_json: bool) -> None:
    if as_json:
        emit_json(film.stage)
        return
    if not film.stage.order:
        say("The stage has no layers yet. Let them be proposed: partsong stage propose FILM")
        return
    rows = []
    for number, take in enumerate(film.stage.order):
        mask = film.stage.mask_of(take)
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
        rows.append((number + 1, take, shape, "by hand" if mask and mask.by_hand else "proposed"))
    table(("layer", "take", "mask (centre, radii, edge) in pixels", "set"), rows)
    _print_registrations(film, as_json=False)


def _print_registrations(film: Film, as_json: bool) -> None:
    if as_json:
        emit_json(film.stage.registrations)
        return
    for found in film.stage.registrations:
        sure = "" if found.take == film.stage.reference else f" (certainty {found.certainty:.0%})"
        say(f"{found.take} {found.sentence or 'was not measured'}{sure}")
