"""Lines of dots that only some frames show, because few exposures meet a flash."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.phase.flicker import folded_hz
from strobe.phase.waves import Wave

__all__ = ["cut_flashes", "vote_of_lit", "waves_of_lit"]

_LIT_HARMONICS = 6
"""Of a lamp whose dark half can't be seen, in which more would leave no frequency free."""
_NEXT_FRAMES, _LEAST_SPREAD, _LEAST_PAIRS = 4.5, 0.08, 6
"""Lit frames that are held against each other: how far apart, in the shortest interval; by how much of the lamp's cycle
they differ; and how many pairs it takes (by trial)."""
_KEEPS, _RUNS = 0.3, 0.7
"""Dots that the pattern moves for a cycle of the lamp: up to where it keeps its place, and from where it runs."""
_STANDS_STILL = 1.5
"""Cycles in the clip up to which a wave can't be told from the platter's own course."""
_OWN_COURSE = 0.02
"""Size, by the largest, from which a sum of harmonics is a course of its own in the lit frames."""


def vote_of_lit(series: NDArray[np.complex128], time_s: NDArray[np.float64], lamp_cycles: NDArray[np.float64]) -> float:
    """+1 where the dots keep their place wherever in its flash a frame falls, -1 where they move with it, 0 unclear.

    A flash within the exposure freezes the dots by itself, an exposure within the flash by the shutter; read as the
    other, the dots seem to run one gap for each cycle of the lamp.
    """
    turns = np.exp(2j * np.pi * lamp_cycles)
    place = np.angle(turns * np.conj(np.sum(np.abs(series) * turns))) / (2 * np.pi)
    moved = np.diff(place)
    ran = np.angle(series[1:] * np.conj(series[:-1])) / (2 * np.pi)
    near = (np.diff(time_s) < _NEXT_FRAMES * np.diff(time_s).min()) & (np.abs(moved) > _LEAST_SPREAD)
    if near.sum() < _LEAST_PAIRS:
        return 0.0
    run = abs(float(moved[near] @ ran[near] / (moved[near] @ moved[near])))
    return float(np.clip(1 - 2 * (run - _KEEPS) / (_RUNS - _KEEPS), -1, 1))


def cut_flashes(amplitude: NDArray[np.complex128], lamp_cycles: NDArray[np.float64] | None) -> NDArray[np.float64]:
    """Courses (courses, frames) that the phase takes where the shutter's edge cuts a flash.

    What is left of the flash is weaker, and earlier where the shutter closed on it, later where it opened in it.
    """
    if lamp_cycles is None:
        return np.zeros((0, amplitude.size))
    size = np.abs(amplitude)
    lost = np.clip(1 - size / np.percentile(size, 90), 0, 1)
    turns = np.exp(2j * np.pi * lamp_cycles)
    side = np.sign(np.angle(turns * np.conj(np.sum(size * turns))))
    return np.stack([lost * side, lost**2 * side, lost**2])


def waves_of_lit(
    cycles: NDArray[np.float64], time_s: NDArray[np.float64], rate_hz: float, interval_s: float
) -> tuple[NDArray[np.float64], list[Wave]]:
    """Any course along the part of the lamp's cycle in which frames are lit; and where its harmonics lie.

    Over a part of the cycle harmonics are alike, and some of their sums look like a steady speed. What is left without
    those comes as courses (courses, frames) that have nothing in common with each other.
    """
    harmonics = range(1, _LIT_HARMONICS + 1)
    waves = [Wave(h, float(folded_hz(h * rate_hz, interval_s)), h * cycles, True) for h in harmonics]
    waves = [wave for wave in waves if wave.apparent_hz * np.ptp(time_s) > _STANDS_STILL]
    if not waves:
        return np.zeros((0, time_s.size)), []
    turns = np.exp(2j * np.pi * np.stack([wave.cycles for wave in waves], axis=1))
    steady = np.polynomial.legendre.legvander(np.linspace(-1, 1, time_s.size), 2)
    seen = np.concatenate([turns.real, turns.imag], axis=1)
    seen = seen - steady @ np.linalg.lstsq(steady, seen, rcond=None)[0]
    courses, size, _ = np.linalg.svd(seen, full_matrices=False)
    found: NDArray[np.float64] = courses[:, size > _OWN_COURSE * size[0]].T * np.sqrt(time_s.size)
    return found, waves
