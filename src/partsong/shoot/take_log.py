"""The take log as a page to print and as CSV. Film in, text out."""

from __future__ import annotations

import csv
import io

from partsong.film.cautions import LOCAL_RULES, STRIKING
from partsong.film.pages import template
from partsong.film.records import Film, Take
from partsong.timebase import clock, frame_to_timecode

COLUMNS = ("part", "take", "slate", "circled", "kind", "verdict", "length", "timecode", "notes", "file")

# What a spreadsheet takes for a formula when a cell begins with it.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def rows(film: Film) -> tuple[dict[str, str], ...]:
    """Return a row of :data:`COLUMNS` for each take, parts in score order, coverage last."""
    rank = {part.id: number for number, part in enumerate(film.parts)}
    takes = sorted(film.takes, key=lambda take: (rank.get(take.part or "", len(rank)), take.kind != "stage"))
    return tuple(_row(film, take) for take in takes)


def csv_text(film: Film) -> str:
    """Return the log as CSV (RFC 4180, UTF-8). A cell that a spreadsheet would run is kept as text by an apostrophe."""
    out = io.StringIO()
    table = csv.DictWriter(out, COLUMNS)
    table.writeheader()
    for row in rows(film):
        table.writerow({name: f"'{value}" if value.startswith(_FORMULA) else value for name, value in row.items()})
    return out.getvalue()


def page(film: Film) -> str:
    """Return the log as one HTML page that needs nothing but itself."""
    parts: dict[str, list[dict[str, str]]] = {}
    for row in rows(film):
        parts.setdefault(row["part"] or "Coverage without a part", []).append(row)
    findings = {take.id: [finding for finding in film.findings if finding.take == take.id] for take in film.takes}
    return template("shoot/take_log.html").render(
        film=film, parts=parts, findings=findings, cautions=STRIKING, local_rules=LOCAL_RULES
    )


def _row(film: Film, take: Take) -> dict[str, str]:
    code = take.picture.timecode
    judged = film.judgement_of(take.id)
    return {
        "part": film.part(take.part).name if take.part else "",
        "take": take.id,
        "slate": take.slate,
        "circled": "yes" if take.circled else "",
        "kind": take.kind,
        "verdict": judged.verdict if judged else "not checked",
        "length": clock(take.clip.duration.seconds),
        "timecode": frame_to_timecode(code.frame, take.picture.rate, drop=code.drop) if code else "",
        "notes": take.notes,
        "file": take.clip.file.path,
    }
