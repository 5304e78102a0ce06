"""What can hurt people on such a day: each said once, with the published figure where there is one.

References
----------
NIOSH Publication 98-126 (1998), Criteria for a Recommended Standard: Occupational Noise Exposure, section 1.1 and
Table 1-1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from partsong.errors import InvalidInput

_LIMIT_DBA, _LIMIT_MINUTES, _EXCHANGE_DB = 85.0, 480.0, 3.0

LOCAL_RULES = (
    "This is arithmetic and advice, not permission. Wiring, breakers, stands, rigging and exits follow the rules of "
    "the place you are in, the venue and the papers of the equipment; ask a qualified person where in doubt."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """One danger: ``title``, what to do, and where the figure comes from."""

    title: str
    text: str
    source: str


HEARING = Caution(
    "Hearing",
    "Loud drums, amplifiers and a click in headphones add up over a day. The recommended limit is 85 dB(A) for 8 "
    "hours; every 3 dB more halves the time: 88 dB(A) 4 hours, 94 dB(A) 1 hour, 100 dB(A) 15 minutes. Start the "
    "guide track with the volume down, turn it up until it is just clear, and wear protection near drums.",
    "NIOSH Publication 98-126 (1998), section 1.1 and Table 1-1. It is a recommendation for work places in the United "
    "States; your own country's rules come first.",
)

TIMECODE = Caution(
    "Timecode is not for ears",
    "Heard aloud it is a harsh, steady buzz. Send the right channel by cable into the camera's sound input, never to "
    "headphones or loudspeakers; mute it there before you press play, and start with every level down.",
    "common practice, no source",
)

CAUTIONS = (
    Caution(
        "Lights overhead",
        "Weight every stand, spread its legs, turn one leg under the lamp, and give everything that hangs a "
        "safety bond. Nobody stands beneath while a light is moved.",
        "common practice, no source",
    ),
    Caution(
        "Hot lamps",
        "Filament lamps burn skin and set cloth, paper and wood alight. Keep them a metre clear of anything that "
        "burns, wear gloves, and let them cool before they are moved or packed.",
        "common practice, no source",
    ),
    Caution(
        "Cables",
        "Lay leads along walls, tape or cover them where people walk, uncoil reels fully, and keep exits and the way "
        "to them clear.",
        "common practice, no source",
    ),
    Caution(
        "Mains",
        "Add up the watts on each circuit before switching on. A load that runs for three hours or more may use 80 % "
        "of the breaker's rating: 12 A of a 15 A breaker, 16 A of a 20 A breaker. One person knows where the "
        "breaker is.",
        "NFPA 70, National Electrical Code, 210.19(A) and 210.20(A) (United States; the rule from memory). Elsewhere "
        "a cautious habit, and local code decides.",
    ),
    HEARING,
)

LAMPS = CAUTIONS[:2]
"""Those to read where lamps are planned: lights overhead, hot lamps."""

STRIKING = (*CAUTIONS[:3], HEARING)
"""Those to read again before a set-up is struck: lights overhead, hot lamps, cables, hearing."""


def allowed_minutes(level_dba: float) -> float:
    """Return for how long a sound level is recommended as the most in one day.

    >>> allowed_minutes(94)
    60.0

    Raises
    ------
    InvalidInput
        Above 140 dB(A), which no length of time makes safe (NIOSH 98-126, the ceiling; from memory).
    """
    if level_dba > 140:
        raise InvalidInput("A level above 140 dB(A) is not to be heard at all, however short.")
    return _LIMIT_MINUTES / math.pow(2, (level_dba - _LIMIT_DBA) / _EXCHANGE_DB)
