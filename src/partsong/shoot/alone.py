"""Things that stand in one picture only: taken away since the reference, or brought. Pure.

Nothing is found again of such a thing, so what is left is that the two drawings have nothing to do with each other over
a whole surface. Edges of shadows differ as well, but along lines; and where a shadow's edge lies on a surface in one
light and the other way round in the other, the two drawings are opposites rather than strangers. Details are cut off
at twice what is usual around them, so that an edge, however strong, counts for no more than the texture beside it.

Which of the two pictures holds the thing is told by its outline, which is an edge in that one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from partsong.shoot.changes import WINDOW_PX, Changes, Mask, Picture, mean

_STRANGE = 0.4  # correlation, and that of details cut off,
_STRANGE_CUT = 0.3
_OPPOSITE = -0.25  # mean of it below which it is light
_LEAST_PX, _LEAST_RADIUS = 1600, 13.0  # of the surface, at a width of 960, windows' margins among it
SURE_PX = 3000
"""From here on a surface is told by one comparison alone."""
_MARGIN_PX = 7  # around players
_CUT = 2.0
_OUTLINE = 1.15  # how much stronger an outline is in the picture that holds the thing
_RANGE_PX = 20


@dataclass(frozen=True, slots=True)
class Alone:
    """A surface (h, w) that is in one picture only; ``which`` says in which, or that it cannot be told."""

    where: Mask
    which: Literal["before", "after", "either"]


def alone(found: Changes, reference: Picture, here: Picture) -> list[Alone]:
    """Return the things that stand in one picture only."""
    import cv2

    players = found.player_before | found.player_after | found.moving_before | found.moving_after
    near = cv2.dilate(players.astype(np.uint8), np.ones((_MARGIN_PX, _MARGIN_PX))) > 0
    one, other = (
        _cut_off(picture, noise)
        for picture, noise in ((found.before, found.noise_before), (found.after, found.noise_after))
    )
    alike = mean(one * other) / np.sqrt(np.maximum(mean(one * one) * mean(other * other), 1e-12))
    strange = (found.alike < _STRANGE) & (alike < _STRANGE_CUT) & found.seen & ~near
    whole = cv2.morphologyEx(strange.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5)))
    side = WINDOW_PX - 2
    whole = cv2.morphologyEx(whole, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(whole)
    out = []
    for number in range(1, count):
        if boxes[number][4] < _LEAST_PX:
            continue
        surface = labels == number
        radius = float(cv2.distanceTransform(surface.astype(np.uint8), cv2.DIST_L2, 3).max())
        if radius < _LEAST_RADIUS or float(found.alike[surface].mean()) < _OPPOSITE:
            continue
        out.append(Alone(surface, _holder(surface, reference, here)))
    return out


def _cut_off(picture: Picture, noise: Picture) -> Picture:
    import cv2

    strength = np.abs(picture)
    top = max(float(np.quantile(strength[::4, ::4], 0.995)), 1e-9)
    codes = np.clip(strength * (255 / top), 0, 255).astype(np.uint8)
    usual = cv2.medianBlur(codes, WINDOW_PX).astype(np.float32) * np.float32(top / 255)
    # The median of what is only noise is 0.67 of its standard deviation.
    most = _CUT * np.maximum(np.maximum(usual, 0.67 * np.sqrt(noise)), 1e-9)
    return np.asarray(np.clip(picture / most, -1, 1), np.float32)


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
        lines = [float(edges[np.abs(depth - at) <= 1].mean()) for at in range(2 - WINDOW_PX, WINDOW_PX // 2, 2)]
        strengths.append(max(lines) / max(usual, 1e-9))
    if strengths[0] > _OUTLINE * strengths[1]:
        return "before"
    return "after" if strengths[1] > _OUTLINE * strengths[0] else "either"
