"""Match and light-sum on scenes of known truth: what ``bench/stage.py`` prints under "light".

Pictures are compared as displayed: scene-linear light encoded by the sRGB curve (IEC 61966-2-1), 1.0 as white. A
*false gradient* is where, after a blur of a two-hundredth of the frame's width, the difference of brightness between
two points that far apart on either side differs from the truth's by more than 2 % of the brightness there: the everyday
figure for a visible hard edge (common practice, no source). It is counted off the players. What grain alone does to
that figure is in the table beside it: the truth, recorded once by the same camera. The row "true mattes" is what no
better matte can pass: what is missing there are shadows of players in lamps under which they were never filmed.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from partsong.demo import camera
from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.render.bands import moving_bands, row_cells, standing_bands
from partsong.render.colour import DEFAULT_CONFIG, linear_curve
from partsong.render.lightpath import LightPath
from partsong.render.lightsum import LightSum, ambient_of, brightest, summed
from partsong.render.mattes import LitRoom, player_matte, where_differs
from partsong.render.merge import Form
from partsong.render.plan import Layer, Stack
from partsong.stage.match import find_head, grain_of, ratio_of
from partsong.stage.motion import look_at
from partsong.stage.propose import figure, own_light
from partsong.stage.still import (
    FRAMES,
    ambient_stops,
    grain_growth,
    midmean,
    region_of,
    see_through,
    without_player,
)

from .scenes import FPS, Banding, Scene, SceneSetting, scene_setting, with_take

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Light = NDArray[np.float32]

FORM = Form(10, "422", "bt709", "limited")
LOOKED_AT = (5, 77, 205)
_SEEN = 0.02  # of the brightness
_STEP = 11  # frames between those that a still room is made from


def shown(light: Any) -> NDArray[np.float64]:
    """Return light as displayed, 0 to 1."""
    held = np.clip(np.asarray(light, np.float64), 0, 1)
    return np.where(held <= 0.0031308, 12.92 * held, 1.055 * held ** (1 / 2.4) - 0.055)


def psnr(one: Any, other: Any, where: NDArray[np.bool_] | None = None) -> float:
    """Return the peak signal to noise ratio of two lights as displayed, in dB."""
    error = (shown(one) - shown(other)) ** 2
    return float(-10 * np.log10(error[where].mean() if where is not None else error.mean()))


@dataclass(frozen=True, slots=True)
class Gradients:
    """Shares of the frame off the players, in per cent, whose gradients are not the truth's.

    ``false``: the picture shows a contrast that the truth does not have, and ``lost``: it lacks one, where the takes
    held what is right. ``bare`` and ``missing``: the same two where no take held it, so that all that was filmed, added
    without a fault, differs likewise: mostly a lamp's light where a player who was never filmed under it would stand
    in its way. ``any``: the brightness of two points differs otherwise than in the truth, for whatever reason;
    the insides of missing shadows count here, where the same drawing is only brighter.
    """

    false: float
    lost: float
    bare: float
    missing: float
    any: float


def gradients(made: Any, truth: Any, held: Any, off: NDArray[np.bool_]) -> Gradients:
    """Compare the gradients of a merged picture with the truth's.

    ``held`` is the light that the takes hold between them, added without noise and with true mattes.
    """
    maps, inside = gradient_maps(made, truth, held, off)
    return Gradients(*(float(100 * one[inside].mean()) for one in maps))


def gradient_maps(
    made: Any, truth: Any, held: Any, off: NDArray[np.bool_]
) -> tuple[list[NDArray[np.bool_]], NDArray[np.bool_]]:
    """Return where each of :class:`Gradients` is, each point in the first that fits, and what is off the players."""
    width = off.shape[1]
    size = width / 200
    step = max(1, round(size))
    blurred = [cv2.GaussianBlur(np.asarray(one, np.float32).mean(axis=-1), (0, 0), size) for one in (made, truth, held)]
    false, lost, bare, missing, differs = (np.zeros(off.shape, bool) for _ in range(5))
    for axis in (0, 1):
        slopes = [np.roll(one, -step, axis) - np.roll(one, step, axis) for one in blurred]
        differs |= np.abs(slopes[0] - slopes[1]) > _SEEN * np.maximum(blurred[1], 0.01)
        # Contrast, not difference: a board's edge in twice the light is the same edge.
        here, true, could = (slope / np.maximum(one, 0.01) for slope, one in zip(slopes, blurred, strict=True))
        way = np.where(true < 0, -1, 1)
        here, true, could = here * way, true * way, could * way
        shows = (here > true + _SEEN) | (here < -_SEEN)
        lacks = (here < true - _SEEN) & (here >= -_SEEN)
        nobody = np.abs(could - here) < np.abs(could - true)  # what was filmed is nearer to this than to the truth
        false |= shows & ~nobody
        lost |= lacks & ~nobody
        bare |= shows & nobody
        missing |= lacks & nobody
    inside = cv2.erode(off.astype(np.uint8), np.ones((4 * step + 1,) * 2)) > 0
    edge = 3 * step
    inside[:edge] = inside[-edge:] = False
    inside[:, :edge] = inside[:, -edge:] = False
    lost &= ~false
    bare &= ~(false | lost)
    missing &= ~(false | lost | bare)
    return [false, lost, bare, missing, differs], inside


# --- light-sum ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Filmed:
    """A scene as filmed: its takes' still light and motion, plates, and the frames that are judged."""

    scene: Scene
    path: LightPath
    stills: list[Light]
    moving: list[NDArray[np.float32]]
    grain: list[tuple[float, float]]
    plates: list[Light]
    ambient: Light


