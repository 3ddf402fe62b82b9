"""What a reading shows: sharp lines and broad humps of the speed, each with its share of the weighted fluctuation.

A turning part makes sharp lines, a control loop or a platter on a spring a hump: its place in the spectrum is held, its
phase is not. Humps are looked for in what the lines leave of the speed over time; without the series there are none.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from strobe.figures.results import Component, Fluctuation, SpeedSeries
from strobe.figures.weighting import weighting_gain

__all__ = ["COVERAGE", "Feature", "Reading", "Shown", "shown"]

COVERAGE = 1.96
"""Standard deviations of a 95 % half-width: normal, closed form."""
PULL_BINS = 0.04
"""Bins of the clip by which weaker lines nearby, and creep that wanders, pull a line (standard deviation); by trial."""
HUMP_REACH = 0.22
"""How far a hump is taken to reach to either side at first, in the logarithm of the frequency (0.8 to 1.25 of it); by
trial."""
FEWEST_BINS = 6
FEWEST_IN_VALLEY = 3
"""Bins of the spectrum that it takes to see a hump within that reach, and a valley beside it; by trial."""
ABOVE_VALLEY = 1.5
SURE_ABOVE = 2.0
"""By how many times a hump must be higher than its valley, and by how many standard deviations of both; by trial."""
ABOVE_NOISE = 6.0
"""Standard deviations by which it must rise from the reading's noise; by trial."""
LEAST_SHARE = 0.04
"""Share of the weighted mean square that a hump must hold to be told; our own choice."""
MOST_HUMPS = 3
"""As many as there are kinds of parts that swing."""
HUMP_EDGE = 0.15
RISES_AGAIN = 1.3
"""Density, by that about the middle, at which a hump ends; and, by that of the step before, where another begins. By
trial."""
SMOOTH_BINS = 5
"""Bins of the moving mean whose highest value is a hump's height; by trial."""
SOFT_LINE = 15.0
"""A line with less than so many times the power of a bin in the crowd around it is a crest of a hump; by trial."""
CROWD_BINS = 6.0
"""Bins to either side of a line that make its crowd; by trial."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Reading:
    """What the drive layer takes of a measured clip; `series` may be missing, where only figures were kept."""

    nominal_rpm: float
    mean_rpm: float
    revolutions: float
    frame_rate_hz: float
    fluctuation: Fluctuation
    components: tuple[Component, ...]
    series: SpeedSeries | None = None
    flash_rate_hz: float | None = None

    @property
    def turn_rate_hz(self) -> float:
        """Turns a second."""
        return self.mean_rpm / 60


@dataclass(frozen=True)
class Feature:
    """A line or a hump.

    Attributes
    ----------
    sharp : bool
        True for a line, False for a hump.
    frequency_hz, sigma_hz : float
        Place and its standard deviation; of a hump its middle and the reach to either side that holds half of it.
    order, order_sigma : float
        The same as multiples of the platter's turn.
    peak_percent, peak_sigma_percent : float
        Amplitude of the line; of a hump the amplitude of a sinusoid of its mean square.
    share : float
        Share of the weighted mean square that it carries, 0 to 1.
    phase_rad : float
        Phase of a line's sine at time 0; 0 for a hump.
    below : bool
        Whether a line is not told from nothing: its peak is no larger than its 95 % half-width, and not because it
        may be two lines, whose power stands nevertheless.
    """

    sharp: bool
    frequency_hz: float
    sigma_hz: float
    order: float
    order_sigma: float
    peak_percent: float
    peak_sigma_percent: float
    share: float
    phase_rad: float = 0.0
    below: bool = False


@dataclass(frozen=True)
class Shown:
    """All features, the strongest share first, and the share that none of them carries."""

    features: tuple[Feature, ...] = field(default=())
    rest: float = 1.0


def shown(reading: Reading) -> Shown:
    """Lines and humps of a reading with their shares of the weighted mean square."""
    lines = [_line(reading, component) for component in reading.components]
    humps: list[Feature] = []
    if reading.series is not None:
        humps, absorbed = _humps(reading, reading.series, lines)
        lines = [line for place, line in enumerate(lines) if place not in absorbed]
    power = [_weighted_square(one) for one in (*lines, *humps)]
    whole = max(reading.fluctuation.weighted_rms_percent**2, sum(power), 1e-30)
    features = [replace(one, share=square / whole) for one, square in zip((*lines, *humps), power, strict=True)]
    features.sort(key=lambda one: -one.share)
    return Shown(tuple(features), max(0.0, 1.0 - sum(one.share for one in features)))


def _line(reading: Reading, component: Component) -> Feature:
    turn = reading.turn_rate_hz
    # Weaker lines nearby that are not told apart, and creep that wanders, pull a line by some of a bin.
    sigma = float(np.hypot(component.frequency_uncertainty_hz / COVERAGE, PULL_BINS * turn / reading.revolutions))
    return Feature(
        sharp=True,
        frequency_hz=component.frequency_hz,
        sigma_hz=sigma,
        order=component.frequency_hz / turn,
        order_sigma=sigma / turn,
        peak_percent=component.peak_percent,
        peak_sigma_percent=component.uncertainty_percent / COVERAGE,
        share=0.0,
        phase_rad=component.phase_rad,
        below=component.needed_s is None and not component.told,
    )


def _weighted_square(one: Feature) -> float:
    return 0.5 * (one.peak_percent * float(weighting_gain(one.frequency_hz))) ** 2


def _humps(reading: Reading, series: SpeedSeries, lines: list[Feature]) -> tuple[list[Feature], set[int]]:
    """Humps in what the sharp lines leave, and the places of lines that are only crests of a hump."""
    soft = _soft_lines(reading, series, lines)
    spectrum = _left_over(reading, series, [line for place, line in enumerate(lines) if place not in soft])
    whole = max(reading.fluctuation.weighted_rms_percent**2, 1e-30)
    found: list[Feature] = []
    absorbed: set[int] = set()
    free = spectrum.inside.copy()
    for _ in range(MOST_HUMPS):
        centre = _hump_centre(spectrum, free)
        if centre is None:
            break
        edge = _edges(spectrum, centre, free)
        free &= ~edge
        weighted = float(np.sum(spectrum.excess[edge] * spectrum.gain[edge]))
        if weighted < LEAST_SHARE * whole or not _stands_out(spectrum, centre):
            continue
        held = np.maximum(spectrum.excess[edge], 0.0)
        crest = held > 0.5 * np.max(_smoothed(spectrum.excess, SMOOTH_BINS)[edge])
        if not np.any(crest):
            continue
        log = np.log(spectrum.frequency[edge])
        middle = float(np.exp(np.average(log[crest], weights=held[crest])))
        half = max(middle * _weighted_median(np.abs(log - np.log(middle)), held), spectrum.width)
        turn = reading.turn_rate_hz
        # The amplitude that carries the hump's weighted mean square at its middle.
        peak = float(np.sqrt(2 * weighted) / weighting_gain(middle))
        found.append(Feature(False, middle, half, middle / turn, half / turn, peak, 0.2 * peak, 0.0))
        inside = {place for place in soft if edge[np.argmin(np.abs(spectrum.frequency - lines[place].frequency_hz))]}
        absorbed |= inside
    return found, absorbed


@dataclass(frozen=True, eq=False)
class _Spectrum:
    """Mean square of the speed in each bin, what noise gives there, and their difference inside the band."""

    frequency: Array
    power: Array
    noise: Array
    excess: Array
    gain: Array
    inside: NDArray[np.bool_]
    width: float


def _soft_lines(reading: Reading, series: SpeedSeries, lines: list[Feature]) -> set[int]:
    """Places of lines that stand in the crowd of their neighbours, as crests of a hump do."""
    spectrum = _left_over(reading, series, lines)
    soft = set()
    for place, line in enumerate(lines):
        distance = np.abs(spectrum.frequency - line.frequency_hz) / spectrum.width
        ring = (distance > 1.5) & (distance < CROWD_BINS) & spectrum.inside
        if np.any(ring) and 0.5 * line.peak_percent**2 < SOFT_LINE * np.mean(spectrum.excess[ring]):
            soft.add(place)
    return soft


def _stands_out(spectrum: _Spectrum, centre: float) -> bool:
    """Whether a hump rises from the noise, and from a valley on its lower side, as drift does not."""
    reach = np.log(spectrum.frequency / centre)
    around = np.abs(reach) < HUMP_REACH
    held = float(spectrum.excess[around].sum())
    sigma = float(np.sqrt(np.sum(spectrum.power[around] * spectrum.noise[around])))
    count = np.count_nonzero(around)
    if held < ABOVE_NOISE * sigma:
        return False
    for start in np.arange(2 * HUMP_REACH, 5 * HUMP_REACH, HUMP_REACH):
        ring = spectrum.inside & (reach < -start + HUMP_REACH) & (reach >= -start)
        bins = np.count_nonzero(ring)
        if bins < FEWEST_IN_VALLEY:
            break
        valley, density = float(spectrum.excess[ring].mean()), held / count
        # A mean of n bins of chance, tapered, scatters by about sqrt(1.6 / n) of itself.
        scatter = float(np.hypot(density * np.sqrt(1.6 / count), valley * np.sqrt(1.6 / bins)))
        if density > ABOVE_VALLEY * valley and density - valley > SURE_ABOVE * scatter:
            return True
    return False


def _left_over(reading: Reading, series: SpeedSeries, lines: list[Feature]) -> _Spectrum:
    """The spectrum of the speed without its trend and the given lines."""
    time, value = series.time_s, series.deviation_percent
    centred = time - time.mean()
    along = centred / centred[-1]
    columns = [np.ones_like(along), along, along**2]
    for line in lines:
        turn = 2 * np.pi * line.frequency_hz * centred
        columns += [np.cos(turn), np.sin(turn)]
    design = np.stack(columns, axis=1)
    rest = value - design @ np.linalg.lstsq(design, value, rcond=None)[0]
    taper = np.sin(np.pi * (np.arange(rest.size) + 0.5) / rest.size) ** 2
    step = float(time[-1] - time[0]) / (time.size - 1)
    power = 2 * np.abs(np.fft.rfft(taper * rest)[1:]) ** 2 / (rest.size * np.sum(taper**2))
    frequency = np.asarray(np.fft.rfftfreq(rest.size, step)[1:])
    low, high = reading.fluctuation.band_hz
    inside = (frequency >= low) & (frequency <= high)
    # White noise of the angle, as the reading's own floor has it.
    shape = np.where(inside, frequency**2, 0.0)
    noise = reading.fluctuation.unweighted_floor_percent**2 * shape / max(float(shape.sum()), 1e-30)
    excess = np.where(inside, power - noise, 0.0)
    gain = np.asarray(weighting_gain(frequency)) ** 2
    return _Spectrum(frequency, power, noise, excess, gain, inside, float(frequency[0]))


def _hump_centre(spectrum: _Spectrum, free: NDArray[np.bool_]) -> float | None:
    """Where a window of `HUMP_REACH` to either side, wide enough in bins, holds most weighted power."""
    total = np.concatenate([[0.0], np.cumsum(np.where(free, spectrum.excess * spectrum.gain, 0.0))])
    first = np.searchsorted(spectrum.frequency, spectrum.frequency * np.exp(-HUMP_REACH))
    last = np.searchsorted(spectrum.frequency, spectrum.frequency * np.exp(HUMP_REACH))
    held = np.where((last - first >= FEWEST_BINS) & free, total[last] - total[first], 0.0)
    best = int(np.argmax(held))
    return float(spectrum.frequency[best]) if held[best] > 0 else None


def _edges(spectrum: _Spectrum, centre: float, free: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The bins around the centre, on either side as far as the density falls and stays above a share of the middle."""
    reach = np.log(spectrum.frequency / centre)
    edge = (np.abs(reach) < HUMP_REACH) & free
    middle = float(spectrum.excess[edge].mean())
    for side in (-1, 1):
        before = middle
        for start in np.arange(HUMP_REACH, 4 * HUMP_REACH, 0.5 * HUMP_REACH):
            ring = free & (side * reach >= start) & (side * reach < start + 0.5 * HUMP_REACH)
            if not np.any(ring):
                break
            here = float(spectrum.excess[ring].mean())
            if here < HUMP_EDGE * middle or here > RISES_AGAIN * before:
                break
            edge |= ring
            before = here
    return np.asarray(edge)


def _weighted_median(value: Array, weight: Array) -> float:
    order = np.argsort(value)
    total = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(total, 0.5 * total[-1])])


def _smoothed(value: Array, bins: int) -> Array:
    return np.convolve(value, np.ones(bins) / bins, mode="same")
