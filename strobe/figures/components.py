"""Periodic parts of the platter's motion: sinusoids in the angle, fitted jointly with a quadratic trend and events.

Lines are found one by one on a tapered periodogram of what the lines before them leave, and after each find all
frequencies, amplitudes and the trend are refined together by least squares on the true, uneven times. A line counts
when it stands above the local floor by more than chance gives once in a thousand clips.

Times are in seconds, angles in revolutions.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.figures.events import EventSearch, Shape, standing_out
from strobe.figures.jointfit import JointFit, LineFit
from strobe.figures.spectrum import TOP_SHARE, Floor, periodogram, spectral_floor, to_grid

__all__ = ["FALSE_ALARMS_PER_CLIP", "MAX_LINES", "find_lines", "searched_hz"]

FALSE_ALARMS_PER_CLIP = 1e-3
"""How many lines chance alone gives in a clip without any."""

MAX_LINES = 12
"""Most lines fitted to one clip, which bounds the work of the joint fit; our own choice."""

_LOWEST_HZ = 0.1
"""Lowest component listed; the weighting's table begins there too."""
_LEAST_CYCLES = 2.0
"""Cycles in the clip that a component makes at least; what is slower can hardly be told from the trend. By trial."""
_LEAST_SOUGHT_CYCLES = 1.25
_LEAST_FITTED_CYCLES = 1.0
"""From so many cycles slower lines are looked for, and kept after the refit, to take slow motion out; by trial."""
_PADDING = 4
"""Bins of the padded spectrum to one over the duration; between two of them a peak loses 2 % of its power (closed
form)."""
_TILT_SIGMAS = 1.5
"""Standard deviations of the floor's slope that its level is raised by before a line is held against it; by trial."""
_EXCLUDED_BINS = 1.5
"""How near to what was taken out before, in bins of the clip, no line is looked for; by trial."""
_CLOSEST_START_BINS = 0.7
_CLOSEST_BINS = 1.0
"""Bins of the clip between two lines, where a new one is started (by trial) and after the refit: one over the duration
is what two lines must lie apart to be told apart."""
_LEAK_RATIO = 2.0
"""By how much slow motion, spread by the clip's sharp ends, may lift the floor at a line before the fit is tapered; by
trial."""
_LEAK_REACH_BINS = 20
"""Bins to either side of a line over which that is seen; as many as the floor itself rests on."""
_LEAST_GAP_BINS = 0.1
"""Least distance stated of two lines fitted as one, in bins: no more than ten times the clip is told as needed."""
_GHOST_REACH_BINS, _GHOST_SHARE = 5.0, 0.3
"""How far from one line fitted to two the lines lie that it leaves, and how strong they are beside it."""
_CROWD_BINS = 2.0
"""Nearer than this a weaker line of any strength may be such a one; by trial."""
_PAIR_STARTS_BINS = (-0.7, -0.35, 0.0, 0.35, 0.7)
"""Where, from one line fitted to two, the middle of the two is looked for: it may stand outside of both, where they
cancel between. Half a bin is as far as a refit goes by itself."""
_HALF_PAIR_BINS = 0.35
"""From that middle to each of the two at first; with `_CLOSEST_START_BINS` between them."""
_WORTH_SPLITTING = 0.25
"""Share of the power of a line that must be left within `_CROWD_BINS` of another for two in its place to be tried: what
they take away is spread over some bins. By trial."""
_MOST_EVENTS = 4
"""Sudden events in one clip at most; our own choice."""
_EVENT_SIGMAS = 6.0
"""Of up to 720 events tried (120 moments, 6 shapes) Gaussian noise alone makes one stand out so far about once in
700,000 clips; that wide by trial."""
_LEAST_APART_S = 0.5
"""Events nearer to each other than this are one; by trial."""
_WORTH_TRYING = 0.3
"""Share of what one more line explains that an event must explain to be fitted beside it; by trial."""
_SLOW_RECOVERY_S = 1.0
"""Recoveries longer than this are tried as jumps too; by trial."""
_SLOW_CYCLES = 4.0
"""Lines of fewer cycles in the clip may be made of an event; they are put back before it is held against other moments.
By trial."""

Array = NDArray[np.float64]


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
    lowest, highest = searched_hz(duration, interval_s)
    band = _Band(
        _LEAST_SOUGHT_CYCLES / duration, highest, angle_noise_rev**2, interval_s, excluded_hz, EventSearch(time_s)
    )
    fit = _settled(JointFit(time_s, angle_rev, weight, np.empty(0)), band)
    floor = band.floor(fit)
    return fit.result(floor, _leakage(fit, floor, interval_s), lowest_hz=lowest, gap_hz=_gaps(fit, band, floor))


def searched_hz(duration_s: float, interval_s: float) -> tuple[float, float]:
    """From where to where components are looked for."""
    return max(_LOWEST_HZ, _LEAST_CYCLES / duration_s), TOP_SHARE * 0.5 / interval_s


