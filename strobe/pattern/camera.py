"""The camera's own motion through a clip, and its part in the phase of the dots.

The dots are read where the motion has carried them, and each part of a row gets back what the picture moved under it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.reading import InParts

__all__ = [
    "LEAST_FRAMES",
    "NOISY",
    "SLOW_S",
    "CameraCourse",
    "jumpiness",
    "least_motion_px",
    "restless",
    "without_slow",
]

NOISY = 0.33
"""Share of white noise in the shift from frame to frame that a hand's motion does not come to (hands: up to 0.3)."""
_NOISES, _LEAST_MOTION_PX = 2.5, 0.12
"""Rms of the shift from which the camera moved, by the noise of one shift and in pixels; by trial."""
LEAST_FRAMES = 48
"""Fewest frames in which turns, flicker or common ways are looked for; by trial."""
_TURN_HZ, _LEAST_TURNS, _TURN_WAVES, _NOT_BY_TURNS = (0.25, 1.4), 2.5, 3, 0.5
"""Turns a second that a platter may make (16 2/3 rpm are 0.28, 78 are 1.3), turns in the clip at least, multiples that
swing along, and the share of the motion that may be left for it to be the platter's. The last three by trial."""
_ABOUT = 0.13
"""How far off a known speed the platter may turn, relative: a knob reaches no farther."""
SLOW_S = 0.5
"""What is slower does not show how the dots follow: there the platter wanders too."""
_CREPT = 4.0
"""A straight course as long as so many of the least motions is one; from end to end it is 3.5 times its rms."""


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
        least = least_motion_px(noise_px)
        course = cls(shift, still, still[:, :0], at_px, noise_px, True, anchor_px)
        went = float(np.max(np.ptp(_even_course(shift), axis=0))) > _CREPT * least
        swung = restless(shift) > least and course.unless_it_turns(time_s, near_hz=turn_hz).moved
        moved = (went or swung) and jumpiness(inside) < NOISY
        quick = moved and swung and restless(without_slow(shift, time_s)) > least
        return replace(course, moved=quick, crept=moved and not quick)

    def unless_it_turns(self, time_s: NDArray[np.float64], *, near_hz: float | None = None) -> CameraCourse:
        """The same course, taken for a standing camera where all that moved comes and goes steadily, once a turn.

        That is how the edges of a platter move that runs out of true; no hand swings so evenly. Where it is known about
        how fast the platter turns (`near_hz`), no other pace is its.
        """
        if not self.moved or len(time_s) < LEAST_FRAMES:
            return self
        left = restless(_without_turns(self.shift_px, time_s, near_hz))
        if left > _NOT_BY_TURNS * restless(self.shift_px):
            return self
        return replace(self, moved=left > least_motion_px(self.noise_px))

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
        if not self.moved or len(brightness) < LEAST_FRAMES:
            return brightness
        shift = self.shift_px / (np.std(self.shift_px, axis=0) + 1e-9)
        right, down = (shift - shift.mean(axis=0)).T
        basis = np.stack([np.ones_like(down), right, down, right * down, right**2, down**2, right**3, down**3], axis=1)
        level = np.log(np.maximum(brightness, 1.0))
        moved = basis[:, 1:] @ np.linalg.lstsq(basis, level, rcond=1e-8)[0][1:]
        return brightness * np.exp(moved.mean(axis=0) - moved)


def least_motion_px(noise_px: float) -> float:
    """Rms of a shift from which it is a motion, by the noise of one shift; NaN where that is not known."""
    return max(_LEAST_MOTION_PX, _NOISES * noise_px)


def jumpiness(shift: NDArray[np.float64]) -> float:
    """Near one for white noise, next to nothing for the slow motion of a hand."""
    return float(np.var(np.diff(shift, axis=0), axis=0).sum() / (2 * np.var(shift, axis=0).sum() + 1e-30))


def restless(shift: NDArray[np.float64]) -> float:
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
