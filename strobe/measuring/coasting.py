"""A platter that runs down, followed through a clip although its line folds at every half frame rate.

Under steady light the phase of the dots from frame to frame is known but for whole dots. As the platter slows, that
step changes little from one frame to the next, so it is followed across the folds; one whole number of dots a frame
stays open for the whole clip. It is told by what repeats once a turn (no two dots are quite alike), by a speed at the
start that is given, or by the end, where the platter stands still.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from strobe.capture import ClipFacts
from strobe.errors import Refused
from strobe.measuring.clock import scaled, stretch_of
from strobe.measuring.motion import moves
from strobe.measuring.reading import read_clip
from strobe.measuring.refusals import not_turning, refuse_what_shows_nothing
from strobe.measuring.threads import one_thread
from strobe.pattern import PatternReading
from strobe.phase import TimeBase, combine_blocks, fit_time_base

__all__ = ["CoastRun", "follow_dots", "read_coast"]

_GAIN, _RATE_GAIN = 0.5, 0.12
"""Share of a frame's miss that corrects the dots' place, and that which corrects their rate a frame (by trial)."""
_ROUGH_DOTS = 0.12
"""Robust 1-sigma of the misses, in dots, beyond which the dots are not followed: four times that is the half dot from
which the next one is as near (closed form)."""
_HARMONICS = 6
"""Multiples of the turn in which what repeats is looked for (by trial)."""
_FASTEST_RPM, _SLOWEST_RPM = 110.0, 3.0
"""Speeds that a run-down may begin at, by choice: from well above 78 rpm, by hand, to a platter that hardly turns."""
_CLEARLY, _LEAST_REPEATED = 4.0, 0.3
"""By what factor one speed must repeat better than all others, and what share of chance it must repeat at least."""
_START_WITHIN = 0.08
"""How far, relatively, a given start may be off. At 30 pictures a second and 180 dots the speeds that fit lie 10 rpm
apart (one dot a frame), so that up to 62 rpm it is less than half of that (closed form)."""
_STILL_DOTS = 0.02
"""Most that the dots may move, in dots, in the part that stands still (by trial)."""
_STILL_S = 1.0
"""Seconds at the end that must stand still, by choice."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class CoastRun:
    """The angle of a platter that runs down; `told_by` is ``given``, ``stop`` or ``turn``: what fixed its speed."""

    time_s: Array
    angle_rev: Array
    dots: int
    noise_dots: float
    told_by: str


@one_thread
def read_coast(
    path: str | Path,
    *,
    dots: int,
    start_rpm: float | None = None,
    mirrored: bool = False,
    progress: Callable[[float, float | None], None] | None = None,
) -> CoastRun:
    """Follow a platter's run-down in a clip that was filmed under steady light.

    Parameters
    ----------
    path : str or Path
        A video file.
    dots : int
        Dots in one turn of the row.
    start_rpm : float or None
        Its speed at the start, within 8 %, where that is known.
    mirrored : bool
        Whether the clip is a mirror image.
    progress : callable or None
        Called with the seconds read so far and the length of the clip (None when unknown).

    Raises
    ------
    Refused
        When nothing turns, the dots cannot be followed, or their speed stays open.
    ClipUnreadable
        When the file is missing, is not a video, or can't be decoded.
    """
    reading = read_clip(path, mirrored=mirrored, view="rim", progress=progress)
    pattern = reading.pattern
    refuse_what_shows_nothing(pattern)
    moving = [row for row in pattern.rows if moves(row, pattern)]
    if not moving:
        raise not_turning()
    row = max(moving, key=lambda one: one.amplitude)
    amplitude, _ = combine_blocks(row.blocks)
    time = _frame_times(pattern, reading.facts)
    return follow_dots(time.time_s, amplitude[time.used], dots=dots, start_rpm=start_rpm)


def follow_dots(
    time_s: Array, amplitude: NDArray[np.complex128], *, dots: int, start_rpm: float | None = None
) -> CoastRun:
    """Follow the phase of a slowing row across its folds.

    Parameters
    ----------
    time_s : (K,) array
        Times of the frames, a steady cadence with frames missing here and there.
    amplitude : (K,) array of complex
        One amplitude a frame; the phase grows with the rotation.
    dots, start_rpm
        As for `read_coast`.

    Raises
    ------
    Refused
        ``no-contrast`` where the phase jumps about, ``ambiguous`` where the speed stays open.
    """
    step_s = float(np.median(np.diff(time_s)))
    frames = np.rint((time_s - time_s[0]) / step_s)
    passed, rough = _followed(np.angle(amplitude) / (2 * np.pi), frames)
    if rough > _ROUGH_DOTS:
        raise Refused(
            "no-contrast",
            f"The dots cannot be followed from frame to frame: their place jumps about by {rough:.2f} of a dot.",
            "Film a run-down in bright steady light (daylight) with a shutter of 1/500 s or shorter, not under a mains "
            "lamp or strobe.",
        )
    rates = {whole: passed + whole * frames for whole in _wholes(passed, frames, step_s, dots)}
    slowing = {whole: run for whole, run in rates.items() if _slows(run)}
    if not slowing:
        raise Refused(
            "ambiguous",
            "At no speed that a platter has do these dots slow down.",
            "Take belt or idler off, spin the platter by hand in its usual direction, and film it slowing down.",
        )
    whole, told_by = _chosen(slowing, passed, time_s, np.abs(amplitude), step_s, dots, start_rpm)
    return CoastRun(time_s - time_s[0], slowing[whole] / dots, dots, rough, told_by)


