"""The commands of cut."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import FilmArgument, JsonOption, emit_json, needs_decision, note, say, table

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from partsong.cut.effects import Metered
    from partsong.film.records import Effect, Film
    from partsong.film.store import Head

app = typer.Typer(help="Cut between the wide and the coverage, in bars and beats.", no_args_is_help=True)


@app.command()
def tempo(
    film: FilmArgument,
    bpm: Annotated[str | None, typer.Option(help="Beats a minute, exact: 92, 92.5 or 184/2.")] = None,
    beats: Annotated[int | None, typer.Option(help="Beats in a bar.", min=1, max=32)] = None,
    bar_one: Annotated[str | None, typer.Option(metavar="SECONDS", help="Song time of bar 1's first beat.")] = None,
    from_bar: Annotated[int, typer.Option(help="The bar from which this tempo holds.", min=1)] = 1,
    section: Annotated[
        list[str] | None, typer.Option(metavar="NAME=BAR", help="A section and its first bar; again for each.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Set the song's tempo map and sections, or print them when nothing is given.

    Example: partsong cut tempo waltz --bpm 92 --beats 3 --bar-one 0.5 --section verse=5 --section chorus=13
    """
    from partsong.cut.steps import set_tempo
    from partsong.errors import InvalidInput
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        head = store.head()
        if bpm is not None or beats is not None or bar_one is not None or from_bar != 1 or section:
            head = set_tempo(
                store,
                bpm=bpm,
                beats_per_bar=beats,
                bar_one_s=bar_one,
                from_bar=from_bar,
                sections=tuple(section or ()),
            )
    song = head.film.song
    if song is None:
        raise InvalidInput("The film has no song yet. Make it around one: partsong new FILM --song MIX.wav")
    if as_json:
        emit_json({"revision": head.revision.number, "tempo": song.tempo, "sections": song.sections})
        return
    if not song.tempo:
        say(f"The song has no tempo map yet. Give it: partsong cut tempo {film} --bpm 92 --beats 3")
        return
    table(
        ("from bar", "at s", "beats a minute", "beats a bar"),
        [
            (mark.bar, f"{float(mark.at):.4f}", f"{mark.bpm_num / mark.bpm_den:g}", mark.beats_per_bar)
            for mark in song.tempo
        ],
    )
    if song.sections:
        say("Sections: " + ", ".join(f"{entry.name} from bar {entry.bar}" for entry in song.sections))


@app.command()
def propose(
    film: FilmArgument,
    seed: Annotated[int, typer.Option(help="Another number gives another cut.", min=0)] = 0,
    as_json: JsonOption = False,
) -> None:
    """Propose a cut on bar lines; it takes the place of the film's cut, and undo brings that back.

    Example: partsong cut propose waltz --seed 3
    """
    from partsong.cut import steps
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        head = steps.propose_cut(store, seed=seed)
    covered = steps.covered_bars(head.film)
    if as_json:
        emit_json(
            {"revision": head.revision.number, "shots": steps.shot_rows(head.film), "covered_bars": dict(covered)}
        )
        return
    for take, bars in covered:
        say(f"{take} covers bars {bars}")
    if not covered:
        say("No roaming take is placed on the song, so the cut is the wide alone.")
    say(f"{head.revision.sentence} (revision {head.revision.number}). See it: partsong cut show {film}")


@app.command()
def show(film: FilmArgument, as_json: JsonOption = False) -> None:
    """Print the cut as a table that cut edit takes back.

    Example: partsong cut show waltz > cut.txt
    """
    from partsong.cut import steps
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        head = store.head()
        if as_json:
            emit_json({"revision": head.revision.number, "shots": steps.shot_rows(head.film)})
        else:
            typer.echo(steps.cut_text(store), nl=False)


@app.command()
def edit(
    film: FilmArgument,
    table_file: Annotated[
        str, typer.Argument(metavar="TABLE.txt", help="The edited table, or - for standard input.", show_default=False)
    ],
    as_json: JsonOption = False,
) -> None:
    """Take an edited table as the cut; refused when the cut changed since the table was printed.

    Example: partsong cut edit waltz cut.txt
    """
    from partsong.cut import steps
    from partsong.film.store import FilmStore

    text, name = _read(table_file)
    with FilmStore.open(film) as store:
        before = store.head().revision.number
        head = steps.edit_cut(store, text, name)
    if as_json:
        emit_json({"revision": head.revision.number, "shots": steps.shot_rows(head.film)})
        return
    if head.revision.number == before:
        note("The cut is that already.")
    say(f"{len(head.film.cut)} shots (revision {head.revision.number}).")


FromOption = Annotated[
    str,
    typer.Option(
        "--from", metavar="PLACE", help="Where it begins: bar.beat such as 9.1, or @frame.", show_default=False
    ),
]
ToOption = Annotated[str, typer.Option("--to", metavar="PLACE", help="Before where it ends.", show_default=False)]
AnywayOption = Annotated[
    bool, typer.Option("--anyway", help="Even if the effects flash more than three times a second by themselves.")
]