def filmed(setting: SceneSetting) -> Filmed:
    """Film a scene: a still of each take from 25 frames, a plate under each lamp, and one in ambient light."""
    scene = Scene(setting)
    path = LightPath(linear_curve(DEFAULT_CONFIG, "ACEScct"), FORM, setting.width, setting.height)
    stills, moving, grain, plates = [], [], [], []
    for take in range(len(setting.parts)):
        planes = [scene.planes(take, number * _STEP) for number in range(FRAMES)]
        lights = [path.light(one) for one in planes]
        stills.append(midmean(np.stack(lights)))
        moving.append(look_at((one.y - np.float32(64)) / np.float32(876) for one in planes).motion)
        found = grain_of(path.light(scene.planes(take, 1)), lights[0])
        grain.append((found.read, found.shot))
        empty = scene.empty(take)
        noise = setting.takes[take].noise
        plates.append(midmean(np.stack([_plate(scene, path, empty, noise, take, n) for n in range(FRAMES)])))
    ambient = midmean(np.stack([path.light(scene.ambient_planes(number)) for number in range(FRAMES)]))
    return Filmed(scene, path, stills, moving, grain, plates, ambient)


def _plate(scene: Scene, path: LightPath, light: Light, noise: float, take: int, frame: int) -> Light:
    return path.light(scene._recorded(light, noise, 200.0, [scene.setting.seed, 6, take, frame]))


def rooms_of(film: Filmed, *, plates: bool, ambient_plate: bool) -> tuple[list[LitRoom], Light]:
    """Return the lit rooms and the ambient light, from plates or guessed from the takes."""
    own = own_light([still[..., 1] for still in film.stills])
    regions = [region_of(figure(moving, light)) for moving, light in zip(film.moving, own, strict=True)]
    if plates:
        nobody = np.zeros(film.ambient.shape[:2], np.float32)
        lit = [LitRoom(plate, nobody, *grain) for plate, grain in zip(film.plates, film.grain, strict=True)]
        return lit, film.ambient if ambient_plate else ambient_of(lit)
    masked = [
        LitRoom(still, region.astype(np.float32), *grain)
        for still, region, grain in zip(film.stills, regions, film.grain, strict=True)
    ]
    ambient = film.ambient if ambient_plate else ambient_of(masked)
    guessed = [
        LitRoom(*without_player(still, ambient, region, *grain), *grain, guessed=True)
        for still, region, grain in zip(film.stills, regions, film.grain, strict=True)
    ]
    return guessed, ambient


