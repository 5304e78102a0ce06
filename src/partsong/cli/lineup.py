"""The commands of lineup."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    note,
    say,
    table,
    watched,
)

if TYPE_CHECKING:
    from fractions import Fraction

    from partsong.film.records import Film, Placement

app = typer.Typer(help="Put every clip on the song's time line, and say how sure that is.", no_args_is_help=True)

TakeArgument = Annotated[str, typer.Argument(metavar="TAKE", help="The take.", show_default=False)]


@app.callback()
def _group() -> None:
    """Keep the group a group while it has few commands."""


@app.command()
def place(
    film: FilmArgument,
    takes: Annotated[
        list[str] | None, typer.Argument(metavar="[TAKE]...", help="The takes to place; all otherwise.")
    ] = None,
    song_timecode: Annotated[
        str | None,
        typer.Option(
            metavar="HH:MM:SS:FF", help="The label at which the song starts in timecode that was played with it."
        ),
    ] = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = None,
    moved: MapOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find where each take sits on the song by its sound, its picture and other takes; one placed by hand stays.

    Ends with status 1 when a take needs your decision.

    Example: partsong lineup place waltz
    """
    from partsong.film.store import FilmStore
    from partsong.lineup import steps

    engine = chosen_engine(film, workers, cluster, moved)
    with FilmStore.open(film) as store, watched() as watch:
        placed = steps.place(store, takes, watch=watch, engine=engine, song_timecode=song_timecode)
        document = store.head().film
    _report(document, placed, as_json)
    if not placed and not as_json:
        say("Nothing to place: the film has no takes, or all of them were placed by hand.")
    _end(film, placed)


