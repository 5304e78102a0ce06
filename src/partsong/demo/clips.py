"""What the card holds: every clip of the demo, what is wrong with it, and its frames.

The list of clips is data; :func:`frames` and :func:`sound` make one clip from its entry alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from partsong.demo import acoustics, camera, figure, player, scene, synth, tune
from partsong.film.records import Count, Finite, Id, Natural, Record
from partsong.media.planes import Planes
from partsong.timebase import Rate, Time

RATE = Rate(num=24)
_FRAME_SAMPLES = 2000  # at 48 kHz

FAST_CLOCK_PPM = 60.0
"""How fast the clock of the camera runs that filmed the cajón: picture and sound alike."""

LOCKED_OFF = camera.View(scene.CAMERA, (0.0, 1.5, 5.0), 0.675, rise=0.06)
_HEAD_S = 1.0  # how long each stage take runs before the lamp is switched on
_WARM_UP_S = 0.12

_ROAMING_VIEWS = {
    "cajon": camera.View((-0.95, 1.15, 2.75), (-2.10, 0.80, 4.65), 0.43, focus_m=2.2),
    "glockenspiel": camera.View((2.35, 1.55, 3.35), (1.22, 1.24, 5.50), 0.40, focus_m=2.2),
    "melodica": camera.View((1.00, 1.20, 2.75), (2.20, 1.00, 4.90), 0.40, focus_m=2.4),
}


class Move(Record):
    """A knock at the tripod: from ``at_s`` in the take on, the picture lies further right and down."""

    at_s: Finite
    dx_px: Finite
    dy_px: Finite


class DemoClip(Record):
    """One clip and everything that is true of it.

    ``start`` is the song time of the first frame (for the stray clip: in its own song), in the sense of a placement;
    ``path`` is relative to the demo's folder. ``moves`` are the knocks; one at 0 means throughout.
    """

    path: str
    kind: Literal["stage", "roaming"]
    part: Id
    song: Literal["Boathouse Waltz", "Lantern Polka"] = "Boathouse Waltz"
    start: Time
    frames: Natural
    drift_ppm: Finite = 0.0
    distance_m: Finite
    arrival_delay_s: Finite
    moves: tuple[Move, ...] = ()
    stand_moved: bool = False
    room_silent: bool = False
    lamp_on_at_s: Finite = 0.0
    timecode_frame: Count
    seed: Count

    @property
    def stretch(self) -> float:
        """Seconds of song a second of the clip."""
        return 1 + self.drift_ppm * 1e-6

    def song_s(self, media_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the song time of times in the clip."""
        return float(self.start) + media_s * self.stretch

    def view(self) -> camera.View:
        """Return where the camera of this clip stands."""
        return LOCKED_OFF if self.kind == "stage" else _ROAMING_VIEWS[self.part]


def clips(song: tune.Performance, parts: Sequence[str], *, roaming: bool) -> tuple[DemoClip, ...]:
    """List the clips of the demo in the order in which they were shot.

    Parameters
    ----------
    song : Performance
        The waltz, whole or its first bars.
    parts : sequence of str
        Which parts were filmed.
    roaming : bool
        With coverage, and with the clip that belongs to another song.
    """
    found: list[DemoClip] = []
    number = 2
    # How long each camera ran before the song: no whole number of frames, as in life.
    leads = dict(zip(tune.PARTS, (2.671, 3.437, 1.912, 2.204, 3.086), strict=True))
    coverage = {"cajon": 0.04, "glockenspiel": 0.27, "melodica": 0.56}  # where in the song, as a share of it
    for place, part in enumerate(tune.PARTS):
        if part not in parts:
            continue
        folder = f"clips/{place + 1:02d} {part.replace('-', ' ')}"
        number += 1 + place % 2
        after_s = 0.9 + 0.15 * place
        found.append(_stage_clip(song, part, f"{folder}/locked-off/clip_{number:04d}.mov", leads[part], after_s))
        if roaming and part in coverage:
            number += 1
            start_s = Fraction(round(float(song.length_s) * coverage[part] * 48000), 48000)
            seconds = min(8.0 + 0.4 * place, 0.45 * float(song.length_s))
            path = f"{folder}/roaming/clip_{number:04d}.mov"
            found.append(_clip(path, "roaming", part, start_s, math.ceil(seconds * 24)))
    if roaming and "melodica" in parts:
        stray = tune.polka()
        frames = min(math.ceil(8.0 * 24), math.ceil(float(song.length_s) * 0.45 * 24))
        extra = _clip(f"clips/roaming/clip_{number + 3:04d}.mov", "roaming", "melodica", Fraction(1001, 1000), frames)
        found.append(extra.replace(song=stray.title, seed=77))
    return tuple(found)


