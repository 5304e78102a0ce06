"""The film document: every record of it, immutable and validated.

A :class:`Film` holds the whole state of one film. Changing something means building a new film with
:meth:`Record.replace` and handing it to the store, which keeps every revision. Lengths on the picture
are pixels of the film's frame, with x to the right and y down from the top left corner.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from itertools import pairwise
from typing import Annotated, Literal, Self, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from partsong.errors import InvalidInput, NoSuchRecord
from partsong.timebase import Rate, Time

SCHEMA: Literal[2] = 2
"""The version of the document written by this code; :mod:`partsong.film.migrations` brings older ones up."""

WIDE = "wide"
"""The source of a shot that shows the merged wide picture instead of one take."""

Confidence = Literal["sure", "likely", "ask", "none"]
DelayFrom = Literal["measured", "planned", "assumed"]
Verdict = Literal["clear to strike", "look first", "do not strike"]
Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=80)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Natural = Annotated[int, Field(gt=0)]
Count = Annotated[int, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]


class Record(BaseModel):
    """The base of all records: frozen, nothing unknown, nothing coerced."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    @classmethod
    def of(cls, **values: object) -> Self:
        """Return a record of values that a person gave.

        Raises
        ------
        InvalidInput
            If they break a rule of the document.
        """
        try:
            return cls(**values)
        except ValidationError as problem:
            raise InvalidInput(sentence_of(problem)) from problem

    def replace(self, **changes: object) -> Self:
        """Return a copy with some fields changed, validated like a new record.

        Raises
        ------
        InvalidInput
            If the result would break a rule of the document.
        """
        return type(self).of(**{**{name: getattr(self, name) for name in type(self).model_fields}, **changes})


def sentence_of(problem: ValidationError) -> str:
    """Return the first complaint of a validation as one sentence."""
    first = problem.errors(include_url=False)[0]
    where = ".".join(str(step) for step in first["loc"])
    text = first["msg"].removeprefix("Value error, ")
    return f"{where}: {text}" if where else text


# --- media ----------------------------------------------------------------------------------------


class MediaFile(Record):
    """A file of the person's own, never written to.

    ``path`` is relative to the folder that holds the film's folder when the file lies beneath it, and
    absolute otherwise. ``fingerprint`` is a sampled content hash (:func:`partsong.film.folder.fingerprint`).
    """

    path: str
    size_bytes: Natural
    fingerprint: Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]


class Timecode(Record):
    """The timecode of a clip's first frame: a frame count from 00:00:00:00 and how labels are counted."""

    frame: Count
    drop: bool = False


class PictureInfo(Record):
    """What a file says of its picture. ``unknown`` is kept as such and asked about, never guessed silently.

    ``width`` and ``height`` are as stored, before ``rotation_deg`` (clockwise) is applied for display.
    """

    codec: str
    width: Natural
    height: Natural
    pixel_aspect_num: Natural = 1
    pixel_aspect_den: Natural = 1
    rotation_deg: Literal[0, 90, 180, 270] = 0
    rate: Rate
    variable_rate: bool = False
    frames: Natural
    pixel_format: str
    bit_depth: Annotated[int, Field(ge=8, le=16)]
    matrix: str = "unknown"
    value_range: Literal["limited", "full", "unknown"] = "unknown"
    primaries: str = "unknown"
    transfer: str = "unknown"
    timecode: Timecode | None = None

    @property
    def shown_size(self) -> tuple[int, int]:
        """Width and height in pixels as shown, after the rotation."""
        return (self.height, self.width) if self.rotation_deg in (90, 270) else (self.width, self.height)


class SoundInfo(Record):
    """What a file says of its sound; ``samples`` is a channel's length at ``rate_hz``."""

    codec: str
    rate_hz: Natural
    channels: Natural
    layout: str
    samples: Natural


class Clip(Record):
    """One media file and what is in it."""

    file: MediaFile
    container: str
    duration: Time
    picture: PictureInfo | None = None
    sound: SoundInfo | None = None


# --- song -----------------------------------------------------------------------------------------


class TempoMark(Record):
    """From this bar on, this tempo: ``bpm_num/bpm_den`` beats a minute, the bar's first beat at ``at``."""

    bar: Natural
    at: Time
    beats_per_bar: Natural = 4
    bpm_num: Natural
    bpm_den: Natural = 1

    @property
    def beat_s(self) -> Fraction:
        """The length of a beat in seconds."""
        return Fraction(60 * self.bpm_den, self.bpm_num)


