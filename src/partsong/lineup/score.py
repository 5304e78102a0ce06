"""The placements as a score, in SVG: the song on top with its bar lines, a row a take beneath.

Confidence is told in words and by the weight of the line under the take: heavy and whole for *sure*, light for
*likely*, broken where somebody must decide. A take without a place is named on its row and not drawn. Ticks say where
notes start: above the waveform in the part's stem (or the mix), below it in the camera's own sound. To the right of
each row is a close-up of the clearest moment, the record above and the camera below, so that an eye can check the
millisecond. The one accent colour marks what needs a decision.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Placement
from partsong.timebase import clock

_PAPER, _INK, _FAINT, _ACCENT = "#f6f1e4", "#23211c", "#b9b09a", "#a8321f"
_WIDTH, _LEFT, _STOP = 1600.0, 170.0, 1320.0
_CLOSE_LEFT, _CLOSE_STOP = 1345.0, 1580.0
_TOP = 138.0  # the middle of the song's waveform
_HALF = 22.0  # half the height of a waveform
_LINE = 39.0  # from the middle of a row to the line under it
_ABOVE, _BELOW = 52.0, 20.0  # room over the middle of a row, and under its words
_TEXT, _LETTERS = 15.0, 190  # height of a line of words, and how many letters fit
_Scale = Callable[[float], float]  # song time to a place across the page
_WEIGHT = {"sure": 4.0, "likely": 1.6, "ask": 1.6, "none": 0.0}
_LEGEND = (
    "Heavy line: sure. Light line: likely. Broken line: yours to decide, dashed uprights are the other places. "
    "Ticks: note starts, of the record above and of the camera below. "
    "Close-up: the record above, the camera below, its sound where it was made."
)


@dataclass(frozen=True, slots=True)
class Head:
    """The song: title, length, waveform (highest samples, evenly spaced), bars and sections as (name, song time)."""

    title: str
    length_s: float
    peaks: NDArray[np.float32]
    bars: Sequence[tuple[int, float]]
    sections: Sequence[tuple[str, float]] = ()
    onsets_s: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A moment of the song, ``length_s`` long from ``from_s`` on: highest samples of the record and of the camera."""

    from_s: float
    length_s: float
    record: NDArray[np.float32]
    camera: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Row:
    """One take: its part's name, its placement, its length on its own clock and its waveform.

    ``words`` are told under it. ``onsets_s`` are note starts in its own sound, on its own clock, and ``record_s`` those
    of the record, in song time.
    """

    part: str
    take: str
    placement: Placement
    length_s: float
    peaks: NDArray[np.float32]
    words: Sequence[str] = ()
    onsets_s: Sequence[float] = ()
    record_s: Sequence[float] = ()
    close_up: CloseUp | None = None


def draw(head: Head, rows: Sequence[Row], peaks_hz: int) -> str:
    """Return the score as an SVG document; ``peaks_hz`` is how many peaks make a second."""
    spans = [_span(row) for row in rows if _shown_start(row) is not None]
    first_s = min([0.0, *(start for start, _ in spans)])
    last_s = max([head.length_s, *(stop for _, stop in spans)])
    scale = (_STOP - _LEFT) / (last_s - first_s)

    def x(song_s: float) -> float:
        return _LEFT + (song_s - first_s) * scale

    told = [_wrapped(row) for row in rows]
    middles, y = [], _TOP + _HALF + 26.0
    for lines in told:
        middles.append(y + _ABOVE)
        y += _ABOVE + _LINE + _TEXT * len(lines) + _BELOW
    height = y + 10
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" '
        f'font-family="Georgia, serif" font-size="13" fill="{_INK}">',
        f"<title>{escape(head.title)}: where each take sits</title>",
        f'<rect width="{_WIDTH:.0f}" height="{height:.0f}" fill="{_PAPER}"/>',
        f'<text x="16" y="32" font-size="20">{escape(head.title)}</text>',
        f'<text x="16" y="54" font-size="11">{escape(_LEGEND)}</text>',
        *_bars(head, x, height),
        *_ruler(first_s, last_s, x),
        f'<text x="16" y="{_TOP + 4:.1f}">song</text>',
        _waveform(head.peaks, peaks_hz, x, 0.0, 1.0, _TOP),
        f'<line x1="{x(0):.1f}" x2="{x(head.length_s):.1f}" y1="{_TOP:.1f}" y2="{_TOP:.1f}" stroke="{_INK}"/>',
    ]
    before = ""
    for row, middle, lines in zip(rows, middles, told, strict=True):
        if row.part != before:
            above = middle - _ABOVE
            parts.append(
                f'<line x1="16" x2="{_CLOSE_STOP:.0f}" y1="{above:.1f}" y2="{above:.1f}" stroke="{_INK}" '
                'stroke-width="0.5"/>'
            )
        before = row.part
        parts.extend(_row(row, lines, middle, x, peaks_hz))
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def note_starts(onsets: NDArray[np.float32], rate_hz: int, *, most_a_second: float = 6.0) -> tuple[float, ...]:
    """Return where notes clearly start, in seconds, from onset envelopes of shape (bands, frames)."""
    flux = onsets.sum(axis=0)
    apart = max(1, round(rate_hz / most_a_second))
    if len(flux) < 3 or flux.max() <= 0:
        return ()
    inner = np.flatnonzero((flux[1:-1] >= flux[:-2]) & (flux[1:-1] > flux[2:])) + 1
    strong = inner[flux[inner] > 0.25 * np.quantile(flux, 0.995)]
    chosen: list[int] = []
    for at in strong[np.argsort(-flux[strong], kind="stable")]:
        if all(abs(int(at) - other) >= apart for other in chosen):
            chosen.append(int(at))
    return tuple(at / rate_hz for at in sorted(chosen))


