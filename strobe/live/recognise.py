"""What is in the picture: a full reading of the newest frames, and what follows from it for the frames to come."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from strobe.capture import ClipFacts, ClipTally, SourceFacts
from strobe.errors import Refused
from strobe.live.arrivals import arrival_times
from strobe.live.figure import figure_of
from strobe.live.records import LiveOptions, Lock
from strobe.measurement import BudgetEntry, Measurement, Note
from strobe.measuring import Told, measure_reading
from strobe.measuring.clock import CameraClock
from strobe.measuring.frametimes import is_slow_motion
from strobe.measuring.lamps import lamps_of
from strobe.measuring.motion import moves
from strobe.measuring.reading import ClipReading
from strobe.measuring.refusals import not_turning
from strobe.measuring.speedbudget import mains_uncertainty_percent
from strobe.pattern import PatternReading, RowSeries
from strobe.pattern.stepwise import FrameReading, PatternReader
from strobe.phase import FlashRate, TimeBase, combine_blocks, fit_time_base

__all__ = ["LEAST_FRAMES", "LEAST_S", "Recognised", "left_dots", "measure_frames", "recognise", "times_of"]

LEAST_S, LEAST_FRAMES = 3.8, 90
"""Seconds and frames that a full reading needs: two turns at 33 1/3 take 3.6 s. The frames by trial."""
_EVEN_PERCENT = 1.0
"""By how much the first and the last third may differ; by trial."""
_AGREE_PERCENT = 0.05
"""By how much the newest turns may differ from the whole look, beyond what both state; by trial."""
_NOW_S = 1.2
"""Newest seconds in which dots that stand are looked for; by trial."""
_STILL_DOTS = 0.02
"""Median step from frame to frame, in dots, that dots which stand do not exceed; by trial."""
_LEFT_SHARE = 0.3
"""Share of the camera's motion that may be left in the dots once it is taken off; a quarter was seen under flashes."""
_HELD_UP_S = 0.02
"""By how much more the pictures may be held up at the end of a run than at its begin (95 %, seen on a busy machine)."""


@dataclass(frozen=True, eq=False)
class Recognised:
    """A lock, or why there is none."""

    lock: Lock | None
    refusal: Refused | None


def measure_frames(
    reader: PatternReader,
    seen: Sequence[FrameReading],
    facts: SourceFacts,
    options: LiveOptions,
    *,
    known: Lock | None = None,
) -> Measurement:
    """The reading of `strobe.measure` over frames that were read one by one; `known` is what they showed before.

    Raises
    ------
    Refused
        When no figure could be trusted.
    """
    asked = options
    told_rpm = options.nominal_rpm if known is None else known.nominal_rpm
    pattern = reader.reading(seen, turn_hz=_turn_hz(told_rpm))
    if known is not None:
        pattern = replace(pattern, rows=(pattern.rows[known.row],))
        options = replace(options, nominal_rpm=known.nominal_rpm, dots=known.dots)
    pattern, time = _on_cadence(pattern, facts)
    measurement = _with_what_is_left(_measured(pattern, facts, options, asked), pattern)
    if facts.stamps != "arrival":
        return measurement
    note = Note(
        "times-of-arrival", "The times are those at which pictures arrived; held up unevenly they bend the speed."
    )
    more = BudgetEntry("deviation", "times of arrival", 200 * time.interval_uncertainty)
    return replace(_less_sure(measurement, more), notes=(*measurement.notes, note))


def recognise(
    reader: PatternReader,
    seen: Sequence[FrameReading],
    facts: SourceFacts,
    options: LiveOptions,
    ring: tuple[int, int] | None = None,
) -> Recognised:
    """Recognise speed, ring, lamp and line in frames in a row, at least `LEAST_S` long.

    `ring` is a row and its dots where they are known from before: the speed may change, the ring does not.
    """
    asked = options
    pattern = reader.reading(seen, turn_hz=_turn_hz(options.nominal_rpm))
    if ring is not None:
        pattern = replace(pattern, rows=(pattern.rows[ring[0]],))
        options = replace(options, dots=ring[1])
    pattern, time = _on_cadence(pattern, facts)
    try:
        _refuse_slow_motion(facts, time)
        measurement = _measured(pattern, facts, options, asked)
        lock = _lock_on(pattern, time, measurement, facts, options)
        return Recognised(lock if ring is None else replace(lock, row=ring[0]), None)
    except Refused as refusal:
        recent = pattern.only(np.flatnonzero(pattern.time_s > pattern.time_s[-1] - _NOW_S))
        stands = not any(moves(row, recent) or _jumps(row) for row in recent.rows)
        return Recognised(None, not_turning() if stands else refusal)


