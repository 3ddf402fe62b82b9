"""Periodic parts of the platter's motion: sinusoids in the angle, fitted jointly with a quadratic trend.

Lines are found one by one on a tapered periodogram of what the lines before them leave, and after each find all
frequencies, amplitudes and the trend are refined together by least squares on the true, uneven times. A line counts
when it stands above the local floor by more than chance gives once in a thousand clips.

Times are in seconds, angles in revolutions. A spectrum is normalised so that white noise of variance v has level v.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FALSE_ALARMS_PER_CLIP", "MAX_LINES", "Floor", "LineFit", "find_lines", "spectral_floor", "to_grid"]

FALSE_ALARMS_PER_CLIP = 1e-3
"""How many lines chance alone gives in a clip without any."""

MAX_LINES = 12

_LOWEST_HZ = 0.1
_LEAST_CYCLES = 2.0
_LEAST_SOUGHT_CYCLES = 1.25
_LEAST_FITTED_CYCLES = 1.0
_TOP_SHARE = 0.95
_PADDING = 4
_FLOOR_REACH_BINS = 20
_OWN_BINS = 2
_FLAT_FROM_BIN = 60
_NEAR_BINS = 8
_CREST_SHARE = 0.75
_LOW_BINS = 5
_LEAST_LOW_BINS = 2
_LOW_ALLOWANCE = 3.0
_TILT_SIGMAS = 1.5
_TINY = 1e-300
_HOLE_BINS = 1.25
_EXCLUDED_BINS = 1.5
_CLOSEST_START_BINS = 0.7
_CLOSEST_BINS = 1.0
# Mean and variance of the logarithm of a standard exponential variable are -0.5772 and pi^2 / 6.
_EULER_GAMMA = 0.5772156649015329
_LOG_VARIANCE = np.pi**2 / 6
# Its median, and the variance of the median of n of them times n: 1 / (ln 2 / 2 * 2)^2.
_LOG_MEDIAN = float(np.log(np.log(2.0)))
_LOG_MEDIAN_VARIANCE = float(1 / np.log(2.0) ** 2)
# Neighbouring bins of a Hann taper share (2/3)^2 of their power; their logarithms are correlated about as much.
_TAPER_INFLATION = 1.6
_SLOPE_RANGE = (-3.0, 1.0)
_REFINEMENTS = 6
_LEAK_RATIO = 2.0
_LEAK_REACH_BINS = 20
# Steps of a frequency in units of two over the duration.
_LARGEST_STEP = 0.2
_SMALL_STEP = 1e-6

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
        start = self.frequency_hz[1]
        level = np.exp(np.interp(frequency_hz, self.frequency_hz, np.log(self.level_rev2)))
        below = frequency_hz < start
        level[below] = self.level_rev2[1] * (frequency_hz[below] / start) ** self.low_slope
        return np.asarray(level)

    def certainty(self, frequency_hz: Array) -> Array:
        """How many independent bins the level is as good as, its slope being uncertain too."""
        freedom = np.interp(frequency_hz, self.frequency_hz, self.freedom)
        tilt = np.interp(frequency_hz, self.frequency_hz, self.tilt)
        return np.asarray(1 / (1 / freedom + tilt**2))


@dataclass(frozen=True, eq=False)
class LineFit:
    """Sinusoids ``c cos(2 pi f (t - centre)) + s sin(...)`` in the angle, and the trend fitted with them.

    Attributes
    ----------
    centre_s : float
        Middle of the clip.
    rate_hz, ramp_hz_per_s : float
        Turns a second at the centre and their change per second.
    ramp_row : (K,) array
        The ramp as a linear function of the sampled angles.
    line_columns, line_rows : (K, 3 L), (3 L, K) array
        The lines' part of the design and of its pseudoinverse.
    frequency_hz, cosine_rev, sine_rev : (L,) array
        The lines, the largest in speed first.
    frequency_sigma_hz, amplitude_sigma_rev, freedom : (L,) array
        Standard deviations from the local floor, and how many independent bins that floor rests on.
    listed : (L,) array of bool
        Which are components; slower ones, down to one cycle in the clip, are only there to take slow motion out.
    residual_rev : (K,) array
        What trend and lines leave of the angle.
    floor : Floor
        Floor of the residual's spectrum.
    """

    centre_s: float
    rate_hz: float
    ramp_hz_per_s: float
    ramp_row: Array
    line_columns: Array
    line_rows: Array
    frequency_hz: Array
    cosine_rev: Array
    sine_rev: Array
    frequency_sigma_hz: Array
    amplitude_sigma_rev: Array
    freedom: Array
    listed: NDArray[np.bool_]
    residual_rev: Array
    floor: Floor

    @property
    def amplitude_rev(self) -> Array:
        """Amplitude of each line in the angle."""
        return np.hypot(self.cosine_rev, self.sine_rev)

    @property
    def speed_amplitude_hz(self) -> Array:
        """Amplitude of each line in the speed, turns a second."""
        return 2 * np.pi * self.frequency_hz * self.amplitude_rev

    @property
    def speed_phase_rad(self) -> Array:
        """Phase of each line's sine in the speed at time 0 of the clock, in -pi to pi."""
        at_centre = np.arctan2(self.sine_rev, -self.cosine_rev)
        return np.angle(np.exp(1j * (at_centre - 2 * np.pi * self.frequency_hz * self.centre_s)))

    def without_lines(self, row: Array) -> Array:
        """The (K,) row that acts on the sampled angles as `row` does on the angles less their fitted lines."""
        return np.asarray(row - (row @ self.line_columns) @ self.line_rows)

    def angle_rev(self, time_s: Array) -> Array:
        """Sum of the lines in the angle at any times."""
        turn = 2 * np.pi * np.outer(time_s - self.centre_s, self.frequency_hz)
        return np.cos(turn) @ self.cosine_rev + np.sin(turn) @ self.sine_rev

    def speed_hz(self, time_s: Array, gain: Array) -> Array:
        """Sum of the lines in the speed at any times, turns a second, each times its `gain`."""
        turn = 2 * np.pi * np.outer(time_s - self.centre_s, self.frequency_hz)
        scale = 2 * np.pi * self.frequency_hz * gain
        return np.cos(turn) @ (scale * self.sine_rev) - np.sin(turn) @ (scale * self.cosine_rev)


