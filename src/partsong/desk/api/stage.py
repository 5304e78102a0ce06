"""The stage for its page: the layers with their ovals, the plan of every frame, and what the preview draws with."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import groupby, takewhile
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from partsong.desk.api.film import JobTold, told
from partsong.desk.routes import Done, Edit, Route, Wire, changed
from partsong.desk.session import Desk
from partsong.errors import InvalidInput, PartsongError
from partsong.film.coverage import NO_WIDE, has_wide, placed_takes, song_frames
from partsong.film.folder import key_of, writing
from partsong.film.panels import boxes
from partsong.film.records import WIDE, Curve, Film, Look, Oval, Patch, Point, Pose, Shot
from partsong.film.store import FilmStore, Head
from partsong.film.tempo import bar_lines
from partsong.render import colour
from partsong.render.atlas import adds_light, atlas_path, layout_of, make_atlas
from partsong.render.plan import FramePlan, Stack, plan_frames
from partsong.render.plan import Layer as FrameLayer
from partsong.render.warp import matrix_of
from partsong.render.wide import encoding_of
from partsong.stage import keys, light_steps, steps
from partsong.stage.paint import small_wide
from partsong.stage.seam_steps import part_name
from partsong.watch import Watch

JOB = "atlas"
MOST_LAYERS = 16
LATTICE = 49
"""Points a side: with 33 the ends of steep curves are up to ten codes off, with 49 seven."""

Number = Annotated[float, Field(ge=-1e5, le=1e5, allow_inf_nan=False)]
Radius = Annotated[float, Field(ge=1, le=1e5, allow_inf_nan=False)]
Feather = Annotated[float, Field(ge=0, le=1e5, allow_inf_nan=False)]
Frame = Annotated[int, Field(ge=0, le=10**8)]
Method = Literal["masks", "light-sum", "combined"]


class OvalTold(Wire):
    """An oval in pixels of the film, turned clockwise in degrees."""

    x: float
    y: float
    rx: float
    ry: float
    rotation_deg: float


class KeyTold(Wire):
    """The shape of a mask at one frame of the song."""

    frame: int
    shape: Oval | Curve


class LayerTold(Wire):
    """A layer: its take and part, and its mask: a shape for the whole song, or one at each of its keys.

    ``shape`` is None where there is no mask to be moved; ``words`` say why.
    """

    take: str
    part: str
    shape: Oval | Curve | None
    keys: tuple[KeyTold, ...]
    feather_px: float
    words: str


class DrawnLayer(Wire):
    """A layer as the preview draws it: through an oval or a closed curve, or filling the frame.

    ``patch`` is 0 for a take's own layer, else which of the frame's patches it is, from 1. ``back`` carries the film's
    pixels to the take's: a, b, right, down.
    """

    take: str
    patch: int
    oval: OvalTold | None
    curve: tuple[Point, ...] | None
    feather_px: float
    opacity: float
    fills: float
    gain: tuple[float, float, float]
    back: tuple[float, float, float, float]


class Run(Wire):
    """Frames from ``first`` to before ``stop`` that are drawn alike; ``layers`` are numbers of those drawn."""

    first: int
    stop: int
    layers: tuple[int, ...]


class TileTold(Wire):
    """Where a take lies on the atlas, and the frames at which it has a picture."""

    take: str
    x: int
    y: int
    width: int
    height: int
    first: int
    stop: int


class PanelShown(Wire):
    """A panel of a shot: its source, where in the frame it lies, and which point of its picture it shows (shares)."""

    source: str
    left: float
    top: float
    width: float
    height: float
    x: float
    y: float


class Shown(Wire):
    """A shot of the cut: its source, from ``start`` to before ``end``, and its panels where it has any."""

    source: str
    start: int
    end: int
    panels: tuple[PanelShown, ...]


class StageTold(Wire):
    """The whole page. ``in_the_way`` says why there is no preview, ``left_out`` what it cannot show.

    ``cut_in_the_way`` says why the cut cannot be played; without a wide (``has_wide``) it can all the same.
    """

    width: int
    height: int
    rate_num: int
    rate_den: int
    frames: int
    method: Method
    left_out: str
    in_the_way: str
    cut_in_the_way: str
    has_wide: bool
    atlas_ready: bool
    atlas_width: int
    atlas_height: int
    tiles: tuple[TileTold, ...]
    layers: tuple[LayerTold, ...]
    drawn: tuple[DrawnLayer, ...]
    runs: tuple[Run, ...]
    cut: tuple[Shown, ...]
    bars: tuple[int, ...]


class SetOval(Edit):
    """A take's oval as a person left it: for the whole song, or as a key at a frame."""

    x: Number
    y: Number
    rx: Radius
    ry: Radius
    rotation_deg: Number
    feather_px: Feather
    frame: Frame | None = None


