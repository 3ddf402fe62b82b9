"""Pattern: from frames to rows of dots, one complex amplitude per row and frame, and what the still scenery shows.

Knows nothing of lamps or speeds. One pass: the first frames are held to find and learn the rows, then each frame is
read and let go.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from strobe.capture import Frame
from strobe.pattern.background import BackgroundReader
from strobe.pattern.disc import (
    DiscFacts,
    DiscLight,
    FoundDisc,
    LaneReader,
    RingPlaces,
    RingReader,
    bands_over,
    find_disc,
    learn_lanes,
    learn_ring,
    runs_all_ways,
)
from strobe.pattern.finding import FoundRow, find_rows
from strobe.pattern.images import Plane
from strobe.pattern.impression import Impression, impression
from strobe.pattern.reading import RowReader, learn_row
from strobe.pattern.rim import RimFacts, RimReader, RowShape, dots_along, learn_rim, shape_of
from strobe.pattern.series import PatternReading, RowSeries
from strobe.pattern.shake import CameraCourse, ShakeWatch

__all__ = [
    "CameraCourse",
    "DiscFacts",
    "PatternReading",
    "RimFacts",
    "RingPlaces",
    "RowSeries",
    "RowShape",
    "read_pattern",
]

_HELD = 24
_TRIES = 6
_MOST_READ = 5
_STRONG = 12.0
_MOST_OF_A_RING = 0.52
_MANY_PITCHES = 20.0
_LEAST_STIR = 1.5
_FAR_LIVELIER = 3.0
_WHITE, _LEAST_SHIFT_PX = 0.3, 0.6
"""A shift that jumps from frame to frame like white noise is no camera's motion."""
_TURNED = {"down": "right", "up": "left", "left": "up", "right": "down"}
"""Which way the shutter sweeps once lines and columns are exchanged."""

_Seen: TypeAlias = tuple[list[NDArray[np.complex64]], NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]
"""Of one frame: the rows, the scenery's brightness, the lanes beside rings or row, and how high the row lies."""


@dataclass(frozen=True, eq=False)
class _Learned:
    readers: tuple[RowReader | RingReader, ...]
    background: BackgroundReader | DiscLight
    watch: ShakeWatch | _CalmWatch
    plane: str
    upright: bool
    sweep: str
    grain: tuple[int, int]
    """Size (down, right) of a pixel of the plane in pixels of the luma plane."""
    disc: FoundDisc | None = None
    lanes: LaneReader | None = None
    rim: RimReader | None = None
    size: tuple[int, int] = (0, 0)
    skew_rev: tuple[float, float] = (0.0, np.inf)


