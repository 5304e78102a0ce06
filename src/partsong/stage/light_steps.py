"""The steps of stage that are about light: match takes, choose how they are merged, patch."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.coverage import PlacedTake, placed_takes, song_frames
from partsong.film.folder import FilmFolder
from partsong.film.records import Film, Match, Oval, Patch, PictureInfo, Plate, Pose, Stage
from partsong.film.store import FilmStore, Head
from partsong.media.picture import converted, open_picture, resized
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.bands import moving_bands, row_cells, standing_bands
from partsong.render.lightpath import LightPath
from partsong.render.lightsum import searched_factor
from partsong.render.mattes import fast_player_matte, reduced
from partsong.render.plan import clip_of, plan_frames
from partsong.render.shapes import alpha_rows
from partsong.render.warp import fast_warped
from partsong.render.wide import encoding_of, form_of, merged_takes
from partsong.stage.match import (
    Grain,
    Ratio,
    find_head,
    grain_of,
    ratio_of,
    ratio_of_cards,
    ring_gain,
)
from partsong.stage.motion import reduced_size, sample_frames
from partsong.stage.paint import WidePainter
from partsong.stage.rooms import RoomFinder, Rooms
from partsong.stage.steps import chosen_takes
from partsong.stage.still import FRAMES, ambient_stops, grain_growth, midmean, see_through
from partsong.timebase import round_half_up
from partsong.watch import Watch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Light = NDArray[np.float32]

LOOKED_FOR_S = 10
"""How far into a take an ambient head is looked for."""

_BAND_FRAMES = 24
_GRAINIER = 1.5  # than the reference: from here on it is said
_SEEN_THROUGH = 0.03
_OFF_STOPS = 0.1
_RING_SHARE = 1 / 60  # of the frame's width
_RING_FRAMES = 5


@dataclass(frozen=True, slots=True)
class Card:
    """Where a grey card lies in takes: a box of the frame's pixels, and when, in the take's own seconds."""

    x: int
    y: int
    width: int
    height: int
    at_s: float


# --- match ----------------------------------------------------------------------------------------


def match_takes(store: FilmStore, watch: Watch, *, head_s: float | None = None, card: Card | None = None) -> Head:
    """Solve what each take's light is multiplied by to match the reference's.

    Parameters
    ----------
    store : FilmStore
        The film.
    watch : Watch
        Progress, and the request to stop.
    head_s : float, optional
        How long the ambient head of every take is. Found where it is not told.
    card : Card, optional
        Match by a grey card instead.

    Raises
    ------
    InvalidInput
        If no take is placed, their encoding is not known, or a card is not one.
    """
    film = store.head().film
    by_take = {placed.take.id: placed for placed in placed_takes(film)}
    chosen = [by_take[name] for name in film.stage.order if name in by_take] or chosen_takes(film)
    names = [placed.take.id for placed in chosen]
    trial = film.replace(stage=film.stage.replace(order=tuple(names)))
    merged_takes(trial)
    reference = film.stage.reference if film.stage.reference in names else names[0]
    looks = {placed.take.id: _look(store.folder, trial, placed, head_s, card, watch) for placed in chosen}
    matches = []
    for name in names:
        before = film.stage.match_of(name)
        if before is not None and before.by_hand:
            matches.append(before)
            continue
        matches.append(_matched(name, looks[name], looks[reference], is_reference=name == reference))
    told = sum(match.known for match in matches)

    def edit(newest: Film) -> Film:
        by_hand = {match.take: match for match in newest.stage.matches if match.by_hand}
        kept = tuple(by_hand.get(match.take, match) for match in matches)
        return newest.replace(stage=newest.stage.replace(matches=kept))

    return store.change(f"Matched {told} of {len(matches)} takes to {reference}", edit)


def set_match(store: FilmStore, take: str, stops: float, white: tuple[float, float]) -> Head:
    """Set by hand by how many stops a take is brightened, and what its red and blue are multiplied by beside green."""
    if min(white) <= 0:
        raise InvalidInput("Red and blue are multiplied by numbers above 0, for example 1.05.")
    level = 2.0**stops
    gain = (level * white[0], level, level * white[1])

    def edit(film: Film) -> Film:
        film.take(take)
        match = Match(take=take, gain=gain, known=True, by_hand=True, sentence=f"set by hand: {_words(gain)}")
        kept = tuple(other for other in film.stage.matches if other.take != take)
        return film.replace(stage=film.stage.replace(matches=(*kept, match)))

    return store.change(f"Set the match of {take}", edit)


@dataclass(frozen=True, slots=True)
class _Look:
    """What was seen of a take: its ambient head or card, its grain, and a sentence on bands or an empty one."""

    ambient: Light | None
    card: Light | None
    grain: Grain
    bands: str


def _look(
    folder: FilmFolder, film: Film, placed: PlacedTake, head_s: float | None, card: Card | None, watch: Watch
) -> _Look:
    take = placed.take
    rate = float(take.picture.rate.exact)
    size = reduced_size(film.width or 0, film.height or 0)
    count = take.picture.frames
    with open_picture(folder.locate(take.clip.file), take.picture) as reader:
        reading = _Reading(film, take.id, reader.read, (film.width or 0, film.height or 0))
        small = _Reading(film, take.id, reader.read, size)
        patch = None
        if card is not None:
            frame = min(count - 1, round(card.at_s * rate))
            whole = reading.lights([frame])[0]
            patch = whole[card.y : card.y + card.height, card.x : card.x + card.width]
            if not patch.size:
                raise InvalidInput(f"The box of the card lies outside the frame of take {take.id}.")
        if head_s is not None:
            head = min(count, round(head_s * rate))
        else:
            watch.check(f"Looking at {take.id}")
            head = _head_of(small, min(count, round(LOOKED_FOR_S * rate)), rate)
        # The first frames may hold the slate, the last ones the lamp coming on.
        lit_from = max(1, head)
        ambient = None
        if card is None and head >= 3:
            inside = range(1, head - 1) if head > 6 else range(head)
            chosen = sample_frames(inside, FRAMES)
            lights = watch.over(small.each(chosen), total=len(chosen), doing=f"Looking at the head of {take.id}")
            ambient = midmean(np.stack(list(lights)))
        middle = max(lit_from, count // 2)
        run = range(min(middle, max(0, count - _BAND_FRAMES)), count)[:_BAND_FRAMES]
        # Neighbouring frames will not do: codecs repeat what they take for still, grain and all.
        grain = grain_of(*reading.lights([(lit_from + run[0]) // 2, run[-1]]))
        bands = _bands_of(reader.read, take.picture, range(lit_from, count), watch, f"Looking for bands in {take.id}")
    return _Look(ambient, patch, grain, bands)


def _bands_of(
    read: Callable[[Sequence[int]], Iterator[Planes]], picture: PictureInfo, lit: range, watch: Watch, doing: str
) -> str:
    """Say what bands mains light leaves in a take, or nothing: those that move, then those that all but stand."""
    rate, size = float(picture.rate.exact), reduced_size(picture.width, picture.height)
    middle = max(lit.start, lit.stop // 2)

    def rows(frames: Sequence[int]) -> NDArray[np.float32]:
        watch.check(doing)
        cells = []
        for planes in read(frames):
            scale, zero, _, _ = pixels.code_scale(planes.bit_depth, planes.value_range)
            luma = (resized(planes, *size).y - np.float32(zero)) / np.float32(scale)
            cells.append(row_cells(luma.astype(np.float32)))
        return np.stack(cells)

    run = range(min(middle, max(lit.start, lit.stop - _BAND_FRAMES)), lit.stop)[:_BAND_FRAMES]
    if not run:
        return ""
    found = moving_bands(rows(run), rate, picture.height)
    if found is None:
        found = standing_bands(rows(sample_frames(lit, _BAND_FRAMES)), rate, picture.height)
    if found is None:
        return ""
    lamp = f"a lamp on {found.mains_hz} Hz mains" if found.mains_hz else "a pulsing lamp"
    apart = "" if not np.isfinite(found.period_px) else f" {found.period_px:.0f} rows apart,"
    return f"{found.kind}{apart} {found.amplitude:.1%} of the signal: {lamp}"


@dataclass(frozen=True, slots=True)
class _Reading:
    """Reads frames of a take as scene-linear light at a size, laid on the reference."""

    film: Film
    take: str
    read: Callable[[Sequence[int]], Iterator[Planes]]
    size: tuple[int, int]

    def each(self, frames: Sequence[int]) -> Iterator[Light]:
        form = form_of(self.film)
        path = LightPath(encoding_of(self.film).curve, form, *self.size)
        registration = self.film.stage.registration_of(self.take)
        for frame, planes in zip(frames, self.read(frames), strict=True):
            brought = converted(
                planes,
                bit_depth=form.bit_depth,
                chroma=form.chroma,
                matrix=form.matrix,
                value_range=form.value_range,
            )
            pose = registration.at(frame) if registration else Pose()
            laid = brought if pose == Pose() else fast_warped(brought, pose)
            yield path.light(resized(laid, *self.size))

    def lights(self, frames: Sequence[int]) -> list[Light]:
        return list(self.each(frames))


def _head_of(small: _Reading, count: int, rate: float) -> int:
    """Return how many frames the ambient head has: looked for in steps of a few frames, then to the frame."""
    levels = []
    for light in small.each(range(count)):
        green = light[::4, ::4, 1].ravel()
        tenth = max(1, len(green) // 10)
        levels.append(float(np.mean(np.partition(green, -tenth)[-tenth:])))
    return find_head(levels, rate)


def _matched(name: str, look: _Look, reference: _Look, *, is_reference: bool) -> Match:
    notes = [look.bands] if look.bands else []
    louder = float(look.grain.spread(0.18) / max(float(reference.grain.spread(0.18)), 1e-9))
    grain = f"grain at mid grey {float(look.grain.spread(0.18)) / 0.18:.1%}"
    if louder >= _GRAINIER:
        grain += f", {louder:.1f} x the reference's"
    notes.append(grain)
    if is_reference:
        return Match(take=name, known=True, sentence="; ".join(["the reference", *notes]))
    ratio: Ratio | None = None
    by = ""
    if look.card is not None and reference.card is not None:
        ratio, by = ratio_of_cards(reference.card, look.card), "grey card"
    elif look.ambient is not None and reference.ambient is not None:
        ratio, by = ratio_of(reference.ambient, look.ambient), "ambient head"
    if ratio is None:
        why = "cannot be told: the light moved, and there is no ambient head or grey card to compare"
        return Match(take=name, sentence="; ".join([why, *notes]))
    if not ratio.told:
        why = f"cannot be told: only {ratio.agreeing:.0%} of the two heads agrees, so their light is not the same"
        return Match(take=name, sentence="; ".join([why, *notes]))
    agreed = f", {ratio.agreeing:.0%} of the frame agrees" if by == "ambient head" else ""
    return Match(
        take=name,
        gain=ratio.gain,
        known=True,
        sentence="; ".join([f"{_words(ratio.gain)} by the {by}{agreed}", *notes]),
    )


def _words(gain: tuple[float, float, float]) -> str:
    return f"{np.log2(gain[1]):+.2f} stop, red {gain[0] / gain[1]:.3f}, blue {gain[2] / gain[1]:.3f}"


# --- method ---------------------------------------------------------------------------------------


def set_method(store: FilmStore, method: str) -> Head:
    """Choose how takes are merged: ``masks``, ``light-sum`` or ``combined``."""
    if method not in ("masks", "light-sum", "combined"):
        raise InvalidInput(f"There is no way to merge called {method!r}. Choose masks, light-sum or combined.")
    return store.change(f"Merge by {method}", lambda film: film.replace(stage=film.stage.replace(method=method)))


def sum_warnings(store: FilmStore, watch: Watch) -> list[str]:
    """Say in sentences where adding the film's light goes wrong, measured; an empty list where it does not.

    Raises
    ------
    InvalidInput
        If the film cannot be merged as it is.
    """
    folder, film = store.folder, store.head().film
    merged_takes(film)
    encoding, form = encoding_of(film), form_of(film)
    rooms = RoomFinder(folder, film, encoding, form).found(watch)
    said = []
    if rooms.has_plate:
        stops = ambient_stops(rooms.ambient, list(rooms.lit.values()))
        if stops < -_OFF_STOPS:
            said.append(
                f"The ambient plate is {-stops:.2f} stop brighter than the takes are where no lamp reaches: its "
                "exposure, or the daylight, was another. Too much is taken away. Film it again, or leave it out."
            )
        elif stops > _OFF_STOPS:
            said.append(
                f"The ambient plate is {stops:.2f} stop darker than the darkest that any take shows. Either its "
                "exposure, or the daylight, was another, and the sum is too bright; or all lamps reach everywhere."
            )
    else:
        said.append(
            "There is no plate of the room in ambient light, so the least light of all takes stands for it. It is too "
            "bright where every lamp reaches, and the sum too dark there."
        )
    guessed = [name for name, room in rooms.lit.items() if room.guessed]
    if guessed:
        said.append(
            f"The room behind the players of {', '.join(guessed)} is guessed. A plate of the room under each lamp, "
            "with nobody in it, makes players' edges exact."
        )
    said += _clipped(film, rooms, float(encoding.curve[-1]))
    if film.stage.method == "light-sum":
        said += _seen_through(folder, film, rooms, watch)
    growth = grain_growth(list(rooms.lit.values()))
    if growth > _GRAINIER:
        said.append(
            f"Added frame by frame the takes' grain would be {growth:.1f} times one take's; still parts are averaged "
            "over time, so it is not."
        )
    return said


def _clipped(film: Film, rooms: Rooms, top: float) -> list[str]:
    said = []
    for name, room in rooms.lit.items():
        gain = film.stage.match_of(name)
        ceiling = top * 0.98 * (max(gain.gain) if gain else 1.0)
        share = float((room.light.max(axis=-1) >= ceiling).mean())
        if share > 0.001:
            said.append(
                f"{share:.1%} of the room in {name} is as bright as the camera can write: light is lost there, and the "
                "sum is too dark."
            )
    return said


def _seen_through(folder: FilmFolder, film: Film, rooms: Rooms, watch: Watch) -> list[str]:
    """Look at three moments for players before ground that others light."""
    moments = sample_frames(range(song_frames(film)), 3)
    worst: dict[str, float] = {}
    for frame in watch.over(moments, total=len(moments), doing="Looking at the players"):
        (plan,) = plan_frames(film, range(frame, frame + 1))
        count = sum(layer.shape is None for layer in plan.stack.layers)
        for number, layer in enumerate(plan.stack.layers[:count]):
            light = source_light(folder, film, layer.take, plan.sources[number], plan.poses[number], layer.gain)
            room = rooms.lit[layer.take]
            others = np.zeros_like(light)
            for one in plan.stack.layers[:count]:
                if one != layer:
                    others += rooms.lit[one.take].light - rooms.ambient
            factor = searched_factor(plan.stack.width)
            small, dark, ground = (reduced(picture, factor) for picture in (light, rooms.ambient, others))
            matte = fast_player_matte(small, room.smaller(factor), dark, plan.stack.width // factor)
            share = see_through(ground, matte, small)
            worst[layer.take] = max(worst.get(layer.take, 0.0), share)
    return [
        f"{share:.0%} of the player of {name} stands before ground that other lamps light, and it shines through him. "
        "Lay players over the sum: partsong stage method FILM combined"
        for name, share in worst.items()
        if share > _SEEN_THROUGH
    ]


def source_light(
    folder: FilmFolder,
    film: Film,
    source: str,
    frame: int,
    pose: Pose,
    gain: tuple[float, float, float] = pixels.NO_GAIN,
) -> Light:
    """Return the scene-linear light of one frame of a take or plate, laid on the reference."""
    form = form_of(film)
    clip = clip_of(film, source)
    assert clip.picture is not None
    with open_picture(folder.locate(clip.file), clip.picture) as reader:
        planes = next(iter(reader.read([frame])))
    brought = converted(
        planes, bit_depth=form.bit_depth, chroma=form.chroma, matrix=form.matrix, value_range=form.value_range
    )
    path = LightPath(encoding_of(film).curve, form, film.width or 0, film.height or 0)
    return path.light(brought if pose == Pose() else fast_warped(brought, pose), gain)


# --- patches --------------------------------------------------------------------------------------


def add_patch(
    store: FilmStore,
    source: str,
    oval: Oval,
    *,
    feather_px: float | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    gain: tuple[float, float, float] | None = None,
) -> Head:
    """Lay pixels of a take or plate over a fault in the wide, matched at the ring around them.

    Parameters
    ----------
    store : FilmStore
        The film.
    source : str
        A take that is placed on the song, or a plate.
    oval : Oval
        What is covered.
    feather_px : float, optional
        The width of the soft edge; a fiftieth of the frame's width when left out.
    start_s, end_s : float, optional
        Song time from which, and up to which, the patch lies there; all through when left out.
    gain : tuple of float, optional
        Of red, green and blue; solved when left out.

    Raises
    ------
    InvalidInput
        If there is no such take or plate, it is of another size, or nothing can be merged yet.
    """
    folder, film = store.folder, store.head().film
    merged_takes(film)
    assert film.rate is not None
    assert film.width is not None
    if source not in {plate.id for plate in film.plates} | {take.id for take in film.takes}:
        known = ", ".join([*(take.id for take in film.takes), *(plate.id for plate in film.plates)])
        raise InvalidInput(f"The film has no take or plate {source!r}. It has: {known}.")
    feather = round(film.width / 50, 1) if feather_px is None else feather_px
    bounds = [None if s is None else round_half_up(Fraction(s) * film.rate.exact) for s in (start_s, end_s)]
    if bounds[0] is not None and bounds[1] is not None and bounds[1] <= bounds[0]:
        raise InvalidInput("A patch ends after it starts. Give a later --to.")
    patch = Patch(source=source, shape=oval, feather_px=feather, start=bounds[0], end=bounds[1])
    if gain is None:
        gain = _ring_gain(folder, film, patch)
    patch = patch.replace(gain=gain)
    return store.change(
        f"Patched {oval.x:.0f}, {oval.y:.0f} from {source}",
        lambda newest: newest.replace(stage=newest.stage.replace(patches=(*newest.stage.patches, patch))),
    )


def remove_patch(store: FilmStore, number: int) -> Head:
    """Take a patch away again, by its number from 1."""

    def edit(film: Film) -> Film:
        patches = film.stage.patches
        if not 1 <= number <= len(patches):
            raise InvalidInput(f"There is no patch {number}; the stage has {len(patches)}.")
        return film.replace(stage=film.stage.replace(patches=(*patches[: number - 1], *patches[number:])))

    return store.change(f"Took patch {number} away", edit)


def _ring_gain(folder: FilmFolder, film: Film, patch: Patch) -> tuple[float, float, float]:
    """Solve a patch's gain from the ring around it, over some frames in which it lies there."""
    assert film.width is not None
    assert film.height is not None
    patched = film.replace(stage=film.stage.replace(patches=(*film.stage.patches, patch)))
    last = song_frames(film)
    span = range(patch.start or 0, min(patch.end or last, last))
    if not span:
        raise InvalidInput("The patch lies wholly after the song's end. Give an earlier --from.")
    painter = WidePainter(folder, film, encoding_of(film), form_of(film))
    path = LightPath(painter.encoding.curve, painter.form, film.width, film.height)
    ring = _ring(patch, film.width, film.height)
    if int(ring.sum()) < 16:
        raise InvalidInput("The patch leaves nothing of the frame around it to match it to. Make it smaller.")
    here, there = [], []
    for frame in sample_frames(span, _RING_FRAMES):
        (plan,) = plan_frames(patched, range(frame, frame + 1))
        if not plan.stack.layers or plan.stack.layers[-1].take != patch.source or plan.stack.layers[-1].shape is None:
            continue  # the source has no picture then
        merged = next(painter.frames(plan_frames(film, range(frame, frame + 1))))
        here.append(path.light(merged)[ring])
        there.append(source_light(folder, film, patch.source, plan.sources[-1], plan.poses[-1])[ring])
    if not here:
        raise InvalidInput(f"{patch.source} has no picture while the patch lies there.")
    return ring_gain(np.mean(here, axis=0), np.mean(there, axis=0))


