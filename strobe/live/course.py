"""The dot rate as it goes on from update to update, and whether it is still the one that was recognised.

A line is known only up to whole frame rates, so that a speed which changed fast or unseen may look like another. Here
the rate is walked from frame to frame; where a step can't be foretold, the course ends and somebody has to recognise
anew.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from strobe.live.figure import line_cycles
from strobe.live.records import Lock
from strobe.phase import CoarseLine, TimeBase, find_line, lit_frames

__all__ = ["Course", "Going"]

Going = Literal["on", "fast", "too fast", "not followed"]

_KEPT_S = 30.0
"""How long rates are kept: longer than the turns that a figure is made from (9.5 of them at 33 1/3 take 17 s)."""
_NOW_S, _SPAN = 1.2, 0.06
"""Newest seconds in which the line is looked for, and how far from the walked rate (relative); by trial."""
_SLEW_PERCENT_PER_S, _SLEWS = 7.0, 2
"""A change as fast, so many updates in a row, ends the course; by trial."""
_FARTHEST_PERCENT = 12.5
"""Farther off nominal nothing is followed: it may be another speed by then (45 lies 35 % above 33 1/3). Our own
choice."""
_COHERENT, _INCOHERENT = 0.4, 3
"""Coherence of the line (1 where all dots follow it) that is enough, and updates in a row with less that end the
course; by trial."""
_ASTRAY_DOTS, _ASTRAYS, _FAST_SHARE = 0.2, 2, 0.02
"""Steps so far from what was foretold may have been taken for their neighbours."""
_WALK_PLACE, _WALK_RATE = 0.6, 0.25
"""Shares of a step's surprise that go into place and rate: a switch of speeds within a second is kept up with."""


class Course:
    """The dot rate of a lock, followed; `restart` it where frames are missing."""

    def __init__(self) -> None:
        self._rates: deque[tuple[float, float]] = deque()
        self._walked: deque[tuple[float, float]] = deque()
        self.restart()

    def restart(self) -> None:
        """Nothing before hangs together with what comes; the lock's own rate is taken up again."""
        self._rates.clear()
        self._walked.clear()
        self._walk: _Walk | None = None
        self._slews = self._incoherent = self._astray = 0

    def mean_rate_hz(self, since_s: float, lock: Lock) -> float:
        """Mean dot rate since then."""
        return float(np.mean([rate for at, rate in self._rates if at >= since_s] or [lock.dot_rate_hz]))

    def follow(self, amplitude: NDArray[np.complex128], time: TimeBase, lock: Lock, now: float) -> Going:
        """Follow on over a window that ends now.

        Returns
        -------
        str
            ``on``; ``fast`` while the speed changes so fast that a figure from here would be wrong; ``too fast`` or
            ``not followed`` where what was recognised may be something else by now.
        """
        before = self._walk or _Walk(float(time.time_s[0]), lock.dot_rate_hz, 0.0)
        walk = _walk_on(amplitude, time, lock, before)
        astray = walk.strayed_dots > _ASTRAY_DOTS
        self._astray = self._astray + 1 if astray else 0
        if self._astray >= _ASTRAYS:
            return "too fast"
        # Once may be a knock or a hand; then the platter still runs as before.
        self._walk = walk = replace(walk, rate_hz=before.rate_hz) if astray else walk
        self._walked.append((now, walk.rate_hz))
        while self._walked[0][0] < now - _NOW_S:
            self._walked.popleft()
        expected = float(np.mean([rate for _, rate in self._walked]))
        fast = astray or abs(walk.rate_hz / expected - 1) > _FAST_SHARE
        line = _line_now(amplitude, time, lock, expected)
        if line is None:
            return "fast" if fast else "on"
        self._incoherent = self._incoherent + 1 if line.coherence < _COHERENT else 0
        if self._rates:
            before_s, rate = self._rates[-1]
            slew = 100 * abs(line.rate_hz / rate - 1) / (now - before_s)
            self._slews = self._slews + 1 if slew > _SLEW_PERCENT_PER_S else 0
        self._rates.append((now, line.rate_hz))
        while self._rates[0][0] < now - _KEPT_S:
            self._rates.popleft()
        speed = line.rate_hz * 60 / lock.dots * lock.scale
        if abs(100 * (speed / lock.nominal_rpm - 1)) > _FARTHEST_PERCENT or self._slews >= _SLEWS:
            return "too fast"
        if self._incoherent >= _INCOHERENT:
            return "not followed"
        return "fast" if fast else "on"


@dataclass(frozen=True)
class _Walk:
    """The dot rate up to `time_s`, followed from frame to frame; `strayed_dots` is how far off the predictions were.

    A line alone is known only up to whole frame rates. Steps from frame to frame that can be foretold within a fraction
    of a dot keep to the true one, however much the speed has changed since it was recognised.
    """

    time_s: float
    rate_hz: float
    strayed_dots: float


def _walk_on(amplitude: NDArray[np.complex128], time: TimeBase, lock: Lock, walk: _Walk) -> _Walk:
    """Follow on over the frames that have come since; frames that met no flash are stepped over."""
    new = np.flatnonzero(time.time_s > walk.time_s - 0.5 * time.interval_s)
    if new.size < 2:
        return walk
    cycles = np.angle(amplitude[new]) / (2 * np.pi)
    run_back = line_cycles(lock, time, new)
    if run_back is not None:
        cycles = cycles + run_back
    at_s = time.time_s[new]
    lit = lit_frames(amplitude)[new]
    rate, phase, before_s = walk.rate_hz, None, 0.0
    strayed = [0.0]
    for cycle, now_s in zip(cycles[lit].tolist(), at_s[lit].tolist(), strict=True):
        if phase is None:
            phase, before_s = cycle, now_s
            continue
        step_s = now_s - before_s
        foretold = phase + rate * step_s
        off = (cycle - foretold + 0.5) % 1.0 - 0.5
        phase, before_s = foretold + _WALK_PLACE * off, now_s
        rate += _WALK_RATE * off / step_s
        strayed.append(off)
    return _Walk(float(at_s[-1]), rate, float(np.sqrt(np.mean(np.square(strayed)))))


def _line_now(amplitude: NDArray[np.complex128], time: TimeBase, lock: Lock, expected_hz: float) -> CoarseLine | None:
    """Where the line lies in the newest second, and how well the dots follow it; None with too few frames."""
    recent = time.time_s > time.time_s[-1] - _NOW_S
    if np.count_nonzero(recent) < 12:
        return None
    return find_line(
        amplitude[recent],
        time.time_s[recent],
        interval_s=time.interval_s,
        expected_hz=expected_hz,
        span=_SPAN,
        lamp_cycles=line_cycles(lock, time, recent),
    )
