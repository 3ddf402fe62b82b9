"""How sure speed and trend are: a mains that speeds up or slows down while a perfect platter turns."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from strobe.figures import evaluate
from strobe.figures.results import Figures
from strobe.measuring.lamps import Lamp
from strobe.measuring.speedbudget import mains_change_hz, trend_uncertainty_percent_per_minute
from strobe.phase import CoarseLine, FlashRate, LineReading, TimeBase, fit_time_base, read_line

RATE_HZ, SECONDS = 30.0, 20.0
TIME_S = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
SINCE = 2 * TIME_S / TIME_S[-1] - 1
THIRD = 100 / 3
CASES, MISSES = 40, 5
"""Forty walks, of which two miss their 95 % bounds on average and more than five in one study of seventy (binomial)."""

Reals = NDArray[np.float64]


def flashing(mains_hz: float, source: str = "nominal", **changes: Any) -> Lamp:
    return replace(Lamp("mains", mains_hz, 2 * mains_hz, 2 * mains_hz, source, None, 2 * mains_hz * TIME_S), **changes)


def read(lamp: Lamp, gone_ahead_cycles: Reals, kind: str = "lamp") -> tuple[Figures, LineReading, TimeBase]:
    """A ring that turns evenly, frozen by a lamp of nominal rate but for cycles (frames,) by which it goes ahead."""
    assert lamp.mains_hz is not None
    dots = round(120 * lamp.mains_hz / THIRD)
    dots_hz = dots * THIRD / 60 * 1.003
    noise = 1e-3 * np.random.default_rng(3).standard_normal(TIME_S.size)
    seen = dots_hz * TIME_S + noise - 2 * lamp.mains_hz * TIME_S - gone_ahead_cycles
    line = read_line(
        np.exp(2j * np.pi * seen),
        TIME_S,
        interval_s=1 / RATE_HZ,
        kind=kind,
        coarse=CoarseLine(dots_hz, 1.0),
        lamp_cycles=lamp.cycles,
        flash=None,
        height=None,
    )
    figures = evaluate(
        TIME_S, line.dots / dots, nominal_rpm=THIRD, angle_noise_rev=1e-3 / dots, frame_interval_s=1 / RATE_HZ
    )
    return figures, line, fit_time_base(TIME_S)


@pytest.mark.parametrize(("mains_hz", "kind", "gap_percent"), [(50.0, "lamp", 0.0), (60.0, "camera", 0.1)])
def test_a_mains_that_drifts_is_in_the_trend_s_bounds(mains_hz: float, kind: str, gap_percent: float) -> None:
    """15 mHz in 20 s, on a line of the lamp or one that may be the lamp's; 120 flashes keep step with 30 pictures.

    The platter seems to lose what the mains gains: 60 / T times the drift by the mains in a minute.
    """
    drift_hz = 0.015
    lamp = flashing(mains_hz)
    found = read(lamp, drift_hz * TIME_S[-1] / 4 * SINCE**2, kind)
    trend = found[0].trend_percent_per_minute
    assert trend == pytest.approx(-100 * drift_hz / mains_hz * 60 / TIME_S[-1], rel=0.05)
    bound = trend_uncertainty_percent_per_minute(*found, lamp, gap_percent)
    assert abs(trend) < bound < 100 * 0.03 / mains_hz * 60 / TIME_S[-1]


def test_the_bounds_hold_for_a_mains_that_walks_at_random_and_are_not_padded() -> None:
    """Its change in 20 s is 1.96 standard deviations in the bound."""
    rng = np.random.default_rng(8)
    sigma_hz = mains_change_hz(1.0) / 1.96
    errors, bounds = [], []
    for _ in range(CASES):
        mains_off_hz = np.cumsum(sigma_hz * np.sqrt(1 / RATE_HZ) * rng.standard_normal(TIME_S.size))
        lamp = flashing(50.0)
        found = read(lamp, 2 * np.cumsum(mains_off_hz) / RATE_HZ)
        errors.append(found[0].trend_percent_per_minute)
        bounds.append(trend_uncertainty_percent_per_minute(*found, lamp, 0.0))
    assert np.count_nonzero(np.abs(errors) > bounds) <= MISSES
    # The scatter of so many is known to a fifth or so: one over the root of twice their number, twice.
    assert np.mean(bounds) / 1.96 == pytest.approx(np.std(errors), rel=2 / np.sqrt(2 * CASES))


@pytest.mark.parametrize(("kind", "lamp"), [("camera", "mains"), ("lamp", "given")])
def test_the_mains_says_nothing_of_a_line_that_it_does_not_time(kind: str, lamp: str) -> None:
    one = flashing(50.0, lamp if lamp == "given" else "nominal", kind=lamp)
    found = read(one, np.zeros(TIME_S.size), kind)
    assert trend_uncertainty_percent_per_minute(*found, one, 0.0) < 0.01


@pytest.mark.parametrize("clear", [True, False])
def test_of_flicker_that_is_measured_some_of_the_wander_may_be_hidden(clear: bool) -> None:
    """A bend of c cycles is a trend of 8 c / T squared; two sigmas of what was fitted, four of what was left out."""
    error_cycles = 0.003
    flash = FlashRate(
        100.0,
        1e-4,
        100.0,
        0.3,
        0.0,
        0.0,
        (0.02 if clear else 0.0) * (SINCE**2 - 1 / 3),
        np.zeros(TIME_S.size),
        np.ones(48, complex),
        bend_error_cycles=error_cycles,
    )
    lamp = flashing(50.0, "measured", flash=flash)
    found = read(lamp, np.zeros(TIME_S.size))
    plain = trend_uncertainty_percent_per_minute(*found, replace(lamp, flash=replace(flash, bend_error_cycles=0.0)), 0)
    bound = trend_uncertainty_percent_per_minute(*found, lamp, 0.0)
    expected = 6000 * 8 * (2 if clear else 4) * error_cycles / TIME_S[-1] ** 2 / found[1].dot_rate_hz
    assert np.sqrt(bound**2 - plain**2) == pytest.approx(expected, rel=1e-6)
    # Without a mains that walks as far, no sigma hides it.
    vague = replace(lamp, flash=replace(flash, bend_error_cycles=10.0))
    assert trend_uncertainty_percent_per_minute(*found, vague, 0.0) == pytest.approx(
        trend_uncertainty_percent_per_minute(*found, flashing(50.0), 0.0)
    )