class Section(Record):
    """A named stretch of the song that starts on a bar line."""

    name: str
    bar: Natural


class Stem(Record):
    """The mix's ingredient of one part, on the mix's own time line."""

    part: Id
    clip: Clip


class Song(Record):
    """The finished mix, its stems and its tempo map. Song time 0 is the first sample of the mix."""

    title: str
    mix: Clip
    stems: tuple[Stem, ...] = ()
    tempo: tuple[TempoMark, ...] = ()
    sections: tuple[Section, ...] = ()

    @property
    def length_s(self) -> Fraction:
        """The length of the mix in seconds."""
        return self.mix.duration.seconds

    def stem_of(self, part: str) -> Clip | None:
        """Return a part's stem, if there is one."""
        return next((stem.clip for stem in self.stems if stem.part == part), None)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.mix.sound is None:
            raise ValueError("the mix has no sound; give the finished mix as a sound file")
        for name, bars in (("tempo", self.tempo), ("sections", self.sections)):
            numbers = [entry.bar for entry in bars]
            if numbers != sorted(set(numbers)):
                raise ValueError(f"the {name} must name each bar once, in rising order")
        times = [mark.at.seconds for mark in self.tempo]
        if times != sorted(set(times)):
            raise ValueError("the tempo marks must follow each other in time")
        return self


# --- what is shot ---------------------------------------------------------------------------------


class Part(Record):
    """What the musician plays in one pass, in score order. ``distance_m`` is from the sound to the camera."""

    id: Id
    name: str
    distance_m: Positive | None = None


class PlannedCamera(Record):
    """The locked-off camera of a plan: at the origin, ``height_m`` above the floor, looking along y.

    ``tilt_deg`` is above 0 where it looks up, ``sensor_mm`` the sensor's width, ``shutter`` the 50 of 1/50 s.
    """

    focal_mm: Positive = 24.0
    sensor_mm: Positive = 36.0
    height_m: Positive = 1.5
    tilt_deg: Annotated[float, Field(ge=-60, le=60)] = 0.0
    focus_m: Positive = 4.0
    f_number: Positive = 4.0
    iso: Positive = 800.0
    shutter: Positive = 50.0


class PlannedRoom(Record):
    """The room of a plan: how far its walls are from the camera to the left, the right and the back; its ceiling."""

    left_m: Positive
    right_m: Positive
    back_m: Positive
    height_m: Positive


class PlannedSpot(Record):
    """Where a part is to be played, and how wide and high player and instrument are together."""

    part: Id
    x_m: Finite
    y_m: Positive
    width_m: Positive = 1.2
    height_m: Positive = 1.8


class PlannedLamp(Record):
    """A lamp that is on in the takes of one part and looks at the part's spot.

    ``beam_deg`` is the full angle within which it gives at least half of its ``candela``, those of its middle.
    """

    id: Id
    part: Id
    x_m: Finite
    y_m: Finite
    height_m: Positive = 2.4
    hangs: bool = False
    beam_deg: Annotated[float, Field(gt=0, lt=180)] = 40.0
    candela: Positive | None = None
    watts: Positive | None = None


class Plan(Record):
    """Stage and light as planned, in metres from the camera: x to the right of the frame, y into the room.

    ``ambient_lux`` is the light that is there in every take.
    """

    camera: PlannedCamera = PlannedCamera()
    room: PlannedRoom | None = None
    ambient_lux: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    spots: tuple[PlannedSpot, ...] = ()
    lamps: tuple[PlannedLamp, ...] = ()

    def spot_of(self, part: str) -> PlannedSpot | None:
        """Return where a part is to be played, if that was planned."""
        return next((spot for spot in self.spots if spot.part == part), None)

    def distance_m(self, part: str) -> float | None:
        """Return how far a part's spot is from the lens, at half of the spot's height; None where none is planned."""
        spot = self.spot_of(part)
        return None if spot is None else math.hypot(spot.x_m, spot.y_m, spot.height_m / 2 - self.camera.height_m)

    def lamps_of(self, part: str) -> tuple[PlannedLamp, ...]:
        """Return the lamps that are on in the takes of a part."""
        return tuple(lamp for lamp in self.lamps if lamp.part == part)


