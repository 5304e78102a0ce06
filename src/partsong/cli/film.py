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


@app.command()
def cache(
    film: FilmArgument,
    clean: Annotated[bool, typer.Option("--clean", help="Remove what is listed; it can all be made again.")] = False,
    kind: Annotated[list[str] | None, typer.Option(help="Only this kind; again for more.", show_default=False)] = None,
    unused_days: Annotated[float, typer.Option(help="With --clean: only files not used for so many days.", min=0)] = 0,
    as_json: JsonOption = False,
) -> None:
    """List what the film's cache holds and how large it is; with --clean, make room.

    Nothing of yours is in the cache: what is removed is made again when it is needed, which takes its time.

    Example: partsong film cache waltz --clean --unused-days 14
    """
    from partsong.film import cache as caches
    from partsong.film.folder import FilmFolder

    folder = FilmFolder.at(film)
    if clean:
        found = caches.clean(folder, kinds=tuple(kind or ()), unused_days=unused_days)
    else:
        found = [one for one in caches.kept(folder) if not kind or one.kind in kind]
    if as_json:
        emit_json(found)
        return
    if found and not clean:
        table(
            ("kind", "files", "MB", "last used"),
            [(one.kind, one.files, f"{one.size_bytes / 1e6:.1f}", _ago(one.unused_days)) for one in found],
        )
    files, size = sum(one.files for one in found), sum(one.size_bytes for one in found)
    say(f"{'Removed' if clean else 'In all'} {files} {'file' if files == 1 else 'files'}, {size / 1e6:.1f} MB.")


def _ago(days: float) -> str:
    return "today" if days < 1 else f"{days:.0f} {'day' if round(days) == 1 else 'days'} ago"


def _moved(head: Head, sentence: str, as_json: bool) -> None:
    if as_json:
        emit_json(head.revision)
    else:
        say(f"{sentence} (now at revision {head.revision.number})")


def _names(head: Head) -> str:
    return ", ".join(part.name for part in head.film.parts) or "none yet"