def judged(
    film: Filmed, method: str, rooms: list[LitRoom], ambient: Light, *, true_mattes: bool = False
) -> dict[str, float]:
    """Merge the judged frames and hold them against the scene with all lights on; means over the frames."""
    setting = film.scene.setting
    count = len(setting.parts)
    layers = tuple(Layer(take=f"t{number}") for number in range(count))
    stack = Stack(width=setting.width, height=setting.height, method=method, layers=layers)  # type: ignore[arg-type]
    adder = LightSum(stack, rooms, ambient, linear_curve(DEFAULT_CONFIG, "ACEScct"), FORM)
    rows = []
    for frame in LOOKED_AT:
        planes = [film.scene.planes(take, frame) for take in range(count)]
        began = time.process_time()
        made = film.path.light(adder.merge(planes, [Pose()] * count))
        cost = time.process_time() - began
        truth = film.scene.truth(frame)
        mattes = [film.scene.matte(take, frame) for take in range(count)]
        anybody = np.maximum.reduce(mattes)
        if true_mattes:
            lights = [film.path.light(one) for one in planes]
            differs = [where_differs(light, room) for light, room in zip(lights, rooms, strict=True)]
            light = summed(lights, [room.light for room in rooms], ambient, differs, mattes, [1.0] * count)
            made = film.path.light(film.path.encoded(np.asarray(light, np.float32)))
        own = truth.copy()
        for take in range(count):
            own = np.where((mattes[take] > 0.5)[..., None], film.path.light(planes[take]), own)
        once = film.path.light(film.scene._recorded(truth, 1.0, 200.0, [setting.seed, 7, frame]))
        held = held_light(film.scene, frame, mattes)
        ours = gradients(made, truth, held, anybody < 0.02)
        rows.append(
            (
                psnr(made, truth), psnr(once, truth), ours.false, ours.lost, ours.bare, ours.missing, ours.any,
                gradients(once, truth, held, anybody < 0.02).false, psnr(made, truth, anybody > 0.5),
                psnr(own, truth, anybody > 0.5), cost,
            )
        )  # fmt: skip
    names = ("psnr", "psnr_once", "false", "lost", "bare", "missing", "any", "false_once", "players", "own", "cpu_s")
    return dict(zip(names, np.mean(rows, axis=0).tolist(), strict=True))


def held_light(scene: Scene, frame: int, mattes: list[NDArray[np.float32]]) -> NDArray[np.float64]:
    """Return all that was filmed: the takes' light without noise, added, the players over it by their true mattes."""
    count = len(mattes)
    lights = [scene.light(take, frame) for take in range(count)]
    rooms = [scene.empty(take) for take in range(count)]
    everywhere = [np.ones_like(matte) for matte in mattes]
    return summed(lights, rooms, scene.ambient(), everywhere, mattes, [1.0] * count)


def scenes(first: int, few: bool) -> list[tuple[str, SceneSetting]]:
    """Return the scenes to merge: as they come, papered with photographs, and without occlusion."""
    kinds = (
        ("spots that overlap", {}),
        ("photographs on the walls", {"photograph": True}),
        ("no occlusion", {"occlusion": False}),
    )
    number = 1 if few else 3
    return [
        (name, scene_setting(first + 10 * kind + one, width=640, height=360, oversample=1, **options))
        for kind, (name, options) in enumerate(kinds)
        for one in range(number)
    ]