def clearest(record: NDArray[np.float32], camera: NDArray[np.float32], lag: int, margin: int = 0) -> int | None:
    """Return the frame of the record at which a note starts most clearly in both; None where there is none in both.

    Frame ``k`` of the camera's onsets (bands, frames) is frame ``k + lag`` of the record's; both go on for ``margin``
    frames to either side of what is returned.
    """
    first, stop = max(0, lag) + margin, min(record.shape[1], camera.shape[1] + lag) - margin
    if stop <= first:
        return None
    both = record[:, first:stop].sum(axis=0) * camera[:, first - lag : stop - lag].sum(axis=0)
    return first + int(both.argmax()) if both.max() > 0 else None


# --- inside ---------------------------------------------------------------------------------------


def _bars(head: Head, x: _Scale, height: float) -> Iterator[str]:
    # Every bar is a line; numbers stand where they have room.
    free_from = 0.0
    for bar, at_s in head.bars:
        at = x(at_s)
        yield f'<line x1="{at:.1f}" x2="{at:.1f}" y1="92" y2="{height - 8:.0f}" stroke="{_FAINT}" stroke-width="0.7"/>'
        if at >= free_from:
            yield f'<text x="{at + 2:.1f}" y="100" font-size="10">{bar}</text>'
            free_from = at + 28
    for name, at_s in head.sections:
        yield f'<text x="{x(at_s):.1f}" y="84" font-style="italic">{escape(name)}</text>'


