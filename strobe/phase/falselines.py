"""Lines in a course of dots that no platter makes: the lamp's, the pattern's own, and those of the video coder.

What a lamp, a leak of the pattern into its own mirror image, or a coder's group of pictures does to the phase comes at
frequencies that are known beforehand. It is fitted together with the slow course and the strongest other lines, so that
real wobble beside it stays, and taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.phase.flicker import folded_hz
from strobe.phase.search import LineSearch

__all__ = ["Cleaned", "without_lines"]

_SLOWEST_LINE_HZ, _SLOWEST_OWN_HZ, _APART = 2.5, 6.0, 1.2
"""Frames show waves and the pattern's own from these on; and cycles in the clip by which two are told apart."""
_MOST_LINES, _SLOWEST_CYCLES, _SAME_LINE = 10, 0.7, 0.4
"""Other lines that are fitted, from how many cycles in the clip on, and within which one is not found twice."""
_MOST_BEND = 2
"""Powers of time by which the size of a wave may change that stands for several too close to be told apart."""
_SLOWEST_CODER_HZ = 0.9
"""Multiples of the key frames' rate below this are left in: slow courses, and once a turn up to 45 rpm (by trial)."""
_ON_IT = 0.35
"""Cycles in the clip by which a line may seem to lie beside another that it is."""
_CODER_SHOWS, _LEAST_CODER_LINES, _STANDS_OUT = 2.5, 6, 3.0
"""Mean power of the coder's lines over that of noise from which they are there, how many it takes, and the amplitude
over the median of its neighbours' from which one of them is the platter's own."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Cleaned:
    """A course of dots without false lines.

    Attributes
    ----------
    dots : array of float64 (frames,)
    removed_hz : tuple of float
        Where something was taken off, the first wave's first.
    first_dots : float
        Amplitude of the first of the waves that were fitted; 0 for none.
    own : tuple of (float, float)
        Frequency and amplitude in dots of each of the pattern's own waves that were fitted.
    noise_dots : float or None
        1-sigma white noise of one frame without the coder's share; None where none was taken off.
    """

    dots: _Floats
    removed_hz: tuple[float, ...]
    first_dots: float
    own: tuple[tuple[float, float], ...] = ()
    noise_dots: float | None = None


def without_lines(
    dots: _Floats,
    time_s: _Floats,
    interval_s: float,
    cycles: Sequence[_Floats],
    *,
    own_cycles: Sequence[_Floats] = (),
    coder_hz: float | None = None,
) -> Cleaned:
    """Dots that have passed without waves of known phase.

    Parameters
    ----------
    dots : array (frames,)
    time_s, interval_s
        Frame times and their cadence.
    cycles : sequence of arrays (frames,)
        Phases of the waves, the most important first. Those that beat too slowly with the frames are left in; one like
        a wave before lets that one's size change in time.
    own_cycles : sequence of arrays (frames,)
        Phases of the pattern's own waves; slow ones would be taken for wobble, or wobble for them, and are left in.
    coder_hz : float or None
        Key frames a second. A coder that follows the pattern a little behind begins anew with each of them, which shows
        at every multiple of their rate alike; a multiple that stands out of the others is the platter's.
    """
    duration = float(np.ptp(time_s))
    waves: list[_Floats] = []
    rates: list[float] = []
    bends: list[int] = []
    of_pattern: list[bool] = []
    for number, one in enumerate([*cycles, *own_cycles]):
        apparent = float(folded_hz(float(np.polyfit(time_s, one, 1)[0]), interval_s))
        if apparent <= (_SLOWEST_LINE_HZ if number < len(cycles) else _SLOWEST_OWN_HZ):
            continue
        like = [k for k, rate in enumerate(rates) if abs(apparent - rate) * duration <= _APART]
        if not like:
            waves.append(one)
            rates.append(apparent)
            bends.append(0)
            of_pattern.append(number >= len(cycles))
        elif abs(apparent - rates[like[0]]) * duration > 0.1:
            bends[like[0]] = min(bends[like[0]] + 1, _MOST_BEND)
    columns = _waves(time_s, waves, bends)
    coded = [] if coder_hz is None else _coded_hz(coder_hz, rates, duration, interval_s)
    if not waves and not coded:
        return Cleaned(dots, (), 0.0)
    fit = _fitted(dots, time_s, interval_s, columns, rates)
    without = dots - fit.basis[:, : len(columns)] @ fit.amount[: len(columns)]
    starts = 2 * np.cumsum([0, *(bend + 1 for bend in bends)])
    sizes = [float(np.hypot(*fit.amount[start : start + 2])) for start in starts[:-1]]
    own = tuple((rate, size) for rate, size, mine in zip(rates, sizes, of_pattern, strict=True) if mine)
    plain = Cleaned(without, tuple(rates), sizes[0] if waves else 0.0, own)
    # A strong line that lies a little beside a multiple is the platter's, and would go with it.
    own_hz = [one for one in fit.others_hz if (np.abs(one - np.array(coded)) * duration > _ON_IT).all()]
    coded = [one for one in coded if all(abs(one - own) * duration > _APART for own in own_hz)]
    if len(coded) < _LEAST_CODER_LINES:
        return plain
    combed = [wave(2 * np.pi * rate * time_s) for rate in coded for wave in (np.cos, np.sin)]
    fit = _fitted(dots, time_s, interval_s, [*columns, *combed], [*rates, *coded])
    known = len(columns)
    size = np.hypot(*fit.amount[known : known + len(combed)].reshape(-1, 2).T)
    if float(np.median(size) ** 2) < _CODER_SHOWS * np.log(2) * 4 * fit.white**2 / dots.size:
        return plain
    gone = np.flatnonzero(size < _STANDS_OUT * _beside(size))
    of_coder = [known + 2 * int(k) + part for k in gone for part in (0, 1)]
    taken = [*range(known), *of_coder]
    return Cleaned(
        dots=dots - fit.basis[:, taken] @ fit.amount[taken],
        removed_hz=(*rates, *(coded[k] for k in gone)),
        first_dots=sizes[0] if waves else 0.0,
        own=own,
        noise_dots=fit.white,
    )


def _waves(time_s: _Floats, waves: Sequence[_Floats], bends: Sequence[int]) -> list[_Floats]:
    """Columns of waves whose sizes change by powers of time."""
    u = 2 * (time_s - time_s[0]) / np.ptp(time_s) - 1
    return [
        u**power * wave(2 * np.pi * one)
        for one, bend in zip(waves, bends, strict=True)
        for power in range(bend + 1)
        for wave in (np.cos, np.sin)
    ]


def _coded_hz(coder_hz: float, rates: Sequence[float], duration_s: float, interval_s: float) -> list[float]:
    """Multiples of a coder's rate that can be told from the waves, and from the slow course."""
    multiples = np.arange(1, int(0.5001 / interval_s / coder_hz) + 1) * coder_hz
    multiples = multiples[multiples > _SLOWEST_CODER_HZ]
    apart = [float(one) for one in multiples if all(abs(one - rate) * duration_s > _APART for rate in rates)]
    return apart if len(apart) >= _LEAST_CODER_LINES and coder_hz * duration_s > 2 * _APART else []


