"""Sign-off: what was found in each master, making and measuring masters, and the masters themselves to watch."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from partsong.desk.api.film import JobTold, told
from partsong.desk.routes import Route, Wire
from partsong.desk.session import Desk
from partsong.errors import InvalidInput, NoSuchRecord
from partsong.film.records import WIDE
from partsong.signoff.checks import Check, undecided
from partsong.signoff.masters import KINDS, plan_master
from partsong.signoff.steps import (
    Measured,
    known_measures,
    make_masters,
    master_paths,
    measure_film,
    write_edit,
    write_report,
)
from partsong.stage.steps import merge
from partsong.watch import Watch

MASTERS, MEASURE, HAND_OVER = "masters", "measure", "hand-over"


class Line(Wire):
    """One measured thing: the sentence, the number, the limit and its source; see :class:`Check`."""

    topic: str
    sentence: str
    measured: str
    limit: str
    source: str
    to_decide: bool
    stated: bool
    caution: str


class MasterTold(Wire):
    """A finished master. ``flashing`` says whether it may be shown without a warning: "safe", "fails" or "unknown"."""

    name: str
    path: str
    playable: bool
    facts: str
    measured: bool
    flashing: Literal["safe", "fails", "unknown"]
    lines: tuple[Line, ...]


class SignOff(Wire):
    """The page: the verdict, the masters, what stands in the way of making them, and what was handed over.

    ``crops`` are the shapes that masters can be made in beside the whole frame, such as "9:16".
    """

    revision: int
    verdict: str
    to_decide: bool
    in_the_way: str
    crops: tuple[str, ...]
    masters: tuple[MasterTold, ...]
    handed_over: tuple[str, ...]


class Kinds(Wire):
    """Which masters to make: of the whole frame, or as one of the film's crops."""

    kind: Literal["h264", "mezzanine", "both"] = "h264"
    crop: str = ""


def sign_off(desk: Desk) -> SignOff:
    """Return what is known of the masters; nothing is measured by asking."""
    head = desk.head()
    known = known_measures(desk.folder, head.film) if head.film.song else ()
    try:
        plan_master(head.film)
    except InvalidInput as problem:
        in_the_way = str(problem)
    else:
        in_the_way = ""
    decisions = {check for _, found in known if found for check in undecided(found.checks)}
    unmeasured = sum(found is None for _, found in known)
    files = [desk.folder.reports / "signoff.html", *sorted(desk.folder.masters.glob("[!.]*.otio"))]
    files += sorted(desk.folder.masters.glob("[!.]*.edl"))
    return SignOff(
        revision=head.revision.number,
        verdict=_verdict(len(known), unmeasured, len(decisions)),
        to_decide=bool(decisions),
        in_the_way=in_the_way,
        crops=tuple(crop.shape for crop in head.film.crops),
        masters=tuple(_master(path, found) for path, found in known),
        handed_over=tuple(path.relative_to(desk.folder.root).as_posix() for path in files if path.is_file()),
    )


def _verdict(masters: int, unmeasured: int, decisions: int) -> str:
    if not masters:
        return "There is no master yet, so there is nothing to send."
    if decisions:
        return (
            f"Not yet: {decisions} {'thing needs' if decisions == 1 else 'things need'} a decision before it is sent."
        )
    if unmeasured:
        return f"Not known yet: {unmeasured} of {masters} not measured."
    return "Everything that was measured lies within its limits."


def _master(path: Path, found: Measured | None) -> MasterTold:
    flashes = [check for check in (found.checks if found else ()) if check.topic == "Flashing"]
    if not flashes:
        flashing: Literal["safe", "fails", "unknown"] = "unknown"
    else:
        flashing = "fails" if undecided(flashes) else "safe"
    return MasterTold(
        name=path.name,
        path=f"masters/{path.name}",
        playable=path.suffix == ".mp4",
        facts=found.facts if found else f"{path.stat().st_size / 1e6:.1f} MB, not measured yet",
        measured=found is not None,
        flashing=flashing,
        lines=tuple(_line(check) for check in (found.checks if found else ())),
    )


def _line(check: Check) -> Line:
    return Line(
        topic=check.topic,
        sentence=check.sentence,
        measured=check.measured,
        limit=check.limit,
        source=check.source,
        to_decide=check.needs_decision,
        stated=check.outcome == "stated",
        caution=check.caution,
    )


def start_masters(desk: Desk, wish: Kinds) -> JobTold:
    """Start making masters; the wide is merged first as far as the cut shows it."""
    now = desk.head().film
    plan_master(now, now.crop(wish.crop) if wish.crop else None)
    kinds = [kind for kind in KINDS if wish.kind in (kind, "both")]

    def work(watch: Watch) -> str:
        with desk.store() as store:
            film = store.head().film
            if any(WIDE in shot.sources for shot in film.cut):
                merge(store, watch)
            crop = film.crop(wish.crop) if wish.crop else None
            made = make_masters(store.folder, film, kinds, watch=watch, crop=crop)
        return f"Made {' and '.join(master.path.name for master in made)}, decoded again and found whole."

    return told(desk.jobs.start(MASTERS, "Making the masters", work))


def start_measuring(desk: Desk) -> JobTold:
    """Start measuring every master that was not measured yet."""

    def work(watch: Watch) -> str:
        found = measure_film(desk.folder, desk.head().film, watch=watch)
        return f"Measured {len(found)} {'master' if len(found) == 1 else 'masters'}."

    return told(desk.jobs.start(MEASURE, "Measuring the masters", work))


def start_handing_over(desk: Desk) -> JobTold:
    """Start writing the report to print and the edit for other programs."""

    def work(watch: Watch) -> str:
        film = desk.head().film
        write_edit(desk.folder, film)
        path, _ = write_report(desk.folder, film, watch=watch)
        return f"Wrote reports/{path.name}, and the edit beside the masters."

    plan_master(desk.head().film)
    return told(desk.jobs.start(HAND_OVER, "Writing the report and the edit", work))


def master(desk: Desk, name: str) -> Path:
    """Return a finished master by its name."""
    for path in master_paths(desk.folder):
        if path.name == name:
            return path
    raise NoSuchRecord(f"The film has no master {name!r}.")


ROUTES = (
    Route("GET", "/api/signoff", sign_off, SignOff, "What is known of the masters."),
    Route("POST", "/api/signoff/masters", start_masters, JobTold, "Make masters.", Kinds),
    Route("POST", "/api/signoff/measure", start_measuring, JobTold, "Measure the masters."),
    Route("POST", "/api/signoff/hand-over", start_handing_over, JobTold, "Write the report and the edit."),
    Route("GET", "/media/masters/{name}", master, "video/mp4", "A finished master, to watch."),
)
