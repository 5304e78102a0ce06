"""Things that stand in one picture only: taken away since the reference, or brought. Pure.

Nothing is found again of such a thing, so what is left is a surface on which the take is a stranger to all others
(:mod:`partsong.shoot.odd`). Where edges of shadows meet those of things the take is odd in spots; a thing is larger.

Which of the two pictures holds the thing is told by its outline, which is an edge all along in that one: the strongest
path near the surface's border, found by dynamic programming, over what such paths come to further in and further out. A
ground that goes through has them everywhere, and none of them is stronger.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from partsong.shoot.odd import Odd
from partsong.shoot.strange import Mask, Picture, logarithm

_JOINS_PX, _LEAST_PX = 5, 7  # across: gaps that are closed, and what is left of a surface then
_ONE_THING_PX = 25  # across: what parts a surface may be as wide
_ENOUGH_PX = 850.0  # of a surface, at a width of 960,
_FINEST_PX = 3  # across: what is left of thin legs
UPRIGHT_PX = 75
"""From this height on a surface stands upright: shadows on a floor are flat, and so are their rims."""
_UPRIGHT_ENOUGH_PX = 700.0  # of an upright surface
_UNSURE = 0.35  # what a pixel counts for that one other take alone can see
_SURE_IN_BARS_PX, _IN_BARS = 400, 0.39  # of a thing told by its bars: what is sure; and of all that is odd in the frame
_INWARD_PX, _OUTWARD_PX = 10, 4  # of a surface's border: where its outline may be, since windows reach beyond it,
_REACH_PX = 30  # and how far is looked either way
_LEAST_RIM_PX = 40  # of a border's length
_SMOOTH_PX, _ALONG_PX, _ROUND_PX = 0.7, 2.0, 3.0  # standard deviations: of light, of edges along a border, of that
_STRONGEST = 0.28  # of the logarithm a pixel: no edge counts for more,
_WEAK = 0.04  # and weak edges all along for more than a few strong ones
_FOOT = 0.15  # of the signal, above black: the darkest edges are not the strongest
_WINDS = 0.3  # of that, what an outline loses by each pixel that it goes aside: things have smoother ones than ground
_UNCLEAR = 0.05  # logarithm of how much stronger an outline is in one picture, that tells nothing yet


@dataclass(frozen=True, slots=True)
class Alone:
    """A surface (h, w) that is in one picture only; ``which`` says in which, or that it cannot be told."""

    where: Mask
    which: Literal["before", "after", "either"]


def alone(odd: Odd, before: Sequence[Picture], here: Picture, black: float) -> list[Alone]:
    """Return the things that stand in one picture only.

    ``before`` are the reference and more takes in which nothing was changed yet, in the order of ``odd``, and ``here``
    is the take, all laid on the reference; ``black`` is their level of no light.
    """
    import cv2

    joined = cv2.morphologyEx(odd.where.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((_JOINS_PX, _JOINS_PX)))
    told = np.zeros(joined.shape, np.uint8)
    for across_px, high_px, enough_px in ((_LEAST_PX, 0, _ENOUGH_PX), (_FINEST_PX, UPRIGHT_PX, _UPRIGHT_ENOUGH_PX)):
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across_px, across_px))
        count, labels, boxes, _ = cv2.connectedComponentsWithStats(cv2.morphologyEx(joined, cv2.MORPH_OPEN, kernel))
        for number in range(1, count):
            if boxes[number][3] < high_px or boxes[number][4] < enough_px:
                continue
            surface = labels == number
            sure = float((surface & odd.sure).sum())
            if sure + _UNSURE * (float(boxes[number][4]) - sure) >= enough_px:
                told[surface] = 1
    told[_in_bars(joined, odd, told > 0)] = 1
    # What a thing before it parts in two is one.
    closed = cv2.morphologyEx(told, cv2.MORPH_CLOSE, np.ones((_ONE_THING_PX, _ONE_THING_PX)))
    count, labels = cv2.connectedComponents(closed)
    free = [~player for player in (odd.player_before, *odd.more_players)]
    out = []
    for number in range(1, count):
        whole = labels == number
        out.append(
            Alone(whole & (told > 0), _holder(whole, list(zip(before, free, strict=True)), (here, ~odd.player), black))
        )
    return out


def _in_bars(joined: NDArray[Any], odd: Odd, told: Mask) -> Mask:
    """Return upright things of which only pieces along their bars are odd, each too small by itself.

    Bars are straight, and upright or level, as a table's are. Where shadows cross a pattern pieces lie anyhow, and all
    over the frame: so what lies in bars, beside what is told already, must be much of all that is odd.
    """
    import cv2

    fine = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_FINEST_PX, _FINEST_PX))
    pieces = cv2.morphologyEx(joined, cv2.MORPH_OPEN, fine)
    bars = _upright_lines(pieces) | _upright_lines(pieces.T).T
    near = cv2.morphologyEx(bars.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((_ONE_THING_PX, _ONE_THING_PX)))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(near)
    bars &= ~np.isin(labels, labels[told & (near > 0)])
    if bars.sum() < _IN_BARS * odd.where.sum():
        return np.zeros(bars.shape, bool)
    sure = np.bincount(labels[bars & odd.sure], minlength=count)
    large = (sure >= _SURE_IN_BARS_PX) & (boxes[:, cv2.CC_STAT_HEIGHT] >= UPRIGHT_PX)
    return np.asarray(bars & large[labels], bool)


def _upright_lines(pieces: NDArray[Any]) -> Mask:
    """Return what of some pieces follows each other straight down, through gaps as of one thing, for long enough."""
    import cv2

    def done(how: int, lines: NDArray[Any], length_px: int) -> NDArray[Any]:
        # Beyond the frame is nothing.
        kernel = np.ones((length_px, 1), np.uint8)
        return np.asarray(cv2.morphologyEx(lines, how, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0))

    closed = np.maximum(done(cv2.MORPH_CLOSE, pieces, _ONE_THING_PX), pieces)
    return np.asarray((done(cv2.MORPH_OPEN, closed, UPRIGHT_PX) > 0) & (pieces > 0), bool)


def _holder(
    surface: Mask, before: Sequence[tuple[Picture, Mask]], here: tuple[Picture, Mask], black: float
) -> Literal["before", "after", "either"]:
    """Say in which pictures an edge runs around a surface; each comes with where no player hides it, (h, w)."""
    lines = list(_across(surface))
    if not lines:
        return "either"
    some = np.logical_or.reduce([free for _, free in before])
    strengths = np.zeros((2, 3))
    for number, (pictures, both) in enumerate(((before, here[1]), ([here], some))):
        lights = [_light(picture, black) for picture, _ in pictures]
        for x, y in lines:
            usable = [_at(free & both, x, y) for _, free in pictures]
            # What a player hides ends at him, which is no outline of its own.
            near = np.maximum.reduce(usable)[:, _REACH_PX - _INWARD_PX : _REACH_PX + _OUTWARD_PX + 1].min(axis=1)
            usable = [one * near[:, None] for one in usable]
            seen = [_edges(light, x, y) * one for light, one in zip(lights, usable, strict=True)]
            edges = np.sum(seen, axis=0) / np.maximum(np.sum(usable, axis=0), 1)
            wide = _INWARD_PX + _OUTWARD_PX + 1
            strips = (edges[:, _REACH_PX - _INWARD_PX :][:, :wide], edges[:, :wide], edges[:, -wide:])
            strengths[number] += len(x) * np.array([_path(strip) for strip in strips])
    outline, inside, beyond = -np.diff(np.log(np.maximum(strengths, 1e-6)), axis=0)[0]
    # Another light gives contrast to both sides; to one side alone it is given by the thing, or by the ground.
    told = outline - float(np.median((inside, beyond, 0.0)))
    if abs(told) < _UNCLEAR:
        return "either"
    return "before" if told > 0 else "after"


def _light(picture: Picture, black: float) -> Picture:
    import cv2

    return np.asarray(cv2.GaussianBlur(logarithm(picture, black, _FOOT), (0, 0), _SMOOTH_PX), np.float32)


def _edges(light: Picture, x: Picture, y: Picture) -> Picture:
    """Return how strong edges along a border are, on lines across it; twice as strong is less than twice as much."""
    import cv2

    values = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    steps = np.abs(_smoothed(np.gradient(values, axis=1), _ALONG_PX))
    return np.asarray(np.log1p(np.minimum(steps, _STRONGEST) / np.float32(_WEAK)), np.float32)


def _at(mask: Mask, x: Picture, y: Picture) -> Picture:
    import cv2

    return np.asarray(
        cv2.remap(mask.astype(np.float32), x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0),
        np.float32,
    )


def _smoothed(values: Picture, sigma: float) -> Picture:
    """Smooth values (n, ...) that go around along the first axis."""
    import cv2

    half = round(3 * sigma)
    around = np.concatenate([values[-half:], values, values[:half]])
    kernel = cv2.getGaussianKernel(2 * half + 1, sigma, cv2.CV_32F)
    return np.asarray(cv2.sepFilter2D(around, -1, np.ones(1, np.float32), kernel)[half:-half], np.float32)


def _path(edges: Picture) -> float:
    """Return the mean strength along the strongest path down a strip, which goes aside by a pixel a row at most."""
    best = np.zeros(edges.shape[1] + 2, np.float32)
    best[1:-1] = edges[0]
    for row in edges[1:]:
        aside = np.maximum(best[:-2], best[2:]) - np.float32(_WINDS)
        best[1:-1] = row + np.maximum(aside, best[1:-1])
    return float(best.max()) / len(edges)


def _across(surface: Mask) -> Iterator[tuple[Picture, Picture]]:
    """Yield, for each outline of a surface, lines across it, x and y (n, pixels), from its inside outwards."""
    import cv2

    whole = cv2.morphologyEx(surface.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    whole = (cv2.GaussianBlur(whole.astype(np.float32), (0, 0), 2.0) > 0.5).astype(np.uint8)
    for outline in cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
        if len(outline) < _LEAST_RIM_PX:
            continue
        smooth = _smoothed(outline[:, 0].astype(np.float32), _ROUND_PX)
        way = np.gradient(smooth, axis=0)
        way /= np.hypot(*way.T)[:, None] + 1e-6
        # Outlines are given against the clock as a picture is seen, so that the outside is to the right of the way.
        offsets = np.arange(-_REACH_PX, _REACH_PX + 1, dtype=np.float32)
        yield smooth[:, :1] - way[:, 1:] * offsets, smooth[:, 1:] + way[:, :1] * offsets
