"""Props that stand elsewhere than in the reference, under another light. Pure.

That a place looks different says nothing: a shadow's edge does that. What says something is that the same drawing is
now *there*: a window of the reference is found in the take beside its place, much better than at its place and better
than anywhere else near; what the take shows there is not what the reference showed there; and many windows side by
side say the same. A prop that was taken away, brought, or turned by much leaves nothing to be found again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.render.registration import LEAST_SIDE, drawing, find_pose, laid
from partsong.shoot.judge import Remark
from partsong.shoot.sight import Sight

_SEARCHED = 480  # the width, at most, at which props are looked for
_SIDE, _REACH, _STEP = 1 / 30, 1 / 24, 1 / 120  # of the width: a window, how far it is looked for, from one to the next
_LEAST_MOVE = 2  # pixels of the search; less is the edge of something in another light
_STILL = 0.9  # of a window, where nobody moves
_DRAWN = 0.35  # standard deviation of a window's drawing, which is about 1 where there is much to see
_SEEN = 5.0  # a window's contrast over the noise of the still picture
_ALIKE = 0.75  # correlation at the new place,
_BETTER, _ALONE, _NEW = 0.25, 0.08, 0.2  # and over that at its place, anywhere else, and of what was there before
_NEAR = 8  # pixels of the search between neighbours: two steps
_WINDOWS = 7  # side by side; clean takes of the tuning seeds come to 4
_STILL_NOISE = 1.25 / np.sqrt(15)  # of a median of fifteen frames, against one (the median's efficiency, 2 / pi)


@dataclass(frozen=True, slots=True)
class _Window:
    x: int
    y: int
    dx: float
    dy: float


def of_props(sight: Sight, reference: Sight, name: str, unseen: list[str]) -> list[Remark]:
    """Judge whether props stand where they stood in the reference; both of one size.

    Parameters
    ----------
    sight, reference : Sight
        Of the take, and of the take that it is held against, in whatever light.
    name : str
        Of the reference.
    unseen : list of str
        Gets a sentence of what was not told.
    """
    if min(sight.still.shape) < LEAST_SIDE:
        unseen.append("Whether a prop was moved was not told: the picture is too small.")
        return []
    still = reference.unmoving & sight.unmoving
    found = find_pose(reference.still, sight.still, still)
    if not found.same_room:
        unseen.append("Whether a prop was moved was not told: the two pictures could not be laid on each other.")
        return []
    here = laid(sight.still, found.pose)
    windows, share = _windows(reference, sight, here, still)
    unseen.append(
        f"Whether a prop was moved was told in {share:.0%} of the frame; elsewhere it is not seen: too dark in one of "
        "the two lights, too plain, or behind a player. Props taken away, brought, or turned by much were not looked "
        "for: look at the picture yourself."
    )
    said: list[list[_Window]] = []
    for group in _side_by_side(windows):
        # One prop that turned goes by several ways; it is told once.
        if len(group) >= _WINDOWS and not any(_touch(one, other) for one in group for told in said for other in told):
            said.append(group)
    return [_remark(group, here.shape, sight.width, name) for group in said]


def _windows(
    reference: Sight, sight: Sight, here: NDArray[np.float32], still: NDArray[np.bool_]
) -> tuple[list[_Window], float]:
    """Return the windows that are found elsewhere, and the share of all of them in which there was something to see."""
    import cv2

    height, width = _search_size(here.shape)
    one, other = (
        np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), np.float32)
        for picture in (reference.still, here)
    )
    free = cv2.resize(still.astype(np.float32), (width, height), interpolation=cv2.INTER_AREA)
    noises = [cv2.resize(entry.grain, (width, height)) * np.float32(_STILL_NOISE) for entry in (reference, sight)]
    side = _side(width)
    reach, step = max(6, round(_REACH * width)), max(2, round(_STEP * width))
    was, now = (np.pad(drawing(picture), reach, mode="reflect") for picture in (one, other))
    found, seen, asked = [], 0, 0
    for y in range(0, height - side + 1, step):
        for x in range(0, width - side + 1, step):
            asked += 1
            place = np.s_[y : y + side, x : x + side]
            bright = all(
                float(picture[place].std()) >= _SEEN * float(noise[place].mean())
                for picture, noise in zip((one, other), noises, strict=True)
            )
            window = was[reach + y : reach + y + side, reach + x : reach + x + side]
            if not bright or free[place].mean() < _STILL or window.std() < _DRAWN:
                continue
            seen += 1
            move = _found_beside(window, was, now, (x, y), reach)
            if move is not None:
                found.append(_Window(x, y, *move))
    return found, seen / max(asked, 1)


def _found_beside(
    window: NDArray[Any], was: NDArray[Any], now: NDArray[Any], at: tuple[int, int], reach: int
) -> tuple[float, float] | None:
    import cv2

    (x, y), side = at, window.shape[0]
    alike = cv2.matchTemplate(now[y : y + side + 2 * reach, x : x + side + 2 * reach], window, cv2.TM_CCOEFF_NORMED)
    row, column = (int(place) for place in np.unravel_index(int(np.argmax(alike)), alike.shape))
    best = float(alike[row, column])
    away = max(abs(column - reach), abs(row - reach))
    if not _LEAST_MOVE <= away < reach or best < _ALIKE:
        return None
    if best - float(alike[reach - 1 : reach + 2, reach - 1 : reach + 2].max()) < _BETTER:
        return None
    move = (
        column - reach + _top_of(alike[row, column - 1 : column + 2]),
        row - reach + _top_of(alike[row - 1 : row + 2, column]),
    )
    alike[max(0, row - 3) : row + 4, max(0, column - 3) : column + 4] = -1
    if best - float(alike.max()) < _ALONE:
        return None
    shown = now[y + row : y + row + side, x + column : x + column + side]
    before = was[y + row - 1 : y + row + side + 1, x + column - 1 : x + column + side + 1]
    if best - float(cv2.matchTemplate(before, shown, cv2.TM_CCOEFF_NORMED).max()) < _NEW:
        return None
    return move


def _side_by_side(windows: list[_Window]) -> list[list[_Window]]:
    """Return windows in groups that touch and went the same way, the largest first."""
    left, groups = list(windows), []
    while left:
        group = [left.pop()]
        for member in group:  # which grows as its neighbours are found
            near = [one for one in left if _neighbours(one, member)]
            group += near
            left = [one for one in left if one not in near]
        groups.append(group)
    return sorted(groups, key=len, reverse=True)


def _neighbours(one: _Window, other: _Window) -> bool:
    return _touch(one, other) and max(abs(one.dx - other.dx), abs(one.dy - other.dy)) <= 1


def _touch(one: _Window, other: _Window) -> bool:
    return max(abs(one.x - other.x), abs(one.y - other.y)) <= _NEAR


def _remark(group: list[_Window], shape: tuple[int, ...], width: int, name: str) -> Remark:
    """Say in the take's pixels where a group went; ``shape`` is the still picture's."""
    rows, columns = _search_size(shape)
    scale, side = width / columns, _side(columns)
    # The middle one of many windows: those that hold some of the room behind as well err to either side.
    dx, dy = (float(np.median(ways)) for ways in zip(*((w.dx, w.dy) for w in group), strict=True))
    # Where it stands now, within the frame.
    left, right = np.clip([min(w.x for w in group) + dx, max(w.x for w in group) + dx + side], 0, columns) * scale
    top, bottom = np.clip([min(w.y for w in group) + dy, max(w.y for w in group) + dy + side], 0, rows) * scale
    size = float(np.hypot(dx, dy)) * scale
    return Remark(
        "prop moved",
        f"Something that stood elsewhere in {name} is now {size:.1f} px off "
        f"({dx * scale:+.1f} right, {dy * scale:+.1f} down).",
        f"Compare with {name} on a monitor and put it back; else it may show twice, or cut off, where the takes meet.",
        "look first",
        box=(float(left), float(top), float(right - left), float(bottom - top)),
        size=size,
        unit="px",
        moved_px=(dx * scale, dy * scale),
    )


def _side(columns: int) -> int:
    return max(8, round(_SIDE * columns))


def _top_of(three: NDArray[Any]) -> float:
    before, middle, after = (float(value) for value in three)
    bend = before - 2 * middle + after
    return float(np.clip((before - after) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0


def _search_size(shape: tuple[int, ...]) -> tuple[int, int]:
    factor = min(1.0, _SEARCHED / shape[1])
    return round(shape[0] * factor), round(shape[1] * factor)
