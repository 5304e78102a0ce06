"""The merge on a graphics processor: the same stack, planes in and planes out as :class:`partsong.render.merge.Merger`.

The maths is ``shader/core.wgsl``, written after :mod:`partsong.render.pixels` and held to it within one code. A
processor that only pretends to be one (a software adapter) is slower than the processor's own kernel and is used when
asked for only: by the tests.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.records import Pose
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.merge import Form, Merger, stack_weights
from partsong.render.plan import Stack
from partsong.render.warp import fast_warped, is_whole

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

_WORKGROUP = (16, 4)
_BAND_ROWS = 64


def shader(name: str) -> str:
    """Return a shader's text: ``core`` with the entry point ``name`` behind it."""
    folder = resources.files("partsong.render") / "shader"
    return "\n".join((folder / f"{part}.wgsl").read_text(encoding="utf-8") for part in ("core", name))


@functools.lru_cache(maxsize=2)
def device(software: bool = False) -> Any:
    """Return the graphics processor of this machine, opened for computing.

    Parameters
    ----------
    software : bool
        Whether one that is only a program will do.

    Raises
    ------
    InvalidInput
        If there is none, or the library for it is not installed.
    """
    try:
        import wgpu
    except ImportError as problem:
        raise InvalidInput(
            "Merging on a graphics processor needs wgpu, which is not installed. Install it: "
            "pip install 'partsong[gpu]'"
        ) from problem
    found = [one for one in wgpu.gpu.enumerate_adapters_sync() if one.info["backend_type"] != "OpenGL"]
    fitting = [one for one in found if (one.info["adapter_type"] == "CPU") == software]
    if not fitting:
        raise InvalidInput("This machine has no graphics processor that can be used. Leave --gpu out.")
    # A separate processor before one that shares the machine's memory.
    best = min(fitting, key=lambda one: one.info["adapter_type"] != "DiscreteGPU")
    wanted = ("max-texture-dimension-2d", "max-buffer-size", "max-storage-buffer-binding-size")
    return best.request_device_sync(required_limits={name: best.limits[name] for name in wanted})


