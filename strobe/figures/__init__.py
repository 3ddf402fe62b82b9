"""Figures: from the platter's angle over time to deviation, fluctuation and periodic components."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.figures.components import Floor, LineFit, find_lines
from strobe.figures.fluctuation import (
    BAND_LOW_HZ,
    TOP_SHARE,
    SpeedGrid,
    band_gain,
    extended_bins,
    filtered,
    mean_speed,
    row_sigma,
    speed_on_grid,
    spread,
)
from strobe.figures.results import Component, Figures, Fluctuation, SpeedSeries
from strobe.figures.weighting import weighting_gain

__all__ = ["Component", "Figures", "Fluctuation", "SpeedSeries", "evaluate"]

_LEAST_SAMPLES = 16
_LEAST_SECONDS = 1.0
_MOSTLY_SLOWER = 1.5
_COVERAGE = 1.959963984540054
_CLEARLY_ABOVE = 1.5

Array = NDArray[np.float64]


def evaluate(
    time_s: ArrayLike,
    angle_rev: ArrayLike,
    *,
    nominal_rpm: float,
    angle_noise_rev: float,
    frame_interval_s: float,
    excluded_hz: Sequence[float] = (),
    weight: ArrayLike | None = None,
) -> Figures:
    """All figures of one run of the platter.

    Parameters
    ----------
    time_s : (K,) array_like
        Times of the samples in seconds, strictly increasing, nearly uniform, with gaps where frames are missing.
    angle_rev : (K,) array_like
        Unwrapped angle of the platter in revolutions, growing.
    nominal_rpm : float
        Speed that the deviation is relative to.
    angle_noise_rev : float
        Standard deviation of the white noise of each angle.
    frame_interval_s : float
        Nominal spacing of the samples.
    excluded_hz : sequence of float
        Frequencies that have been taken out of the angle before; no component is looked for near them.
    weight : (K,) array_like, optional
        Relative inverse variance of the samples; those of weight 0 are left out.

    Returns
    -------
    Figures
        Half-widths are 95 % and hold for the machine at the stated clock; they do not include the clock's own.

    Raises
    ------
    ValueError
        For values that are not finite, times not increasing, shapes that differ, fewer than 16 samples or one second,
        a platter that does not turn forwards, or a noise, interval or speed that is not positive.
    """
    time, angle, relative = _validated(time_s, angle_rev, weight)
    for name, value in (
        ("nominal_rpm", nominal_rpm),
        ("angle_noise_rev", angle_noise_rev),
        ("frame_interval_s", frame_interval_s),
    ):
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name} is {value!r}; it must be finite and greater than 0")
    usual = float(np.median(np.diff(time)))
    step = frame_interval_s if usual < _MOSTLY_SLOWER * frame_interval_s else usual
    if (time.size - 1) * step > 1.1 * (time[-1] - time[0]):
        raise ValueError(f"frame_interval_s is {frame_interval_s:g}, but the samples are only {usual:g} s apart")

    fit = find_lines(
        time,
        angle,
        angle_noise_rev=angle_noise_rev,
        interval_s=step,
        weight=relative,
        excluded_hz=tuple(excluded_hz),
    )
    mean = mean_speed(time, angle, fit=fit, step_s=step)
    nominal_hz = nominal_rpm / 60
    grid = speed_on_grid(time, fit.residual_rev, step_s=step)
    top_hz = TOP_SHARE * 0.5 / grid.step_s
    trend_sigma_hz = row_sigma(time, fit.ramp_row, floor=fit.floor, step_s=step)
    components = _components(fit, mean.rate_hz)
    return Figures(
        mean_rpm=60 * mean.rate_hz,
        deviation_percent=100 * (mean.rate_hz / nominal_hz - 1),
        deviation_uncertainty_percent=_COVERAGE * 100 * mean.sigma_hz / nominal_hz,
        revolutions=float(angle[-1] - angle[0]),
        fluctuation=_fluctuation(grid, fit, components, rate_hz=mean.rate_hz, top_hz=top_hz),
        components=components,
        trend_percent_per_minute=6000 * fit.ramp_hz_per_s / mean.rate_hz,
        trend_uncertainty_percent_per_minute=_slow_coverage(fit.floor) * 6000 * trend_sigma_hz / mean.rate_hz,
        series=_series(grid, fit, time, angle, nominal_hz=nominal_hz, top_hz=top_hz),
    )


def _validated(time_s: ArrayLike, angle_rev: ArrayLike, weight: ArrayLike | None) -> tuple[Array, Array, Array]:
    time = np.asarray(time_s, dtype=np.float64)
    angle = np.asarray(angle_rev, dtype=np.float64)
    relative = np.ones_like(time) if weight is None else np.asarray(weight, dtype=np.float64)
    if time.ndim != 1 or angle.shape != time.shape or relative.shape != time.shape:
        raise ValueError(
            f"time_s, angle_rev and weight must be of one length, not {time.shape}, {angle.shape}, {relative.shape}"
        )
    for name, value in (("time_s", time), ("angle_rev", angle), ("weight", relative)):
        if not np.all(np.isfinite(value)):
            raise ValueError(f"{name} holds {np.count_nonzero(~np.isfinite(value))} values that are not finite")
    if np.any(relative < 0):
        raise ValueError("weight holds negative values")
    if np.any(np.diff(time) <= 0):
        raise ValueError("time_s must be strictly increasing")
    kept = relative > 0
    time, angle, relative = time[kept], angle[kept], relative[kept]
    if time.size < _LEAST_SAMPLES:
        raise ValueError(f"{time.size} samples are too few; {_LEAST_SAMPLES} are the least")
    if time[-1] - time[0] < _LEAST_SECONDS:
        raise ValueError(f"{time[-1] - time[0]:.3g} s are too short; {_LEAST_SECONDS:g} s is the least")
    if angle[-1] <= angle[0]:
        raise ValueError("angle_rev must grow: the platter does not turn forwards")
    return time, angle, relative / relative.mean()


def _components(fit: LineFit, rate_hz: float) -> tuple[Component, ...]:
    peak = 100 * fit.speed_amplitude_hz / rate_hz
    relative = np.hypot(fit.amplitude_sigma_rev / fit.amplitude_rev, fit.frequency_sigma_hz / fit.frequency_hz)
    wide = _coverage(fit.freedom)
    weighted = weighting_gain(fit.frequency_hz) * peak
    return tuple(
        Component(
            frequency_hz=float(fit.frequency_hz[i]),
            frequency_uncertainty_hz=float(wide[i] * fit.frequency_sigma_hz[i]),
            period_s=float(1 / fit.frequency_hz[i]),
            peak_percent=float(peak[i]),
            weighted_percent=float(weighted[i]),
            uncertainty_percent=float(wide[i] * peak[i] * relative[i]),
            per_revolution=float(fit.frequency_hz[i] / rate_hz),
            phase_rad=float(fit.speed_phase_rad[i]),
        )
        for i in np.flatnonzero(fit.listed)
    )


def _coverage(freedom: Array) -> Array:
    """Two-sided 95 % factor of a Student variable whose variance rests on `freedom` spectral bins (first order)."""
    return _COVERAGE + 2.37 / (2 * np.maximum(freedom, 1.0))


def _slow_coverage(floor: Floor) -> float:
    """The same for what rests on the floor's lowest bins; the plain factor where that is no more than white noise."""
    if floor.level_rev2[1] < _CLEARLY_ABOVE * floor.white_rev2:
        return _COVERAGE
    return float(_coverage(floor.certainty(floor.frequency_hz[1:2]))[0])


