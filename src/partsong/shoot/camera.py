"""Whether the camera moved: within a take, to the frame, and between the reference and a take, under another light."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Pose
from partsong.render.registration import LEAST_SIDE, Found, distance_px, find_pose, resized_pose
from partsong.render.steadiness import LEAST_PX, course_of
from partsong.shoot.judge import Remark, enough_detail
from partsong.shoot.sight import Looker, Sight
from partsong.timebase import clock

MOVED_PX = LEAST_PX
"""A move against the reference, as measured: the same as within a take."""
FAR_PX = 1.0
"""From here on laying the take back costs sharpness and edges that anybody sees."""
SPOKEN_PX = 0.05
_TURNED_DEG, _LARGER = 0.005, 2e-4
_MORE = 1.3
_SAMPLES = 14  # that a camera is followed by; a knock between two of them is searched
_ABOVE_ERROR = 3.0  # times the error to expect

Look = Callable[[Sequence[int]], list[NDArray[np.float32]]]


def followed(
    looker: Looker, look: Look, *, size: tuple[int, int], frames: int, rate_hz: float
) -> tuple[NDArray[np.float64], float, range]:
    """Follow the camera over a take's spread frames.

    Parameters
    ----------
    looker : Looker
        Which has taken them in.
    look : Look
        Gives reduced pictures of other frames; called for few of them, and only when the camera was knocked.
    size : (width, height)
        Of the take's frame.
    frames : int
        Of the take.
    rate_hz : float
        Frames a second.

    Returns
    -------
    knocks, sag_px, steady
        As :class:`partsong.shoot.sight.Sight` has them; ``steady`` is the longest stretch between knocks.
    """
    if min(looker.pictures[0].shape) < LEAST_SIDE:
        return np.zeros((0, 10)), 0.0, range(frames)
    # The whole pictures are followed: a player moves, but his light is the same, and robust weights leave him out.
    count = len(looker.frames)
    picked = np.linspace(0, count - 1, min(count, _SAMPLES)).round().astype(int)
    course = course_of(
        look,
        [looker.frames[n] for n in picked],
        [looker.pictures[n] for n in picked],
        width=size[0],
        height=size[1],
        rate_hz=rate_hz,
    )
    rows = [[knock.frame, knock.rests, *_values(knock.before), *_values(knock.after)] for knock in course.knocks]
    edges = [0, *(knock.frame for knock in course.knocks)]
    stops = [*(knock.frame for knock in course.knocks), frames]
    stretches = [range(start, stop) for start, stop in zip(edges, stops, strict=True)]
    return np.array(rows, np.float64).reshape(-1, 10), course.sag_px, max(stretches, key=len)


def found_on(sight: Sight, reference: Sight) -> Found | None:
    """Find how a take lies on the reference, in pixels of the stills; None where those are too small to tell."""
    if min(sight.still.shape) < LEAST_SIDE:
        return None
    # The players, who are in two places, are left out.
    return find_pose(reference.still, sight.still, reference.unmoving & sight.unmoving)


def of_camera(
    sight: Sight, reference: Sight | None, name: str, rate_hz: float, unseen: list[str], found: Found | None = None
) -> list[Remark]:
    """Judge all that the camera did; a knock is not told a second time by where it left the camera.

    ``found`` is how the take lies on the reference, where that is known already.
    """
    knocks = of_knocks(sight, rate_hz)
    if reference is None:
        return knocks
    largest = max((remark.size or 0.0 for remark in knocks if remark.kind == "camera knocked"), default=0.0)
    place = of_place(sight, reference, name, unseen, found)
    return knocks + [remark for remark in place if not largest or (remark.size or math.inf) > _MORE * largest]


def of_knocks(sight: Sight, rate_hz: float) -> list[Remark]:
    """Judge how steadily the camera stood within the take."""
    said = []
    for row in sight.knocks:
        before, after = _pose(row[2:6]), _pose(row[6:10])
        size = distance_px(before, after, sight.width, sight.height)
        frame = int(row[0])
        # Poses lay the picture back; it went the other way.
        change = row[2:6] - row[6:10]
        said.append(
            Remark(
                "camera knocked",
                f"The camera was knocked at {clock(frame / rate_hz)} (frame {frame}): the picture jumps by "
                f"{_off(change, size)}.",
                "Fasten it, weight the tripod, and shoot again; stage can lay the rest back, at some sharpness.",
                "do not strike",
                frame=frame,
                size=size,
                unit="px",
                moved_px=(float(change[0]), float(change[1])),
            )
        )
    if sight.sag_px >= MOVED_PX and not said:
        said.append(
            Remark(
                "camera sags",
                f"The camera moved by itself over the take, by {sight.sag_px:.2f} px.",
                "Tighten the head, and let it settle before the next take.",
                "look first" if sight.sag_px < FAR_PX else "do not strike",
                size=sight.sag_px,
                unit="px",
            )
        )
    return said


def of_place(sight: Sight, reference: Sight, name: str, unseen: list[str], found: Found | None = None) -> list[Remark]:
    """Judge where the camera stands against the reference, whatever the light; both of one size."""
    found = found or found_on(sight, reference)
    if found is None:
        unseen.append("Whether the camera moved was not told: the picture is too small.")
        return []
    if not found.same_room:
        if found.seen == 0 and not enough_detail(sight, reference):
            unseen.append("Whether the camera moved was not told: too little can be seen in this light.")
            return []
        return [
            Remark(
                "camera moved",
                f"Most of the frame lies elsewhere than in {name}: the camera was moved far, or this is another frame.",
                "Put the camera back where it was: compare with the reference on a monitor.",
                "do not strike",
            )
        ]
    factor = sight.width / sight.still.shape[1]
    pose = resized_pose(found.pose, factor)
    size = distance_px(pose, Pose(), sight.width, sight.height)
    error = found.error_px * factor
    if size < max(MOVED_PX, _ABOVE_ERROR * error):
        return []
    # The pose lays the take back on the reference, so the camera's picture went the other way.
    values = np.array([-pose.dx_px, -pose.dy_px, -pose.rotation_deg, 1 / pose.scale])
    change = values - np.array([0, 0, 0, 1])
    return [
        Remark(
            "camera moved",
            f"Against {name} the picture lies off by {_off(change, size)}, give or take {error:.2f} px.",
            "Put the camera back if you can, and see that nothing holds or pushes it."
            if size >= FAR_PX
            else "Stage will lay it back. See that nothing goes on pushing the camera.",
            "do not strike" if size >= FAR_PX else "look first",
            size=size,
            unit="px",
            moved_px=(float(change[0]), float(change[1])),
        )
    ]


def way(right_px: float, down_px: float, degrees: float, scale: float) -> list[str]:
    """Return which way a picture lies off, in words, leaving out what is too little to speak of."""
    parts = [
        f"{abs(value):.2f} px {words[value > 0]}"
        for value, words in ((right_px, ("left", "right")), (down_px, ("up", "down")))
        if abs(value) >= SPOKEN_PX
    ]
    if abs(degrees) >= _TURNED_DEG:
        parts.append(f"turned {abs(degrees):.3f} degrees {'clockwise' if degrees > 0 else 'anticlockwise'}")
    if abs(scale - 1) >= _LARGER:
        parts.append(f"{abs(scale - 1) * 100:.2f} % {'larger' if scale > 1 else 'smaller'}")
    return parts


def _off(change: NDArray[np.float64], size: float) -> str:
    right_px, down_px, degrees, larger = (float(value) for value in change)
    told = ", ".join(way(right_px, down_px, degrees, 1 + larger))
    return f"{size:.2f} px{f' ({told})' if told else ''}"


def _values(pose: Pose) -> tuple[float, float, float, float]:
    return pose.dx_px, pose.dy_px, pose.rotation_deg, pose.scale


def _pose(values: NDArray[np.float64]) -> Pose:
    return Pose(dx_px=float(values[0]), dy_px=float(values[1]), rotation_deg=float(values[2]), scale=float(values[3]))
