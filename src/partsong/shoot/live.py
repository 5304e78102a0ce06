"""One frame held against the reference: a live picture or a still, whatever the light, in a fraction of a second. Pure.

The reference is prepared once. Where the picture lies is told from the drawing of the room, focus from fine detail
against coarser, exposure and white balance only where neither light reaches and only when both pictures are encoded
alike. One frame has a player in it and all of its noise, so a take's own check sees more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.media.planes import Planes
from partsong.render.registration import LEAST_SIDE, Found, distance_px, find_pose, inverted, resized_pose
from partsong.render.robust import MAD_TO_SIGMA
from partsong.render.warp import matrix_of
from partsong.shoot import exposure, judge
from partsong.shoot.camera import MOVED_PX, SPOKEN_PX, way
from partsong.shoot.sight import (
    COLUMNS,
    ROWS,
    Sight,
    blocks_of,
    cut_off,
    detail_of,
    encoded_luma,
    noise_in_detail,
    reduced_size,
    sampled_rgb,
)

_LUMA = np.array([[0.2126, 0.7152, 0.0722]], np.float32)  # ITU-R BT.709-6, table 3
_SAME_SHAPE = 0.01  # of the ratio of the sides
_ABOVE_ERROR = 3.0
_SURE_PX, _SURE_SHARE = 0.15, 0.1
_SOFT_SCALED = 2 * judge.SOFT
"""Pictures of two sizes went through two ways of making them smaller, which differ in fine detail by themselves."""
_CLIPPED = 0.005  # of the frame, as for takes
_SAMPLED = 640  # pixels across, of which colours and clipping are told
_LAPLACIAN = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)


@dataclass(frozen=True, slots=True)
class Prepared:
    """A reference, prepared once for any number of comparisons.

    Attributes
    ----------
    width, height : int
        Of its frame; shifts are told in its pixels.
    still : (h, w)
        Encoded luma at the reduced size.
    free : (h, w) of bool
        False where somebody moves.
    colours : (rows, columns, 3), optional
        Encoded R'G'B' of blocks; None where the reference is luma alone.
    sharp : (width, height)
        The largest size at which focus is told.
    luma : callable
        Gives encoded luma at that size, (h, w); called when focus is first told at another one.
    """

    width: int
    height: int
    still: NDArray[np.float32]
    free: NDArray[np.bool_]
    colours: NDArray[np.float32] | None
    sharp: tuple[int, int]
    luma: Callable[[], NDArray[np.float32]]
    _details: dict[tuple[int, int], judge.Detail] = field(default_factory=dict, repr=False, compare=False)

    def detail(self, size: tuple[int, int]) -> judge.Detail:
        """Return its detail and noise when made as small as ``size`` (width, height); kept for the next frame."""
        if size not in self._details:
            self._details[size] = _detail(_smaller(self.luma(), size))
        return self._details[size]


@dataclass(frozen=True, slots=True)
class LiveReading:
    """How a frame differs from the reference.

    Attributes
    ----------
    same_room : bool
        Whether it shows the same things at all; without, shift, turn and size mean nothing and are 0, 0, 0 and 1.
    shift_px : (right, down)
        Where the picture lies against the reference, in the reference's pixels.
    degrees : float
        Turned, clockwise on screen.
    scale : float
        Larger than the reference where above 1.
    distance_px, error_px : float
        How far it lies off, mean over corners and centre, and the error to expect of that.
    moved : bool
        Whether that is more than the measurement may err by.
    sure : bool
        Whether the error to expect is below 0.15 px or a tenth of the distance.
    focus : float, optional
        Fine detail over coarser against the reference, in powers of two; below 0 is softer. None where not told.
    exposure : float, optional
        Difference in shares of the signal where neither light reaches. None where not told.
    white : (red, blue), optional
        Against green, likewise.
    clipped : float
        Share of the frame that is cut off at its brightest value.
    alike : bool
        Whether it lies where it should and nothing else was found.
    words : tuple of str
        The same in sentences, the most important one first.
    """

    same_room: bool
    shift_px: tuple[float, float]
    degrees: float
    scale: float
    distance_px: float
    error_px: float
    moved: bool
    sure: bool
    focus: float | None
    exposure: float | None
    white: tuple[float, float] | None
    clipped: float
    alike: bool
    words: tuple[str, ...]


Picture = NDArray[Any] | Planes


def prepare(picture: Picture) -> Prepared:
    """Prepare a picture to be the reference.

    Parameters
    ----------
    picture : (h, w) or (h, w, 3), or Planes
        Encoded luma or R'G'B'; whole codes (uint8, uint16) over their full range, or floats from 0 to 1. Or a frame.

    Raises
    ------
    InvalidInput
        If it is no such picture, or smaller than 64 pixels either way.
    """
    luma = _luma(picture)
    height, width = luma.shape
    still = _smaller(luma, reduced_size(width, height))
    free = np.ones(still.shape, bool)
    return Prepared(width, height, still, free, _colours(_sampled(picture)), (width, height), lambda: luma)


def prepared_of(sight: Sight, frame: Callable[[], Picture] | None = None) -> Prepared:
    """Prepare a take to be the reference: what it shows, and one of its frames for focus at smaller sizes.

    Parameters
    ----------
    sight : Sight
        Of the take, which tells focus at the take's own size.
    frame : callable, optional
        Gives a frame of it, as for :func:`prepare`. Without one, focus is told from the take's still picture.
    """
    colours = np.median(sight.blocks, axis=0).astype(np.float32)
    if frame is None:
        sharp = (sight.still.shape[1], sight.still.shape[0])
        return Prepared(sight.width, sight.height, sight.still, sight.unmoving, colours, sharp, lambda: sight.still)
    size = (sight.width, sight.height)
    return Prepared(
        *size,
        sight.still,
        sight.unmoving,
        colours,
        size,
        lambda: _luma(frame()),
        {size: (sight.detail, judge.noise_floor(sight))},
    )


def compare(reference: Prepared, picture: Picture, *, same_encoding: bool = True) -> LiveReading:
    """Hold a frame against the reference.

    Parameters
    ----------
    reference : Prepared
        In any light.
    picture : (h, w) or (h, w, 3), or Planes
        As for :func:`prepare`, of the reference's shape and any size.
    same_encoding : bool
        Whether it is encoded as the reference is. A camera's screen output, a webcam and a photograph usually are not;
        then exposure and white balance are not compared.

    Raises
    ------
    InvalidInput
        If it is no picture, has another shape, or is too small to tell.

    Examples
    --------
    >>> room = np.random.default_rng(1).random((90, 160), np.float32)
    >>> compare(prepare(room), np.roll(room, 2, axis=1)).words[0]
    'The picture lies 2.00 px right, give or take 0.01 px. Aim the camera right.'
    """
    luma = _luma(picture)
    height, width = luma.shape
    if abs(width * reference.height / (height * reference.width) - 1) > _SAME_SHAPE:
        raise InvalidInput(
            f"The picture has {width} x {height} pixels, the reference {reference.width} x {reference.height}: they "
            "are of different shape. Give a frame of video, uncropped, and not a photograph of another format."
        )
    found, factor = _found(reference, luma)
    # The pose lays the picture back on the reference; where the picture lies is the other way round.
    lies = inverted(resized_pose(found.pose, factor)) if found.same_room else Pose()
    distance = distance_px(lies, Pose(), reference.width, reference.height)
    error = found.error_px * factor
    moved = found.same_room and distance >= max(MOVED_PX, _ABOVE_ERROR * error)
    place = _place(lies, error, moved) if found.same_room else _lost(found.seen)
    focus, scaled = _focus(reference, luma)
    back = resized_pose(found.pose, factor / reference.width) if found.same_room else Pose()
    sampled = _sampled(picture)
    colours = _colours(sampled, back)
    dark = None
    if same_encoding and reference.colours is not None and colours is not None:
        coarse = picture.bit_depth == 8 if isinstance(picture, Planes) else picture.dtype == np.uint8
        dark = exposure.unlit(colours, reference.colours, bits=8 if coarse else 10)
    clipped = cut_off(sampled if sampled.ndim == 3 else np.repeat(sampled[..., None], 3, axis=2))[0]
    faults = [*_focus_words(focus, scaled), *_colour_words(dark)]
    if clipped >= _CLIPPED:
        faults.append(f"{clipped:.1%} of the frame is cut off at the brightest value.")
    not_told = [] if focus is not None else ["Focus was not compared: too little is lit in both."]
    return LiveReading(
        same_room=found.same_room,
        shift_px=(lies.dx_px, lies.dy_px),
        degrees=lies.rotation_deg,
        scale=lies.scale,
        distance_px=distance,
        error_px=error,
        moved=moved,
        sure=found.same_room and error <= max(_SURE_PX, _SURE_SHARE * distance),
        focus=focus,
        exposure=dark.bright if dark is not None and dark.one_level else None,
        white=dark.colour if dark is not None else None,
        clipped=clipped,
        alike=found.same_room and not moved and not faults,
        words=(place, *faults, *not_told),
    )


# --- words ----------------------------------------------------------------------------------------


def _place(lies: Pose, error_px: float, moved: bool) -> str:
    if not moved:
        return f"The picture lies as in the reference, give or take {max(error_px, 0.005):.2f} px."
    parts = way(lies.dx_px, lies.dy_px, lies.rotation_deg, lies.scale)
    # What lies too far right in the picture comes back when the camera is aimed further right.
    ways = ((lies.dx_px, ("left", "right")), (lies.dy_px, ("up", "down")))
    aim = [words[value > 0] for value, words in ways if abs(value) >= SPOKEN_PX]
    text = f"The picture lies {', '.join(parts) or 'a little off'}, give or take {max(error_px, 0.005):.2f} px."
    return f"{text} Aim the camera {' and '.join(aim)}." if aim else text


def _lost(seen: int) -> str:
    if seen == 0:
        return "Where the picture lies is not told: too little can be seen in it."
    return "Most of the frame lies elsewhere than in the reference: another framing, or hardly any light in common."


def _focus_words(focus: float | None, scaled: bool) -> list[str]:
    if focus is None or focus > (_SOFT_SCALED if scaled else judge.SOFT):
        return []
    return [f"It is softer than the reference: fine detail has {2**focus:.0%} of its strength. Check the focus."]


def _colour_words(dark: exposure.Level | None) -> list[str]:
    if dark is None:
        return []
    words = []
    if dark.other_exposure:
        how = "brighter" if dark.bright > 0 else "darker"
        words.append(f"Where neither light reaches it is {how} by {abs(dark.bright) * 100:.1f} % of the signal.")
    if dark.other_white:
        words.append(f"Where neither light reaches it is {dark.tint} than the reference: check the white balance.")
    return words


# --- measures -------------------------------------------------------------------------------------


def _found(reference: Prepared, luma: NDArray[np.float32]) -> tuple[Found, float]:
    """Return how the picture is laid on the reference, and how many of its pixels one of that measure is."""
    import cv2

    still, free = reference.still, reference.free
    size = (still.shape[1], still.shape[0])
    if luma.shape[1] < size[0]:
        size = (luma.shape[1], luma.shape[0])
        still = _smaller(still, size)
        free = cv2.resize(free.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    found = find_pose(still, _smaller(luma, size), None if free.all() else free)
    return found, reference.width / size[0]


def _focus(reference: Prepared, luma: NDArray[np.float32]) -> tuple[float | None, bool]:
    """Return the difference in focus, and whether the two are of different size, so that one was made smaller."""
    own = (luma.shape[1], luma.shape[0])
    size = min(own, reference.sharp)
    told, _ = judge.softness(_detail(_smaller(luma, size)), reference.detail(size))
    return told, own != reference.sharp


def _detail(luma: NDArray[np.float32]) -> judge.Detail:
    """Return a single picture's detail without its noise, and that noise's energy, in each block.

    Noise is told from what a filter leaves that takes out all that is smooth or straight (Immerkaer 1996), by its
    median, of which edges are a small part. In a block that is drawn all over it says too much, never too little.
    """
    # A grid of pixels tells a median as well as all of them.
    step = max(1, luma.shape[1] // _SAMPLED)
    height, width = luma.shape[0] - 2, luma.shape[1] - 2
    left = np.zeros(luma[:height:step, :width:step].shape, np.float32)
    for (down, across), weight in np.ndenumerate(_LAPLACIAN):
        left += weight * luma[down : height + down : step, across : width + across : step]
    middle = np.median(blocks_of(np.abs(left)), axis=-1)
    noise = (middle * np.float32(MAD_TO_SIGMA / np.linalg.norm(_LAPLACIAN))).astype(np.float32)
    energies = detail_of(luma)
    return np.maximum(energies - noise_in_detail(noise), 0).astype(np.float32), np.square(noise)


def _luma(picture: Picture) -> NDArray[np.float32]:
    import cv2

    if isinstance(picture, Planes):
        return encoded_luma(picture)
    if picture.ndim not in (2, 3) or (picture.ndim == 3 and picture.shape[2] != 3):
        raise InvalidInput(
            f"An array of shape {picture.shape} is no picture. Give (height, width) or (height, width, 3)."
        )
    if min(picture.shape[:2]) < LEAST_SIDE:
        raise InvalidInput(
            f"A picture of {picture.shape[1]} x {picture.shape[0]} pixels is too small to tell anything. "
            f"Give {LEAST_SIDE} or more each way."
        )
    flat = picture if picture.ndim == 2 else cv2.transform(picture, _LUMA)
    return _unit(np.asarray(flat).reshape(picture.shape[:2]))


def _colours(sampled: NDArray[np.float32], back: Pose | None = None) -> NDArray[np.float32] | None:
    """Return the colours of blocks, of single pixels of a picture laid back by a pose (of a frame one pixel wide)."""
    if sampled.ndim == 2:
        return None
    import cv2

    if back is not None:
        height, width = sampled.shape[:2]
        matrix = matrix_of(resized_pose(back, width), width, height)
        warped = cv2.warpAffine(sampled, matrix, (width, height), borderMode=cv2.BORDER_REPLICATE)
        sampled = np.asarray(warped, np.float32)
    return np.asarray(cv2.resize(sampled, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA), np.float32)


def _sampled(picture: Picture) -> NDArray[np.float32]:
    """Return single pixels of a grid, which tell the means of blocks as well as all of them."""
    if isinstance(picture, Planes):
        return sampled_rgb(picture)
    step = max(1, picture.shape[1] // _SAMPLED)
    return _unit(np.ascontiguousarray(picture[::step, ::step]))


def _unit(picture: NDArray[Any]) -> NDArray[np.float32]:
    """Return values as floats from 0 to 1."""
    if np.issubdtype(picture.dtype, np.unsignedinteger):
        return np.asarray(np.multiply(picture, np.float32(1 / np.iinfo(picture.dtype).max), dtype=np.float32))
    return np.asarray(picture, np.float32)


def _smaller(picture: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    import cv2

    if picture.shape[::-1] == size:
        return picture
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)
