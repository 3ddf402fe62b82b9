"""Where a line lies, before it is read: the strongest near an expected rate, and its phase smoothed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from strobe.phase.blocks import lit_frames

__all__ = ["CoarseLine", "find_line", "follow_phase"]

_SMOOTH_S = 0.2
"""Moving mean of a line, in which lines 5 Hz beside it vanish (closed form: one over it); slower wobble stays."""

_FARTHEST = 0.5
"""Share of its power by which a line at the end of the search counts less: an alias that some of the frames miss has
less than that, one that none misses is as strong as the line (by choice)."""


@dataclass(frozen=True)
class CoarseLine:
    """Where a line lies, and which share of the amplitude follows it (0 to 1)."""

    rate_hz: float
    coherence: float


def find_line(
    amplitude: NDArray[np.complex128],
    time_s: NDArray[np.float64],
    *,
    interval_s: float,
    expected_hz: float,
    span: float,
    lamp_cycles: NDArray[np.float64] | None,
) -> CoarseLine:
    """Strongest line near an expected dot rate, by the power of pieces of about a second.

    Parameters
    ----------
    amplitude : array of complex (frames,)
        Amplitude of the row.
    time_s, interval_s
        Frame times and the spacing of the cadence that they lie on.
    expected_hz, span : float
        Dot rate at nominal speed, and how far from it (relative) the search goes; within half the frame rate.
    lamp_cycles : array of float64 (frames,) or None
        Phase of the lamp for the lamp-timed line, ``None`` for the camera-timed one.

    Returns
    -------
    CoarseLine
    """
    lit = lit_frames(amplitude)
    series = amplitude * lit if lamp_cycles is None else amplitude * lit * np.exp(2j * np.pi * lamp_cycles)
    reach = min(span * expected_hz, 0.49 / interval_s)
    duration = float(np.ptp(time_s))
    pieces = max(1, round(duration))
    edges = np.linspace(0, time_s.size, pieces + 1).astype(int)
    grid = np.arange(expected_hz - reach, expected_hz + reach, 0.2 * pieces / duration)
    power = np.zeros(grid.size)
    whole = 0.0
    for a, b in pairwise(edges):
        spectrum = np.exp(-2j * np.pi * np.outer(grid, time_s[a:b] - time_s[a])) @ series[a:b]
        power += np.abs(spectrum) ** 2
        whole += float(np.sum(np.abs(series[a:b]))) ** 2
    # What is lit by turns shows one line several times, some of them as strong: the nearest of those.
    top = int(np.argmax(power * (1 - _FARTHEST * ((grid - expected_hz) / (span * expected_hz)) ** 2)))
    rough = CoarseLine(float(grid[top]), float(np.sqrt(power[top] / (whole + 1e-30))))
    phase = follow_phase(series, time_s, rough, interval_s)
    return replace(rough, rate_hz=float(np.polyfit(time_s, phase, 1)[0]))


def follow_phase(
    series: NDArray[np.complex128], time_s: NDArray[np.float64], coarse: CoarseLine, interval_s: float
) -> NDArray[np.float64]:
    """Phase (frames,) of a line in cycles, smoothed so that lines beside it do not matter."""
    turned = series * np.exp(-2j * np.pi * coarse.rate_hz * time_s)
    width = max(1, round(_SMOOTH_S / interval_s))
    smooth = np.convolve(turned, np.ones(width) / width, mode="same")
    phase: NDArray[np.float64] = coarse.rate_hz * time_s + np.unwrap(np.angle(smooth)) / (2 * np.pi)
    return phase
