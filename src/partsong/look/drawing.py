"""Pictures of scopes and of a table's curve: ink on paper, the marks of the limits drawn in.

Arrays in, 8-bit R'G'B' arrays (height, width, 3) out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from partsong.look import scopes
from partsong.look.measure import Measured

Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

PAPER: Colour = (246, 243, 236)
INK: Colour = (40, 38, 36)
FAINT: Colour = (205, 200, 190)
ACCENT: Colour = (176, 58, 30)
CHANNELS: tuple[Colour, Colour, Colour] = ((168, 52, 44), (44, 120, 60), (48, 78, 160))

_LEFT, _TOP, _EDGE = 62, 26, 12
_FAR_SHADOW, _FAR_LIGHT = np.array((22, 40, 74)), np.array((248, 196, 110))


def waveform(counts: NDArray[np.float64], title: str = "Luma") -> Image:
    """Draw a waveform (levels, columns): the more ink, the more of a column's pixels lie there."""
    return _framed([_inked(counts, INK)], [title])


def parade(counts: NDArray[np.float64]) -> Image:
    """Draw the waveforms of red, green and blue (3, levels, columns) side by side."""
    return _framed([_inked(one, ink) for one, ink in zip(counts, CHANNELS, strict=True)], ["Red", "Green", "Blue"])


def histogram(shares: NDArray[np.float64], *, height: int = 240) -> Image:
    """Draw luma as a filled shape and red, green and blue as lines over it, from (4, bins); square-root heights."""
    import cv2

    bins = shares.shape[1]
    step = 2
    image = _sheet(height + _TOP + 30, bins * step + 2 * _EDGE)
    base = _TOP + height
    tall = np.sqrt(shares / max(float(shares.max()), 1e-12)) * height
    for place in range(bins):
        left = _EDGE + place * step
        cv2.rectangle(image, (left, base - round(tall[0, place])), (left + step - 1, base), FAINT, -1)
    for row, ink in zip(tall[1:], CHANNELS, strict=True):
        points = [(_EDGE + place * step, base - round(value)) for place, value in enumerate(row)]
        cv2.polylines(image, [np.array(points, np.int32)], False, ink, 1, cv2.LINE_AA)
    for percent, ink, name in _MARKS:
        x = _EDGE + round((percent / 100 - scopes.LOWEST) / (scopes.HIGHEST - scopes.LOWEST) * bins * step)
        _dashed(image, (x, _TOP), (x, base), ink, name != "")
        if percent in (0, 50, 100):
            _text(image, f"{percent:g} %", (x - 14, base + 18), INK)
    _text(image, "Histogram: luma filled; red, green, blue", (_EDGE, 18), INK)
    return image


def vectorscope(shares: NDArray[np.float64]) -> Image:
    """Draw colour differences (size, size), with marks where the primaries and their mixtures lie at 75 %."""
    import cv2

    size = shares.shape[0]
    image = _sheet(size + _TOP + _EDGE, size + 2 * _EDGE)
    area = image[_TOP : _TOP + size, _EDGE : _EDGE + size]
    area[:] = _inked(shares * size * 3, INK)
    middle = size // 2
    cv2.line(area, (0, middle), (size, middle), FAINT, 1)
    cv2.line(area, (middle, 0), (middle, size), FAINT, 1)
    cv2.circle(area, (middle, middle), round(0.5 / 1.1 * size), FAINT, 1, cv2.LINE_AA)
    for name, colour in zip("RGBCMY", _PRIMARIES, strict=True):
        cb, cr = scopes.chroma(0.75 * np.asarray(colour, np.float64))
        x, y = round((cb + 0.55) / 1.1 * size), round((0.55 - cr) / 1.1 * size)
        cv2.rectangle(area, (x - 5, y - 5), (x + 5, y + 5), INK, 1)
        _text(area, name, (x + 8, y + 4), INK)
    _text(image, "Colour: Cb right, Cr up; boxes at 75 %", (_EDGE, 18), INK)
    return image


