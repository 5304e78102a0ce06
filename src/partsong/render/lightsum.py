"""Adding light: the room with every lamp on, from takes that each had one.

Light adds. A take shows its ambient light and its lamp's; the sum of all takes' light, less the ambient light that is
in there once too often for each take but one, is the room with all lamps on, true shadows and all. That holds in
scene-linear light only, and only where every take shows the same room. Three things are done about the rest:

- **Grain.** A plain sum has the grain of all takes. So each take's empty, lit room is known with its grain averaged
  out (:class:`LitRoom`); those are added once, and a frame adds only what differs from them: the player and his shadow.
  Each pixel keeps the grain of the one take that gives it most light, as a camera would have had. Where the strongest
  takes change and one is grainier, the room's grain goes over from one level to the other (:func:`evened`).
- **Players.** Where a player stands before ground that another lamp lights, a sum shows that ground through him. With
  ``players`` each is laid over the sum, through a soft matte of his own for every frame.
- **Coming and going.** A take's lamp counts by its layer's opacity.

With A the ambient light, G a take's lit room, L its frame's light, o its opacity, m where L differs from G, p the
player's matte, and q what the strongest take's grain is multiplied by, nothing for the other takes::

    sum = A + total over takes of o (G - A) + o (m + (1 - m) q) (L - G)
    picture = sum, and over it each L through o p, in the order of the layers

At a soft edge of a player before ground that others light, L already holds the mixture of him and his own ground, so
the layer above the sum comes out exactly as that edge would with all lamps on.

m and p are found on pictures no wider than twice ``SEARCHED_WIDTH`` (:mod:`partsong.render.mattes`) and enlarged.
:func:`summed` is the definition in double precision. :class:`LightSum` decodes only what it adds, in bands of rows by
compiled loops, looks closely only where a frame differs from the lit room at a quarter of its size, and is held
to the definition.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.lightpath import LightPath
from partsong.render.mattes import LitRoom, fast_player_matte, reduced, where_differs
from partsong.render.merge import Form, Merger
from partsong.render.plan import Stack
from partsong.render.warp import fast_warped

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Light = NDArray[np.float32]

SEARCHED_WIDTH = 960
"""Frames are looked over for players at the whole fraction of their size that comes closest to this width."""

_SMALLER = 4  # by this much, where a frame is first looked over
_STRAYS = 3.0  # standard deviations of grain, from which on a frame differs there
_CLOSE = 3  # times as far around what differs a frame is looked at closely
_POOLS = 60  # of the width: over less, light may change without its grain doing so
_UNEVEN = 0.25  # where takes' grain differs by less, it is left: it is measured to a tenth or so
_BAND_ROWS = 64
_BEYOND = 60  # of the width: what mattes look at around a place


def ambient_of(rooms: Sequence[LitRoom]) -> Light:
    """Return the light that lit rooms share, for want of a plate: the least of each pixel, players left out.

    It is right where at least one take's lamp does not reach, and too bright elsewhere.
    """
    lights = np.stack([np.where(room.hidden[..., None] > 0, np.inf, room.light) for room in rooms])
    least = lights.min(axis=0)
    anyway = np.min([room.light for room in rooms], axis=0)
    return np.asarray(np.where(np.isfinite(least), least, anyway), np.float32)


def summed(
    lights: Sequence[NDArray[np.floating]],
    rooms: Sequence[NDArray[np.floating]],
    ambient: NDArray[np.floating],
    differs: Sequence[NDArray[np.floating]],
    mattes: Sequence[NDArray[np.floating]] | None,
    opacities: Sequence[float],
    even: NDArray[np.floating] | None = None,
) -> NDArray[np.float64]:
    """Return the light of one frame: the definition (see the top of this module).

    Parameters
    ----------
    lights, rooms : sequences of (height, width, 3)
        L and G of each take, in the order of the layers.
    ambient : (height, width, 3)
        A, the light that all takes share.
    differs, mattes : sequences of (height, width)
        m and p of each take; ``mattes`` None lays no players over the sum.
    opacities : sequence of float
        o of each take.
    even : (height, width), optional
        q where a take is the strongest; one when left out.
    """
    dark = np.asarray(ambient, np.float64)
    strongest = brightest(rooms, opacities)
    total = dark.copy()
    for number, (light, room) in enumerate(zip(lights, rooms, strict=True)):
        kept = (strongest == number) * (1.0 if even is None else np.asarray(even, np.float64))
        share = (differs[number] + (1 - np.asarray(differs[number], np.float64)) * kept)[..., None]
        total += opacities[number] * (
            np.asarray(room, np.float64) - dark + share * (np.asarray(light, np.float64) - room)
        )
    if mattes is None:
        return total
    alphas = [np.ones(dark.shape[:2]), *(o * np.asarray(p, np.float64) for o, p in zip(opacities, mattes, strict=True))]
    weights = pixels.layer_weights(alphas)
    result: NDArray[np.float64] = weights[0][..., None] * total
    for weight, light in zip(weights[1:], lights, strict=True):
        result = result + weight[..., None] * light
    return result


def brightest(rooms: Sequence[NDArray[np.floating]], opacities: Sequence[float]) -> NDArray[np.intp]:
    """Return which take gives each pixel the most light."""
    sums = np.stack([o * room.sum(axis=-1) for o, room in zip(opacities, rooms, strict=True)])
    return np.asarray(np.argmax(sums, axis=0), np.intp)


def evened(rooms: Sequence[LitRoom], opacities: Sequence[float]) -> Light:
    """Return q (height, width): what the grain of each pixel's strongest take is multiplied by.

    The grain that is wanted is that of all takes at the strongest one's light, by the square of how much light each
    gives thereabouts: in its own pool a take all but keeps its grain, and it changes as slowly as pools of light do.
    """
    import cv2

    reach = rooms[0].light.shape[1] / _POOLS
    lights = [
        np.float32(o) * cv2.GaussianBlur(np.maximum(room.light.mean(axis=-1), 0), (0, 0), reach)
        for o, room in zip(opacities, rooms, strict=True)
    ]
    strongest = brightest([room.light for room in rooms], opacities)
    most = np.maximum(np.max(lights, axis=0), np.float32(1e-9))
    light = np.take_along_axis(np.stack([room.light.mean(axis=-1) for room in rooms]), strongest[None], axis=0)[0]
    wanted, weight, own = (np.zeros(strongest.shape, np.float32) for _ in range(3))
    for number, room in enumerate(rooms):
        share = (lights[number] / most) ** 2
        variance = room.grain(light) ** 2
        wanted += share * variance
        weight += share
        own = np.where(strongest == number, variance, own)
    return np.asarray(np.sqrt(wanted / weight / own), np.float32)


def searched_factor(width: int) -> int:
    """Return by how much frames of a width are made smaller where players are looked for.

    >>> [searched_factor(width) for width in (640, 1280, 1920, 3840)]
    [1, 1, 2, 4]
    """
    return max(1, round(width / SEARCHED_WIDTH))


@dataclass(frozen=True, slots=True)
class Found:
    """What was found in one frame of a take: m and p (None for no players) in a box of the frame, made smaller.

    ``box`` is (top, bottom, left, right) in pixels of the frame; outside it the take shows its lit room.
    """

    box: tuple[int, int, int, int]
    differs: Light
    matte: Light | None


@dataclass(frozen=True, slots=True)
class _Rest:
    """A take's lit room as frames are held against it.

    ``codes`` are its planes at a quarter of their size, ``strays`` how far grain strays from them there and ``hidden``
    where a player hides it; ``searched`` is the room as small as players are looked for.
    """

    codes: tuple[Light, ...]
    strays: Light
    hidden: NDArray[np.bool_]
    searched: LitRoom


_RESTS: WeakKeyDictionary[LitRoom, dict[tuple[object, ...], _Rest]] = WeakKeyDictionary()


def _at_rest(room: LitRoom, gain: tuple[float, float, float], path: LightPath, factor: int) -> _Rest:
    """Make a room ready; kept as long as the room is, since every frame of a fade has a stack of its own."""
    kept = _RESTS.setdefault(room, {})
    key = (gain, path.form, path.curve.tobytes(), factor)
    if key not in kept:
        bare = np.asarray(room.light / np.asarray(gain, np.float32), np.float32)
        small = reduced(room.light, _SMALLER)
        levels = [
            pixels.encoded_to_codes(
                pixels.to_encoded(light / np.asarray(gain), path.curve), path.form.bit_depth, path.form.matrix,
                path.form.value_range,
            )[..., 0]
            for light in (small, small + room.grain(small) / _SMALLER)
        ]  # fmt: skip
        strays = np.asarray(np.maximum(_STRAYS * (levels[1] - levels[0]), 0.5), np.float32)
        hidden = reduced(room.hidden, _SMALLER) > 0
        kept[key] = _Rest(_smaller(path.encoded(bare)), strays, hidden, room.smaller(factor))
    return kept[key]


def _reach(where: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the first column that is true in each row, and the one after the last: (rows, 2)."""
    found = np.zeros((len(where), 2), np.int64)
    some = where.any(axis=1)
    found[some, 0] = where[some].argmax(axis=1)
    found[some, 1] = where.shape[1] - where[some, ::-1].argmax(axis=1)
    return found


