"""Sudden events: found with time and size where they are, and not where there is only smooth or random motion."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from test_fluctuation import FRAME_S, RATE_HZ, figures, four, frame_times, noise, platter, random_flutter

from strobe.figures.events import Shape, standing_out

Array = NDArray[np.float64]

LINES = ((0.5556, 0.1, 0.4), (4.1667, 0.05, 1.0))
JUMP = math.inf
TENTH = math.log(10)


def struck(time_s: Array, *events: tuple[float, float, float]) -> Array:
    """Angle that is added by events (time, percent, recovery), in closed form: percent of the nominal speed."""
    added = np.zeros_like(time_s)
    for at, percent, recovery in events:
        since = np.clip(time_s - at, 0, None)
        own = since if math.isinf(recovery) else recovery * (1 - np.exp(-since / recovery))
        added = added + RATE_HZ * percent / 100 * own
    return added


@pytest.mark.parametrize(
    ("percent", "recovery", "kind"),
    [(0.1, JUMP, "jump"), (-0.15, JUMP, "jump"), (-0.5, 0.15, "sag"), (-0.2, 1.0, "sag"), (0.3, 0.5, "surge")],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_an_event_is_found(percent: float, recovery: float, kind: str, seed: int) -> None:
    """Within 1.5 half-widths of 95 %; a belt slip is a sag that is soon over."""
    time, at = frame_times(20), 8.31
    found = figures(time, platter(time, *LINES) + struck(time, (at, percent, recovery)) + noise(seed, time.size))
    (event,) = found.events
    assert event.kind == kind
    assert event.time_uncertainty_s is not None
    assert event.size_uncertainty_percent is not None
    assert abs(event.time_s - at) < max(1.5 * event.time_uncertainty_s, 0.1 * FRAME_S)
    # Of the mean speed, which the event itself has changed.
    of_mean = percent / (1 + found.deviation_percent / 100)
    assert abs(event.size_percent - of_mean) < 1.5 * event.size_uncertainty_percent
    assert event.size_uncertainty_percent < 0.2 * abs(percent)
    if math.isinf(recovery):
        assert event.recovery_s is None
    else:
        assert event.recovery_s == pytest.approx(TENTH * recovery, rel=0.1)


@pytest.mark.parametrize("event", [(8.3, 0.15, JUMP), (8.3, -0.5, 0.15)])
def test_an_event_is_no_wow(event: tuple[float, float, float]) -> None:
    """The figures and lines are those of the same platter without it; with it left in they would not be."""
    time = frame_times(20)
    angle = platter(time, *LINES) + noise(3, time.size)
    calm, disturbed = figures(time, angle), figures(time, angle + struck(time, event))
    np.testing.assert_allclose(four(disturbed.fluctuation), four(calm.fluctuation), rtol=0.02)
    assert [c.frequency_hz for c in disturbed.components] == pytest.approx(
        [c.frequency_hz for c in calm.components], abs=1e-3
    )


def test_an_event_is_in_the_mean_and_in_the_series() -> None:
    """A jump of 0.2 % at 12 of 20 s adds 0.08 % to the mean from end to end."""
    time = frame_times(20)
    found = figures(time, platter(time, LINES[0]) + struck(time, (12.0, 0.2, JUMP)) + noise(4, time.size))
    assert found.deviation_percent == pytest.approx(0.08, abs=0.002)
    series = found.series
    late = series.deviation_percent[series.time_s > 13].mean() - series.deviation_percent[series.time_s < 11].mean()
    assert late == pytest.approx(0.2, abs=0.03)


def test_two_events_are_two() -> None:
    time = frame_times(40)
    events = ((12.0, -0.2, JUMP), (20.0, 0.2, JUMP))
    found = figures(time, platter(time, *LINES) + struck(time, *events) + noise(5, time.size)).events
    assert [event.kind for event in found] == ["jump", "jump"]
    assert [event.time_s for event in found] == pytest.approx([12, 20], abs=0.1)
    assert [event.size_percent for event in found] == pytest.approx([-0.2, 0.2], rel=0.05)


@pytest.mark.parametrize("seconds", [10, 20])
@pytest.mark.parametrize("corner_hz", [0.1, 1.0, 5.0])
def test_random_flutter_has_no_events(seconds: float, corner_hz: float) -> None:
    time = frame_times(seconds)
    for seed in range(5):
        angle = random_flutter(np.random.default_rng(seed), time, 0.1, corner_hz) + noise(seed, time.size)
        assert figures(time, angle).events == ()


@pytest.mark.parametrize("slow_hz", [0.02, 0.07, 0.13, 0.24])
def test_smooth_motion_has_no_events(slow_hz: float) -> None:
    """Slow motion is too slow to be fitted as a line in 10 s, and strong against the noise."""
    for seconds in (10, 20):
        time = frame_times(seconds)
        for seed in range(3):
            angle = platter(time, (slow_hz, 0.2, 2.1 * seed), LINES[0]) + noise(seed, time.size)
            assert figures(time, angle).events == ()


def test_neighbours_too_close_to_part_are_no_event() -> None:
    time = frame_times(10)
    assert figures(time, platter(time, *LINES, (0.494, 0.05, 2.0)) + noise(6, time.size)).events == ()


def test_standing_out() -> None:
    """A jump stands out of noise and not of a sine whose speed changes as much at many moments."""
    time = np.arange(600) / 30.0
    grains = 1e-3 * np.random.default_rng(1).normal(size=time.size)
    jump = Shape(10.0, JUMP).angle(time) + grains
    assert standing_out(jump, np.array([300.0]))[0] > 20
    assert standing_out(jump, np.array([150.0]))[0] < 6
    wave = np.sin(2 * np.pi * 0.1 * time) + grains
    assert standing_out(wave, np.arange(60.0, 540))[:].max() < 6


def test_shape_is_the_integral_of_its_speed() -> None:
    time = np.linspace(0, 20, 20001)
    for shape in (Shape(7.0, 1.3), Shape(7.0, JUMP)):
        summed = np.concatenate([[0.0], np.cumsum(0.5 * (shape.speed(time)[1:] + shape.speed(time)[:-1]))]) * 1e-3
        np.testing.assert_allclose(shape.angle(time), summed, atol=2e-3)
        moved = (Shape(7.0 + 1e-5, shape.recovery_s).angle(time) - shape.angle(time)) / 1e-5
        np.testing.assert_allclose(shape.slopes(time)[0][time > 7.01], moved[time > 7.01], atol=1e-4)
    longer = (Shape(7.0, 1.3 + 1e-5).angle(time) - Shape(7.0, 1.3).angle(time)) / 1e-5
    np.testing.assert_allclose(Shape(7.0, 1.3).slopes(time)[1], longer, atol=1e-4)
