"""What a master is made of: for every frame the file, its frame and its colour path; and how a picture fits the frame.

It is made of the film document alone; :mod:`partsong.signoff.paint` turns it into pictures.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

import numpy as np

from partsong.errors import InvalidInput
from partsong.film.coverage import PlacedTake, placed_takes, song_frames
from partsong.film.effects import Stretch, played
from partsong.film.panels import boxes
from partsong.film.records import WIDE, Crop, Effect, Film, PictureInfo
from partsong.media.planes import Planes
from partsong.render.pixels import code_scale, colour_steps
from partsong.signoff.crops import crop_size
from partsong.signoff.edit import shown_frames
from partsong.timebase import Rate, clock, round_half_up

MasterKind = Literal["h264", "mezzanine"]
KINDS: tuple[MasterKind, ...] = ("h264", "mezzanine")
SOUND_RATE_HZ = 48000


@dataclass(frozen=True, slots=True)
class View:
    """Frames of a source in the master's frame, or in a ``box`` of it (left, top, width, height): the picture, fitted.

    With a ``centre``, as shares of the source's picture, only a window of that shape is shown of it.
    """

    source: str
    frames: tuple[int, ...]
    centre: tuple[float, float] | None = None
    box: tuple[int, int, int, int] | None = None


@dataclass(frozen=True, slots=True)
class Piece:
    """A shot of the master: the film's frames from ``start`` to before ``stop`` show these views, mostly one."""

    start: int
    stop: int
    views: tuple[View, ...]

    @property
    def view(self) -> View:
        """The first of its views."""
        return self.views[0]

    def within(self, first: int, stop: int) -> Piece | None:
        """Return the part of it between two frames of the film, or None when there is none."""
        begin, end = max(self.start, first), min(self.stop, stop)
        if begin >= end:
            return None
        part = slice(begin - self.start, end - self.start)
        return Piece(begin, end, tuple(replace(view, frames=view.frames[part]) for view in self.views))


@dataclass(frozen=True, slots=True)
class MasterPlan:
    """The whole master before any file is opened. ``samples`` counts the sound of a channel at 48 kHz.

    Of the film's ``effects`` those on light are laid over its pictures; stutters are in its pieces.
    """

    name: str
    width: int
    height: int
    rate: Rate
    pieces: tuple[Piece, ...]
    samples: int
    effects: tuple[Effect, ...] = ()

    @property
    def frames(self) -> int:
        """How many frames it has."""
        return self.pieces[-1].stop

    @property
    def picture_s(self) -> Fraction:
        """The length of its picture in seconds."""
        return self.frames * self.rate.frame_s

    @property
    def sound_s(self) -> Fraction:
        """The length of its sound in seconds."""
        return Fraction(self.samples, SOUND_RATE_HZ)

    @property
    def sources(self) -> tuple[str, ...]:
        """The sources that it shows, in the order of their first frame."""
        return tuple(dict.fromkeys(view.source for piece in self.pieces for view in piece.views))


def plan_master(film: Film, crop: Crop | None = None) -> MasterPlan:
    """Plan the master of a film, whole or as a crop: its cut from the first frame of the song to the last.

    Raises
    ------
    InvalidInput
        If there is no song, look or cut, the cut leaves a gap, or a take does not reach as far as its shot.
    """
    if film.song is None or film.rate is None or not film.cut:
        raise InvalidInput("The film has no cut yet. Let one be proposed: partsong cut propose FILM")
    if film.look is None:
        raise InvalidInput("The film has no look yet. Set one: partsong look set --help")
    name, (width, height) = file_name(film.name), frame_size(film)
    if crop is not None:
        name, (width, height) = f"{name}-{crop.in_names}", crop_size((width, height), crop.sides)
    frames, at = song_frames(film), 0
    for shot in film.cut:
        if shot.start > at:
            break
        at = shot.end
    if at < frames:
        raise InvalidInput(
            f"The cut shows nothing from {clock(at * film.rate.frame_s)} on (frame {at} of {frames}). "
            "Fill the gap: partsong cut --help"
        )
    placed = {entry.take.id: entry for entry in placed_takes(film)}
    pieces = []
    for stretch in played(film):
        piece = Piece(stretch.start, stretch.end, _views(stretch, placed, (width, height), crop)).within(0, frames)
        if piece is not None:
            pieces.append(piece)
    sound = film.song.mix.sound
    assert sound is not None
    samples = round_half_up(Fraction(sound.samples * SOUND_RATE_HZ, sound.rate_hz))
    return MasterPlan(name, width, height, film.rate, tuple(pieces), samples, film.effects)


def plan_framed(film: Film, crop: Crop) -> MasterPlan:
    """Plan what a crop frames: the shots as they were cut, without effects, that show one picture each.

    Raises
    ------
    InvalidInput
        As :func:`plan_master`.
    """
    plan = plan_master(film.replace(effects=()), crop)
    return replace(plan, pieces=tuple(piece for piece in plan.pieces if len(piece.views) == 1))


