"""A look at a clip as a measuring picture: light, shutter, dots, shake, timing, file; what limits it, what would help.

The clip is read once, for the look and for the measurement alike; it works on clips that are refused too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from strobe.capture import ClipFacts, Frame
from strobe.errors import Refused
from strobe.figures.rings import parse_rpm
from strobe.figures.weighting import weighting_gain
from strobe.looking.file import file_facts, file_signs, is_lean
from strobe.looking.judging import Picture, changes_of, grade_of, limits_of
from strobe.looking.results import Light, Look, Reach, SeenRow, Shake, Shutter, Still, Timing
from strobe.looking.stillness import Stillness
from strobe.measurement import Measurement, Note, Refusal
from strobe.measuring import Told, check_options, measure_reading
from strobe.measuring.clock import CameraClock
from strobe.measuring.frametimes import FrameTimes, frame_times
from strobe.measuring.motion import moves
from strobe.measuring.reading import ClipReading, read_clip
from strobe.measuring.threads import one_thread
from strobe.pattern import PatternReading, RowSeries
from strobe.pattern.light import LightReader
from strobe.phase import FlashRate, TimeBase, combine_blocks, find_line, fit_time_base, measure_flash_rate

__all__ = ["Look", "look"]

_USUAL_FLASHES_HZ = (100.0, 120.0)
"""Lamps on 50 and 60 Hz mains flash twice a cycle."""
_USUAL_DOT_RATE_HZ = 100.0
"""Dots a second where no measurement tells: 180 at 33 1/3 rpm."""
_IN_STEP_CYCLES, _IN_STEP_HZ = 1.6, 0.3
"""A flicker that creeps by fewer cycles in the clip, or more slowly than so many hertz, can't be seen; by trial."""
_LEAST_SHARE, _FAINT = 0.2, 0.06
"""Rows fainter than this share of the clearest, or of less contrast, are not shown; by trial."""
_STILL_PX = 0.15
"""Rms of the shake up to which the noise of the still parts tells of averaging, and not of motion; by trial."""
_WARPED_PX = 0.5
"""Noise of the scenery's shift from which its parts are said to move against each other; by trial."""
_SHOWN_ELSEWHERE = {
    *("lines-coincide", "mains-nominal", "few-turns", "shake", "no-scenery", "dropped-frames", "corrupt-frames"),
    *("stamps-rounded", "stamps-uneven", "slow-beat", "low-contrast", "stamps-mended", "frames-left-out"),
    *("clock-breaks", "rate-varies"),
}
_LINE_SPAN = 0.004
"""How far from the measured dot rate, as a share of it, its two lines are looked for; by trial."""
_USUAL_RATE_HZ = 30.0
"""Pictures a second where neither stamps nor file tell a rate; only for a look at what is refused."""
_SHORT_SINC, _SHORT_MARGIN = 0.5, 1.3
"""Above this sinc (an exposure below 0.6 of the flash period) it is too flat to tell more than a bound, stated so many
times what was read; by trial."""


@one_thread
def look(
    path: str | Path,
    *,
    rpm: float | str | None = None,
    dots: int | None = None,
    mains: float | None = None,
    lamp: str | float = "mains",
    capture_rate_hz: float | None = None,
    mirrored: bool = False,
    mains_default: float | None = None,
    camera_rate_error_ppm: float | None = None,
    camera_rate_uncertainty_ppm: float | None = None,
    progress: Callable[[float, float | None], None] | None = None,
) -> Look:
    """Look at a clip as a measuring picture.

    Parameters
    ----------
    path : str or Path
        A video file.
    rpm, dots, mains, lamp, capture_rate_hz, mirrored, mains_default
        As for `strobe.measure`, whose measurement is part of the look.
    camera_rate_error_ppm, camera_rate_uncertainty_ppm, progress
        As for `strobe.measure`.

    Returns
    -------
    Look
        Also for a clip that `strobe.measure` refuses.

    Raises
    ------
    ClipUnreadable
        When the file is missing, is not a video, or can't be decoded.
    UsageError
        When an option makes no sense.
    """
    nominal = None if rpm is None else parse_rpm(rpm)
    check_options(dots, mains, lamp, capture_rate_hz, mains_default)
    clock = CameraClock.of(camera_rate_error_ppm, camera_rate_uncertainty_ppm)
    watchers: list[tuple[LightReader, Stillness]] = []

    def watch(facts: ClipFacts, frames: Iterable[Frame]) -> Iterator[Frame]:
        light = LightReader(full_scale=facts.full_scale, sweep=facts.sweep)
        still = Stillness(full_scale=facts.full_scale)
        watchers.append((light, still))
        return light.over(still.over(frames))

    reading = read_clip(path, mirrored=mirrored, watch=watch, progress=progress)
    light, still = watchers[0]
    measurement: Measurement | None = None
    refusal: Refusal | None = None
    try:
        told = Told(clock, nominal, dots, mains, lamp, capture_rate_hz, mains_default, mirrored)
        measurement = measure_reading(reading, told)
    except Refused as refused:
        refusal = Refusal(str(path), refused.code, refused.message, refused.advice)
    times = _times_of(reading, clock, capture_rate_hz)
    time = _plain_times(reading) if times is None else times.time
    reading = replace(reading, pattern=_evenly_timed(reading) if times is None else times.pattern)
    candidates = _flashes_of(lamp)
    flash = None
    if time is not None and lamp != "steady":
        flash = _flash_of(reading.pattern, light, reading.facts.sweep, time, candidates)
        shown_hz = mains if measurement is None else measurement.setup.mains_hz
        flash = None if flash is None else _of_mains(flash, shown_hz)
    stretch = 1.0 if times is None else times.stretch
    return _put_together(reading, measurement, refusal, clock, time, stretch, flash, candidates, still)


