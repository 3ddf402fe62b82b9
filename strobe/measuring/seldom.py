"""What a wobble may be instead where the dots show in some of the frames only: a faster one that passes for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.figures.results import Component, Figures
from strobe.phase import LineReading, TimeBase

__all__ = ["Mistaken", "mistaken_for_slower"]

_AS_WELL = 0.9
"""Power of the dots' course that a faster wobble explains, by what the slower one does, from which it may be that: 0.4
where frames are lit in no strict turn, 0.95 and more where they are (seen on rendered clips)."""
_TIMES_AS_FAST = 4.0
"""Beyond so many times a wobble's frequency no faster one passes for it: it would have to be as many times stronger."""
_OWN_ORDERS, _NEAR_ORDER = (1.0, 2.0), 0.05
"""What comes round once and twice a turn is the platter's, and within how much of a turn it counts as that."""
_ROOM = 1.1
"""Times the size of the faster one, which averaging over pictures weakens (by trial)."""
_STEPS_A_CYCLE = 5
"""Frequencies tried, for each cycle in the clip."""
_SAME_CYCLES = 1.0
"""Cycles in the clip within which two of the faster ones are the same."""


@dataclass(frozen=True)
class Mistaken:
    """A component that may be a faster wobble, and what that would be."""

    component: Component
    frequency_hz: float
    peak_percent: float


def mistaken_for_slower(figures: Figures, line: LineReading, time: TimeBase) -> tuple[Mistaken, ...]:
    """Which components may be faster wobbles; none where all frames show the dots.

    Parameters
    ----------
    figures : Figures
        With the components as they were found, each slower than half the rate at which the dots show.
    line : LineReading
        The dots, and the frames that show them.
    time : TimeBase
    """
    lowest_hz, highest_hz = figures.fluctuation.band_hz[1], 0.5 / time.interval_s
    if np.all(line.lit) or not figures.components or lowest_hz >= highest_hz:
        return ()
    time_s, dots = time.time_s[line.lit], line.dots[line.lit]
    duration = float(np.ptp(time_s))
    tried_hz = np.arange(lowest_hz, highest_hz, 1 / (_STEPS_A_CYCLE * duration))
    slow = np.polynomial.legendre.legvander(2 * (time_s - time_s[0]) / duration - 1, 2)
    found: list[Mistaken] = []
    for one in sorted(figures.components, key=lambda c: c.peak_percent, reverse=True):
        if min(abs(one.per_revolution - order) for order in _OWN_ORDERS) < _NEAR_ORDER:
            continue
        others = [_pair(c.frequency_hz, time_s) for c in figures.components if c is not one]
        rest = np.linalg.qr(np.concatenate([slow, *others], axis=1))[0]
        alone = dots - rest @ (rest.T @ dots)
        own, _ = _explained(one.frequency_hz, time_s, rest, alone)
        faster = [_explained(hz, time_s, rest, alone) for hz in tried_hz]
        best = int(np.argmax([power for power, _ in faster]))
        power, swing_dots = faster[best]
        hz = float(tried_hz[best])
        known = any(abs(hz - other.frequency_hz) * duration < _SAME_CYCLES for other in found)
        if power < _AS_WELL * own or hz > _TIMES_AS_FAST * one.frequency_hz or known:
            continue
        found.append(Mistaken(one, hz, _ROOM * 100 * 2 * np.pi * hz * swing_dots / line.dot_rate_hz))
    return tuple(found)


def _pair(hz: float, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cosine and sine (frames, 2)."""
    angle = 2 * np.pi * hz * time_s
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _explained(
    hz: float, time_s: NDArray[np.float64], rest: NDArray[np.float64], alone: NDArray[np.float64]
) -> tuple[float, float]:
    """Power of a course (frames,) that a wave explains beside the orthonormal `rest` (frames, n), and its amplitude."""
    wave = _pair(hz, time_s)
    wave = wave - rest @ (rest.T @ wave)
    fitted = np.linalg.lstsq(wave, alone, rcond=None)[0]
    return float(np.sum((wave @ fitted) ** 2)), float(np.hypot(*fitted))