def _frame_times(pattern: PatternReading, facts: ClipFacts) -> TimeBase:
    """Times of the frames that can be used, at the pace at which they were filmed."""
    unit_s = 0.0 if facts.stamps == "counted" else facts.stamp_s
    time = fit_time_base(pattern.time_s, grid_s=unit_s, repeats=pattern.repeats())
    if time.breaks or time.left_out:
        raise Refused(
            "bad-timing",
            "The clip's time stamps are broken, so that its frames cannot be put in order.",
            "Keep the original file of the camera, and film once more.",
        )
    if facts.capture_rate_hz is None:
        return time
    stretch, _ = stretch_of(time, facts.capture_rate_hz, exact=False)
    return scaled(time, 1 / stretch)


def _followed(phase: Array, frames: Array) -> tuple[Array, float]:
    """Dots passed but for a whole number a frame, and the roughness of their run (robust standard deviation)."""
    passed = np.empty(phase.size)
    passed[0] = phase[0]
    rate = _median_step(phase[: min(30, phase.size)], frames)
    bend = 0.0
    smooth = phase[0]
    misses = []
    for k in range(1, phase.size):
        gap = frames[k] - frames[k - 1]
        expected = smooth + (rate + 0.5 * bend * gap) * gap
        miss = (phase[k] - expected + 0.5) % 1.0 - 0.5
        passed[k] = expected + miss
        misses.append(miss)
        smooth = expected + _GAIN * miss
        rate += bend * gap + _RATE_GAIN * miss / gap
    return passed, float(1.4826 * np.median(np.abs(misses)))


def _median_step(phase: Array, frames: Array) -> float:
    """Usual step between frames that follow each other, of values known but for whole numbers."""
    single = np.diff(frames[: phase.size]) == 1
    turned = np.exp(2j * np.pi * np.diff(phase)[single])
    return float(np.angle(turned.mean()) / (2 * np.pi))


def _wholes(passed: Array, frames: Array, step_s: float, dots: int) -> list[int]:
    """Whole dots a frame that give a speed which a platter may have at the start."""
    first = min(30, passed.size - 1)
    rate = (passed[first] - passed[0]) / (frames[first] - frames[0])
    low, high = (rpm / 60 * dots * step_s - rate for rpm in (_SLOWEST_RPM, _FASTEST_RPM))
    return list(range(int(np.ceil(low)), int(np.floor(high)) + 1))


def _slows(run: Array) -> bool:
    """Whether a run never goes backwards and ends slower than it began."""
    third = run.size // 3
    first, last = run[third] - run[0], run[-1] - run[-1 - third]
    return bool(last > -0.5 and first > 0 and last < first)


def _chosen(
    runs: dict[int, Array],
    passed: Array,
    time_s: Array,
    strength: Array,
    step_s: float,
    dots: int,
    start_rpm: float | None,
) -> tuple[int, str]:
    if start_rpm is not None:
        first = min(30, time_s.size - 1)
        speeds = {whole: 60 * (run[first] - run[0]) / dots / (time_s[first] - time_s[0]) for whole, run in runs.items()}
        near = min(speeds, key=lambda whole: abs(speeds[whole] / start_rpm - 1))
        if abs(speeds[near] / start_rpm - 1) > _START_WITHIN:
            raise Refused(
                "ambiguous",
                f"The dots fit starts at {', '.join(f'{rpm:.1f}' for rpm in sorted(speeds.values()))} rpm, but "
                f"{start_rpm:g} was given.",
                f"Check --from {start_rpm:g}, the speed that it had when the clip begins, or leave it out.",
            )
        return near, "given"
    stopped = _stopped(passed, time_s, step_s)
    if stopped in runs:
        return stopped, "stop"
    scores = {whole: _repeats(run / dots, strength) for whole, run in runs.items()}
    best, *rest = sorted(scores, key=lambda whole: -scores[whole])
    if scores[best] < max([_LEAST_REPEATED, *(_CLEARLY * scores[whole] for whole in rest)]):
        raise Refused(
            "ambiguous",
            "Nothing in the clip tells the speeds apart that fit its dots.",
            "Give the speed at its beginning with --from, stick a bit of tape on the rim, or film until it stands.",
        )
    return best, "turn"


def _stopped(passed: Array, time_s: Array, step_s: float) -> int | None:
    """The whole dots a frame at which the last second stands still; None where its steps still change."""
    last = time_s >= time_s[-1] - _STILL_S
    frames = np.rint((time_s[last] - time_s[-1]) / step_s)
    step = round(float(passed[last][-1] - passed[last][0]) / float(frames[-1] - frames[0]))
    return -step if float(np.ptp(passed[last] - step * frames)) < _STILL_DOTS else None


def _repeats(angle_rev: Array, strength: Array) -> float:
    """How much of dots' brightness and place repeats with the platter's turn, as a ratio to chance."""
    along = np.linspace(-1.0, 1.0, angle_rev.size)
    turn = 2 * np.pi * angle_rev
    waves = np.stack([wave(k * turn) for k in range(1, _HARMONICS + 1) for wave in (np.cos, np.sin)], axis=1)
    slow = np.polynomial.chebyshev.chebvander(along, 6)
    ratio = 0.0
    for value in (angle_rev, np.log(np.maximum(strength, 1e-9))):
        flat = value - slow @ np.linalg.lstsq(slow, value, rcond=None)[0]
        own = waves - slow @ np.linalg.lstsq(slow, waves, rcond=None)[0]
        fitted = own @ np.linalg.lstsq(own, flat, rcond=None)[0]
        left = float(np.mean((flat - fitted) ** 2)) + 1e-30
        ratio += float(np.mean(fitted**2)) / left
    return ratio