class Cdl(Record):
    """A grade after the ASC Color Decision List, version 1.2, in the form that is not clamped.

    On each channel ``(in * slope + offset) ** power`` (a negative base stays as it is), then ``saturation`` about the
    luma weights of BT.709. What stands for ``in`` is said where a grade is used.
    """

    slope: tuple[Positive, Positive, Positive] = (1.0, 1.0, 1.0)
    offset: tuple[Finite, Finite, Finite] = (0.0, 0.0, 0.0)
    power: tuple[Positive, Positive, Positive] = (1.0, 1.0, 1.0)
    saturation: Annotated[float, Field(ge=0, le=16)] = 1.0

    @property
    def is_gain(self) -> bool:
        """Whether it is a slope alone, as a merge in scene-linear light can use."""
        return self == Cdl(slope=self.slope)


class Take(Record):
    """One recording. ``input_space`` names a colour space of the film's OpenColorIO config, once known.

    ``slate`` is what the slate or the scene is called, in the person's own words.

    ``distance_m`` is from the sound to this take's camera, where it differs from the part's or there is no part.
    ``grade`` acts in scene-linear light of the camera's own primaries, before the look. A stage take has none here: the
    merge takes a gain, and that is its match (:meth:`Film.grade_of`).
    """

    id: Id
    kind: Literal["stage", "roaming"]
    part: Id | None = None
    clip: Clip
    input_space: str | None = None
    distance_m: Positive | None = None
    grade: Cdl | None = None
    circled: bool = False
    slate: str = ""
    notes: str = ""

    @model_validator(mode="after")
    def _shows_something(self) -> Self:
        if self.clip.picture is None:
            raise ValueError("a take needs picture")
        if self.kind == "stage" and self.part is None:
            raise ValueError("a stage take needs a part")
        if self.kind == "stage" and self.grade is not None:
            raise ValueError("a stage take's grade is its match, a gain on its light, so that it can be merged")
        return self

    @property
    def picture(self) -> PictureInfo:
        """What the take's file says of its picture."""
        assert self.clip.picture is not None
        return self.clip.picture


class Plate(Record):
    """A clip of the room without the player: lit like one part, or by ambient light alone."""

    id: Id
    clip: Clip
    part: Id | None = None


class Region(Record):
    """An upright box on the frame, in pixels."""

    x: Finite
    y: Finite
    width: Positive
    height: Positive


class Finding(Record):
    """Something noticed about a take: where, when (in the take), how big, what to do.

    ``moved_px`` is how far what was found has moved, right and down in pixels of the take, where it did; ``was`` is
    where it stood before, of which that is the middle's way, and ``turned_deg`` how far it turned, clockwise.
    """

    take: Id
    kind: str
    sentence: str
    advice: str
    verdict: Verdict
    at: Time | None = None
    region: Region | None = None
    size: Finite | None = None
    unit: str = ""
    moved_px: tuple[Finite, Finite] | None = None
    was: Region | None = None
    turned_deg: Finite | None = None


class Judgement(Record):
    """What a take was said to be when it was looked at; ``unseen`` is what could not be told, a sentence each."""

    take: Id
    verdict: Verdict
    sentence: str
    unseen: tuple[str, ...] = ()


# --- lineup ---------------------------------------------------------------------------------------


class Candidate(Record):
    """A place where a take might sit, with the score that the search gave it (higher is better)."""

    start: Time
    score: Finite


class Witness(Record):
    """What another take says of a take's place: that it is right, that it is not, or where else it is.

    ``by`` names what they share, and ``apart_ms`` how far the place lies from the one that the other take points to.
    """

    take: Id
    by: Literal["sound", "timecode"]
    says: Literal["agrees", "contradicts", "places"]
    apart_ms: Finite | None = None


class Evidence(Record):
    """What a placement rests on.

    ``method`` names the comparison, ``windows`` how many stretches of the take agreed out of
    ``windows_tried``, ``spread_ms`` how far they lie from the line through them (median), and
    ``margin`` how far the best candidate stands above the runner-up (0 to 1). ``witnesses`` are other takes.
    """

    method: str
    windows: Count = 0
    windows_tried: Count = 0
    spread_ms: Finite | None = None
    margin: Finite | None = None
    witnesses: tuple[Witness, ...] = ()


class Alone(Record):
    """What a take's own sound and picture said of its place, before other takes were asked; see :class:`Placement`."""

    confidence: Confidence
    start: Time | None = None
    drift_ppm: Finite = 0.0
    candidates: tuple[Candidate, ...] = ()
    evidence: Evidence | None = None
    sentence: str = ""


