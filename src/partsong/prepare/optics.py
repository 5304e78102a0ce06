"""What a lens sees and how much of it is sharp: thin-lens geometry, lengths in the units of their names.

References
----------
S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), or any optics handbook.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from partsong.errors import InvalidInput
from partsong.prepare.values import above_zero

USUAL_BLUR_MM = 0.03
"""Permitted blur circle for a sensor 36 mm across: common practice, no source. It scales with the sensor's width."""


@dataclass(frozen=True, slots=True)
class Sharp:
    """What is sharp: from ``near_m`` to ``far_m`` (infinite beyond the hyperfocal distance), both from the lens."""

    near_m: float
    far_m: float
    hyperfocal_m: float


def usual_blur_mm(sensor_mm: float) -> float:
    """Return the permitted blur circle for a sensor of some width: see :data:`USUAL_BLUR_MM`."""
    return USUAL_BLUR_MM * sensor_mm / 36


def angle_of_view_deg(focal_mm: float, sensor_mm: float) -> float:
    """Return the angle a lens sees across a sensor's side, for distant subjects.

    >>> round(angle_of_view_deg(24, 36), 2)
    73.74
    """
    above_zero(focal_mm, "focal length")
    above_zero(sensor_mm, "sensor size")
    return math.degrees(2 * math.atan(sensor_mm / (2 * focal_mm)))


def field_width_m(focal_mm: float, sensor_mm: float, distance_m: float) -> float:
    """Return how wide a strip of the room fills the picture at a distance.

    >>> field_width_m(24, 36, 3)
    4.5
    """
    above_zero(focal_mm, "focal length")
    above_zero(sensor_mm, "sensor size")
    above_zero(distance_m, "distance")
    return sensor_mm * distance_m / focal_mm


def sharp_range(focal_mm: float, f_number: float, focus_m: float, blur_mm: float = USUAL_BLUR_MM) -> Sharp:
    """Return the depth of field.

    Parameters
    ----------
    focal_mm, f_number, blur_mm : float
        Focal length, aperture and the permitted blur circle on the sensor.
    focus_m : float
        The distance that the lens is focused at; further than the focal length.

    Raises
    ------
    InvalidInput
        If a value is not above zero, or the focus lies within the focal length.
    """
    for value, what in ((focal_mm, "focal length"), (f_number, "aperture"), (focus_m, "focus"), (blur_mm, "blur")):
        above_zero(value, what)
    focus_mm = focus_m * 1000
    if focus_mm <= focal_mm:
        raise InvalidInput(f"A lens of {focal_mm:g} mm cannot focus at {focus_m:g} m. Give a longer distance.")
    hyperfocal_mm = focal_mm**2 / (f_number * blur_mm) + focal_mm
    near_mm = focus_mm * (hyperfocal_mm - focal_mm) / (hyperfocal_mm + focus_mm - 2 * focal_mm)
    beyond = focus_mm >= hyperfocal_mm
    far_mm = math.inf if beyond else focus_mm * (hyperfocal_mm - focal_mm) / (hyperfocal_mm - focus_mm)
    return Sharp(near_mm / 1000, far_mm / 1000, hyperfocal_mm / 1000)


def view_in_words(focal_mm: float, sensor_mm: float, distance_m: float) -> str:
    """Return what a lens sees across, and how wide that is at a distance, in a sentence."""
    angle_deg = angle_of_view_deg(focal_mm, sensor_mm)
    width_m = field_width_m(focal_mm, sensor_mm, distance_m)
    return f"Angle of view across: {angle_deg:.1f} degrees; at {distance_m:g} m the frame is {width_m:.2f} m wide."


def sharp_in_words(sharp: Sharp, f_number: float, focus_m: float, blur_mm: float) -> str:
    """Return what is sharp in a sentence."""
    far = f"{sharp.far_m:.2f} m" if math.isfinite(sharp.far_m) else "infinity"
    return (
        f"Focused at {focus_m:g} m, f/{f_number:g}: sharp from {sharp.near_m:.2f} m to {far} "
        f"(hyperfocal {sharp.hyperfocal_m:.2f} m, blur circle {blur_mm:.3f} mm: common practice, no source)."
    )
