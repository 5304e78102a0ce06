"""What can hurt people, as pages say it."""

from __future__ import annotations

from collections.abc import Iterable

from partsong.desk.routes import Wire
from partsong.film.cautions import Caution


class CautionTold(Wire):
    """One danger of the day, and where its figure comes from."""

    title: str
    text: str
    source: str


def cautions_told(cautions: Iterable[Caution]) -> tuple[CautionTold, ...]:
    """Return cautions in the form that a page gets."""
    return tuple(CautionTold(title=one.title, text=one.text, source=one.source) for one in cautions)