class SetCurve(Edit):
    """A take's closed curve as a person left it: for the whole song, or as a key at a frame."""

    points: Annotated[tuple[tuple[Number, Number], ...], Field(min_length=3, max_length=500)]
    feather_px: Feather
    frame: Frame | None = None


class MoveKey(Edit):
    """Where in the song the key at ``frame`` is to be; it is taken away if ``to`` is left out."""

    frame: Frame
    to: Frame | None = None


class SetMethod(Edit):
    """How the takes are to be merged."""

    method: Method


class SetOrder(Edit):
    """The layers from the bottom up."""

    takes: Annotated[tuple[str, ...], Field(max_length=MOST_LAYERS)]


def stage(desk: Desk) -> StageTold:
    """Return the stage."""
    film = desk.head().film
    rate = film.rate
    method = film.stage.method
    in_the_way, size, ready = "", (0, 0), False
    drawn: tuple[DrawnLayer, ...] = ()
    runs: tuple[Run, ...] = ()
    tiles: tuple[TileTold, ...] = ()
    frames = song_frames(film) if film.song and rate else 0
    try:
        layout = layout_of(film)
        tiles = tuple(
            TileTold(
                take=one.take, x=one.x, y=one.y, width=one.width, height=one.height, first=one.first, stop=one.stop
            )
            for one in layout.tiles
        )
        size, ready = (layout.width, layout.height), atlas_path(desk.folder, film).is_file()
        if has_wide(film):
            drawn, runs = runs_of(film)
            encoding_of(film)
    except PartsongError as problem:
        in_the_way = str(problem)
    return StageTold(
        width=film.width or 0,
        height=film.height or 0,
        rate_num=rate.num if rate else 25,
        rate_den=rate.den if rate else 1,
        frames=frames,
        method=method,
        left_out=_left_out(film),
        in_the_way=in_the_way or ("" if has_wide(film) else NO_WIDE),
        cut_in_the_way=in_the_way,
        has_wide=has_wide(film),
        atlas_ready=ready,
        atlas_width=size[0],
        atlas_height=size[1],
        tiles=tiles,
        layers=tuple(_layer(film, take) for take in film.stage.order),
        drawn=drawn,
        runs=runs,
        cut=tuple(
            Shown(source=shot.source, start=shot.start, end=shot.end, panels=_panels(film, shot)) for shot in film.cut
        ),
        bars=bars_of(film),
    )


def _panels(film: Film, shot: Shot) -> tuple[PanelShown, ...]:
    if not shot.panels or not film.width or not film.height:
        return ()
    wide, high = film.width, film.height
    return tuple(
        PanelShown(
            source=panel.source, left=left / wide, top=top / high, width=width / wide, height=height / high,
            x=panel.x, y=panel.y,
        )
        for panel, (left, top, width, height) in boxes(shot.panels, wide, high)
    )  # fmt: skip