def find_lines(
    time_s: Array,
    angle_rev: Array,
    *,
    angle_noise_rev: float,
    interval_s: float,
    weight: Array,
    excluded_hz: tuple[float, ...] = (),
) -> LineFit:
    """Find and fit the periodic parts of an angle.

    Parameters
    ----------
    time_s, angle_rev : (K,) array of float64
        Strictly increasing times and the unwrapped angle, lines and trend together.
    angle_noise_rev : float
        Standard deviation of the white noise of each angle.
    interval_s : float
        Nominal spacing of the samples.
    weight : (K,) array of float64
        Relative inverse variance of each sample, positive.
    excluded_hz : tuple of float
        Frequencies near which (1.5 over the duration) no line is looked for.

    Notes
    -----
    Lines from 0.1 Hz, and two cycles in the clip, to 0.95 of half the sampling rate are looked for. Two lines closer
    than one over the duration are not told apart. The standard deviations are the Cramér-Rao bound with the local
    floor in the place of the noise, trend and all other lines being unknown too.
    """
    duration = float(time_s[-1] - time_s[0])
    lowest = max(_LOWEST_HZ, _LEAST_CYCLES / duration)
    highest = _TOP_SHARE * 0.5 / interval_s
    band = _Band(_LEAST_SOUGHT_CYCLES / duration, highest, angle_noise_rev**2, interval_s, excluded_hz)
    fit = _grown(_JointFit(time_s, angle_rev, weight, np.empty(0)), band)
    if np.any(_leakage(fit, band.floor(fit), interval_s) > _LEAK_RATIO):
        fit = _grown(_JointFit(time_s, angle_rev, weight, fit.frequency, tapered=True), band)
    fit = _pruned(fit, band)
    floor = band.floor(fit)
    return fit.result(floor, _leakage(fit, floor, interval_s), lowest_hz=lowest)


