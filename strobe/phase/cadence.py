"""A camera's steady cadence under rounded or jittered stamps, piece by piece where it truly changes its rate.

Between changes a sensor runs evenly: each piece is a straight line of time over the count of frames, found through
stamps that rounding or a late program moved about. A piece is only split where that explains the stamps far better
than chance would.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "EXACT_S",
    "ROUNDED",
    "Cadence",
    "find_cadence",
    "line_through",
    "line_within",
    "slope_uncertainty",
    "unexplained_gaps",
    "wanders",
]

EXACT_S = 2e-6
"""Stamps that are written in microseconds are off by no more."""
ROUNDED = 1.7
"""Widest spread about a line, in grids, that counts as rounding: a little jitter before it is rounded widens it."""
_AROUND, _SIDE = 15, 4
"""Steps whose median is the usual one there; and frames on either side of a gap that say how long it is (by trial)."""
_ALIKE = 0.4
"""How far, by the usual step, a step may be from it and count for its mean: less than the half that would make it
another count."""
_LEAST_FRAMES = 8
"""Shortest piece (by trial)."""
_ROUNDS = 6
"""Times that borders are moved, or short pieces counted anew; it ends before where nothing changes."""
_WORTH_A_SPLIT = 40.0
"""Variances that a split must explain: two more numbers to fit, and its place, gain so much of noise once in 100
million (chi-square of three)."""
_MOST_PIECES_SHARE = 1 / 20
"""Pieces for each frame beyond which nothing is even: 20 frames a piece (by choice)."""
_STRAY = 8.0
"""Sigmas that a single stamp is off its neighbours' line to be a stray; normal noise never is so far."""
_MOST_STRAYS = 0.2
"""Share of strays beyond which they are how the stamps are, and none is left out (by choice)."""
_LEAST_FIT = 0.6
"""Least share of a short piece's frames that must fit the cadence beside it: most of them, by choice."""
_MOST_JITTER = 0.3
"""Scatter of the stamps, in intervals, beyond which no even cadence lies under them: half an interval is another count
(by trial)."""
_SAME_RATE, _NOT_WHOLE = 0.003, 0.1
"""How alike, relatively, the rates before and after a gap are that nothing explains; and how far, in frames, it is from
a whole number of them (by trial)."""
_WALKS, _LEAST_STEPS = -1 / 3, 100
"""How each interval goes with the next, and of how many that is told, from which the frames themselves walk.

Where their stamps jitter about a cadence that goes on it is -0.5 (closed form), to 0.07 at 1 sigma of so many. Where
they walk it is 0, but pieces of cadence go along with a walk: -0.14 then, -0.29 at the worst (240 walks of 12 s)."""
Floats = NDArray[np.float64]
Ints = NDArray[np.int_]


@dataclass(frozen=True, eq=False)
class Cadence:
    """Even pieces that run through the stamps.

    Attributes
    ----------
    first : array of int (pieces,)
        First frame of each piece.
    interval_s, offset_s : array of float64 (pieces,)
        Line of each piece over `place`.
    place : array of int (frames,)
        Count of each frame, dropped frames counted.
    stray : array of bool (frames,)
        Stamps far off the cadence, which had no say.
    error_s : array of float64 (frames,)
        Stamps minus cadence.
    jitter_s : float
        1-sigma scatter of the stamps about the cadence beyond rounding.
    """

    first: Ints
    interval_s: Floats
    offset_s: Floats
    place: Ints
    stray: NDArray[np.bool_]
    error_s: Floats
    jitter_s: float

    def time_s(self, place: Ints, piece: Ints) -> Floats:
        """Time of each place by the line of its piece."""
        return np.asarray(self.offset_s[piece] + self.interval_s[piece] * place, np.float64)


def unexplained_gaps(cadence: Cadence, grid_s: float) -> Ints:
    """Frames after which the cadence goes on at the same rate, but not a whole number of frames later.

    Neither missing frames nor a change of rate leave such a gap: the camera paused, or its clock was set.
    """
    slope, first = cadence.interval_s, cadence.first
    found = []
    for k in range(first.size - 1):
        before, after = (cadence.offset_s[j] + slope[j] * cadence.place[first[k + 1]] for j in (k, k + 1))
        off = (after - before) / slope[k]
        loose = (grid_s + 8 * cadence.jitter_s) / slope[k]
        if abs(slope[k + 1] / slope[k] - 1) < _SAME_RATE and abs(off - np.rint(off)) > max(_NOT_WHOLE, loose):
            found.append(int(first[k + 1]))
    return np.array(found, int)


