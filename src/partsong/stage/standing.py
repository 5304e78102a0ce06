"""How the camera stood in each take, from the takes' files: looked at once, kept in the cache, told in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.coverage import PlacedTake
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import Pose, PoseKey, Record, Registration
from partsong.media.picture import open_picture, resized
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.registration import LEAST_SIDE, composed, find_pose, inverted, laid, resized_pose
from partsong.render.steadiness import LEAST_PX, course_of
from partsong.render.warp import COPIED_WITHIN_PX, bare_border, displacements, is_whole, settled
from partsong.stage.motion import SAMPLES, Seen, look_at, reduced_size, sample_frames
from partsong.timebase import clock
from partsong.watch import Watch

if TYPE_CHECKING:
    from numpy.typing import NDArray

FINE_WIDTH = 1920
"""The greatest width at which takes are laid on each other: half of 4K."""

FINE_SAMPLES = 14
"""Of how many frames the still room is made for that."""

LEAST_CERTAINTY = 0.35
"""A pose that is less certain is not applied."""

_VERSION = 3  # raise it when the same frames are seen otherwise
_OTHER_ROOM = 0.1  # the share of parts that agree, at most, where two takes show different rooms
_PARTS_TO_TELL = 6


class Rest(Record):
    """A knock in a take: its first frame, and the first at which the camera was at rest again."""

    frame: int
    rests: int


class Path(Record):
    """How a take's frames are laid on how it stood at first: pixels of the whole frame."""

    keys: tuple[PoseKey, ...]
    knocks: tuple[Rest, ...] = ()
    sag_px: float = 0.0


@dataclass(frozen=True, slots=True)
class Stood:
    """What was seen of a take: its still room and motion (small), the still room again (fine), and the camera's path.

    All stills lie as the camera stood at first.
    """

    seen: Seen
    fine: NDArray[np.float32]
    path: Path


# --- looking --------------------------------------------------------------------------------------


