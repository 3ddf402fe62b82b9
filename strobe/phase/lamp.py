"""The lamp's flash rate against the camera's clock, from the brightness of what stands still.

Every picture row of still background brightens and darkens with the lamp. The rate is looked for at its true,
unfolded place near each candidate, with the frames' own times; rows are added up by power, so that the time at which
a rolling shutter reaches them does not matter. Near a whole multiple of the frame rate the flicker stands still and
the rate cannot be told. Frames at 20 a second show 100 and 120 flashes alike: then both are given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.phase.flicker import folded_hz
from strobe.phase.lightwave import (
    LEAST_CYCLES,
    LightWave,
    RowLight,
    fit_creeping_wave,
    fit_light_wave,
    sweep_cycles,
)
from strobe.phase.waves import hann
from strobe.phase.zoom import zoomed

__all__ = ["FlashRate", "measure_flash_rate"]

_SPAN = 0.01
"""Looked at on either side of a nominal rate: interconnected mains keeps within 1 % (EN 50160; value from memory)."""
_LEAST_LEVEL, _LEAST_ROWS, _LEAST_S = 6, 4, 1.0
"""Grey levels of a row that is lit, how many there must be, and the shortest clip."""
_LEAST_RATIO, _ROW_RATIO, _LEAST_SHARE_OF_ROWS = 30.0, 6.0, 0.5
"""Power over the floor of a line that counts, all rows together and one row; the share of rows that must show it."""
_LEAST_ARC = 0.12
"""Cycles that bands creep at the least for their arc to tell the rate."""
_LEAST_BANDS, _READ_WITHIN = 1.0, 1.1
"""Cycles of flicker down the picture from which its rows show an arc, not a line that is walked up and down (of drawn
light with two thirds of a cycle most that was told was wrong); and pictures that reading one may last, with room."""
_MOST_OFF_ARC, _ARC_SWINGS = 0.02, (0.002, 0.7)
"""Power that an arc leaves, by its radius squared; and the swing of light, relative, that a lamp makes."""
_MOST_MOVED_CYCLES, _MOST_ERROR_CYCLES = 0.15, 0.1
"""How far from the arc's rate the wave's may lie, in cycles over the clip, and its 1-sigma."""
_MODEL_ERROR_CYCLES, _FLASH_ERROR_CYCLES = 0.002, 0.008
"""1-sigma, beyond the fit's own, that the one wave leaves in the lamp's phase from end to end: of soft light and of
flashes (by trial)."""
_CREEP_ERROR_CYCLES, _SLOW_CREEP_CYCLES = 0.012, 3.0
"""What harmonics that fold onto each other leave in the lamp's phase from end to end (seen on rendered clips)."""
_BEND_TO_SLOPE = float(np.sqrt(15 / 4))
"""Error of a bend that is fitted along a line, by that of what the line rises to either end (closed form, the Legendre
polynomials' norms)."""
_LEAST_FUNDAMENTAL = 3.0
"""By how much a second harmonic may be stronger, which a shutter as long as from flash to flash can do; where it is all
there is, that is the rate and the fundamental none."""
_MOST_UNEXPLAINED, _CLEARLY_EXPLAINED = 0.4, 0.1
"""Share of the light's power that the wave may leave to be a lamp's at all; and below which another start has found the
better one (by trial)."""
_AS_WELL, _PLAIN = 2.0, 0.7
"""Of the power that the best wave leaves, what a likelier one may; share of its fundamental that its harmonics have."""
_CLEARLY_BETTER, _BANDS_SEEN, _CLEARLY_STEEPER = 0.5, 0.6, 1.4
"""A rate against its mirror image: the power it leaves, by the other's; and how well, at least and by the other's, its
bands run down the picture."""
_CLEARLY_AGAINST = 0.3
"""Cycles against the sweep of the shutter that no noise makes."""
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
        Amplitude of the flicker over the mean brightness, of the one wave that all picture rows share.
    second, third : float
        Second and third harmonic as shares of the first; both small for soft light, one of them large for flashes.
    wander_cycles : array of float64 (frames,)
        Lamp phase minus ``rate_hz * time_s``, slow, zero in the mean: how the mains wandered.
    jitter_cycles : array of float64 (frames,)
        What the brightness of each frame says of its time beyond the stamp: lamp phase ahead of the smooth course.
    row_flicker : array of complex128 (picture rows,)
        Complex amplitude of the flicker in each picture row at time zero, 0 where a row is too dark to show it.
    uneven : bool
        Whether every other flash differs: a lamp that flashes once in a mains cycle, or burns unequally.
    once : bool
        Whether every other flash is missing.
    bend_error_cycles : float
        1-sigma of how far the lamp's phase bends from the middle of the clip to its ends.
    rivals : tuple of FlashRate
        The same flicker near other candidates, whose flashes these frames would show just so.
    """

    rate_hz: float
    uncertainty_hz: float
    candidate_hz: float
    modulation: float
    second: float
    third: float
    wander_cycles: NDArray[np.float64]
    jitter_cycles: NDArray[np.float64]
    row_flicker: NDArray[np.complex128]
    uneven: bool = False
    once: bool = False
    bend_error_cycles: float = 0.0
    rivals: tuple[FlashRate, ...] = ()

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
        return sweep_cycles(*self._seen())

    def goes_with_sweep(self, known: bool) -> bool:
        """Whether the bands run as the shutter sweeps, where that is `known`; at a wrong pace they may run against."""
        return not known or self.sweep_cycles > -_CLEARLY_AGAINST

    def flicker_at(self, height: float) -> complex:
        """Flicker at a place in the order of exposure (0 first, 1 last), by the even sweep of a rolling shutter."""
        place, flicker = self._seen()
        sweep = sweep_cycles(place, flicker)
        return complex(np.mean(np.exp(-2j * np.pi * sweep * place) * flicker) * np.exp(2j * np.pi * sweep * height))

    def _seen(self) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
        """Places of the picture rows in which the flicker is known, 0 to 1 down the picture, and the flicker there."""
        seen = np.flatnonzero(self.row_flicker)
        return (seen + 0.5) / self.row_flicker.size, self.row_flicker[seen]


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
    brightness : array of float64 (frames, picture rows)
        Mean brightness of still background in each picture row, in grey levels of 0 to 255.
    time_s : array of float64 (frames,)
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
    usable = brightness.mean(axis=0) > _LEAST_LEVEL
    if usable.sum() < _LEAST_ROWS or float(time_s[-1] - time_s[0]) < _LEAST_S:
        return None
    light = RowLight(_relative(brightness[:, usable], time_s), time_s, (np.flatnonzero(usable) + 0.5) / usable.size)
    floor = _floor(light)
    rough = _strongest(light, candidates_hz, floor)
    found = None if rough is None else _refine(light, *rough, downward)
    if found is None and downward:
        found = _creeping_bands(light, candidates_hz, float(np.median(floor)))
    if found is None:
        return None
    found, others = _beside_others(light, found, candidates_hz, downward)
    order = 2 if every_other else 1
    seen = [_as_flash_rate(*one, usable, light.duration_s, order) for one in (found, *others)]
    alike = [one for one in seen if one is not None]
    return replace(alike[0], rivals=tuple(alike[1:])) if alike else None


def _relative(brightness: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Brightness over its mean, minus one, less the slow course that all rows share (the camera's own exposure).

    Only what is common to the rows is taken off, because flicker near a multiple of the frame rate is slow too,
    but differs from row to row under a rolling shutter.
    """
    relative = brightness / brightness.mean(axis=0) - 1
    u = np.linspace(-1, 1, time_s.size)
    fit = np.polynomial.polynomial.polyfit(u, np.median(relative, axis=1), 3)
    return relative - np.polynomial.polynomial.polyval(u, fit)[:, None]


