"""The spectrum of an angle and the smooth level of it between the lines, robust against them.

Times are in seconds, angles in revolutions. A spectrum is normalised so that white noise of variance v has level v.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TOP_SHARE", "Floor", "periodogram", "row_sigma", "spectral_floor", "to_grid"]

TOP_SHARE = 0.95
"""Up to which share of half the sampling rate a spectrum is used; so the top of the band."""

_FLOOR_REACH_BINS = 20
"""Bins to either side that the floor at a place rests on; by trial."""
_OWN_BINS = 2
"""Nearest bins left out of that: so far to either side a line reaches through the Hann taper (closed form)."""
_FLAT_FROM_BIN = 60
"""From here on the slope is taken as 0: the reach is a third of the frequency and less. By trial."""
_NEAR_BINS = 8
_CREST_SHARE = 0.75
"""Bins to either side that show a crest, and the share of their level that the floor is there at least; by trial."""
_LOW_BINS = 5
_LEAST_LOW_BINS = 2
_LOW_ALLOWANCE = 3.0
"""Below so many bins the level is held to so many times white speed noise through those that are used, if so many are;
by trial."""
_TINY = 1e-300
"""Keeps logarithms and divisions finite where there is no power."""
_HOLE_BINS = 1.25
"""Bins to either side of a line that was taken out which tell nothing of the floor; by trial."""
# Mean and variance of the logarithm of a standard exponential variable are -0.5772 and pi^2 / 6.
_EULER_GAMMA = 0.5772156649015329
_LOG_VARIANCE = np.pi**2 / 6
# Its median, and the variance of the median of n of them times n: 1 / (ln 2 / 2 * 2)^2.
_LOG_MEDIAN = float(np.log(np.log(2.0)))
_LOG_MEDIAN_VARIANCE = float(1 / np.log(2.0) ** 2)
# Powers of neighbouring bins of a Hann taper are correlated by (2/3)^2, those two apart by (1/6)^2, logarithms less.
_TAPER_INFLATION = 1.6
"""By so much more scatters a mean of them: 1 + 2 (Li2(4/9) + Li2(1/36)) / (pi^2 / 6) = 1.65 in closed form."""
_SLOPE_RANGE = (-3.0, 1.0)
"""Powers of the frequency that the angle's floor may follow; white speed noise has -2, white angle noise 0. By
trial."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Floor:
    """Smooth level of the angle's spectrum between the lines.

    Attributes
    ----------
    frequency_hz, level_rev2 : array of float64
        Frequencies from one over the duration up, and the level there (white noise of variance v has level v).
    crest : array of float64
        By what factor a crest may stand above the level, at least 1.
    freedom : array of float64
        How many independent bins the level there rests on.
    tilt : array of float64
        Standard deviation of the level's logarithm from the slope: the line is drawn out beyond the bins it rests on.
    low_slope : float
        Power of the frequency by which the level goes on below the second bin, -2 (white speed noise) to 0.
    white_rev2 : float
        Variance of white angle noise: what was stated, or the most that the spectrum's top allows if that is less.
    white_excess_rev2 : float
        By how much the top of the spectrum is clearly above what was stated; noise or fast motion.
    """

    frequency_hz: Array
    level_rev2: Array
    crest: Array
    freedom: Array
    tilt: Array
    low_slope: float
    white_rev2: float
    white_excess_rev2: float

    def at(self, frequency_hz: Array) -> Array:
        """Level at any frequencies above 0 Hz."""
        second = min(1, self.frequency_hz.size - 1)
        start = self.frequency_hz[second]
        level = np.exp(np.interp(frequency_hz, self.frequency_hz, np.log(self.level_rev2)))
        below = frequency_hz < start
        level[below] = self.level_rev2[second] * (frequency_hz[below] / start) ** self.low_slope
        return np.asarray(level)

    def certainty(self, frequency_hz: Array) -> Array:
        """How many independent bins the level is as good as, its slope being uncertain too."""
        freedom = np.interp(frequency_hz, self.frequency_hz, self.freedom)
        tilt = np.interp(frequency_hz, self.frequency_hz, self.tilt)
        return np.asarray(1 / (1 / freedom + tilt**2))


