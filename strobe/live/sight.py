"""Whether the rows are in sight: learned, covered, in the dark, or moved away from, and learned again.

Rows that fade are waited for where they were; after a moment they are also looked for anew, since the camera may have
been moved. While nothing is in sight nothing is read, so that no figure can be stale.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np

from strobe.capture import Frame, SourceFacts
from strobe.measuring.refusals import nothing_to_read
from strobe.pattern import read_pattern
from strobe.pattern.impression import Impression
from strobe.pattern.stepwise import HELD, FrameReading, PatternReader, learn_pattern

__all__ = ["Sight"]

_ENVELOPE_S = 0.4
"""Newest seconds of which the strongest frame counts, so that some of them meet a flash; by trial."""
_FADED, _BACK, _DARK = 0.35, 0.6, 0.4
"""Shares of the usual strength at which the rows are lost and found again, and of the usual light below which it is
dark; by trial."""
_FOLLOWS = 0.01
"""Share of the difference by which the usual follows at each frame; by trial."""
_PATIENCE_S = 0.5
"""So long rows that are lost are waited for where they were, before they are looked for anew; by trial."""
_STEP_PX, _FAR_PX, _RESTS_PX, _NOISES = 1.0, 2.5, 0.4, 6.0
"""The camera moves where the scenery steps, or lies, so far off; it rests below the third. All in pixels, or so many
times the noise of a shift. By trial."""


class Sight:
    """Turns frames into readings of rows, and says from when on they hang together.

    Attributes
    ----------
    reader : PatternReader or None
        Reads the rows; None as long as none was found.
    row : int
        The row whose strength is watched.
    in_sight : bool
        Whether the rows are seen where they were learned.
    since_s : float
        From when on the readings hang together.
    message : str
        Why nothing is in sight.
    """

    def __init__(self, facts: SourceFacts) -> None:
        self.reader: PatternReader | None = None
        self.row = 0
        self.in_sight = False
        self.since_s = 0.0
        self.message = "Looking for a row of dots."
        self._facts = facts
        self._held: list[Frame] = []
        self._sizes: deque[tuple[float, float]] = deque()
        self._usual = 0.0
        self._light = 0.0
        self._lost_s: float | None = None
        self._moves = self._displaced = False
        self._shift = np.zeros(2)

    def take(self, frame: Frame, *, look: bool = True) -> tuple[FrameReading, ...]:
        """What the frame adds to the readings; several when rows have just been learned, none when nothing is seen.

        Whoever makes figures of them says at which frames to `look` at the scenery as well: the one that a figure ends
        with, some times a second.
        """
        if self.reader is None:
            return self._hold(frame)
        one = self.reader.read(frame)
        envelope = self._envelope(one)
        bright = float(np.mean(one.brightness))
        if self._lost_s is None:
            if envelope is None:
                pass
            elif envelope < _FADED * self._usual:
                self._lose(frame.time_s, self._why(bright))
            else:
                self._usual += _FOLLOWS * (envelope - self._usual)
                self._light += _FOLLOWS * (bright - self._light)
                if look:
                    self._look(frame)
        elif self._moves:
            if look:
                self._look(frame)
            if self._moves and frame.time_s - self._lost_s > _PATIENCE_S:
                return self._hold(frame)
        elif self._displaced:
            return self._hold(frame)
        elif envelope is not None and envelope > _BACK * self._usual:
            self._find(frame.time_s + _ENVELOPE_S / 2)
        elif frame.time_s - self._lost_s > _PATIENCE_S:
            self.message = self._why(bright)
            return self._hold(frame)
        return (one,) if self.in_sight and frame.time_s >= self.since_s else ()

    def break_off(self, time_s: float) -> None:
        """Forget that earlier readings hang together with those to come: pictures were missing."""
        self.since_s = time_s
        self._held = []
        self._sizes.clear()

    def _hold(self, frame: Frame) -> tuple[FrameReading, ...]:
        self._held.append(frame)
        if len(self._held) < HELD:
            return ()
        held, self._held = self._held, []
        found = learn_pattern(held, full_scale=self._facts.full_scale, sweep=self._facts.sweep)
        if isinstance(found, Impression):
            if self.reader is None:
                self.message = nothing_to_read(replace(read_pattern([]), impression=found)).message
            return ()
        before = None if self.reader is None else self.reader.pattern.rows[self.row]
        if before is not None:
            strongest = max(found.pattern.rows, key=lambda row: row.amplitude)
            if strongest.amplitude < _FADED * before.amplitude:
                return ()
        self.reader, self.row = found, 0
        if before is not None:
            apart = [abs(np.log(row.pitch_px / before.pitch_px)) for row in found.pattern.rows]
            self.row = int(np.argmin(apart))
        sizes = [float(abs(one.rows[self.row].sum())) for one in found.held]
        self._usual = float(np.percentile(sizes, 90))
        self._light = float(np.mean([one.brightness for one in found.held]))
        self._sizes = deque((one.time_s, size) for one, size in zip(found.held, sizes, strict=True))
        self._shift = np.zeros(2)
        # What was held may begin while something was still before the lens.
        strong_s = [one.time_s for one, size in zip(found.held, sizes, strict=True) if size > _BACK * self._usual]
        gaps = np.flatnonzero(np.diff(strong_s) > _ENVELOPE_S)
        self._find(strong_s[gaps[-1] + 1] if gaps.size else strong_s[0])
        return tuple(one for one in found.held if one.time_s >= self.since_s)

    def _find(self, time_s: float) -> None:
        self.in_sight, self.since_s, self._lost_s = True, time_s, None
        self._moves = self._displaced = False
        self._held, self.message = [], ""

    def _lose(self, time_s: float, message: str) -> None:
        self.in_sight, self._lost_s, self.message = False, time_s, message

    def _why(self, bright: float) -> str:
        if bright < _DARK * self._light:
            return "It has gone dark: no light on the dots."
        return "The dots are out of sight: something is before the lens, or the camera was moved."

    def _envelope(self, one: FrameReading) -> float | None:
        """The strongest of the newest frames, since some may not have met a flash; None as long as there are few."""
        self._sizes.append((one.time_s, float(abs(one.rows[self.row].sum()))))
        while self._sizes[0][0] < one.time_s - _ENVELOPE_S:
            self._sizes.popleft()
        if one.time_s - self._sizes[0][0] < 0.6 * _ENVELOPE_S:
            return None
        return max(size for _, size in self._sizes)

    def _look(self, frame: Frame) -> None:
        """Look at the scenery, and see whether the camera was moved or rests again."""
        if self.reader is None:
            return
        seen = self.reader.look(frame)
        noise = self.reader.pattern.camera.noise_px
        if seen is None or not np.isfinite(noise):
            return
        shift = np.array(seen)
        step, far = (float(np.max(np.abs(one))) for one in (shift - self._shift, shift))
        self._shift = shift
        if self._moves:
            self._moves = step > max(_RESTS_PX, _NOISES * noise)
            self._displaced = far > _RESTS_PX
        elif step > max(_STEP_PX, _NOISES * noise) or far > max(_FAR_PX, _NOISES * noise):
            self._moves = True
            self._lose(
                frame.time_s,
                "The picture moves: the camera, or something before it; the dots are found again when it rests.",
            )
