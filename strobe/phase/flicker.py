"""A flicker of unknown rate in the brightness: a lamp dimmed at some hundreds or thousands of flashes a second.

Its rate can't be told from its alias, and need not be: what it does to the dots folds to the same place.
"""

from __future__ import annotations

from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from strobe.phase.waves import hann
from strobe.phase.zoom import zoomed

__all__ = ["best_sweep", "find_flicker", "folded_hz", "shows_line"]

_SLOWEST_HZ = 4.2
"""Below this, three times a turn at 78 rpm, the turning platter itself may change the light on the scenery."""
_CREEP_HZ, _LEAST_CREEP = 2.0, 1.5
"""Up to where a slower line may be bands of the mains' lamp that creep, unless what else is found are multiples of it;
and the cycles in a clip of the slowest."""
_SAME_CYCLES = 1.0
"""In the clip, within which a line is a multiple of another: as far as both are told."""
_MOSTLY, _LEAST_SWEEP, _FARTHEST_BY_BIN = 0.7, 0.7, 0.45
"""Share of a slower line that must run along the picture, and cycles over it, to be a lamp's all the same; and how many
cycles are looked for, for each bin."""
_LEAST_BINS, _FEWEST_SWEPT, _NEARLY_ALL = 16, 1.5, 0.85
"""Bins from which a sweep tells more than they do singly; its cycles over the picture, clear of what all bins share;
and how much of the line must run so (a coder's rhythm of ten pictures reached 0.78 with 0.9 cycles)."""
_LEAST_MODULATION = 5e-4
"""Amplitude by the mean brightness from which a line counts: at the most an eighth of a grey level (by trial)."""
_CLEAR = 40.0
"""Power over the usual one: white noise never reaches that (2 to the power of -40); scenery is less white (by
trial)."""
_LEAST_CYCLES = 10
"""Cycles in the clip that the slowest line must make for any to be looked for (by trial)."""
_LIT = 0.2
"""Brightness of a bin, by the brightest, from which it is looked at (by trial)."""
_MULTIPLES, _APART_CYCLES, _TOLD_APART_CYCLES = 12, 4.0, 1.5
"""How many multiples of a flicker are thought of, and the cycles in a clip by which two lines lie apart: under the
window, and where they are fitted together."""
_AS_STRONG, _MANY = 0.2, 2
"""Power of another line, by that of the one found; and how many of them speak against a lamp."""
_FEWEST = 3
"""At how many frequencies a line is looked for at the least."""


@overload
def folded_hz(rate_hz: float, interval_s: float) -> float: ...
@overload
def folded_hz(rate_hz: NDArray[np.float64], interval_s: float) -> NDArray[np.float64]: ...
def folded_hz(rate_hz: Any, interval_s: float) -> Any:
    """Frequency at which frames `interval_s` apart show a rate: its distance from the nearest multiple of theirs."""
    cycles = rate_hz * interval_s
    return np.abs(cycles - np.rint(cycles)) / interval_s


def find_flicker(brightness: NDArray[np.float64], time_s: NDArray[np.float64], *, interval_s: float) -> float | None:
    """Frequency in hertz, as the frames show it, of the strongest line in the brightness.

    Parameters
    ----------
    brightness : array (frames, bins)
        Mean brightness of still background across the picture.
    time_s : array of float64 (frames,)
        Frame times.
    interval_s : float
        Spacing of the cadence that they lie on.

    Returns
    -------
    float or None
        None where no line stands clear of the rest.
    """
    duration = float(np.ptp(time_s))
    if brightness.size == 0 or duration * _SLOWEST_HZ < _LEAST_CYCLES:
        return None
    grid = _grid(duration, interval_s)
    if grid.size < _FEWEST:
        return None
    flicker = _windowed(brightness, time_s)
    found = _clear_line(flicker, time_s, grid, interval_s)
    if found is None:
        found = _swept_line(flicker, time_s, grid, interval_s)
    if duration * _CREEP_HZ < _LEAST_CYCLES:
        return found
    # Down to the creep of bands that nearly keep step with the frames, whose harmonics would pass for a line.
    grid = np.arange(_LEAST_CREEP, _SLOWEST_HZ * duration, 0.4) / duration
    slow = _clear_line(flicker, time_s, grid, interval_s)
    if slow is None:
        return found
    whole = found is not None and abs(found - slow * round(found / slow)) * duration < _SAME_CYCLES
    if slow < _CREEP_HZ and not whole:
        return found
    across = np.exp(-2j * np.pi * slow * time_s) @ flicker
    other = 0.0 if found is None else np.linalg.norm(np.exp(-2j * np.pi * found * time_s) @ flicker)
    return slow if _sweeps(across) and np.linalg.norm(across) > other else found


