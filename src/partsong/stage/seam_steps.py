"""The steps about seams: list crossings and mend them, measure what shows and write the report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, get_args

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes, song_frames
from partsong.film.folder import write_text
from partsong.film.records import Film
from partsong.film.store import FilmStore, Head
from partsong.film.tempo import position_at
from partsong.media.picture import encoded_rgb
from partsong.media.stills import eight_bits, write_png
from partsong.render import pixels
from partsong.render.colour import display_path, table_of
from partsong.render.plan import layers_of, plan_frames
from partsong.render.shapes import shape_at
from partsong.render.wide import encoding_of, merged_takes
from partsong.stage.boundary import scaled
from partsong.stage.crossings import LOOKS_A_SECOND, WIDTH, Crossing, find_crossings, keyed, widened
from partsong.stage.draw import boxed, quantised, write_deep
from partsong.stage.motion import sample_frames
from partsong.stage.report import Seam, SeamLook, SeamReport, as_json, page
from partsong.stage.seen import Shows, measure_seam, times_seen
from partsong.stage.visibility import plain_display
from partsong.stage.watching import frames_of, movement, small_size, weights_of
from partsong.timebase import clock, round_half_up
from partsong.watch import Watch

if TYPE_CHECKING:
    from numpy.typing import NDArray

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
    _has_masks(film)
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
        moving = movement(store.folder, film, placed[name], frames, size, curve, watch)
        looks = (
            (one, weights_of(plan.stack, film.stage.order, size))
            for one, plan in zip(moving, plan_frames(film, frames), strict=True)
        )
        rate_hz = float(film.rate.exact)
        found += find_crossings(name, film.stage.order, looks, every=every, rate_hz=rate_hz)
    return sorted(found, key=lambda one: (one.start, one.take))


def _has_masks(film: Film) -> None:
    merged_takes(film)
    layers_of(film)
    if film.stage.method != "masks":
        raise InvalidInput(
            "The film's stage adds the takes' light, so it has no masks whose edges could show. "
            "Merge through masks first."
        )


def mends(store: FilmStore, found: Sequence[Crossing], watch: Watch) -> tuple[Film, list[Mend]]:
    """Propose what mends crossings, and return the film with it: nothing is written.

    First, where a player is under another's mask, whether lifting him above it halves what is lost in all. Then, for
    what is left, a wider mask where he crosses during more than a quarter of the song, else keys that widen it for the
    stretch. Whoever fills the frame has no mask to widen, and whoever lies under another gains nothing by it.
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
    order, where = film.stage.order, " and ".join(crossing.into)
    under = bool(crossing.into) and order.index(crossing.into[0]) > order.index(name)
    if mask is None or name == order[0] or under:
        why = "lies under" if under else "fills the frame, and has no mask to widen, beside"
        words = f"{name} {why} {where}: make the mask of {where} narrower there, or lay the takes in another order."
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


def draw_crossings(store: FilmStore, found: Sequence[Crossing], watch: Watch) -> list[Path]:
    """Write a picture of each crossing at its worst moment: the take, with what is lost boxed and its mask outlined."""
    film = store.head().film
    assert film.width is not None
    assert film.height is not None
    size = small_size(film.width, film.height, REPORT_WIDTH)
    scale = size[0] / film.width
    shown = _Shown(store, film, size)
    paths = []
    for crossing in watch.over(found, total=len(found), doing="Drawing the crossings"):
        picture = eight_bits(shown.picture(crossing.take, crossing.frame))
        mask = film.stage.mask_of(crossing.take)
        shape = None if mask is None or crossing.take == film.stage.order[0] else shape_at(mask, crossing.frame)
        drawn = boxed(picture, crossing.box, scaled(shape, scale) if shape is not None else None)
        path = store.folder.reports / "crossings" / f"{crossing.take}-{crossing.frame}.png"
        write_png(path, drawn)
        paths.append(path)
        shown.forget()
    return paths


def in_words(film: Film, mend: Mend) -> str:
    """Say a crossing, and what mends it, in one line."""
    assert film.rate is not None
    one = mend.crossing
    start, end = (clock(frame * film.rate.frame_s) for frame in (one.start, one.end))
    into = f" into {' and '.join(one.into)}" if one.into else ""
    what = f"{one.take} crosses{into}, {100 * one.share:.2f} % of the frame"
    return f"{start} to {end} ({when_of(film, one.frame)}): {what}. {mend.sentence}"


