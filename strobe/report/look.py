"""A look at a clip on a terminal: the answer first, then what limits it, what would help, and what was seen."""

from __future__ import annotations

from rich.text import Text

from strobe.looking.results import Look
from strobe.report.sheet import Sheet
from strobe.report.words import MOST_RATE_DECIMALS, printable, rounded, rpm_words

__all__ = ["look_text"]

MOST_ROWS = 4
_COARSE_GRID_S = 0.0005
"""Grid of the stamps above which it is told: whole milliseconds are, the usual 1/90000 s is not; our own choice."""
_TOLD_WHITE = 0.1
"""Share of white from which it is told, as dots may be in it; less exposure is advised only from the share that spoils
a reading (`strobe.looking.judging`). Our own choice."""

_GRADES = {
    "good": ("GOOD", "good to measure with"),
    "fair": ("FAIR", "fair to measure with"),
    "poor": ("POOR", "poor to measure with"),
    "refused": ("NO READING", "not to be measured with"),
}
FIGURES = {"speed": "speed", "steadiness": "weighted rms"}
_KINDS = {
    "exact": "even stamps",
    "cadence": "stamps rounded or jittered; an even cadence was fitted under them",
    "pieces": "the camera changed its rate; each piece has its own cadence",
    "stamps": "stamps too uneven for any cadence; taken as they are",
    "lamp": "uneven stamps, set right by the lamp's flicker",
    "unusable": "no time can be told from the stamps",
}
_FORMATS = {"h264": "H.264", "hevc": "HEVC", "mjpeg": "Motion JPEG", "av1": "AV1", "vp9": "VP9", "vp8": "VP8"}


def look_text(seen: Look) -> Text:
    """The look as labelled lines of at most 80 columns."""
    sheet = Sheet()
    label, verdict = _GRADES[seen.grade]
    sheet.row(label, f"{printable(seen.path)}, {verdict}", *_answer(seen), strong=True)
    sheet.row("LIMITS", *(f"{FIGURES[limit.of]}, {limit.size_percent:.2g} %: {limit.message}" for limit in seen.limits))
    if len(seen.changes) == 1:
        sheet.row("CHANGE", *seen.changes)
    else:
        sheet.row("CHANGE", *(f"{place}. {words}" for place, words in enumerate(seen.changes, 1)))
    if not seen.changes:
        sheet.row("CHANGE", "Nothing.")
    sheet.row("LIGHT", *_light(seen))
    sheet.row("SHUTTER", _shutter(seen))
    sheet.row("DOTS", *_dots(seen))
    sheet.row("SHAKE", _shake(seen))
    sheet.row("TIMING", _timing(seen))
    if seen.still is not None:
        sheet.row("STILL PARTS", _still(seen))
    sheet.row("FILE", _file(seen))
    sheet.row("SIGNS", *(sign.message for sign in seen.signs))
    return sheet.text()


def _answer(seen: Look) -> list[str]:
    if seen.reach is None:
        assert seen.refusal is not None
        return [f"{seen.refusal.reason}: {seen.refusal.message}"]
    reach = seen.reach
    spread = reach.speed_uncertainty_percent
    return [
        f"read as {rpm_words(reach.nominal_rpm)} rpm and {reach.dots} dots: speed to ±{spread:.{rounded(spread)}f} %, "
        f"noise {reach.weighted_floor_percent:.2g} % weighted rms, band {reach.band_hz[0]:.2g}-"
        f"{reach.band_hz[1]:.3g} Hz"
    ]


def _light(seen: Look) -> list[str]:
    light = seen.light
    if light.flash_rate_hz is not None and light.flash_rate_uncertainty_hz is not None:
        kind = "sharp flashes" if light.kind == "flashes" else "comes and goes softly"
        places = rounded(light.flash_rate_uncertainty_hz, most_decimals=MOST_RATE_DECIMALS)
        lines = [
            f"{kind}, {light.flash_rate_hz:.{places}f} (±{light.flash_rate_uncertainty_hz:.{places}f}) times a second; "
            f"±{light.flicker_percent:.2g} % of flicker is left in the picture"
        ]
    elif light.kind == "hidden":
        lines = ["flashes time the dots, but the still parts show no flicker: the lamp's rate can't be measured"]
    else:
        why = "steady light"
        if seen.shutter.timed_by != "camera":
            why += ", or a shutter of whole flash periods hides it"
        lines = [f"no flicker is seen: {why}"]
    if light.in_step_hz:
        rates = " or ".join(f"{rate:g}" for rate in light.in_step_hz)
        lines.append(f"{rates} flashes a second would keep step with the frames, and show none")
    if light.dark:
        lines.append(f"dark: mean brightness {light.mean_level:.0f} of 255")
    if light.white_share > _TOLD_WHITE:
        lines.append(f"{100 * light.white_share:.0f} % of the picture is white")
    return lines


