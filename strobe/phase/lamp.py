"""The lamp's flash rate against the camera's clock, from the brightness of what stands still.

Every picture row of still background brightens and darkens with the lamp. The rate is looked for at its true,
unfolded place near each candidate, with the frames' own times; rows are added up by power, so that the time at which
a rolling shutter reaches them does not matter. Near a whole multiple of the frame rate the flicker stands still and
the rate cannot be told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.phase.flicker import folded_hz
from strobe.phase.zoom import zoomed

__all__ = ["FlashRate", "measure_flash_rate"]

_SPAN = 0.01
_LEAST_CYCLES = 1.6
_LEAST_ARC = 0.12
_MODEL_ERROR_CYCLES, _FLASH_ERROR_CYCLES = 0.002, 0.008
_CREEP_ERROR_CYCLES, _SLOW_CREEP_CYCLES = 0.012, 3.0
"""What harmonics that fold onto each other leave in the lamp's phase from end to end (seen on rendered clips)."""
_LEAST_RATIO = 30.0
_LEAST_SHARE_OF_ROWS = 0.5
_MOST_HARMONICS = 4
_SHARED_HARMONICS = 6
_CLEAR_WANDER = 4.0
_MOST_UNEXPLAINED, _CLEARLY_EXPLAINED = 0.4, 0.1
_SOFT = (0.4, 0.12)
"""Second and third harmonic of soft light at the most; a half-sine through a camera's curve has 0.35 and 0.09."""


