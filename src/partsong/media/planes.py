"""One frame of picture as code values in planes: what decoders give and encoders take."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from numpy.typing import NDArray

Matrix = Literal["bt709", "bt601", "bt2020nc"]
ValueRange = Literal["limited", "full"]
Chroma = Literal["420", "422", "444"]


@dataclass(frozen=True, slots=True)
class Planes:
    """A frame in Y'CbCr.

    ``y`` has shape (height, width); ``u`` and ``v`` are as large or, by ``chroma``, halved in width (``422``) or both
    ways (``420``), sizes rounded up. Values are whole codes from 0 to ``2**bit_depth - 1``: uint8 at 8 bits, uint16
    above. Arrays may be views of a decoder's memory: do not write to them.
    """

    y: NDArray[Any]
    u: NDArray[Any]
    v: NDArray[Any]
    bit_depth: int
    matrix: Matrix
    value_range: ValueRange

    @property
    def width(self) -> int:
        """Pixels across."""
        return int(self.y.shape[1])

    @property
    def height(self) -> int:
        """Pixels down."""
        return int(self.y.shape[0])

    @property
    def chroma(self) -> Chroma:
        """How the colour planes are sampled."""
        if self.u.shape == self.y.shape:
            return "444"
        return "422" if self.u.shape[0] == self.y.shape[0] else "420"
