"""How high a row of dots lies in each frame, from the amplitude that its pattern has in each picture line.

In a frame the amplitude by line is what it is on average, moved up or down, brighter or darker as a whole, and tilted
in brightness where a band of light rolls past. All three are fitted, so that flicker is not taken for height.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["row_heights"]

_ROUNDS = 6
"""Of Gauss and Newton (by trial)."""
_LONGEST_STEP = 2.0
"""Lines that a height may move in one round, so that a bad slope does not throw it far (by trial)."""
_EDGE = 2
"""Lines left out at top and bottom, where slopes are one-sided and what was moved comes in from outside."""
_DIM = 0.2
"""Brightness of the pattern in a frame, by the usual one, below which it tells no height (by trial)."""
_ODD = 9.0
"""Mean square that a frame leaves, by the usual one, from which it tells nothing: a rest three times as large."""

_Floats = NDArray[np.float64]


def row_heights(profiles: NDArray[np.float32], line_px: _Floats) -> tuple[_Floats, _Floats]:
    """Shift downward of each part of a row in each frame.

    Parameters
    ----------
    profiles : array (frames, lines, parts)
        Amplitude of the pattern.
    line_px : array (lines,)
        Evenly spaced.

    Returns
    -------
    shift_px, weight : array (frames, parts)
        The shift, its zero arbitrary in each part; and one over its variance, 0 where the frame tells nothing.
    """
    step = float(line_px[1] - line_px[0])
    shift = np.zeros((len(profiles), profiles.shape[2]))
    weight = np.zeros_like(shift)
    for part in range(shift.shape[1]):
        shift[:, part], weight[:, part] = _part_heights(profiles[:, :, part].astype(np.float64))
    return shift * step, weight / step**2


def _part_heights(seen: _Floats) -> tuple[_Floats, _Floats]:
    frames, lines = seen.shape
    turns = np.ones((frames, lines + 1), complex)
    transform = np.fft.rfft(seen, 2 * lines, axis=1)
    place = np.arange(lines) - (lines - 1) / 2
    inside = slice(_EDGE, lines - _EDGE)
    shift, gain = np.zeros(frames), seen.sum(axis=1)
    gain = np.maximum(gain, 0) / (np.median(np.abs(gain)) + 1e-12)
    weight = np.zeros(frames)
    for _ in range(_ROUNDS):
        turns[:, 1:] = np.exp(1j * np.pi / lines * shift)[:, None]
        level = np.fft.irfft(transform * np.cumprod(turns, axis=1), axis=1)[:, :lines]
        usual = (gain * (gain > _DIM)) @ level / max(float(np.sum(gain**2 * (gain > _DIM))), 1e-12)
        steep = np.gradient(usual)
        basis = np.stack([usual, place * usual, steep], axis=1)[inside]
        inverse = np.linalg.pinv(basis.T @ basis, rcond=1e-10)
        fit = level[:, inside] @ basis @ inverse
        gain = fit[:, 0]
        lit = gain > _DIM * np.median(np.abs(gain))
        moved = np.where(lit, -fit[:, 2] / np.where(lit, gain, 1.0), 0.0)
        shift = shift + np.clip(moved, -_LONGEST_STEP, _LONGEST_STEP)
        shift = np.clip(shift - np.median(shift[lit]) if lit.any() else shift, -lines / 3, lines / 3)
        left = np.mean((level[:, inside] - fit @ basis.T) ** 2, axis=1)
        usual_left = float(np.median(left[lit])) if lit.any() else 1.0
        variance = np.maximum(left, 0.3 * usual_left) * inverse[2, 2] / np.where(lit, gain, 1.0) ** 2
        weight = np.where(lit & (left < _ODD * usual_left * np.maximum(gain, 1) ** 2), 1 / variance, 0.0)
    return shift, weight
