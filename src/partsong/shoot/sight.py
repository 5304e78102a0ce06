"""What a take shows, summed up from some of its frames: small enough to keep, enough to judge it by. Pure.

All values of picture are encoded: code values over the nominal range, so that 0 is black and 1 nominal white,
whatever the camera's encoding is.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.media.planes import Planes
from partsong.render.robust import MAD_TO_SIGMA
from partsong.shoot.fine import detail, mean

WIDTH = 960
"""The greatest width of the still picture."""
ROWS, COLUMNS = 18, 32
"""Blocks of the frame in which light and colour are told."""
BAND_ROWS, BAND_COLUMNS = 540, 32

_STRIP, _RIM = 120, 12  # rows; as far as the wider blur reaches
_MOVES = 0.006  # of the signal
_KEPT, _SOFT = 0.25, 0.125  # of the energy of detail, and of all that moves, by which detail strays where light moves
_AROUND_PX = 17  # across: neighbours move by one cause
_STILLS = 15  # frames that the still picture is the median of
_LEAST_STILLS = 5
_PILE = 0.004  # of the range: how close values lie together when they are cut off at the same light
_TOPMOST = 40  # pixels that may be brighter, such as the glint of an edge
_LEAST_CEILING = 0.3  # nothing is cut off that low in any encoding
_LEAST_PILE = 0.001  # of the frame
_GAP, _SLOPE, _FOOT = 2, 12, 3  # steps below a pile: how many are passed by, a longer stretch of them, a shorter one
_ABOVE, _STEEP, _SHARP = 0.25, 0.6, 3.0
"""A pile is that many times what is above it (at most), on the longer and on the shorter stretch below (at least).

On seeds for tuning, light cut off in 3 % of the frame comes to 0.08, 0.88 and 3.9 at the worst; where much of the room
is nearly as bright the second was 0.66 since. A bright surface whose values happen to lie together comes to 0.79 and
3.2 in 0.3 % of the frame, else to 0.5 or 2.3.
"""


@dataclass(frozen=True, slots=True)
class Run:
    """Frames that follow each other, from ``first`` on: ``rows`` (n, rows, columns), or none, and how they change.

    ``changes`` (n - 1, rows, columns) is the mean change of luma in each block from each frame to the next,
    ``over_two`` (n - 2, rows, columns) to the next but one.
    """

    first: int
    rows: NDArray[np.float32]
    changes: NDArray[np.float16]
    over_two: NDArray[np.float16]


@dataclass(frozen=True, slots=True)
class Movement:
    """Where something is ``moving`` in a take, other than passing light and shadows, and where ``bodies``."""

    moving: NDArray[np.bool_]  # (h, w), as both are
    bodies: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Sight:
    """A take in short.

    Attributes
    ----------
    width, height : int
        Of its frames, in pixels.
    frames : tuple of int
        The spread frames that were looked at, in order.
    still : (h, w)
        The median of luma at the reduced size.
    moves : (h, w)
        How far luma strays from it, on average.
    strays : (h, w)
        How far fine detail does: the mean square in the window around each pixel.
    blocks : (n, rows, columns, 3)
        Mean R'G'B' of each block in each spread frame.
    rows : (n, rows, columns)
        Mean luma of each spread frame in the cells in which bands are looked for.
    detail : (rows, columns, 2)
        Energy of fine and of coarser detail in each block of the mean picture, without the noise's share.
    grain : (rows, columns)
        Standard deviation of luma's noise in each block, at full size.
    clipped : (n,)
        Share of each spread frame's pixels that are cut off at the top.
    ceiling : float
        The code at which they are, or the brightest seen.
    where_clipped : (rows, columns)
        Share of pixels cut off in each block, at the worst frame.
    knocks : (k, 10)
        Each time the camera was knocked: the first frame after, that in which it rests again, and the poses before and
        after (move right and down in pixels, clockwise degrees, scale), all against the take's first frames.
    sag_px : float
        How far the camera moved by itself between knocks.
    runs : tuple of Run
    """

    width: int
    height: int
    frames: tuple[int, ...]
    still: NDArray[np.float32]
    moves: NDArray[np.float32]
    strays: NDArray[np.float32]
    blocks: NDArray[np.float32]
    rows: NDArray[np.float32]
    detail: NDArray[np.float32]
    grain: NDArray[np.float32]
    clipped: NDArray[np.float32]
    ceiling: float
    where_clipped: NDArray[np.float32]
    knocks: NDArray[np.float64]
    sag_px: float
    runs: tuple[Run, ...]

    @property
    def unmoving(self) -> NDArray[np.bool_]:
        """Where nobody moves, (h, w): what other pictures of the room may be laid on."""
        return unmoving(self.moves)

    def movement(self) -> Movement:
        """Tell bodies that move, and all else that shows another drawing then, from light and shadows that pass.

        A shadow that passes leaves the fine detail of what it falls on, and has little of its own; a body brings its.
        """
        import cv2

        busy = ~self.unmoving
        moving = busy & (self.strays > _KEPT * mean(np.square(detail(self.still))))
        more = moving & (self.strays > _SOFT * mean(np.square(self.moves)))
        around = (_AROUND_PX, _AROUND_PX)
        body, all_of_it = (cv2.blur(where.astype(np.float32), around) for where in (more, busy))
        return Movement(moving, np.asarray(busy & (body >= 0.5 * all_of_it), bool))


def unmoving(moves: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return where a picture moves no more than its noise does, with a margin."""
    import cv2

    busy = cv2.blur(moves, (5, 5)) > max(_MOVES, 3 * float(np.median(moves)))
    return np.asarray(cv2.dilate(busy.astype(np.uint8), np.ones((9, 9), np.uint8)) == 0, bool)


