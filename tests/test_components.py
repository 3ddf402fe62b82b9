"""Periodic components: found where they are, to the uncertainty stated, and not found where there are none."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.signal import lombscargle
from scipy.stats import binom, chi2

from strobe.figures import Component, Figures, evaluate
from strobe.figures.components import find_lines
from strobe.figures.jointfit import LineFit
from strobe.figures.spectrum import spectral_floor, to_grid
from strobe.figures.weighting import weighting_gain

Array = NDArray[np.float64]

RPM = 100 / 3
RATE_HZ = RPM / 60
FRAME_S = 1 / 30
NOISE_REV = 3e-4 / 180
# Hz, peak percent, phase of the sine at time 0: once a turn, an idler, a motor of 24 poles at 50 Hz.
LINES = ((0.5556, 0.1, 0.5), (1.3, 0.04, -2.0), (4.1667, 0.05, 1.0))


def frame_times(seconds: float) -> Array:
    return np.arange(round(seconds / FRAME_S) + 1, dtype=np.float64) * FRAME_S


def jittered(time_s: Array, seed: int, *, jitter_s: float = 0.004, drop: float = 0.1) -> Array:
    rng = np.random.default_rng(seed)
    return (time_s + rng.uniform(-jitter_s, jitter_s, time_s.size))[rng.random(time_s.size) >= drop]


def platter(time_s: Array, *lines: tuple[float, float, float]) -> Array:
    """Angle for speed ``rate (1 + sum of A/100 sin(2 pi f t + p))``, integrated in closed form."""
    angle = RATE_HZ * time_s
    for frequency, peak_percent, phase in lines:
        turn = 2 * np.pi * frequency
        angle = angle - RATE_HZ * peak_percent / 100 / turn * np.cos(turn * time_s + phase)
    return angle


def noise(seed: int, count: int, sigma_rev: float = NOISE_REV) -> Array:
    return np.random.default_rng(seed).normal(0.0, sigma_rev, count)


def figures(time_s: Array, angle_rev: Array, **options: Any) -> Figures:
    return evaluate(time_s, angle_rev, nominal_rpm=RPM, angle_noise_rev=NOISE_REV, frame_interval_s=FRAME_S, **options)


def lines_of(time_s: Array, angle_rev: Array, *, noise_rev: float = NOISE_REV, **options: Any) -> LineFit:
    return find_lines(
        time_s,
        angle_rev,
        angle_noise_rev=noise_rev,
        interval_s=FRAME_S,
        weight=np.ones_like(time_s),
        **options,
    )


def nearest(found: tuple[Component, ...], frequency_hz: float) -> Component:
    return min(found, key=lambda component: abs(component.frequency_hz - frequency_hz))


@pytest.mark.parametrize("uneven", [False, True])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_three_lines(seed: int, uneven: bool) -> None:
    """Frequency, amplitude and phase within three stated standard deviations (1.5 half-widths of 95 %)."""
    time = frame_times(30)
    time = jittered(time, seed) if uneven else time
    found = figures(time, platter(time, *LINES) + noise(seed, time.size))
    assert len(found.components) == 3
    for frequency, peak, phase in LINES:
        line = nearest(found.components, frequency)
        assert abs(line.frequency_hz - frequency) < 1.5 * line.frequency_uncertainty_hz
        assert abs(line.peak_percent - peak) < 1.5 * line.uncertainty_percent
        assert line.frequency_uncertainty_hz < 2e-3
        assert line.uncertainty_percent < 0.05 * peak
        # Phase at time 0, half a clip from where it is best known: var phi = 2 (2N - 1) / (eta N (N + 1)).
        sigma = line.uncertainty_percent / 1.96 / peak * 2
        assert abs(np.angle(np.exp(1j * (line.phase_rad - phase)))) < 3 * sigma
        assert line.weighted_percent == pytest.approx(float(weighting_gain(frequency)) * peak, rel=0.05)
        assert line.period_s == pytest.approx(1 / line.frequency_hz, rel=1e-12)
        assert line.per_revolution == pytest.approx(line.frequency_hz / RATE_HZ, rel=1e-5)
        assert line.suspect is None
    peaks = [line.peak_percent for line in found.components]
    assert peaks == sorted(peaks, reverse=True)


def test_line_uncertainties_hold_what_they_say() -> None:
    """The 95 % half-widths hold frequency and amplitude in 60 clips; fewer than 52 has probability 0.01."""
    assert binom.cdf(51, 60, 0.95) < 0.01
    time = frame_times(12)
    held = np.zeros(2, dtype=int)
    for seed in range(60):
        found = figures(time, platter(time, LINES[2]) + noise(2000 + seed, time.size))
        line = nearest(found.components, LINES[2][0])
        held += (
            abs(line.frequency_hz - LINES[2][0]) <= line.frequency_uncertainty_hz,
            abs(line.peak_percent - LINES[2][1]) <= line.uncertainty_percent,
        )
    assert np.all(held >= 52)


@pytest.mark.parametrize("frequency_hz", [2.345, 4.1667, 9.87])
def test_against_lomb_scargle(frequency_hz: float) -> None:
    """Peak of `scipy.signal.lombscargle` of the detrended angle on uneven times, amplitude of a linear fit there.

    One stated standard deviation is left to the detrending, which takes a little of the line along.
    """
    time = jittered(frame_times(20), 5)
    angle = platter(time, (frequency_hz, 0.1, 0.7)) + noise(6, time.size)
    fit = lines_of(time, angle)
    assert fit.frequency_hz.size == 1
    flat = angle - np.polyval(np.polyfit(time, angle, 2), time)

    def power(frequency: float) -> float:
        # Two frequencies: some releases of scipy squeeze a single one away.
        return float(lombscargle(time, flat, 2 * np.pi * np.array([frequency, 1.0]))[0])

    scan = np.arange(0.2, 14.0, 0.01)
    coarse = scan[np.argmax(lombscargle(time, flat, 2 * np.pi * scan))]
    best = minimize_scalar(
        lambda f: -power(f), bounds=(coarse - 0.01, coarse + 0.01), method="bounded", options={"xatol": 1e-7}
    )
    assert fit.frequency_hz[0] == pytest.approx(best.x, abs=fit.frequency_sigma_hz[0])
    turn = 2 * np.pi * best.x * time
    design = np.stack([np.ones_like(time), time, time**2, np.cos(turn), np.sin(turn)], axis=1)
    cosine, sine = np.linalg.lstsq(design, angle, rcond=None)[0][3:]
    assert fit.amplitude_rev[0] == pytest.approx(np.hypot(cosine, sine), abs=0.5 * fit.amplitude_sigma_rev[0])


def test_cramer_rao_bound() -> None:
    """A sinusoid in white noise: var f = 12 / ((2 pi)^2 eta N (N^2 - 1)) fs^2, var A = 2 s^2 / N, eta = A^2 / (2 s^2).

    Rife & Boorstyn, IEEE Trans. IT-20 (1974) 591; values from memory. The variance of 300 runs scatters by 8 %.
    """
    runs, count, sigma = 300, 240, NOISE_REV
    amplitude, frequency = 2.5 * sigma, 3.217
    time = frame_times((count - 1) * FRAME_S)
    rng = np.random.default_rng(77)
    found = []
    for _ in range(runs):
        wave = amplitude * np.cos(2 * np.pi * frequency * time + rng.uniform(0, 2 * np.pi))
        fit = lines_of(time, RATE_HZ * time + wave + rng.normal(0, sigma, count))
        assert fit.frequency_hz.size == 1
        found.append((fit.frequency_hz[0], fit.amplitude_rev[0], fit.frequency_sigma_hz[0]))
    frequencies, amplitudes, stated = np.array(found).T
    eta = amplitude**2 / (2 * sigma**2)
    bound = 12 / ((2 * np.pi) ** 2 * eta * count * (count**2 - 1)) / FRAME_S**2
    assert chi2.sf(1.3 * runs, runs) < 1e-3
    assert 1 / 1.3 < np.mean((frequencies - frequency) ** 2) / bound < 1.3
    assert 1 / 1.3 < np.var(amplitudes) / (2 * sigma**2 / count) < 1.3
    assert np.median(stated) == pytest.approx(np.sqrt(bound), rel=0.15)


@pytest.mark.parametrize("uneven", [False, True])
def test_no_lines_in_noise(uneven: bool) -> None:
    """One line in a thousand clips is the aim; two in 40 would have probability 0.001."""
    total = 0
    for seed in range(40):
        time = frame_times(12)
        time = jittered(time, seed) if uneven else time
        total += lines_of(time, platter(time) + noise(900 + seed, time.size)).frequency_hz.size
    assert total <= 1


def test_no_lines_in_random_speed() -> None:
    """Speed that wanders at random (white speed noise, an angle of slope -2) has no lines either."""
    total = 0
    for seed in range(40):
        time = frame_times(20)
        walk = np.cumsum(noise(1700 + seed, time.size, 20 * NOISE_REV))
        total += lines_of(time, platter(time) + walk + noise(seed, time.size)).frequency_hz.size
    assert total <= 2


def test_excluded_frequency() -> None:
    """Near what was taken out before (1.5 over the duration) nothing is looked for; the rest is found as usual."""
    time = frame_times(20)
    angle = platter(time, LINES[0], (5.0, 0.1, 0.3)) + noise(14, time.size)
    free = figures(time, angle).components
    assert sorted(round(line.frequency_hz, 2) for line in free) == [0.56, 5.0]
    held = figures(time, angle, excluded_hz=(5.0,)).components
    assert nearest(held, 0.5556).frequency_hz == pytest.approx(0.5556, abs=2e-3)
    assert all(abs(line.frequency_hz - 5.0) > 1.0 / 20 for line in held)
    elsewhere = figures(time, angle, excluded_hz=(8.0,)).components
    assert [line.frequency_hz for line in elsewhere] == pytest.approx([line.frequency_hz for line in free], abs=1e-3)


def test_lines_two_bins_apart_are_told_apart() -> None:
    time = frame_times(40)
    lines = ((0.5, 0.1, 0.4), (0.5556, 0.08, 1.9))
    found = figures(time, platter(time, *lines) + noise(15, time.size)).components
    assert len(found) == 2
    for frequency, peak, _ in lines:
        line = nearest(found, frequency)
        assert abs(line.frequency_hz - frequency) < 1.5 * line.frequency_uncertainty_hz
        assert abs(line.peak_percent - peak) < 1.5 * line.uncertainty_percent


@pytest.mark.parametrize(
    ("seconds", "drift"),
    [(20, (0.05, 0.2, 0.0)), (30, (0.05, 0.05, 2.5)), (30, (0.05, 2.0, 0.0)), (60, (0.05, 0.2, 0.8))],
)
def test_lines_stay_apart(seconds: float, drift: tuple[float, float, float]) -> None:
    """Slow motion makes the fit add and drop lines; none may end closer than one over the duration to another.

    Such a pair is two large sinusoids that cancel: peaks of several percent in a platter that moves by 0.1 %.
    """
    time = frame_times(seconds)
    found = figures(time, platter(time, drift, LINES[0]) + noise(9, time.size)).components
    assert found
    places = sorted(line.frequency_hz for line in found)
    assert all(upper - lower >= 1 / seconds for lower, upper in pairwise(places))
    assert max(line.peak_percent for line in found) < 0.15


@pytest.mark.parametrize("seed", range(6))
def test_short_clip(seed: int) -> None:
    """Five seconds hold 2.8 turns at 33 1/3: all three lines are found, the periods within 1 %."""
    time = frame_times(5)
    found = figures(time, platter(time, *LINES[::2], (1.1111, 0.04, seed)) + noise(seed, time.size)).components
    assert len(found) == 3
    for frequency in (0.5556, 1.1111, 4.1667):
        assert nearest(found, frequency).frequency_hz == pytest.approx(frequency, rel=0.01)


@pytest.mark.parametrize(("seconds", "peak_percent"), [(20, 0.2), (30, 2.0)])
def test_slow_swing_is_taken_out(seconds: float, peak_percent: float) -> None:
    """A swing of 1 or 1.5 cycles in the clip is no component, and does not disturb those that are."""
    time = frame_times(seconds)
    (found,) = figures(time, platter(time, (0.05, peak_percent, 0.0), LINES[0]) + noise(9, time.size)).components
    assert abs(found.frequency_hz - LINES[0][0]) < 1.5 * found.frequency_uncertainty_hz
    assert abs(found.peak_percent - LINES[0][1]) < 1.5 * found.uncertainty_percent
    assert found.uncertainty_percent < 0.01 * LINES[0][1]


def test_slower_than_a_tenth_of_a_hertz_is_no_component() -> None:
    time = frame_times(40)
    found = figures(time, platter(time, (0.05, 0.1, 0.0), LINES[2]) + noise(16, time.size)).components
    assert all(line.frequency_hz >= 0.1 for line in found)
    assert nearest(found, LINES[2][0]).peak_percent == pytest.approx(0.05, abs=0.002)


def test_fitted_lines_and_residual_make_up_the_angle() -> None:
    time = jittered(frame_times(20), 8)
    angle = platter(time, *LINES) + noise(17, time.size)
    fit = lines_of(time, angle)
    rest = angle - fit.angle_rev(time) - fit.residual_rev
    curve = np.polyfit(time - fit.centre_s, rest, 2)
    np.testing.assert_allclose(np.polyval(curve, time - fit.centre_s), rest, atol=1e-10)
    assert curve[1] == pytest.approx(fit.rate_hz, rel=1e-9)
    assert 2 * curve[0] == pytest.approx(fit.ramp_hz_per_s, abs=1e-11)
    assert np.std(fit.residual_rev) == pytest.approx(NOISE_REV, rel=0.1)
    # The speed of the lines is the slope of their angle.
    dense = np.linspace(5, 6, 2001)
    slope = np.gradient(fit.angle_rev(dense), dense)[1:-1]
    np.testing.assert_allclose(fit.speed_hz(dense, np.ones(3))[1:-1], slope, atol=1e-8)


def test_floor_is_the_level_of_white_noise() -> None:
    """White noise of variance v has level v at every frequency, and below the first bins too."""
    levels = []
    for seed in range(30):
        floor = spectral_floor(noise(3000 + seed, 600), FRAME_S, noise_rev2=1e-30)
        levels.append(floor.at(np.array([0.3, 1.0, 5.0, 13.0])) / NOISE_REV**2)
        assert floor.white_rev2 == 1e-30
        assert floor.white_excess_rev2 > 0.3 * NOISE_REV**2
    np.testing.assert_allclose(np.exp(np.mean(np.log(levels), axis=0)), 1.0, atol=0.2)


def test_floor_is_never_below_the_stated_noise_unless_the_spectrum_is_clear() -> None:
    stated = spectral_floor(noise(3100, 600), FRAME_S, noise_rev2=NOISE_REV**2)
    assert stated.white_rev2 == NOISE_REV**2
    assert np.all(stated.level_rev2 >= NOISE_REV**2)
    too_much = spectral_floor(noise(3100, 600), FRAME_S, noise_rev2=25 * NOISE_REV**2)
    assert too_much.white_rev2 == pytest.approx(NOISE_REV**2, rel=0.5)


def test_to_grid() -> None:
    time = np.array([0.0, 0.1, 0.22, 0.4, 0.51])
    grid, step = to_grid(time, 3 * time + 1, 0.1)
    assert step == pytest.approx(0.102)
    np.testing.assert_allclose(grid, 3 * np.arange(6) * 0.102 + 1)


def test_neighbours_that_are_too_close_say_how_long_a_clip_they_need() -> None:
    """Belt (order 0.889) and platter: 10 s show one line and that it is two; told apart they are at the length named.

    The distance of 0.0617 Hz needs 1 / 0.0617 = 16.2 s.
    """
    belt, turn = (0.4939, 0.06, 2.0), (0.5556, 0.1, 0.5)
    short = frame_times(10)
    (found,) = figures(short, platter(short, belt, turn) + noise(21, short.size)).components
    assert found.needed_s == pytest.approx(1 / (turn[0] - belt[0]), rel=0.2)
    assert abs(found.peak_percent - turn[1]) < found.uncertainty_percent
    assert abs(found.frequency_hz - turn[0]) < found.frequency_uncertainty_hz
    long = frame_times(1.25 * 16.2)
    apart = figures(long, platter(long, belt, turn) + noise(22, long.size)).components
    assert sorted(c.frequency_hz for c in apart) == pytest.approx([belt[0], turn[0]], abs=2e-3)
    assert all(c.needed_s is None for c in apart)


@pytest.mark.parametrize("third", [False, True])
def test_a_size_stated_for_one_line_in_the_place_of_two_is_never_sure_and_wrong(third: bool) -> None:
    """Pairs 0.3 to 1.3 bins apart, alone or with a weaker line 1.2 to 3 bins off: no size beyond three half-widths.

    Normal errors go beyond three half-widths of 95 % once in 10^8; 3 % of a size is what a resolved neighbour may pull.
    """
    time = frame_times(10)
    for seed in range(30):
        rng = np.random.default_rng(7000 + seed)
        low, peak = rng.uniform(1.5, 6), rng.uniform(0.1, 0.3)
        lines = [(low, peak, 0.0), (low + rng.uniform(0.03, 0.13), peak * rng.uniform(0.5, 1), rng.uniform(0, 6))]
        if third:
            away = rng.uniform(0.12, 0.3) * rng.choice([-1, 1])
            lines.append((lines[1][0] + away, peak * rng.uniform(0.1, 0.6), rng.uniform(0, 6)))
        found = figures(time, platter(time, *lines) + noise(seed, time.size)).components
        assert found
        for line in found:
            near = min(lines, key=lambda one: abs(one[0] - line.frequency_hz))
            true = near[1] if abs(near[0] - line.frequency_hz) < 0.05 else 0.0
            wide = np.hypot(line.uncertainty_percent, 0.03 * line.peak_percent)
            assert abs(line.peak_percent - true) < 3 * wide, (seed, lines, line)


def test_a_weak_line_beside_a_strong_one_is_not_taken_for_what_it_left() -> None:
    """A tenth of the strong one, 1.5 to 3 bins off, at the very places where one line for two leaves small ones."""
    time = frame_times(20)
    for seed in range(20):
        away = (1.5 + 0.08 * seed) / 20
        lines = ((3.0, 0.2, 0.3 * seed), (3.0 + away, 0.02, 1.0))
        found = figures(time, platter(time, *lines) + noise(60 + seed, time.size)).components
        assert len(found) == 2
        assert all(c.needed_s is None for c in found)
        assert abs(found[1].peak_percent - 0.02) < 1.5 * found[1].uncertainty_percent


def test_a_single_line_needs_no_longer_clip() -> None:
    time = frame_times(10)
    for seed in range(20):
        found = figures(time, platter(time, LINES[0], LINES[2]) + noise(40 + seed, time.size)).components
        assert all(c.needed_s is None for c in found)


def test_a_line_where_the_mains_folds_to_says_so() -> None:
    """100 Hz at 30 pictures a second folds to 10 Hz (100 - 3 x 30); 9 Hz is nothing's fold."""
    time = frame_times(20)
    angle = platter(time, (10.0, 0.2, 0.3), (9.0, 0.2, 1.0)) + noise(23, time.size)
    found = figures(time, angle, suspected_hz=(50.0, 100.0)).components
    assert nearest(found, 10.0).alias_of_hz == 50.0
    assert nearest(found, 9.0).alias_of_hz is None
    assert nearest(figures(time, angle, suspected_hz=(100.0,)).components, 10.0).alias_of_hz == 100.0
    assert all(c.alias_of_hz is None for c in figures(time, angle).components)


