"""Things of the reference that stand elsewhere in the take: where to, and how they turned. Pure.

What is lost in the take is looked for near its place, turned a little either way, among what is new in the take.
A piece that is found so is a beginning: its move is then asked of everything around, what goes along with it better
than with no move at all is the thing, and Gauss-Newton steps over that measure the move to a part of a pixel.

How much a thing found so tells is counted in nats: what two Gaussian signals of that correlation know of each other,
for each window that stands by itself. An edge slides along itself and fits everywhere, so a thing must have edges in
two directions.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from partsong.render.robust import MAD_TO_SIGMA, TUKEY
from partsong.shoot.aside import aside
from partsong.shoot.changes import Changes
from partsong.shoot.fine import Mask, Picture, detail, gradients, likeness, mean, nats, normed

if TYPE_CHECKING:
    from numpy.typing import NDArray

REACH = 13 / 240
"""How far a thing is looked for, of the width: 52 pixels of 960."""
TURNED_DEG = 2.0
"""From here on a thing is told as turned; less is within what a small one can tell."""
CLEAR = 20.0
"""Nats, from which on a thing's move is the only one that fits it."""
_MOVED_PX = 1.0
_SMALL = 640  # pixels across, up to which every pixel of a picture is searched
_WINDOW_PX = 9  # across, in which a thing's likeness is asked: bars are as thin
_QUIETEST = np.float32(1e-12)
_LEVEL_PX = 1.5  # standard deviation of the window in which contrast is taken out, for measuring
_ASIDE, _PIECES = 8, 100  # surfaces and pieces that are followed at most; of pieces some hundred are found
_TILE = 30  # pixels around a piece, of which something must be left to explain
_CORNER = 10  # pixels around a tile, that come into it when it is turned
_LEAST_LOST = 60  # pixels of a tile
_FOUND = 0.5  # correlation of a piece, to go on with it
_FITS, _BETTER = 0.55, 0.14  # correlation in a window of the thing, and nats that the move gains there
_LEAST_PX, _ENOUGH_PX = 250, 1500  # of a thing, and of its inside, to be measured by that alone
_RIM_PX = 21  # across: windows of likeness and of detail, and the smoothing
_AROUND_PX = 170  # that a piece's move is asked of
_NEAR_PX = 40  # from where a piece lies to the thing that it belongs to
_JOINS_PX = 25  # between parts of one thing
_NEARLY, _BESIDE_PX = 0.75, 6.0  # of its nats, and where another move is begun
_SPECK = 0.1  # of a thing's largest part
_ROUNDS, _STEPS, _SETTLED = 4, 4, 0.005
_LEAST_ENERGY = 0.3  # of the piece's, that a place has at least: an empty place is no likeness
_TOLD = 9.0  # nats, at least
_FIRST = 0.25  # of that, before the move is measured
_BOTH_WAYS = 0.25  # how much weaker the weaker direction of edges may be
_ONE_THING_PX, _ONE_MOVE_PX, _ONE_TURN_DEG = 30, 15.0, 6.0  # between two findings that may be of one thing
_SAME = 0.5  # of a thing, that another finding of it covers
_NEW = 0.4  # of a tile's lost pixels, that no finding explains yet


@dataclass(frozen=True, slots=True)
class _Search:
    """How wide pieces are, which angles they are looked for at, and what is their detail; of every second pixel."""

    side: int
    angles_deg: range
    fine_px: float
    around_px: int
    window_px: int


# Thin bars are told by their length. A thing's rim is another edge in each light, and tells against it for as far as
# detail reaches: in small pieces, and in fine detail, its inside is left.
_SEARCHES = (
    _Search(40, range(-15, 16, 3), 0.8, 17, 13),
    _Search(20, range(-15, 16, 5), 0.5, 9, 7),
)

_Piece = tuple[float, int, int, float, float, float]


