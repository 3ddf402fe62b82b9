"""How sure the speed and its trend are: what adds up to their stated 95 % half-widths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.figures.results import Figures
from strobe.measurement import BudgetEntry, Timing
from strobe.measuring.clock import CameraClock
from strobe.measuring.lamps import Lamp
from strobe.phase import LINE_ORDERS, FlashRate, LineReading, TimeBase

__all__ = [
    "end_to_end_deviation_percent",
    "mains_change_hz",
    "mains_uncertainty_percent",
    "speed_budget",
    "speed_uncertainty_percent",
    "trend_uncertainty_percent_per_minute",
]

SLOW_BEND_DOTS = 0.003
"""How far the phase may bend over a clip without anything having moved (seen on rendered clips)."""
_MAINS_CHANGE_HZ, _MAINS_CHANGE_S = 0.02, 20.0
"""By how much a mains changes within so many seconds, as a 95 % half-width, and by the root of the time in longer ones
(value from memory: 10 to 20 mHz within 10 to 60 s are usual)."""
_WALK_TO_SLOPE = np.sqrt(10 / 7)
"""Slope that a parabola fitted to the phase finds in a rate that walks at random, by the change from end to end (closed
form: the kernel of that fit is the square of 1 - u squared)."""
_HIDDEN_SIGMAS = 4.0
"""Up to where a wander of the mains is left out of what is measured of it, as none that is clear."""
_SWING_SHARES = ((1.0, 2.4), (2.0, 1.5), (np.inf, 0.25))
"""Share of the lamp's swing that may pass for speed, by the cycles it makes in the clip: not taken off at all and
leaning on the slope, hard to tell from a trend, told well."""
_LINES_COINCIDE, _SPEED_ASSUMED = "lines coincide", "speed assumed"
"""Sources with two answers and nothing between: they add as they are."""


def mains_uncertainty_percent(flash_rate_hz: float) -> float:
    """95 % half-width of a lamp's rate taken as nominal, in percent.

    Standard deviations of the mains are about 0.04 to 0.12 % in 50 Hz networks and 0.03 to 0.05 % in 60 Hz networks
    (values from memory; published statistics of grid frequency).
    """
    return 0.1 if flash_rate_hz > 110 else 0.2


def end_to_end_deviation_percent(figures: Figures) -> float:
    """Mean deviation from the first to the last frame, the incomplete turn included, on the clock of the frames."""
    series = figures.series
    turns = float(series.angle_rev[-1] - series.angle_rev[0])
    rpm = 60 * turns / float(series.time_s[-1] - series.time_s[0])
    return (
        figures.deviation_percent
        + 100 * (rpm - figures.mean_rpm) * (1 + figures.deviation_percent / 100) / figures.mean_rpm
    )


def speed_budget(
    figures: Figures,
    line: LineReading,
    time: TimeBase,
    flash: FlashRate | None,
    timing: Timing,
    nominal_flash_hz: float | None,
    gap_percent: float,
    clock: CameraClock,
    left_dots: NDArray[np.float64],
    unsettled_hz: float,
    assumed_speed_percent: float,
) -> tuple[BudgetEntry, ...]:
    """What adds to the 95 % half-width of the mean deviation: run length and noise, clock, lamp, line.

    What the choice of the stretch does to the mean, whole turns or the whole clip, counts as run length.
    """
    total_dots = line.dot_rate_hz * time.duration_s
    swing_share = next(share for cycles, share in _SWING_SHARES if line.swing_cycles < cycles)
    parts = {
        "phase noise": figures.deviation_uncertainty_percent,
        "time stamps": 100 * 2 * time.interval_uncertainty,
        "run length": abs(end_to_end_deviation_percent(figures) - figures.deviation_percent),
        "shake": 100 * 2 * abs(float(left_dots[-1] - left_dots[0])) / total_dots,
        "settling": 100 * unsettled_hz / line.dot_rate_hz,
        "swing of the lamp": 100 * swing_share * line.swing_dots / total_dots,
    }
    if timing.reference == "camera":
        parts["time base"] = clock.uncertainty_percent
    if timing.line == "lamp" and timing.flash_rate_source == "nominal" and nominal_flash_hz is not None:
        parts["mains"] = mains_uncertainty_percent(nominal_flash_hz)
    if timing.flash_rate_source in ("measured", "given") and flash is not None:
        parts["flash rate"] = 100 * 2 * flash.uncertainty_hz / flash.rate_hz
    parts[_LINES_COINCIDE], parts[_SPEED_ASSUMED] = gap_percent, assumed_speed_percent
    return tuple(BudgetEntry("deviation", source, float(part)) for source, part in parts.items() if part > 0)


def speed_uncertainty_percent(budget: tuple[BudgetEntry, ...]) -> float:
    """95 % half-width of the mean deviation from its budget."""
    either = [entry.percent for entry in budget if entry.source in (_LINES_COINCIDE, _SPEED_ASSUMED)]
    square = sum(entry.percent**2 for entry in budget) - sum(percent**2 for percent in either)
    return float(np.sqrt(max(square, 0.0))) + sum(either)


def mains_change_hz(duration_s: float) -> float:
    """95 % half-width of what a mains frequency changes by within so long."""
    return _MAINS_CHANGE_HZ * float(np.sqrt(duration_s / _MAINS_CHANGE_S))


def trend_uncertainty_percent_per_minute(
    figures: Figures, line: LineReading, time: TimeBase, lamp: Lamp, gap_percent: float
) -> float:
    """95 % half-width of the trend: its noise, a slow bend of the phase that lamp or coding may leave, and the mains.

    Dots timed by a lamp whose rate is only supposed show what the mains does as if the platter did it; and so they may
    where lamp or shutter may have timed them, `gap_percent` apart. Of flicker that is measured a little may be hidden.
    """
    bend_dots = SLOW_BEND_DOTS + 0.5 * line.swing_dots
    bends = np.array([bend_dots, _bend_of_the_mains_dots(line, time, lamp, gap_percent)])
    left = 8 * bends / (line.dot_rate_hz * time.duration_s**2) * 100 * 60
    return float(np.linalg.norm([figures.trend_uncertainty_percent_per_minute, *left]))


def _bend_of_the_mains_dots(line: LineReading, time: TimeBase, lamp: Lamp, gap_percent: float) -> float:
    """By how much the phase bends from the middle of the clip to its ends as the mains speeds up or slows down."""
    order = 1.0 if gap_percent > 0 else LINE_ORDERS[line.followed]
    walked = 0.0
    if lamp.kind == "mains" and lamp.nominal_hz is not None and lamp.mains_hz is not None:
        change_hz = mains_change_hz(time.duration_s) * lamp.nominal_hz / lamp.mains_hz
        walked = float(_WALK_TO_SLOPE) * change_hz * time.duration_s / 8
    if gap_percent > 0 or lamp.source == "nominal":
        return order * walked
    if lamp.flash is None:
        return 0.0
    sigmas = 2.0 if np.any(lamp.flash.wander_cycles) else _HIDDEN_SIGMAS
    hidden = sigmas * lamp.flash.bend_error_cycles
    return order * (min(hidden, walked) if walked > 0 else hidden)