def _settled(bare: JointFit, band: _Band) -> JointFit:
    """All lines and events that the angle shows."""
    fit = _grown(bare, band, events=True)
    if np.any(_leakage(fit, band.floor(fit), band.interval_s) > _LEAK_RATIO):
        tapered = JointFit(fit.time, fit.angle, fit.relative, fit.frequency, shapes=fit.shapes, tapered=True)
        fit = _grown(tapered, band, events=False)
    fit = _pruned(fit, band)
    while fit.shapes:
        fit = _pruned(_grown(_lasting(fit.sharp()), band, events=False), band).sharp()
        clearness = _clearness(fit, band)
        if np.min(clearness) > _EVENT_SIGMAS:
            break
        weakest = int(np.argmin(clearness))
        fit = fit.with_events(fit.shapes[:weakest] + fit.shapes[weakest + 1 :])
        if not fit.shapes:
            fit = _pruned(_grown(fit, band, events=False), band)
    return fit


def _lasting(fit: JointFit) -> JointFit:
    """The fit with those slow recoveries taken for jumps that are better explained so, together with the rest."""
    for i, shape in enumerate(fit.shapes):
        if shape.recovery_s > _SLOW_RECOVERY_S and not shape.stays:
            jump = Shape(shape.at_s, np.inf)
            other = fit.with_events((*fit.shapes[:i], jump, *fit.shapes[i + 1 :])).sharp()
            if other.squares < fit.squares:
                fit = other
    return fit


def _clearness(fit: JointFit, band: _Band) -> Array:
    """By how many standard deviations each event stands out of the floor that all leave, and of other moments."""
    floor = band.floor(fit)
    design = fit.design[:, : fit.base + 2 * fit.frequency.size]
    found = []
    for i, size in enumerate(fit.event_hz):
        place = fit.base - len(fit.shapes) + i
        found.append(abs(size) * band.search.clearness(design[:, place], np.delete(design, place, axis=1), floor))
    slow = np.where(fit.frequency * 2 * fit.half < _SLOW_CYCLES, 1.0, 0.0)
    count = fit.frequency.size
    waves = design[:, fit.base :] @ np.concatenate([slow * fit.cosine, slow * fit.sine]) if count else 0.0
    grid, step = to_grid(fit.time, fit.residual + fit.sudden @ fit.event_hz + waves, band.interval_s)
    at = np.array([shape.at_s - fit.time[0] for shape in fit.shapes]) / step
    return np.minimum(found, standing_out(grid, at))


def _gaps(fit: JointFit, band: _Band, floor: Floor) -> Array:
    """For each line, how far apart two lie that explain it clearly better, though they can't be told apart here.

    Two in the place of a line and of those that it left beside it are no more lines than before, so that they need only
    explain as much, if they lie closer than can be told apart. Of several ways the widest counts.
    """
    width = 0.5 / fit.half
    gaps = np.full(fit.frequency.size, np.inf)
    least = _least_power(floor, fit.frequency)
    for i, left, both in _pairs(fit, least, band):
        gain = 0.5 * (fit.squares - both.squares)
        if gain > least[i] or (left.size and gain > 0 and both.closest_hz < _CLOSEST_BINS * width):
            gap = np.clip(both.closest_hz, _LEAST_GAP_BINS * width, _CLOSEST_BINS * width)
            gaps[[i, *left]] = np.minimum(gaps[[i, *left]], gap)
    return gaps


def _pairs(fit: JointFit, least: Array, band: _Band) -> Iterator[tuple[int, NDArray[np.intp], JointFit]]:
    """The fit with a pair in the place of each line, and of those beside it that one line for two leaves.

    These are weak ones in a wide reach, or weaker ones in a narrow reach; or there are none, and then something must be
    left that no line could be started on.
    """
    width = 0.5 / fit.half
    bins, power = periodogram(*to_grid(fit.time, fit.residual, band.interval_s), _PADDING)
    for i, line in enumerate(fit.frequency):
        away = np.abs(fit.frequency - line)
        by_it = fit.amplitude / fit.amplitude[i]
        ghosts = (away < _GHOST_REACH_BINS * width) & (by_it < _GHOST_SHARE)
        crowd = (away < _CROWD_BINS * width) & (by_it < 1)
        ways = {tuple(np.flatnonzero(one)) for one in (ghosts, crowd, ghosts | crowd) if np.any(one)}
        left_over = np.max(power, where=np.abs(bins - line) < _CROWD_BINS * width, initial=0.0)
        if left_over > _WORTH_SPLITTING * least[i] and fit.frequency.size < MAX_LINES:
            ways.add(())
        for way in sorted(ways):
            both = _paired(fit, line, np.delete(fit.frequency, np.array([i, *way], dtype=np.intp)))
            if both is not None:
                yield i, np.array(way, dtype=np.intp), both


