"""Find rows of evenly spaced dots in a few frames, wherever they lie in the picture.

Each picture row is cut into overlapping blocks; a block that holds a row of dots has one tall, narrow peak in its
spatial spectrum. Tall cells that join to the left and right with a steady slope and a steady pitch make a row. The
search runs on halved copies of the picture, so that pitches from 5 to more than 100 pixels are met by blocks of the
same number of cells. What is found is only a place to look: a striped cloth passes here, and motion tells later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.images import Plane, decimate

__all__ = ["FoundRow", "find_rows"]

_BLOCK = 96
"""Pixels of a picture line, at each scale, whose spectrum is taken; by trial."""
_HOP = 32
"""Pixels from block to block: each place is met by three."""
_TRANSFORM = 192
"""Twice the block, so that a peak between two waves of the block is met."""
_ROW_STEP = 2
"""Lines from row to row of blocks, each the mean of three."""
_BINS = slice(8, 44)
_SHORTEST_PITCH = 4.8
"""Bins that a row may have its peak in, 24 down to 4.5 pixels from dot to dot, and the shortest pitch of those in
pixels; the next scale has the longer ones."""
_LEAST_TONALITY = 0.45
_LEAST_AMPLITUDE = 1.2
"""Share of a block's power that lies at its peak, and grey levels, from which it counts; by trial."""
_LEAST_BLOCKS = 3
"""Fewest blocks side by side that make a row; by trial."""
_MOST_ROWS = 8
"""Rows given at most; our own choice."""
_LEAST_SHARE = 0.06
"""Share of the best row's score below which a row is none; by trial."""
_CLEAR_SCORE = 150.0
"""What scenery does not reach; below it short rows of small dots are looked for as well."""
_SAME_PITCH = 0.12
"""Relative; how near to a whole multiple of another's pitch a row at the same place is taken for that one. By trial."""


@dataclass(frozen=True, eq=False)
class FoundRow:
    """A row of dots as the finder saw it, in pixels of the plane that was searched.

    Attributes
    ----------
    x_px, y_px, pitch_px : array of float64, one entry a block
        Centre of the block, height of the row there, distance from dot to dot there.
    amplitude : array of float64
        Amplitude of the pattern in grey levels (0 to 255).
    score : float
        Sum over the blocks of amplitude x tonality; real rows score highest.
    """

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    pitch_px: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    score: float


@dataclass(frozen=True, eq=False)
class _Cells:
    """Spectral cells of one scale: arrays (rows, blocks) in pixels of that scale."""

    score: NDArray[np.float32]
    amplitude: NDArray[np.float32]
    pitch: NDArray[np.float32]
    factor: int


def find_rows(planes: Sequence[Plane], *, full_scale: float = 255.0) -> tuple[FoundRow, ...]:
    """Rows of dots in `planes`, best first.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        A few frames of one clip, the same plane of each.
    full_scale : float
        The value of white.

    Returns
    -------
    tuple of FoundRow
        At most eight; empty when nothing looks like a row of dots.
    """
    height, width = planes[0].shape
    rows: list[FoundRow] = []
    factor = 1 if width <= 1000 else 2
    finest = factor
    while width // factor >= _BLOCK and height // factor >= 8:
        rows += _rows_at_scale(planes, factor, full_scale)
        factor *= 2
    if finest == 2 and max((row.score for row in rows), default=0.0) < _CLEAR_SCORE:
        rows += _rows_at_scale(planes, 1, full_scale)
    return _distinct(rows)


def _rows_at_scale(planes: Sequence[Plane], factor: int, full_scale: float) -> list[FoundRow]:
    cells = _cells(planes, factor, full_scale)
    rows = []
    free = cells.score.copy()
    for _ in range(2 * _MOST_ROWS):
        top, block = np.unravel_index(int(np.argmax(free)), free.shape)
        if free[top, block] <= 0:
            break
        track = _walk(cells, free, int(top), int(block))
        if len(track) >= _LEAST_BLOCKS:
            rows.append(_as_row(cells, track))
        for row, column in track:
            reach = max(2, round(0.35 * float(cells.pitch[row, column]) / _ROW_STEP))
            for near in range(max(0, column - 1), min(free.shape[1], column + 2)):
                free[max(0, row - reach) : row + reach + 1, near] = 0
        free[max(0, top - 1) : top + 2, block] = 0
    return rows


