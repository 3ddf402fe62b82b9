"""The parts of a `Measurement` put together from what was chosen and computed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.figures import SPLITS_HZ
from strobe.figures.checking import missed_weighting_hz
from strobe.figures.results import Figures
from strobe.figures.rings import drift_dots_per_minute, still_deviation_percent, still_dots_hz
from strobe.figures.weighting import weighting_gain
from strobe.measurement import BudgetEntry, Note, RecordContext, Setup, Speed, Timing
from strobe.measuring.budget import beside_percent
from strobe.measuring.clock import CameraClock
from strobe.measuring.hypotheses import Hypothesis
from strobe.measuring.mixing import Mixing
from strobe.measuring.options import Told
from strobe.measuring.speedbudget import (
    end_to_end_deviation_percent,
    mains_uncertainty_percent,
    speed_budget,
    speed_uncertainty_percent,
)
from strobe.measuring.sticking import SWALLOWED_PX
from strobe.phase import TimeBase

__all__ = ["notes_of", "record_context", "setup_of", "speed_of", "suspected_hz", "timing_of"]

RECORD_OFF_CENTRE_MM = 0.2
"""Most that hole and groove may be off each other on a record (IEC 98:1958/64/87, DIN 45547)."""

INNER_GROOVE_MM = 60.0
"""Smallest radius of a recorded groove (IEC 98:1958)."""

_NEAR_PERCENT = 0.05
"""Peak of what lies beside the lamp's beat from which it is said: by choice, the whole flutter of a good deck."""
_MUCH_COPIED = 3.0
"""So many times what the coder swallows of still dots in any case."""

_WORTH_SAYING_PERCENT = 0.0005
"""A tenth of what a camera's clock is known to: less can't be seen in the speed's uncertainty."""


def timing_of(chosen: Hypothesis, clock: CameraClock) -> Timing:
    """Which line was read, and which clock the speed rests on."""
    lamp = chosen.lamp
    line = chosen.line.kind
    seen = lamp.source
    if line == "camera" and seen == "nominal":
        seen = None
    if lamp.kind == "given":
        reference = "lamp" if line == "lamp" or lamp.flash is not None else "camera"
    else:
        reference = "lamp" if line == "lamp" and seen == "nominal" else "camera"
    spread = None
    if lamp.flash is not None:
        spread = 2 * lamp.flash.uncertainty_hz
    elif seen == "nominal" and lamp.nominal_hz is not None:
        spread = lamp.nominal_hz * mains_uncertainty_percent(lamp.nominal_hz) / 100
    return Timing(
        line=line,
        flash_rate_hz=lamp.rate_hz if seen is not None else None,
        flash_rate_source=seen,
        reference=reference,
        flash_rate_uncertainty_hz=spread,
        camera_rate_error_ppm=clock.rate_error_ppm if clock.calibrated else None,
    )


def record_context(nominal_rpm: float) -> RecordContext:
    """What a record as the standards allow it adds at its inner groove: once a turn, peak e / r."""
    peak = 100 * RECORD_OFF_CENTRE_MM / INNER_GROOVE_MM
    weighted = peak * float(weighting_gain(nominal_rpm / 60))
    return RecordContext(RECORD_OFF_CENTRE_MM, INNER_GROOVE_MM, peak, weighted)


def suspected_hz(chosen: Hypothesis) -> tuple[float, ...]:
    """Rates above half the frame rate that a drive may run at: mains, and a motor's torque at twice that."""
    networks = (50.0, 60.0) if chosen.lamp.mains_hz is None else (chosen.lamp.mains_hz,)
    return tuple(times * mains for mains in networks for times in (1, 2))