@dataclass(frozen=True, slots=True)
class Moved:
    """A thing that was moved.

    Attributes
    ----------
    before, after : (h, w)
        Where it was in the reference and where it is in the take.
    dx, dy : float
        How far the middle of the box around ``before`` went, pixels right and down.
    turn_deg : float
        How far it turned, clockwise.
    told : float
        The weight of the evidence, nats.
    measured : bool
        Whether this is the only move that tells so much; along a bar that little else is seen of, there are several.
    """

    before: Mask
    after: Mask
    dx: float
    dy: float
    turn_deg: float
    told: float
    measured: bool = True

    @property
    def far(self) -> bool:
        """Whether it is further, or turned further, than registration may leave and another light may feign."""
        return math.hypot(self.dx, self.dy) >= _MOVED_PX or abs(self.turn_deg) >= TURNED_DEG

    @property
    def a_window(self) -> float:
        """What each window of it tells, nats: what moved fits all over, what is alike by chance fits hardly."""
        return self.told * _WINDOW_PX**2 / int(self.after.sum())


@dataclass(frozen=True, slots=True)
class _Asked:
    """What two stills share, and what every move is held to; all (h, w).

    ``at_rest`` is what no move at all tells, in nats, ``energy_after`` that of the take's detail, and ``level`` its
    detail, with the contrast right around each pixel taken out.
    """

    found: Changes
    at_rest: Picture
    energy_after: Picture
    level: Picture


def _asked(found: Changes) -> _Asked:
    after, noise = found.after, found.noise_after
    at_rest = nats(likeness(found.before, after, found.noise_before, noise, _WINDOW_PX))
    energy = np.maximum(mean(after * after, _WINDOW_PX) - noise, np.maximum(noise, _QUIETEST))
    return _Asked(found, at_rest, energy, np.asarray(after / np.sqrt(_energy(after, noise)), np.float32))


def moved(found: Changes, reference: Picture, here: Picture) -> list[Moved]:
    """Return the things that moved, the surest first, none of them twice."""
    asked = _asked(found)
    explained = np.zeros(found.alike.shape, bool)
    lost = found.lost
    things: list[Moved] = []
    for _, x, y, *move in sorted(aside(found), reverse=True)[:_ASIDE]:
        thing = _followed(asked, (x, y), np.array(move))
        if thing is not None and thing.far:
            things.append(thing)
            explained |= thing.before
    for _, x, y, dx, dy, turn in sorted(_pieces(found, reference, here), reverse=True)[:_PIECES]:
        tile = np.s_[max(0, y - _TILE) : y + _TILE, max(0, x - _TILE) : x + _TILE]
        left = int((lost & ~explained)[tile].sum())
        if left < max(_NEW * int(lost[tile].sum()), 4 * _LEAST_LOST):
            continue
        thing = _followed(asked, (x, y), np.array([dx, dy, turn]))
        if thing is not None:
            things.append(thing)
            explained |= thing.before
    kept: list[Moved] = []
    for thing in sorted(things, key=lambda one: -one.told):
        for number, one in enumerate(kept):
            whole = _together(asked, one, thing)
            if whole is not None:
                kept[number] = whole
                break
            if _twice(one, thing):
                break
        else:
            kept.append(thing)
    return kept


def as_told(found: Changes, things: list[Moved]) -> list[Moved]:
    """Return things as they are told: without specks beside them, and whether their move is measured."""
    asked = _asked(found) if any(one.told < CLEAR for one in things) else None
    measured = [asked is None or one.told >= CLEAR or _only_one(asked, one) for one in things]
    return [replace(_without_specks(one), measured=known) for one, known in zip(things, measured, strict=True)]


