"""A camera's clock against a lamp whose flash rate is known exactly.

The lamp's flicker, in the brightness of whatever stands still, is timed by the camera's clock. A clock that runs fast
counts too many seconds and so finds too few flashes a second: rate error = known rate / found rate - 1. No dots are
needed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np

from strobe.capture import ClipFacts, open_clip
from strobe.errors import Refused, UsageError
from strobe.measurement import ClockCalibration
from strobe.measuring.clock import UNCALIBRATED_PPM, scaled, stretch_of
from strobe.measuring.speedbudget import mains_uncertainty_percent
from strobe.pattern.light import LightReader
from strobe.phase import FlashRate, TimeBase, fit_time_base, measure_flash_rate

__all__ = ["USUAL_LAMP_PPM", "calibrate_clock"]

USUAL_LAMP_PPM = 20.0
"""Expanded error of a lamp that a quartz drives, on a bench (value from memory: data sheets say 10 to 50)."""

_LEAST_SECONDS = 5.0
"""Shortest clip, by choice: what flashes leave in the lamp's phase (0.008 cycles, 1-sigma) is 32 ppm (95 %) of the 500
of 100 a second then (closed form)."""
_LEAST_CREEP_HZ, _CLEAR_CREEP_HZ = 0.5, 2.0
"""How far from a multiple of the frame rate a flicker lies that is said to keep step, and one for which a frame rate is
advised: 2.5 cycles in the shortest clip, and plenty (by choice; they only word the refusal)."""
_FRAME_RATES_HZ = (24, 25, 30, 50, 60)
"""Pictures a second that phones offer (common practice), of which those are advised that go with the lamp."""
_CRYSTAL_PPM = 150.0
"""Beyond this no crystal errs (value from memory); a lamp on the mains does, and so do made-up time stamps."""
_WANDER = 1.5
"""Half the range of the lamp's rate in the clip, over the 95 % half-width that is known of lamp and camera, from which
the lamp is none to calibrate by (by trial)."""
_LAMPS_HZ = (20.0, 1000.0)
"""Flash rates that may be given, by choice: far to either side of the 100 and 120 of the mains."""
_MAINS_LAMPS_HZ = (50.0, 60.0, 100.0, 120.0)
"""What lamps on the mains flash at by name. The mains itself is within `_CRYSTAL_PPM` of it for three tenths of the
time where its standard deviation is 0.04 % (closed form, normal), and may keep still for the length of a clip: nothing
in the pictures then tells it from a quartz."""


def calibrate_clock(
    path: str | Path,
    *,
    lamp_hz: float,
    lamp_uncertainty_ppm: float | None = None,
    capture_rate_hz: float | None = None,
    progress: Callable[[float, float | None], None] | None = None,
) -> ClockCalibration:
    """Measure a camera's clock from a clip of a lamp whose flash rate is known.

    Parameters
    ----------
    path : str or Path
        A clip from a stand, of anything that stands still in the light of that lamp alone.
    lamp_hz : float
        True flashes a second.
    lamp_uncertainty_ppm : float or None
        95 % half-width of `lamp_hz` in parts per million; None takes `USUAL_LAMP_PPM` and refuses what no quartz does.
        Must be given for 50, 60, 100 and 120 Hz, at which lamps on the mains flash.
    capture_rate_hz : float or None
        As for `strobe.measure`.
    progress : callable or None
        As for `strobe.measure`.

    Returns
    -------
    ClockCalibration

    Raises
    ------
    Refused
        When the flicker can't be seen, keeps step with the frames, wanders as the mains does, or is so far off that
        the lamp is more likely than the camera to be wrong.
    ClipUnreadable
        When the file can't be read.
    UsageError
        When an option makes no sense, or a lamp that may be on the mains is given without its uncertainty.
    """
    low, high = _LAMPS_HZ
    if not low <= lamp_hz <= high:
        raise UsageError(f"lamp is {lamp_hz:g} Hz; for a calibration its flash rate lies between {low:g} and {high:g}.")
    if lamp_uncertainty_ppm is not None and not 0 <= lamp_uncertainty_ppm <= 1000:
        raise UsageError(f"lamp uncertainty is {lamp_uncertainty_ppm:g} ppm; it lies between 0 and 1000.")
    if lamp_uncertainty_ppm is None and lamp_hz in _MAINS_LAMPS_HZ:
        raise UsageError(
            f"lamp is {lamp_hz:g} Hz, as lamps on the mains are, and the mains is no reference: it may be off by "
            f"{_mains_ppm(lamp_hz):.0f} ppm. Use a lamp of another rate, as 110; or, where a quartz or a generator "
            "drives this one, say how exact it is with --lamp-uncertainty."
        )
    with open_clip(path) as clip:
        facts = clip.facts
        light = LightReader(full_scale=facts.full_scale, sweep=facts.sweep)
        for frame in light.over(clip):
            if progress is not None:
                progress(frame.time_s, facts.duration_s)
    _refuse_short(light)
    time, pace_ppm = _frame_times(light, facts, capture_rate_hz)
    flash = measure_flash_rate(light.brightness[time.used], time.time_s, (lamp_hz,), downward=facts.sweep != "sideways")
    if flash is None:
        raise _unseen(lamp_hz, time)
    lamp_ppm = USUAL_LAMP_PPM if lamp_uncertainty_ppm is None else lamp_uncertainty_ppm
    seen_ppm = 1e6 * 2 * flash.uncertainty_hz / flash.rate_hz
    own_ppm = math.hypot(seen_ppm, 1e6 * 2 * time.interval_uncertainty, pace_ppm)
    _refuse_wander(flash, time, max(own_ppm, lamp_ppm))
    error_ppm = 1e6 * (lamp_hz / flash.rate_hz - 1)
    if lamp_uncertainty_ppm is None and abs(error_ppm) > _CRYSTAL_PPM:
        raise _not_a_crystal(error_ppm, lamp_hz)
    uncertainty_ppm = math.hypot(own_ppm, lamp_ppm)
    return ClockCalibration(
        path=str(path),
        rate_error_ppm=error_ppm,
        uncertainty_ppm=uncertainty_ppm,
        improves=uncertainty_ppm < UNCALIBRATED_PPM,
        lamp_hz=lamp_hz,
        lamp_uncertainty_ppm=lamp_ppm,
        lamp_uncertainty_given=lamp_uncertainty_ppm is not None,
        flash_rate_hz=flash.rate_hz,
        flash_rate_uncertainty_hz=2 * flash.uncertainty_hz,
        modulation_percent=100 * flash.modulation,
        duration_s=time.duration_s + time.interval_s,
        frame_rate_hz=1 / time.interval_s,
    )


def _refuse_short(light: LightReader) -> None:
    length = float(np.ptp(light.time_s)) if light.time_s.size > 1 else 0.0
    if length < _LEAST_SECONDS:
        raise Refused(
            "too-short",
            f"The clip is {length:.1f} s long; a clock can't be told well from less than {_LEAST_SECONDS:.0f} s.",
            "Film 30 to 60 seconds: the uncertainty falls as the clip gets longer.",
        )


def _frame_times(light: LightReader, facts: ClipFacts, capture_rate_hz: float | None) -> tuple[TimeBase, float]:
    """When the frames were taken, by the camera's clock, and what is not known of the pace, in parts per million."""
    if facts.stamps == "counted":
        raise Refused(
            "bad-timing",
            "The file holds no time stamps, only one rate for all its pictures, so the camera's clock is not in it.",
            "Record into a file that keeps the time of each picture, such as MP4, MOV or MKV.",
        )
    time = fit_time_base(light.time_s, grid_s=facts.stamp_s)
    told_hz = capture_rate_hz if capture_rate_hz is not None else facts.capture_rate_hz
    if told_hz is None:
        return time, 0.0
    stretch, unknown_ppm = stretch_of(time, told_hz, exact=False)
    return scaled(time, 1 / stretch), unknown_ppm


