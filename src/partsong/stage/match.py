"""How takes compare in exposure and white balance, and how much they grain.

The light moves from take to take, so a brighter picture may be a nearer lamp as well as a wider aperture: the two
cannot be told apart from lit frames. They can where every take shows the same light: in an ambient-only head (the
room before the lamp is switched on) or on a grey card. Everything here works on scene-linear light; gains are what a
take's red, green and blue are multiplied by.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput
from partsong.render.robust import MAD_TO_SIGMA, tukey_middle

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

Gain = tuple[float, float, float]

_BLOCK_PX = 8
_AGREES_STOPS = 0.1
_LEAST_AGREEING = 0.5  # of the frame: less, and the two do not show one light
_LEAST_BLOCKS = 12
_DARK = 0.002  # scene-linear light: below a ninetieth of mid grey there is little but noise
_UNLIKE = 0.35  # in natural logarithm: half of a ring's pixels further than this from the common gain
_HEAD_STEP = 1.2  # by how much the light of the brightest tenth must rise when the lamp comes on
_HEAD_STEADY = 0.06  # how much the light may vary, in natural logarithm, over an ambient head


@dataclass(frozen=True, slots=True)
class Ratio:
    """Gains that bring one picture to another, the share of the frame that agrees on them, and how far it strays."""

    gain: Gain
    agreeing: float
    spread_stops: float

    @property
    def told(self) -> bool:
        """Say whether most of the frame agrees."""
        return self.agreeing >= _LEAST_AGREEING

    @property
    def stops(self) -> float:
        """The gain of green in stops."""
        return float(np.log2(self.gain[1]))


def ratio_of(reference: ArrayLike, other: ArrayLike, valid: ArrayLike | None = None) -> Ratio:
    """Compare two pictures of one room in one light.

    The frame is divided into blocks, and the answer is a robust mean over their logarithms of ratios, so what moved
    (a player, a stand) does not carry it away.

    Parameters
    ----------
    reference, other : array_like, shape (height, width, 3)
        Scene-linear light, grain averaged out over frames.
    valid : array_like of bool, shape (height, width), optional
        False where one of them is not to be trusted, for example clipped.

    Raises
    ------
    InvalidInput
        If the sizes differ, or hardly anything is bright enough to compare.

    Examples
    --------
    >>> room = np.full((64, 64, 3), 0.05)
    >>> ratio = ratio_of(room, room / 2)
    >>> [round(value, 3) for value in ratio.gain], ratio.told
    ([2.0, 2.0, 2.0], True)
    """
    one, two = (np.asarray(picture, np.float64) for picture in (reference, other))
    if one.shape != two.shape:
        raise InvalidInput(
            f"Pictures of {one.shape[1]} x {one.shape[0]} and {two.shape[1]} x {two.shape[0]} pixels cannot be "
            "compared. Bring them to one size first."
        )
    use = np.ones(one.shape[:2]) if valid is None else np.asarray(valid).astype(np.float64)
    count = _blocks(use)
    means = [
        np.stack([_blocks(picture[..., k] * use) for k in range(3)], axis=-1) / np.maximum(count, 1)[..., None]
        for picture in (one, two)
    ]
    chosen = (count >= _BLOCK_PX**2 / 2) & (means[0].min(axis=-1) > _DARK) & (means[1].min(axis=-1) > _DARK)
    if int(chosen.sum()) < _LEAST_BLOCKS:
        raise InvalidInput("Hardly anything is bright enough in both to compare their light.")
    logs = np.log(means[0][chosen] / means[1][chosen])
    # What moved is another thing, not another colour: a block counts in all channels or in none.
    middle = tukey_middle(logs)
    away = np.abs(logs - middle) / np.log(2)
    red, green, blue = (float(value) for value in np.exp(middle))
    return Ratio((red, green, blue), float((away.max(axis=-1) < _AGREES_STOPS).mean()), float(np.median(away)))


def ratio_of_cards(reference: ArrayLike, other: ArrayLike) -> Ratio:
    """Compare the grey card of two takes: the pixels of the card (n, 3) or (height, width, 3) in each.

    Raises
    ------
    InvalidInput
        If a card is too dark, or not of one tone, which a card is.
    """
    middles = []
    for pixels in (reference, other):
        card = np.asarray(pixels, np.float64).reshape(-1, 3)
        middle = np.median(card, axis=0)
        if middle.min() <= _DARK:
            raise InvalidInput("The card is too dark to measure. Light it, or choose another moment.")
        if np.percentile(np.abs(card / middle - 1), 75) > 0.25:
            raise InvalidInput("What was named as the card is not of one tone. Name a box that lies inside it.")
        middles.append(middle)
    red, green, blue = (float(value) for value in middles[0] / middles[1])
    return Ratio((red, green, blue), 1.0, 0.0)


def ring_gain(wanted: ArrayLike, given: ArrayLike) -> Gain:
    """Return the gain that brings light to the light beside it: the median over pixels (n, 3) of both.

    Raises
    ------
    InvalidInput
        If they are too dark to compare, or so unlike that no gain brings one to the other.

    Examples
    --------
    >>> ring_gain([[0.2, 0.2, 0.1]] * 20, [[0.1, 0.1, 0.1]] * 20)
    (2.0, 2.0, 1.0)
    """
    one, two = (np.asarray(light, np.float64).reshape(-1, 3) for light in (wanted, given))
    chosen = (one.min(axis=1) > _DARK) & (two.min(axis=1) > _DARK)
    if int(chosen.sum()) < _LEAST_BLOCKS:
        raise InvalidInput("It is too dark around the patch to match it. Give its gain: --stops NUMBER")
    logs = np.log(one[chosen] / two[chosen])
    middle = np.median(logs, axis=0)
    if float(np.median(np.abs(logs[:, 1] - middle[1]))) > _UNLIKE:
        raise InvalidInput(
            "What lies around the patch is not the same in both, so its light cannot be matched. Choose a source that "
            "shows the same ground, or give the gain: --stops NUMBER"
        )
    red, green, blue = (round(float(value), 6) for value in np.exp(middle))
    return red, green, blue


def find_head(levels: ArrayLike, rate_hz: float) -> int:
    """Return how many frames at the beginning are lit by ambient light alone; 0 if the lamp was on from the start.

    Parameters
    ----------
    levels : array_like, shape (n,)
        The scene-linear light of the brightest tenth of each frame, from the take's first frame on.
    rate_hz : float
        Frames a second. At least half a second must be steady before the lamp comes on.

    Examples
    --------
    >>> find_head([0.05] * 25 + [0.6] * 50, 25.0)
    25
    >>> find_head([0.6] * 75, 25.0)
    0
    """
    light = np.log(np.maximum(np.asarray(levels, np.float64), 1e-6))
    least = max(2, round(rate_hz / 2))
    if len(light) < 2 * least:
        return 0
    for stop in range(least, len(light) - least + 1):
        rise = float(np.median(light[stop : stop + least]) - np.median(light[:stop]))
        if rise >= np.log(_HEAD_STEP) and float(np.ptp(light[:stop])) <= _HEAD_STEADY:
            # Walk to the frame on which it rises, and leave it out: the lamp may have come on during its exposure.
            while stop < len(light) and light[stop] - np.median(light[:stop]) < rise / 4:
                stop += 1
            return stop
    return 0


# --- grain ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Grain:
    """A camera's noise: its variance is ``read**2 + shot * light``, in scene-linear light."""

    read: float
    shot: float

    def spread(self, light: ArrayLike) -> NDArray[np.float64]:
        """Return the standard deviation of the noise at a light."""
        return np.sqrt(self.read**2 + self.shot * np.maximum(np.asarray(light, np.float64), 0))


