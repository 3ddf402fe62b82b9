"""Sudden things in the speed over time: jumps, sags under load and their recovery, the run-up from standstill."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.figures.results import SpeedSeries
from strobe.measurement import Event

__all__ = ["LoadResponse", "find_events", "load_response", "run_up"]

JUMP, SAG, SURGE, RUN_UP, OVERSHOOT = "jump", "sag", "surge", "run-up", "overshoot"
SURE = 6.0
LEAST_PERCENT = 0.05
"""A change of level counts from so many robust standard deviations of such changes (by trial), and from so many percent
(our own choice)."""
RECOVERED = 0.35
"""Share of a change that may be left when the speed counts as come back; by trial."""
STARTED_PERCENT = 5.0
"""How far below its last speed a clip begins that shows a run-up; our own choice."""
AT_SPEED_PERCENT = 0.3
"""How near to its last speed a platter counts as run up, and how steady that must be: as wide as the tolerance of a
broadcast turntable (NAB 1964; value from memory)."""
RIPPLE_HZ = (0.15, 8.0)
"""Rates that ringing may have: the check table's for what swings, 0.3 to 6 Hz, with room to either side."""
LEAST_RINGS = 3
"""Crossings from one side to the other that make it ringing: a sag that overshoots once makes one."""
RIPPLE_SIGMAS = 3.0
"""Standard deviations beyond which the speed is not merely unsteady: normal noise is so far off once in 370 times."""
TIED_ORDERS = 4
"""Times a turn up to which what is tied to the platter is taken off before a load is judged; our own choice."""
_TO_SIGMA = 1.4826
"""Standard deviation of a Gaussian over the median of its magnitude: closed form."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LoadResponse:
    """What a load (a stylus set down, a light brake) did to the speed.

    Attributes
    ----------
    at_s : float
        When it came.
    sag_percent : float
        Deepest mean drop over a turn's third, negative when slower.
    lasting_percent : float
        Change of the mean speed that stays.
    recovery_s : float or None
        Until the speed is back within a tenth of the sag of where it ends; None where it isn't in this clip.
    overshoot_percent : float
        By how far the speed then goes past where it ends.
    usual_percent : float
        What the same means swing by without a load; a sag within it is none.
    ringing_hz : float or None
        Rate at which it swings back and forth after the load, three swings or more; None where it doesn't.
    """

    at_s: float
    sag_percent: float
    lasting_percent: float
    recovery_s: float | None
    overshoot_percent: float
    usual_percent: float
    ringing_hz: float | None


def find_events(series: SpeedSeries) -> tuple[Event, ...]:
    """Jumps, sags and surges of the mean speed over a turn, and a run-up at the start, in the order of time.

    Notes
    -----
    At every moment the mean over the turn before is taken from that over the turn after, which leaves out what is tied
    to the platter. A change counts when it stands out of all others in the clip; it is a sag or surge where the speed
    comes back within five turns, else a jump.
    """
    events = list(run_up(series))
    begin = 0
    if events:
        begin = int(np.searchsorted(series.time_s, max(event.time_s for event in events)))
    time, value = series.time_s[begin:], series.deviation_percent[begin:]
    step, turn_s = _step_and_turn_s(series)
    width = max(2, round(turn_s / step))
    if value.size < 5 * width:
        return tuple(events)
    change = _level_changes(value, width)
    sigma = _TO_SIGMA * float(np.median(np.abs(change - np.median(change))))
    least = max(SURE * sigma, LEAST_PERCENT)
    left = np.abs(change)
    while left.max() > least:
        place = int(np.argmax(left))
        events.append(_event(time, value, place + width, float(change[place]), width, least))
        left[max(0, place - width) : place + width + 1] = 0.0
    return tuple(sorted(_paired(events), key=lambda event: event.time_s))


def run_up(series: SpeedSeries) -> tuple[Event, ...]:
    """The run-up and its overshoot, where the clip begins more than 5 % below the speed that it ends with."""
    last = series.deviation_percent[-(series.deviation_percent.size // 3) :]
    halves = np.array_split(last, 2)
    settled = abs(float(np.median(halves[1]) - np.median(halves[0]))) < AT_SPEED_PERCENT
    off = series.deviation_percent - float(np.median(last))
    if off[0] > -STARTED_PERCENT or not settled:
        return ()
    near = max(AT_SPEED_PERCENT, RIPPLE_SIGMAS * float(np.std(last)))
    away = np.flatnonzero(np.abs(off) > near)
    if away.size == 0 or away[-1] >= off.size - off.size // 3:
        return ()
    at = float(series.time_s[away[-1]])
    events = [Event(at, RUN_UP, float(off[0]))]
    over = int(np.argmax(off))
    if off[over] > near and series.time_s[over] <= at:
        events.insert(0, Event(float(series.time_s[over]), OVERSHOOT, float(off[over])))
    return tuple(events)


def load_response(series: SpeedSeries, *, at_s: float) -> LoadResponse:
    """Sag, recovery and ringing after a load that came at a known time.

    Raises
    ------
    ValueError
        If there is less than one turn before it or two after it.
    """
    step, turn_s = _step_and_turn_s(series)
    before = (series.time_s < at_s) & (series.time_s >= at_s - math.floor((at_s - series.time_s[0]) / turn_s) * turn_s)
    after = series.time_s >= at_s
    if np.count_nonzero(before) * step < 0.9 * turn_s or np.count_nonzero(after) * step < 2 * turn_s:
        raise ValueError(f"a load at {at_s:g} s needs one turn before it and two after it in the clip")
    steady = _without_turn(series, before)
    base = float(steady[before].mean())
    value, time = steady[after] - base, series.time_s[after] - at_s
    width = max(1, round(turn_s / 3 / step))
    smoothed = _running_mean(steady - base, width)
    ripple = float(np.std(smoothed[before]))
    smooth = smoothed[after][: -(width // 2) or None]
    end = float(np.median(smooth[-max(3, smooth.size // 4) :]))
    deepest = int(np.argmin(smooth))
    sag = float(smooth[deepest])
    out = np.flatnonzero(np.abs(smooth - end) > max(0.1 * abs(sag - end), RIPPLE_SIGMAS * ripple))
    recovery = None if out.size == 0 or out[-1] >= smooth.size - smooth.size // 4 else float(time[out[-1]])
    fast = float(np.std(steady[before]))
    return LoadResponse(
        at_s=at_s,
        sag_percent=sag,
        lasting_percent=end,
        recovery_s=recovery,
        overshoot_percent=max(0.0, float(np.max(smooth[deepest:]) - end)),
        usual_percent=RIPPLE_SIGMAS * ripple,
        ringing_hz=_ringing(time, value - end, max(0.15 * abs(sag - end), RIPPLE_SIGMAS * fast)),
    )


def _step_and_turn_s(series: SpeedSeries) -> tuple[float, float]:
    """Usual time from sample to sample, and of one turn."""
    step = float(np.median(np.diff(series.time_s)))
    return step, step / max(float(np.median(np.diff(series.angle_rev))), 1e-9)


def _without_turn(series: SpeedSeries, known: NDArray[np.bool_]) -> Array:
    """The deviation without what is tied to the platter's angle, as the part before the load shows it."""
    turn = 2 * np.pi * series.angle_rev
    columns = [np.ones_like(turn)]
    for order in range(1, TIED_ORDERS + 1):
        columns += [np.cos(order * turn), np.sin(order * turn)]
    design = np.stack(columns, axis=1)
    fitted = np.linalg.lstsq(design[known], series.deviation_percent[known], rcond=None)[0]
    return np.asarray(series.deviation_percent - design[:, 1:] @ fitted[1:])


