"""Adding light: the room with every lamp on, from takes that each had one.

Light adds. A take shows its ambient light and its lamp's; the sum of all takes' light, less the ambient light that is
in there once too often for each take but one, is the room with all lamps on, true shadows and all. That holds in
scene-linear light only, and only where every take shows the same room. Three things are done about the rest:

- **Grain.** A plain sum has the grain of all takes. So each take's empty, lit room is known with its grain averaged
  out (:class:`LitRoom`); those are added once, and a frame adds only what differs from them: the player and his shadow.
  Each pixel keeps the grain of the one take that gives it most light, as a camera would have had.
- **Players.** Where a player stands before ground that another lamp lights, a sum shows that ground through him. With
  ``players`` each is laid over the sum, through a soft matte of his own for every frame.
- **Coming and going.** A take's lamp counts by its layer's opacity.

With A the ambient light, G a take's lit room, L its frame's light, o its opacity, m where L differs from G, g one where
the take gives the most light, and p the player's matte::

    sum = A + total over takes of o (G - A) + o max(m, g) (L - G)
    picture = sum, and over it each L through o p, in the order of the layers

At a soft edge of a player before ground that others light, L already holds the mixture of him and his own ground, so
the layer above the sum comes out exactly as that edge would with all lamps on.

:func:`summed` is the definition in double precision. :class:`LightSum` works in single precision, looks closely only
where a frame differs from the lit room at a quarter of its size, and is held to the definition.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.lightpath import LightPath
from partsong.render.merge import Form, Merger
from partsong.render.plan import Stack
from partsong.render.warp import fast_warped

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Light = NDArray[np.float32]

_SOFT_PX = 0.8  # grain is quietened by this much before anything is judged
_QUIETER = 0.45  # what that leaves of white noise, a little less than that of colour at half the width
_DIFFERS = (2.5, 2.0)  # in standard deviations of what is left: from here on, over this many more, it differs
_FOREIGN = (2.0, 3.0)
_WHOLLY = 0.6  # of the way to the light beside it: from here on an edge's pixel is all player's, whatever his pattern
_ROUNDING = 0.004  # of the light: ten-bit codes of a camera's logarithm lie 1.4 % apart, whose spread is 0.29 of that
_LEAST_VARIANCE = 1e-9
_UNSHADED = 5.0  # of the light in a room's picture: a deep shadow leaves a fifth
_RELATIVE = 0.02  # of the light: the lit room is not known better than that
_SMALLER = 4  # by this much, where a frame is first looked over


@dataclass(frozen=True, slots=True)
class LitRoom:
    """The room as one take's lamp lights it, nobody in it, laid on the reference.

    ``light`` (height, width, 3) is scene-linear, its grain averaged out. ``hidden`` (height, width), 0 to 1, says where
    a player stood in the way all through, so that it is a guess. The grain's variance is ``read**2 + shot * light``.
    With ``guessed`` it comes from the take itself, in which the player's shadow lies somewhere at any time.
    """

    light: Light
    hidden: Light
    read: float
    shot: float
    guessed: bool = False

    def grain(self, light: ArrayLike) -> Light:
        """Return the standard deviation of the grain at a light: no less than what rounding to codes makes."""
        held = np.maximum(np.asarray(light, np.float32), 0)
        variance = np.float32(self.read**2) + np.float32(self.shot) * held
        least = np.maximum((np.float32(_ROUNDING) * held) ** 2, np.float32(_LEAST_VARIANCE))
        return np.asarray(np.sqrt(np.maximum(variance, least)), np.float32)


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
    """
    dark = np.asarray(ambient, np.float64)
    strongest = brightest(rooms, opacities)
    total = dark.copy()
    for number, (light, room) in enumerate(zip(lights, rooms, strict=True)):
        share = np.maximum(differs[number], strongest == number)[..., None]
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


