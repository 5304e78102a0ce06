"""Things that stand in one picture only: taken away since the reference, or brought. Pure.

Nothing is found again of such a thing, so what is left is a surface on which the take is a stranger to all others
(:mod:`partsong.shoot.odd`). Where edges of shadows meet those of things the take is odd in spots; a thing is larger.

Which of the two pictures holds the thing is told by its outline, which is an edge in that one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from partsong.shoot.odd import Odd
from partsong.shoot.strange import Mask, Picture

_JOINS_PX, _LEAST_PX = 5, 7  # across: gaps that are closed, and what is left of a surface then
_ENOUGH_PX = 850.0  # of a surface, at a width of 960,
_UNSURE = 0.35  # what a pixel counts for that one other take alone can see
_OUTLINE = 1.15  # how much stronger an outline is in the picture that holds the thing
_RANGE_PX, _SLACK_PX = 20, 13


@dataclass(frozen=True, slots=True)
class Alone:
    """A surface (h, w) that is in one picture only; ``which`` says in which, or that it cannot be told."""

    where: Mask
    which: Literal["before", "after", "either"]


def alone(odd: Odd, reference: Picture, here: Picture) -> list[Alone]:
    """Return the things that stand in one picture only."""
    import cv2

    joined = cv2.morphologyEx(odd.where.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((_JOINS_PX, _JOINS_PX)))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_LEAST_PX, _LEAST_PX))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(cv2.morphologyEx(joined, cv2.MORPH_OPEN, kernel))
    out = []
    for number in range(1, count):
        surface = labels == number
        sure = float((surface & odd.sure).sum())
        if sure + _UNSURE * (float(boxes[number][4]) - sure) >= _ENOUGH_PX:
            out.append(Alone(surface, _holder(surface, reference, here)))
    return out


def _holder(surface: Mask, reference: Picture, here: Picture) -> Literal["before", "after", "either"]:
    """Say in which picture an edge runs around a surface, a few pixels in or out."""
    import cv2

    inside = surface.astype(np.uint8)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    smooth = cv2.GaussianBlur(depth, (0, 0), 3.0)
    across, down = (cv2.Sobel(smooth, cv2.CV_32F, *way) for way in ((1, 0), (0, 1)))
    length = np.hypot(across, down) + 1e-6
    strengths = []
    for picture in (reference, here):
        still = cv2.GaussianBlur(picture, (0, 0), 1.0)
        edges = np.abs(cv2.Sobel(still, cv2.CV_32F, 1, 0) * across + cv2.Sobel(still, cv2.CV_32F, 0, 1) * down) / length
        usual = float(edges[np.abs(depth) < _RANGE_PX].mean())
        lines = [float(edges[np.abs(depth - at) <= 1].mean()) for at in range(2 - _SLACK_PX, _SLACK_PX // 2, 2)]
        strengths.append(max(lines) / max(usual, 1e-9))
    if strengths[0] > _OUTLINE * strengths[1]:
        return "before"
    return "after" if strengths[1] > _OUTLINE * strengths[0] else "either"