def _stage_clip(song: tune.Performance, part: str, path: str, lead_s: float, after_s: float) -> DemoClip:
    start_s = -Fraction(round(lead_s * 48000), 48000)
    frames = math.ceil((lead_s + float(song.length_s) + after_s) * 24)
    clip = _clip(path, "stage", part, start_s, frames).replace(lamp_on_at_s=_HEAD_S)
    if part == "cajon":
        # A second of a fast clock is less than a second of the song.
        return clip.replace(drift_ppm=(1 / (1 + FAST_CLOCK_PPM * 1e-6) - 1) * 1e6)
    if part == "upright-bass":
        return clip.replace(moves=(Move(at_s=0.0, dx_px=2.0, dy_px=-1.0),))
    if part == "harmonium":
        return clip.replace(room_silent=True)
    if part == "glockenspiel":
        return clip.replace(stand_moved=True)
    return clip.replace(moves=(Move(at_s=lead_s + 0.6 * float(song.length_s), dx_px=-1.0, dy_px=1.0),))


def distance_m(part: str, view: camera.View) -> float:
    """Return how far the sound of a part is from a camera."""
    return float(np.linalg.norm(np.subtract(scene.SPOTS[part].sound, view.place)))


def _clip(path: str, kind: Literal["stage", "roaming"], part: str, start_s: Fraction, frames: int) -> DemoClip:
    place = tune.PARTS.index(part)
    view = LOCKED_OFF if kind == "stage" else _ROAMING_VIEWS[part]
    away_m = distance_m(part, view)
    minute = 602 + 23 * place + (11 if kind == "roaming" else 0)  # the camera's clock shows the time of day
    return DemoClip(
        path=path,
        kind=kind,
        part=part,
        start=Time.of(start_s),
        frames=frames,
        distance_m=away_m,
        arrival_delay_s=away_m / acoustics.SPEED_OF_SOUND_M_S,
        timecode_frame=minute * 60 * 24 + 7 * place + 5,
        seed=10 + place + (20 if kind == "roaming" else 0),
    )


def performance(clip: DemoClip, song: tune.Performance) -> tune.Performance:
    """Return what is played in a clip."""
    return song if clip.song == song.title else tune.polka()


# --- sound --------------------------------------------------------------------------------------------


def sound(clip: DemoClip, song: tune.Performance, *, seed: int) -> NDArray[np.float32]:
    """Return the camera's own sound of a clip: (samples, 2) at 48 kHz, as long as its picture."""
    played = performance(clip, song)

    def in_room(point: tuple[float, float, float]) -> tuple[float, float, float]:
        return (point[0] + scene.ROOM_WIDTH_M / 2, point[1], point[2])

    heard = acoustics.Heard(
        start_ticks=clip.start.ticks,
        samples=clip.frames * _FRAME_SAMPLES,
        source=in_room(scene.SPOTS[clip.part].sound),
        camera=in_room(clip.view().place),
        room=(scene.ROOM_WIDTH_M, scene.ROOM_HEIGHT_M, scene.ROOM_DEPTH_M),
        drift_ppm=clip.drift_ppm,
        level_db=-64.0 if clip.room_silent else 0.0,
        automatic_gain=not clip.room_silent,
        clicks_s=tuple(played.onsets_s(clip.part)) if clip.room_silent else (),
    )
    return acoustics.scratch_sound(synth.stem(played, clip.part, seed=seed), heard, seed=clip.seed)


# --- picture ------------------------------------------------------------------------------------------


