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
from strobe.pattern.images import Plane
from strobe.pattern.impression import Impression, impression
from strobe.pattern.reading import RowReader, learn_row

__all__ = ["PatternReading", "RowSeries", "read_pattern"]

_HELD = 24
_TRIES = 6
_MOST_READ = 5
_STRONG = 12.0
_MANY_PITCHES = 20.0
_LEAST_STIR = 1.5
_FAR_LIVELIER = 3.0


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
    impression : Impression
        What the first frames look like as a whole, for telling why there are no rows.
    """

    time_s: NDArray[np.float64]
    rows: tuple[RowSeries, ...]
    brightness: NDArray[np.float64]
    shift_px: NDArray[np.float64]
    shift_noise_px: float
    upright: bool
    plane: str
    impression: Impression


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
    look = Impression(0.0, 0.0, 1.0, False)
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
            look = impression([one.luma for one in held], full_scale=full_scale)
        times += [one.time_s for one in held] if learned is None or not times else []
        if learned is not None:
            times = [one.time_s for one in held]
            seen = [_read(learned, one) for one in held]
        held = []
    if learned is None and held:
        if tries == 0 and len(held) > 2:
            learned = _learn(held, full_scale)
            look = impression([one.luma for one in held], full_scale=full_scale)
        times += [one.time_s for one in held]
        if learned is not None:
            seen = [_read(learned, one) for one in held]
    return _collect(learned, times, seen, look)


def _plane(frame: Frame, name: str, upright: bool) -> Plane | None:
    plane: Plane | None = getattr(frame, name)
    return plane if plane is None or not upright else plane.T


def _learn(held: Sequence[Frame], full_scale: float) -> _Learned | None:
    """Find and learn the rows in the held frames: level ones, or upright ones where only those stir."""
    level = _learn_one_way(held, full_scale, upright=False)
    if level is not None and _is_clear(level.readers):
        return level
    upright = _learn_one_way(held, full_scale, upright=True)
    if level is None or upright is None:
        return level or upright
    stirs = _stir(upright, held)
    return upright if stirs > _LEAST_STIR and stirs > _FAR_LIVELIER * _stir(level, held) else level


def _is_clear(readers: Sequence[RowReader]) -> bool:
    """Whether one of the rows is too strong and too long for mere texture."""
    return any(
        one.amplitude > _STRONG and one.x_px.size > _MANY_PITCHES * float(np.median(one.pitch_px)) for one in readers
    )


def _stir(learned: _Learned, held: Sequence[Frame]) -> float:
    """How much, in grey levels, the liveliest row changes about its mean; texture that stands still does not."""
    planes = [_plane(frame, learned.plane, learned.upright) for frame in held]
    stirs = []
    for reader in learned.readers:
        total = np.array([reader.read(plane).sum() for plane in planes if plane is not None])
        share = float(np.std(total) / (np.sqrt(np.mean(np.abs(total) ** 2)) + 1e-12))
        stirs.append(reader.amplitude * share)
    return max(stirs)


def _learn_one_way(held: Sequence[Frame], full_scale: float, *, upright: bool) -> _Learned | None:
    """Rows of one direction, in the plane with the contrast."""
    best: tuple[float, str, tuple[FoundRow, ...]] | None = None
    for name in ("luma", "cb", "cr"):
        planes = [_plane(frame, name, upright) for frame in held[:: max(1, len(held) // 6)]]
        if any(plane is None for plane in planes):
            continue
        rows = find_rows([plane for plane in planes if plane is not None], full_scale=full_scale)
        score = max((float(np.median(row.amplitude)) for row in rows), default=0.0)
        if rows and (best is None or score > 1.5 * best[0]):
            best = (score, name, rows)
        if name == "luma" and score > _STRONG:
            break
    if best is None:
        return None
    _, name, rows = best
    picked = [_plane(frame, name, upright) for frame in held[:: max(1, len(held) // 12)]]
    clear = [plane for plane in picked if plane is not None]
    readers = [learn_row(clear, row, full_scale=full_scale) for row in rows]
    kept = tuple(reader for reader in readers if reader is not None)[:_MOST_READ]
    if not kept:
        return None
    luma = [frame.luma.T if upright else frame.luma for frame in held[::3]]
    around = kept if name == "luma" else ()
    return _Learned(kept, BackgroundReader(luma, around, full_scale=full_scale), name, upright)


def _read(
    learned: _Learned, frame: Frame
) -> tuple[list[NDArray[np.complex64]], NDArray[np.float32], tuple[float, float, float]]:
    plane = _plane(frame, learned.plane, learned.upright)
    assert plane is not None
    luma = frame.luma.T if learned.upright else frame.luma
    return (
        [reader.read(plane) for reader in learned.readers],
        learned.background.brightness(luma),
        learned.background.watch(luma),
    )


def _collect(
    learned: _Learned | None,
    times: list[float],
    seen: list[tuple[list[NDArray[np.complex64]], NDArray[np.float32], tuple[float, float, float]]],
    look: Impression,
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
        impression=look,
    )
