"""The frame plan: which source frames make a frame of the wide, through which ovals, moved and lit by how much.

How a take is moved belongs to the frame and not to the stack: a camera that sags moves a little in every frame, and
the ovals, which lie in the reference's frame, stay where they are.

It is data: frozen, comparable, hashable, and written as JSON by ``model_dump_json``. Frames whose layers are the same
share one :class:`Stack`, and whoever draws them prepares that stack once.

A layer has no picture before its take starts or after it ends. It is left out of those frames and the layers beneath
show; the lowest layer that has a picture fills the frame. One that starts or ends within the song is faded in or out
over :data:`FADE_S`. A frame for which no layer has a picture has an empty stack and is drawn without light.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import groupby
from typing import Literal

from partsong.errors import InvalidInput
from partsong.film.coverage import NO_WIDE, PlacedTake, has_wide, placed_takes, song_frames
from partsong.film.records import (
    Clip,
    Count,
    Film,
    Finite,
    Id,
    Mask,
    Natural,
    Patch,
    Pose,
    Positive,
    Record,
    Registration,
    Shape,
    Share,
)
from partsong.render import pixels, shapes
from partsong.render.warp import settled
from partsong.timebase import round_half_up

FADE_S = Fraction(2, 5)
"""How long a take that starts or ends within the song takes to come or go, at most (common practice, no source)."""


class Layer(Record):
    """How one take shows: ``shape`` None fills the frame; its light is multiplied by ``gain``.

    Its alpha is that of its shape, brought up towards 1 by ``fills`` (while those beneath are not all there yet), times
    ``opacity``.
    """

    take: Id
    shape: Shape | None = None
    feather_px: Finite = 0.0
    opacity: Share = 1.0
    fills: Share = 0.0
    gain: tuple[Positive, Positive, Positive] = (1.0, 1.0, 1.0)


class Stack(Record):
    """The layers of a frame from the bottom up; the first fills the frame. Empty where nothing has a picture.

    With a ``method`` other than ``masks`` the layers without a shape have their light added
    (:mod:`partsong.render.lightsum`), and those with one, the patches, lie over the sum.
    """

    width: Natural
    height: Natural
    method: Literal["masks", "light-sum", "combined"] = "masks"
    layers: tuple[Layer, ...] = ()


class FramePlan(Record):
    """One frame of song time: its stack and, for each layer, the number of the take's frame and how it is moved."""

    frame: Count
    stack: Stack
    sources: tuple[Count, ...] = ()
    poses: tuple[Pose, ...] = ()


def plan_frames(film: Film, frames: range) -> tuple[FramePlan, ...]:
    """Plan frames of the merged wide.

    Parameters
    ----------
    film : Film
        With a size, a rate and an order of layers, each of them placed on the song.
    frames : range
        Song frames, in rising order.

    Raises
    ------
    InvalidInput
        If there are no layers, or one of them is not placed or has no oval.
    """
    layered = layers_of(film)
    whole = [layer for layer, _ in layered]
    placed = [take for _, take in layered]
    masks = [film.stage.mask_of(layer.take) for layer in whole]
    registered = {one.take: one for one in film.stage.registrations}
    covered = [take.frames() for take in placed]
    last = song_frames(film) if film.song is not None else max(span.stop for span in covered)
    assert film.width is not None
    assert film.height is not None
    assert film.rate is not None
    fade = max(1, round_half_up(FADE_S * film.rate.exact))
    method = film.stage.method
    elsewhere = {take.take.id: (take, take.frames()) for take in placed_takes(film)} if film.stage.patches else {}
    stacks: dict[tuple[Layer, ...], Stack] = {}
    plans = []
    for frame in frames:
        present = tuple(number for number, span in enumerate(covered) if frame in span)
        there = [_there(covered[number], frame, last, fade) for number in present]
        if method == "masks":
            layers = _layers_at(frame, [(whole[number], masks[number]) for number in present], there)
        else:
            layers = tuple(whole[number].replace(opacity=share) for number, share in zip(present, there, strict=True))
        sources = [placed[number].source_frame(frame) for number in present]
        named = [whole[number].take for number in present]
        for patch in film.stage.patches if present else ():
            source = _patch_source(film, patch, frame, elsewhere)
            if source is not None:
                layers = (*layers, _patch_layer(patch))
                sources.append(source)
                named.append(patch.source)
        if layers not in stacks:
            stacks[layers] = Stack(width=film.width, height=film.height, method=method, layers=layers)
        poses = tuple(_pose(film, registered.get(name), source) for name, source in zip(named, sources, strict=True))
        plans.append(FramePlan(frame=frame, stack=stacks[layers], sources=tuple(sources), poses=poses))
    return tuple(plans)


def clip_of(film: Film, source: str) -> Clip:
    """Return the clip of a layer: of a take, or of a plate."""
    plate = next((plate for plate in film.plates if plate.id == source), None)
    return plate.clip if plate is not None else film.take(source).clip


