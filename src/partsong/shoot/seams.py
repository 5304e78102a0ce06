"""Whether the merged picture would show a finding: where it lies against the soft edges of the take's mask. Pure.

The rule. A finding of the whole frame (camera, focus, exposure, white balance, bands), and one that touches a place
where two takes are blended, is shown by a seam. One that lies wholly where this take alone shows has nothing beside it
to differ from. One that lies wholly where this take does not show is not seen at all. It orders findings of one
verdict and changes no verdict: masks are still moved after the set-up is gone, and a stand that was knocked stays so
for the takes to come.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Stage
from partsong.render.pixels import layer_weights, shape_alpha
from partsong.render.shapes import shape_at
from partsong.shoot.judge import RANK, Remark

Place = Literal["seam", "inside", "outside"]

_ACROSS = 48  # points of a box, each way, that are asked
_BLENDED = (0.02, 0.98)  # weights between which two takes are blended so that it shows
_LEAST = 0.01  # of the points of a box: less is its corner
_ORDER: dict[Place | None, int] = {None: 0, "seam": 0, "inside": 1, "outside": 2}


def place_of(stage: Stage, take: str, box: tuple[float, float, float, float]) -> Place | None:
    """Return where a box lies against a take's place in the picture; None where no masks say.

    Parameters
    ----------
    stage : Stage
        How takes are merged. Only layering through masks has seams.
    take : str
        Whose finding it is.
    box : (left, top, width, height)
        In pixels of the frame.
    """
    if stage.method != "masks" or not stage.masks or take not in stage.order:
        return None
    left, top, width, height = box
    x, y = np.meshgrid(
        left + width * (np.arange(_ACROSS) + 0.5) / _ACROSS, top + height * (np.arange(_ACROSS) + 0.5) / _ACROSS
    )
    weights = _weights(stage, take, x, y)
    low, high = _BLENDED
    blended = ((weights > low) & (weights < high)).any(axis=0)
    alone, nowhere = (weights >= high).all(axis=0), (weights <= low).all(axis=0)
    if blended.mean() >= _LEAST or (alone.mean() >= _LEAST and nowhere.mean() >= _LEAST):
        return "seam"
    return "inside" if alone.mean() >= nowhere.mean() else "outside"


def ranked(stage: Stage, take: str, part: str, said: list[Remark]) -> list[Remark]:
    """Return remarks with what a seam would show of each, the weightiest first; ``part`` names the take in words."""
    told = [(remark, None if remark.box is None else place_of(stage, take, remark.box)) for remark in said]
    told.sort(key=lambda pair: (RANK[pair[0].verdict], _ORDER[pair[1]]))
    words = {
        "seam": f"It touches the soft edge of the {part}'s place in the picture, where a seam would show it.",
        "inside": f"It lies wholly within the {part}'s own place in the picture, away from the soft edge.",
        "outside": f"It lies wholly outside the {part}'s place in the picture, so this take does not show it.",
    }
    return [
        remark if place is None else replace(remark, sentence=f"{remark.sentence} {words[place]}")
        for remark, place in told
    ]


def _weights(stage: Stage, take: str, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the take's weight at points, (n, ...): once for each frame of the song at which a mask has a key."""
    masks = [stage.mask_of(layer) for layer in stage.order]
    frames = sorted({key.frame for mask in masks if mask is not None for key in mask.keys}) or [0]
    here = stage.order.index(take)
    rows = []
    for frame in frames:
        alphas = [
            np.ones_like(x) if mask is None else shape_alpha(shape_at(mask, frame), mask.feather_px, x, y)
            for mask in masks
        ]
        rows.append(layer_weights(alphas)[here])
    return np.stack(rows)
