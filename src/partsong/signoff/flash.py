"""Flashing held against its limit: what :class:`partsong.render.flashing.FlashMeter` counted, in sentences."""

from __future__ import annotations

from partsong.render.flashing import FLASHES_ALLOWED, Worst
from partsong.signoff.checks import Check, held
from partsong.timebase import clock

_PLACES_TOLD = 4

CAUTION = (
    "Flashing pictures can trigger seizures in photosensitive people. Do not show or send this before it is changed; "
    "warn viewers where it has been shown. This measurement certifies nothing: broadcasters ask for their own."
)


def judge(found: tuple[Worst, ...]) -> tuple[Check, ...]:
    """Hold the worst seconds against the limit of three flashes."""
    checks = []
    for worst in found:
        times = "1 flash" if worst.flashes == 1 else f"{worst.flashes:g} flashes" if worst.flashes > 0.5 else "no flash"
        what = {"general": "light and dark", "red": "saturated red"}.get(
            worst.kind, "saturated red, earlier definition"
        )
        if worst.flashes < 1:
            # A single change that does not come back is no flash.
            sentence = f"Nothing flashes ({what})."
        else:
            start = clock(worst.first * worst.rate.frame_s)
            sentence = f"The most flashing ({what}) within a second is {times}, from {start}."
        if worst.fails:
            places = [
                f"{clock(a * worst.rate.frame_s)} to {clock((b + 1) * worst.rate.frame_s)}" for a, b in worst.failing
            ]
            more = f" and {len(places) - _PLACES_TOLD} more places" if len(places) > _PLACES_TOLD else ""
            sentence += f" Take out or soften the flicker at {', '.join(places[:_PLACES_TOLD])}{more}."
        checks.append(
            Check(
                "Flashing",
                sentence,
                f"{times} in a second",
                f"at most {FLASHES_ALLOWED} over a quarter of the field",
                "WCAG 2.2, 2.3.1; ITU-R BT.1702-3 at a white of 200 cd/m²"
                if worst.kind == "general"
                else "WCAG 2.2, red flash"
                if worst.kind == "red"
                else "WCAG 2.0 and 2.1, red flash",
                held(not worst.fails),
                CAUTION if worst.fails else "",
            )
        )
    return tuple(checks)
