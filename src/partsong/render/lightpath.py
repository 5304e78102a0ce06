"""From whole frames' planes to scene-linear light and back, by the merge's own tables and kernels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from partsong.errors import InvalidInput
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.curves import COMPUTED_NOWHERE, decoding_table, from_light
from partsong.render.merge import Form, code_coefficients, step_coefficients

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


class LightPath:
    """Decodes and encodes whole frames of one size, form and curve."""

    def __init__(self, curve: ArrayLike, form: Form, width: int, height: int) -> None:
        self._curve, self._form = pixels.checked_curve(curve), form
        self._width, self._height = width, height
        self._across, self._down = pixels.colour_steps(form.chroma)
        self._encode = from_light(self._curve)
        self._decode = decoding_table(self._curve)
        from partsong.render.kernels import BLOCK  # Numba takes over a second to load

        cells, down, room = -(-width // self._across), self._down, -(-width // BLOCK) * BLOCK
        starts = [(row, 0, cells, row * down * room) for row in range(-(-height // down))]
        self._runs = np.array(starts, np.int64).reshape(-1, 4)
        self._weights = np.zeros((height, room), np.float32)
        self._weights[:, :width] = 1

    @property
    def form(self) -> Form:
        """How the frames are written."""
        return self._form

    @property
    def curve(self) -> NDArray[np.float64]:
        """The linear light of the encoding (:mod:`partsong.render.pixels`, Conventions)."""
        return self._curve

    def checked(self, planes: Planes) -> Planes:
        """Return a frame that fits.

        Raises
        ------
        InvalidInput
            If the frame has another size or form.
        """
        if (planes.width, planes.height) != (self._width, self._height) or Form.of(planes) != self._form:
            raise InvalidInput(
                f"A frame of {planes.width} x {planes.height} pixels came where {self._width} x {self._height}, "
                f"{self._form.bit_depth}-bit {self._form.chroma}, was to be added. Bring takes to one form first."
            )
        return planes

    def source(self, planes: Planes, gain: tuple[float, float, float] = pixels.NO_GAIN) -> tuple[Any, ...]:
        """Return what the compiled loops decode a frame by: its planes, the table, gains, coefficients and steps."""
        from partsong.render import kernels

        return (
            *map(kernels.rows, (planes.y, planes.u, planes.v)), self._decode, np.array(gain, np.float32),
            step_coefficients(self._form), self._across, self._down,
        )  # fmt: skip

    def light(self, planes: Planes, gain: tuple[float, float, float] = pixels.NO_GAIN) -> NDArray[np.float32]:
        """Return a frame's scene-linear light times a gain: (height, width, 3).

        Raises
        ------
        InvalidInput
            If the frame has another size or form.
        """
        from partsong.render import kernels

        self.checked(planes)
        light = np.zeros((3, self._weights.size), np.float32)
        on = np.full((len(self._runs), 1), self._weights.shape[1])
        runs = np.concatenate([self._runs, on, self._runs[:, 3:]], axis=1)
        kernels.add_light(
            *map(kernels.rows, (planes.y, planes.u, planes.v)), self._width, light, runs, self._weights.ravel(),
            self._decode, COMPUTED_NOWHERE, np.array(gain, np.float32), step_coefficients(self._form),
            0, 0, self._across, self._down,
        )  # fmt: skip
        return np.ascontiguousarray(np.moveaxis(light.reshape(3, *self._weights.shape)[:, :, : self._width], 0, -1))

    def mean_light(
        self,
        planes: Planes,
        gain: tuple[float, float, float],
        corner: tuple[int, int],
        factor: int,
        asked: NDArray[np.bool_],
        coarse: int,
        out: NDArray[np.float32],
    ) -> None:
        """Write the mean light of squares of ``factor`` pixels, from a corner (top, left) of a frame on, into ``out``.

        Only of those that lie in squares of ``coarse`` pixels of the frame that are ``asked`` for.
        """
        from partsong.render import light_kernels

        light_kernels.mean_light(*self.source(planes, gain), *corner, factor, asked, coarse, out)

    def empty(self) -> Planes:
        """Return a frame to be written by :meth:`encode`."""
        form = self._form
        kind = np.uint8 if form.bit_depth == 8 else np.uint16
        colour = (-(-self._height // self._down), -(-self._width // self._across))
        y, u, v = np.empty((self._height, self._width), kind), np.empty(colour, kind), np.empty(colour, kind)
        return Planes(y, u, v, form.bit_depth, form.matrix, form.value_range)

    def band(self, rows: int) -> NDArray[np.float32]:
        """Return a buffer for the light of some rows, (3, rows, room): rows are padded for the compiled loops."""
        return np.zeros((3, rows, self._weights.shape[1]), np.float32)

    def encode(self, light: NDArray[np.float32], top: int, made: Planes) -> None:
        """Write rows of a frame, from ``top`` on; their light, as :meth:`band` holds it, is overwritten.

        ``top`` and, but for the last rows, their number are multiples of what a colour sample spans.
        """
        from partsong.render import kernels

        first, count = top // self._down, -(-light.shape[1] // self._down)
        runs = self._runs[first : first + count].copy()
        runs[:, 3] -= top * light.shape[2]
        kernels.encode_light(
            light.reshape(3, -1), made.y, made.u, made.v, runs,
            self._encode.values, self._encode.first, self._encode.ends, self._encode.log,
            code_coefficients(self._form), (1 << self._form.bit_depth) - 1, self._across, self._down,
        )  # fmt: skip

    def encoded(self, light: NDArray[np.float32]) -> Planes:
        """Return the frame that shows a light (height, width, 3)."""
        made, planar = self.empty(), self.band(self._height)
        planar[:, :, : self._width] = np.moveaxis(light, -1, 0)
        self.encode(planar, 0, made)
        return made