def left_dots(pattern: PatternReading, row: int) -> NDArray[np.float64]:
    """Motion of the camera (frames,) that may still be in a row's dots: all of it, or a share where it is taken off.

    The rim may be nearer than the scenery, so that it is carried farther. What is too little to be taken off counts as
    a straight course, since the rest of it is noise.
    """
    series, camera = pattern.rows[row], pattern.camera
    along = camera.shift_px[:, 0] + series.slope * camera.shift_px[:, 1]
    course = along / series.mean_pitch_px
    if not np.all(np.isfinite(course)):
        return np.zeros(course.size)
    if camera.moved or camera.crept:
        return np.asarray(_LEFT_SHARE * course, np.float64)
    since_s = pattern.time_s - pattern.time_s[0]
    return np.asarray(np.polyval(np.polyfit(since_s, course, 1), since_s), np.float64)


def _with_what_is_left(measurement: Measurement, pattern: PatternReading) -> Measurement:
    """The same less sure by what of the camera's motion may still be in it."""
    row = int(np.argmin([abs(one.pitch_px / measurement.dot_pitch_px - 1) for one in pattern.rows]))
    left = left_dots(pattern, row)
    dots = measurement.setup.dots * measurement.speed.mean_rpm / 60 * float(np.ptp(pattern.time_s))
    return _less_sure(measurement, BudgetEntry("deviation", "camera", 100 * float(np.ptp(left)) / dots))


def _less_sure(measurement: Measurement, more: BudgetEntry) -> Measurement:
    total = float(np.hypot(measurement.speed.uncertainty_percent, more.percent))
    return replace(
        measurement,
        speed=replace(measurement.speed, uncertainty_percent=total),
        budget=(*measurement.budget, more),
    )


def _turn_hz(rpm: float | None) -> float | None:
    return None if rpm is None else rpm / 60


def _jumps(row: RowSeries) -> bool:
    """Whether the dots take large steps from frame to frame, which no dots that stand still do."""
    total = row.blocks.astype(np.complex128).sum(axis=1)
    steps = np.angle(total[1:] * total[:-1].conj()) / (2 * np.pi)
    return float(np.median(np.abs(steps))) > _STILL_DOTS


def _measured(pattern: PatternReading, facts: SourceFacts, options: LiveOptions, asked: LiveOptions) -> Measurement:
    """The reading by options; where it is refused, only those that a person `asked` for count as given."""
    ring = {"--rpm": asked.nominal_rpm, "--dots": asked.dots}
    told = Told(
        CameraClock.of(options.camera_rate_error_ppm, options.camera_rate_uncertainty_ppm),
        options.nominal_rpm,
        options.dots,
        options.mains_hz,
        options.lamp,
        mains_default_hz=options.mains_default_hz,
        mirrored=facts.flipped,
        found=frozenset(option for option, value in ring.items() if value is None),
    )
    return measure_reading(ClipReading(facts.name, _as_clip(facts), ClipTally.of(pattern.time_s), pattern), told)


def _as_clip(facts: SourceFacts) -> ClipFacts:
    """The facts of a camera as those of a file that says nothing more."""
    if isinstance(facts, ClipFacts):
        return facts
    common = {field.name: getattr(facts, field.name) for field in fields(SourceFacts)}
    return ClipFacts(
        **common,
        container="none",
        codec="unknown",
        pixel_format="unknown",
        read_as="unknown",
        declared_frames=None,
        transfer="unknown",
        full_range=False,
        slow_motion=None,
        metadata=(),
    )


def _lock_on(
    pattern: PatternReading, time: TimeBase, measurement: Measurement, facts: SourceFacts, options: LiveOptions
) -> Lock:
    _refuse_uneven(measurement)
    timing, setup = measurement.timing, measurement.setup
    row = int(np.argmin([abs(one.pitch_px - measurement.dot_pitch_px) for one in pattern.rows]))
    if facts.stamps != "arrival":
        pattern = pattern.only(time.used)
    nominal_hz = options.lamp if not isinstance(options.lamp, str) else None
    if nominal_hz is None and setup.mains_hz is not None and options.lamp != "steady":
        nominal_hz = 2 * setup.mains_hz
    flash: FlashRate | None = None
    if timing.flash_rate_source in ("measured", "given") and nominal_hz is not None:
        flash = lamps_of(pattern, [pattern.rows[row]], time, setup.mains_hz, options.lamp)[0].flash
    clock = CameraClock.of(options.camera_rate_error_ppm, options.camera_rate_uncertainty_ppm)
    lamp_hz = nominal_hz if flash is None else flash.rate_hz
    scale = 1 + 1e-6 * clock.rate_error_ppm
    if timing.reference == "lamp":
        scale = 1.0 if flash is None or nominal_hz is None else nominal_hz / flash.rate_hz
    lock = Lock(
        row=row,
        sweep_place=pattern.rows[row].sweep_place,
        conjugate=False,
        pitch_px=measurement.dot_pitch_px,
        nominal_rpm=setup.nominal_rpm,
        dots=setup.dots,
        line=timing.line,
        reference=timing.reference,
        lamp_hz=lamp_hz,
        lamp_nominal_hz=nominal_hz,
        flash=flash,
        scale=scale,
        systematic_percent=_systematic_percent(measurement, flash, clock),
        mains_hz=setup.mains_hz if _rests_on_mains(measurement, flash, options) else None,
        lamp_seen_s=float(pattern.time_s[-1]),
        by_arrival=facts.stamps == "arrival",
        interval_s=time.interval_s,
        dot_rate_hz=measurement.speed.mean_rpm / scale * setup.dots / 60,
        measurement=measurement,
    )
    amplitude, _ = combine_blocks(pattern.rows[row].blocks)
    off = np.inf
    # What times the dots is said; whether a lamp leaves out every other flash, and which way an upright row runs, shows
    # where the same speed comes out again.
    lines = [lock.line] if lock.line == "camera" else ["lamp", "between"]
    for line, conjugate in product(lines, (False, True) if pattern.upright else (False,)):
        tried = replace(lock, line=line, conjugate=conjugate)
        figure = figure_of(amplitude.conj() if conjugate else amplitude, time, tried, tried.dot_rate_hz)
        if figure is None:
            continue
        off = abs(figure.deviation_percent - measurement.speed.deviation_percent)
        if off < _AGREE_PERCENT + measurement.speed.uncertainty_percent + figure.uncertainty_percent:
            return tried
    raise Refused(
        "ambiguous",
        f"The newest turns and the whole look differ by {off:.2g} %.",
        "Let the speed settle; keep camera and light as they are.",
    )


