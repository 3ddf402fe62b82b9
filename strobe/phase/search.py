"""Lines looked for one after the other in what is left of a course: the strongest first, each fitted before the next.

What a fit of lines takes for noise holds the next weaker line. So whoever fits asks here for the strongest line of the
rest, fits it together with all the others, and asks again.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["LineSearch", "fit_with_lines", "places_of"]

_CLEAR = 14.0
"""Power of a line over the usual one: noise alone exceeds it in one of 16,000 bins (2 to the power of -14)."""


class LineSearch:
    """The strongest lines of a course, under a Hann window on a fine grid.

    Parameters
    ----------
    place : array of int (frames,)
        Places of the frames on their cadence.
    interval_s : float
        Its spacing.
    size : int
        Places that the course is filled up to with zeros, which makes the grid finer.
    above_hz, below_hz : float
        Where lines are looked for.
    """

    def __init__(
        self, place: NDArray[np.int_], interval_s: float, size: int, *, above_hz: float, below_hz: float = np.inf
    ) -> None:
        self._place = place
        self._window = np.hanning(place.size + 2)[1:-1]
        self._placed = np.zeros(size)
        self._grid = np.fft.rfftfreq(size, interval_s)
        self._left_out = (self._grid < above_hz) | (self._grid > below_hz)

    def leave_out(self, hz: float, within_hz: float) -> None:
        """Look for no line so near to a frequency."""
        self._left_out |= np.abs(self._grid - hz) < within_hz

    def strongest(self, rest: NDArray[np.float64]) -> tuple[float | None, float]:
        """Frequency of the strongest line of `rest` (frames,), None where none is clear; and the mean square of noise.

        The middle of exponentially spread powers is ln 2 of their mean.
        """
        self._placed[self._place] = self._window * rest
        power = np.abs(np.fft.rfft(self._placed)) ** 2
        usual = float(np.median(power[~self._left_out]))
        power[self._left_out] = 0
        top = int(np.argmax(power))
        white = usual / np.log(2) / float(np.sum(self._window**2))
        return (None if power[top] < _CLEAR * usual else float(self._grid[top])), white


def places_of(time_s: NDArray[np.float64], interval_s: float, *, finer: int) -> tuple[NDArray[np.int_], int]:
    """Places of frames on their cadence, and a size for `LineSearch`: a power of two, so many times more places."""
    place = np.rint((time_s - time_s[0]) / interval_s).astype(int)
    return place, finer << int(np.ceil(np.log2(place[-1] + 1)))


def fit_with_lines(
    course: NDArray[np.float64],
    columns: Sequence[NDArray[np.float64]],
    time_s: NDArray[np.float64],
    search: LineSearch,
    *,
    most: int,
    apart_hz: float,
    trust: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], tuple[float, ...]]:
    """Fit columns together with the strongest lines of what they leave.

    Parameters
    ----------
    course : array of float64 (frames,)
        What is fitted.
    columns : sequence of array of float64 (frames,)
        Known but for their sizes.
    time_s : array of float64 (frames,)
        Frame times.
    search : LineSearch
        Finds the lines; it is used up.
    most, apart_hz : int, float
        Lines at the most, and how near to one another none is looked for.
    trust : array of float64 (frames,) or None
        Weights of the frames.

    Returns
    -------
    tuple
        All that was fitted (frames, columns and a pair for each line, those last), the size of each, what is left
        (frames,), by its weights, and the frequencies of the lines.
    """
    columns, lines_hz = list(columns), list[float]()
    while True:
        basis = np.stack(columns, axis=1)
        weighted, aim = (basis, course) if trust is None else (basis * trust[:, None], course * trust)
        size = np.asarray(np.linalg.lstsq(weighted, aim, rcond=1e-10)[0], np.float64)
        left = aim - weighted @ size
        line = search.strongest(left if trust is None else left * trust)[0] if len(lines_hz) < most else None
        if line is None:
            return basis, size, left, tuple(lines_hz)
        lines_hz.append(line)
        columns += [np.cos(2 * np.pi * line * time_s), np.sin(2 * np.pi * line * time_s)]
        search.leave_out(line, apart_hz)
