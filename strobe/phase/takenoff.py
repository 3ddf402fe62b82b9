"""What a lamp and the pattern itself add to a line: what is taken off it, and what of a wobble may go with that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.phase.lamp import FlashRate
from strobe.phase.litframes import waves_of_lit
from strobe.phase.swings import WOBBLE_HARMONICS, beyond_the_lamp, hidden_waves, swings_of
from strobe.phase.waves import WOBBLE_HZ, Wave, WaveFit, apparent_hz, distinct_waves, hann, rms_hz, swing_along
from strobe.phase.zoom import zoomed

__all__ = [
    "MAINS_OFF",
    "STRONG_SWING",
    "TakenOff",
    "creeps",
    "hidden_in",
    "lines_of_light",
    "may_be_the_lamps",
    "to_take_off",
]

_HARMONICS, _MANY_HARMONICS = 4, 10
"""Of the lamp in the phase: soft light that swings it little, and flashes or a strong swing, which is no pure sine."""
STRONG_SWING, _DEEP_SWING = 0.01, 0.2
"""Swing of the phase in dots, and of the amplitude relative to its mean, from which more harmonics are fitted."""
_ODD_HALVES = (0.5, 1.5, 2.5)
"""Orders of the flash rate that flashes of two sizes add."""
_ONE_SIDED = 0.85
"""Of the lines on either side, the weaker by the stronger up to which a lamp may have made them: what an exposure
leaves of light on the far side is 0.25 of the near one (closed form: the first lobe of a sinc), and up to 0.54 was seen
where the picture flattens the amplitude; a wobble alone shows 0.98 and more."""
_ABOVE_NOISE = 3.0
"""Times what lies beside them, root mean square, above which either of them counts at all."""
_NEIGHBOURS = np.array([k for k in range(-10, 11) if abs(k) > 2])
"""Cycles in the clip by which that lies away: beyond the window's main lobe, which reaches to two (closed form)."""
_BESIDE_CYCLES = 8.0
"""In the clip, by which another lamp's line may lie off a lamp's wave: two mains 0.4 % apart beat so in 20 s."""
_OF_LIGHT, _CLEAR = 0.6, 6.0
"""The same share for a line that no lamp is known to make, which must be clearer; and how much above the noise."""
_DARKEST = 0.05
"""Of the mean amplitude, below which a frame says nothing more of how the light swings (by trial)."""
MAINS_OFF, _LOOKED_BESIDE = 0.0025, 12.0
"""How far a mains may be off, relative, beyond which its rate would have been told; and cycles in the clip, on either
side of that, by which it is seen how strong lines usually are."""
_GRID_BINS, _HANN_BINS = 0.2, 1.5
"""From one rate that is looked at to the next, in cycles over the clip; and how wide the window makes a line (closed
form: its equivalent noise bandwidth)."""
_STILL_CYCLES = 2.0
"""In the clip, up to which a line beside another looks like a slow course of that."""
_CLOSE_CYCLES = 0.4
"""By which a high harmonic of the lamp and a wave of the pattern must differ in a clip to be told apart."""


@dataclass(frozen=True, eq=False)
class TakenOff:
    """What is taken off a line.

    Attributes
    ----------
    lamp : list of Wave
        Harmonics of the lamp, the lowest first.
    others : list of Wave
        Waves of every other flash, and the pattern's own.
    of_lit : list of Wave
        Those that `courses` stand for, where only a part of the lamp's cycle shows the dots.
    courses : array of float64 (courses, frames)
        Known but for their sizes.
    """

    lamp: list[Wave]
    others: list[Wave]
    of_lit: list[Wave]
    courses: NDArray[np.float64]


