"""Solving a take's exposure and white balance towards a hero: which gains make what both show equal.

Everything is scene-linear light. Exposure cannot be told from where the light stands: a lamp that moved brightens one
corner and darkens another, so the ratios of the two pictures spread over the frame. Where they do, the answer is that
nothing is known, never a number.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from partsong.errors import InvalidInput
from partsong.render.robust import MAD_TO_SIGMA, tukey_middle

Array = NDArray[Any]
Gain = tuple[float, float, float]

MOST_SPREAD_STOPS = 0.12
"""Ratios that spread wider over the frame than this (one robust standard deviation) do not tell exposure.

Set on the generated rooms of the tests with seeds 1000 to 1019: under one light they spread by up to 0.014 stops, under
a light that moved by 0.15, 0.3 and 0.6 of the frame's width by at least 0.17, 0.36 and 0.69.
"""

LEAST_PATCHES = 12
LEAST_REACH = 0.08
"""The patches must reach over the frame: the spread of their places, as a share of the frame's width and height."""

_DARK = 0.002  # scene-linear light: below a ninetieth of mid grey there is little but noise
_BLOCK_PX = 12
_ALIKE = 0.6  # least normalised correlation of a block that both show
_TEXTURE = 0.01  # least standard deviation of log2 light in a block, for a correlation to mean anything


@dataclass(frozen=True, eq=False)
class Pairs:
    """Patches that two pictures both show: their mean light in each (n, 3), and their places in the hero (n, 2).

    Places are shares of its width and height.
    """

    hero: Array
    take: Array
    places: Array


@dataclass(frozen=True, slots=True)
class Solved:
    """The gains that bring a take to the hero, and what they rest on.

    ``spread_stops`` is how far the ratios stray over the frame. Where ``told`` is False the gains are not to be used;
    ``why`` says what is missing.
    """

    gain: Gain
    patches: int
    spread_stops: float
    told: bool
    why: str = ""

    @property
    def stops(self) -> float:
        """The gain of green in stops."""
        return float(np.log2(self.gain[1]))


def same_place(hero: ArrayLike, take: ArrayLike) -> Pairs:
    """Pair the blocks of two pictures of one locked-off camera.

    A block counts where both show the same thing: the patterns of its light correlate, whatever its level. Blocks
    without a pattern of their own, as on a wall, count too where those around them correlate.

    Parameters
    ----------
    hero, take : array_like, shape (height, width, 3)
        Scene-linear light, not a number where it is clipped.

    Raises
    ------
    InvalidInput
        If the sizes differ.
    """
    one, two = (np.asarray(picture, np.float64) for picture in (hero, take))
    if one.shape != two.shape:
        raise InvalidInput(f"Pictures of {one.shape[:2]} and {two.shape[:2]} pixels are not of one camera.")
    rows, columns = (size // _BLOCK_PX for size in one.shape[:2])

    def blocks(picture: Array) -> Array:
        cut = picture[: rows * _BLOCK_PX, : columns * _BLOCK_PX].reshape(rows, _BLOCK_PX, columns, _BLOCK_PX, 3)
        return cut.swapaxes(1, 2).reshape(rows, columns, _BLOCK_PX**2, 3)

    first, second = blocks(one), blocks(two)
    with np.errstate(invalid="ignore"):
        means = [part.mean(axis=2) for part in (first, second)]  # not a number where any pixel of it is
        logs = [np.log2(np.maximum(part[..., 1], _DARK)) for part in (first, second)]
        away = [log - log.mean(axis=2, keepdims=True) for log in logs]
        power = [np.square(log).mean(axis=2) for log in away]
        likeness = (away[0] * away[1]).mean(axis=2) / np.sqrt(np.maximum(power[0] * power[1], 1e-12))
    patterned = (power[0] > _TEXTURE**2) & (power[1] > _TEXTURE**2)
    alike = patterned & (likeness > _ALIKE)
    differs = patterned & ~alike
    # A plain block has no pattern to go by: it counts unless something that differs lies beside it.
    beside = np.zeros_like(differs)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            beside |= _moved(differs, dy, dx)
    chosen = alike | (~patterned & ~beside)
    chosen &= np.isfinite(means[0]).all(axis=-1) & np.isfinite(means[1]).all(axis=-1)
    chosen &= (means[0].min(axis=-1) > _DARK) & (means[1].min(axis=-1) > _DARK)
    row, column = np.nonzero(chosen)
    places = (np.stack([column, row], axis=1) + 0.5) * _BLOCK_PX / (one.shape[1], one.shape[0])
    return Pairs(means[0][chosen], means[1][chosen], places)


def _moved(mask: Array, dy: int, dx: int) -> Array:
    height, width = mask.shape
    rows, columns = np.clip(np.arange(height) + dy, 0, height - 1), np.clip(np.arange(width) + dx, 0, width - 1)
    return mask[np.ix_(rows, columns)]


def seen_elsewhere(hero: ArrayLike, take: ArrayLike) -> Pairs:
    """Pair what two cameras both show, wherever it lies in each, by features that scale and turn do not change.

    Parameters
    ----------
    hero, take : array_like, shape (height, width, 3)
        Scene-linear light, not a number where it is clipped; the sizes may differ.

    Notes
    -----
    Features are those of D. G. Lowe, "Distinctive image features from scale-invariant keypoints", IJCV 60 (2004), as
    OpenCV computes them on the logarithm of light, with the ratio test of that paper; then only those that a rigid room
    allows (one epipolar geometry). The solver copes with what is still wrong.
    """
    cv2: Any = importlib.import_module("cv2")  # its stubs lag behind what it has
    pictures = [np.asarray(picture, np.float64) for picture in (hero, take)]
    finder = cv2.SIFT_create(nfeatures=2000, contrastThreshold=0.02)
    found = [finder.detectAndCompute(_grey(picture), None) for picture in pictures]
    nothing = Pairs(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 2)))
    if any(marks is None or len(marks) < 8 for _, marks in found):
        return nothing
    (points_a, marks_a), (points_b, marks_b) = found
    couples = cv2.BFMatcher(cv2.NORM_L2).knnMatch(marks_b, marks_a, k=2)
    kept = [best for best, second in couples if best.distance < 0.75 * second.distance]
    if len(kept) < 8:
        return nothing
    a = np.array([points_a[one.trainIdx].pt for one in kept])
    b = np.array([points_b[one.queryIdx].pt for one in kept])
    cv2.setRNGSeed(20)
    _, inside = cv2.findFundamentalMat(a, b, cv2.USAC_MAGSAC, 2.0, 0.999, 2000)
    if inside is None:
        return nothing
    good = np.flatnonzero(inside.ravel())
    means = [
        np.array([_mean_around(picture, points[index].pt, points[index].size) for index in indices])
        for picture, points, indices in (
            (pictures[0], points_a, [kept[number].trainIdx for number in good]),
            (pictures[1], points_b, [kept[number].queryIdx for number in good]),
        )
    ]
    if not len(good):
        return nothing
    usable = np.isfinite(means[0]).all(axis=1) & np.isfinite(means[1]).all(axis=1)
    usable &= (means[0].min(axis=1) > _DARK) & (means[1].min(axis=1) > _DARK)
    places = a[good] / (pictures[0].shape[1], pictures[0].shape[0])
    return Pairs(means[0][usable], means[1][usable], places[usable])