def stood(folder: FilmFolder, placed: PlacedTake, watch: Watch) -> Stood:
    """Look at frames spread over the part of a take that is on the song; the answer is kept in the cache.

    Raises
    ------
    InvalidInput
        If the take lies outside the song, or is too short.
    """
    take = placed.take
    song = placed.frames()
    if not song:
        raise InvalidInput(f"Take {take.id} lies wholly outside the song. Place it anew: partsong lineup place FILM")
    frames = sample_frames(range(placed.source_frame(song.start), placed.source_frame(song.stop - 1) + 1), SAMPLES)
    width, height = take.picture.shown_size
    small, fine = reduced_size(width, height), reduced_size(width, height, FINE_WIDTH)
    kept = folder.cached("standing", key_of(_VERSION, take.clip.file.fingerprint, frames, small, fine), ".npz")
    if kept.is_file():
        with np.load(kept) as arrays:
            path = Path.model_validate_json(str(arrays["path"]))
            return Stood(Seen(arrays["still"], arrays["motion"]), arrays["fine"], path)
    pictures: list[NDArray[np.float32]] = []
    large: dict[int, NDArray[np.uint16]] = {}
    doing = f"Looking at {take.id}"
    with open_picture(folder.locate(take.clip.file), take.picture) as reader:
        every = max(1, len(frames) // FINE_SAMPLES)
        for number, planes in enumerate(watch.over(reader.read(frames), total=len(frames), doing=doing)):
            pictures.append(_luma(resized(planes, *small), planes))
            if number % every == 0:
                large[number] = resized(planes, *fine).y

        def look(numbers: Sequence[int]) -> list[NDArray[np.float32]]:
            watch.check(doing)
            return [_luma(resized(planes, *small), planes) for planes in reader.read(numbers)]

        if min(small) < LEAST_SIDE:
            path, poses = Path(keys=(PoseKey(frame=0, pose=Pose()),)), [Pose()] * len(frames)
        else:
            course = course_of(
                look, frames, pictures, width=width, height=height, rate_hz=float(take.picture.rate.exact)
            )
            # As the camera stood at first, which noise in the first sample alone does not say.
            back = inverted(course.keys[0].pose)
            poses = [composed(pose, back) for pose in course.at_samples]
            keys = tuple(key.replace(pose=composed(key.pose, back)) for key in course.keys)
            knocks = tuple(Rest(frame=knock.frame, rests=knock.rests) for knock in course.knocks)
            path = Path(keys=keys, knocks=knocks, sag_px=course.sag_px)
        scale, zero, _, _ = pixels.code_scale(planes.bit_depth, planes.value_range)
    try:
        seen = look_at(_laid_all(pictures, poses, small[0] / width))
    except InvalidInput as problem:
        raise InvalidInput(f"{take.id}: {problem}") from problem
    steady = _laid_all(
        [one.astype(np.float32) for one in large.values()], [poses[number] for number in large], fine[0] / width
    )
    still = ((np.median(steady, axis=0) - zero) / scale).astype(np.float32)
    with writing(kept) as temporary, temporary.open("wb") as file:
        np.savez(file, still=seen.still, motion=seen.motion, fine=still, path=np.array(path.model_dump_json()))
    return Stood(seen, still, path)


def _luma(small: Planes, planes: Planes) -> NDArray[np.float32]:
    scale, zero, _, _ = pixels.code_scale(planes.bit_depth, planes.value_range)
    return ((small.y - np.float32(zero)) / np.float32(scale)).astype(np.float32)


def _laid_all(
    pictures: Sequence[NDArray[np.float32]], poses: Sequence[Pose], factor: float
) -> list[NDArray[np.float32]]:
    """Lay frames on the first one, if they lie otherwise at all."""
    shown = []
    for picture, pose in zip(pictures, poses, strict=True):
        height, width = picture.shape
        here = resized_pose(pose, factor)
        away = np.hypot(*displacements(here, width, height).T).max()
        shown.append(laid(picture, here) if away > LEAST_PX / 2 else picture)
    return shown


# --- registering ----------------------------------------------------------------------------------


def registration_of(placed: PlacedTake, one: Stood, reference: str, base: Stood) -> Registration:
    """Return how a take is laid on the reference over its length, with a sentence that says so.

    Raises
    ------
    InvalidInput
        If the take shows another room.
    """
    take = placed.take.id
    width, height = placed.take.picture.shown_size
    ground, certainty = Pose(), 1.0
    if take != reference:
        found = None
        if min(one.fine.shape) >= LEAST_SIDE:
            found = find_pose(base.fine, one.fine, _still_in_both(base, one))
            if found.seen >= _PARTS_TO_TELL and found.agreeing < _OTHER_ROOM:
                raise InvalidInput(
                    f"Take {take} shows another room than {reference}, or the camera was moved to another place: of "
                    f"{found.seen} parts of its frame none shows the same things. "
                    f"Circle another take of its part: partsong shoot note FILM TAKE --circle"
                )
        certainty = found.certainty if found else 0.0
        if found is None or certainty < LEAST_CERTAINTY:
            there = (PoseKey(frame=0, pose=Pose()),)
            said = f"could not be laid on {reference} for sure: not moved. Look at both, and light the room more evenly"
            return Registration(take=take, keys=there, certainty=round(certainty, 3), sentence=said)
        ground = resized_pose(found.pose, width / one.fine.shape[1])
    keys = tuple(PoseKey(frame=key.frame, pose=_rounded(composed(key.pose, ground))) for key in one.path.keys)
    said = _sentence(placed, keys, one.path, reference, width, height)
    return Registration(take=take, keys=keys, certainty=round(certainty, 3), sentence=said)


def laid_on_reference(one: Stood, registration: Registration, frame_width: int) -> Seen:
    """Return what was seen of a take, laid on the reference as the camera stood at first."""
    still, motion = one.seen.still, one.seen.motion
    pose = resized_pose(registration.first, still.shape[1] / frame_width)
    if pose == Pose():
        return one.seen
    # Motion is a matter of zones: whole pixels will do, and keep what is nothing at nothing.
    return Seen(laid(still, pose), pixels.shifted(motion, round(pose.dx_px), round(pose.dy_px)))


def _still_in_both(base: Stood, one: Stood) -> NDArray[np.bool_]:
    import cv2

    still = ((base.seen.motion == 0) & (one.seen.motion == 0)).astype(np.uint8)
    height, width = one.fine.shape
    return np.asarray(cv2.resize(still, (width, height), interpolation=cv2.INTER_NEAREST)).astype(np.bool_)


def _rounded(pose: Pose) -> Pose:
    return Pose(
        dx_px=round(pose.dx_px, 3) + 0.0,
        dy_px=round(pose.dy_px, 3) + 0.0,
        rotation_deg=round(pose.rotation_deg, 5) + 0.0,
        scale=round(pose.scale, 7),
    )


# --- saying ---------------------------------------------------------------------------------------


def _sentence(placed: PlacedTake, keys: Sequence[PoseKey], path: Path, reference: str, width: int, height: int) -> str:
    """Say where a take stands, since when, and what is done about it."""
    said = []
    poses = [keys[0].pose, *(next(k.pose for k in keys if k.frame == knock.rests) for knock in path.knocks)]
    for number, pose in enumerate(poses):
        since = f" from {_when(placed, path.knocks[number - 1].frame)} on" if number else ""
        said.append(f"{_where(pose, reference)}{since}: {_done(pose, width, height)}")
    if path.sag_px:
        said.append(f"moved slowly by up to {path.sag_px:.2f} px: followed")
    bare = max(bare_border(settled(key.pose, width, height), width, height) for key in keys)
    if bare > 1:
        said.append(f"up to {bare:.1f} px at the frame's edge show nothing and repeat the edge")
    return "; ".join(said)


def _where(pose: Pose, reference: str) -> str:
    # The pose brings the take back, so the take stands the other way.
    ways = (("left", "right", pose.dx_px), ("up", "down", pose.dy_px))
    moves = [f"{abs(value):.2f} px {one if value > 0 else other}" for one, other, value in ways if abs(value) >= 0.005]
    turned = []
    if abs(pose.rotation_deg) >= 0.002:
        turned.append(f"turned {abs(pose.rotation_deg):.3f} degrees {'anti-' * (pose.rotation_deg > 0)}clockwise")
    if abs(pose.scale - 1) >= 1e-5:
        turned.append(f"{abs(1 / pose.scale - 1):.3%} {'smaller' if pose.scale > 1 else 'larger'}")
    place = f"stands {' and '.join(moves)} of {reference}" if moves else f"stands where {reference} does"
    return ", ".join([place, *turned])


def _done(pose: Pose, width: int, height: int) -> str:
    corrected = settled(pose, width, height)
    if not is_whole(corrected):
        return "corrected"
    if corrected == Pose():
        return f"within {COPIED_WITHIN_PX} px, left as it is"
    return "moved by whole pixels"


def _when(placed: PlacedTake, frame: int) -> str:
    start = placed.placement.start
    assert start is not None
    stretch = 1 + Fraction(placed.placement.drift_ppm) / 1_000_000
    return clock(start.seconds + frame * placed.take.picture.rate.frame_s * stretch)
