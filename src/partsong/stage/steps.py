"""The steps of stage: propose ovals and an order, set them by hand, merge the takes into one wide."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.engine.cluster import Cluster
from partsong.engine.run import Engine
from partsong.errors import InvalidInput
from partsong.film.coverage import NO_WIDE, PlacedTake, has_wide, placed_takes, song_frames
from partsong.film.folder import FilmFolder
from partsong.film.records import (
    Curve,
    Film,
    Mask,
    MaskKey,
    Oval,
    Point,
    Registration,
    Shape,
    Stage,
    Take,
)
from partsong.film.store import FilmStore, Head
from partsong.media.hardware import agreed
from partsong.media.stills import png_only, write_png
from partsong.render import pixels
from partsong.render.colour import display_path, table_of
from partsong.render.gpu import device
from partsong.render.plan import plan_frames
from partsong.render.segments import render, runs_of
from partsong.render.shapes import box_of, shape_at
from partsong.render.wide import encoding_of, form_of, merged_takes, place, segments_of, shown_frames
from partsong.stage.boundary import scaled
from partsong.stage.draw import outlined, shown_picture
from partsong.stage.paint import WidePainter
from partsong.stage.propose import FEATHER_SHARE, propose_masks
from partsong.stage.standing import Stood, laid_on_reference, registration_of, stood
from partsong.watch import Watch

SEGMENTS_A_PASS = 16
"""How many segments of the wide one process paints at a time: decoders open, and find their key frame, once for all."""


# --- proposing ------------------------------------------------------------------------------------


def propose(store: FilmStore, watch: Watch, *, bent: bool = False) -> Head:
    """Propose a mask for each stage take, their order, and how far each must be moved onto the reference.

    Masks are ovals, or curves if ``bent``. Those set by hand stay as they are. Of several takes of one part the circled
    one is used, else the latest.

    Raises
    ------
    InvalidInput
        If no stage take is placed on the song, takes differ in size, or their encoding is not known.
    """
    film = store.head().film
    chosen = chosen_takes(film)
    reference = _reference(film, [placed.take for placed in chosen])
    trial = film.replace(stage=film.stage.replace(order=tuple(placed.take.id for placed in chosen)))
    merged_takes(trial)
    curve = encoding_of(trial).curve
    all_stood = [stood(store.folder, placed, watch) for placed in chosen]
    assert film.width is not None
    scale = film.width / all_stood[0].seen.still.shape[1]
    base = [placed.take.id for placed in chosen].index(reference)
    registrations = _registrations(chosen, all_stood, reference)
    laid = [laid_on_reference(one, found, film.width) for one, found in zip(all_stood, registrations, strict=True)]
    lights = [pixels.to_linear(one.still, curve).astype(np.float32) for one in laid]
    names = [placed.take.id for placed in chosen]
    before = [film.stage.mask_of(name) for name in names]
    feather = FEATHER_SHARE * film.width
    feathers = [mask.feather_px if mask is not None and mask.by_hand else feather for mask in before]
    found = propose_masks(
        lights,
        [one.motion for one in laid],
        [scaled(mask.shape, 1 / scale) if mask is not None and mask.by_hand else None for mask in before],
        [value / scale for value in feathers],
        names=names,
        reference=base,
        bent=bent,
    )
    proposed = Stage(
        reference=reference,
        order=tuple(names[number] for number in found.order),
        masks=tuple(
            Mask(take=name, shape=scaled(shape, scale), feather_px=round(feather, 1))
            for name, shape in zip(names, found.shapes, strict=True)
        ),
        registrations=registrations,
    )
    return store.change(f"Proposed masks for {len(names)} takes", lambda newest: _with_proposal(newest, proposed))


def register(store: FilmStore, watch: Watch) -> Head:
    """Measure how each take lies on the reference, over its length; masks and their order stay as they are.

    Raises
    ------
    InvalidInput
        If no stage take is placed on the song, takes differ in size, or one shows another room.
    """
    film = store.head().film
    by_take = {placed.take.id: placed for placed in placed_takes(film)}
    chosen = [by_take[name] for name in film.stage.order if name in by_take] or chosen_takes(film)
    reference = _reference(film, [placed.take for placed in chosen])
    merged_takes(film.replace(stage=film.stage.replace(order=tuple(placed.take.id for placed in chosen))))
    found = _registrations(chosen, [stood(store.folder, placed, watch) for placed in chosen], reference)

    def edit(newest: Film) -> Film:
        return newest.replace(stage=newest.stage.replace(reference=reference, registrations=found))

    return store.change(f"Registered {len(found)} takes on {reference}", edit)


def _registrations(chosen: Sequence[PlacedTake], seen: Sequence[Stood], reference: str) -> tuple[Registration, ...]:
    base = next(one for placed, one in zip(chosen, seen, strict=True) if placed.take.id == reference)
    return tuple(registration_of(placed, one, reference, base) for placed, one in zip(chosen, seen, strict=True))


def chosen_takes(film: Film) -> list[PlacedTake]:
    """Return the stage take of each part that is to be merged, in score order.

    Raises
    ------
    InvalidInput
        If none is placed on the song.
    """
    placed = {one.take.id: one for one in placed_takes(film)}
    by_part: dict[str | None, Take] = {}
    for take in film.stage_takes():
        rival = by_part.get(take.part)
        if take.id in placed and (rival is None or take.circled or not rival.circled):
            by_part[take.part] = take
    if not has_wide(film):
        raise InvalidInput(NO_WIDE)
    if not by_part:
        raise InvalidInput("No stage take has a place on the song yet. Place them first: partsong lineup place FILM")
    return [placed[take.id] for take in by_part.values()]


def _reference(film: Film, takes: Sequence[Take]) -> str:
    """Return the reference: the chosen one, else, as on the day itself, the take of these that was filmed first."""
    names = {take.id for take in takes}
    if film.stage.reference in names:
        assert film.stage.reference is not None
        return film.stage.reference
    return next(take.id for take in film.takes if take.id in names)


def _with_proposal(film: Film, proposed: Stage) -> Film:
    by_hand = {mask.take: mask for mask in film.stage.masks if mask.by_hand}
    masks = tuple(by_hand.get(mask.take, mask) for mask in proposed.masks)
    found = {"reference": proposed.reference, "order": proposed.order, "registrations": proposed.registrations}
    return film.replace(stage=film.stage.replace(masks=masks, **found))


# --- by hand --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MaskWish:
    """What to change of a mask; None leaves it as it is. Pixels of the film's frame, degrees clockwise.

    ``points`` (x, y) draw a closed curve anew. ``key_at_s`` says at which song time the shape holds; without it the
    shape holds all through the song, and keys that the mask had are dropped.
    """

    x: float | None = None
    y: float | None = None
    rx: float | None = None
    ry: float | None = None
    rotation_deg: float | None = None
    feather_px: float | None = None
    points: tuple[tuple[float, float], ...] = ()
    key_at_s: float | None = None


def set_mask(store: FilmStore, take: str, wish: MaskWish) -> Head:
    """Set a take's mask by hand, whole or in part, for the whole song or as a key at one moment.

    Raises
    ------
    InvalidInput
        If the film has no such take, a new oval lacks its centre or radii, a curve has fewer than three points, the
        shape lies outside the frame, or the moment outside the song.
    """

    def edit(film: Film) -> Film:
        film.take(take)
        before = film.stage.mask_of(take)
        frame = None if wish.key_at_s is None else _frame_at(film, wish.key_at_s)
        feather = FEATHER_SHARE * (film.width or 0) if before is None else before.feather_px
        if wish.feather_px is not None:
            feather = wish.feather_px
        shape = _wished_shape(take, before, frame, wish)
        if shape is None:
            assert before is not None
            mask = before.replace(feather_px=feather, by_hand=True)
        else:
            left, top, right, bottom = box_of(shape, feather / 2)
            if (
                film.width
                and film.height
                and not (right > 0 and bottom > 0 and left < film.width and top < film.height)
            ):
                raise InvalidInput(
                    f"That mask of take {take!r} lies outside the frame of {film.width} x {film.height} pixels, so the "
                    "take would not show. Give a centre or points inside it."
                )
            keys: tuple[MaskKey, ...] = ()
            if frame is not None:
                others = [] if before is None else [key for key in before.keys if key.frame != frame]
                keys = tuple(sorted([*others, MaskKey(frame=frame, shape=shape)], key=lambda key: key.frame))
            base = before.shape if before is not None and frame is not None else shape
            if keys and {key.shape.kind for key in keys} == {shape.kind} and base.kind != shape.kind:
                base = keys[0].shape
            # Built in two ways round: only ``replace`` turns a broken rule into one sentence.
            mask = Mask(take=take, shape=base, by_hand=True).replace(feather_px=feather, keys=keys)
        kept = tuple(other for other in film.stage.masks if other.take != take)
        return film.replace(stage=film.stage.replace(masks=(*kept, mask)))

    moment = "" if wish.key_at_s is None else f" at {wish.key_at_s:g} s"
    return store.change(f"Set the mask of {take}{moment}", edit)


def _wished_shape(take: str, before: Mask | None, frame: int | None, wish: MaskWish) -> Shape | None:
    """Return the shape that is asked for; None where only the soft edge is."""
    given = {name: getattr(wish, name) for name in ("x", "y", "rx", "ry", "rotation_deg")}
    given = {name: value for name, value in given.items() if value is not None}
    if wish.points:
        if given:
            raise InvalidInput("Give either the numbers of an oval or the points of a curve, not both.")
        if len(wish.points) < 3:
            raise InvalidInput(
                f"A closed curve needs three points or more, not {len(wish.points)}. Give --point X,Y for each."
            )
        return Curve(points=tuple(Point(x=x, y=y) for x, y in wish.points))
    now = None if before is None else before.shape if frame is None else shape_at(before, frame)
    if not given and before is not None and frame is None:
        return None
    if isinstance(now, Curve) and given.keys() < {"x", "y", "rx", "ry"}:
        if given:
            raise InvalidInput(
                f"The mask of take {take!r} is a curve. Draw it anew with --point X,Y for each of its points, or give "
                "all of --x, --y, --rx and --ry for an oval in its place."
            )
        return now
    if isinstance(now, Oval):
        return now.replace(**given)
    if not {"x", "y", "rx", "ry"} <= given.keys():
        raise InvalidInput(f"Take {take!r} has no mask yet. Give all of --x, --y, --rx and --ry, or --point X,Y's.")
    return Oval(x=0.0, y=0.0, rx=1.0, ry=1.0).replace(**given)


def _frame_at(film: Film, at_s: float) -> int:
    assert film.rate is not None
    frame = int(at_s * film.rate.exact + 1e-6)  # a decimal such as 0.28 must not fall a frame short
    if not 0 <= frame < song_frames(film):
        raise InvalidInput(
            f"The song lasts {song_frames(film) * float(film.rate.frame_s):.2f} s; there is no frame at {at_s:g} s."
        )
    return frame


def set_order(store: FilmStore, takes: Sequence[str]) -> Head:
    """Set the layers from the bottom up; the first fills the frame.

    Raises
    ------
    InvalidInput
        If a take is named twice, is not of the locked-off camera, or is not in the film.
    """

    def edit(film: Film) -> Film:
        for name in takes:
            if film.take(name).kind != "stage":
                raise InvalidInput(
                    f"Take {name!r} is roaming coverage; only takes of the locked-off camera are layers."
                )
        return film.replace(stage=film.stage.replace(order=tuple(takes)))

    return store.change(f"Set the order of layers: {', '.join(takes)}", edit)


# --- merging --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Merged:
    """What merging came to, in frames: ``made`` now, ``kept`` from before, ``left`` out as the cut shows none of it."""

    made: int
    kept: int
    left: int
    decoding: tuple[str, ...] = ()  # where each kind of take was decoded, if that was asked

    @property
    def sentence(self) -> str:
        """It in words."""
        told = f"Merged {self.made} frames of the wide; {self.kept} were merged already."
        if self.left:
            told += f" {self.left} frames that the cut does not show were left out; --all merges them too."
        return told


def merge(
    store: FilmStore,
    watch: Watch,
    *,
    whole: bool = False,
    engine: Engine | None = None,
    gpu: bool = False,
    hardware: bool = False,
) -> Merged:
    """Merge what the cut shows of the wide, all of it while there is no cut or when the ``whole`` is asked for.

    With ``gpu``, layers are merged on the graphics processor of the machine that does the work, within one code of what
    its processor would give. With ``hardware``, takes are decoded on that machine's video hardware where it gives the
    same codes. What was merged before, either way, is used as it is.

    Raises
    ------
    InvalidInput
        If the film cannot be merged as it is; one sentence says what is missing.
    Cancelled
        When the watch said stop; finished segments are kept, and the next call goes on from them.
    """
    folder, film = store.folder, store.head().film
    folder.sweep()
    merged_takes(film)
    total = song_frames(film)
    watch.check("Merging the takes")
    segments = segments_of(film, range(total) if whole else shown_frames(film))
    outputs = [(segment, place(folder, segment)) for segment in segments]
    missing = [(segment, path) for segment, path in outputs if not path.is_file()]
    if missing and gpu and not isinstance(engine, Cluster):
        device()  # says now, not in every process, when there is none
    decoding = _decoding(folder, film) if missing and hardware and not isinstance(engine, Cluster) else ()
    painter = WidePainter(folder, film, encoding_of(film), form_of(film), gpu, hardware)
    paths = dict(missing)
    batches = [
        (painter, [(segment, paths[segment]) for segment in run[first : first + SEGMENTS_A_PASS]])
        for run in runs_of(list(paths))
        for first in range(0, len(run), SEGMENTS_A_PASS)
    ]
    made = render(batches, watch=watch, engine=engine, doing="Merging the takes")
    folder.sweep()  # workers may have been killed on the way, and others have done their work
    shown = sum(segment.stop - segment.first for segment in segments)
    return Merged(made, shown - made, total - shown, decoding)


def _decoding(folder: FilmFolder, film: Film) -> tuple[str, ...]:
    """Return where each kind of take is decoded, in sentences."""
    takes = (film.take(name) for name in film.stage.order)
    told = [agreed(folder.locate(take.clip.file), take.picture).sentence for take in takes]
    return tuple(dict.fromkeys(told))


def draw_frame(store: FilmStore, at_s: float, path: Path) -> None:
    """Draw one merged frame with the ovals on it, through the film's look if it has one, as a PNG.

    Raises
    ------
    InvalidInput
        If the film cannot be merged as it is, or the song does not last that long.
    """
    png_only(path)
    film = store.head().film
    merged_takes(film)
    frame = _frame_at(film, at_s)
    write_png(path, outlined(merged_picture(store.folder, film, frame), film.stage, frame))


def merged_picture(folder: FilmFolder, film: Film, frame: int) -> NDArray[np.uint8]:
    """Return a frame of the song as the render merges it, R'G'B' (height, width, 3), through the film's look if any.

    Raises
    ------
    InvalidInput
        If the film cannot be merged as it is, or the song has no such frame.
    """
    merged_takes(film)
    if not 0 <= frame < song_frames(film):
        raise InvalidInput(f"The song has no frame {frame}; it has the frames 0 to {song_frames(film) - 1}.")
    painter = WidePainter(folder, film, encoding_of(film), form_of(film))
    planes = next(painter.frames(plan_frames(film, range(frame, frame + 1))))
    path_to_display = None
    if film.look is not None:
        path_to_display = display_path(film.look, painter.encoding.space, table_of(folder, film.look))
    return shown_picture(planes, path_to_display)
