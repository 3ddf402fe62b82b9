"""How sure the figures are: what adds up to the stated 95 % half-widths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.figures import evaluate
from strobe.figures.results import Component, Figures, Fluctuation
from strobe.figures.weighting import weighting_gain
from strobe.measurement import Timing
from strobe.phase import FlashRate, LineReading, TimeBase

__all__ = [
    "components_with_budget",
    "end_to_end_deviation_percent",
    "fluctuation_with_budget",
    "mains_uncertainty_percent",
    "speed_uncertainty_percent",
    "trend_uncertainty_percent_per_minute",
]

CAMERA_CLOCK_PERCENT = 0.005
"""Expanded error of a phone's crystal: 50 parts in a million (value from memory: data sheets say 10 to 50)."""

RING_OFF_CENTRE_PERCENT = 0.05
"""What a ring 0.08 mm off centre on a rim of 155 mm radius adds once a turn (e / R), as a 95 % bound."""

SHAKE_LEFT = 0.12
"""Share of hand shake that a shift of the scenery leaves in the dots, which are nearer to the camera."""

SCALE_SHARE = 0.03
"""Share of a fluctuation that lossy coding may swallow (seen on rendered clips)."""

MOST_SHAKE_PERCENT = 0.3

SLOW_BEND_DOTS = 0.003
"""How far the phase may bend over a clip without anything having moved (seen on rendered clips)."""

_MOST_HIDDEN_PERCENT = 0.1
"""Wobble on the lamp's beat that is thought possible where no other is larger; and the share that is allowed for it."""
_SHARE_HIDDEN = 0.5
_SLOW_SWING_CYCLES = 2.0
"""Below this many cycles in the clip the lamp's swing and a trend can't be told apart well."""
_ONCE_A_TURN = 0.05
_RANDOM_ANGLE = 0.7
"""Mean size of a part whose angle to the rest is not known (root mean square of a cosine)."""


def mains_uncertainty_percent(flash_rate_hz: float) -> float:
    """95 % half-width of a lamp's rate taken as nominal, in percent.

    Standard deviations of the mains are about 0.04 to 0.12 % in 50 Hz networks and 0.03 to 0.05 % in 60 Hz networks
    (values from memory; published statistics of grid frequency).
    """
    return 0.1 if flash_rate_hz > 110 else 0.2


def end_to_end_deviation_percent(figures: Figures) -> float:
    """Mean deviation from the first to the last frame, the incomplete turn included, on the clock of the frames."""
    series = figures.series
    turns = float(series.angle_rev[-1] - series.angle_rev[0])
    rpm = 60 * turns / float(series.time_s[-1] - series.time_s[0])
    return (
        figures.deviation_percent
        + 100 * (rpm - figures.mean_rpm) * (1 + figures.deviation_percent / 100) / figures.mean_rpm
    )


def speed_uncertainty_percent(
    figures: Figures,
    line: LineReading,
    time: TimeBase,
    flash: FlashRate | None,
    timing: Timing,
    nominal_flash_hz: float | None,
    gap_percent: float,
) -> float:
    """95 % half-width of the mean deviation: run length and noise, clock, lamp, line.

    What the choice of the stretch does to the mean, whole turns or the whole clip, counts as run length.
    """
    total_dots = line.dot_rate_hz * time.duration_s
    parts = [figures.deviation_uncertainty_percent, 100 * 2 * time.interval_uncertainty]
    parts.append(end_to_end_deviation_percent(figures) - figures.deviation_percent)
    slow_swing = 0 < line.swing_cycles < _SLOW_SWING_CYCLES
    parts.append(100 * (1.5 if slow_swing else 0.25) * line.swing_dots / total_dots)
    if timing.reference == "camera":
        parts.append(CAMERA_CLOCK_PERCENT)
    if timing.line == "lamp" and timing.flash_rate_source == "nominal" and nominal_flash_hz is not None:
        parts.append(mains_uncertainty_percent(nominal_flash_hz))
    if timing.flash_rate_source in ("measured", "given") and flash is not None:
        parts.append(100 * 2 * flash.uncertainty_hz / flash.rate_hz)
    return gap_percent + float(np.sqrt(np.sum(np.square(parts))))


def trend_uncertainty_percent_per_minute(figures: Figures, line: LineReading, time: TimeBase) -> float:
    """95 % half-width of the trend: its noise, and a slow bend of the phase that lamp or coding may leave."""
    bend_dots = SLOW_BEND_DOTS + 0.5 * line.swing_dots
    left = 8 * bend_dots / (line.dot_rate_hz * time.duration_s**2) * 100 * 60
    return float(np.hypot(figures.trend_uncertainty_percent_per_minute, left))


def exposure_loss(frequency_hz: float, time: TimeBase, timing: Timing, gap_percent: float) -> tuple[float, float]:
    """By what to multiply a wobble for averaging over the exposure, and the 95 % share of it that stays unsure.

    Dots frozen by a shutter need a short one. Dots frozen by the lamp leave it open, from one flash up to the whole
    frame: 0.4 of what a whole frame would swallow is put back, and 0.5 of it stays unsure. Where lamp or shutter may
    have frozen them, nothing is put back.
    """
    loss = 1 - float(np.sinc(frequency_hz * time.interval_s))
    if gap_percent > 0:
        return 1.0, loss
    return (1 / (1 - 0.4 * loss), 0.5 * loss) if timing.line == "lamp" else (1.0, 0.0)


