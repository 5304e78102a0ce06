"""Telling a player from his shadow: where a take's frame differs from its lit room, and how much of that is him.

A lamp's light on a room is G - A, the lit room less the ambient light that all takes share. In a shadow there is less
of it and nothing else changes, so light lies at A + s (G - A) for one share s of red, green and blue alike, and keeps
the room's drawing. What lies elsewhere is the player. A part of him that happens to lie on that way (dark trousers
before a grey box) is found by looking like what is surely his beside it, where the room's drawing is gone too; and
where it is as broad as a limb, by lying off the way a little all over, or by looking like the nearest of what is his.

What was found so is evidence only. Which places are his is settled for all of them together: each speaks for him or
for the ground by how far its light is from the way and from what he looks like, lit or in a shade that lies on him. A
soft shade may take his light from one side of the way to the other: then it is off the way where it crosses, too. An
outline costs little where there is a contrast to carry it. So his outline lies where one is seen, parts that tell
little go with those beside them, and the ground between his legs stays ground.

At his edges a pixel is part him, part ground: seen = a F + (1 - a) B. F is his light a little further in, B the room
with the share of lamplight that the ground beside him has; a follows by least squares, in which errors along the
lamp's light count the less the less sure that share is (a shadow's edge may lie there). Where he is of more than one
light and no such mixture explains what is seen, F is the light of the nearest place inside him: a strip of him may lie
in the shadow of what stands before him. It is held to within some pixels of the settled outline.

All of it looks at pictures of any size, so that large frames are looked at smaller; lengths are parts of the width.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Light = NDArray[np.float32]

_SOFT_PX = 0.8  # grain is quietened by this much before anything is judged
_QUIETER = 0.45  # what that leaves of white noise, a little less than that of colour at half the width
_DIFFERS = (2.5, 2.0)  # in standard deviations of what is left: from here on, over this many more, it differs
_FOREIGN = (2.0, 3.0)
_REDRAWN = (1.0, 1.5)
_LIKE = (2.0, 2.0)
_STRANGE = (1.0, 0.8)  # over an area, of what lies no further off than the cap
_STRANGE_ITSELF = (0.6, 0.8)  # at each place of that area
_STRANGE_CAP = 4.0  # squared: the edges of what is surely his do not stand for what lies beside them
_KIN = 0.1  # of his light: so much may it change on the way from the nearest place that is his
_EVEN = 0.15  # of his light: where he is sought, he is taken to be no more uneven than that over a window
_EDGE = 240  # of the width: his light is known this far inside him
_KNOWN = 0.01  # of a window's pixels, that must be surely his to say what he looks like there
_GROWS = 2  # times the window's reach, from what is surely his
_REACH = 16  # of the width: all that is looked at around him, with room for each window
_OFF_AT_MOST = 9.0  # squared distance from the way: more of it says no more
_UNLIKE = 7.0  # half the squared distance from what he looks like: so much is a light of him not known yet
_SHADED = 2.0  # the same: a shade that lies on him is rarer than none
_RARE = 0.5  # the same: at a place that tells nothing he is not
_ACROSS = 320  # of the width: so far to either side of a place may his light lie off to opposite sides of the way
_GREW = 2.0  # the same, for him: where he was grown to from what is surely his
_FARTHER = 20.0  # per width: so much does a place speak against him, the farther it is from what is known of him
_FARTHEST = 3.0
_STEPS = ((0, 1, 1.0), (1, 0, 1.0), (1, 1, 0.7), (1, -1, 0.7))  # down, right, and what an outline across it costs
_BOND = 0.6  # what an outline costs at each pixel, in the same measure
_BOND_ALIKE = 2.0  # and that much more where both sides look alike
_CONTRAST = 30.0  # the squared contrast, in tolerances, that is little to an outline
_ROUNDS = 2
_EDGE_PX = 1.1  # how soft his outline is, where no mixture tells it
_ROUNDING = 0.004  # of the light: ten-bit codes of a camera's logarithm lie 1.4 % apart, whose spread is 0.29 of that
_LEAST_VARIANCE = 1e-9
_UNSHADED = 5.0  # of the light in a room's picture: a deep shadow leaves a fifth
_LIT = 1.02
_RELATIVE = 0.02  # of the light: the lit room is not known better than that
_SHARE_UNSURE = 0.03
_TOLD = 9.0  # squared standard deviations between him and the ground, from which on a mixture of them is told
_PATCHED = (0.15, 0.2)  # the spread of his light over its mean, from which on he is of more than one
_UNEXPLAINED = (0.7, 0.25)  # of the squared distance from the ground: what leaves so much of it is no mixture
_POOR = (0.3, 0.4)  # the same, from where on his light is looked for closer by


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class LitRoom:
    """The room as one take's lamp lights it, nobody in it, laid on the reference.

    ``light`` (height, width, 3) is scene-linear, its grain averaged out. ``hidden`` (height, width), 0 to 1, says where
    a player stood in the way all through, so that it is a guess. The grain's variance is ``read**2 + shot * light``.
    With ``guessed`` it comes from the take itself, in which the player's shadow lies somewhere at any time.
    """

    light: Light
    hidden: Light
    read: float
    shot: float
    guessed: bool = False

    def grain(self, light: ArrayLike) -> Light:
        """Return the standard deviation of the grain at a light: no less than what rounding to codes makes."""
        held = np.maximum(np.asarray(light, np.float32), 0)
        variance = np.float32(self.read**2) + np.float32(self.shot) * held
        least = np.maximum((np.float32(_ROUNDING) * held) ** 2, np.float32(_LEAST_VARIANCE))
        return np.asarray(np.sqrt(np.maximum(variance, least)), np.float32)

    def smaller(self, factor: int) -> LitRoom:
        """Return the room in a picture whose pixels are means over ``factor`` x ``factor``: grain is less there."""
        if factor == 1:
            return self
        light, hidden = (reduced(picture, factor) for picture in (self.light, self.hidden))
        return LitRoom(light, hidden, self.read / factor, self.shot / factor**2, self.guessed)


def reduced(picture: NDArray[np.floating], factor: int) -> Light:
    """Return the means over squares of ``factor`` pixels; what is left over at the right and below is left out."""
    import cv2

    if factor == 1:
        return np.asarray(picture, np.float32)
    height, width = (size // factor for size in picture.shape[:2])
    whole = np.asarray(picture[: height * factor, : width * factor], np.float32)
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.float32)


def enlarged(small: Light, factor: int, height: int, width: int) -> Light:
    """Return a map at the frame's size: linear between the middles of its pixels, as at its edges beyond them."""
    picture = np.asarray(small, np.float32)
    for axis, size in enumerate((height, width)):
        at = (np.arange(size) + 0.5) / factor - 0.5
        first = np.floor(at).astype(np.int64)
        part = np.asarray(at - first, np.float32).reshape((-1, 1) if axis == 0 else (1, -1))
        one, other = (np.clip(first + step, 0, picture.shape[axis] - 1) for step in (0, 1))
        near, far = np.take(picture, one, axis), np.take(picture, other, axis)
        picture = near + part * (far - near)
    return picture


