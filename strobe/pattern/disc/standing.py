"""Whether the camera moved before a disc, which the disc's own rings tell better than poor scenery does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.camera import CameraCourse
from strobe.pattern.disc.geometry import FoundDisc
from strobe.pattern.disc.lanes import bands_over
from strobe.pattern.disc.rings import RingReader
from strobe.pattern.images import Plane
from strobe.pattern.shake import ShakeWatch

__all__ = ["CalmWatch", "bears_out", "watch_beside"]

_WHITE, _LEAST_SHIFT_PX = 0.3, 0.6
"""A shift that jumps from frame to frame like white noise is no camera's motion."""


class CalmWatch:
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


def watch_beside(
    disc: FoundDisc, luma: Sequence[Plane], first: RingReader, *, full_scale: float
) -> ShakeWatch | CalmWatch:
    """A watch over the scenery beside a disc; a calm one where the `first` ring does not bear out that it moved.

    Parameters
    ----------
    disc : FoundDisc
    luma : sequence of arrays (height, width)
        The first frames in order of time.
    first : RingReader
        The clearest ring.
    full_scale : float
        The value of white.
    """
    bands = bands_over(disc, luma[0].shape)
    trial, watch = (ShakeWatch(luma[::2], bands, full_scale=full_scale) for _ in range(2))
    for plane in luma:
        trial.look(plane)
    seen = CalmWatch(trial).course()
    blocks = np.array([first.read(plane) for plane in luma])
    return watch if bears_out(seen, blocks, first) else CalmWatch(watch)


def bears_out(camera: CameraCourse, blocks: NDArray[np.complex64], reader: RingReader) -> bool:
    """Whether a ring (frames, blocks) keeps together better when the motion that the scenery shows is taken off it."""
    if not camera.moved:
        return False
    steadied = camera.taken_off(blocks, reader, (1, 1))

    def together(parts: NDArray[np.complex64]) -> float:
        product = parts[:, 1:] * np.conj(parts[:, :-1])
        return float(np.abs(product.sum(axis=0)).sum() / np.abs(product).sum())

    return together(steadied) > together(blocks)