def to_take_off(
    size: NDArray[np.float64],
    residual: NDArray[np.float64],
    time_s: NDArray[np.float64],
    interval_s: float,
    lamp_cycles: NDArray[np.float64] | None,
    flash: FlashRate | None,
    own: list[Wave],
    courses: NDArray[np.float64],
    dimmed: bool,
) -> TakenOff:
    """What a lamp makes of a line, and of the pattern's own waves what is left beside that.

    The lower a harmonic, the stronger: it comes before the higher ones that lie beside it, and the pattern's own wave
    before those that are hardly strong.

    Parameters
    ----------
    size, residual, time_s, lamp_cycles : array of float64 (frames,)
        Amplitude of the line; dots about a steady speed; frame times; phase of the lamp, measured or supposed, None
        where there is none.
    interval_s : float
        Spacing of the cadence.
    flash : FlashRate or None
        The flicker as measured.
    own : list of Wave
        The pattern's own.
    courses : array of float64 (courses, frames)
        What the shutter's edge cuts off; none where all frames are lit.
    dimmed : bool
        Whether the lamp flashes so fast that no frame is dark.

    Returns
    -------
    TakenOff
    """
    if lamp_cycles is None:
        return TakenOff([], own, [], courses)
    supposed, once = flash is None and not dimmed, flash is not None and flash.once
    alternating: list[Wave] = []
    if supposed:
        # Lit from every other flash each second picture may be otherwise, and no wobble is seen there.
        half = distinct_waves(time_s, interval_s, lamp_cycles, [0.5])
        alternating = [wave for wave in half if wave.alternates(interval_s)]
    if courses.size:
        if flash is None or not once:
            return TakenOff([], alternating + own, [], courses)
        along, of_lit = waves_of_lit(0.5 * lamp_cycles, time_s, flash.rate_hz / 2, interval_s)
        return TakenOff([], own, of_lit, np.concatenate([courses, along]))
    deep = swing_along(size, lamp_cycles) > _DEEP_SWING * float(size.mean())
    strong = deep or swing_along(residual, lamp_cycles) > STRONG_SWING
    rich = strong if dimmed else flash is not None and (not flash.soft or strong)
    most = _MANY_HARMONICS if rich else _HARMONICS
    # A lamp that leaves out every other flash has half their rate.
    orders = [0.5 * k for k in range(1, 2 * most + 2)] if once else [float(h) for h in range(1, most + 1)]
    if supposed and not _shows_on_dots(size, residual, lamp_cycles, time_s, interval_s):
        orders = []
    slow = apparent_hz(lamp_cycles, time_s) < WOBBLE_HZ
    found = [
        wave
        for wave in distinct_waves(time_s, interval_s, lamp_cycles, orders)
        if wave.harmonic <= 1
        or rms_hz(wave.cycles, time_s) >= WOBBLE_HZ
        # Of a lamp that is slow itself the second harmonic is slower than matters.
        or (wave.harmonic <= WOBBLE_HARMONICS and not slow and _is_one_sided(size, residual, wave.cycles))
    ]
    halves = [wave for wave in found if wave.harmonic % 1]
    whole = [wave for wave in found if not wave.harmonic % 1]
    low = [wave for wave in whole if wave.harmonic <= WOBBLE_HARMONICS]
    own = _away_from([*low, *halves], own, time_s)
    lamp = low + _away_from(own, [wave for wave in whole if wave.harmonic > WOBBLE_HARMONICS], time_s, _CLOSE_CYCLES)
    if supposed:
        halves = alternating
    elif flash is not None and flash.uneven and not once:
        halves = _away_from(lamp, distinct_waves(time_s, interval_s, lamp_cycles, _ODD_HALVES, WOBBLE_HZ), time_s)
        own = _away_from(halves, own, time_s)
    return TakenOff(lamp, halves + own, [], courses)


def hidden_in(
    taken_off: NDArray[np.float64], taken: TakenOff, flicker: complex | None
) -> tuple[tuple[float, float, float], ...]:
    """What of a wobble may have gone with what was taken off (frames,), as `LineReading.hidden` gives it.

    `flicker` is the brightness's complex amplitude at the row, None where that is not known.
    """
    waves = [*taken.lamp, *taken.others]
    sizes = [*zip(waves, swings_of(taken_off, waves), strict=True)]
    of_lamp, others = sizes[: len(taken.lamp)], sizes[len(taken.lamp) :]
    beats = [(wave, swing) for wave, swing in of_lamp if wave.harmonic <= WOBBLE_HARMONICS]
    unseen = [*others, *((wave, swings_of(taken_off, [wave])[0]) for wave in taken.of_lit)]
    return hidden_waves(beats, flicker) + beyond_the_lamp(of_lamp) + hidden_waves(unseen, None)


def lines_of_light(
    fit: WaveFit,
    size: NDArray[np.float64],
    residual: NDArray[np.float64],
    time_s: NDArray[np.float64],
    waves: Sequence[Wave],
) -> tuple[NDArray[np.float64], tuple[float, ...]]:
    """Lines beside a lamp's waves that another lamp makes: they swing the amplitude as a wobble does not.

    Parameters
    ----------
    fit : WaveFit
        Of the lamp's `waves` and others to `residual` (frames,).
    size, residual, time_s : array of float64 (frames,)
        Amplitude of the line; dots about a steady speed; frame times.
    waves : sequence of Wave
        The lamp's.

    Returns
    -------
    tuple of (array of float64 (frames,), tuple of float (waves,))
        What to take off, in dots; and the root mean square of that part of it which lies beside each wave.
    """
    duration = float(np.ptp(time_s))
    starts = fit.basis.shape[1] - 2 * len(fit.lines_hz)
    course = np.log(np.maximum(size / size.mean(), _DARKEST))
    both = np.stack([course, 2 * np.pi * residual], axis=1)
    solution = np.linalg.lstsq(fit.basis, both, rcond=1e-10)[0]
    noise = np.sqrt(np.sum((both - fit.basis @ solution).var(axis=0)) / time_s.size)
    taken, beside = np.zeros(time_s.size), np.zeros(len(waves))
    for k, hz in enumerate(fit.lines_hz):
        away = np.array([abs(wave.apparent_hz - hz) for wave in waves])
        # What comes round with the turn swings both, as no two dots are quite alike.
        if hz < WOBBLE_HZ or away.min(initial=np.inf) * duration > _BESIDE_CYCLES:
            continue
        pair = slice(starts + 2 * k, starts + 2 * k + 2)
        by_size, by_phase = (complex(*solution[pair, column]) for column in (0, 1))
        weaker, stronger = sorted(abs(by_size + sign * 1j * by_phase) for sign in (1, -1))
        if weaker < _OF_LIGHT * stronger and stronger > _CLEAR * noise:
            line = fit.basis[:, pair] @ solution[pair, 1] / (2 * np.pi)
            taken += line
            beside[int(np.argmin(away))] += float(np.mean(line**2))
    return taken, tuple(np.sqrt(beside))


