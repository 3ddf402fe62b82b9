"""The warm-up watch: a reading a minute, until the speed has settled."""

from __future__ import annotations

import numpy as np

from strobe.errors import UsageError
from strobe.live.records import LiveUpdate, WarmReading, WarmUp

__all__ = ["SETTLED_PERCENT", "WARM_UP_SCHEMA", "WarmUpWatch"]

WARM_UP_SCHEMA = "strobe.warm-up/1"
"""Name of the JSON form of the watch."""
SETTLED_PERCENT = 0.02
"""What the readings of five intervals may differ by in all once the machine is called warm; our own choice."""
_INTERVALS = 5
"""Intervals over which the readings must stay alike; our own choice."""
_LEAST_SHARE = 0.5
"""Of an interval that must have had a figure."""


class WarmUpWatch:
    """Takes updates and says when the speed has settled.

    Parameters
    ----------
    interval_s : float
        A reading each so many seconds.
    limit_percent : float
        What the readings of five intervals may differ by.

    Raises
    ------
    UsageError
        An interval shorter than two turns, or a limit that is no percentage above 0.

    Notes
    -----
    Noise makes the readings differ more, never less, so that nothing is called settled because of it. Against the
    mains the mains' own wander counts in.
    """

    def __init__(self, *, interval_s: float = 60.0, limit_percent: float = SETTLED_PERCENT) -> None:
        if not 4 <= interval_s <= 3600:
            raise UsageError(f"a reading every {interval_s:g} s is outside 4 to 3600 s: take 60 s")
        if not 0.001 <= limit_percent <= 5:
            raise UsageError(f"settled within {limit_percent:g} % is outside 0.001 to 5 %: take {SETTLED_PERCENT:g} %")
        self._interval_s, self._limit = interval_s, limit_percent
        self._begin_s: float | None = None
        self._rpm: float | None = None
        self._number = 0
        self._in_it: list[LiveUpdate | None] = []
        self._readings: list[tuple[int, WarmReading]] = []
        self._settled_after_s: float | None = None

    def take(self, update: LiveUpdate) -> WarmReading | None:
        """Take the next update; a reading where an interval with figures has ended."""
        if update.deviation_percent is not None and update.nominal_rpm != self._rpm:
            self._begin_s, self._rpm, self._number = update.time_s, update.nominal_rpm, 0
            self._in_it, self._readings, self._settled_after_s = [], [], None
        if self._begin_s is None:
            return None
        made = None
        number = int((update.time_s - self._begin_s) / self._interval_s)
        if number > self._number:
            made = self._close()
            self._number, self._in_it = number, []
        self._in_it.append(update if update.deviation_percent is not None else None)
        return made

    def result(self) -> WarmUp:
        """How it stands."""
        return WarmUp(
            readings=tuple(one for _, one in self._readings),
            interval_s=self._interval_s,
            within_s=_INTERVALS * self._interval_s,
            limit_percent=self._limit,
            change_percent=self._change(),
            settled_after_s=self._settled_after_s,
        )

    def _close(self) -> WarmReading | None:
        figures = [one for one in self._in_it if one is not None]
        if not figures or len(figures) < _LEAST_SHARE * len(self._in_it):
            return None
        assert self._begin_s is not None
        passed_s = (self._number + 1) * self._interval_s
        made = WarmReading(
            time_s=self._begin_s + passed_s,
            deviation_percent=float(np.mean([one.deviation_percent or 0.0 for one in figures])),
            uncertainty_percent=float(np.median([one.uncertainty_percent or 0.0 for one in figures])),
            reference=figures[-1].reference,
        )
        self._readings.append((self._number, made))
        change = self._change()
        if self._settled_after_s is None and change is not None and change < self._limit:
            self._settled_after_s = passed_s
        return made

    def _change(self) -> float | None:
        last = self._readings[-_INTERVALS - 1 :]
        if len(last) <= _INTERVALS or last[-1][0] - last[0][0] != _INTERVALS:
            return None
        return float(np.ptp([one.deviation_percent for _, one in last]))