def to_grid(time_s: Array, value: Array, interval_s: float) -> tuple[Array, float]:
    """Values on a uniform grid from the first to the last time, near `interval_s` apart, and its exact step."""
    count = round(float(time_s[-1] - time_s[0]) / interval_s)
    grid = np.linspace(time_s[0], time_s[-1], count + 1)
    return np.interp(grid, time_s, value), float(time_s[-1] - time_s[0]) / count


def spectral_floor(residual_rev: Array, step_s: float, *, noise_rev2: float, skip_hz: tuple[float, ...] = ()) -> Floor:
    """Floor of the spectrum of a uniformly sampled angle without trend and lines.

    Parameters
    ----------
    residual_rev : (M,) array of float64
        The angle.
    step_s : float
        Its spacing.
    noise_rev2 : float
        Stated variance of the white noise, the least that the floor can be.
    skip_hz : tuple of float
        Frequencies at which the spectrum has been taken out.

    Notes
    -----
    Around each place, 20 bins to either side (bins 2 to 42 at the low end) without the nearest two: a straight line
    through the logarithm of the tapered periodogram over the logarithm of the frequency by repeated medians, which
    hold while less than half of the bins belong to lines; at a crest, which a straight line cuts off, at least three
    quarters of the level of the nearest 8 bins to either side. The slope is held between -3 and 1 and taken as 0
    from bin 60 on.
    The stated noise is lowered to the most (mean and two standard deviations) that the top quarter of the band allows.
    """
    bins, power = periodogram(residual_rev, step_s, 1)
    width = bins[1]
    log_power = np.log(np.maximum(power, _TINY))
    used = (bins >= 2 * width) & (bins <= TOP_SHARE * bins[-1])
    for skip in skip_hz:
        used &= np.abs(bins - skip) > _HOLE_BINS * width

    place = _places(max(2, 1 + int(TOP_SHARE * (bins.size - 1))))
    offset = np.arange(-_FLOOR_REACH_BINS, _FLOOR_REACH_BINS + 1)
    around = np.maximum(place, _FLOOR_REACH_BINS + 2)[:, np.newaxis] + offset
    valid = (around < bins.size) & (np.abs(around - place[:, np.newaxis]) > _OWN_BINS)
    around = np.minimum(around, bins.size - 1)
    valid &= used[around]
    x = np.log(around / place[:, np.newaxis])
    y = log_power[around]
    slope = np.zeros(place.size)
    low = place < _FLAT_FROM_BIN
    slope[low] = np.clip(_repeated_median_slope(x[low], y[low], valid[low]), *_SLOPE_RANGE)
    flat = y - slope[:, np.newaxis] * x
    level = np.exp(_masked_median(flat, valid) - _LOG_MEDIAN)
    near = valid & (np.abs(around - place[:, np.newaxis]) <= _NEAR_BINS)
    crest = level.copy()
    curved = low & (place > _LOW_BINS) & (near.sum(axis=1) >= _NEAR_BINS)
    crest[curved] = _CREST_SHARE * np.exp(_masked_median(flat[curved], near[curved]) - _LOG_MEDIAN)
    centred = place > 2 * _NEAR_BINS
    level[centred] = np.maximum(level[centred], crest[centred])
    lowest = np.flatnonzero(used[:_LOW_BINS])
    if lowest.size >= _LEAST_LOW_BINS:
        speed_like = _LOW_ALLOWANCE * np.mean(power[lowest] * lowest**2)
        capped = place < _LOW_BINS
        level[capped] = np.minimum(level[capped], speed_like / place[capped] ** 2)
    count = np.maximum(valid.sum(axis=1), 1)
    mean_x = np.sum(x * valid, axis=1) / count
    spread = np.sum(valid * (x - mean_x[:, np.newaxis]) ** 2, axis=1)
    lever = np.where(low, mean_x**2 / np.maximum(spread, _TINY), 0.0)
    scatter = _LOG_MEDIAN_VARIANCE * _TAPER_INFLATION

    top = log_power[used & (bins >= 0.75 * TOP_SHARE * bins[-1])]
    spectral, sigma = noise_rev2, 0.0
    if top.size >= 4:
        spectral = float(np.exp(top.mean() + _EULER_GAMMA))
        sigma = float(np.sqrt(_LOG_VARIANCE * _TAPER_INFLATION / top.size))
    white = min(noise_rev2, spectral * (1 + 2 * sigma))
    return Floor(
        frequency_hz=bins[place],
        level_rev2=np.maximum(level, white),
        crest=np.maximum(crest / np.maximum(level, white), 1.0),
        freedom=np.maximum(count / scatter, 1.0),
        tilt=np.sqrt(scatter * lever),
        low_slope=float(np.clip(slope[min(1, slope.size - 1)], -2.0, 0.0)),
        white_rev2=white,
        white_excess_rev2=max(0.0, spectral * max(0.0, 1 - 2 * sigma) - noise_rev2),
    )


