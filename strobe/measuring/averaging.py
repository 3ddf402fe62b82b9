"""What of a wobble the exposure, and a camera that mixes its pictures, average away; neither is known from a clip.

A line of the dots that stands at a rate r while the shutter is open for T weighs a wobble at f by its sidebands,
``(sinc((r + f) T) + sinc((r - f) T)) / (2 sinc(r T))``. On the lamp-timed line r is what the dots creep by, and T may
be anything up to the whole frame. On the camera-timed line r is the dots' own rate, and ``|sinc(r T)|`` of their
contrast is left: clear dots have a short shutter, faint ones may be seen in a side lobe of a long one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.measuring.lamps import Lamp
from strobe.measuring.mixing import ROOM, Mixing
from strobe.pattern import RowSeries
from strobe.phase import LINE_ORDERS, LineReading, TimeBase

__all__ = ["Averaging", "averaging_of"]

_MOST_CONTRAST = 0.7
"""Contrast of still dots, that is amplitude over mean, at the most: 4 / pi for white on black half a pitch wide, some
more for narrower ones, through a camera's curve of about 0.45 where little is left (closed form; 0.37 to 0.46 on
rendered clips)."""
_FAINTEST = 0.15
"""Of the still dots' contrast, what a line that is followed has at the least (by choice)."""
_MOST = 3.0
"""Times that a wobble is thought weakened by exposure at the most: more would leave nothing to be read."""
_EVEN_ROOM = 0.5
"""Room below the least, in times of what may be lacking, where lamp or shutter may time the dots: the middle is then
the mean of a lamp's exposures and of a shutter that loses nothing (closed form)."""
_EXPOSURES, _FREQUENCIES = 101, 201
"""Exposures and frequencies that are tried: the loss is smooth between them."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Averaging:
    """By what a wobble must be multiplied for what was averaged away of it.

    Attributes
    ----------
    frequency_hz : array of float64 (n,)
        From 0 to half the frame rate.
    least, most : array of float64 (n,)
        Between what the truth lies there.
    """

    frequency_hz: Array
    least: Array
    most: Array

    def __call__(self, frequency_hz: Array) -> tuple[Array, Array]:
        """Least and most at any frequencies."""
        least, most = (np.interp(frequency_hz, self.frequency_hz, each) for each in (self.least, self.most))
        return least, most


def averaging_of(
    line: LineReading, lamp: Lamp, row: RowSeries, time: TimeBase, *, gap_percent: float, mixing: Mixing
) -> Averaging:
    """What a clip may have averaged away.

    Parameters
    ----------
    line : LineReading
        The line that was followed.
    lamp : Lamp
    row : RowSeries
        The row whose line that is.
    time : TimeBase
    gap_percent : float
        Above 0 where lamp or shutter may time the dots; then either may.
    mixing : Mixing
    """
    frequency = np.linspace(0.0, 0.5 / time.interval_s, _FREQUENCIES)
    longest = time.interval_s
    if lamp.rate_hz is not None and not np.all(line.lit):
        # Where frames stay dark, no more than one flash falls in any.
        longest = min(longest, 1 / lamp.rate_hz)
    exposure = np.linspace(0.0, longest, _EXPOSURES)
    either = gap_percent > 0
    ranges = []
    if line.kind == "camera" or either:
        ranges.append(_exposed(frequency, line.dot_rate_hz, exposure, row.contrast / _MOST_CONTRAST))
    if line.kind == "lamp" or either:
        order = LINE_ORDERS[line.followed] if line.kind == "lamp" else 1.0
        creep = line.dot_rate_hz - order * (lamp.rate_hz if lamp.rate_hz is not None else line.dot_rate_hz)
        ranges.append(_exposed(frequency, creep, exposure, _FAINTEST))
    least, most = np.min([each[0] for each in ranges], axis=0), np.max([each[1] for each in ranges], axis=0)
    # That nothing was averaged away is likely, and lies at the end; what else is off adds to it. Where it is as likely
    # as all else together, a quarter of what may be lacking is put back, not half.
    room = 0.5 * (ROOM - 1)
    least, most = least - (_EVEN_ROOM if either else room) * (most - least), most + room * (most - least)
    mixed = np.array([_mixed(mixing, one * time.interval_s) for one in frequency])
    return Averaging(frequency, least * mixed[:, 0], most * mixed[:, 1])


def _exposed(frequency_hz: Array, rate_hz: float, exposure_s: Array, left: float) -> tuple[Array, Array]:
    """Least and most (frequencies,) for exposures that leave so much of the dots."""
    shown = np.sinc(rate_hz * exposure_s)
    possible = np.abs(shown) >= min(left, 1.0)
    beside = (rate_hz + sign * frequency_hz[:, None] for sign in (1, -1))
    above, below = (np.sinc(one * exposure_s[possible]) for one in beside)
    weight = np.abs(0.5 * (above + below) / shown[possible])
    factor = 1 / np.maximum(weight, 1 / _MOST)
    return factor.min(axis=1), factor.max(axis=1)


def _mixed(mixing: Mixing, cycles_per_picture: float) -> tuple[float, float]:
    likely, unsure = mixing.loss(cycles_per_picture)
    return likely * (1 - unsure), likely * (1 + unsure)
