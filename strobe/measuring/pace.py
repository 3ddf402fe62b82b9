"""Whether a clip plays at the pace at which it was filmed, as far as the lamp's flicker, a turn and the dots tell.

A slow-motion file that lost its capture rate reads as a platter that turns a whole factor too slowly, or, by its alias,
as one that is some percent off. That is asked about, not answered.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.figures.rings import NOMINAL_RPM, bars_for
from strobe.measuring.frametimes import FrameTimes
from strobe.measuring.hypotheses import Hypothesis
from strobe.measuring.options import Told
from strobe.measuring.rows import CLEAR_SUPPORT
from strobe.pattern import RowSeries
from strobe.phase import (
    LINE_ORDERS,
    FlashRate,
    TimeBase,
    combine_blocks,
    find_line,
    find_turns,
    folded_hz,
    measure_flash_rate,
)

__all__ = ["question_pace", "question_speed"]

_PACES = (2, 4, 8)
"""Times too slowly that slow motion plays: 60, 120 and 240 pictures a second at 30 (common practice)."""
_MAINS_FLASHES_HZ = (100.0, 120.0)
"""Twice the mains' 50 and 60 Hz: lamps flash on both half waves."""
_CLEARER, _MUCH_CLEARER, _COHERENT = 1.1, 1.4, 0.6
"""By what factor a turn must repeat better at another pace than at this one to be asked about, and although it fits
here; and how steady a line must be to bear a pace out (by trial)."""
_SOME_CYCLES = 3.0
"""Cycles in the clip that a flicker must make at another pace: fewer may do at several (by trial)."""
_PARTS_OF_A_REPEAT, _ALSO_SEEN, _ABOVE_NOISE = (2, 3), 0.45, 3.5
"""Whether a repeat is of two or three turns: their likeness after one turn, by the best and by its own noise."""
_NEAR_NOMINAL, _WELL_OFF, _NEAR = 0.03, 0.02, 0.01
"""How near, relatively, turn and dots must come to a nominal speed for a pace to fit; and from how far off it is asked
whether another pace is right that brings the dots so near (by trial)."""


def question_pace(
    times: FrameTimes,
    rows: list[RowSeries],
    told: Told,
    *,
    flash: FlashRate | None,
) -> None:
    """Ask at which rate the clip was filmed where the lamp's flicker or a turn of the platter shows another pace.

    Parameters
    ----------
    times : FrameTimes
        The frames at the pace so far.
    rows : list of RowSeries
        Rows that move.
    told : Told
    flash : FlashRate or None
        The lamp's flicker as it was found at this pace.

    Raises
    ------
    Refused
        ``ambiguous``.
    """
    sweep_known = times.pattern.sweep_known
    as_mains = flash is not None and flash.goes_with_sweep(sweep_known)
    if not rows or (times.told and times.stretch == 1) or (as_mains and flash is not None and not flash.uneven):
        return
    time = times.time
    paces = [float(k) for k in _PACES] if times.stretch == 1 else [1 / times.stretch]
    for pace in paces if told.lamp == "mains" and not as_mains else ():
        film_s = time.time_s / pace
        other = measure_flash_rate(times.pattern.brightness, film_s, _MAINS_FLASHES_HZ, downward=sweep_known)
        if other is not None and other.goes_with_sweep(sweep_known) and _runs(other, time, pace):
            raise _which_rate(times, pace, f"the lamp flickers {_times(pace)} as the mains makes it", told)
    row = max(rows, key=lambda one: one.amplitude)
    amplitude, _ = combine_blocks(row.blocks)
    found = {
        pace: find_turns(row.blocks, amplitude, time.index, time.interval_s / pace, None) for pace in (1.0, *paces)
    }
    best = {pace: turns.best() for pace, turns in found.items() if turns is not None}
    if not best:
        return
    clearest = max(best, key=lambda pace: best[pace][1])
    turn_s, support = best[clearest][0] * clearest, best[clearest][1]
    if support < max(CLEAR_SUPPORT, (_CLEARER if clearest != 1.0 else 1.0) * best.get(1.0, (0.0, 0.0))[1]):
        return
    nominal_rpm = told.nominal_rpm
    likely = [nominal_rpm] if nominal_rpm is not None else [*NOMINAL_RPM[1:], NOMINAL_RPM[0]]
    # Not where the speed is open: half of 33 1/3 under a lamp that flashes half as often is a nominal speed as well.
    strobed = flash if as_mains and nominal_rpm is not None else None

    def fitting(turn_s: float, tried: Sequence[float]) -> list[float]:
        """Paces at which the turn and the dots of a usual ring both go with a nominal speed."""
        pairs = [(pace, rpm) for rpm in likely for pace in tried if abs(60 * pace / turn_s / rpm - 1) < _NEAR_NOMINAL]
        return [p for p, rpm in pairs if _dots_fit(amplitude, time, p, rpm, told.dots, strobed if p == 1.0 else None)]

    own_s, own_support = best.get(1.0, (turn_s, 0.0))
    if (support < _MUCH_CLEARER * own_support and fitting(own_s, (1.0,))) or fitting(turn_s, (1.0,)):
        return
    here = found[1.0]
    for turns in _PARTS_OF_A_REPEAT:
        own = 0.0 if here is None else here.support(turn_s / turns)
        if own > max(_ALSO_SEEN * support, _ABOVE_NOISE) and fitting(turn_s / turns, (1.0,)):
            return
    elsewhere = [(pace, turn_s) for pace in fitting(turn_s, paces)]
    # What comes round most clearly may be a part of a turn that is too long to be looked for at this pace.
    for pace, (own_s, support) in best.items():
        if pace != 1.0 and support >= CLEAR_SUPPORT and fitting(own_s * pace, (pace,)):
            elsewhere.append((pace, own_s * pace))
    if elsewhere:
        raise _which_rate(times, elsewhere[0][0], f"one turn of the platter takes {elsewhere[0][1]:.1f} s in it", told)


