"""What shows on the stage, for its page: seams, players who cross their masks' edges, and patches over faults."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from partsong.desk.api.film import JobTold, told
from partsong.desk.api.stage import Feather, Frame, Number, Radius
from partsong.desk.routes import Done, Edit, Route, Wire, changed
from partsong.desk.session import Desk
from partsong.film.records import Curve, Oval
from partsong.stage import kept, light_steps, seam_steps
from partsong.stage.seam_steps import part_name
from partsong.watch import Watch


class SeamTold(Wire):
    """A seam at one moment; ``lines`` are its points in pixels of the film, ``times`` what is just seen."""

    parts: tuple[str, str]
    frame: int
    times: float
    step_percent: float
    sentence: str
    lines: tuple[kept.Line, ...]


class CrossingTold(Wire):
    """A stretch in which something of a take crosses its mask's edge: its worst frame, and the box of what is lost."""

    take: str
    part: str
    frame: int
    box: tuple[float, float, float, float]
    mends: bool
    sentence: str


class PatchTold(Wire):
    """A patch, numbered from 1 in the order in which patches lie: its shape, and the rest in words."""

    number: int
    source: str
    shape: Oval | Curve
    feather_px: float
    start: int | None
    end: int | None
    words: str


class Shows(Wire):
    """All of it. Seams and crossings are None where nobody looked; ``…_old`` says that the film was changed since."""

    seams: tuple[SeamTold, ...] | None
    seams_old: bool
    crossings: tuple[CrossingTold, ...] | None
    crossings_old: bool
    patches: tuple[PatchTold, ...]
    sources: tuple[str, ...]


class AddPatch(Wire):
    """An oval to be covered with pixels of a take or plate, from ``start`` to before ``end`` where they are given."""

    source: Annotated[str, Field(max_length=200)]
    x: Number
    y: Number
    rx: Radius
    ry: Radius
    rotation_deg: Number = 0.0
    feather_px: Feather | None = None
    start: Frame | None = None
    end: Frame | None = None


class Numbered(Edit):
    """A patch by its number."""

    number: Annotated[int, Field(ge=1, le=10**4)]


def shows(desk: Desk) -> Shows:
    """Return what shows, as it was found last."""
    head = desk.head()
    film, changed_s = head.film, head.revision.made_s
    seams, crossings = kept.seams(desk.folder), kept.crossings(desk.folder)
    names = {take.id: part_name(film, take.id) for take in film.takes}
    rows = light_steps.described(film.stage, film.plates)
    return Shows(
        seams=None if seams is None else tuple(
            SeamTold(
                parts=(names.get(seam.one, seam.one), names.get(seam.other, seam.other)), frame=look.frame,
                times=look.times, step_percent=look.step_percent, sentence=look.sentence, lines=look.lines,
            )
            for seam in seams[0]
            for look in seam.looks
        ),
        seams_old=seams is not None and seams[1] < changed_s,
        crossings=None if crossings is None else tuple(
            CrossingTold(
                take=one.take, part=names.get(one.take, one.take), frame=one.frame, box=one.box, mends=one.mends,
                sentence=one.sentence,
            )
            for one in crossings[0]
        ),
        crossings_old=crossings is not None and crossings[1] < changed_s,
        patches=tuple(
            PatchTold(
                number=number, source=patch.source, shape=patch.shape, feather_px=patch.feather_px,
                start=patch.start, end=patch.end, words=f"From {source}: {where}. Frames: {when}. Light: {light}.",
            )
            for patch, (number, source, where, when, light) in zip(film.stage.patches, rows, strict=True)
        ),
        sources=(*(plate.id for plate in film.plates), *film.stage.order),
    )  # fmt: skip


def begin_report(desk: Desk) -> JobTold:
    """Start measuring every seam, and writing the report."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            return seam_steps.report(store, watch)[1].verdict

    return told(desk.jobs.start("seams", "Measure the seams", work))


def begin_crossings(desk: Desk) -> JobTold:
    """Start looking for players who cross their masks' edges."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            film, found = store.head().film, seam_steps.crossings(store, watch)
            _, mends = seam_steps.mends(store, found, watch)
        kept.keep_crossings(desk.folder, film, mends)
        return f"{len(mends)} found." if mends else "Nobody crosses the edge of a mask."

    return told(desk.jobs.start("crossings", "Look for crossings", work))


def begin_mending(desk: Desk) -> JobTold:
    """Start mending crossings: masks with keys, wider masks, another order of layers; one change in all."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            head, mends = seam_steps.mend(store, watch)
            kept.keep_crossings(desk.folder, head.film, mends)
        return f"{sum(one.kind != 'none' for one in mends)} of {len(mends)} mended; look for crossings again to see."

    return told(desk.jobs.start("crossings", "Mend the crossings", work))


def begin_patch(desk: Desk, wish: AddPatch) -> JobTold:
    """Start laying a patch: its light is matched to what lies around it, which takes some decoding."""

    def work(watch: Watch) -> str:
        oval = Oval(x=wish.x, y=wish.y, rx=wish.rx, ry=wish.ry, rotation_deg=wish.rotation_deg)
        with desk.store() as store:
            watch.check("Matching the patch")
            rate = store.head().film.rate
            ends = [
                None if frame is None or rate is None else float(frame * rate.frame_s)
                for frame in (wish.start, wish.end)
            ]
            head = light_steps.add_patch(
                store, wish.source, oval, feather_px=wish.feather_px, start_s=ends[0], end_s=ends[1]
            )
        return f"{head.revision.sentence}."

    return told(desk.jobs.start("patch", "Lay a patch", work))


def remove_patch(desk: Desk, edit: Numbered) -> Done:
    """Take a patch away."""
    return changed(desk, edit, lambda store: light_steps.remove_patch(store, edit.number))


ROUTES = (
    Route("GET", "/api/stage/shows", shows, Shows, "Seams, crossings and patches, as they were found last."),
    Route("POST", "/api/stage/seams", begin_report, JobTold, "Measure every seam and write the report."),
    Route("POST", "/api/stage/crossings", begin_crossings, JobTold, "Look for players who cross their masks' edges."),
    Route("POST", "/api/stage/mend", begin_mending, JobTold, "Mend crossings, in one change."),
    Route(
        "POST", "/api/stage/patches", begin_patch, JobTold, "Cover a fault with pixels of a take or plate.", AddPatch
    ),
    Route("POST", "/api/stage/patches/remove", remove_patch, Done, "Take a patch away.", Numbered),
)