def _clear_line(
    flicker: NDArray[np.float64], time_s: NDArray[np.float64], grid: NDArray[np.float64], interval_s: float
) -> float | None:
    """The strongest line on a grid of frequencies, where it stands clear of the others."""
    seen = _power(flicker, time_s, grid, interval_s)
    top = int(np.argmax(seen))
    hz, there = float(grid[top]), float(seen[top])
    if not _stands_clear(there, seen) or _is_one_of_many(hz, there, flicker, time_s, interval_s):
        return None
    fine = hz + np.linspace(-0.5, 0.5, 101) / float(np.ptp(time_s))
    return float(fine[int(np.argmax(_power(flicker, time_s, fine, interval_s)))])


def _swept_line(
    flicker: NDArray[np.float64], time_s: NDArray[np.float64], grid: NDArray[np.float64], interval_s: float
) -> float | None:
    """A line too faint to stand clear bin by bin, but that runs along the picture as a rolling shutter shows a lamp's.

    All bins together show it far above noise, which runs neither way; dirt and shade of a platter do not run at all.
    """
    bins = flicker.shape[1]
    if bins < _LEAST_BINS:
        return None
    along = np.fft.fft(zoomed(flicker, time_s, grid, interval_s=interval_s), 2 * bins, axis=1)
    power = np.abs(along) ** 2
    cycles = bins * np.abs(np.fft.fftfreq(2 * bins))
    power[:, (cycles < _FEWEST_SWEPT) | (cycles > _FARTHEST_BY_BIN * bins)] = 0.0
    top = int(np.argmax(power.max(axis=1)))
    across = np.exp(-2j * np.pi * grid[top] * time_s) @ flicker
    swept, share = best_sweep((np.arange(bins) + 0.5) / bins, across, _FARTHEST_BY_BIN * bins)
    clear = power[top].max() > _CLEAR * float(np.median(power[power > 0]))
    if not clear or share < _NEARLY_ALL or abs(swept) < _FEWEST_SWEPT:
        return None
    fine = grid[top] + np.linspace(-0.5, 0.5, 101) / float(np.ptp(time_s))
    return float(fine[int(np.argmax(_power(flicker, time_s, fine, interval_s)))])


def _is_one_of_many(
    found_hz: float, there: float, flicker: NDArray[np.float64], time_s: NDArray[np.float64], interval_s: float
) -> bool:
    """Whether other lines are about as strong as the power `there`, such as a platter's dirt makes at times its turn.

    A lamp's harmonics fold to multiples of what is found.
    """
    duration = float(np.ptp(time_s))
    grid = np.arange(_CREEP_HZ, 0.5 / interval_s, 0.4 / duration)
    power = _power(flicker, time_s, grid, interval_s)
    own_hz = folded_hz(found_hz * np.arange(1.0, _MULTIPLES, dtype=np.float64), interval_s)
    power[np.abs(grid[:, None] - own_hz).min(axis=1) < _APART_CYCLES / duration] = 0.0
    peak = (power[1:-1] >= power[:-2]) & (power[1:-1] > power[2:]) & (power[1:-1] > _AS_STRONG * there)
    return int(np.sum(peak)) >= _MANY


