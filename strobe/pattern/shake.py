"""The camera's own motion through a clip, and its part in the phase of the dots.

While the picture stands still only some frames are looked at, and few patches of them; once it moves, each of them.
The dots are then read where the motion has carried them, and each part of a row gets back what the picture moved
under it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.images import Plane
from strobe.pattern.reading import InParts, InTheWay, clear_of
from strobe.pattern.tracking import PatchTracker, PictureMotion

__all__ = ["SLOW_S", "CameraCourse", "ShakeWatch", "without_slow"]

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
_NOISY, _NOISY_PX = 0.33, 0.6
"""The same of every frame, where the shift is no larger than dim and noisy pictures make it (hands: up to 0.3)."""
_NOISES, _LEAST_MOTION_PX = 2.5, 0.12
"""Rms of the shift from which the camera moved, by the noise of one shift and in pixels; by trial."""
_LEAST_FRAMES = 48
"""Fewest frames in which turns, flicker or common ways are looked for; by trial."""
_LEAST_CYCLES, _FAR_OUT, _MOST_LINES, _EVENLY = 20, 1000.0, 3, 0.4
"""Of a line in the brightness over the clip, its power by the median, how many are taken off the shift, and how much
its strength may differ across the picture."""
_TURN_HZ, _LEAST_TURNS, _TURN_WAVES, _NOT_BY_TURNS = (0.25, 1.4), 2.5, 3, 0.5
"""Turns a second that a platter may make (16 2/3 rpm are 0.28, 78 are 1.3), turns in the clip at least, multiples that
swing along, and the share of the motion that may be left for it to be the platter's. The last three by trial."""
_ABOUT = 0.13
"""How far off a known speed the platter may turn, relative: a knob reaches no farther."""
SLOW_S = 0.5
"""What is slower does not show how the dots follow: there the platter wanders too."""
_CREPT = 4.0
"""A straight course as long as so many of the least motions is one; from end to end it is 3.5 times its rms."""
_FARTHEST_PX, _TRACK_NOISE_PX, _MOST_WAYS = 3.0, 0.02, 12
"""Pixels from its usual place beside the others that a patch counts at most, noise that its track has in any case, and
courses taken at most; by trial."""


