"""Lines looked for one after the other in what is left of a course: the strongest first, each fitted before the next.

What a fit of lines takes for noise holds the next weaker line. So whoever fits asks here for the strongest line of the
rest, fits it together with all the others, and asks again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["LineSearch"]

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
