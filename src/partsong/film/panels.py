"""Where the panels of a shot lie in the frame."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from partsong.film.records import Panel

Box = tuple[int, int, int, int]
"""Left, top, width and height in pixels."""

GAP = 0.005
"""The black between two panels, as a share of the frame's width (common practice, no source)."""


def boxes(rows: Sequence[Sequence[Panel]], width: int, height: int) -> Iterator[tuple[Panel, Box]]:
    """Yield each panel with its box in a frame of this size, all of it even, so that colour samples stay whole.

    >>> left, right = boxes([[Panel(source="a"), Panel(source="b")]], 1920, 1080)
    >>> left[1], right[1]
    ((0, 0, 956, 1080), (966, 0, 954, 1080))
    """
    gap = max(2, round(width * GAP / 2) * 2)
    for row, (top, bottom) in zip(rows, _parted(height, len(rows), gap), strict=True):
        for panel, (left, right) in zip(row, _parted(width, len(row), gap), strict=True):
            yield panel, (left, top, right - left, bottom - top)


def _parted(length: int, parts: int, gap: int) -> Iterator[tuple[int, int]]:
    whole = length - (parts - 1) * gap
    for part in range(parts):
        begin, end = (2 * round(whole * edge / parts / 2) for edge in (part, part + 1))
        yield begin + part * gap, end + part * gap