def _sweeps(across: NDArray[np.complex128]) -> bool:
    """Whether a line (bins,) runs along the picture as a rolling shutter shows a fast lamp's, and no platter does."""
    place = (np.arange(across.size) + 0.5) / across.size
    cycles, share = best_sweep(place, across, _FARTHEST_BY_BIN * across.size)
    return share > _MOSTLY and abs(cycles) > _LEAST_SWEEP


def best_sweep(
    place: NDArray[np.float64], flicker: NDArray[np.complex128], farthest_cycles: float
) -> tuple[float, float]:
    """Cycles from the top of the picture to its bottom that go best with a flicker (bins,); its share that goes so.

    `place` (bins,) runs from 0 to 1 down the picture. Beyond half a cycle from bin to bin it would be another sweep's
    alias: of what is the same in all bins, one that runs the other way by half a cycle from the first to the last.
    """
    if place.size > 1:
        farthest_cycles = min(farthest_cycles, 0.5 / float(np.median(np.diff(place))))
    cycles = np.arange(-farthest_cycles, farthest_cycles, 0.05)
    strength = np.abs(np.exp(-2j * np.pi * np.outer(cycles, place)) @ flicker)
    best = int(np.argmax(strength))
    return float(cycles[best]), float(strength[best] / (np.abs(flicker).sum() + 1e-30))


def shows_line(
    brightness: NDArray[np.float64], time_s: NDArray[np.float64], *, interval_s: float, rate_hz: float
) -> bool:
    """Whether the brightness (frames, bins) holds a clear line at a rate, or where that folds to.

    False where it folds to less than what the turning platter itself may cause, or beside a multiple of its double.
    """
    duration = float(np.ptp(time_s))
    rates_hz = rate_hz * np.concatenate([[1.0], 2.0 * np.arange(1, _MULTIPLES)])
    seen_hz = folded_hz(rates_hz, interval_s)
    apart = np.abs(seen_hz - seen_hz[0]) * duration
    grid = _grid(duration, interval_s)
    if brightness.size == 0 or grid.size < _FEWEST or seen_hz[0] < _SLOWEST_HZ or apart[1:].min() < _TOLD_APART_CYCLES:
        return False
    flicker = _windowed(brightness, time_s)
    # What lies beside it under the window is fitted along.
    cycles = np.outer(rates_hz[apart < _APART_CYCLES], time_s)
    waves = np.stack([np.cos(2 * np.pi * cycles), np.sin(2 * np.pi * cycles)], axis=1).reshape(-1, time_s.size)
    amplitude = np.linalg.solve((waves * hann(time_s.size)) @ waves.T, waves @ flicker)
    there = float(np.mean(np.sum(amplitude[:2] ** 2, axis=0))) / 4
    return _stands_clear(there, _power(flicker, time_s, grid, interval_s))


def _grid(duration_s: float, interval_s: float) -> NDArray[np.float64]:
    return np.arange(_SLOWEST_HZ, 0.5 / interval_s, 0.4 / duration_s)


def _stands_clear(power: float, around: NDArray[np.float64]) -> bool:
    return power > _CLEAR * float(np.median(around)) and 2 * np.sqrt(power) > _LEAST_MODULATION


def _power(
    flicker: NDArray[np.float64], time_s: NDArray[np.float64], frequency_hz: NDArray[np.float64], interval_s: float
) -> NDArray[np.float64]:
    """Squared amplitude (frequencies,) at evenly spaced frequencies, the mean over the bins."""
    return np.mean(np.abs(zoomed(flicker, time_s, frequency_hz, interval_s=interval_s)) ** 2, axis=1)


def _windowed(brightness: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Relative brightness (frames, lit bins) under a window, so that a sum over waves gives amplitudes."""
    level = brightness.mean(axis=0)
    lit = level > _LIT * level.max()
    bins = brightness[:, lit] / level[lit] - 1
    ramp = np.linspace(-1, 1, time_s.size)
    bins = bins - np.outer(ramp, (ramp @ bins) / (ramp @ ramp))
    return np.asarray(bins * hann(time_s.size)[:, None])