def _strongest(
    light: RowLight, candidates_hz: Sequence[float], floor: NDArray[np.float64]
) -> tuple[float, float] | None:
    """The rate of the strongest clear line near one of the candidates, and that candidate; None for none."""
    duration, interval = light.duration_s, light.interval_s
    step = 1 / (6 * duration)
    windowed = hann(light.time_s.size)[:, None] * light.relative
    best: tuple[float, float, float] | None = None
    for candidate in candidates_hz:
        grid = np.arange(candidate * (1 - _SPAN), candidate * (1 + _SPAN), step)
        waves = zoomed(windowed, light.time_s, grid, interval_s=interval)
        power = np.mean(np.abs(waves) ** 2, axis=1)
        creeps = folded_hz(grid, interval) * duration > LEAST_CYCLES
        grid, power = grid[creeps], power[creeps]
        if grid.size < 3:
            continue
        top = int(np.argmax(power))
        above = np.mean(_power(grid[top : top + 1], light) > _ROW_RATIO * floor)
        at_edge = top in (0, grid.size - 1)
        ratio = float(power[top] / np.median(floor))
        if ratio < _LEAST_RATIO or above < _LEAST_SHARE_OF_ROWS or at_edge:
            continue
        if best is None or power[top] > best[0]:
            best = (float(power[top]), float(grid[top]), candidate)
    return None if best is None else best[1:]


def _floor(light: RowLight) -> NDArray[np.float64]:
    """Typical power of each row away from any line."""
    probe = np.linspace(0.3, 0.5 / light.interval_s - 0.3, 61)
    return np.median(_power(probe, light), axis=0) + 1e-14


