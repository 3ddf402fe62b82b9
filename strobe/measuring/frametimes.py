"""When the sensor took each frame of a clip: stamps, pictures put in twice, and slow motion, with notes on each.

A file plays slow motion at another pace than it was filmed. The pace comes from the container or from the user.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from strobe.capture import ClipFacts
from strobe.errors import Refused
from strobe.measurement import Note
from strobe.measuring.clock import ROUNDED_RATE_PPM, CameraClock, scaled, stretch_of
from strobe.pattern import PatternReading
from strobe.phase import TimeBase, combine_blocks, fit_time_base

__all__ = ["FrameTimes", "frame_times", "is_slow_motion"]

_SAME_RATE, _WHOLE, _WHOLE_STEP = 0.02, 0.02, 0.1
"""How far off it may be and still be the same: the pace from real time, and a told rate from a whole multiple of a
piece's, both relative; a step at a joint from whole frames, in frames (by trial)."""
_NEAR_JOINT = 10
"""Frames on either side of a joint of two paces whose steps are asked which pace they are of (by trial)."""
_HIGH_SPEED_HZ, _LEAST_SLOWED = 45.0, 1.6
"""Rate above which, and times by which, cameras slow down, which is by a whole factor (common practice: from 60 to 30
pictures a second at the least)."""
_NOT_VARIED, _VARIED = 1.05, 3.0
"""Ratio of frame rates up to which they are one, and from which it is asked whether one part is slow motion: in dim
light cameras halve their rate, slow motion plays at a quarter or an eighth (common practice)."""
_FULL_RATE_HZ = 90.0
"""Pictures a second from which a file of slow motion is not slowed down: between the 60 that play and the 120 and 240
that are filmed (common practice)."""
_MANY_REPEATS, _UNSTEADY = 0.08, 0.15
"""Share of repeated pictures, and of steps unlike the one before, that together show a rate made by a program: 24 made
30 repeats one in five, 25 made 30 one in six; every picture twice is steady (closed form)."""
_WINDOW, _OTHER_PACE, _FEW = 12, 0.03, 2
"""Frames of a window whose step of the dots is averaged; by how many dots a frame another pace differs; and how many
windows must (by trial)."""


@dataclass(frozen=True, eq=False)
class FrameTimes:
    """A clip's frames on the clock of its sensor.

    Attributes
    ----------
    pattern : PatternReading
        What was read of the frames that can be used, at their times.
    time : TimeBase
        Their times.
    stretch : float
        How much slower than real the file plays (1 for real time).
    told : bool
        Whether the pace was said, by the file or by the user.
    clock : CameraClock
        The camera's clock, with what is not known of the pace in its uncertainty.
    notes : tuple of Note
        What had to be set right.
    """

    pattern: PatternReading
    time: TimeBase
    stretch: float
    told: bool
    clock: CameraClock
    notes: tuple[Note, ...]


def frame_times(
    pattern: PatternReading, facts: ClipFacts, capture_rate_hz: float | None, clock: CameraClock
) -> FrameTimes:
    """Find the times at which the frames were taken.

    Parameters
    ----------
    pattern : PatternReading
        Of all frames.
    facts : ClipFacts
        What the container says.
    capture_rate_hz : float or None
        The capture rate where it is given; goes before the file's.
    clock : CameraClock
        The camera's clock as far as it is known.

    Raises
    ------
    Refused
        ``bad-timing`` for stamps from which no time can be told, ``ambiguous`` for slow motion of an unknown rate.
    """
    repeats = pattern.repeats()
    counted = facts.stamps == "counted"
    unit_s = 0.0 if counted else facts.stamp_s
    time = fit_time_base(pattern.time_s, grid_s=unit_s, repeats=repeats)
    repeated = int(np.sum(repeats[time.used[0] : time.used[-1] + 1]))
    _refuse_retimed(time, repeated)
    pattern = pattern.only(time.used)
    rates = _rates(time)
    told_hz = capture_rate_hz if capture_rate_hz is not None else _slowed_down_from(facts.capture_rate_hz, rates)
    notes = list(_stamp_notes(time, repeated))
    stretch, unknown_ppm = 1.0, 0.0
    if told_hz is None:
        _ask_where_pace_is_unclear(rates, facts)
    elif len(rates) > 1 and _paces(time, told_hz) is not None:
        time = _at_one_pace(time, told_hz, unit_s)
        stretch = told_hz / min(rates)
        notes.append(
            Note(
                "mixed-pace",
                f"Parts of the clip play slowly and parts don't; all was filmed at {told_hz:.4g} a second.",
            )
        )
    else:
        exact = counted and capture_rate_hz is not None
        stretch, unknown_ppm = stretch_of(time, told_hz, exact=exact)
        time = scaled(time, 1 / stretch)
    if counted and capture_rate_hz is None:
        unknown_ppm = math.hypot(unknown_ppm, ROUNDED_RATE_PPM)
        notes.append(
            Note(
                "times-counted",
                f"The file holds no time stamps, only {1 / (time.interval_s * stretch):.5g} pictures a second for all "
                "of them; a camera at 29.97 is often called 30. --capture-rate gives the true rate where it is known.",
            )
        )
    if stretch > 1 / (1 - _SAME_RATE):
        pattern, time, cut = _at_steady_pace(pattern, time)
        notes += [cut] if cut else []
    time = clock.true_time(time)
    if unknown_ppm:
        clock = replace(clock, uncertainty_ppm=math.hypot(clock.uncertainty_ppm, unknown_ppm))
    pattern = replace(pattern, time_s=time.time_s)
    return FrameTimes(pattern, time, stretch, told_hz is not None, clock, tuple(notes))