@dataclass(frozen=True, eq=False)
class FlashRate:
    """The lamp's flicker as it was seen.

    Attributes
    ----------
    rate_hz, uncertainty_hz : float
        Mean flash rate on the camera's clock and its 1-sigma uncertainty.
    candidate_hz : float
        The nominal rate it was found beside.
    modulation : float
        Median over the picture rows of flicker amplitude / mean brightness.
    second, third : float
        Second and third harmonic as shares of the first; both small for soft light, one of them large for flashes.
    wander_cycles : array of float64 (frames,)
        Lamp phase minus ``rate_hz * time_s``, slow, zero in the mean: how the mains wandered.
    jitter_cycles : array of float64 (frames,)
        What the brightness of each frame says of its time beyond the stamp: lamp phase ahead of the smooth course.
    row_phase : array of complex128 (picture rows,)
        Amplitude of the flicker in each picture row at time zero (its angle is the lamp's phase there).
    uneven : bool
        Whether every other flash differs: a lamp that flashes once in a mains cycle, or burns unequally.
    once : bool
        Whether every other flash is missing.
    """

    rate_hz: float
    uncertainty_hz: float
    candidate_hz: float
    modulation: float
    second: float
    third: float
    wander_cycles: NDArray[np.float64]
    jitter_cycles: NDArray[np.float64]
    row_phase: NDArray[np.complex128]
    uneven: bool = False
    once: bool = False

    @property
    def soft(self) -> bool:
        """Whether the light comes and goes smoothly: next to no harmonics."""
        return self.second < _SOFT[0] and self.third < _SOFT[1]

    def phase_cycles(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lamp phase in cycles at the frame times that the rate was measured on."""
        return self.rate_hz * time_s + self.wander_cycles

    @property
    def sweep_cycles(self) -> float:
        """Cycles of the flicker down the picture, as the bands of a rolling shutter show them."""
        return _sweep_cycles(*self._seen())

    def flicker_at(self, height: float) -> complex:
        """Flicker at a place in the order of exposure (0 first, 1 last), by the even sweep of a rolling shutter."""
        place, flicker = self._seen()
        sweep = _sweep_cycles(place, flicker)
        return complex(np.mean(np.exp(-2j * np.pi * sweep * place) * flicker) * np.exp(2j * np.pi * sweep * height))

    def _seen(self) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
        """Places of the picture rows in which the flicker is known, 0 to 1 down the picture, and the flicker there."""
        seen = np.flatnonzero(self.row_phase)
        return (seen + 0.5) / self.row_phase.size, self.row_phase[seen]


def _sweep_cycles(place: NDArray[np.float64], flicker: NDArray[np.complex128]) -> float:
    """Cycles from the top of the picture to its bottom by which the flicker at its places lags best."""
    cycles = np.arange(-8.0, 8.0, 0.05)
    return float(cycles[int(np.argmax(np.abs(np.exp(-2j * np.pi * np.outer(cycles, place)) @ flicker)))])


def measure_flash_rate(
    brightness: NDArray[np.float64],
    time_s: NDArray[np.float64],
    candidates_hz: Sequence[float],
    *,
    downward: bool = True,
    every_other: bool = False,
) -> FlashRate | None:
    """Measure the flash rate near one of `candidates_hz`.

    Parameters
    ----------
    brightness : array (frames, picture rows)
        Mean brightness of still background in each picture row.
    time_s : array (frames,)
        Frame times.
    candidates_hz : sequence of float
        Nominal flash rates; each is searched within 1 %.
    downward : bool
        Whether the picture rows are known to be in the order in which a rolling shutter exposes them.
    every_other : bool
        Whether to look for a lamp that leaves out every other flash, and so repeats at half the rate; the rate and
        what goes with it are then given as those of the flashes together with the ones left out.

    Returns
    -------
    FlashRate or None
        ``None`` when no flicker stands clear of the other changes of brightness, or when it stands still.
    """
    if every_other:
        candidates_hz = [rate / 2 for rate in candidates_hz]
    duration = float(time_s[-1] - time_s[0])
    interval = float(np.median(np.diff(time_s)))
    usable = brightness.mean(axis=0) > 6
    if usable.sum() < 4 or duration < 1.0:
        return None
    relative = _relative(brightness[:, usable], time_s)
    step = 1 / (6 * duration)
    window = np.hanning(time_s.size + 2)[1:-1]
    window /= window.sum()
    best: tuple[float, float, float] | None = None
    floor = _floor(relative, time_s, window, interval)
    for candidate in candidates_hz:
        grid = np.arange(candidate * (1 - _SPAN), candidate * (1 + _SPAN), step)
        waves = zoomed(window[:, None] * relative, time_s, grid, interval_s=interval)
        power = np.mean(np.abs(waves) ** 2, axis=1)
        creeps = folded_hz(grid, interval) * duration > _LEAST_CYCLES
        grid, power = grid[creeps], power[creeps]
        if grid.size < 3:
            continue
        top = int(np.argmax(power))
        above = np.mean(_power(grid[top : top + 1], time_s, window, relative) > 6 * floor)
        at_edge = top in (0, grid.size - 1)
        ratio = float(power[top] / np.median(floor))
        if ratio < _LEAST_RATIO or above < _LEAST_SHARE_OF_ROWS or at_edge:
            continue
        if best is None or power[top] > best[0]:
            best = (float(power[top]), float(grid[top]), candidate)
    found = None if best is None else _refine(relative, time_s, best[1], best[2], usable, downward)
    if found is None and downward:
        found = _creeping_bands(relative, time_s, candidates_hz, usable, float(np.median(floor)))
    return None if found is None else _as_flash_rate(*found, usable, duration, 2 if every_other else 1)


def _relative(brightness: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Brightness over its mean, minus one, less the slow course that all rows share (the camera's own exposure).

    Only what is common to the rows is taken off, because flicker near a multiple of the frame rate is slow too,
    but differs from row to row under a rolling shutter.
    """
    relative = brightness / brightness.mean(axis=0) - 1
    u = np.linspace(-1, 1, time_s.size)
    fit = np.polynomial.polynomial.polyfit(u, np.median(relative, axis=1), 3)
    return relative - np.polynomial.polynomial.polyval(u, fit)[:, None]


def _floor(
    relative: NDArray[np.float64],
    time_s: NDArray[np.float64],
    window: NDArray[np.float64],
    interval: float,
) -> NDArray[np.float64]:
    """Typical power of each row away from any line."""
    probe = np.linspace(0.3, 0.5 / interval - 0.3, 61)
    return np.median(_power(probe, time_s, window, relative), axis=0) + 1e-14


def _power(
    frequency_hz: NDArray[np.float64],
    time_s: NDArray[np.float64],
    window: NDArray[np.float64],
    relative: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Power (frequencies, rows) of each row's brightness."""
    spectrum = np.exp(-2j * np.pi * np.outer(frequency_hz, time_s)) * window @ relative
    return spectrum.real**2 + spectrum.imag**2


def _refine(
    relative: NDArray[np.float64],
    time_s: NDArray[np.float64],
    coarse_hz: float,
    candidate: float,
    usable: NDArray[np.bool_],
    downward: bool,
) -> tuple[_Wave, float, float] | None:
    """The wave, the candidate that it is beside, and the cycles by which it creeps over the clip."""
    duration = float(time_s[-1] - time_s[0])
    interval = float(np.median(np.diff(time_s)))
    places = [coarse_hz]
    mirror = 2 * np.rint(coarse_hz * interval) / interval - coarse_hz
    if abs(mirror / candidate - 1) < 1.2 * _SPAN:
        places.append(float(mirror))
    fits = []
    for place in places:
        grid = place + np.arange(-2.0, 2.01, 0.1) / duration
        unexplained = [_unexplained(relative, time_s, rate) for rate in grid]
        if np.isfinite(min(unexplained)):
            fits.append((min(unexplained), float(grid[int(np.argmin(unexplained))])))
    if not fits:
        return None
    if len(fits) == 2:
        chosen = _which_way(relative, time_s, usable, fits, downward)
        if chosen is None:
            return None
    else:
        chosen = fits[0][1]

    wave = _shared_wave(relative, time_s, chosen, usable)
    if np.abs(wave.harmonics[1]) > _SOFT[0] * np.abs(wave.harmonics[0]):
        starts = chosen + np.array([-0.6, -0.3, 0.3, 0.6]) / duration
        tries = [wave, *(_shared_wave(relative, time_s, float(start), usable) for start in starts)]
        wave = min(tries, key=lambda one: one.unexplained)
    elif wave.unexplained > _MOST_UNEXPLAINED:
        # Harmonics that fold onto each other can look stronger than the first near the true rate.
        near = coarse_hz if abs(chosen - coarse_hz) <= abs(chosen - mirror) else float(mirror)
        starts = near + np.array([-0.4, 0.0, 0.4]) / duration
        again = [_shared_wave(relative, time_s, float(start), usable) for start in starts]
        wave = min(
            (one for one in again if one.unexplained < _CLEARLY_EXPLAINED),
            default=wave,
            key=lambda one: one.unexplained,
        )
    fold = folded_hz(wave.rate_hz, interval)
    if fold * duration < _SLOW_CREEP_CYCLES:
        wave = _creeping_wave(relative, time_s, wave.rate_hz, usable)
    if fold * duration < 0.8 * _LEAST_CYCLES:
        return None
    return wave, candidate, fold * duration


def _as_flash_rate(
    wave: _Wave, candidate: float, creep_cycles: float, usable: NDArray[np.bool_], duration: float, order: int
) -> FlashRate | None:
    """The wave's harmonic of an `order` as the flicker of the lamp."""
    if abs(wave.rate_hz / candidate - 1) > 1.2 * _SPAN or wave.unexplained > _MOST_UNEXPLAINED:
        return None
    soft = np.abs(wave.harmonics[1]) < _SOFT[0] * np.abs(wave.harmonics[0])
    model_error = _MODEL_ERROR_CYCLES if soft else _FLASH_ERROR_CYCLES
    if creep_cycles < _SLOW_CREEP_CYCLES:
        model_error = _CREEP_ERROR_CYCLES
    first, second, third = wave.harmonics[order - 1 : 3 * order : order]
    row_phase = np.zeros(usable.size, complex)
    row_phase[usable] = first * (wave.rows / wave.harmonics[0]) ** order
    return FlashRate(
        rate_hz=order * wave.rate_hz,
        uncertainty_hz=order * float(np.hypot(wave.error_hz, model_error / duration)),
        candidate_hz=order * candidate,
        modulation=float(np.abs(first)),
        second=float(np.abs(second / first)),
        third=float(np.abs(third / first)),
        wander_cycles=order * wave.wander,
        jitter_cycles=order * wave.jitter,
        row_phase=row_phase,
        uneven=order > 1,
        once=order > 1,
    )


@dataclass(frozen=True, eq=False)
class _Wave:
    """One wave of light that all picture rows share, each at its own time."""

    rate_hz: float
    error_hz: float
    unexplained: float
    harmonics: NDArray[np.complex128]
    rows: NDArray[np.complex128]
    wander: NDArray[np.float64]
    jitter: NDArray[np.float64]


def _creeping_wave(
    relative: NDArray[np.float64], time_s: NDArray[np.float64], rate: float, usable: NDArray[np.bool_]
) -> _Wave:
    """The shared wave of a slow creep; how far a changing exposure could move its rate is in its error."""
    wave = _shared_wave(relative, time_s, rate, usable)
    other = _shared_wave(relative, time_s, rate, usable, exposure=True)
    return replace(wave, error_hz=float(np.hypot(wave.error_hz, other.rate_hz - wave.rate_hz)))


def _shared_wave(
    relative: NDArray[np.float64],
    time_s: NDArray[np.float64],
    rate: float,
    usable: NDArray[np.bool_],
    *,
    exposure: bool = False,
) -> _Wave:
    """Fit one waveform to all rows at once, by Gauss and Newton on rate, sweep and slow wander of the lamp.

    With 100 flashes at 30 frames a second the lamp meets the frames at three phases only, and harmonics fold onto
    each other; the rows of a rolling shutter fill the gaps, because each sees the same wave at its own time.
    """
    duration = float(time_s[-1] - time_s[0])
    place = (np.flatnonzero(usable) + 0.5) / usable.size
    sweeps = _sweep_cycles(place, _fit(relative, time_s, rate)[2][0])
    u = 2 * (time_s - time_s[0]) / duration - 1
    slow = np.stack([u, u**2 - 1 / 3, u**3 - 0.6 * u], axis=1)
    orders = np.arange(1, _SHARED_HARMONICS + 1)
    basis = np.empty((2 * _SHARED_HARMONICS + 3 * exposure, *relative.shape))
    waves = basis[: 2 * _SHARED_HARMONICS].reshape(2, _SHARED_HARMONICS, *relative.shape)
    basis[2 * _SHARED_HARMONICS :] = slow.T[: 3 * exposure, :, None]
    drift = np.zeros(3)
    terms = 1
    error = 0.0
    for step in range(9):
        by_frame = np.exp(2j * np.pi * np.outer(orders, rate * time_s + slow @ drift))
        by_frame -= by_frame.mean(axis=1, keepdims=True)
        by_row = np.exp(2j * np.pi * np.outer(orders, sweeps * place))
        # Of each product over frames and rows the real part, then the imaginary one negated.
        parted = np.stack([by_frame.conj(), -1j * by_frame.conj()])[..., None].view(float)
        np.matmul(parted, by_row[..., None].view(float).transpose(0, 2, 1), out=waves)
        lines = basis.reshape(len(basis), -1)
        gram = lines @ lines.T
        solution = np.linalg.solve(gram + 1e-6 * relative.size * np.eye(len(gram)), lines @ relative.reshape(-1))
        real, imaginary = solution[: 2 * _SHARED_HARMONICS].reshape(2, -1)
        by_cycle = 2 * np.pi * np.concatenate([-orders * imaginary, orders * real])
        steep = (by_cycle @ lines[: 2 * _SHARED_HARMONICS]).reshape(relative.shape)
        left = relative - (solution @ lines).reshape(relative.shape)
        moves = [steep * slow[:, k, None] for k in range(terms)] + [steep * (place - place.mean())[None, :]]
        along = np.stack([move.reshape(-1) for move in moves])
        both = lines @ along.T
        joint = np.block([[gram, both], [both.T, along @ along.T]])
        certain = np.linalg.inv(joint + 1e-9 * relative.size * np.eye(len(joint)))[len(gram) :]
        change = certain @ np.concatenate([lines @ left.reshape(-1), along @ left.reshape(-1)])
        spread = np.sqrt(np.diag(certain[:, len(gram) :]) * np.mean(left**2) * place.size)
        drift[:terms] += np.clip(change[:terms], -0.1, 0.1)
        sweeps += float(np.clip(change[-1], -0.1, 0.1))
        error = float(spread[0]) * 2 / duration
        if step == 4:
            terms = 3
        if step == 6 and np.all(np.abs(drift[1:]) < _CLEAR_WANDER * spread[1:3]):
            drift[1:], terms = 0.0, 1
    harmonics = real + 1j * imaginary
    jitter = np.sum(steep * left, axis=1) / (np.sum(steep**2, axis=1) + 1e-12)
    return _Wave(
        rate_hz=rate + float(drift[0]) * 2 / duration,
        error_hz=error,
        unexplained=float(np.mean(left**2) / np.mean(relative**2)),
        harmonics=harmonics,
        rows=harmonics[0] * np.exp(2j * np.pi * (sweeps * place - float(drift[0]) * (1 + 2 * time_s[0] / duration))),
        wander=slow[:, 1:] @ drift[1:],
        jitter=jitter,
    )


def _fit(
    relative: NDArray[np.float64],
    time_s: NDArray[np.float64],
    rate: float,
) -> tuple[float, list[int], NDArray[np.complex128]]:
    """Unexplained power, and the harmonics' amplitudes (harmonics, rows), of the best fit at one flash rate."""
    duration = float(time_s[-1] - time_s[0])
    interval = float(np.median(np.diff(time_s)))
    harmonics = [1]
    for h in range(2, _MOST_HARMONICS + 1):
        if folded_hz(h * rate, interval) * duration > _LEAST_CYCLES:
            harmonics.append(h)
    angle = 2 * np.pi * rate * time_s
    waves = [np.stack([np.cos(h * angle), np.sin(h * angle)], axis=1) for h in harmonics]
    basis = np.concatenate([*waves, np.ones((time_s.size, 1))], axis=1)
    gram = basis.T @ basis
    gram += 1e-3 * time_s.size * np.eye(gram.shape[0])
    solution = np.linalg.solve(gram, basis.T @ relative)
    unexplained = float(np.mean((relative - basis @ solution) ** 2))
    return unexplained, harmonics, solution[:-1:2] - 1j * solution[1::2]


def _creeping_bands(
    relative: NDArray[np.float64],
    time_s: NDArray[np.float64],
    candidates_hz: Sequence[float],
    usable: NDArray[np.bool_],
    floor: float,
) -> tuple[_Wave, float, float] | None:
    """The flash rate from bands that creep by less than a cycle or two over the clip.

    Seen along the picture, a rolling shutter makes flicker an even wave. Turned back by that wave the rows add up to
    one complex number a frame, which runs along an arc around a point that all that stands still sets; the arc's
    angle is the lamp's.
    """
    duration = float(time_s[-1] - time_s[0])
    interval = duration / (time_s.size - 1)
    rows = (np.flatnonzero(usable) + 0.5) / usable.size
    window = np.sin(np.pi * rows) ** 2
    window /= window.sum()
    turns = np.arange(0.8, 8.0, 0.1)
    arcs = np.exp(-2j * np.pi * np.outer(turns, rows)) * window @ relative.T
    lively = arcs.var(axis=1)
    best = int(np.argmax(lively))
    arc = arcs[best]
    if lively[best] < _LEAST_RATIO * floor:
        return None
    bare = np.stack([arc - arc.mean(), np.ones_like(arc)], axis=1)
    fits = []
    for candidate in candidates_hz:
        multiple = np.rint(candidate * interval) / interval
        if abs(candidate - multiple) > _SPAN * candidate:
            continue
        fold = np.arange(-_SPAN * candidate, _SPAN * candidate, 0.02 / duration)
        beside, still = zoomed(bare, time_s, fold, interval_s=interval).T / time_s.size
        kept = (np.abs(fold) * duration >= _LEAST_ARC) & (np.abs((multiple + fold) / candidate - 1) <= _SPAN)
        if not kept.any():
            continue
        fold, beside, still = fold[kept], beside[kept], still[kept]
        # Least squares for a point and an arc around it, in closed form.
        free = 1 - np.abs(still) ** 2
        squares = lively[best] - np.abs(beside) ** 2 / free
        top = int(np.argmin(squares))
        fits.append((float(squares[top]), float(multiple + fold[top]), candidate, float(abs(beside[top]) / free[top])))
    if not fits:
        return None
    left, rate, candidate, radius = min(fits)
    if left > 0.02 * radius**2 or not 0.002 < 2 * radius < 0.7:
        return None
    wave = _creeping_wave(relative, time_s, rate, usable)
    moved = abs(wave.rate_hz - rate) * duration
    creep = folded_hz(wave.rate_hz, interval)
    if moved > 0.15 or creep * duration < _LEAST_ARC or wave.error_hz * duration > 0.1:
        return None
    return wave, candidate, creep * duration


def _unexplained(relative: NDArray[np.float64], time_s: NDArray[np.float64], rate: float) -> float:
    """Unexplained power at `rate`; infinite where a harmonic would be stronger than the fundamental."""
    unexplained, _, amplitude = _fit(relative, time_s, rate)
    strength = np.median(np.abs(amplitude), axis=1)
    return unexplained if strength[0] >= strength.max() else np.inf


def _which_way(
    relative: NDArray[np.float64],
    time_s: NDArray[np.float64],
    usable: NDArray[np.bool_],
    fits: list[tuple[float, float]],
    downward: bool,
) -> float | None:
    """Of a rate and its mirror image about a multiple of the frame rate, the one whose bands run down the picture.

    A rolling shutter exposes lower rows later, so the lamp's phase must grow downwards, by half a cycle to eight cycles
    over the picture. Without a rolling shutter the two can't be told apart (unless the frame times are uneven).
    """
    (first, rate_a), (second, rate_b) = fits
    if first < 0.5 * second:
        return rate_a
    if second < 0.5 * first:
        return rate_b
    if not downward:
        return None
    rows = np.flatnonzero(usable) / usable.size
    turns = np.arange(0.4, 8.0, 0.05)
    strength = []
    for _, rate in fits:
        amplitude = _fit(relative, time_s, rate)[2][0]
        sweep = np.abs(np.exp(-2j * np.pi * np.outer(turns, rows)) @ amplitude) / np.abs(amplitude).sum()
        strength.append(float(sweep.max()))
    if max(strength) < 0.6 or max(strength) < 1.4 * min(strength):
        return None
    return (rate_a, rate_b)[int(np.argmax(strength))]
