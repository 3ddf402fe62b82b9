"""The times at which a camera really exposed its frames, from the stamps in the file.

A sensor runs at a steady cadence; containers round its stamps and programs add jitter. On the camera-timed line a
millisecond is a tenth of a dot, so the cadence is fitted under the stamps wherever rounding explains all that the
stamps depart from it. Frames that were dropped keep their place on the cadence.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["TimeBase", "fit_time_base"]

_EXACT_S = 2e-6


@dataclass(frozen=True, eq=False)
class TimeBase:
    """Frame times and what they are worth.

    Attributes
    ----------
    time_s : array of float64 (frames,)
        Best times, strictly increasing.
    stamp_s : array of float64 (frames,)
        The stamps as they stood in the file.
    index : array of int (frames,)
        Place of each frame on the cadence; dropped frames leave gaps.
    interval_s : float
        Mean spacing of the cadence.
    interval_uncertainty : float
        Relative 1-sigma uncertainty of `interval_s` that rounding leaves.
    grid_s : float
        The grid that the stamps lie on (0 when none shows).
    noise_s : float
        1-sigma error of one `time_s` against the cadence (0 where the stamps are exact).
    kind : str
        ``exact`` (stamps on the cadence), ``cadence`` (fitted under rounded stamps), ``stamps`` (uneven, taken as
        they are) or ``lamp`` (uneven, each set right by the lamp's flicker).
    dropped : int
        Frames missing on the cadence.
    """

    time_s: NDArray[np.float64]
    stamp_s: NDArray[np.float64]
    index: NDArray[np.int_]
    interval_s: float
    interval_uncertainty: float
    grid_s: float
    noise_s: float
    kind: str
    dropped: int

    @property
    def duration_s(self) -> float:
        """From the first frame to the last."""
        return float(self.time_s[-1] - self.time_s[0])

    def shifted(self, later_s: NDArray[np.float64]) -> TimeBase:
        """The same frames with each time moved by what something better than the stamp says of it."""
        return replace(self, time_s=np.asarray(self.time_s + later_s, np.float64), kind="lamp")

    def on_cadence(self) -> TimeBase:
        """The same frames at even spacing, for stamps whose unevenness is jitter and not the sensor's own."""
        offset, slope, error = _line(self.index, self.stamp_s)
        return replace(
            self,
            time_s=np.asarray(offset + slope * self.index, np.float64),
            interval_s=slope,
            interval_uncertainty=_slope_uncertainty(self.index, error, slope),
            noise_s=0.0,
            kind="cadence",
        )


def fit_time_base(stamp_s: NDArray[np.float64]) -> TimeBase:
    """Fit a steady cadence under the stamps where they allow it.

    Parameters
    ----------
    stamp_s : array of float64 (frames,)
        Presentation times of the frames, strictly increasing, at least three.

    Returns
    -------
    TimeBase

    Raises
    ------
    ValueError
        When the stamps are not finite and strictly increasing, or fewer than three.
    """
    stamp_s = np.asarray(stamp_s, np.float64)
    if stamp_s.size < 3 or not np.all(np.isfinite(stamp_s)) or np.any(np.diff(stamp_s) <= 0):
        raise ValueError("frame times must be finite, strictly increasing, and at least three")
    step = np.diff(stamp_s)
    typical = float(np.median(step))
    typical = float(np.mean(step[np.abs(step / typical - 1) < 0.5]))
    index = np.concatenate([[0], np.cumsum(np.maximum(1, np.rint(step / typical)))]).astype(int)
    offset, slope, error = _line(index, stamp_s)
    grid = _grid(stamp_s)
    worst = float(np.max(np.abs(error)))
    exact = worst <= _EXACT_S or worst <= 0.02 * grid
    rounded = worst <= 0.75 * grid + _EXACT_S
    uncertainty = 0.0 if exact else _slope_uncertainty(index, error, slope)
    within = None if exact or not rounded else _line_within(index, stamp_s, slope, grid + _EXACT_S)
    if within is not None:
        offset, slope, uncertainty = within
    fitted = exact or rounded
    return TimeBase(
        time_s=offset + slope * index if fitted else stamp_s.copy(),
        stamp_s=stamp_s,
        index=index,
        interval_s=slope,
        interval_uncertainty=uncertainty,
        grid_s=grid,
        noise_s=0.0 if fitted else float(error.std()),
        kind="exact" if exact else "cadence" if fitted else "stamps",
        dropped=int(index[-1] + 1 - stamp_s.size),
    )


def _line(index: NDArray[np.int_], stamp_s: NDArray[np.float64]) -> tuple[float, float, NDArray[np.float64]]:
    slope, offset = np.polyfit(index, stamp_s, 1)
    return float(offset), float(slope), stamp_s - (offset + slope * index)


def _line_within(
    index: NDArray[np.int_], stamp_s: NDArray[np.float64], near_s: float, width_s: float
) -> tuple[float, float, float] | None:
    """Offset, slope and its relative 1-sigma of the lines that rounding to a grid of `width_s` allows; None for none.

    Rounding errors of even frames run in slow ramps, not at random, so that least squares errs by tens of parts per
    million. But no stamp is off by more than the grid: that holds for a narrow range of slopes, found by halving, since
    the spread of the stamps about a line is a convex function of its slope.
    """
    reach = 4 * width_s / float(index[-1] - index[0])

    def spread(slope: float) -> float:
        return float(np.ptp(stamp_s - slope * index))

    low, high = near_s - reach, near_s + reach
    for _ in range(60):
        third = (high - low) / 3
        if spread(low + third) <= spread(high - third):
            high -= third
        else:
            low += third
    best = (low + high) / 2
    if spread(best) > width_s:
        return None
    ends = []
    for outside in (near_s - reach, near_s + reach):
        inside = best
        for _ in range(50):
            middle = (inside + outside) / 2
            inside, outside = (middle, outside) if spread(middle) <= width_s else (inside, middle)
        ends.append(inside)
    slope = (ends[0] + ends[1]) / 2
    left = stamp_s - slope * index
    return float(left.max() + left.min()) / 2, slope, (ends[1] - ends[0]) / np.sqrt(12) / slope


def _slope_uncertainty(index: NDArray[np.int_], error: NDArray[np.float64], slope: float) -> float:
    """Relative 1-sigma of the fitted slope for errors as they were seen."""
    spread = float(np.sum((index - index.mean()) ** 2))
    return float(error.std()) / np.sqrt(spread) / slope


def _grid(stamp_s: NDArray[np.float64]) -> float:
    """The coarsest usual grid on which every stamp lies, in seconds; 0 for none."""
    for rate in (100.0, 600.0, 1000.0, 1200.0, 2400.0, 10000.0, 90000.0):
        for origin in (0.0, float(stamp_s[0])):
            off = (stamp_s - origin) * rate
            if np.max(np.abs(off - np.rint(off))) < 0.02:
                return 1.0 / rate
    return 0.0
