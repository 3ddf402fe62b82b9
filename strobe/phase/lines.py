"""From one complex amplitude per frame to the dots that have passed: the lamp-timed and the camera-timed line.

A row of dots that is lit and exposed gives ``exp(2i pi N theta(t)) G(lamp phase)``, with G periodic. Where the lamp
strobes the dots, arg G runs back one turn per flash (the lamp-timed line); where the shutter freezes them, it does not
(the camera-timed line); in between it swings. The swing is fitted on the lamp's harmonics together with the wobble and
taken off, so that no band of frequencies is given up, only narrow notches where a harmonic falls.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.phase.blocks import lit_frames
from strobe.phase.coarse import CoarseLine
from strobe.phase.lamp import FlashRate
from strobe.phase.litframes import cut_flashes, vote_of_lit
from strobe.phase.slips import without_slips
from strobe.phase.sudden import sudden_change
from strobe.phase.swings import vote_of_swing
from strobe.phase.takenoff import (
    MAINS_OFF,
    STRONG_SWING,
    creeps,
    hidden_in,
    lines_of_light,
    may_be_the_lamps,
    to_take_off,
)
from strobe.phase.waves import (
    WOBBLE_HZ,
    Wave,
    apparent_hz,
    distinct_waves,
    fit_waves,
    swing_along,
    what_lies_beside,
)
from strobe.phase.zoom import zoomed

__all__ = ["LINE_ORDERS", "LineReading", "read_line"]

_BESIDE, _BESIDE_ONCE = (1.0, -1.0, -2.0), (0.5, 1.0, -0.5, -1.0, -1.5, -2.0)
"""Flash rates beside the camera-timed line at which others lie, of even flashes and of every other one alone: mostly on
the side of the lamp-timed line, from which they lie the other way."""
_SECOND_SHARE = 0.6
"""Second harmonic over first of the swing that a line beside another makes, at the most (seen on rendered clips)."""
_FEW_LIT = 0.2
"""Share of lit frames to go on with."""
_ROUNDS = 3
"""Times that the lines beside a strong swing are taken off and the waves fitted again (by trial)."""
_SLOWEST_SWING, _LEAST_FITTED, _FASTEST_SLOW_SWING = 0.15, 1.0, 3.0
"""Cycles in the clip: slower than the first, the lines coincide; than the second, a swing can't be told from a steady
speed; than the third, a swing of soft light is held to the phase that the brightness gives it."""
_AROUND_MAINS, _CLEAR_LINE, _LEAST_NEAR = 0.012, 40.0, 3
"""How far around the lamp's line is looked, relative, its power over the usual one there for it to be clear; and at how
many rates within what a mains may be off at the least."""
_AWAY_BINS, _OF_A_LINE = 10, 6.0
"""Cycles in the clip to either side of a line up to which it is seen what else swings, and by how much a line stands
above that (by choice: noise reaches three)."""
_MOST_MODULATION = 0.9
"""Of the amplitude's swing, which at 1 would divide by nothing."""
_CURVED = 1.4
"""By how much more light may swing than the dots' amplitude does through a camera's curve."""
_OWN_HZ = 6.0
"""Below this nothing that follows the pattern's own phase is taken off."""

_LIKE_A_BEND = 8.0
"""Cycles in the clip up to which a wave can follow the bend that a sudden change of the speed makes: of that a wave of
so many holds less than a hundredth (closed form: it falls with their square)."""
_BESIDE_A_BEND = 0.06
"""Dots of a slow swing from which it says something beside a sudden change of the speed: where there was none, up to
0.028 were left of the change (six made courses), so twice that."""

LINE_ORDERS = {"camera": 0.0, "between": 0.5, "lamp": 1.0}
"""Turns that a line runs back for each flash: behind a lamp that leaves out every other one there is a line between."""