def where_differs(light: Light, room: LitRoom) -> Light:
    """Return m (height, width), 0 to 1: where a frame's light is not the lit room's, beyond what grain does."""
    far = _most(np.abs(_soft(light) - _soft(room.light)))
    quiet = _QUIETER * room.grain(_mean(room.light))
    return np.maximum(_ramp(far / quiet, *_DIFFERS), room.hidden)


def player_matte(light: Light, room: LitRoom, ambient: Light, width: int) -> Light:
    """Return p (height, width), 0 to 1: how much of each pixel is the player (see the top of this module).

    Parameters
    ----------
    light, ambient : (height, width, 3)
        The frame's light, and that which all takes share.
    room : LitRoom
        The take's.
    width : int
        Of the whole frame at this size, which lengths follow; the pictures may be a part of it.
    """
    return _matte(_Way(light, room, ambient), room.hidden, width)


def fast_player_matte(light: Light, room: LitRoom, ambient: Light, width: int) -> Light:
    """Return :func:`player_matte`, computed by compiled loops."""
    return _matte(_FastWay(light, room, ambient), room.hidden, width)


def _matte(way: _Way, hidden: Light, width: int) -> Light:
    off = way.off()
    alone = _ramp(np.sqrt(off), *_FOREIGN)
    matte = hidden.copy()
    some = _opened(alone, _odd(width, 320)) > 0
    if some.any():
        reach = round(width / _REACH)
        rows, columns = (
            slice(max(0, int(found[0]) - reach), int(found[-1]) + 1 + reach)
            for found in (np.flatnonzero(some.any(axis=1)), np.flatnonzero(some.any(axis=0)))
        )
        off, alone = (np.ascontiguousarray(one[rows, columns]) for one in (off, alone))
        his = _matte_near(way.part(rows, columns), off, alone, width)
        matte[rows, columns] = np.maximum(matte[rows, columns], his)
    return matte


