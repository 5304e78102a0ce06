"""Reading takes over the song at a small size: frames laid on the reference, what moves, what each layer weighs."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from partsong.film.coverage import PlacedTake
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import Film
from partsong.media.picture import open_picture, resized
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.merge import stack_weights
from partsong.render.plan import Stack
from partsong.render.warp import fast_warped
from partsong.stage.boundary import scaled
from partsong.stage.crossings import Moving, grain_of, moving_in
from partsong.stage.motion import sample_frames
from partsong.stage.visibility import plain_display
from partsong.watch import Watch

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LOOKS_VERSION = 1  # raise it when the same frames show other movement
_STILL_LOOKS = 32
_LAID_FROM_PX = 0.1  # a move by less is not worth resampling a small picture for


def small_size(width: int, height: int, widest: int) -> tuple[int, int]:
    """Return (width, height) of a frame brought down to at most ``widest``, sides even.

    >>> small_size(3840, 2160, 320)
    (320, 180)
    """
    if width <= widest:
        return width, height
    return widest, 2 * round(height * widest / width / 2)


def frames_of(
    folder: FilmFolder, film: Film, placed: PlacedTake, frames: Sequence[int], size: tuple[int, int]
) -> Iterator[Planes]:
    """Yield a take's pictures at frames of the song, brought to a (width, height) and laid on the reference."""
    take = placed.take
    registration = film.stage.registration_of(take.id)
    sources = [placed.source_frame(frame) for frame in frames]
    with open_picture(folder.locate(take.clip.file), take.picture) as reader:
        for source, planes in zip(sources, reader.read(sources), strict=True):
            small = resized(planes, *size)
            if registration is not None:
                pose = registration.at(source)
                scale = size[0] / planes.width
                pose = pose.replace(dx_px=pose.dx_px * scale, dy_px=pose.dy_px * scale)
                if max(abs(pose.dx_px), abs(pose.dy_px)) > _LAID_FROM_PX or pose.rotation_deg or pose.scale != 1:
                    small = fast_warped(small, pose)
            yield small


def shown_luma(planes: Planes, curve: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return a picture's luma as plain display code, 0 to 1."""
    scale, zero, _, _ = pixels.code_scale(planes.bit_depth, planes.value_range)
    luma = (planes.y.astype(np.float32) - np.float32(zero)) / np.float32(scale)
    return plain_display(pixels.to_linear(luma, curve)).astype(np.float32)


def movement(
    folder: FilmFolder,
    film: Film,
    placed: PlacedTake,
    frames: Sequence[int],
    size: tuple[int, int],
    curve: NDArray[np.float64],
    watch: Watch,
) -> Iterator[Moving]:
    """Yield where a take moves at frames of the song; kept in the cache as one bit a pixel.

    Read twice: some frames for the still room and the grain, then all of them.
    """
    take = placed.take
    registration = film.stage.registration_of(take.id)
    poses = [key.model_dump(mode="json") for key in registration.keys] if registration else []
    sources = [placed.source_frame(frame) for frame in frames]
    ground = key_of(curve.astype("float32").tobytes().hex())
    key = key_of(_LOOKS_VERSION, take.clip.file.fingerprint, sources, size, poses, ground)
    kept = folder.cached("movement", key, ".npy")
    if not kept.is_file():
        _watch_movement(folder, film, placed, frames, size, curve, kept, watch)
    packed = np.load(kept, mmap_mode="r")
    width, height = size
    for frame, bits in zip(frames, packed, strict=True):
        where = np.unpackbits(bits, count=width * height).reshape(height, width).astype(bool)
        yield Moving(frame, where)


def _watch_movement(
    folder: FilmFolder,
    film: Film,
    placed: PlacedTake,
    frames: Sequence[int],
    size: tuple[int, int],
    curve: NDArray[np.float64],
    kept: Path,
    watch: Watch,
) -> None:
    chosen = [frames[number] for number in sample_frames(range(len(frames)), _STILL_LOOKS)]
    some = []
    for planes in frames_of(folder, film, placed, chosen, size):
        watch.check(f"Watching {placed.take.id}")
        some.append(shown_luma(planes, curve))
    still = np.median(np.stack(some), axis=0).astype(np.float32)
    grain = grain_of(some, still)
    rows = []
    reading = frames_of(folder, film, placed, frames, size)
    for planes in watch.over(reading, total=len(frames), doing=f"Watching {placed.take.id}"):
        rows.append(np.packbits(moving_in(shown_luma(planes, curve), still, grain)))
    with writing(kept) as temporary, temporary.open("wb") as file:
        np.save(file, np.stack(rows))


def weights_of(stack: Stack, order: Sequence[str], size: tuple[int, int]) -> NDArray[np.float64]:
    """Return the weight of each take of an order, (take, height, width), in a stack brought to a (width, height).

    A take that has no picture there has none; a patch of a plate only takes weight from the others.
    """
    weights = np.zeros((len(order), size[1], size[0]))
    for layer, weight in zip(stack.layers, _small_weights(stack, size), strict=True):
        if layer.take in order:
            weights[order.index(layer.take)] += weight
    return weights


@functools.lru_cache(maxsize=4)
def _small_weights(stack: Stack, size: tuple[int, int]) -> NDArray[np.float64]:
    scale = size[0] / stack.width
    layers = tuple(
        layer.replace(shape=scaled(layer.shape, scale) if layer.shape else None, feather_px=layer.feather_px * scale)
        for layer in stack.layers
    )
    if not layers:
        return np.zeros((0, size[1], size[0]))
    return stack_weights(Stack(width=size[0], height=size[1], layers=layers), range(size[1]))
