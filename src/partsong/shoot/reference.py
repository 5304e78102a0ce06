"""The take that all stage takes are held against, and choosing another one."""

from __future__ import annotations

from collections.abc import Collection

from partsong.errors import InvalidInput
from partsong.film.records import Film, Take
from partsong.film.store import FilmStore, Head


def reference_of(film: Film, broken: Collection[str] = ()) -> Take | None:
    """Return the take that all stage takes are held against: the chosen reference, else the first that is whole."""
    if film.stage.reference is not None:
        return film.take(film.stage.reference)
    return next((take for take in film.takes if take.kind == "stage" and take.id not in broken), None)


def set_reference(store: FilmStore, name: str) -> Head:
    """Hold all takes against another one from now on.

    What was said of takes against the one before goes, and so does how they were laid on it and matched to its light;
    ovals and patches stay.

    Raises
    ------
    InvalidInput
        If the take is not from the locked-off camera.
    """
    film = store.head().film
    if film.take(name).kind != "stage":
        raise InvalidInput(
            f"{name} is roaming coverage, which no take can be held against. Give a take of the locked-off camera; "
            "see: partsong shoot list"
        )

    def edit(newest: Film) -> Film:
        before = reference_of(newest)
        chosen = newest.replace(stage=newest.stage.replace(reference=name))
        if before is not None and before.id == name:
            return chosen
        stage = chosen.stage.replace(registrations=(), matches=())
        return chosen.replace(stage=stage, findings=(), judgements=())

    return store.change(f"Took {name} for the reference", edit)
