"""The same reading frame by frame, for a picture that is followed while it comes.

The frames held at first are learned from as in `read_pattern`; then each frame is read by itself, and whoever follows
decides when the scenery is looked at, and which frames make a `PatternReading`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.capture import Frame
from strobe.pattern.images import Plane
from strobe.pattern.impression import Impression, impression
from strobe.pattern.learned import HELD, Learned, learn
from strobe.pattern.reading import RowReader
from strobe.pattern.series import PatternReading
from strobe.pattern.shake import CameraCourse, ShakeWatch

__all__ = ["HELD", "FrameReading", "PatternReader", "learn_pattern"]

_MOST_LOOKS, _NEW_WATCH = 480, 12
"""Looks at the scenery after which the watch, which keeps them all, begins anew; planes that it begins with."""


@dataclass(frozen=True, eq=False)
class FrameReading:
    """What was read of one frame: its time, the parts of each row (blocks,), brightness of the scenery (bins,)."""

    time_s: float
    rows: tuple[NDArray[np.complex64], ...]
    brightness: NDArray[np.float32]


class PatternReader:
    """Reads frames one by one; made by `learn_pattern`."""

    def __init__(
        self, learned: Learned, held: Sequence[Frame], look: Impression, full_scale: float, *, sweep_known: bool
    ) -> None:
        self._learned = learned
        self._full_scale = full_scale
        self._watch = learned.watch
        self._looks = len(held)
        self._begin: list[Plane] = []
        self._bearing = np.zeros(2)
        seen = [learned.read(frame) for frame in held]
        self._base = learned.reading([one.time_s for one in held], seen, look, sweep_known=sweep_known)
        self.held = tuple(
            FrameReading(frame.time_s, one.rows, one.brightness) for frame, one in zip(held, seen, strict=True)
        )

    @property
    def pattern(self) -> PatternReading:
        """The reading of the frames that were learned from."""
        return self._base

    @property
    def outlines(self) -> tuple[NDArray[np.float64], ...]:
        """Around each row of a rim a closed line (points, 2): places (right, down) in pixels of the luma plane."""
        lines = []
        for row in self._learned.readers:
            if not isinstance(row, RowReader):
                continue
            reach = 0.7 * row.pitch_px
            above, below = (np.stack([row.x_px, row.y_px + side * reach], axis=1) for side in (-1, 1))
            line = np.concatenate([above, below[::-1]]) * self._learned.grain[::-1]
            lines.append(line[:, ::-1] if self._learned.upright else line)
        return tuple(lines)

    def read(self, frame: Frame) -> FrameReading:
        """Read one frame where the rows were learned."""
        plane, luma = self._learned.plane_of(frame), self._learned.luma_of(frame)
        rows = tuple(reader.read(plane) for reader in self._learned.readers)
        return FrameReading(frame.time_s, rows, self._learned.background.brightness(luma))

    def look(self, frame: Frame) -> tuple[float, float] | None:
        """Look at the scenery: its shift (right, down) in pixels since learning; None where it shows none.

        Need not be done for every frame.
        """
        luma = self._learned.luma_of(frame)
        self._watch.look(luma, sure=True)
        self._looks += 1
        shift = self._watch.course().shift_px[-1]
        if not np.all(np.isfinite(shift)):
            return None
        if self._looks >= _MOST_LOOKS:
            self._begin.append(luma)
            if len(self._begin) >= _NEW_WATCH:
                self._bearing = self._bearing + shift
                self._watch = ShakeWatch(self._begin, self._learned.rows_in_luma, full_scale=self._full_scale)
                self._begin, self._looks = [], 0
                return float(self._bearing[0]), float(self._bearing[1])
        return float(self._bearing[0] + shift[0]), float(self._bearing[1] + shift[1])

    def reading(self, seen: Sequence[FrameReading]) -> PatternReading:
        """Frames that were read, as one reading of a camera that stood still."""
        frames = len(seen)
        noise = self._base.camera.noise_px
        still = np.zeros((frames, 4)) if np.isfinite(noise) else np.full((frames, 4), np.nan)
        none = still[:, :0]
        return replace(
            self._base,
            time_s=np.array([one.time_s for one in seen]),
            rows=tuple(
                replace(row, blocks=np.array([one.rows[k] for one in seen])) for k, row in enumerate(self._base.rows)
            ),
            brightness=np.array([one.brightness for one in seen], np.float64),
            camera=CameraCourse(
                still[:, :2], still, none, np.zeros((frames, 2), int), noise, False, self._base.camera.anchor_px
            ),
            rim=None,
        )


def learn_pattern(
    held: Sequence[Frame], *, full_scale: float = 255.0, sweep: str = "down"
) -> PatternReader | Impression:
    """Learn the rows of dots along a rim.

    Parameters
    ----------
    held : sequence of Frame
        Some frames in order of time; `HELD` are enough.
    full_scale, sweep
        As for `read_pattern`.

    Returns
    -------
    PatternReader or Impression
        What the frames look like as a whole where no row is in them.
    """
    look = impression([one.luma for one in held], full_scale=full_scale)
    learned = learn(held, full_scale=full_scale, sweep=sweep, view="rim")
    return look if learned is None else PatternReader(learned, held, look, full_scale, sweep_known=sweep != "sideways")
