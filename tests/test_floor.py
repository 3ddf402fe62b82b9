"""Upper limits, wow and flutter parts, run length, the weighting's check on real frame times, and the series."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from test_fluctuation import FRAME_S, NOISE_REV, RATE_HZ, RPM, figures, frame_times, noise, platter, random_flutter

from strobe.figures import evaluate
from strobe.figures.checking import checked_weighting_hz, missed_weighting_hz
from strobe.figures.fluctuation import TOP_SHARE, part_gain
from strobe.figures.results import FIGURES
from strobe.figures.spectrum import spectral_floor

Array = NDArray[np.float64]


def test_a_perfect_platter_gets_an_upper_limit() -> None:
    """Nothing is there in 30 clips: nearly all get a limit, small as the floor, and it is value and half-width."""
    time, limits = frame_times(10), 0
    for seed in range(30):
        found = figures(time, platter(time) + noise(600 + seed, time.size)).fluctuation
        below = found.weighted_rms_below_percent
        if below is not None:
            limits += 1
            assert below == found.weighted_rms_percent + found.weighted_rms_uncertainty_percent
            assert 0 < below < 2 * found.weighted_floor_percent
    assert limits >= 24


@pytest.mark.parametrize("samples", [2, 3, 5, 9, 16, 20, 25, 40])
def test_a_short_window_has_a_floor_too(samples: int) -> None:
    """A live readout asks for less than a turn: few bins, so that the floor may be high by chance, but never low."""
    residual = np.random.default_rng(samples).normal(0, 1, samples)
    floor = spectral_floor(residual, 0.04, noise_rev2=1.0)
    assert np.all(np.isfinite(floor.level_rev2))
    assert np.all(floor.level_rev2 > 0.4)
    assert np.all(np.isfinite(floor.at(np.array([0.1, 1.0, 12.0]))))


def test_figures_of_a_second() -> None:
    """The shortest window that is taken, at the fewest frames that show the dots."""
    time = np.arange(25) / 24
    found = evaluate(time, platter(time), nominal_rpm=RPM, angle_noise_rev=NOISE_REV, frame_interval_s=1 / 24)
    assert np.isfinite(found.fluctuation.unweighted_peak_percent)
    assert np.isfinite(found.fluctuation.unweighted_peak_uncertainty_percent)


def test_a_platter_that_moves_gets_none() -> None:
    time = frame_times(10)
    found = figures(time, platter(time, (0.5556, 0.1, 0.0), (4.0, 0.1, 1.0)) + noise(1, time.size)).fluctuation
    assert all(getattr(found, f"{name}_below_percent") is None for name in FIGURES)


@pytest.mark.parametrize(("hz", "standard", "practice"), [(4.0, "wow", "wow"), (8.0, "wow", "flutter")])
def test_wow_and_flutter_parts(hz: float, standard: str, practice: str) -> None:
    """A line at 8 Hz is wow by the standard's split at 10 Hz and flutter by the common one at 6 Hz."""
    time = frame_times(20)
    found = figures(time, platter(time, (hz, 0.2, 0.3)) + noise(2, time.size)).fluctuation
    for split_by, holder in (("standard", standard), ("practice", practice)):
        parts = {part.name: part for part in found.parts if part.split_by == split_by}
        assert set(parts) == {"wow", "flutter"}
        assert parts[holder].rms_percent == pytest.approx(0.2 / np.sqrt(2), rel=0.02)
        (other,) = (part for name, part in parts.items() if name != holder)
        assert other.rms_percent < 0.02
    assert {part.split_hz for part in found.parts} == {10.0, 6.0}


def test_parts_need_room_above_the_split() -> None:
    time = np.arange(400) / 20
    found = evaluate(
        time, platter(time), nominal_rpm=RPM, angle_noise_rev=NOISE_REV, frame_interval_s=1 / 20
    ).fluctuation
    assert {part.split_hz for part in found.parts} == {6.0}


def test_squares_of_the_parts_add_up() -> None:
    at = np.linspace(0, 20, 2001)
    low, high = (part_gain(at, np.ones_like(at), split_hz=6.0, above=above) for above in (False, True))
    np.testing.assert_allclose(low**2 + high**2, 1.0, atol=1e-12)
    assert low[at < 5.8].min() == 1.0
    assert high[at > 6.2].min() == 1.0


