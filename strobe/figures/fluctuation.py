"""Mean speed over whole turns, the speed series, and wow and flutter weighted as IEC 60386 / AES6 describe.

Sudden events are no wow: they are taken off before, and told beside the figures.

The fitted lines are weighted exactly, each by the gain at its own frequency, so that they suffer no edge effects. What
they leave is differenced on a uniform grid, extended evenly at both ends and weighted on the bins of its spectrum.
Speeds are in turns a second until they become percent of the mean speed; half-widths are 95 %.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.figures.jointfit import LineFit
from strobe.figures.results import COVERAGE, Spread
from strobe.figures.spectrum import TOP_SHARE, row_sigma
from strobe.figures.weighting import weighting_gain

__all__ = [
    "BAND_LOW_HZ",
    "SPLIT_EDGE",
    "TOP_SHARE",
    "MeanSpeed",
    "SpeedGrid",
    "band_gain",
    "extended_bins",
    "filtered",
    "filtered_angle",
    "mean_speed",
    "part_gain",
    "speed_on_grid",
    "spread",
    "two_sigma",
]

BAND_LOW_HZ = 0.2
"""Where the unweighted band begins; our own choice, the standard's wow begins at 0.1 Hz (docs/definitions.md)."""
NOISE_SIGMA_SHARE = 0.1
"""Relative standard deviation of a stated angle noise."""

SPLIT_EDGE = 0.03
"""Half the width of the crossing from wow to flutter, as a share of the split."""

_LOW_EDGE_HZ = 0.15
"""Where the cosine edge below the unweighted band has come down to nothing; our own choice."""
_FINE_STEP_S = 1 / 240
"""Step at which the series is read for its 2-sigma peak, so that crests between frames are met; by trial."""
_GAP_STEPS = 1.5
"""Half way between one step and two: a sample is missing where the times are farther apart."""
_LONGER = 4.0
_LONG_COUNT = 4801
"""The lines alone go on for so many clips before and after, at so many points, to tell what these seconds differ by
from many; by trial."""
_TINY = float(np.finfo(np.float64).tiny)
"""Keeps divisions finite where nothing moves: the least that float64 holds in full precision."""
# Standard deviation of the 95 % quantile of |x| of n independent Gaussian values over that of their rms, both
# relative: sqrt(0.05 * 0.95) / (2 phi(1.96) * 1.96) against sqrt(1 / 2).
_QUANTILE_SHARE = 1.345

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MeanSpeed:
    """Mean turns a second over `turns` whole turns (0: end to end) and its standard deviation."""

    rate_hz: float
    sigma_hz: float
    turns: int


@dataclass(frozen=True, eq=False)
class SpeedGrid:
    """What trend and lines leave of the speed, at the middles of a uniform grid.

    Attributes
    ----------
    time_s, speed_hz : (M,) array of float64
        Middles of the grid's steps and the mean speed over each step.
    step_s : float
        Step of the grid.
    gap_start_s, gap_end_s : (G,) array of float64
        Where samples are missing.
    """

    time_s: Array
    speed_hz: Array
    step_s: float
    gap_start_s: Array
    gap_end_s: Array


def two_sigma(deviation: Array) -> float:
    """The magnitude that is exceeded 5 % of the time (IEC 60386 Amd 1 / AES6; the 5 % from memory)."""
    return float(np.quantile(np.abs(deviation), 0.95))


def band_gain(frequency_hz: Array, *, top_hz: float, end_hz: float, weighted: bool) -> Array:
    """Gain of the weighted or the unweighted figure: 1 or the weighting inside the band, cosine edges outside it.

    The upper edge falls from `top_hz` to `end_hz`; the lower one of the unweighted figure from 0.2 to 0.15 Hz.
    """
    gain = _rise(end_hz - frequency_hz, 0.0, end_hz - top_hz)
    if weighted:
        return gain * weighting_gain(frequency_hz)
    return gain * _rise(frequency_hz, _LOW_EDGE_HZ, BAND_LOW_HZ)


def part_gain(frequency_hz: Array, gain: Array, *, split_hz: float, above: bool) -> Array:
    """`gain` (of any band) for its part above or below a split; the squares of the two parts add up to its own.

    The parts cross over from 0.97 to 1.03 of the split.
    """
    share = _rise(frequency_hz / split_hz, 1 - SPLIT_EDGE, 1 + SPLIT_EDGE)
    return np.asarray(gain * np.sqrt(share if above else 1 - share))


def _rise(value: Array, start: float, end: float) -> Array:
    share = np.clip((value - start) / (end - start), 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * share))


