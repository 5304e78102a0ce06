"""Exposure and white balance of two pictures, told where their light is the same. Pure.

The lamp moves from take to take, so what it lights tells nothing of the camera. What neither lamp reaches does: there
another exposure is one factor, the same all over the picture, and a lamp's light is not. That there is such a place
must show as well, since light that fills the room fills its dark parts too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from partsong.render.robust import MAD_TO_SIGMA, TUKEY

_ENOUGH_BLOCKS = 12
_WHITE, _WHITE_OF_EXPOSURE = 0.003, 0.25
"""Of the signal, in red or blue against green, where neither light reaches: 0.06 stops in a usual log encoding.

The dark end of such an encoding is straight, so that exposure alone shifts colours there a little too."""
_CODE = 1 / 219
"""Of the signal, at eight bits. Encoders round faint colours away, by up to half a code of each colour difference;
in the dark of generated rooms that shifts red or blue against green by 0.0038 at most."""
_EXPOSURE = 0.008
"""Of the signal, in the same places; 0.15 to 0.25 stops in a usual log encoding."""
_AGREE = 0.006
"""Of the signal: how far places may differ about one level, by their spread and from edge to edge of the frame."""
_GROWS = 0.25
"""Of that level: how far a large one may grow from edge to edge as well.

Generated rooms come to 0.0025 of the signal, a ramp of light over a street to 0.008 and to 0.44 of the level."""
_REACHED, _REACHED_BLOCKS = 0.02, 0.03
"""How far, and in how many blocks, each of two lamps must stand clear of that level, the one above, the other below.

Generated rooms come to 9 % of the blocks and more; a street that is darkened to 1.4 % above."""
_LIT_PERCENT = 40  # the darkest blocks tell least of a light
_FITS, _LEAST_SPREAD = 15, 5e-4


@dataclass(frozen=True, slots=True)
class Level:
    """How a picture differs from another where both have the same light, in shares of the signal.

    ``told`` says that there are such places; ``bright`` is their middle difference in green, which is one of exposure
    where they are at ``one_level``; ``colour`` what red and blue differ against green, None where they do not agree.
    ``bits`` a sample has the coarser of the two encodings.
    """

    told: bool
    bright: float = 0.0
    one_level: bool = False
    colour: tuple[float, float] | None = None
    bits: int = 10

    @property
    def other_exposure(self) -> bool:
        """Whether it is another exposure, or another daylight."""
        return self.one_level and abs(self.bright) > _EXPOSURE

    @property
    def other_white(self) -> bool:
        """Whether it is another white balance; exposure alone shifts colours at the dark end a little too."""
        limit = max(_WHITE, _CODE * 2.0 ** (8 - self.bits)) + _WHITE_OF_EXPOSURE * abs(self.bright)
        return self.colour is not None and max(map(abs, self.colour)) > limit

    @property
    def tint(self) -> str:
        """The difference of colour in a word."""
        red, blue = self.colour or (0.0, 0.0)
        half = max(abs(red), abs(blue)) / 2
        return "warmer" if red - blue > half else "cooler" if blue - red > half else "of another tint"


def unlit(own: NDArray[np.float32], theirs: NDArray[np.float32], *, bits: int = 10) -> Level:
    """Compare two pictures where neither one's light reaches.

    Exposure is told only where each picture has parts that its own lamp alone makes brighter: two lamps' places show
    that the rest is out of their reach.

    Parameters
    ----------
    own, theirs : (rows, columns, 3)
        Encoded R'G'B' of the blocks of the frame.
    bits : int
        Of a sample, in the coarser of the two encodings.
    """
    level = np.minimum(own[..., 1], theirs[..., 1])
    dark = (own[..., 1] <= np.percentile(own[..., 1], 45)) & (theirs[..., 1] <= np.percentile(theirs[..., 1], 45))
    # The brighter of the dark: an encoding's very bottom hardly shows a change of colour.
    dark &= level >= (float(np.median(level[dark])) if dark.any() else 1.0)
    if dark.sum() < _ENOUGH_BLOCKS:
        return Level(False)
    found = _agreed(own, theirs, dark)
    beyond = own[..., 1] - theirs[..., 1] - found.bright
    reached = min(np.mean(beyond > _REACHED), np.mean(beyond < -_REACHED)) >= _REACHED_BLOCKS
    return replace(found, one_level=found.one_level and bool(reached), bits=bits)


def lit_alike(
    own: NDArray[np.float32], theirs: NDArray[np.float32], still: NDArray[np.bool_], *, bits: int = 10
) -> Level:
    """Compare two pictures in the same light, in all that is lit.

    Parameters
    ----------
    own, theirs, bits
        As for :func:`unlit`.
    still : (rows, columns)
        Where nobody moves.
    """
    lit = still & (theirs[..., 1] >= np.percentile(theirs[..., 1], _LIT_PERCENT))
    return replace(_agreed(own, theirs, lit), bits=bits) if lit.sum() >= _ENOUGH_BLOCKS else Level(False)


def _agreed(own: NDArray[np.float32], theirs: NDArray[np.float32], where: NDArray[np.bool_]) -> Level:
    """Return what places agree on."""
    shift = (own - theirs)[where]
    green = shift[:, 1]
    bright = float(np.median(green))
    colour = np.stack([shift[:, 0] - green, shift[:, 2] - green])
    middle = np.median(colour, axis=1)
    one_colour = _spread(colour - middle[:, None]) <= _AGREE
    grows = _across(green, theirs[..., 1][where], where)
    one_level = _spread(green - bright) <= _AGREE and grows <= max(_AGREE, _GROWS * abs(bright))
    return Level(True, bright, one_level, (float(middle[0]), float(middle[1])) if one_colour else None)


def _spread(error: NDArray[np.floating]) -> float:
    return float(np.median(np.abs(error))) * MAD_TO_SIGMA


def _across(shift: NDArray[np.float32], level: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return by how much a difference grows from edge to edge of the frame, down and across, by Tukey's weights.

    What goes with how bright a place is, straight or bent, is left out: that is the encoding's, and another exposure
    does it too.
    """
    down, across = (places / side - 0.5 for places, side in zip(np.nonzero(where), where.shape, strict=True))
    bright = (level - np.median(level)) / max(float(np.ptp(level)), 1e-6)
    terms = np.column_stack([np.ones(len(level)), bright, bright**2, down, across]).astype(np.float64)
    weight = np.ones(len(shift))
    slopes: NDArray[np.float64] = np.zeros(5)
    for _ in range(_FITS):
        root = np.sqrt(weight)
        slopes = np.asarray(np.linalg.lstsq(terms * root[:, None], shift * root, rcond=None)[0])
        error = shift - terms @ slopes
        weight = np.clip(1 - (error / (TUKEY * max(_spread(error), _LEAST_SPREAD))) ** 2, 0, None) ** 2
    return float(np.abs(slopes[3:]).sum())
