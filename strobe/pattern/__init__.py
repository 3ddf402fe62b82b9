"""Pattern: from frames to rows of dots, one complex amplitude per row and frame, and what the still scenery shows.

Knows nothing of lamps or speeds. One pass: the first frames are held to find and learn the rows, then each frame is
read and let go.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.capture import Frame
from strobe.pattern.background import BackgroundReader
from strobe.pattern.finding import FoundRow, find_rows
from strobe.pattern.images import Plane, decimate
from strobe.pattern.reading import RowReader, learn_row

__all__ = ["PatternReading", "RowSeries", "read_pattern"]

_HELD = 24
_TRIES = 6
_MOST_READ = 5


@dataclass(frozen=True, eq=False)
class RowSeries:
    """One row of dots through the clip.

    Attributes
    ----------
    height : float
        Place in the picture, 0 (top or, for an upright row, left) to 1.
    slope : float
        Mean fall of the row per pixel along it.
    pitch_px : float
        Widest distance from dot to dot, near the middle of the rim.
    mean_pitch_px : float
        Mean distance, weighed as the reading weighs the pixels.
    dots_in_view : float
        Dots between the ends of the row.
    contrast, amplitude : float
        Amplitude of the pattern as a share of its mean brightness, and in grey levels.
    blocks : array of complex64 (frames, blocks)
        Amplitude of each part of the row in each frame; the phase grows when the pattern moves left.
    """

    height: float
    slope: float
    pitch_px: float
    mean_pitch_px: float
    dots_in_view: float
    contrast: float
    amplitude: float
    blocks: NDArray[np.complex64]


@dataclass(frozen=True, eq=False)
class PatternReading:
    """All that was read of the frames.

    Attributes
    ----------
    time_s : array of float64 (frames,)
        Times of the frames that were read.
    rows : tuple of RowSeries
        Rows found, the clearest first; empty when there are none.
    brightness : array of float64 (frames, picture rows)
        Brightness of the still scenery by picture row, top to bottom.
    shift_px : array of float64 (frames, 2)
        Shift of the scenery along a row and across it; NaN where there is nothing to hold on to.
    shift_noise_px : float
        1-sigma noise of one shift.
    upright : bool
        Whether the rows run up the picture (all places are then those of the turned picture).
    plane : str
        ``luma``, ``cb`` or ``cr``: where the contrast was.
    mean_level, bright_share, restless : float
        Mean brightness (0 to 255), share of white pixels, and how much more than the rest of the picture the most
        restless band in it changes from frame to frame (about 1 where nothing moves).
    """

    time_s: NDArray[np.float64]
    rows: tuple[RowSeries, ...]
    brightness: NDArray[np.float64]
    shift_px: NDArray[np.float64]
    shift_noise_px: float
    upright: bool
    plane: str
    mean_level: float
    bright_share: float
    restless: float


@dataclass(frozen=True, eq=False)
class _Learned:
    readers: tuple[RowReader, ...]
    background: BackgroundReader
    plane: str
    upright: bool


def read_pattern(
    frames: Iterable[Frame], *, full_scale: float = 255.0, progress: Callable[[float], None] | None = None
) -> PatternReading:
    """Read every frame once.

    Parameters
    ----------
    frames : iterable of Frame
        In order of time.
    full_scale : float
        The value of white in the planes.
    progress : callable or None
        Called with the time of the frame just read, in seconds.

    Returns
    -------
    PatternReading
        With no rows when none was found in the first seconds.
    """
    held: list[Frame] = []
    learned: _Learned | None = None
    times: list[float] = []
    seen: list[tuple[list[NDArray[np.complex64]], NDArray[np.float32], tuple[float, float, float]]] = []
    tries = 0
    level, bright, restless = 0.0, 0.0, 1.0
    for frame in frames:
        if progress is not None:
            progress(frame.time_s)
        if learned is not None:
            times.append(frame.time_s)
            seen.append(_read(learned, frame))
            continue
        if tries >= _TRIES:
            times.append(frame.time_s)
            continue
        held.append(frame)
        if len(held) < _HELD:
            continue
        learned, tries = _learn(held, full_scale), tries + 1
        if tries == 1:
            level, bright, restless = _impression(held, full_scale)
        times += [one.time_s for one in held] if learned is None or not times else []
        if learned is not None:
            times = [one.time_s for one in held]
            seen = [_read(learned, one) for one in held]
        held = []
    if learned is None and held:
        if tries == 0 and len(held) > 2:
            learned = _learn(held, full_scale)
            level, bright, restless = _impression(held, full_scale)
        times += [one.time_s for one in held]
        if learned is not None:
            seen = [_read(learned, one) for one in held]
    return _collect(learned, times, seen, level, bright, restless)


def _plane(frame: Frame, name: str, upright: bool) -> Plane | None:
    plane: Plane | None = getattr(frame, name)
    return plane if plane is None or not upright else plane.T


def _learn(held: Sequence[Frame], full_scale: float) -> _Learned | None:
    """Find and learn the rows in the held frames: level ones first, then upright, in the plane with the contrast."""
    for upright in (False, True):
        best: tuple[float, str, tuple[FoundRow, ...]] | None = None
        for name in ("luma", "cb", "cr"):
            planes = [_plane(frame, name, upright) for frame in held[:: max(1, len(held) // 6)]]
            if any(plane is None for plane in planes):
                continue
            rows = find_rows([plane for plane in planes if plane is not None], full_scale=full_scale)
            score = max((float(np.median(row.amplitude)) for row in rows), default=0.0)
            if rows and (best is None or score > 1.5 * best[0]):
                best = (score, name, rows)
            if name == "luma" and score > 12:
                break
        if best is None:
            continue
        _, name, rows = best
        picked = [_plane(frame, name, upright) for frame in held[:: max(1, len(held) // 12)]]
        clear = [plane for plane in picked if plane is not None]
        readers = [learn_row(clear, row, full_scale=full_scale) for row in rows]
        kept = tuple(reader for reader in readers if reader is not None)[:_MOST_READ]
        if kept:
            luma = [frame.luma.T if upright else frame.luma for frame in held[::3]]
            around = kept if name == "luma" else ()
            return _Learned(kept, BackgroundReader(luma, around, full_scale=full_scale), name, upright)
    return None


def _read(
    learned: _Learned, frame: Frame
) -> tuple[list[NDArray[np.complex64]], NDArray[np.float32], tuple[float, float, float]]:
    plane = _plane(frame, learned.plane, learned.upright)
    assert plane is not None
    luma = frame.luma.T if learned.upright else frame.luma
    return (
        [reader.read(plane) for reader in learned.readers],
        learned.background.brightness(luma),
        learned.background.shift(luma),
    )


def _collect(
    learned: _Learned | None,
    times: list[float],
    seen: list[tuple[list[NDArray[np.complex64]], NDArray[np.float32], tuple[float, float, float]]],
    level: float,
    bright: float,
    restless: float,
) -> PatternReading:
    rows: list[RowSeries] = []
    brightness = np.zeros((len(times), 0))
    shift = np.full((len(times), 2), np.nan)
    noise = float("nan")
    if learned is not None:
        brightness = np.array([one[1] for one in seen], np.float64)
        shift = np.array([one[2][:2] for one in seen], np.float64)
        noise = float(np.median([one[2][2] for one in seen]))
        for k, reader in enumerate(learned.readers):
            rows.append(
                RowSeries(
                    height=reader.height,
                    slope=reader.slope,
                    pitch_px=float(np.percentile(reader.pitch_px, 95)),
                    mean_pitch_px=1 / reader.shift_factor(),
                    dots_in_view=float(np.sum(1 / reader.pitch_px)),
                    contrast=reader.contrast,
                    amplitude=reader.amplitude,
                    blocks=np.array([one[0][k] for one in seen]),
                )
            )
    return PatternReading(
        time_s=np.array(times),
        rows=tuple(rows),
        brightness=brightness,
        shift_px=shift,
        shift_noise_px=noise,
        upright=learned is not None and learned.upright,
        plane=learned.plane if learned is not None else "luma",
        mean_level=level,
        bright_share=bright,
        restless=restless,
    )


def _impression(held: Sequence[Frame], full_scale: float) -> tuple[float, float, float]:
    """Mean brightness, share of white, and how restless the most restless band of the picture is against the rest."""
    factor = max(1, held[0].luma.shape[1] // 320)
    small = np.stack([decimate(frame.luma, factor) for frame in held]) * (255.0 / full_scale)
    level, bright = float(small.mean()), float(np.mean(small > 245))
    if small.shape[0] < 8 or min(small.shape[1:]) < 16:
        return level, bright, 1.0
    lines = small.mean(axis=2, keepdims=True)
    small = small * (lines.mean(axis=0) / (lines + 1)) - lines.mean(axis=0)
    change = np.abs(small[2:] - 2 * small[1:-1] + small[:-2]).mean(axis=0)
    width = 5
    lines = np.stack([change[:, k::4].mean(axis=1) for k in range(4)])
    bands = np.array([lines[:, k : k + width].mean(axis=1) for k in range(0, lines.shape[1] - width)])
    typical = float(np.median(bands)) + 0.05
    return level, bright, float(bands.min(axis=1).max() / typical)