def _fluctuation(
    grid: SpeedGrid, fit: LineFit, components: tuple[Component, ...], *, rate_hz: float, top_hz: float
) -> Fluctuation:
    weighted = spread(grid, fit, rate_hz=rate_hz, top_hz=top_hz, weighted=True)
    unweighted = spread(grid, fit, rate_hz=rate_hz, top_hz=top_hz, weighted=False)
    first = components[0] if components else None
    return Fluctuation(
        band_hz=(BAND_LOW_HZ, top_hz),
        weighted_peak_percent=weighted.peak_percent,
        weighted_rms_percent=weighted.rms_percent,
        unweighted_peak_percent=unweighted.peak_percent,
        unweighted_rms_percent=unweighted.rms_percent,
        weighted_peak_uncertainty_percent=weighted.peak_uncertainty_percent,
        weighted_rms_uncertainty_percent=weighted.rms_uncertainty_percent,
        unweighted_peak_uncertainty_percent=unweighted.peak_uncertainty_percent,
        unweighted_rms_uncertainty_percent=unweighted.rms_uncertainty_percent,
        weighted_floor_percent=weighted.floor_percent,
        unweighted_floor_percent=unweighted.floor_percent,
        period_s=first.period_s if first else None,
        period_uncertainty_s=first.frequency_uncertainty_hz * first.period_s**2 if first else None,
    )


def _series(
    grid: SpeedGrid, fit: LineFit, time: Array, angle: Array, *, nominal_hz: float, top_hz: float
) -> SpeedSeries:
    from scipy.interpolate import CubicSpline

    bins = extended_bins(grid)
    gain = band_gain(bins, top_hz=top_hz, end_hz=0.5 / grid.step_s, weighted=False)
    gain[bins < BAND_LOW_HZ] = 1.0
    speed = fit.rate_hz + fit.ramp_hz_per_s * (grid.time_s - fit.centre_s)
    speed += fit.speed_hz(grid.time_s, np.ones_like(fit.frequency_hz)) + filtered(grid, gain)[1:-1]
    smooth = angle - angle[0] - fit.residual_rev
    turned = CubicSpline(time, fit.residual_rev)(grid.time_s) + np.interp(grid.time_s, time, smooth)
    series = (grid.time_s, turned, 100 * (speed / nominal_hz - 1))
    for value in series:
        value.flags.writeable = False
    return SpeedSeries(*series)