def mean_speed(time_s: Array, angle_rev: Array, *, fit: LineFit, step_s: float) -> MeanSpeed:
    """Mean speed over whole turns, averaged over every start that the clip allows; below one turn end to end.

    Parameters
    ----------
    time_s, angle_rev : (K,) array of float64
        Times and angle as sampled.
    fit : LineFit
        Their lines, which are taken off first: those that whole turns do not close would leave a rest; and events,
        which count from end to end.
    step_s : float
        Nominal spacing of the samples.
    """
    span = float(time_s[-1] - time_s[0])
    sudden = fit.events_rev(time_s[[0, -1]])
    angle = angle_rev - fit.angle_rev(time_s) - fit.events_rev(time_s)
    angle = angle + (sudden[1] - sudden[0]) / span * (time_s - time_s[0])
    rate = float(angle[-1] - angle[0]) / span
    turns = int(np.floor(rate * span + 1e-9))
    length, starts = span, 1
    for _ in range(3 if turns >= 1 else 0):
        length = min(turns / rate, span)
        starts = int(np.searchsorted(time_s, time_s[-1] - length + 1e-9 * span, side="right"))
        ends = np.interp(time_s[:starts] + length, time_s, angle)
        rate = float(np.mean(ends - angle[:starts])) / length
    place = np.interp(time_s[:starts] + length, time_s, np.arange(time_s.size))
    below = np.minimum(place.astype(np.intp), time_s.size - 2)
    row = np.zeros(time_s.size)
    np.add.at(row, below, below + 1 - place)
    np.add.at(row, below + 1, place - below)
    row[:starts] -= 1.0
    row = fit.without_lines(row / (starts * length))
    return MeanSpeed(rate, row_sigma(time_s, row, floor=fit.floor, step_s=step_s), turns)


def speed_on_grid(time_s: Array, residual_rev: Array, *, step_s: float) -> SpeedGrid:
    """Difference a residual angle on a uniform grid near `step_s`, by cubic interpolation over jitter and gaps."""
    from scipy.interpolate import CubicSpline

    count = round(float(time_s[-1] - time_s[0]) / step_s)
    grid = np.linspace(time_s[0], time_s[-1], count + 1)
    step = float(time_s[-1] - time_s[0]) / count
    gap = np.flatnonzero(np.diff(time_s) > _GAP_STEPS * step)
    return SpeedGrid(
        time_s=0.5 * (grid[1:] + grid[:-1]),
        speed_hz=np.diff(CubicSpline(time_s, residual_rev)(grid)) / step,
        step_s=step,
        gap_start_s=time_s[gap],
        gap_end_s=time_s[gap + 1],
    )


def filtered(grid: SpeedGrid, gain: Array, *, finer: int = 1) -> Array:
    """The grid's speed with a gain for each bin of `extended_bins`, `finer` values a step, from one step before the
    grid's first value to one step after its last.

    The series is extended evenly about both ends. The division by ``sinc(f step)`` turns mean speeds over a step into
    speeds at its middle.
    """
    count = grid.speed_hz.size
    fine = np.fft.irfft(_spectrum(grid) * gain, 2 * count * finer) * (2 * count * finer)
    return fine[np.arange(-finer, count * finer + 1)]


def _spectrum(grid: SpeedGrid) -> NDArray[np.complex128]:
    """Spectrum of the evenly extended speed over its number of values."""
    extended = np.concatenate([grid.speed_hz, grid.speed_hz[::-1]])
    return np.fft.rfft(extended) / extended.size / np.sinc(extended_bins(grid) * grid.step_s)


def filtered_angle(grid: SpeedGrid, gain: Array) -> Array:
    """The integral of the grid's filtered speed at its own times, turns from the start of the grid."""
    count, bins = grid.speed_hz.size, extended_bins(grid)
    shape = _spectrum(grid) * gain
    mean = float(shape[0].real)
    shape[1:] /= 2j * np.pi * bins[1:]
    shape[0] = 0.0
    shape[-1] = 0.0
    swing = np.fft.irfft(shape, 2 * count) * (2 * count)
    return np.asarray(swing[:count] + mean * (np.arange(count) + 0.5) * grid.step_s)


def extended_bins(grid: SpeedGrid) -> Array:
    """Frequencies of the bins of the evenly extended series."""
    return np.arange(grid.speed_hz.size + 1) / (2 * grid.speed_hz.size * grid.step_s)