def _cells(planes: Sequence[Plane], factor: int, full_scale: float) -> _Cells:
    power: NDArray[np.float32] | None = None
    window = np.hanning(_BLOCK + 2)[1:-1].astype(np.float32)
    for plane in planes:
        small = decimate(plane, factor) * np.float32(255.0 / full_scale)
        smooth = small[:-2] + small[1:-1] + small[2:]
        smooth = smooth[::_ROW_STEP] / 3
        blocks = np.lib.stride_tricks.sliding_window_view(smooth, _BLOCK, axis=1)[:, ::_HOP]
        centred = (blocks - blocks.mean(axis=2, keepdims=True)) * window
        spectrum = np.fft.rfft(centred, _TRANSFORM, axis=2).astype(np.complex64, copy=False)
        one = spectrum.real**2 + spectrum.imag**2
        power = one if power is None else power + one
    assert power is not None
    power /= len(planes)
    band = power[:, :, _BINS]
    peak = band.argmax(axis=2) + _BINS.start
    running = np.concatenate([np.zeros((*power.shape[:2], 1), np.float32), power.cumsum(axis=2)], axis=2)
    around = np.take_along_axis(running, peak[:, :, None] + 5, 2) - np.take_along_axis(running, peak[:, :, None] - 4, 2)
    tonality = around[:, :, 0] / (power[:, :, 4:].sum(axis=2) + 1e-6)
    height = np.take_along_axis(power, peak[:, :, None], 2)[:, :, 0]
    amplitude = 2 * np.sqrt(height) / window.sum()
    left, right = (np.take_along_axis(power, peak[:, :, None] + k, 2)[:, :, 0] for k in (-1, 1))
    crest = (height >= left) & (height >= right)
    shift = 0.5 * (np.sqrt(right) - np.sqrt(left)) / (2 * np.sqrt(height) - np.sqrt(left) - np.sqrt(right) + 1e-6)
    pitch = _TRANSFORM / (peak + np.clip(shift, -0.5, 0.5))
    good = crest & (tonality > _LEAST_TONALITY) & (amplitude > _LEAST_AMPLITUDE) & (pitch > _SHORTEST_PITCH)
    score = np.where(good, amplitude * tonality, 0).astype(np.float32)
    return _Cells(score, amplitude.astype(np.float32), pitch.astype(np.float32), factor)


def _walk(cells: _Cells, free: NDArray[np.float32], top: int, block: int) -> list[tuple[int, int]]:
    """The cells of one row from a seed outwards, as (row, block), left to right."""
    seed = float(cells.score[top, block])
    track = [(top, block)]
    for step in (1, -1):
        row, column, slope = top, block, 0.0
        while 0 <= column + step < free.shape[1]:
            centre = round(row + slope)
            low, high = max(0, centre - 5), min(free.shape[0], centre + 6)
            if low >= high:
                break
            ratio = cells.pitch[low:high, column + step] / cells.pitch[row, column]
            fits = (ratio > 0.78) & (ratio < 1.28)
            here = np.where(fits, free[low:high, column + step], 0)
            here = here * (1 - 0.04 * np.abs(np.arange(low, high) - centre))
            best = int(np.argmax(here))
            if here[best] < 0.12 * seed:
                break
            middle = _middle(cells, low + best, column + step)
            slope = 0.5 * slope + 0.5 * (middle - row)
            row, column = middle, column + step
            track.append((row, column))
    return sorted(track, key=lambda cell: cell[1])


def _middle(cells: _Cells, row: int, column: int) -> int:
    """Middle of the run of rows around `row` that carry at least 0.6 of its amplitude at the same pitch."""
    amplitude, pitch = cells.amplitude[:, column], cells.pitch[:, column]
    alike = (amplitude > 0.6 * amplitude[row]) & (np.abs(pitch / pitch[row] - 1) < 0.08)
    low = high = row
    while low > 0 and alike[low - 1]:
        low -= 1
    while high + 1 < alike.size and alike[high + 1]:
        high += 1
    return (low + high) // 2


def _as_row(cells: _Cells, track: list[tuple[int, int]]) -> FoundRow:
    rows, blocks = (np.array(part) for part in zip(*track, strict=True))
    factor = cells.factor
    return FoundRow(
        x_px=(blocks * _HOP + _BLOCK / 2) * float(factor) - 0.5,
        y_px=(rows * _ROW_STEP + 1.5) * float(factor) - 0.5,
        pitch_px=cells.pitch[rows, blocks].astype(np.float64) * factor,
        amplitude=cells.amplitude[rows, blocks].astype(np.float64),
        score=float(cells.score[rows, blocks].sum()) * factor,
    )


def _distinct(rows: list[FoundRow]) -> tuple[FoundRow, ...]:
    """Best first, without the same row seen at another scale or a harmonic of it."""
    kept: list[FoundRow] = []
    for row in sorted(rows, key=lambda r: r.score, reverse=True):
        if kept and row.score < _LEAST_SHARE * kept[0].score:
            break
        if not any(_overlap(row, other) for other in kept):
            kept.append(row)
    return tuple(kept[:_MOST_ROWS])


def _overlap(row: FoundRow, other: FoundRow) -> bool:
    inside = (row.x_px >= other.x_px[0] - 1) & (row.x_px <= other.x_px[-1] + 1)
    if inside.mean() < 0.5:
        return False
    pitch = np.interp(row.x_px[inside], other.x_px, other.pitch_px)
    multiple = float(np.median(pitch / row.pitch_px[inside]))
    multiple = max(multiple, 1 / multiple)
    if multiple > 3.5 or abs(multiple / round(multiple) - 1) > _SAME_PITCH:
        return False
    there = np.interp(row.x_px[inside], other.x_px, other.y_px)
    reach = 0.35 * pitch
    return float(np.median(np.abs(row.y_px[inside] - there) / reach)) < 1.0
