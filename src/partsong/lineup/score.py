"""The placements as a score, in SVG: the song on top with its bar lines, a row a take beneath.

Confidence is told in words and by the weight of the line under the take: heavy and whole for *sure*, light for
*likely*, broken where somebody must decide. A take without a place is named on its row and not drawn. The one accent
colour marks what needs a decision.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Placement
from partsong.timebase import clock

_PAPER, _INK, _FAINT, _ACCENT = "#f6f1e4", "#23211c", "#b9b09a", "#a8321f"
_LEFT, _RIGHT, _TOP, _ROW, _WIDTH = 150.0, 20.0, 74.0, 84.0, 1400.0
_HALF = 20.0  # half the height of a waveform
_Scale = Callable[[float], float]  # song time to a place across the page
_WEIGHT = {"sure": 4.0, "likely": 1.6, "ask": 1.6, "none": 0.0}


@dataclass(frozen=True, slots=True)
class Head:
    """The song: its title, length, waveform (highest samples, evenly spaced) and bars as (number, song time)."""

    title: str
    length_s: float
    peaks: NDArray[np.float32]
    bars: Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class Row:
    """One take: the name of its part, its placement, its length on its own clock and its waveform."""

    part: str
    take: str
    placement: Placement
    length_s: float
    peaks: NDArray[np.float32]


def draw(head: Head, rows: Sequence[Row], peaks_hz: int) -> str:
    """Return the score as an SVG document; ``peaks_hz`` is how many peaks make a second."""
    spans = [_span(row) for row in rows if _shown_start(row) is not None]
    first_s = min([0.0, *(start for start, _ in spans)])
    last_s = max([head.length_s, *(stop for _, stop in spans)])
    scale = (_WIDTH - _LEFT - _RIGHT) / (last_s - first_s)

    def x(song_s: float) -> float:
        return _LEFT + (song_s - first_s) * scale

    height = _TOP + _ROW * (len(rows) + 1)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" '
        f'font-family="Georgia, serif" font-size="13" fill="{_INK}">',
        f"<title>{escape(head.title)}: where each take sits</title>",
        f'<rect width="{_WIDTH:.0f}" height="{height:.0f}" fill="{_PAPER}"/>',
        f'<text x="16" y="28" font-size="18">{escape(head.title)}</text>',
        *_bars(head, x, height),
        f'<text x="16" y="{_TOP + 4:.1f}">song</text>',
        _waveform(head.peaks, peaks_hz, x, 0.0, 1.0, _TOP),
        f'<line x1="{x(0):.1f}" x2="{x(head.length_s):.1f}" y1="{_TOP:.1f}" y2="{_TOP:.1f}" stroke="{_INK}"/>',
    ]
    for number, row in enumerate(rows, start=1):
        parts.extend(_row(row, _TOP + number * _ROW, x, peaks_hz))
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _bars(head: Head, x: _Scale, height: float) -> list[str]:
    # Every bar is a line; numbers stand where they have room.
    lines, free_from = [], 0.0
    for bar, at_s in head.bars:
        at = x(at_s)
        lines.append(
            f'<line x1="{at:.1f}" x2="{at:.1f}" y1="44" y2="{height - 8:.0f}" stroke="{_FAINT}" stroke-width="0.7"/>'
        )
        if at >= free_from:
            lines.append(f'<text x="{at + 2:.1f}" y="42" font-size="10">{bar}</text>')
            free_from = at + 28
    return lines


def _row(row: Row, y: float, x: _Scale, peaks_hz: int) -> list[str]:
    placement = row.placement
    decide = placement.confidence in ("ask", "none")
    ink = _ACCENT if decide else _INK
    out = [
        f'<text x="16" y="{y - 6:.1f}">{escape(row.part)}</text>',
        f'<text x="16" y="{y + 9:.1f}" font-size="11">{escape(row.take)}</text>',
    ]
    start = _shown_start(row)
    words = f"{placement.confidence}: {placement.sentence}" if placement.sentence else placement.confidence
    if start is not None:
        first, stop = _span(row)
        rate = 1 + placement.drift_ppm * 1e-6
        dash = ' stroke-dasharray="7 5"' if decide else ""
        if placement.start is not None:
            words = f"{clock(start)}, {words}"
        out.append(_waveform(row.peaks, peaks_hz, x, start, rate, y))
        out.append(
            f'<line x1="{x(first):.1f}" x2="{x(stop):.1f}" y1="{y + _HALF + 4:.1f}" y2="{y + _HALF + 4:.1f}" '
            f'stroke="{ink}" stroke-width="{_WEIGHT[placement.confidence] or 1.6}"{dash}/>'
        )
        for candidate in placement.candidates[1:] if decide else ():
            other = x(float(candidate.start))
            out.append(
                f'<line x1="{other:.1f}" x2="{other:.1f}" y1="{y - _HALF:.1f}" y2="{y + _HALF:.1f}" '
                f'stroke="{ink}" stroke-dasharray="2 3"/>'
            )
    out.append(f'<text x="{_LEFT:.1f}" y="{y + _HALF + 19:.1f}" font-size="11" fill="{ink}">{escape(words)}</text>')
    return out


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