@dataclass(frozen=True, eq=False)
class LineReading:
    """One line of one row, followed through the clip.

    Attributes
    ----------
    kind : str
        ``lamp`` or ``camera``: what times the pattern that is followed; the line between counts as the lamp's.
    followed : str
        The line of `LINE_ORDERS` itself.
    dot_rate_hz : float
        Mean rate of the dots on the clock of the frame times.
    dots : array of float64 (frames,)
        Dots that have passed, the lamp's swing taken off.
    noise_dots : float
        1-sigma white noise of one frame.
    coherence : float
        Share of the amplitude that follows a steady line second by second, 0 to 1.
    lit : array of bool (frames,)
        Frames whose exposure met light enough to show the dots; `dots` is interpolated at the others.
    swing_dots : float
        Amplitude of the lamp's swing that was taken off; where it is too slow for that, what may have been left in.
    swing_cycles : float
        Cycles that the swing makes within the clip.
    removed_hz : tuple of float
        Frequencies at which something was fitted and taken off.
    hidden : tuple of (float, float, float)
        Frequency and dots of that part of each lamp's wave that stands as the brightness does, and its share of the
        wave: a lamp's own swing does not stand so, and a wobble on its beat, or a multiple of that, may have been taken
        off with it. All of the wave and no share where how it stands says nothing or is not seen.
    beside : tuple of (float, float)
        Frequency of each wave that was taken off, and the dots of what lies so near that the two are told apart badly.
    vote : float
        Evidence of the swing against the brightness for this kind of line (+1), against it (-1), or none (0).
    """

    kind: str
    followed: str
    dot_rate_hz: float
    dots: NDArray[np.float64]
    noise_dots: float
    coherence: float
    lit: NDArray[np.bool_]
    swing_dots: float
    swing_cycles: float
    removed_hz: tuple[float, ...]
    hidden: tuple[tuple[float, float, float], ...]
    beside: tuple[tuple[float, float], ...]
    vote: float


def read_line(
    amplitude: NDArray[np.complex128],
    time_s: NDArray[np.float64],
    *,
    interval_s: float,
    kind: str,
    coarse: CoarseLine,
    lamp_cycles: NDArray[np.float64] | None,
    flash: FlashRate | None,
    height: float | None,
    dimmed: bool = False,
) -> LineReading:
    """Follow one line of a row through the clip.

    Parameters
    ----------
    amplitude : array of complex (frames,)
        Amplitude of the row.
    time_s, interval_s
        Frame times and the spacing of the cadence that they lie on.
    kind : str
        ``lamp``, ``camera`` or ``between``.
    coarse : CoarseLine
        Where the line lies, from `strobe.phase.find_line`.
    lamp_cycles : array of float64 (frames,) or None
        Phase of the lamp in cycles; needed unless for ``camera``, and for taking off its swing.
    flash : FlashRate or None
        The flicker as measured, for the vote.
    height : float or None
        Place of the row in the order of exposure, 0 (first) to 1; None where it has no single one, and no vote then.
    dimmed : bool
        Whether the lamp flashes so fast that no frame is dark, and `lamp_cycles` are where the frames show it.

    Returns
    -------
    LineReading
    """
    if kind != "camera" and lamp_cycles is None:
        raise ValueError("a lamp-timed line needs the phase of the lamp")
    lit = lit_frames(amplitude)
    if dimmed or (flash is not None and flash.soft) or not _FEW_LIT < np.mean(lit) < 1:
        everywhere = np.zeros((0, time_s.size))
        return _follow(amplitude, time_s, interval_s, kind, coarse, lamp_cycles, flash, height, everywhere, dimmed)
    cycles = None if lamp_cycles is None else lamp_cycles[lit]
    cut = cut_flashes(amplitude[lit], cycles)
    reading = _follow(amplitude[lit], time_s[lit], interval_s, kind, coarse, cycles, flash, height, cut)
    left = reading.dots - reading.dot_rate_hz * time_s[lit]
    between = np.interp(time_s, time_s[lit], left)
    vote = 0.0
    if flash is not None and cycles is not None:
        seen = amplitude[lit] * np.exp(2j * np.pi * (LINE_ORDERS[kind] * cycles - reading.dot_rate_hz * time_s[lit]))
        vote = vote_of_lit(seen, time_s[lit], cycles)
    return replace(reading, dots=reading.dot_rate_hz * time_s + between, lit=lit, vote=vote)


