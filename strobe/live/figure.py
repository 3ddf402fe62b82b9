"""The figure of the moment: whole turns of the followed phase, as many as run evenly up to now.

The mean over exactly one turn follows a hand on the control within one turn, and is blind to whatever repeats once a
turn. While such means stay alike, more of them are taken together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.live.records import Lock
from strobe.measuring.speedbudget import mains_change_hz
from strobe.phase import LINE_ORDERS, CoarseLine, TimeBase, read_line

__all__ = ["MOST_TURNS", "Figure", "figure_of", "lamp_hz", "line_cycles", "systematic_percent"]

MOST_TURNS = 8
"""Turns averaged at most, 14 s at 33 1/3; our own choice."""
_END_S = 0.1
"""Each end of a turn is the mean over so long: one turn at 33 1/3 and this stay inside two seconds."""
_STEP_S = 0.1
"""Step at which means over one turn are compared; by trial."""
_ALIKE_PERCENT, _SPREADS = 0.012, 3.0
"""Means of single turns are alike within this, or within so many of their usual spreads; by trial."""
_UNKNOWN_PERCENT = 0.05
"""What wobble that is not tied to the turn may do to the mean of one turn, as long as too few are seen."""
_CUT_FLASH_DOTS = 0.02
"""What a flash that is cut by the shutter's edge leaves at an end, 1-sigma (seen on rendered clips)."""
_SAME_CADENCE = 0.005
"""Relative; an interval farther off is another cadence, not a better one, and the lamp's rate is left as it was. By
trial."""


@dataclass(frozen=True)
class Figure:
    """Speed up to now; percentages relative to nominal, by the reference.

    `turns` were averaged, they and those before them run evenly since `even_from_s`; `dot_rate_hz` is their mean on the
    camera's clock. `changing` says that the last turn differs from the one half a turn earlier by more than wobble
    explains. `spread_percent` is how much the means of single turns scatter now
    about an even course (1-sigma), which a hand on the control makes larger; None where too few are seen.
    """

    deviation_percent: float
    uncertainty_percent: float
    dot_rate_hz: float
    turns: int
    even_from_s: float
    changing: bool
    noise_dots: float
    spread_percent: float | None


