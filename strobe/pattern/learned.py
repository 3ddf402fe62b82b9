"""What the first frames taught: how to read a row in any later frame, and to make one reading of all that was read.

The rows may be level or upright, in luma or in a colour, along a rim or round a disc; whoever reads frames need not
know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.capture import Frame
from strobe.pattern.background import BackgroundReader, taken_way
from strobe.pattern.camera import CameraCourse
from strobe.pattern.disc import (
    CalmWatch,
    DiscFacts,
    DiscLight,
    FoundDisc,
    LaneReader,
    RingReader,
    bears_out,
    find_disc,
    learn_lanes,
    learn_ring,
    runs_all_ways,
    watch_beside,
)
from strobe.pattern.finding import FoundRow, find_rows
from strobe.pattern.images import Plane
from strobe.pattern.impression import Impression
from strobe.pattern.leaving import dots_leave
from strobe.pattern.reading import RowReader, learn_row
from strobe.pattern.rim import RimFacts, RimReader, dots_along, learn_rim, shape_of
from strobe.pattern.series import PatternReading, RowSeries
from strobe.pattern.shake import ShakeWatch

__all__ = ["HELD", "FrameSeen", "Learned", "learn", "unlearned"]

HELD = 24
"""Frames that are enough to learn from."""
_MOST_READ = 5
"""Rows that are read through the clip at most, to bound the work."""
_STRONG = 12.0
"""Grey levels of a row that no mere texture has: it spares the search of the colours, and of upright rows."""
_CLEARER_COLOUR = 1.5
"""By how much stronger a row must be in a colour to be read there rather than in luma, which is finer."""
_MOST_OF_A_RING = 0.52
"""Share of the circle that must be seen: a rim never shows more than half."""
_MANY_PITCHES = 20.0
"""Length in dots of a row that no mere texture has; by trial."""
_LEAST_STIR = 1.5
_FAR_LIVELIER = 3.0
"""Grey levels by which an upright row changes, and how many times more than any level row, to be taken before it; by
trial."""
_TURNED = {"down": "right", "up": "left", "left": "up", "right": "down"}
"""Which way the shutter sweeps once lines and columns are exchanged."""


@dataclass(frozen=True, eq=False)
class FrameSeen:
    """All that was read of one frame.

    Attributes
    ----------
    rows : tuple of arrays of complex64 (blocks,)
        Amplitudes of the parts of each row.
    brightness : array of float32 (bins,)
        Of the scenery, in the order of exposure.
    lanes : array of float32 (lanes, sectors)
        Brightness beside the rings of a disc, or along a rim.
    heights : array of float32 (lines, parts)
        Amplitude of the clearest row of a rim by picture line.
    """

    rows: tuple[NDArray[np.complex64], ...]
    brightness: NDArray[np.float32]
    lanes: NDArray[np.float32]
    heights: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Learned:
    """How to read frames; made by `learn`.

    Attributes
    ----------
    readers : tuple of RowReader or RingReader
        Of the rows, the clearest first.
    background : BackgroundReader or DiscLight
        Of the scenery's brightness.
    watch : ShakeWatch or CalmWatch
        Over the scenery's motion, which `read` goes on with from frame to frame.
    plane : str
        ``luma``, ``cb`` or ``cr``: where the contrast is.
    upright : bool
        Whether the rows run up the picture, and lines and columns are exchanged first.
    sweep : str
        Which way the shutter sweeps the planes, after that.
    grain : tuple of int
        Size (down, right) of a pixel of the plane in pixels of the luma plane.
    size : tuple of int
        Size (height, width) of the plane.
    disc, lanes, skew_rev
        What was found of a disc, as of `DiscFacts`.
    rim : RimReader or None
        Of the rim's lines and lanes.
    """

    readers: tuple[RowReader | RingReader, ...]
    background: BackgroundReader | DiscLight
    watch: ShakeWatch | CalmWatch
    plane: str
    upright: bool
    sweep: str
    grain: tuple[int, int]
    size: tuple[int, int]
    disc: FoundDisc | None = None
    lanes: LaneReader | None = None
    skew_rev: tuple[float, float] = (0.0, np.inf)
    rim: RimReader | None = None

    @property
    def rows_in_luma(self) -> tuple[RowReader, ...]:
        """Rows of a rim that whoever watches the scenery keeps clear of; those read in a colour hardly show in luma."""
        if self.plane != "luma":
            return ()
        return tuple(one for one in self.readers if isinstance(one, RowReader))

    def plane_of(self, frame: Frame) -> Plane:
        """The plane of a frame that the rows are read in."""
        plane = _plane(frame, self.plane, self.upright)
        assert plane is not None
        return plane

    def luma_of(self, frame: Frame) -> Plane:
        """The luma plane of a frame as the scenery is read in it."""
        return frame.luma.T if self.upright else frame.luma

    def read(self, frame: Frame) -> FrameSeen:
        """Read the next frame, the rows where the camera's motion has carried them."""
        plane, luma = self.plane_of(frame), self.luma_of(frame)
        down, right = self.watch.look(luma)
        at = (down // self.grain[0], right // self.grain[1])
        heights = lanes = np.zeros((0, 0), np.float32)
        if self.lanes is not None:
            lanes = self.lanes.read(luma, (down, right))
        elif self.rim is not None:
            heights, lanes = self.rim.read(plane, at)
        rows = tuple(reader.read(plane, at) for reader in self.readers)
        return FrameSeen(rows, self.background.brightness(luma), lanes, heights)

    def reading(
        self, time_s: Sequence[float], seen: Sequence[FrameSeen], look: Impression, *, sweep_known: bool
    ) -> PatternReading:
        """All frames that were read, at their times, as one reading; the camera's motion is taken off the rows.

        Where the picture leaves its dots, those up to there.
        """
        end = dots_leave(np.array(time_s), np.array([one.rows[0] for one in seen]), self.watch.course())
        if end is None:
            return self._reading(time_s, seen, look, sweep_known=sweep_known)
        return replace(self._reading(time_s[:end], seen[:end], look, sweep_known=sweep_known), left_s=time_s[end])

    def _reading(
        self, time_s: Sequence[float], seen: Sequence[FrameSeen], look: Impression, *, sweep_known: bool
    ) -> PatternReading:
        brightness = np.array([one.brightness for one in seen], np.float64)
        blocks = [np.array([one.rows[k] for one in seen]) for k in range(len(self.readers))]
        camera = self._camera(np.array(time_s), brightness, blocks[0])
        rows = [
            self._series(reader, camera.taken_off(own, reader, self.grain))
            for reader, own in zip(self.readers, blocks, strict=True)
        ]
        return PatternReading(
            time_s=np.array(time_s),
            rows=tuple(rows),
            brightness=camera.evened(brightness),
            sweep_known=sweep_known,
            camera=camera,
            upright=self.upright,
            plane=self.plane,
            impression=look,
            disc=self._disc_facts(seen),
            rim=self._rim_facts(seen),
        )

    def _camera(
        self, time_s: NDArray[np.float64], brightness: NDArray[np.float64], blocks: NDArray[np.complex64]
    ) -> CameraCourse:
        """The camera's course, its motion borne out by the first row's `blocks` (frames, blocks) before a disc."""
        camera, first = self.watch.course(brightness), self.readers[0]
        if isinstance(first, RowReader):
            return camera.unless_it_turns(time_s)
        return camera if camera.read_at_px.any() else replace(camera, moved=bears_out(camera, blocks, first))

    def _series(self, reader: RowReader | RingReader, blocks: NDArray[np.complex64]) -> RowSeries:
        if isinstance(reader, RowReader):
            return RowSeries(
                height=reader.height,
                sweep_place={"down": reader.height, "up": 1 - reader.height}.get(self.sweep),
                slope=reader.slope,
                pitch_px=float(np.percentile(reader.pitch_px, 95)),
                mean_pitch_px=1 / reader.shift_factor(),
                dots_in_view=float(np.sum(1 / reader.pitch_px)),
                contrast=reader.contrast,
                amplitude=reader.amplitude,
                blocks=blocks,
                crowding=reader.crowding(),
                shape=shape_of(reader, self.size),
                places_dots=np.interp(reader.places_px[:, 1], reader.x_px, dots_along(reader)),
            )
        places, first = reader.places, self.readers[0]
        assert isinstance(first, RingReader)
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

    def _disc_facts(self, seen: Sequence[FrameSeen]) -> DiscFacts | None:
        if self.disc is None or self.lanes is None:
            return None
        return DiscFacts(
            elevation_deg=self.disc.elevation_deg,
            paper_radius=self.lanes.paper_radius,
            skew_rev=self.skew_rev[0],
            skew_noise_rev=self.skew_rev[1],
            azimuth_rad=self.lanes.azimuth_rad,
            lane_sweep=self.lanes.sweep_place,
            lanes=np.stack([one.lanes for one in seen]),
        )

    def _rim_facts(self, seen: Sequence[FrameSeen]) -> RimFacts | None:
        if self.rim is None:
            return None
        return RimFacts(
            line_px=self.rim.line_px,
            part_x_px=self.rim.part_x_px,
            profiles=np.stack([one.heights for one in seen]),
            lean=self.rim.lean,
            sector_dots=self.rim.sector_dots,
            lanes=np.stack([one.lanes for one in seen]),
        )


def unlearned(time_s: Sequence[float], look: Impression, *, sweep_known: bool) -> PatternReading:
    """The reading of frames in which no row was found."""
    return PatternReading(
        time_s=np.array(time_s),
        rows=(),
        brightness=np.zeros((len(time_s), 0)),
        sweep_known=sweep_known,
        camera=CameraCourse.unseen(len(time_s)),
        upright=False,
        plane="luma",
        impression=look,
    )


def _plane(frame: Frame, name: str, upright: bool) -> Plane | None:
    plane: Plane | None = getattr(frame, name)
    return plane if plane is None or not upright else plane.T


def learn(held: Sequence[Frame], *, full_scale: float, sweep: str, view: str | None) -> Learned | None:
    """Find and learn in the held frames the rings of a disc, level rows, or upright ones where only those stir.

    Parameters
    ----------
    held : sequence of Frame
        Some frames in order of time; `HELD` are enough.
    full_scale, sweep, view
        As for `strobe.pattern.read_pattern`.

    Returns
    -------
    Learned or None
        None where no row is found.
    """
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


def _is_sure(learned: Learned) -> bool:
    """Whether a ring is seen most of the way round and counted, which no row along a rim can be."""
    rings = [reader.places for reader in learned.readers if isinstance(reader, RingReader)]
    return any(ring.bars is not None and ring.seen_share > _MOST_OF_A_RING for ring in rings)


def _is_clear(readers: Sequence[RowReader | RingReader]) -> bool:
    """Whether one of the rows is too strong and too long for mere texture."""
    rows = [one for one in readers if isinstance(one, RowReader)]
    return any(
        one.amplitude > _STRONG and one.x_px.size > _MANY_PITCHES * float(np.median(one.pitch_px)) for one in rows
    )


def _stir(learned: Learned, held: Sequence[Frame]) -> float:
    """How much, in grey levels, the liveliest row changes about its mean; texture that stands still does not."""
    planes = [_plane(frame, learned.plane, learned.upright) for frame in held]
    stirs = []
    for reader in learned.readers:
        total = np.array([reader.read(plane).sum() for plane in planes if plane is not None])
        share = float(np.std(total) / (np.sqrt(np.mean(np.abs(total) ** 2)) + 1e-12))
        stirs.append(reader.amplitude * share)
    return max(stirs)


def _learn_one_way(held: Sequence[Frame], full_scale: float, sweep: str, *, upright: bool) -> Learned | None:
    """Rows of one direction, in the plane with the contrast."""
    best: tuple[float, str, tuple[FoundRow, ...]] | None = None
    for name in ("luma", "cb", "cr"):
        planes = [_plane(frame, name, upright) for frame in held[:: max(1, len(held) // 6)]]
        if any(plane is None for plane in planes):
            continue
        rows = find_rows([plane for plane in planes if plane is not None], full_scale=full_scale)
        score = max((float(np.median(row.amplitude)) for row in rows), default=0.0)
        if rows and (best is None or score > _CLEARER_COLOUR * best[0]):
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
    way = _TURNED[taken_way(sweep)] if upright else taken_way(sweep)
    background = BackgroundReader(luma, around, full_scale=full_scale, sweep=way)
    watched = [frame.luma.T if upright else frame.luma for frame in held[::2]]
    interval_s = (held[-1].time_s - held[0].time_s) / max(1, len(held) - 1)
    watch = ShakeWatch(watched, around, full_scale=full_scale, interval_s=interval_s)
    grain = (luma[0].shape[0] // clear[0].shape[0], luma[0].shape[1] // clear[0].shape[1])
    rim = None if upright else learn_rim(clear, kept[0], full_scale=full_scale)
    return Learned(kept, background, watch, name, upright, way, grain, clear[0].shape, rim=rim)


def _learn_disc(held: Sequence[Frame], full_scale: float, sweep: str) -> Learned | None:
    """Rings of a disc seen from above, in luma."""
    luma = [frame.luma for frame in held]
    disc = find_disc(luma[:: max(1, len(luma) // 6)], full_scale=full_scale)
    if disc is None:
        return None
    way = taken_way(sweep)
    some = luma[:: max(1, len(luma) // 8)]
    readers = [learn_ring(some, disc, ring, full_scale=full_scale, sweep=way) for ring in disc.rings]
    kept = tuple(reader for reader in readers if reader is not None)[:_MOST_READ]
    if not kept:
        return None
    along_px = luma[0].shape[0 if way in ("down", "up") else 1]
    lanes = learn_lanes(luma[:: max(1, len(luma) // 16)], disc, full_scale=full_scale, sweep=way)
    return Learned(
        readers=kept,
        background=DiscLight(some, disc, lanes, full_scale=full_scale, sweep=way),
        watch=watch_beside(disc, luma, kept[0], full_scale=full_scale),
        plane="luma",
        upright=False,
        sweep=way,
        grain=(1, 1),
        size=luma[0].shape,
        disc=disc,
        lanes=lanes,
        skew_rev=disc.skew_rev(along_px, way),
    )
