"""The merged wide: what it is made from, and reading frames of it.

The wide keeps the camera's encoding (the look comes later, so changing the look does not merge again) and is written by
the recipe ``intermediate``. It lies in the cache as segments of a quarter second, each named by exactly what it is made
from, so that a change merges again only where it shows, and what the cut never shows need not be merged at all.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from partsong.errors import InvalidInput
from partsong.film.coverage import song_frames
from partsong.film.folder import FilmFolder, key_of, writing
from partsong.film.records import WIDE, Film, Look, PictureInfo, Take, Timecode
from partsong.media import tags
from partsong.media.encode import RECIPES, Recipe
from partsong.media.planes import Planes
from partsong.render import colour
from partsong.render.merge import Form
from partsong.render.plan import FramePlan, clip_of, layers_of, plan_frames
from partsong.render.segments import Segment, runs_of, spans
from partsong.timebase import clock

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

KIND = "wide"
RECIPE: Recipe = RECIPES["intermediate"]

SEGMENT_S = 0.25
"""About how long a segment is: a shot of the wide is merged with an eighth of a second too much at either end."""

SUM_VERSION = 6  # raise it when the same takes are added otherwise
_VERSION = 4  # raise it when the same plan gives other pixels


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
        width, height = picture.shown_size
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
    """Return a key of all that the wide of a film depends on, found without planning its frames.

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


# --- segments -------------------------------------------------------------------------------------


def shown_frames(film: Film) -> list[int]:
    """Return the song frames at which the cut shows the wide; all of them while there is no cut."""
    total = song_frames(film)
    if not film.cut:
        return list(range(total))
    return [frame for shot in film.cut if WIDE in shot.sources for frame in range(shot.start, min(shot.end, total))]


def segments_of(film: Film, frames: Iterable[int]) -> tuple[Segment, ...]:
    """Return the segments of the wide that hold any of these song frames, in order.

    Raises
    ------
    InvalidInput
        If the film cannot be merged as it is.
    """
    assert film.rate is not None
    encoding = encoding_of(film)
    all_spans = spans(song_frames(film), max(1, round(SEGMENT_S * film.rate.exact)))
    starts = [span.start for span in all_spans]
    wanted = sorted({bisect_right(starts, frame) - 1 for frame in frames})
    found = []
    for run in runs_of([all_spans[number] for number in wanted]):
        first = run[0].start
        plans = plan_frames(film, range(first, run[-1].stop))
        for span in run:
            key = segment_key(film, encoding, plans[span.start - first : span.stop - first])
            found.append(Segment(key, span.start, span.stop))
    return tuple(found)


def place(folder: FilmFolder, segment: Segment) -> Path:
    """Return where a segment of the wide lies once it is merged."""
    return folder.cached(KIND, segment.key, RECIPE.suffix)


# --- reading --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wide:
    """Merged segments of a wide, in order, and where each lies; ``picture`` describes the whole song."""

    segments: tuple[Segment, ...]
    paths: tuple[Path, ...]
    picture: PictureInfo

    def read(self, frames: Iterable[int], *, threads: int = 0) -> Iterator[Planes]:
        """Yield song frames, which rise and lie in the segments; see :meth:`PictureReader.read`."""
        from partsong.media.picture import open_picture

        for number, wanted in groupby(frames, self._holds):
            segment = self.segments[number]
            picture = self.picture.replace(frames=segment.stop - segment.first)
            with open_picture(self.paths[number], picture, threads=threads, known=True) as reader:
                yield from reader.read(frame - segment.first for frame in wanted)

    def covers(self, first: int, stop: int) -> bool:
        """Say whether frames ``first`` to before ``stop`` lie in the segments, which have no gap between them."""
        return self.segments[0].first <= first and stop <= self.segments[-1].stop

    def within(self, frames: Sequence[int]) -> list[tuple[str, list[int]]]:
        """Return what these frames' pixels depend on: the keys of their segments, and their places in them."""
        return [
            (self.segments[number].key, [frame - self.segments[number].first for frame in wanted])
            for number, wanted in groupby(frames, self._holds)
        ]

    def _holds(self, frame: int) -> int:
        number = bisect_right([segment.first for segment in self.segments], frame) - 1
        if number < 0 or frame >= self.segments[number].stop:
            raise InvalidInput(f"Frame {frame} of the wide is not merged. Merge it: partsong stage merge FILM --all")
        return number


def merged_wide(folder: FilmFolder, film: Film, frames: Sequence[int]) -> Wide:
    """Return the wide of a film as it is now, to read these song frames of.

    Raises
    ------
    InvalidInput
        If the film cannot be merged as it is, or a stretch of them is not merged yet.
    """
    segments = segments_of(film, frames)
    paths = tuple(place(folder, segment) for segment in segments)
    missing = runs_of([segment for segment, path in zip(segments, paths, strict=True) if not path.is_file()])
    if missing:
        assert film.rate is not None
        first, stop = missing[0][0].first, missing[0][-1].stop
        times = f"{clock(first * film.rate.frame_s)} to {clock(stop * film.rate.frame_s)}"
        others = len(missing) - 1
        more = f" and {others} more {'stretch' if others == 1 else 'stretches'}" if others else ""
        every = "" if set(frames) <= set(shown_frames(film)) else " --all"
        raise InvalidInput(
            f"The wide of the film as it is now is not merged from {times} of the song (frames {first} to {stop - 1})"
            f"{more}. Merge it: partsong stage merge {folder.root}{every}"
        )
    return Wide(segments, paths, _picture_of(folder, film, paths[0]))


def merged_runs(folder: FilmFolder, film: Film) -> list[Wide]:
    """Return what is merged of the wide as it is now, each stretch without a gap; nothing if it cannot be merged."""
    try:
        segments = segments_of(film, range(song_frames(film)))
    except InvalidInput:
        return []  # what cannot be merged has no wide; merging it says what is wrong
    runs = runs_of([segment for segment in segments if place(folder, segment).is_file()])
    if not runs:
        return []
    picture = _picture_of(folder, film, place(folder, runs[0][0]))
    return [Wide(tuple(run), tuple(place(folder, segment) for segment in run), picture) for run in runs]


def joined(folder: FilmFolder, run: Wide) -> Path:
    """Return one file of a stretch of the wide, labelled with its song frames; its segments are copied into it once."""
    from partsong.media.join import join

    path = folder.cached("wide-joined", key_of([segment.key for segment in run.segments]), RECIPE.suffix)
    if not path.is_file():
        with writing(path) as temporary:
            join(run.paths, temporary, sound=None, timecode=Timecode(frame=run.segments[0].first))
    return path


def _picture_of(folder: FilmFolder, film: Film, segment: Path) -> PictureInfo:
    from partsong.media.probe import probe

    picture = probe(segment, folder.refer(segment)).picture
    assert picture is not None
    return picture.replace(frames=song_frames(film))


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