def _shutter(seen: Look) -> str:
    if seen.shutter.timed_by is None:
        return "can't be told without dots that can be followed"
    if seen.shutter.timed_by == "lamp":
        return "open for a whole flash or longer: the lamp freezes the dots"
    if seen.shutter.timed_by == "either":
        return "lamp or shutter freezes the dots; as they keep step, the clip can't tell which"
    if seen.shutter.exposure_s is None:
        return "short enough to freeze the dots"
    time = f"1/{_round(1 / seen.shutter.exposure_s)} s"
    if seen.shutter.is_bound:
        return f"freezes the dots: about {time} or shorter"
    return f"freezes the dots, but smears them: roughly {time}, to a factor of two"


def _round(value: float) -> int:
    return round(float(f"{value:.1g}")) if value >= 10 else round(value)


def _dots(seen: Look) -> list[str]:
    if not seen.rows:
        return ["no row of dots is seen"]
    shown = sorted(seen.rows, key=lambda row: not row.moves)[:MOST_ROWS]
    lines = [
        f"{row.dots_in_view:.0f} in view, {row.pitch_px:.0f} pixels apart, contrast {row.contrast_percent:.0f} %"
        + ("" if row.moves else ", not moving")
        for row in shown
    ]
    if len(seen.rows) > MOST_ROWS:
        lines.append(f"{len(seen.rows) - MOST_ROWS} more")
    return lines


def _shake(seen: Look) -> str:
    if seen.shake is None:
        return "can't be told: nothing that stands still was found to hold on to"
    still = " (as on a stand)" if seen.shake.rms_px < 0.15 else ""
    untreated = f"; left alone it would read as {seen.shake.weighted_percent:.2g} % of wobble" if not still else ""
    return f"{seen.shake.rms_px:.2g} pixels rms{still}{untreated}"


def _timing(seen: Look) -> str:
    timing = seen.timing
    parts = [_KINDS[timing.kind]]
    if timing.kind == "cadence" and timing.grid_s > _COARSE_GRID_S:
        parts.append(f"grid {1000 * timing.grid_s:.3g} ms")
    if timing.noise_s > 0:
        parts.append(f"scatter {1000 * timing.noise_s:.2g} ms")
    counts = (
        (timing.dropped, "missing"),
        (timing.repeated_or_backward, "doubled or backward"),
        (timing.mended, "set right"),
        (timing.left_out, "left out"),
        (timing.corrupt, "damaged"),
    )
    frames = [f"{count} {words}" for count, words in counts if count]
    parts.append(f"of {timing.frames} frames {', '.join(frames)}" if frames else f"all {timing.frames} frames in order")
    if timing.breaks:
        parts.append(f"the clip's clock breaks {timing.breaks} time{'s' * (timing.breaks > 1)}")
    if abs(timing.capture_rate_hz / timing.frame_rate_hz - 1) > 0.02 if timing.frame_rate_hz else False:
        parts.append(f"slow motion, captured at {timing.capture_rate_hz:.4g} a second")
    return "; ".join(parts)


def _still(seen: Look) -> str:
    assert seen.still is not None
    return (
        f"noise {seen.still.noise_levels:.1f} grey levels; "
        f"{100 * seen.still.unchanged_share:.0f} % of the pixels only repeat the frame before"
    )


def _bits(value: float) -> str:
    return f"{value:.0f}" if value >= 10 else f"{value:.2g}"


def _file(seen: Look) -> str:
    file, timing = seen.file, seen.timing
    depth = "" if file.bit_depth == 8 else f", {file.bit_depth} bit"
    tone = f", {file.transfer.upper()}" if file.transfer in ("pq", "hlg") else ""
    parts = [
        f"{file.width} x {file.height} at {timing.frame_rate_hz:.4g} a second, {timing.duration_s:.1f} s",
        f"{_FORMATS.get(file.codec, file.codec)}{depth}{tone} in {file.container}",
    ]
    if file.bits_per_s is not None and file.bits_per_pixel_s is not None:
        parts.append(f"{file.bits_per_s / 1e6:.2g} Mb/s, {_bits(file.bits_per_pixel_s)} bits a pixel and second")
    parts.append(printable(file.device[:40]) if file.device else "no camera named")
    return "; ".join(parts)
