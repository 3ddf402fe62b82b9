"""Waves of known phase fitted to the course of a line, together with the wobble that is not theirs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.phase.search import LineSearch, fit_with_lines, places_of

__all__ = [
    "SAME_LINE",
    "SLOWEST_CYCLES",
    "WOBBLE_HZ",
    "Wave",
    "WaveFit",
    "apparent_hz",
    "distinct_waves",
    "fit_waves",
    "hann",
    "rms_hz",
    "share_off_step",
    "steps_off",
    "swing_along",
    "what_lies_beside",
    "without_waves",
]

_WOBBLE_LINES, SLOWEST_CYCLES, SAME_LINE = 10, 0.7, 0.4
"""Of the wobble, how many are fitted, from how many cycles in the clip on, and within which one is not found twice."""
_TOO_ALIKE, _ALIKE_AT_TWO_RATES = 0.25, 0.95
"""Where the frame rate changes in the clip, waves that one rate folds together are parted by the other."""
_DRIFTS_CYCLES = 0.05
"""By which a lamp strays from an even rate for that to part them too: those that fold together on either side of a
frame rate run apart by several times as much (by trial)."""
_OFF_STEP, _SOME_STEPS = 0.08, 0.1
"""Share of the steps between frames that miss the cadence, by more than so much of an interval, from which the frame
rate counts as changing (by trial)."""
_ALTERNATES = 0.48
"""Cycles in the time between frames."""
_BEAT_HZ = 0.35
"""Degrees of the slow courses, for each second of the clip, by which a wave's amplitude may change where others fold
beside it (by trial)."""
_PIECES = 12
"""Pieces of a clip whose noise is read by itself: short beside a beat of two lines (by trial)."""
_CHANGES = (1, 2)
"""Degrees of the slow courses by which the amplitude of a wave changes where something lies up to 1.5 cycles beside."""
_ALONE = 2.0
"""Cycles in the clip from which on another wave makes none look as if it changed."""
_BESIDE = 1.2
"""Cycles in the clip by which a wobble must differ from a wave to be looked for."""
WOBBLE_HZ = 2.5
"""Below this what is not clearly a lamp's is not taken off: a platter's once and twice a turn must not go with it."""


def share_off_step(time_s: NDArray[np.float64], interval_s: float, by: float) -> float:
    """Share of the steps between frames that are off, as `steps_off` says."""
    return float(np.mean(steps_off(time_s, interval_s, by)))


def steps_off(time_s: NDArray[np.float64], interval_s: float, by: float) -> NDArray[np.bool_]:
    """Which steps between frames miss every whole number of intervals by more than `by` of one."""
    steps = np.diff(time_s) / interval_s
    return np.asarray(np.abs(steps - np.rint(steps)) > by)


@dataclass(frozen=True, eq=False)
class Wave:
    """A harmonic as the frames show it; `beats` where others fold so close to it that its amplitude seems to change.

    `course` is its shape (frames,) where that is known but for its size; else it is free in phase.
    """

    harmonic: float
    apparent_hz: float
    cycles: NDArray[np.float64]
    beats: bool
    course: NDArray[np.float64] | None = None

    def alternates(self, interval_s: float) -> bool:
        """Whether it goes up and down from frame to frame."""
        return self.apparent_hz > _ALTERNATES / interval_s


def apparent_hz(cycles: NDArray[np.float64], time_s: NDArray[np.float64], share: float = 50) -> float:
    """Frequency that a wave seems to have from frame to frame, by a percentile where the frame rate changes."""
    return float(np.percentile(_from_frame_to_frame_hz(cycles, time_s), share))


def rms_hz(cycles: NDArray[np.float64], time_s: NDArray[np.float64]) -> float:
    """Root mean square of the frequency that a wave has from frame to frame.

    Where frames wander it jumps about, and even a harmonic that would stand still at an even rate is no slow course.
    """
    return float(np.sqrt(np.mean(_from_frame_to_frame_hz(cycles, time_s) ** 2)))


def _from_frame_to_frame_hz(cycles: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    step = np.diff(cycles)
    return np.asarray(np.abs(step - np.rint(step)) / np.diff(time_s))


def hann(size: int) -> NDArray[np.float64]:
    """The Hann window (size,), its ends left out and its sum one, so that sums over waves give amplitudes."""
    window = np.hanning(size + 2)[1:-1]
    return np.asarray(window / window.sum())


def without_waves(series: NDArray[np.float64], cycles: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """A series (frames,) or (frames, n) without its mean and what follows waves of these `cycles`, (frames,) each."""
    waves = [wave(2 * np.pi * one) for one in cycles for wave in (np.cos, np.sin)]
    basis = np.stack([np.ones(len(series)), *waves], axis=1)
    return np.asarray(series - basis @ np.linalg.lstsq(basis, series, rcond=1e-8)[0])


def swing_along(course: NDArray[np.float64], cycles: NDArray[np.float64]) -> float:
    """Rough amplitude of what follows a wave of these `cycles` in a course, both (frames,)."""
    wave = hann(course.size) * np.exp(-2j * np.pi * cycles)
    return float(2 * np.abs(wave @ (course - course.mean())))


def distinct_waves(
    time_s: NDArray[np.float64],
    interval: float,
    cycles: NDArray[np.float64],
    harmonics: Sequence[float],
    lowest_hz: float = 0.0,
) -> list[Wave]:
    """Harmonics of `cycles` without those that stand still or repeat others.

    Whether two waves can be told apart is asked of the frames themselves, since uneven frame times part what even ones
    fold together.
    """
    waves: list[Wave] = []
    changes = share_off_step(time_s, interval, _OFF_STEP) > _SOME_STEPS
    drifts = np.ptp(cycles - np.polynomial.Polynomial.fit(time_s, cycles, 1)(time_s)) > _DRIFTS_CYCLES
    too_alike = _ALIKE_AT_TWO_RATES if changes or drifts else _TOO_ALIKE
    still = np.zeros_like(cycles)
    for h in harmonics:
        along = h * cycles
        wave = Wave(h, apparent_hz(along, time_s, 90 if changes else 50), along, False)
        # From picture to picture up and down hides no wobble, though its two parts look alike.
        if not wave.alternates(interval) and max(_likeness(along, still), _likeness(along, -along)) > too_alike:
            continue
        alike = [max(_likeness(along, sign * w.cycles) for sign in (1, -1)) > too_alike for w in waves]
        waves = [replace(w, beats=True) if same else w for w, same in zip(waves, alike, strict=True)]
        if not any(alike) and wave.apparent_hz >= lowest_hz:
            waves.append(wave)
    return waves


def _likeness(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    return float(np.abs(np.mean(np.exp(2j * np.pi * (a - b)))))


@dataclass(frozen=True, eq=False)
class WaveFit:
    """Waves fitted to the course of a line.

    Attributes
    ----------
    taken_off : array of float64 (frames,)
        What of the course follows courses and waves.
    steady : array of float64 (frames,)
        Its slow course and wobble.
    first : complex
        Amplitude of the first wave.
    noise : float
        1-sigma white noise that is left of a frame.
    basis : array of float64 (frames, columns)
        All that was fitted, the pairs of the wobble's lines last.
    lines_hz : tuple of float
        Those lines.
    """

    taken_off: NDArray[np.float64]
    steady: NDArray[np.float64]
    first: complex
    noise: float
    basis: NDArray[np.float64]
    lines_hz: tuple[float, ...]


def fit_waves(
    residual: NDArray[np.float64],
    time_s: NDArray[np.float64],
    courses: NDArray[np.float64],
    waves: list[Wave],
    interval: float,
    avoid_hz: Sequence[float] = (),
    speed: NDArray[np.float64] | None = None,
    lamp_waves: int = 0,
    bends: Sequence[NDArray[np.float64]] = (),
) -> WaveFit:
    """Fit `courses` and `waves` together with a slow course and the strongest wobble, so that none leaks into another.

    Parameters
    ----------
    residual : array of float64 (frames,)
        Dots about a steady speed.
    time_s : array of float64 (frames,)
        Frame times.
    courses : array of float64 (courses, frames)
        Known but for their sizes.
    waves : list of Wave
        Those of the lamp first. A wave's amplitude may change slowly, the more where harmonics fold close to it.
    interval : float
        Spacing of the cadence, in seconds.
    avoid_hz : sequence of float
        Where no wobble is looked for because the courses have theirs; nor is it beside a wave.
    speed : array of float64 (frames,) or None
        Dots a second about the mean. The first two of so many `lamp_waves` may follow it too: flashes meet an exposure
        early or late, and a moving pattern there is a little behind or ahead.
    bends : sequence of array of float64 (frames,)
        Of the slow course, known but for their sizes.

    Returns
    -------
    WaveFit
    """
    duration = float(np.ptp(time_s))
    u = 2 * (time_s - time_s[0]) / duration - 1
    columns = [np.ones_like(u), u, u**2]
    most = int(np.clip(round(_BEAT_HZ * duration), 2, 8))
    slow = np.polynomial.legendre.legvander(u, most).T
    for k, wave in enumerate(waves):
        if wave.course is not None:
            columns += [wave.course]
            continue
        pair = np.stack([np.cos(2 * np.pi * wave.cycles), np.sin(2 * np.pi * wave.cycles)])
        columns += [*pair]
        if wave.apparent_hz > WOBBLE_HZ:
            columns += [one * course for course in slow[1 : 1 + (most if wave.beats else 0)] for one in pair]
        if speed is not None and k < min(lamp_waves, 2) and wave.apparent_hz > WOBBLE_HZ:
            columns += [*(pair * speed)]
    columns += [*courses]
    starts = len(columns)
    columns += [*bends]
    place, size = places_of(time_s, interval, finer=4)
    highest_hz = 0.5 * min(1 / interval, u.size / duration)
    search = LineSearch(place, interval, size, above_hz=SLOWEST_CYCLES / duration, below_hz=highest_hz)
    for wave in waves:
        search.leave_out(wave.apparent_hz, (0.6 * most if wave.beats else _BESIDE) / duration)
    for hz in avoid_hz:
        search.leave_out(hz, _BESIDE / duration)
    basis, solution, left, lines_hz = fit_with_lines(
        residual, columns, time_s, search, most=_WOBBLE_LINES, apart_hz=SAME_LINE / duration
    )
    taken_off = basis[:, 3:starts] @ solution[3:starts]
    steady = residual - left - taken_off
    first = complex(2 * np.mean(taken_off * np.exp(-2j * np.pi * waves[0].cycles))) if waves else 0j
    noise = _white_noise(left, u.size / max(1, u.size - basis.shape[1]))
    return WaveFit(taken_off, steady, first, noise, basis, lines_hz)


def what_lies_beside(
    fit: WaveFit, residual: NDArray[np.float64], time_s: NDArray[np.float64], waves: Sequence[Wave]
) -> tuple[float, ...]:
    """What lies so near to each wave that its amplitude would change over the clip if it could.

    Parameters
    ----------
    fit : WaveFit
        Of the waves to `residual` (frames,) at `time_s` (frames,).
    waves : sequence of Wave
        Those fitted.

    Returns
    -------
    tuple of float (waves,)
        Root mean square of the change, fitted with all else: hardly anything where a wave is steady. 0 for those that
        may change, or whose shape is known.
    """
    duration = float(np.ptp(time_s))
    u = 2 * (time_s - time_s[0]) / duration - 1
    slow = [np.polynomial.legendre.Legendre.basis(k)(u) for k in _CHANGES]
    shares = 1 / (2 * np.array(_CHANGES) + 1)
    found = []
    for wave in waves:
        if not _stands_alone(wave, waves, duration):
            found.append(0.0)
            continue
        pair = (np.cos(2 * np.pi * wave.cycles), np.sin(2 * np.pi * wave.cycles))
        basis = np.column_stack([fit.basis, *(course * part for course in slow for part in pair)])
        changes = np.linalg.lstsq(basis, residual, rcond=1e-10)[0][fit.basis.shape[1] :].reshape(-1, 2)
        found.append(float(np.sqrt(np.sum(changes**2, axis=1) @ shares)))
    return tuple(found)


def _stands_alone(wave: Wave, waves: Sequence[Wave], duration_s: float) -> bool:
    """Whether a wave is free, but steady, and no other lies where it would make it change."""
    if wave.course is not None or wave.beats or wave.apparent_hz < WOBBLE_HZ:
        return False
    apart_hz = [abs(one.apparent_hz - wave.apparent_hz) for one in waves if one is not wave]
    return min(apart_hz, default=np.inf) * duration_s > _ALONE


def _white_noise(left: NDArray[np.float64], freedom: float) -> float:
    """1-sigma of white noise, the larger of two estimates.

    One is from the upper half of the spectrum, where a platter hardly moves; deaf to lines. The other is from the
    jumps of the phase piece by piece, since noise grows where two strong lines cancel for a while.
    """
    window = np.hanning(left.size + 2)[1:-1]
    power = np.abs(np.fft.rfft(left * window)) ** 2 / np.sum(window**2)
    spectral = np.median(power[power.size // 2 :]) / np.log(2)
    jumps = np.abs(np.diff(left, 2)) / np.sqrt(6)
    pieces = [(1.4826 * np.median(piece)) ** 2 for piece in np.array_split(jumps, min(_PIECES, jumps.size))]
    return float(np.sqrt(max(spectral, 0.9 * np.mean(pieces)) * freedom))