class Placement(Record):
    """Where a take's picture sits on the song.

    The take's first frame is shown at song time ``start`` (negative when it ran before the song did), and
    song time advances ``1 + drift_ppm * 1e-6`` seconds a second of the take's own clock. ``arrival_delay`` is how
    late sound reached the camera; it is known apart from ``start`` and never part of it. ``delay_from`` says what it
    rests on: a distance that was measured, the planned one, or none. ``alone`` is kept where other takes changed the
    answer.
    """

    take: Id
    confidence: Confidence
    start: Time | None = None
    drift_ppm: Finite = 0.0
    arrival_delay: Time | None = None
    delay_from: DelayFrom = "assumed"
    by_hand: bool = False
    candidates: tuple[Candidate, ...] = ()
    evidence: Evidence | None = None
    sentence: str = ""
    alone: Alone | None = None

    @model_validator(mode="after")
    def _placed_or_not(self) -> Self:
        if self.confidence in ("sure", "likely") and self.start is None:
            raise ValueError(f"a placement that is {self.confidence} needs a start")
        if self.confidence == "none" and self.start is not None:
            raise ValueError("a placement that is none has no start")
        return self


# --- stage ----------------------------------------------------------------------------------------


class Oval(Record):
    """An ellipse on the frame: centre, radii and rotation (degrees, clockwise on screen)."""

    kind: Literal["oval"] = "oval"
    x: Finite
    y: Finite
    rx: Positive
    ry: Positive
    rotation_deg: Finite = 0.0


class Point(Record):
    """A point of the frame, in pixels."""

    x: Finite
    y: Finite


class Curve(Record):
    """A closed curve, smooth through its points in their order."""

    kind: Literal["curve"] = "curve"
    points: Annotated[tuple[Point, ...], Field(min_length=3)]


Shape = Annotated[Oval | Curve, Field(discriminator="kind")]


class MaskKey(Record):
    """The shape of a mask at one frame of the song."""

    frame: Count
    shape: Shape


class Mask(Record):
    """The soft shape through which a stage take shows; ``feather_px`` is the width of its edge.

    ``shape`` holds all through the song unless there are ``keys``: then it changes straight from one key to the next,
    held before the first and after the last.
    """

    take: Id
    shape: Shape
    feather_px: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    keys: tuple[MaskKey, ...] = ()
    by_hand: bool = False

    @model_validator(mode="after")
    def _keys_fit(self) -> Self:
        frames = [key.frame for key in self.keys]
        if frames != sorted(set(frames)):
            raise ValueError(f"the keys of {self.take}'s mask must name each frame once, in rising order")
        for key in self.keys:
            if key.shape.kind != self.shape.kind or _corners(key.shape) != _corners(self.shape):
                raise ValueError(
                    f"the mask of {self.take} cannot change from one kind of shape, or number of points, to another"
                )
        return self


def _corners(shape: Oval | Curve) -> int:
    return len(shape.points) if isinstance(shape, Curve) else 0


class Pose(Record):
    """How a picture lies against the reference, and so how it is moved onto it.

    A point of the take at (x, y) from the frame's centre belongs on the reference at ``scale`` times (x, y), turned by
    ``rotation_deg`` (clockwise on screen), plus (``dx_px``, ``dy_px``). Pixels, x right, y down.
    """

    dx_px: Finite = 0.0
    dy_px: Finite = 0.0
    rotation_deg: Finite = 0.0
    scale: Positive = 1.0


class PoseKey(Record):
    """The pose at one frame of a take."""

    frame: Count
    pose: Pose


class Registration(Record):
    """How a take's picture is moved onto the reference, over the take.

    Between keys the pose changes straight; it is held before the first and after the last. A knock is two keys on
    neighbouring frames; a camera that stood still has one.
    """

    take: Id
    keys: Annotated[tuple[PoseKey, ...], Field(min_length=1)]
    certainty: Annotated[float, Field(ge=0, le=1)] = 0.0
    sentence: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        frames = [key.frame for key in self.keys]
        if frames != sorted(set(frames)):
            raise ValueError(f"the poses of {self.take} must name each frame once, in rising order")
        return self

    @property
    def first(self) -> Pose:
        """The pose at the take's beginning."""
        return self.keys[0].pose

    def at(self, frame: int) -> Pose:
        """Return the pose at a frame of the take."""
        after = next((number for number, key in enumerate(self.keys) if key.frame >= frame), None)
        if after is None:
            return self.keys[-1].pose
        key = self.keys[after]
        if after == 0 or key.frame == frame:
            return key.pose
        before = self.keys[after - 1]
        share = (frame - before.frame) / (key.frame - before.frame)
        names = ("dx_px", "dy_px", "rotation_deg", "scale")
        ends = [(getattr(before.pose, name), getattr(key.pose, name)) for name in names]
        return Pose(**{name: a + share * (b - a) for name, (a, b) in zip(names, ends, strict=True)})

    def moves_at(self, frame: int) -> bool:
        """Say whether the camera is on its way from one pose to another at a frame of the take."""
        return any(one.frame < frame < other.frame and one.pose != other.pose for one, other in pairwise(self.keys))


