"""The commands that make a film and walk its revisions."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import FilmArgument, JsonOption, emit_json, note, say, table

if TYPE_CHECKING:
    from partsong.film.store import Head

app = typer.Typer(help="Look at a film's document and walk its revisions.", no_args_is_help=True)


def new(
    film: Annotated[Path, typer.Argument(metavar="FILM", help="The folder to make.", show_default=False)],
    song: Annotated[Path, typer.Option(help="The finished mix.", show_default=False)],
    stem: Annotated[
        list[str] | None,
        typer.Option(metavar="PART=FILE", help="The mix's ingredient of one part; again for each part."),
    ] = None,
    title: Annotated[str | None, typer.Option(help="The song's title; the file's name otherwise.")] = None,
    bpm: Annotated[str | None, typer.Option(help="Beats a minute, exact: 92 or 184/2.")] = None,
    beats: Annotated[int, typer.Option(help="Beats in a bar.", min=1, max=32)] = 4,
    bar_one: Annotated[str, typer.Option(metavar="SECONDS", help="Song time of bar 1's first beat.")] = "0",
    as_json: JsonOption = False,
) -> None:
    """Make a new film around a song.

    Parts are made in the order of the stems; more can follow.

    Example: partsong new waltz --song mix.wav --stem "cajon=stems/cajon.wav" --bpm 92 --beats 3
    """
    from partsong.shoot import begin

    head = begin.new_film(
        film, song=song, stems=tuple(stem or ()), title=title, bpm=bpm, beats_per_bar=beats, bar_one_s=bar_one
    )
    if as_json:
        emit_json(head.film)
        return
    made = head.film.song
    assert made is not None
    say(f"Made {film}: {made.title}, {float(made.length_s):.1f} s, parts: {_names(head)}.")
    for remark in begin.remarks(made, head.film.parts):
        note(remark)
    say(f"Next: partsong shoot add {film} FOLDER-OF-CLIPS")


@app.command()
def history(film: FilmArgument, as_json: JsonOption = False) -> None:
    """List every revision, the newest last; the one the film is at is marked.

    Example: partsong film history waltz
    """
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        revisions = store.history()
        here = store.head().revision.number
    if as_json:
        emit_json({"head": here, "revisions": revisions})
        return
    table(
        ("", "rev", "from", "when", "what changed"),
        [
            (
                ">" if revision.number == here else "",
                revision.number,
                revision.parent or "-",
                time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(revision.made_s)),
                revision.sentence,
            )
            for revision in revisions
        ],
    )


@app.command()
def undo(film: FilmArgument, as_json: JsonOption = False) -> None:
    """Take back the latest change.

    Example: partsong film undo waltz
    """
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        left = store.head().revision
        head = store.undo()
    _moved(head, f"Taken back: {left.sentence}", as_json)


@app.command()
def redo(film: FilmArgument, as_json: JsonOption = False) -> None:
    """Bring back what the latest undo took.

    Example: partsong film redo waltz
    """
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        head = store.redo()
    _moved(head, f"Brought back: {head.revision.sentence}", as_json)


@app.command()
def show(
    film: FilmArgument,
    revision: Annotated[int | None, typer.Option(help="A revision other than the newest.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Print what the film holds, or its whole document with --json.

    Example: partsong film show waltz --json
    """
    from partsong.film.store import FilmStore
    from partsong.film.summary import phase_states
    from partsong.signoff.steps import master_paths

    with FilmStore.open(film) as store:
        document = store.head().film if revision is None else store.film_at(revision)
        masters = len(master_paths(store.folder))
    if as_json:
        emit_json(document)
        return
    say(document.name)
    table(("phase", "state"), phase_states(document, masters=masters))


def _moved(head: Head, sentence: str, as_json: bool) -> None:
    if as_json:
        emit_json(head.revision)
    else:
        say(f"{sentence} (now at revision {head.revision.number})")


def _names(head: Head) -> str:
    return ", ".join(part.name for part in head.film.parts) or "none yet"
