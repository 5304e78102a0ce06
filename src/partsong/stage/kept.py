"""What was found about seams and crossings, kept beside their pictures and read again: a page shows it without work."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.film.folder import FilmFolder, write_text
from partsong.film.records import Film
from partsong.stage.seam_steps import Mend, in_words

Line = tuple[tuple[float, float], ...]
"""Points (x, y) of a line, in pixels of the film's frame."""

_SHARED = 0.25  # of 4 w1 w2: where a seam lies, without its faint ends
_LEAST_PX = 6


@dataclass(frozen=True, slots=True)
class KeptLook:
    """A seam at one moment: where it lies, how large the step is (times what is just seen), in one sentence."""

    frame: int
    when: str
    times: float
    step_percent: float
    sentence: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class KeptSeam:
    """The seam between two takes, and looks at it, the one that shows most first."""

    one: str
    other: str
    looks: tuple[KeptLook, ...]


@dataclass(frozen=True, slots=True)
class KeptCrossing:
    """A stretch in which something of a take crosses its mask's edge; ``box`` in pixels of the film's frame."""

    take: str
    start: int
    end: int
    frame: int
    box: tuple[float, float, float, float]
    mends: bool
    sentence: str


def seams(folder: FilmFolder) -> tuple[tuple[KeptSeam, ...], float] | None:
    """Return the seams of the latest seam report and when it was made (seconds since 1970); None without one.

    Raises
    ------
    InvalidInput
        If the report's files cannot be read.
    """
    path = folder.reports / "seams" / "seams.json"
    told = _read(path, "partsong stage report")
    if told is None:
        return None
    scale = float(told["picture"]["film_px"])
    found = tuple(
        KeptSeam(seam["one"], seam["other"], tuple(_look(path.parent, look, scale) for look in seam["looks"]))
        for seam in told["seams"]
    )
    return found, path.stat().st_mtime


def _look(folder: Path, look: dict[str, Any], scale: float) -> KeptLook:
    import cv2

    # The name is our own, but the file that tells it lies where anybody can write: only what is beside it is read.
    weights = cv2.imread(str(folder / Path(look["weights_picture"]).name), cv2.IMREAD_UNCHANGED)
    if weights is None:
        raise InvalidInput("A picture of the seam report is gone. Make it again: partsong stage report FILM")
    one, other = weights[..., 2] / 65535, weights[..., 1] / 65535  # OpenCV reads blue first
    corner = np.array([look["left"], look["top"]])
    lines = tuple(_line((points + corner + 0.5) * scale - 0.5) for points in seam_lines(one, other))
    measure = look["measure"]
    return KeptLook(look["frame"], look["when"], measure["times"], measure["step_percent"], look["sentence"], lines)


def _line(points: NDArray[np.float64]) -> Line:
    return tuple((float(x), float(y)) for x, y in points)


def seam_lines(one: NDArray[np.float64], other: NDArray[np.float64]) -> list[NDArray[np.intp]]:
    """Return where two takes share the picture equally, as lines.

    Parameters
    ----------
    one, other : ndarray, shape (height, width)
        Their weights, 0 to 1.

    Returns
    -------
    list of ndarray, shape (n, 2)
        x and y of the points of each line, in whole pixels.
    """
    import cv2

    shared = 4 * one * other > _SHARED
    shared[[0, -1]] = shared[:, [0, -1]] = False  # the picture's rim is no seam
    contours, _ = cv2.findContours((one > other).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    lines = []
    for contour in contours:
        points = contour[:, 0, :].astype(np.intp)
        there = shared[points[:, 1], points[:, 0]]
        closed = bool(there.all())
        if closed:
            runs = [points]
        else:
            begin = int(np.flatnonzero(~there)[0])  # a run may go over the contour's end
            points, there = np.roll(points, -begin, axis=0), np.roll(there, -begin)
            edges = np.flatnonzero(np.diff(np.concatenate([[0], there.astype(np.int8), [0]])))
            runs = [points[first:stop] for first, stop in zip(edges[::2], edges[1::2], strict=True)]
        for run in runs:
            if len(run) >= _LEAST_PX:
                thinned = cv2.approxPolyDP(run.astype(np.int32)[:, None, :], 1.0, closed=closed)[:, 0, :].astype(
                    np.intp
                )
                lines.append(np.concatenate([thinned, thinned[:1]]) if closed else thinned)
    return lines


def keep_crossings(folder: FilmFolder, film: Film, found: Sequence[Mend]) -> None:
    """Keep what crosses the masks' edges and what would mend it, in ``reports/crossings/crossings.json``."""
    assert film.width is not None
    assert film.height is not None
    size = np.array([film.width, film.height] * 2, float)
    rows = []
    for one in found:
        box = tuple(float(side) for side in np.asarray(one.crossing.box) * size)
        crossing = one.crossing
        kept = KeptCrossing(
            crossing.take, crossing.start, crossing.end, crossing.frame, (box[0], box[1], box[2], box[3]),
            one.kind != "none", in_words(film, one),
        )  # fmt: skip
        rows.append(asdict(kept))
    text = json.dumps(rows, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    write_text(folder.reports / "crossings" / "crossings.json", text)


def crossings(folder: FilmFolder) -> tuple[tuple[KeptCrossing, ...], float] | None:
    """Return the crossings that were found last and when (seconds since 1970); None where nobody looked.

    Raises
    ------
    InvalidInput
        If the file cannot be read.
    """
    path = folder.reports / "crossings" / "crossings.json"
    told = _read(path, "partsong stage crossings")
    if told is None:
        return None
    return tuple(KeptCrossing(**{**row, "box": tuple(row["box"])}) for row in told), path.stat().st_mtime


def _read(path: Path, command: str) -> Any:
    if not path.is_file():
        return None
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except ValueError as problem:
        raise InvalidInput(f"{path} cannot be read. Make it again: {command} FILM") from problem