def _places(count: int) -> NDArray[np.intp]:
    """Bins from 1 up at which the floor is worked out: each of the first, then ever fewer, the last."""
    place, places = 1, []
    while place < count - 1:
        places.append(place)
        place += max(1, min(_FLOOR_REACH_BINS // 2, place // 12))
    return np.array([*places, count - 1], dtype=np.intp)


def _masked_median(value: Array, valid: NDArray[np.bool_]) -> Array:
    """Median over the last axis of the valid values; 0 where there are none."""
    count = valid.sum(axis=-1)
    ordered = np.sort(np.where(valid, value, np.inf), axis=-1)
    lower = np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0)[..., np.newaxis], axis=-1)
    upper = np.take_along_axis(ordered, np.minimum(count // 2, value.shape[-1] - 1)[..., np.newaxis], axis=-1)
    return np.where(count > 0, 0.5 * (lower + upper)[..., 0], 0.0)


def _repeated_median_slope(x: Array, y: Array, valid: NDArray[np.bool_]) -> Array:
    """Median over the points of the median slope to all other points (Siegel 1982), for each row."""
    run = x[:, :, np.newaxis] - x[:, np.newaxis, :]
    pair = valid[:, :, np.newaxis] & valid[:, np.newaxis, :] & (run != 0.0)
    rise = y[:, :, np.newaxis] - y[:, np.newaxis, :]
    return _masked_median(_masked_median(rise / np.where(run == 0.0, 1.0, run), pair), valid)


def periodogram(value: Array, step_s: float, padding: int) -> tuple[Array, Array]:
    """Frequencies and Hann-tapered periodogram; white noise of variance v gives v on average."""
    taper = np.sin(np.pi * (np.arange(value.size) + 0.5) / value.size) ** 2
    count = padding * value.size
    power = np.abs(np.fft.rfft(taper * value, count)) ** 2 / np.sum(taper**2)
    return np.asarray(np.fft.rfftfreq(count, step_s), dtype=np.float64), np.asarray(power)


def row_sigma(time_s: Array, row: Array, *, floor: Floor, step_s: float) -> float:
    """Standard deviation of ``row @ angle`` for an angle that moves at random with the spectrum of `floor`."""
    span = float(time_s[-1] - time_s[0])
    count = round(span / step_s)
    place = np.round((time_s - time_s[0]) * (count / span)).astype(np.intp)
    passed = np.abs(np.fft.rfft(np.bincount(place, row, count + 1), 8 * count)) ** 2
    level = floor.at(np.arange(1, passed.size) / (8 * span))
    return float(np.sqrt(2 * np.sum(level * passed[1:]) / (8 * count)))