def spread(grid: SpeedGrid, fit: LineFit, *, rate_hz: float, gain_of: Callable[[Array], Array]) -> Spread:
    """2-sigma peak and rms of the fluctuation with a gain at each frequency, less the noise's share.

    Parameters
    ----------
    grid : SpeedGrid
        The speed without trend and lines.
    fit : LineFit
        The lines and the noise.
    rate_hz : float
        Mean turns a second, which the percentages refer to.
    gain_of : callable
        Gain for any frequencies, as of `band_gain`.

    Notes
    -----
    White angle noise of variance v at spacing d shows as ``integral of 2 v d (2 pi f g(f))^2 df``, which is subtracted
    from the mean square. For the 2-sigma peak the part that is not lines is shrunk so that the mean square
    comes out the same; exact for a Gaussian remainder.

    The half-widths hold for the machine, not only for these seconds: (1) the random remainder, each bin of the extended
    spectrum holding one squared Gaussian variable of variance 2/3 of its square; (2) the lines' amplitudes; (3) 10 % of
    noise amplitude; (4) what the spectrum's top shows above the stated noise, which may be noise too; (5) how far the
    lines' mean square in these seconds is from that of many.
    """
    to_percent = 100.0 / rate_hz
    bins = extended_bins(grid)
    gain, line_gain = gain_of(bins), gain_of(fit.frequency_hz)

    finer = max(1, int(np.ceil(grid.step_s / _FINE_STEP_S * (1 - 1e-6))))  # Else rounding of the times would decide.
    start, end = float(grid.time_s[0]) - grid.step_s, float(grid.time_s[-1]) + grid.step_s
    time = np.linspace(start, end, (grid.time_s.size + 1) * finer + 1)
    seen = np.ones(time.size, dtype=np.bool_)
    for gap_start, gap_end in zip(grid.gap_start_s, grid.gap_end_s, strict=True):
        seen &= (time <= gap_start) | (time >= gap_end)
    rest = to_percent * filtered(grid, gain, finer=finer)
    rest -= rest.mean()
    rest *= np.sqrt(np.mean(rest[seen] ** 2) / max(float(np.mean(rest**2)), _TINY))
    lines = to_percent * fit.speed_hz(time, line_gain)
    longer = np.linspace(start - _LONGER * (end - start), end + _LONGER * (end - start), _LONG_COUNT)
    long_lines = to_percent * fit.speed_hz(longer, line_gain)

    noise_gain = float(np.sum((2 * np.pi * bins * gain) ** 2) * bins[1]) * 2 * grid.step_s * to_percent**2
    floor = noise_gain * fit.floor.white_rev2
    square = max(float(np.mean((lines + rest) ** 2)) - floor, 0.0)

    amplitude = to_percent * line_gain * fit.speed_amplitude_hz
    amplitude_sigma = to_percent * line_gain * 2 * np.pi * fit.frequency_hz * fit.amplitude_sigma_rev
    bin_square = 2 * np.abs(to_percent * _spectrum(grid) * gain) ** 2
    random = COVERAGE * float(np.sqrt(np.sum(bin_square[1:-1] ** 2) * 2 / 3))
    steady_variance = float(np.sum((amplitude * amplitude_sigma) ** 2)) + (2 * NOISE_SIGMA_SHARE * floor) ** 2
    steady = float(np.hypot(COVERAGE * np.sqrt(steady_variance), noise_gain * fit.floor.white_excess_rev2))
    here_peak = two_sigma(long_lines) - two_sigma(lines)
    cut_share = grid.step_s / (end - start)
    cut_peak = np.ptp(np.quantile(np.abs(lines), [0.95 - cut_share, min(0.95 + cut_share, 1.0)]))
    here_root = float(np.sqrt(np.sum(amplitude**2) / 2) - np.sqrt(np.mean(lines**2)))

    def peak_of(mean_square: float) -> float:
        return two_sigma(_shrunk(lines, rest, mean_square))

    def root(mean_square: float) -> float:
        return float(np.sqrt(mean_square))

    together = _change(peak_of, square, float(np.hypot(_QUANTILE_SHARE * random, steady)))
    lasting = _change(peak_of, square, steady)
    root_width = _change(root, square, float(np.hypot(random, steady)))
    return Spread(
        peak_percent=peak_of(square),
        rms_percent=root(square),
        peak_uncertainty_percent=_together(together, here_peak, 0.5 * float(cut_peak)),
        rms_uncertainty_percent=_together(root_width, here_root),
        floor_percent=float(np.sqrt(floor)),
        peak_run_percent=_together(np.sqrt(max(together**2 - lasting**2, 0.0)), here_peak),
        rms_run_percent=_together(np.sqrt(max(root_width**2 - _change(root, square, steady) ** 2, 0.0)), here_root),
    )


def _change(figure: Callable[[float], float], square: float, change: float) -> float:
    """How far a figure of the mean square moves when that moves up or down by `change`, the larger of the two."""
    value = figure(square)
    return max(abs(figure(square + change) - value), abs(figure(max(square - change, 0.0)) - value))


def _shrunk(lines: Array, rest: Array, square: float) -> Array:
    """Lines plus so much of the rest that their mean square is `square`; less of the lines if they alone exceed it."""
    a, b, own = float(np.mean(rest**2)), float(np.mean(lines * rest)), float(np.mean(lines**2))
    if own >= square or a <= _TINY:
        return lines * np.sqrt(square / max(own, _TINY))
    return lines + rest * (np.sqrt(b * b + a * (square - own)) - b) / a


def _together(*widths: float) -> float:
    return float(np.sqrt(np.sum(np.square(widths))))
