"""The steps about seams: list crossings and mend them, set masks by hand, measure what shows and write the report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes, song_frames
from partsong.film.records import Film
from partsong.film.store import FilmStore, Head
from partsong.render.plan import layers_of
from partsong.render.wide import encoding_of, merged_takes
from partsong.stage.crossings import LOOKS_A_SECOND, WIDTH, Crossing, find_crossings, keyed, widened
from partsong.stage.watching import movement, small_size, weights_at
from partsong.timebase import round_half_up
from partsong.watch import Watch

RAMP_S = Fraction(2, 5)
"""How long a mask takes to widen before a crossing, and to come back after it (common practice, no source)."""

_OFTEN = 0.25  # of the song: what crosses for longer is better held by a wider mask than by keys


@dataclass(frozen=True, slots=True)
class Mend:
    """What would mend a crossing: its mask with keys, or wider throughout, or another order of layers."""

    crossing: Crossing
    kind: str
    sentence: str


def crossings(store: FilmStore, watch: Watch) -> list[Crossing]:
    """List every stretch in which a player, or his shadow, crosses the edge of his mask, by song time.

    Raises
    ------
    InvalidInput
        If the film has no layers yet, or cannot be merged as it is.
    """
    return _found(store, store.head().film, watch)


def _found(store: FilmStore, film: Film, watch: Watch) -> list[Crossing]:
    merged_takes(film)
    layers_of(film)
    assert film.width is not None
    assert film.height is not None
    assert film.rate is not None
    curve = encoding_of(film).curve
    size = small_size(film.width, film.height, WIDTH)
    every = max(1, round_half_up(film.rate.exact / LOOKS_A_SECOND))
    placed = {one.take.id: one for one in placed_takes(film)}
    found: list[Crossing] = []
    for name in film.stage.order:
        span = placed[name].frames()
        frames = range(span.start, min(span.stop, song_frames(film)), every)
        if len(frames) < 3:
            continue
        looks = (
            (moving, weights_at(film, moving.frame, size))
            for moving in movement(store.folder, film, placed[name], frames, size, curve, watch)
        )
        rate_hz = float(film.rate.exact)
        found += find_crossings(name, film.stage.order, looks, every=every, rate_hz=rate_hz)
    return sorted(found, key=lambda one: (one.start, one.take))


def mends(store: FilmStore, found: Sequence[Crossing], watch: Watch) -> tuple[Film, list[Mend]]:
    """Propose what mends crossings, and return the film with it: nothing is written.

    First, where a player is under another's mask, whether lifting him above it halves what is lost in all. Then, for
    what is left, a wider mask where he crosses during more than a quarter of the song, else keys that widen it for the
    stretch. Whoever fills the frame has no mask to widen.
    """
    film = store.head().film
    film, found, proposed = _lifted(store, film, list(found), watch)
    last = song_frames(film) - 1
    for crossing in found:
        often = sum(one.end - one.start for one in found if one.take == crossing.take) > _OFTEN * (last + 1)
        film, mend = _widened(film, crossing, often, last)
        proposed.append(mend)
    return film, proposed


def _lifted(
    store: FilmStore, film: Film, found: list[Crossing], watch: Watch
) -> tuple[Film, list[Crossing], list[Mend]]:
    proposed = []
    tried = set()
    for crossing in found:
        name, order = crossing.take, film.stage.order
        above = [other for other in crossing.into if order.index(other) > order.index(name)]
        if not above or name == order[0] or (name, *above) in tried:
            continue
        tried.add((name, *above))
        lifted = [other for other in order if other != name]
        lifted.insert(max(lifted.index(other) for other in above) + 1, name)
        trial = film.replace(stage=film.stage.replace(order=tuple(lifted)))
        left = _found(store, trial, watch)
        if _lost(left) < 0.5 * _lost(found):
            film, found = trial, left
            proposed.append(Mend(crossing, "order", f"Lay {name} above {' and '.join(above)}."))
    return film, found, proposed


def _lost(found: Sequence[Crossing]) -> float:
    return sum(one.share * (one.end - one.start) for one in found)


def _widened(film: Film, crossing: Crossing, often: bool, last: int) -> tuple[Film, Mend]:
    assert film.width is not None
    assert film.height is not None
    assert film.rate is not None
    name = crossing.take
    mask = film.stage.mask_of(name)
    if mask is None or name == film.stage.order[0]:
        where = " and ".join(crossing.into)
        words = f"{name} fills the frame and has no mask to widen: make the mask of {where} narrower there."
        return film, Mend(crossing, "none", words)
    shape = widened(mask, crossing, (film.width, film.height))
    if often and not mask.keys:
        mended = mask.replace(shape=shape)
        mend = Mend(crossing, "wider", f"Widen the mask of {name}: it is crossed for more than a quarter of the song.")
    else:
        mended = keyed(mask, crossing, shape, ramp=round_half_up(film.rate.exact * RAMP_S), last=last)
        mend = Mend(crossing, "keys", f"Widen the mask of {name} for this stretch, with keys before and after it.")
    masks = tuple(mended if one.take == name else one for one in film.stage.masks)
    return film.replace(stage=film.stage.replace(masks=masks)), mend


def mend(store: FilmStore, watch: Watch) -> tuple[Head, list[Mend]]:
    """List the crossings and put what mends them into the film; one revision, which can be undone.

    Raises
    ------
    InvalidInput
        As :func:`crossings`; or if the stage was changed meanwhile.
    """
    before = store.head().film
    film, proposed = mends(store, crossings(store, watch), watch)
    if film.stage == before.stage:
        return store.head(), proposed

    def edit(newest: Film) -> Film:
        if newest.stage != before.stage:
            raise InvalidInput("The stage was changed while its takes were watched. Ask for the crossings again.")
        return newest.replace(stage=film.stage)

    return store.change(f"Mended {sum(one.kind != 'none' for one in proposed)} crossings", edit), proposed
