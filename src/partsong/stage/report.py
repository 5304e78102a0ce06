"""The seam report: which seams show, when and why, ranked, each with the pictures that its numbers come from.

Records in, one HTML page and one JSON text out. The pictures lie beside the page: per seam and moment the two takes
(16 bits a channel, display code) and their weights (red the first take's, green the second's), and one heat picture.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from partsong.film.pages import template
from partsong.stage.seen import SEEN_PLAINLY, SeamMeasure, Shows
from partsong.stage.visibility import BLACK_CD_M2, GAMMA, HEIGHTS_AWAY, WHITE_CD_M2

if TYPE_CHECKING:
    from collections.abc import Sequence

_COLOUR_SEEN = 0.004  # in u', v': common practice for side by side, no source
_GRAIN_SEEN = 1.5  # ratio; common practice, no source


@dataclass(frozen=True, slots=True)
class SeamLook:
    """One seam at one moment: its measure and its pictures' names.

    ``left`` and ``top`` are where the pictures lie in the whole picture, in its pixels, each of which is ``scale``
    pixels of the film's frame.
    """

    frame: int
    when: str
    left: int
    top: int
    measure: SeamMeasure
    one_picture: str
    other_picture: str
    weights_picture: str


@dataclass(frozen=True, slots=True)
class Seam:
    """The seam between two takes: their ids and parts' names, and looks at it, the one that shows most first."""

    one: str
    other: str
    names: tuple[str, str]
    feather_px: float
    looks: tuple[SeamLook, ...]

    @property
    def worst(self) -> SeamLook:
        """The moment at which it shows most."""
        return self.looks[0]


@dataclass(frozen=True, slots=True)
class SeamReport:
    """Everything on the page; seams in the order of how much they show.

    ``feather_px`` of a seam and all places are in pixels of the pictures, ``scale`` film pixels to each.
    """

    title: str
    path: str
    width: int
    height: int
    scale: float
    heat_picture: str
    heat_when: str
    seams: tuple[Seam, ...]

    def sentence(self, seam: Seam, look: SeamLook) -> str:
        """Say one seam at one moment in one sentence."""
        return sentence(seam.names, look.when, look.measure, self.scale)

    @property
    def verdict(self) -> str:
        """Over how many seams the takes differ by what can be seen."""
        if not self.seams:
            return "No two takes meet in this picture."
        shows = Counter(seam.worst.measure.shows for seam in self.seams)
        ways: dict[Shows, str] = {
            "plainly": "over a plain difference",
            "light ends": "where one take's light ends",
            "just": "over a difference that is found by who looks for it",
        }
        parts = [f"{shows[way]} {words}" for way, words in ways.items() if shows[way]]
        if not parts:
            return f"None of {_count(len(self.seams), 'seam')} lies over a difference that is seen, by the model below."
        told = " and ".join(filter(None, (", ".join(parts[:-1]), parts[-1])))
        return f"Of {_count(len(self.seams), 'seam')}: {told}."


def sentence(names: tuple[str, str], when: str, measure: SeamMeasure, scale: float) -> str:
    """Say what a seam shows: where, how large the step is, and what else differs.

    >>> found = SeamMeasure(2.13, 0.5, 4.2, 1.0, 0, 0, 0.001, None, (1.0, 1.1))
    >>> sentence(("harmonium", "bass"), "bar 17", found, 1.0)
    'between harmonium and bass at bar 17: plainly seen, a step of 2.1 %'
    """
    parts = [_in_words(names, measure)]
    if measure.displaced is not None:
        ways = []
        for value, positive, negative in (
            (measure.displaced.dy_px, "lower", "higher"),
            (measure.displaced.dx_px, "to the right", "to the left"),
        ):
            if abs(value) >= 0.3:
                ways.append(f"{abs(value) * scale:.0f} px {positive if value > 0 else negative}")
        if ways:
            parts.append(f"something {' and '.join(ways)} in {names[1]}")
    if measure.colour_uv > _COLOUR_SEEN:
        parts.append(f"another colour ({measure.colour_uv:.3f} in u'v')")
    first, second = measure.grain_codes
    if max(first, second) > _GRAIN_SEEN * max(min(first, second), 0.1):
        coarse = names[0] if first > second else names[1]
        parts.append(f"more grain in {coarse}")
    return f"between {names[0]} and {names[1]} at {when}: {', '.join(parts)}"


def _in_words(names: tuple[str, str], measure: SeamMeasure) -> str:
    if measure.shows != "light ends":
        return f"{measure.shows} seen, a step of {abs(measure.step_percent):.1f} %"
    brighter = names[0] if measure.step_percent > 0 else names[1]
    much = "over 100" if measure.ratio > 100 else f"{measure.ratio:.1f}"
    return f"light ends there, {brighter} is {much} times as bright; look whether it reads as the end of its pool"


def as_json(report: SeamReport) -> str:
    """Write the report's numbers, and what they were computed with, as JSON."""
    seams = []
    for seam in report.seams:
        looks = [asdict(look) | {"sentence": report.sentence(seam, look)} for look in seam.looks]
        seams.append({"one": seam.one, "other": seam.other, "feather_px": seam.feather_px, "looks": looks})
    whole = {
        "title": report.title,
        "path_to_display": report.path,
        "picture": {"width": report.width, "height": report.height, "film_px": report.scale},
        "monitor": {
            "white_cd_m2": WHITE_CD_M2,
            "black_cd_m2": BLACK_CD_M2,
            "gamma": GAMMA,
            "heights_away": HEIGHTS_AWAY,
        },
        "heat_picture": report.heat_picture,
        "seams": seams,
    }
    return json.dumps(whole, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def page(report: SeamReport, mends: Sequence[str] = ()) -> str:
    """Write the page."""
    return template("stage/templates/seams.html").render(
        report=report, mends=mends, white=WHITE_CD_M2, black=BLACK_CD_M2, away=HEIGHTS_AWAY, plainly=SEEN_PLAINLY
    )


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"
