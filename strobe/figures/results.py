"""What the figures layer gives: frozen results with their units in the names."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "COVERAGE",
    "FIGURES",
    "BandFigures",
    "BandPart",
    "Component",
    "ComponentSearch",
    "Event",
    "Figures",
    "Fluctuation",
    "Longer",
    "SpeedSeries",
    "Spread",
]

COVERAGE = 1.959963984540054
"""Half-width of a two-sided 95 % interval of a normal variable, in standard deviations."""
_LONGER_TIMES, _LONGEST_S, _WORTH_FILMING = 4.0, 180.0, 0.75
"""What a longer clip is taken to be: so many times as long, but no longer than one films; and by what share the
half-width must come down to be worth saying."""
_OF_MOTION = ("peak", "rms", "peak_uncertainty", "rms_uncertainty", "peak_run", "rms_run")
FIGURES = ("weighted_peak", "weighted_rms", "unweighted_peak", "unweighted_rms")


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
class BandPart:
    """The unweighted fluctuation in a part of the band: ``wow`` below the split at `split_hz`, ``flutter`` above it.

    `split_by` says who splits there: ``standard`` (10 Hz, IEC 60386) or ``practice`` (6 Hz, common practice; value from
    memory). Peaks are 2-sigma; uncertainties are 95 % half-widths.
    """

    name: str
    split_by: str
    split_hz: float
    band_hz: tuple[float, float]
    peak_percent: float
    rms_percent: float
    peak_uncertainty_percent: float
    rms_uncertainty_percent: float


@dataclass(frozen=True)
class Spread:
    """2-sigma peak and rms in percent without the noise's share, their half-widths, and the rms of the noise alone.

    The two ``run`` figures are the parts of the half-widths that come of these seconds not being all seconds.
    """

    peak_percent: float
    rms_percent: float
    peak_uncertainty_percent: float
    rms_uncertainty_percent: float
    floor_percent: float
    peak_run_percent: float
    rms_run_percent: float

    def times(self, factor: float) -> Self:
        """The same of motion so many times as large; the noise stays."""
        larger = {f"{name}_percent": factor * getattr(self, f"{name}_percent") for name in _OF_MOTION}
        return replace(self, **larger)


@dataclass(frozen=True, eq=False)
class BandFigures:
    """Peak and rms of what one weighting, or one part of the band, takes of the fluctuation.

    Attributes
    ----------
    name : str
        ``weighted``, ``unweighted``, or that of a part.
    split : (str, float) or None
        Who splits, and where, of a part.
    band_hz : (float, float)
    gain_of : callable
        What they take of a wobble at any frequencies, but for the band's own edges.
    spread : Spread
        The two, with what the samples have likely averaged away put back.
    averaged_share : float
        Share of them by which that may be off, as a 95 % half-width.
    noise_like_percent : float
        How much of the rms may be noise that was not known as such: what no line explains, as the floor comes near it.
    """

    name: str
    split: tuple[str, float] | None
    band_hz: tuple[float, float]
    gain_of: Callable[[NDArray[np.float64]], NDArray[np.float64]]
    spread: Spread
    averaged_share: float
    noise_like_percent: float


@dataclass(frozen=True)
class Longer:
    """What a longer clip of the same machine would bring: the half-width of the weighted peak after `seconds`."""

    seconds: float
    weighted_peak_uncertainty_percent: float


@dataclass(frozen=True)
class Fluctuation:
    """Wow and flutter of the platter in `band_hz`; peaks are 2-sigma and one-sided (plus or minus x %).

    Every ``*_uncertainty_percent`` is a 95 % half-width. The two floors are what the noise of the reading alone would
    show as rms; they have been subtracted in square from the rms figures. A ``*_below_percent`` is an upper limit,
    given where a figure can't be told from nothing.

    A ``*_run_percent`` is what of a half-width comes of these seconds not being all seconds, and falls with the root of
    the length; `longer` what a longer clip would bring; `parts` wow and flutter by either split;
    `weighting_checked_hz` the range of the weighting's table that was found within its tolerances on these very frame
    times; `left_out_hz` where something that follows the lamp or the pattern was taken off, so that a wobble there may
    be missing.
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
    weighted_peak_below_percent: float | None = None
    weighted_rms_below_percent: float | None = None
    unweighted_peak_below_percent: float | None = None
    unweighted_rms_below_percent: float | None = None
    parts: tuple[BandPart, ...] = ()
    weighted_peak_run_percent: float | None = None
    weighted_rms_run_percent: float | None = None
    unweighted_peak_run_percent: float | None = None
    unweighted_rms_run_percent: float | None = None
    longer: Longer | None = None
    weighting_checked_hz: tuple[float, float] | None = None
    left_out_hz: tuple[tuple[float, float], ...] = ()

    def with_upper_limits(self) -> Self:
        """The same with an upper limit for each figure that its half-width does not tell from nothing."""
        limits: dict[str, Any] = {}
        for figure in FIGURES:
            value = getattr(self, f"{figure}_percent")
            width = getattr(self, f"{figure}_uncertainty_percent")
            limits[f"{figure}_below_percent"] = value + width if value <= width else None
        return replace(self, **limits)

    def length_for_s(self, uncertainty_percent: float, *, duration_s: float) -> float | None:
        """How long a clip must be for a wanted half-width of the weighted peak; None where no length gives it.

        Parameters
        ----------
        uncertainty_percent : float
            Wanted 95 % half-width.
        duration_s : float
            Length of the clip that this was read from.
        """
        if self.weighted_peak_run_percent is None:
            return None
        run = self.weighted_peak_run_percent**2
        room = uncertainty_percent**2 - max(self.weighted_peak_uncertainty_percent**2 - run, 0.0)
        return duration_s * run / room if room > 0 else None

    def after_s(self, seconds: float, *, duration_s: float) -> float:
        """Half-width of the weighted peak that a clip of `seconds` would have."""
        run = (self.weighted_peak_run_percent or 0.0) ** 2
        steady = max(self.weighted_peak_uncertainty_percent**2 - run, 0.0)
        return math.sqrt(steady + run * duration_s / seconds)

    def with_longer(self, duration_s: float) -> Self:
        """The same with what a clip four times as long would bring, where that narrows the weighted peak clearly."""
        seconds = min(_LONGER_TIMES * duration_s, _LONGEST_S)
        width = self.after_s(seconds, duration_s=duration_s)
        helps = seconds > duration_s and width < _WORTH_FILMING * self.weighted_peak_uncertainty_percent
        return replace(self, longer=Longer(seconds, width) if helps else None)