def _dots_fit(
    amplitude: NDArray[np.complex128],
    time: TimeBase,
    pace: float,
    rpm: float,
    dots: int | None,
    flash: FlashRate | None,
) -> bool:
    """Whether the dots of a usual ring run at about their nominal rate at this pace, frozen by a shutter or a lamp."""
    counts = (dots,) if dots is not None else {bars_for(hz, rpm) for hz in (50.0, 60.0)}
    cycles = None if flash is None else flash.phase_cycles(time.time_s)
    for count, order in product(counts, LINE_ORDERS.values() if cycles is not None else (0.0,)):
        expected = count * rpm / 60
        line = find_line(
            amplitude,
            time.time_s / pace,
            interval_s=time.interval_s / pace,
            expected_hz=expected,
            span=_NEAR_NOMINAL,
            lamp_cycles=None if cycles is None else order * cycles,
        )
        if line.coherence > _COHERENT and abs(line.rate_hz / expected - 1) < 0.9 * _NEAR_NOMINAL:
            return True
    return False


def _runs(flash: FlashRate, time: TimeBase, pace: float) -> bool:
    """Whether the flicker makes some cycles in the clip; one that nearly stands still does so at several paces."""
    return float(folded_hz(flash.rate_hz, time.interval_s / pace)) * time.duration_s / pace > _SOME_CYCLES


def _times(pace: float) -> str:
    return f"{pace:g} times as slowly" if pace > 1 else f"{1 / pace:g} times as fast"


def question_speed(times: FrameTimes, chosen: Hypothesis, told: Told) -> None:
    """Ask at which rate the clip was filmed where only another pace brings the dots close to a nominal speed.

    Raises
    ------
    Refused
        ``ambiguous``.
    """
    if times.told or chosen.turns_seen or chosen.lamp.flash is not None:
        return
    if abs(chosen.deviation_percent) < 100 * _WELL_OFF:
        return
    time = times.time
    for pace in _PACES:
        coarse = find_line(
            chosen.evidence.amplitude,
            time.time_s / pace,
            interval_s=time.interval_s / pace,
            expected_hz=chosen.dots * chosen.nominal_rpm / 60,
            span=2 * _WELL_OFF,
            lamp_cycles=None,
        )
        off = 60 * coarse.rate_hz / chosen.dots / chosen.nominal_rpm - 1
        if abs(off) < _NEAR and coarse.coherence > 0.9 * chosen.line.coherence:
            raise _which_rate(
                times,
                pace,
                f"the dots would be {chosen.deviation_percent:+.1f} % off, but only {100 * off:+.1f} % if the clip "
                f"played {pace} times too slowly",
                told,
            )


def _which_rate(times: FrameTimes, pace: float, seen: str, told: Told) -> Refused:
    rate = 1 / times.time.interval_s
    if times.stretch != 1:
        advice = f"If it was not slowed down after all, measure again with --capture-rate {round(rate * pace)}."
        if (given := told.given("--capture-rate")) is not None:
            advice = f"Check --capture-rate {given}; if it was not slowed down after all, give {round(rate * pace)}."
        return Refused(
            "ambiguous",
            f"The clip is said to have been filmed at {rate:.4g} pictures a second, but {seen} at that rate.",
            advice,
        )
    return Refused(
        "ambiguous",
        f"The clip may be slow motion: {seen}.",
        f"Say at which rate the camera filmed: --capture-rate {round(rate * pace)} if it plays {pace:g} times too "
        f"slowly, --capture-rate {round(rate)} if it plays as it was filmed.",
    )