def _unseen(lamp_hz: float, time: TimeBase) -> Refused:
    cycles = lamp_hz * time.interval_s
    creep_hz = abs(cycles - round(cycles)) / time.interval_s
    rate = 1 / time.interval_s
    if creep_hz < _LEAST_CREEP_HZ:
        others = [f for f in _FRAME_RATES_HZ if abs(lamp_hz / f - round(lamp_hz / f)) * f > _CLEAR_CREEP_HZ]
        film = f"Film at {' or '.join(map(str, others))} pictures a second. Or use" if others else "Use"
        return Refused(
            "no-flicker",
            f"{lamp_hz:g} flashes a second keep step with {rate:.4g} pictures a second, so the flicker stands still "
            "in the clip and its rate can't be seen.",
            f"{film} a lamp of another rate.",
        )
    return Refused(
        "no-flicker",
        f"No flicker of about {lamp_hz:g} flashes a second is seen in the parts of the picture that stand still.",
        "Stand the camera still, let a plain bright surface in the light of that lamp alone fill the picture, lock "
        "the exposure, and set the shutter shorter than one flash period if the camera lets you. Or the lamp has "
        "another rate, or none.",
    )


def _refuse_wander(flash: FlashRate, time: TimeBase, known_ppm: float) -> None:
    """Refuse a lamp whose rate moves within the clip by more than the calibration would be good for."""
    course = 1e6 * np.gradient(flash.wander_cycles, time.time_s) / flash.rate_hz
    swing_ppm = float(np.ptp(course)) / 2
    if swing_ppm > _WANDER * known_ppm:
        raise Refused(
            "ambiguous",
            f"The lamp's rate wanders by ±{swing_ppm:.0f} ppm within the clip, as the mains does and a quartz doesn't.",
            "Use a lamp that a quartz or a generator drives, and switch every other light off.",
        )


def _not_a_crystal(error_ppm: float, lamp_hz: float) -> Refused:
    mains = ""
    if abs(lamp_hz / 110 - 1) < 0.11:
        mains = f" A lamp on the mains may be off by {_mains_ppm(lamp_hz):.0f} ppm."
    return Refused(
        "ambiguous",
        f"Lamp and camera differ by {error_ppm:+.0f} ppm, and crystals err by less than {_CRYSTAL_PPM:.0f}: it is more "
        f"likely that the lamp is not exact, or that the file's time stamps are made up.{mains}",
        "Use a lamp that a quartz or a generator drives, and the camera's own file. Where the lamp is surely right, "
        "say how sure with --lamp-uncertainty.",
    )


def _mains_ppm(lamp_hz: float) -> float:
    return 1e4 * mains_uncertainty_percent(lamp_hz)