def speed_of(
    figures: Figures,
    chosen: Hypothesis,
    time: TimeBase,
    timing: Timing,
    gap_percent: float,
    clock: CameraClock,
    *,
    left_dots: NDArray[np.float64],
    unsettled_hz: float,
    assumed_speed_percent: float,
) -> tuple[Speed, tuple[BudgetEntry, ...]]:
    """Both deviations where both can be had, the better one as the answer, and what adds to its half-width."""
    lamp = chosen.lamp
    by_clock = 1 + figures.deviation_percent / 100
    to_camera = None if timing.reference == "lamp" and lamp.flash is None else 100 * (by_clock - 1)
    to_lamp = None
    if lamp.rate_hz is not None and lamp.nominal_hz is not None and timing.flash_rate_source is not None:
        to_lamp = 100 * (by_clock * lamp.nominal_hz / lamp.rate_hz - 1)
    answer = to_lamp if timing.reference == "lamp" else to_camera
    assert answer is not None
    flashes = lamp.rate_hz if timing.flash_rate_source is not None else lamp.nominal_hz
    rpm = by_clock * chosen.nominal_rpm
    dots_hz = rpm * chosen.dots / 60
    # Every other flash may be missing.
    creep = 0.0 if flashes is None else drift_dots_per_minute(rpm, still_dots_hz(dots_hz, flashes / 2), chosen.dots)
    nominal_hz = lamp.nominal_hz if lamp.nominal_hz is not None else 2 * (lamp.mains_hz or 50.0)
    budget = speed_budget(
        figures,
        chosen.line,
        time,
        lamp.flash,
        timing,
        lamp.nominal_hz,
        gap_percent,
        clock,
        left_dots,
        unsettled_hz,
        assumed_speed_percent,
    )
    speed = Speed(
        mean_rpm=chosen.nominal_rpm * (1 + answer / 100),
        deviation_percent=answer,
        uncertainty_percent=speed_uncertainty_percent(budget),
        deviation_to_lamp_percent=to_lamp,
        deviation_to_camera_percent=to_camera,
        still_deviation_percent=still_deviation_percent(
            still_dots_hz(dots_hz, nominal_hz / 2), chosen.dots, chosen.nominal_rpm
        ),
        drift_dots_per_minute=creep,
        revolutions=figures.revolutions,
        end_to_end_deviation_percent=answer + end_to_end_deviation_percent(figures) - figures.deviation_percent,
    )
    return speed, budget


def setup_of(chosen: Hypothesis, told: Told) -> Setup:
    """What was measured against, and which of it was neither given nor shown by the clip."""
    shown = chosen.borne_out
    assumed = []
    if told.nominal_rpm is None and not shown:
        assumed.append("nominal_rpm")
    if told.dots is None and not shown:
        assumed.append("dots")
    if told.mains_hz is None and (chosen.lamp.source == "nominal" or chosen.lamp.mains_open):
        assumed.append("mains_hz")
    if told.lamp == "mains" and chosen.lamp.source != "measured":
        assumed.append("lamp")
    return Setup(
        nominal_rpm=chosen.nominal_rpm,
        dots=chosen.dots,
        mains_hz=chosen.lamp.mains_hz if chosen.lamp.mains_hz is not None else told.mains_hz,
        lamp=told.lamp if isinstance(told.lamp, str) else f"{told.lamp:g} Hz",
        view="rim",
        assumed=tuple(assumed),
    )