def wanders(cadence: Cadence, stamp_s: Floats) -> bool:
    """Whether it is the frames that stray from the cadence, each later one with them, and not only their stamps.

    A stamp that is late makes one interval long and the next as much too short; where an interval itself is long, the
    next knows nothing of it.
    """
    piece = np.searchsorted(cadence.first, np.arange(stamp_s.size), side="right") - 1
    single = (np.diff(cadence.place) == 1) & (np.diff(piece) == 0)
    single &= ~(cadence.stray[1:] | cadence.stray[:-1])
    off = np.diff(stamp_s) - cadence.interval_s[piece[1:]]
    both = single[1:] & single[:-1]
    if cadence.jitter_s == 0 or both.sum() < _LEAST_STEPS:
        return False
    before, after = off[:-1][both], off[1:][both]
    return bool(2 * before @ after > _WALKS * (before @ before + after @ after))


def find_cadence(stamp_s: Floats, count: Ints, *, grid_s: float) -> Cadence | None:
    """Fit the cadence.

    Parameters
    ----------
    stamp_s : array of float64 (frames,)
        Strictly increasing.
    count : array of int (frames,)
        Least count of each frame; more is added where the time gone by shows that frames are missing.
    grid_s : float
        Grid to which the stamps are rounded, 0 for none.

    Returns
    -------
    Cadence or None
        None where the stamps are too uneven for any even piece.
    """
    place = _places(stamp_s, count, grid_s)
    stray, scatter = _strays(stamp_s, place, grid_s)
    good = np.flatnonzero(~stray)
    jitter = float(np.sqrt(max(0.0, scatter**2 - 1.3 * grid_s**2 / 12)))
    allowed = ROUNDED * grid_s + 8 * jitter + 2 * EXACT_S
    least = max(scatter, grid_s / np.sqrt(12), 0.5 * EXACT_S)
    starts = _split(place[good], stamp_s[good], allowed, least**2)
    for _ in range(_ROUNDS):
        recounted = _recounted(place[good], stamp_s[good], count[good], starts, allowed)
        if recounted is None:
            break
        place[good], fits = recounted
        stray[good[~fits]] = True
        good = good[fits]
        starts = _split(place[good], stamp_s[good], allowed, least**2)
    if len(starts) > 1 + _MOST_PIECES_SHARE * good.size:
        return None
    ends = [*starts[1:], good.size]
    lines = [line_through(place[good[a:b]], stamp_s[good[a:b]]) for a, b in zip(starts, ends, strict=True)]
    slope, offset = np.array([line[1] for line in lines]), np.array([line[0] for line in lines])
    first = np.array([0, *good[starts[1:]]])
    piece = np.searchsorted(first, np.arange(stamp_s.size), side="right") - 1
    error = stamp_s - offset[piece] - slope[piece] * place
    beyond = max(float(np.ptp(error[good[a:b]])) for a, b in zip(starts, ends, strict=True))
    jitter = 0.0 if beyond <= ROUNDED * grid_s + 2 * EXACT_S else float(np.std(error[good]))
    if jitter > _MOST_JITTER * float(slope.min()):
        return None
    return Cadence(first, slope, offset, place, stray, error, jitter)


def line_through(place: Ints, stamp_s: Floats) -> tuple[float, float, Floats]:
    """Offset, slope and residual of the least-squares line."""
    centre = float(place.mean())
    u = place - centre
    slope = float(u @ stamp_s / (u @ u))
    offset = float(stamp_s.mean()) - slope * centre
    return offset, slope, stamp_s - (offset + slope * place)


def line_within(place: Ints, stamp_s: Floats, near_s: float, width_s: float) -> tuple[float, float, float] | None:
    """Offset, slope and its relative 1-sigma of the lines that rounding to a grid of `width_s` allows; None for none.

    Rounding errors of even frames run in slow ramps, not at random, so that least squares errs by tens of parts per
    million. But no stamp is off by more than the grid: that holds for a narrow range of slopes, found by halving, since
    the spread of the stamps about a line is a convex function of its slope.
    """
    reach = 4 * width_s / float(place[-1] - place[0])

    def spread(slope: float) -> float:
        return float(np.ptp(stamp_s - slope * place))

    low, high = near_s - reach, near_s + reach
    for _ in range(60):
        third = (high - low) / 3
        if spread(low + third) <= spread(high - third):
            high -= third
        else:
            low += third
    best = (low + high) / 2
    if spread(best) > width_s:
        return None
    ends = []
    for outside in (near_s - reach, near_s + reach):
        inside = best
        for _ in range(50):
            middle = (inside + outside) / 2
            inside, outside = (middle, outside) if spread(middle) <= width_s else (inside, middle)
        ends.append(inside)
    slope = (ends[0] + ends[1]) / 2
    left = stamp_s - slope * place
    return float(left.max() + left.min()) / 2, slope, (ends[1] - ends[0]) / np.sqrt(12) / slope