def _slowed_down_from(tagged_hz: float | None, rates_hz: tuple[float, ...]) -> float | None:
    """The rate of capture that a file's tag tells, None where it is only the rate that the camera set out to film at.

    In dim light a camera films more slowly than that, and its stamps say so.
    """
    if tagged_hz is None:
        return None
    as_it_plays = all(abs(tagged_hz / rate - 1) < _SAME_RATE for rate in rates_hz)
    return tagged_hz if as_it_plays or is_slow_motion(tagged_hz, min(rates_hz)) else None


def is_slow_motion(tagged_hz: float, played_hz: float) -> bool:
    """Whether a clip plays so much slower than its tag says it was filmed that cameras do it on purpose."""
    return tagged_hz > _HIGH_SPEED_HZ and tagged_hz / played_hz > _LEAST_SLOWED


def _rates(time: TimeBase) -> tuple[float, ...]:
    """The frame rates of the clip that truly differ, fastest first."""
    rates: list[float] = []
    for rate in sorted(time.rates_hz, reverse=True):
        if not rates or rates[-1] / rate > _NOT_VARIED:
            rates.append(rate)
    return tuple(rates)


def _refuse_retimed(time: TimeBase, repeated: int) -> None:
    """Refuse a clip in which a program put pictures in twice to come to another rate: the others then stand shifted."""
    step = np.diff(time.index)
    if repeated > _MANY_REPEATS * time.index.size and np.mean(np.diff(step) != 0) > _UNSTEADY:
        raise Refused(
            "bad-timing",
            f"{repeated} of the pictures show the one before once more, unevenly, as a program leaves them that brings "
            "a clip to another frame rate; the times of the others are then wrong too.",
            "Use the camera's original file, and switch off any program between camera and file.",
        )


def _ask_where_pace_is_unclear(rates: tuple[float, ...], facts: ClipFacts) -> None:
    if rates[0] / rates[-1] > _VARIED:
        raise Refused(
            "ambiguous",
            f"The clip runs at {rates[0]:.4g} pictures a second in one part and at {rates[-1]:.4g} in another, as slow "
            "motion with ends at normal speed does, and does not say at which rate it was filmed.",
            f"Give the rate it was filmed at: --capture-rate {round(rates[0])}.",
        )
    if facts.slow_motion and rates[0] < _FULL_RATE_HZ:
        raise Refused(
            "ambiguous",
            f"The file says that it is slow motion, but not at which rate it was filmed; it plays {rates[0]:.4g} "
            "pictures a second.",
            "Give the rate it was filmed at, as in --capture-rate 240; or use the camera's original file.",
        )


def _paces(time: TimeBase, told_hz: float) -> NDArray[np.float64] | None:
    """Whole factors by which the pieces play too slowly; None where they don't fit, or are all one."""
    ratio = told_hz / np.array(time.rates_hz)
    whole = np.maximum(1.0, np.rint(ratio))
    fits = np.all(np.abs(ratio / whole - 1) < _WHOLE)
    return whole if fits and np.unique(whole).size > 1 else None


