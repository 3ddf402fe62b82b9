"""One machine at two speeds: what keeps its order turns, what keeps its rate in Hz swings or hangs on the mains."""

from __future__ import annotations

import math
from dataclasses import dataclass

from strobe.drive.features import Feature, Reading, shown
from strobe.errors import UsageError

__all__ = ["Kept", "compare_speeds"]

# How far a rate may move between speeds, as standard deviations of its logarithm; common practice.
ORDER_TOLERANCE = 0.01
"""A fixed belt changes its order by about 1 % when its pulley's step changes."""
RATE_TOLERANCE = 0.004
"""A motor on the mains keeps its rate but for the mains' wander and some tenths of a percent of slip."""
HUMP_TOLERANCE = 0.08
"""Control loops move by about 10 %."""
LEAST_RATIO = 1.1
"""Between the two speeds, so that keeping the order and keeping the rate lie ten times `ORDER_TOLERANCE` apart."""
FARTHEST = 3.0
"""Standard deviations beyond which a place does not match: normal errors go there once in 370 times."""
SIZE_SPREAD = 3.0
"""Factor by which the size of one and the same part may differ between speeds (one standard deviation); by trial."""
SURE = 0.8
"""Probability of the better match from which it is the answer; our own choice."""
WHOLE = 0.01
"""Distance from a whole number of times a turn that still counts as whole, unless the line is less well known; our own
choice."""


@dataclass(frozen=True)
class Kept:
    """One feature of the first clip and what became of it in the second.

    Attributes
    ----------
    feature : Feature
        In the first clip.
    keeps : str
        ``order``, ``rate``, ``both`` (the second clip has something at either place) or ``neither``.
    sure : float
        Probability of the better of the two, 0.5 to 1; 0 for ``neither``.
    partner : Feature or None
        The better match in the second clip.
    meaning : str
        What kinds of part do that, by the kind of drive.
    """

    feature: Feature
    keeps: str
    sure: float
    partner: Feature | None
    meaning: str


def compare_speeds(first: Reading, second: Reading, *, drive: str | None = None) -> tuple[Kept, ...]:
    """What every line and hump of the first clip does at the speed of the second.

    Parameters
    ----------
    first, second : Reading
        Of one machine at two speeds.
    drive : str, optional
        ``belt``, ``idler`` or ``direct``, where it is known.

    Raises
    ------
    UsageError
        If the speeds differ by less than a tenth.
    """
    ratio = second.turn_rate_hz / first.turn_rate_hz
    if max(ratio, 1 / ratio) < LEAST_RATIO:
        raise UsageError(
            f"speeds: the clips turn at {first.mean_rpm:.2f} and {second.mean_rpm:.2f} rpm; take two speeds that "
            "differ by a tenth or more, such as 33 and 45"
        )
    others, top_hz = shown(second).features, second.fluctuation.band_hz[1]
    return tuple(_followed(one, others, ratio, top_hz, drive) for one in shown(first).features)


def _followed(one: Feature, others: tuple[Feature, ...], ratio: float, top_hz: float, drive: str | None) -> Kept:
    turning, by_order = _best(one, others, one.frequency_hz * ratio, ORDER_TOLERANCE)
    holding, by_rate = _best(one, others, one.frequency_hz, RATE_TOLERANCE)
    if turning is None and holding is None:
        highest = one.frequency_hz * max(ratio, 1.0)
        if highest > top_hz:
            unseen = f"at the other speed it may lie at {highest:.3g} Hz, above that clip's band ({top_hz:.3g} Hz)"
            return Kept(one, "neither", 0.0, None, f"{unseen}: film the other at a higher frame rate")
        return Kept(one, "neither", 0.0, None, "shows at one speed only: film the other for longer")
    total = by_order + by_rate
    keeps, sure, partner = (
        ("order", by_order / total, turning) if by_order >= by_rate else ("rate", by_rate / total, holding)
    )
    if sure < SURE:
        return Kept(one, "both", sure, partner, "the second clip has something at either place")
    return Kept(one, keeps, sure, partner, _meaning(one, keeps, drive))


def _best(one: Feature, others: tuple[Feature, ...], rate_hz: float, tolerance: float) -> tuple[Feature | None, float]:
    """The best match near a rate, and how well place and size fit (1 for perfect)."""
    best, most = None, 0.0
    for other in others:
        if other.sharp != one.sharp:
            continue
        spread = tolerance if one.sharp else HUMP_TOLERANCE
        spread = math.hypot(spread, one.sigma_hz / one.frequency_hz if one.sharp else 0.0)
        distance = abs(math.log(other.frequency_hz / rate_hz)) / spread
        if distance > FARTHEST:
            continue
        size = math.log(other.peak_percent / one.peak_percent) / math.log(SIZE_SPREAD)
        fit = math.exp(-0.5 * (distance**2 + size**2))
        if fit > most:
            best, most = other, fit
    return best, most


def _meaning(one: Feature, keeps: str, drive: str | None) -> str:
    if keeps == "order":
        whole = round(one.order)
        if whole >= 1 and abs(one.order - whole) < max(WHOLE, 2 * one.order_sigma):
            if whole == 1:
                return "turns with the platter: seat, sub-platter or dots off centre, bearing"
            if drive == "direct":
                return "turns with the platter: poles or coils of the motor, or a tight bearing"
            return "turns with the platter: a tight bearing, or a running face out of round"
        if one.order < 1 and drive != "idler":
            return "the belt"
        return {
            "belt": "belt's multiple, or the pulley of a motor whose speed is set electronically",
            "idler": "the idler",
            "direct": "not tied to the platter, which a direct drive hardly does: see the lamp",
        }.get(drive or "", "belt's multiple, idler, or the pulley of an electronically set motor")
    if one.sharp:
        return {
            "belt": "mechanical: motor or pulley on the mains with a stepped pulley; else lamp or camera",
            "idler": "mechanical: motor or pulley on the mains; else lamp or camera",
            "direct": "electrical: the speed control; else lamp or camera",
        }.get(drive or "", "a motor on the mains with a stepped pulley, a speed control, lamp or camera")
    return {
        "belt": "mechanical if the motor runs on the mains: platter on its belt, or on springs; else its speed control",
        "idler": "mechanical: a part that swings, or the floor",
        "direct": "electrical: the speed control hunts; else platter on springs",
    }.get(drive or "", "a control that hunts, a platter that swings on its belt or on springs")