def _follow(
    amplitude: NDArray[np.complex128],
    time_s: NDArray[np.float64],
    interval_s: float,
    kind: str,
    coarse: CoarseLine,
    lamp_cycles: NDArray[np.float64] | None,
    flash: FlashRate | None,
    height: float | None,
    courses: NDArray[np.float64],
    dimmed: bool = False,
) -> LineReading:
    """Follow a line through frames that all show it; `courses` are fitted and taken off with the lamp's waves."""
    order = LINE_ORDERS[kind]
    series = amplitude if lamp_cycles is None else amplitude * np.exp(2j * np.pi * order * lamp_cycles)
    slow = np.unwrap(np.angle(series * np.exp(-2j * np.pi * coarse.rate_hz * time_s))) / (2 * np.pi)
    slow = without_slips(slow, np.abs(series), time_s, interval_s)
    drift = float(np.polyfit(time_s, slow, 1)[0])
    dot_rate = coarse.rate_hz + drift
    residual = slow - drift * time_s

    # A strong swing hides where the pattern's own waves lie; they follow it nevertheless.
    plain = dot_rate * time_s - (0.0 if lamp_cycles is None else order * lamp_cycles)
    own = distinct_waves(time_s, interval_s, plain, (1, 2), _OWN_HZ)
    own = [replace(wave, cycles=wave.harmonic * (plain + residual)) for wave in own]

    if lamp_cycles is not None and flash is None and not dimmed:
        lamp_cycles = _by_its_line(residual, time_s, lamp_cycles, interval_s)
    elif lamp_cycles is not None and dimmed:
        lamp_cycles = _by_its_fundamental(residual, time_s, lamp_cycles, interval_s)
    taken = to_take_off(np.abs(series), residual, time_s, interval_s, lamp_cycles, flash, own, courses, dimmed)
    courses = taken.courses
    waves, lamp_waves = [*taken.lamp, *taken.others], len(taken.lamp)
    swings = bool(taken.lamp) and waves[0].harmonic == 1
    avoid_hz = [wave.apparent_hz for wave in taken.of_lit]
    bends: Sequence[NDArray[np.float64]] = ()
    if lamp_cycles is not None and apparent_hz(lamp_cycles, time_s) * float(np.ptp(time_s)) < _LIKE_A_BEND:
        bends = sudden_change(residual, np.abs(series), time_s, waves, interval_s)
    fit = fit_waves(residual, time_s, courses, waves, interval_s, avoid_hz, bends=bends)
    first = fit.first
    vote = 0.0
    told = not bends or abs(first) > _BESIDE_A_BEND
    if flash is not None and not flash.once and swings and told and height is not None:
        slow_swing = waves[0].apparent_hz < WOBBLE_HZ
        vote = vote_of_swing(first, flash.flicker_at(height), 1000 * fit.noise, slow=slow_swing) * (1 - 2 * order)
    hidden = hidden_in(fit.taken_off, taken, None if flash is None or height is None else flash.flicker_at(height))
    bound, modulation = None, 0.0
    if flash is not None and lamp_cycles is not None and height is not None:
        bound, modulation = _bound_swing(series, time_s, lamp_cycles, flash, height)
    if bound is not None and bound.apparent_hz * np.ptp(time_s) >= _LEAST_FITTED:
        waves = [bound, *waves[int(swings) :]]
        lamp_waves += 1 - int(swings)
        swings = True
        fit = fit_waves(residual, time_s, courses, waves, interval_s, avoid_hz, bends=bends)
        first = fit.first
    if lamp_waves and lamp_cycles is not None:
        beside = _orders_beside(lamp_cycles, time_s, kind, flash)
        for _ in range(_ROUNDS if swings and abs(first) > STRONG_SWING else 0):
            course = dot_rate * time_s + fit.steady
            turned = series * np.conj(_other_lines(series, course, lamp_cycles, beside)) * np.exp(-2j * np.pi * course)
            residual = np.angle(turned) / (2 * np.pi) + fit.steady
            fit = fit_waves(residual, time_s, courses, waves, interval_s, avoid_hz, bends=bends)
        speed = np.gradient(fit.steady, time_s)
        fit = fit_waves(residual, time_s, courses, waves, interval_s, avoid_hz, speed, lamp_waves, bends)
    near = np.array(what_lies_beside(fit, residual, time_s, waves))
    clean = residual - fit.taken_off
    if flash is not None:
        # Beside a lamp that is only supposed, what swings the size too may be a wobble seen in a shutter's side lobe.
        others, beside_lamp = lines_of_light(fit, np.abs(series), residual, time_s, waves[:lamp_waves])
        near[:lamp_waves] = np.hypot(near[:lamp_waves], beside_lamp)
        clean = clean - others
    beside_hz = [wave.apparent_hz for wave in waves]
    if lamp_cycles is not None and flash is None and not dimmed and not taken.lamp:
        may_be = may_be_the_lamps(clean, time_s, lamp_cycles, interval_s)
        near, beside_hz = np.append(near, [dots for _, dots in may_be]), beside_hz + [hz for hz, _ in may_be]
    slope = float(np.polyfit(time_s, clean, 1)[0])
    slowest = waves[0] if swings else bound
    swing_dots = float(np.abs(first)) if swings else _CURVED * abs(modulation) / (2 * np.pi)
    swing_hz = 0.0 if slowest is None else slowest.apparent_hz
    if lamp_cycles is not None and creeps(2 * lamp_cycles, time_s) and not creeps(lamp_cycles, time_s):
        # Half a cycle from frame to frame: the second harmonic, which creeps, is not taken off.
        turned = series * np.exp(-2j * np.pi * (dot_rate * time_s + fit.steady))
        first_size = abs(np.mean(turned * np.exp(2j * np.pi * lamp_cycles)) / np.mean(turned))
        swing_dots, swing_hz = _SECOND_SHARE * first_size / (2 * np.pi), apparent_hz(2 * lamp_cycles, time_s)
    return LineReading(
        kind="camera" if order == 0 else "lamp",
        followed=kind,
        dot_rate_hz=dot_rate + slope,
        dots=dot_rate * time_s + clean,
        noise_dots=fit.noise,
        coherence=coarse.coherence,
        lit=np.ones(time_s.size, bool),
        swing_dots=swing_dots,
        swing_cycles=float(swing_hz * np.ptp(time_s)),
        removed_hz=tuple(wave.apparent_hz for wave in (*waves, *taken.of_lit)),
        hidden=hidden,
        beside=tuple(zip(beside_hz, near.tolist(), strict=True)),
        vote=vote,
    )


