"""Lit rooms out of takes and plates, kept in the film's cache: what adding light starts from."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.coverage import PlacedTake
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import Clip, Film, Pose
from partsong.media.picture import converted, open_picture, resized
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.lightpath import LightPath
from partsong.render.lightsum import ambient_of
from partsong.render.mattes import LitRoom
from partsong.render.merge import Form
from partsong.render.plan import layers_of
from partsong.render.warp import fast_warped
from partsong.render.wide import SUM_VERSION, Encoding, wide_key
from partsong.stage.match import grain_of
from partsong.stage.motion import look_at, reduced_size, sample_frames
from partsong.stage.propose import figure, own_light
from partsong.stage.still import FRAMES, midmean, region_of, without_player
from partsong.watch import Watch, silent

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Light = NDArray[np.float32]

_KIND = "room"
_BAND_ROWS = 64


@dataclass(frozen=True, slots=True)
class Rooms:
    """The lit room of each take by its id, the ambient light they share, and whether that comes from a plate."""

    lit: dict[str, LitRoom]
    ambient: Light
    has_plate: bool


_LATEST: dict[str, Rooms] = {}


@dataclass(frozen=True, slots=True)
class _Still:
    light: Light
    moving: Light
    read: float
    shot: float


@dataclass(frozen=True, slots=True)
class RoomFinder:
    """Finds the lit rooms of a film's takes, from its cache where they are known already."""

    folder: FilmFolder
    film: Film
    encoding: Encoding
    form: Form

    def found(self, watch: Watch) -> Rooms:
        """Return the rooms of all takes in the order of the stage.

        Raises
        ------
        InvalidInput
            If a room cannot be told; the sentence says which and what to do.
        """
        layered = layers_of(self.film)
        stills = {placed.take.id: self._of_take(placed, layer.gain, watch) for layer, placed in layered}
        plates = {plate.part: plate for plate in self.film.plates if plate.clip.picture is not None}
        lit: dict[str, LitRoom] = {}
        for _, placed in layered:
            take = placed.take
            still = stills[take.id]
            if take.part in plates:
                plate = self._of_clip(plates[take.part].clip, watch, f"the plate {plates[take.part].id}")
                hidden = np.zeros(plate.light.shape[:2], np.float32)
                gain = np.asarray(self._gain(take.id), np.float32)
                lit[take.id] = LitRoom(plate.light * gain, hidden, still.read, still.shot)
        has_plate = None in plates
        if has_plate:
            ambient = self._of_clip(plates[None].clip, watch, f"the plate {plates[None].id}").light
        else:
            ambient = self._least(stills, lit)
        regions = self._regions(stills)
        for name, still in stills.items():
            if name in lit:
                continue
            light, hidden = self._guessed(name, still, ambient, regions[name])
            lit[name] = LitRoom(light, hidden, still.read, still.shot, guessed=True)
        return Rooms(lit, ambient, has_plate)

    def _least(self, stills: dict[str, _Still], lit: dict[str, LitRoom]) -> Light:
        regions = self._regions(stills)
        rooms = [
            lit.get(name) or LitRoom(still.light, regions[name].astype(np.float32), still.read, still.shot)
            for name, still in stills.items()
        ]
        return ambient_of(rooms)

    def _regions(self, stills: dict[str, _Still]) -> dict[str, NDArray[np.bool_]]:
        """Return where each take's player may be, at the frame's size."""
        import cv2

        size = next(iter(stills.values())).moving.shape[::-1]
        small = [cv2.resize(still.light[..., 1], size, interpolation=cv2.INTER_AREA) for still in stills.values()]
        own = own_light([np.asarray(light, np.float32) for light in small])
        result = {}
        for (name, still), light in zip(stills.items(), own, strict=True):
            region = region_of(figure(still.moving, light)).astype(np.uint8)
            height, width = still.light.shape[:2]
            result[name] = np.asarray(cv2.resize(region, (width, height), interpolation=cv2.INTER_NEAREST) > 0)
        return result

    def _guessed(self, name: str, still: _Still, ambient: Light, region: NDArray[np.bool_]) -> tuple[Light, Light]:
        try:
            return without_player(still.light, ambient, region, still.read, still.shot)
        except InvalidInput as problem:
            raise InvalidInput(
                f"The light of take {name} cannot be added: {problem}. Film a plate lit like it, or "
                "merge through masks: partsong stage method FILM masks"
            ) from problem

    def latest(self) -> Rooms:
        """Return :meth:`found`, kept in memory until another film, or another state of it, is asked for.

        One process paints many segments, and while takes fade in or out each frame has a stack of its own.
        """
        key = key_of(str(self.folder.root), wide_key(self.film))
        if key not in _LATEST:
            _LATEST.clear()
            _LATEST[key] = self.found(silent())
        return _LATEST[key]

    # --- stills ---

    def _gain(self, take: str) -> tuple[float, float, float]:
        matched = self.film.stage.match_of(take)
        return matched.gain if matched else pixels.NO_GAIN

    def _of_take(self, placed: PlacedTake, gain: tuple[float, float, float], watch: Watch) -> _Still:
        song = placed.frames()
        if not song:
            raise InvalidInput(
                f"Take {placed.take.id} lies wholly outside the song. Place it anew: partsong lineup place FILM"
            )
        span = range(placed.source_frame(song.start), placed.source_frame(song.stop - 1) + 1)
        registration = self.film.stage.registration_of(placed.take.id)
        frames = sample_frames(span, FRAMES)
        poses = [registration.at(frame) if registration else Pose() for frame in frames]
        return self._still(placed.take.clip, frames, poses, gain, watch, f"take {placed.take.id}")

    def _of_clip(self, clip: Clip, watch: Watch, name: str) -> _Still:
        assert clip.picture is not None
        frames = sample_frames(range(clip.picture.frames), FRAMES)
        return self._still(clip, frames, [Pose()] * len(frames), pixels.NO_GAIN, watch, name)

    def _still(
        self,
        clip: Clip,
        frames: list[int],
        poses: list[Pose],
        gain: tuple[float, float, float],
        watch: Watch,
        name: str,
    ) -> _Still:
        key = key_of(
            _KIND, SUM_VERSION, clip.file.fingerprint, frames, [pose.model_dump(mode="json") for pose in poses], gain,
            self.encoding.key, self.form.matrix, self.form.value_range,
        )  # fmt: skip
        kept = self.folder.cached(_KIND, key, ".npz")
        if kept.is_file():
            with np.load(kept) as arrays:
                read, shot = (float(value) for value in arrays["grain"])
                return _Still(arrays["light"].astype(np.float32), arrays["moving"], read, shot)
        made = self._looked(clip, frames, poses, gain, watch, name)
        with writing(kept) as temporary, temporary.open("wb") as file:
            np.savez(
                file, light=made.light, moving=made.moving, grain=np.array([made.read, made.shot]),
            )  # fmt: skip
        return made

    def _looked(
        self,
        clip: Clip,
        frames: list[int],
        poses: list[Pose],
        gain: tuple[float, float, float],
        watch: Watch,
        name: str,
    ) -> _Still:
        film = self.film
        assert film.width is not None
        assert film.height is not None
        path = LightPath(self.encoding.curve, self.form, film.width, film.height)
        small_size = reduced_size(film.width, film.height)
        lumas: list[NDArray[np.float32]] = []
        # Frames wait on disk for the sorting: at 3840 x 2160 they would fill a gigabyte of memory.
        with tempfile.TemporaryDirectory() as folder:
            stacks: list[NDArray[np.uint16]] = []
            with open_picture(self.folder.locate(clip.file), clip.picture, threads=1) as reader:  # type: ignore[arg-type]
                shown = self._brought(reader.read(frames), poses)
                for number, planes in enumerate(watch.over(shown, total=len(frames), doing=f"Looking at {name}")):
                    if not stacks:
                        stacks = [
                            np.lib.format.open_memmap(
                                Path(folder) / f"{letter}.npy", "w+", np.uint16, (len(frames), *plane.shape)
                            )
                            for letter, plane in zip("yuv", (planes.y, planes.u, planes.v), strict=True)
                        ]
                    for stack, plane in zip(stacks, (planes.y, planes.u, planes.v), strict=True):
                        stack[number] = plane
                    scale, zero, _, _ = pixels.code_scale(planes.bit_depth, planes.value_range)
                    small = resized(planes, *small_size)
                    lumas.append(((small.y - np.float32(zero)) / np.float32(scale)).astype(np.float32))
                if len(frames) < 3:
                    raise InvalidInput(
                        f"Of {name} fewer than three frames can be seen: too few to tell what stands still."
                    )
                # Neighbouring frames will not do: codecs repeat what they take for still, grain and all.
                apart = [frames[0], frames[len(frames) // 2]]
                pair = [path.light(one, gain) for one in self._brought(reader.read(apart), [Pose()] * 2)]
            codes: list[NDArray[np.float32]] = [np.empty(stack.shape[1:], np.float32) for stack in stacks]
            for stack, code in zip(stacks, codes, strict=True):
                for top in range(0, code.shape[0], _BAND_ROWS):
                    watch.check(f"Looking at {name}")
                    code[top : top + _BAND_ROWS] = midmean(stack[:, top : top + _BAND_ROWS])
            stacks.clear()
        light = self._light_of(codes, gain)
        grain = grain_of(*pair)
        return _Still(light, look_at(lumas).motion, grain.read, grain.shot)

    def _light_of(self, codes: list[NDArray[np.float32]], gain: tuple[float, float, float]) -> Light:
        """Return the light of codes that are not whole, which the tables of the merge do not take."""
        form = self.form
        height, width = codes[0].shape
        across, down = pixels.colour_steps(form.chroma)
        light = np.empty((height, width, 3), np.float32)
        columns = np.arange(width) // across
        for top in range(0, height, _BAND_ROWS):
            rows = np.arange(top, min(top + _BAND_ROWS, height))
            full = np.stack([codes[0][rows], *(plane[np.ix_(rows // down, columns)] for plane in codes[1:])], axis=-1)
            encoded = pixels.codes_to_encoded(full, form.bit_depth, form.matrix, form.value_range)
            light[rows] = pixels.to_linear(encoded, self.encoding.curve) * np.asarray(gain)
        return light

    def _brought(self, frames: Iterator[Planes], poses: list[Pose]) -> Iterator[Planes]:
        form = self.form
        for planes, pose in zip(frames, poses, strict=True):
            brought = converted(
                planes,
                bit_depth=form.bit_depth,
                chroma=form.chroma,
                matrix=form.matrix,
                value_range=form.value_range,
            )
            yield brought if pose == Pose() else fast_warped(brought, pose)
