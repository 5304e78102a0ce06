"""What the benchmarks of rendering merge: seven 3840x2160 10-bit layers of soft texture with grain."""

from __future__ import annotations

import numpy as np

from partsong.film.records import Oval
from partsong.media.planes import Planes
from partsong.render.plan import Layer, Stack

WIDTH, HEIGHT, LAYERS = 3840, 2160, 7
LOG = (10, "bt709", "limited")


def grainy(seed: int) -> Planes:
    """Return a frame of soft texture with grain, moving with its number."""
    rng = np.random.default_rng(seed)
    x = np.arange(WIDTH)[None, :] + 3 * seed
    y = np.arange(HEIGHT)[:, None]
    soft = 400 + 120 * np.sin(x / 211) * np.cos(y / 173) + rng.normal(0, 3, (HEIGHT, WIDTH))
    half = np.s_[:, ::2]
    blue, red = 512 + 30 * np.sin(x / 317) + 0 * y, 512 + 20 * np.cos(y / 271) + 0 * x
    planes = [plane.clip(64, 940).astype(np.uint16) for plane in (soft, blue[half], red[half])]
    return Planes(planes[0], planes[1], planes[2], *LOG)


def stack(count: int = LAYERS) -> Stack:
    """Return layers: one beneath, the others tall soft ovals side by side that touch."""
    across = WIDTH / (count - 1)
    spots = [Oval(x=across * (n + 0.5), y=HEIGHT * 0.6, rx=across * 0.52, ry=750) for n in range(count - 1)]
    feather = 190 * (LAYERS - 1) / (count - 1)
    ovals = [Layer(take=f"take-{n + 2}", shape=spot, feather_px=feather) for n, spot in enumerate(spots)]
    return Stack(width=WIDTH, height=HEIGHT, layers=(Layer(take="take-1"), *ovals))