def _without_specks(thing: Moved) -> Moved:
    """Return a thing without small parts beside it: they fit by chance, and stretch the box that it is told for."""
    import cv2

    count, labels, boxes, _ = cv2.connectedComponentsWithStats(thing.after.astype(np.uint8))
    sizes = boxes[:, cv2.CC_STAT_AREA]
    large = sizes >= _SPECK * sizes[1:].max()
    large[0] = False
    if large.sum() == count - 1:
        return thing
    after = np.asarray(large[labels], bool)
    forth = _matrix(middle_of(thing.before), np.array([thing.dx, thing.dy, thing.turn_deg]))
    wide = cv2.dilate(after.astype(np.uint8), np.ones((_WINDOW_PX // 2, _WINDOW_PX // 2)))
    back = cv2.warpAffine(wide, cv2.invertAffineTransform(forth), after.shape[::-1], flags=cv2.INTER_NEAREST)
    middle = middle_of(back > 0)
    dx, dy = forth @ [*middle, 1] - middle
    return replace(thing, before=back > 0, after=after, dx=float(dx), dy=float(dy))


def _only_one(asked: _Asked, thing: Moved) -> bool:
    """Say whether what begins some pixels aside of a thing's move comes back to it, or tells less."""
    was = middle_of(thing.before)
    went = np.array([thing.dx, thing.dy])
    x, y = (round(float(v)) for v in was + went)
    for way in ((_BESIDE_PX, 0), (-_BESIDE_PX, 0), (0, _BESIDE_PX), (0, -_BESIDE_PX)):
        other = _followed(asked, (x, y), np.array([*(went + way), thing.turn_deg]))
        if other is not None and other.told > _NEARLY * thing.told:
            matrix = _matrix(middle_of(other.before), np.array([other.dx, other.dy, other.turn_deg]))
            if np.hypot(*(matrix @ [*was, 1] - was - went)) > _MOVED_PX:
                return False
    return True


def _twice(one: Moved, other: Moved) -> bool:
    mine = other.before | other.after
    return bool((mine & (one.before | one.after)).sum() > _SAME * min(mine.sum(), one.before.sum()))


def _together(asked: _Asked, one: Moved, other: Moved) -> Moved | None:
    """Return two findings as one thing, when they lie side by side and one move explains both.

    What turns goes one way at its top and the other way at its foot, and stays where it is in between.
    """
    import cv2

    near = cv2.dilate(one.before.astype(np.uint8), np.ones((2 * _ONE_THING_PX + 1, 2 * _ONE_THING_PX + 1))) > 0
    apart = math.hypot(one.dx - other.dx, one.dy - other.dy)
    if not (near & other.before).any() or apart > _ONE_MOVE_PX or abs(one.turn_deg - other.turn_deg) > _ONE_TURN_DEG:
        return None
    was, now = (
        np.array([middle_of(first), middle_of(second)])
        for first, second in ((one.before, other.before), (one.after, other.after))
    )
    ways = [complex(*(points[1] - points[0])) for points in (was, now)]
    if abs(ways[0]) < _NEAR_PX:
        return None
    turn = math.degrees(np.angle(ways[1] / ways[0]))
    at, to = was.mean(axis=0), now.mean(axis=0)
    within = cv2.dilate((one.after | other.after).astype(np.uint8), np.ones((_WINDOW_PX, _WINDOW_PX))) > 0
    whole = _followed(asked, (round(at[0]), round(at[1])), np.array([*(to - at), turn]), within)
    return whole if whole is not None and whole.told > 1.1 * one.told else None


def middle_of(mask: Mask) -> NDArray[np.float64]:
    """Return the middle of a mask's box, (x, y)."""
    rows, columns = np.nonzero(mask)
    return np.array([(columns.min() + columns.max()) / 2, (rows.min() + rows.max()) / 2])


def _pieces(found: Changes, reference: Picture, here: Picture) -> Iterator[_Piece]:
    """Yield pieces of what was lost that are found elsewhere: what that tells, middle, move and turn."""
    import cv2

    # What a large picture shows is told by every second pixel of it.
    step = 2 if reference.shape[1] > _SMALL else 1
    height, width = (side // step for side in reference.shape)

    def reduced(picture: Picture) -> Picture:
        return np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), np.float32)

    lost, new = (reduced(mask.astype(np.float32)) > 0.25 for mask in (found.lost, found.new))
    # A window that is new reaches beyond what is.
    around = cv2.dilate(new.astype(np.uint8), np.ones((7, 7))).astype(np.float32)
    reach = round(REACH * reference.shape[1] / step)
    small = [reduced(picture) for picture in (reference, here)]
    for how in _SEARCHES:
        side, pad, wide = how.side, reach + how.side, how.side + 2 * _CORNER
        was, now = (normed(detail(picture, how.fine_px, how.around_px), how.window_px) for picture in small)
        before, after = np.pad(was, pad), np.pad(now * around, pad)
        energy_after, gone, come = np.square(after), np.pad(lost.astype(np.float32), pad), np.pad(new, pad)
        for y, x in itertools.product(*(range(pad, pad + end - side + 1, side // 2) for end in (height, width))):
            area = np.s_[y - reach : y + side + reach, x - reach : x + side + reach]
            if gone[y : y + side, x : x + side].sum() < _LEAST_LOST or come[area].sum() < _LEAST_LOST:
                continue
            large = np.s_[y - _CORNER : y + side + _CORNER, x - _CORNER : x + side + _CORNER]
            best = (0.0, 0, 0, 0)
            for turn in how.angles_deg:
                matrix = cv2.getRotationMatrix2D(((wide - 1) / 2, (wide - 1) / 2), -turn, 1)
                piece, mask = (
                    cv2.warpAffine(one, matrix, (wide, wide))[_CORNER:-_CORNER, _CORNER:-_CORNER]
                    for one in (before[large] * gone[large], gone[large])
                )
                mask = (mask > 0.5).astype(np.float32)
                piece = piece * mask
                energy = float(np.square(piece).sum())
                if energy == 0:
                    continue
                there = cv2.matchTemplate(energy_after[area], mask, cv2.TM_CCORR)
                product = cv2.matchTemplate(after[area], piece, cv2.TM_CCORR)
                likeness = product / np.sqrt(energy * np.maximum(there, _LEAST_ENERGY * energy))
                row, column = (int(v) for v in np.unravel_index(int(np.argmax(likeness)), likeness.shape))
                if likeness[row, column] > _FOUND:
                    told = float(nats(likeness[row, column]) * mask.sum())
                    best = max(best, (told, column - reach, row - reach, turn))
            if best[0] > 0:
                middle = (step * (at - pad + side // 2) for at in (x, y))
                yield best[0], *middle, float(step * best[1]), float(step * best[2]), float(best[3])


def _followed(
    asked: _Asked, at: tuple[int, int], move: NDArray[np.float64], within: Mask | None = None
) -> Moved | None:
    """Return the thing that a piece at a place belongs to, its move (right, down, degrees) measured; None if none.

    Where the thing is now, as far as it is known, is ``within``; else it is all that hangs together near the piece.
    """
    import cv2

    found = asked.found
    height, width = found.before.shape
    left, top = max(0, at[0] - _AROUND_PX), max(0, at[1] - _AROUND_PX)
    place = np.s_[top : min(height, at[1] + _AROUND_PX), left : min(width, at[0] + _AROUND_PX)]
    before, after, noise = found.before[place], found.after[place], found.noise_before[place]
    at_rest, energy_after, level = asked.at_rest[place], asked.energy_after[place], asked.level[place]
    free_before = (~found.moving_before[place]).astype(np.uint8)
    usable = found.drawn_after[place] & ~found.moving_after[place]
    size = (before.shape[1], before.shape[0])
    centre = np.array([at[0] - left, at[1] - top], np.float64)
    for _ in range(_ROUNDS):
        matrix = _matrix(centre, move)
        carried = np.asarray(cv2.warpAffine(before, matrix, size, flags=cv2.INTER_CUBIC), np.float32)
        free = cv2.warpAffine(free_before, matrix, size, flags=cv2.INTER_NEAREST) > 0
        energy = np.maximum(mean(carried * carried, _WINDOW_PX) - noise, np.maximum(noise, _QUIETEST))
        fits = mean(carried * after, _WINDOW_PX) / np.sqrt(energy * energy_after)
        gain = _gain(nats(fits), at_rest, matrix)
        good = (fits > _FITS) & (gain > _BETTER) & usable & free
        if within is not None:
            thing = good & within[place]
            if thing.sum() < _LEAST_PX:
                return None
            move = _measured(before, level, _energy(carried, noise), _inside(thing), centre, move)
            continue
        joined = cv2.morphologyEx(good.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((_JOINS_PX, _JOINS_PX)))
        _, labels = cv2.connectedComponents(joined)
        x, y = (round(float(v)) for v in centre + move[:2])
        near = labels[max(0, y - _NEAR_PX) : max(0, y + _NEAR_PX), max(0, x - _NEAR_PX) : max(0, x + _NEAR_PX)]
        if not near.any():
            return None
        thing = (labels == int(np.bincount(near[near > 0]).argmax())) & good
        if thing.sum() < _LEAST_PX or gain[thing].sum() < _FIRST * _TOLD * _WINDOW_PX**2:
            return None
        move = _measured(before, level, _energy(carried, noise), _inside(thing), centre, move)
    # Windows overlap: each pixel counts for its share of one.
    told = float(gain[thing].sum()) / _WINDOW_PX**2
    if told < _TOLD or _edges_both_ways(level, thing) < _BOTH_WAYS:
        return None
    forth = _matrix(centre, move)
    back = cv2.invertAffineTransform(forth)
    masks = [np.zeros(found.alike.shape, bool) for _ in range(2)]
    wide = cv2.dilate(thing.astype(np.uint8), np.ones((_WINDOW_PX // 2, _WINDOW_PX // 2)))
    masks[0][place] = cv2.warpAffine(wide, back, size, flags=cv2.INTER_NEAREST) > 0
    masks[1][place] = thing
    middle = middle_of(masks[0][place])
    dx, dy = forth[:, :2] @ middle + forth[:, 2] - middle
    return Moved(masks[0], masks[1], float(dx), float(dy), float(move[2]), told)


def told_by(found: Changes, thing: Moved, other: Changes) -> tuple[float, float]:
    """Return what a thing's move tells where another take sees it too, and what it tells there of that one, in nats.

    ``found`` is of the reference and the take, ``other`` of another take and that one, all laid on the reference.
    """
    import cv2

    rows, columns = np.nonzero(thing.before | thing.after)
    left, top = max(0, columns.min() - _WINDOW_PX), max(0, rows.min() - _WINDOW_PX)
    place = np.s_[top : rows.max() + 1 + _WINDOW_PX, left : columns.max() + 1 + _WINDOW_PX]
    matrix = _matrix(middle_of(thing.before) - (left, top), np.array([thing.dx, thing.dy, thing.turn_deg]))
    where = thing.after[place]
    size = (where.shape[1], where.shape[0])
    hidden = (other.moving_before | other.player_before)[place]
    sees = (~hidden & other.drawn_before[place]).astype(np.uint8)
    where = where & ~hidden & (cv2.warpAffine(sees, matrix, size, flags=cv2.INTER_NEAREST) > 0)
    told = []
    for one in (found, other):
        before, after = one.before[place], one.after[place]
        noises = one.noise_before[place], one.noise_after[place]
        at_rest = nats(likeness(before, after, *noises, _WINDOW_PX))
        carried = np.asarray(cv2.warpAffine(before, matrix, size, flags=cv2.INTER_CUBIC), np.float32)
        gain = _gain(nats(likeness(carried, after, *noises, _WINDOW_PX)), at_rest, matrix)
        told.append(float(gain[where].sum()) / _WINDOW_PX**2)
    return told[0], told[1]


def _inside(thing: Mask) -> Mask:
    """Return what lies so far inside of a thing that no window takes its rim in; all, if that is little.

    Thin things have no such inside, and are measured by all that is known of them.
    """
    import cv2

    drawn = thing.astype(np.uint8)
    filled = cv2.morphologyEx(drawn, cv2.MORPH_CLOSE, np.ones((_JOINS_PX, _JOINS_PX), np.uint8))
    for whole, rim_px in ((filled, _RIM_PX), (drawn, _WINDOW_PX)):
        inner = cv2.erode(whole, np.ones((rim_px, rim_px), np.uint8)) > 0
        if inner.sum() >= _ENOUGH_PX:
            return np.asarray(inner, bool)
    return thing


def _gain(moved: Picture, at_rest: Picture, matrix: NDArray[np.float64]) -> Picture:
    """Return what a move tells more than no move: what was there is not there any more, and what is there was not."""
    import cv2

    left_behind = cv2.warpAffine(at_rest, matrix, at_rest.shape[::-1], flags=cv2.INTER_LINEAR)
    return np.asarray(moved - np.maximum(at_rest, left_behind), np.float32)


def _energy(detail: Picture, noise: Picture) -> Picture:
    """Return the strength of detail right around each pixel: a rim shall weigh no more than what lies within it."""
    import cv2

    around = cv2.GaussianBlur(np.square(detail), (0, 0), _LEVEL_PX)
    return np.asarray(np.maximum(around - noise, np.maximum(noise, _QUIETEST)), np.float32)


def _matrix(centre: NDArray[np.float64], move: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the (2, 3) matrix that carries the reference's pixels: turned clockwise about a centre, then moved."""
    a = math.radians(float(move[2]))
    linear = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    return np.hstack([linear, (centre + move[:2] - linear @ centre)[:, None]])


def _measured(
    before: Picture,
    level: Picture,
    energy: Picture,
    thing: Mask,
    centre: NDArray[np.float64],
    move: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return a move after some Gauss-Newton steps over a thing; ``level`` is the take's detail, its contrast taken out.

    As in registration, the mean of both pictures' gradients leaves noise no direction to pull in.
    """
    import cv2

    here = gradients(level)
    rows, columns = np.nonzero(thing)
    for _ in range(_STEPS):
        size = (thing.shape[1], thing.shape[0])
        laid = cv2.warpAffine(before, _matrix(centre, move), size, flags=cv2.INTER_CUBIC)
        carried = np.asarray(laid / np.sqrt(energy), np.float32)
        x, y = ((one + other)[thing] / 2 for one, other in zip(here, gradients(carried), strict=True))
        right, down = columns - centre[0] - move[0], rows - centre[1] - move[1]
        ways = np.stack([x, y, (y * right - x * down) * math.radians(1)])
        error = (level - carried)[thing]
        spread = MAD_TO_SIGMA * float(np.median(np.abs(error)))
        weight = np.clip(1 - (error / (TUKEY * max(spread, 1e-6))) ** 2, 0, 1) ** 2
        normal = (ways * weight) @ ways.T + 1e-9 * np.eye(3)
        step = -np.linalg.solve(normal, (ways * weight) @ error)
        move = move + np.clip(step, -2, 2)
        if np.abs(step).max() < _SETTLED:
            break
    return move


def _edges_both_ways(level: Picture, thing: Mask) -> float:
    """Return the strength of edges in the weaker direction over that in the stronger: 0 for one line, 1 for grain."""
    x, y = (way[thing].astype(np.float64) for way in gradients(level))
    weak, strong = np.linalg.eigvalsh(np.array([[x @ x, x @ y], [x @ y, y @ y]]))
    return float(weak / max(strong, 1e-12))
