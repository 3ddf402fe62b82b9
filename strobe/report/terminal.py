"""The reading on a terminal: answer first, then steadiness, wobbles, what it rests on, and one next step.

Every function here takes finished results and gives text of at most `WIDTH` columns; nothing is printed.
Styles only repeat what the words say. Uncertainties are 95 % half-widths.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from rich.cells import cell_len
from rich.text import Text

from strobe.bench.limits import record_percent
from strobe.bench.stopping import standing_of_reading
from strobe.measurement import Event, Measurement, Refusal
from strobe.report.advice import ENOUGH_TURNS, KEEP, longer_clip, next_step
from strobe.report.judging import RECORD_DECIMALS, verdict_lines
from strobe.report.rim import runout_lines
from strobe.report.sheet import LABEL_WIDTH, WIDTH, Sheet, columns
from strobe.report.words import (
    MOST_RATE_DECIMALS,
    figure_words,
    how_often,
    peak_words,
    period_words,
    printable,
    rounded,
    rpm_words,
    sway_gaps,
)

__all__ = ["WIDTH", "greeting", "reading", "refusal_text", "unreadable_text"]

MOST_COMPONENTS = 5
STANDS_STILL = "Dots that look still do not mean a platter that stands still."
UNPLUG = (
    "Unplug the machine before you touch belt, pulley or motor; mains parts only by a competent person. " + STANDS_STILL
)
TURN_GAINS = {"33 1/3": 0.314, "45": 0.468}
"""What the weighting leaves of a wobble once a turn."""
STILL_REFUSALS = ("no-pattern", "not-turning", "no-contrast")


def reading(measurement: Measurement, *, sources: Mapping[str, str] | None = None, filed: bool = False) -> Text:
    """The whole reading of one clip.

    Parameters
    ----------
    measurement : Measurement
    sources : mapping of str to str or None
        Where values that were not given with the clip came from, by the name of the value: ``configuration``.
    filed : bool
        Whether a job takes it: where it asks for nothing itself, `strobe.report.jobs.filed_text` says what comes next.

    Returns
    -------
    rich.text.Text
        Lines of at most `WIDTH` columns, without a newline at the end.
    """
    sheet = Sheet()
    sheet.row("READING", _title(measurement))
    sheet.row("SPEED", *_speed(measurement), strong=True)
    sheet.row("STEADINESS", *_steadiness(measurement), strong=True)
    sheet.row("WOBBLE", *_wobbles(measurement))
    sheet.row("SUSPECT", *_suspects(measurement))
    sheet.row("RIM", *runout_lines(measurement))
    if abs(measurement.trend_percent_per_minute) > measurement.trend_uncertainty_percent_per_minute:
        sheet.row("DRIFT", _trend(measurement))
    for event in measurement.events:
        sheet.row("EVENT", _event(event))
    sheet.row("A RECORD", *_record(measurement))
    sheet.row("LIMITS", *verdict_lines(standing_of_reading(measurement)))
    sheet.row("RESTS ON", *_basis(measurement, sources or {}))
    known, assumed = _setup(measurement, sources or {})
    sheet.row("KNOWN", *known)
    sheet.row("ASSUMED", *assumed)
    sheet.row("BEWARE", *(note.message for note in measurement.notes))
    step = next_step(measurement)
    if step is not None or not filed:
        advice, into_machine = step or (KEEP, False)
        sheet.row("NEXT", advice, *longer_clip(measurement))
        if into_machine:
            sheet.row("CAUTION", UNPLUG)
    return sheet.text()


def refusal_text(refusal: Refusal) -> Text:
    """A refused clip: what was seen, what to do about it, and no figure."""
    sheet = Sheet()
    code = f"({refusal.reason})"
    space = WIDTH - LABEL_WIDTH - len(code) - 2
    name = printable(refusal.path)
    title = f"{name:<{space}}  {code}" if cell_len(name) == len(name) <= space else f"{name} {code}"
    sheet.row("NO READING", title, strong=True)
    sheet.row("SEEN", *refusal.message.splitlines())
    sheet.row("DO THIS", *refusal.advice.splitlines())
    if refusal.reason in STILL_REFUSALS:
        sheet.row("CAUTION", STANDS_STILL)
    return sheet.text()


def unreadable_text(path: str, message: str) -> Text:
    """A clip that could not be opened or decoded."""
    sheet = Sheet()
    sheet.row("NOT READ", message if path in message else f"{path}: {message}", strong=True)
    return sheet.text()


def greeting() -> Text:
    """What somebody sees who has just installed the program: what it does, and what to do first."""
    sheet = Sheet()
    sheet.row(
        "STROBE",
        "tells from a video of the dots on a platter's rim how true and how steady it turns",
        strong=True,
    )
    sheet.row(
        "FILM",
        "Stand the phone still, level with the rim, with the row of dots across the picture. Room light off, "
        "the machine's own strobe lamp on. Let it run warm, ten minutes or so, then film 10 s for the speed, 30 to "
        "60 s for the wobble.",
    )
    sheet.row("MEASURE", "strobe measure clip.mp4")
    sheet.row("TRY IT", "No clip yet? This makes one, with an invented machine, and measures it:")
    sheet.row("", "strobe render try.mp4", "strobe measure try.mp4")
    sheet.row("MORE", "strobe --help lists all commands, strobe measure --help explains one of them")
    sheet.row("CAUTION", STANDS_STILL)
    return sheet.text()


def _title(measurement: Measurement) -> str:
    clip = measurement.clip
    title = f"{printable(clip.path)}, {clip.duration_s:.1f} s, {measurement.speed.revolutions:.1f} turns"
    if not math.isclose(clip.capture_rate_hz, clip.frame_rate_hz, rel_tol=0.01):
        title += f", slow motion: {clip.capture_rate_hz:.4g} pictures a second shown at {clip.frame_rate_hz:.4g}"
    return title


def _speed(measurement: Measurement) -> list[str]:
    speed = measurement.speed
    spread = speed.uncertainty_percent
    decimals = rounded(spread)
    rpm = f"{speed.mean_rpm:.{rounded(spread / 100 * speed.mean_rpm)}f} rpm"
    if abs(speed.deviation_percent) <= spread:
        answer = f"right, within the ±{spread:.{decimals}f} % that this clip can tell"
    else:
        way = "fast" if speed.deviation_percent > 0 else "slow"
        answer = f"{abs(speed.deviation_percent):.{decimals}f} % {way} (±{spread:.{decimals}f})"
    lines = [f"{rpm}   {answer}"]
    if measurement.setup.lamp != "steady":
        lines.append(_creep(measurement))
    if abs(speed.still_deviation_percent) >= 0.05:
        still_rpm = measurement.setup.nominal_rpm * (1 + speed.still_deviation_percent / 100)
        lines.append(
            f"A row of {measurement.setup.dots} dots stands still at {still_rpm:.2f} rpm, which is "
            f"{speed.still_deviation_percent:+.2f} %: still dots are not the aim here."
        )
    return lines


def _creep(measurement: Measurement) -> str:
    drift = measurement.speed.drift_dots_per_minute
    count = abs(drift)
    verb = "creep" if measurement.timing.flash_rate_hz is not None else "would creep"
    where = "The dots" if measurement.timing.flash_rate_hz is not None else "Under a mains lamp the dots"
    if count < 0.5:
        return f"{where} {'look' if verb == 'creep' else 'would look'} still: less than 1 in 2 minutes goes by."
    turning = "with the turning" if drift > 0 else "against the turning"
    if measurement.setup.view == "rim":
        side = "left" if drift > 0 else "right"
        turning = f"{side} ({turning})"
    if count < 90:
        amount = f"{count:.1f} a minute" if count < 9.95 else f"{count:.0f} a minute"
    else:
        amount = f"{count / 60:.1f} a second"
    return f"{where} {verb} {turning}, {amount}{_lamp_against(measurement)}."


def _lamp_against(measurement: Measurement) -> str:
    """Why the dots creep against what the speed says: they show the platter against the lamp alone."""
    speed = measurement.speed
    by_lamp, by_camera = speed.deviation_to_lamp_percent, speed.deviation_to_camera_percent
    if by_lamp is None or by_camera is None or by_lamp * speed.drift_dots_per_minute <= 0 or by_lamp * by_camera >= 0:
        return ""
    lamp = by_camera - by_lamp
    return f": the lamp runs {abs(lamp):.2g} % {'fast' if lamp > 0 else 'slow'}"


def _steadiness(measurement: Measurement) -> list[str]:
    fluctuation = measurement.fluctuation
    low, high = fluctuation.band_hz
    rows = [
        (
            "weighted",
            (fluctuation.weighted_peak_percent, fluctuation.weighted_peak_uncertainty_percent),
            (fluctuation.weighted_rms_percent, fluctuation.weighted_rms_uncertainty_percent),
        ),
        (
            "unweighted",
            (fluctuation.unweighted_peak_percent, fluctuation.unweighted_peak_uncertainty_percent),
            (fluctuation.unweighted_rms_percent, fluctuation.unweighted_rms_uncertainty_percent),
        ),
    ]
    cells = [(peak_words(*peak), f"{name} 2-sigma peak", "rms " + figure_words(*rms)) for name, peak, rms in rows]
    lines = [*columns(cells), f"weighted as IEC 60386 / AES6 describe, band {low:.3g}-{high:.3g} Hz"]
    speed = rpm_words(measurement.setup.nominal_rpm)
    if speed in TURN_GAINS:
        gains = ", ".join(f"×{gain:.2f} at {name}" for name, gain in TURN_GAINS.items())
        lines.append(f"once a turn counts {gains} in it")
    for part in fluctuation.parts:
        if part.split_by == "standard":
            where = f"to {part.split_hz:g} Hz" if part.name == "wow" else f"above {part.split_hz:g} Hz"
            said = peak_words(part.peak_percent, part.peak_uncertainty_percent)
            lines.append(f"{part.name}, {where}: {said}, unweighted")
    if fluctuation.left_out_hz:
        places = ", ".join(f"{from_hz:.3g}-{to_hz:.3g}" for from_hz, to_hz in fluctuation.left_out_hz)
        lines.append(f"without {places} Hz, where lamp or dots beat with the pictures")
    return lines


def _event(event: Event) -> str:
    if event.time_uncertainty_s is None or event.size_uncertainty_percent is None:
        return f"at {event.time_s:.2f} s: {event.kind}, {event.size_percent:+.2g} %"
    size, at = rounded(event.size_uncertainty_percent), rounded(event.time_uncertainty_s)
    said = (
        f"at {event.time_s:.{min(at, 2)}f} s: {event.kind}, {event.size_percent:+.{size}f} % "
        f"(±{event.size_uncertainty_percent:.{size}f})"
    )
    if event.recovery_s is not None:
        said += f", back after {event.recovery_s:.2g} s"
    return f"{said}; not counted as wow"


def _record(measurement: Measurement) -> list[str]:
    record = measurement.record
    if record is None:
        return []
    middle = record_percent(measurement.setup.nominal_rpm)
    return [
        f"with its hole {record.off_centre_mm:g} mm off adds ±{record.weighted_percent:.{RECORD_DECIMALS}f} % weighted "
        f"once a turn at the inner groove, ±{middle:.{RECORD_DECIMALS}f} % in mid-record; none of that is in here."
    ]


def _wobbles(measurement: Measurement) -> list[str]:
    components = measurement.components
    if not components and measurement.speed.revolutions < ENOUGH_TURNS:
        return [f"{measurement.speed.revolutions:.1f} turns are too few to tell one wobble from another."]
    if not components:
        floor = measurement.fluctuation.unweighted_floor_percent
        return [f"None stands clear of the noise, which alone would read {floor:.2g} % rms."]
    turn_rate_hz = measurement.speed.mean_rpm / 60
    dot_rate_hz = measurement.setup.dots * turn_rate_hz
    cells = [("every", "speed goes", "how often", "dots sway")]
    cells += [
        (
            period_words(component.period_s),
            peak_words(component.peak_percent, component.uncertainty_percent),
            how_often(component, turn_rate_hz=turn_rate_hz),
            _gaps(sway_gaps(component, dot_rate_hz=dot_rate_hz)),
        )
        for component in components[:MOST_COMPONENTS]
    ]
    lines, remarks = columns(cells), []
    if not all(component.told for component in components[:MOST_COMPONENTS]):
        lines.append("below: seen, but dots off their places, shake or coding may make it")
    heaviest = max(components, key=lambda component: component.weighted_percent)
    if len(components) > 1 and heaviest.told:
        remarks.append(f"The one every {period_words(heaviest.period_s)} weighs most in the weighted figure.")
    if len(components) > MOST_COMPONENTS:
        remarks.append(f"{len(components) - MOST_COMPONENTS} smaller not shown.")
    for component in components[:MOST_COMPONENTS]:
        every = period_words(component.period_s)
        if component.needed_s is not None:
            remarks.append(
                f"Every {every}: more than one here, or one that changes; a clip of {component.needed_s:.0f} s or "
                "longer would part them."
            )
        if component.alias_of_hz is not None:
            remarks.append(
                f"Every {every}: may be {component.alias_of_hz:g} Hz, folded down by the frame rate; film at another."
            )
    return [*lines, *([" ".join(remarks)] if remarks else [])]


def _suspects(measurement: Measurement) -> list[str]:
    """The part that each wobble was put down to, where a described machine let it be named."""
    named = [
        f"every {period_words(component.period_s)}: {component.suspect}"
        for component in measurement.components[:MOST_COMPONENTS]
        if component.suspect is not None
    ]
    return [*named, "Evidence and the next check: strobe suspects"] if named else []


def _gaps(sway: float) -> str:
    return "under 0.01 gap" if sway < 0.01 else f"±{sway:.2f} of a gap"


def _trend(measurement: Measurement) -> str:
    trend, spread = measurement.trend_percent_per_minute, measurement.trend_uncertainty_percent_per_minute
    decimals = rounded(spread)
    change = "gains" if trend > 0 else "loses"
    over_clip = abs(trend) * measurement.clip.duration_s / 60
    return (
        f"{change} speed, {abs(trend):.{decimals}f} % a minute (±{spread:.{decimals}f}); "
        f"{over_clip:.1g} % over this clip"
    )


def _basis(measurement: Measurement, sources: Mapping[str, str]) -> list[str]:
    timing, speed = measurement.timing, measurement.speed
    basis = "camera's clock; lamp" if timing.reference == "camera" else "the lamp,"
    if timing.flash_rate_hz is None:
        basis = "camera's clock"
    elif timing.flash_rate_source == "measured":
        spread = timing.flash_rate_uncertainty_hz
        rate = f"{timing.flash_rate_hz:.3f}" if spread is None else _flashes(timing.flash_rate_hz, spread)
        basis += f" measured at {rate} flashes a second"
    elif timing.flash_rate_source == "given":
        basis += f" given as {timing.flash_rate_hz:.6g} flashes a second"
    else:
        basis += f" taken as {timing.flash_rate_hz:.6g} flashes a second, not measured"
    line = "dots timed by flash" if timing.line == "lamp" else "dots timed by shutter"
    if speed.deviation_to_lamp_percent is not None and speed.deviation_to_camera_percent is not None:
        decimals = max(rounded(speed.uncertainty_percent), 2)
        line += (
            f"; {speed.deviation_to_camera_percent:+.{decimals}f} % by camera, "
            f"{speed.deviation_to_lamp_percent:+.{decimals}f} % by lamp"
        )
    lines = [basis, line]
    if timing.camera_rate_error_ppm is not None:
        way = "fast" if timing.camera_rate_error_ppm > 0 else "slow"
        known = f" ({sources['camera']})" if "camera" in sources else ""
        lines.append(f"camera's clock set right, it runs {abs(timing.camera_rate_error_ppm):.1f} ppm {way}{known}")
    return lines


def _flashes(rate_hz: float, spread_hz: float) -> str:
    decimals = rounded(spread_hz, most_decimals=MOST_RATE_DECIMALS)
    return f"{rate_hz:.{decimals}f} (±{spread_hz:.{decimals}f})"


def _setup(measurement: Measurement, sources: Mapping[str, str]) -> tuple[list[str], list[str]]:
    """What was given or seen in the clip, and what was assumed: from where, or with which option to change it."""
    setup, clip = measurement.setup, measurement.clip
    values = {
        "nominal_rpm": (f"{rpm_words(setup.nominal_rpm)} rpm", "--rpm"),
        "dots": (f"{setup.dots} dots", "--dots"),
        "lamp": ("lamp that flashes once a mains period" if setup.lamp == "once" else f"{setup.lamp} lamp", "--lamp"),
        "capture_rate_hz": (f"{clip.capture_rate_hz:.4g} pictures a second", "--capture-rate"),
    }
    if setup.mains_hz is not None:
        values["mains_hz"] = (f"{setup.mains_hz:.4g} Hz mains", "--mains")
    known = [words for name, (words, _) in values.items() if name not in setup.assumed]
    assumed = [
        f"{words} ({sources.get(name, option)})" for name, (words, option) in values.items() if name in setup.assumed
    ]
    return [", ".join(known)] if known else [], [", ".join(assumed)] if assumed else []