def report_light(first: int = 2000, *, few: bool = False) -> None:
    """Print how merged pictures compare with all lights on."""
    print("\nlight-sum against the scene with all lights on (dB as displayed; false gradients in % off the players)")
    print(
        f"{'scene':26}{'how':30}{'all':>7}{'once':>7}{'false':>7}{'lost':>7}{'bare':>7}{'missing':>8}{'any':>6}{'grain':>7}"
        f"{'player':>8}{'own':>7}{'ms':>6}"
    )
    totals: dict[str, list[dict[str, float]]] = {}
    for name, setting in scenes(first, few):
        film = filmed(setting)
        for how, method, plates, dark, true_mattes in (
            ("light-sum, plates", "light-sum", True, True, False),
            ("combined, plates", "combined", True, True, False),
            ("combined, plates, true mattes", "combined", True, True, True),
            ("combined, ambient plate only", "combined", False, True, False),
            ("combined, no plates", "combined", False, False, False),
        ):
            try:
                rooms, ambient = rooms_of(film, plates=plates, ambient_plate=dark)
                row = judged(film, method, rooms, ambient, true_mattes=true_mattes)
            except InvalidInput as problem:
                print(f"{name:26}{how:34} {problem}")
                continue
            totals.setdefault(f"{name}|{how}", []).append(row)
            print(_line(f"{name} {setting.seed}", how, row))
    print("means")
    for key, rows in totals.items():
        name, how = key.split("|")
        print(_line(name, how, {field: float(np.mean([row[field] for row in rows])) for field in rows[0]}))


def _line(name: str, how: str, row: dict[str, float]) -> str:
    fields = ("psnr", "psnr_once", "false", "lost", "bare", "missing", "any", "false_once")
    return (
        f"{name[:25]:26}{how:30}"
        + "".join(f"{row[field]:7.2f}" for field in fields)
        + f"{row['players']:8.2f}{row['own']:7.2f}{1000 * row['cpu_s']:6.0f}"
    )


# --- grain ----------------------------------------------------------------------------------------


def report_grain(first: int = 2000, *, few: bool = False) -> None:
    """Print how strong the grain of a merged picture is beside that of the camera recording all lights at once.

    One moment is recorded and merged eight times with fresh noise; the spread of each pixel's green is its grain.
    """
    print("\ngrain of the merged picture over that of the camera recording all lights on (medians)")
    print(f"{'scene':26}{'how':14}{'ground':>8}{'shadow':>8}{'player':>8}{'inside his edge':>17}{'outside':>9}")
    for name, setting in scenes(first, few):
        film = filmed(setting)
        scene, count, frame = film.scene, len(setting.parts), LOOKED_AT[1]
        rooms, ambient = rooms_of(film, plates=True, ambient_plate=True)
        layers = tuple(Layer(take=f"t{number}") for number in range(count))
        lights = [scene.light(take, frame) for take in range(count)]
        truth, anybody = scene.truth(frame), np.maximum.reduce([scene.matte(take, frame) for take in range(count)])
        shade = np.maximum.reduce([scene.shadow(take, frame) for take in range(count)])
        once = _spread([film.path.light(scene._recorded(truth, 1.0, 200.0, [setting.seed, 8, n])) for n in range(8)])
        inner, outer = ((anybody > 0.98), (anybody < 0.02))
        near = np.ones((13, 13), np.uint8)
        places = (
            outer & (shade < 0.02), outer & (shade > 0.5), inner,
            inner & (cv2.dilate(outer.astype(np.uint8), near) > 0),
            outer & (cv2.dilate(inner.astype(np.uint8), near) > 0),
        )  # fmt: skip
        for method in ("light-sum", "combined"):
            stack = Stack(width=setting.width, height=setting.height, method=method, layers=layers)  # type: ignore[arg-type]
            adder = LightSum(stack, rooms, ambient, linear_curve(DEFAULT_CONFIG, "ACEScct"), FORM)
            made = []
            for n in range(8):
                planes = [scene._recorded(light, 1.0, 200.0, [setting.seed, 9, n, k]) for k, light in enumerate(lights)]
                made.append(film.path.light(adder.merge(planes, [Pose()] * count)))
            ratio = _spread(made) / np.maximum(once, 1e-7)
            row = [float(np.median(ratio[place])) if place.any() else float("nan") for place in places]
            values = f"{row[0]:8.2f}{row[1]:8.2f}{row[2]:8.2f}{row[3]:17.2f}{row[4]:9.2f}"
            print(f"{name[:20]} {setting.seed:<5}{method:14}{values}")


