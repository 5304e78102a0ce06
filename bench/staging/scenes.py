"""Scenes of which the truth is known: a room, one light that moves from take to take, a player in each take.

A light two-and-a-half-dimensional renderer of our own: walls and floor, upright cut-outs for props and for an
articulated player, one small lamp with a soft-edged cone per take (inverse square, Lambert), shadows of everything
upright, a soft ambient light. Light adds linearly *exactly*: the picture with all lights on is rendered from the same
terms, with every player present and every lamp lighting and shadowing all of them. A camera follows: optics, pose,
exposure and white balance, mains banding, sensor noise, clipping, ACEScct, 10-bit Y'CbCr 4:2:2.

How to use it::

    setting = scene_setting(seed=2000, width=960, height=540, parts=3)       # frozen; replace() what you want different
    scene = Scene(setting)
    light = scene.light(take=0, frame=10)     # (h, w, 3) float32, scene-linear on the sensor, before noise
    planes = scene.planes(take=0, frame=10)   # what the camera records, a partsong Planes
    matte = scene.matte(take=0, frame=10)     # (h, w) 0..1, how much of each pixel is the player
    shadow = scene.shadow(take=0, frame=10)   # (h, w) 0..1, share of the lamp's light that he takes from the room
    truth = scene.truth(frame=10)             # (h, w, 3) all lights on, all players there, no noise, gain one
    room = scene.empty(take=0)                # (h, w, 3) that take's light, nobody there
    dark = scene.ambient(); plate = scene.ambient_planes(frame=0)
    scene.pose(take=1, frame=10)              # records.Pose that lays the take's picture on the scene

``matte``, ``shadow`` and ``crossing`` are in the scene's frame (pose not applied); ``light`` and ``planes`` have the
pose applied.
Poses follow :class:`partsong.film.records.Pose`: a point of the take at p from the frame's centre, ((w - 1) / 2,
(h - 1) / 2), belongs on the scene at scale * turned(p) + (dx, dy). What each take does is a :class:`TakeSetting`:
``poses`` (keys as in records.Registration), ``exposure_stops``, ``white``, ``noise``, ``banding``, ``moved`` props,
``defocus_px``,
``ambient_stops`` (ambient that changed), ``ceiling`` (sensor white), ``leans`` and ``head_frames`` (ambient-only head).

``scene.crossing(take, frame, weight)`` is the share of the player, and of his shadow, that a weight map of that take
hides: a stretch truly crosses where either is beyond what the bench asks for.

Everything follows from the setting: same setting, same arrays. Seeds 0 to 999 are for tuning thresholds, 2000 and
up for the bench's own runs; nothing may be tuned on the latter. ``photograph=True`` papers the walls with
pictures out of scikit-image's wheel (brick, gravel, grass, coffee, cat), made linear as sRGB.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from partsong.demo import camera
from partsong.film.records import Pose, PoseKey

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from partsong.media.planes import Planes

TUNING_SEEDS = range(0, 1000)
BENCH_SEEDS = range(2000, 3000)

FPS = 25.0
PHOTOGRAPHS = ("brick", "gravel", "grass", "coffee", "chelsea")

_EYE_Y = 1.45
_HORIZON = 0.42  # of the frame's height, from the top: the camera sees more floor than ceiling
_PSF_PX = 0.5  # of the lens and the sensor, a Gaussian's standard deviation
_LAMP_M = 0.06
_PARTS = 4  # of a pixel, across and down, in which an outline is followed
_PX_PER_M = 240.0  # of cut-outs, at 960 pixels across


# --- settings -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lean:
    """From frame ``start`` to before ``stop`` the player leans (or walks, feet too) by ``shift_m`` to the right."""

    start: int
    stop: int
    shift_m: float
    walks: bool = False


@dataclass(frozen=True, slots=True)
class PropMove:
    """A prop that was moved between takes: metres, degrees in the picture plane; or taken away."""

    prop: int
    dx_m: float = 0.0
    dy_m: float = 0.0
    turn_deg: float = 0.0
    gone: bool = False


@dataclass(frozen=True, slots=True)
class Banding:
    """A lamp that pulses at twice the mains: ``depth`` of its light, over a sensor read out in ``readout_s``."""

    mains_hz: float = 50.0
    depth: float = 0.05
    readout_s: float = 1 / 60


@dataclass(frozen=True, slots=True)
class TakeSetting:
    """What is particular about one take."""

    exposure_stops: float = 0.0
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)
    noise: float = 1.0
    banding: Banding | None = None
    moved: tuple[PropMove, ...] = ()
    defocus_px: float = 0.0
    ambient_stops: float = 0.0
    ceiling: float = 200.0
    poses: tuple[PoseKey, ...] = (PoseKey(frame=0, pose=Pose()),)
    leans: tuple[Lean, ...] = ()
    head_frames: int = 0


@dataclass(frozen=True, slots=True)
class Prop:
    """An upright cut-out: ``kind`` is box, round, stand or table; its foot at (x, y, z), metres."""

    kind: str
    x: float
    y: float
    z: float
    width: float
    height: float
    albedo: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class PartSetting:
    """Where a part is played and how it is lit; ``phase`` and ``tempo_hz`` move the player's arms."""

    x: float
    z: float
    lamp: tuple[float, float, float]
    aim: tuple[float, float, float]
    power: tuple[float, float, float]
    rim_deg: float
    phase: float
    tempo_hz: float
    shirt: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class SceneSetting:
    """A whole scene. Make one with :func:`scene_setting` and :func:`dataclasses.replace` what shall differ."""

    seed: int
    width: int
    height: int
    parts: tuple[PartSetting, ...]
    props: tuple[Prop, ...]
    takes: tuple[TakeSetting, ...]
    depth_m: float
    half_width_m: float
    ambient: tuple[float, float, float]
    photograph: bool = False
    oversample: int = 2


