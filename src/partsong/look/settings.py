"""Changes to a look as plain values: what was asked for on one side, a whole valid look on the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import get_args

from partsong.errors import InvalidInput
from partsong.film.records import BlackCurve, Cdl, ChannelMix, Film, Look, LookStep, Match, MediaFile, Texture, Tint

AS_SEEN = "as-seen"
"""The black-and-white mix by luminance: what looked brighter stays brighter. Its weights come from the config."""

MIXES: dict[str, tuple[float, float, float]] = {
    # Named by what they do; the figures are common practice, no source. Each sums to one, so that grey stays.
    "even": (1 / 3, 1 / 3, 1 / 3),
    "lift-warm": (0.70, 0.25, 0.05),  # skin, wood and lamp light come forward
    "lift-green": (0.15, 0.75, 0.10),
    "darken-sky": (0.60, 0.50, -0.10),  # blue light counts against: sky and cool shadow go deep
    "lift-cool": (0.10, 0.30, 0.60),  # warm surfaces sink back, texture shows
}
TINTS: dict[str, Tint] = {
    # Common practice, no source.
    "warm": Tint(shadows=(1.10, 1.0, 0.86), highlights=(1.04, 1.0, 0.93)),
    "cool": Tint(shadows=(0.90, 1.0, 1.12), highlights=(0.97, 1.0, 1.04)),
    "cool-shadows-warm-lights": Tint(shadows=(0.92, 1.0, 1.12), highlights=(1.05, 1.0, 0.92)),
}
OFF = "off"


@dataclass(frozen=True, slots=True)
class CdlWish:
    """What a person asked of a grade; None leaves a number as it is."""

    slope: tuple[float, float, float] | None = None
    offset: tuple[float, float, float] | None = None
    power: tuple[float, float, float] | None = None
    saturation: float | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing was asked for."""
        return all(getattr(self, entry.name) is None for entry in fields(self))


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person asked of the look; None leaves a setting as it is.

    ``black_and_white`` is a preset's name, three weights as text (``0.5,0.3,0.2``), or ``off``; ``tint`` a preset's
    name, the colours of shadows and highlights (``1.1,1,0.9/1,1,1``), or ``off``. ``table`` is a file of the film, or
    ``off``; ``table_space`` an encoding, or ``off``. ``order`` names all steps in light. ``texture`` is what it is to
    become; an all-zero one is none.
    """

    config: str | None = None
    input_space: str | None = None
    display: str | None = None
    view: str | None = None
    exposure_stops: float | None = None
    cdl: CdlWish | str | None = None
    contrast: float | None = None
    pivot: float | None = None
    saturation: float | None = None
    black_and_white: str | None = None
    tint: str | None = None
    order: tuple[str, ...] | None = None
    table: MediaFile | str | None = None
    table_space: str | None = None
    black: BlackCurve | str | None = None
    grain_percent: float | None = None
    grain_px: float | None = None
    vignette_stops: float | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing was asked for."""
        return all(getattr(self, entry.name) is None for entry in fields(self))


_PLAIN = ("input_space", "display", "view", "exposure_stops", "contrast", "pivot", "saturation")


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
    for name in _PLAIN:
        value = getattr(wish, name)
        if value is not None:
            changes[name] = value
    if wish.black_and_white is not None:
        changes["black_and_white"] = mix_of(wish.black_and_white, luminance)
    if wish.tint is not None:
        changes["tint"] = tint_of(wish.tint)
    if wish.order is not None:
        changes["order"] = order_of(wish.order)
    for name, kind in (("table", MediaFile), ("black", BlackCurve)):
        value = getattr(wish, name)
        if value is not None:
            changes[name] = value if isinstance(value, kind) else None
    if wish.table_space is not None:
        changes["table_space"] = None if wish.table_space == OFF else wish.table_space
    if changes.get("table", look and look.table) is None:
        if changes.get("table_space") is not None:
            raise InvalidInput("The look has no table whose encoding that could be. Give one with it: --cube FILE")
        changes["table_space"] = None  # an encoding for a table that is gone has no use
    if look is None:
        missing = [f"--{name}" for name in ("display", "view") if name not in changes]
        if missing:
            raise InvalidInput(
                f"The film has no look yet, and a new one needs {' and '.join(missing)}. "
                "See what there is to choose from: partsong look spaces FILM"
            )
        look = Look(config=config, display=str(changes["display"]), view=str(changes["view"]))
    if wish.cdl is not None:
        changes["cdl"] = cdl_of(look.cdl, wish.cdl)
    changes["texture"] = _texture(look.texture or Texture(), wish)
    return look.replace(**changes)


def cdl_of(cdl: Cdl | None, wish: CdlWish | str) -> Cdl | None:
    """Return a grade with a wish fulfilled; None where it does nothing, or was switched off.

    Raises
    ------
    InvalidInput
        If a number is out of range.
    """
    if isinstance(wish, str):
        return None
    before = cdl or Cdl()
    changes = {entry.name: getattr(wish, entry.name) for entry in fields(wish)}
    after = before.replace(**{name: value for name, value in changes.items() if value is not None})
    return None if after == Cdl() else after