def _at_one_pace(time: TimeBase, told_hz: float, unit_s: float) -> TimeBase:
    """Each piece brought to the pace at which it was filmed, and the cadence of the whole fitted anew."""
    paces = _paces(time, told_hz)
    assert paces is not None
    step = np.diff(time.time_s)
    piece = np.cumsum(np.concatenate([[0], np.diff(time.piece) != 0]))
    pace = paces[piece[1:]]
    for joint in np.flatnonzero(np.diff(piece)):
        either = paces[[piece[joint], piece[joint + 1]]]
        for k in range(max(0, int(joint) - _NEAR_JOINT), min(step.size, int(joint) + _NEAR_JOINT)):
            frames = step[k] * told_hz / either
            fits = np.abs(frames - np.maximum(1, np.rint(frames))) < _WHOLE_STEP
            if fits.any():
                pace[k] = either[int(np.argmin(np.where(fits, frames, np.inf)))]
    film_s = np.concatenate([[0.0], np.cumsum(step / pace)])
    again = fit_time_base(film_s, grid_s=unit_s / float(paces.min()))
    return replace(
        again,
        used=time.used[again.used],
        mended=time.mended + again.mended,
        left_out=time.left_out + again.left_out,
        breaks=time.breaks + again.breaks,
    )


def _at_steady_pace(pattern: PatternReading, time: TimeBase) -> tuple[PatternReading, TimeBase, Note | None]:
    """The part of a slow-motion clip in which the dots go on evenly from frame to frame.

    Where a program has rendered ends at normal speed, the stamps don't show it, but the dots jump from frame to frame.
    """
    row = max(pattern.rows, key=lambda one: one.amplitude)
    amplitude, _ = combine_blocks(row.blocks)
    turn = amplitude[1:] * np.conj(amplitude[:-1])
    turn = np.where(np.diff(time.index) == 1, turn, 0)
    windows = turn.size // _WINDOW
    if windows < 4:
        return pattern, time, None
    sums = turn[: windows * _WINDOW].reshape(windows, _WINDOW)
    advance = sums.sum(axis=1)
    clear = np.abs(advance) > 0.7 * np.abs(sums).sum(axis=1)
    angle = np.angle(advance) / (2 * np.pi)
    apart = np.abs((angle[:, None] - angle[None, :] + 0.5) % 1 - 0.5)
    company = np.sum((apart < _OTHER_PACE) & clear[None, :], axis=1)
    usual = int(np.argmax(company * clear))
    other = (apart[usual] > _OTHER_PACE) & clear
    if np.sum(other) < _FEW:
        return pattern, time, None
    edges = [-1, *np.flatnonzero(other), windows]
    first, last = max(pairwise(edges), key=lambda edge: edge[1] - edge[0])
    a, b = (first + 2) * _WINDOW if first >= 0 else 0, (last - 1) * _WINDOW if last < windows else turn.size + 1
    if b - a < pattern.time_s.size / 3:
        raise Refused(
            "ambiguous",
            "The dots go on by different steps from frame to frame in different parts of this slow-motion clip: not "
            "all of it plays at the same pace.",
            "Use the camera's original file, or cut out the slow part alone.",
        )
    kept = np.arange(a, b)
    index = time.index[kept] - time.index[a]
    part = replace(
        time,
        time_s=time.time_s[kept],
        stamp_s=time.stamp_s[kept],
        index=index,
        used=time.used[kept],
        piece=time.piece[kept],
        dropped=int(index[-1] + 1 - kept.size),
    )
    note = Note(
        "normal-speed-ends",
        f"The dots go on evenly only from {time.time_s[a]:.1f} to {time.time_s[b - 1]:.1f} s of the time filmed; the "
        "rest seems to play at normal speed and was left out.",
    )
    return pattern.only(kept), part, note


def _stamp_notes(time: TimeBase, repeated: int) -> tuple[Note, ...]:
    rates = _rates(time)
    start, end = float(time.stamp_s[0]), float(time.stamp_s[-1])
    cases = (
        (
            time.breaks > 0,
            "clock-breaks",
            f"The file's clock breaks {time.breaks} time{'s' if time.breaks != 1 else ''}; only the part from "
            f"{start:.1f} to {end:.1f} s was read.",
        ),
        (
            time.mended > 0,
            "stamps-mended",
            f"{time.mended} time stamp{'s' if time.mended != 1 else ''} could not be right and followed from the "
            "cadence of the other frames.",
        ),
        (
            time.left_out > 0,
            "frames-left-out",
            f"{time.left_out} frame{'s' if time.left_out != 1 else ''} whose time could not be told "
            f"{'were' if time.left_out != 1 else 'was'} left out.",
        ),
        (
            repeated > 0,
            "repeated-pictures",
            f"{repeated} picture{'s' if repeated != 1 else ''} only repeated the one before and "
            f"{'were' if repeated != 1 else 'was'} left out.",
        ),
        (
            len(rates) > 1,
            "rate-varies",
            f"The camera changed its rate between {rates[0]:.4g} and {rates[-1]:.4g} pictures a second; each part was "
            "timed by itself.",
        ),
    )
    return tuple(Note(code, message) for holds, code, message in cases if holds)