def slope_uncertainty(place: Ints, sigma_s: float, slope: float) -> float:
    """Relative 1-sigma of a least-squares slope through stamps that scatter by `sigma_s`."""
    spread = float(np.sum((place - place.mean()) ** 2))
    return float(sigma_s / np.sqrt(spread) / slope)


def _places(stamp_s: Floats, count: Ints, grid_s: float) -> Ints:
    """Count of each frame, with the frames that are missing from the gaps."""
    from scipy.ndimage import median_filter, uniform_filter1d

    step, least = np.diff(stamp_s), np.diff(count)
    single = step / least
    size = min(_AROUND, single.size)
    middle = median_filter(single, size=size, mode="mirror")
    alike = (np.abs(single - middle) < _ALIKE * middle + grid_s).astype(float)
    share = uniform_filter1d(alike, size, mode="mirror")
    mean = uniform_filter1d(alike * single, size, mode="mirror")
    usual = np.where(share > 0.5 / size, mean / np.maximum(share, 1e-9), middle)
    taken = np.maximum(least, np.floor(step / usual + 0.5).astype(int))
    for k in np.flatnonzero(taken > least):
        taken[k] = max(least[k], taken[k] + _miscount(stamp_s, taken, usual, int(k)))
    return np.concatenate([[0], np.cumsum(taken)])


def _miscount(stamp_s: Floats, taken: Ints, usual: Floats, k: int) -> int:
    """Frames to add to the gap after frame `k`, so that those before and after it lie on one line.

    A frame that is merely late opens a gap too, but those after it do not stay late.
    """
    before = np.arange(max(0, k - _SIDE), k + 1)
    after = np.arange(k + 1, min(stamp_s.size, k + 2 + _SIDE))
    early = stamp_s[k] - np.append(np.cumsum((taken * usual)[before[:-1]][::-1])[::-1], 0.0)
    late = stamp_s[k] + taken[k] * usual[k] + np.append(0.0, np.cumsum((taken * usual)[after[:-1]]))
    jump = np.median(stamp_s[after] - late) - np.median(stamp_s[before] - early)
    return int(np.floor(jump / usual[k] + 0.5))


def _strays(stamp_s: Floats, place: Ints, grid_s: float) -> tuple[NDArray[np.bool_], float]:
    """Single stamps far off those around them, and the scatter of the others.

    A stray stands alone: the line through its neighbours misses it by what the lines at its neighbours miss them by
    twice, the other way. Where the rate changes they do not.
    """
    inner = (place[1:-1] - place[:-2]) / (place[2:] - place[:-2])
    off = np.zeros(stamp_s.size)
    off[1:-1] = stamp_s[1:-1] - stamp_s[:-2] - inner * (stamp_s[2:] - stamp_s[:-2])
    scatter = 1.4826 * float(np.median(np.abs(off))) / np.sqrt(1.5)
    limit = max(_STRAY * scatter, 1.5 * grid_s, 10 * EXACT_S)
    stray = np.zeros(stamp_s.size, bool)
    alone = (np.abs(off[1:-3] + off[2:-2] / 2) < np.abs(off[2:-2]) / 4) & (
        np.abs(off[3:-1] + off[2:-2] / 2) < np.abs(off[2:-2]) / 4
    )
    stray[2:-2] = alone & (np.abs(off[2:-2]) > limit)
    if stamp_s.size > 2 * _AROUND:
        for end in (slice(0, _AROUND), slice(None, -_AROUND - 1, -1)):
            usual = float(np.median(np.diff(stamp_s[end]) / np.diff(place[end])))
            level = stamp_s[end] - usual * place[end]
            off_line = np.abs(level - np.median(level[2 : 2 + _SIDE]))[:2]
            stray[end][:2] = (off_line > limit + grid_s) & (off_line < usual / 2)
    if np.mean(stray) > _MOST_STRAYS:
        stray = np.zeros(stamp_s.size, bool)
    near = stray.copy()
    near[1:] |= stray[:-1]
    near[:-1] |= stray[1:]
    calm = np.abs(off[~near])
    calm = calm[calm <= max(6 * scatter, grid_s)] if calm.size else np.zeros(1)
    return stray, float(np.sqrt(np.mean(calm**2) / 1.5))


