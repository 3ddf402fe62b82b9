"""Figures: from the platter's angle over time to deviation, fluctuation and periodic components."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.figures.bands import SPLITS_HZ, Averaging, bands_of, fluctuation_of, nothing_averaged
from strobe.figures.checking import checked_weighting_hz
from strobe.figures.components import FALSE_ALARMS_PER_CLIP, find_lines, searched_hz
from strobe.figures.fluctuation import (
    BAND_LOW_HZ,
    SpeedGrid,
    band_gain,
    extended_bins,
    filtered,
    filtered_angle,
    mean_speed,
    speed_on_grid,
)
from strobe.figures.jointfit import LineFit
from strobe.figures.results import (
    COVERAGE,
    Component,
    ComponentSearch,
    Event,
    Figures,
    Fluctuation,
    SpeedSeries,
)
from strobe.figures.spectrum import TOP_SHARE, Floor, row_sigma
from strobe.figures.weighting import weighting_gain

__all__ = ["LEAST_SAMPLES", "SPLITS_HZ", "Component", "Figures", "Fluctuation", "SpeedSeries", "evaluate"]

LEAST_SAMPLES = 16
_LEAST_SECONDS = 1.0
"""Fewest samples, and seconds, that figures are made from; a guard for callers, our own choice."""
_MOSTLY_SLOWER = 1.5
"""Half way between a sample in each frame and one in every other: from there on the spacing that is seen counts, not
the nominal one."""
_CLEARLY_ABOVE = 1.5
"""Level of the floor's second bin over the white noise from which slow motion, not noise, is what it shows; by
trial."""
_RECOVERIES_TO_A_TENTH = math.log(10)
"""Time constants of an exponential after which a tenth of it is left: exp(-t) = 1/10, closed form."""
_LEFT_BESIDE, _LEFT_SHARE = 3.0, 0.1
"""How near to a line fitted to two, in bins of the clip, others are not listed, and how strong they are beside it."""
_LEFT_IN_MEAN = 0.6
"""Share of a line's swing that may be left from end to end where two neighbours are fitted as one (0.58 was the most of
24 simulated runs, a third is usual)."""

Array = NDArray[np.float64]


def evaluate(
    time_s: ArrayLike,
    angle_rev: ArrayLike,
    *,
    nominal_rpm: float,
    angle_noise_rev: float,
    frame_interval_s: float,
    excluded_hz: Sequence[float] = (),
    suspected_hz: Sequence[float] = (),
    weight: ArrayLike | None = None,
    averaging: Averaging = nothing_averaged,
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
    suspected_hz : sequence of float
        Rates above half the sampling rate at which something may really run; a component where the samples would fold
        one of them to says so.
    weight : (K,) array_like, optional
        Relative inverse variance of the samples; those of weight 0 are left out.
    averaging : callable, optional
        What the samples have averaged away, as `strobe.figures.bands` says; it is put back on figures and components,
        not on the series.

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
    sparse = min(usual, float(time[-1] - time[0]) / (time.size - 1))
    step = frame_interval_s if usual < _MOSTLY_SLOWER * frame_interval_s else sparse
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
    components = _components(fit, mean.rate_hz, step_s=step, suspected_hz=suspected_hz, averaging=averaging)
    duration = float(time[-1] - time[0])
    bands = bands_of(grid, fit, rate_hz=mean.rate_hz, top_hz=top_hz, averaging=averaging)
    fluctuation = fluctuation_of(bands, components)
    fluctuation = replace(fluctuation, weighting_checked_hz=checked_weighting_hz(time, step_s=step, top_hz=top_hz))
    return Figures(
        mean_rpm=60 * mean.rate_hz,
        deviation_percent=100 * (mean.rate_hz / nominal_hz - 1),
        deviation_uncertainty_percent=100
        * math.hypot(COVERAGE * mean.sigma_hz, _left_in_mean_hz(fit, duration))
        / nominal_hz,
        revolutions=float(angle[-1] - angle[0]),
        fluctuation=fluctuation.with_upper_limits().with_longer(duration),
        components=components,
        trend_percent_per_minute=6000 * fit.ramp_hz_per_s / mean.rate_hz,
        trend_uncertainty_percent_per_minute=_slow_coverage(fit.floor) * 6000 * trend_sigma_hz / mean.rate_hz,
        series=_series(grid, fit, time, angle, nominal_hz=nominal_hz, top_hz=top_hz),
        events=_events(fit, time, rate_hz=mean.rate_hz, step_s=step),
        search=ComponentSearch(FALSE_ALARMS_PER_CLIP, searched_hz(duration, step), 1 / duration),
        bands=bands,
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
    if time.size < LEAST_SAMPLES:
        raise ValueError(f"{time.size} samples are too few; {LEAST_SAMPLES} are the least")
    if time[-1] - time[0] < _LEAST_SECONDS:
        raise ValueError(f"{time[-1] - time[0]:.3g} s are too short; {_LEAST_SECONDS:g} s is the least")
    if angle[-1] <= angle[0]:
        raise ValueError("angle_rev must grow: the platter does not turn forwards")
    return time, angle, relative / relative.mean()


def _components(
    fit: LineFit, rate_hz: float, *, step_s: float, suspected_hz: Sequence[float], averaging: Averaging
) -> tuple[Component, ...]:
    least, most = averaging(fit.frequency_hz)
    peak = 100 * fit.speed_amplitude_hz / rate_hz * 0.5 * (least + most)
    relative = np.hypot(fit.amplitude_sigma_rev / fit.amplitude_rev, fit.frequency_sigma_hz / fit.frequency_hz)
    wide = _coverage(fit.freedom)
    weighted = weighting_gain(fit.frequency_hz) * peak
    power = fit.residual_rev.size * fit.amplitude_rev**2 / 4
    floor = fit.floor.at(fit.frequency_hz)
    duration = (fit.residual_rev.size - 1) * step_s
    crowded = np.isfinite(fit.gap_hz)
    # One line in the place of two has the size and place of neither, and leaves small ones beside it.
    width = wide * peak * np.hypot(relative, np.where(crowded, 1 / wide, 0.0))
    width_hz = np.maximum(wide * fit.frequency_sigma_hz, np.where(crowded, 1 / duration, 0.0))
    near = np.abs(fit.frequency_hz[:, np.newaxis] - fit.frequency_hz) < _LEFT_BESIDE / duration
    left = np.any(crowded & near & (peak[:, np.newaxis] < _LEFT_SHARE * peak), axis=1)
    return tuple(
        Component(
            frequency_hz=float(fit.frequency_hz[i]),
            frequency_uncertainty_hz=float(width_hz[i]),
            period_s=float(1 / fit.frequency_hz[i]),
            peak_percent=float(peak[i]),
            weighted_percent=float(weighted[i]),
            uncertainty_percent=float(width[i]),
            per_revolution=float(fit.frequency_hz[i] / rate_hz),
            phase_rad=float(fit.speed_phase_rad[i]),
            phase_uncertainty_rad=float(wide[i] * fit.phase_sigma_rad[i]),
            above_floor_db=float(10 * np.log10(power[i] / floor[i])),
            needed_s=float(1 / fit.gap_hz[i]) if np.isfinite(fit.gap_hz[i]) else None,
            alias_of_hz=_alias_of(
                float(fit.frequency_hz[i]),
                suspected_hz,
                rate_hz=1 / step_s,
                within_hz=float(0.5 / duration + wide[i] * fit.frequency_sigma_hz[i]),
            ),
        )
        for i in np.flatnonzero(fit.listed & ~left)
    )


def _alias_of(frequency_hz: float, suspected_hz: Sequence[float], *, rate_hz: float, within_hz: float) -> float | None:
    """Which of the suspected rates the sampling folds to a frequency, the lowest first; None for none."""
    for suspect in sorted(suspected_hz):
        folded = abs(suspect - rate_hz * round(suspect / rate_hz))
        if suspect > 0.5 * rate_hz and abs(folded - frequency_hz) <= within_hz:
            return float(suspect)
    return None


def _events(fit: LineFit, time: Array, *, rate_hz: float, step_s: float) -> tuple[Event, ...]:
    found = []
    for shape, size_hz, rows in zip(fit.shapes, fit.event_hz, fit.event_rows, strict=True):
        size, at, recovery = (COVERAGE * row_sigma(time, row, floor=fit.floor, step_s=step_s) for row in rows)
        found.append(
            Event(
                time_s=float(shape.at_s),
                kind="jump" if shape.stays else ("sag" if size_hz < 0 else "surge"),
                size_percent=float(100 * size_hz / rate_hz),
                time_uncertainty_s=float(at),
                size_uncertainty_percent=float(100 * size / rate_hz),
                recovery_s=None if shape.stays else float(_RECOVERIES_TO_A_TENTH * shape.recovery_s),
                recovery_uncertainty_s=None if shape.stays else float(_RECOVERIES_TO_A_TENTH * recovery),
            )
        )
    return tuple(found)


def _coverage(freedom: Array) -> Array:
    """Two-sided 95 % factor of a Student variable whose variance rests on `freedom` spectral bins (first order)."""
    return COVERAGE + 2.37 / (2 * np.maximum(freedom, 1.0))


def _slow_coverage(floor: Floor) -> float:
    """The same for what rests on the lowest bins of the floor; that of a normal variable where they are white noise."""
    if floor.level_rev2[1] < _CLEARLY_ABOVE * floor.white_rev2:
        return COVERAGE
    return float(_coverage(floor.certainty(floor.frequency_hz[1:2]))[0])


def _left_in_mean_hz(fit: LineFit, duration_s: float) -> float:
    """What two neighbours fitted as one line leave in the mean speed, turns a second, as a 95 % half-width."""
    crowded = np.isfinite(fit.gap_hz)
    return _LEFT_IN_MEAN * float(np.linalg.norm(fit.amplitude_rev[crowded])) / duration_s


def _series(
    grid: SpeedGrid, fit: LineFit, time: Array, angle: Array, *, nominal_hz: float, top_hz: float
) -> SpeedSeries:
    bins = extended_bins(grid)
    gain = band_gain(bins, top_hz=top_hz, end_hz=0.5 / grid.step_s, weighted=False)
    gain[bins < BAND_LOW_HZ] = 1.0
    speed = fit.smooth_hz(grid.time_s) + filtered(grid, gain)[1:-1]
    rest = filtered_angle(grid, gain)
    rest += float(np.mean(np.interp(grid.time_s, time, fit.residual_rev) - rest))
    turned = fit.smooth_rev(grid.time_s) - angle[0] + rest
    series = (grid.time_s, turned, 100 * (speed / nominal_hz - 1))
    for value in series:
        value.flags.writeable = False
    return SpeedSeries(*series)
