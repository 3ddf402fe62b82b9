"""The cadence under times of arrival.

A picture may come late, never early, and pictures that were held up come all at once; the sensor goes on evenly all the
while. So the pictures are counted, losses are told from hold-ups by whether the lateness is made up for, and a line is
laid through those that came in good time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.phase import TimeBase

__all__ = ["arrival_times"]

_MADE_UP_S = 1.5
"""A hold-up is made up for within so long; what is not is a loss."""
_SURE_S, _FEW_LOST = 0.25, 2.5
"""So long a wait shows that a gap of more than a few frames is no hold-up."""
_LOSS, _FOLLOWS, _AT_ONCE = 0.6, 0.02, 0.3
"""Intervals by which all that follow are late before one counts as lost (half an interval and some noise); share of the
rest that the level follows at each frame; share of the mean step below which pictures came at once, after a hold-up,
and tell no interval. By trial."""
_REACH, _STEP, _FIRST_LOOK_S = 0.05, 0.25, 5.0
"""The interval is looked for so near to the median step (relative), in steps of a quarter of a cycle over all times,
first on the newest seconds alone. By trial."""
_ROUNDS, _LATE = 2, 3.0
"""How often frames are counted, and the line is laid, anew; and spreads beyond which a frame came too late. By
trial."""
_TOO_UNEVEN = 0.3
"""Scatter about the line, in intervals, from which there is no cadence; by trial."""
_FEWEST = 24
"""Fewest frames for a cadence; by trial."""


def arrival_times(stamp_s: NDArray[np.float64]) -> TimeBase | None:
    """Times of frames on one cadence under the times of their arrival.

    Parameters
    ----------
    stamp_s : array of float64 (frames,)
        Times of arrival, in order.

    Returns
    -------
    TimeBase or None
        None for few frames, or where no one cadence lies beneath.
    """
    if stamp_s.size < _FEWEST:
        return None
    interval = _interval(stamp_s)
    if interval is None:
        return None
    for _ in range(_ROUNDS):
        number = _counted(stamp_s, interval)
        used = np.arange(number.size)
        line = np.polyfit(number, stamp_s[used], 1)
        off = stamp_s[used] - np.polyval(line, number)
        for _ in range(_ROUNDS):
            usual = float(np.median(off))
            spread = 1.4826 * float(np.median(np.abs(off - usual))) + 1e-9
            kept = np.abs(off - usual) < _LATE * spread
            line = np.polyfit(number[kept], stamp_s[used][kept], 1)
            off = stamp_s[used] - np.polyval(line, number)
        interval = float(line[0])
    # Who came far too late may have been miscounted, where others were lost in the same hold-up.
    number, used, off = number[kept], used[kept], off[kept]
    noise = float(np.std(off))
    if noise > _TOO_UNEVEN * interval:
        return None
    span = float(number[-1] - number[0])
    lever = float(np.sqrt(np.sum((number - number.mean()) ** 2)))
    return TimeBase(
        time_s=np.asarray(np.polyval(line, number), np.float64),
        stamp_s=stamp_s[used],
        index=number - number[0],
        interval_s=interval,
        interval_uncertainty=noise / lever / interval,
        grid_s=0.0,
        noise_s=noise,
        kind="cadence",
        dropped=int(span) + 1 - used.size,
        used=used,
        mended=0,
        left_out=stamp_s.size - used.size,
        breaks=0,
        piece=np.zeros(used.size, int),
    )


def _interval(stamp_s: NDArray[np.float64]) -> float | None:
    """The interval of which the times are multiples as nearly as can be; None where the steps show none."""
    steps = np.diff(stamp_s)
    steps = steps[steps > _AT_ONCE * float(np.mean(steps))]
    if steps.size < _FEWEST // 2:
        return None
    rough = float(np.median(steps))
    newest = stamp_s[stamp_s > stamp_s[-1] - _FIRST_LOOK_S]
    rough = _likeliest(newest, rough, _REACH)
    return _likeliest(stamp_s, rough, 2 * rough / float(np.ptp(newest)))


def _likeliest(stamp_s: NDArray[np.float64], rough_s: float, reach: float) -> float:
    """The interval within a relative `reach` of a rough one, of which the times are multiples most nearly."""
    off = np.arange(-reach, reach + 1e-9, _STEP * rough_s / float(np.ptp(stamp_s)))
    rates = (1 + off) / rough_s
    likeness = np.abs(np.exp(2j * np.pi * np.outer(rates, stamp_s - stamp_s[0])).sum(axis=1))
    return float(1 / rates[int(np.argmax(likeness))])


def _counted(stamp_s: NDArray[np.float64], interval_s: float) -> NDArray[np.int_]:
    """Number (frames,) of each frame on the sensor's cadence, lost ones counted in.

    The newest frames are left out, where a gap before them may be a loss or a hold-up.
    """
    late = stamp_s - interval_s * np.arange(stamp_s.size)
    ahead = max(2, round(_MADE_UP_S / interval_s))
    padded = np.concatenate([late, np.full(ahead - 1, np.inf)])
    least = np.lib.stride_tricks.sliding_window_view(padded, ahead).min(axis=1)
    lost, level = 0, float(least[0])
    numbers: list[int] = []
    # The level drifts as long as the interval is not quite right; a loss lifts it by whole intervals at once.
    for place, one in enumerate(least.tolist()):
        above = (one - level) / interval_s - lost
        if above > _LOSS:
            if above > _FEW_LOST and stamp_s[-1] - stamp_s[place] < _SURE_S:
                break
            lost += round(above)
        level += _FOLLOWS * (one - lost * interval_s - level)
        numbers.append(place + lost)
    return np.array(numbers)