def _split(place: Ints, stamp_s: Floats, allowed_s: float, variance: float) -> list[int]:
    """First frames of the pieces: halved while that is worth it, then each border moved and tried for need again."""

    def cut(a: int, b: int) -> int | None:
        if b - a < 2 * _LEAST_FRAMES:
            return None
        left = line_through(place[a:b], stamp_s[a:b])[2]
        if float(np.ptp(left)) <= allowed_s:
            return None
        at = _best_cut(place[a:b], stamp_s[a:b], float(left @ left), variance)
        return None if at is None else a + at

    def error(edges: list[int]) -> float:
        parts = [line_through(place[a:b], stamp_s[a:b])[2] for a, b in pairwise(edges)]
        return sum(float(part @ part) for part in parts)

    waiting, borders = [(0, place.size)], []
    while waiting:
        a, b = waiting.pop()
        at = cut(a, b)
        if at is not None:
            borders.append(at)
            waiting += [(a, at), (at, b)]
    borders.sort()
    for _ in range(_ROUNDS):
        before, k = list(borders), 0
        while k < len(borders):
            edges = [0, *borders, place.size]
            at = cut(edges[k], edges[k + 2])
            borders[k : k + 1] = [] if at is None else [at]
            k += at is not None
        for k in range(len(borders) - 2, -1, -1):
            a, b = [0, *borders, place.size][k : k + 4 : 3]
            at = cut(a, b)
            if at is not None and error([a, at, b]) < error([a, *borders[k : k + 2], b]) + _WORTH_A_SPLIT * variance:
                borders[k : k + 2] = [at]
        if borders == before:
            break
    return [0, *borders]


def _recounted(
    place: Ints, stamp_s: Floats, count: Ints, starts: list[int], allowed_s: float
) -> tuple[Ints, NDArray[np.bool_]] | None:
    """Places with one short piece counted anew on the cadence of the piece beside it, and which frames fit it.

    None where no short piece fits the one beside it.
    """
    edges = [*starts, place.size]
    for k in range(len(starts)):
        a, b = edges[k], edges[k + 1]
        for beside in (k - 1, k + 1):
            if b - a >= 2 * _LEAST_FRAMES or not 0 <= beside < len(starts):
                continue
            c, d = edges[beside], edges[beside + 1]
            offset, slope, _ = line_through(place[c:d], stamp_s[c:d])
            near = slice(max(0, a - 1), b) if beside < k else slice(a, b + 1)
            if d - c < 2 * _LEAST_FRAMES:
                continue
            rounded = np.floor((stamp_s[near] - offset) / slope + 0.5).astype(int)
            counted = count[near] + int(np.median(rounded - count[near]))
            for on in (rounded, counted):
                off = stamp_s[near] - offset - slope * on
                middle = float(np.median(off))
                fits = np.abs(off - middle) <= allowed_s / 2 + EXACT_S
                orderly = np.all(np.diff(on) >= np.diff(count[near]))
                if abs(middle) > allowed_s or np.mean(fits) < _LEAST_FIT or not orderly:
                    continue
                new, good = place.copy(), np.ones(place.size, bool)
                new[near], good[near] = on, fits
                new[b:] += on[-1] - place[near][-1] if beside < k else 0
                new[:a] += on[0] - place[a] if beside > k else 0
                return new, good
    return None


def _best_cut(place: Ints, stamp_s: Floats, before: float, variance: float) -> int | None:
    """Where two lines explain the stamps best; None where they are not worth it."""
    left = _errors_so_far(place, stamp_s)
    right = _errors_so_far(place[::-1], stamp_s[::-1])[::-1]
    both = left[_LEAST_FRAMES - 1 : place.size - _LEAST_FRAMES] + right[_LEAST_FRAMES : place.size - _LEAST_FRAMES + 1]
    best = int(np.argmin(both))
    return best + _LEAST_FRAMES if before - both[best] > _WORTH_A_SPLIT * variance else None


def _errors_so_far(place: Ints, stamp_s: Floats) -> Floats:
    """Sum of squares about the least-squares line through the first 1, 2, 3 ... frames."""
    n = np.arange(1, place.size + 1)
    x = place - place[0] + 0.0
    level = stamp_s - stamp_s[0] - x * (stamp_s[-1] - stamp_s[0]) / x[-1]
    sx, sy, sxx, sxy, syy = (np.cumsum(part) for part in (x, level, x * x, x * level, level * level))
    vxx, vxy, vyy = sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n
    return np.maximum(0.0, vyy - np.divide(vxy**2, vxx, out=np.zeros_like(vxy), where=vxx > 0))
