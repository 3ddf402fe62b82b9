"""What the figures layer gives: frozen results with their units in the names."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Component", "Figures", "Fluctuation", "SpeedSeries"]


@dataclass(frozen=True, eq=False)
class SpeedSeries:
    """Platter speed over time on a uniform grid; the arrays are read-only and of one length.

    Attributes
    ----------
    time_s : array of float64
        Seconds, on the clock that the angle was timed by.
    angle_rev : array of float64
        Platter angle in revolutions since the first sample, growing with the rotation.
    deviation_percent : array of float64
        Speed at `time_s` relative to the nominal speed, positive = fast (mean error included, not weighted).
    """

    time_s: NDArray[np.float64]
    angle_rev: NDArray[np.float64]
    deviation_percent: NDArray[np.float64]


@dataclass(frozen=True)
class Fluctuation:
    """Wow and flutter of the platter in `band_hz`; peaks are 2-sigma and one-sided (plus or minus x %).

    Every ``*_uncertainty_percent`` is a 95 % half-width. The two floors are what the noise of the reading alone would
    show as rms; they have been subtracted in square from the rms figures.
    """

    band_hz: tuple[float, float]
    weighted_peak_percent: float
    weighted_rms_percent: float
    unweighted_peak_percent: float
    unweighted_rms_percent: float
    weighted_peak_uncertainty_percent: float
    weighted_rms_uncertainty_percent: float
    unweighted_peak_uncertainty_percent: float
    unweighted_rms_uncertainty_percent: float
    weighted_floor_percent: float
    unweighted_floor_percent: float
    period_s: float | None
    period_uncertainty_s: float | None


@dataclass(frozen=True)
class Component:
    """One periodic part of the speed fluctuation that stands clear of the floor.

    `peak_percent` is the amplitude of its sinusoid, `weighted_percent` the same after the weighting,
    `uncertainty_percent` the 95 % half-width of `peak_percent`, `per_revolution` the frequency as a multiple of the
    platter's turn, `suspect` the part of the drive that fits (``None`` until a machine is described).
    """

    frequency_hz: float
    frequency_uncertainty_hz: float
    period_s: float
    peak_percent: float
    weighted_percent: float
    uncertainty_percent: float
    per_revolution: float
    phase_rad: float
    suspect: str | None = None


@dataclass(frozen=True)
class Figures:
    """All that the figures layer says of one run; uncertainties are 95 % half-widths without the time base's own."""

    mean_rpm: float
    deviation_percent: float
    deviation_uncertainty_percent: float
    revolutions: float
    fluctuation: Fluctuation
    components: tuple[Component, ...]
    trend_percent_per_minute: float
    trend_uncertainty_percent_per_minute: float
    series: SpeedSeries