def _power(frequency_hz: NDArray[np.float64], light: RowLight) -> NDArray[np.float64]:
    """Power (frequencies, rows) of each row's light."""
    spectrum = np.exp(-2j * np.pi * np.outer(frequency_hz, light.time_s)) * hann(light.time_s.size) @ light.relative
    return spectrum.real**2 + spectrum.imag**2


def _refine(
    light: RowLight, coarse_hz: float, candidate: float, downward: bool
) -> tuple[LightWave, float, float] | None:
    """The wave, the candidate that it is beside, and the cycles by which it creeps over the clip."""
    duration, interval = light.duration_s, light.interval_s
    places = [coarse_hz]
    # About a multiple of the frame rate, or of half of it: up and down from frame to frame looks alike both ways.
    mirror = np.rint(2 * coarse_hz * interval) / interval - coarse_hz
    if abs(mirror / candidate - 1) < 1.2 * _SPAN:
        places.append(float(mirror))
    fits = []
    for place in places:
        grid = place + np.arange(-2.0, 2.01, 0.1) / duration
        unexplained = [_unexplained(light, rate) for rate in grid]
        if np.isfinite(min(unexplained)):
            fits.append((min(unexplained), float(grid[int(np.argmin(unexplained))])))
    if not fits:
        return None
    chosen = _which_way(light, fits, downward) if len(fits) == 2 else fits[0][1]
    if chosen is None:
        return None

    # Where the strongest line alone would have it.
    near = coarse_hz if abs(chosen - coarse_hz) <= abs(chosen - mirror) else float(mirror)
    wave = fit_light_wave(light, chosen)
    if np.abs(wave.harmonics[1:]).max() > _SOFT[0] * np.abs(wave.harmonics[0]):
        beside = [near, *(chosen + np.array([-0.6, -0.3, 0.3, 0.6]) / duration)]
        tries = [wave, *(fit_light_wave(light, float(start)) for start in beside)]
        wave = _likeliest(tries)
    elif wave.unexplained > _MOST_UNEXPLAINED:
        # Harmonics that fold onto each other can look stronger than the first near the true rate.
        starts = near + np.array([-0.4, 0.0, 0.4]) / duration
        again = [fit_light_wave(light, float(start)) for start in starts]
        wave = min(
            (one for one in again if one.unexplained < _CLEARLY_EXPLAINED),
            default=wave,
            key=lambda one: one.unexplained,
        )
    fold = folded_hz(wave.rate_hz, interval)
    if fold * duration < _SLOW_CREEP_CYCLES:
        wave = fit_creeping_wave(light, wave.rate_hz)
    if fold * duration < 0.8 * LEAST_CYCLES:
        return None
    return wave, candidate, fold * duration


def _beside_others(
    light: RowLight, found: tuple[LightWave, float, float], candidates_hz: Sequence[float], downward: bool
) -> tuple[tuple[LightWave, float, float], list[tuple[LightWave, float, float]]]:
    """What was found, or what goes better beside another candidate; and what goes there as well.

    Rates that differ by a multiple of the frame rate, or add up to one, show alike. The latter are told by the way the
    bands run; the former only where the frames are uneven.
    """
    alike: list[tuple[LightWave, float, float]] = []
    for other in candidates_hz:
        wave, candidate, creep = found
        for way in (1.0, -1.0) if other != candidate else ():
            apart_hz = other - way * wave.rate_hz
            place = way * wave.rate_hz + np.rint(apart_hz * light.interval_s) / light.interval_s
            if abs(place / other - 1) > _SPAN:
                continue
            fit = fit_creeping_wave if creep < _SLOW_CREEP_CYCLES else fit_light_wave
            again = fit(light, float(place)), other, creep
            pair = [(one.unexplained, one.rate_hz) for one in (wave, again[0])]
            chosen = _which_way(light, pair, downward)
            if chosen is None:
                alike.append(again)
            elif chosen == again[0].rate_hz:
                found = again
    return found, alike


def _likeliest(tries: Sequence[LightWave]) -> LightWave:
    """The wave that explains the light best, rather one that is mostly fundamental.

    A harmonic may fold beside the fundamental, and another to a slow course: they explain more at a rate a little off.
    """
    enough = _AS_WELL * min(one.unexplained for one in tries)
    plain = [
        one
        for one in tries
        if one.unexplained <= enough and np.abs(one.harmonics[1:]).max() < _PLAIN * np.abs(one.harmonics[0])
    ]
    return min(plain or tries, key=lambda one: one.unexplained)


def _unexplained(light: RowLight, rate_hz: float) -> float:
    """Power that a rate leaves unexplained; infinite where a harmonic would be stronger than the fundamental."""
    unexplained, amplitude = light.harmonics_at(rate_hz)
    strength = np.median(np.abs(amplitude), axis=1)
    return unexplained if strength[0] >= strength.max() else np.inf