def may_be_the_lamps(
    dots: NDArray[np.float64], time_s: NDArray[np.float64], lamp_cycles: NDArray[np.float64], interval_s: float
) -> list[tuple[float, float]]:
    """Lines of the dots where a supposed lamp's beat may lie, in Hz and dots: a wobble there could as well be its.

    Lines that a shutter leaves on both sides alike swing the phase alone, as a wobble does. Of several within what the
    mains may be off, the strongest is given, with the size of all.
    """
    bin_hz = 1 / float(np.ptp(time_s))
    level = dots - np.polynomial.Polynomial.fit(time_s, dots, 2)(time_s)
    windowed = 2 * hann(time_s.size) * level
    found: list[tuple[float, float]] = []
    for order in range(1, WOBBLE_HARMONICS + 1):
        cycles = order * lamp_cycles
        reach_hz = MAINS_OFF * float(np.ptp(cycles)) * bin_hz
        if apparent_hz(cycles, time_s) < WOBBLE_HZ + reach_hz:
            continue
        off_hz = np.arange(-reach_hz - _LOOKED_BESIDE * bin_hz, reach_hz + _LOOKED_BESIDE * bin_hz, _GRID_BINS * bin_hz)
        turned = (windowed * np.exp(-2j * np.pi * cycles))[:, None]
        size = np.abs(zoomed(turned, time_s, off_hz, interval_s=interval_s)[:, 0])
        top = int(np.argmax(np.where(np.abs(off_hz) <= reach_hz, size, 0.0)))
        is_a_line = size[top] >= size[max(top - 1, 0) : top + 2].max()
        hz = apparent_hz(cycles + off_hz[top] * time_s, time_s)
        if (
            is_a_line
            and size[top] > _CLEAR * float(np.median(size))
            and all(abs(hz - one) > bin_hz for one, _ in found)
        ):
            together = float(np.sum(size[np.abs(off_hz) <= reach_hz + bin_hz] ** 2)) * _GRID_BINS / _HANN_BINS
            found.append((hz, max(float(size[top]), np.sqrt(together))))
    return found


def _shows_on_dots(
    size: NDArray[np.float64],
    residual: NDArray[np.float64],
    lamp_cycles: NDArray[np.float64],
    time_s: NDArray[np.float64],
    interval_s: float,
) -> bool:
    """Whether what swings the dots in step with a lamp that no scenery shows may be that lamp.

    A line beside another is a phasor that turns one way: it changes the amplitude as much as the phase. A wobble turns
    the phase alone, which is two lines as strong on either side.
    """
    below_half_hz = 0.5 / interval_s - apparent_hz(lamp_cycles, time_s)
    if creeps(lamp_cycles, time_s) or below_half_hz * float(np.ptp(time_s)) < _STILL_CYCLES:
        return True
    return _is_one_sided(size, residual, lamp_cycles)


def _is_one_sided(size: NDArray[np.float64], residual: NDArray[np.float64], cycles: NDArray[np.float64]) -> bool:
    """Whether amplitude and phase clearly swing in step with `cycles`, and more on one side than a wobble does."""
    seen = size / size.mean() - 1 + 2j * np.pi * (residual - residual.mean())
    turn = np.exp(2j * np.pi * cycles)
    window = hann(seen.size)
    behind, ahead = (abs(window @ (seen * one)) for one in (turn, np.conj(turn)))
    away = np.exp(2j * np.pi * np.outer(_NEIGHBOURS, np.linspace(0, 1, seen.size)))
    beside = np.concatenate([away @ (window * seen * one) for one in (turn, np.conj(turn))])
    noise = float(np.median(np.abs(beside))) / np.sqrt(np.log(2))
    return bool(_ABOVE_NOISE * noise < max(behind, ahead) and min(behind, ahead) < _ONE_SIDED * max(behind, ahead))


def creeps(cycles: NDArray[np.float64], time_s: NDArray[np.float64]) -> bool:
    """Whether a wave makes so few cycles in the clip that it looks like a slow course."""
    return apparent_hz(cycles, time_s) * float(np.ptp(time_s)) < _STILL_CYCLES


def _away_from(
    waves: Sequence[Wave], others: Sequence[Wave], time_s: NDArray[np.float64], cycles: float = 2.0
) -> list[Wave]:
    """Those of the others that differ by so many `cycles` in the clip from all of the waves."""
    least_hz = cycles / float(np.ptp(time_s))
    return [one for one in others if all(abs(one.apparent_hz - wave.apparent_hz) > least_hz for wave in waves)]