def _orders_beside(
    lamp_cycles: NDArray[np.float64], time_s: NDArray[np.float64], kind: str, flash: FlashRate | None
) -> list[float]:
    """Flash rates beside a line at which others are fitted: those two away only where they do not creep."""
    orders = _BESIDE_ONCE if flash is not None and flash.uneven else _BESIDE
    far = [one for one in orders if abs(one) <= 1 or not creeps(one * lamp_cycles, time_s)]
    return far if kind == "camera" else [-one for one in far]


def _by_its_line(
    residual: NDArray[np.float64], time_s: NDArray[np.float64], lamp_cycles: NDArray[np.float64], interval_s: float
) -> NDArray[np.float64]:
    """The cycles (frames,) of a lamp whose rate is only supposed, by the line that it clearly makes beside its own.

    As supposed where there is none, it lies there, or it is so slow that it may be the platter's.
    """
    duration = float(np.ptp(time_s))
    rate_hz = float(np.ptp(lamp_cycles)) / duration
    around_hz = np.arange(-_AROUND_MAINS, _AROUND_MAINS, 0.2 / (rate_hz * duration)) * rate_hz
    near = np.abs(around_hz) < MAINS_OFF * rate_hz
    if apparent_hz(lamp_cycles, time_s) < WOBBLE_HZ + float(around_hz[-1]) or near.sum() < _LEAST_NEAR:
        return lamp_cycles
    window = np.hanning(time_s.size + 2)[1:-1]
    turned = window * (residual - residual.mean()) * np.exp(-2j * np.pi * lamp_cycles)

    def power_at(hz: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.abs(zoomed(turned[:, None], time_s, hz, interval_s=interval_s)[:, 0]) ** 2)

    power = power_at(around_hz)
    best = int(np.argmax(np.where(near, power, 0.0)))
    supposed = float(power[int(np.argmin(np.abs(around_hz)))])
    if power[best] < max(2 * supposed, _CLEAR_LINE * float(np.median(power[~near]))):
        return lamp_cycles
    fine_hz = around_hz[best] + np.linspace(-0.5, 0.5, 201) / duration
    return lamp_cycles + fine_hz[int(np.argmax(power_at(fine_hz)))] * time_s