def bars_of(film: Film) -> tuple[int, ...]:
    """Return the first frame of every bar of the song; none without a song, its tempo or a rate."""
    if film.song is None or film.rate is None:
        return ()
    return tuple(math.ceil(at_s * film.rate.exact) for _, at_s in bar_lines(film.song.tempo, film.song.length_s))


_SEEN_THROUGH = (
    "The preview adds the takes' light, and does not lay the players over it: one who stands before ground that "
    "another lamp lights is seen through. 'Merge this frame' shows him as he will be."
)


def _left_out(film: Film) -> str:
    """Say what of the wide the preview cannot show, if there is anything."""
    players = _SEEN_THROUGH if film.stage.method == "combined" else ""
    missing = len(film.stage.patches) - len(_patches(film))
    if not missing:
        return players
    some = "A patch is" if missing == 1 else f"{missing} patches are"
    patches = (
        f"{some} not in the preview: it shows those from placed takes, and {MOST_LAYERS} layers at most. "
        "'Merge this frame' shows all."
    )
    return f"{players} {patches}".strip()


def _patches(film: Film) -> tuple[Patch, ...]:
    """Return the patches that the preview can show: those whose source has a tile."""
    there = {one.take.id for one in placed_takes(film)} if film.rate else set()
    shown = tuple(patch for patch in film.stage.patches if patch.source in there)
    return shown if len(film.stage.order) + len(shown) <= MOST_LAYERS else ()


def _layer(film: Film, take: str) -> LayerTold:
    mask = film.stage.mask_of(take)
    words = ""
    if adds_light(film):
        words = "Its light is added; masks are not used."
    elif take == film.stage.order[0]:
        words = "The lowest layer fills the frame."
    elif mask is None:
        words = "It has no mask yet."
    shape = mask.shape if mask is not None and not words else None
    return LayerTold(
        take=take,
        part=part_name(film, take),
        shape=shape,
        keys=tuple(KeyTold(frame=key.frame, shape=key.shape) for key in mask.keys) if mask and shape else (),
        feather_px=mask.feather_px if mask is not None else 0.0,
        words=words,
    )


def _oval(oval: Oval) -> OvalTold:
    return OvalTold(**oval.model_dump(exclude={"kind"}))


def runs_of(film: Film) -> tuple[tuple[DrawnLayer, ...], tuple[Run, ...]]:
    """Return how each frame of the wide is drawn: takes through their masks, or the wide's own tile; and patches.

    Returns
    -------
    drawn, runs
        Every layer in every shape, once, and the runs of frames, which name them by number.

    Raises
    ------
    InvalidInput
        If the film has no layers, one of them has no place or mask, or there are too many.
    """
    if len(film.stage.order) > MOST_LAYERS:
        raise InvalidInput(f"The preview shows at most {MOST_LAYERS} layers; this stage has {len(film.stage.order)}.")
    shown = film.replace(stage=film.stage.replace(patches=_patches(film)))
    whole = FrameLayer(take=WIDE)
    drawn: list[DrawnLayer] = []
    numbers: dict[tuple[FrameLayer, Pose, int], int] = {}
    runs: list[Run] = []

    def number_of(layer: FrameLayer, pose: Pose, patch: int) -> int:
        if (layer, pose, patch) not in numbers:
            numbers[layer, pose, patch] = len(drawn)
            drawn.append(_drawn(layer, pose, patch, film.width or 0, film.height or 0))
        return numbers[layer, pose, patch]

    def alike(plan: FramePlan) -> tuple[Stack, tuple[Pose, ...]]:
        return plan.stack, plan.poses

    for (stack, poses), group in groupby(plan_frames(shown, range(song_frames(film))), key=alike):
        frames = [plan.frame for plan in group]
        own = _own_layers(stack, film.stage.order)
        layers = list(zip(stack.layers, poses, strict=True))
        below = [(whole, Pose())] if adds_light(film) and own else layers[:own]
        named = (
            *(number_of(layer, pose, 0) for layer, pose in below),
            *(number_of(layer, pose, patch) for patch, (layer, pose) in enumerate(layers[own:], 1)),
        )
        runs.append(Run(first=frames[0], stop=frames[-1] + 1, layers=named))
    return tuple(drawn), tuple(runs)