def strays(pictures: NDArray[np.float32], still: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how far the fine detail of pictures (n, h, w) strays from that of their median: mean square around it."""
    drawing = detail(still)
    total = np.zeros_like(still)
    for picture in pictures:
        total += np.square(detail(picture) - drawing)
    return mean(total / np.float32(len(pictures)))


def reduced_size(width: int, height: int) -> tuple[int, int]:
    """Return the size at which a frame is kept: not wider than :data:`WIDTH`, sides even."""
    if width <= WIDTH:
        return width, height
    return WIDTH, 2 * round(height * WIDTH / width / 2)


def reduced(planes: Planes) -> NDArray[np.float32]:
    """Return encoded luma at the reduced size."""
    import cv2

    zero, span = _scale(planes)
    size = reduced_size(planes.width, planes.height)
    small = cv2.resize(np.ascontiguousarray(planes.y), size, interpolation=cv2.INTER_AREA)
    return (small.astype(np.float32) - np.float32(zero)) * np.float32(1 / span)


def encoded_luma(planes: Planes) -> NDArray[np.float32]:
    """Return encoded luma at full size."""
    zero, span = _scale(planes)
    luma = np.multiply(planes.y, np.float32(1 / span), dtype=np.float32)
    luma -= np.float32(zero / span)
    return np.asarray(luma, np.float32)


def changes_of(frames: Iterable[Planes]) -> tuple[NDArray[np.float16], NDArray[np.float16]]:
    """Return the mean change of luma in each block from each frame to the next, and to the next but one.

    Of n frames (n - 1, rows, columns) and (n - 2, rows, columns). At full size: making frames smaller would average
    away the grain by which two of them differ. Over two frames, every second pixel of every second row says enough.
    """
    changes, over_two = [], []
    before: NDArray[Any] | None = None
    parts: list[NDArray[Any]] = []  # of the last two frames, a quarter of their pixels
    for planes in frames:
        y, span = planes.y, _scale(planes)[1]
        part = np.ascontiguousarray(y[::2, ::2])
        if before is not None:
            changes.append(_change(y, before, span))
        if len(parts) == 2:
            over_two.append(_change(part, parts[0], span))
        before, parts = y, [*parts[-1:], part]
    return _in_blocks(changes), _in_blocks(over_two)


def _change(later: NDArray[Any], earlier: NDArray[Any], span: float) -> NDArray[np.float32]:
    import cv2

    difference = cv2.absdiff(later, earlier).astype(np.float32)
    return np.asarray(cv2.resize(difference, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA) / np.float32(span))


def _in_blocks(changes: Sequence[NDArray[np.float32]]) -> NDArray[np.float16]:
    return np.array(changes, np.float16).reshape(-1, ROWS, COLUMNS)


@dataclass
class Looker:
    """Takes in frames and sums them up; frames go by, none is kept whole.

    Detail is told from the means of ``together`` frames each, which quietens noise; the middle one of those means
    counts, so that one in which the camera moved, and is blurred by it, does not.
    """

    together: int = 5
    _numbers: list[int] = field(default_factory=list)
    _small: list[NDArray[np.float32]] = field(default_factory=list)
    _blocks: list[NDArray[np.float32]] = field(default_factory=list)
    _rows: list[NDArray[np.float32]] = field(default_factory=list)
    _clipped: list[float] = field(default_factory=list)
    _ceilings: list[float] = field(default_factory=list)
    _worst: tuple[float, NDArray[np.float32]] = (-1.0, np.zeros((ROWS, COLUMNS), np.float32))
    _sum: NDArray[np.float32] | None = None
    _summed: int = 0
    _codes: tuple[float, float] = (0.0, 1.0)
    _means: list[NDArray[np.float32]] = field(default_factory=list)
    _before: NDArray[np.float32] | None = None
    _changes: list[NDArray[np.float32]] = field(default_factory=list)
    _runs: list[Run] = field(default_factory=list)
    _size: tuple[int, int] = (0, 0)

    def add(self, number: int, planes: Planes) -> None:
        """Take in a spread frame."""
        import cv2

        self._size = (planes.width, planes.height)
        zero, span = _scale(planes)
        self._numbers.append(number)
        small = reduced(planes)
        self._small.append(small)
        self._rows.append(_cells(small))
        self._blocks.append(_block_colours(planes))
        share, ceiling, mask = cut_off(sampled_rgb(planes))
        self._clipped.append(share)
        self._ceilings.append(ceiling)
        if share > self._worst[0]:
            where = cv2.resize(mask, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
            self._worst = (share, np.asarray(where, np.float32))
        if self._sum is None:
            self._sum = np.zeros(planes.y.shape, np.float32)
        cv2.accumulate(np.ascontiguousarray(planes.y), self._sum)
        self._summed += 1
        self._codes = (zero, span)
        if self._summed == self.together:
            self._end_group()
        every_second = planes.y[::2, ::2].astype(np.float32)
        if self._before is not None:
            self._changes.append(_block_medians(np.abs(every_second - self._before)) / np.float32(span))
        self._before = every_second

    def add_run(self, first: int, frames: Sequence[Planes]) -> None:
        """Take in frames that follow each other."""
        rows = np.stack([_cells(reduced(planes)) for planes in frames])
        self._runs.append(Run(first, rows, *changes_of(frames)))

    @property
    def frames(self) -> tuple[int, ...]:
        """The spread frames taken in so far."""
        return tuple(self._numbers)

    @property
    def pictures(self) -> list[NDArray[np.float32]]:
        """Their reduced luma."""
        return self._small

    def _within(self, frames: range | None) -> NDArray[np.float32]:
        """Return the pictures that tell what is still, (n, h, w), of the spread frames within a range."""
        inside = [n for n, number in enumerate(self._numbers) if frames is None or number in frames]
        inside = inside if len(inside) >= _LEAST_STILLS else list(range(len(self._numbers)))
        return np.stack([self._small[n] for n in inside[:: max(1, len(inside) // _STILLS)]])

    def still_and_moves(self, frames: range | None = None) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return the median picture and how far pictures stray from it, of the spread frames within a range."""
        stack = self._within(frames)
        still = np.median(stack, axis=0).astype(np.float32)
        return still, np.abs(stack - still).mean(axis=0).astype(np.float32)

    def sight(
        self, *, steady: range | None = None, knocks: NDArray[np.float64] | None = None, sag_px: float = 0.0
    ) -> Sight:
        """Return the sum of what was taken in; at least two spread frames are needed.

        ``steady`` are the frames in which the camera stood as it did longest: the still picture is of those.
        """
        if not self._means:
            self._end_group()
        still, moves = self.still_and_moves(steady)
        # The median of the absolute difference of two frames is 0.6745 times the square root of two sigmas.
        changes = np.median(self._changes, axis=0) if self._changes else np.zeros((ROWS, COLUMNS), np.float32)
        grain = changes * np.float32(MAD_TO_SIGMA / np.sqrt(2))
        noise = grain / np.sqrt(np.float32(min(self.together, len(self._numbers))))
        detail = np.median([mean - noise_in_detail(noise) for mean in self._means], axis=0).astype(np.float32)
        return Sight(
            *self._size,
            tuple(self._numbers),
            still,
            moves,
            strays(self._within(steady), still),
            np.stack(self._blocks),
            np.stack(self._rows),
            detail,
            grain.astype(np.float32),
            np.array(self._clipped, np.float32),
            max(self._ceilings),
            self._worst[1],
            np.zeros((0, 10)) if knocks is None else knocks,
            sag_px,
            tuple(self._runs),
        )

    def add_changes(self, frames: Iterable[Planes]) -> None:
        """Take in every frame of the take for its change alone."""
        self._runs.append(Run(0, np.zeros((0, 1, 1), np.float32), *changes_of(frames)))

    def _end_group(self) -> None:
        assert self._sum is not None
        zero, span = self._codes
        self._sum *= np.float32(1 / (self._summed * span))
        self._sum -= np.float32(zero / span)
        self._means.append(detail_of(self._sum))
        self._sum, self._summed = None, 0


# --- of one frame ---------------------------------------------------------------------------------


def _scale(planes: Planes) -> tuple[float, float]:
    step = float(1 << (planes.bit_depth - 8))
    return (16 * step, 219 * step) if planes.value_range == "limited" else (0.0, float((1 << planes.bit_depth) - 1))


def _cells(small: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    rows = min(BAND_ROWS, small.shape[0])
    return np.asarray(cv2.resize(small, (BAND_COLUMNS, rows), interpolation=cv2.INTER_AREA), np.float32)


def _block_colours(planes: Planes) -> NDArray[np.float32]:
    """Return the mean R'G'B' of each block: means first, then the matrix, which is the same for a linear one."""
    import cv2

    from partsong.media.convert import encoded_rgb

    # Of a large frame a quarter of the pixels tell a block's mean as well.
    step = 2 if planes.width >= 1920 else 1
    y, u, v = (
        cv2.resize(
            np.ascontiguousarray(plane[::step, ::step], np.float32), (COLUMNS, ROWS), interpolation=cv2.INTER_AREA
        )
        for plane in (planes.y, planes.u, planes.v)
    )
    return encoded_rgb(Planes(y, u, v, planes.bit_depth, planes.matrix, planes.value_range))


def cut_off(colours: NDArray[np.float32]) -> tuple[float, float, NDArray[np.float32]]:
    """Return the share of pixels of which a colour is piled up at its brightest value, that value, and where they are.

    What a sensor cuts off has one value and a little noise; what is only bright thins out towards the top. A warm
    light is cut off in red first, so each colour is asked. ``colours`` (h, w, 3) are single pixels, not means.
    """
    piled = np.zeros(colours.shape[:2], bool)
    edges = np.arange(_LEAST_CEILING, 1.2, _PILE)
    steps = np.clip((colours - np.float32(_LEAST_CEILING)) * np.float32(1 / _PILE), -1, len(edges) - 1).astype(np.int16)
    steps += 1  # the lowest one holds all that is darker
    ceiling, cut_at = _LEAST_CEILING, 0.0
    for number in range(3):
        colour = colours[..., number]
        held = np.bincount(steps[..., number].ravel(), minlength=len(edges) + 1)[1:]
        counts = held / colour.size
        brightest = np.flatnonzero(held[::-1].cumsum()[::-1] >= _TOPMOST)
        ceiling = max(ceiling, float(edges[brightest[-1]]) if len(brightest) else 0.0)
        pile = np.convolve(counts, np.ones(3), mode="same")
        below, beside = (
            np.convolve(counts, np.r_[np.zeros(_GAP), np.ones(steps_down)], mode="full")[: len(counts)]
            for steps_down in (_SLOPE, _FOOT)
        )
        above = counts[::-1].cumsum()[::-1] - counts - np.r_[counts[1:], 0]
        cut = (pile >= _LEAST_PILE) & (above <= _ABOVE * pile) & (pile >= _STEEP * below) & (pile >= _SHARP * beside)
        if cut.any():
            at = edges[int(np.where(cut, pile, 0).argmax())] + _PILE / 2
            piled |= np.abs(colour - at) <= 1.5 * _PILE
            cut_at = float(at)
    return float(piled.mean()), cut_at or ceiling, piled.astype(np.float32)


def sampled_rgb(planes: Planes) -> NDArray[np.float32]:
    """Return encoded R'G'B' of single pixels, about 960 across: averages would hide where light is cut off."""
    from partsong.media.convert import encoded_rgb

    step = 1
    while planes.width // (2 * step) >= 640:
        step *= 2
    if step > 1:
        y = planes.y[::step, ::step]
        across, down = (step // (planes.y.shape[axis] // planes.u.shape[axis]) or 1 for axis in (1, 0))
        u, v = (
            np.ascontiguousarray(plane[::down, ::across][: y.shape[0], : y.shape[1]]) for plane in (planes.u, planes.v)
        )
        planes = Planes(np.ascontiguousarray(y), u, v, planes.bit_depth, planes.matrix, planes.value_range)
    return encoded_rgb(planes)


def blocks_of(picture: NDArray[Any]) -> NDArray[Any]:
    """Return a picture's blocks, (rows, columns, pixels); what does not divide is left out at the edges."""
    height, width = picture.shape[0] // ROWS * ROWS, picture.shape[1] // COLUMNS * COLUMNS
    cut = picture[:height, :width].reshape(ROWS, height // ROWS, COLUMNS, width // COLUMNS)
    return cut.swapaxes(1, 2).reshape(ROWS, COLUMNS, -1)


def _block_medians(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    pixels = blocks_of(picture)
    return np.asarray(np.median(pixels[..., :: max(1, pixels.shape[-1] // 400)], axis=-1), np.float32)


def detail_of(mean: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the energy of fine and of coarser detail in each block."""
    import cv2

    # A strip at a time, which stays in the processor's caches; its rim is blurred with it and left out.
    height = mean.shape[0]
    energies = np.empty((2, height, COLUMNS), np.float32)
    for top in range(0, height, _STRIP):
        stop = min(top + _STRIP, height)
        first = max(0, top - _RIM)
        piece = np.ascontiguousarray(mean[first : min(stop + _RIM, height)])
        one = cv2.GaussianBlur(piece, (0, 0), 1.0)
        three = cv2.GaussianBlur(piece, (0, 0), 3.0)
        inner = slice(top - first, stop - first)
        for number, (left, right) in enumerate(((piece, one), (one, three))):
            part = cv2.subtract(left[inner], right[inner])
            wide = cv2.multiply(part, part)
            energies[number, top:stop] = cv2.resize(wide, (COLUMNS, stop - top), interpolation=cv2.INTER_AREA)
    blocks = [cv2.resize(part, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA) for part in energies]
    return np.stack(blocks, axis=-1).astype(np.float32)


def noise_in_detail(noise: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the share of each energy that white noise of these standard deviations has."""
    return np.stack([share * np.square(noise) for share in (_passed(1.0, None), _passed(3.0, 1.0))], axis=-1)


@functools.cache
def _passed(wide: float, narrow: float | None) -> float:
    import cv2

    size = 2 * int(4 * wide) + 9
    point = np.zeros((size, size))
    point[size // 2, size // 2] = 1
    inner = point if narrow is None else cv2.GaussianBlur(point, (0, 0), narrow)
    return float(np.square(inner - cv2.GaussianBlur(point, (0, 0), wide)).sum())
