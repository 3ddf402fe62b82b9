"""The one call that measures a clip: capture, pattern, phase and figures in a row, and the uncertainty of the whole."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from strobe.capture import ClipFacts, open_clip
from strobe.errors import Refused, UsageError
from strobe.figures import evaluate
from strobe.figures.results import Component
from strobe.figures.rings import parse_rpm
from strobe.measurement import Clip, Measurement
from strobe.measuring.assembly import notes_of, setup_of, speed_of, timing_of
from strobe.measuring.budget import (
    components_with_budget,
    fluctuation_with_budget,
    trend_uncertainty_percent_per_minute,
)
from strobe.measuring.hypotheses import Hypothesis, Lamp, check_coherence, choose, gather, weigh
from strobe.measuring.motion import moves, steadied
from strobe.measuring.refusals import (
    not_turning,
    nothing_to_read,
    refuse_what_shows_nothing,
    upright_unclear,
    wrong_mains,
)
from strobe.pattern import PatternReading, read_pattern
from strobe.phase import CoarseLine, TimeBase, fit_time_base, measure_flash_rate, read_line

__all__ = ["measure"]

_CLEARLY_SMOOTHER = 0.85
_TRUST_IN_FLICKER = (1.0, 0.6)
_FAINT = 0.06
_A_ROW_OF_DOTS = 10
_LEAST_SHARE = 0.2


def measure(
    path: str | Path,
    *,
    rpm: float | str | None = None,
    dots: int | None = None,
    mains: float | None = None,
    lamp: str | float = "mains",
    capture_rate_hz: float | None = None,
    progress: Callable[[float, float | None], None] | None = None,
) -> Measurement:
    """Measure the platter's speed and its steadiness from a clip of the dots on its rim.

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
        ``mains``, ``steady``, or a flash rate in Hz that is known exactly.
    capture_rate_hz : float or None
        Rate at which the camera took the frames, for slow motion whose file does not say it.
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
    _check_options(dots, mains, lamp, capture_rate_hz)
    with open_clip(path) as clip:
        facts = clip.facts
        full_scale = float(2**facts.bit_depth - 1)
        report = None if progress is None else (lambda now: progress(now, facts.duration_s))
        pattern = read_pattern(clip, full_scale=full_scale, progress=report)
        tally = clip.tally()
    refuse_what_shows_nothing(pattern)
    time, stretch = _time_base(pattern, facts, capture_rate_hz)
    lamps = _lamps(pattern, time, facts, mains, lamp)
    clearest = max(row.amplitude for row in pattern.rows)
    moving = [row for row in pattern.rows if row.amplitude > _LEAST_SHARE * clearest and moves(row, pattern)]
    if not moving:
        clear = [row for row in pattern.rows if row.contrast > _FAINT and row.dots_in_view > _A_ROW_OF_DOTS]
        raise not_turning() if clear else nothing_to_read(pattern)
    if pattern.upright:
        moving += [replace(row, blocks=row.blocks.conj()) for row in moving]
    ranked = weigh(gather(moving, time, lamps[0].flash), time, lamps, rpm=nominal, dots=dots)
    chosen, gap_percent = choose(ranked, nominal)
    if pattern.upright and not chosen.turns_seen:
        raise upright_unclear()
    time, chosen = _better_clock(time, chosen)
    check_coherence(chosen)

    passed, shake, shake_noise_dots = steadied(chosen.line.dots, chosen.evidence.row, pattern)
    noise_dots = math.hypot(chosen.line.noise_dots, shake_noise_dots)
    figures = evaluate(
        time.time_s,
        (passed - passed[0]) / chosen.dots,
        nominal_rpm=chosen.nominal_rpm,
        angle_noise_rev=noise_dots / chosen.dots,
        frame_interval_s=time.interval_s,
        excluded_hz=chosen.line.removed_hz,
    )
    if figures.revolutions < 1:
        raise Refused(
            "too-short",
            f"The clip holds {figures.revolutions:.2f} turns of the platter; one whole turn is the least.",
            "Film at least 10 seconds; 40 to 60 seconds show the wobble best.",
        )
    timing = timing_of(chosen)
    components = components_with_budget(figures, time, timing, gap_percent)
    fluctuation = fluctuation_with_budget(
        figures, time, timing, gap_percent, line=chosen.line, shake_dots=shake, dots=chosen.dots
    )
    rate = 1 / (time.interval_s * stretch)
    return Measurement(
        clip=Clip(
            path=str(path),
            frames=tally.frames,
            duration_s=(time.duration_s + time.interval_s) * stretch,
            frame_rate_hz=rate,
            capture_rate_hz=rate * stretch,
        ),
        setup=setup_of(chosen, rpm_given=nominal is not None, dots_given=dots is not None, mains_hz=mains, lamp=lamp),
        timing=timing,
        speed=speed_of(figures, chosen, time, timing, gap_percent),
        fluctuation=replace(
            fluctuation,
            period_s=components[0].period_s if components else None,
            period_uncertainty_s=_period_uncertainty_s(components),
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
            shaken=bool(shake.any()),
            scenery_seen=bool(np.all(np.isfinite(pattern.shift_px))),
            corrupt=tally.corrupt,
        ),
    )


