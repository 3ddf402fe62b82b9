"""The parts of one row of dots put together: all of them, or so that one of two lines is left."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["align_blocks", "combine_blocks", "departures", "lit_frames", "part_lines"]

_DARK, _MANY_LIT = 0.35, 0.8
"""Amplitude of a frame that hardly met a flash, relative to the others; and the share of lit frames from which frames
meet a flash or more and none is left out."""
_NOTHING = 1e-9
"""Of the mean power, what a black frame is divided by instead of nothing."""
_LEAST_PARTNER, _MOST_ALIKE, _LEAST_BLOCKS, _FOLDED = 0.15, 0.9, 3, 0.5
"""To part two lines: strength of the weaker by the other's; how alike they may lie along the row (1 for the same);
parts of the row; and how steadily the lamp's first harmonics may stand from frame to frame (by trial)."""


def align_blocks(blocks: NDArray[np.complex64]) -> NDArray[np.complex128]:
    """The parts of a row (frames, blocks), each turned by one angle so that they add up."""
    turned = blocks.astype(np.complex128)
    for _ in range(2):
        total = turned.sum(axis=1)
        turned = turned * np.exp(-1j * np.angle((np.conj(total) / (np.abs(total) + 1e-12)) @ turned))
    return turned


def combine_blocks(blocks: NDArray[np.complex64]) -> tuple[NDArray[np.complex128], float]:
    """One amplitude per frame from the independent blocks of a row, and the noise that the blocks do not share.

    Parameters
    ----------
    blocks : array of complex (frames, blocks)
        Amplitudes of the parts of one row.

    Returns
    -------
    tuple
        Amplitudes (frames,), and the 1-sigma phase noise in dots of the whole row from the difference of its halves
        (NaN for a single block); error that all blocks share is not in it.
    """
    turned = align_blocks(blocks)
    total = turned.sum(axis=1)
    if turned.shape[1] < 2:
        return total, float("nan")
    even, odd = turned[:, ::2].sum(axis=1), turned[:, 1::2].sum(axis=1)
    difference = np.angle(even * np.conj(odd)) / (2 * np.pi)
    return total, float(0.5 * 1.4826 * np.median(np.abs(difference - np.median(difference))))


def lit_frames(amplitude: NDArray[np.complex128]) -> NDArray[np.bool_]:
    """Frames (frames,) that show the dots, where the exposure of many others hardly met a flash; else all."""
    size = np.abs(amplitude)
    lit: NDArray[np.bool_] = size > _DARK * np.percentile(size, 80)
    return lit if np.mean(lit) < _MANY_LIT else np.ones_like(lit)


def departures(
    blocks: NDArray[np.complex64], amplitude: NDArray[np.complex128], lamp_cycles: NDArray[np.float64] | None
) -> tuple[NDArray[np.complex128], NDArray[np.bool_]]:
    """How each part of a row departs from the whole, relative (frames, blocks); 0 in frames that hardly show the dots.

    What follows the pattern's own phase, its amplitude or the lamp is taken off: what is left belongs to single dots.

    Parameters
    ----------
    blocks : array of complex (frames, blocks)
        Amplitudes of the parts of the row.
    amplitude : array of complex (frames,)
        Amplitude of the whole row.
    lamp_cycles : array of float64 (frames,) or None
        Phase of the lamp.

    Returns
    -------
    tuple of arrays
        The departures, and the frames (frames,) that show the dots.
    """
    power = np.abs(amplitude) ** 2
    departure = blocks * (np.conj(amplitude) / np.maximum(power, _NOTHING * power.mean()))[:, None]
    usual = departure.mean(axis=0)
    departure = departure / np.where(usual == 0, 1, usual) - 1
    own = np.angle(amplitude)
    columns = [np.ones(own.size), np.linspace(-1, 1, own.size)]
    columns += [wave(n * own) for n in (1, 2) for wave in (np.cos, np.sin)]
    columns += [np.abs(amplitude)]
    if lamp_cycles is not None:
        columns += [wave(2 * np.pi * h * lamp_cycles) for h in range(1, 6) for wave in (np.cos, np.sin)]
    basis = np.stack(columns, axis=1)
    keep = lit_frames(amplitude) & (np.abs(amplitude) > 0.4 * np.median(np.abs(amplitude)))
    solution, *_ = np.linalg.lstsq(basis[keep], departure[keep], rcond=1e-8)
    return (departure - basis @ solution) * keep[:, None], keep


def part_lines(
    blocks: NDArray[np.complex64], phase_cycles: NDArray[np.float64], lamp_cycles: NDArray[np.float64]
) -> tuple[NDArray[np.complex128], ...]:
    """Amplitudes that hold the camera-timed line without the lamp-timed one, and the other way round.

    Where a lamp of its own lights some dots and the room all of them, the parts of a row hold lamp-timed and
    camera-timed line in different shares, and can be added up so that either vanishes.

    Parameters
    ----------
    blocks : array of complex (frames, blocks)
        Amplitudes of the parts of one row.
    phase_cycles : array of float64 (frames,)
        Phase of the row's strongest line.
    lamp_cycles : array of float64 (frames,)
        Phase of the lamp.

    Returns
    -------
    tuple of arrays of complex128 (frames,)
        Two, or none where the parts are lit too much alike or hold one line only, or where lamp and camera keep a step
        so simple that lines a flash rate above and below cannot be told apart. The camera-timed line is the one whose
        partner lies a flash rate below it.
    """
    blocks = blocks.astype(np.complex128)
    folds = (abs(np.mean(np.exp(2j * np.pi * order * lamp_cycles))) for order in (1, 2, 3))
    if blocks.shape[1] < _LEAST_BLOCKS or max(folds) > _FOLDED:
        return ()
    own, above, below = (
        np.mean(blocks * np.exp(-2j * np.pi * (phase_cycles + sign * lamp_cycles))[:, None], axis=0)
        for sign in (0, 1, -1)
    )
    is_camera = np.linalg.norm(below) > np.linalg.norm(above)
    partner = below if is_camera else above
    strength, weaker = float(np.linalg.norm(own)), float(np.linalg.norm(partner))
    alike = np.vdot(own, partner)
    if weaker < _LEAST_PARTNER * strength or abs(alike) > _MOST_ALIKE * strength * weaker:
        return ()
    only_own = np.conj(own) - np.conj(partner) * alike / weaker**2
    only_partner = np.conj(partner) - np.conj(own) * np.conj(alike) / strength**2
    found = blocks @ only_own / strength, blocks @ only_partner / weaker
    return found if is_camera else found[::-1]
