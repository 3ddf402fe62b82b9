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
from strobe.measuring.averaging import averaging_of
from strobe.measuring.budget import components_with_budget, fluctuation_with_budget, hidden_by_shake
from strobe.measuring.choosing import choose_reading
from strobe.measuring.clock import CameraClock
from strobe.measuring.disc import off_centre_left_percent
from strobe.measuring.discview import disc_view, notes_of_disc, setup_of_disc
from strobe.measuring.joint import notes_of_joint
from strobe.measuring.marks import index_mark, notes_of_mark, refuse_by_mark
from strobe.measuring.mixing import mixing_of
from strobe.measuring.motion import steadied
from strobe.measuring.options import Told, check_options, check_view
from strobe.measuring.reading import ClipReading, read_clip
from strobe.measuring.rim import begin_rim, notes_of_rim, ring_of, runout_of
from strobe.measuring.speedbudget import trend_uncertainty_percent_per_minute
from strobe.measuring.sticking import swallowed_dots
from strobe.measuring.threads import one_thread
from strobe.measuring.unevenness import uneven_dots

__all__ = ["Told", "check_options", "measure", "measure_reading"]


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
    told = Told(clock, nominal, dots, mains, lamp, capture_rate_hz, mains_default, mirrored)
    reading = read_clip(path, mirrored=mirrored, view=view, progress=progress)
    return measure_reading(reading, told, disc_mm=disc_mm, rim_mm=rim_mm)


@one_thread
def measure_reading(
    reading: ClipReading, told: Told, *, disc_mm: float | None = None, rim_mm: float | None = None
) -> Measurement:
    """Measure what one pass over a clip has read; diameters and errors as for `measure`."""
    found = choose_reading(reading, told)
    tally, times, chosen, gap_percent = reading.tally, found.times, found.chosen, found.gap_percent
    pattern, time, stretch, clock = times.pattern, times.time, times.stretch, times.clock
    disc, even, joint = found.disc, found.even, found.joint
    work = None
    if even is None:
        work, chosen = begin_rim(pattern, chosen, time, sweep=reading.facts.sweep, gap_percent=gap_percent)
        off_centre_percent = work.off_centre_percent
    else:
        off_centre_percent = off_centre_left_percent(chosen, even)
    if joint is not None:
        off_centre_percent = float(np.hypot(off_centre_percent, joint.false_swing_percent(chosen.dots)))

    steady = steadied(
        chosen.line.dots,
        chosen.evidence.row,
        pattern,
        noise_dots=chosen.line.noise_dots,
        turn_hz=chosen.line.dot_rate_hz / chosen.dots,
        removed_hz=chosen.line.removed_hz,
    )
    mixing = mixing_of(pattern.impression, chosen.evidence.amplitude, pattern.camera)
    row = chosen.evidence.row
    averaging = averaging_of(chosen.line, chosen.lamp, row, time, gap_percent=gap_percent, mixing=mixing)
    figures = evaluate(
        time.time_s,
        (steady.dots - steady.dots[0]) / chosen.dots,
        nominal_rpm=chosen.nominal_rpm,
        angle_noise_rev=steady.noise_dots / chosen.dots,
        frame_interval_s=time.interval_s,
        excluded_hz=chosen.line.removed_hz,
        suspected_hz=suspected_hz(chosen),
        weight=chosen.line.lit,
        averaging=averaging,
    )
    if figures.revolutions < 1:
        raise Refused(
            "too-short",
            f"The clip holds {figures.revolutions:.2f} turns of the platter; one whole turn is the least.",
            "Film at least 10 seconds; 30 to 60 seconds show the wobble best.",
        )
    timing = timing_of(chosen, clock)
    swallowed = swallowed_dots(row, chosen.line.noise_dots if mixing.share > 0 else 0.0)
    uneven = uneven_dots(row, steady.dots, dots=chosen.dots)
    components = components_with_budget(
        figures,
        time,
        averaging=averaging,
        left_dots=steady.left_dots,
        dots=chosen.dots,
        off_centre_percent=off_centre_percent,
        scale_share=found.scale_share,
        uneven=uneven,
        swallowed_dots=swallowed,
    )
    fluctuation, budget = fluctuation_with_budget(
        figures,
        time,
        line=chosen.line,
        mixing=mixing,
        left_dots=steady.left_dots,
        dots=chosen.dots,
        off_centre_percent=off_centre_percent,
        scale_share=found.scale_share,
        uneven=uneven if even is None else None,
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
        unsettled_hz=found.unsettled_hz,
        assumed_speed_percent=found.assumed_speed_percent,
    )
    setup = setup_of(chosen, told)
    notes = found.notes + notes_of_joint(joint)
    seen, index, runout, ring = None, None, None, None
    if work is not None:
        runout, ring = runout_of(work, time, rim_mm), ring_of(work, chosen, steady.dots, time, rim_mm)
        index = index_mark(work.mark, speed, figures, chosen.nominal_rpm, clock)
        refuse_by_mark(index, told, pattern="dots")
        notes += notes_of_rim(ring) + notes_of_mark(index, pattern="dots")
    if disc is not None and even is not None:
        seen = disc_view(disc, chosen, even, time, disc_mm)
        index = index_mark(disc.mark, speed, figures, chosen.nominal_rpm, clock)
        refuse_by_mark(index, told, pattern="bars")
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
        trend_uncertainty_percent_per_minute=trend_uncertainty_percent_per_minute(
            figures, chosen.line, time, chosen.lamp, gap_percent
        ),
        series=figures.series,
        dot_pitch_px=chosen.evidence.row.pitch_px,
        notes=notes_of(
            chosen,
            figures,
            time,
            timing,
            gap_percent=gap_percent,
            assumed_speed_percent=found.assumed_speed_percent,
            shaken=pattern.camera.moved,
            shake_hides=hidden_by_shake(fluctuation, budget),
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
