"""Registration on scenes of known truth, beside two general-purpose libraries: what ``bench/stage.py`` prints.

Each scene gives two pairs of takes that differ in light, pose, exposure and often noise (every other room is papered
with photographs), two takes in which nothing moves, and one in which the camera is knocked, sags, or both. Errors are
means over the frame's corners and its centre, in pixels of 1280 x 720. Thresholds were set on seeds below 100.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from partsong.film.records import Pose, PoseKey
from partsong.render.registration import composed, distance_px, drawing, find_pose, inverted, resized_pose
from partsong.render.steadiness import Course, course_of
from partsong.render.warp import matrix_of
from partsong.stage.motion import reduced_size

from .scenes import FPS, Scene, SceneSetting, scene_setting, with_take

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

WIDTH, HEIGHT = 1280, 720
SCENES, MOVING = 16, 8
FRAMES, SAMPLES = 1500, 16
_LOOKED_AT = (3, 77, 171)  # frames of each take from which its still room is made


def report_registration(seed: int, *, few: bool = False) -> None:
    """Print the tables."""
    cv2.setNumThreads(1)  # so that CPU is what one pair takes, for us and for the others
    pairs: list[dict[str, float]] = []
    cpu: dict[str, float] = {}
    alarms, stood = 0, []
    courses: list[tuple[str, Course, Callable[[int], Pose], int | None]] = []
    sure = []
    for number in range(3 if few else SCENES):
        rng = np.random.default_rng([seed + number, 9])
        setting = _setting(seed + number, rng)
        scene = Scene(setting)
        stills = [np.median([scene.planes(take, at).y for at in _LOOKED_AT], axis=0) / 1023 for take in range(3)]
        for take in (1, 2):
            errors, certainty = _pair(stills[0], stills[take], scene.pose(take, 0), cpu)
            pairs.append(errors)
            sure.append(certainty)
        still_setting = replace(
            setting, takes=tuple(replace(one, poses=(PoseKey(frame=0, pose=Pose()),)) for one in setting.takes)
        )
        steady = Scene(still_setting)
        for take in (0, 1):
            course = _followed(_Camera(steady, take, lambda _: Pose()))
            alarms += bool(course.knocks or course.sag_px)
            stood.append(max(distance_px(pose, Pose(), WIDTH, HEIGHT) for pose in course.at_samples))
        if number < (2 if few else MOVING):
            what, path, knocked = _moving(number, rng)
            courses.append((what, _followed(_Camera(steady, 2, path)), path, knocked))
    _print_pairs(pairs, cpu, sure)
    print(f"\n{len(stood)} takes in which nothing moved: {alarms} false alarms; farthest pose {max(stood):.3f} px")
    print("\ntakes that moved            knock (truth) first frame  rests   pose error median  worst  sag px")
    for what, course, path, knocked in courses:
        found = ", ".join(f"{knock.frame} ({knocked})    {knock.rests}" for knock in course.knocks) or "none"
        errors = _errors(course, path)
        print(f"{what:28}{found:34}{np.median(errors):.3f}  {max(errors):.3f}  {course.sag_px:.2f}")


def _setting(seed: int, rng: np.random.Generator) -> SceneSetting:
    setting = scene_setting(seed=seed, width=WIDTH, height=HEIGHT, parts=3, photograph=seed % 2 == 0)
    noise = float(rng.choice([1, 1, 2, 4]))
    setting = with_take(setting, 0, noise=noise)
    for take in (1, 2):
        pose = Pose(
            dx_px=float(rng.uniform(-6, 6)),
            dy_px=float(rng.uniform(-6, 6)),
            rotation_deg=float(rng.uniform(-0.2, 0.2)),
            scale=float(1 + rng.uniform(-0.004, 0.004)),
        )
        stops = float(rng.uniform(-0.5, 0.5))
        setting = with_take(setting, take, poses=(PoseKey(frame=0, pose=pose),), exposure_stops=stops, noise=noise)
    return setting


# --- pairs ----------------------------------------------------------------------------------------


def _pair(
    fixed: NDArray[Any], loose: NDArray[Any], truth: Pose, cpu: dict[str, float]
) -> tuple[dict[str, float], float]:
    errors: dict[str, float] = {}
    certainty = 0.0

    def timed(name: str, find: Callable[[], Pose | None]) -> None:
        began = time.process_time()
        pose = find()
        cpu[name] = cpu.get(name, 0.0) + time.process_time() - began
        errors[name] = math.inf if pose is None else distance_px(pose, truth, WIDTH, HEIGHT)

    def ours() -> Pose:
        nonlocal certainty
        found = find_pose(fixed, loose)
        certainty = found.certainty
        return found.pose

    timed("partsong", ours)
    timed("phase correlation, scikit-image", lambda: _phase(fixed, loose))
    timed("the same on drawings", lambda: _phase(_drawn(fixed), _drawn(loose)))
    timed("ECC, OpenCV", lambda: _ecc(fixed, loose))
    timed("the same on drawings ", lambda: _ecc(_drawn(fixed), _drawn(loose)))
    return errors, certainty


def _drawn(picture: NDArray[Any]) -> NDArray[np.float32]:
    return drawing(np.asarray(picture, np.float32))


def _phase(fixed: NDArray[Any], loose: NDArray[Any]) -> Pose:
    from skimage.registration import phase_cross_correlation

    window = np.outer(np.hanning(HEIGHT), np.hanning(WIDTH))
    one, other = ((picture - picture.mean()) * window for picture in (fixed, loose))
    dy, dx = phase_cross_correlation(one, other, upsample_factor=100)[0]
    return Pose(dx_px=float(dx), dy_px=float(dy))


def _ecc(fixed: NDArray[Any], loose: NDArray[Any]) -> Pose | None:
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-6)
    start = _phase(fixed, loose)
    matrix = np.array([[1, 0, -start.dx_px], [0, 1, -start.dy_px]], np.float32)
    try:
        # It finds where each point of the first lies in the second.
        _, matrix = cv2.findTransformECC(
            np.asarray(fixed, np.float32), np.asarray(loose, np.float32), matrix, cv2.MOTION_AFFINE, stop, None, 5
        )
    except cv2.error:
        return None
    a, b = (matrix[0, 0] + matrix[1, 1]) / 2, (matrix[1, 0] - matrix[0, 1]) / 2
    centre = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    shift = matrix[:, :2] @ centre + matrix[:, 2] - centre
    return inverted(
        Pose(
            dx_px=float(shift[0]), dy_px=float(shift[1]),
            rotation_deg=math.degrees(math.atan2(b, a)), scale=float(math.hypot(a, b)),
        )
    )  # fmt: skip


def _print_pairs(pairs: Sequence[dict[str, float]], cpu: dict[str, float], sure: Sequence[float]) -> None:
    print(f"{len(pairs)} pairs, {WIDTH} x {HEIGHT}: error in pixels")
    print(f"{'':34}{'median':>8}{'95 %':>8}{'worst':>8}{'CPU s':>8}")
    for name in pairs[0]:
        errors = np.array([pair[name] for pair in pairs])
        middle, high = np.percentile(errors, [50, 95], method="higher")
        print(f"{name:34}{middle:8.3f}{high:8.3f}{errors.max():8.3f}{cpu[name] / len(pairs):8.2f}")
    print("ours, one by one:", *(f"{error:.3f}" for error in sorted(pair["partsong"] for pair in pairs)))
    within = np.mean([pair["partsong"] < 0.15 for pair in pairs])
    print(f"certainty, mean: {np.mean(sure):.3f}; share that lay within 0.15 px: {within:.3f}")


# --- over time ------------------------------------------------------------------------------------


@dataclass
class _Camera:
    """Films a take of a scene from a path: the player in three positions, fresh grain in every frame."""

    scene: Scene
    take: int
    path: Callable[[int], Pose]

    def __post_init__(self) -> None:
        twice = (2 * WIDTH, 2 * HEIGHT)
        lights = [self.scene.light(self.take, at) for at in _LOOKED_AT]
        self._large = [cv2.resize(light, twice, interpolation=cv2.INTER_LANCZOS4) for light in lights]
        self._lights = lights
        self.looked = 0

    def __call__(self, frames: Sequence[int]) -> list[NDArray[np.float32]]:
        return [self._picture(frame) for frame in frames]

    def _picture(self, frame: int) -> NDArray[np.float32]:
        self.looked += 1
        setting, pose = self.scene.setting, self.path(frame)
        light = self._lights[frame % 3]
        if pose != Pose():
            # Moved at twice the size, where OpenCV's 1/32 of a pixel is 1/64.
            matrix = matrix_of(resized_pose(inverted(pose), 2), 2 * WIDTH, 2 * HEIGHT)
            size = (2 * WIDTH, 2 * HEIGHT)
            large = cv2.warpAffine(
                self._large[frame % 3], matrix, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE
            )
            light = large.reshape(HEIGHT, 2, WIDTH, 2, 3).mean(axis=(1, 3))
        take = setting.takes[self.take]
        planes = self.scene._recorded(light, take.noise, take.ceiling, [setting.seed, 7, self.take, frame])
        luma = (planes.y.astype(np.float32) - 64) / 876
        return np.asarray(cv2.resize(luma, reduced_size(WIDTH, HEIGHT), interpolation=cv2.INTER_AREA), np.float32)


def _followed(camera: _Camera) -> Course:
    samples = [(2 * number + 1) * FRAMES // (2 * SAMPLES) for number in range(SAMPLES)]
    return course_of(camera, samples, camera(samples), width=WIDTH, height=HEIGHT, rate_hz=FPS)


def _moving(number: int, rng: np.random.Generator) -> tuple[str, Callable[[int], Pose], int | None]:
    """Return a knock that swings out, a sag, or both, with what it is and the first frame of the knock."""
    size = [0.3, 1.0, 4.0][number % 3]
    at = int(rng.integers(200, FRAMES - 200))
    angle = rng.uniform(0, 2 * math.pi)
    knock = Pose(dx_px=size * math.cos(angle), dy_px=size * math.sin(angle), rotation_deg=0.02 * size)
    fall = float(rng.uniform(0.4, 1.5))

    def path(frame: int) -> Pose:
        since = (frame - at) / FPS
        share = 1 - math.exp(-since / 0.09) * math.cos(2 * math.pi * 6 * since) if since > 0 else 0.0
        knocked = Pose(
            dx_px=knock.dx_px * share, dy_px=knock.dy_px * share, rotation_deg=knock.rotation_deg * share
        )  # fmt: skip
        sagged = Pose(dy_px=fall * frame / FRAMES)
        if number % 4 == 3:
            return sagged
        return composed(sagged, knocked) if number % 4 == 2 else knocked

    if number % 4 == 3:
        return f"sag of {fall:.1f} px", path, None
    return f"knock of {size:g} px" + (f", sag of {fall:.1f}" if number % 4 == 2 else ""), path, at + 1


def _errors(course: Course, path: Callable[[int], Pose]) -> list[float]:
    """Return the errors at the samples, after what is common to all of them: the take is laid on the reference once."""
    samples = [(2 * number + 1) * FRAMES // (2 * SAMPLES) for number in range(SAMPLES)]
    away = [composed(inverted(path(at)), pose) for at, pose in zip(samples, course.at_samples, strict=True)]
    names = ("dx_px", "dy_px", "rotation_deg", "scale")
    common = Pose(**{name: float(np.median([getattr(one, name) for one in away])) for name in names})
    return [distance_px(one, common, WIDTH, HEIGHT) for one in away]