@dataclass(frozen=True)
class Component:
    """One periodic part of the speed fluctuation that stands clear of the floor.

    `peak_percent` is the amplitude of its sinusoid, `weighted_percent` the same after the weighting,
    `uncertainty_percent` the 95 % half-width of `peak_percent`, `per_revolution` the frequency as a multiple of the
    platter's turn, `suspect` the part of the drive that fits (``None`` until a machine is described).

    `above_floor_db` is how far its line stands above the local floor, `phase_uncertainty_rad` the 95 % half-width of
    the phase at time 0. `needed_s` is given where the clip shows that not one line but two closer neighbours (or one
    that changes) lie here: the length that would tell them apart. `alias_of_hz` is a rate above half the frame rate
    that the frames would fold to this very place.
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
    phase_uncertainty_rad: float | None = None
    above_floor_db: float | None = None
    needed_s: float | None = None
    alias_of_hz: float | None = None

    @property
    def period_uncertainty_s(self) -> float:
        """95 % half-width of the period."""
        return self.period_s * self.frequency_uncertainty_hz / self.frequency_hz

    @property
    def told(self) -> bool:
        """Whether its size is told from nothing; noise is the least of what may feign one that is listed."""
        return self.peak_percent > self.uncertainty_percent


@dataclass(frozen=True)
class ComponentSearch:
    """How components were looked for: how often chance alone gives one in a clip, from where to where, and how near to
    each other two may lie and still be told apart."""

    false_alarms_per_clip: float
    band_hz: tuple[float, float]
    resolution_hz: float


@dataclass(frozen=True)
class Event:
    """Something sudden: its time, kind (``jump``, ``sag``, ``surge``) and size; uncertainties are 95 % half-widths.

    `recovery_s` is the time until the speed is back within a tenth of the size, None where it does not come back.
    """

    time_s: float
    kind: str
    size_percent: float
    time_uncertainty_s: float | None = None
    size_uncertainty_percent: float | None = None
    recovery_s: float | None = None
    recovery_uncertainty_s: float | None = None


@dataclass(frozen=True)
class Figures:
    """All that the figures layer says of one run; uncertainties are 95 % half-widths without the time base's own.

    `bands` holds what the figures of `fluctuation` come from: the weighted ones, the unweighted ones, and its parts.
    """

    mean_rpm: float
    deviation_percent: float
    deviation_uncertainty_percent: float
    revolutions: float
    fluctuation: Fluctuation
    components: tuple[Component, ...]
    trend_percent_per_minute: float
    trend_uncertainty_percent_per_minute: float
    series: SpeedSeries
    events: tuple[Event, ...] = ()
    search: ComponentSearch | None = None
    bands: tuple[BandFigures, ...] = ()