def test_phase_uncertainty_holds() -> None:
    """In 60 clips the 95 % half-width of the phase at time 0 holds it; fewer than 52 has probability 0.01."""
    time = frame_times(12)
    held = 0
    for seed in range(60):
        found = figures(time, platter(time, LINES[2]) + noise(5000 + seed, time.size)).components
        line = nearest(found, LINES[2][0])
        assert line.phase_uncertainty_rad is not None
        held += abs(np.angle(np.exp(1j * (line.phase_rad - LINES[2][2])))) <= line.phase_uncertainty_rad
    assert held >= 52


def test_the_search_is_told() -> None:
    time = frame_times(20)
    found = figures(time, platter(time, LINES[0]) + noise(24, time.size))
    assert found.search is not None
    assert found.search.false_alarms_per_clip == 1e-3
    assert found.search.resolution_hz == pytest.approx(1 / 20)
    assert found.search.band_hz == pytest.approx((0.1, 14.25))
    (line,) = found.components
    # 20 s x 30 samples of amplitude 0.1 % / (2 pi f) against the noise: N A^2 / 4 over v.
    amplitude = RATE_HZ * 1e-3 / (2 * np.pi * LINES[0][0])
    assert line.above_floor_db == pytest.approx(10 * np.log10(601 * amplitude**2 / 4 / NOISE_REV**2), abs=3)