def scene_setting(
    seed: int,
    *,
    width: int = 960,
    height: int = 540,
    parts: int = 3,
    photograph: bool = False,
    oversample: int = 2,
    occlusion: bool = True,
) -> SceneSetting:
    """Draw a scene by lot. Without ``occlusion`` lamps are narrow and no player stands in another's light."""
    rng = np.random.default_rng([seed, 1])
    depth, half = float(rng.uniform(6.0, 7.2)), float(rng.uniform(2.9, 3.6))
    reach = 1.75 if occlusion else 1.95
    places = np.linspace(-reach, reach, parts) + (rng.uniform(-0.18, 0.18, parts) if occlusion else 0)
    made = []
    for x in places:
        z = float(rng.uniform(4.4, 5.3))
        side = float(rng.choice([-1, 1])) * float(rng.uniform(0.5, 1.1)) if occlusion else float(rng.uniform(-0.1, 0.1))
        lamp = (float(x) + side, float(rng.uniform(2.5, 3.0)), z - float(rng.uniform(1.2, 1.8)))
        aim = (float(x), float(rng.uniform(0.8, 1.0)), z)
        distance = math.dist(lamp, aim)
        warm = float(rng.uniform(0.75, 1.1))
        strength = float(rng.uniform(0.7, 1.4)) * distance**2
        made.append(
            PartSetting(
                x=float(x), z=z, lamp=lamp, aim=aim,
                power=(strength * 1.05, strength, strength * warm),
                rim_deg=float(rng.uniform(26, 33)) if occlusion else 17.0,
                phase=float(rng.uniform(0, 6)), tempo_hz=float(rng.uniform(1.1, 2.2)),
                shirt=tuple(float(v) for v in rng.uniform(0.08, 0.45, 3)),  # type: ignore[arg-type]
            )
        )  # fmt: skip
    props = []
    for number in range(int(rng.integers(6, 10))):
        kind = ("stand", "box", "round", "table")[number % 4]
        near = number % 2 == 0
        x = float(rng.uniform(-2.3, 2.3))
        z = float(rng.uniform(3.9, 4.4)) if near else float(rng.uniform(5.4, depth - 0.2))
        # What stands before the players is low or thin.
        tall = {"stand": 1.15, "box": 0.45 if near else 0.9, "round": 0.4, "table": 0.7}[kind]
        across = {"stand": 0.45, "box": 0.4, "round": 0.4, "table": 0.8}[kind]
        scale = float(rng.uniform(0.8, 1.2))
        albedo = tuple(float(v) for v in rng.uniform(0.03, 0.5) * rng.uniform(0.6, 1.2, 3))
        props.append(Prop(kind, x, 0.0, z, across * scale, tall * scale, albedo))  # type: ignore[arg-type]
    level = float(rng.uniform(0.025, 0.07))
    ambient = (level * float(rng.uniform(0.8, 1.0)), level, level * float(rng.uniform(1.0, 1.35)))
    return SceneSetting(
        seed, width, height, tuple(made), tuple(props), (TakeSetting(),) * parts, depth, half, ambient,
        photograph, oversample,
    )  # fmt: skip


def with_take(setting: SceneSetting, take: int, **changes: Any) -> SceneSetting:
    """Return the setting with one take changed."""
    takes = list(setting.takes)
    takes[take] = replace(takes[take], **changes)
    return replace(setting, takes=tuple(takes))


# --- the scene ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Cutout:
    """An upright picture at depth z: light it lets through is 1 - alpha. ``left``, ``top``: metres of its corner."""

    z: float
    left: float
    top: float
    scale: float
    alpha: NDArray[np.float32]
    albedo: NDArray[np.float32]


Box = tuple[slice, slice]


@dataclass(frozen=True, slots=True)
class _Layer:
    """One surface as seen, over those behind it: the share of each pixel that it covers, and each lamp's light on it.

    ``box`` is where in the picture it lies, all of the arrays are of its size; ``z`` is infinite for walls and floor.
    """

    z: float
    box: Box
    cover: NDArray[np.float32]
    point: tuple[NDArray[np.float32], ...]
    lit: dict[int, NDArray[np.float32]]
    dark: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class _Room:
    """The room with its props: walls and floor, then the props from the furthest to the nearest; nobody is there."""

    layers: tuple[_Layer, ...]
    props: tuple[_Cutout, ...]