def _paired(fit: JointFit, line_hz: float, others_hz: Array) -> JointFit | None:
    """The best fit with two lines near the place of one; None where that is too slow."""
    width = 0.5 / fit.half
    middles = line_hz + np.array(_PAIR_STARTS_BINS) * width
    starts = [middle + np.array([-_HALF_PAIR_BINS, _HALF_PAIR_BINS]) * width for middle in middles]
    fits = [fit.with_lines(np.append(others_hz, pair)) for pair in starts if pair[0] > 0.5 * width]
    return min(fits, key=lambda one: one.squares, default=None)


def _split(fit: JointFit) -> Iterator[JointFit]:
    """The fit with a pair in the place of each line in turn, where there is room for it."""
    width = 0.5 / fit.half
    for i, line in enumerate(fit.frequency):
        others = np.delete(fit.frequency, i)
        if fit.frequency.size < MAX_LINES and np.all(np.abs(others - line) > _CROWD_BINS * width):
            both = _paired(fit, line, others)
            if both is not None:
                yield both


@dataclass(frozen=True)
class _Band:
    """Where lines are looked for, and in what noise."""

    lowest_hz: float
    highest_hz: float
    noise_rev2: float
    interval_s: float
    excluded_hz: tuple[float, ...]
    search: EventSearch

    def floor(self, fit: JointFit) -> Floor:
        grid, step = to_grid(fit.time, fit.residual, self.interval_s)
        skip = (*fit.frequency, *self.excluded_hz)
        return spectral_floor(grid, step, noise_rev2=self.noise_rev2, skip_hz=skip)


def _grown(fit: JointFit, band: _Band, *, events: bool) -> JointFit:
    """The fit with more lines, or events, as long as one stands out, the strongest first."""
    width = 0.5 / fit.half
    rejected: list[float] = []
    fit = _apart(fit, width)
    while fit.frequency.size < MAX_LINES:
        floor = band.floor(fit)
        bins, power = periodogram(*to_grid(fit.time, fit.residual, band.interval_s), _PADDING)
        clear = (bins >= band.lowest_hz) & (bins <= band.highest_hz)
        for line in (*fit.frequency, *rejected):
            clear &= np.abs(bins - line) > _CLOSEST_START_BINS * width
        for hole in band.excluded_hz:
            clear &= np.abs(bins - hole) > _EXCLUDED_BINS * width
        clear[clear] = power[clear] > _least_power(floor, bins[clear])
        best = int(np.argmax(np.where(clear, power, 0.0)))
        longer = fit.with_lines(np.append(fit.frequency, bins[best])) if clear[best] else None
        if events and len(fit.shapes) < _MOST_EVENTS:
            sudden = _more_sudden(fit, band, floor, longer)
            if sudden is not None:
                fit = _apart(sudden, width)
                rejected.clear()
                continue
        if longer is None:
            break
        if longer.closest_hz < _CLOSEST_BINS * width:
            rejected.append(float(bins[best]))
        else:
            fit = longer
            rejected.clear()
    return fit


def _more_sudden(fit: JointFit, band: _Band, floor: Floor, longer: JointFit | None) -> JointFit | None:
    """The fit with one more event, if one stands clear that one more line does not explain as well.

    Where the line explains more, the event must stand clear beside it too; and beside a pair in the place of any line.
    A pair that can be told apart is taken instead.
    """
    shape, gain = band.search.best(fit.residual, fit.design[:, : fit.base + 2 * fit.frequency.size])
    of_line = 0.0 if longer is None else fit.squares - longer.squares
    if gain <= max(_WORTH_TRYING * of_line, _EVENT_SIGMAS**2 * floor.white_rev2):
        return None
    if any(abs(shape.at_s - other.at_s) < _LEAST_APART_S for other in fit.shapes):
        return None
    with_it = fit.with_events((*fit.shapes, shape)).sharp()
    if np.min(_clearness(with_it, band)) <= _EVENT_SIGMAS:
        return None
    rival = min([*_split(fit), *([] if longer is None else [longer])], key=lambda one: one.squares, default=fit)
    if rival.squares > with_it.squares:
        return with_it
    if rival is not longer and rival.closest_hz >= _CLOSEST_BINS * 0.5 / fit.half:
        return rival
    beside = rival.with_events(with_it.shapes).sharp()
    return with_it if np.min(_clearness(beside, band)) > _EVENT_SIGMAS else None


def _pruned(fit: JointFit, band: _Band) -> JointFit:
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


def _apart(fit: JointFit, width_hz: float) -> JointFit:
    """The fit without the weaker of any two lines that a refit has moved too close to be told apart."""
    while fit.closest_hz < _CLOSEST_BINS * width_hz:
        order = np.argsort(fit.frequency)
        near = int(np.argmin(np.diff(fit.frequency[order])))
        pair = order[near : near + 2]
        fit = fit.with_lines(np.delete(fit.frequency, pair[np.argmin(fit.amplitude[pair])]))
    return fit


def _leakage(fit: JointFit, floor: Floor, interval_s: float) -> Array:
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
    with np.errstate(over="ignore"):  # A floor that one bin tells has no slope: no power is enough there.
        slack = np.exp(_TILT_SIGMAS * tilt)
    return level * slack * freedom * np.expm1(np.log(_looks(floor)) / freedom)