def _own_layers(stack: Stack, order: tuple[str, ...]) -> int:
    """Return how many of a frame's layers are the takes' own: they come first, in the stage's order, each once."""
    coming = iter(order)
    return sum(1 for _ in takewhile(lambda layer: layer.take in coming, stack.layers))


def _drawn(layer: FrameLayer, pose: Pose, patch: int, width: int, height: int) -> DrawnLayer:
    back = np.linalg.inv(np.vstack([matrix_of(pose, width, height), [0, 0, 1]]))
    return DrawnLayer(
        take=layer.take,
        patch=patch,
        oval=_oval(layer.shape) if isinstance(layer.shape, Oval) else None,
        curve=layer.shape.points if isinstance(layer.shape, Curve) else None,
        feather_px=layer.feather_px,
        opacity=layer.opacity,
        fills=layer.fills,
        gain=layer.gain,
        back=(float(back[0, 0]), float(back[1, 0]), float(back[0, 2]), float(back[1, 2])),
    )


# --- what the preview draws with ------------------------------------------------------------------


def begin_atlas(desk: Desk) -> JobTold:
    """Start making the small film of all takes that the preview plays."""

    def work(watch: Watch) -> str:
        film = desk.head().film
        wide = small_wide(desk.folder, encoding_of(film)) if adds_light(film) else None
        make_atlas(desk.folder, film, watch, small_wide=wide)
        return "The preview is ready."

    return told(desk.jobs.start(JOB, "Prepare the preview", work))


def atlas(desk: Desk) -> Path:
    """Return the atlas of the film as it is now."""
    path = atlas_path(desk.folder, desk.head().film)
    if not path.is_file():
        raise InvalidInput("The preview is not prepared for the film as it is now. Prepare it on the Stage page.")
    return path


def curve(desk: Desk) -> Path:
    """Return the linear light of the wide's encoding, as little-endian float32."""
    encoding = encoding_of(desk.head().film)
    return _kept(desk, "curve", key_of("curve", encoding.key), lambda: encoding.curve.astype("<f4"))


def lattice(desk: Desk, source: str) -> Path:
    """Return the colour path of a take, or of the wide, from encoded R'G'B' to display.

    It is a lattice of 49 points a side, red fastest, each point a little-endian number of 32 bits: ten each for red,
    green and blue, from the lowest up, which err by an eighth of an 8-bit code at most.
    """
    film = desk.head().film
    look = film.look
    if look is None:
        raise InvalidInput("The preview is shown through the look, and there is none yet. Set one: partsong look set")
    space = _space(film, look, source)
    grade = None if source == WIDE else film.grade_of(source)
    path = colour.display_path(look, space, colour.table_of(desk.folder, look), grade)
    key = key_of("lattice-10", LATTICE, look.model_dump(mode="json"), space, grade.model_dump() if grade else None)

    def made() -> np.ndarray:
        steps = np.linspace(0, 1, LATTICE, dtype=np.float32)
        blue, green, red = np.meshgrid(steps, steps, steps, indexing="ij")
        shown = path(np.stack([red, green, blue], axis=-1).reshape(-1, 3))
        tens = np.rint(np.clip(shown, 0, 1) * 1023).astype("<u4")
        return np.asarray(tens[:, 0] | tens[:, 1] << 10 | tens[:, 2] << 20)

    return _kept(desk, "lattice", key, made)


def _space(film: Film, look: Look, source: str) -> str:
    return colour.space_of_wide(film, look) if source == WIDE else colour.space_of_take(look, film.take(source))


