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
from strobe.pattern.camera import CameraCourse
from strobe.pattern.images import Plane
from strobe.pattern.impression import Impression, impression
from strobe.pattern.learned import HELD, Learned, learn
from strobe.pattern.reading import RowReader
from strobe.pattern.series import PatternReading
from strobe.pattern.shake import ShakeWatch

__all__ = ["HELD", "FrameReading", "PatternReader", "learn_pattern"]

_MOST_LOOKS, _NEW_WATCH = 480, 12
"""Looks at the scenery after which the watch, which keeps them all, begins anew; planes that it begins with."""


@dataclass(frozen=True, eq=False)
class FrameReading:
    """What was read of one frame: its time, the parts of each row (blocks,), brightness of the scenery (bins,)."""

    time_s: float
    rows: tuple[NDArray[np.complex64], ...]
    brightness: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class _Looks:
    """Times of looks at the scenery (looks,) and its shift to the right and down since learning (looks, 2)."""

    time_s: NDArray[np.float64]
    shift_px: NDArray[np.float64]

    def since(self, from_s: float) -> _Looks:
        """Those since then."""
        return _Looks(self.time_s[self.time_s >= from_s], self.shift_px[self.time_s >= from_s])


class PatternReader:
    """Reads frames one by one; made by `learn_pattern`."""

    def __init__(
        self, learned: Learned, held: Sequence[Frame], look: Impression, full_scale: float, *, sweep_known: bool
    ) -> None:
        self._learned = learned
        self._full_scale = full_scale
        assert isinstance(learned.watch, ShakeWatch)
        self._watch = learned.watch
        self._looks_s = [frame.time_s for frame in held]
        self._begin: list[Plane] = []
        self._bearing = np.zeros(2)
        self._earlier = _Looks(np.zeros(0), np.zeros((0, 2)))
        seen = [learned.read(frame) for frame in held]
        self._base = learned.reading([one.time_s for one in held], seen, look, sweep_known=sweep_known)
        self.held = tuple(
            FrameReading(frame.time_s, one.rows, one.brightness) for frame, one in zip(held, seen, strict=True)
        )
        self._seen_so_far = self._all_looks()

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
        self._looks_s.append(frame.time_s)
        self._seen_so_far = self._all_looks()
        shift = self._seen_so_far.shift_px[-1]
        if not np.all(np.isfinite(shift)):
            return None
        if len(self._looks_s) >= _MOST_LOOKS:
            self._begin.append(luma)
            if len(self._begin) >= _NEW_WATCH:
                self._watch_anew(frame.time_s, shift)
        return float(shift[0]), float(shift[1])

    def reading(self, seen: Sequence[FrameReading], *, turn_hz: float | None = None) -> PatternReading:
        """Frames that were read, as one reading; where the camera moved, as far as the looks tell, that is taken off.

        `turn_hz` is about how many turns a second the platter makes, where that is known.
        """
        base, looks = self._base.camera, self._seen_so_far
        time_s = np.array([one.time_s for one in seen])
        camera = CameraCourse.of_looks(
            time_s, looks.time_s, looks.shift_px, base.noise_px, base.anchor_px, turn_hz=turn_hz
        )
        rows = [np.array([one.rows[k] for one in seen]) for k in range(len(self._base.rows))]
        return replace(
            self._base,
            time_s=time_s,
            rows=tuple(
                replace(row, blocks=camera.taken_off(own, reader, self._learned.grain))
                for row, own, reader in zip(self._base.rows, rows, self._learned.readers, strict=True)
            ),
            brightness=np.array([one.brightness for one in seen], np.float64),
            camera=camera,
            rim=None,
        )

    def _all_looks(self) -> _Looks:
        """What all looks saw, in one object, since readings are made in another thread than looks."""
        seen = self._bearing + self._watch.seen_px
        return _Looks(np.append(self._earlier.time_s, self._looks_s), np.concatenate([self._earlier.shift_px, seen]))

    def _watch_anew(self, time_s: float, shift_px: NDArray[np.float64]) -> None:
        """Put another watch in the place of the one that has seen much; the newest plane is where it goes on."""
        newest, self._earlier = self._begin[-1], self._seen_so_far.since(self._looks_s[0])
        self._watch = ShakeWatch(self._begin, self._learned.rows_in_luma, full_scale=self._full_scale)
        self._watch.look(newest, sure=True)
        at_px = self._watch.seen_px[-1]
        self._bearing = shift_px - np.where(np.isfinite(at_px), at_px, 0.0)
        self._begin, self._looks_s = [], [time_s]


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