@dataclass(frozen=True)
class _Band:
    """Where lines are looked for, and in what noise."""

    lowest_hz: float
    highest_hz: float
    noise_rev2: float
    interval_s: float
    excluded_hz: tuple[float, ...]

    def floor(self, fit: _JointFit) -> Floor:
        grid, step = to_grid(fit.time, fit.residual, self.interval_s)
        skip = (*fit.frequency, *self.excluded_hz)
        return spectral_floor(grid, step, noise_rev2=self.noise_rev2, skip_hz=skip)


def _grown(fit: _JointFit, band: _Band) -> _JointFit:
    """The fit with more lines as long as one stands out, the strongest first."""
    width = 0.5 / fit.half
    rejected: list[float] = []
    fit = _apart(fit, width)
    while fit.frequency.size < MAX_LINES:
        floor = band.floor(fit)
        bins, power = _periodogram(*to_grid(fit.time, fit.residual, band.interval_s), _PADDING)
        clear = (bins >= band.lowest_hz) & (bins <= band.highest_hz)
        for line in (*fit.frequency, *rejected):
            clear &= np.abs(bins - line) > _CLOSEST_START_BINS * width
        for hole in band.excluded_hz:
            clear &= np.abs(bins - hole) > _EXCLUDED_BINS * width
        clear[clear] = power[clear] > _least_power(floor, bins[clear])
        if not np.any(clear):
            break
        best = int(np.argmax(np.where(clear, power, 0.0)))
        longer = fit.with_lines(np.append(fit.frequency, bins[best]))
        if longer.closest_hz < _CLOSEST_BINS * width:
            rejected.append(float(bins[best]))
        else:
            fit = longer
            rejected.clear()
    return fit


def _pruned(fit: _JointFit, band: _Band) -> _JointFit:
    """The fit without the lines that do not stand out of what all the others leave, the weakest first."""
    while fit.frequency.size:
        floor = band.floor(fit)
        leaked = floor.at(fit.frequency) * _leakage(fit, floor, band.interval_s) * np.log(_looks(floor))
        margin = fit.power / np.maximum(_least_power(floor, fit.frequency), leaked)
        margin[(fit.frequency * 2 * fit.half < _LEAST_FITTED_CYCLES) | (fit.frequency > band.highest_hz)] = 0.0
        weakest = int(np.argmin(margin))
        if margin[weakest] > 1.0:
            break
        fit = _apart(fit.with_lines(np.delete(fit.frequency, weakest)), 0.5 / fit.half)
    return fit


def _apart(fit: _JointFit, width_hz: float) -> _JointFit:
    """The fit without the weaker of any two lines that a refit has moved too close to be told apart."""
    while fit.closest_hz < _CLOSEST_BINS * width_hz:
        order = np.argsort(fit.frequency)
        near = int(np.argmin(np.diff(fit.frequency[order])))
        pair = order[near : near + 2]
        fit = fit.with_lines(np.delete(fit.frequency, pair[np.argmin(fit.amplitude[pair])]))
    return fit


