"""Exact time: whole ticks over a rational time base, and the labels of SMPTE timecode.

Seconds as floating-point numbers appear in arithmetic and on screen only; whatever is stored is a
:class:`Time` or a :class:`Rate`. ``23.98`` is never a rate: use ``24000/1001``.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from partsong.errors import InvalidInput

SAMPLES = Fraction(1, 48000)
"""The time base of placements and of sound: one 48 kHz sample."""

# Rates that people name by a rounded decimal, each with what the decimal stands for.
_NAMED_DECIMALS = {
    "23.976": Fraction(24000, 1001),
    "23.98": Fraction(24000, 1001),
    "29.97": Fraction(30000, 1001),
    "47.95": Fraction(48000, 1001),
    "47.952": Fraction(48000, 1001),
    "59.94": Fraction(60000, 1001),
    "119.88": Fraction(120000, 1001),
}

# Longer ones are no one's and would only be slow.
_LONGEST_NUMBER = 40
_NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))(?:\s*/\s*(\d+))?", re.ASCII)

_Natural = Annotated[int, Field(gt=0)]


class _Exact(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Rate(_Exact):
    """Frames (or samples) a second as a fraction in lowest terms.

    >>> Rate.of("30000/1001").frame_s
    Fraction(1001, 30000)
    """

    num: _Natural
    den: _Natural = 1

    @model_validator(mode="before")
    @classmethod
    def _lowest_terms(cls, value: object) -> object:
        if isinstance(value, dict):
            num, den = value.get("num"), value.get("den", 1)
            if isinstance(num, int) and isinstance(den, int) and num > 0 and den > 0:
                exact = Fraction(num, den)
                return {**value, "num": exact.numerator, "den": exact.denominator}
        return value

    @classmethod
    def of(cls, value: str | int | Fraction) -> Self:
        """Read a rate from a fraction, a whole number or text such as ``25`` or ``24000/1001``.

        The rounded names of the 1001 family (``23.976``, ``29.97`` ...) are understood as the
        fractions they stand for; any other decimal is refused.
        """
        if isinstance(value, str):
            text = value.strip()
            if text in _NAMED_DECIMALS:
                value = _NAMED_DECIMALS[text]
            elif re.fullmatch(r"\d+(\s*/\s*\d+)?", text):
                num, _, den = text.partition("/")
                if int(num) == 0 or (den and int(den) == 0):
                    raise InvalidInput(f"The rate {text!r} is zero or undefined. Give frames a second, such as 25.")
                value = Fraction(int(num), int(den or 1))
            else:
                raise InvalidInput(
                    f"The rate {text!r} is not exact. Give a whole number or a fraction such as 25 or 24000/1001."
                )
        exact = Fraction(value)
        if exact <= 0:
            raise InvalidInput(f"The rate {value} is not above zero. Give frames a second, such as 25.")
        return cls(num=exact.numerator, den=exact.denominator)

    @property
    def exact(self) -> Fraction:
        """The rate in frames a second."""
        return Fraction(self.num, self.den)

    @property
    def frame_s(self) -> Fraction:
        """The length of one frame in seconds."""
        return Fraction(self.den, self.num)

    @property
    def nominal(self) -> int:
        """The whole number that timecode counts to: 30 for 30000/1001."""
        return -(-self.num // self.den)

    def frames_at(self, seconds: Fraction) -> int:
        """Return the number of the frame nearest to a time, halves upwards."""
        return round_half_up(seconds * self.exact)

    def __str__(self) -> str:
        return str(self.num) if self.den == 1 else f"{self.num}/{self.den}"


class Time(_Exact):
    """A point or length of time: ``ticks`` x ``base_num/base_den`` seconds, exactly.

    Two times that mean the same are equal only when their bases are too; compare ``seconds``.

    >>> Time.of(Fraction(1, 2), SAMPLES).ticks
    24000
    """

    ticks: int
    base_num: _Natural = 1
    base_den: _Natural = 48000

    @classmethod
    def of(cls, seconds: Fraction | int, base: Fraction = SAMPLES) -> Self:
        """Return the tick nearest to ``seconds`` on a time base (seconds a tick), halves upwards."""
        return cls(ticks=round_half_up(Fraction(seconds) / base), base_num=base.numerator, base_den=base.denominator)

    @classmethod
    def at_frame(cls, frame: int, rate: Rate) -> Self:
        """Return the start of a frame, exactly."""
        return cls(ticks=frame, base_num=rate.den, base_den=rate.num)

    @property
    def base(self) -> Fraction:
        """Seconds a tick."""
        return Fraction(self.base_num, self.base_den)

    @property
    def seconds(self) -> Fraction:
        """The time in seconds, exactly."""
        return self.ticks * self.base

    def __float__(self) -> float:
        return float(self.seconds)


def round_half_up(value: Fraction) -> int:
    """Round to the nearest whole number, halves towards plus infinity.

    >>> round_half_up(Fraction(-1, 2)), round_half_up(Fraction(5, 2))
    (0, 3)
    """
    return (value + Fraction(1, 2)).__floor__()


def exact_number(text: str, what: str) -> Fraction:
    """Read a decimal or a fraction exactly as it is written.

    >>> exact_number("92.5", "tempo"), exact_number("184/2", "tempo")
    (Fraction(185, 2), Fraction(92, 1))

    Raises
    ------
    InvalidInput
        If the text is neither; ``what`` names it in the sentence.
    """
    plain = text.strip()
    if len(plain) <= _LONGEST_NUMBER and (match := _NUMBER.fullmatch(plain)) and (by := int(match[2] or 1)):
        return Fraction(match[1]) / by
    shown = text if len(text) <= _LONGEST_NUMBER else f"{text[:_LONGEST_NUMBER]}..."
    raise InvalidInput(f"The {what} {shown!r} is not a number. Write it like 92, 92.5 or 184/2.")


def clock(seconds: Fraction | float) -> str:
    """Write a time as minutes and seconds for a person to read.

    >>> clock(72.44)
    '01:12.44'
    """
    hundredths = round(float(seconds) * 100)
    sign = "-" if hundredths < 0 else ""
    minutes, rest = divmod(abs(hundredths), 6000)
    return f"{sign}{minutes:02d}:{rest // 100:02d}.{rest % 100:02d}"


# --- timecode -----------------------------------------------------------------------------------
#
# SMPTE ST 12-1 (drop-frame compensation); ST 12-3 for the labels of 59.94, whose numbering is the
# same with twice the labels left out. Drop-frame leaves out labels, never pictures.

_LABEL = re.compile(r"(\d{2}):(\d{2}):(\d{2})([:;.])(\d{2,3})")


def drops_labels(rate: Rate) -> bool:
    """Say whether drop-frame counting exists at a rate: 30000/1001 and its multiples only."""
    return rate.den == 1001 and rate.num % 30000 == 0


def frame_to_timecode(frame: int, rate: Rate, *, drop: bool = False) -> str:
    """Write the timecode label of a frame, counted from 00:00:00:00.

    Parameters
    ----------
    frame : int, 0 or more
        Labels wrap after 24 hours.
    rate : Rate
        Frames a second.
    drop : bool
        Drop-frame labels (written with ``;``); only at 30000/1001 and its multiples.

    Raises
    ------
    InvalidInput
        If the frame is negative or the rate has no drop-frame labels.

    References
    ----------
    SMPTE ST 12-1:2014, drop-frame compensation.

    Examples
    --------
    >>> frame_to_timecode(1800, Rate.of("29.97"), drop=True)
    '00:01:00;02'
    """
    if frame < 0:
        raise InvalidInput(f"Frame {frame} has no timecode label. Give a frame at or after 0.")
    count = rate.nominal
    if drop:
        skipped = _labels_skipped(rate)
        frame %= 24 * 6 * (600 * count - 9 * skipped)
        tens, rest = divmod(frame, 600 * count - 9 * skipped)
        frame += 9 * skipped * tens
        if rest >= skipped:
            frame += skipped * ((rest - skipped) // (60 * count - skipped))
    seconds, frames = divmod(frame, count)
    hours, seconds = divmod(seconds % 86400, 3600)
    width = 3 if count > 100 else 2
    separator = ";" if drop else ":"
    return f"{hours:02d}:{seconds // 60:02d}:{seconds % 60:02d}{separator}{frames:0{width}d}"


def timecode_to_frame(label: str, rate: Rate, *, drop: bool | None = None) -> int:
    """Read a timecode label as a count of frames from 00:00:00:00.

    Parameters
    ----------
    label : str
        ``hh:mm:ss:ff``; ``;`` before the frames means drop-frame.
    rate : Rate
        Frames a second.
    drop : bool, optional
        Overrides what the separator says.

    Raises
    ------
    InvalidInput
        If the text is no label, a field is out of range, the rate has no drop-frame labels, or the
        label is one that drop-frame leaves out (such as ``00:01:00;00``).

    References
    ----------
    SMPTE ST 12-1:2014, drop-frame compensation.
    """
    match = _LABEL.fullmatch(label.strip())
    if match is None:
        raise InvalidInput(f"{label!r} is not a timecode label. Write it as hh:mm:ss:ff, such as 01:00:00:00.")
    hours, minutes, seconds, frames = (int(match[group]) for group in (1, 2, 3, 5))
    drop = match[4] == ";" if drop is None else drop
    count = rate.nominal
    if hours > 23 or minutes > 59 or seconds > 59 or frames >= count:
        raise InvalidInput(
            f"The timecode {label!r} does not exist at {rate} frames a second: "
            f"hours run to 23, minutes and seconds to 59, frames to {count - 1}."
        )
    total_minutes = 60 * hours + minutes
    number = (60 * total_minutes + seconds) * count + frames
    if not drop:
        return number
    skipped = _labels_skipped(rate)
    if minutes % 10 and seconds == 0 and frames < skipped:
        raise InvalidInput(
            f"The timecode {label!r} is one that drop-frame counting leaves out. "
            f"The first label of that minute ends in ;{skipped:02d}."
        )
    return number - skipped * (total_minutes - total_minutes // 10)


def _labels_skipped(rate: Rate) -> int:
    if not drops_labels(rate):
        raise InvalidInput(
            f"There is no drop-frame timecode at {rate} frames a second. Use non-drop labels, written with a colon."
        )
    return 2 * (rate.num // 30000)