def notes_of(
    chosen: Hypothesis,
    figures: Figures,
    time: TimeBase,
    timing: Timing,
    *,
    gap_percent: float,
    assumed_speed_percent: float,
    shaken: bool,
    shake_hides: bool,
    scenery_seen: bool,
    corrupt: int,
    swallowed_dots: float,
    mixing: Mixing,
) -> tuple[Note, ...]:
    """What to beware of."""
    line, row = chosen.line, chosen.evidence.row
    missed_hz = missed_weighting_hz(
        figures.fluctuation.weighting_checked_hz,
        duration_s=time.duration_s,
        top_hz=figures.fluctuation.band_hz[1],
    )
    slow = 0 < line.swing_cycles < 3 and line.swing_dots > 0.003
    near_hz, beside = beside_percent(line)
    near_percent = float(beside[near_hz < figures.fluctuation.band_hz[1]].max(initial=0.0))
    cases = (
        (
            gap_percent > _WORTH_SAYING_PERCENT,
            "lines-coincide",
            "The lamp's flashes keep step with the camera's frames, and the clip does not tell whether lamp or shutter "
            f"times the dots: the speed is uncertain by what that may differ, {gap_percent:.2g} %. Filming at another "
            "frame rate tells.",
        ),
        (
            assumed_speed_percent > _WORTH_SAYING_PERCENT,
            "speed-assumed",
            f"The clip does not show how long a turn takes; {chosen.nominal_rpm:.4g} rpm was assumed. The dots suit "
            f"other speeds too, at which the deviation differs by up to {assumed_speed_percent:.2g} %: --rpm tells.",
        ),
        (
            timing.flash_rate_source == "nominal",
            "mains-nominal",
            "The lamp's rate could not be measured, so the mains' own error is in the speed: some hundredths of a "
            "percent, at times more.",
        ),
        (
            figures.revolutions < 5,
            "few-turns",
            f"Only {figures.revolutions:.1f} turns were seen.",
        ),
        (
            shaken,
            "shake",
            "The camera moved; its motion was taken off as far as the background shows it."
            f"{' What is left may be most of the wobble: a stand shows that better.' if shake_hides else ''}",
        ),
        (
            not scenery_seen,
            "no-scenery",
            "Nothing that stands still shows in the picture, so motion of the camera would pass for wobble.",
        ),
        (
            time.dropped > 0,
            "dropped-frames",
            f"{time.dropped} frame{'s are' if time.dropped != 1 else ' is'} missing; the gaps were kept in time.",
        ),
        (corrupt > 0, "corrupt-frames", f"{corrupt} of the frames could not be decoded and were left out."),
        (
            time.kind == "cadence",
            "stamps-rounded",
            "The file's time stamps are rounded or uneven; the camera's even cadence was fitted under them.",
        ),
        (
            time.kind == "stamps",
            "stamps-uneven",
            "The time between frames varies; the file's own time stamps were taken.",
        ),
        (
            chosen.lamp.kind == "dimmed",
            "dimmed-lamp",
            "The light flickers at a rate that is not the mains'; what it does to the dots was taken off.",
        ),
        (
            chosen.evidence.kind is not None and row.ring is None,
            "two-lights",
            "Two lights fall on the dots, not alike everywhere; the row was read so that one of them is left out.",
        ),
        (
            slow,
            "slow-beat",
            "Flashes and frames nearly keep step: the lamp's slow false swing can't be told well from real wobble "
            f"slower than {3 / time.duration_s:.1f} Hz.",
        ),
        (
            near_percent > _NEAR_PERCENT,
            "beside-the-beat",
            "Right beside the lamp's beat lies something else, a second lamp's beat or a wobble; a clip of this length "
            f"does not part the two, and up to {near_percent:.2g} % of wobble is unsure there.",
        ),
        (
            figures.fluctuation.band_hz[1] < max(SPLITS_HZ.values()),
            "seen-seldom",
            f"The dots show only {np.count_nonzero(line.lit) / time.duration_s:.0f} times a second: wobble faster than "
            f"{figures.fluctuation.band_hz[1]:.1f} Hz is not in the figures, or passes for a slower one.",
        ),
        (
            bool(missed_hz),
            "weighting-unchecked",
            "On the times of these frames the weighting could not be shown to keep its table's tolerances at "
            f"{', '.join(f'{hz:g}' for hz in missed_hz)} Hz; weighted figures may leave the definition there.",
        ),
        (
            swallowed_dots * row.mean_pitch_px > _MUCH_COPIED * SWALLOWED_PX,
            "copied-dots",
            "The dots stand almost still, and the video coder leaves out small changes from picture to picture: each "
            f"wobble may read too small by up to {swallowed_dots:.2g} dots.",
        ),
        (
            mixing.share > 0,
            "averaged",
            "The picture is dim and noisy, and there a camera often mixes each picture with those before, which "
            "changes the size of fast wobble: that is in its uncertainty. Give it more light.",
        ),
        (row.contrast < 0.05, "low-contrast", "The dots are faint; more light or a shorter shutter would help."),
    )
    return tuple(Note(code, message) for holds, code, message in cases if holds)
