"""The weighting held against its table on the very frame times of a clip, through all that is done to the speed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.figures.fluctuation import band_gain, extended_bins, filtered, speed_on_grid
from strobe.figures.weighting import WEIGHTING_TABLE, weighting_limits_db

__all__ = ["checked_weighting_hz", "missed_weighting_hz"]

_LEAST_CYCLES = 3.0
"""Cycles that a row of the table makes in the clip to be checked; by trial."""
_ENDS_SHARE = 0.1
"""Share of the clip left out of the check at each end, where the series is extended evenly and bends a sine; by
trial."""
# At 4 Hz the table allows no deviation: it is the reference of an instrument, not of what a clip makes of it.
_REFERENCE_ALLOWANCE_DB = 0.1
"""1.2 % of the gain; our own choice."""

Array = NDArray[np.float64]


def checked_weighting_hz(time_s: Array, *, step_s: float, top_hz: float) -> tuple[float, float] | None:
    """From which to which row of the table the weighted speed of a sine keeps its tolerances, on these frame times.

    Sines of the table's frequencies that make three cycles in the clip and lie in the band are differenced, bridged
    over gaps and weighted like what the lines leave of the speed.

    Parameters
    ----------
    time_s : (K,) array of float64
        Times of the samples, jitter and gaps and all.
    step_s : float
        Nominal spacing.
    top_hz : float
        Top of the band.

    Returns
    -------
    (float, float) or None
        The rows around 4 Hz that hold without a break; None where 4 Hz itself does not, or is not in the band.
    """
    duration = float(time_s[-1] - time_s[0])
    rows = _rows_hz(duration, top_hz)
    good = [_holds(float(row), time_s, step_s=step_s, top_hz=top_hz) for row in rows]
    at = np.flatnonzero(rows == 4.0)
    if at.size == 0 or not good[at[0]]:
        return None
    bad = np.flatnonzero(~np.array(good))
    first = int(np.max(bad[bad < at[0]], initial=-1)) + 1
    last = int(np.min(bad[bad > at[0]], initial=rows.size)) - 1
    return float(rows[first]), float(rows[last])


def missed_weighting_hz(
    checked_hz: tuple[float, float] | None, *, duration_s: float, top_hz: float
) -> tuple[float, ...]:
    """The rows of the table that should have kept their tolerances and did not, lowest first.

    Parameters
    ----------
    checked_hz : (float, float) or None
        What `checked_weighting_hz` found.
    duration_s : float
        From the first sample to the last.
    top_hz : float
        Top of the band. Where it lies below 4 Hz, the table's reference, no row can be held against the table.
    """
    low, high = (np.inf, np.inf) if checked_hz is None else checked_hz
    return tuple(float(row) for row in _rows_hz(duration_s, top_hz) if not low <= row <= high)


def _rows_hz(duration_s: float, top_hz: float) -> Array:
    rows = np.array([row[0] for row in WEIGHTING_TABLE])
    return np.asarray(rows[(rows * duration_s >= _LEAST_CYCLES) & (rows <= top_hz)])


def _holds(frequency_hz: float, time_s: Array, *, step_s: float, top_hz: float) -> bool:
    turn = 2 * np.pi * frequency_hz
    grid = speed_on_grid(time_s, np.sin(turn * (time_s - time_s[0])) / turn, step_s=step_s)
    gain = band_gain(extended_bins(grid), top_hz=top_hz, end_hz=0.5 / grid.step_s, weighted=True)
    inner = slice(int(_ENDS_SHARE * grid.time_s.size), -int(_ENDS_SHARE * grid.time_s.size) or None)
    time, speed = grid.time_s[inner], filtered(grid, gain)[1:-1][inner]
    waves = np.stack([np.cos(turn * time), np.sin(turn * time), np.ones_like(time)], axis=1)
    size = float(np.hypot(*np.linalg.lstsq(waves, speed, rcond=None)[0][:2]))
    level = 20 * np.log10(max(size, 1e-9))
    lowest, highest = weighting_limits_db(frequency_hz)
    allowance = _REFERENCE_ALLOWANCE_DB if frequency_hz == 4.0 else 0.0
    return bool(lowest - allowance <= level <= highest + allowance)