def _put_together(
    reading: ClipReading,
    measurement: Measurement | None,
    refusal: Refusal | None,
    clock: CameraClock,
    time: TimeBase | None,
    stretch: float,
    flash: FlashRate | None,
    candidates_hz: Sequence[float],
    still: Stillness,
) -> Look:
    timing = _timing_of(reading, time, stretch)
    shake = _shake_of(reading, measurement)
    still_parts = _still_of(still)
    file = file_facts(reading.facts, timing.duration_s)
    reach = _reach_of(measurement)
    seen = Picture(
        measurement=measurement,
        reach=reach,
        clock=clock,
        interval_uncertainty=0.0 if time is None else time.interval_uncertainty,
        light=_light_of(reading, measurement, time, flash, candidates_hz),
        shutter=_shutter_of(reading, measurement, time, flash),
        rows=_rows_of(reading),
        shake=shake,
        timing=timing,
        still=still_parts,
        lean=is_lean(file) and file.device is None,
        own_noise_percent=_own_noise_percent(reading, measurement, time),
    )
    limits = limits_of(seen)
    return Look(
        path=reading.path,
        grade=grade_of(reach),
        reach=reach,
        refusal=refusal,
        limits=limits,
        changes=changes_of(seen, limits, refusal),
        light=seen.light,
        shutter=seen.shutter,
        rows=seen.rows,
        shake=shake,
        timing=timing,
        still=still_parts,
        file=file,
        signs=(
            *_picture_signs(shake, still_parts),
            *file_signs(file, reading.facts),
            *(note for note in (() if measurement is None else measurement.notes) if note.code not in _SHOWN_ELSEWHERE),
        ),
    )


def _times_of(reading: ClipReading, clock: CameraClock, capture_rate_hz: float | None) -> FrameTimes | None:
    """When the frames were taken; None where that can't be told."""
    if not reading.pattern.rows or reading.pattern.time_s.size < 3:
        return None
    try:
        return frame_times(reading.pattern, reading.facts, capture_rate_hz, clock)
    except Refused:
        return None


def _plain_times(reading: ClipReading) -> TimeBase | None:
    """The time base by the stamps alone, for a clip in which no dots say more."""
    if reading.pattern.time_s.size < 3:
        return None
    try:
        return fit_time_base(reading.pattern.time_s)
    except Refused:
        return None


def _evenly_timed(reading: ClipReading) -> PatternReading:
    """The pattern; where stamps run backwards, and neither file nor frames tell a rate, as if taken at a usual one."""
    pattern = reading.pattern
    if np.all(np.diff(pattern.time_s) > 0):
        return pattern
    return replace(pattern, time_s=np.arange(pattern.time_s.size) / _USUAL_RATE_HZ)


def _flash_of(
    pattern: PatternReading, light: LightReader, sweep: str, time: TimeBase, candidates_hz: Sequence[float]
) -> FlashRate | None:
    """The flicker, from the scenery clear of the rows; where there are no rows, from all that stands still."""
    if pattern.rows and pattern.time_s.size == time.time_s.size:
        return measure_flash_rate(pattern.brightness, time.time_s, candidates_hz, downward=pattern.sweep_known)
    brightness = light.brightness[time.used]
    return measure_flash_rate(brightness, time.time_s, candidates_hz, downward=sweep != "sideways")


def _of_mains(flash: FlashRate, mains_hz: float | None) -> FlashRate:
    """The flicker as a mains makes it; with room for all that it may be where that is not known."""
    alike = (flash, *flash.rivals)
    of_it = [one for one in alike if mains_hz is not None and one.candidate_hz == 2 * mains_hz]
    if of_it or not flash.rivals:
        return (of_it or [flash])[0]
    rates_hz = np.array([one.rate_hz for one in alike])
    return replace(flash, uncertainty_hz=float(np.hypot(flash.uncertainty_hz, np.ptp(rates_hz) / 2)))


