"""The live check: a picture that the camera gives now, held against what a take shows."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from pathlib import Path
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from partsong.desk.routes import Route, Wire
from partsong.desk.session import Desk
from partsong.errors import InvalidInput
from partsong.film.folder import key_of
from partsong.film.records import Take
from partsong.media.stills import eight_bits, write_jpeg
from partsong.shoot import live
from partsong.shoot.check import sight_of

_PGM = re.compile(rb"P5\s+(\d{1,5})\s+(\d{1,5})\s+255\s")
_MOST_REFERENCES = 4
_QUALITY = 92  # of 100, of the JPEG encoder
_prepared: OrderedDict[str, live.Prepared] = OrderedDict()
_one_at_a_time = threading.Lock()


class GreyPicture(Wire):
    """A grey picture as the body of a POST, in 8 bits: held in memory while it is looked at, and never written.

    On the wire it is a binary PGM file without comments: "P5", width, height, 255, then rows from the top (Netpbm's
    pgm(5)).
    """

    written: ClassVar[str] = "image/x-portable-graymap"
    in_words: ClassVar[str] = "a grey picture (PGM)"

    width: int
    height: int
    codes: bytes

    @property
    def luma(self) -> NDArray[np.uint8]:
        """The picture, (height, width)."""
        return np.frombuffer(self.codes, np.uint8).reshape(self.height, self.width)

    @classmethod
    def read(cls, body: bytes) -> Self:
        """Read such a file.

        Raises
        ------
        InvalidInput
            If it is no such file, or holds more or fewer pixels than it says.
        """
        head = _PGM.match(body)
        if head is None:
            raise InvalidInput("This is no grey picture of 8 bits (binary PGM).")
        width, height = int(head[1]), int(head[2])
        codes = body[head.end() :]
        if not width * height or len(codes) != width * height:
            raise InvalidInput(f"A picture of {width} x {height} pixels does not hold {len(codes)}.")
        return cls(width=width, height=height, codes=codes)


class LiveTold(Wire):
    """What was read from one picture: in words, the way back included, and as numbers in the take's own pixels.

    ``right_px`` and ``down_px`` say where the picture lies against the reference; 0 where ``same_room`` is false.
    """

    words: tuple[str, ...]
    same_room: bool
    moved: bool
    sure: bool
    right_px: float
    down_px: float
    error_px: float


def compared(desk: Desk, take: str, picture: GreyPicture) -> LiveTold:
    """Hold a picture against a take; nothing of it is kept."""
    # A camera's screen output is seldom encoded as what it records, so only place and focus are told.
    told = live.compare(_reference(desk, desk.head().film.take(take)), picture.luma, same_encoding=False)
    right, down = told.shift_px
    return LiveTold(
        words=told.words,
        same_room=told.same_room,
        moved=told.moved,
        sure=told.sure,
        right_px=round(right, 3),
        down_px=round(down, 3),
        error_px=round(told.error_px, 3),
    )


def reference(desk: Desk, take: str) -> Path:
    """Return what a take shows as a small grey JPEG: the median of its frames, without a player who moves."""
    chosen = desk.head().film.take(take)
    out = desk.folder.cached("references", key_of("reference", chosen.clip.file.fingerprint), ".jpg")
    if not out.is_file():
        write_jpeg(out, eight_bits(sight_of(desk.folder, chosen).still), quality=_QUALITY)
    return out


def _reference(desk: Desk, take: Take) -> live.Prepared:
    key = key_of(str(desk.folder.root), take.clip.file.fingerprint)
    with _one_at_a_time:
        if key not in _prepared:
            _prepared[key] = live.prepared_of(sight_of(desk.folder, take))
            while len(_prepared) > _MOST_REFERENCES:
                _prepared.popitem(last=False)
        _prepared.move_to_end(key)
        return _prepared[key]


ROUTES = (
    Route(
        "POST", "/api/shoot/live/{take}", compared, LiveTold, "Hold what the camera sees against a take.", GreyPicture
    ),
    Route("GET", "/media/shoot/reference/{take}", reference, "image/jpeg", "What a take shows, in greys."),
)
