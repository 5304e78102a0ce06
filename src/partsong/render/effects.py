"""Effects over the finished picture: a flicker of the light, and light that falls in from a side.

Like texture they act on the delivered picture, after the look, so that what is measured of the look stays true of its
black and white: a flicker only darkens, and a leak is only where and when it was put. :func:`on_encoded` is the
definition; :func:`laid` gives the same on planes. What a stutter shows again is decided before any picture is read
(:mod:`partsong.film.effects`).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.records import Effect, Film, Flicker, Leak
from partsong.media.planes import Chroma, Matrix, Planes
from partsong.render.flashing import DARKER_BELOW, FlashMeter, Worst
from partsong.render.pixels import code_scale, codes_to_encoded, colour_steps, encoded_to_codes, rounded
from partsong.render.texture import DISPLAY_GAMMA
from partsong.timebase import Rate

if TYPE_CHECKING:
    from numpy.typing import NDArray

_FLAT_PX = 32  # how wide the flat pictures are that are metered under leaks; a flicker is alike all over
_DARKER_SIGNAL = 1.055 * DARKER_BELOW ** (1 / 2.4) - 0.055  # IEC 61966-2-1, as the meter reads a signal
_RIGHT_BACK = 2.0  # a dip lasts half of the way to the next one


def dimmed(effects: Sequence[Effect], frame: int) -> float:
    """Return what the signal of a frame is multiplied by, above 0 to 1.

    Display light falls by ``depth_stops`` at a dip and rises along a straight line in stops, so that half-way to the
    next dip, or to the end, it is back; the signal changes by the display's exponent (ITU-R BT.1886).
    """
    stops = 0.0
    for effect in effects:
        if isinstance(effect, Flicker) and effect.start <= frame < effect.end:
            behind = [dip for dip in effect.dips if dip <= frame]
            if behind:
                ahead = next((dip for dip in effect.dips if dip > frame), effect.end)
                stops += effect.depth_stops * max(0.0, 1 - (frame - behind[-1]) * _RIGHT_BACK / (ahead - behind[-1]))
    return float(2 ** (-stops / DISPLAY_GAMMA))


def brightness(leak: Leak, frame: int) -> float:
    """Return how bright a leak is at a frame, 0 to 1: it comes and goes once, without a step."""
    if not leak.start <= frame < leak.end:
        return 0.0
    return float(np.sin(np.pi * (frame - leak.start + 0.5) / (leak.end - leak.start)) ** 2)


def centre(leak: Leak, width: float, height: float) -> tuple[float, float, float]:
    """Return (x, y, radius) of a leak in a picture of this size, from its left and upper edge."""
    x = {"left": 0.0, "right": width}.get(leak.side, leak.at * width)
    y = {"top": 0.0, "bottom": height}.get(leak.side, leak.at * height)
    return x, y, leak.reach * width


def fall(leak: Leak, width: int, height: int) -> NDArray[np.float32]:
    """Return how much of a leak falls on each pixel, (height, width), 0 to 1.

    With d the distance from its centre in radii it is ``(1 - d) ** 2``, and nothing from 1 on.
    """
    x, y, radius = centre(leak, width, height)
    across = (np.arange(width, dtype=np.float32) + np.float32(0.5 - x)) / np.float32(radius)
    down = (np.arange(height, dtype=np.float32) + np.float32(0.5 - y)) / np.float32(radius)
    return np.asarray(np.maximum(0, 1 - np.sqrt(across[None, :] ** 2 + down[:, None] ** 2)) ** 2)


def on_encoded(encoded: NDArray[np.floating], effects: Sequence[Effect], frame: int) -> NDArray[np.float64]:
    """Lay effects over display-encoded R'G'B' (height, width, 3): the definition.

    A flicker multiplies the signal s. A leak of signal l is laid over it as ``s + l - s * l``, so that white stays
    white and black takes the leak's colour.
    """
    made = np.asarray(encoded, np.float64) * dimmed(effects, frame)
    for leak in _leaks(effects, frame):
        share = brightness(leak, frame) * fall(leak, made.shape[1], made.shape[0])[..., None].astype(np.float64)
        light = share * np.asarray(leak.colour)
        made = made + light - made * light
    return np.asarray(made)


def laid(planes: Planes, effects: Sequence[Effect], frame: int) -> Planes:
    """Lay effects over a frame of the delivered picture; one that none touches is returned as it is.

    Colour stays at its own size: the leak is laid over each colour sample with the mean luma beside it.

    Parameters
    ----------
    planes : Planes
        Display code.
    effects : sequence of Effect
        Of the whole film.
    frame : int
        The frame's number in the film.
    """
    light = dimmed(effects, frame)
    leaks = _leaks(effects, frame)
    if light == 1 and not leaks:
        return planes
    scale_y, zero_y, scale_c, zero_c = code_scale(planes.bit_depth, planes.value_range)
    luma = (planes.y.astype(np.float32) - np.float32(zero_y)) * np.float32(light / scale_y)
    colours = [
        (plane.astype(np.float32) - np.float32(zero_c)) * np.float32(light / scale_c) for plane in (planes.u, planes.v)
    ]
    for leak in leaks:
        bright = np.float32(brightness(leak, frame))
        share, beside_share = (plane * bright for plane in _fall(leak, planes.width, planes.height, planes.chroma))
        (added, *rest), held = _in_signals(leak, planes.matrix)
        whole = _spread(added - held[0, 1] * colours[0] - held[0, 2] * colours[1], planes.chroma)
        small = (_mean(luma, planes.chroma), *colours)
        luma = luma + share * (whole - held[0, 0] * luma)
        colours = [
            plane + beside_share * (light - row[0] * small[0] - row[1] * small[1] - row[2] * small[2])
            for plane, light, row in zip(colours, rest, held[1:], strict=True)
        ]
    y = rounded(luma * np.float32(scale_y) + np.float32(zero_y), planes.bit_depth)
    u, v = (rounded(plane * np.float32(scale_c) + np.float32(zero_c), planes.bit_depth) for plane in colours)
    return Planes(y, u, v, planes.bit_depth, planes.matrix, planes.value_range)


@functools.lru_cache(maxsize=2)
def _fall(leak: Leak, width: int, height: int, chroma: Chroma) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return a leak's fall on luma and on colour samples."""
    whole = fall(leak, width, height)
    return whole, _mean(whole, chroma)