class GpuMerger:
    """Merges the frames of one stack on a graphics processor; used like :class:`partsong.render.merge.Merger`."""

    def __init__(self, stack: Stack, curve: ArrayLike, form: Form, *, software: bool = False) -> None:
        import wgpu

        self._stack, self._form = stack, form
        self._across, self._down = pixels.colour_steps(form.chroma)
        self._like = Merger(stack, curve, form)  # checks what is given, and knows which layers show
        self.shows = self._like.shows
        if not stack.layers:
            return
        self._device = device(software)
        self._module = self._device.create_shader_module(code=shader("merge"))
        self._pipeline = self._device.create_compute_pipeline(
            layout="auto", compute={"module": self._module, "entry_point": "merge_frame"}
        )
        count, kind = len(stack.layers), "r8uint" if form.bit_depth == 8 else "r16uint"
        self._cells = (-(-stack.width // self._across), -(-stack.height // self._down))
        self._planes = [
            self._texture((width, height, count), kind)
            for width, height in ((stack.width, stack.height), self._cells, self._cells)
        ]
        weights = self._texture((stack.width, stack.height, count), "r32float")
        for top in range(0, stack.height, _BAND_ROWS):
            rows = range(top, min(top + _BAND_ROWS, stack.height))
            for number, band in enumerate(stack_weights(stack, rows).astype(np.float32)):
                self._write(weights, band, (0, top, number))
        table = pixels.checked_curve(curve).astype(np.float32)[None, :]
        lights = self._texture((table.shape[1], 1, 1), "r32float")
        self._write(lights, table, (0, 0, 0))
        self._words = (-(-self._cells[0] * self._across // 2), -(-self._cells[0] // 2))
        heights = (stack.height, self._cells[1], self._cells[1])
        usage = wgpu.BufferUsage.STORAGE | wgpu.BufferUsage.COPY_SRC
        self._outs = [
            self._device.create_buffer(size=4 * words * height, usage=usage)
            for words, height in zip((self._words[0], self._words[1], self._words[1]), heights, strict=True)
        ]
        self._layers = self._device.create_buffer(
            size=32 * count, usage=wgpu.BufferUsage.STORAGE | wgpu.BufferUsage.COPY_DST
        )
        frame = self._device.create_buffer_with_data(data=self._frame().tobytes(), usage=wgpu.BufferUsage.UNIFORM)
        first, second = self._pipeline.get_bind_group_layout(0), self._pipeline.get_bind_group_layout(1)
        buffers = [frame, self._layers], self._outs
        bound = [*buffers[0], weights.create_view(dimension="2d-array")]
        bound += [plane.create_view(dimension="2d-array") for plane in self._planes]
        self._groups = (
            self._device.create_bind_group(layout=first, entries=[{"binding": 0, "resource": lights.create_view()}]),
            self._device.create_bind_group(
                layout=second,
                entries=[
                    {"binding": number, "resource": {"buffer": one} if isinstance(one, wgpu.GPUBuffer) else one}
                    for number, one in enumerate([*bound, *buffers[1]])
                ],
            ),
        )

    def merge(self, layers: Sequence[Planes | None], poses: Sequence[Pose] | None = None) -> Planes:
        """Merge one frame; see :meth:`partsong.render.merge.Merger.merge`."""
        if not self._stack.layers:
            return self._like.merge(layers, poses)
        self.send(layers, poses)
        return self.received()

    def send(self, layers: Sequence[Planes | None], poses: Sequence[Pose] | None = None) -> None:
        """Bring one frame's layers to the graphics processor and let it begin."""
        moves = []
        for number, layer in enumerate(self._stack.layers):
            pose = poses[number] if poses else Pose()
            if self.shows[number]:
                given = self._like.fitting(layers[number], layer)
                if not is_whole(pose):
                    given, pose = fast_warped(given, pose, range(self._stack.height)), Pose()
                left, top, right, bottom = self._read_of(number, round(pose.dx_px), round(pose.dy_px))
                for texture, plane, across, down in zip(
                    self._planes, (given.y, given.u, given.v), (self._across, 1, 1), (self._down, 1, 1), strict=True
                ):
                    box = (left * across, top * down, right * across, bottom * down)
                    self._write(texture, plane, (0, 0, number), box)
            moves.append((round(pose.dx_px), round(pose.dy_px)))
        self._device.queue.write_buffer(self._layers, 0, self._settings(moves).tobytes())
        self.run()

    def run(self) -> None:
        """Merge what was sent."""
        encoder = self._device.create_command_encoder()
        begun = encoder.begin_compute_pass()
        begun.set_pipeline(self._pipeline)
        for number, group in enumerate(self._groups):
            begun.set_bind_group(number, group)
        across, down = _WORKGROUP
        begun.dispatch_workgroups(-(-self._words[1] // across), -(-self._cells[1] // down))
        begun.end()
        self._device.queue.submit([encoder.finish()])

    def received(self) -> Planes:
        """Return the frame that was merged last."""
        form, stack = self._form, self._stack
        kind = np.uint8 if form.bit_depth == 8 else np.uint16
        sizes = ((stack.width, stack.height, self._words[0]), *[(*self._cells, self._words[1])] * 2)
        made = []
        for buffer, (width, height, words) in zip(self._outs, sizes, strict=True):
            codes = np.frombuffer(self._device.queue.read_buffer(buffer), np.uint16).reshape(height, words * 2)
            made.append(np.ascontiguousarray(codes[:, :width]).astype(kind, copy=False))
        return Planes(made[0], made[1], made[2], form.bit_depth, form.matrix, form.value_range)

    def _read_of(self, number: int, dx: int, dy: int) -> tuple[int, int, int, int]:
        """Return the box of cells (left, top, right, bottom) that a layer, moved by whole pixels, is read in."""
        runs = self._like.runs[number]
        rows = np.concatenate([runs.copied[:, 0], runs.blended[:, 0]])
        firsts = np.concatenate([runs.copied[:, 1], runs.blended[:, 1]])
        stops = np.concatenate([runs.copied[:, 2], runs.blended[:, 2]])
        columns, lines = self._cells
        low_x, high_x = firsts.min() * self._across - dx, stops.max() * self._across - dx
        low_y, high_y = rows.min() * self._down - dy, (rows.max() + 1) * self._down - dy
        return (
            int(np.clip(low_x // self._across, 0, columns - 1)),
            int(np.clip(low_y // self._down, 0, lines - 1)),
            int(np.clip(-(-high_x // self._across), 1, columns)),
            int(np.clip(-(-high_y // self._down), 1, lines)),
        )

    def _texture(self, size: tuple[int, int, int], kind: str) -> Any:
        import wgpu

        usage = wgpu.TextureUsage.TEXTURE_BINDING | wgpu.TextureUsage.COPY_DST
        return self._device.create_texture(size=size, format=kind, usage=usage)

    def _write(
        self,
        texture: Any,
        plane: NDArray[Any],
        origin: tuple[int, int, int],
        box: tuple[int, int, int, int] | None = None,
    ) -> None:
        """Bring a plane, or a box of it (left, top, right, bottom), to its place in a texture."""
        whole = np.ascontiguousarray(plane)
        height, width = whole.shape
        left, top, right, bottom = box or (0, 0, width, height)
        right, bottom = min(right, width), min(bottom, height)
        self._device.queue.write_texture(
            {"texture": texture, "origin": (origin[0] + left, origin[1] + top, origin[2])},
            whole,
            {
                "offset": (top * width + left) * whole.itemsize,
                "bytes_per_row": width * whole.itemsize,
                "rows_per_image": bottom - top,
            },
            (right - left, bottom - top, 1),
        )

    def _frame(self) -> NDArray[np.uint8]:
        form, stack = self._form, self._stack
        ints = [stack.width, stack.height, self._across, self._down, len(stack.layers), *self._words, 0]
        coding = [
            *pixels.code_scale(form.bit_depth, form.value_range),
            *pixels.LUMA_WEIGHTS[form.matrix],
            (1 << form.bit_depth) - 1,
        ]
        # The coding is a struct of its own: it begins at a multiple of 16 bytes.
        return np.concatenate([np.array(ints, np.int32).view(np.uint8), np.array(coding, np.float32).view(np.uint8)])

    def _settings(self, moves: Sequence[tuple[int, int]]) -> NDArray[np.uint8]:
        rows = []
        for layer, move in zip(self._stack.layers, moves, strict=True):
            gain = np.array(layer.gain, np.float32).view(np.uint8)
            rest = np.array([layer.gain == pixels.NO_GAIN, *move, 0, 0], np.int32).view(np.uint8)
            rows.append(np.concatenate([gain, rest]))
        return np.concatenate(rows)
