"""How long one turn takes, from the small differences between the dots that come round again.

No two printed dots are quite alike, and dust and scratches turn with them. Each part of a row therefore departs from
the whole row's amplitude in a way that repeats once a turn. That repeat needs no dot count and no lamp, so it tells
which alias is the true one, which speed is on, and that something turns at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TurnSignature", "find_turns"]

_SHORTEST_S = 0.6
_LONGEST_S = 4.4


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
        1-sigma of `likeness` where nothing repeats.
    """

    period_s: NDArray[np.float64]
    likeness: NDArray[np.float64]
    noise: float

    def support(self, period_s: float) -> float:
        """Likeness at `period_s` over its noise, the best within 0.7 %; 0 outside the range looked at."""
        near = np.abs(self.period_s / period_s - 1) < 0.007
        return float(self.likeness[near].max() / self.noise) if near.any() else 0.0

    def best(self) -> tuple[float, float]:
        """The shortest of the nearly best periods, and its support."""
        top = float(self.likeness.max())
        peak = (self.likeness[1:-1] >= self.likeness[:-2]) & (self.likeness[1:-1] >= self.likeness[2:])
        good = np.flatnonzero(peak & (self.likeness[1:-1] > 0.8 * top)) + 1
        if good.size == 0:
            good = np.array([int(np.argmax(self.likeness))])
        return float(self.period_s[good[0]]), float(self.likeness[good[0]] / self.noise)


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
    departure = blocks * np.conj(amplitude)[:, None] / np.abs(amplitude)[:, None] ** 2
    departure = departure / departure.mean(axis=0) - 1
    own = np.angle(amplitude)
    columns = [np.ones(index.size), np.linspace(-1, 1, index.size)]
    columns += [wave(n * own) for n in (1, 2) for wave in (np.cos, np.sin)]
    columns += [np.abs(amplitude)]
    if lamp_cycles is not None:
        columns += [wave(2 * np.pi * h * lamp_cycles) for h in range(1, 6) for wave in (np.cos, np.sin)]
    basis = np.stack(columns, axis=1)
    keep = np.abs(amplitude) > 0.4 * np.median(np.abs(amplitude))
    solution, *_ = np.linalg.lstsq(basis[keep], departure[keep], rcond=1e-8)
    departure = (departure - basis @ solution) * keep[:, None]
    size = int(index[-1]) + 1
    placed = np.zeros((size, blocks.shape[1]), complex)
    placed[index] = departure / (np.sqrt(np.mean(np.abs(departure) ** 2, axis=0)) + 1e-12)
    there = np.zeros(size)
    there[index] = keep
    power = np.sum(np.abs(np.fft.fft(placed, 2 * size, axis=0)) ** 2, axis=1)
    together = np.fft.ifft(np.abs(np.fft.fft(there, 2 * size)) ** 2).real[:size]
    likeness = np.fft.ifft(power).real[:size] / np.maximum(together, 0.5) / blocks.shape[1]
    trusted = together > 0.1 * size
    lag = np.arange(size) * interval_s
    last = float(lag[trusted].max())
    candidates = np.geomspace(_SHORTEST_S, min(_LONGEST_S, last), 1500)
    comb = np.array([_comb(float(candidate), lag, likeness, last) for candidate in candidates])
    spread = 1.4826 * float(np.median(np.abs(comb - np.median(comb)))) + 1e-6
    return TurnSignature(candidates.astype(np.float64), comb - float(np.median(comb)), spread)


def _comb(period_s: float, lag: NDArray[np.floating], likeness: NDArray[np.floating], last: float) -> float:
    turns = np.arange(1, max(1, int(last / period_s)) + 1) * period_s
    return float(np.mean(np.interp(turns, lag, likeness)))
