"""Light that falls off with distance, and the load that lamps put on a circuit. Arithmetic, not permission.

References
----------
Inverse square law: S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), or any optics handbook.
NFPA 70, National Electrical Code, 210.19(A) and 210.20(A): a load that runs for three hours or more may use 80 % of
the breaker's rating (the rule from memory; it is a rule of the United States, elsewhere a cautious habit).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from partsong.errors import InvalidInput
from partsong.prepare.values import above_zero

CONTINUOUS_SHARE = 0.8
"""The part of a breaker's rating that a continuous load may use: NFPA 70, 210.20(A)."""


@dataclass(frozen=True, slots=True)
class Load:
    """What lamps draw from one circuit. ``allowed_*`` are 80 % of the breaker's rating."""

    watts: float
    current_a: float
    allowed_a: float
    allowed_watts: float

    @property
    def fits(self) -> bool:
        """Whether the lamps stay within the share for a continuous load."""
        return self.current_a <= self.allowed_a

    @property
    def words(self) -> tuple[str, ...]:
        """The sum, the verdict and the rule behind it, a sentence each."""
        return (
            f"Together {self.watts:g} W, {self.current_a:.2f} A of the {self.allowed_a:g} A ({self.allowed_watts:g} W) "
            "that a load of three hours or more may use.",
            "It fits." if self.fits else "Too much: move a lamp to another circuit or use a smaller one.",
            "The 80 % rule: NFPA 70, 210.20(A) (United States; from memory); elsewhere a cautious habit.",
        )


def stops_between(from_m: float, to_m: float) -> float:
    """Return by how many stops a small light changes on the subject when its distance changes; negative is darker.

    >>> stops_between(2, 4)
    -2.0
    """
    above_zero(from_m, "first distance")
    above_zero(to_m, "second distance")
    return -2 * math.log2(to_m / from_m)


def beam_width_m(angle_deg: float, distance_m: float) -> float:
    """Return the diameter of the circle that a beam of a full angle lights, straight on."""
    if not 0 < angle_deg < 180:
        raise InvalidInput(f"A beam has an angle between 0 and 180 degrees; it is {angle_deg:g}.")
    above_zero(distance_m, "distance")
    return 2 * distance_m * math.tan(math.radians(angle_deg) / 2)


def circuit_load(lamp_watts: Sequence[float], *, volts: float, breaker_a: float, power_factor: float = 1.0) -> Load:
    """Return what lamps draw from one circuit and what it may carry for hours.

    Parameters
    ----------
    lamp_watts : sequence of float
        What each lamp (and charger, amplifier, computer) on the circuit draws.
    volts, breaker_a : float
        The mains voltage and the breaker's rating.
    power_factor : float
        1 for filament lamps only; the papers of other lamps state theirs, often 0.5 to 0.95.
    """
    if not lamp_watts:
        raise InvalidInput("There is no lamp to add up. Give the watts of each lamp on the circuit.")
    for watts in lamp_watts:
        above_zero(watts, "power of a lamp")
    above_zero(volts, "voltage")
    above_zero(breaker_a, "breaker's rating")
    if not 0 < power_factor <= 1:
        raise InvalidInput(f"A power factor lies above 0 and up to 1; it is {power_factor:g}.")
    total = math.fsum(lamp_watts)
    allowed_a = CONTINUOUS_SHARE * breaker_a
    return Load(total, total / (volts * power_factor), allowed_a, allowed_a * volts * power_factor)