def read_pattern(
    frames: Iterable[Frame],
    *,
    full_scale: float = 255.0,
    sweep: str = "down",
    view: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> PatternReading:
    """Read every frame once.

    Parameters
    ----------
    frames : iterable of Frame
        In order of time.
    full_scale : float
        The value of white in the planes.
    sweep : str
        Which way a rolling shutter sweeps the picture: ``down``, ``up``, ``left``, ``right``, or ``sideways`` for left
        or right.
    view : str or None
        ``rim`` for rows along a rim, ``disc`` for rings seen from above; None to let the first frames decide.
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
    seen: list[_Seen] = []
    tries = 0
    look = Impression(0.0, 0.0, 1.0, False, 0.0)
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
        learned = _learn(held, full_scale, sweep, view)
        tries += 1
        if tries == 1:
            look = impression([one.luma for one in held], full_scale=full_scale)
        times += [one.time_s for one in held] if learned is None or not times else []
        if learned is not None:
            times = [one.time_s for one in held]
            seen = [_read(learned, one) for one in held]
        held = []
    if learned is None and held:
        if tries == 0 and len(held) > 2:
            learned = _learn(held, full_scale, sweep, view)
            look = impression([one.luma for one in held], full_scale=full_scale)
        times += [one.time_s for one in held]
        if learned is not None:
            seen = [_read(learned, one) for one in held]
    return _collect(learned, times, seen, look, sweep_known=sweep != "sideways")


def _plane(frame: Frame, name: str, upright: bool) -> Plane | None:
    plane: Plane | None = getattr(frame, name)
    return plane if plane is None or not upright else plane.T


def _learn(held: Sequence[Frame], full_scale: float, sweep: str, view: str | None) -> _Learned | None:
    """Find and learn in the held frames the rings of a disc, level rows, or upright ones where only those stir."""
    if view == "disc":
        return _learn_disc(held, full_scale, sweep)
    if view is None and runs_all_ways([held[0].luma, held[-1].luma], full_scale=full_scale):
        disc = _learn_disc(held, full_scale, sweep)
        if disc is not None and _is_sure(disc):
            return disc
    level = _learn_one_way(held, full_scale, sweep, upright=False)
    if level is not None and _is_clear(level.readers):
        return level
    upright = _learn_one_way(held, full_scale, sweep, upright=True)
    if level is None or upright is None:
        return level or upright
    stirs = _stir(upright, held)
    return upright if stirs > _LEAST_STIR and stirs > _FAR_LIVELIER * _stir(level, held) else level


def _is_sure(learned: _Learned) -> bool:
    """Whether a ring is seen most of the way round and counted, which no row along a rim can be."""
    rings = [reader.places for reader in learned.readers if isinstance(reader, RingReader)]
    return any(ring.bars is not None and ring.seen_share > _MOST_OF_A_RING for ring in rings)


def _is_clear(readers: Sequence[RowReader | RingReader]) -> bool:
    """Whether one of the rows is too strong and too long for mere texture."""
    rows = [one for one in readers if isinstance(one, RowReader)]
    return any(
        one.amplitude > _STRONG and one.x_px.size > _MANY_PITCHES * float(np.median(one.pitch_px)) for one in rows
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


def _learn_one_way(held: Sequence[Frame], full_scale: float, sweep: str, *, upright: bool) -> _Learned | None:
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
    way = "right" if sweep == "sideways" else sweep
    way = _TURNED[way] if upright else way
    background = BackgroundReader(luma, around, full_scale=full_scale, sweep=way)
    watched = [frame.luma.T if upright else frame.luma for frame in held[::2]]
    interval_s = (held[-1].time_s - held[0].time_s) / max(1, len(held) - 1)
    watch = ShakeWatch(watched, around, full_scale=full_scale, interval_s=interval_s)
    grain = (luma[0].shape[0] // clear[0].shape[0], luma[0].shape[1] // clear[0].shape[1])
    rim = None if upright else learn_rim(clear, kept[0], full_scale=full_scale)
    return _Learned(kept, background, watch, name, upright, way, grain, rim=rim, size=clear[0].shape)


def _learn_disc(held: Sequence[Frame], full_scale: float, sweep: str) -> _Learned | None:
    """Rings of a disc seen from above, in luma."""
    luma = [frame.luma for frame in held]
    disc = find_disc(luma[:: max(1, len(luma) // 6)], full_scale=full_scale)
    if disc is None:
        return None
    way = "right" if sweep == "sideways" else sweep
    some = luma[:: max(1, len(luma) // 8)]
    readers = [learn_ring(some, disc, ring, full_scale=full_scale, sweep=way) for ring in disc.rings]
    kept = tuple(reader for reader in readers if reader is not None)[:_MOST_READ]
    if not kept:
        return None
    size = luma[0].shape[0 if way in ("down", "up") else 1]
    lanes = learn_lanes(luma[:: max(1, len(luma) // 16)], disc, full_scale=full_scale, sweep=way)
    return _Learned(
        readers=kept,
        background=DiscLight(some, disc, lanes, full_scale=full_scale, sweep=way),
        watch=_watch_beside(disc, luma, full_scale, kept),
        plane="luma",
        upright=False,
        sweep=way,
        grain=(1, 1),
        disc=disc,
        lanes=lanes,
        skew_rev=disc.skew_rev(size, way),
    )


class _CalmWatch:
    """A watch over scenery that stood still at first: rings are read where they were learned.

    Small shifts average out round a ring better than poor scenery shows them; only a large and smooth one counts.
    """

    def __init__(self, watch: ShakeWatch) -> None:
        self._watch = watch

    def look(self, plane: Plane, *, sure: bool = False) -> tuple[int, int]:
        """Look at the next frame; the rings stay where they are."""
        self._watch.look(plane, sure=sure)
        return (0, 0)

    def course(self, brightness: NDArray[np.float64] | None = None) -> CameraCourse:
        """What was seen."""
        seen = self._watch.course(brightness)
        return replace(seen, moved=_clearly_moved(seen.shift_px), read_at_px=np.zeros_like(seen.read_at_px))


def _clearly_moved(shift_px: NDArray[np.float64]) -> bool:
    """Whether a shift (frames, 2) is a camera's motion: large, and not jumping from frame to frame like noise."""
    smooth = np.var(np.diff(shift_px, axis=0), axis=0) < _WHITE * 2 * np.var(shift_px, axis=0)
    return bool(np.any(smooth & (np.std(shift_px, axis=0) > _LEAST_SHIFT_PX)))


def _watch_beside(
    disc: FoundDisc, luma: Sequence[Plane], full_scale: float, readers: Sequence[RingReader]
) -> ShakeWatch | _CalmWatch:
    """A watch over the scenery beside a disc."""
    bands = cast("Sequence[RowReader]", bands_over(disc, luma[0].shape))
    trial, watch = (ShakeWatch(luma[::2], bands, full_scale=full_scale) for _ in range(2))
    for plane in luma:
        trial.look(plane)
    seen = _CalmWatch(trial).course()
    blocks = np.array([readers[0].read(plane) for plane in luma])
    return watch if _bears_out(seen, blocks, readers[0]) else _CalmWatch(watch)


def _bears_out(camera: CameraCourse, blocks: NDArray[np.complex64], reader: RingReader) -> bool:
    """Whether a ring keeps together better when the motion that the scenery shows is taken off it."""
    if not camera.moved:
        return False
    steadied = camera.taken_off(blocks, cast("RowReader", reader), (1, 1))

    def together(parts: NDArray[np.complex64]) -> float:
        product = parts[:, 1:] * np.conj(parts[:, :-1])
        return float(np.abs(product.sum(axis=0)).sum() / np.abs(product).sum())

    return together(steadied) > together(blocks)


def _read(learned: _Learned, frame: Frame) -> _Seen:
    plane = _plane(frame, learned.plane, learned.upright)
    assert plane is not None
    luma = frame.luma.T if learned.upright else frame.luma
    down, right = learned.watch.look(luma)
    at = (down // learned.grain[0], right // learned.grain[1])
    height = lanes = np.zeros((0, 0), np.float32)
    if learned.lanes is not None:
        lanes = learned.lanes.read(luma, (down, right))
    elif learned.rim is not None:
        height, lanes = learned.rim.read(plane, at)
    return [reader.read(plane, at) for reader in learned.readers], learned.background.brightness(luma), lanes, height


def _collect(
    learned: _Learned | None,
    times: list[float],
    seen: list[_Seen],
    look: Impression,
    *,
    sweep_known: bool,
) -> PatternReading:
    rows: list[RowSeries] = []
    brightness = np.zeros((len(times), 0))
    camera = CameraCourse.unseen(len(times))
    if learned is not None:
        brightness = np.array([one[1] for one in seen], np.float64)
        camera = learned.watch.course(brightness)
        first = learned.readers[0]
        if isinstance(first, RingReader) and not camera.read_at_px.any():
            moved = _bears_out(camera, np.array([one[0][0] for one in seen]), first)
            camera = replace(camera, moved=moved)
        elif not isinstance(first, RingReader):
            camera = camera.unless_it_turns(np.array(times))
        brightness = camera.evened(brightness)
        for k, reader in enumerate(learned.readers):
            if isinstance(reader, RingReader):
                blocks = camera.taken_off(
                    np.array([one[0][k] for one in seen]), cast("RowReader", reader), learned.grain
                )
                rows.append(_ring_series(reader, blocks, cast("RingReader", learned.readers[0])))
                continue
            rows.append(
                RowSeries(
                    height=reader.height,
                    sweep_place=_sweep_place(reader.height, learned.sweep),
                    slope=reader.slope,
                    pitch_px=float(np.percentile(reader.pitch_px, 95)),
                    mean_pitch_px=1 / reader.shift_factor(),
                    dots_in_view=float(np.sum(1 / reader.pitch_px)),
                    contrast=reader.contrast,
                    amplitude=reader.amplitude,
                    blocks=camera.taken_off(np.array([one[0][k] for one in seen]), reader, learned.grain),
                    crowding=reader.crowding(),
                    shape=shape_of(reader, learned.size),
                    places_dots=np.interp(reader.places_px[:, 1], reader.x_px, dots_along(reader)),
                )
            )
    return PatternReading(
        time_s=np.array(times),
        rows=tuple(rows),
        brightness=brightness,
        sweep_known=sweep_known,
        camera=camera,
        upright=learned is not None and learned.upright,
        plane=learned.plane if learned is not None else "luma",
        impression=look,
        disc=None if learned is None else _disc_facts(learned, seen),
        rim=None if learned is None else _rim_facts(learned, seen),
    )


def _ring_series(reader: RingReader, blocks: NDArray[np.complex64], first: RingReader) -> RowSeries:
    places = reader.places
    return RowSeries(
        height=float(np.median(places.sweep_place)),
        sweep_place=None,
        slope=0.0,
        pitch_px=first.pitch_px * first.places.bars_seen / places.bars_seen,
        mean_pitch_px=reader.mean_pitch_px,
        dots_in_view=places.bars_seen * places.seen_share,
        contrast=reader.contrast,
        amplitude=reader.amplitude,
        blocks=blocks,
        ring=places,
    )


def _disc_facts(learned: _Learned, seen: list[_Seen]) -> DiscFacts | None:
    if learned.disc is None or learned.lanes is None:
        return None
    return DiscFacts(
        elevation_deg=learned.disc.elevation_deg,
        paper_radius=learned.lanes.paper_radius,
        skew_rev=learned.skew_rev[0],
        skew_noise_rev=learned.skew_rev[1],
        azimuth_rad=learned.lanes.azimuth_rad,
        lane_sweep=learned.lanes.sweep_place,
        lanes=np.stack([one[2] for one in seen]),
    )


def _rim_facts(learned: _Learned, seen: list[_Seen]) -> RimFacts | None:
    reader = learned.rim
    if reader is None:
        return None
    return RimFacts(
        line_px=reader.line_px,
        part_x_px=reader.part_x_px,
        profiles=np.stack([one[3] for one in seen]),
        lean=reader.lean,
        sector_dots=reader.sector_dots,
        lanes=np.stack([one[2] for one in seen]),
    )


def _sweep_place(height: float, sweep: str) -> float | None:
    return {"down": height, "up": 1 - height}.get(sweep)
