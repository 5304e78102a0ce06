"""Forward migrations of the film document, one function a schema version.

``STEPS[n]`` takes a document of schema ``n`` as plain data and returns one of schema ``n + 1``. A step is never
changed once released: old revisions stay in the store as they were written and are brought up when read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from partsong.errors import NotAFilm
from partsong.film.records import SCHEMA

Document = dict[str, Any]


def _delays_say_where_they_are_from(document: Document) -> Document:
    def renamed(placement: Document) -> Document:
        rest = {name: value for name, value in placement.items() if name != "delay_known"}
        return {**rest, "delay_from": "measured" if placement.get("delay_known") else "assumed"}

    return {**document, "placements": [renamed(placement) for placement in document.get("placements", ())]}


STEPS: Mapping[int, Callable[[Document], Document]] = {1: _delays_say_where_they_are_from}


def bring_up(
    document: Document,
    *,
    to: int = SCHEMA,
    steps: Mapping[int, Callable[[Document], Document]] = STEPS,
) -> Document:
    """Return a document of schema ``to``, applying one step after the other.

    Raises
    ------
    NotAFilm
        If the document names no schema, a newer one than ``to``, or one that no step leads on from.
    """
    version = document.get("schema_version")
    if not isinstance(version, int) or version < 1:
        raise NotAFilm("The film's document names no schema version; film.db may be damaged. Restore it from a copy.")
    if version > to:
        raise NotAFilm(
            f"This film was written by a newer Partsong (document schema {version}, this one reads up to {to}). "
            "Install the newer version to open it."
        )
    while version < to:
        step = steps.get(version)
        if step is None:
            raise NotAFilm(f"No migration leads on from document schema {version}. Install a version that has it.")
        document = {**step(document), "schema_version": version + 1}
        version += 1
    return document