class Match(Record):
    """What a take's scene-linear red, green and blue are multiplied by to match the reference's light.

    ``known`` is False where exposure cannot be told from where the light stands; the gain is then one.
    """

    take: Id
    gain: tuple[Positive, Positive, Positive] = (1.0, 1.0, 1.0)
    known: bool = False
    by_hand: bool = False
    sentence: str = ""


class Patch(Record):
    """Pixels of another take or of a plate, laid over a fault; from song frame ``start`` to before ``end`` if given."""

    source: Id
    shape: Shape
    feather_px: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    gain: tuple[Positive, Positive, Positive] = (1.0, 1.0, 1.0)
    start: Count | None = None
    end: Natural | None = None


class Stage(Record):
    """How the stage takes are merged. ``order`` lists takes from the bottom up; the first fills the frame.

    ``method`` says how: ``masks`` layers takes through their masks; ``light-sum`` adds the takes' light; ``combined``
    adds the room's light and lays the players over it. ``patches`` lie on top, the last one highest.
    """

    reference: Id | None = None
    method: Literal["masks", "light-sum", "combined"] = "masks"
    order: tuple[Id, ...] = ()
    masks: tuple[Mask, ...] = ()
    registrations: tuple[Registration, ...] = ()
    matches: tuple[Match, ...] = ()
    patches: tuple[Patch, ...] = ()

    def mask_of(self, take: str) -> Mask | None:
        """Return a take's mask, if it has one."""
        return next((mask for mask in self.masks if mask.take == take), None)

    def registration_of(self, take: str) -> Registration | None:
        """Return a take's registration, if it was measured."""
        return next((found for found in self.registrations if found.take == take), None)

    def match_of(self, take: str) -> Match | None:
        """Return a take's match, if it was solved."""
        return next((found for found in self.matches if found.take == take), None)


# --- look and cut ---------------------------------------------------------------------------------


class ChannelMix(Record):
    """Weights of scene-linear red, green and blue in a black-and-white picture; they sum to one."""

    red: Finite
    green: Finite
    blue: Finite

    @model_validator(mode="after")
    def _keeps_grey(self) -> Self:
        if abs(self.red + self.green + self.blue - 1) > 1e-6:
            raise ValueError("the weights of a black-and-white mix must sum to 1")
        return self


class Tint(Record):
    """Colour laid over a picture by its light: towards ``shadows`` where it is dark, ``highlights`` where bright.

    Both are red, green and blue, of which only the proportions count: luminance stays.
    """

    shadows: tuple[Positive, Positive, Positive] = (1.0, 1.0, 1.0)
    highlights: tuple[Positive, Positive, Positive] = (1.0, 1.0, 1.0)


class BlackCurve(Record):
    """Brings a lifted black to zero: ``level`` becomes 0, and from ``keep`` upwards nothing changes.

    Both are display code from 0 to 1 of red, green and blue.
    """

    level: tuple[Share, Share, Share]
    keep: tuple[Share, Share, Share]

    @model_validator(mode="after")
    def _has_room(self) -> Self:
        for level, keep in zip(self.level, self.keep, strict=True):
            if keep <= level:
                raise ValueError(f"a black level of {100 * level:.2f} % cannot keep {100 * keep:.2f} % as it is")
        return self


class Texture(Record):
    """What is laid over the finished picture; nothing unless asked for.

    ``grain_percent`` is the standard deviation of the grain at half signal, ``grain_px`` how wide a grain is in pixels
    of the master, and ``vignette_stops`` how much darker its corners get.
    """

    grain_percent: Annotated[float, Field(ge=0, le=10)] = 0.0
    grain_px: Annotated[float, Field(ge=1, le=8)] = 1.0
    vignette_stops: Annotated[float, Field(ge=0, le=3)] = 0.0


