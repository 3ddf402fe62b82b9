"""Jumps, sags, recovery and run-up from simulated and made-up speed series."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated_drives import BeltDrive
from study_drive import read

from strobe.drive.regulation import find_events, load_response, run_up
from strobe.figures.results import SpeedSeries

STEP_S = 1 / 30


def series(deviation: NDArray[np.float64], *, seed: int = 1, noise: float = 0.02) -> SpeedSeries:
    """A deviation with some noise, a wobble once a turn and one that is not tied to the turn."""
    rng = np.random.default_rng(seed)
    time = np.arange(deviation.size, dtype=np.float64) * STEP_S
    value = deviation + noise * rng.standard_normal(time.size)
    angle = np.asarray(np.cumsum(1 + value / 100) * STEP_S * 100 / 180, dtype=np.float64)
    value = value + 0.1 * np.sin(2 * np.pi * angle) + 0.05 * np.sin(2 * np.pi * 0.889 * angle)
    return SpeedSeries(time, angle, value)


def after(seconds: float, *, at: float) -> NDArray[np.float64]:
    return np.where(np.arange(round(seconds / STEP_S)) * STEP_S >= at, 1.0, 0.0)


@pytest.mark.parametrize("size", [0.3, -0.4])
@pytest.mark.parametrize("at", [10.0, 17.3])
def test_a_jump_is_found(size: float, at: float) -> None:
    events = find_events(series(size * after(30, at=at)))
    assert [one.kind for one in events] == ["jump"]
    assert events[0].time_s == pytest.approx(at, abs=0.5)
    assert events[0].size_percent == pytest.approx(size, rel=0.2)


def test_two_jumps_are_two() -> None:
    events = find_events(series(0.4 * after(60, at=15) + 0.3 * after(60, at=40)))
    assert [one.kind for one in events] == ["jump", "jump"]
    assert [one.time_s for one in events] == pytest.approx([15, 40], abs=0.5)


def test_a_sag_that_recovers_is_no_jump() -> None:
    events = find_events(series(-0.5 * (after(40, at=15) - after(40, at=20))))
    assert [one.kind for one in events] == ["sag"]
    assert events[0].size_percent == pytest.approx(-0.5, rel=0.2)
    events = find_events(series(0.5 * (after(40, at=15) - after(40, at=20))))
    assert [one.kind for one in events] == ["surge"]


@pytest.mark.parametrize("seed", range(6))
def test_a_steady_machine_has_no_events(seed: int) -> None:
    assert find_events(series(np.zeros(1800), seed=seed)) == ()
    drive = BeltDrive(shaft_rpm=250.0, driven_off_m=2e-4, lump_m=1e-4, pulley_off_m=8e-5)
    seen = read(drive, seed, seconds=40.0, frame_rate_hz=30.0, noise_dots=5e-4).series
    assert seen is not None
    assert find_events(seen) == ()
    assert find_events(series(np.zeros(60), seed=seed)) == ()


def test_a_run_up_with_overshoot() -> None:
    time = np.arange(round(30 / STEP_S)) * STEP_S
    rise = -90 * np.exp(-time / 0.8) + np.where(time > 2, 1.2 * np.exp(-((time - 4) ** 2)), 0)
    events = run_up(series(rise))
    assert [one.kind for one in events] == ["overshoot", "run-up"]
    assert events[0].size_percent == pytest.approx(float(rise.max()), abs=0.25)
    assert 4 < events[0].time_s + 1.5 < 8
    assert 4.5 < events[1].time_s < 8
    assert [one.kind for one in find_events(series(rise))] == ["overshoot", "run-up"]
    assert run_up(series(np.zeros(900))) == ()
    assert run_up(series(-90 * np.exp(-time / 40))) == ()


def test_a_stylus_set_down() -> None:
    time = np.arange(round(40 / STEP_S)) * STEP_S
    load = np.where(time >= 15, -0.6 * np.exp(-(time - 15) / 1.5) - 0.1, 0.0)
    found = load_response(series(load, noise=0.01), at_s=15.0)
    assert found.sag_percent == pytest.approx(-0.6, abs=0.12)
    assert found.lasting_percent == pytest.approx(-0.1, abs=0.05)
    assert found.recovery_s is not None
    assert 1.5 < found.recovery_s < 6
    assert found.ringing_hz is None


def test_a_control_that_rings_after_a_load() -> None:
    time = np.arange(round(40 / STEP_S)) * STEP_S
    since = np.maximum(time - 15, 0)
    load = np.where(time >= 15, -1.0 * np.exp(-since / 4) * np.cos(2 * np.pi * 0.8 * since), 0.0)
    found = load_response(series(load, noise=0.01), at_s=15.0)
    assert found.ringing_hz == pytest.approx(0.8, rel=0.1)
    assert found.overshoot_percent > 0.1


def test_a_load_needs_room_around_it() -> None:
    steady = series(np.zeros(900))
    for at in (0.5, 29.0):
        with pytest.raises(ValueError, match="one turn before it and two after"):
            load_response(steady, at_s=at)
