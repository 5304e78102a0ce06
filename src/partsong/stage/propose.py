"""Ovals, and an order of layers, from where each player moves and where each take's own light falls.

A seam shows least where the takes on its two sides are equally lit. So an oval is laid around the ground where its take
is brighter than the others are, and then made large enough that all of the player's motion lies inside its soft edge.
From there the ovals are moved, resized and turned until their edges show least (:mod:`partsong.stage.seams`). These are
starting points to look at and to drag, found by common practice; there is no published source for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.records import Oval, Shape
from partsong.render import pixels
from partsong.render.shapes import box_of
from partsong.stage.boundary import scaled
from partsong.stage.seams import StillLayer, arrange, bend

if TYPE_CHECKING:
    from numpy.typing import NDArray

FEATHER_SHARE = 0.05
"""The width of an oval's soft edge, as a share of the frame's width."""

_FIGURE_INSIDE = 0.995
_MARGIN = 1.08  # what was not seen to move, such as a foot, is near what was
_MOVES = 0.01  # of the strongest motion: a leg that hardly moves still belongs to the player
_REACH = 3.0  # how far about the figure, in its own standard deviations, light counts as the player's
_LIT_STOPS = 0.5
_ASIDE = 0.005  # of lit motion that may lie to either side of the player's columns
_STOPS_OF_OWN_LIGHT = 3.0  # beyond that, brighter is not more its own
_FIGURE_SHARE = 0.5  # of an oval's shape; the rest is light
_BOTTOM_MAY_HIDE = 0.02
_SEARCH_WIDTH = 480  # at most: the width at which edges are tried


def own_light(lights: Sequence[NDArray[np.float32]]) -> list[NDArray[np.float32]]:
    """Return by how many stops, 0 to 3, each take is brighter than the brightest other, pixel by pixel.

    Parameters
    ----------
    lights : sequence of arrays, shape (height, width)
        Scene-linear light of each take's still room.
    """
    import cv2

    width = lights[0].shape[1]
    smooth = [cv2.GaussianBlur(np.maximum(light, 0), (0, 0), width / 120) for light in lights]
    # Light below a thousandth of grey is noise; it must not win by stops.
    stops = [np.log2(light + 0.18e-2) for light in smooth]
    result = []
    for number, mine in enumerate(stops):
        others = [other for index, other in enumerate(stops) if index != number]
        lead = mine - np.maximum.reduce(others) if others else np.zeros_like(mine)
        result.append(np.clip(lead, 0, _STOPS_OF_OWN_LIGHT).astype(np.float32))
    return result


@dataclass(frozen=True, slots=True)
class Proposal:
    """An order of takes, by number, bottom first; and the shape of each take's mask, by number."""

    order: tuple[int, ...]
    shapes: tuple[Shape, ...]


def propose_masks(
    lights: Sequence[NDArray[np.float32]],
    motions: Sequence[NDArray[np.float32]],
    held: Sequence[Shape | None],
    feathers_px: Sequence[float],
    *,
    names: Sequence[str],
    reference: int,
    bent: bool,
) -> Proposal:
    """Propose masks and an order of layers.

    Parameters
    ----------
    lights, motions : sequences of arrays, shape (height, width)
        Scene-linear light of each take's still room, and its motion (:mod:`partsong.stage.motion`).
    held : sequence of Shape or None
        Shapes that stay as they are, in the pixels of those pictures.
    feathers_px : sequence of float
        The width of each soft edge.
    names : sequence of str
        What the takes are called, for a complaint.
    reference : int
        The number of the take that the others are held against.
    bent : bool
        Bend the edges into curves instead of leaving them ovals.

    Raises
    ------
    InvalidInput
        If there is nothing to go by in a take.
    """
    own = own_light(lights)
    ovals = []
    for name, motion, light, feather, shape in zip(names, motions, own, feathers_px, held, strict=True):
        try:
            ovals.append(around(shape) if shape is not None else propose_oval(motion, light, feather))
        except InvalidInput as problem:
            raise InvalidInput(
                f"No oval can be proposed for take {name}: {problem}. Give one by hand: "
                f"partsong stage mask FILM {name} --x ... --y ... --rx ... --ry ..."
            ) from problem
    figures = [figure(*pair) for pair in zip(motions, own, strict=True)]
    order = propose_order(figures, ovals, max(feathers_px), reference)
    # Edges are softer than a pixel of this search, which is the dearest part.
    scale = min(1.0, _SEARCH_WIDTH / lights[0].shape[1])
    layers = [
        StillLayer(_reduced(light, scale), _reduced(motion, scale), (_reduced(one, scale) > 0.25).astype(np.float32))
        for light, motion, one in zip(lights, motions, figures, strict=True)
    ]
    start = [scaled(shape if shape is not None else oval, scale) for shape, oval in zip(held, ovals, strict=True)]
    feathers = [feather * scale for feather in feathers_px]
    found = arrange(layers, start, feathers, [shape is not None for shape in held], order)
    shapes = list(found.shapes)
    stacked, feathers = [layers[number] for number in found.order], [feathers[number] for number in found.order]
    for rank, number in enumerate(found.order):
        if bent and rank and held[number] is None:
            shapes[rank] = bend(stacked, shapes, feathers, rank)
    by_take = dict(zip(found.order, shapes, strict=True))
    kept = [shape if shape is not None else scaled(by_take[number], 1 / scale) for number, shape in enumerate(held)]
    return Proposal(found.order, tuple(kept))