def _beside(size: _Floats) -> _Floats:
    """Median of the four nearest others, for each."""
    order = np.abs(np.subtract.outer(np.arange(size.size), np.arange(size.size)))
    nearest = np.argsort(order, axis=1, kind="stable")[:, 1:5]
    middle: _Floats = np.median(size[nearest], axis=1)
    return middle


@dataclass(frozen=True, eq=False)
class _Fit:
    """Columns (frames, columns), the amount of each, the 1-sigma white noise that they leave, and the other lines."""

    basis: _Floats
    amount: _Floats
    white: float
    others_hz: list[float]


def _fitted(
    dots: _Floats, time_s: _Floats, interval_s: float, columns: Sequence[_Floats], rates: Sequence[float]
) -> _Fit:
    """The columns fitted together with the slow course and the strongest other lines."""
    duration = float(np.ptp(time_s))
    u = 2 * (time_s - time_s[0]) / duration - 1
    columns = [*columns, np.ones_like(u), u, u**2, u**3]
    place = np.rint((time_s - time_s[0]) / interval_s).astype(int)
    search = LineSearch(place, interval_s, 4 * (int(place[-1]) + 1), above_hz=_SLOWEST_CYCLES / duration)
    for rate in rates:
        search.leave_out(rate, _APART / duration)
    others: list[float] = []
    for _ in range(_MOST_LINES + 1):
        basis = np.stack(columns, axis=1)
        amount: _Floats = np.linalg.lstsq(basis, dots, rcond=1e-10)[0].astype(np.float64)
        line, white = search.strongest(dots - basis @ amount)
        if line is None:
            break
        turn = 2 * np.pi * line * time_s
        columns += [np.cos(turn), np.sin(turn)]
        others.append(line)
        search.leave_out(line, _SAME_LINE / duration)
    return _Fit(basis, amount, float(np.sqrt(white)), others)