def _period_uncertainty_s(components: tuple[Component, ...]) -> float | None:
    """95 % half-width of the period of the strongest component."""
    if not components:
        return None
    return components[0].period_s * components[0].frequency_uncertainty_hz / components[0].frequency_hz


def _check_options(dots: int | None, mains: float | None, lamp: str | float, capture_rate_hz: float | None) -> None:
    if dots is not None and not 4 <= dots <= 2000:
        raise UsageError(f"dots is {dots}; a ring has between 4 and 2000. Count them, or leave the option out.")
    if mains is not None and mains not in (50, 60):
        raise UsageError(f"mains is {mains:g} Hz; it is 50 or 60. Another flash rate is given with the lamp.")
    if isinstance(lamp, str):
        if lamp not in ("mains", "steady"):
            raise UsageError(f"lamp is {lamp!r}; it is mains, steady, or a flash rate in Hz.")
    elif not 5 <= lamp <= 5000:
        raise UsageError(f"lamp is {lamp:g} Hz; a flash rate lies between 5 and 5000 Hz.")
    if capture_rate_hz is not None and not 5 <= capture_rate_hz <= 2000:
        raise UsageError(f"capture rate is {capture_rate_hz:g} Hz; it lies between 5 and 2000.")


def _time_base(pattern: PatternReading, facts: ClipFacts, capture_rate_hz: float | None) -> tuple[TimeBase, float]:
    """Frame times as the sensor took them, and by how much the file stretches them (1 for none)."""
    time = fit_time_base(pattern.time_s)
    told = capture_rate_hz if capture_rate_hz is not None else facts.capture_rate_hz
    if told is None or abs(told * time.interval_s - 1) < 0.02:
        return time, 1.0
    stretch = told * time.interval_s
    return fit_time_base(pattern.time_s / stretch), stretch


def _lamps(
    pattern: PatternReading, time: TimeBase, facts: ClipFacts, mains: float | None, lamp: str | float
) -> list[Lamp]:
    """What the lamp may be; more than one only where the mains is neither given nor shown."""
    if lamp == "steady":
        return [Lamp("steady", mains, None, None, None, None, None)]
    downward = facts.rotation_deg == 0 and not pattern.upright
    exact = None if isinstance(lamp, str) else float(lamp)
    candidates = (exact,) if exact is not None else (100.0, 120.0)
    flash = measure_flash_rate(pattern.brightness, time.time_s, candidates, downward=downward)
    cycles = None if flash is None else flash.phase_cycles(time.time_s)
    if exact is not None:
        if flash is None or cycles is None:
            return [Lamp("given", mains, exact, exact, "given", None, exact * time.time_s)]
        return [Lamp("given", mains, flash.rate_hz, exact, "given", flash, cycles)]
    if flash is not None:
        nominal = flash.candidate_hz
        if mains is not None and nominal != 2 * mains:
            raise wrong_mains(mains, flash.rate_hz)
        return [Lamp("mains", nominal / 2, flash.rate_hz, nominal, "measured", flash, cycles)]
    return [
        Lamp("mains", hz, 2 * hz, 2 * hz, "nominal", None, 2 * hz * time.time_s)
        for hz in ((mains,) if mains is not None else (50.0, 60.0))
    ]


def _better_clock(time: TimeBase, chosen: Hypothesis) -> tuple[TimeBase, Hypothesis]:
    """For uneven stamps: the stamps, an even cadence, or the lamp's flicker, whichever makes the dots run smoothest."""
    if time.kind != "stamps" or chosen.line.kind != "camera":
        return time, chosen
    lamp = chosen.lamp
    clocks = [time.on_cadence()]
    if lamp.flash is not None:
        later_s = lamp.flash.jitter_cycles / lamp.flash.rate_hz
        clocks += [time.shifted(trust * later_s) for trust in _TRUST_IN_FLICKER]
    for clock in clocks:
        cycles = None
        if lamp.cycles is not None and lamp.rate_hz is not None:
            cycles = lamp.cycles + lamp.rate_hz * (clock.time_s - time.time_s)
        line = read_line(
            chosen.evidence.amplitude,
            clock.time_s,
            interval_s=clock.interval_s,
            kind="camera",
            coarse=CoarseLine(chosen.line.dot_rate_hz, chosen.line.coherence),
            lamp_cycles=cycles,
            flash=lamp.flash,
            height=chosen.evidence.row.height,
        )
        if line.noise_dots < _CLEARLY_SMOOTHER * chosen.line.noise_dots:
            time, chosen = clock, replace(chosen, line=line)
    return time, chosen
