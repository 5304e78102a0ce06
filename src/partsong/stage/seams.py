"""Laying the edges of masks where they show least, over the whole clip: ovals that are nudged, curves that bend.

Both minimise the same thing: the mean step along a mask's soft edge (:mod:`partsong.stage.boundary`), measured on the
still rooms of the whole clip, plus what moves under the edge, under two conditions that weigh far more: the mask's
own player lies inside the soft edge, and no other player is covered. The search for ovals changes one number at a time;
a curve is the cheapest closed way around the player, found by dynamic programming over angle and radius.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.records import Curve, Oval, Shape
from partsong.render import pixels
from partsong.stage.boundary import alphas_of, edge_points, edge_step, read_at, softened, steps_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOTION_WEIGHT = 3.0
"""What a moving thing under an edge costs, against a step that stands still: an edge over a shadow that comes and goes
draws the eye (common practice, no source)."""

_SWEEPS = 2
_UNCOVERED, _COVERS = 40.0, 20.0  # against steps of about 0.1: conditions, not wishes
_GROWS = 0.02  # for an oval twice the area: between equal edges the smaller one leaves more of the other takes
_ANGLES, _RADII, _TURN = 72, 56, 2
_POINTS_OF_CURVE = 24
_SAMPLED = 1500
_SLANT = 1.2
_GIVES = 0.03  # of a player may come to lie in the soft edge for a better line, half shown at the least


@dataclass(frozen=True, slots=True)
class StillLayer:
    """What the search knows of a layer: its still light, its motion and its player (1 inside), each (height, width)."""

    light: NDArray[np.float32]
    motion: NDArray[np.float32]
    figure: NDArray[np.float32]


def cost_map(
    layers: Sequence[StillLayer], alphas: NDArray[np.float64], layer: int, feather_px: float
) -> NDArray[np.float32]:
    """Return what it costs to lay an edge of a layer over each pixel: its step, and what moves on either side."""
    step = softened(steps_of([one.light for one in layers], alphas, layer), feather_px)
    beneath = pixels.layer_weights(alphas[:layer])
    moving = sum(weight * below.motion for weight, below in zip(beneath, layers[:layer], strict=True))
    moves = layers[layer].motion + moving
    return np.asarray(step + MOTION_WEIGHT * softened(np.asarray(moves, np.float32), feather_px), np.float32)


@dataclass(frozen=True, slots=True)
class Arrangement:
    """An order of layers, by their place in what was given, bottom first; and a shape for each, in that order."""

    order: tuple[int, ...]
    shapes: tuple[Shape, ...]


def arrange(
    layers: Sequence[StillLayer],
    ovals: Sequence[Shape],
    feathers_px: Sequence[float],
    held: Sequence[bool],
    order: Sequence[int],
) -> Arrangement:
    """Choose who fills the frame and lay the others' ovals where they show least.

    Each layer is tried at the bottom, the others above it in the order given; of all, that is taken whose edges, each
    by its step and its length, and whose hidden players come to the least.

    Parameters
    ----------
    layers, ovals, feathers_px, held : sequences, one entry per take
        As for :func:`refine_ovals`, in any order.
    order : sequence of int
        A proposal of the order, bottom first.
    """
    tried = []
    for bottom in order:
        way = [bottom, *(number for number in order if number != bottom)]
        mine = [layers[number] for number in way]
        feathers = [feathers_px[number] for number in way]
        shapes = refine_ovals(mine, [ovals[number] for number in way], feathers, [held[number] for number in way])
        tried.append((_shows(mine, shapes, feathers), Arrangement(tuple(way), tuple(shapes))))
    return min(tried, key=lambda pair: pair[0])[1]


def _shows(layers: Sequence[StillLayer], ovals: Sequence[Shape], feathers_px: Sequence[float]) -> float:
    """Return how much of an arrangement shows: steps by length in frame widths, and the shares of hidden players."""
    height, width = layers[0].light.shape
    alphas = alphas_of([None, *ovals[1:]], feathers_px, (height, width))
    total = 0.0
    for number in range(1, len(layers)):
        outline = edge_points(ovals[number], 360)[0]
        length = float(np.hypot(*np.diff(outline, axis=0).T).sum()) / width
        cost = cost_map(layers, alphas, number, feathers_px[number])
        total += length * edge_step(cost, ovals[number], feathers_px[number])
    for weight, layer in zip(pixels.layer_weights(alphas), layers, strict=True):
        total += float(((1 - weight) * layer.figure).sum()) / max(float(layer.figure.sum()), 1.0)
    return total


def refine_ovals(
    layers: Sequence[StillLayer],
    ovals: Sequence[Shape],
    feathers_px: Sequence[float],
    held: Sequence[bool],
) -> list[Shape]:
    """Move, resize and turn ovals until their edges show least.

    Parameters
    ----------
    layers : sequence of StillLayer
        Bottom first.
    ovals : sequence of Oval or Curve
        Where to begin, in the pixels of the layers' pictures; the lowest is not used, since it fills the frame.
    feathers_px : sequence of float
        The width of each soft edge.
    held : sequence of bool
        True for shapes that must stay as they are; curves always do.
    """
    size = layers[0].light.shape
    shapes: list[Shape] = list(ovals)
    for _ in range(_SWEEPS):
        for number in range(1, len(layers)):
            shape = shapes[number]
            if held[number] or not isinstance(shape, Oval):
                continue
            alphas = alphas_of([None, *shapes[1:]], feathers_px, (size[0], size[1]))
            cost = cost_map(layers, alphas, number, feathers_px[number])
            shapes[number] = _settled(shape, cost, layers, number, feathers_px[number])
    return shapes


@dataclass(frozen=True, slots=True)
class _Ground:
    """What a shape of a layer is judged by: the cost of an edge, its own player's points and the others'."""

    cost: NDArray[np.float32]
    mine: NDArray[np.float64]
    others: NDArray[np.float64]
    feather_px: float

    @classmethod
    def of(cls, cost: NDArray[np.float32], layers: Sequence[StillLayer], layer: int, feather_px: float) -> _Ground:
        others = np.max([one.figure for n, one in enumerate(layers) if n != layer], axis=0)
        return cls(cost, _points_of(layers[layer].figure), _points_of(others), feather_px)

    def price(self, shape: Shape) -> float:
        """Return what a shape costs: its edge, what it leaves of its player outside, what it covers of the others."""
        uncovered, covers = self.lost(shape)
        return edge_step(self.cost, shape, self.feather_px, 72) + _UNCOVERED * uncovered + _COVERS * covers

    def lost(self, shape: Shape) -> tuple[float, float]:
        """Return the share of its own player not inside the soft edge, and that of the others not outside it."""
        distance = pixels.oval_distance if isinstance(shape, Oval) else pixels.curve_distance
        half = self.feather_px / 2
        mine, others = (distance(shape, *points.T) for points in (self.mine, self.others))  # type: ignore[arg-type]
        return _share(mine > -half), _share(others < half)


def _settled(
    oval: Oval, cost: NDArray[np.float32], layers: Sequence[StillLayer], layer: int, feather_px: float
) -> Oval:
    ground = _Ground.of(cost, layers, layer, feather_px)
    area = oval.rx * oval.ry

    def price(candidate: Oval) -> float:
        return float(ground.price(candidate) + _GROWS * abs(np.log2(candidate.rx * candidate.ry / area)))

    best, lowest = oval, price(oval)
    reach = min(oval.rx, oval.ry) / 4
    while reach > 0.5:
        better = False
        for changes in _changes(best, reach):
            candidate = best.replace(**changes)
            found = price(candidate)
            if found < lowest - 1e-6:
                best, lowest, better = candidate, found, True
        if not better:
            reach /= 2
    return best


def _changes(oval: Oval, reach: float) -> list[dict[str, float]]:
    """Return what may be changed of an oval so that its edge moves by ``reach`` somewhere."""
    turn = float(np.rad2deg(reach / max(oval.rx, oval.ry)))
    changes: list[dict[str, float]] = []
    for sign in (1, -1):
        step = sign * reach
        changes += [
            {"x": oval.x + step},
            {"y": oval.y + step},
            {"rotation_deg": _upright(oval.rotation_deg + sign * turn)},
        ]
        for radius, centre in (("rx", "x"), ("ry", "y")):
            length = max(getattr(oval, radius) + step, 2.0)
            changes += [{radius: length}]
            if oval.rotation_deg == 0:
                moved = getattr(oval, centre)
                changes += [{radius: length, centre: moved + step}, {radius: length, centre: moved - step}]
    return changes


def _upright(degrees: float) -> float:
    """Return a turn within 45 degrees: people read an oval as standing or lying."""
    return float(np.clip(degrees, -45, 45))


def bend(layers: Sequence[StillLayer], shapes: Sequence[Shape], feathers_px: Sequence[float], layer: int) -> Shape:
    """Bend a layer's edge: the cheapest closed way around its player, not far from the shape that it has.

    Where that is no cheaper than the shape, the shape is returned as it is.

    Seen from the shape's middle the edge is one radius per angle, and the radius changes slowly from one angle to the
    next. It lies outside the player by half a feather, and short of the others.

    References
    ----------
    Bellman (1957), dynamic programming; a closed way as the best of the ways that end where they began.
    """
    size = layers[0].light.shape
    feather = feathers_px[layer]
    alphas = alphas_of([None, *shapes[1:]], feathers_px, (size[0], size[1]))
    cost = cost_map(layers, alphas, layer, feather)
    outline = edge_points(shapes[layer], 360)[0]
    centre = outline.mean(axis=0)
    angles = np.arange(_ANGLES) / _ANGLES * 2 * np.pi
    rays = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    now = _radii(outline, centre, angles)
    radii = np.linspace(0.4, 1.7, _RADII)[None, :] * now[:, None]
    places = centre + radii[..., None] * rays[:, None, :]
    outwards = rays[:, None, :]
    price = np.zeros(radii.shape)
    for across, weight in ((-0.25, 0.25), (0.0, 0.5), (0.25, 0.25)):
        price += weight * np.nan_to_num(read_at(cost, places + across * feather * outwards))
    price *= radii / radii.mean()  # a longer way shows more
    price += 0.002 * np.log(radii / now[:, None]) ** 2 / np.log(1.7) ** 2
    # Across a slanting line the soft edge reaches further along a ray than it is wide.
    price += _UNCOVERED * _beyond(layers[layer].figure, centre, angles, radii - _SLANT * feather / 2)
    others = np.max([one.figure for n, one in enumerate(layers) if n != layer], axis=0)
    price += _COVERS * _within(others, centre, angles, radii + _SLANT * feather / 2)
    chosen = radii[np.arange(_ANGLES), _closed_way(price)]
    # The dearest corner of a step between two radii is not worth a corner in the curve.
    smooth = (np.roll(chosen, 1) + 2 * chosen + np.roll(chosen, -1)) / 4
    picked = np.arange(_POINTS_OF_CURVE) * _ANGLES // _POINTS_OF_CURVE
    points = centre + smooth[picked, None] * rays[picked]
    curve = Curve.model_validate({"points": tuple({"x": float(x), "y": float(y)} for x, y in np.round(points, 2))})
    ground = _Ground.of(cost, layers, layer, feather)
    better = edge_step(cost, curve, feather) < edge_step(cost, shapes[layer], feather)
    keeps = all(
        bent <= before + _GIVES for bent, before in zip(ground.lost(curve), ground.lost(shapes[layer]), strict=True)
    )
    return curve if better and keeps else shapes[layer]


def _closed_way(price: NDArray[np.float64]) -> NDArray[np.intp]:
    """Return one column per row of the cheapest closed way; neighbours differ by :data:`_TURN` columns at most."""
    first = int(_way(np.concatenate([price, price]), None)[len(price)])
    return _way(np.concatenate([price, price[:1]]), first)[: len(price)]


def _way(price: NDArray[np.float64], ends: int | None) -> NDArray[np.intp]:
    rows, columns = price.shape
    total = price[0].copy()
    if ends is not None:
        total[np.arange(columns) != ends] = np.inf
    came = np.zeros((rows, columns), np.intp)
    for row in range(1, rows):
        padded = np.pad(total, _TURN, constant_values=np.inf)
        window = np.stack([padded[shift : shift + columns] for shift in range(2 * _TURN + 1)])
        # A turn costs a little, so that equal prices give a straight way.
        window = window + 1e-4 * np.abs(np.arange(-_TURN, _TURN + 1))[:, None]
        best = np.argmin(window, axis=0)
        came[row] = np.arange(columns) + best - _TURN
        total = window[best, np.arange(columns)] + price[row]
    way = np.zeros(rows, np.intp)
    way[-1] = int(np.argmin(total)) if ends is None else ends
    for row in range(rows - 1, 0, -1):
        way[row - 1] = came[row, way[row]]
    return way


def _radii(
    outline: NDArray[np.float64], centre: NDArray[np.float64], angles: NDArray[np.float64]
) -> NDArray[np.float64]:
    away = outline - centre
    turned = np.arctan2(away[:, 1], away[:, 0]) % (2 * np.pi)
    order = np.argsort(turned)
    return np.interp(angles, turned[order], np.hypot(*away[order].T), period=2 * np.pi)


def _sectors(
    figure: NDArray[np.float32], centre: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64], int]:
    points = _points_of(figure)
    away = points - centre
    sector = (
        np.round((np.arctan2(away[:, 1], away[:, 0]) % (2 * np.pi)) / (2 * np.pi) * _ANGLES).astype(np.intp) % _ANGLES
    )
    return sector, np.hypot(*away.T), max(len(points), 1)


def _beyond(
    figure: NDArray[np.float32], centre: NDArray[np.float64], angles: NDArray[np.float64], radii: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the share of a figure that lies beyond each radius, in each direction."""
    sector, away, count = _sectors(figure, centre)
    return np.stack([(away[sector == n][:, None] > radii[n]).sum(axis=0) / count for n in range(len(angles))])


def _within(
    figure: NDArray[np.float32], centre: NDArray[np.float64], angles: NDArray[np.float64], radii: NDArray[np.float64]
) -> NDArray[np.float64]:
    sector, away, count = _sectors(figure, centre)
    return np.stack([(away[sector == n][:, None] < radii[n]).sum(axis=0) / count for n in range(len(angles))])


def _points_of(figure: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return at most some points (n, 2) of x and y of a figure, evenly taken."""
    y, x = np.nonzero(figure > 0)
    every = max(1, len(x) // _SAMPLED)
    return np.stack([x[::every], y[::every]], axis=-1).astype(np.float64)


def _share(chosen: NDArray[np.bool_]) -> float:
    return float(chosen.mean()) if chosen.size else 0.0
