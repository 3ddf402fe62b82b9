"""Geometry and elasticity of a flat belt that runs open round pulley and platter.

Diameters are effective ones, in the middle of the belt: the part's own diameter plus the thickness of the belt.
"""

from __future__ import annotations

import math

from strobe.errors import UsageError

__all__ = ["belt_length_mm", "spindle_distance_mm", "swing_hz", "transfer"]

YOUNG_MPA = 4.0
"""Stiffness of belt rubber; common practice, good to a factor of about two."""

_BISECTIONS = 80
"""Halvings of the span in which the axes' distance is looked for: more than float64 can tell apart."""


def belt_length_mm(platter_mm: float, pulley_mm: float, distance_mm: float) -> float:
    """Length of an open belt in mm from two effective diameters and the distance of their axes.

    ``L = 2 C cos b + D (pi/2 + b) + d (pi/2 - b)`` with ``sin b = (D - d) / 2 C``.

    Raises
    ------
    UsageError
        If a length is not positive or the circles overlap.
    """
    for name, value in (("platter", platter_mm), ("pulley", pulley_mm), ("spindle distance", distance_mm)):
        if not (math.isfinite(value) and value > 0):
            raise UsageError(f"belt: the {name} is {value!r} mm; it must be a finite number greater than 0")
    if distance_mm < 0.5 * (platter_mm + pulley_mm):
        raise UsageError(
            f"belt: axes {distance_mm:g} mm apart are too near for diameters of {platter_mm:g} and {pulley_mm:g} mm, "
            "which would overlap; measure from the spindle to the middle of the pulley"
        )
    lean = math.asin(abs(platter_mm - pulley_mm) / (2 * distance_mm))
    large, small = max(platter_mm, pulley_mm), min(platter_mm, pulley_mm)
    straight = 2 * distance_mm * math.cos(lean)
    return straight + large * (math.pi / 2 + lean) + small * (math.pi / 2 - lean)


def spindle_distance_mm(platter_mm: float, pulley_mm: float, length_mm: float) -> float:
    """Distance of the axes in mm at which a belt of that length is taut; the inverse of `belt_length_mm`.

    Raises
    ------
    UsageError
        If the belt is too short for the two circles.
    """
    low = 0.5 * (platter_mm + pulley_mm)
    shortest = belt_length_mm(platter_mm, pulley_mm, low)
    if not (math.isfinite(length_mm) and length_mm >= shortest):
        raise UsageError(
            f"belt: a length of {length_mm:g} mm does not go round diameters of {platter_mm:g} and {pulley_mm:g} mm, "
            f"which take {shortest:.1f} mm at the least; measure the belt laid flat, and double it"
        )
    high = low + length_mm
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if belt_length_mm(platter_mm, pulley_mm, middle) < length_mm:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def swing_hz(
    *, driven_mm: float, distance_mm: float, section_mm2: float, platter_mm: float, platter_mass_kg: float
) -> float:
    """Rate in Hz at which the platter swings on its belt: both straight strands as springs, the platter as a disc.

    Notes
    -----
    ``f = sqrt(2 E A R^2 / (l J)) / 2 pi`` with ``J = m (platter / 2)^2 / 2``. The stiffness of rubber and the share
    of the mass at the rim leave it open by about a third.
    """
    strand_m = math.sqrt(max(distance_mm**2 - (0.5 * driven_mm) ** 2, (0.2 * distance_mm) ** 2)) / 1000
    stiffness = 2 * YOUNG_MPA * section_mm2 / strand_m
    inertia = 0.5 * platter_mass_kg * (platter_mm / 2000) ** 2
    return math.sqrt(stiffness * (driven_mm / 2000) ** 2 / inertia) / (2 * math.pi)


def transfer(frequency_hz: float, resonance_hz: float, damping: float = 0.1) -> float:
    """What share of a fault's bare speed change an elastic belt passes to the platter at a frequency."""
    ratio = frequency_hz / resonance_hz
    loss = 2j * damping * ratio
    return abs((1 + loss) / (1 - ratio * ratio + loss))
