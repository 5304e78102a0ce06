"""Changes to a look as plain values: what was asked for on one side, a whole valid look on the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

from partsong.errors import InvalidInput
from partsong.film.records import ChannelMix, Look, MediaFile

AS_SEEN = "as-seen"
"""The black-and-white mix by luminance: what looked brighter stays brighter. Its weights come from the config."""

MIXES: dict[str, tuple[float, float, float]] = {
    # Named by what they do; the figures are common practice, no source. Each sums to one, so that grey stays.
    "even": (1 / 3, 1 / 3, 1 / 3),
    "lift-warm": (0.70, 0.25, 0.05),  # skin, wood and lamp light come forward
    "lift-green": (0.15, 0.75, 0.10),
    "lift-cool": (0.10, 0.30, 0.60),  # warm surfaces sink back, texture shows
}
OFF = "off"


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person asked of the look; None leaves a setting as it is.

    ``black_and_white`` is a preset's name, three weights as text (``0.5,0.3,0.2``), or ``off``. ``table`` is a file of
    the film, or ``off``. ``black_level`` is display code from 0 to 1.
    """

    config: str | None = None
    input_space: str | None = None
    display: str | None = None
    view: str | None = None
    exposure_stops: float | None = None
    contrast: float | None = None
    pivot: float | None = None
    saturation: float | None = None
    black_and_white: str | None = None
    table: MediaFile | str | None = None
    black_level: float | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing was asked for."""
        return all(getattr(self, entry.name) is None for entry in fields(self))


def revised(look: Look | None, wish: Wish, *, config: str, luminance: Sequence[float]) -> Look:
    """Return a look with a wish fulfilled; names of spaces and displays are taken as they are.

    Parameters
    ----------
    look : Look or None
        The look so far; None makes a new one, for which display and view must be named.
    wish : Wish
        What to change.
    config : str
        The config of the result.
    luminance : sequence of 3 floats
        The luminance weights of that config's working space.

    Raises
    ------
    InvalidInput
        If a new look lacks display or view, a mix cannot be read, or a value is out of range.
    """
    changes: dict[str, object] = {"config": config}
    for name in ("input_space", "display", "view", "exposure_stops", "contrast", "pivot", "saturation", "black_level"):
        value = getattr(wish, name)
        if value is not None:
            changes[name] = value
    if wish.black_and_white is not None:
        changes["black_and_white"] = mix_of(wish.black_and_white, luminance)
    if wish.table is not None:
        changes["table"] = wish.table if isinstance(wish.table, MediaFile) else None
    if look is None:
        missing = [f"--{name}" for name in ("display", "view") if name not in changes]
        if missing:
            raise InvalidInput(
                f"The film has no look yet, and a new one needs {' and '.join(missing)}. "
                "See what there is to choose from: partsong look spaces FILM"
            )
        look = Look(config=config, display=str(changes["display"]), view=str(changes["view"]))
    return look.replace(**changes)


def mix_of(text: str, luminance: Sequence[float]) -> ChannelMix | None:
    """Return the weights that a preset's name or three numbers stand for; None for ``off``.

    Three numbers are used as they are when they sum to one, and refused otherwise.

    Raises
    ------
    InvalidInput
        If the text is neither, or the numbers do not sum to one.

    Examples
    --------
    >>> mix_of("0.5,0.3,0.2", (0.2126, 0.7152, 0.0722)).green
    0.3
    """
    name = text.strip().lower()
    if name == OFF:
        return None
    if name == AS_SEEN:
        red, green, blue = (float(weight) for weight in luminance)
    elif name in MIXES:
        red, green, blue = MIXES[name]
    else:
        try:
            red, green, blue = (float(field) for field in text.split(","))
        except ValueError as problem:
            raise InvalidInput(
                f"{text!r} is no black-and-white mix. Give one of {', '.join((AS_SEEN, *MIXES, OFF))}, or the weights "
                "of red, green and blue light such as 0.5,0.3,0.2."
            ) from problem
        total = red + green + blue
        if not abs(total - 1) <= 1e-6:
            raise InvalidInput(
                f"The weights {text} sum to {total:g}; they must sum to 1, so that grey keeps its brightness."
            )
    return ChannelMix(red=red, green=green, blue=blue)


def sentence_of(before: Look | None, after: Look) -> str:
    """Say in one line what changed between two looks."""
    if before is None:
        return f"Set the look: {after.display}, {after.view}"
    told = []
    for name in Look.model_fields:
        value = getattr(after, name)
        if value != getattr(before, name):
            told.append(f"{name.replace('_', ' ')} {_shown(value)}")
    return f"Changed the look: {', '.join(told)}" if told else "Left the look as it was"


def _shown(value: object) -> str:
    if value is None:
        return OFF
    if isinstance(value, ChannelMix):
        return f"{value.red:.3g}, {value.green:.3g}, {value.blue:.3g}"
    if isinstance(value, MediaFile):
        return value.path
    return f"{value:g}" if isinstance(value, float) else str(value)