def _matte_near(way: _Way, off: Light, alone: Light, width: int) -> Light:
    his, like = _grown(way, off, _opened(alone, _odd(width, 240)), width)
    whole = _whole(way, off, his, like, width)
    soft, pixel = max(7, _odd(width, 213)), max(3, _odd(width, 640))  # a small picture is as soft, in pixels
    deep, narrower = _shrunk(whole, _odd(width, 320)), _shrunk(whole, pixel)
    core, beside = _shrunk(whole, max(7, _odd(width, 120))), 1 - _widened(whole, soft) + np.float32(1e-6)
    nearest, far = _nearest(way.seen, deep)
    patched = np.asarray(way.patched(way.about(deep, _odd(width, 40))) * (far < width / 80), np.float32)
    mixed = way.mixture(
        _softened(whole), core, beside, whole, (nearest, patched, narrower), _odd(width, 40)
    )  # fmt: skip
    least, most = _softened(_shrunk(whole, soft)), _softened(_widened(whole, max(5, _odd(width, 320))))
    return np.asarray(np.clip(mixed, least, most), np.float32)


def _whole(way: _Way, off: Light, his: Light, like: Light, width: int) -> Light:
    """Return 1 where he is and 0 where he is not: at each place by what tells there, all over by what costs least.

    What he looks like is learnt where he is ``like`` himself round about, so that the ground between his legs, that
    ``his`` may hold, does not stand for him.
    """
    held: Light = np.asarray(his > 0.5, np.float32)
    pixel = max(3, _odd(width, 640))
    sure = _shrunk(held, pixel) * like
    if not (sure > 0.5).any():
        return held
    nearest, far = _nearest(way.seen, sure)
    off = way.across(off, max(2, round(width / _ACROSS)))
    evidence = way.evidence(off, way.about(sure, _odd(width, 60)), nearest, _odd(width, 60))
    evidence += np.float32(_GREW) * _shrunk(his, pixel)
    evidence -= np.minimum(far * np.float32(_FARTHER / width), np.float32(_FARTHEST))
    # A mixture of him and the ground is off the way and speaks for neither.
    evidence = _shrunk(np.maximum(evidence, 0), pixel) + np.minimum(evidence, 0)
    return np.asarray(way.settled(evidence, way.bonds()) > 0, np.float32)


def _grown(way: _Way, off: Light, surely: Light, width: int) -> tuple[Light, Light]:
    """Return what is surely his, and beside it what looks like him or is no room, where the room's drawing is gone.

    And how like him, as he is round about, light is.
    """
    drawing = _ramp(np.sqrt(way.redrawn(_odd(width, 160))), *_REDRAWN)
    all_over = np.maximum(_blurred(np.minimum(off, np.float32(_STRANGE_CAP)), _odd(width, 320)), 0)
    strange = np.minimum(_ramp(np.sqrt(all_over), *_STRANGE), _ramp(np.sqrt(off), *_STRANGE_ITSELF))
    his, like = surely, surely
    for _ in range(_GROWS):
        like = way.like(way.about(_heart(his, width), _odd(width, 60)), _EVEN, *_LIKE)
        more = np.maximum(strange, way.kin(_nearest(way.seen, _shrunk(his, _odd(width, _EDGE)))[0]))
        more = np.minimum(np.minimum(more, drawing), _widened(his, _odd(width, 60)))
        # What is narrower than a limb lies along his edges, or is the ground between his legs.
        broad = _opened(np.minimum(more, 1 - his), _odd(width, 213))
        more = np.minimum(more, _widened(broad, _odd(width, 100)))
        grown = np.maximum.reduce([np.minimum(drawing, like), more, surely])
        his = np.maximum(surely, _opened(grown, _odd(width, 240)))
    return his, like


