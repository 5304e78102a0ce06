"""The commands of shoot."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import (
    FilmArgument,
    JsonOption,
    MatrixName,
    RangeName,
    emit_json,
    needs_decision,
    say,
    table,
    watched,
)

if TYPE_CHECKING:
    from partsong.film.records import Film, Take
    from partsong.shoot.check import Judged
    from partsong.shoot.offload import Checked, Offload
    from partsong.shoot.steps import Added

app = typer.Typer(help="Take in clips, log takes and say whether a set-up may be struck.", no_args_is_help=True)

TakeArgument = Annotated[str, typer.Argument(metavar="TAKE", help="The take's id.", show_default=False)]


class Kind(StrEnum):
    """What a clip is."""

    STAGE = "stage"
    ROAMING = "roaming"
    PLATE = "plate"


class TakeKind(StrEnum):
    """What a take is."""

    STAGE = "stage"
    ROAMING = "roaming"


class Against(StrEnum):
    """What a take's notes are held to."""

    CLICK = "click"
    STEM = "stem"


@app.command()
def offload(
    card: Annotated[Path, typer.Argument(metavar="CARD", help="The card's folder.", show_default=False)],
    to: Annotated[list[Path], typer.Option("--to", metavar="FOLDER", help="Where a copy goes; once for each copy.")],
    name: Annotated[str | None, typer.Option(help="The copies' folder name; the card's own otherwise.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Copy a card to several disks in one read, read every copy back, and say whether the card may be formatted.

    Stopped, killed or unplugged, run it again: it goes on where it was. Nothing that is there is overwritten. Status 1
    until two copies are verified on two disks.

    Example: partsong shoot offload /media/card --to /media/disk-a/waltz --to /media/disk-b/waltz
    """
    from partsong.shoot import offload as offloading

    with watched() as watch:
        done = offloading.offload(card, to, watch, name=name)
    if as_json:
        emit_json(done)
    else:
        _say_offload(done)
    if not done.safe_to_format:
        needs_decision()


@app.command()
def verify(
    copy: Annotated[Path, typer.Argument(metavar="COPY", help="The folder of a copy.", show_default=False)],
    as_json: JsonOption = False,
) -> None:
    """Read a copied folder and hold every file against its manifests; status 1 when anything differs.

    Example: partsong shoot verify /media/disk-a/waltz/card
    """
    from partsong.shoot import offload as offloading

    with watched() as watch:
        checked = offloading.check_copy(copy, watch)
    if as_json:
        emit_json(checked)
    else:
        _say_checked(checked)
    if checked.faults:
        needs_decision()


@app.command()
def add(
    film: FilmArgument,
    folders: Annotated[list[Path], typer.Argument(metavar="FOLDER...", help="Folders of clips.", show_default=False)],
    part: Annotated[str | None, typer.Option(help="The part of clips whose names tell none.")] = None,
    new_part: Annotated[str | None, typer.Option(help="A part to make, for clips whose names tell none.")] = None,
    kind: Annotated[Kind | None, typer.Option(help="What clips are whose names do not tell.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Take in clips; their part and kind come from folder and file names, and what is unclear is asked.

    Status 1 when a file was refused or is asked about; all others are in the film then.

    Example: partsong shoot add waltz clips
    """
    from partsong.film.store import FilmStore
    from partsong.shoot import steps

    with FilmStore.open(film) as store, watched() as watch:
        added = steps.add(store, folders, watch, part=part, new_part=new_part, kind=kind.value if kind else None)
        document = store.head().film
    if as_json:
        emit_json(added)
    else:
        _say_added(film, document, added)
    if added.needs_decision:
        needs_decision()


@app.command("list")
def list_takes(film: FilmArgument, as_json: JsonOption = False) -> None:
    """List the takes by part, with what their files say, notes, and what is still open.

    Example: partsong shoot list waltz
    """
    from partsong.film.store import FilmStore

    with FilmStore.open(film) as store:
        document = store.head().film
    rows = [_row(document, take) for take in _by_part(document)]
    if as_json:
        plates = [{"plate": plate.id, "part": plate.part, "file": plate.clip.file.path} for plate in document.plates]
        emit_json({"takes": rows, "plates": plates})
        return
    if not rows:
        say(f"No takes yet. Add clips with: partsong shoot add {film} FOLDER")
    else:
        headings = ("part", "take", "kind", "size", "rate", "codec", "length", "timecode", "notes", "questions")
        marked = [{**row, "take": f"{row['take']} (circled)" if row["circled"] else row["take"]} for row in rows]
        table(headings, [[_cell(row[name]) for name in headings] for row in marked])
    for plate in document.plates:
        say(f"plate {plate.id}{f' ({document.part(plate.part).name})' if plate.part else ''}: {plate.clip.file.path}")


@app.command()
def check(
    film: FilmArgument,
    takes: Annotated[list[str] | None, typer.Argument(metavar="[TAKE...]", help="Stage takes; all by default.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Say of stage takes whether their set-up may be struck, with reasons, and what was not looked at.

    Status 1 when a take is not clear to strike.

    Example: partsong shoot check waltz cajon-2
    """
    from partsong.film.store import FilmStore
    from partsong.shoot import check as checking

    with FilmStore.open(film) as store, watched() as watch:
        judged = checking.check(store, takes or [], watch)
    if as_json:
        emit_json(judged)
    else:
        for entry in judged:
            _say_judged(entry)
        _say_cautions()
    if any(entry.judgement.verdict != "clear to strike" for entry in judged):
        needs_decision()


@app.command()
def still(
    film: FilmArgument,
    picture: Annotated[Path, typer.Argument(metavar="FILE", help="A photograph or a clip.", show_default=False)],
    frame: Annotated[int, typer.Option(help="Of the clip.", min=0)] = 0,
    take: Annotated[str | None, typer.Option(help="The take to hold it against; the film's reference else.")] = None,
    same_encoding: Annotated[
        bool | None,
        typer.Option(
            "--same-encoding/--other-encoding",
            help="Whether it is encoded as the take is. Without, a clip is taken to be and a photograph not.",
            show_default=False,
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Hold one picture against the reference: where it lies, focus, exposure, white balance, highlights.

    Nothing is kept. Status 1 when it is not as the reference.

    Example: partsong shoot still waltz clips/01.mov --frame 100
    """
    from partsong.film.store import FilmStore
    from partsong.shoot import still as stills

    with FilmStore.open(film) as store:
        held = stills.hold(store, picture, frame=frame, take=take, same_encoding=same_encoding)
    if as_json:
        emit_json(held)
    else:
        say(f"{picture.name}{'' if held.frame is None else f', frame {held.frame}'}, against {held.against}:")
        for sentence in held.reading.words:
            say(f"  {sentence}")
    if not held.reading.alike:
        needs_decision()


@app.command()
def reference(
    film: FilmArgument,
    take: Annotated[str | None, typer.Argument(metavar="TAKE", help="The take to choose.", show_default=False)] = None,
    as_json: JsonOption = False,
) -> None:
    """Choose the take that all others are held against, or say which it is.

    It is the first one that was filmed until you choose: where that was knocked, or its camera put right afterwards,
    take one that stands as the others do. What was said of takes against the one before goes with it.

    Example: partsong shoot reference waltz upright-bass-1
    """
    from partsong.film.store import FilmStore
    from partsong.shoot.reference import reference_of, set_reference

    with FilmStore.open(film) as store:
        before = reference_of(store.head().film)
        head = store.head() if take is None else set_reference(store, take)
        now = reference_of(head.film)
    if as_json:
        emit_json({"revision": head.revision.number, "reference": None if now is None else now.id})
    elif now is None:
        say("The film has no take of the locked-off camera yet, so there is no reference.")
    else:
        chosen = "" if head.film.stage.reference else ", the first that was filmed"
        say(f"Takes are held against {now.id}{chosen}.")
        if take is not None and before is not None and before.id != now.id:
            say(f"Next: partsong shoot check {film}")
            if head.film.stage.order:
                say(f"Then lay the takes of the stage on it: partsong stage register {film}")


@app.command()
def watch(
    film: FilmArgument,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where clips are written to.", show_default=False)],
) -> None:
    """Take in and check each clip as soon as it has finished arriving, until you press Ctrl-C.

    Example: partsong shoot watch waltz /media/disk-a/waltz
    """
    from partsong.film.store import FilmStore
    from partsong.shoot import arrivals

    with FilmStore.open(film) as store, watched() as stop:
        arrivals.there(folder)
        _say_cautions()
        say(f"Watching {folder}. A clip is looked at once it has stopped growing. Ctrl-C ends it.")

        def tell(arrived: arrivals.Arrived) -> None:
            if not arrived.added.known:
                _say_added(film, store.head().film, arrived.added)
            for entry in arrived.judged:
                _say_judged(entry)
            if arrived.failed:
                say(f"Not checked: {arrived.failed}")

        count = arrivals.watch_folder(store, folder, tell, stop)
    say(f"{_count(count, 'clip')} looked at.")


@app.command()
def note(
    film: FilmArgument,
    take: TakeArgument,
    text: Annotated[str | None, typer.Option(help="What was noticed; replaces the note.")] = None,
    circle: Annotated[bool | None, typer.Option("--circle/--no-circle", help="The take to use, or not.")] = None,
    slate: Annotated[str | None, typer.Option(help="What its slate says, or the scene is called.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Write a note or the slate to a take, or circle it as the one to use.

    Example: partsong shoot note waltz cajon-2 --text "stick slipped in bar 12" --circle
    """
    from partsong.film.store import FilmStore
    from partsong.shoot import steps

    with FilmStore.open(film) as store:
        noted = steps.note(store, take, text=text, circled=circle, slate=slate)
    if as_json:
        emit_json(noted)
    else:
        slated = f" [{noted.slate}]" if noted.slate else ""
        say(f"{noted.id}{slated}{' (circled)' if noted.circled else ''}: {noted.notes or 'no note'}")


@app.command()
def tight(
    film: FilmArgument,
    take: TakeArgument,
    against: Annotated[Against, typer.Option(help="What its notes are held to.")] = Against.CLICK,
    as_json: JsonOption = False,
) -> None:
    """Say how tight a take is: how late or early its notes are in the middle, their spread, where they wander.

    A help for your ears, not a judge. The part's stem is heard where there is one, since it is the record; with
    --against stem the take's own sound is held to it.

    Example: partsong shoot tight waltz cajon-2
    """
    from partsong.film.store import FilmStore
    from partsong.shoot import hold

    with FilmStore.open(film) as store, watched() as watch:
        held = hold.hold(store, take, against.value, watch)
    if as_json:
        emit_json(held)
    else:
        say(f"{take}: {held.sentence}")


@app.command()
def log(
    film: FilmArgument,
    csv: Annotated[Path | None, typer.Option(help="Write the log as CSV too, to this file.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Write the take log as a page to print: takes by part, slates, circles, verdicts, notes, cautions.

    Example: partsong shoot log waltz --csv takes.csv
    """
    from partsong.film.folder import write_text
    from partsong.film.store import FilmStore
    from partsong.shoot import take_log

    with FilmStore.open(film) as store:
        document = store.head().film
        page = store.folder.reports / "take-log.html"
    write_text(page, take_log.page(document))
    if csv is not None:
        write_text(csv, take_log.csv_text(document))
    if as_json:
        emit_json({"page": page, "csv": csv, "takes": take_log.rows(document)})
        return
    say(f"Take log: {page}")
    if csv is not None:
        say(f"CSV: {csv}")


@app.command("set")
def set_takes(
    film: FilmArgument,
    takes: Annotated[list[str], typer.Argument(metavar="TAKE...", help="The takes' ids.", show_default=False)],
    part: Annotated[str | None, typer.Option(help="The part they belong to.")] = None,
    kind: Annotated[TakeKind | None, typer.Option(help="Locked-off camera or coverage.")] = None,
    input_space: Annotated[str | None, typer.Option(help="The camera's encoding, by its name in the config.")] = None,
    matrix: Annotated[MatrixName | None, typer.Option(help="The colour matrix that the file does not state.")] = None,
    value_range: Annotated[
        RangeName | None, typer.Option("--range", help="The value range that the file does not state.")
    ] = None,
    distance: Annotated[float | None, typer.Option(help="Metres from the part's sound to the camera.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Correct what takes are; the distance is kept for all takes of their part.

    Example: partsong shoot set waltz cajon-1 cajon-2 --input-space ACEScct --distance 3.2
    """
    from partsong.film.store import FilmStore
    from partsong.shoot import steps

    change = steps.Correction(
        part=part,
        kind=kind.value if kind else None,
        input_space=input_space,
        matrix=matrix.value if matrix else None,
        value_range=value_range.value if value_range else None,
        distance_m=distance,
    )
    with FilmStore.open(film) as store:
        changed = steps.correct(store, takes, change)
        document = store.head().film
    if as_json:
        emit_json([_row(document, take) for take in changed])
        return
    for take in changed:
        where = document.part(take.part) if take.part else None
        metres = f", {where.distance_m:g} m away" if where and where.distance_m else ""
        space = f", encoded as {take.input_space}" if take.input_space else ""
        said = f", {take.picture.matrix} {take.picture.value_range}" if matrix or value_range else ""
        say(f"{take.id}: {take.kind}, {where.name if where else 'no part'}{metres}{space}{said}")


def _say_offload(done: Offload) -> None:
    size = f"{done.size_bytes / 1e9:.2f} GB"
    say(f"{done.card}: {_count(done.files, 'file')}, {size}.")
    for copy in done.copies:
        say(f"{copy.folder}: {copy.copied} copied, {copy.already} there before, {copy.verified} verified.")
        for fault in copy.faults:
            say(f"  {fault}")
        if copy.lost:
            say(f"  Given up: {copy.lost}. The other copies went on. Put it right and run the same command again.")
        if copy.manifest:
            say(f"  Manifest: {copy.manifest}")
        _say_memory(copy.past_memory)
    if done.pace.sentence:
        say(done.pace.sentence)
    for sentence in done.unread:
        say(sentence)
    if done.left_out:
        say(f"Left out, since operating systems keep them for themselves: {', '.join(done.left_out)}.")
    say(done.sentence)


def _say_checked(checked: Checked) -> None:
    for fault in checked.faults:
        say(fault)
    _say_memory(checked.past_memory)
    say(f"{checked.folder}: {_count(checked.good, 'file')} as recorded, {_count(len(checked.faults), 'fault')}.")


def _say_judged(entry: Judged) -> None:
    say(f"{entry.take}: {entry.judgement.verdict}")
    for finding in entry.findings:
        say(f"  {finding.sentence} {finding.advice}")
    for sentence in entry.judgement.unseen:
        say(f"  Left open: {sentence}")
    if entry.picture is not None:
        say(f"  Picture: {entry.picture}")


def _say_cautions() -> None:
    from partsong.film.cautions import LOCAL_RULES, STRIKING

    say("Before you strike:")
    for caution in STRIKING:
        say(f"  {caution.title}: {caution.text} ({caution.source})")
    say(f"  {LOCAL_RULES}")


def _say_memory(past_memory: bool) -> None:
    if not past_memory:
        say(
            "  It could not be read past this computer's memory here, so a fault of the disk itself may be hidden. "
            "Take the disk out, put it in again and run: partsong shoot verify"
        )


def _say_added(folder: Path, film: Film, added: Added) -> None:
    for name in added.takes:
        take = film.take(name)
        say(f"{name}: {take.kind}{f', {film.part(take.part).name}' if take.part else ''} ({take.clip.file.path})")
    for plate in film.plates:
        if plate.id in added.plates:
            say(f"{plate.id}: plate{f', {film.part(plate.part).name}' if plate.part else ''} ({plate.clip.file.path})")
    for remark in added.remarks:
        say(f"Note: {remark}.")
    for bad in added.refused:
        say(f"Refused {bad.path}: {bad.reason}. {bad.remedy}")
    for open_one in added.questions:
        say(f"Not added {open_one.path}: {open_one.question} Answer with {open_one.answer}")
    counts = [f"{_count(len(added.takes), 'take')} and {_count(len(added.plates), 'plate')} added"]
    counts += [
        f"{number} {what}"
        for number, what in (
            (len(added.refused), "refused"),
            (len(added.questions), "to ask"),
            (added.known, "already in the film"),
            (added.relinked, "of them found in a new place"),
        )
        if number
    ]
    if added.ignored:
        counts.append(f"{_count(added.ignored, 'other file')} left alone")
    say(", ".join(counts) + ".")
    if added.questions:
        say(f"Repeat for those: partsong shoot add {folder} FILE-OR-FOLDER with the option. What is in stays in.")


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _by_part(film: Film) -> list[Take]:
    rank = {part.id: number for number, part in enumerate(film.parts)}
    return sorted(film.takes, key=lambda take: (rank.get(take.part or "", len(rank)), take.kind != "stage"))


def _row(film: Film, take: Take) -> dict[str, object]:
    from partsong.shoot import log
    from partsong.timebase import clock, frame_to_timecode

    picture = take.picture
    width, height = take.picture.shown_size
    code = picture.timecode
    sentences = [*log.differences(film, take), *log.open_questions(film, take)]
    return {
        "part": film.part(take.part).name if take.part else None,
        "take": take.id,
        "kind": take.kind,
        "circled": take.circled,
        "size": f"{width}x{height}",
        "rate": str(picture.rate) + (" variable" if picture.variable_rate else ""),
        "codec": f"{picture.codec} {picture.bit_depth}-bit",
        "length": clock(take.clip.duration.seconds),
        "timecode": frame_to_timecode(code.frame, picture.rate, drop=code.drop) if code else None,
        "notes": take.notes,
        "questions": sentences,
        "input_space": take.input_space,
        "file": take.clip.file.path,
    }


def _cell(value: object) -> object:
    if isinstance(value, list):
        return "; ".join(value)
    return "-" if value in (None, "") else value
