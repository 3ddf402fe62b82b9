"""A sudden change of the speed in the course of a line, whose slow waves it would otherwise be taken for.

The dots bend where the speed changes. Beside a lamp that beats once or twice in a clip, a fit without that bend lets
the lamp's wave follow it: the wave is then far too large, or stands as that of another line does.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from strobe.phase.search import LineSearch, fit_with_lines, places_of
from strobe.phase.waves import SAME_LINE, SLOWEST_CYCLES, Wave

__all__ = ["sudden_change"]

_PLACES, _EDGE_SHARE = 25, 0.08
"""Moments that are tried, the best refined between its neighbours; and the share of the clip at each end without: the
slow course can be bent there itself (by trial)."""
_RISES_S = (0.08, 0.25, 0.7)
"""Time constants of the change that are tried, each about three times the one before (by trial)."""
_FINER, _FINER_RISES = np.linspace(-0.8, 0.8, 9), np.array([0.65, 0.8, 1.0, 1.25, 1.55])
"""What is tried around the best of both: in steps of the moments, and times the time constant."""
_LINES = 5
"""Lines of the wobble that are fitted beside it, and one more where there is no change, for its three numbers."""
_EXPLAINED = 0.3
"""Mean square that is left with a change, over that without, below which there is one: lines that were not fitted
leave as much with it as without (by trial)."""


def sudden_change(
    residual: NDArray[np.float64],
    size: NDArray[np.float64],
    time_s: NDArray[np.float64],
    waves: Sequence[Wave],
    interval_s: float,
) -> list[NDArray[np.float64]]:
    """The course of the dots that a change of the speed makes.

    Parameters
    ----------
    residual : array of float64 (frames,)
        Dots about a steady speed.
    size : array of float64 (frames,)
        Amplitude of the line; where it is small the dots are as uncertain.
    time_s : array of float64 (frames,)
        Frame times.
    waves : sequence of Wave
        Those of a lamp and the pattern.
    interval_s : float
        Spacing of the cadence.

    Returns
    -------
    list of array of float64 (frames,)
        Of a change by one dot a second; none where nothing is clearly better explained by one.
    """
    duration = float(np.ptp(time_s))
    u = 2 * (time_s - time_s[0]) / duration - 1
    pairs = [turn(2 * np.pi * wave.cycles) for wave in waves if wave.course is None for turn in (np.cos, np.sin)]
    courses = [wave.course for wave in waves if wave.course is not None]
    trust = size / size.mean()
    plain = [np.ones_like(u), u, u**2, *pairs, *courses]
    place, points = places_of(time_s, interval_s, finer=16)

    def left_by(columns: Sequence[NDArray[np.float64]], lines: int) -> float:
        """Mean square of what columns and the strongest lines of the rest leave, where it can be trusted."""
        search = LineSearch(place, interval_s, points, above_hz=SLOWEST_CYCLES / duration)
        apart_hz = SAME_LINE / duration
        rest = fit_with_lines(residual, columns, time_s, search, most=lines, apart_hz=apart_hz, trust=trust)[2]
        return float(np.mean(rest**2))

    def left_with(at_s: float, rise_s: float) -> float:
        return left_by([*plain, _bend(time_s, at_s, rise_s)], _LINES)

    def best(places_s: Iterable[float], rises_s: Iterable[float]) -> tuple[float, float, float]:
        return min((left_with(at_s, rise_s), at_s, rise_s) for at_s, rise_s in product(places_s, rises_s))

    edge_s = _EDGE_SHARE * duration
    places, step = np.linspace(time_s[0] + edge_s, time_s[-1] - edge_s, _PLACES, retstep=True)
    _, at_s, rise_s = best(places, _RISES_S)
    left, at_s, rise_s = best(at_s + float(step) * _FINER, rise_s * _FINER_RISES)
    if left > _EXPLAINED * left_by(plain, _LINES + 1):
        return []
    return [_bend(time_s, at_s, rise_s)]


def _bend(time_s: NDArray[np.float64], at_s: float, rise_s: float) -> NDArray[np.float64]:
    """Course (frames,) of dots whose speed goes over to one more a second, from a moment on with a time constant."""
    after = np.maximum(time_s - at_s, 0)
    return np.asarray(after + rise_s * np.expm1(-after / rise_s))
