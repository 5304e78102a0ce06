"""The state of each phase in words, from the document alone."""

from __future__ import annotations

from partsong.film.records import Film

PHASES = ("prepare", "shoot", "lineup", "stage", "look", "cut", "signoff")


def phase_states(film: Film, *, masters: int = 0) -> tuple[tuple[str, str], ...]:
    """Return (phase, state) for the seven phases in the order of the work; ``masters`` counts the finished files."""
    placed = [found for found in film.placements if found.confidence in ("sure", "likely")]
    asking = [found for found in film.placements if found.confidence == "ask"]
    stage_takes = film.stage_takes()
    states = (
        f"{_count(len(film.parts), 'part')}, {_song(film)}",
        f"{_count(len(film.takes), 'take')}, {len(stage_takes)} from the locked-off camera",
        f"{len(placed)} of {_count(len(film.takes), 'take')} placed" + (f", {len(asking)} to ask" if asking else ""),
        f"{_count(len(film.stage.order), 'layer')}, {_count(len(film.stage.masks), 'oval')}"
        if stage_takes or not film.takes
        else "no takes to merge",
        "set" if film.look else "not set",
        _count(len(film.cut), "shot"),
        f"{_count(masters, 'master')} made" if masters else "no master yet",
    )
    return tuple(zip(PHASES, states, strict=True))


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _song(film: Film) -> str:
    if film.song is None:
        return "no song yet"
    return f"{film.song.title}, {float(film.song.length_s):.1f} s"
