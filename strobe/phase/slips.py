"""Jumps of a course from one frame to the next, and slips: jumps by whole dots, which are none to the eye."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["jumps_of", "without_slips"]

_BESIDE_S, _LEAST_BESIDE = 0.25, 6
"""How long a course is held straight on either side of a jump, and for how many frames at the least."""
_SLIP_DOTS, _RUNS_DOTS, _FAINT, _MOST_SLIPS = 0.7, 0.2, 0.25, 8
"""A jump that no wobble makes; the usual one of a course that runs on, as beside a stronger line; the amplitude, by the
usual one, of frames over which a dot may slip; and how many slips are taken back: more are no moments."""


def jumps_of(
    at_s: NDArray[np.float64], dots: NDArray[np.float64], interval_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """By how much a course jumps between each two frames, held straight through some before and some after.

    Parameters
    ----------
    at_s, dots : array of float64 (frames,)
        Times of frames that show the dots, and their place.
    interval_s : float
        Time from frame to frame where none is missing.

    Returns
    -------
    tuple of arrays (jumps,)
        The moment between two frames, the jump there in dots, and whether no frames are missing around it; from the
        first two with enough frames before them. Empty where the frames are too few.
    """
    size = max(_LEAST_BESIDE, round(_BESIDE_S / interval_s))
    if at_s.size < 4 * size:
        return np.zeros(0), np.zeros(0), np.zeros(0, bool)
    windows = np.lib.stride_tricks.sliding_window_view
    times, places = windows(at_s, size), windows(dots, size)
    middle_s, middle = times.mean(axis=1), places.mean(axis=1)
    away = times - middle_s[:, None]
    rate = (away * (places - middle[:, None])).sum(axis=1) / (away**2).sum(axis=1)
    after = np.arange(size, at_s.size - size + 1)
    before = after - size
    between_s = (at_s[after - 1] + at_s[after]) / 2
    jump = (
        middle[after]
        + rate[after] * (between_s - middle_s[after])
        - middle[before]
        - rate[before] * (between_s - middle_s[before])
    )
    lasts = times[:, -1] - times[:, 0]
    whole = np.maximum(lasts[before], lasts[after]) < 2 * size * interval_s
    whole &= at_s[after] - at_s[after - 1] < 3 * interval_s
    return between_s, jump, whole


def without_slips(
    dots: NDArray[np.float64], size: NDArray[np.float64], time_s: NDArray[np.float64], interval_s: float
) -> NDArray[np.float64]:
    """A course (frames,) without jumps by whole dots, which frames make in which the dots all but vanish.

    `size` (frames,) is the amplitude of the dots: where that stays, the platter itself has moved on.
    """
    faint = size < _FAINT * float(np.median(size))
    shown = np.flatnonzero(~faint)
    shown_s = time_s[shown]
    for _ in range(_MOST_SLIPS if faint.any() else 0):
        between_s, jump, whole = jumps_of(shown_s, dots[shown], interval_s)
        if not whole.any() or np.median(np.abs(jump)) > _RUNS_DOTS:
            break
        first = np.searchsorted(shown_s, between_s)
        over_faint = shown[first] - shown[first - 1] > 1
        top = int(np.argmax(np.where(over_faint, np.abs(jump), 0.0)))
        if not over_faint[top] or abs(jump[top]) < _SLIP_DOTS:
            break
        dots = dots - np.where(time_s > between_s[top], np.rint(jump[top]), 0.0)
    return dots