def _level_changes(value: Array, width: int) -> Array:
    total = np.concatenate([[0.0], np.cumsum(value)])
    mean = (total[width:] - total[:-width]) / width
    return np.asarray(mean[width:] - mean[:-width])


def _running_mean(value: Array, width: int) -> Array:
    padded = np.pad(value, (width // 2, width - 1 - width // 2), mode="edge")
    return np.convolve(padded, np.ones(width) / width, mode="valid")


def _event(time: Array, value: Array, place: int, change: float, width: int, least: float) -> Event:
    before = float(value[max(0, place - 2 * width) : place].mean())
    later = value[place + width : place + 6 * width]
    back = False
    if later.size >= width:
        levels = _running_mean(later, width)
        back = bool(np.any(np.abs(levels - before) < max(RECOVERED * abs(change), 0.5 * least)))
    kind = JUMP if not back else (SAG if change < 0 else SURGE)
    return Event(float(time[place]), kind, change)


def _paired(events: list[Event]) -> list[Event]:
    """Without the change back that follows a sag or surge."""
    kept: list[Event] = []
    for event in sorted(events, key=lambda one: one.time_s):
        last = kept[-1] if kept else None
        returning = last is not None and last.kind in (SAG, SURGE) and event.kind not in (RUN_UP, OVERSHOOT)
        if returning and last is not None and last.size_percent * event.size_percent < 0:
            continue
        kept.append(event)
    return kept


def _ringing(time: Array, value: Array, least: float) -> float | None:
    """Rate of the swings that go on after a load, by how they cross a band of `least` to either side of the end."""
    step = float(np.median(np.diff(time)))
    smooth = _running_mean(value, max(1, round(0.5 / RIPPLE_HZ[1] / step)))
    outside = np.where(smooth > least, 1, np.where(smooth < -least, -1, 0))
    places = np.flatnonzero(outside)
    flips = places[1:][np.diff(outside[places]) != 0]
    if flips.size < LEAST_RINGS:
        return None
    rate = 0.5 * (flips.size - 1) / float(time[flips[-1]] - time[flips[0]])
    return rate if RIPPLE_HZ[0] <= rate <= RIPPLE_HZ[1] else None