def _ring(patch: Patch, width: int, height: int) -> NDArray[np.bool_]:
    """Return the pixels just outside a patch's soft edge."""
    reach = max(4.0, width * _RING_SHARE)
    rows = range(height)
    outer = alpha_rows(patch.shape, patch.feather_px + 2 * reach, rows, width)
    inner = alpha_rows(patch.shape, patch.feather_px, rows, width)
    return np.asarray((outer > 0) & (inner == 0))


def described(stage: Stage, plates: Sequence[Plate]) -> list[tuple[int, str, str, str, str]]:
    """Return the patches as rows to print: number, source, where, when in song frames, gain."""
    rows = []
    for number, patch in enumerate(stage.patches, 1):
        shape = patch.shape
        if shape.kind == "oval":
            where = f"{shape.x:.0f}, {shape.y:.0f}, {shape.rx:.0f} x {shape.ry:.0f}, soft {patch.feather_px:.0f}"
        else:
            where = f"a curve of {len(shape.points)} points, soft {patch.feather_px:.0f}"
        when = (
            "all through"
            if patch.start is None and patch.end is None
            else f"{patch.start or 0} to {patch.end or 'end'}"
        )
        kind = "plate" if any(plate.id == patch.source for plate in plates) else "take"
        rows.append((number, f"{kind} {patch.source}", where, when, _words(patch.gain)))
    return rows
