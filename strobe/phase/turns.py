"""How long one turn takes, from the small differences between the dots that come round again.

No two printed dots are quite alike, and dust and scratches turn with them. Each part of a row therefore departs from
the whole row's amplitude in a way that repeats once a turn. That repeat needs no dot count and no lamp, so it tells
which alias is the true one, which speed is on, and that something turns at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.phase.blocks import departures

__all__ = ["TurnSignature", "find_turns", "whole_turns"]

_SHORTEST_S = 0.6
"""Shortest turn looked at: 100 rpm, some way beyond the 78 that platters have."""
_LONGEST_S = 4.4
"""Longest turn looked at: 13.6 rpm, some way below 16 2/3."""
_FARTHEST_S = 30.0
"""Longest time apart at which dots are compared: nine turns at the slowest speed, and a clip's length costs no more."""
_LEAST_CANDIDATES = 1500
"""Steps of 0.13 %; finer where one that is missed by half a step would be missed by more than a third of a frame after
the last turn, and half as fast a platter, whose turns are every other one of these, would look likelier."""
_OFTEN_MET = 0.3
"""Share of the frames so far apart that must both show the dots for their likeness to be taken."""
_ON_A_FRAME = 0.35
"""Part of a frame within which a lag is taken at the nearest frame alone; between, both neighbours count (by trial)."""
_FINE_REACH, _FINE_STEP = 0.006, 1e-4
"""Relative reach and step of the finer search: some of the steps of 0.13 % before it, and less than the 0.0006 that the
time of a turn is good to."""
_MOST_TURNS, _SAME_TURN, _SEEN_TOO = 6, 5e-3, 0.55
"""Turns that may pass for one, how closely they go with it, and how well the one is seen at the least."""
_MOST_BY_CHANCE, _MULTIPLES, _BESIDE = 4.5, 6, 0.04
"""How far, in sigma, noise rises somewhere among the candidates; what counts as elsewhere: none of so many multiples
comes so close to whole times the best period, in its parts."""


@dataclass(frozen=True, eq=False)
class TurnSignature:
    """How well the row's irregularities repeat after each candidate time of one turn.

    Attributes
    ----------
    period_s : array of float64 (candidates,)
        Candidate times of one turn.
    likeness : array of float64 (candidates,)
        Mean likeness (-1 to 1) of the irregularities one, two, three ... candidate turns apart.
    noise : float
        1-sigma of `likeness` where nothing repeats; more where it rises high at periods that have nothing to do with
        the best. A coder that takes the dots for still, say, makes them alike whenever a wobble brings them back.
    turn_s : float
        The best of them, set finer than `period_s`.
    """

    period_s: NDArray[np.float64]
    likeness: NDArray[np.float64]
    noise: float
    turn_s: float

    def support(self, period_s: float) -> float:
        """Likeness at `period_s` over its noise, the best within 0.7 %; 0 outside the range looked at."""
        near = np.abs(self.period_s / period_s - 1) < 0.007
        return float(self.likeness[near].max() / self.noise) if near.any() else 0.0

    def repeats(self, period_s: float) -> bool:
        """Whether the best period is several turns of this one, which is seen too, though less well.

        Dots of a fast platter pass so quickly that one turn later another frame may have met none of the same; some
        turns later one has.
        """
        whole = whole_turns(self.turn_s / period_s, most=_MOST_TURNS, within=_SAME_TURN)
        return whole is not None and whole > 1 and self.support(period_s) > _SEEN_TOO * self.best()[1]

    def best(self) -> tuple[float, float]:
        """The shortest of the nearly best periods, and its support."""
        place = _shortest_of_the_best(self.likeness)
        return float(self.period_s[place]), float(self.likeness[place] / self.noise)


def whole_turns(turned: float, *, most: int, within: float) -> int | None:
    """The whole number, up to `most`, that `turned` goes with, relatively `within` so much; None for none."""
    whole = int(np.clip(round(turned), 1, most))
    return whole if abs(turned / whole - 1) < within else None


def _shortest_of_the_best(likeness: NDArray[np.float64]) -> int:
    peak = (likeness[1:-1] >= likeness[:-2]) & (likeness[1:-1] >= likeness[2:])
    good = np.flatnonzero(peak & (likeness[1:-1] > 0.8 * likeness.max())) + 1
    return int(good[0]) if good.size else int(np.argmax(likeness))


