"""Sudden things in an angle: a jump of the speed, or a dip or surge that recovers.

All are of one family, speed that changes at once by `size` and goes back as ``exp(-(t - at) / recovery)``; a jump never
does. In the angle that is ``size recovery (1 - exp(-(t - at) / recovery))``, found by how much of what trend and lines
leave it explains. Times are in seconds, angles in revolutions, sizes in turns a second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.figures.spectrum import Floor

__all__ = ["EventSearch", "Shape", "design_of", "sharpened", "speed_of", "standing_out"]

_PLACES = 120
"""Moments tried, evenly over the clip; the best is refined within two steps of them. By trial."""
_MOST_SAMPLES = 900
"""Samples, or groups of them, that the search is made on, so that a long clip costs hardly more than a short one."""
_EDGE_SHARE, _EDGE_S = 0.04, 0.3
"""Share of the clip and seconds, the larger, at each end without events: trend and lines can be bent to them there. By
trial."""
_RECOVERIES_S = (0.1, 0.25, 0.6, 1.5, 4.0)
"""Time constants tried, each about two and a half times the one before; the best is refined."""
_LONGEST_RECOVERY = 1 / 6
"""Share of the clip that a time constant may be, twice that once refined; by trial."""
_SPANS = (1 / 80, 1 / 40, 1 / 20, 1 / 10)
"""Shares of the clip over which the speed before and after a moment is compared, each twice the one before; by
trial."""
_LEAST_SPAN_STEPS = 3
"""The shortest such span in steps of the grid; by trial."""
_MAD_TO_SIGMA = 1.4826
"""Standard deviation of a Gaussian over the median of its magnitude: closed form."""
_LEAST_STEPS = 2.0
"""Shortest time constant in steps of the samples; what is gone sooner hardly shows in two samples."""
_TINY = 1e-300
"""Keeps a division finite where all is zero."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shape:
    """When something sudden came and how soon it passed; `recovery_s` is infinite where the change stays."""

    at_s: float
    recovery_s: float

    @property
    def stays(self) -> bool:
        """Whether the speed does not come back."""
        return math.isinf(self.recovery_s)

    def angle(self, time_s: Array) -> Array:
        """Angle that a change of one turn a second leaves."""
        since = np.maximum(time_s - self.at_s, 0.0)
        if self.stays:
            return np.asarray(since)
        return np.asarray(-self.recovery_s * np.expm1(-since / self.recovery_s))

    def speed(self, time_s: Array) -> Array:
        """Speed of a change of one turn a second."""
        since = np.maximum(time_s - self.at_s, 0.0)
        return np.where(time_s >= self.at_s, np.exp(-since / self.recovery_s), 0.0)

    def slopes(self, time_s: Array) -> list[Array]:
        """How the angle changes with the time of the event, and with its recovery where it has one."""
        by_time = -self.speed(time_s)
        if self.stays:
            return [by_time]
        share = np.maximum(time_s - self.at_s, 0.0) / self.recovery_s
        return [by_time, -np.expm1(-share) - share * np.exp(-share)]


def design_of(shapes: Sequence[Shape], time_s: Array) -> Array:
    """The angles of unit events as columns (K, E)."""
    return np.array([shape.angle(time_s) for shape in shapes]).reshape(len(shapes), time_s.size).T


def speed_of(shapes: Sequence[Shape], sizes_hz: Array, time_s: Array) -> Array:
    """Sum of the events in the speed, turns a second."""
    return np.sum([size * shape.speed(time_s) for shape, size in zip(shapes, sizes_hz, strict=True)], axis=0) + (
        np.zeros_like(time_s)
    )