@app.command()
def show(
    film: FilmArgument,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE.svg", help="Draw the placements as a score.", show_default=False)
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say where each take sits, how sure that is and why.

    Example: partsong lineup show waltz --picture waltz.svg
    """
    from partsong.film.folder import write_text
    from partsong.film.store import FilmStore
    from partsong.lineup import steps

    with FilmStore.open(film) as store:
        document = store.head().film
        if picture is not None:
            write_text(picture, steps.picture(store))
    _report(document, document.placements, as_json)
    unasked = [take.id for take in document.takes if document.placement_of(take.id) is None]
    if unasked and not as_json:
        say(f"Not placed yet: {', '.join(unasked)}. Next: partsong lineup place {film}")
    _end(film, document.placements)


@app.command()
def accept(
    film: FilmArgument,
    take: TakeArgument,
    candidate: Annotated[int, typer.Option(help="Which of its candidates, counted from 1.", min=1)] = 1,
    start: Annotated[
        str | None,
        typer.Option(metavar="SECONDS", help="Song time of the take's first frame instead.", show_default=False),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Put a take on one of its candidates, or where you say, and keep it there.

    Example: partsong lineup accept waltz harmonium-1 --candidate 2
    """
    from partsong.film.store import FilmStore
    from partsong.lineup import steps

    with FilmStore.open(film) as store, watched() as watch:
        seconds = None if start is None else _number(start, "--start")
        before = store.head().film
        done = steps.accept(store, take, candidate=candidate, start_s=seconds, watch=watch)
        document = store.head().film
    _report(document, (done,), as_json)
    _tell_followers(before, document, take)


@app.command()
def nudge(
    film: FilmArgument,
    take: TakeArgument,
    ms: Annotated[
        str | None, typer.Option(metavar="MS", help="Milliseconds; positive is later.", show_default=False)
    ] = None,
    frames: Annotated[int | None, typer.Option(help="Frames of the film; positive is later.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Move a placed take by milliseconds or frames.

    Example: partsong lineup nudge waltz cajon-2 --frames=-1
    """
    from partsong.film.store import FilmStore
    from partsong.lineup import steps

    with FilmStore.open(film) as store, watched() as watch:
        before = store.head().film
        done = steps.nudge(store, take, ms=None if ms is None else _number(ms, "--ms"), frames=frames, watch=watch)
        document = store.head().film
    _report(document, (done,), as_json)
    _tell_followers(before, document, take)


@app.command()
def slate(
    film: FilmArgument,
    take: TakeArgument,
    seen_by: Annotated[
        str, typer.Option(metavar="TAKE", help="A placed take that saw the same flash.", show_default=False)
    ],
    as_json: JsonOption = False,
) -> None:
    """Put a take in its place by a flash that a placed take of another camera saw too: to about a frame.

    Example: partsong lineup slate waltz roam-2 --seen-by cajon-1
    """
    from partsong.film.store import FilmStore
    from partsong.lineup import steps

    with FilmStore.open(film) as store, watched() as watch:
        before = store.head().film
        done = steps.slate(store, take, seen_by, watch=watch)
        document = store.head().film
    _report(document, (done,), as_json)
    if not as_json:
        _tell_followers(before, document, take)


@app.command()
def refuse(film: FilmArgument, take: TakeArgument, as_json: JsonOption = False) -> None:
    """Take a take off the song, so that it is not placed again unless you name it.

    Example: partsong lineup refuse waltz stranger-1
    """
    from partsong.film.store import FilmStore
    from partsong.lineup import steps

    with FilmStore.open(film) as store, watched() as watch:
        before = store.head().film
        done = steps.refuse(store, take, watch=watch)
        document = store.head().film
    _report(document, (done,), as_json)
    _tell_followers(before, document, take)


@app.command()
def distance(
    film: FilmArgument,
    take: TakeArgument,
    metres: Annotated[
        str, typer.Argument(metavar="METRES", help="From the sound to this camera, or: unknown.", show_default=False)
    ],
    as_json: JsonOption = False,
) -> None:
    """Say how far one take's camera was from the sound; what was placed by sound moves by the difference.

    Example: partsong lineup distance waltz roaming-1 2.5
    """
    from partsong.film.store import FilmStore
    from partsong.lineup import steps

    given = None if metres.strip().lower() == "unknown" else _number(metres, "The distance in metres")
    with FilmStore.open(film) as store, watched() as watch:
        before = store.head().film
        done = steps.set_distance(store, take, given, watch=watch)
        document = store.head().film
    _report(document, () if done is None else (done,), as_json)
    if done is None and not as_json:
        say(f"{take} is not placed yet. Next: partsong lineup place {film}")
    _tell_followers(before, document, take)


@app.command()
def listen(
    film: FilmArgument,
    take: TakeArgument,
    at: Annotated[str, typer.Option(metavar="SECONDS", help="Song time to start from.", show_default=False)],
    out: Annotated[Path, typer.Option(metavar="FILE.wav", help="The file to write.", show_default=False)],
    length: Annotated[str, typer.Option(metavar="SECONDS", help="How long.")] = "10",
) -> None:
    """Write the song (left) with a take's own sound (right), as it is placed; start playing it softly.

    Example: partsong lineup listen waltz cajon-2 --at 30 --out cajon.wav
    """
    from partsong.film.store import FilmStore
    from partsong.lineup import steps

    with FilmStore.open(film) as store:
        steps.listen(store, take, at_s=_number(at, "--at"), length_s=_number(length, "--length"), out=out)
    say(f"Wrote {out}: the song on the left, {take} on the right. Turn the volume down before you play it.")


@app.command()
def session(
    film: FilmArgument,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="The folder to make.", show_default=False)],
    origin: Annotated[
        str, typer.Option(metavar="HH:MM:SS:FF", help="The timecode, at the film's rate, at which the song starts.")
    ] = "01:00:00:00",
    as_json: JsonOption = False,
) -> None:
    """Write every placed take's own sound, laid onto the song, with the mix and the stems: Broadcast Wave, 48 kHz.

    Example: partsong lineup session waltz --out waltz-session
    """
    from datetime import datetime

    from partsong.film.store import FilmStore
    from partsong.lineup.session import LIST_NAME, write_session

    with FilmStore.open(film) as store, watched() as watch:
        made = write_session(store.folder, store.head().film, out, origin=origin, made=datetime.now(), watch=watch)
    if as_json:
        emit_json(made)
        return
    table(("file", "what"), made.files)
    for take, why in made.left_out:
        note(f"Left out: {take} ({why}).")
    say(
        f"Wrote {len(made.files)} files to {out}, with {LIST_NAME}. The song starts at {made.origin}, "
        f"{made.time_reference} samples after midnight."
    )


def _report(document: Film, placements: Sequence[Placement], as_json: bool) -> None:
    from partsong.lineup.report import facts, signed

    rows = [facts(document, placement) for placement in placements]
    if as_json:
        emit_json(rows)
        return
    if not rows:
        return
    table(
        ("take", "how sure", "starts at", "ms", "drift", "by the end", "camera at", "sound late by", "in the film"),
        [
            (
                row.take,
                row.confidence + (", by hand" if row.by_hand else ""),
                row.start or "-",
                "-" if row.start_ms is None else f"{row.start_ms:.1f}",
                "-" if row.start is None else f"{signed(row.drift_ppm, 1)} ppm",
                "-" if row.start is None else f"{signed(row.drift_frames, 2)} frames",
                "?" if row.distance_m is None else f"{row.distance_m:.3g} m",
                "-" if row.arrival_delay_ms is None else f"{row.arrival_delay_ms:.1f} ms {row.delay}",
                row.between,
            )
            for row in rows
        ],
    )
    say()
    for row in rows:
        say(f"{row.take}: {row.sentence}")
        for words in filter(None, (row.clock_words, row.odd_clock, row.timing_words, row.since_words)):
            say(f"    {words}")


def _tell_followers(before: Film, after: Film, take: str) -> None:
    """Say which other takes a decision by hand pulled along."""
    for placement in after.placements:
        if placement.take != take and placement != before.placement_of(placement.take):
            note(f"{placement.take} followed: {placement.confidence}. {placement.sentence}")


def _end(film: Path, placements: Sequence[Placement]) -> None:
    """End with status 1, and what to do, when a take needs a decision that nobody has made."""
    asking = [found for found in placements if found.confidence in ("ask", "none") and not found.by_hand]
    for placement in asking:
        where = " ".join(f"{number}: {float(place.start):.2f} s" for number, place in _first(placement))
        known = f" Candidates: {where}." if where else ""
        accepting = f"partsong lineup accept {film} {placement.take} {'--candidate N' if where else '--start SECONDS'}"
        note(
            f"{placement.take} needs your decision.{known} Put it somewhere with: {accepting}; "
            f"or take it off the song with: partsong lineup refuse {film} {placement.take}"
        )
    if asking:
        needs_decision()


def _first(placement: Placement, most: int = 4) -> list[tuple[int, Any]]:
    return list(enumerate(placement.candidates[:most], start=1))


def _number(text: str, option: str) -> Fraction:
    from fractions import Fraction

    from partsong.errors import InvalidInput

    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError) as problem:
        raise InvalidInput(f"{option} needs a number, not {text!r}. Write it like 12.5.") from problem