def components_with_budget(
    figures: Figures, time: TimeBase, timing: Timing, gap_percent: float
) -> tuple[Component, ...]:
    """The components with what coding and exposure may swallow, and what an off-centre ring may add once a turn."""
    widened = []
    for one in figures.components:
        ring = RING_OFF_CENTRE_PERCENT if abs(one.per_revolution - 1) < _ONCE_A_TURN else 0.0
        factor, loss = exposure_loss(one.frequency_hz, time, timing, gap_percent)
        peak = factor * one.peak_percent
        total = float(np.hypot(np.hypot(one.uncertainty_percent, ring), np.hypot(SCALE_SHARE, loss) * peak))
        weighted = factor * one.weighted_percent
        widened.append(replace(one, peak_percent=peak, weighted_percent=weighted, uncertainty_percent=total))
    return tuple(sorted(widened, key=lambda c: c.peak_percent, reverse=True))


def fluctuation_with_budget(
    figures: Figures,
    time: TimeBase,
    timing: Timing,
    gap_percent: float,
    *,
    line: LineReading,
    shake_dots: NDArray[np.float64],
    dots: int,
) -> Fluctuation:
    """The fluctuation with what the exposure swallowed put back.

    In its bounds: an off-centre ring, shake, and a wobble that falls on the lamp's beat and went with it.

    Raises
    ------
    Refused
        ``shaken`` when what shake may have left hides the fluctuation.
    """
    fluctuation = figures.fluctuation
    turn_hz = figures.mean_rpm / 60
    once = next((c.peak_percent for c in figures.components if abs(c.per_revolution - 1) < _ONCE_A_TURN), 0.0)
    gain = float(weighting_gain(np.array([turn_hz]))[0])
    left = 0.0
    if np.any(shake_dots):
        moved = evaluate(
            time.time_s,
            (time.time_s - time.time_s[0]) * turn_hz + SHAKE_LEFT * (shake_dots - shake_dots[0]) / dots,
            nominal_rpm=figures.mean_rpm,
            angle_noise_rev=1e-9,
            frame_interval_s=time.interval_s,
        )
        left = moved.fluctuation.weighted_rms_percent
        hidden = max(left, fluctuation.weighted_floor_percent)
        if hidden > MOST_SHAKE_PERCENT:
            raise Refused(
                "shaken",
                f"The camera moved so much that {hidden:.1f} % of false wobble may be left in the reading.",
                "Put the phone on a stand or against something solid, and film again.",
            )

    power = np.array([c.weighted_percent**2 for c in figures.components])
    losses = np.array([exposure_loss(c.frequency_hz, time, timing, gap_percent) for c in figures.components])
    factor, loss = np.average(losses, axis=0, weights=power) if power.size else (1.0, 0.0)
    scale = float(np.hypot(SCALE_SHARE, loss))

    beat_hz = line.removed_hz[0] if line.hidden_dots > 0 else 1.0
    strongest = max((c.peak_percent for c in figures.components), default=0.0)
    hidden = min(
        100 * 2 * np.pi * beat_hz * line.hidden_dots / line.dot_rate_hz, max(strongest, _MOST_HIDDEN_PERCENT)
    ) * float(beat_hz < fluctuation.band_hz[1])
    beat_gain = float(weighting_gain(np.array([beat_hz]))[0])

    def widened(figure: str, ring: float, shake: float) -> float:
        value: float = factor * getattr(fluctuation, f"{figure}_percent")
        own: float = getattr(fluctuation, f"{figure}_uncertainty_percent")
        if figure.endswith("peak"):
            off_centre = _RANDOM_ANGLE * ring
        else:
            a = once * (1.0 if figure.startswith("unweighted") else gain)
            off_centre = np.sqrt(value**2 + _RANDOM_ANGLE * a * ring + ring**2 / 2) - value
        shaken = np.sqrt(value**2 + shake**2) - value + 0.3 * shake
        lost = (
            hidden * (beat_gain if figure.startswith("weighted") else 1.0) * (1.7 if figure.endswith("peak") else 1.0)
        )
        lost = _SHARE_HIDDEN * (np.sqrt(value**2 + lost**2 / 2) - value)
        return float(np.sqrt(own**2 + off_centre**2 + shaken**2 + lost**2 + (scale * value) ** 2))

    ring = RING_OFF_CENTRE_PERCENT
    return replace(
        fluctuation,
        weighted_peak_percent=float(factor * fluctuation.weighted_peak_percent),
        weighted_rms_percent=float(factor * fluctuation.weighted_rms_percent),
        unweighted_peak_percent=float(factor * fluctuation.unweighted_peak_percent),
        unweighted_rms_percent=float(factor * fluctuation.unweighted_rms_percent),
        weighted_peak_uncertainty_percent=widened("weighted_peak", ring * gain, 2 * left),
        weighted_rms_uncertainty_percent=widened("weighted_rms", ring * gain, left),
        unweighted_peak_uncertainty_percent=widened("unweighted_peak", ring, 3 * left),
        unweighted_rms_uncertainty_percent=widened("unweighted_rms", ring, 1.5 * left),
    )
