"""What is worth doing next in a film, from its document."""

from __future__ import annotations

from partsong.film.records import Film


def next_step(film: Film, *, masters: int) -> tuple[str, str, str]:
    """Return (phase, sentence, command) of the first thing in the order of the work that is not done.

    Parameters
    ----------
    film : Film
        The film.
    masters : int
        How many masters are finished.
    """
    if film.song is None:
        return "prepare", "Make the film around a finished mix: everything else hangs on it.", "partsong new"
    if not film.takes:
        return "shoot", "Bring in what was shot, one folder a part.", "partsong shoot add"
    judged = {found.take for found in film.judgements}
    unseen = sum(take.id not in judged for take in film.stage_takes())
    placed = {found.take for found in film.placements}
    unplaced = sum(take.id not in placed for take in film.takes)
    if unplaced:
        return "lineup", f"{_takes(unplaced)} not put on the song yet.", "partsong lineup place"
    asking = [one for one in film.placements if one.confidence in ("ask", "none") and not one.by_hand]
    if asking:
        return (
            "lineup",
            f"{_needs(len(asking), 'take')} your ear: say where, or take off the song.",
            "partsong lineup show",
        )
    if not film.stage.masks and len(film.stage_takes()) > 1:
        return "stage", "Propose ovals, so that every player shows in one picture.", "partsong stage propose"
    if film.look is None:
        return "look", "Set the look, from the camera's encoding to the display.", "partsong look set"
    if not film.cut:
        return "cut", "Let a cut be proposed, in time with the music.", "partsong cut propose"
    if not masters:
        return "signoff", "Make the masters.", "partsong signoff master"
    if unseen:
        return "shoot", f"{_takes(unseen)} not looked at yet for what moved.", "partsong shoot check"
    return "signoff", "Read the report, and decide whether to send it.", "partsong signoff report"


def _takes(number: int) -> str:
    return "1 take is" if number == 1 else f"{number} takes are"


def _needs(number: int, thing: str) -> str:
    return f"1 {thing} needs" if number == 1 else f"{number} {thing}s need"