def grain_of(one: ArrayLike, other: ArrayLike) -> Grain:
    """Measure the grain from two frames of a take in which the room stands still, some time apart.

    The difference of two frames holds the noise twice. In groups of equal light its spread is told from the median of
    its absolute values, so that a moving player in part of the frame does not count.

    Parameters
    ----------
    one, other : array_like, shape (height, width, 3)
        Scene-linear light of the two frames.
    """
    first, second = (np.asarray(frame, np.float64)[..., 1].ravel() for frame in (one, other))
    light = (first + second) / 2
    order = np.argsort(light, kind="stable")
    groups = np.array_split(order, max(2, min(96, len(order) // 200)))
    levels = np.array([float(np.median(light[group])) for group in groups])
    spreads = [MAD_TO_SIGMA * float(np.median(np.abs(first[group] - second[group]))) / np.sqrt(2) for group in groups]
    variance = np.array(spreads) ** 2
    # Where all light falls into one code no grain is seen; it is there all the same, and must not count as none.
    seen = variance > 0
    if not seen.any():
        return Grain(0.0, 0.0)
    levels, variance = levels[seen], variance[seen]
    # Relative errors matter alike at all levels; both terms are at least nothing.
    weight = 1 / np.maximum(variance, 1e-12)
    from scipy.optimize import nnls

    terms = np.stack([np.ones_like(levels), np.maximum(levels, 0)], axis=1) * weight[:, None]
    (dark, shot), _ = nnls(terms, variance * weight)
    return Grain(float(np.sqrt(dark)), float(shot))


def _blocks(picture: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sum over each block of pixels; what is left over at the edges is left out."""
    rows, columns = (size // _BLOCK_PX for size in picture.shape)
    cut = picture[: rows * _BLOCK_PX, : columns * _BLOCK_PX]
    return np.asarray(cut.reshape(rows, _BLOCK_PX, columns, _BLOCK_PX).sum(axis=(1, 3)))