def find_turns(
    blocks: NDArray[np.complex64],
    amplitude: NDArray[np.complex128],
    index: NDArray[np.int_],
    interval_s: float,
    lamp_cycles: NDArray[np.float64] | None,
) -> TurnSignature | None:
    """Look for the repeat in the parts of one row.

    Parameters
    ----------
    blocks : array of complex (frames, blocks)
        Amplitudes of the parts of the row.
    amplitude : array of complex (frames,)
        Amplitude of the whole row.
    index, interval_s
        Places of the frames on the cadence and its spacing.
    lamp_cycles : array (frames,) or None
        Phase of the lamp, whose own marks are taken off.

    Returns
    -------
    TurnSignature or None
        ``None`` for a clip too short, or a row with too few parts.
    """
    duration = float((index[-1] - index[0]) * interval_s)
    if blocks.shape[1] < 2 or duration < 2.2 * _SHORTEST_S:
        return None
    departure, keep = departures(blocks, amplitude, lamp_cycles)
    size = int(index[-1]) + 1
    placed = np.zeros((size, blocks.shape[1]), complex)
    placed[index] = departure / (np.sqrt(np.mean(np.abs(departure) ** 2, axis=0)) + 1e-12)
    there = np.zeros(size)
    there[index] = keep
    power = np.sum(np.abs(np.fft.fft(placed, 2 * size, axis=0)) ** 2, axis=1)
    together = np.fft.ifft(np.abs(np.fft.fft(there, 2 * size)) ** 2).real[:size]
    likeness = np.fft.ifft(power).real[:size] / np.maximum(together, 0.5) / blocks.shape[1]
    last = min(float(np.flatnonzero(together > 0.1 * np.mean(keep) * size).max() * interval_s), _FARTHEST_S)
    met = together > _OFTEN_MET * np.mean(keep) * (size - np.arange(size))
    likeness = np.where(met, likeness, np.nan)
    longest = min(_LONGEST_S, last)
    finer = int(np.log(longest / _SHORTEST_S) / (2 * _ON_A_FRAME * interval_s / last))
    candidates = np.geomspace(_SHORTEST_S, longest, max(_LEAST_CANDIDATES, finer))
    comb = _comb(candidates, interval_s, likeness, last)
    above = comb - float(np.median(comb))
    spread = 1.4826 * float(np.median(np.abs(above))) + 1e-6
    near = candidates[_shortest_of_the_best(comb)] * (1 + np.arange(-_FINE_REACH, _FINE_REACH, _FINE_STEP))
    fine = _comb(near, interval_s, likeness, last)
    weight = np.maximum(fine - 0.7 * fine.max(), 0)
    turn_s = float(np.sum(weight * near) / np.sum(weight)) if weight.any() else float(near[int(np.argmax(fine))])
    noise = max(spread, _highest_elsewhere(candidates / turn_s, above) / _MOST_BY_CHANCE)
    return TurnSignature(candidates.astype(np.float64), above, noise, turn_s)


def _highest_elsewhere(share: NDArray[np.floating], likeness: NDArray[np.floating]) -> float:
    """The highest peak of the likeness, by the share of the best period, away from its fractions."""
    multiples = share[:, None] * np.arange(1, _MULTIPLES + 1)
    away = np.all(np.abs(multiples - np.rint(multiples)) > _BESIDE, axis=1)
    peak = away[1:-1] & (likeness[1:-1] > likeness[:-2]) & (likeness[1:-1] > likeness[2:])
    return float(np.max(likeness[1:-1][peak], initial=0.0))


def _comb(
    period_s: NDArray[np.floating], interval_s: float, likeness: NDArray[np.floating], last: float
) -> NDArray[np.float64]:
    """Mean likeness (by lag in frames, NaN where not seen) over the multiples of a period, less where few are seen."""
    most = np.maximum(1, (last / period_s).astype(int))[:, None]
    multiple = np.arange(1, int(most.max()) + 1)
    place = np.where(multiple <= most, multiple * period_s[:, None], 0.0) / interval_s
    low = place.astype(int)
    part = place - low
    before, after = likeness[low], likeness[np.minimum(low + 1, likeness.size - 1)]
    value = np.where(part < _ON_A_FRAME, before, np.where(part > 1 - _ON_A_FRAME, after, np.nan))
    between = before * (1 - part) + after * part
    value = np.where(np.isnan(between), value, between)
    seen = np.isfinite(value) & (multiple <= most)
    total = np.sum(np.where(seen, value, 0.0), axis=1)
    return np.asarray(total / np.sqrt(np.maximum(seen.sum(axis=1), 1) * most[:, 0]), np.float64)