def zones(found: NDArray[np.int8]) -> Image:
    """Draw zones of exposure as a picture with its key: grey at 18 %, colder below and warmer above, a stop a step."""
    names = [f"{zone:+d}" if zone else "18 %" for zone in scopes.ZONES]
    palette = np.stack([_zone_colour(zone) for zone in scopes.ZONES])
    picture = palette[found.astype(np.intp) - scopes.ZONES[0]]
    key = _sheet(44, picture.shape[1])
    across = picture.shape[1] / len(names)
    for number, name in enumerate(names):
        left, right = round(number * across), round((number + 1) * across)
        key[:22, left:right] = palette[number]
        _text(key, name, (left + 4, 38), INK)
    return np.concatenate([picture, key])


def curve(codes: NDArray[np.float64], shown: NDArray[np.float64], measured: Measured, title: str) -> Image:
    """Draw what comes out, (n, 3), for neutral input (n,), with floor, ceiling and mid grey marked."""
    import cv2

    size = 480
    image = _sheet(size + _TOP + 40, size + _LEFT + 40)
    low, high = min(0.0, float(shown.min())), max(1.0, float(shown.max()))

    def at(signal_in: float, signal_out: float) -> tuple[int, int]:
        return _LEFT + round(signal_in * size), _TOP + size - round((signal_out - low) / (high - low) * size)

    for tenth in range(0, 11, 2):
        part = tenth / 10
        cv2.line(image, at(part, low), at(part, high), FAINT, 1)
        cv2.line(image, at(0, part), at(1, part), FAINT, 1)
        _text(image, f"{100 * part:.0f}", (at(part, low)[0] - 8, _TOP + size + 18), INK)
        _text(image, f"{100 * part:.0f} %", (4, at(0, part)[1] + 4), INK)
    marks = (
        (measured.floor.percent, f"floor {measured.floor}"),
        (measured.ceiling.percent, f"ceiling {measured.ceiling}"),
    )
    for percent, name in marks:
        _dashed(image, at(0, percent / 100), at(1, percent / 100), ACCENT, True)
        _text(
            image,
            name,
            (at(0.42, 0)[0], at(0, percent / 100)[1] - 5 if percent < 50 else at(0, percent / 100)[1] + 15),
            ACCENT,
        )
    # One line of ink where the channels are one.
    neutral = float(np.ptp(shown, axis=1).max()) < 1 / 876
    for channel, ink in zip(shown.T, (INK,) * 3 if neutral else CHANNELS, strict=True):
        points = np.array([at(a, b) for a, b in zip(codes, channel, strict=True)], np.int32)
        cv2.polylines(image, [points], False, ink, 2, cv2.LINE_AA)
    grey = at(measured.grey_in, measured.grey_out.percent / 100)
    cv2.circle(image, grey, 6, INK, 2, cv2.LINE_AA)
    _text(image, f"mid grey {measured.grey_out}", (grey[0] + 10, grey[1] + 16), INK)
    _text(image, title, (_LEFT, 18), INK)
    _text(image, "signal in, percent", (_LEFT + size - 150, _TOP + size + 34), INK)
    return image


def sheet(images: Sequence[Image], across: int = 2) -> Image:
    """Lay pictures out in rows on one sheet, each as it is."""
    rows = [images[first : first + across] for first in range(0, len(images), across)]
    gap = 10
    wide = max(sum(image.shape[1] + gap for image in row) for row in rows) + gap
    high = sum(max(image.shape[0] for image in row) + gap for row in rows) + gap
    page = _sheet(high, wide)
    top = gap
    for row in rows:
        left = gap
        for image in row:
            page[top : top + image.shape[0], left : left + image.shape[1]] = image
            left += image.shape[1] + gap
        top += max(image.shape[0] for image in row) + gap
    return page


def titled(picture: Image, title: str) -> Image:
    """Set a picture under its title."""
    head = _sheet(22, picture.shape[1])
    _text(head, title, (2, 15), INK)
    return np.concatenate([head, picture])