def _grey(light: Array) -> Array:
    """Return log2 light as 8-bit grey over its own range, so that exposure does not matter."""
    logs = np.log2(np.maximum(np.nan_to_num(light[..., 1], nan=16.0), _DARK))
    low, high = np.percentile(logs, (1, 99))
    return np.asarray(np.clip((logs - low) / max(high - low, 0.5) * 255, 0, 255), np.uint8)


def _mean_around(light: Array, place: tuple[float, float], size: float) -> Array:
    """Return the mean light of a disc as wide as a feature; not a number where it leaves the picture."""
    radius = max(2.0, size / 2)
    x, y = place
    height, width = light.shape[:2]
    left, right = int(np.floor(x - radius)), int(np.ceil(x + radius)) + 1
    top, bottom = int(np.floor(y - radius)), int(np.ceil(y + radius)) + 1
    if left < 0 or top < 0 or right > width or bottom > height:
        return np.full(3, np.nan)
    rows, columns = np.mgrid[top:bottom, left:right]
    disc = np.hypot(columns - x, rows - y) <= radius
    return np.asarray(light[top:bottom, left:right][disc].mean(axis=0))


def joined(pairs: list[Pairs]) -> Pairs:
    """Return the patches of several pairs of frames as one."""
    return Pairs(*(np.concatenate([getattr(one, name) for one in pairs]) for name in ("hero", "take", "places")))


def solve(pairs: Pairs) -> Solved:
    """Solve the gains of red, green and blue, robustly: what moved, or was paired wrongly, does not carry them away.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> hero = rng.uniform(0.02, 0.8, (60, 3))
    >>> solved = solve(Pairs(hero, hero / (1.2, 1.0, 0.9), rng.random((60, 2))))
    >>> [round(value, 4) for value in solved.gain], solved.told
    ([1.2, 1.0, 0.9], True)
    """
    count = _distinct(pairs.places)
    if count < LEAST_PATCHES:
        return Solved((1.0, 1.0, 1.0), count, 0.0, False, f"only {count} patches of the room are seen in both")
    logs = np.log2(pairs.hero / pairs.take)
    # What moved is another thing, not another colour: a patch counts in all channels or in none.
    middle = tukey_middle(logs)
    strays = float(MAD_TO_SIGMA * np.median(np.abs(logs[:, 1] - middle[1])))
    red, green, blue = (float(value) for value in 2.0**middle)
    agree = np.abs(logs - middle).max(axis=1) < 2 * MOST_SPREAD_STOPS
    why = ""
    if strays > MOST_SPREAD_STOPS:
        why = (
            f"the light of what both show strays by {strays:.2f} stops over the frame, so exposure cannot be told from "
            "where the light stands"
        )
    elif _distinct(pairs.places[agree]) < LEAST_PATCHES or pairs.places[agree].std(axis=0).min() < LEAST_REACH:
        why = "what agrees lies close together, so exposure cannot be told from where the light stands"
    return Solved((red, green, blue), count, strays, not why, why)


def _distinct(places: Array) -> int:
    """Count places that lie a fiftieth of the frame or more apart: one thing seen many times says no more than once."""
    return len(np.unique(np.floor(places * 50), axis=0))


def solve_cards(hero: ArrayLike, take: ArrayLike) -> Solved:
    """Solve the gains from the pixels of a grey card, (n, 3) or (height, width, 3), in each.

    Raises
    ------
    InvalidInput
        If a card is too dark, or not of one tone.
    """
    middles = []
    for pixels in (hero, take):
        card = np.asarray(pixels, np.float64).reshape(-1, 3)
        middle = np.median(card, axis=0)
        if not np.isfinite(middle).all() or middle.min() <= _DARK:
            raise InvalidInput("The card is too dark, or clipped. Name another moment or another box.")
        if np.percentile(np.abs(card[:, 1] / middle[1] - 1), 75) > 0.25:
            raise InvalidInput("What was named as the card is not of one tone. Name a box that lies inside it.")
        middles.append(middle)
    red, green, blue = (float(value) for value in middles[0] / middles[1])
    return Solved((red, green, blue), 1, 0.0, True)