# --- the report -----------------------------------------------------------------------------------

REPORT_WIDTH = 960
MOMENTS = 6
"""How many moments of the song the report looks at."""

_MEETS = 1e-3  # of the frame's area: takes that share less do not meet
_FULL_TIMES = 100.0  # from how many times the least step the heat picture is full
_ACCENT = np.array([178, 34, 8], np.float64)


def report(store: FilmStore, watch: Watch, *, moments: int = MOMENTS) -> tuple[Path, SeamReport]:
    """Measure every seam at moments spread over the song, and write the page, its numbers and its pictures.

    Returns
    -------
    Path
        ``reports/seams/seams.html``; ``seams.json`` and the pictures lie beside it.
    SeamReport
        What it says.

    Raises
    ------
    InvalidInput
        If the film has no layers yet, or cannot be merged as it is.
    """
    film = store.head().film
    _has_masks(film)
    assert film.width is not None
    assert film.height is not None
    size = small_size(film.width, film.height, REPORT_WIDTH)
    scale = film.width / size[0]
    folder = store.folder.reports / "seams"
    placed = {one.take.id: one for one in placed_takes(film)}
    frames = sample_frames(range(song_frames(film)), moments)
    shown = _Shown(store, film, size)
    looks: dict[tuple[str, str], list[SeamLook]] = {}
    hottest: tuple[float, int, NDArray[np.float32]] | None = None
    for frame in watch.over(frames, total=len(frames), doing="Measuring the seams"):
        weights = weights_of(plan_frames(film, range(frame, frame + 1))[0].stack, film.stage.order, size)
        there = [name for name in film.stage.order if frame in placed[name].frames()]
        heat = np.zeros((size[1], size[0]), np.float32)
        for one, other in combinations(there, 2):
            pair = [quantised(weights[film.stage.order.index(name)]) for name in (one, other)]
            if float((4 * pair[0] * pair[1]).mean()) < _MEETS:
                continue
            box = _box_of_seam(pair[0] * pair[1])
            pictures = [quantised(shown.picture(name, frame)) for name in (one, other)]
            feather = _feather(film, one, other) / scale
            part = [picture[box] for picture in (*pictures, *pair)]
            measure = measure_seam(part[0], part[1], (part[2], part[3]), feather_px=feather, picture_height_px=size[1])
            if measure is None:
                continue
            times = times_seen(
                pictures[0], pictures[1], (pair[0], pair[1]), feather_px=feather, picture_height_px=size[1]
            )
            heat = np.maximum(heat, times)
            names = [f"{one}-{other}-{frame}-{what}.png" for what in ("one", "other", "weights")]
            write_deep(part[0], folder / names[0])
            write_deep(part[1], folder / names[1])
            write_deep(np.stack([part[2], part[3], 0 * part[2]], axis=-1), folder / names[2])
            left, top = box[1].start, box[0].start
            look = SeamLook(frame, when_of(film, frame), left, top, measure, *names)
            looks.setdefault((one, other), []).append(look)
        if heat.any() and (hottest is None or float(heat.mean()) > hottest[0]):
            hottest = (float(heat.mean()), frame, heat)
        shown.forget()
    seams = tuple(
        Seam(
            one, other, (part_name(film, one), part_name(film, other)), _feather(film, one, other) / scale,
            tuple(sorted(found, key=_first)),
        )
        for (one, other), found in looks.items()
    )  # fmt: skip
    seams = tuple(sorted(seams, key=lambda seam: _first(seam.worst)))
    frame = hottest[1] if hottest else frames[len(frames) // 2]
    weights = weights_of(plan_frames(film, range(frame, frame + 1))[0].stack, film.stage.order, size)
    merged = sum(
        weight[..., None] * shown.picture(name, frame)
        for name, weight in zip(film.stage.order, weights, strict=True)
        if weight.any()
    )
    write_png(folder / "heat.png", _heated(np.asarray(merged), hottest[2] if hottest else None))
    found = SeamReport(
        title=film.name, path=shown.path_in_words, width=size[0], height=size[1], scale=scale,
        heat_picture="heat.png", heat_when=when_of(film, frame).capitalize(), seams=seams,
    )  # fmt: skip
    write_text(folder / "seams.json", as_json(found))
    write_text(folder / "seams.html", page(found))
    kept = {"heat.png", "seams.json", "seams.html"} | {
        name for seam in seams for look in seam.looks
        for name in (look.one_picture, look.other_picture, look.weights_picture)
    }  # fmt: skip
    for old in folder.glob("*.png"):
        if old.name not in kept:
            old.unlink()
    return folder / "seams.html", found


def _first(look: SeamLook) -> tuple[int, float]:
    """Return what orders looks: by what they are called, then by how many times the least step they show."""
    return get_args(Shows).index(look.measure.shows), -look.measure.times


class _Shown:
    """Takes' pictures in display code, read when asked for and kept for one moment."""

    def __init__(self, store: FilmStore, film: Film, size: tuple[int, int]) -> None:
        self._folder, self._film, self._size = store.folder, film, size
        self._placed = {one.take.id: one for one in placed_takes(film)}
        self._kept: dict[tuple[str, int], NDArray[np.float64]] = {}
        encoding = encoding_of(film)
        self._curve = encoding.curve
        self._table = table_of(store.folder, film.look) if film.look is not None else None
        self._space = encoding.space
        look = film.look
        self.path_in_words = (
            f"through the film's look ({look.view}, for {look.display})"
            if look is not None
            else "without a look: light 1 is white, shown by BT.1886"
        )

    def picture(self, name: str, frame: int) -> NDArray[np.float64]:
        """Return a take's picture (height, width, 3) in display code."""
        if (name, frame) not in self._kept:
            film = self._film
            planes = next(frames_of(self._folder, film, self._placed[name], [frame], self._size))
            encoded = encoded_rgb(planes)
            if film.look is None:
                match = film.stage.match_of(name)
                gain = np.asarray(match.gain if match is not None else pixels.NO_GAIN)
                code = plain_display(gain * pixels.to_linear(encoded, self._curve))
            else:
                colour = display_path(film.look, self._space, self._table, film.grade_of(name))
                code = colour(encoded.reshape(-1, 3)).reshape(encoded.shape).astype(np.float64)
            self._kept[name, frame] = code
        return self._kept[name, frame]

    def forget(self) -> None:
        """Let go of what was read."""
        self._kept.clear()


def _feather(film: Film, one: str, other: str) -> float:
    """Return the width of the edge between two layers: that of the upper one, whose mask it is."""
    upper = max((one, other), key=film.stage.order.index)
    mask = film.stage.mask_of(upper)
    return mask.feather_px if mask is not None else 0.0


def _box_of_seam(shared: NDArray[np.float64]) -> tuple[slice, slice]:
    rows, columns = np.flatnonzero((shared > 0.01).any(axis=1)), np.flatnonzero((shared > 0.01).any(axis=0))
    height, width = shared.shape
    return (
        slice(max(0, int(rows[0]) - _ROOM), min(height, int(rows[-1]) + 1 + _ROOM)),
        slice(max(0, int(columns[0]) - _ROOM), min(width, int(columns[-1]) + 1 + _ROOM)),
    )


_ROOM = 8  # pixels around a seam, for what is displaced


def part_name(film: Film, take: str) -> str:
    """Return the name of the part that a take plays."""
    part = film.take(take).part
    return film.part(part).name if part is not None else take


def when_of(film: Film, frame: int) -> str:
    """Say a frame of the song: its bar, or without a tempo map its time."""
    assert film.rate is not None
    song_s = frame * film.rate.frame_s
    if film.song is not None and film.song.tempo:
        return f"bar {position_at(film.song.tempo, song_s).bar}"
    return clock(song_s)


def _heated(merged: NDArray[np.float64], heat: NDArray[np.float32] | None) -> NDArray[np.uint8]:
    grey = np.clip(merged @ [0.2126, 0.7152, 0.0722], 0, 1)[..., None] * np.full(3, 255.0)
    if heat is not None:
        # A step is judged by its ratio to what is seen, so equal ratios look equally apart.
        share = np.clip(np.log(np.maximum(heat, 1)) / np.log(_FULL_TIMES), 0, 1)[..., None] * 0.9
        grey = (1 - share) * grey + share * _ACCENT
    drawn: NDArray[np.uint8] = np.rint(grey).astype(np.uint8)
    return drawn