def _refuse_slow_motion(facts: SourceFacts, time: TimeBase) -> None:
    """Refuse a clip that plays slower than it was filmed: who follows it live sees the platter too slow."""
    if not isinstance(facts, ClipFacts) or facts.capture_rate_hz is None:
        return
    if is_slow_motion(facts.capture_rate_hz, 1 / time.interval_s):
        slowed = facts.capture_rate_hz * time.interval_s
        raise Refused(
            "ambiguous",
            f"This clip is slow motion: it plays {slowed:.3g} times slower than it was filmed.",
            "Use strobe measure for it; live follows what plays as fast as it was.",
        )


def _refuse_uneven(measurement: Measurement) -> None:
    """Refuse to recognise anything while the speed runs up or down."""
    series = measurement.series.deviation_percent
    third = max(1, series.size // 3)
    change = abs(float(np.mean(series[-third:]) - np.mean(series[:third])))
    if change > _EVEN_PERCENT or any(note.code == "speed-changed" for note in measurement.notes):
        raise Refused(
            "unsettled",
            "The speed changes while it is looked at.",
            "Let it settle for a few seconds.",
        )


def _rests_on_mains(measurement: Measurement, flash: FlashRate | None, options: LiveOptions) -> bool:
    """Whether the speed, by the camera, is that of dots against a lamp's rate, which changes with the mains."""
    timing = measurement.timing
    lamp_takes_part = flash is not None and timing.line != "camera" and timing.reference == "camera"
    return lamp_takes_part and isinstance(options.lamp, str)


def _systematic_percent(measurement: Measurement, flash: FlashRate | None, clock: CameraClock) -> float:
    timing = measurement.timing
    if any(note.code == "lines-coincide" for note in measurement.notes):
        return measurement.speed.uncertainty_percent
    parts = [clock.uncertainty_percent if timing.reference == "camera" else 0.0]
    if flash is not None and timing.line == "lamp":
        parts.append(100 * 2 * flash.uncertainty_hz / flash.rate_hz)
    elif timing.flash_rate_source == "nominal" and timing.flash_rate_hz is not None:
        parts.append(mains_uncertainty_percent(timing.flash_rate_hz))
    return float(np.linalg.norm(parts))


def times_of(stamp_s: NDArray[np.float64], facts: SourceFacts) -> TimeBase:
    """Times of frames from their stamps; those of arrival lie on one cadence, however unevenly they come.

    Lateness on a busy machine comes in runs, so that the cadence is trusted no better than its halves agree.
    """
    if facts.stamps != "arrival":
        return fit_time_base(stamp_s, grid_s=facts.stamp_s if facts.stamps == "container" else 0.0)
    base = arrival_times(stamp_s)
    if base is None:
        base = fit_time_base(stamp_s)
        if base.kind in ("pieces", "stamps"):
            base = base.only(np.flatnonzero(np.diff(base.index, prepend=-1) > 0)).on_cadence()
    half = base.index.size // 2
    slopes = [float(np.polyfit(base.index[k], base.stamp_s[k], 1)[0]) for k in (slice(half), slice(half, None))]
    by_halves = abs(slopes[0] - slopes[1]) / 4 / base.interval_s
    held_up = _HELD_UP_S / 2 / base.duration_s
    return replace(base, interval_uncertainty=max(base.interval_uncertainty, by_halves, held_up))


def _on_cadence(pattern: PatternReading, facts: SourceFacts) -> tuple[PatternReading, TimeBase]:
    """Frames at their times on the cadence, where the stamps are only those of arrival; and these times."""
    time = times_of(pattern.time_s, facts)
    if facts.stamps == "arrival":
        pattern = replace(pattern.only(time.used), time_s=time.time_s)
    return pattern, time
