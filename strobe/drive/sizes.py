"""The size in millimetres that a fault must have to make a wobble, and whether a part can have such a fault.

The bare rule "off centre by e at radius r makes e / r" is 4 to 8 times too small for a pulley behind an elastic belt,
which passes little of what is faster than the platter swings on it. Sizes are therefore a span: from the stiffest to
the softest usual belt, or about the swing of the belt described.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from strobe.drive.belts import transfer
from strobe.drive.expected import SWING_HZ, Expected
from strobe.drive.features import Feature
from strobe.drive.machine import Machine

__all__ = ["Defect", "defect", "likelihood_of_size"]

# What a worn but usable part may show, and what no part shows, in mm; common practice.
PLAUSIBLE_MM = {"platter": (0.5, 3.0), "belt": (0.3, 1.0), "pulley": (0.15, 0.8), "idler": (0.4, 2.0)}
_UNKNOWN_SWING = 1.7
_KNOWN_SWING = 1.35
"""Factor by which the platter's swing on its belt may be faster or slower: of a belt not described, a little more than
the standard deviation `SWING_SPREAD`; of one described, that of `SWING_TOLERANCE` (exp 0.3)."""
_DAMPING = 0.18
"""Of the swing: a moving belt damps it well (a strand takes up new belt all the time); our own choice."""
_LOUDEST = math.sqrt(math.sqrt(1 + 8 * _DAMPING**2) - 1) / (2 * _DAMPING)
"""Rate by the swing's at which the belt passes most (where the slope of `transfer` is 0, closed form)."""
_IDLER_PASS = (0.6, 2.4)
"""Least and most share of an idler's fault over its radius that reaches the platter: off centre it adds up to 2 where
pulley and rim touch it at opposite sides, and cancels the more the nearer they are (geometry); with room, by trial."""


@dataclass(frozen=True)
class Defect:
    """What the fault is, the span of its size in mm, and on what that rests."""

    kind: str
    least_mm: float
    most_mm: float
    basis: str


def defect(part: str, line: Feature, machine: Machine | None, rpm: float, swing: Expected | None) -> Defect | None:
    """The fault that would make a line, None where the description lacks a diameter or the part has no such size."""
    if machine is None:
        return None
    share = line.peak_percent / 100
    if part in ("platter", "lobes") and machine.drive == "belt" and machine.driven_effective_mm:
        low, high = _passed(line.frequency_hz, swing)
        radius = 0.5 * machine.driven_effective_mm
        kind = "running face off centre by" if part == "platter" else "running face out of round by"
        return Defect(kind, share * radius / high, share * radius / low, "belt model")
    if part == "platter" and machine.platter_mm:
        size = share * 0.5 * machine.platter_mm
        return Defect("running face or dots off centre by", size, size, "e / R")
    if part == "pulley" and machine.drive == "belt":
        pulley = machine.pulley_effective_mm(rpm)
        if pulley is None:
            return None
        low, high = _passed(line.frequency_hz, swing)
        return Defect("off centre by", share * 0.5 * pulley / high, share * 0.5 * pulley / low, "belt model")
    if part == "pulley" and machine.drive == "idler":
        pulley = machine.pulley_effective_mm(rpm)
        return None if pulley is None else Defect("off centre by at least", share * 0.5 * pulley, share * pulley, "e/r")
    if part == "belt":
        pulley = machine.pulley_effective_mm(rpm)
        if pulley is None:
            return None
        low, high = _passed(line.frequency_hz, swing)
        return Defect("thicker on one side by", 2 * share * pulley / high, 2 * share * pulley / low, "belt model")
    if part == "idler" and machine.idler_mm:
        radius = 0.5 * machine.idler_mm
        low, high = _IDLER_PASS
        return Defect("flat or off centre by", share * radius / high, share * radius / low, "idler on both contacts")
    return None


def likelihood_of_size(part: str, size: Defect | None) -> float:
    """1 for a size that a part may well have, falling to 0.05 for one that no part has."""
    if size is None or part not in PLAUSIBLE_MM:
        return 1.0
    usual, most = PLAUSIBLE_MM[part]
    if size.least_mm <= usual:
        return 1.0
    if size.least_mm >= most:
        return 0.05
    return 1.0 - 0.95 * (size.least_mm - usual) / (most - usual)


def _passed(frequency_hz: float, swing: Expected | None) -> tuple[float, float]:
    """Least and most share that the belt passes at a rate, over the span of its swing."""
    middle = SWING_HZ if swing is None or swing.frequency_hz is None else swing.frequency_hz
    known = swing is not None and swing.tolerance < 0.4
    spread = _KNOWN_SWING if known else _UNKNOWN_SWING
    slowest, fastest = middle / spread, middle * spread
    loudest = min(max(frequency_hz / _LOUDEST, slowest), fastest)
    passed = [transfer(frequency_hz, rate_hz, _DAMPING) for rate_hz in (slowest, loudest, fastest)]
    return min(passed), max(passed)