class EventSearch:
    """All events that are tried on a clip, at times that do not change with what is fitted besides.

    Parameters
    ----------
    time_s : (K,) array of float64
        Times of the samples; many are taken together in groups.
    """

    def __init__(self, time_s: Array) -> None:
        self._group = -(-time_s.size // _MOST_SAMPLES)
        self._starts = np.arange(0, time_s.size - self._group + 1, self._group)
        self._counts = np.diff(np.append(self._starts, time_s.size))
        time = self._grouped(time_s)
        duration = float(time[-1] - time[0])
        edge = max(_EDGE_SHARE * duration, _EDGE_S)
        shortest = _LEAST_STEPS * duration / time.size
        places = np.linspace(time[0] + edge, time[-1] - edge, _PLACES)
        self.shapes = [Shape(at, math.inf) for at in places]
        for recovery in _RECOVERIES_S:
            if shortest <= recovery <= _LONGEST_RECOVERY * duration:
                self.shapes += [Shape(at, recovery) for at in places]
        self._columns = design_of(self.shapes, time)
        self._bins_hz = np.arange(1, time.size) * (time.size - 1) / (2 * duration * time.size)

    def best(self, residual_rev: Array, design: Array) -> tuple[Shape, float]:
        """The event that explains most of a residual (K,), and by how much it lowers the sum of squares.

        `design` (K, n) holds what has been fitted already, which the event must not be made of.
        """
        gain = _gains(self._columns, self._grouped(residual_rev), _basis(self._grouped(design)))
        best = int(np.argmax(gain))
        return self.shapes[best], self._group * float(gain[best])

    def clearness(self, column: Array, design: Array, floor: Floor) -> float:
        """By how many standard deviations a `column` (K,) of the fitted angle stands out beside the others."""
        own = _without(self._grouped(column), self._grouped(design))
        return float(np.sqrt(np.sum(self._whitened(own, floor) ** 2)))

    def _grouped(self, value: Array) -> Array:
        return np.asarray((np.add.reduceat(value, self._starts, axis=0).T / self._counts).T)

    def _whitened(self, value: Array, floor: Floor) -> Array:
        """Cosine transform of the evenly extended columns, each frequency by the floor's standard deviation there."""
        from scipy.fft import dct

        level = floor.at(self._bins_hz) / self._group
        return np.asarray((dct(value, axis=0, norm="ortho")[1:].T / np.sqrt(level)).T)


def standing_out(grid_rev: Array, at: Array) -> Array:
    """How far the speed's change at each of some moments stands out of its changes at all others.

    Parameters
    ----------
    grid_rev : (M,) array of float64
        The angle on a uniform grid, lines taken off and events left in.
    at : (E,) array of float64
        Places of the events on that grid, in steps.

    Returns
    -------
    (E,) array of float64
        In robust standard deviations, for the span of time before and after that shows each best.

    Notes
    -----
    Smooth motion, however strong, changes its speed about as much at many other moments; so does random motion.
    """
    best = np.zeros(at.size)
    for share in _SPANS:
        span = max(_LEAST_SPAN_STEPS, round(share * grid_rev.size))
        change = np.abs(grid_rev[2 * span :] - 2 * grid_rev[span:-span] + grid_rev[: -2 * span])
        usual = _MAD_TO_SIGMA * max(float(np.median(change)), _TINY)
        place = np.clip(np.rint(at).astype(np.intp) - span, 0, change.size - 1)
        best = np.maximum(best, change[place] / usual)
    return best


def sharpened(shape: Shape, time_s: Array, rest_rev: Array, design: Array) -> Shape:
    """The event with the time and recovery that explain most of `rest_rev`; `design` holds what is fitted with it."""
    from scipy.optimize import minimize

    basis = _basis(design)
    duration = float(time_s[-1] - time_s[0])
    step = duration / (time_s.size - 1)
    reach = 2 * duration / _PLACES

    def shaped(values: Array) -> Shape:
        at = shape.at_s + float(np.clip(values[0], -1, 1)) * reach
        if shape.stays:
            return Shape(at, math.inf)
        longest = 2 * _LONGEST_RECOVERY * duration
        return Shape(at, float(np.clip(shape.recovery_s * math.exp(values[-1]), _LEAST_STEPS * step, longest)))

    def left(values: Array) -> float:
        return -float(_gains(design_of([shaped(values)], time_s), rest_rev, basis)[0])

    begin = np.zeros(1 if shape.stays else 2)
    simplex = np.vstack([begin, begin + 0.5 * np.eye(begin.size)])
    found = minimize(
        left, begin, method="Nelder-Mead", options={"initial_simplex": simplex, "maxfev": 120, "xatol": 1e-4}
    )
    return shaped(np.atleast_1d(found.x))


def _basis(design: Array) -> Array:
    return np.linalg.qr(design / np.maximum(np.sqrt(np.sum(design**2, axis=0)), _TINY))[0]


def _without(columns: Array, design: Array) -> Array:
    basis = _basis(design)
    return np.asarray(columns - basis @ (basis.T @ columns))


def _gains(columns: Array, rest: Array, basis: Array) -> Array:
    """By how much each of the columns alone lowers the sum of squares of `rest`."""
    own = columns - basis @ (basis.T @ columns)
    size = np.sum(own**2, axis=0)
    clear = size > 1e-9 * np.sum(columns**2, axis=0)
    return np.where(clear, (rest @ own) ** 2 / np.where(clear, size, 1.0), 0.0)