def offsets_px(clip: DemoClip, media_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far the picture of a locked-off clip is moved at each time: (frames, 2), pixels right and down.

    After a knock during the take the camera swings for a fraction of a second before it rests.
    """
    total = np.zeros((len(media_s), 2))
    for move in clip.moves:
        since = np.maximum(media_s - move.at_s, 0)
        swing = np.exp(-since / 0.09) * np.cos(2 * np.pi * 6 * since)
        settled = np.where(media_s >= move.at_s, 1 - swing * (move.at_s > 0), 0)
        total += settled[:, None] * np.array([move.dx_px, move.dy_px])
    return np.where(np.abs(total - np.round(total)) < 0.02, np.round(total), total)


def _by_hand(clip: DemoClip, media_s: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Return scale, angle (radians) and shift (pixels) of a hand-held frame about its middle: (frames, 4)."""
    rng = np.random.default_rng(clip.seed)

    def wander(*speeds_hz: float) -> NDArray[np.float64]:
        return np.asarray(sum(np.sin(2 * np.pi * hz * media_s + rng.uniform(0, 6)) / (1 + 3 * hz) for hz in speeds_hz))

    length_s = clip.frames / 24
    push = 1.03 + 0.10 * (media_s / length_s) ** 1.2
    sway = [wander(0.17, 0.43, 1.1, 2.3) * width * 0.0045 for _ in (0, 1)]
    return np.stack([push, 0.006 * wander(0.13, 0.37, 0.9), *sway], axis=1)


def zones(width: int, height: int) -> dict[str, tuple[int, int, int, int]]:
    """Return the box (left, top, right, bottom) of the wide frame, in pixels, that each part's player never leaves."""
    song = tune.waltz()
    found = {}
    for part in tune.PARTS:
        limbs = player.limbs(song, part, np.arange(0, float(song.length_s), 0.05))
        ends = np.concatenate([limbs[:, :, 0:3], limbs[:, :, 3:6]]).reshape(-1, 3)
        pixels = LOCKED_OFF.pixels(np.concatenate([ends - 0.12, ends + 0.12]), width, height)
        low, high = pixels.min(axis=0), pixels.max(axis=0)
        left, top, right, bottom = (int(v) for v in (*np.floor(low), *np.ceil(high)))
        found[part] = (max(left, 0), max(top, 0), min(right, width), min(bottom, height))
    return found


def stand_px(width: int, height: int, *, moved: bool) -> tuple[float, float, float, float]:
    """Return the box (left, top, right, bottom; pixels) of the music stand that gets knocked, in the wide frame."""
    pixels = LOCKED_OFF.pixels(scene.knocked_stand(moved=moved), width, height)
    low, high = pixels.min(axis=0), pixels.max(axis=0)
    return (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def light_frames(
    clip: DemoClip, song: tune.Performance, *, width: int, height: int, some: Sequence[int] | None = None
) -> Iterator[NDArray[np.float32]]:
    """Draw the frames of a clip as scene-linear light, before the camera's noise and encoding.

    Parameters
    ----------
    clip, song
        The entry of :func:`clips`, and the waltz.
    width, height : int
        Of the frame, in pixels.
    some : sequence of int, optional
        Only these frames, in rising order.

    Yields
    ------
    float32 array, shape (height, width, 3)
        Valid until the next one is asked for.
    """
    view = clip.view()
    stage = clip.kind == "stage"
    margin = 8 if stage else 2 * round(0.025 * width)
    room = scene.Scene.built(stand_moved=clip.stand_moved)
    still = camera.still(room, clip.part, view, width=width, height=height, margin=margin)
    dusk, lamp = scene.still_light()
    media_s = np.arange(clip.frames) / 24
    limbs = player.limbs(performance(clip, song), clip.part, clip.song_s(media_s))

    reach = np.max([figure.shadow_map(limbs[n], still.key)[0] for n in range(0, clip.frames, 6)], axis=0)
    reach = cv2.dilate(reach, np.ones((7, 7)))
    numbers, places = figure.shadow_places(still.eye, still.depths, still.lit, reach, still.key)
    flat_calm, flat_lit = still.calm.reshape(-1, 3), still.lit.reshape(-1, 3)
    behind = still.calm + still.lit
    level = 1.0
    levels = (
        np.clip((media_s - clip.lamp_on_at_s) / _WARM_UP_S, 0, 1) ** 2 if clip.lamp_on_at_s else np.ones(clip.frames)
    )
    moves = offsets_px(clip, media_s) if stage else _by_hand(clip, media_s, width)
    for n in range(clip.frames) if some is None else some:
        if levels[n] != level:
            level = float(levels[n])
            np.multiply(still.lit, np.float32(level), out=behind)
            behind += still.calm
        cover, near = figure.shadow_map(limbs[n], still.key)
        figure.cast_shadow(behind.reshape(-1, 3), flat_calm, flat_lit, level, numbers, places, cover, near)
        if stage:
            shown = np.array([1.0, 1.0, 0.0, moves[n, 0] - margin, moves[n, 1] - margin])
        else:
            shown = _about_the_middle(moves[n], width, height, margin)
        frame = _cut_out(behind, shown, width, height)
        figure.draw(
            frame, limbs[n], still.eye, shown, still.depths, still.key, level, dusk, lamp, scene.POOL, cover, near
        )
        yield frame


def frames(clip: DemoClip, song: tune.Performance, *, width: int, height: int) -> Iterator[Planes]:
    """Film a clip: every frame as the camera recorded it."""
    for n, light in enumerate(light_frames(clip, song, width=width, height=height)):
        yield camera.record(light, seed=clip.seed * 100_003 + n)


def _about_the_middle(move: NDArray[np.float64], width: int, height: int, margin: int) -> NDArray[np.float64]:
    """Turn a hand-held move into the view that :func:`partsong.demo.figure.draw` takes."""
    scale, angle = move[0], move[1]
    cos, sin = math.cos(angle), math.sin(angle)
    mx, my = width / 2 + margin, height / 2 + margin
    x = width / 2 + move[2] - scale * (cos * mx - sin * my)
    y = height / 2 + move[3] - scale * (sin * mx + cos * my)
    return np.array([scale, cos, sin, x, y])


def _cut_out(picture: NDArray[np.float32], shown: NDArray[np.float64], width: int, height: int) -> NDArray[np.float32]:
    """Return what a view shows of the still room's picture: whole steps are copied, anything else is interpolated."""
    scale, cos, sin, x, y = shown.tolist()
    if scale == 1 and sin == 0 and x == round(x) and y == round(y):
        left, top = -round(x), -round(y)
        return picture[top : top + height, left : left + width].copy()
    # OpenCV counts from the middle of the first pixel, the view from its corner.
    matrix = np.array([[scale * cos, -scale * sin, x], [scale * sin, scale * cos, y]])
    matrix[:, 2] += matrix[:, :2].sum(axis=1) * 0.5 - 0.5
    how = cv2.INTER_CUBIC if scale == 1 else cv2.INTER_LINEAR
    warped = cv2.warpAffine(picture, matrix, (width, height), flags=how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(warped, np.float32)