def settled(evidence: Light, bonds: Light) -> Light:
    """Return the evidence at each place with that of all others, told from neighbour to neighbour.

    Places above nothing are his, so that what speaks against that and what the outlines cost is close to the least it
    can be: belief propagation (Pearl, Probabilistic Reasoning in Intelligent Systems, 1988), in which, with two labels,
    what a place tells the next is its own belief without what came from there, held within the bond.

    Parameters
    ----------
    evidence : (height, width)
        What speaks for him at a place, above nothing, or against.
    bonds : (4, height, width)
        What it costs that of a place and the next one to its right, below it, right below or left below one is his.
    """
    belief = evidence.copy()
    told = np.zeros((len(_STEPS), 2, *belief.shape), np.float32)
    for _ in range(_ROUNDS):
        for step, (down, right, _weight) in enumerate(_STEPS):
            for back in (0, 1):
                turned = [belief, told[step, back], told[step, 1 - back], bonds[step]]
                if not down:
                    turned = [one.T for one in turned]
                if right < 0:
                    turned = [one[:, ::-1] for one in turned]
                if back:
                    turned = [one[::-1, ::-1] for one in turned]
                here, mine, other, bond = turned
                aside = 1 if down and right else 0
                lines, columns = here.shape
                for line in range(lines - 1):
                    first, then = slice(0, columns - aside), slice(aside, None)
                    most = bond[line + 1, then] if back else bond[line, first]
                    new = np.clip(here[line, first] - other[line, first], -most, most)
                    here[line + 1, then] += new - mine[line + 1, then]
                    mine[line + 1, then] = new
    return belief


