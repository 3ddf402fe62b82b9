"""The one call that measures a clip: capture, pattern, phase and figures in a row, and the uncertainty of the whole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from strobe.errors import Refused
from strobe.figures import evaluate
from strobe.figures.rings import parse_rpm
from strobe.measurement import Clip, Measurement
from strobe.measuring.assembly import notes_of, record_context, setup_of, speed_of, suspected_hz, timing_of
from strobe.measuring.budget import (
    SCALE_SHARE,
    components_with_budget,
    fluctuation_with_budget,
    trend_uncertainty_percent_per_minute,
)
from strobe.measuring.clock import CameraClock
from strobe.measuring.disc import begin_disc, off_centre_left_percent, settle, weigh_rings
from strobe.measuring.discview import disc_view, notes_of_disc, setup_of_disc
from strobe.measuring.frametimes import frame_times
from strobe.measuring.hypotheses import (
    assumed_speed_percent,
    check_coherence,
    check_continuity,
    choose,
    favour_mains,
    refuse_too_few_to_tell,
    refuse_unusual_count,
    weigh,
)
from strobe.measuring.joint import backwards, notes_of_joint, without_joint
from strobe.measuring.lamps import lamps_of
from strobe.measuring.marks import index_mark, notes_of_mark
from strobe.measuring.mixing import mixing_of
from strobe.measuring.motion import moves, steadied
from strobe.measuring.options import check_options, check_view
from strobe.measuring.pace import question_pace, question_speed
from strobe.measuring.reading import ClipReading, read_clip
from strobe.measuring.refusals import (
    ROW_OF_DOTS,
    not_turning,
    nothing_to_read,
    refuse_too_few_lit,
    refuse_too_short,
    refuse_what_is_flat,
    refuse_what_shows_nothing,
    upright_unclear,
)
from strobe.measuring.rim import begin_rim, notes_of_rim, ring_of, runout_of
from strobe.measuring.rows import gather
from strobe.measuring.smoothness import smoothest_clock
from strobe.measuring.sticking import swallowed_dots
from strobe.measuring.stretch import beside_fade, steady_part
from strobe.measuring.threads import one_thread
from strobe.measuring.unevenness import uneven_dots

__all__ = ["check_options", "measure", "measure_reading"]

_FAINT = 0.06
_LEAST_SHARE = 0.2


def measure(
    path: str | Path,
    *,
    rpm: float | str | None = None,
    dots: int | None = None,
    mains: float | None = None,
    lamp: str | float = "mains",
    capture_rate_hz: float | None = None,
    mirrored: bool = False,
    view: str | None = None,
    disc_mm: float | None = None,
    rim_mm: float | None = None,
    mains_default: float | None = None,
    camera_rate_error_ppm: float | None = None,
    camera_rate_uncertainty_ppm: float | None = None,
    progress: Callable[[float, float | None], None] | None = None,
) -> Measurement:
    """Measure the platter's speed and its steadiness from a clip of the dots on its rim, or of a disc from above.

    Parameters
    ----------
    path : str or Path
        A video file.
    rpm : float, str or None
        Nominal speed; ``16``, ``33``, ``45`` and ``78`` mean the usual 16 2/3, 33 1/3, 45 and 78.26. Without it the
        clip decides, and 33 1/3 is assumed where it can't.
    dots : int or None
        Dots in one turn of the row to read. Without it, one of the usual rings for the speed and the mains.
    mains : float or None
        Mains frequency, 50 or 60 Hz. Without it the clip decides, and 50 is assumed where it can't.
    lamp : str or float
        ``mains``, ``once`` (one flash in a mains cycle), ``steady``, or a flash rate in Hz that is known exactly.
    capture_rate_hz : float or None
        Rate at which the camera took the frames, for slow motion whose file does not say it.
    mirrored : bool
        Whether the clip is a mirror image, as front cameras and mirrors make it.
    view : str or None
        ``rim`` for dots along a rim, ``disc`` for a printed disc from above. Without it a disc is taken for one where a
        ring is seen more than half way round and counted.
    disc_mm : float or None
        Diameter of the paper disc, for its eccentricity in millimetres.
    rim_mm : float or None
        Diameter of the platter's rim at the dots, for its runout in millimetres; without it a usual one is taken.
    mains_default : float or None
        Mains frequency of the region, 50 or 60 Hz, that decides only where the clip can't.
    camera_rate_error_ppm, camera_rate_uncertainty_ppm : float or None
        By how much the camera's clock runs fast, in parts per million, and the 95 % half-width of that, as
        `strobe.measuring.calibration` finds them; both or neither.
    progress : callable or None
        Called with the seconds read so far and the length of the clip (None when unknown).

    Returns
    -------
    Measurement

    Raises
    ------
    Refused
        When the clip was read but a figure from it could not be trusted.
    ClipUnreadable
        When the file is missing, is not a video, or can't be decoded.
    UsageError
        When an option makes no sense.
    """
    nominal = None if rpm is None else parse_rpm(rpm)
    check_options(dots, mains, lamp, capture_rate_hz, mains_default)
    check_view(view, disc_mm, rim_mm)
    clock = CameraClock.of(camera_rate_error_ppm, camera_rate_uncertainty_ppm)
    return measure_reading(
        read_clip(path, mirrored=mirrored, view=view, progress=progress),
        nominal=nominal,
        dots=dots,
        mains=mains,
        lamp=lamp,
        capture_rate_hz=capture_rate_hz,
        mains_default=mains_default,
        clock=clock,
        disc_mm=disc_mm,
        rim_mm=rim_mm,
    )


@one_thread
def measure_reading(
    reading: ClipReading,
    *,
    nominal: float | None,
    dots: int | None,
    mains: float | None,
    lamp: str | float,
    capture_rate_hz: float | None,
    mains_default: float | None,
    clock: CameraClock,
    disc_mm: float | None = None,
    rim_mm: float | None = None,
) -> Measurement:
    """Measure what one pass over a clip has read; options as for `measure`, `nominal` in rpm."""
    pattern, facts, tally = reading.pattern, reading.facts, reading.tally
    refuse_what_shows_nothing(pattern)
    times = frame_times(pattern, facts, capture_rate_hz, clock)
    pattern, time, stretch, clock = times.pattern, times.time, times.stretch, times.clock
    refuse_too_short(pattern)
    part = steady_part(pattern, time)
    pattern, time = part.pattern, part.time
    times = replace(times, pattern=pattern, time=time)
    disc = begin_disc(pattern, time)
    if disc is not None:
        pattern = disc.pattern
    lamps = lamps_of(pattern, time, mains, lamp)
    spared = beside_fade(part, lamps[0].flash)
    if disc is None and spared is not part:
        part, pattern, time = spared, spared.pattern, spared.time
        times = replace(times, pattern=pattern, time=time)
        lamps = lamps_of(pattern, time, mains, lamp)
    clearest = max(row.amplitude for row in pattern.rows)
    moving = [row for row in pattern.rows if row.amplitude > _LEAST_SHARE * clearest and moves(row, pattern)]
    if not moving:
        clear = [row for row in pattern.rows if row.contrast > _FAINT and row.dots_in_view > ROW_OF_DOTS]
        raise not_turning() if clear else nothing_to_read(pattern)
    question_pace(times, moving, nominal_rpm=nominal, dots=dots, flash=lamps[0].flash, mains_lamp=lamp == "mains")
    if pattern.upright:
        moving += [backwards(row) for row in moving]
    if disc is None:
        ranked = weigh(gather(moving, time, lamps[0]), time, lamps, rpm=nominal, dots=dots)
    else:
        ranked = weigh_rings(disc, moving, time, lamps, rpm=nominal, dots=dots)
    if mains is None and mains_default is not None and lamps[0].flash is None:
        ranked = favour_mains(ranked, mains_default)
    untold = nominal is None and dots is None and disc is None
    if untold:
        refuse_too_few_to_tell(ranked)
    chosen, gap_percent = choose(ranked, nominal)
    if untold:
        refuse_too_few_to_tell([chosen])
    if pattern.upright and not chosen.turns_seen:
        raise upright_unclear()
    if dots is None and disc is None:
        refuse_unusual_count(chosen)
    speed_gap_percent = assumed_speed_percent(ranked, chosen) if nominal is None else 0.0
    refuse_what_is_flat(chosen.evidence.row, chosen.dots)
    question_speed(times, chosen)
    if disc is not None:
        key_s = tally.key_period_s
        settled = settle(disc, chosen, time, coder_hz=None if key_s is None else stretch / key_s)
        chosen, even = settled.chosen, settled.even
    time, chosen = smoothest_clock(time, chosen)
    refuse_too_few_lit(time.time_s, chosen.line.lit)
    check_coherence(chosen)
    chosen, joint = without_joint(chosen, time)
    check_continuity(chosen, time)
    scale_share, work = SCALE_SHARE, None
    if disc is None:
        work, chosen = begin_rim(pattern, chosen, time, gap_percent=gap_percent)
        off_centre_percent = work.off_centre_percent
    else:
        scale_share = settled.scale_share
        off_centre_percent = off_centre_left_percent(chosen, even)
    if joint is not None:
        off_centre_percent = float(np.hypot(off_centre_percent, joint.false_swing_percent(chosen.dots)))

    steady = steadied(
        chosen.line.dots,
        chosen.evidence.row,
        pattern,
        noise_dots=chosen.line.noise_dots,
        turn_hz=chosen.line.dot_rate_hz / chosen.dots,
    )
    figures = evaluate(
        time.time_s,
        (steady.dots - steady.dots[0]) / chosen.dots,
        nominal_rpm=chosen.nominal_rpm,
        angle_noise_rev=steady.noise_dots / chosen.dots,
        frame_interval_s=time.interval_s,
        excluded_hz=chosen.line.removed_hz,
        suspected_hz=suspected_hz(chosen),
        weight=chosen.line.lit,
    )
    if figures.revolutions < 1:
        raise Refused(
            "too-short",
            f"The clip holds {figures.revolutions:.2f} turns of the platter; one whole turn is the least.",
            "Film at least 10 seconds; 40 to 60 seconds show the wobble best.",
        )
    timing = timing_of(chosen, clock)
    swallowed = swallowed_dots(chosen.evidence.row)
    mixing = mixing_of(pattern.impression, chosen.evidence.amplitude, moved=pattern.camera.moved)
    components = components_with_budget(
        figures,
        time,
        timing,
        gap_percent,
        mixing=mixing,
        left_dots=steady.left_dots,
        dots=chosen.dots,
        off_centre_percent=off_centre_percent,
        scale_share=scale_share,
        uneven=uneven_dots(chosen.evidence.row, steady.dots, dots=chosen.dots),
        swallowed_dots=swallowed,
    )
    fluctuation, budget = fluctuation_with_budget(
        figures,
        time,
        timing,
        gap_percent,
        line=chosen.line,
        mixing=mixing,
        left_dots=steady.left_dots,
        dots=chosen.dots,
        off_centre_percent=off_centre_percent,
        scale_share=scale_share,
        swallowed_dots=swallowed,
    )
    speed, of_speed = speed_of(
        figures,
        chosen,
        time,
        timing,
        gap_percent,
        clock,
        left_dots=steady.left_dots,
        unsettled_hz=part.unsettled_hz,
        assumed_speed_percent=speed_gap_percent,
    )
    setup = setup_of(chosen, rpm_given=nominal is not None, dots_given=dots is not None, mains_hz=mains, lamp=lamp)
    notes = times.notes + part.notes + notes_of_joint(joint)
    seen, index, runout, ring = None, None, None, None
    if work is not None:
        runout, ring = runout_of(work, time, rim_mm), ring_of(work, chosen, steady.dots, rim_mm)
        index = index_mark(work.mark, speed, figures, chosen.nominal_rpm, clock)
        notes += notes_of_rim(ring) + notes_of_mark(index, pattern="dots")
    if disc is not None:
        seen = disc_view(disc, chosen, even, time, disc_mm)
        index = index_mark(disc.mark, speed, figures, chosen.nominal_rpm, clock)
        setup = setup_of_disc(setup, seen)
        notes += notes_of_disc(chosen, seen, off_centre_percent) + notes_of_mark(index, pattern="bars")
    rate = 1 / (time.interval_s * stretch)
    return Measurement(
        clip=Clip(
            path=reading.path,
            frames=tally.frames,
            duration_s=(time.duration_s + time.interval_s) * stretch,
            frame_rate_hz=rate,
            capture_rate_hz=rate * stretch,
        ),
        setup=setup,
        timing=timing,
        speed=speed,
        fluctuation=replace(
            fluctuation,
            period_s=components[0].period_s if components else None,
            period_uncertainty_s=components[0].period_uncertainty_s if components else None,
        ),
        components=components,
        trend_percent_per_minute=figures.trend_percent_per_minute,
        trend_uncertainty_percent_per_minute=trend_uncertainty_percent_per_minute(figures, chosen.line, time),
        series=figures.series,
        dot_pitch_px=chosen.evidence.row.pitch_px,
        notes=notes_of(
            chosen,
            figures,
            time,
            timing,
            gap_percent=gap_percent,
            shaken=pattern.camera.moved,
            scenery_seen=bool(np.all(np.isfinite(pattern.shift_px))),
            corrupt=tally.corrupt,
            swallowed_dots=swallowed,
            mixing=mixing,
        )
        + notes,
        disc=seen,
        index=index,
        runout=runout,
        ring=ring,
        events=figures.events,
        budget=of_speed + budget,
        search=figures.search,
        record=record_context(chosen.nominal_rpm),
    )
