"""How late sound reaches the camera, and what that means for the picture.

**The signs, once.** The camera records at media time ``m`` a sound that left the player ``delay`` earlier, while its
picture at ``m`` shows what the player does at ``m``. What is *seen* at ``m`` is therefore *heard* at ``m + delay``.
When the sound of a clip says that media time 0 lies at song time ``s``, its first frame shows song time ``s + delay``:

    picture_start = sound_start + delay

Lining the clip up by its sound alone would show every stroke ``delay`` too early on the song's time line; sound would
come late on the lips by that much.
"""

from __future__ import annotations

from dataclasses import dataclass

from partsong.errors import InvalidInput

SOUND_M_PER_S = 343.2
"""Speed of sound in dry air at 20 degrees C: ISO 9613-1, reference value."""

USUAL_DELAY_S = 0.010
"""Assumed where the distance is not given: a camera three and a half metres away. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Delay:
    """How late sound arrives, in seconds, and whether that comes from a given distance."""

    seconds: float
    known: bool


def delay_over(distance_m: float | None) -> Delay:
    """Return the delay over a distance in metres, or the usual one where none is given.

    Raises
    ------
    InvalidInput
        If the distance is not above zero.

    Examples
    --------
    >>> delay_over(3.432), delay_over(None)
    (Delay(seconds=0.01, known=True), Delay(seconds=0.01, known=False))
    """
    if distance_m is None:
        return Delay(USUAL_DELAY_S, known=False)
    if not distance_m > 0:
        raise InvalidInput(f"The distance {distance_m} m is not above zero. Give metres from the player to the camera.")
    return Delay(distance_m / SOUND_M_PER_S, known=True)


def picture_start_s(sound_start_s: float, delay_s: float) -> float:
    """Return the song time that a clip's first frame shows, from where its sound starts."""
    return sound_start_s + delay_s


def sound_start_s(picture_start_s: float, delay_s: float) -> float:
    """Return where a clip's sound starts on the song, from the song time that its first frame shows."""
    return picture_start_s - delay_s
