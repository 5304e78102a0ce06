"""The commands of cut."""

from __future__ import annotations

from typing import Annotated

import typer

from partsong.cli.console import FilmArgument, JsonOption, emit_json, note, say, table

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