LookStep = Literal["exposure", "cdl", "contrast", "colour", "tint"]
"""The steps of a look that act in scene-linear light."""


class Look(Record):
    """The whole colour path from camera to display.

    ``config`` is the full name of a built-in OpenColorIO config or the path of the person's own;
    ``input_space`` stands for takes that name none. In scene-linear light act, by ``order``: ``exposure_stops``;
    ``cdl``; ``contrast`` about ``pivot``, a scene-linear value; colour (``saturation``, or ``black_and_white``);
    ``tint``. Then ``display`` and ``view`` make display code of it, ``table`` is a ``.cube`` on that code, ``black``
    brings its floor to zero, and ``texture`` lies over the picture. Where ``table_space`` is named, the table takes
    light in that encoding and gives display code, in the place of the view.
    """

    config: str
    input_space: str | None = None
    exposure_stops: Annotated[float, Field(ge=-16, le=16)] = 0.0
    cdl: Cdl | None = None
    contrast: Annotated[float, Field(gt=0, le=8)] = 1.0
    pivot: Annotated[float, Field(gt=0, le=16)] = 0.18
    saturation: Annotated[float, Field(ge=0, le=4)] = 1.0
    black_and_white: ChannelMix | None = None
    tint: Tint | None = None
    order: tuple[LookStep, ...] = get_args(LookStep)
    display: str
    view: str
    table: MediaFile | None = None
    table_space: str | None = None
    black: BlackCurve | None = None
    texture: Texture | None = None

    @model_validator(mode="after")
    def _each_step_once(self) -> Self:
        steps = get_args(LookStep)
        if sorted(self.order) != sorted(steps):
            raise ValueError(f"the order must name each of {', '.join(steps)} once")
        return self


class Panel(Record):
    """A part of the frame with a source of its own: the window of its picture that fits, about a point of it."""

    source: Id
    x: Share = 0.5
    y: Share = 0.5


MOST_PANELS = 9


class Shot(Record):
    """One entry of the cut list: a source (``wide`` or a take) from song frame ``start`` to before ``end``.

    With ``panels`` the frame is parted evenly into rows, from the top, and these into panels, from the left; ``source``
    is then that of the first.
    """

    source: Id
    start: Count
    end: Natural
    panels: tuple[tuple[Panel, ...], ...] = ()

    @model_validator(mode="after")
    def _has_length(self) -> Self:
        if self.end <= self.start:
            raise ValueError(f"the shot of {self.source} at frame {self.start} must end after it starts")
        return self

    @model_validator(mode="after")
    def _panels_fit(self) -> Self:
        if self.panels:
            count = sum(len(row) for row in self.panels)
            if not all(self.panels) or not 2 <= count <= MOST_PANELS:
                raise ValueError(f"the shot at frame {self.start} must have 2 to {MOST_PANELS} panels, no row empty")
            if self.panels[0][0].source != self.source:
                raise ValueError(f"the shot at frame {self.start} must be named after its first panel")
        return self

    @property
    def sources(self) -> tuple[str, ...]:
        """What it shows, each once."""
        return tuple(dict.fromkeys(panel.source for row in self.panels for panel in row)) or (self.source,)


class _Effect(Record):
    """What is done to the film's picture from song frame ``start`` to before ``end``."""

    start: Count
    end: Natural

    @model_validator(mode="after")
    def _within(self) -> Self:
        if self.end <= self.start:
            raise ValueError(f"the effect at frame {self.start} must end after it starts")
        moments = self.moments
        if list(moments) != sorted(set(moments)) or any(not self.start <= one < self.end for one in moments):
            raise ValueError(f"the moments of the effect at frame {self.start} must rise and lie within it")
        return self

    @property
    def moments(self) -> tuple[int, ...]:
        """The frames at which something happens within it."""
        return ()


class Flicker(_Effect):
    """The light dips: at each frame of ``dips`` by ``depth_stops``, and is back half-way to the next one."""

    kind: Literal["flicker"] = "flicker"
    dips: Annotated[tuple[Count, ...], Field(min_length=1)]
    depth_stops: Annotated[float, Field(gt=0, le=6)]

    @property
    def moments(self) -> tuple[int, ...]:
        """The frames at which the light dips."""
        return self.dips