def _ramp(value: NDArray[np.floating], start: float, width: float) -> Light:
    t = np.clip((value - start) / width, 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def _soft(light: Light) -> Light:
    import cv2

    return np.asarray(cv2.GaussianBlur(light, (0, 0), _SOFT_PX, borderType=cv2.BORDER_REPLICATE), np.float32)


def where_differs(light: Light, room: LitRoom) -> Light:
    """Return m (height, width), 0 to 1: where a frame's light is not the lit room's, beyond what grain does."""
    far = np.abs(_soft(light) - _soft(room.light)).max(axis=-1)
    quiet = _QUIETER * room.grain(room.light.mean(axis=-1))
    return np.maximum(_ramp(far / quiet, *_DIFFERS), room.hidden)


def player_matte(light: Light, room: LitRoom, ambient: Light, width: int) -> Light:
    """Return p (height, width), 0 to 1: where a frame shows neither the lit room nor a shadow in it.

    In a shadow the lamp's light is less and nothing else changes: red, green and blue all lie the same share of the way
    from ambient light to the lit room. A player is of other colours, or brighter, or darker than ambient light. One who
    is not in some part of him (dark trousers before a grey floor) is found there by the room's drawing, which a shadow
    keeps and he does not; that is only believed between parts that are surely his.

    Parameters
    ----------
    light, ambient : (height, width, 3)
        The frame's light, and that which all takes share.
    room : LitRoom
        The take's.
    width : int
        Of the whole frame, which lengths follow.
    """
    import cv2

    seen, lit, dark = (_soft(one) for one in (light, room.light, ambient))
    quiet = _QUIETER * room.grain(np.maximum(seen, lit).mean(axis=-1))[..., None]
    tolerance = np.asarray(quiet + _RELATIVE * np.abs(seen), np.float32)
    lamp = np.maximum(lit - dark, 1e-5)
    along = ((seen - dark) * lamp / tolerance**2).sum(axis=-1)
    length = (lamp * lamp / tolerance**2).sum(axis=-1)

    # In a room guessed from the take a shadow may lie where it has gone from now, and the lamp's light is back.
    most = _UNSHADED if room.guessed else 1.02

    def off(share: Light, unit: Light) -> Light:
        left = np.clip(share, -0.02, most)[..., None]
        return np.asarray((((seen - (dark + left * lamp)) / unit) ** 2).sum(axis=-1), np.float32)

    alpha = _ramp(np.sqrt(off(along / length, tolerance)), *_FOREIGN)
    window = (_odd(width, 160),) * 2
    local = off(cv2.blur(along, window) / cv2.blur(length, window), tolerance)
    drawing = _ramp(np.sqrt(np.maximum(cv2.blur(local, window), 0)), *_FOREIGN)
    surely = _opened(alpha, _odd(width, 240))
    between = _closed(surely, _odd(width, 16))
    alpha = np.maximum(alpha, between * drawing)
    alpha = _closed(_opened(alpha, _odd(width, 320)), _odd(width, 100))
    # At his edge a pixel is as much of him as its light is on the way to his own, which is close by.
    edge = np.ones((_odd(width, 160),) * 2, np.uint8)
    away = np.sqrt(off(along / length, np.ones_like(tolerance)))
    whole = cv2.dilate(np.where(alpha > 0.5, away, 0).astype(np.float32), edge)
    share = np.clip(away / np.maximum(_WHOLLY * whole, 1e-6), 0, 1)
    return np.asarray(np.maximum(np.maximum(cv2.erode(alpha, edge), alpha * share), room.hidden), np.float32)


def _odd(width: int, share: int) -> int:
    return 2 * round(width / share) + 1


def _opened(alpha: Light, size: int) -> Light:
    return _shaped(alpha, size, "open")


def _closed(alpha: Light, size: int) -> Light:
    return _shaped(alpha, size, "close")


def _shaped(alpha: Light, size: int, how: str) -> Light:
    """Take away (open) or fill in (close) what is smaller than a disc; steps of 1/255 are fine enough for a matte."""
    import cv2

    codes = np.asarray(alpha * 255 + 0.5).astype(np.uint8)
    # A disc as large as a player's limb is slow at its full size, and its outline is not what softens the matte.
    factor = max(1, size // 15)
    small: NDArray[Any] = codes
    if factor > 1:
        small = cv2.resize(codes, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    radius = size // factor // 2
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    # Without ground around it, all between a shape and the picture's edge would be filled in.
    framed = cv2.copyMakeBorder(small, radius, radius, radius, radius, cv2.BORDER_CONSTANT, value=0)
    done = cv2.morphologyEx(framed, cv2.MORPH_OPEN if how == "open" else cv2.MORPH_CLOSE, disc)
    done = done[radius : radius + small.shape[0], radius : radius + small.shape[1]]
    if factor > 1:
        done = cv2.resize(done, codes.shape[::-1], interpolation=cv2.INTER_LINEAR)
        done = np.minimum(done, codes) if how == "open" else np.maximum(done, codes)
    return np.asarray(done, np.float32) / np.float32(255)


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
        opacities = [layer.opacity for layer in self._takes]
        if opacities:
            self._strongest = brightest([room.light for room in rooms], opacities)
            self._base = np.asarray(
                ambient + sum(o * (room.light - ambient) for o, room in zip(opacities, rooms, strict=True)), np.float32
            )
            self._small = [self._smaller(room.light) for room in rooms]

    def merge(self, layers: Sequence[Planes | None], poses: Sequence[Pose]) -> Planes:
        """Add one frame of each take and lay the patches over it, bottom first; None only for layers without weight."""
        count = len(self._takes)
        given = [planes for planes in layers[:count] if planes is not None]
        if len(given) != count:
            raise InvalidInput("A take whose light is added has no frame there.")
        added = self._path.encoded(self.light(given, poses[:count]))
        if self._patches is None:
            return added
        return self._patches.merge([added, *layers[count:]], [Pose(), *poses[count:]])

    def light(self, layers: Sequence[Planes], poses: Sequence[Pose]) -> Light:
        """Return the scene-linear light of one frame of each take, before it is encoded and patched."""
        height, width = self._stack.height, self._stack.width
        if not self._takes:
            return np.zeros((height, width, 3), np.float32)
        total = self._base.copy()
        over: list[tuple[tuple[slice, slice], Light, Light]] = []
        for number, (layer, room) in enumerate(zip(self._takes, self._rooms, strict=True)):
            planes, pose = layers[number], poses[number]
            light = self._path.light(planes if pose == Pose() else fast_warped(planes, pose), layer.gain)
            share = (self._strongest == number).astype(np.float32)
            box = self._changed(light, number)
            if box is not None:
                near = replace(room, light=room.light[box], hidden=room.hidden[box])
                share[box] = np.maximum(share[box], where_differs(light[box], near))
                if self._players:
                    matte = player_matte(light[box], near, self._ambient[box], width)
                    over.append((box, light[box].copy(), np.float32(layer.opacity) * matte))
            light -= room.light  # no longer needed as it was; a frame's worth of memory is slow to come by
            light *= (np.float32(layer.opacity) * share)[..., None]
            total += light
        for box, light, alpha in over:
            total[box] += alpha[..., None] * (light - total[box])
        return total

    def _smaller(self, light: Light) -> Light:
        import cv2

        height, width = light.shape[:2]
        size = (max(1, width // _SMALLER), max(1, height // _SMALLER))
        return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)

    def _changed(self, light: Light, number: int) -> tuple[slice, slice] | None:
        """Return the box in which a frame differs from its lit room, wide enough for what the mattes look at."""
        room = self._rooms[number]
        small = self._smaller(light)
        far = np.abs(small - self._small[number]).max(axis=-1)
        away = far > 3 * room.grain(self._small[number].mean(axis=-1)) / _SMALLER
        hidden = room.hidden.any()
        if hidden:
            away = away | (self._smaller(np.repeat(room.hidden[..., None], 3, axis=-1))[..., 0] > 0)
        import cv2

        solid = cv2.morphologyEx(away.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        rows, columns = np.flatnonzero(solid.any(axis=1)), np.flatnonzero(solid.any(axis=0))
        if not len(rows):
            return None
        margin = _odd(self._stack.width, 60) // _SMALLER + 2
        first = [max(0, int(line[0]) - margin) * _SMALLER for line in (rows, columns)]
        stop = [(int(line[-1]) + 1 + margin) * _SMALLER for line in (rows, columns)]
        # What is left over when the frame is no multiple of four belongs to the last row and column.
        ends = [
            size if end >= size // _SMALLER * _SMALLER else end for end, size in zip(stop, light.shape[:2], strict=True)
        ]
        return slice(first[0], ends[0]), slice(first[1], ends[1])