def _ruler(first_s: float, last_s: float, x: _Scale) -> Iterator[str]:
    room_s = 70 / (x(1.0) - x(0.0))
    every = next((step for step in (1, 2, 5, 10, 15, 30, 60, 120, 300) if step >= room_s), 600)
    y = _TOP + _HALF + 16
    for second in range(-(-int(first_s) // every) * every, int(last_s) + 1, every):
        minutes, seconds = divmod(abs(second), 60)
        sign = "-" if second < 0 else ""
        yield (
            f'<text x="{x(second):.1f}" y="{y:.1f}" font-size="10" text-anchor="middle">'
            f"{sign}{minutes}:{seconds:02d}</text>"
        )


def _wrapped(row: Row) -> list[str]:
    words = row.words or (f"{row.placement.confidence}: {row.placement.sentence}",)
    return [line for text in words for line in textwrap.wrap(text, _LETTERS)]


def _row(row: Row, lines: Sequence[str], y: float, x: _Scale, peaks_hz: int) -> Iterator[str]:
    placement = row.placement
    decide = placement.confidence in ("ask", "none")
    ink = _ACCENT if decide else _INK
    yield f'<text x="16" y="{y - 6:.1f}">{escape(row.part)}</text>'
    yield f'<text x="16" y="{y + 10:.1f}" font-size="11">{escape(row.take)}</text>'
    start = _shown_start(row)
    if start is not None:
        first, stop = _span(row)
        rate = 1 + placement.drift_ppm * 1e-6
        dash = ' stroke-dasharray="7 5"' if decide else ""
        late_s = float(placement.arrival_delay) if placement.arrival_delay else 0.0
        yield _waveform(row.peaks, peaks_hz, x, start - late_s, rate, y)
        yield _ticks([at for at in row.record_s if first <= at <= stop], x, y - _HALF - 10, y - _HALF - 3, _INK)
        yield _ticks([start - late_s + at * rate for at in row.onsets_s], x, y + _HALF + 3, y + _HALF + 10, _INK)
        yield (
            f'<line x1="{x(first):.1f}" x2="{x(stop):.1f}" y1="{y + _LINE:.1f}" y2="{y + _LINE:.1f}" '
            f'stroke="{ink}" stroke-width="{_WEIGHT[placement.confidence] or 1.6}"{dash}/>'
        )
        for number, candidate in enumerate(placement.candidates if decide else (), start=1):
            other = x(float(candidate.start))
            if number > 1:
                yield (
                    f'<line x1="{other:.1f}" x2="{other:.1f}" y1="{y - _HALF:.1f}" y2="{y + _LINE:.1f}" '
                    f'stroke="{ink}" stroke-dasharray="2 3"/>'
                )
            yield f'<text x="{other + 2:.1f}" y="{y - _HALF:.1f}" font-size="10" fill="{ink}">{number}</text>'
        if row.close_up is not None:
            yield from _close(row.close_up, y)
    below = y + _LINE + 3
    yield f'<rect x="{_LEFT:.1f}" y="{below:.1f}" width="{_STOP - _LEFT:.1f}" height="{_TEXT * len(lines):.1f}" ' \
          f'fill="{_PAPER}" fill-opacity="0.85"/>'  # fmt: skip
    for number, line in enumerate(lines, start=1):
        weight = ' font-weight="bold"' if number == 1 else ""
        yield (
            f'<text x="{_LEFT:.1f}" y="{below + _TEXT * number - 3:.1f}" font-size="11" fill="{ink}"{weight}>'
            f"{escape(line)}</text>"
        )


def _close(moment: CloseUp, y: float) -> Iterator[str]:
    """Draw a moment: the record upwards from the middle, the camera downwards, each at its own loudness."""
    width = _CLOSE_STOP - _CLOSE_LEFT
    for peaks, up in ((moment.record, 1.0), (moment.camera, -1.0)):
        tops = peaks / max(float(peaks.max(initial=0.0)), 1e-9) * (_HALF + 8)
        across = _CLOSE_LEFT + (np.arange(len(peaks)) + 0.5) * width / max(len(peaks), 1)
        points = " ".join(f"{at:.1f},{y - up * top:.1f}" for at, top in zip(across, tops, strict=True))
        yield (
            f'<polygon points="{_CLOSE_LEFT:.1f},{y:.1f} {points} {_CLOSE_STOP:.1f},{y:.1f}" fill="{_INK}" '
            f'fill-opacity="{0.75 if up > 0 else 0.45}"/>'
        )
    for tenth in range(int(moment.length_s * 10) + 1):
        at = _CLOSE_LEFT + tenth / (10 * moment.length_s) * width
        yield (
            f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{y - _HALF - 8:.1f}" y2="{y + _HALF + 8:.1f}" stroke="{_FAINT}" '
            'stroke-width="0.7"/>'
        )
    yield f'<line x1="{_CLOSE_LEFT:.1f}" x2="{_CLOSE_STOP:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{_INK}"/>'
    yield (
        f'<text x="{_CLOSE_LEFT:.1f}" y="{y + _LINE + _TEXT:.1f}" font-size="10">'
        f"{clock(moment.from_s)}, {moment.length_s * 1e3:.0f} ms, a line every 100</text>"
    )


def _ticks(at_s: Sequence[float], x: _Scale, top: float, bottom: float, ink: str) -> str:
    path = " ".join(f"M{x(at):.1f} {top:.1f}V{bottom:.1f}" for at in at_s)
    return f'<path d="{path}" stroke="{ink}" stroke-width="0.8"/>' if path else ""


def _shown_start(row: Row) -> float | None:
    """Return where a take is drawn: its start, or its best candidate where somebody is asked."""
    placement = row.placement
    if placement.start is not None:
        return float(placement.start)
    if placement.confidence == "ask" and placement.candidates:
        return float(placement.candidates[0].start)
    return None


def _span(row: Row) -> tuple[float, float]:
    start = _shown_start(row)
    assert start is not None
    return start, start + row.length_s * (1 + row.placement.drift_ppm * 1e-6)


def _waveform(peaks: NDArray[np.float32], peaks_hz: int, x: _Scale, start_s: float, rate: float, y: float) -> str:
    if len(peaks) == 0:
        return ""
    # One point a pixel is all that can be seen; each take is drawn at its own loudness.
    pixels = max(1, round(x(len(peaks) / peaks_hz) - x(0.0)))
    edges = np.linspace(0, len(peaks), min(pixels, len(peaks)) + 1).astype(int)[:-1]
    tops = np.maximum.reduceat(peaks, edges)
    tops = tops / max(float(tops.max()), 1e-9) * _HALF
    across = [x(start_s + edge / peaks_hz * rate) for edge in edges]
    there = " ".join(f"{at:.1f},{y - top:.1f}" for at, top in zip(across, tops, strict=True))
    back = " ".join(f"{at:.1f},{y + top:.1f}" for at, top in zip(reversed(across), reversed(tops), strict=True))
    return f'<polygon points="{there} {back}" fill="{_INK}" fill-opacity="0.55"/>'