def test_run_length_says_what_longer_clips_bring() -> None:
    """Random flutter: four times the length halves the half-width of the peak, as the short clip said."""
    now, then, told = [], [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        long = frame_times(40)
        angle = random_flutter(rng, long, 0.1, 3.0) + noise(seed, long.size)
        short = figures(long[:301], angle[:301]).fluctuation
        assert short.longer is not None
        assert short.longer.seconds == pytest.approx(40)
        now.append(short.weighted_peak_uncertainty_percent)
        told.append(short.longer.weighted_peak_uncertainty_percent)
        then.append(figures(long, angle).fluctuation.weighted_peak_uncertainty_percent)
    assert np.median(told) == pytest.approx(0.5 * np.median(now), rel=0.1)
    assert np.median(then) == pytest.approx(np.median(told), rel=0.25)


def test_length_for_a_wanted_uncertainty() -> None:
    """By hand: of 0.05, 0.04 is run length and 0.03 steady; the root of 0.03^2 + 0.02^2 takes four times 10 s."""
    time = frame_times(10)
    some = figures(time, platter(time) + noise(7, time.size)).fluctuation
    known = replace(some, weighted_peak_uncertainty_percent=0.05, weighted_peak_run_percent=0.04)
    assert known.length_for_s(np.hypot(0.03, 0.02), duration_s=10) == pytest.approx(40)
    assert known.after_s(40, duration_s=10) == pytest.approx(np.hypot(0.03, 0.02))
    assert known.length_for_s(0.03, duration_s=10) is None
    assert known.length_for_s(0.02, duration_s=10) is None


def test_a_steady_line_needs_no_longer_clip() -> None:
    time = frame_times(20)
    found = figures(time, platter(time, (4.0, 0.3, 0.0)) + noise(8, time.size)).fluctuation
    assert found.longer is None


def test_the_weighting_holds_on_even_times() -> None:
    for rate in (25.0, 30.0, 60.0):
        time = np.arange(round(20 * rate)) / rate
        top = TOP_SHARE * 0.5 * rate
        found = checked_weighting_hz(time, step_s=1 / rate, top_hz=top)
        assert found is not None
        assert found[0] == 0.2
        assert found[1] == (20.0 if rate == 60 else 10.0)


def test_the_weighting_says_where_it_fails() -> None:
    """Every third picture missing leaves 10 pictures a second at places: 10 Hz can't be bridged, 4 Hz still can."""
    time = frame_times(20)
    gappy = time[np.arange(time.size) % 6 < 3]
    found = checked_weighting_hz(gappy, step_s=FRAME_S, top_hz=14.25)
    assert found is None or found[1] < 10
    assert checked_weighting_hz(np.arange(200) / 6.0, step_s=1 / 6, top_hz=2.85) is None


def test_the_series_angle_has_the_series_speed() -> None:
    """A line at 20 Hz of 60 pictures a second: drawn straight between pictures its slope was half of it.

    A central difference over two steps of 1 / 60 s passes sinc(2 f / 60) of a line.
    """
    time = np.arange(1201) / 60
    found = evaluate(
        time,
        platter(time, (20.0, 0.2, 0.3), (0.5556, 0.1, 1.0)) + noise(9, time.size),
        nominal_rpm=RPM,
        angle_noise_rev=NOISE_REV,
        frame_interval_s=1 / 60,
    ).series
    slope = 100 * (np.gradient(found.angle_rev, found.time_s) / RATE_HZ - 1)
    window = np.hanning(slope.size)
    for hz in (20.0, 0.5556):
        turn = window * np.exp(-2j * np.pi * hz * found.time_s)
        by_angle, by_speed = (2 * abs(np.sum(turn * one)) / window.sum() for one in (slope, found.deviation_percent))
        assert by_angle / np.sinc(2 * hz / 60) == pytest.approx(by_speed, rel=0.005)


def test_rows_that_the_check_misses_are_named() -> None:
    time = np.arange(301) / 30
    top = 0.95 * 15
    assert missed_weighting_hz(checked_weighting_hz(time, step_s=1 / 30, top_hz=top), duration_s=10.0, top_hz=top) == ()
    # Rows with three cycles in ten seconds and inside the band: 0.315 to 10 Hz.
    missed = missed_weighting_hz((0.63, 6.3), duration_s=10.0, top_hz=top)
    assert missed == (0.315, 0.4, 10.0)
    # Seven pictures a second do not reach the table's reference.
    slow = np.arange(71) / 7
    top = 0.95 * 3.5
    checked = checked_weighting_hz(slow, step_s=1 / 7, top_hz=top)
    assert checked is None
    assert missed_weighting_hz(checked, duration_s=10.0, top_hz=top) == (0.315, 0.4, 0.63, 0.8, 1.0, 1.6, 2.0)
