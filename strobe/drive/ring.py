"""Dots off centre or real wobble: parted by two clips from two places round the spindle.

The platter's angle p counts from the moment a mark on the platter passes the camera. Dots off centre then read the same
from every place, ``E exp(i k p)``. A wobble of the platter's real speed stays in the room, so that in the clip filmed
from a place D further on (in the direction of the turning) it reads ``W exp(i k (p + D))``. With V1 and V2 the complex
amplitudes of the two clips and u = exp(i k D)::

    W = (V2 - V1) / (u - 1),  E = V1 - W

which loses the orders for which k D is a multiple of 360 degrees. This is the reversal method of spindle metrology
(Donaldson; value from memory), for any angle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.drive.features import COVERAGE
from strobe.errors import UsageError
from strobe.figures.results import SpeedSeries
from strobe.measurement import RingShare

__all__ = ["ORDERS", "Filmed", "RingPart", "as_filmed", "check_turn", "locked_amplitude", "separate_ring"]

ORDERS = (1, 2, 3, 4)
"""Times a turn that are parted: off centre makes one, out of round two, screws more, as makers of encoders say."""
FEWEST_SAMPLES = 2 * max(ORDERS) + 1
"""Samples in each turn: as many as the numbers fitted there, a cosine and a sine for each order and the mean."""
FEWEST_TURNS = 3
"""Whole turns in each clip, whose scatter tells the uncertainty; our own choice."""
BLIND = 0.2
"""``|u - 1|`` below which an order counts as lost: k D within 11.5 degrees of whole turns, where the half-width would
be more than five times that of the clips (closed form)."""


@dataclass(frozen=True, eq=False)
class Filmed:
    """A clip's speed, the moment that the mark passed the camera, and how well that moment is known (95 %).

    `feigned_percent` is what may be left once a turn of what runout does to the picture (95 %).
    """

    series: SpeedSeries
    mark_s: float
    mark_uncertainty_s: float = 0.0
    feigned_percent: float = 0.0


@dataclass(frozen=True)
class RingPart:
    """Wobble and ring at so many times a turn; amplitudes in percent of the speed, 95 % half-widths.

    `blind` orders cannot be parted at this angle: both hold the whole, and so do their half-widths.
    """

    order: int
    blind: bool
    wobble_percent: float
    wobble_uncertainty_percent: float
    ring_percent: float
    ring_uncertainty_percent: float

    def ring_mm(self, radius_mm: float) -> float:
        """How far the dots are off centre, for once a turn: e / R of the ring part."""
        return self.ring_percent / 100 * radius_mm


def as_filmed(series: SpeedSeries, ring: RingShare | None) -> SpeedSeries:
    """A clip's speed with what its dots off centre were found to add put back, as two clips need it.

    What runout does to the picture of the row stays off: it differs from place to place and is no part of either.
    """
    if ring is None:
        return series
    turn = 2 * np.pi * series.angle_rev + math.radians(ring.dots_phase_deg)
    return replace(series, deviation_percent=series.deviation_percent + ring.dots_percent * np.cos(turn))


def separate_ring(
    first: Filmed, second: Filmed, *, turned_by_deg: float, orders: Sequence[int] = ORDERS
) -> tuple[RingPart, ...]:
    """Part what the ring of dots adds from real wobble, order by order.

    Parameters
    ----------
    first, second : Filmed
        The same machine at the same speed from two places.
    turned_by_deg : float
        By how many degrees the camera was moved round the spindle, in the direction of the turning.

    Raises
    ------
    UsageError
        For fewer than three turns or nine samples in one, a mark outside the clip, or an angle that moves nothing.
    """
    check_turn(turned_by_deg)
    parts = []
    for order in orders:
        a, spread_a = locked_amplitude(first, order)
        b, spread_b = locked_amplitude(second, order)
        turn = np.exp(1j * order * math.radians(turned_by_deg))
        apart = abs(turn - 1)
        if apart < BLIND:
            whole, spread = max(abs(a), abs(b)), max(spread_a, spread_b)
            parts.append(RingPart(order, True, whole, whole + spread, whole, whole + spread))
            continue
        wobble = (b - a) / (turn - 1)
        ring = a - wobble
        spread = math.hypot(spread_a, spread_b) / apart
        parts.append(RingPart(order, False, abs(wobble), spread, abs(ring), spread))
    return tuple(parts)


def check_turn(turned_by_deg: float) -> None:
    """Raise `UsageError` for an angle that moves the camera nowhere else."""
    if not math.isfinite(turned_by_deg) or abs(turned_by_deg) % 360 == 0:
        raise UsageError(
            f"ring: the camera turned by {turned_by_deg:g} degrees stands where it stood; 180 or 90 is good"
        )


def locked_amplitude(filmed: Filmed, order: int) -> tuple[complex, float]:
    """Complex amplitude in percent of the speed at so many times a turn, from the mark on, and its 95 % half-width.

    The half-width holds the scatter between turns and the mark's own uncertainty.
    """
    series = filmed.series
    if not series.time_s[0] <= filmed.mark_s <= series.time_s[-1]:
        raise UsageError(
            f"ring: the mark at {filmed.mark_s:g} s is outside the clip, {series.time_s[0]:.2f} to "
            f"{series.time_s[-1]:.2f} s; give the time at which it passes the middle of the picture"
        )
    turns = math.floor(float(series.angle_rev[-1] - series.angle_rev[0]) + 1e-9)
    if turns < FEWEST_TURNS:
        raise UsageError(f"ring: {turns} whole turns are too few, {FEWEST_TURNS} are the least; film 20 s or longer")
    at_mark = float(np.interp(filmed.mark_s, series.time_s, series.angle_rev))
    inside = series.angle_rev - series.angle_rev[0] <= turns
    angle, value = series.angle_rev[inside], series.deviation_percent[inside]
    along = np.linspace(-1.0, 1.0, angle.size)
    flat = value - np.polynomial.Polynomial.fit(along, value, 2)(along)
    counts = np.bincount((angle - series.angle_rev[0]).astype(np.intp), minlength=turns)[:turns]
    if counts.min() < FEWEST_SAMPLES:
        raise UsageError(
            f"ring: {counts.min()} samples in a turn are too few, {FEWEST_SAMPLES} are the least; film at a higher "
            "frame rate"
        )
    each = [_in_turn(angle, flat, series.angle_rev[0] + k, at_mark, order) for k in range(turns)]
    amplitude = np.array(each)
    mean = complex(amplitude.mean())
    scatter = float(np.sqrt(np.mean(np.abs(amplitude - mean) ** 2) / (turns - 1)))
    rate = float(series.angle_rev[-1] - series.angle_rev[0]) / float(series.time_s[-1] - series.time_s[0])
    by_mark = abs(mean) * 2 * math.pi * order * rate * filmed.mark_uncertainty_s
    wide = COVERAGE + 2.37 / (turns - 1)
    return mean, math.hypot(wide * scatter, by_mark, filmed.feigned_percent if order == 1 else 0.0)


def _in_turn(
    angle: NDArray[np.float64], value: NDArray[np.float64], start: float, at_mark: float, order: int
) -> complex:
    own = (angle >= start) & (angle < start + 1)
    turn = 2 * np.pi * (angle[own] - at_mark)
    columns = [np.ones(np.count_nonzero(own))]
    for k in range(1, max(ORDERS) + 1):
        columns += [np.cos(k * turn), np.sin(k * turn)]
    fitted = np.linalg.lstsq(np.stack(columns, axis=1), value[own], rcond=None)[0]
    return complex(fitted[2 * order - 1], -fitted[2 * order])
