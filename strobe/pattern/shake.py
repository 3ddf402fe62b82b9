"""Watching the scenery for the camera's own motion.

While the picture stands still only some frames are looked at, and few patches of them; once it moves, each of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.camera import LEAST_FRAMES, NOISY, CameraCourse, jumpiness, least_motion_px, restless
from strobe.pattern.images import Plane
from strobe.pattern.reading import InTheWay, clear_of
from strobe.pattern.tracking import PatchTracker, PictureMotion

__all__ = ["ShakeWatch"]

_A_ROW = 0.3
"""Rows at least this strong, by the strongest, are kept clear of; what is weaker is mostly scenery."""
_LEAST_LOOKS, _RECENT_LOOKS = 12, 36
"""Looks before a picture can be called steady, and newest ones that it is judged by; by trial."""
_LOOK_EVERY, _LOOK_WITHIN_S = (7, 13, 29, 53), 0.25
"""Frames lit in turns of two, three, four or five are all met by looks so far apart."""
_OFF_PX, _OFF_NOISES, _DOUBTS = 0.15, 4.0, 3
"""A place is off the usual one beyond these; so many looks in a row must bear it out."""
_SPREAD_PX, _SPREAD_NOISES = 0.3, 6.0
"""From the tenth to the ninetieth of a hundred looks; white noise that large does not count as motion."""
_ROOM, _WHITE = 1.5, 0.5
"""What was steady once may spread more; and looks that jump more than this share of white noise saw no slow motion."""
_NOISY_PX = 0.6
"""Rms of the shift up to which dim and noisy pictures may make it."""
_LEAST_CYCLES, _FAR_OUT, _MOST_LINES, _EVENLY = 20, 1000.0, 3, 0.4
"""Of a line in the brightness over the clip, its power by the median, how many are taken off the shift, and how much
its strength may differ across the picture."""
_FARTHEST_PX, _TRACK_NOISE_PX, _MOST_WAYS = 3.0, 0.02, 12
"""Pixels from its usual place beside the others that a patch counts at most, noise that its track has in any case, and
courses taken at most; by trial."""


class ShakeWatch:
    """Watches the scenery from frame to frame.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Luma of the first frames in order of time.
    rows : sequence of InTheWay
        Rows found in the luma plane, kept clear of; the first is where the shift is given.
    full_scale : float
        The value of white.
    interval_s : float
        Time from frame to frame, for how often to look while nothing moves; unknown, and long, without it.
    """

    def __init__(
        self,
        planes: Sequence[Plane],
        rows: Sequence[InTheWay],
        *,
        full_scale: float = 255.0,
        interval_s: float = np.inf,
    ) -> None:
        first, *others = _LOOK_EVERY
        self._look_every = max([first] + [every for every in others if 0 < every * interval_s < _LOOK_WITHIN_S])
        height, width = planes[0].shape
        strongest = max((row.amplitude for row in rows), default=0.0)
        strong = [row for row in rows if row.amplitude >= _A_ROW * strongest]
        clear = clear_of(strong, np.arange(height), np.arange(width), width=width)
        self._anchor = (height / 2, width / 2)
        if rows:
            self._anchor = (float(np.median(rows[0].y_px)), float(np.median(rows[0].x_px)))
        self._tracker = PatchTracker(planes, clear, anchor=self._anchor, full_scale=full_scale)
        self._seen: list[list[float]] = []
        self._away: list[NDArray[np.float32] | None] = []
        self._read_at: list[tuple[int, int]] = []
        self._recent = [(one.down_px, one.right_px, one.noise_px) for one in self._tracker.learned_from]
        self._last = (0.0, 0.0)
        self._doubted: list[int] = []
        self._woken = False
        self._calm = self._is_steady()

    def look(self, plane: Plane, *, sure: bool = False) -> tuple[int, int]:
        """Look at the next frame; whole pixels (down, right) by which to read the rows away from their place.

        While nothing moves most frames are passed over, unless it is `sure` that this one is to be looked at.
        """
        self._seen.append([np.nan] * 7)
        self._away.append(None)
        if not self._calm:
            self._note(self._tracker.follow(plane))
            self._calm = not self._woken and self._is_steady()
        elif sure or self._is_due(len(self._seen) - 1):
            self._glance(plane)
        at = (0, 0) if self._calm else (int(self._last[0]), int(self._last[1]))
        self._read_at.append(at)
        return at

    def _is_due(self, frame: int) -> bool:
        if self._doubted:
            return frame - self._doubted[-1] >= self._look_every // _LOOK_EVERY[0]
        return frame % self._look_every == 0

    def _glance(self, plane: Plane) -> None:
        """Look at a frame of a picture that stood still so far; once it has moved, each frame counts for good.

        What seems to be off is looked at closely, and so are the next frames: a frame that is poorly lit or badly
        coded moves nothing.
        """
        motion = None if self._doubted else self._tracker.follow(plane, few=True)
        off = self._is_off(motion)
        if self._doubted or off:
            motion = self._tracker.follow(plane)
            off = self._is_off(motion)
        if motion is None:
            return
        if self._doubted or off:
            self._doubted.append(len(self._seen) - 1)
        self._note(motion)
        if len(self._doubted) == _DOUBTS:
            down, right, _ = np.median(self._recent[-_DOUBTS:], axis=0)
            self._woken = self._is_off(replace(motion, down_px=down, right_px=right))
            for place in () if self._woken else self._doubted:
                self._seen[place] = [np.nan] * 7
            self._doubted = []
        self._woken = self._woken or not self._is_steady(room=_ROOM)
        self._calm = not self._woken

    def _note(self, motion: PictureMotion | None) -> None:
        if motion is None:
            return
        self._last = (motion.down_px, motion.right_px)
        self._seen[-1] = [motion.right_px, motion.down_px, *motion.slopes, motion.noise_px]
        if motion.away_px.size:
            self._away[-1] = motion.away_px.ravel().astype(np.float32)
        self._recent = [*self._recent[1 - _RECENT_LOOKS :], (*self._last, motion.noise_px)]

    def _is_off(self, motion: PictureMotion | None) -> bool:
        """Whether a place differs from the usual one."""
        if motion is None:
            return False
        down, right, noise = np.median(self._recent, axis=0)
        off = max(abs(motion.down_px - down), abs(motion.right_px - right))
        return bool(off > max(_OFF_PX, _OFF_NOISES * noise))

    def _is_steady(self, *, room: float = 1.0) -> bool:
        """Whether nothing has moved for a while: neither slowly, nor from look to look beyond what noise may."""
        if len(self._recent) < _LEAST_LOOKS:
            return False
        recent = np.array(self._recent)
        noise = float(np.median(recent[:, 2]))
        course = [np.median(part, axis=0) for part in np.array_split(recent[:, :2], 3)]
        if float(np.ptp(course, axis=0).max()) >= room * max(_OFF_PX, _OFF_NOISES * noise):
            return False
        low, high = np.percentile(recent[:, :2], [10, 90], axis=0)
        return float((high - low).max()) < room * max(_SPREAD_PX, _SPREAD_NOISES * noise)

    @property
    def seen_px(self) -> NDArray[np.float64]:
        """Shift (right, down) in each frame so far (frames, 2), those not looked at filled in; NaN where none shows."""
        return _filled_in(np.array(self._seen, float).reshape(-1, 7))[:, :2]

    def course(self, brightness: NDArray[np.float64] | None = None) -> CameraCourse:
        """What was seen, frames that were not looked at filled in between their neighbours.

        Flicker makes the scenery seem to move; what goes with lines in its `brightness` (frames, bins) is left out.
        Where that ends earlier, so does the course.
        """
        frames = len(self._seen) if brightness is None else len(brightness)
        seen = np.array(self._seen[:frames], float).reshape(-1, 7)
        looks = seen[np.isfinite(seen[:, 0]), :2]
        seen = _filled_in(seen)
        flicker = np.zeros((len(seen), 0)) if brightness is None else _flicker(brightness)
        seen[:, :6] = _without(flicker, seen[:, :6])
        noise = float(np.median(seen[:, 6])) if len(seen) else float("nan")
        read_at = np.array(self._read_at[:frames], int).reshape(-1, 2)
        moved = bool(np.isfinite(noise)) and (bool(read_at.any()) or restless(seen[:, :2]) > least_motion_px(noise))
        if moved and self._calm and not read_at.any():
            moved = jumpiness(looks) < _WHITE
        elif moved and restless(seen[:, :2]) < _NOISY_PX:
            moved = jumpiness(seen[:, :2]) < NOISY
        parallax = self._parallax(flicker) if moved else np.zeros((len(seen), 0))
        return CameraCourse(seen[:, :2], seen[:, 2:6], parallax, read_at, noise, moved, self._anchor)

    def _parallax(self, flicker: NDArray[np.float64]) -> NDArray[np.float64]:
        unseen = np.full(2 * self._tracker.patches, np.nan)
        tracks = _filled_in(np.array([unseen if one is None else one for one in self._away[: len(flicker)]], float))
        return _common_ways(_without(flicker, tracks) if np.all(np.isfinite(tracks)) else tracks[:, :0])


def _filled_in(series: NDArray[np.float64]) -> NDArray[np.float64]:
    """`series` (frames, n) with the frames that are NaN put in between their neighbours; all NaN stays so."""
    known = np.isfinite(series[:, 0]) if series.size else np.zeros(len(series), bool)
    if not known.any():
        return series
    frames = np.arange(len(series))
    return np.stack([np.interp(frames, frames[known], one[known]) for one in series.T], axis=1)


def _flicker(brightness: NDArray[np.float64]) -> NDArray[np.float64]:
    """Waves (frames, n) of the few lines that stand far out of the brightness (frames, bins), slowly changing.

    A lamp makes all bins flicker by about as much; scenery that moves past them does not.
    """
    frames = len(brightness)
    level = brightness.mean(axis=0)
    if frames < LEAST_FRAMES or not np.any(level > 0):
        return np.zeros((frames, 0))
    relative = brightness[:, level > 0] / level[level > 0] - 1
    window = np.hanning(frames + 2)[1:-1, None]
    size = np.abs(np.fft.rfft(window * (relative - relative.mean(axis=0)), 4 * frames, axis=0))
    power = np.mean(size**2, axis=1)
    uneven = np.std(size, axis=1) / (np.mean(size, axis=1) + 1e-12)
    power[: 4 * _LEAST_CYCLES] = 0
    clear = _FAR_OUT * float(np.median(power))
    u = np.linspace(-1, 1, frames)
    waves: list[NDArray[np.float64]] = []
    while len(waves) < 4 * _MOST_LINES and power.max() > clear:
        top = int(np.argmax(power))
        turn = np.exp(2j * np.pi * top / (4 * frames) * np.arange(frames))
        if uneven[top] < _EVENLY:
            waves += [turn.real, turn.imag, u * turn.real, u * turn.imag]
        power[max(0, top - 12) : top + 13] = 0
    return np.stack(waves, axis=1) if waves else np.zeros((frames, 0))


def _without(waves: NDArray[np.float64], series: NDArray[np.float64]) -> NDArray[np.float64]:
    """`series` (frames, n) less what follows `waves` (frames, m)."""
    if not waves.shape[1] or not np.all(np.isfinite(series)):
        return series
    left: NDArray[np.float64] = series - waves @ np.linalg.lstsq(waves, series, rcond=None)[0]
    return left


def _common_ways(tracks: NDArray[np.float64]) -> NDArray[np.float64]:
    """The few courses (frames, n) that many `tracks` (frames, m) share, those that stand out of white noise.

    The largest singular value of noise alone is near ``sqrt(frames) + sqrt(m)`` for unit noise (Marchenko & Pastur,
    1967; value from memory).
    """
    frames, count = tracks.shape
    if frames < LEAST_FRAMES or not count:
        return np.zeros((frames, 0))
    tracks = np.clip(tracks - np.median(tracks, axis=0), -_FARTHEST_PX, _FARTHEST_PX)
    noise = np.sqrt(np.var(np.diff(tracks, 2, axis=0), axis=0) / 6 + _TRACK_NOISE_PX**2)
    courses, strength, _ = np.linalg.svd(tracks / noise, full_matrices=False)
    stands_out = strength > 1.1 * (np.sqrt(frames) + np.sqrt(count))
    kept = np.flatnonzero(stands_out)[:_MOST_WAYS]
    found: NDArray[np.float64] = courses[:, kept] * strength[kept] * float(np.median(noise)) / np.sqrt(count)
    return found
