"""The merged wide: what it is made from, and where in the cache it lies for a film as it is now.

The wide keeps the camera's encoding (the look comes later, so changing the look does not merge again), holds song
frames 0 to the song's last one at the film's rate, and is written by the recipe ``intermediate``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from partsong.errors import InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.folder import FilmFolder, key_of
from partsong.film.records import Film, Look, PictureInfo, Take
from partsong.media import tags
from partsong.media.encode import RECIPES, Recipe
from partsong.render import colour
from partsong.render.merge import Form
from partsong.render.plan import FramePlan, clip_of, layers_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

KIND = "wide"
RECIPE: Recipe = RECIPES["intermediate"]

SUM_VERSION = 1  # raise it when the same takes are added otherwise
_VERSION = 2  # raise it when the same plan gives other pixels


@dataclass(frozen=True, slots=True)
class Encoding:
    """The camera encoding that the merged takes share: a config, one of its spaces, and that space's curve."""

    config: str
    space: str
    curve: NDArray[np.float64]

    @property
    def key(self) -> str:
        """What results depend on: the curve, not the name under which a config holds it."""
        return key_of(self.curve.astype("float32").tobytes().hex())


def encoding_of(film: Film) -> Encoding:
    """Return the encoding of the film's stage takes.

    Raises
    ------
    InvalidInput
        If it is not known, differs between takes, or cannot be merged in.
    """
    # Without a look, the takes' own encodings (or their files' tags) are read from the default config.
    look = film.look or Look(config=colour.DEFAULT_CONFIG, display="none", view="none")
    space = colour.space_of_wide(film, look)
    return Encoding(look.config, space, colour.linear_curve(look.config, space))


def form_of(film: Film) -> Form:
    """Return how the wide's planes are written: by the recipe, with the matrix and range of the reference take.

    Raises
    ------
    InvalidInput
        If the take's file does not say its matrix or range.
    """
    take = film.take(film.stage.reference or film.stage.order[0])
    matrix, value_range = tags.usable_matrix(take.picture.matrix), tags.usable_range(take.picture.value_range)
    if matrix is None or value_range is None:
        raise InvalidInput(
            f"The file of take {take.id} says {take.picture.matrix!r} for its colour matrix and "
            f"{take.picture.value_range!r} for its range, so its colours cannot be read. Convert it to say both."
        )
    return Form(RECIPE.bit_depth, RECIPE.chroma, matrix, value_range)


def shown_size(picture: PictureInfo) -> tuple[int, int]:
    """Return width and height of a clip's picture once it is turned upright."""
    if picture.rotation_deg in (90, 270):
        return picture.height, picture.width
    return picture.width, picture.height


def merged_takes(film: Film) -> tuple[Take, ...]:
    """Return the layers' takes from the bottom up, checked for being of one size and rate.

    Raises
    ------
    InvalidInput
        If they differ from the film's, each case in one sentence.
    """
    takes = tuple(film.take(name) for name in film.stage.order)
    for take in takes:
        picture = take.picture
        width, height = shown_size(picture)
        if (width, height) != (film.width, film.height):
            raise InvalidInput(
                f"Take {take.id} is {width} x {height} pixels, but the film is {film.width} x {film.height}. "
                "Merge takes of one size: convert the file, or take it out with: partsong stage order FILM TAKE ..."
            )
        if picture.rate != film.rate:
            raise InvalidInput(
                f"Take {take.id} runs at {picture.rate} frames a second, but the film at {film.rate}. "
                "Merge takes of one rate: convert the file, or take it out with: partsong stage order FILM TAKE ..."
            )
    return takes


def wide_key(film: Film) -> str:
    """Return the cache key of the merged wide of a film.

    Raises
    ------
    InvalidInput
        If the film cannot be merged as it is.
    """
    made_from = []
    for layer, placed in layers_of(film):
        start = placed.placement.start
        assert start is not None
        mask = film.stage.mask_of(placed.take.id)
        registration = film.stage.registration_of(placed.take.id)
        made_from.append(
            [
                layer.model_dump(mode="json"),
                [key.model_dump(mode="json") for key in mask.keys] if mask else [],
                [key.model_dump(mode="json") for key in registration.keys] if registration else [],
                placed.take.clip.file.fingerprint,
                str(start.seconds),
                placed.placement.drift_ppm,
            ]
        )
    patches = [
        [patch.model_dump(mode="json"), clip_of(film, patch.source).file.fingerprint, *_placed(film, patch.source)]
        for patch in film.stage.patches
    ]
    ground = [_ground(film, encoding_of(film)), *_sum_ground(film)]
    return key_of(KIND, ground, song_frames(film), made_from, *([patches] if patches else []))


def segment_key(film: Film, encoding: Encoding, plans: tuple[FramePlan, ...]) -> str:
    """Return the cache key of a stretch of the wide: of its plans, and of the files that they read."""
    stacks = {plan.stack: plan.stack.model_dump(mode="json") for plan in plans}
    order = list(stacks)
    files = {name: clip_of(film, name).file.fingerprint for stack in order for name in (la.take for la in stack.layers)}
    frames = [
        [order.index(plan.stack), *plan.sources, *(pose.model_dump(mode="json") for pose in plan.poses)]
        for plan in plans
    ]
    return key_of(KIND, [_ground(film, encoding), *_sum_ground(film)], list(stacks.values()), files, frames)


def wide_path(folder: FilmFolder, film: Film) -> Path | None:
    """Return the merged wide of the film as it is now, or None when there is none: it has to be merged (again)."""
    try:
        key = wide_key(film)
    except InvalidInput:
        return None  # what cannot be merged has no wide; merging it says what is wrong
    path = place(folder, key)
    return path if path.is_file() else None


def place(folder: FilmFolder, key: str) -> Path:
    """Return where the wide of this key lies."""
    return folder.cached(KIND, key, RECIPE.suffix)


def _placed(film: Film, source: str) -> list[object]:
    """Return what a picture's place depends on: where its take sits on the song, and how it is moved."""
    placement, registration = film.placement_of(source), film.stage.registration_of(source)
    return [
        [str(placement.start.seconds), placement.drift_ppm] if placement and placement.start else [],
        [key.model_dump(mode="json") for key in registration.keys] if registration else [],
    ]


def _sum_ground(film: Film) -> list[object]:
    """Return what added light depends on beyond the frames themselves: takes' lit rooms and the plates."""
    stage = film.stage
    if stage.method == "masks":
        return []
    plates = [[plate.part, plate.clip.file.fingerprint] for plate in film.plates]
    takes = [[name, film.take(name).clip.file.fingerprint, *_placed(film, name)] for name in stage.order]
    gains = [match.model_dump(mode="json") for match in stage.matches]
    return [[SUM_VERSION, stage.method, plates, takes, gains]]


def _ground(film: Film, encoding: Encoding) -> list[object]:
    assert film.rate is not None
    form = form_of(film)
    picture = [film.width, film.height, str(film.rate), form.matrix, form.value_range]
    return [_VERSION, RECIPE.name, dict(RECIPE.options), picture, encoding.key]