class Stutter(_Effect):
    """The picture of its first frames is shown again: at each frame of ``again`` it begins anew from ``start``."""

    kind: Literal["stutter"] = "stutter"
    again: Annotated[tuple[Count, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _shows_something_first(self) -> Self:
        if self.again[0] == self.start:
            raise ValueError(f"the stutter at frame {self.start} must show something before it begins anew")
        return self

    @property
    def moments(self) -> tuple[int, ...]:
        """The frames at which the picture begins anew."""
        return self.again


Side = Literal["left", "right", "top", "bottom"]


class Leak(_Effect):
    """Light falls in from a side of the picture, comes and goes once.

    It lies about the point ``at`` of that side (a share of it, from the left or the top) and reaches ``reach`` of the
    picture's width. ``colour`` is its red, green and blue in display code where and when it is brightest.
    """

    kind: Literal["leak"] = "leak"
    side: Side = "right"
    at: Share = 0.5
    reach: Annotated[float, Field(ge=0.05, le=2)] = 0.8
    colour: tuple[Share, Share, Share] = (0.8, 0.42, 0.16)


Effect = Annotated[Flicker | Stutter | Leak, Field(discriminator="kind")]


class CropMark(Record):
    """Where a crop is centred in the shots of a source that begin at frame ``start`` or later, until the next mark.

    ``x`` and ``y`` are shares of that source's picture, upright, from its left and upper edge.
    """

    source: Id
    start: Count
    x: Share = 0.5
    y: Share = 0.5


class Crop(Record):
    """A master of another shape, such as ``9:16`` (wide to high): a window of it on every picture of the cut."""

    shape: str
    marks: tuple[CropMark, ...] = ()

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not re.fullmatch(r"[1-9][0-9]?:[1-9][0-9]?", self.shape):
            raise ValueError(
                f"{self.shape!r} is no shape; write its width and height, of one or two digits, such as 9:16"
            )
        across, down = self.sides
        if not 1 / 3 <= across / down <= 3:
            raise ValueError(f"a crop of {self.shape} is too thin; its longer side may be three times its shorter one")
        places = [(mark.source, mark.start) for mark in self.marks]
        if places != sorted(set(places)):
            raise ValueError(f"the marks of the crop {self.shape} must be in order of source and frame, each once")
        return self

    @property
    def sides(self) -> tuple[int, int]:
        """The two numbers of its shape."""
        across, down = self.shape.split(":")
        return int(across), int(down)

    @property
    def in_names(self) -> str:
        """Its shape as names of files have it, such as ``9x16``."""
        return self.shape.replace(":", "x")

    def centre(self, source: str, start: int) -> tuple[float, float]:
        """Return where it is centred in the shot of a source that begins at a frame: the middle, unless marked."""
        marks = [mark for mark in self.marks if mark.source == source and mark.start <= start]
        return (marks[-1].x, marks[-1].y) if marks else (0.5, 0.5)


# --- the film -------------------------------------------------------------------------------------


class Film(Record):
    """The whole document. ``rate``, ``width`` and ``height`` are those of the first stage take, or of the
    longest take while there is none, unless given.

    The frames of ``cut`` and ``effects`` are frames of song time at ``rate``: frame 0 starts with the mix.
    """

    schema_version: Literal[2] = SCHEMA
    name: str
    rate: Rate | None = None
    width: Natural | None = None
    height: Natural | None = None
    song: Song | None = None
    parts: tuple[Part, ...] = ()
    plan: Plan = Plan()
    takes: tuple[Take, ...] = ()
    plates: tuple[Plate, ...] = ()
    findings: tuple[Finding, ...] = ()
    judgements: tuple[Judgement, ...] = ()
    placements: tuple[Placement, ...] = ()
    stage: Stage = Stage()
    look: Look | None = None
    cut: tuple[Shot, ...] = ()
    effects: tuple[Effect, ...] = ()
    crops: tuple[Crop, ...] = ()

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        parts = _unique("part", [part.id for part in self.parts])
        takes = _unique("take", [take.id for take in self.takes])
        plates = _unique("plate", [plate.id for plate in self.plates])
        if both := takes & plates:
            raise ValueError(f"a take and a plate are both called {min(both)!r}")
        _unique("judgement of take", [judged.take for judged in self.judgements])
        _unique("placement of take", [placement.take for placement in self.placements])
        _unique("mask of take", [mask.take for mask in self.stage.masks])
        _unique("registration of take", [found.take for found in self.stage.registrations])
        _unique("match of take", [match.take for match in self.stage.matches])
        _unique("layer", list(self.stage.order))
        _unique("crop", [crop.shape for crop in self.crops])
        stems = [stem.part for stem in self.song.stems] if self.song else []
        _unique("stem of part", stems)
        _unique("spot of part", [spot.part for spot in self.plan.spots])
        _unique("lamp", [lamp.id for lamp in self.plan.lamps])
        named_parts = [
            *stems,
            *(take.part for take in self.takes),
            *(plate.part for plate in self.plates),
            *(spot.part for spot in self.plan.spots),
            *(lamp.part for lamp in self.plan.lamps),
        ]
        _known("part", parts, [name for name in named_parts if name is not None])
        stage = self.stage
        named_takes = [
            *(finding.take for finding in self.findings),
            *(judged.take for judged in self.judgements),
            *(placement.take for placement in self.placements),
            *(mask.take for mask in stage.masks),
            *(found.take for found in stage.registrations),
            *(match.take for match in stage.matches),
            *stage.order,
            *([stage.reference] if stage.reference else []),
            *(source for shot in self.cut for source in shot.sources if source != WIDE),
            *(mark.source for crop in self.crops for mark in crop.marks if mark.source != WIDE),
        ]
        _known("take", takes, named_takes)
        _known("take or plate", takes | plates, [patch.source for patch in stage.patches])
        if WIDE in takes:
            raise ValueError(f"no take may be called {WIDE!r}; that is the merged picture")
        for earlier, later in zip(self.cut, self.cut[1:], strict=False):
            if later.start < earlier.end:
                raise ValueError(f"the shots at frames {earlier.start} and {later.start} overlap or are out of order")
        if (self.cut or self.effects) and self.rate is None:
            raise ValueError("a cut needs the film's frame rate")
        if [effect.start for effect in self.effects] != sorted(effect.start for effect in self.effects):
            raise ValueError("the effects are not in the order of their frames")
        for one, next_one in pairwise(effect for effect in self.effects if effect.kind == "stutter"):
            if next_one.start < one.end:
                raise ValueError(f"the stutters at frames {one.start} and {next_one.start} overlap")
        return self

    def part(self, part: str) -> Part:
        """Return a part by its id."""
        return _find("part", part, self.parts)

    def take(self, take: str) -> Take:
        """Return a take by its id."""
        return _find("take", take, self.takes)

    def placement_of(self, take: str) -> Placement | None:
        """Return where a take sits, if that was asked yet."""
        return next((placement for placement in self.placements if placement.take == take), None)

    def crop(self, shape: str) -> Crop:
        """Return a crop by its shape."""
        return _find("crop", shape, self.crops)

    def grade_of(self, take: str) -> Cdl | None:
        """Return what a take's own light goes through before the look: a stage take's match, another's grade."""
        found = self.take(take)
        match = self.stage.match_of(take)
        if found.kind == "stage":
            return None if match is None or match.gain == (1.0, 1.0, 1.0) else Cdl(slope=match.gain)
        return found.grade

    def judgement_of(self, take: str) -> Judgement | None:
        """Return what a take was said to be, if it was looked at."""
        return next((judged for judged in self.judgements if judged.take == take), None)

    def stage_takes(self) -> tuple[Take, ...]:
        """Return the takes of the locked-off camera, in the order of the parts."""
        rank = {part.id: number for number, part in enumerate(self.parts)}
        chosen = [take for take in self.takes if take.kind == "stage"]
        return tuple(sorted(chosen, key=lambda take: rank[take.part or ""]))


def _unique(what: str, ids: list[str]) -> set[str]:
    seen: set[str] = set()
    for name in ids:
        if name in seen:
            raise ValueError(f"there are two entries for {what} {name!r}")
        seen.add(name)
    return seen


def _known(what: str, known: set[str], named: list[str]) -> None:
    for name in named:
        if name not in known:
            raise ValueError(f"the film has no {what} {name!r}")


R = TypeVar("R", Part, Take, Crop)


def _find(what: str, wanted: str, records: tuple[R, ...]) -> R:
    named = {record.shape if isinstance(record, Crop) else record.id: record for record in records}
    if wanted in named:
        return named[wanted]
    known = ", ".join(named) or "none yet"
    raise NoSuchRecord(f"The film has no {what} {wanted!r}. It has: {known}.")
