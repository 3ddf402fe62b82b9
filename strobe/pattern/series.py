"""What one pass over a clip has read: the rows of dots through the frames, and what stands still beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.camera import CameraCourse
from strobe.pattern.disc import DiscFacts, RingPlaces
from strobe.pattern.impression import Impression
from strobe.pattern.rim import RimFacts, RowShape

__all__ = ["PatternReading", "RowSeries"]

_BESIDE, _LIVELY_PERCENT = 8, 70
"""Changes before and after a frame, and the percentile of them that says how lively the picture is; by trial."""
_STANDS, _MOVES = 0.1, 0.06
"""A repeated picture changes less than this share of what is usual before and after, a hundredth of a dot at least, and
its dots are as bright within that share."""
_HARDLY = 3 * _STANDS
"""Up to which share of it a picture changes by little: chance spreads changes evenly there, twice as many as stand, and
between pictures that were put in twice and others there are next to none (seen on rendered clips)."""
_SHOWS, _BRIGHT_PERCENT = 0.1, 90
"""A frame that met no flash shows less than this share of the pattern that the bright ones show; black is all alike."""
_LIT_ALIKE = 0.01
"""Of the brightness: a picture put in twice is lit as before to a thousandth; flicker changes it by hundredths."""
_SCENERY_STANDS_PX = 0.06
"""In a picture put in twice the scenery stands as well, even in a hand."""


@dataclass(frozen=True, eq=False)
class RowSeries:
    """One row of dots through the clip.

    Attributes
    ----------
    height : float
        Place in the picture, 0 (top or, for an upright row, left) to 1.
    sweep_place : float or None
        Place in the order of exposure, 0 (first) to 1; None where a rolling shutter sweeps along the row, so that each
        part of it has a time of its own.
    slope : float
        Mean fall of the row per pixel along it.
    pitch_px : float
        Widest distance from dot to dot, near the middle of the rim; for the rings of a disc as if all had the radius of
        the first, so that pitches stand to each other as one over the counts.
    mean_pitch_px : float
        Mean distance, weighed as the reading weighs the pixels.
    dots_in_view : float
        Dots between the ends of the row.
    crowding : float or None
        How the dots crowd towards its ends, as `RowReader.crowding` says; None for the rings of a disc.
    contrast, amplitude : float
        Amplitude of the pattern as a share of its mean brightness, and in grey levels.
    blocks : array of complex64 (frames, blocks)
        Amplitude of each part of the row in each frame; the phase grows when the pattern moves left.
    ring : RingPlaces or None
        Where the parts lie on a ring seen from above; None for a row along a rim.
    shape : RowShape or None
        Where a row along a rim lies in the picture.
    places_dots : array of float64 (blocks,) or None
        Dots from the row's left end to the middle of each part of a row along a rim.
    """

    height: float
    sweep_place: float | None
    slope: float
    pitch_px: float
    mean_pitch_px: float
    dots_in_view: float
    contrast: float
    amplitude: float
    blocks: NDArray[np.complex64]
    ring: RingPlaces | None = None
    crowding: float | None = None
    shape: RowShape | None = None
    places_dots: NDArray[np.float64] | None = None


@dataclass(frozen=True, eq=False)
class PatternReading:
    """All that was read of the frames.

    Attributes
    ----------
    time_s : array of float64 (frames,)
        Times of the frames that were read.
    rows : tuple of RowSeries
        Rows found, the clearest first; empty when there are none.
    brightness : array of float64 (frames, bins)
        Brightness of the still scenery across the picture, in the order of exposure.
    sweep_known : bool
        Whether that order is known; else it may be the other way round.
    camera : CameraCourse
        How the scenery moved in the picture; where the camera moved at all, that is taken off the blocks of the rows.
    upright : bool
        Whether the rows run up the picture (all places are then those of the turned picture).
    plane : str
        ``luma``, ``cb`` or ``cr``: where the contrast was.
    impression : Impression
        What the first frames look like as a whole, for telling why there are no rows.
    disc : DiscFacts or None
        What else was seen of a disc from above; None for the rim.
    rim : RimFacts or None
        What else was seen of the rim; None for a disc, and for rows that run up the picture.
    left_s : float or None
        When the picture left its dots, by a zoom or a knock, and the frames that were read end; None where it did not.
    """

    time_s: NDArray[np.float64]
    rows: tuple[RowSeries, ...]
    brightness: NDArray[np.float64]
    sweep_known: bool
    camera: CameraCourse
    upright: bool
    plane: str
    impression: Impression
    disc: DiscFacts | None = None
    rim: RimFacts | None = None
    left_s: float | None = None

    @property
    def shift_px(self) -> NDArray[np.float64]:
        """Shift of the scenery along a row and across it (frames, 2); NaN where there is nothing to hold on to."""
        return self.camera.shift_px

    @property
    def shift_noise_px(self) -> float:
        """1-sigma noise of one shift."""
        return self.camera.noise_px

    def only(self, frames: NDArray[np.int_]) -> PatternReading:
        """The same reading with some of its frames alone."""
        if frames.size == self.time_s.size:
            return self
        rows = tuple(replace(row, blocks=row.blocks[frames]) for row in self.rows)
        return replace(
            self,
            time_s=self.time_s[frames],
            rows=rows,
            brightness=self.brightness[frames],
            camera=self.camera.only(frames),
            disc=None if self.disc is None else replace(self.disc, lanes=self.disc.lanes[frames]),
            rim=None if self.rim is None else self.rim.only(frames),
        )

    def repeats(self) -> NDArray[np.bool_]:
        """Frames (frames,) in which the pattern stands exactly as in the frame before, while it moves in most others.

        That is how a picture looks that a camera or program put in twice. Where the pattern hardly moves from frame to
        frame, or is not lit, nothing is marked: there a repeated picture does no harm. What changes in pictures that
        hardly a flash has lit is noise, and no motion. Nor is anything marked where pictures change by little as often
        as by next to nothing, as by frames that wander where dots run about a whole gap from one to the next.
        """
        marked = np.zeros(self.time_s.size, bool)
        if not self.rows or self.time_s.size < 3:
            return marked
        sizes = [np.sqrt(np.mean(np.abs(row.blocks) ** 2, axis=1, keepdims=True)) + 1e-12 for row in self.rows]
        blocks = np.concatenate([row.blocks / size for row, size in zip(self.rows, sizes, strict=True)], axis=1)
        shows = np.any([size[:, 0] > _SHOWS * np.percentile(size, _BRIGHT_PERCENT) for size in sizes], axis=0)
        pair = np.flatnonzero(shows[1:] & shows[:-1])
        lit = np.minimum(np.mean([size[:, 0] / np.sqrt(np.mean(size**2)) for size in sizes], axis=0), 1.0)
        change = np.sqrt(np.mean(np.abs(np.diff(blocks, axis=0)[pair]) ** 2, axis=1))
        change *= np.minimum(lit[1:], lit[:-1])[pair]
        padded = (
            np.pad(change, _BESIDE, mode="reflect") if change.size > _BESIDE else np.zeros(change.size + 2 * _BESIDE)
        )
        windows = np.lib.stride_tricks.sliding_window_view(padded, _BESIDE)
        lively = np.percentile(windows, _LIVELY_PERCENT, axis=1)
        around = np.minimum(lively[: change.size], lively[_BESIDE + 1 :])
        bright = np.linalg.norm(np.concatenate(sizes, axis=1), axis=1)
        as_bright = np.abs(np.diff(bright)) < _STANDS * bright[1:]
        marked[1 + pair] = (change < _STANDS * around) & (around > _MOVES) & as_bright[pair]
        hardly = (change >= _STANDS * around) & (change < _HARDLY * around) & (around > _MOVES)
        if hardly.sum() > marked.sum():
            return np.zeros_like(marked)
        if self.brightness.size:
            level = float(self.brightness.mean())
            marked[1:] &= np.mean(np.abs(np.diff(self.brightness, axis=0)), axis=1) < _LIT_ALIKE * level
        if self.camera.moved:
            marked[1:] &= np.abs(np.diff(self.shift_px, axis=0)).max(axis=1) < _SCENERY_STANDS_PX
        return marked