def graded(film: Film, name: str, cdl: Cdl | None, *, sentence: str = "", by_hand: bool = True) -> Film:
    """Return a film in which a take's own light goes through a grade.

    A stage take's is kept as its match, since the merge can use a gain and nothing else of a grade.

    Raises
    ------
    InvalidInput
        If a stage take is given more than a slope.
    """
    take = film.take(name)
    if take.kind == "roaming":
        own = take.replace(grade=cdl)
        return film.replace(takes=tuple(own if other.id == name else other for other in film.takes))
    if cdl is not None and not cdl.is_gain:
        raise InvalidInput(
            f"{name} is merged with other takes in scene-linear light, where only a slope keeps the merge right. Leave "
            "out offset, power and saturation, or put them on the whole film: partsong look set FILM --offset ..."
        )
    others = tuple(match for match in film.stage.matches if match.take != name)
    if cdl is not None:
        words = sentence or f"By hand: {cdl_words(cdl)}"
        others += (Match(take=name, gain=cdl.slope, known=True, by_hand=by_hand, sentence=words),)
    return film.replace(stage=film.stage.replace(matches=others))


def order_of(names: Sequence[str]) -> tuple[LookStep, ...]:
    """Return an order of the steps in light: those named first, the others after them as they usually are.

    Raises
    ------
    InvalidInput
        If there is no such step, or one is named twice.

    Examples
    --------
    >>> order_of(["contrast", "exposure"])
    ('contrast', 'exposure', 'cdl', 'colour', 'tint')
    """
    steps = get_args(LookStep)
    for name in names:
        if name not in steps:
            raise InvalidInput(f"The look has no step {name!r} in light. It has: {', '.join(steps)}.")
    if len(set(names)) != len(names):
        raise InvalidInput("The order names a step twice. Name each once; those left out come after.")
    return (*(step for name in names for step in steps if step == name), *(s for s in steps if s not in names))


def _texture(before: Texture, wish: Wish) -> Texture | None:
    changes = {name: getattr(wish, name) for name in Texture.model_fields}
    after = before.replace(**{name: value for name, value in changes.items() if value is not None})
    return None if after.grain_percent == 0 and after.vignette_stops == 0 else after


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


def tint_of(text: str) -> Tint | None:
    """Return the colours that a preset's name or ``r,g,b/r,g,b`` (shadows, highlights) stand for; None for ``off``.

    Raises
    ------
    InvalidInput
        If the text is neither.

    Examples
    --------
    >>> tint_of("1,1,1/1.05,1,0.9").highlights
    (1.05, 1.0, 0.9)
    """
    name = text.strip().lower()
    if name == OFF:
        return None
    if name in TINTS:
        return TINTS[name]
    try:
        shadows, highlights = (triple_of(half, "a colour") for half in text.split("/"))
    except ValueError as problem:
        raise InvalidInput(
            f"{text!r} is no tint. Give one of {', '.join((*TINTS, OFF))}, or the colours of shadows and highlights "
            "such as 1.1,1,0.9/1.05,1,0.95."
        ) from problem
    return Tint().replace(shadows=shadows, highlights=highlights)


def triple_of(text: str, what: str) -> tuple[float, float, float]:
    """Return three numbers; one stands for all three.

    Raises
    ------
    InvalidInput
        If it is neither one number nor three.

    Examples
    --------
    >>> triple_of("1.1", "slope"), triple_of("1,2,3", "slope")
    ((1.1, 1.1, 1.1), (1.0, 2.0, 3.0))
    """
    try:
        numbers = [float(field) for field in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) == 1:
        numbers *= 3
    if len(numbers) != 3:
        raise InvalidInput(f"{text!r} is not {what} of red, green and blue. Give three numbers such as 1.1,1,0.95.")
    red, green, blue = numbers
    return red, green, blue


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


def cdl_words(cdl: Cdl | None) -> str:
    """Say a grade in one line, only what it does.

    >>> cdl_words(Cdl(slope=(1.2, 1.0, 0.9), saturation=0.8))
    'slope 1.2 1 0.9, saturation 0.8'
    """
    if cdl is None:
        return "none"
    plain = Cdl()
    told = [
        f"{name} {' '.join(f'{value:.6g}' for value in getattr(cdl, name))}"
        for name in ("slope", "offset", "power")
        if getattr(cdl, name) != getattr(plain, name)
    ]
    if cdl.saturation != 1:
        told.append(f"saturation {cdl.saturation:g}")
    return ", ".join(told) or "none"


def percents(values: Sequence[float]) -> str:
    """Return shares as percentages, one where all are the same.

    >>> percents((0.03, 0.03, 0.03)), percents((0.03, 0.03, 0.06))
    ('3.000', '3.000 3.000 6.000')
    """
    told = [f"{100 * value:.3f}" for value in values]
    return told[0] if len(set(told)) == 1 else " ".join(told)


def _shown(value: object) -> str:
    if value is None:
        return OFF
    if isinstance(value, ChannelMix):
        return f"{value.red:.3g}, {value.green:.3g}, {value.blue:.3g}"
    if isinstance(value, MediaFile):
        return value.path
    if isinstance(value, Cdl):
        return cdl_words(value)
    if isinstance(value, Tint):
        return " / ".join(" ".join(f"{part:g}" for part in half) for half in (value.shadows, value.highlights))
    if isinstance(value, BlackCurve):
        return f"{percents(value.level)} % becomes 0"
    if isinstance(value, Texture):
        return f"grain {value.grain_percent:g} % of {value.grain_px:g} px, vignette {value.vignette_stops:g} stops"
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)