def report_seams_of_grain(first: int = 2000, *, few: bool = False) -> None:
    """Print by how much grain changes where another take becomes the strongest, one take's being twice as loud."""
    print("\ngrain where the louder take (2 x) meets the others, its side over theirs, 3 to 9 pixels from the border")
    for seed in range(first, first + (1 if few else 3)):
        setting = with_take(scene_setting(seed, width=640, height=360, oversample=1), 1, noise=2.0)
        film = filmed(setting)
        count = len(setting.parts)
        rooms, ambient = rooms_of(film, plates=True, ambient_plate=True)
        layers = tuple(Layer(take=f"t{number}") for number in range(count))
        stack = Stack(width=setting.width, height=setting.height, method="light-sum", layers=layers)
        louder = (brightest([room.light for room in rooms], [1.0] * count) == 1).astype(np.uint8)
        lights = [film.scene.empty(take) for take in range(count)]
        sides = [cv2.dilate(one, np.ones((19, 19))) - cv2.dilate(one, np.ones((7, 7))) for one in (louder, 1 - louder)]
        frames = [
            [film.scene._recorded(light, (1.0, 2.0, 1.0)[k], 200.0, [seed, 10, n, k]) for k, light in enumerate(lights)]
            for n in range(8)
        ]
        said = []
        for even in (False, True):
            given = rooms if even else [replace(room, read=rooms[0].read, shot=rooms[0].shot) for room in rooms]
            adder = LightSum(stack, given, ambient, linear_curve(DEFAULT_CONFIG, "ACEScct"), FORM)
            spread = _spread([film.path.light(adder.added(planes, [None] * count)) for planes in frames])
            relative = spread / np.sqrt(camera.READ_NOISE**2 + camera.SHOT_NOISE * sum(lights)[..., 1])
            said.append(float(np.median(relative[sides[1] > 0]) / np.median(relative[sides[0] > 0])))
        print(f"seed {seed}: {said[0]:.2f} as the takes have it, {said[1]:.2f} evened")


def _spread(lights: list[Light]) -> NDArray[np.float32]:
    """Return the spread of green over pictures of one moment, over a patch of 5 x 5 pixels."""
    variance = np.var(np.stack([light[..., 1] for light in lights]), axis=0, ddof=1)
    return np.sqrt(cv2.blur(np.asarray(variance, np.float32), (5, 5)))


# --- what is named --------------------------------------------------------------------------------


def report_faults(first: int = 2000) -> None:
    """Print whether the cases in which adding light fails are told."""
    print("\nwhere adding light fails, and what is measured of it")
    for name, options in (("spots that overlap", {}), ("no occlusion", {"occlusion": False})):
        film = filmed(scene_setting(first, width=480, height=270, oversample=1, **options))
        rooms, ambient = rooms_of(film, plates=True, ambient_plate=True)
        worst = 0.0
        for take in range(len(rooms)):
            light = film.path.light(film.scene.planes(take, LOOKED_AT[1]))
            others = np.asarray(sum(room.light - ambient for n, room in enumerate(rooms) if n != take), np.float32)
            matte = player_matte(light, rooms[take], ambient, film.scene.setting.width)
            worst = max(worst, see_through(others, matte, light))
        print(
            f"{name:24} see-through players {100 * worst:5.1f} %, grain of a plain sum {grain_growth(rooms):.2f} x, "
            f"ambient off by {ambient_stops(ambient, rooms):+.3f} stop"
        )
        for stops in (0.2, -0.3):
            off = ambient_stops(ambient * np.float32(2.0**-stops), rooms)
            print(f"{'':24} ambient plate {-stops:+.1f} stop too bright: measured {-off:+.3f}")