def _which_way(light: RowLight, fits: list[tuple[float, float]], downward: bool) -> float | None:
    """Of a rate and its mirror image about a multiple of half the frame rate, that whose bands run down the picture.

    A rolling shutter exposes lower rows later, so the lamp's phase must grow downwards, by half a cycle to eight cycles
    over the picture. Without a rolling shutter the two can't be told apart (unless the frame times are uneven).
    """
    (first, rate_a), (second, rate_b) = fits
    if first < _CLEARLY_BETTER * second:
        return rate_a
    if second < _CLEARLY_BETTER * first:
        return rate_b
    if not downward:
        return None
    turns = np.arange(0.4, 8.0, 0.05)
    strength = []
    for _, rate in fits:
        amplitude = light.harmonics_at(rate)[1][0]
        sweep = np.abs(np.exp(-2j * np.pi * np.outer(turns, light.place)) @ amplitude) / np.abs(amplitude).sum()
        strength.append(float(sweep.max()))
    if max(strength) < _BANDS_SEEN or max(strength) < _CLEARLY_STEEPER * min(strength):
        return None
    return (rate_a, rate_b)[int(np.argmax(strength))]


def _as_flash_rate(
    wave: LightWave, candidate: float, creep_cycles: float, usable: NDArray[np.bool_], duration: float, order: int
) -> FlashRate | None:
    """The wave's harmonic of an `order` as the flicker of the lamp."""
    if abs(wave.rate_hz / candidate - 1) > 1.2 * _SPAN or wave.unexplained > _MOST_UNEXPLAINED:
        return None
    soft = np.abs(wave.harmonics[1]) < _SOFT[0] * np.abs(wave.harmonics[0])
    model_error = _MODEL_ERROR_CYCLES if soft else _FLASH_ERROR_CYCLES
    if creep_cycles < _SLOW_CREEP_CYCLES:
        model_error = _CREEP_ERROR_CYCLES
    first, second, third = wave.harmonics[order - 1 : 3 * order : order]
    if np.abs(wave.harmonics[1]) > _LEAST_FUNDAMENTAL * np.abs(wave.harmonics[0]):
        return None
    row_flicker = np.zeros(usable.size, complex)
    row_flicker[usable] = first * (wave.rows / wave.harmonics[0]) ** order
    return FlashRate(
        rate_hz=order * wave.rate_hz,
        uncertainty_hz=order * float(np.hypot(wave.error_hz, model_error / duration)),
        candidate_hz=order * candidate,
        modulation=float(np.abs(first)),
        second=float(np.abs(second / first)),
        third=float(np.abs(third / first)),
        wander_cycles=order * wave.wander,
        jitter_cycles=order * wave.jitter,
        row_flicker=row_flicker,
        uneven=order > 1,
        once=order > 1,
        bend_error_cycles=order * _BEND_TO_SLOPE * wave.error_hz * duration / 2,
    )


def _creeping_bands(
    light: RowLight, candidates_hz: Sequence[float], floor: float
) -> tuple[LightWave, float, float] | None:
    """The flash rate from bands that creep by less than a cycle or two over the clip.

    Seen along the picture, a rolling shutter makes flicker an even wave. Turned back by that wave the rows add up to
    one complex number a frame, which runs along an arc around a point that all that stands still sets; the arc's
    angle is the lamp's.
    """
    time_s, duration = light.time_s, light.duration_s
    interval = light.interval_s
    window = np.sin(np.pi * light.place) ** 2
    window /= window.sum()
    turns = np.arange(0.8, 8.0, 0.1)
    arcs = np.exp(-2j * np.pi * np.outer(turns, light.place)) * window @ light.relative.T
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
    if left > _MOST_OFF_ARC * radius**2 or not _ARC_SWINGS[0] < 2 * radius < _ARC_SWINGS[1]:
        return None
    wave = fit_creeping_wave(light, rate)
    moved = abs(wave.rate_hz - rate) * duration
    creep = folded_hz(wave.rate_hz, interval)
    unsure = moved > _MOST_MOVED_CYCLES or wave.error_hz * duration > _MOST_ERROR_CYCLES
    # The fit finds a part of the true creep as well, by its harmonics; but light has those weaker than its first, and a
    # shutter reads its lines while one picture lasts.
    bands = abs(sweep_cycles(light.place, wave.rows))
    banded = _LEAST_BANDS <= bands <= _READ_WITHIN * rate * interval
    if unsure or not banded or np.abs(wave.harmonics).argmax() > 0 or creep * duration < _LEAST_ARC:
        return None
    return wave, candidate, creep * duration