def _mean(plane: NDArray[np.float32], chroma: Chroma) -> NDArray[np.float32]:
    """Return the mean beside each colour sample; delivered pictures have whole ones."""
    across, down = colour_steps(chroma)
    boxes = [plane[y::down, x::across] for y in range(down) for x in range(across)]
    return np.asarray(sum(boxes[1:], boxes[0]) * np.float32(1 / len(boxes)))


def _spread(plane: NDArray[np.float32], chroma: Chroma) -> NDArray[np.float32]:
    """Bring a plane of colour samples to the size of luma."""
    across, down = colour_steps(chroma)
    return plane.repeat(down, axis=0).repeat(across, axis=1)


def _in_signals(leak: Leak, matrix: Matrix) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the leak as Y'CbCr signals (3,), and what of a picture's signals it takes away, (3, 3).

    Laying a leak over R'G'B' is ``s + l - l s`` channel by channel; luma and colour differences are linear in them.
    """
    scale_y, zero_y, scale_c, zero_c = code_scale(16, "full")
    scale, zero = np.array([scale_y, scale_c, scale_c]), np.array([zero_y, zero_c, zero_c])

    def signals(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((encoded_to_codes(encoded, 16, matrix, "full") - zero) / scale)

    encoded = codes_to_encoded(np.eye(3) * scale + zero, 16, matrix, "full")  # a row for each signal at 1
    colour = np.asarray(leak.colour, np.float64)
    return signals(colour).astype(np.float32), signals(encoded * colour).T.astype(np.float32)


def _leaks(effects: Sequence[Effect], frame: int) -> list[Leak]:
    return [effect for effect in effects if isinstance(effect, Leak) and effect.start <= frame < effect.end]


def metered(film: Film) -> Worst | None:
    """Count the flashes that a film's effects make by themselves, over flat pictures of the greys that flash most.

    What the picture under them does comes on top: only a finished file can tell of that.

    Returns
    -------
    Worst or None
        Of the worst grey and kind of flash; frames are the film's. None where no effect is on light.
    """
    if film.rate is None:
        return None
    return _metered(film.effects, film.rate, film.width or 1, film.height or 1)


@functools.lru_cache(maxsize=8)
def _metered(effects: tuple[Effect, ...], rate: Rate, wide: int, high: int) -> Worst | None:
    found: list[Worst] = []
    for near in _apart(effects, math.ceil(rate.exact)):
        # One frame more at either end: what they come from, and what they leave.
        frames = range(near[0].start - 1, max(effect.end for effect in near) + 1)
        width = _FLAT_PX if any(isinstance(effect, Leak) for effect in near) else 1
        height = max(1, round(width * high / wide))
        for level in _greys(near):
            meter = FlashMeter(width, height, rate, first=frames.start)
            flat = np.full((height, width, 3), level)
            for frame in frames:
                meter.feed(on_encoded(flat, near, frame))
            found += meter.worst()
    return max(found, key=lambda one: one.transitions, default=None)


def _greys(effects: Sequence[Flicker | Leak]) -> Iterator[float]:
    """Yield the signals of the flat pictures that effects can flash on most.

    A dip changes light in proportion: white by most. Where it is so shallow that it leaves white above the light under
    which a darker end counts, the brightest grey that it takes below that changes by most of what counts. A leak adds
    most to black.
    """
    yield 1.0
    if any(isinstance(effect, Leak) for effect in effects):
        yield from (0.0, 0.5)
    for stops in {effect.depth_stops for effect in effects if isinstance(effect, Flicker)}:
        brightest = 0.999 * _DARKER_SIGNAL * 2 ** (stops / DISPLAY_GAMMA)
        if brightest < 1:
            yield brightest


def _apart(effects: Sequence[Effect], window: int) -> Iterator[list[Flicker | Leak]]:
    """Yield runs of effects on light that no whole second lies between."""
    run: list[Flicker | Leak] = []
    for effect in sorted((one for one in effects if isinstance(one, Flicker | Leak)), key=lambda one: one.start):
        if run and effect.start > max(one.end for one in run) + window:
            yield run
            run = []
        run.append(effect)
    if run:
        yield run
