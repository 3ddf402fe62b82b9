"""Which time stamps of a clip can be believed, and what the others must have been.

Frames come in the order in which they were taken. Where a stamp repeats, runs backwards or leaps ahead and the next
ones go on as if nothing had happened, the count of the frames tells what it must have been. Where the clock itself was
set, or a gap is too long to count the dots across it, nothing tells: then only one part of the clip can be used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused

__all__ = ["TrustedStamps", "trust_stamps"]

_FORWARDS = 0.9
"""Share of steps that go forwards in a time lapse; stamps that jump about are refused as such (by trial)."""
LONGEST_GAP_S = 0.5
"""Dots can be counted across a gap of this length while the speed swings by one per cent."""

_LOOK_BACK = 16
"""Frames back that one may follow on: so many bad stamps in a row, less one, can be left out (by choice)."""
_TOO_SOON = 0.35
"""Share of the shortest usual step before which no frame can follow another (by trial)."""
_SET_RIGHT = 0.35
"""Frames by which the time gone by may differ from the count for frames to be put back: less than the half that is
another count (by trial)."""
_BREAK = 6.0
"""Good frames that a break of the clock must win to be worth it (by trial)."""
_UNEVEN = 0.3
"""What a step off its count loses, at the most, of the one that an even step is worth (by trial)."""
_SPAN, _AROUND = 5, 31
"""Frames over which a step is averaged, so that rounding evens out; and means around a frame whose median is the usual
step, so that some bad ones do no harm (by trial)."""
_ENOUGH_S, _ENOUGH_SHARE = 8.0, 0.5
"""Seconds, or share of the clip, that one part must hold to be read alone (by choice)."""


@dataclass(frozen=True, eq=False)
class TrustedStamps:
    """The longest part of a clip over which time runs without a break.

    Attributes
    ----------
    frame : array of int (used,)
        The frames of that part, by their place in the clip.
    number : array of int (used,)
        Their count within the part; frames that had to be left out leave gaps.
    believed : array of bool (used,)
        Whether the stamp itself can be believed; else the count tells the time.
    breaks : int
        How often the clip's clock breaks.
    left_out : int
        Frames between the first and the last of the part whose time can't be told.
    """

    frame: NDArray[np.int_]
    number: NDArray[np.int_]
    believed: NDArray[np.bool_]
    breaks: int
    left_out: int

    def longest_between(self, places: NDArray[np.int_]) -> TrustedStamps:
        """The longest stretch that none of `places` (first frame after a break) parts."""
        edges = [0, *(int(place) for place in places), self.frame.size]
        first, last = max(pairwise(edges), key=lambda edge: edge[1] - edge[0])
        kept = slice(first, last)
        return replace(
            self,
            frame=self.frame[kept],
            number=self.number[kept] - self.number[first],
            believed=self.believed[kept],
            breaks=self.breaks + places.size,
        )


def trust_stamps(stamp_s: NDArray[np.float64]) -> TrustedStamps:
    """Find the stamps that can be believed.

    Parameters
    ----------
    stamp_s : array of float64 (frames,)
        Finite stamps in the order of the frames, at least three.

    Returns
    -------
    TrustedStamps

    Raises
    ------
    Refused
        ``bad-timing`` when the clock breaks so often that no part of useful length is left, or the frames are too far
        apart to count dots at all.
    """
    from scipy.ndimage import minimum_filter1d

    usual = _usual_step(stamp_s)
    step = np.diff(stamp_s)
    apart_s = float(np.median(step))
    if apart_s > LONGEST_GAP_S and np.mean(step > 0) > _FORWARDS:
        raise Refused(
            "bad-timing",
            f"The pictures are {apart_s:.3g} s apart by their time stamps, as in a time lapse; {LONGEST_GAP_S:g} s are "
            "the most.",
            "Film at 24 pictures a second or more, and use the camera's original file.",
        )
    fast = minimum_filter1d(usual, _AROUND, mode="nearest")
    if np.all(step > _TOO_SOON * fast[1:]) and np.all(step < usual[1:] + LONGEST_GAP_S):
        every = np.arange(stamp_s.size)
        return TrustedStamps(every, every, np.ones(every.size, bool), 0, 0)
    parts = _chains(stamp_s, usual, fast)
    chain = max(parts, key=len)
    length_s = len(chain) * float(np.median(usual[chain]))
    if not long_enough(len(chain), stamp_s.size, length_s):
        backward = int(np.sum(step <= 0))
        raise Refused(
            "bad-timing",
            f"The time stamps of the frames jump or run backwards ({backward} of {step.size} steps don't go forwards); "
            f"the longest part without a jump is {length_s:.1f} s.",
            "Use the camera's original file, not one that was cut, joined or re-sent; or film again.",
        )
    return _mended(stamp_s, usual, chain, len(parts) - 1)


def long_enough(frames: int, of: int, length_s: float) -> bool:
    """Whether a part of a clip is worth reading alone."""
    return frames >= _ENOUGH_SHARE * of or length_s >= _ENOUGH_S


def _usual_step(stamp_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Usual time from frame to frame around each frame."""
    from scipy.ndimage import median_filter

    span = min(_SPAN, stamp_s.size - 1)
    mean = (stamp_s[span:] - stamp_s[:-span]) / span
    forward = mean[mean > 0]
    if forward.size == 0:
        raise Refused(
            "bad-timing",
            "The time stamps of the frames do not go forwards.",
            "Use the camera's original file; or film again.",
        )
    mean = np.where(mean > 0, mean, np.median(forward))
    around = median_filter(mean, size=min(_AROUND, mean.size), mode="nearest")
    return np.concatenate([np.full(span - span // 2, around[0]), around, np.full(span // 2, around[-1])])


def _chains(stamp_s: NDArray[np.float64], usual: NDArray[np.float64], fast: NDArray[np.float64]) -> list[list[int]]:
    """Parts of the clip, each the frames whose stamps agree with their count, as many as possible in all.

    The best chain of frames, where a step that fits its count is worth one, an uneven one less, and a break costs as
    much as some frames.
    """
    size = stamp_s.size
    score = np.ones(size)
    before = np.full(size, -1)
    broken = np.zeros(size, bool)
    best = 0
    for j in range(1, size):
        i = np.arange(max(0, j - _LOOK_BACK), j)
        count = j - i
        step = stamp_s[j] - stamp_s[i]
        least = (count - 1 + _TOO_SOON) * fast[j]
        fits = (step > least) & (step < count * usual[j] + LONGEST_GAP_S)
        worth = 1 - _UNEVEN * np.minimum(1, np.abs(step / usual[j] - count))
        reach = np.where(fits, score[i] + worth, -np.inf)
        top = int(np.argmax(reach))
        across = score[best] + 1 - _BREAK
        if reach[top] >= max(across, 1.0):
            score[j], before[j] = reach[top], i[top]
        elif across > 1.0:
            score[j], before[j], broken[j] = across, best, True
        if score[j] >= score[best]:
            best = j
    parts: list[list[int]] = [[]]
    at = best
    while at >= 0:
        parts[-1].append(at)
        if broken[at]:
            parts.append([])
        at = int(before[at])
    return [part[::-1] for part in parts]


def _mended(stamp_s: NDArray[np.float64], usual: NDArray[np.float64], chain: list[int], breaks: int) -> TrustedStamps:
    """The part of `chain`, with the frames between its links put back where their count fits the time gone by."""
    link = np.array(chain)
    frames, numbers = [link[:1]], [np.zeros(1, int)]
    number = left_out = 0
    for i, j in pairwise(link):
        between = np.arange(i + 1, j)
        steps = (stamp_s[j] - stamp_s[i]) / usual[j]
        if between.size and abs(steps - (j - i)) < _SET_RIGHT:
            frames.append(between)
            numbers.append(number + between - i)
        else:
            left_out += between.size
        number += int(j - i)
        frames.append(np.array([j]))
        numbers.append(np.array([number]))
    frame, counted = np.concatenate(frames), np.concatenate(numbers)
    return TrustedStamps(frame, counted, np.isin(frame, link), breaks, left_out)