# --- parts of a drawing ---------------------------------------------------------------------------

# (percent, ink, what it is): the nominal range of the signal, and the preferred one of EBU R 103 dashed.
_MARKS: tuple[tuple[float, Colour, str], ...] = (
    (0, INK, ""),
    (50, FAINT, ""),
    (100, INK, ""),
    (100 * scopes.R103_LOW, ACCENT, "R 103"),
    (100 * scopes.R103_HIGH, ACCENT, "R 103"),
)
_PRIMARIES = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 1, 1), (1, 0, 1), (1, 1, 0))


def _sheet(height: int, width: int) -> Image:
    return np.full((height, width, 3), PAPER, np.uint8)


def _inked(shares: NDArray[np.float64], ink: Colour) -> Image:
    """Turn shares into ink: a few pixels show already, and all of a column is no darker than ink can be."""
    strength = np.clip(np.sqrt(shares * 25), 0, 1)[..., None]
    return np.asarray(np.rint(np.asarray(PAPER) + strength * (np.asarray(ink) - np.asarray(PAPER))), np.uint8)


def _framed(areas: Sequence[Image], titles: Sequence[str]) -> Image:
    """Set waveforms beside each other under their titles, with the lines of the limits across them."""
    levels, columns = (int(side) for side in areas[0].shape[:2])
    gap = 8
    image = _sheet(levels + _TOP + _EDGE, _LEFT + len(areas) * (columns + gap) + 52)

    def row(percent: float) -> int:
        return _TOP + levels - 1 - round((percent / 100 - scopes.LOWEST) / (scopes.HIGHEST - scopes.LOWEST) * levels)

    for number, (area, title) in enumerate(zip(areas, titles, strict=True)):
        left = _LEFT + number * (columns + gap)
        image[_TOP : _TOP + levels, left : left + columns] = area[::-1]
        _text(image, title, (left, 18), INK)
    right = _LEFT + len(areas) * (columns + gap) - gap
    for percent, ink, name in _MARKS:
        _dashed(image, (_LEFT, row(percent)), (right, row(percent)), ink, name != "")
        if name:
            away = -3 if percent > 50 else 13  # from the number beside it
            _text(image, name, (right + 4, row(percent) + away), ink)
        else:
            _text(image, f"{percent:g} %", (8, row(percent) + 4), INK)
            _text(image, str(round(64 + 8.76 * percent)), (right + 4, row(percent) + 4), INK)
    return image


def _dashed(image: Image, start: tuple[int, int], stop: tuple[int, int], ink: Colour, dashed: bool) -> None:
    import cv2

    if not dashed:
        cv2.line(image, start, stop, ink, 1)
        return
    length = max(abs(stop[0] - start[0]), abs(stop[1] - start[1]))
    across, down = np.sign(stop[0] - start[0]), np.sign(stop[1] - start[1])
    for first in range(0, length, 10):
        last = min(first + 5, length)
        one = (int(start[0] + across * first), int(start[1] + down * first))
        cv2.line(image, one, (int(start[0] + across * last), int(start[1] + down * last)), ink, 1)


def _text(image: Image, text: str, place: tuple[int, int], ink: Colour) -> None:
    import cv2

    cv2.putText(image, text, place, cv2.FONT_HERSHEY_SIMPLEX, 0.42, ink, 1, cv2.LINE_AA)


def _zone_colour(zone: int) -> NDArray[np.uint8]:
    if zone == 0:
        return np.array((128, 128, 128), np.uint8)
    share = abs(zone) / scopes.ZONES[-1]
    # Colder and darker down, warmer and lighter up, so that the order is seen without the key and without colour.
    start = np.array((96, 118, 150)) if zone < 0 else np.array((158, 132, 110))
    end = _FAR_SHADOW if zone < 0 else _FAR_LIGHT
    return np.asarray(np.rint(start + (share - 1 / 6) / (5 / 6) * (end - start)), np.uint8)