def _leakage(fit: _JointFit, floor: Floor, interval_s: float) -> Array:
    """By how much slow motion, spread by the sharp ends of the clip, lifts the floor around each line; at least 1."""
    grid, step = to_grid(fit.time, fit.residual, interval_s)
    taper = fit.ends(np.linspace(fit.time[0], fit.time[-1], grid.size))
    lifted = np.ones(fit.frequency.size)
    for i, line in enumerate(fit.frequency):
        around = line + np.arange(-_LEAK_REACH_BINS, _LEAK_REACH_BINS + 1) / (2 * fit.half)
        around = around[(around > 1 / fit.half) & (around < 0.5 / step)]
        turn = np.exp(-2j * np.pi * step * np.outer(around, np.arange(grid.size)))
        sharp = np.median(np.abs(turn @ (taper * grid)) ** 2 / np.sum(taper**2) / floor.at(around))
        lifted[i] = max(1.0, float(sharp) / np.log(2.0))
    return lifted


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
    bins, power = _periodogram(residual_rev, step_s, 1)
    width = bins[1]
    log_power = np.log(np.maximum(power, _TINY))
    used = (bins >= 2 * width) & (bins <= _TOP_SHARE * bins[-1])
    for skip in skip_hz:
        used &= np.abs(bins - skip) > _HOLE_BINS * width

    place = _places(1 + int(_TOP_SHARE * (bins.size - 1)))
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

    top = log_power[used & (bins >= 0.75 * _TOP_SHARE * bins[-1])]
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
        low_slope=float(np.clip(slope[1], -2.0, 0.0)),
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
    upper = np.take_along_axis(ordered, np.minimum(count // 2, count.max() - 1)[..., np.newaxis], axis=-1)
    return np.where(count > 0, 0.5 * (lower + upper)[..., 0], 0.0)


def _repeated_median_slope(x: Array, y: Array, valid: NDArray[np.bool_]) -> Array:
    """Median over the points of the median slope to all other points (Siegel 1982), for each row."""
    run = x[:, :, np.newaxis] - x[:, np.newaxis, :]
    pair = valid[:, :, np.newaxis] & valid[:, np.newaxis, :] & (run != 0.0)
    rise = y[:, :, np.newaxis] - y[:, np.newaxis, :]
    return _masked_median(_masked_median(rise / np.where(run == 0.0, 1.0, run), pair), valid)


def _periodogram(value: Array, step_s: float, padding: int) -> tuple[Array, Array]:
    """Frequencies and Hann-tapered periodogram; white noise of variance v gives v on average."""
    taper = np.sin(np.pi * (np.arange(value.size) + 0.5) / value.size) ** 2
    count = padding * value.size
    power = np.abs(np.fft.rfft(taper * value, count)) ** 2 / np.sum(taper**2)
    return np.asarray(np.fft.rfftfreq(count, step_s), dtype=np.float64), np.asarray(power)


def _looks(floor: Floor) -> float:
    """How many looks at pure chance go to one false alarm; finely spaced bins count as two each."""
    return float(2.0 * floor.frequency_hz[-1] / floor.frequency_hz[0] / FALSE_ALARMS_PER_CLIP)


def _least_power(floor: Floor, frequency_hz: Array) -> Array:
    """Power that chance exceeds in a clip `FALSE_ALARMS_PER_CLIP` times.

    A bin over a floor that is itself the mean of m bins exceeds x times that floor with probability
    ``(1 + x / m)^-m``.
    """
    freedom = np.interp(frequency_hz, floor.frequency_hz, floor.freedom)
    tilt = np.interp(frequency_hz, floor.frequency_hz, floor.tilt)
    level = floor.at(frequency_hz) * np.interp(frequency_hz, floor.frequency_hz, floor.crest)
    return level * np.exp(_TILT_SIGMAS * tilt) * freedom * np.expm1(np.log(_looks(floor)) / freedom)


class _JointFit:
    """Least squares for a quadratic trend and lines, the frequencies started near and refined by Gauss-Newton."""

    def __init__(
        self, time_s: Array, angle_rev: Array, relative: Array, frequency_hz: Array, *, tapered: bool = False
    ) -> None:
        self.time = time_s
        self.angle = angle_rev
        self.relative = relative
        self.tapered = tapered
        self.centre = 0.5 * float(time_s[0] + time_s[-1])
        self.half = 0.5 * float(time_s[-1] - time_s[0])
        self.weight = relative * self.ends(time_s)
        self.frequency = frequency_hz
        count = frequency_hz.size
        self.cosine, self.sine = np.zeros(count), np.zeros(count)
        self.rate = float(angle_rev[-1] - angle_rev[0]) / (2 * self.half)
        rest = angle_rev - angle_rev[0] - self.rate * (time_s - time_s[0])
        solution = self._solve(rest, 3 + 2 * count)
        for _ in range(_REFINEMENTS if count else 0):
            solution = self._solve(rest, 3 + 3 * count)
            step = np.clip(solution[3 + 2 * count :], -_LARGEST_STEP, _LARGEST_STEP) / self.half
            self.frequency = np.abs(self.frequency + step)
            if np.max(np.abs(step)) * self.half < _SMALL_STEP:
                break
        solution = self._solve(rest, 3 + 2 * count)
        self.design = self._design(3 + 3 * count)
        self.residual = rest - self.design[:, : solution.size] @ solution
        self.trend = solution[:3]
        scale, inverse = self._inverse(self.design)
        self.covariance = inverse / np.outer(scale, scale)
        self.rows = self.covariance @ (self.design * self.weight[:, np.newaxis]).T

    def with_lines(self, frequency_hz: Array) -> _JointFit:
        """The same samples fitted with other lines."""
        return _JointFit(self.time, self.angle, self.relative, frequency_hz, tapered=self.tapered)

    def ends(self, time_s: Array) -> Array:
        """The taper at these times: half a sine over a little more than the clip, or 1."""
        if not self.tapered:
            return np.ones_like(time_s)
        share = 0.5 + 0.5 * (time_s - self.centre) / (self.half * (1 + 1 / self.time.size))
        return np.asarray(np.sin(np.pi * share))

    @property
    def power(self) -> Array:
        """Each line's power on the scale of the spectrum of the evenly weighted angle."""
        return self.time.size * self.amplitude**2 / 4

    @property
    def amplitude(self) -> Array:
        return np.hypot(self.cosine, self.sine)

    @property
    def closest_hz(self) -> float:
        """Smallest distance between two lines."""
        return float(np.min(np.diff(np.sort(self.frequency)), initial=np.inf))

    def result(self, floor: Floor, leakage: Array, *, lowest_hz: float) -> LineFit:
        """The fit with the lines sorted; samples of weight w have the variance of the floor times leakage over w."""
        count = self.frequency.size
        order = np.argsort(-self.frequency * self.amplitude)
        covariance = (self.rows / self.relative) @ self.rows.T
        variance = np.diag(covariance)
        c, s = 3 + np.arange(count), 3 + count + np.arange(count)
        toward_c, toward_s = self.cosine / self.amplitude, self.sine / self.amplitude
        amplitude_variance = (
            toward_c**2 * variance[c] + toward_s**2 * variance[s] + 2 * toward_c * toward_s * covariance[c, s]
        )
        level = floor.at(self.frequency) * leakage
        return LineFit(
            centre_s=self.centre,
            rate_hz=self.rate + float(self.trend[1]) / self.half,
            ramp_hz_per_s=2 * float(self.trend[2]) / self.half**2,
            ramp_row=2 * self.rows[2] / self.half**2,
            line_columns=self.design[:, 3:],
            line_rows=self.rows[3:],
            frequency_hz=self.frequency[order],
            cosine_rev=self.cosine[order],
            sine_rev=self.sine[order],
            frequency_sigma_hz=(np.sqrt(level * variance[3 + 2 * count :]) / self.half)[order],
            amplitude_sigma_rev=np.sqrt(level * amplitude_variance)[order],
            freedom=floor.certainty(self.frequency)[order],
            listed=(self.frequency >= lowest_hz)[order],
            residual_rev=self.residual,
            floor=floor,
        )

    def _design(self, columns: int) -> Array:
        """Trend, cosines, sines and (with 3 + 3 L columns) the change with each frequency times `half`."""
        u = (self.time - self.centre) / self.half
        turn = 2 * np.pi * np.outer(self.time - self.centre, self.frequency)
        cosines, sines = np.cos(turn), np.sin(turn)
        parts = [np.stack([np.ones_like(u), u, u * u], axis=1), cosines, sines]
        if columns > 3 + 2 * self.frequency.size:
            slope = self.sine * cosines - self.cosine * sines
            parts.append(2 * np.pi * u[:, np.newaxis] * slope)
        return np.hstack(parts)

    def _inverse(self, design: Array) -> tuple[Array, Array]:
        scale = np.sqrt(np.sum(design**2, axis=0))
        scale[scale == 0.0] = 1.0
        scaled = design / scale
        return scale, np.linalg.pinv(scaled.T @ (scaled * self.weight[:, np.newaxis]), hermitian=True)

    def _solve(self, rest: Array, columns: int) -> Array:
        design = self._design(columns)
        scale, inverse = self._inverse(design)
        solution = inverse @ ((design / scale).T @ (self.weight * rest)) / scale
        count = self.frequency.size
        self.cosine, self.sine = solution[3 : 3 + count], solution[3 + count : 3 + 2 * count]
        return solution