@app.command()
def flicker(
    film: FilmArgument,
    from_place: FromOption,
    to_place: ToOption,
    every: Annotated[str, typer.Option(metavar="BEATS", help="A dip every so many beats: 1, 1/2, 1.5.")] = "1",
    depth: Annotated[float, typer.Option(metavar="STOPS", help="How deep the light dips.")] = 0.5,
    anyway: AnywayOption = False,
    as_json: JsonOption = False,
) -> None:
    """Let the light of the picture dip on the beat. Flashing pictures can trigger seizures: it is counted first.

    Example: partsong cut flicker waltz --from 17.1 --to 19.1 --every 1 --depth 0.5
    """
    from partsong.cut import effects

    def make(found: Film, start: int, end: int) -> Effect:
        return effects.flicker(found, start, end, every=every, depth_stops=depth)

    _add_effect(film, from_place, to_place, make, anyway, as_json)


@app.command()
def stutter(
    film: FilmArgument,
    from_place: FromOption,
    to_place: ToOption,
    every: Annotated[str, typer.Option(metavar="BEATS", help="The picture begins anew every so many beats.")] = "1",
    as_json: JsonOption = False,
) -> None:
    """Show the picture of the first beat again and again; the sound goes on.

    Example: partsong cut stutter waltz --from 24.3 --to 25.1 --every 1/2
    """
    from partsong.cut import effects

    def make(found: Film, start: int, end: int) -> Effect:
        return effects.stutter(found, start, end, every=every)

    _add_effect(film, from_place, to_place, make, False, as_json)


@app.command()
def leak(
    film: FilmArgument,
    from_place: FromOption,
    to_place: ToOption,
    side: Annotated[str, typer.Option(help="The side it comes from: left, right, top or bottom.")] = "right",
    at: Annotated[float, typer.Option(help="Where on that side: 0 is its left or upper end, 1 the other.")] = 0.5,
    reach: Annotated[float, typer.Option(help="How far it reaches, as a share of the picture's width.")] = 0.8,
    colour: Annotated[
        str, typer.Option(metavar="R,G,B", help="Display code, 0 to 1, where it is brightest.")
    ] = "0.8,0.42,0.16",
    anyway: AnywayOption = False,
    as_json: JsonOption = False,
) -> None:
    """Let light fall in from a side of the picture; it comes and goes once.

    Example: partsong cut leak waltz --from 33.1 --to 37.1 --side right --at 0.3
    """
    from partsong.cut import effects
    from partsong.errors import InvalidInput

    def make(found: Film, start: int, end: int) -> Effect:
        for known in effects.SIDES:
            if side == known:
                return effects.leak(found, start, end, side=known, at=at, reach=reach, colour=_colour(colour))
        raise InvalidInput(f"A picture has no side {side!r}. Give one of {', '.join(effects.SIDES)}.")

    _add_effect(film, from_place, to_place, make, anyway, as_json)


@app.command("effects")
def show_effects(
    film: FilmArgument,
    remove: Annotated[int | None, typer.Option(metavar="NUMBER", help="Take this one away.", min=1)] = None,
    as_json: JsonOption = False,
) -> None:
    """List the effects, and how much they flash by themselves; exit status 1 where that is too much.

    Example: partsong cut effects waltz --remove 2
    """
    from partsong.cut import steps
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        head = store.head() if remove is None else steps.remove_effect(store, remove)
    if _say_effects(head, as_json).fails:
        needs_decision()


def _colour(text: str) -> tuple[float, float, float]:
    from partsong.errors import InvalidInput

    try:
        red, green, blue = (float(value) for value in text.split(","))
    except ValueError as problem:
        raise InvalidInput(
            f"{text!r} is no colour. Write three numbers from 0 to 1, such as 0.8,0.42,0.16."
        ) from problem
    return red, green, blue


def _add_effect(
    film: Path,
    from_place: str,
    to_place: str,
    make: Callable[[Film, int, int], Effect],
    anyway: bool,
    as_json: bool,
) -> None:
    from partsong.cut import steps
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        head = steps.add_effect(
            store,
            lambda found: make(found, _place(found, "--from", from_place), _place(found, "--to", to_place)),
            anyway=anyway,
        )
    _say_effects(head, as_json)


def _place(film: Film, option: str, text: str) -> int:
    from partsong.cut.table import frame_in
    from partsong.errors import InvalidInput

    try:
        return frame_in(film, text)
    except InvalidInput as problem:
        raise InvalidInput(f"{option}: {problem}") from problem


def _say_effects(head: Head, as_json: bool) -> Metered:
    from partsong.cut import effects, steps

    rows, metered = steps.effect_rows(head.film), effects.meter(head.film)
    if as_json:
        emit_json({"revision": head.revision.number, "effects": rows, "flashing": metered})
        return metered
    if not rows:
        say("There are no effects.")
        return metered
    table(("", "from", "to", "what"), [(row.number, row.place, row.until, row.told) for row in rows])
    say(metered.sentence)
    say("What the picture does comes on top: sign-off measures the finished file.")
    if metered.fails:
        note(effects.CAUTION)
    return metered


def _read(table_file: str) -> tuple[str, str]:
    import sys
    from pathlib import Path

    from partsong.errors import InvalidInput

    name = "standard input" if table_file == "-" else Path(table_file).name
    try:
        data = sys.stdin.buffer.read() if table_file == "-" else Path(table_file).read_bytes()
        return data.decode("utf-8"), name
    except OSError as problem:
        raise InvalidInput(f"{table_file} cannot be read: {problem.strerror or problem}.") from problem
    except UnicodeDecodeError as problem:
        raise InvalidInput(f"{name} is no text in UTF-8. Print a table with: partsong cut show FILM") from problem