def _by_its_fundamental(
    residual: NDArray[np.float64], time_s: NDArray[np.float64], lamp_cycles: NDArray[np.float64], interval_s: float
) -> NDArray[np.float64]:
    """The cycles (frames,) of a lamp of which only the second harmonic may have been seen, by its swing of the dots.

    A shutter open for about whole flashes shows their second harmonic alone, and dots that pass the first as well.
    Folded by the frames it lies at half the rate that is seen, or half a frame rate beside that.
    """
    duration = float(np.ptp(time_s))
    away_hz = np.array([k for k in range(-_AWAY_BINS, _AWAY_BINS + 1) if abs(k) > 2]) / duration
    found, strongest = lamp_cycles, swing_along(residual, lamp_cycles)
    for beside_hz in (0.0, 0.5 / interval_s):
        half = lamp_cycles / 2 + beside_hz * time_s
        if apparent_hz(half, time_s) < WOBBLE_HZ:
            continue
        swing = swing_along(residual, half)
        usual = float(np.median([swing_along(residual, half + hz * time_s) for hz in away_hz]))
        if swing > max(strongest, STRONG_SWING, _OF_A_LINE * usual):
            found, strongest = half, swing
    return found


def _bound_swing(
    series: NDArray[np.complex128],
    time_s: NDArray[np.float64],
    lamp_cycles: NDArray[np.float64],
    flash: FlashRate,
    height: float,
) -> tuple[Wave | None, float]:
    """The swing of soft light too slow to be told from a trend, by its phase against the brightness; and ``m``.

    ``G = 1 + p exp(-i phi) + q exp(i phi)`` with real p and q for light that rises as it falls, where the brightness
    goes with ``cos(phi)``: so ``arg G = (q - p) sin(phi) / (1 + m cos(phi))``, and m is seen in the amplitude.
    """
    apparent = apparent_hz(lamp_cycles, time_s)
    flicker = flash.flicker_at(height)
    in_clip = apparent * float(np.ptp(time_s))
    if not flash.soft or not _SLOWEST_SWING < in_clip < _FASTEST_SLOW_SWING or flicker == 0:
        return None, 0.0
    phi = 2 * np.pi * lamp_cycles + np.angle(flicker)
    size, _, modulation = np.linalg.lstsq(
        np.stack([np.ones_like(phi), np.sin(phi), np.cos(phi)], axis=1), np.abs(series), rcond=None
    )[0]
    modulation = float(np.clip(modulation / size, -_MOST_MODULATION, _MOST_MODULATION))
    return Wave(1, apparent, lamp_cycles, False, np.sin(phi) / (1 + modulation * np.cos(phi))), modulation


def _other_lines(
    series: NDArray[np.complex128],
    course: NDArray[np.float64],
    lamp_cycles: NDArray[np.float64],
    orders: Sequence[float],
) -> NDArray[np.complex128]:
    """``G`` at each frame from the lines beside the one that is followed, `orders` of the flash rate from it.

    Fitted to amplitude and phase at once, so that what the harmonics of a strong swing fold down to zero goes with
    the rest.
    """
    turned = series * np.exp(-2j * np.pi * course)
    basis = np.stack([np.exp(2j * np.pi * h * lamp_cycles) for h in (0.0, *orders)], axis=1)
    solution, *_ = np.linalg.lstsq(basis, turned, rcond=None)
    shape: NDArray[np.complex128] = basis @ (solution / solution[0])
    return shape
