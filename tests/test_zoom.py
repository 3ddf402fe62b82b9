"""Sums over waves of many frequencies, against what defines them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from strobe.phase import find_flicker
from strobe.phase.zoom import zoomed

_INTERVAL_S, _FRAMES = 1 / 30, 310
_ROUNDING = 1e-9
"""Closed form: the series is cut at 1e-10 of the sum of all sizes, and the rest is rounding."""


def jittered() -> NDArray[np.float64]:
    rng = np.random.default_rng(3)
    return _INTERVAL_S * (np.arange(_FRAMES) + rng.uniform(-0.4, 0.4, _FRAMES))


TIMES = {
    "even": 2.7 + _INTERVAL_S * np.arange(_FRAMES),
    "with frames dropped": _INTERVAL_S * np.flatnonzero(np.arange(_FRAMES) % 7),
    "jittered": jittered(),
    "at two rates": np.cumsum(np.where(np.arange(_FRAMES) < 130, _INTERVAL_S, 1 / 24)),
    "two at one place": np.sort(np.r_[_INTERVAL_S * np.arange(_FRAMES), 100.2 * _INTERVAL_S]),
}


@pytest.mark.parametrize("times", TIMES)
@pytest.mark.parametrize(
    "frequency_hz", [np.arange(4.2, 14.7, 0.037), np.arange(99.0, 101.0, 0.016), np.array([0.0, 0.5])]
)
def test_it_is_the_sum_over_the_frames(times: str, frequency_hz: NDArray[np.float64]) -> None:
    time_s = TIMES[times]
    series = np.random.default_rng(1).normal(size=(time_s.size, 3)) * [1, 1j, 1 - 1j]
    summed = np.exp(-2j * np.pi * np.outer(frequency_hz, time_s)) @ series
    found = zoomed(series, time_s, frequency_hz, interval_s=_INTERVAL_S)
    assert np.all(np.abs(found - summed) < _ROUNDING * np.abs(series).sum(axis=0))


@pytest.mark.parametrize("rate_hz", [4.0, 8.0, 8.6])
def test_frames_too_slow_to_show_a_flicker_show_none(rate_hz: float) -> None:
    time_s = np.arange(80) / rate_hz
    brightness = 100 + np.random.default_rng(2).normal(size=(80, 5))
    assert find_flicker(brightness, time_s, interval_s=1 / rate_hz) is None