@dataclass(frozen=True, eq=False)
class CameraCourse:
    """How the scenery moved in the picture.

    Attributes
    ----------
    shift_px : array of float64 (frames, 2)
        Shift to the right and down at the anchor; NaN throughout where there is nothing to hold on to.
    slopes : array of float64 (frames, 4)
        Growth of the shift per pixel: down per right, down per down, right per right, right per down.
    parallax_px : array of float64 (frames, n)
        Further ways in which the scenery moved: near and far parts against each other as the camera itself is shifted.
    read_at_px : array of int (frames, 2)
        Whole pixels (down, right) that the rows were read away from where they were learned.
    noise_px : float
        1-sigma noise of one shift.
    moved : bool
        Whether the camera moved at all, clearly above what coding and flicker pretend.
    anchor_px : tuple of float
        Place (y, x) at which the shift holds.
    crept : bool
        Whether it moved as well, but too slowly to show how the dots follow; it is taken off as it is.
    """

    shift_px: NDArray[np.float64]
    slopes: NDArray[np.float64]
    parallax_px: NDArray[np.float64]
    read_at_px: NDArray[np.int_]
    noise_px: float
    moved: bool
    anchor_px: tuple[float, float]
    crept: bool = False

    @classmethod
    def unseen(cls, frames: int) -> CameraCourse:
        """Nothing known of the camera through so many frames."""
        nothing = np.full((frames, 6), np.nan)
        return cls(
            nothing[:, :2], nothing[:, 2:], nothing[:, :0], np.zeros((frames, 2), int), float("nan"), False, (0.0, 0.0)
        )

    def only(self, frames: NDArray[np.int_]) -> CameraCourse:
        """The same course at some of its frames alone."""
        return replace(
            self,
            shift_px=self.shift_px[frames],
            slopes=self.slopes[frames],
            parallax_px=self.parallax_px[frames],
            read_at_px=self.read_at_px[frames],
        )

    @classmethod
    def of_looks(
        cls,
        time_s: NDArray[np.float64],
        looks_s: NDArray[np.float64],
        seen_px: NDArray[np.float64],
        noise_px: float,
        anchor_px: tuple[float, float],
        *,
        turn_hz: float | None = None,
    ) -> CameraCourse:
        """The course through frames at `time_s` from looks now and then, between which the picture went on evenly.

        Parameters
        ----------
        time_s, looks_s : array of float64 (frames,), (looks,)
            Times of the frames and of the looks.
        seen_px : array of float64 (looks, 2)
            Shift to the right and down.
        noise_px : float
            1-sigma noise of one shift.
        anchor_px : tuple of float
            As of the course.
        turn_hz : float or None
            Turns of the platter a second, about; what swings with those is the platter's.
        """
        inside = seen_px[(looks_s >= time_s[0]) & (looks_s <= time_s[-1])]
        still = np.zeros((len(time_s), 4))
        at_px = np.zeros((len(time_s), 2), int)
        if not (np.isfinite(noise_px) and np.all(np.isfinite(seen_px)) and len(inside)):
            return replace(cls.unseen(len(time_s)), noise_px=noise_px, anchor_px=anchor_px)
        shift = np.stack([np.interp(time_s, looks_s, one) for one in seen_px.T], axis=1)
        least = max(_LEAST_MOTION_PX, _NOISES * noise_px)
        course = cls(shift, still, still[:, :0], at_px, noise_px, True, anchor_px)
        went = float(np.max(np.ptp(_even_course(shift), axis=0))) > _CREPT * least
        swung = _restless(shift) > least and course.unless_it_turns(time_s, near_hz=turn_hz).moved
        moved = (went or swung) and _jumpiness(inside) < _NOISY
        quick = moved and swung and _restless(without_slow(shift, time_s)) > least
        return replace(course, moved=quick, crept=moved and not quick)

    def unless_it_turns(self, time_s: NDArray[np.float64], *, near_hz: float | None = None) -> CameraCourse:
        """The same course, taken for a standing camera where all that moved comes and goes steadily, once a turn.

        That is how the edges of a platter move that runs out of true; no hand swings so evenly. Where it is known about
        how fast the platter turns (`near_hz`), no other pace is its.
        """
        if not self.moved or len(time_s) < _LEAST_FRAMES:
            return self
        left = _restless(_without_turns(self.shift_px, time_s, near_hz))
        if left > _NOT_BY_TURNS * _restless(self.shift_px):
            return self
        return replace(self, moved=left > max(_LEAST_MOTION_PX, _NOISES * self.noise_px))

    def moved_at(self, y: float, x: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Shift down and right (frames,) at a place; turn and stretch count as far as they stand out of their noise."""
        slopes = self.slopes * _share_above_noise(self.slopes)
        below, beside = y - self.anchor_px[0], x - self.anchor_px[1]
        down = self.shift_px[:, 1] + slopes[:, 0] * beside + slopes[:, 1] * below
        right = self.shift_px[:, 0] + slopes[:, 2] * beside + slopes[:, 3] * below
        return down, right

    def taken_off(
        self, blocks: NDArray[np.complex64], reader: InParts, grain: tuple[int, int]
    ) -> NDArray[np.complex64]:
        """The amplitudes (frames, blocks) of a row as if the camera had stood still.

        `grain` is the size (down, right) of a pixel of the row's plane in pixels of the luma plane.
        """
        if not (self.moved or self.crept or self.read_at_px.any()):
            return blocks
        back = np.empty(blocks.shape)
        read_at = self.read_at_px // np.array(grain)
        still = np.zeros(len(blocks))
        for k, ((y, x), (per_down, per_right)) in enumerate(zip(reader.places_px, reader.dots_per_px, strict=True)):
            down, right = self.moved_at(y * grain[0], x * grain[1]) if self.moved or self.crept else (still, still)
            back[:, k] = per_down * (down / grain[0] - read_at[:, 0]) + per_right * (right / grain[1] - read_at[:, 1])
        return (blocks * np.exp(2j * np.pi * back)).astype(np.complex64)

    def evened(self, brightness: NDArray[np.float64]) -> NDArray[np.float64]:
        """`brightness` (frames, bins) without what comes and goes as the scenery moves past the bins."""
        if not self.moved or len(brightness) < _LEAST_FRAMES:
            return brightness
        shift = self.shift_px / (np.std(self.shift_px, axis=0) + 1e-9)
        right, down = (shift - shift.mean(axis=0)).T
        basis = np.stack([np.ones_like(down), right, down, right * down, right**2, down**2, right**3, down**3], axis=1)
        level = np.log(np.maximum(brightness, 1.0))
        moved = basis[:, 1:] @ np.linalg.lstsq(basis, level, rcond=1e-8)[0][1:]
        return brightness * np.exp(moved.mean(axis=0) - moved)


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
        moved = bool(np.isfinite(noise)) and (
            bool(read_at.any()) or _restless(seen[:, :2]) > max(_LEAST_MOTION_PX, _NOISES * noise)
        )
        if moved and self._calm and not read_at.any():
            moved = _jumpiness(looks) < _WHITE
        elif moved and _restless(seen[:, :2]) < _NOISY_PX:
            moved = _jumpiness(seen[:, :2]) < _NOISY
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
    if frames < _LEAST_FRAMES or not np.any(level > 0):
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
    if frames < _LEAST_FRAMES or not count:
        return np.zeros((frames, 0))
    tracks = np.clip(tracks - np.median(tracks, axis=0), -_FARTHEST_PX, _FARTHEST_PX)
    noise = np.sqrt(np.var(np.diff(tracks, 2, axis=0), axis=0) / 6 + _TRACK_NOISE_PX**2)
    courses, strength, _ = np.linalg.svd(tracks / noise, full_matrices=False)
    stands_out = strength > 1.1 * (np.sqrt(frames) + np.sqrt(count))
    kept = np.flatnonzero(stands_out)[:_MOST_WAYS]
    found: NDArray[np.float64] = courses[:, kept] * strength[kept] * float(np.median(noise)) / np.sqrt(count)
    return found


def _jumpiness(shift: NDArray[np.float64]) -> float:
    """Near one for white noise, next to nothing for the slow motion of a hand."""
    return float(np.var(np.diff(shift, axis=0), axis=0).sum() / (2 * np.var(shift, axis=0).sum() + 1e-30))


def _restless(shift: NDArray[np.float64]) -> float:
    """Rms of the shift about a straight course, the larger of the two directions."""
    return float(np.max(np.std(shift - _even_course(shift), axis=0))) if len(shift) > 2 else 0.0


def without_slow(shift: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """A course (frames,) or (frames, n) without what is slower than about `SLOW_S`."""
    from scipy.ndimage import gaussian_filter1d

    frames = SLOW_S * (len(shift) - 1) / float(np.ptp(time_s))
    slow: NDArray[np.float64] = gaussian_filter1d(shift, frames, axis=0, mode="nearest")
    return shift - slow


def _even_course(shift: NDArray[np.float64]) -> NDArray[np.float64]:
    """The straight course through `shift` (frames, n)."""
    frames = np.linspace(-1, 1, len(shift))
    course = np.polynomial.polynomial.polyval(frames, np.polynomial.polynomial.polyfit(frames, shift, 1))
    return np.asarray(course.T, np.float64)


def _without_turns(
    shift: NDArray[np.float64], time_s: NDArray[np.float64], near_hz: float | None = None
) -> NDArray[np.float64]:
    """`shift` (frames, 2) without the steady swing at a turn's pace, and its multiples, that explain most of it."""
    duration = float(np.ptp(time_s))
    low, high = _TURN_HZ if near_hz is None else (near_hz * (1 - _ABOUT), near_hz * (1 + _ABOUT))
    low = max(low, _LEAST_TURNS / duration)
    least = shift
    for turn_hz in np.arange(low, high, 0.1 / duration):
        turn = 2 * np.pi * turn_hz * np.outer(time_s - time_s[0], np.arange(1, _TURN_WAVES + 1))
        even = np.stack([np.ones_like(time_s), time_s - time_s[0]], axis=1)
        basis = np.concatenate([even, np.cos(turn), np.sin(turn)], axis=1)
        rest = shift - basis @ np.linalg.lstsq(basis, shift, rcond=1e-8)[0]
        if np.sum(rest**2) < np.sum(least**2):
            least = rest
    return least


def _share_above_noise(series: NDArray[np.float64]) -> NDArray[np.float64]:
    """By what to multiply each column so that it is nearest to the truth, white noise being what jerks it."""
    noise = np.var(np.diff(series, 2, axis=0), axis=0) / 6
    return np.clip(1 - noise / (np.var(series, axis=0) + 1e-30), 0, 1)