def _patch_layer(patch: Patch) -> Layer:
    return Layer(take=patch.source, shape=patch.shape, feather_px=patch.feather_px, gain=patch.gain)


def _patch_source(film: Film, patch: Patch, frame: int, placed: Mapping[str, tuple[PlacedTake, range]]) -> int | None:
    """Return the frame of a patch's source at a song frame, or None where it does not lie there."""
    if frame < (patch.start or 0) or (patch.end is not None and frame >= patch.end):
        return None
    if patch.source in placed:
        take, covered = placed[patch.source]
        return take.source_frame(frame) if frame in covered else None
    plate = next((plate for plate in film.plates if plate.id == patch.source), None)
    if plate is None or plate.clip.picture is None:
        raise InvalidInput(
            f"A patch is taken from {patch.source!r}, which has no sure place on the song. "
            "Place it (partsong lineup) or take the patch away: partsong stage patch FILM --remove NUMBER"
        )
    # To and fro, so that its grain lives and its end is not seen.
    last = plate.clip.picture.frames - 1
    return last - abs(frame % (2 * last) - last) if last else 0


def _there(span: range, frame: int, last: int, fade: int) -> float:
    """Return how much a take is there at a frame, above 0 to 1: less than 1 just after it starts or before it ends."""
    since = (frame - span.start + 1) / (fade + 1) if span.start > 0 else 1.0
    until = (span.stop - frame) / (fade + 1) if span.stop < last else 1.0
    share = min(since, until)
    return 1.0 if share >= 1 else round(float(pixels.smoothstep(share)), 4)


def _layers_at(frame: int, present: Sequence[tuple[Layer, Mask | None]], there: Sequence[float]) -> tuple[Layer, ...]:
    """Return the layers of a frame, the lowest filling it.

    While a layer is on its way, the frame lies between the one without it and the one with it. So those above it fill
    what it, and all beneath it, leave open.
    """
    layers: list[Layer] = []
    open_share = 1.0
    for (layer, mask), opacity in zip(present, there, strict=True):
        shape = shapes.shape_at(mask, frame) if mask is not None else None
        if not layers:
            layers.append(layer.replace(shape=None, feather_px=0.0))
        elif opacity == 1 and open_share == 0 and shape == layer.shape:
            layers.append(layer)
        else:
            layers.append(layer.replace(shape=shape, opacity=opacity, fills=round(open_share, 4)))
        open_share *= 1 - opacity
    return tuple(layers)


def stretches(plans: Sequence[FramePlan]) -> Iterator[tuple[Stack, tuple[FramePlan, ...]]]:
    """Yield runs of consecutive plans that share a stack."""
    for stack, run in groupby(plans, key=lambda plan: plan.stack):
        yield stack, tuple(run)


def layers_of(film: Film) -> list[tuple[Layer, PlacedTake]]:
    """Return the layers of the film's stage from the bottom up, each with its take's place on the song.

    Raises
    ------
    InvalidInput
        If there are no layers, or one of them is not placed or has no oval.
    """
    if not has_wide(film):
        raise InvalidInput(NO_WIDE)
    if not film.stage.order or film.width is None or film.height is None:
        raise InvalidInput("The stage has no layers yet. Let them be proposed: partsong stage propose FILM")
    by_take = {placed.take.id: placed for placed in placed_takes(film)}
    for take in film.stage.order:
        if take not in by_take:
            raise InvalidInput(
                f"Take {take!r} is a layer of the stage but has no sure place on the song. "
                "Place it (partsong lineup) or take it out: partsong stage order FILM TAKE ..."
            )
    return [(_layer(film, take), by_take[take]) for take in film.stage.order]


def _layer(film: Film, take: str) -> Layer:
    matched = film.stage.match_of(take)
    gain = matched.gain if matched else pixels.NO_GAIN
    if film.stage.method != "masks":
        return Layer(take=take, gain=gain)
    mask = film.stage.mask_of(take)
    if mask is None and take != film.stage.order[0]:
        raise InvalidInput(
            f"Take {take!r} lies above others and has no oval, so it would hide them all. "
            f"Give it one: partsong stage mask FILM {take} --x ... --y ... --rx ... --ry ..."
        )
    return Layer(
        take=take,
        shape=mask.shape if mask else None,
        feather_px=mask.feather_px if mask else 0.0,
        gain=gain,
    )


_AS_IT_IS = Pose()


def _pose(film: Film, registration: Registration | None, source: int) -> Pose:
    if registration is None:
        return _AS_IT_IS
    pose = registration.at(source)
    if registration.moves_at(source):
        return pose  # a slow move would jump where resampling began
    assert film.width is not None
    assert film.height is not None
    return settled(pose, film.width, film.height)