# --- match ----------------------------------------------------------------------------------------


def report_match(first: int = 2100, *, few: bool = False) -> None:
    """Print how far exposure and white balance come out from the truth, with and without an ambient head."""
    print("\nmatch: exposure in stops, chromaticity (red and blue over green) in per cent, bands in rows")
    stops, chroma, heads, none = [], [], [], 0
    bands: dict[str, list[tuple[bool, bool]]] = {"moving": [], "standing": []}
    count = 3 if few else 10
    for seed in range(first, first + count):
        rng = np.random.default_rng([seed, 9])
        exposure = float(rng.uniform(-1, 1))
        white = (float(rng.uniform(0.85, 1.18)), 1.0, float(rng.uniform(0.85, 1.18)))
        head = int(rng.integers(20, 40))
        setting = scene_setting(seed, width=480, height=270, oversample=1, photograph=seed % 3 == 0)
        setting = with_take(setting, 0, head_frames=head)
        setting = with_take(setting, 1, head_frames=head, exposure_stops=exposure, white=white, noise=2.0)
        scene = Scene(setting)
        path = LightPath(linear_curve(DEFAULT_CONFIG, "ACEScct"), FORM, setting.width, setting.height)
        levels = []
        for frame in range(head + 30):
            light = path.light(scene.planes(1, frame))[..., 1]
            levels.append(float(np.mean(np.partition(light.ravel(), -light.size // 10)[-light.size // 10 :])))
        found = find_head(levels, FPS)
        heads.append(found - head)
        pictures = [
            midmean(np.stack([path.light(scene.planes(take, f)) for f in range(0, found, 2)])) for take in (0, 1)
        ]
        ratio = ratio_of(*pictures)
        truth = 1 / (2**exposure * np.array(white))
        gain = np.array(ratio.gain)
        stops.append(abs(float(np.log2(gain[1] / truth[1]))))
        chroma.append(float(np.abs(gain / gain[1] / (truth / truth[1]) - 1).max()) * 100)
        none += find_head([levels[-1]] * 60, FPS) == 0
        # At 25 frames a second the pulses of 60 Hz mains wander; those of 50 Hz stand, and creep with the mains.
        follow, apart = range(head, head + 24), range(head + 13, head + 613, 25)
        steady = with_take(setting, 0, head_frames=0)
        for kind, mains, frames, find in (
            ("moving", 60.0, follow, moving_bands),
            ("standing", 50.015, apart, standing_bands),
        ):
            lamp = Scene(with_take(steady, 0, banding=Banding(mains, 0.03, 1 / 50)))
            seen = find(_rows(lamp, frames), FPS, setting.height)
            true_rows = setting.height / (2 * round(mains) / 50)
            right = seen is not None and seen.mains_hz == round(mains) and abs(seen.period_px / true_rows - 1) < 0.1
            bands[kind].append((right, find(_rows(Scene(steady), frames), FPS, setting.height) is not None))
    print(f"{count} pairs: exposure worst {max(stops):.4f}, median {np.median(stops):.4f} stop (limit 0.05)")
    print(f"chromaticity worst {max(chroma):.3f} %, median {np.median(chroma):.3f} % (limit 1)")
    to_the_frame = sum(abs(one) <= 1 for one in heads)
    print(f"heads: {to_the_frame} of {count} found to the frame; none claimed in {none} of {count} without one")
    for kind, found in bands.items():
        print(
            f"{kind} bands: mains and distance told, within a tenth, in {sum(one for one, _ in found)} of {count}; "
            f"false alarms {sum(alarm for _, alarm in found)}"
        )


def _rows(scene: Scene, frames: range) -> NDArray[np.float32]:
    """Return the cells in which bands are looked for, of frames of the first take."""
    lumas = (scene.planes(0, frame).y for frame in frames)
    return np.stack([row_cells(((luma - np.float32(64)) / np.float32(876)).astype(np.float32)) for luma in lumas])