def _views(
    stretch: Stretch, placed: Mapping[str, PlacedTake], size: tuple[int, int], crop: Crop | None
) -> tuple[View, ...]:
    def frames(source: str) -> tuple[int, ...]:
        return tuple(stretch.shown) if source == WIDE else shown_frames(stretch, source, placed)

    if stretch.panels:
        return tuple(
            View(panel.source, frames(panel.source), (panel.x, panel.y), box)
            for panel, box in boxes(stretch.panels, *size)
        )
    centre = crop.centre(stretch.source, stretch.opens) if crop is not None else None
    return (View(stretch.source, frames(stretch.source), centre),)


def frame_size(film: Film) -> tuple[int, int]:
    """Return the film's width and height in pixels, made even: its own, else those of the first stage take."""
    if film.width is not None and film.height is not None:
        return film.width // 2 * 2, film.height // 2 * 2
    takes = film.stage_takes()
    if not takes:
        raise InvalidInput("The film has no frame size yet. Add a take first: partsong shoot add FILM FOLDER")
    width, height = takes[0].picture.shown_size
    return width // 2 * 2, height // 2 * 2


def pixel_aspect(picture: PictureInfo) -> Fraction:
    """Return how much wider than high a pixel is shown, once the picture is upright."""
    aspect = Fraction(picture.pixel_aspect_num, picture.pixel_aspect_den)
    return 1 / aspect if picture.rotation_deg in (90, 270) else aspect


def file_name(title: str) -> str:
    """Return a plain file name for a title: small letters, digits and hyphens.

    >>> file_name("Cajón & Bass, live!")
    'cajon-bass-live'
    """
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-") or "master"


def sampled_frames(plan: MasterPlan, count: int = 12) -> tuple[int, ...]:
    """Return frames to look at again: the first, the last, and others spread evenly between."""
    spread = np.linspace(0, plan.frames - 1, min(count, plan.frames))
    return tuple(sorted({round(float(frame)) for frame in spread}))


# --- fitting --------------------------------------------------------------------------------------


def fitted(width: int, height: int, pixel_aspect: Fraction, frame: tuple[int, int]) -> tuple[int, int, int, int]:
    """Return (left, top, width, height) of a picture fitted into a frame whole, centred and unstretched.

    All four are even, so that colour samples stay whole.

    >>> fitted(1440, 1080, Fraction(1), (1280, 720))
    (160, 0, 960, 720)
    """
    shape = Fraction(width) * pixel_aspect / height
    wide, high = frame
    if shape >= Fraction(wide, high):
        across, down = wide, _even(wide / shape)
    else:
        across, down = _even(high * shape), high
    across, down = max(2, min(across, wide)), max(2, min(down, high))
    return (wide - across) // 4 * 2, (high - down) // 4 * 2, across, down


def _even(length: Fraction) -> int:
    return 2 * round_half_up(length / 2)


def on_black(pictures: Sequence[tuple[Planes, int, int]], frame: tuple[int, int]) -> Planes:
    """Lay pictures, each with its left and top edge, on a black frame; one that fills it is returned as it is."""
    wide, high = frame
    form = pictures[0][0]
    if (form.width, form.height) == frame:
        return form
    across, down = colour_steps(form.chroma)
    _, black, _, grey = code_scale(form.bit_depth, form.value_range)
    y = np.full((high, wide), black, form.y.dtype)
    u, v = (np.full((high // down, wide // across), grey, form.u.dtype) for _ in range(2))
    for planes, left, top in pictures:
        y[top : top + planes.height, left : left + planes.width] = planes.y
        for canvas, plane in ((u, planes.u), (v, planes.v)):
            row, column = top // down, left // across
            canvas[row : row + plane.shape[0], column : column + plane.shape[1]] = plane
    return Planes(y, u, v, form.bit_depth, form.matrix, form.value_range)


def psnr(planned: Planes, decoded: Planes) -> float:
    """Return the peak signal-to-noise ratio of two frames' luma in dB; infinite when they are equal.

    The peak is the highest code, ``2**bit_depth - 1``. (Wang et al. 2004 for the definition.)
    """
    if (planned.y.shape, planned.bit_depth) != (decoded.y.shape, decoded.bit_depth):
        raise InvalidInput("Frames of different size or depth cannot be compared.")
    away = np.subtract(planned.y, decoded.y, dtype=np.float32)
    # Row by row in single precision, which holds these sums to a millionth; the rows in double.
    noise = float(np.einsum("ij,ij->i", away, away).sum(dtype=np.float64)) / away.size
    return float("inf") if noise == 0 else float(20 * np.log10((1 << planned.bit_depth) - 1) - 10 * np.log10(noise))