def figure_of(
    amplitude: NDArray[np.complex128],
    time: TimeBase,
    lock: Lock,
    near_hz: float,
    *,
    usual_spread_percent: float | None = None,
    left_dots: NDArray[np.float64] | None = None,
) -> Figure | None:
    """The figure from the newest frames in a row.

    Parameters
    ----------
    amplitude : array of complex (frames,)
        Amplitude of the row that is read.
    time : TimeBase
        Times of these frames.
    lock : Lock
        What the row is.
    near_hz : float
        Dot rate about which the phase is followed.
    usual_spread_percent : float or None
        How much single turns scatter while nobody turns the control.
    left_dots : array of float64 (frames,) or None
        Motion of the camera that may still be in the dots.

    Returns
    -------
    Figure or None
        None as long as there is less than a turn.
    """
    line = read_line(
        amplitude,
        time.time_s,
        interval_s=time.interval_s,
        kind=lock.line,
        coarse=CoarseLine(near_hz, 1.0),
        lamp_cycles=_lamp_cycles(lock, time),
        flash=lock.flash,
        height=lock.sweep_place,
    )
    # Dots of frames that met no flash are only carried on from the others.
    width = max(1, round(_END_S / time.interval_s * float(np.mean(line.lit))))
    even = np.ones(width) / width
    dots, at_s = (np.convolve(one[line.lit], even, mode="valid") for one in (line.dots, time.time_s))
    turns = (dots - dots[0]) / lock.dots
    if turns[-1] < 1:
        return None
    began = np.interp(turns - 1, turns, at_s)
    grid = np.arange(at_s[-1], at_s[int(np.argmax(turns >= 1))] - 1e-9, -_STEP_S)
    by_turn = _deviation(1 / np.interp(grid, at_s, at_s - began), lock)
    noise = 100 * line.noise_dots * np.sqrt(2 / width) / lock.dots
    turn_s = float(at_s[-1] - began[-1])
    step = max(1, round(turn_s / _STEP_S))
    spread = usual_spread_percent
    # A spread that was seen while a hand turned the control is that of the hand.
    allowed = max(_ALIKE_PERCENT, 3 * noise, 0.0 if spread is None else _SPREADS * min(spread, _UNKNOWN_PERCENT))
    unlike = np.flatnonzero(np.abs(by_turn - by_turn[0]) > allowed)
    last = int(unlike[0]) - 1 if unlike.size else by_turn.size - 1
    even_from = float(np.interp(grid[last], at_s, began))
    whole = int(np.clip(np.floor(turns[-1] - np.interp(even_from, at_s, turns) + 1e-6), 1, MOST_TURNS))
    start_s = float(np.interp(turns[-1] - whole, turns, at_s))
    turn_rate = whole / (float(at_s[-1]) - start_s)
    half = by_turn[min(step // 2, by_turn.size - 1)]
    moving = abs(float(by_turn[0] - half))
    wobble = _UNKNOWN_PERCENT / whole if spread is None else 2 * spread / np.sqrt(whole)
    cut = 0.0 if line.lit.all() else 100 * 2 * np.sqrt(2) * _CUT_FLASH_DOTS / lock.dots
    left = np.zeros(2) if left_dots is None else np.interp([start_s, float(at_s[-1])], time.time_s, left_dots)
    rate_hz = lamp_hz(lock, time)
    doubt = 0.0
    if lock.by_arrival and lock.flash is not None and rate_hz is not None and lock.lamp_nominal_hz is not None:
        # Mains that seems to be off may be pictures that were held up.
        doubt = 100 * abs(rate_hz / lock.lamp_nominal_hz - 1)
    parts = (
        systematic_percent(lock, float(time.time_s[-1])),
        doubt,
        2 * noise / whole,
        cut / whole,
        100 * abs(float(left[1] - left[0])) / lock.dots / whole,
        wobble,
        100 * 2 * time.interval_uncertainty,
        moving if moving > allowed else 0.0,
    )
    return Figure(
        deviation_percent=float(_deviation(np.array(turn_rate), lock)),
        uncertainty_percent=float(np.linalg.norm(parts)),
        dot_rate_hz=turn_rate * lock.dots,
        turns=whole,
        even_from_s=even_from,
        changing=moving > allowed,
        noise_dots=line.noise_dots,
        spread_percent=_spread(by_turn, step),
    )


def systematic_percent(lock: Lock, now_s: float) -> float:
    """95 % half-width now of what a longer look does not mend; it grows with what the mains may have done meanwhile."""
    if lock.mains_hz is None:
        return lock.systematic_percent
    change_hz = mains_change_hz(abs(now_s - lock.lamp_seen_s))
    return float(np.hypot(lock.systematic_percent, 100 * change_hz / lock.mains_hz))


def lamp_hz(lock: Lock, time: TimeBase) -> float | None:
    """Flash rate on the clock of these frames; None where no lamp takes part.

    What the flicker shows is cycles in a frame, so that a better cadence makes the rate better too.
    """
    if lock.lamp_hz is None or lock.flash is None:
        return lock.lamp_hz
    better = lock.interval_s / time.interval_s
    return lock.lamp_hz * better if abs(better - 1) < _SAME_CADENCE else lock.lamp_hz


def line_cycles(lock: Lock, time: TimeBase, frames: NDArray[Any] | slice = slice(None)) -> NDArray[np.float64] | None:
    """Turns by which the line has run back at some of the frames; None for one that the shutter times."""
    cycles = _lamp_cycles(lock, time)
    order = LINE_ORDERS[lock.line]
    return None if cycles is None or order == 0 else np.asarray(order * cycles[frames], np.float64)


def _lamp_cycles(lock: Lock, time: TimeBase) -> NDArray[np.float64] | None:
    rate = lamp_hz(lock, time)
    return None if rate is None else np.asarray(rate * time.time_s, np.float64)


def _deviation(turns_per_s: NDArray[np.float64], lock: Lock) -> NDArray[np.float64]:
    return np.asarray(100 * (60 * turns_per_s * lock.scale / lock.nominal_rpm - 1), np.float64)


def _spread(by_turn: NDArray[np.float64], step: int) -> float | None:
    """1-sigma of the means of single turns about an even course, from those one and two turns apart; None for few."""
    if by_turn.size <= 2 * step + step // 2:
        return None
    bend = by_turn[: -2 * step] - 2 * by_turn[step:-step] + by_turn[2 * step :]
    return 1.4826 * float(np.median(np.abs(bend))) / np.sqrt(6)
