"""A wobble too fast for the frames that show the dots passes for a slower one: against simulated dots."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from strobe.figures import evaluate
from strobe.measuring.seldom import Mistaken, mistaken_for_slower
from strobe.phase import CoarseLine, fit_time_base, read_line

DOTS, RATE_HZ, FLASH_HZ = 160, 24.0, 60.036
PEAK_PERCENT = 0.105


def mistaken(wobble_hz: float, *, lit_of_all: bool = False) -> tuple[Mistaken, ...]:
    """Of dots that turn at 45 rpm with once a turn and one wobble, lit where a lamp's short flash meets the shutter.

    60.036 flashes in 24 pictures light every other one, and creep: now the even ones, now the odd, now both.
    """
    time_s = np.arange(240) / RATE_HZ
    turn_hz = 0.75
    swings = [(turn_hz, 0.14, 3.0), (wobble_hz, PEAK_PERCENT, 2.6)]
    dots = DOTS * turn_hz * time_s + sum(
        DOTS * turn_hz * peak / 100 / (2 * np.pi * hz) * np.sin(2 * np.pi * hz * time_s + start)
        for hz, peak, start in swings
    )
    dots = dots + np.random.default_rng(5).normal(0, 2e-4, dots.size)
    line = read_line(
        np.exp(2j * np.pi * dots),
        time_s,
        interval_s=1 / RATE_HZ,
        kind="camera",
        coarse=CoarseLine(DOTS * turn_hz, 1.0),
        lamp_cycles=None,
        flash=None,
        height=None,
    )
    lit = np.ones(240, bool) if lit_of_all else (FLASH_HZ * time_s + 0.2) % 1 < 0.6
    seen = np.interp(time_s, time_s[lit], (line.dots - DOTS * turn_hz * time_s)[lit])
    line = replace(line, dots=DOTS * turn_hz * time_s + seen, lit=lit)
    figures = evaluate(
        time_s,
        line.dots / DOTS,
        nominal_rpm=45.0,
        angle_noise_rev=line.noise_dots / DOTS,
        frame_interval_s=1 / RATE_HZ,
        weight=lit,
    )
    return mistaken_for_slower(figures, line, fit_time_base(time_s))


@pytest.mark.parametrize("wobble_hz", [8.57, 9.1])
def test_a_faster_wobble_is_told(wobble_hz: float) -> None:
    """What half the frame rate less it shows is less than the wobble that it is."""
    (found,) = mistaken(wobble_hz)
    assert found.frequency_hz == pytest.approx(wobble_hz, abs=0.2)
    # In squares of a speed half of it to a third more.
    assert 0.5 * PEAK_PERCENT**2 < found.peak_percent**2 - found.component.peak_percent**2 < 1.3 * PEAK_PERCENT**2


@pytest.mark.parametrize("wobble_hz", [3.43, 5.2])
def test_a_wobble_that_is_slow_enough_passes_for_no_other(wobble_hz: float) -> None:
    assert mistaken(wobble_hz) == ()


def test_where_all_frames_show_the_dots_nothing_passes_for_another() -> None:
    assert mistaken(8.57, lit_of_all=True) == ()