def _nearest(seen: Light, inside: Light) -> tuple[Light, Light]:
    """Return the light at the nearest place that is mostly ``inside``, and how far off that is, in pixels."""
    import cv2

    outside: NDArray[np.uint8] = np.asarray(inside < 0.5).astype(np.uint8)
    if outside.all():
        return np.zeros_like(seen), np.full(outside.shape, np.inf, np.float32)
    far, told = cv2.distanceTransformWithLabels(outside, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    labels = np.asarray(told, np.int32)
    places = np.flatnonzero(outside == 0)
    lights = np.empty((len(places) + 1, 3), np.float32)  # each place has a label of its own, from one on
    lights[np.take(labels, places)] = np.take(seen.reshape(-1, 3), places, axis=0)
    return np.take(lights, labels, axis=0), np.asarray(far, np.float32)


def _heart(his: Light, width: int) -> Light:
    """Return the weight by which his light is known: little at his edges, where it is mixed with the ground's."""
    return np.asarray(np.maximum(_shrunk(his, _odd(width, _EDGE)), np.float32(0.02) * his), np.float32)


class _Way:
    """A frame's light beside the way from ambient light to the lit room."""

    def __init__(self, light: Light, room: LitRoom, ambient: Light) -> None:
        self.seen, self.lit, self.dark = (_soft(one) for one in (light, room.light, ambient))
        # In a room guessed from the take a shadow may lie where it has gone from now, and the lamp's light is back.
        self.most = np.float32(_UNSHADED if room.guessed else _LIT)
        self._begin(room)

    def _begin(self, room: LitRoom) -> None:
        """Find the tolerance, the lamp's light, and the two sums whose ratio is the share of it that is seen."""
        quiet = np.float32(_QUIETER) * room.grain(_mean(np.maximum(self.seen, self.lit)))[..., None]
        self.tolerance = quiet + np.float32(_RELATIVE) * np.abs(self.seen)
        self.lamp = np.maximum(self.lit - self.dark, np.float32(1e-5))
        unit = self.lamp / self.tolerance
        self.sums = np.stack([_sum((self.seen - self.dark) / self.tolerance * unit), _sum(unit * unit)], axis=-1)

    def part(self, rows: slice, columns: slice) -> Self:
        """Return the same for a part of the picture."""
        part = copy(self)
        for name in ("seen", "lit", "dark", "tolerance", "lamp", "sums"):
            setattr(part, name, np.ascontiguousarray(getattr(self, name)[rows, columns]))
        return part

    def share(self, sums: Light) -> Light:
        """Return the share of the lamp's light that sums tell."""
        return np.asarray(np.clip(sums[..., 0] / sums[..., 1], np.float32(-0.02), self.most), np.float32)

    def off(self, sums: Light | None = None) -> Light:
        """Return the squared distance from the way, in tolerances; at each pixel's own share, or another's."""
        left = self.share(self.sums if sums is None else sums)[..., None]
        return _sum(((self.seen - self.dark - left * self.lamp) / self.tolerance) ** 2)

    def across(self, off: Light, reach: int) -> Light:
        """Return ``off``, or where light lies to opposite sides of the way beside a place how far that is at least.

        A soft shade that lies on him takes his light across the way, so that it is on it for some pixels. Ground is on
        it all over, and what is beside it to one side. ``reach`` is how far off both sides may be, in pixels.
        """
        left = (self.seen - self.dark - self.share(self.sums)[..., None] * self.lamp) / self.tolerance
        height, width = off.shape
        most = off.copy()
        for down, right, _ in _STEPS:
            for far in range(1, reach + 1):
                y, x = far * down, far * abs(right)
                first, last = slice(0, max(width - 2 * x, 0)), slice(2 * x, None)
                one = slice(0, max(height - 2 * y, 0)), last if right < 0 else first
                other = slice(2 * y, None), first if right < 0 else last
                least = np.minimum(off[one], off[other])
                opposite = (_sum(left[one] * left[other]) < 0) & (least > 1)
                middle = most[y : y + least.shape[0], x : x + least.shape[1]]
                np.maximum(middle, least, out=middle, where=opposite)
        return most

    def redrawn(self, size: int) -> Light:
        """Return the mean of that distance in a window, one share for all of it: a shadow keeps the room's drawing."""
        return np.maximum(_blurred(self.off(_blurred(self.sums, size)), size), 0)

    def about(self, his: Light, size: int) -> Light:
        """Return what is known of him in a window: his weight, weighted light and weighted squares, (h, w, 7)."""
        weight = his[..., None]
        return _blurred(np.concatenate([weight, weight * self.seen, weight * self.seen**2], axis=-1), size)

    def like(self, about: Light, uneven: float, start: float, width: float) -> Light:
        """Return 0 to 1: where light is like his, who varies there by no more than ``uneven``."""
        known = np.maximum(about[..., :1], np.float32(1e-6))
        mean = about[..., 1:4] / known
        spread = np.clip(about[..., 4:] / known - mean**2, 0, (np.float32(uneven) * mean) ** 2)
        squared: Light = np.asarray((self.seen - mean) ** 2 / (spread + self.tolerance**2), np.float32)
        away = np.sqrt(_sum(squared))
        return np.asarray((1 - _ramp(away, start, width)) * (about[..., 0] > _KNOWN), np.float32)

    def patched(self, about: Light) -> Light:
        """Return 0 to 1: where he is of more than one light, by what is known of him in a window."""
        known = np.maximum(about[..., 0], np.float32(1e-6))
        mean = np.asarray(about[..., 1:4] / known[..., None], np.float32)
        level, squares = _sum(mean**2), _sum(about[..., 4:]) / known
        uneven = squares / np.maximum(level, np.float32(1e-9)) - 1
        return _ramp(np.sqrt(np.maximum(uneven, 0)), *_PATCHED)

    def kin(self, nearest: Light) -> Light:
        """Return 0 to 1: where light is like ``nearest``, give or take what it changes by from there."""
        spread = (np.float32(_KIN) * nearest) ** 2
        away = _sum(np.asarray((self.seen - nearest) ** 2 / (spread + self.tolerance**2), np.float32))
        return 1 - _ramp(np.sqrt(away), *_LIKE)

    def evidence(self, off: Light, about: Light, nearest: Light, size: int) -> Light:
        """Return by how much it speaks for him, above nothing, or for the ground: half squared distances.

        Ground lies on the way, he is like the mean of what is known of him or like the nearest of it, or lies between
        that and what is left of it in the same share of shade as the ground about there keeps of its light.
        """
        mean = about[..., 1:4] / np.maximum(about[..., :1], np.float32(1e-6))
        spread = about[..., 4:] / np.maximum(about[..., :1], np.float32(1e-6)) - mean**2
        spread = np.clip(spread, 0, (np.float32(_EVEN) * mean) ** 2)
        like = _sum(np.asarray((self.seen - mean) ** 2 / (spread + self.tolerance**2), np.float32))
        away = np.where(about[..., 0] > _KNOWN, like, np.float32(2 * _UNLIKE))
        shade = nearest * np.clip(
            _blurred(self.dark, size) / np.maximum(_blurred(self.lit, size), np.float32(1e-6)), 0, 1
        )  # fmt: skip
        span: Light = np.asarray((nearest - shade) / self.tolerance, np.float32)
        there: Light = np.asarray((self.seen - shade) / self.tolerance, np.float32)
        along = _sum(span * there) / np.maximum(_sum(span * span), np.float32(1e-6))
        shaded = shade + np.clip(along, 0, 1)[..., None] * (nearest - shade)
        for light, more in ((nearest, 0.0), (shaded, _SHADED)):
            kin = (self.seen - light) ** 2 / (self.tolerance**2 + (np.float32(_KIN) * light) ** 2)
            away = np.minimum(away, _sum(np.asarray(kin, np.float32)) + np.float32(2 * more))
        unlike = np.minimum(np.float32(0.5) * away, np.float32(_UNLIKE))
        return np.asarray(np.minimum(off, np.float32(_OFF_AT_MOST)) - unlike - np.float32(_RARE), np.float32)

    def bonds(self) -> Light:
        """Return what it costs that of two places next to each other one is his, by ``_STEPS`` from each, (4, h, w)."""
        bonds = np.zeros((len(_STEPS), *self.seen.shape[:2]), np.float32)
        for step, (down, right, weight) in enumerate(_STEPS):
            one = slice(0, -1) if down else slice(None), slice(max(0, -right), -right if right > 0 else None)
            other = slice(down, None), slice(max(0, right), right if right < 0 else None)
            unit = np.maximum(self.tolerance[one], self.tolerance[other])
            contrast = _sum(np.asarray(((self.seen[one] - self.seen[other]) / unit) ** 2, np.float32))
            cost = _BOND + _BOND_ALIKE * np.exp(-contrast / np.float32(_CONTRAST))
            bonds[step][one] = np.float32(weight) * cost
        return bonds

    def settled(self, evidence: Light, bonds: Light) -> Light:
        """Return :func:`settled`."""
        return settled(evidence, bonds)

    def mixture(
        self, untold: Light, core: Light, beside: Light, his: Light, closer: tuple[Light, Light, Light], size: int
    ) -> Light:
        """Return a of seen = a F + (1 - a) B, or nothing where no such mixture explains what is seen.

        F is the light of ``core`` about there; where F and B are too much alike to tell, it is ``untold``. Where that
        explains little, the first of ``closer`` is F, as far as the second allows, and the third what is untold.
        """
        weight = (core + np.float32(1e-6) * his)[..., None]
        him = _blurred(weight * self.seen, size) / (_blurred(weight[..., 0], size)[..., None] + np.float32(1e-12))
        share, known = self.share(self.sums), _blurred(beside, size)
        usual = _blurred(beside * share, size) / known
        unsure = np.maximum(_blurred(beside * share**2, size) / known - usual**2, 0) + np.float32(_SHARE_UNSURE**2)
        ground = self.dark + usual[..., None] * self.lamp
        told, part, left = self._solved(him, ground, unsure)
        told &= _blurred(core, size) > 1e-3
        first = np.where(told, part * (1 - _ramp(left, *_UNEXPLAINED)), untold)
        poor = np.where(told, _ramp(left, *_POOR), 1)
        nearest, patched, within = closer
        told, part, left = self._solved(nearest, ground, unsure)
        second = np.where(told, part * np.minimum(1 - _ramp(left, *_UNEXPLAINED), poor), within)
        return np.asarray(np.maximum(first, np.minimum(second, patched)), np.float32)

    def _solved(self, him: Light, ground: Light, unsure: Light) -> tuple[NDArray[np.bool_], Light, Light]:
        """Return where a mixture of ``him`` and ``ground`` is told, his part, and what share is left unexplained."""
        apart, there, lamp = (one / self.tolerance for one in (him - ground, self.seen - ground, self.lamp))
        # (1 + v l l')^-1 = 1 - v l l' / (1 + v l'l): what lies along the lamp's light counts less, the less it is sure.
        less = unsure / (1 + unsure * _sum(lamp * lamp))
        along, beyond = _sum(lamp * apart), _sum(lamp * there)
        squared = _sum(apart * apart) - less * along**2
        product = _sum(apart * there) - less * along * beyond
        part = np.clip(product / np.maximum(squared, 1e-6), 0, 1)
        distance = _sum(there * there) - less * beyond**2
        left = distance - 2 * part * product + part**2 * squared
        share = np.where(distance > _TOLD, left / np.maximum(distance, 1e-6), 0)
        return squared > _TOLD, np.clip((part - 0.03) / 0.94, 0, 1), share


class _FastWay(_Way):
    """The same by compiled loops."""

    def _begin(self, room: LitRoom) -> None:
        from partsong.render import light_kernels  # Numba takes over a second to load

        self._loops = light_kernels
        self.tolerance, self.lamp = np.empty_like(self.seen), np.empty_like(self.seen)
        self.sums = np.empty((*self.seen.shape[:2], 2), np.float32)
        noise = np.array([room.read, room.shot, _ROUNDING, _LEAST_VARIANCE], np.float32)
        light_kernels.way_of(
            self.seen, self.lit, self.dark, noise, np.float32(_QUIETER), np.float32(_RELATIVE),
            self.tolerance, self.lamp, self.sums,
        )  # fmt: skip

    def off(self, sums: Light | None = None) -> Light:
        out = np.empty(self.seen.shape[:2], np.float32)
        given = self.sums if sums is None else sums
        self._loops.off_way(self.seen, self.dark, self.lamp, self.tolerance, given, self.most, out)
        return out

    def across(self, off: Light, reach: int) -> Light:
        out = off.copy()
        steps = np.array(_STEPS, np.float32)
        self._loops.across_way(
            off, self.seen, self.dark, self.lamp, self.tolerance, self.sums, self.most, steps, reach,
            np.float32(_OFF_AT_MOST), out,
        )  # fmt: skip
        return out

    def about(self, his: Light, size: int) -> Light:
        terms = np.empty((*self.seen.shape[:2], 7), np.float32)
        self._loops.his_terms(his, self.seen, terms)
        return _blurred(terms, size)

    def like(self, about: Light, uneven: float, start: float, width: float) -> Light:
        out = np.empty(self.seen.shape[:2], np.float32)
        self._loops.like_him(
            about,
            self.seen,
            self.tolerance,
            np.float32(uneven),
            np.float32(start),
            np.float32(width),
            np.float32(_KNOWN),
            out,
        )
        return out

    def patched(self, about: Light) -> Light:
        out = np.empty(self.seen.shape[:2], np.float32)
        start, width = (np.float32(one) for one in _PATCHED)
        self._loops.patched_light(about, start, width, out)
        return out

    def kin(self, nearest: Light) -> Light:
        out = np.empty(self.seen.shape[:2], np.float32)
        start, width = (np.float32(one) for one in _LIKE)
        self._loops.kin_to_him(nearest, self.seen, self.tolerance, np.float32(_KIN), start, width, out)
        return out

    def evidence(self, off: Light, about: Light, nearest: Light, size: int) -> Light:
        out = np.empty(self.seen.shape[:2], np.float32)
        limits = np.array([_EVEN, _KNOWN, _KIN, _SHADED, _UNLIKE, _OFF_AT_MOST, _RARE], np.float32)
        kept = _blurred(self.dark, size), _blurred(self.lit, size)
        self._loops.evidence_for_him(off, about, nearest, *kept, self.seen, self.tolerance, limits, out)
        return out

    def bonds(self) -> Light:
        bonds = np.zeros((len(_STEPS), *self.seen.shape[:2]), np.float32)
        limits = np.array([_BOND, _BOND_ALIKE, _CONTRAST], np.float32)
        self._loops.bonds_of(self.seen, self.tolerance, np.array(_STEPS, np.float32), limits, bonds)
        return bonds

    def settled(self, evidence: Light, bonds: Light) -> Light:
        belief = np.ascontiguousarray(evidence).copy()
        told = np.zeros((len(_STEPS), 2, *belief.shape), np.float32)
        self._loops.settle(bonds, np.array(_STEPS, np.float32), _ROUNDS, told, belief)
        return belief

    def mixture(
        self, untold: Light, core: Light, beside: Light, his: Light, closer: tuple[Light, Light, Light], size: int
    ) -> Light:
        terms, out = np.empty((*self.seen.shape[:2], 8), np.float32), untold.copy()
        self._loops.mixture_terms(core, his, beside, self.seen, self.sums, self.most, terms)
        limits = np.array([_SHARE_UNSURE, _TOLD, *_UNEXPLAINED, *_POOR], np.float32)
        self._loops.mixed(_blurred(terms, size), *closer, self.seen, self.dark, self.lamp, self.tolerance, limits, out)
        return out


# --- small tools ----------------------------------------------------------------------------------
#
# Sums over three colours are written out: NumPy's reductions over so short an axis take ten times as long.


def _sum(light: Light) -> Light:
    return light[..., 0] + light[..., 1] + light[..., 2]


def _mean(light: Light) -> Light:
    return _sum(light) * np.float32(1 / 3)


def _most(light: Light) -> Light:
    return np.maximum(np.maximum(light[..., 0], light[..., 1]), light[..., 2])


def _ramp(value: NDArray[np.floating], start: float, width: float) -> Light:
    t = np.clip((value - np.float32(start)) * np.float32(1 / width), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def _soft(light: Light) -> Light:
    import cv2

    return np.asarray(cv2.GaussianBlur(light, (0, 0), _SOFT_PX, borderType=cv2.BORDER_REPLICATE), np.float32)


def _blurred(picture: Light, size: int) -> Light:
    import cv2

    return np.asarray(cv2.blur(picture, (size, size)), np.float32)


def _softened(hard: Light) -> Light:
    import cv2

    return np.asarray(cv2.GaussianBlur(hard, (0, 0), _EDGE_PX, borderType=cv2.BORDER_REPLICATE), np.float32)


def _odd(width: int, share: int) -> int:
    return 2 * round(width / share) + 1


def _shrunk(alpha: Light, size: int) -> Light:
    import cv2

    return np.asarray(cv2.erode(alpha, np.ones((size, size), np.uint8)), np.float32)


def _widened(alpha: Light, size: int) -> Light:
    import cv2

    return np.asarray(cv2.dilate(alpha, np.ones((size, size), np.uint8)), np.float32)


def _opened(alpha: Light, size: int) -> Light:
    """Take away what is smaller than a disc; steps of 1/255 are fine enough for a matte."""
    import cv2

    codes: NDArray[Any] = np.asarray(alpha * 255 + 0.5).astype(np.uint8)
    radius = size // 2
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    # Beyond the picture's edge is ground.
    framed = cv2.copyMakeBorder(codes, radius, radius, radius, radius, cv2.BORDER_CONSTANT, value=0)
    done = cv2.morphologyEx(framed, cv2.MORPH_OPEN, disc)
    inner = done[radius : radius + alpha.shape[0], radius : radius + alpha.shape[1]]
    return np.asarray(inner, np.float32) / np.float32(255)
