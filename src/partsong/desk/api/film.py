"""The film as a whole: its phases, what is worth doing next, undo and redo, and the jobs that run."""

from __future__ import annotations

from partsong.desk.following import next_step
from partsong.desk.jobs import Job
from partsong.desk.routes import Done, Edit, Route, Wire
from partsong.desk.session import Desk
from partsong.film.summary import phase_states
from partsong.signoff.steps import master_paths


class JobTold(Wire):
    """A job for the page; see :class:`partsong.desk.jobs.Job`."""

    kind: str
    title: str
    number: int
    state: str
    doing: str
    done: int
    total: int
    left_s: float | None
    sentence: str


class Jobs(Wire):
    """The latest job of every kind."""

    jobs: tuple[JobTold, ...]


class PhaseState(Wire):
    """A phase, its state in words, and whether something in it needs a decision."""

    phase: str
    state: str
    to_decide: bool


class Next(Wire):
    """The next thing worth doing: on which page, in words, and the command that does it too."""

    phase: str
    sentence: str
    command: str


class FilmNow(Wire):
    """The film as the frame of the desk shows it."""

    name: str
    folder: str
    revision: int
    changed: str
    song: str
    length_s: float
    rate: float | None
    phases: tuple[PhaseState, ...]
    next: Next
    can_undo: bool
    can_redo: bool


def now(desk: Desk) -> FilmNow:
    """Return the state of the film."""
    head = desk.head()
    with desk.store() as store:
        can_redo = store.can_redo()
    film = head.film
    masters = len(master_paths(desk.folder))
    look_first = sum(judged.verdict != "clear to strike" for judged in film.judgements)
    lost = sum(found.confidence == "none" and not found.by_hand for found in film.placements)
    asking = sum(found.confidence == "ask" and not found.by_hand for found in film.placements)
    deciding = {"shoot": look_first > 0, "lineup": lost + asking > 0}
    more = {
        "shoot": f", {look_first} to look at" if look_first else "",
        "lineup": f", {lost} not found" if lost else "",
    }
    phase, sentence, command = next_step(film, masters=masters)
    return FilmNow(
        name=film.name,
        folder=desk.folder.root.name,
        revision=head.revision.number,
        changed=head.revision.sentence,
        song=film.song.title if film.song else "",
        length_s=float(film.song.length_s) if film.song else 0.0,
        rate=float(film.rate.exact) if film.rate else None,
        phases=tuple(
            PhaseState(phase=phase, state=state + more.get(phase, ""), to_decide=deciding.get(phase, False))
            for phase, state in phase_states(film, masters=masters)
        ),
        next=Next(phase=phase, sentence=sentence, command=f"{command} {desk.folder.root.name}"),
        can_undo=head.revision.parent is not None,
        can_redo=can_redo,
    )


def undo(desk: Desk, edit: Edit) -> Done:
    """Go back one revision."""
    undone = desk.head().revision.sentence
    with desk.editing(edit.base) as store:
        head = store.undo()
    return Done(revision=head.revision.number, sentence=f"Undone: {undone}")


def redo(desk: Desk, edit: Edit) -> Done:
    """Bring back what the latest undo took."""
    with desk.editing(edit.base) as store:
        head = store.redo()
    return Done(revision=head.revision.number, sentence=f"Brought back: {head.revision.sentence}")


def jobs(desk: Desk) -> Jobs:
    """Return the jobs."""
    return Jobs(jobs=tuple(told(job) for job in desk.jobs.all()))


def cancel(desk: Desk, kind: str) -> JobTold:
    """Ask a job to stop."""
    return told(desk.jobs.cancel(kind))


def told(job: Job) -> JobTold:
    """Return a job as the page is told of it."""
    return JobTold(
        kind=job.kind,
        title=job.title,
        number=job.number,
        state=job.state,
        doing=job.doing,
        done=job.done,
        total=job.total,
        left_s=None if job.left_s is None else round(job.left_s, 1),
        sentence=job.sentence,
    )


ROUTES = (
    Route("GET", "/api/film", now, FilmNow, "The film's phases, what is next, and what can be undone."),
    Route("POST", "/api/film/undo", undo, Done, "Go back one revision.", Edit),
    Route("POST", "/api/film/redo", redo, Done, "Bring back what the latest undo took.", Edit),
    Route("GET", "/api/jobs", jobs, Jobs, "The latest job of every kind."),
    Route("POST", "/api/jobs/{kind}/cancel", cancel, JobTold, "Ask a running job to stop."),
)