def _flashes_of(lamp: str | float) -> tuple[float, ...]:
    """The rates at which the lamp may flash, by what was told of it."""
    if not isinstance(lamp, str):
        return (float(lamp),)
    return () if lamp == "steady" else _USUAL_FLASHES_HZ


def _light_of(
    reading: ClipReading,
    measurement: Measurement | None,
    time: TimeBase | None,
    flash: FlashRate | None,
    candidates_hz: Sequence[float],
) -> Light:
    in_step: list[float] = []
    if time is not None and flash is None:
        for rate in candidates_hz:
            creep_hz = abs(rate * time.interval_s - round(rate * time.interval_s)) / time.interval_s
            if creep_hz < _IN_STEP_HZ or creep_hz * time.duration_s < _IN_STEP_CYCLES:
                in_step.append(rate)
    kind = "unseen"
    if flash is not None:
        kind = "soft" if flash.soft else "flashes"
    elif measurement is not None and measurement.timing.line == "lamp":
        kind = "hidden"
    look_of_it = reading.pattern.impression
    return Light(
        kind=kind,
        flash_rate_hz=None if flash is None else flash.rate_hz,
        flash_rate_uncertainty_hz=None if flash is None else 2 * flash.uncertainty_hz,
        flicker_percent=None if flash is None else 100 * flash.modulation,
        in_step_hz=tuple(in_step),
        mean_level=look_of_it.mean_level,
        white_share=look_of_it.bright_share,
    )


def _shutter_of(
    reading: ClipReading, measurement: Measurement | None, time: TimeBase | None, flash: FlashRate | None
) -> Shutter:
    """What freezes the dots; the exposure from how much it takes off the flicker and off the camera-timed line.

    The lamp's line is to the camera's as m/2 to sinc(flash rate * exposure), and the flicker left in the brightness is
    m sinc(flash rate * exposure), so that half the flicker over the ratio of the lines is sinc squared. Bright dots
    saturate, so that it is good to a factor of about two only.
    """
    if measurement is None:
        return Shutter(None, None, False)
    line = measurement.timing.line
    if any(note.code == "lines-coincide" for note in measurement.notes):
        return Shutter("either", None, False)
    if line != "camera" or flash is None or not flash.soft or time is None:
        return Shutter(line, None, False)
    dot_rate_hz = measurement.setup.dots * measurement.speed.mean_rpm / 60
    amplitude = combine_blocks(_measured_row(reading.pattern, measurement).blocks)[0]

    def strength(lamp_cycles: NDArray[np.float64] | None) -> float:
        return find_line(
            amplitude,
            time.time_s,
            interval_s=time.interval_s,
            expected_hz=dot_rate_hz,
            span=_LINE_SPAN,
            lamp_cycles=lamp_cycles,
        ).coherence

    by_camera, by_lamp = strength(None), strength(flash.phase_cycles(time.time_s))
    if by_lamp > by_camera:
        return Shutter(line, None, False)
    sinc = min(math.sqrt(flash.modulation / 2 * by_camera / by_lamp), 1.0)
    periods = np.linspace(0.05, 1, 96)
    exposure_s = float(periods[np.argmin(np.abs(np.sinc(periods) - sinc))]) / flash.rate_hz
    short = sinc > _SHORT_SINC
    return Shutter(line, exposure_s * (_SHORT_MARGIN if short else 1.0), short)


def _own_noise_percent(reading: ClipReading, measurement: Measurement | None, time: TimeBase | None) -> float | None:
    """Weighted noise that the parts of the measured row do not share: grain and small coding errors of the picture.

    White noise of s dots a frame is a speed noise of spectral density (2 pi f s / dot rate)^2 * 2 / frame rate.
    """
    if measurement is None or time is None:
        return None
    row = _measured_row(reading.pattern, measurement)
    noise_dots = combine_blocks(row.blocks)[1]
    if not math.isfinite(noise_dots):
        return None
    dot_rate_hz = measurement.setup.dots * measurement.speed.mean_rpm / 60
    frequency_hz = np.linspace(0, 0.5 / time.interval_s, 400)
    density = (2 * np.pi * frequency_hz * weighting_gain(frequency_hz)) ** 2 * 2 * time.interval_s
    return 100 * noise_dots / dot_rate_hz * math.sqrt(float(np.mean(density)) * 0.5 / time.interval_s)


def _measured_row(pattern: PatternReading, measurement: Measurement) -> RowSeries:
    """The row that the measurement was taken from, known by its pitch."""
    return min(pattern.rows, key=lambda row: abs(row.pitch_px - measurement.dot_pitch_px))


