"""What was shot: contact prints with verdict and findings, and the take log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from partsong.desk.api import live
from partsong.desk.api.cautions import CautionTold, cautions_told
from partsong.desk.api.film import JobTold, told
from partsong.desk.pictures import picture, version
from partsong.desk.routes import Done, Edit, Route, Wire
from partsong.desk.session import Desk
from partsong.errors import NoSuchRecord
from partsong.film.cautions import LOCAL_RULES, STRIKING
from partsong.film.records import Film, Finding, Region, Take
from partsong.shoot import check, steps
from partsong.shoot.log import differences, open_questions
from partsong.shoot.reference import reference_of, set_reference
from partsong.timebase import clock
from partsong.watch import Watch

JOB = "look-at-takes"
LARGE = 960
"""Pixels across a picture on which a finding is looked at."""
Text = Annotated[str, Field(max_length=4000)]


class Box(Wire):
    """Where on the picture, as shares of its width and height."""

    x: float
    y: float
    width: float
    height: float


class FindingTold(Wire):
    """Something noticed about a take; ``picture`` is the frame at which it was, ``when`` that moment of the take.

    ``moved`` is how far, right and down in pixels, what was found has moved against the reference, ``was`` where it
    stood there.
    """

    sentence: str
    advice: str
    verdict: str
    when: str
    size: str
    box: Box | None
    was: Box | None
    moved: tuple[float, float] | None
    picture: str


class Print(Wire):
    """One take: its picture, its verdict in words, what was found, and its line in the log."""

    take: str
    part: str
    roaming: bool
    width: int
    height: int
    picture: str
    large: str
    facts: str
    verdict: str
    sentence: str
    to_decide: bool
    unseen: tuple[str, ...]
    findings: tuple[FindingTold, ...]
    odd: tuple[str, ...]
    open: tuple[str, ...]
    circled: bool
    slate: str
    notes: str


class Prints(Wire):
    """All takes in score order, roaming ones last; ``reference`` is the one that the others are held against.

    ``cautions`` are those for striking, and ``rules`` says whose come first.
    """

    revision: int
    reference: str
    prints: tuple[Print, ...]
    cautions: tuple[CautionTold, ...]
    rules: str


class Note(Edit):
    """A line of the take log; what is None stays as it is."""

    text: Text | None = None
    slate: Text | None = None
    circled: bool | None = None


def prints(desk: Desk) -> Prints:
    """Return the takes with what is known of them."""
    head = desk.head()
    film = head.film
    roaming = [take for take in film.takes if take.kind == "roaming"]
    against = reference_of(film)
    return Prints(
        revision=head.revision.number,
        reference=against.id if against else "",
        prints=tuple(_print(film, take) for take in [*film.stage_takes(), *roaming]),
        cautions=cautions_told(STRIKING),
        rules=LOCAL_RULES,
    )


def _print(film: Film, take: Take) -> Print:
    judged = film.judgement_of(take.id)
    shown = take.picture
    width, height = take.picture.shown_size
    return Print(
        take=take.id,
        part=film.part(take.part).name if take.part else "coverage",
        roaming=take.kind == "roaming",
        width=width,
        height=height,
        picture=f"/media/takes/{take.id}/picture{version(film)}",
        large=_large(film, take, shown.frames // 2),
        facts=f"{width} × {height}, {shown.rate} frames a second, {clock(take.clip.duration.seconds)}",
        verdict=judged.verdict if judged else "not looked at" if take.kind == "stage" else "",
        sentence=judged.sentence if judged else "",
        to_decide=judged is not None and judged.verdict != "clear to strike",
        unseen=judged.unseen if judged else (),
        findings=tuple(_finding(film, take, one) for one in film.findings if one.take == take.id),
        odd=differences(film, take),
        open=open_questions(film, take),
        circled=take.circled,
        slate=take.slate,
        notes=take.notes,
    )


def _large(film: Film, take: Take, frame: int) -> str:
    return f"/media/shoot/frames/{take.id}/{frame}{version(film)}"


def _finding(film: Film, take: Take, found: Finding) -> FindingTold:
    width, height = take.picture.shown_size
    at = found.at.seconds if found.at else take.clip.duration.seconds / 2
    frame = min(max(0, take.picture.rate.frames_at(at)), take.picture.frames - 1)
    return FindingTold(
        sentence=found.sentence,
        advice=found.advice,
        verdict=found.verdict,
        when=clock(found.at.seconds) if found.at else "",
        size=_size(found),
        box=_box(found.region, width, height),
        was=_box(found.was, width, height),
        moved=found.moved_px,
        picture=_large(film, take, frame),
    )


def middle(desk: Desk, take: str) -> Path:
    """Return a small picture of a take's middle."""
    film = desk.head().film
    return picture(desk.folder, film, take, film.take(take).picture.frames // 2)


def _box(region: Region | None, width: int, height: int) -> Box | None:
    if region is None:
        return None
    return Box(x=region.x / width, y=region.y / height, width=region.width / width, height=region.height / height)


def _size(found: Finding) -> str:
    """Return how big something is, to three digits: more than that nobody can set by hand.

    >>> from partsong.film.records import Finding
    >>> said = dict(take="a", kind="", sentence="", advice="", verdict="look first")
    >>> _size(Finding(**said, size=2.23498, unit="px")), _size(Finding(**said, size=1, unit="frames"))
    ('2.23 px', '1 frame')
    """
    if found.size is None:
        return ""
    unit = found.unit.removesuffix("s") if found.size == 1 else found.unit
    return f"{found.size:.3g} {unit}".strip()


def large(desk: Desk, take: str, frame: str) -> Path:
    """Return a frame of a take, large enough to look at a finding."""
    if not frame.isdecimal():
        raise NoSuchRecord(f"{frame!r} is no number of a frame.")
    return picture(desk.folder, desk.head().film, take, int(frame), width=LARGE)


def note(desk: Desk, take: str, wish: Note) -> Done:
    """Write into the take log."""
    with desk.editing(wish.base) as store:
        steps.note(store, take, text=wish.text, slate=wish.slate, circled=wish.circled)
        revision = store.head().revision
    return Done.of(revision)


def take_for_reference(desk: Desk, take: str, wish: Edit) -> Done:
    """Hold all takes against another one."""
    with desk.editing(wish.base) as store:
        return Done.of(set_reference(store, take).revision)


def look_at_takes(desk: Desk) -> JobTold:
    """Start looking at all stage takes for what would cost the shot."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            judged = check.check(store, [], watch)
        clear = sum(one.judgement.verdict == "clear to strike" for one in judged)
        return f"Looked at {len(judged)} takes: {clear} clear to strike, {len(judged) - clear} to look at."

    return told(desk.jobs.start(JOB, "Looking at the takes", work))


ROUTES = (
    Route("GET", "/api/shoot", prints, Prints, "The takes with verdict, findings and log."),
    Route("POST", "/api/shoot/check", look_at_takes, JobTold, "Look at all stage takes."),
    Route("POST", "/api/shoot/takes/{take}/note", note, Done, "Write into the take log.", Note),
    Route("POST", "/api/shoot/takes/{take}/reference", take_for_reference, Done, "Choose the reference.", Edit),
    Route("GET", "/media/takes/{take}/picture", middle, "image/jpeg", "A small picture of a take's middle."),
    Route("GET", "/media/shoot/frames/{take}/{frame}", large, "image/jpeg", "A frame of a take, larger."),
    *live.ROUTES,
)
