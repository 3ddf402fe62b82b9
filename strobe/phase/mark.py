"""Something that passes once a turn: found in lanes beside the rings of a disc or along a rim, and timed by itself.

In a lane seen round the circle a mark is a small dark place that moves on evenly; along a rim, where a part of the
circle is in view, it may be dark or bright and comes by once a turn. Its course alone, without bars and lamp, gives the
time of one turn on the clock of the frames. One search and one way to place a mark serve both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.disc import darkness
from strobe.phase.waves import without_waves

__all__ = ["MarkCourse", "follow_mark", "follow_rim_mark"]

_SLOWEST_HZ, _FASTEST_HZ = 0.2, 1.7
"""Turns a second that are looked at: 12 to 102 rpm, well round 16 2/3 and 78."""
_MOST_ORDER, _AT_ONCE = 24, 30_000
"""Waves round the circle that tell a mark, and how many numbers are turned at once."""
_CLEAR = 12.0
"""By how many robust sigmas of all other rates the best one stands out on a disc (by trial)."""
_REACH_REV = 0.045
"""Turns on either side of its course in which a mark is weighed: 16 degrees (by trial)."""
_LEAST_SEEN, _LEAST_SHARE = 12, 0.15
"""Frames that must show the mark, and their share (by trial)."""
_AT_MARK_REV, _LEAST_DEPTH = 0.008, 0.1
"""Turns on either side within which it must be dark, and how dark it is at the least (1 is black; by trial)."""
_COVERAGE = 2.0
"""Sigmas of a 95 % half-width."""
_LEAST_TURNS = 1.0
"""Turns over which a mark is followed at the least: what comes once a turn must come."""
_RIM_REACH_REV, _RIM_LANES, _CLEAR_LANE, _CLEAR_ON_RIM = 0.025, 3, 6.0, 7.0
"""For a rim: turns on either side in which a mark is weighed (9 degrees); how many of the oddest lanes are searched;
how odd one must be, in its own spread; and how clear the best rate (by trial)."""
_SEARCHED_HZ, _SEARCHED_S = 10.0, 20.0
"""Frames a second, and seconds, that are enough to search a rim; they bound the work (by trial)."""
_RIM_SEEN, _LEAST_ODD = 0.8, 0.04
"""Share of the frames with the mark in view that must show it (different specks taken for one show in 0.7, a mark in
0.93 and more), and how odd it is at the least."""
_LEAST_LEVEL, _DARK_FRAME = 6.0, 0.15
"""Grey level of a sector that is lit, and brightness of a frame by the usual one (by trial)."""
_FEW_PASSES = 2.4
"""Over the passes beyond two, what to add to the coverage of a half-width from their scatter (Student's t)."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class MarkCourse:
    """A mark followed through a clip.

    Attributes
    ----------
    rate_hz, uncertainty_hz : float
        Turns a second on the clock of the frame times, and the 95 % half-width.
    angle_rev : float
        Angle of the platter at time zero, in turns since the mark stood at the near side; 0 to 1.
    angle_uncertainty_rev : float
        Its 95 % half-width.
    turns : float
        Turns over which it was followed.
    passes_s : tuple of float
        When it passed the near side, where that was told pass by pass.
    """

    rate_hz: float
    uncertainty_hz: float
    angle_rev: float
    angle_uncertainty_rev: float
    turns: float
    passes_s: tuple[float, ...] = ()


def follow_mark(
    lanes: NDArray[np.float32], azimuth_rad: _Floats, sweep_place: _Floats, time_s: _Floats
) -> MarkCourse | None:
    """The mark that stands out most in one of the lanes; None where none does, or not for a whole turn.

    Parameters
    ----------
    lanes : array (frames, lanes, sectors)
        Brightness.
    azimuth_rad : array (sectors,)
        Evenly spaced round the circle; the mark moves towards smaller ones.
    sweep_place : array (lanes, sectors)
        Place of each sector in the order of exposure.
    time_s : array (frames,)
    """
    if float(np.ptp(time_s)) * _FASTEST_HZ < _LEAST_TURNS:
        return None
    found: list[tuple[float, MarkCourse]] = []
    for k in range(lanes.shape[1]):
        dark, lit = darkness(lanes[:, k], sweep_place[k])
        if lit.mean() < 0.2:
            continue
        clear, rate, angle = _search(dark, azimuth_rad, time_s)
        course = _followed(dark, azimuth_rad, time_s, rate, angle) if clear > _CLEAR else None
        if course is not None:
            found.append((course.uncertainty_hz, course))
    return min(found, key=lambda one: one[0])[1] if found else None


def follow_rim_mark(
    lanes: NDArray[np.float32], azimuth_rad: _Floats, time_s: _Floats, *, sectors: int, dots: _Floats
) -> MarkCourse | None:
    """The bright or dark mark that stands out most in lanes along the part of a rim in view; None where none does.

    Dots that creep from picture to picture make the sectors they pass bright and dark by turns, which is no mark.

    Parameters
    ----------
    lanes : array (frames, lanes, sectors in view)
        Brightness.
    azimuth_rad : array (sectors in view,)
        Evenly spaced, zero at the near side; the mark moves towards smaller ones.
    time_s : array (frames,)
    sectors : int
        Sectors of the same width all round.
    dots : array (frames,)
        Dots that have passed.
    """
    if float(np.ptp(time_s)) * _FASTEST_HZ < _LEAST_TURNS or azimuth_rad.size < 8:
        return None
    candidates = []
    for k in range(lanes.shape[1]):
        odd = _without_dots(_oddness(lanes[:, k]), dots)
        spread = 1.4826 * float(np.median(np.abs(odd))) + 3e-3
        for sign in (1.0, -1.0):
            strange = np.clip(sign * odd, -0.3, 1.0)
            candidates.append((float(np.percentile(strange.max(axis=1), 92)) / spread, strange))
    candidates.sort(key=lambda one: one[0], reverse=True)
    found = []
    for score, strange in candidates[:_RIM_LANES]:
        if score < _CLEAR_LANE:
            break
        some = time_s < time_s[0] + _SEARCHED_S
        step = max(1, int(some.sum() / (_SEARCHED_HZ * float(np.ptp(time_s[some])))))
        round_about = np.zeros((np.count_nonzero(some[::step]), sectors))
        round_about[:, : azimuth_rad.size] = strange[some][::step]
        everywhere = azimuth_rad[0] + 2 * np.pi * np.arange(sectors) / sectors
        clear, rate, place = _search(round_about, everywhere, time_s[some][::step])
        course = _passing(strange, azimuth_rad, time_s, rate, place) if clear > _CLEAR_ON_RIM else None
        if course is not None:
            found.append((course.uncertainty_hz, course))
    return min(found, key=lambda one: one[0])[1] if found else None


def _oddness(lane: NDArray[np.float32]) -> _Floats:
    """By how much brighter than usual, as a share, each sector of a lane (frames, sectors) is, its light evened."""
    usual = np.median(lane, axis=0).astype(np.float64)
    lit = usual > _LEAST_LEVEL
    if lit.sum() < 8:
        return np.zeros(lane.shape)
    share = np.where(lit, lane / np.where(lit, usual, 1.0), 1.0)
    around = np.median(share[:, lit], axis=1, keepdims=True)
    bright = around > _DARK_FRAME
    return np.where(lit & bright, share / np.where(bright, around, 1.0) - 1, 0.0)


def _without_dots(odd: _Floats, dots: _Floats) -> _Floats:
    """An oddness (frames, sectors) without what follows the dots as they pass, which single sectors do not even out."""
    return np.where(odd == 0, 0.0, without_waves(odd, [dots, 2 * dots]))


def _passing(
    odd: _Floats, azimuth_rad: _Floats, time_s: _Floats, rate_hz: float, place_rad: float
) -> MarkCourse | None:
    """The mark placed in each frame that has it in view, and its turns told from pass to pass."""
    places = azimuth_rad / (2 * np.pi)
    low, high = places[0] + 0.6 * _RIM_REACH_REV, places[-1] - 0.6 * _RIM_REACH_REV
    start, rate = place_rad / (2 * np.pi), rate_hz
    for turns_used in (2.1, 4.0, 16.0, np.inf, np.inf):
        course = start - rate * time_s
        passes = np.rint(course)
        here = course - passes
        in_view = (here > low) & (here < high) & (time_s - time_s[0] < turns_used / rate_hz)
        apart = places[None, :] - here[:, None]
        weight = np.where(np.abs(apart) < _RIM_REACH_REV, np.maximum(odd, 0), 0)
        amount = weight.sum(axis=1)
        least = _LEAST_SEEN if np.isinf(turns_used) else _LEAST_SEEN // 2
        if in_view.sum() < least:
            return None
        seen = in_view & (amount > 0.35 * np.percentile(amount[in_view], 70))
        if seen.sum() < max(least, _RIM_SEEN * in_view.sum()):
            return None
        moved = (weight * apart).sum(axis=1) / np.maximum(amount, 1e-9)
        basis = np.stack([np.ones_like(time_s), time_s, here, here**2], axis=1)
        keep = seen.copy()
        for _ in range(3):
            fit, *_ = np.linalg.lstsq(basis[keep], moved[keep], rcond=1e-8)
            rest = moved - basis @ fit
            spread = 1.4826 * float(np.median(np.abs(rest[keep]))) + 1e-9
            keep = seen & (np.abs(rest) < 4 * spread)
        start, rate = start + float(fit[0]), rate - float(fit[1])
    numbers = np.unique(passes[keep])
    if numbers.size < 2 or rate <= 0:
        return None
    near = np.abs(apart) < 0.7 / azimuth_rad.size
    if float(np.median(np.where(near, odd, -1.0).max(axis=1)[keep])) < _LEAST_ODD:
        return None
    each = np.array([float(np.mean(rest[keep & (passes == k)])) for k in numbers])
    middle = np.array([float(np.mean(time_s[keep & (passes == k)])) for k in numbers])
    frames = np.array([np.count_nonzero(keep & (passes == k)) for k in numbers])
    own = float(np.std(rest[keep])) / np.sqrt(frames)
    between = float(np.sqrt(np.sum(each**2) / max(numbers.size - 2, 1)))
    noise = max(between, float(np.median(own)))
    reach = float(np.sqrt(np.sum((middle - middle.mean()) ** 2)))
    coverage = _COVERAGE + _FEW_PASSES / max(numbers.size - 2, 1)
    half_rate = coverage * noise / reach
    half_place = float(np.hypot(coverage * noise / np.sqrt(numbers.size), half_rate * middle.mean()))
    return MarkCourse(
        rate_hz=rate,
        uncertainty_hz=half_rate,
        angle_rev=float(-start % 1.0),
        angle_uncertainty_rev=half_place,
        turns=float(rate * np.ptp(time_s[keep])),
        passes_s=tuple(sorted(float(t) for t in (start - numbers + each) / rate if time_s[0] <= t <= time_s[-1])),
    )


def _search(dark: _Floats, azimuth_rad: _Floats, time_s: _Floats) -> tuple[float, float, float]:
    """How clearly a dark place moves round, its turns a second, and its angle at time zero."""
    span = float(np.ptp(time_s))
    waves = np.fft.fft(dark, axis=1)[:, 1 : _MOST_ORDER + 1]
    grid = np.arange(_SLOWEST_HZ, _FASTEST_HZ, 0.25 / (span * 4))
    still = np.zeros((grid.size, dark.shape[1]), complex)
    for rates in np.array_split(np.arange(grid.size), 1 + grid.size * time_s.size // _AT_ONCE):
        # A place at azimuth a at time zero stands at a - 2 pi rate t.
        turn = np.exp(-2j * np.pi * np.outer(grid[rates], time_s))
        turns = np.ones_like(turn)
        for order, wave in enumerate(waves.T, start=1):
            turns *= turn
            still[rates, order] = turns @ wave / time_s.size
    pictures = np.fft.ifft(still, axis=1).real
    heights, places = pictures.max(axis=1), azimuth_rad[np.argmax(pictures, axis=1)]
    top = int(np.argmax(heights))
    far = np.abs(grid - grid[top]) > 3 / span
    usual = heights[far] if far.any() else heights
    spread = 1.4826 * float(np.median(np.abs(usual - np.median(usual)))) + 1e-12
    return float((heights[top] - np.median(usual)) / spread), float(grid[top]), float(places[top])


def _followed(
    dark: _Floats, azimuth_rad: _Floats, time_s: _Floats, rate_hz: float, place_rad: float
) -> MarkCourse | None:
    """The mark placed in each frame, and a steady course with what repeats once and twice a turn fitted through."""
    course = place_rad / (2 * np.pi) - rate_hz * time_s
    sectors = azimuth_rad / (2 * np.pi)
    seen = np.zeros(time_s.size, bool)
    place = course.copy()
    rest = np.zeros(time_s.size)
    basis, fit = np.zeros((0, 0)), np.zeros(0)
    for _ in range(5):
        apart = sectors[None, :] - course[:, None]
        apart -= np.rint(apart)
        near = np.abs(apart) < _REACH_REV
        weight = np.where(near, np.maximum(dark, 0), 0)
        amount = weight.sum(axis=1)
        usual = float(np.percentile(amount, 60))
        seen = amount > 0.5 * usual
        if seen.sum() < _LEAST_SEEN or usual <= 0:
            return None
        place = course + (weight * apart).sum(axis=1) / np.maximum(amount, 1e-9)
        turn = 2 * np.pi * course
        columns = [np.ones_like(time_s), time_s - time_s.mean()]
        columns += [wave(m * turn) for m in (1, 2) for wave in (np.cos, np.sin)]
        basis = np.stack(columns, axis=1)
        keep = seen.copy()
        for _ in range(3):
            fit, *_ = np.linalg.lstsq(basis[keep], place[keep], rcond=1e-10)
            rest = place - basis @ fit
            spread = 1.4826 * float(np.median(np.abs(rest[keep]))) + 1e-9
            keep = seen & (np.abs(rest) < 4 * spread)
        seen = keep
        course = basis @ fit
    apart = sectors[None, :] - course[:, None]
    there = np.abs(apart - np.rint(apart)) < _AT_MARK_REV
    depth = np.where(there, dark, -1.0).max(axis=1)
    if float(np.median(depth[seen])) < _LEAST_DEPTH or seen.mean() < _LEAST_SHARE:
        return None
    turns = float(-fit[1] * np.ptp(time_s[seen]))
    if turns < _LEAST_TURNS or fit[1] >= 0:
        return None
    covariance = np.linalg.inv(basis[seen].T @ basis[seen])
    rest = rest[seen]
    alike = np.clip(float(np.mean(rest[1:] * rest[:-1]) / (np.mean(rest**2) + 1e-30)), 0, 0.95)
    noise = float(np.std(rest)) * np.sqrt((1 + alike) / (1 - alike))
    half = _COVERAGE * noise * np.sqrt(np.diag(covariance))
    start = float(fit[0] - fit[1] * time_s.mean())
    return MarkCourse(
        rate_hz=float(-fit[1]),
        uncertainty_hz=float(half[1]),
        angle_rev=float(-start % 1.0),
        angle_uncertainty_rev=float(np.hypot(half[0], half[1] * time_s.mean())),
        turns=turns,
    )