def _smaller(planes: Planes) -> tuple[Light, ...]:
    """Return the three planes at a quarter of the frame's size."""
    import cv2

    size = (max(1, planes.width // _SMALLER), max(1, planes.height // _SMALLER))
    y, u, v = (
        np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.float32)
        for plane in (planes.y, planes.u, planes.v)
    )
    return y, u, v


class LightSum:
    """Adds the light of the takes of one stack, frame by frame, and lays its patches over the sum.

    Parameters
    ----------
    stack : Stack
        Its method is ``light-sum`` or ``combined``.
    rooms : sequence of LitRoom
        Of each of the stack's takes, with that layer's gain in it.
    ambient : (height, width, 3)
        The light that all takes share.
    curve, form
        As for :class:`partsong.render.merge.Merger`.
    """

    def __init__(self, stack: Stack, rooms: Sequence[LitRoom], ambient: Light, curve: ArrayLike, form: Form) -> None:
        self._stack, self._rooms, self._ambient = stack, tuple(rooms), ambient
        self._takes = tuple(layer for layer in stack.layers if layer.shape is None)
        patches = tuple(layer for layer in stack.layers if layer.shape is not None)
        if len(rooms) != len(self._takes):
            raise InvalidInput("Each take whose light is added needs its lit room; one of them has none.")
        self._players = stack.method == "combined"
        self._path = LightPath(curve, form, stack.width, stack.height)
        self._patches = None
        self.shows = (True,) * len(self._takes)
        if patches:
            under = stack.layers[0].replace(opacity=1.0, gain=pixels.NO_GAIN)
            over = Stack(width=stack.width, height=stack.height, layers=(under, *patches))
            self._patches = Merger(over, curve, form)
            self.shows += self._patches.shows[1:]
        self._factor = searched_factor(stack.width)
        opacities = [layer.opacity for layer in self._takes]
        if opacities:
            self._strongest = brightest([room.light for room in rooms], opacities).astype(np.uint8)
            self._reach = [_reach(self._strongest == number) for number in range(len(rooms))]
            even = evened(rooms, opacities)
            self._even = even if np.abs(even - 1).max() > _UNEVEN else np.zeros((0, 0), np.float32)
            self._start = self._begun(opacities)
            self._dark = reduced(ambient, self._factor)
            self._rests = [
                _at_rest(room, layer.gain, self._path, self._factor)
                for room, layer in zip(rooms, self._takes, strict=True)
            ]

    def merge(self, layers: Sequence[Planes | None], poses: Sequence[Pose]) -> Planes:
        """Add one frame of each take and lay the patches over it, bottom first; None only for layers without weight."""
        count = len(self._takes)
        given = [planes for planes in layers[:count] if planes is not None]
        if len(given) != count:
            raise InvalidInput("A take whose light is added has no frame there.")
        frames = [
            self._path.checked(planes if pose == Pose() else fast_warped(planes, pose))
            for planes, pose in zip(given, poses, strict=False)
        ]
        added = self.added(frames, self.found(frames))
        if self._patches is None:
            return added
        return self._patches.merge([added, *layers[count:]], [Pose(), *poses[count:]])

    def found(self, frames: Sequence[Planes]) -> list[Found | None]:
        """Look one frame of each take over; None for a take that shows its lit room."""
        found: list[Found | None] = []
        factor, width = self._factor, self._stack.width // self._factor
        for number, planes in enumerate(frames):
            asked = self._changed(planes, number)
            box = self._around(asked)
            if box is None:
                found.append(None)
                continue
            top, bottom, left, right = (edge // factor for edge in box)
            part = slice(top, bottom), slice(left, right)
            room = self._rests[number].searched
            near = replace(room, light=room.light[part], hidden=room.hidden[part])
            light = near.light.copy()  # where nothing differs a frame shows the lit room, and need not be decoded
            self._path.mean_light(
                planes, self._takes[number].gain, (box[0], box[2]), factor, asked, _SMALLER, light
            )  # fmt: skip
            matte = fast_player_matte(light, near, self._dark[part], width) if self._players else None
            found.append(Found(box, where_differs(light, near), matte))
        return found

    def added(self, frames: Sequence[Planes], found: Sequence[Found | None]) -> Planes:
        """Add the light of one frame of each take, by what was found in it."""
        from partsong.render import light_kernels  # Numba takes over a second to load

        height, width = self._stack.height, self._stack.width
        made, band = self._path.empty(), self._path.band(_BAND_ROWS)
        nothing = Found((0, 0, 0, 0), np.zeros((1, 1), np.float32), None)
        boxes = [one or nothing for one in found]
        sources = [self._path.source(planes, layer.gain) for planes, layer in zip(frames, self._takes, strict=True)]
        shares = [np.float32(layer.opacity) for layer in self._takes]
        line = np.empty(width, np.float32)
        for top in range(0, height, _BAND_ROWS):
            rows = slice(top, min(top + _BAND_ROWS, height))
            count = rows.stop - top
            # All of it is contiguous, but for the last rows of a frame, which are encoded from a copy.
            light = band if count == _BAND_ROWS else np.ascontiguousarray(band[:, :count])
            light[:, :, :width] = self._start[:, rows] if self._takes else 0
            for number, (room, one) in enumerate(zip(self._rooms, boxes, strict=True)):
                light_kernels.add_take(
                    *sources[number], top, light, self._strongest[rows], self._even, self._reach[number], number,
                    shares[number], room.light, one.differs, one.box, self._factor, line,
                )  # fmt: skip
            for number, one in enumerate(boxes):
                if one.matte is not None:
                    light_kernels.lay_over(
                        *sources[number], top, count, light, shares[number], one.matte, one.box, self._factor, line
                    )
            self._path.encode(light, top, made)
        return made

    def _begun(self, opacities: Sequence[float]) -> Light:
        """Return what every frame starts from: all rooms, less that of the take whose own light will be added."""
        start = self._ambient.astype(np.float32)
        for number, (opacity, room) in enumerate(zip(opacities, self._rooms, strict=True)):
            mine = self._strongest == number
            left = 1 - (mine * self._even if self._even.size else mine.astype(np.float32))
            start += np.float32(opacity) * (left[..., None] * room.light - self._ambient)
        return np.ascontiguousarray(np.moveaxis(start, -1, 0))

    def _changed(self, planes: Planes, number: int) -> NDArray[np.bool_]:
        """Say where, at a quarter of its size, a frame differs from its lit room, or is close to where it does."""
        import cv2

        rest = self._rests[number]
        away = rest.hidden.copy()
        for here, there in zip(_smaller(planes), rest.codes, strict=True):
            away |= cv2.absdiff(here, there) > rest.strays
        solid = cv2.morphologyEx(away.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        return np.asarray(cv2.dilate(solid, np.ones((2 * _CLOSE + 1,) * 2, np.uint8)) > 0)

    def _around(self, asked: NDArray[np.bool_]) -> tuple[int, int, int, int] | None:
        """Return the box around what is asked for, wide enough for what mattes look at; None where nothing is."""
        rows, columns = np.flatnonzero(asked.any(axis=1)), np.flatnonzero(asked.any(axis=0))
        if not len(rows):
            return None
        margin = 2 * round(self._stack.width / _BEYOND / _SMALLER)
        step = self._factor * _SMALLER
        box = []
        for found, size in ((rows, self._stack.height), (columns, self._stack.width)):
            first = max(0, int(found[0]) - margin) * _SMALLER // step * step
            last = -(-(int(found[-1]) + 1 + margin) * _SMALLER // step) * step
            # What is left over where the frame is no multiple belongs to the last row and column.
            box += [first, size if last > size - step else last]
        return box[0], box[1], box[2], box[3]