@dataclass
class Scene:
    """Renders a setting; see the top of the file."""

    setting: SceneSetting
    _rooms: dict[tuple[PropMove, ...], _Room] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        setting = self.setting
        self._over = setting.oversample
        self._margin = max(8, setting.width // 40)
        self._columns = (setting.width + 2 * self._margin) * self._over
        self._rows = (setting.height + 2 * self._margin) * self._over
        focal = setting.width * self._over
        x = (np.arange(self._columns, dtype=np.float32) + 0.5 - self._columns / 2) / focal
        horizon = (self._margin + _HORIZON * setting.height) * self._over
        y = -(np.arange(self._rows, dtype=np.float32) + 0.5 - horizon) / focal
        self._ray_x, self._ray_y = (
            np.broadcast_to(x, (self._rows, self._columns)),
            np.broadcast_to(y[:, None], (self._rows, self._columns)),
        )

    # --- what is asked for ---

    def light(self, take: int, frame: int, *, lamp_on: bool = True) -> NDArray[np.float32]:
        """Return scene-linear light on the sensor in a take's frame, before noise: (h, w, 3)."""
        settings = self.setting.takes[take]
        if frame < settings.head_frames:
            lamp_on = False
        room = self._room(settings.moved)
        steady, lamp = self._composed(room, [take], [take] if lamp_on else [], frame)
        if settings.banding is not None:
            lamp = lamp * self._bands(settings.banding, frame)
        whole = steady * np.float32(2.0**settings.ambient_stops) + lamp
        gain = np.array(settings.white, np.float32) * np.float32(2.0**settings.exposure_stops)
        seen = self._seen(whole, self.pose(take, frame), settings.defocus_px)
        return np.asarray(np.minimum(seen * gain, np.float32(settings.ceiling)), np.float32)

    def planes(self, take: int, frame: int) -> Planes:
        """Return what the camera records of a take's frame."""
        return self.recorded(self.light(take, frame), take, frame)

    def recorded(self, light: NDArray[np.float32], take: int, frame: int) -> Planes:
        """Return what the camera of a take makes of light on its sensor, with the noise of that frame."""
        settings = self.setting.takes[take]
        return self._recorded(light, settings.noise, settings.ceiling, [self.setting.seed, 2, take, frame])

    def truth(self, frame: int) -> NDArray[np.float32]:
        """Return the scene with all lamps on and all players there, gain one, no noise: (h, w, 3)."""
        everybody = list(range(len(self.setting.parts)))
        steady, lamps = self._composed(self._room(()), everybody, everybody, frame)
        return self._seen(steady + lamps, Pose(), 0.0)

    def empty(self, take: int, *, lamp_on: bool = True) -> NDArray[np.float32]:
        """Return the room with a take's lamp and props but nobody in it, gain one, no noise: (h, w, 3)."""
        room = self._room(self.setting.takes[take].moved)
        return self._seen(sum(self._composed(room, [], [take] if lamp_on else [], 0)), Pose(), 0.0)

    def empty_all(self) -> NDArray[np.float32]:
        """Return the room with all lamps on and nobody in it: (h, w, 3)."""
        lamps = list(range(len(self.setting.parts)))
        return self._seen(sum(self._composed(self._room(()), [], lamps, 0)), Pose(), 0.0)

    def ambient(self) -> NDArray[np.float32]:
        """Return the room in ambient light, nobody in it: (h, w, 3)."""
        return self._seen(self._composed(self._room(()), [], [], 0)[0], Pose(), 0.0)

    def ambient_planes(self, frame: int, noise: float = 1.0) -> Planes:
        """Return a frame of a plate of the room in ambient light."""
        return self._recorded(self.ambient(), noise, 200.0, [self.setting.seed, 3, frame])

    def empty_planes(self, take: int, noise: float, seed: int) -> Planes:
        """Return what the camera records of the room with a take's lamp and props but nobody in it."""
        return self._recorded(self.empty(take), noise, 200.0, [self.setting.seed, 6, take, seed])

    def silhouette(self, move: PropMove) -> tuple[NDArray[np.bool_], float]:
        """Return where a prop that stands so is seen, (h, w), and how many pixels it would fill uncovered."""
        cut = _prop_cutout(self.setting.props[move.prop], move, self.setting, move.prop)
        cover = self._covered(cut)
        own = self._left_of(self._room((move,)), cut.z, self._on(cut)[2], cover)
        return self._seen(own[..., None], Pose(), 0.0)[..., 0] > 0.5, float(cover.sum()) / self._over**2

    def pixel(self, x: float, y: float, z: float) -> tuple[float, float]:
        """Return where a point of the room (metres) is seen, pixels right and down of the first pixel's middle."""
        width, height = self.setting.width, self.setting.height
        return width / 2 - 0.5 + width * x / z, _HORIZON * height - 0.5 - width * (y - _EYE_Y) / z

    def axis(self, number: int) -> tuple[float, float]:
        """Return where the point is seen that a prop is turned about."""
        cut = _prop_cutout(self.setting.props[number], PropMove(number), self.setting, number)
        prop = self.setting.props[number]
        # Cut-outs are turned about a place between samples, half a sample right of and below their middle.
        across, down = cut.alpha.shape[1] / 2 + 0.5, (cut.top - prop.y - prop.height / 2) * cut.scale + 0.5
        return self.pixel(cut.left + across / cut.scale, cut.top - down / cut.scale, prop.z)

    def matte(self, take: int, frame: int) -> NDArray[np.float32]:
        """Return how much of each pixel is the player: (h, w), 0 to 1, in the scene's frame."""
        room = self._room(self.setting.takes[take].moved)
        return np.clip(self._seen(self._figure_seen(room, take, frame)[..., None], Pose(), 0.0)[..., 0], 0, 1)

    def shadow(self, take: int, frame: int) -> NDArray[np.float32]:
        """Return the share of his lamp's light that the player takes from the room: (h, w), 0 to 1."""
        room = self._room(self.setting.takes[take].moved)
        figure = self._figure(take, frame)
        taken = np.zeros((self._rows, self._columns), np.float32)
        for layer in room.layers:
            shade = self._shade(figure, take, layer.point) * (layer.lit[take].max(axis=-1) > 1e-3)
            taken[layer.box] += layer.cover * (shade - taken[layer.box])
        taken *= 1 - self._figure_seen(room, take, frame)
        return np.clip(self._seen(taken[..., None], Pose(), 0.0)[..., 0], 0, 1)

    def crossing(self, take: int, frame: int, weight: NDArray[Any]) -> tuple[float, float]:
        """Return the shares of the player, and of his shadow (by the light it takes), that ``weight`` hides."""
        lost = 1 - np.asarray(weight, np.float32)
        matte = self.matte(take, frame)
        shadow = self.shadow(take, frame) * self.empty(take).mean(axis=-1)
        return tuple(float((lost * part).sum() / max(float(part.sum()), 1e-9)) for part in (matte, shadow))  # type: ignore[return-value]

    def pose(self, take: int, frame: int) -> Pose:
        """Return how a take's frame is laid on the scene: straight between its keys."""
        keys = self.setting.takes[take].poses
        at = [key.frame for key in keys]
        values = [
            float(np.interp(frame, at, [getattr(key.pose, name) for key in keys]))
            for name in ("dx_px", "dy_px", "rotation_deg", "scale")
        ]
        return Pose(dx_px=values[0], dy_px=values[1], rotation_deg=values[2], scale=values[3])

    # --- light in the room ---

    def _composed(
        self, room: _Room, players: list[int], lamps: list[int], frame: int
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return ambient light and the lamps' light at the lens, each (rows, columns, 3)."""
        figures = {player: self._figure(player, frame) for player in players}
        layers = [*room.layers]
        for figure in figures.values():
            layers += self._layers_of(figure, *self._cutout_seen(figure), room.props, lamps)
        steady, lit = (np.zeros((self._rows, self._columns, 3), np.float32) for _ in range(2))
        # The furthest first: what is nearer covers what is behind it.
        for layer in sorted(layers, key=lambda one: -one.z):
            cover, box = layer.cover[..., None], layer.box
            on_it = np.zeros_like(layer.dark)
            for lamp in lamps:
                left = np.ones(layer.cover.shape, np.float32)
                for figure in figures.values():
                    left *= 1 - self._shade(figure, lamp, layer.point)
                on_it += layer.lit[lamp] * left[..., None]
            steady[box] += cover * (layer.dark - steady[box])
            lit[box] += cover * (on_it - lit[box])
        return steady, lit

    def _dark_on(self, point: tuple[NDArray[np.float32], ...]) -> NDArray[np.float32]:
        """Return ambient irradiance: as if from a large window on the left."""
        near = 1 / (1 + ((point[0] + np.float32(self.setting.half_width_m)) / np.float32(3.0)) ** 2)
        return np.asarray(
            (np.float32(0.45) + np.float32(0.8) * near)[..., None] * np.array(self.setting.ambient, np.float32),
            np.float32,
        )

    def _lamp_on(
        self, lamp: int, point: tuple[NDArray[np.float32], ...], normal: Any, props: tuple[_Cutout, ...]
    ) -> NDArray[np.float32]:
        """Return a lamp's irradiance at points, shaded by the props."""
        part = self.setting.parts[lamp]
        to = [np.float32(part.lamp[k]) - point[k] for k in range(3)]
        squared = to[0] ** 2 + to[1] ** 2 + to[2] ** 2
        length = np.sqrt(squared)
        facing = np.maximum(sum(to[k] * normal[k] for k in range(3)) / length, 0)
        axis = np.subtract(part.aim, part.lamp)
        axis /= np.linalg.norm(axis)
        along = -sum(to[k] * np.float32(axis[k]) for k in range(3)) / length
        rim, core = math.cos(math.radians(part.rim_deg)), math.cos(math.radians(part.rim_deg * 0.45))
        cone = np.clip((along - rim) / (core - rim), 0, 1)
        light = facing * cone * cone * (3 - 2 * cone) / squared
        for prop in props:
            light = light * (1 - self._shade(prop, lamp, point))
        return np.asarray(light[..., None] * np.array(part.power, np.float32), np.float32)

    def _shade(self, cutout: _Cutout, lamp: int, point: tuple[NDArray[np.float32], ...]) -> NDArray[np.float32]:
        """Return how much of a lamp's light a cut-out keeps from points: softened by the lamp's size."""
        at = self.setting.parts[lamp].lamp
        way = (np.float32(cutout.z) - np.float32(at[2])) / np.where(
            np.abs(point[2] - np.float32(at[2])) < 1e-3, np.float32(1e-3), point[2] - np.float32(at[2])
        )
        x = np.float32(at[0]) + way * (point[0] - np.float32(at[0]))
        y = np.float32(at[1]) + way * (point[1] - np.float32(at[1]))
        between = (way > 0) & (way < 0.999)
        sigma = 0.5 * _LAMP_M * 0.5 * cutout.scale
        alpha = cv2.GaussianBlur(cutout.alpha, (0, 0), max(sigma, 0.5))
        shade = cv2.remap(
            alpha, (x - np.float32(cutout.left)) * np.float32(cutout.scale) - np.float32(0.5),
            (np.float32(cutout.top) - y) * np.float32(cutout.scale) - np.float32(0.5), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=0,
        )  # fmt: skip
        return np.asarray(shade * between, np.float32)

    def _room(self, moved: tuple[PropMove, ...]) -> _Room:
        if moved not in self._rooms:
            self._rooms[moved] = self._furnished(moved)
        return self._rooms[moved]

    def _furnished(self, moved: tuple[PropMove, ...]) -> _Room:
        setting = self.setting
        rng = np.random.default_rng([setting.seed, 4])
        far = np.float32(setting.depth_m)
        with np.errstate(divide="ignore"):
            floor = np.where(self._ray_y < 0, -np.float32(_EYE_Y) / np.minimum(self._ray_y, -1e-6), np.float32(1e9))
            side = np.float32(setting.half_width_m) / np.maximum(np.abs(self._ray_x), np.float32(1e-6))
        z = np.minimum(np.minimum(floor, side), far).astype(np.float32)
        x, y = self._ray_x * z, self._ray_y * z + np.float32(_EYE_Y)
        on_floor, on_side = (floor <= z), (side <= z) & (floor > z)
        wall_picture, floor_picture = _texture(setting, rng, "wall"), _texture(setting, rng, "floor")
        along = np.where(on_side, z - far + np.sign(x) * np.float32(setting.half_width_m), x)
        albedo = _papered(wall_picture, along, y)
        albedo = np.where(on_floor[..., None], _papered(floor_picture, x, z), albedo).astype(np.float32)
        normal = [
            np.where(on_side, -np.sign(x), 0).astype(np.float32),
            np.where(on_floor, 1, 0).astype(np.float32),
            np.where(on_floor | on_side, 0, -1).astype(np.float32),
        ]
        props = []
        moves = {move.prop: move for move in moved}
        for number, prop in enumerate(setting.props):
            move = moves.get(number, PropMove(number))
            cut = _prop_cutout(prop, move, setting, number)
            if not move.gone:
                props.append(cut)
        ordered = tuple(sorted(props, key=lambda cut: -cut.z))
        point, lamps = (x, y, z), range(len(setting.parts))
        lit = {lamp: self._lamp_on(lamp, point, normal, ordered) * albedo for lamp in lamps}
        whole = (slice(0, self._rows), slice(0, self._columns))
        layers = [_Layer(math.inf, whole, np.ones_like(z), point, lit, self._dark_on(point) * albedo)]
        for cut in ordered:
            box, _, colour = self._cutout_seen(cut)
            layers += self._layers_of(cut, box, self._covered(cut), colour, ordered, lamps)
        return _Room(tuple(layers), ordered)

    def _layers_of(
        self,
        cut: _Cutout,
        box: Box,
        cover: NDArray[np.float32],
        albedo: NDArray[np.float32],
        props: tuple[_Cutout, ...],
        lamps: Iterable[int],
    ) -> list[_Layer]:
        """Return the layer of something upright that covers so much of each pixel of a box; none if that is nothing."""
        cover = cover * self._above_floor(cut.z)[box]
        if not cover.any():
            return []
        z = np.float32(cut.z)
        point = (self._ray_x[box] * z, self._ray_y[box] * z + np.float32(_EYE_Y), np.full_like(cover, z))
        lit = {lamp: self._lamp_on(lamp, point, (0.0, 0.25, -0.97), props) * albedo for lamp in lamps}
        return [_Layer(cut.z, box, cover, point, lit, self._dark_on(point) * albedo)]

    def _above_floor(self, z: float) -> NDArray[np.float32]:
        """Return the share of each pixel that is above the floor at a depth."""
        high = self._ray_y * np.float32(z) + np.float32(_EYE_Y)
        pixel = np.float32(z / (self.setting.width * self._over))
        return np.asarray(np.clip(high / pixel + np.float32(0.5), 0, 1), np.float32)

    def _left_of(self, room: _Room, z: float, box: Box, cover: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return what nearer props and the floor leave to be seen of something at a depth, as of the whole picture."""
        left = np.zeros((self._rows, self._columns), np.float32)
        left[box] = cover
        left *= self._above_floor(z)
        for layer in room.layers:
            if layer.z < z:
                left[layer.box] *= 1 - layer.cover
        return left

    # --- players ---

    def _figure(self, player: int, frame: int) -> _Cutout:
        return _figure_cutout(self.setting, player, frame)

    def _cutout_seen(self, cut: _Cutout) -> tuple[Box, NDArray[np.float32], NDArray[np.float32]]:
        """Return the box of the picture in which a cut-out is seen, and what it shows there."""
        across, down, box = self._on(cut)
        alpha, albedo = (
            cv2.remap(one, across[box], down[box], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for one in (cut.alpha, cut.albedo)
        )
        return box, np.asarray(alpha, np.float32), np.asarray(albedo, np.float32)

    def _on(self, cut: _Cutout) -> tuple[NDArray[np.float32], NDArray[np.float32], Box]:
        """Return what sample of a cut-out each pixel looks at, x and y, and the box in which there are any."""
        z, scale, (height, width) = np.float32(cut.z), np.float32(cut.scale), cut.alpha.shape
        across = (self._ray_x * z - np.float32(cut.left)) * scale - np.float32(0.5)
        down = (np.float32(cut.top - _EYE_Y) - self._ray_y * z) * scale - np.float32(0.5)
        return across, down, (_within(down[:, 0], height), _within(across[0], width))

    def _covered(self, cut: _Cutout) -> NDArray[np.float32]:
        """Return the share of each pixel in a prop's box within its outline, which is where its cut-out is half there.

        Each of some parts of a pixel is cut by a straight piece of it, as far away as the cut-out's slope there says.
        """
        across, down, box = self._on(cut)
        shift = (np.arange(_PARTS, dtype=np.float32) + np.float32(0.5)) / np.float32(_PARTS) - np.float32(0.5)
        apart = np.float32(cut.z * cut.scale / (self.setting.width * self._over))  # samples a pixel
        x, y = ((at[..., None] + apart * shift).reshape(-1) for at in (across[0, box[1]], down[box[0], 0]))
        alpha = cv2.remap(
            cut.alpha, np.tile(x, (len(y), 1)), np.tile(y[:, None], (1, len(x))),
            cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        slope = sum(np.abs(way) for way in np.gradient(alpha))
        cover = np.clip((alpha - np.float32(0.5)) / np.maximum(slope, np.float32(1e-6)) + np.float32(0.5), 0, 1)
        return np.asarray(cover.reshape(len(y) // _PARTS, _PARTS, -1, _PARTS).mean(axis=(1, 3)), np.float32)

    def _figure_seen(self, room: _Room, player: int, frame: int) -> NDArray[np.float32]:
        figure = self._figure(player, frame)
        return self._left_of(room, figure.z, *self._cutout_seen(figure)[:2])

    # --- the camera ---

    def _bands(self, banding: Banding, frame: int) -> NDArray[np.float32]:
        rows = (np.arange(self._rows) / self._over - self._margin) / self.setting.height
        at = frame / FPS + rows * banding.readout_s
        wave = 1 + banding.depth * np.sin(2 * np.pi * 2 * banding.mains_hz * at + 0.7)
        return np.asarray(wave[:, None, None], np.float32)

    def _seen(self, light: NDArray[np.float32], pose: Pose, defocus_px: float) -> NDArray[np.float32]:
        """Return light through the lens, at a pose, at the frame's size."""
        setting, over, margin = self.setting, self._over, self._margin
        sigma = over * math.hypot(_PSF_PX, defocus_px)
        soft = cv2.GaussianBlur(light, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        if soft.ndim == 2:
            soft = soft[..., None]
        width, height = setting.width * over, setting.height * over
        if pose == Pose():
            kept = soft[margin * over : margin * over + height, margin * over : margin * over + width]
        else:
            turn = math.radians(pose.rotation_deg)
            a, b = pose.scale * math.cos(turn), pose.scale * math.sin(turn)
            centre = np.array([(width - 1) / 2, (height - 1) / 2])
            linear = np.array([[a, -b], [b, a]])
            at = centre + margin * over + np.array([pose.dx_px, pose.dy_px]) * over - linear @ centre
            kept = cv2.warpAffine(
                soft, np.hstack([linear, at[:, None]]), (width, height),
                flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
            )  # fmt: skip
            kept = kept.reshape(height, width, soft.shape[2])
        if over > 1:
            kept = kept.reshape(setting.height, over, setting.width, over, -1).mean(axis=(1, 3))
        return np.ascontiguousarray(kept, np.float32)

    def _recorded(self, light: NDArray[np.float32], noise: float, ceiling: float, seed: list[int]) -> Planes:
        rng = np.random.default_rng(seed)
        grain = rng.standard_normal(light.shape, np.float32)
        spread = np.sqrt(camera.READ_NOISE**2 + camera.SHOT_NOISE * np.maximum(light, 0))
        noisy = np.minimum(light + np.float32(noise) * spread * grain, np.float32(ceiling))
        return camera.record(np.asarray(noisy, np.float32), seed=0, noisy=False)


# --- cut-outs as seen -----------------------------------------------------------------------------


def _within(at: NDArray[np.float32], count: int) -> slice:
    """Return which of ascending places among samples, two of them at least, lie within those."""
    first, last = np.searchsorted(at, [0, count - 1])
    start = min(int(first), len(at) - 2)
    return slice(start, max(int(last), start + 2))


# --- what things look like ------------------------------------------------------------------------


def _papered(picture: NDArray[np.float32], x: Any, y: Any, px_per_m: float = 170.0) -> NDArray[np.float32]:
    return np.asarray(
        cv2.remap(
            picture, np.asarray((x + 8.0) * px_per_m, np.float32), np.asarray((8.0 - y) * px_per_m, np.float32),
            cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP,
        ),
        np.float32,
    )  # fmt: skip


def _texture(setting: SceneSetting, rng: np.random.Generator, where: str) -> NDArray[np.float32]:
    """Return a picture of albedo, 0.02 to 0.7, that repeats without a seam."""
    if setting.photograph:
        name = PHOTOGRAPHS[int(rng.integers(len(PHOTOGRAPHS)))]
        picture = _photograph(name)
        tiled = np.concatenate([picture, picture[:, ::-1]], axis=1)
        tiled = np.concatenate([tiled, tiled[::-1]], axis=0)
        return np.ascontiguousarray(np.clip(tiled * 0.6 + 0.02, 0.02, 0.7))
    size = 768
    total = np.zeros((size, size), np.float32)
    for octave in range(2, 8):
        coarse = rng.normal(size=(2**octave, 2**octave)).astype(np.float32)
        wrapped = np.pad(coarse, 2, mode="wrap")
        step = size // 2**octave
        large = cv2.resize(wrapped, None, fx=step, fy=step, interpolation=cv2.INTER_CUBIC)
        total += large[2 * step : 2 * step + size, 2 * step : 2 * step + size] * 0.8**octave
    total /= total.std()
    board = int(rng.choice([48, 64, 96]))
    tone = rng.normal(size=size // board).astype(np.float32)
    lines = (np.arange(size) % board < 3).astype(np.float32)
    pattern = 0.22 * total + 0.35 * np.repeat(tone, board)[None, :] - 1.2 * lines[None, :]
    if where == "wall" and rng.random() < 0.5:
        pattern = pattern.T
    base = rng.uniform(0.10, 0.30) * rng.uniform(0.75, 1.15, 3)
    albedo = base.astype(np.float32) * np.exp(pattern)[..., None].astype(np.float32)
    for _ in range(5):  # things that hang or lie there, so that places can be told apart
        x, y = rng.integers(40, size - 140, 2)
        w, h = rng.integers(30, 110, 2)
        albedo[y : y + h, x : x + w] = rng.uniform(0.05, 0.6, 3)
    return np.ascontiguousarray(np.clip(cv2.GaussianBlur(albedo, (0, 0), 0.8), 0.02, 0.7))


@functools.cache
def _photograph(name: str) -> NDArray[np.float32]:
    """Return a picture out of scikit-image's wheel, linear, colour."""
    from importlib.util import find_spec
    from pathlib import Path

    found = find_spec("skimage")
    assert found is not None
    assert found.origin is not None
    codes = cv2.imread(str(Path(found.origin).parent / "data" / f"{name}.png"), cv2.IMREAD_COLOR)
    assert codes is not None
    value = codes[..., ::-1].astype(np.float32) / 255
    # IEC 61966-2-1, the sRGB curve.
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear, np.float32)


def _prop_cutout(prop: Prop, move: PropMove, setting: SceneSetting, number: int) -> _Cutout:
    scale = _PX_PER_M * setting.width * setting.oversample / 960 / 2 * 4.5 / prop.z
    pad = 0.35  # metres around, for turning
    width, height = (round((size + 2 * pad) * scale) for size in (prop.width, prop.height))
    alpha = np.zeros((height, width), np.float32)
    foot = (prop.height + pad) * scale

    def box(x0: float, y0: float, x1: float, y1: float) -> None:
        corners = [
            ((prop.width / 2 + pad + x) * scale, foot - y * scale) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
        ]
        cv2.fillPoly(alpha, [np.round(np.array(corners) * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)

    half = prop.width / 2
    if prop.kind == "round":
        cv2.ellipse(
            alpha, (round(width / 2), round(foot - prop.height * scale / 2)),
            (round(half * scale), round(prop.height * scale / 2)), 0, 0, 360, 1.0, -1, cv2.LINE_AA,
        )  # fmt: skip
    elif prop.kind == "stand":
        box(-0.02, 0, 0.02, prop.height)
        box(-half, prop.height - 0.3, half, prop.height)
        box(-half * 0.7, 0, half * 0.7, 0.05)
    elif prop.kind == "table":
        box(-half, prop.height - 0.09, half, prop.height)
        box(-half * 0.9, 0, -half * 0.8, prop.height)
        box(half * 0.8, 0, half * 0.9, prop.height)
    else:
        box(-half, 0, half, prop.height)
    rng = np.random.default_rng([setting.seed, 5, number])
    grain = cv2.resize(rng.normal(size=(9, 7)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    fine = cv2.GaussianBlur(rng.normal(size=(height, width)).astype(np.float32), (0, 0), 1.5)
    albedo = np.array(prop.albedo, np.float32) * np.exp(0.25 * grain + 0.8 * fine)[..., None]
    if move.turn_deg:
        turn = cv2.getRotationMatrix2D((width / 2, foot - prop.height * scale / 2), -move.turn_deg, 1)
        alpha = cv2.warpAffine(alpha, turn, (width, height), flags=cv2.INTER_LINEAR)
        albedo = cv2.warpAffine(albedo, turn, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    left = prop.x - half - pad + move.dx_m
    return _Cutout(
        prop.z, left, prop.y + prop.height + pad + move.dy_m, scale,
        np.asarray(alpha, np.float32), np.asarray(np.clip(albedo, 0.01, 0.8), np.float32),
    )  # fmt: skip


@functools.lru_cache(maxsize=64)
def _figure_cutout(setting: SceneSetting, player: int, frame: int) -> _Cutout:
    """Draw a standing player who plays something before him: arms beat, body sways, legs hardly move."""
    part = setting.parts[player]
    at = frame / FPS
    lean = walk = 0.0
    for one in setting.takes[player].leans:
        if one.start <= frame < one.stop:
            ramp = min(1.0, (frame - one.start + 1) / 10, (one.stop - frame) / 10)
            amount = one.shift_m * ramp * ramp * (3 - 2 * ramp)
            lean, walk = (lean, walk + amount) if one.walks else (lean + amount, walk)
    scale = _PX_PER_M * setting.width * setting.oversample / 960 / 2 * 4.5 / part.z
    reach = 0.85 + max((abs(one.shift_m) for one in setting.takes[player].leans), default=0.0)
    width, height = round(2 * reach * scale), round(2.0 * scale)
    alpha = np.zeros((height, width), np.float32)
    albedo = np.tile(np.array(part.shirt, np.float32), (height, width, 1))
    beat = 2 * math.pi * part.tempo_hz * at + part.phase
    sway = 0.03 * math.sin(2 * math.pi * 0.23 * at + part.phase) + lean
    nod = 0.012 * math.sin(beat)

    def limb(points: list[tuple[float, float]], radius_m: float, colour: tuple[float, float, float]) -> None:
        line = np.array([((reach + x) * scale, (1.95 - y) * scale) for x, y in points])
        ints = np.round(line * 16).astype(np.int32)
        thick = max(1, round(2 * radius_m * scale))
        stroke = np.zeros_like(alpha)
        cv2.polylines(stroke, [ints], False, 1.0, thick, cv2.LINE_AA, 4)
        np.maximum(alpha, stroke, out=alpha)
        albedo[...] = albedo + stroke[..., None] * (np.array(colour, np.float32) - albedo)

    trousers, skin = (0.05, 0.055, 0.08), (0.33, 0.22, 0.16)
    hip, neck = (walk + 0.2 * sway, 0.92), (walk + sway, 1.42 + nod)
    for way in (-1, 1):
        limb([(walk + way * 0.13, 0.03), (walk + way * 0.11, 0.48), (hip[0] + way * 0.08, 0.90)], 0.075, trousers)
    limb([hip, neck], 0.165, part.shirt)
    limb([(neck[0], neck[1] + 0.06), (neck[0] + 0.01, neck[1] + 0.24 + nod)], 0.095, skin)
    for way in (-1, 1):
        swing = math.sin(beat + (0 if way < 0 else 2.1))
        shoulder = (neck[0] + way * 0.19, neck[1] - 0.05)
        elbow = (shoulder[0] + way * (0.12 + 0.03 * swing), shoulder[1] - 0.27)
        hand = (elbow[0] - way * (0.10 - 0.09 * swing), elbow[1] - 0.06 + 0.17 * swing)
        limb([shoulder, elbow], 0.055, part.shirt)
        limb([elbow, hand], 0.045, skin)
    soft = cv2.GaussianBlur(alpha, (0, 0), 0.6)
    return _Cutout(part.z, part.x - reach, 1.95, scale, np.asarray(soft, np.float32), albedo)
