"""The part of a clip to measure: under one light, at one exposure, with the platter at its speed.

A lamp switched on, an exposure that the camera changed, or a platter that still runs up would read as wobble. The
longest part without any of it is measured and the rest left out, with a note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.measurement import Note
from strobe.measuring.changes import GAP, light_steps
from strobe.measuring.lamps import clearest_dots
from strobe.pattern import PatternReading, RowSeries
from strobe.pattern.images import runs_of
from strobe.phase import (
    CoarseLine,
    FlashRate,
    TimeBase,
    combine_blocks,
    folded_hz,
    follow_phase,
    hann,
    steps_off,
)

__all__ = ["SteadyPart", "beside_fade", "steady_part"]

_LEAST_FRAMES = 8
"""Frames of a window from which its line is told, and of a part before which a leap is looked for (by choice)."""
_WINDOW_S, _HOP_S = 0.6, 0.3
"""Seconds of a window in which the line is looked for, and from one to the next: short beside a run-up of some seconds
(by trial)."""
_OFF_SPEED = 0.035
"""How far, relatively, the line may lie from where it mostly is: a little further than the main lobe of such a window
reaches at 100 dots a second (closed form: 2 / 0.6 s)."""
_MOST_LEFT = 0.5
"""Share of the usual power near the line below which a window is not at speed (by trial)."""
_BRIEF_S = 1.2
"""Up to so long something passed by, a hand perhaps, and the platter kept its speed (by trial)."""
_MARGIN_S = 0.5
"""Left out of the first and the last window of a run at speed: most of it, as its edge may not be yet (by trial)."""
_OTHER_RATE, _SOME_STEPS = 0.02, 0.1
"""By how much of an interval steps between pictures miss whole ones where the rate is another; share of the steps of a
run that may do so by chance (by trial)."""
_LEAST_S = 2.5
"""Shortest part that is measured alone: rather more than one turn at 33 1/3 rpm (1.8 s), by choice."""
_LEAP_PX, _FAR_LEAP = 8.0, 4.0
"""Pixels that the scenery moves in a leap, and times its usual stir, from which the camera was knocked or scenes were
joined (by trial)."""
_SMOOTH_S, _USUAL_SCATTER, _SETTLED_HZ = 3.6, 1.5, 0.002
"""Two turns at 33 1/3 rpm, over which a speed is averaged to see it settle; how far from the usual is settled, in times
the scatter of the half that has, and in any case (2 of 100,000 of a usual ring's dots a second)."""
_SEEN_TO_SETTLE_S = 1.5 * _SMOOTH_S
"""One smooth window and half of it again, the least over which a course of the speed is seen at all."""
_CREEP_UNSEEN = 2.0
"""Weight in the mean of a creep that dies out in 0.35 to 0.8 s, over its weight at the smooth window's faint edge."""
_FADED, _FADE_S, _SLOW_BEAT_CYCLES, _LEAST_KEPT = 0.3, 0.2, 3.0, 0.5
"""Amplitude of dots that lamp and shutter together nearly wipe out, by the usual one; over how long it is averaged; up
to how many beats in a clip one of them is a matter of a moment; and what share of the clip must be left beside it."""


@dataclass(frozen=True, eq=False)
class SteadyPart:
    """What of a clip is measured, and notes on what is not.

    `unsettled_hz` is by how many dots a second the speed may still differ from the settled one where the part begins or
    ends; 0 where the platter is at its speed all the time.
    """

    pattern: PatternReading
    time: TimeBase
    notes: tuple[Note, ...]
    unsettled_hz: float = 0.0


def steady_part(pattern: PatternReading, time: TimeBase) -> SteadyPart:
    """Leave out what is not under the light, or not at the speed, of the longest part.

    Parameters
    ----------
    pattern : PatternReading
        Of all frames.
    time : TimeBase
        Their times.

    Returns
    -------
    SteadyPart
        All of it where nothing changes.

    Raises
    ------
    Refused
        ``too-short`` where something changes and no part without it is long enough, ``shaken`` where the picture jumps
        and the camera's motion can't be followed across it.
    """
    if not pattern.rows or time.duration_s < _LEAST_S:
        return SteadyPart(pattern, time, ())
    steps = light_steps(pattern, time)
    first, last = _longest(steps, time.time_s.size)
    notes = []
    if steps:
        notes.append(("light-changed", "The light or the exposure changes in the clip"))
    *run, unsettled_hz = _at_speed(pattern, time, first, last)
    if run != [first, last]:
        notes.append(("speed-changed", "The platter is not at its speed all the time"))
        first, last = _of_one_rate(time, (run[0], run[1]), first < run[0], run[1] < last)
    if (first, last) == (0, time.time_s.size):
        return SteadyPart(pattern, time, ())
    length_s = time.time_s[last - 1] - time.time_s[first]
    if length_s < _LEAST_S:
        raise Refused(
            "too-short",
            f"{notes[0][1]}, and the longest part without that lasts {length_s:.1f} s; {_LEAST_S:g} s are the least.",
            "Let the platter come to its speed, leave light and camera as they are, and film 10 seconds or more.",
        )
    _refuse_jump(pattern, time, first, last)
    kept = np.arange(first, last)
    left, right = time.time_s[first] - time.time_s[0], time.time_s[last - 1] - time.time_s[0]
    said = tuple(Note(code, f"{what}: only {left:.1f} s to {right:.1f} s was measured.") for code, what in notes)
    return SteadyPart(pattern.only(kept), time.only(kept), said, unsettled_hz)


def beside_fade(part: SteadyPart, rows: Sequence[RowSeries], flash: FlashRate | None) -> SteadyPart:
    """The part without a moment in which the dots fade, because lamp- and camera-timed line are as strong and cancel.

    Where they beat slowly the phase leaps there as no wobble does, by up to half a dot in a fraction of a second.

    Parameters
    ----------
    part : SteadyPart
        What would be measured.
    rows : sequence of RowSeries
        Its rows that move.
    flash : FlashRate or None
        The lamp's flicker there.

    Returns
    -------
    SteadyPart
        The same where soft light does not beat slowly, the dots do not fade, or too little is left beside that.
    """
    time = part.time
    if flash is None or not flash.soft:
        return part
    if folded_hz(flash.rate_hz, time.interval_s) * time.duration_s > _SLOW_BEAT_CYCLES:
        return part
    size = np.abs(clearest_dots(rows))
    width = max(1, round(_FADE_S / time.interval_s))
    shown = np.convolve(size, np.ones(width) / width, "valid") > _FADED * float(np.median(size))
    runs = runs_of(shown)
    if shown.all() or not runs.size:
        return part
    first, end = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    first, end = (first + width if first else 0), (end if end < shown.size else size.size)
    if end - first < _LEAST_KEPT * size.size or time.time_s[end - 1] - time.time_s[first] < _LEAST_S:
        return part
    kept = np.arange(first, end)
    length_s = time.time_s[end - 1] - time.time_s[first]
    said = f"Lamp and camera make the dots vanish for a moment: only {length_s:.1f} s beside that were measured."
    return replace(
        part, pattern=part.pattern.only(kept), time=time.only(kept), notes=(*part.notes, Note("dots-fade", said))
    )


def _refuse_jump(pattern: PatternReading, time: TimeBase, first: int, last: int) -> None:
    """Refuse a part before which the scenery leapt aside and stayed there: a knock, or another scene in between."""
    if not pattern.camera.moved or first < _LEAST_FRAMES:
        return
    before, inside = pattern.shift_px[:first], pattern.shift_px[first:last]
    usual = np.median(before, axis=0), np.median(inside, axis=0)
    leapt = float(np.abs(usual[1] - usual[0]).max())
    stirs = max(float(np.median(np.abs(part - at))) for part, at in zip((before, inside), usual, strict=True))
    if leapt > _LEAP_PX and leapt > _FAR_LEAP * stirs:
        raise Refused(
            "shaken",
            f"The picture leaps by {leapt:.0f} pixels before {time.time_s[first] - time.time_s[0]:.1f} s and stays "
            "there, as when the camera is knocked or scenes are joined.",
            "Keep the camera on a stand, don't touch it meanwhile, and give each scene as a clip of its own.",
        )


def _longest(steps: list[int], frames: int) -> tuple[int, int]:
    """The longest part between steps, without the frames next to them."""
    edges = [-GAP - 1, *steps, frames + GAP - 1]
    parts = [(a + GAP + 1, b - GAP + 1) for a, b in pairwise(edges)]
    first, last = max(parts, key=lambda part: part[1] - part[0])
    return max(first, 0), min(last, frames)


def _at_speed(pattern: PatternReading, time: TimeBase, first: int, last: int) -> tuple[int, int, float]:
    """The longest run of frames in which the strongest line of the clearest row stays where it mostly is.

    And by how many dots a second it may still be off where that begins or ends.
    """
    amplitude, _ = combine_blocks(pattern.rows[0].blocks)
    places = time.index[first:last] - time.index[first]
    size = int(places[-1]) + 1
    series = np.zeros(size, complex)
    series[places] = amplitude[first:last]
    width, hop = round(_WINDOW_S / time.interval_s), max(1, round(_HOP_S / time.interval_s))
    if width < _LEAST_FRAMES or size < 4 * width:
        return first, last, 0.0
    starts = np.arange(0, size - width + 1, hop)
    windows = series[starts[:, None] + np.arange(width)] * np.hanning(width + 2)[1:-1]
    power = np.abs(np.fft.fft(windows, 4 * width, axis=1)) ** 2
    power /= power.sum(axis=1, keepdims=True) + 1e-30
    reach = max(2, round(_OFF_SPEED * 100.0 * time.interval_s * 4 * width))
    near = _around(power, reach)
    usual = int(np.argmax(np.median(near, axis=0)))
    good = near[:, usual] > _MOST_LEFT * np.median(near[:, usual])
    elsewhere = ~good & (near.max(axis=1) > _MOST_LEFT)
    good |= _brief(~good, elsewhere, round(_BRIEF_S / (hop * time.interval_s)))
    if good.all() or not good.any():
        return first, last, 0.0
    runs = runs_of(good)
    a, b = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    margin = round(_MARGIN_S / time.interval_s)
    start = 0 if a == 0 else int(starts[a]) + margin
    end = size if b == starts.size else int(starts[b - 1]) + width - margin
    kept = np.flatnonzero((places >= start) & (places < end))
    run = slice(first + int(kept[0]), first + int(kept[-1]) + 1)
    length_s = float(time.time_s[run.stop - 1] - time.time_s[run.start])
    if a > 0 and _LEAST_S <= length_s < _SEEN_TO_SETTLE_S:
        raise Refused(
            "too-short",
            f"The platter is not at its speed all the time, and the {length_s:.1f} s after that are too few to see "
            f"whether it has settled; {_SEEN_TO_SETTLE_S:.1f} s are the least.",
            "Start the clip when the platter has settled, or film longer.",
        )
    usual_hz = float(np.fft.fftfreq(4 * width, time.interval_s)[usual])
    early, late, still_off_hz = _settling(
        amplitude[run], time.time_s[run], time.interval_s, usual_hz, a > 0, b < starts.size
    )
    return run.start + early, run.stop - late, still_off_hz


def _of_one_rate(time: TimeBase, run: tuple[int, int], early: bool, late: bool) -> tuple[int, int]:
    """A run without what is left, where it was cut `early` or `late`, of pictures at another rate.

    A lamp that kept step with the pictures does not any more there, and what the dots do then is not the platter's.
    """
    first, last = run
    off = steps_off(time.time_s[first:last], time.interval_s, _OTHER_RATE)
    reach = min(round((_WINDOW_S + _MARGIN_S) / time.interval_s), off.size // 3)
    if reach == 0 or np.mean(off[reach:-reach]) > _SOME_STEPS:
        return first, last
    begin, end = np.flatnonzero(off[:reach]), np.flatnonzero(off[-reach:])
    late_cut = last - 1 - reach + int(end[0]) if late and end.size else last
    return first + int(begin[-1]) + 1 if early and begin.size else first, late_cut


def _settling(
    amplitude: NDArray[np.complex128],
    time_s: NDArray[np.float64],
    interval_s: float,
    line_hz: float,
    before: bool,
    after: bool,
) -> tuple[int, int, float]:
    """Frames at the beginning and the end of a run in which the speed still comes to, or leaves, what it mostly is.

    And by how many dots a second it may still be off where the part that is kept begins or ends. The speed is averaged
    over a smooth window, through which hardly anything of a wobble comes: once a turn and faster, less than a
    thirtieth.
    """
    phase = follow_phase(amplitude, time_s, CoarseLine(line_hz, 1.0), interval_s)
    window = hann(round(_SMOOTH_S / interval_s))
    even_s = np.arange(time_s[0], time_s[-1], interval_s)
    if even_s.size < 1.5 * window.size:
        return 0, 0, 0.0
    rate = np.convolve(np.diff(np.interp(even_s, time_s, phase)) / interval_s, window, "valid")
    half = rate.size // 2
    cuts = []
    still_off = 0.0
    for course, ends_off in ((rate, before), (rate[::-1], after)):
        cut = 0
        if ends_off:
            settled = course[half:] if before != after else course[half // 2 : course.size - half // 2]
            usual = float(np.median(settled))
            off = np.abs(course - usual) > max(_USUAL_SCATTER * float(np.abs(settled - usual).max()), _SETTLED_HZ)
            cut = int(np.flatnonzero(off[:half])[-1]) + 1 if off[:half].any() else 0
            scatter = float(np.median(np.abs(settled - usual)))
            still_off = max(still_off, _CREEP_UNSEEN * max(abs(float(course[cut]) - usual), scatter))
        cuts.append(cut)
    early_s, late_s = even_s[cuts[0]], even_s[even_s.size - 1 - cuts[1]]
    return int(np.searchsorted(time_s, early_s)), int(np.sum(time_s > late_s + 1.5 * interval_s)), still_off


def _around(power: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Power (windows, bins) within `reach` bins of each bin, round the circle."""
    total = np.zeros_like(power)
    for shift in range(-reach, reach + 1):
        total += np.roll(power, shift, axis=1)
    return total


def _brief(bad: NDArray[np.bool_], elsewhere: NDArray[np.bool_], windows: int) -> NDArray[np.bool_]:
    """Which bad windows belong to a short run between good ones, with no line elsewhere: something passed by."""
    brief = np.zeros_like(bad)
    for a, b in runs_of(bad):
        if a > 0 and b < bad.size and b - a <= windows and not elsewhere[a:b].any():
            brief[a:b] = True
    return brief