def _rows_of(reading: ClipReading) -> tuple[SeenRow, ...]:
    rows = reading.pattern.rows
    clearest = max((row.amplitude for row in rows), default=0.0)
    return tuple(
        SeenRow(
            height=row.height,
            pitch_px=row.pitch_px,
            dots_in_view=row.dots_in_view,
            contrast_percent=100 * row.contrast,
            moves=row.blocks.shape[0] > 2 and bool(moves(row, reading.pattern)),
        )
        for row in rows
        if row.amplitude > _LEAST_SHARE * clearest and row.contrast > _FAINT
    )


def _shake_of(reading: ClipReading, measurement: Measurement | None) -> Shake | None:
    """The scenery's motion, less an even drift; the false wobble is reckoned for the row that was measured."""
    pattern = reading.pattern
    if not pattern.rows or pattern.time_s.size < 8 or not np.all(np.isfinite(pattern.shift_px)):
        return None
    time_s = pattern.time_s
    along = pattern.shift_px[:, 0] - np.polyval(np.polyfit(time_s, pattern.shift_px[:, 0], 1), time_s)
    across = pattern.shift_px[:, 1] - np.polyval(np.polyfit(time_s, pattern.shift_px[:, 1], 1), time_s)
    pitch_px = pattern.rows[0].mean_pitch_px if measurement is None else measurement.dot_pitch_px
    dot_rate_hz = _USUAL_DOT_RATE_HZ
    if measurement is not None:
        dot_rate_hz = measurement.setup.dots * measurement.speed.mean_rpm / 60
    interval_s = float(np.median(np.diff(time_s)))
    speed = 100 * np.gradient(along / pitch_px, time_s) / dot_rate_hz
    spectrum = np.fft.rfft(speed * np.hanning(speed.size)) / speed.size
    gain = weighting_gain(np.fft.rfftfreq(speed.size, interval_s))
    weighted = math.sqrt(2 * float(np.sum(np.abs(spectrum * gain) ** 2)) / 0.375)
    return Shake(float(np.hypot(along.std(), across.std())), float(pattern.shift_noise_px), weighted)


def _still_of(still: Stillness) -> Still | None:
    unchanged, noise, renewal = still.unchanged_share, still.noise_levels, still.renewal
    if unchanged is None or noise is None or renewal is None:
        return None
    return Still(unchanged, noise, renewal)


def _picture_signs(shake: Shake | None, still: Still | None) -> list[Note]:
    signs = []
    if shake is not None and shake.scatter_px > _WARPED_PX:
        seen = f"The still parts move against each other by {shake.scatter_px:.1f} pixels"
        advice = "as electronic stabilisation makes them, or great depth. Switch stabilisation off."
        signs.append(Note("warped", f"{seen}, {advice}"))
    calm = shake is not None and shake.rms_px < _STILL_PX
    if still is not None and calm and still.averaged:
        seen = f"Noise of the still parts lasts on: {100 * (1 - still.renewal):.0f} % less change than fresh noise"
        advice = "so the camera averages over time, which may leave ghosts of the dots. Give it more light."
        signs.append(Note("averaged", f"{seen}, {advice}"))
    return signs


def _timing_of(reading: ClipReading, time: TimeBase | None, stretch: float) -> Timing:
    tally = reading.tally
    rate = tally.observed_rate_hz or reading.facts.declared_rate_hz or 0.0
    return Timing(
        kind="unusable" if time is None else time.kind,
        frames=tally.frames,
        duration_s=tally.duration_s,
        frame_rate_hz=rate if time is None else 1 / (time.interval_s * stretch),
        capture_rate_hz=rate if time is None else 1 / time.interval_s,
        grid_s=0.0 if time is None else time.grid_s,
        noise_s=0.0 if time is None else time.noise_s,
        dropped=tally.dropped if time is None else time.dropped,
        mended=0 if time is None else time.mended,
        left_out=0 if time is None else time.left_out,
        breaks=0 if time is None else time.breaks,
        repeated_or_backward=tally.repeated_or_backward,
        corrupt=tally.corrupt,
    )


def _reach_of(measurement: Measurement | None) -> Reach | None:
    if measurement is None:
        return None
    speed, fluctuation = measurement.speed, measurement.fluctuation
    return Reach(
        nominal_rpm=measurement.setup.nominal_rpm,
        dots=measurement.setup.dots,
        deviation_percent=speed.deviation_percent,
        speed_uncertainty_percent=speed.uncertainty_percent,
        weighted_peak_uncertainty_percent=fluctuation.weighted_peak_uncertainty_percent,
        weighted_floor_percent=fluctuation.weighted_floor_percent,
        band_hz=fluctuation.band_hz,
        revolutions=speed.revolutions,
    )