def _kept(desk: Desk, kind: str, key: str, made: Callable[[], np.ndarray]) -> Path:
    out = desk.folder.cached(kind, key, ".bin")
    if not out.is_file():
        with writing(out) as temporary:
            temporary.write_bytes(made().tobytes())
    return out


# --- changes --------------------------------------------------------------------------------------


def propose(desk: Desk) -> JobTold:
    """Start registering and matching the takes, and proposing their ovals."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            return steps.propose(store, watch).revision.sentence + "."

    return told(desk.jobs.start("propose", "Propose the stage", work))


def set_oval(desk: Desk, take: str, edit: SetOval) -> Done:
    """Set a take's oval and its soft edge."""
    given = edit.model_dump(exclude={"base", "frame"})
    return changed(desk, edit, lambda store: _masked(store, take, steps.MaskWish(**given), edit.frame))


def set_curve(desk: Desk, take: str, edit: SetCurve) -> Done:
    """Set a take's closed curve and its soft edge."""
    wish = steps.MaskWish(points=edit.points, feather_px=edit.feather_px)
    return changed(desk, edit, lambda store: _masked(store, take, wish, edit.frame))


def _masked(store: FilmStore, take: str, wish: steps.MaskWish, frame: int | None) -> Head:
    rate = store.head().film.rate
    if frame is not None and rate is not None:
        wish = replace(wish, key_at_s=float(frame * rate.frame_s))
    return steps.set_mask(store, take, wish)


def move_key(desk: Desk, take: str, edit: MoveKey) -> Done:
    """Put a key of a take's mask elsewhere in the song, or take it away."""
    if edit.to is None:
        return changed(desk, edit, lambda store: keys.remove_key(store, take, edit.frame))
    to = edit.to
    return changed(desk, edit, lambda store: keys.move_key(store, take, edit.frame, to))


def set_method(desk: Desk, edit: SetMethod) -> Done:
    """Choose how the takes are merged."""
    return changed(desk, edit, lambda store: light_steps.set_method(store, edit.method))


def weigh_sum(desk: Desk) -> JobTold:
    """Start measuring where adding the takes' light goes wrong."""

    def work(watch: Watch) -> str:
        with desk.store() as store:
            return " ".join(light_steps.sum_warnings(store, watch)) or "Adding goes wrong nowhere that can be measured."

    return told(desk.jobs.start("weigh", "Measure adding light", work))


def set_order(desk: Desk, edit: SetOrder) -> Done:
    """Set the order of the layers."""
    return changed(desk, edit, lambda store: steps.set_order(store, edit.takes))


_BYTES = "application/octet-stream"
ROUTES = (
    Route("GET", "/api/stage", stage, StageTold, "The layers, and how every frame of the wide is drawn."),
    Route("POST", "/api/stage/atlas", begin_atlas, JobTold, "Make the small film that the preview plays."),
    Route("POST", "/api/stage/propose", propose, JobTold, "Register and match the takes, and propose ovals."),
    Route("POST", "/api/stage/takes/{take}/oval", set_oval, Done, "Set a take's oval and its soft edge.", SetOval),
    Route("POST", "/api/stage/takes/{take}/curve", set_curve, Done, "Set a take's closed curve.", SetCurve),
    Route("POST", "/api/stage/takes/{take}/keys", move_key, Done, "Move a key of a mask, or take it away.", MoveKey),
    Route("POST", "/api/stage/method", set_method, Done, "Choose how the takes are merged.", SetMethod),
    Route("POST", "/api/stage/weigh", weigh_sum, JobTold, "Measure where adding light goes wrong."),
    Route("POST", "/api/stage/order", set_order, Done, "Set the order of the layers.", SetOrder),
    Route("GET", "/media/atlas", atlas, "video/mp4", "The small film of all takes, with the song."),
    Route("GET", "/media/curve", curve, _BYTES, "The linear light of the wide's encoding."),
    Route("GET", "/media/looks/{source}", lattice, _BYTES, "A take's or the wide's way from encoding to display."),
)