def _reduced(picture: NDArray[np.float32], scale: float) -> NDArray[np.float32]:
    import cv2

    if scale == 1:
        return picture
    size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def around(shape: Shape) -> Oval:
    """Return a shape as an oval: itself, or the upright one that a curve's box holds."""
    if isinstance(shape, Oval):
        return shape
    left, top, right, bottom = box_of(shape)
    return Oval(x=(left + right) / 2, y=(top + bottom) / 2, rx=(right - left) / 2, ry=(bottom - top) / 2)


def propose_oval(motion: NDArray[np.float32], light: NDArray[np.float32], feather_px: float) -> Oval:
    """Lay an upright oval around a player and the light that is the take's own.

    Parameters
    ----------
    motion, light : array, shape (height, width)
        From :mod:`partsong.stage.motion` and :func:`own_light`; either may be empty of evidence, not both.
    feather_px : float
        The width of the soft edge that the oval will have.

    Raises
    ------
    InvalidInput
        If there is neither motion nor light of the take's own.
    """
    height, width = motion.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    moving = figure(motion, light)
    shapes = []
    for share, evidence in ((_FIGURE_SHARE, moving), (1 - _FIGURE_SHARE, _near(light, moving))):
        total = float(evidence.sum())
        if total > 0:
            shapes.append(share * evidence.astype(np.float64) / total)
    if not shapes:
        raise InvalidInput("nothing moves in it and no light in it is its own")
    mass = np.sum(shapes, axis=0)
    mass /= mass.sum()
    centre_x, centre_y = float((mass * x).sum()), float((mass * y).sum())
    # A filled ellipse has a standard deviation of half its radius along each axis.
    rx = 2 * float(np.sqrt((mass * (x - centre_x) ** 2).sum()))
    ry = 2 * float(np.sqrt((mass * (y - centre_y) ** 2).sum()))
    least = width / 50
    oval = Oval(x=centre_x, y=centre_y, rx=max(rx, least), ry=max(ry, least))
    return _grown_over(oval, moving, feather_px)


def figure(motion: NDArray[np.float32], light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return 1 where the player is seen to move, however little, and 0 elsewhere; specks are left out.

    His shadow moves with him, on walls and floor beside him, but without light of the take's own. So where such light
    is on the player at all (a room in one even light has none), only the columns of the frame that hold lit motion
    count: they keep his legs, which a table may shade.
    """
    import cv2

    width = motion.shape[1]
    peak = float(np.percentile(motion, 99.8))
    size = 2 * max(1, width // 320) + 1
    moving = motion > _MOVES * peak
    lit_motion = np.where(light > _LIT_STOPS, motion, 0)
    if float(lit_motion.sum()) > float(motion.sum()) / 2:
        share = np.cumsum(lit_motion.sum(axis=0)) / float(lit_motion.sum())
        moving &= (share >= _ASIDE) & (share <= 1 - _ASIDE)
    # A speck of grain is gone after opening; a finger is not, since its whole way counts.
    opened = cv2.morphologyEx(moving.astype(np.uint8), cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
    return np.asarray(opened, np.float32)


def propose_order(
    figures: Sequence[NDArray[np.float32]], ovals: Sequence[Oval], feather_px: float, reference: int
) -> list[int]:
    """Order layers from the bottom up so that ovals hide as little of each other's players as may be.

    The reference lies at the bottom and fills the frame, unless the others' ovals would hide more than a fiftieth of
    its player and another take's less. Above it, the larger oval lies lower unless swapping two neighbours hides less.
    """
    count = len(figures)
    hidden = np.zeros((count, count))  # of row's figure, the share under column's oval
    for above, oval in enumerate(ovals):
        height, width = figures[above].shape
        alpha = pixels.shape_alpha(oval, feather_px, np.arange(width)[None, :], np.arange(height)[:, None])
        for below in range(count):
            if below != above:
                hidden[below, above] = float((figures[below] * alpha).sum()) / max(float(figures[below].sum()), 1e-12)
    cost = hidden.sum(axis=1)
    bottom = reference if cost[reference] <= _BOTTOM_MAY_HIDE else int(np.argmin(cost))
    order = sorted((n for n in range(count) if n != bottom), key=lambda n: -ovals[n].rx * ovals[n].ry)
    for _ in range(count):
        for lower in range(len(order) - 1):
            one, other = order[lower], order[lower + 1]
            if hidden[other, one] < hidden[one, other]:
                order[lower], order[lower + 1] = other, one
    return [bottom, *order]


def _near(light: NDArray[np.float32], moving: NDArray[np.float32]) -> NDArray[np.float32]:
    """Let light count less the further it is from the player: a beam in the air or a lit wall is not all his."""
    total = float(moving.sum())
    if total == 0:
        return light
    height, width = moving.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    distance = np.zeros_like(moving)
    for axis in (x, y):
        middle = float((moving * axis).sum()) / total
        spread = max(float(np.sqrt((moving * (axis - middle) ** 2).sum() / total)), width / 100)
        distance += ((axis - middle) / (_REACH * spread)) ** 2
    return np.asarray(light * np.exp(-distance / 2), np.float32)


def _grown_over(oval: Oval, moving: NDArray[np.float32], feather_px: float) -> Oval:
    """Return the oval, evenly grown until nearly all of the player lies inside its soft edge."""
    total = float(moving.sum())
    if total == 0:
        return oval
    height, width = moving.shape
    x, y = np.arange(width)[None, :], np.arange(height)[:, None]
    while True:
        inside = pixels.oval_distance(oval, x, y) <= -feather_px / 2
        if float(moving[inside].sum()) >= _FIGURE_INSIDE * total or oval.rx > width:
            return oval.replace(rx=oval.rx * _MARGIN, ry=oval.ry * _MARGIN)
        oval = oval.replace(rx=oval.rx * 1.03, ry=oval.ry * 1.03)
