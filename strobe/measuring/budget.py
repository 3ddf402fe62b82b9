"""How sure the figures are: what adds up to the stated 95 % half-widths."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.figures import evaluate
from strobe.figures.results import FIGURES, BandPart, Component, Figures, Fluctuation
from strobe.figures.weighting import weighting_gain
from strobe.measurement import BudgetEntry, Timing
from strobe.measuring.clock import CameraClock
from strobe.measuring.mixing import Mixing
from strobe.measuring.unevenness import false_mean_square, false_swing_percent
from strobe.phase import FlashRate, LineReading, TimeBase, hann

__all__ = [
    "RING_OFF_CENTRE_PERCENT",
    "SCALE_SHARE",
    "components_with_budget",
    "end_to_end_deviation_percent",
    "fluctuation_with_budget",
    "left_out_hz",
    "mains_uncertainty_percent",
    "speed_budget",
    "speed_uncertainty_percent",
    "trend_uncertainty_percent_per_minute",
]

RING_OFF_CENTRE_PERCENT = 0.05
"""What a ring 0.08 mm off centre on a rim of 155 mm radius adds once a turn (e / R), as a 95 % bound."""

SCALE_SHARE = 0.03
"""Share of a fluctuation that lossy coding may swallow (seen on rendered clips)."""

MOST_SHAKE_PERCENT = 0.3
"""Weighted rms in percent that shake may feign, or the floor hide, before the fluctuation is refused (by trial on
rendered clips)."""

_BESIDE_HZ = 0.5
"""The false line that shake leaves is as likely some tenths of a hertz beside the shake's own."""

SLOW_BEND_DOTS = 0.003
"""How far the phase may bend over a clip without anything having moved (seen on rendered clips)."""

_MOST_HIDDEN_PERCENT = 0.1
_LOUD, _LOUD_SHARE, _QUIET_SHARE = (0.001, 0.4), 1.4, 0.7
"""What was taken off with the lamp's beat though it stands as no lamp's swing does: up to about a thousandth of a dot,
or a third of the swing, noise and uneven light do that, and a wobble is thought possible as large as the largest other,
or so many percent; more than that is likely a wobble, with as much again where it can't be seen."""
_SWING_SHARES = ((1.0, 2.4), (2.0, 1.5), (np.inf, 0.25))
"""Share of the lamp's swing that may pass for speed, by the cycles it makes in the clip: not taken off at all and
leaning on the slope, hard to tell from a trend, told well."""
_ONCE_A_TURN = 0.05
"""How near to once a turn, in multiples of it, a component counts as that; the next one lies a whole multiple away."""
_FEW_TURNS, _FEW_TURNS_SHARE = 2.0, 0.12
"""Below so many turns a wobble once a turn is hardly told from a bend: so much of the unweighted figures is unsure then
(simulated, one to two turns)."""
_LINES_COINCIDE, _SPEED_ASSUMED = "lines coincide", "speed assumed"
"""Sources with two answers and nothing between: they add as they are."""
_RANDOM_ANGLE = 0.7
"""Mean size of a part whose angle to the rest is not known (root mean square of a cosine)."""
_PEAK_TO_RMS = 1.7
"""2-sigma peak over rms, between one sinusoid (1.41) and random flutter (1.96)."""
_NEAR_FLOOR = 0.5
"""Floor over figure from where all that no line explains may be noise (0.3 to 0.6 where it was, on rendered clips)."""
_UNSEEN_HZ = 4.0
"""Where one line that the coder swallowed whole may lie: at the weighting's top."""


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


def speed_budget(
    figures: Figures,
    line: LineReading,
    time: TimeBase,
    flash: FlashRate | None,
    timing: Timing,
    nominal_flash_hz: float | None,
    gap_percent: float,
    clock: CameraClock,
    left_dots: NDArray[np.float64],
    unsettled_hz: float,
    assumed_speed_percent: float,
) -> tuple[BudgetEntry, ...]:
    """What adds to the 95 % half-width of the mean deviation: run length and noise, clock, lamp, line.

    What the choice of the stretch does to the mean, whole turns or the whole clip, counts as run length.
    """
    total_dots = line.dot_rate_hz * time.duration_s
    swing_share = next(share for cycles, share in _SWING_SHARES if line.swing_cycles < cycles)
    parts = {
        "phase noise": figures.deviation_uncertainty_percent,
        "time stamps": 100 * 2 * time.interval_uncertainty,
        "run length": abs(end_to_end_deviation_percent(figures) - figures.deviation_percent),
        "shake": 100 * 2 * abs(float(left_dots[-1] - left_dots[0])) / total_dots,
        "settling": 100 * unsettled_hz / line.dot_rate_hz,
        "swing of the lamp": 100 * swing_share * line.swing_dots / total_dots,
    }
    if timing.reference == "camera":
        parts["time base"] = clock.uncertainty_percent
    if timing.line == "lamp" and timing.flash_rate_source == "nominal" and nominal_flash_hz is not None:
        parts["mains"] = mains_uncertainty_percent(nominal_flash_hz)
    if timing.flash_rate_source in ("measured", "given") and flash is not None:
        parts["flash rate"] = 100 * 2 * flash.uncertainty_hz / flash.rate_hz
    parts[_LINES_COINCIDE], parts[_SPEED_ASSUMED] = gap_percent, assumed_speed_percent
    return tuple(BudgetEntry("deviation", source, float(part)) for source, part in parts.items() if part > 0)


def speed_uncertainty_percent(budget: tuple[BudgetEntry, ...]) -> float:
    """95 % half-width of the mean deviation from its budget."""
    either = [entry.percent for entry in budget if entry.source in (_LINES_COINCIDE, _SPEED_ASSUMED)]
    square = sum(entry.percent**2 for entry in budget) - sum(percent**2 for percent in either)
    return float(np.sqrt(max(square, 0.0))) + sum(either)


def trend_uncertainty_percent_per_minute(figures: Figures, line: LineReading, time: TimeBase) -> float:
    """95 % half-width of the trend: its noise, and a slow bend of the phase that lamp or coding may leave."""
    bend_dots = SLOW_BEND_DOTS + 0.5 * line.swing_dots
    left = 8 * bend_dots / (line.dot_rate_hz * time.duration_s**2) * 100 * 60
    return float(np.hypot(figures.trend_uncertainty_percent_per_minute, left))


def averaging_loss(
    frequency_hz: float, time: TimeBase, timing: Timing, gap_percent: float, mixing: Mixing
) -> tuple[float, float]:
    """By what to multiply a wobble for averaging over exposure and pictures; the 95 % share of it that stays unsure."""
    exposed, unsure = _exposure_loss(frequency_hz, time, timing, gap_percent)
    mixed, how_much = mixing.loss(frequency_hz * time.interval_s)
    # That neither took anything away is likely, and lies at the end of both.
    return exposed * mixed, unsure + how_much


def _exposure_loss(frequency_hz: float, time: TimeBase, timing: Timing, gap_percent: float) -> tuple[float, float]:
    """The part of it that the exposure has.

    Dots frozen by a shutter need a short one. Dots frozen by the lamp leave it open, from one flash up to the whole
    frame: 0.4 of what a whole frame would swallow is put back, and 0.5 of it stays unsure. Where lamp or shutter may
    have frozen them, nothing is put back.
    """
    loss = 1 - float(np.sinc(frequency_hz * time.interval_s))
    if gap_percent > 0:
        return 1.0, loss
    return (1 / (1 - 0.4 * loss), 0.5 * loss) if timing.line == "lamp" else (1.0, 0.0)


def components_with_budget(
    figures: Figures,
    time: TimeBase,
    timing: Timing,
    gap_percent: float,
    *,
    mixing: Mixing,
    left_dots: NDArray[np.float64],
    dots: int,
    off_centre_percent: float = RING_OFF_CENTRE_PERCENT,
    scale_share: float = SCALE_SHARE,
    uneven: float = 0.0,
    swallowed_dots: float = 0.0,
) -> tuple[Component, ...]:
    """The components with what coding and exposure may swallow, an off-centre ring adds once a turn, and shake left.

    `swallowed_dots` is how much smaller any wobble may read for dots that stand almost still on the picture.
    """
    widened = []
    window = hann(left_dots.size)
    for one in figures.components:
        ring = off_centre_percent if abs(one.per_revolution - 1) < _ONCE_A_TURN else 0.0
        ring = max(ring, false_swing_percent(uneven, per_revolution=one.per_revolution, dots=dots))
        factor, loss = averaging_loss(one.frequency_hz, time, timing, gap_percent, mixing)
        peak = factor * one.peak_percent
        beside_hz = one.frequency_hz + np.linspace(-_BESIDE_HZ, _BESIDE_HZ, 11)
        turn = np.exp(-2j * np.pi * np.outer(beside_hz, time.time_s))
        swing_dots = 2 * float(np.sqrt(np.mean(np.abs(turn @ (window * (left_dots - window @ left_dots))) ** 2)))
        shaken = 3 * 100 * 2 * np.pi * one.frequency_hz * swing_dots / (dots * figures.mean_rpm / 60)
        still = _swing_percent(one.frequency_hz, swallowed_dots / (dots * figures.mean_rpm / 60))
        parts = (one.uncertainty_percent, ring, np.hypot(scale_share, loss) * peak, shaken, still)
        total = float(np.linalg.norm(parts))
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
    mixing: Mixing,
    left_dots: NDArray[np.float64],
    dots: int,
    off_centre_percent: float = RING_OFF_CENTRE_PERCENT,
    scale_share: float = SCALE_SHARE,
    uneven: float = 0.0,
    dots_in_view: float = 0.0,
    swallowed_dots: float = 0.0,
) -> tuple[Fluctuation, tuple[BudgetEntry, ...]]:
    """The fluctuation with what the exposure swallowed put back, and what adds to its half-widths.

    In its bounds: an off-centre ring, uneven dots, shake, a wobble that falls on the lamp's beat and went with it, and
    what the coder swallowed of dots that stand almost still.

    Raises
    ------
    Refused
        ``shaken`` when what shake may have left hides the fluctuation.
    """
    fluctuation = figures.fluctuation
    turn_hz = figures.mean_rpm / 60
    once = _peak_at(figures.components, 1.0)
    gain = float(weighting_gain(np.array([turn_hz]))[0])
    left = 0.0
    if np.any(left_dots):
        moved = evaluate(
            time.time_s,
            (time.time_s - time.time_s[0]) * turn_hz + (left_dots - left_dots[0]) / dots,
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
    losses = np.array([averaging_loss(c.frequency_hz, time, timing, gap_percent, mixing) for c in figures.components])
    factor, loss = 1.0, 0.0
    if power.size:
        factor = float(np.average(losses[:, 0], weights=power))
        # A share of each line as it is put back, and so of their sum.
        loss = float(np.average(losses[:, 0] * losses[:, 1], weights=power)) / factor
    scale = float(np.hypot(scale_share, loss))

    strongest = max((c.peak_percent for c in figures.components), default=0.0)
    beats_hz, beats_dots, in_phase = np.array(line.hidden, float).reshape(-1, 3).T
    hidden = 100 * 2 * np.pi * beats_hz * beats_dots / line.dot_rate_hz * (beats_hz < fluctuation.band_hz[1])
    # In a hand any wave holds some of the shake, which has an entry of its own.
    loud = (beats_dots > _LOUD[0]) & (in_phase > _LOUD[1]) & ~np.any(left_dots)
    hidden = np.where(
        loud, _LOUD_SHARE * hidden, _QUIET_SHARE * np.minimum(hidden, max(strongest, _MOST_HIDDEN_PERCENT))
    )
    unweighted_hidden = float(np.linalg.norm(hidden))
    weighted_hidden = float(np.linalg.norm(hidden * weighting_gain(np.maximum(beats_hz, turn_hz))))

    near_hz, near_dots = np.array(line.beside, float).reshape(-1, 2).T
    near = 100 * 2 * np.pi * near_hz * near_dots / line.dot_rate_hz * (near_hz < fluctuation.band_hz[1])
    unweighted_near = float(np.linalg.norm(near))
    weighted_near = float(np.linalg.norm(near * weighting_gain(np.maximum(near_hz, turn_hz))))

    swallowed_s = swallowed_dots / (dots * figures.mean_rpm / 60)
    unweighted_still = _swallowed_square(figures.components, swallowed_s, fluctuation.band_hz)
    weighted_still = _swallowed_square(figures.components, swallowed_s, fluctuation.band_hz, weighted=True)

    orders = np.arange(2.0, max(fluctuation.band_hz[1] / turn_hz, 2.0))
    peaks = np.array([_peak_at(figures.components, order) for order in orders])
    unweighted_uneven, weighted_uneven = (
        false_mean_square(uneven, peaks, gains, dots=dots, dots_in_view=dots_in_view)
        for gains in (np.ones_like(orders), weighting_gain(orders * turn_hz))
    )

    few_turns = figures.revolutions < _FEW_TURNS

    def parts(figure: str, ring: float, shake: float) -> tuple[BudgetEntry, ...]:
        value: float = factor * getattr(fluctuation, f"{figure}_percent")
        own: float = mixing.noise_factor * getattr(fluctuation, f"{figure}_uncertainty_percent")
        run: float = min(getattr(fluctuation, f"{figure}_run_percent") or 0.0, own)
        if figure.endswith("peak"):
            off_centre = _RANDOM_ANGLE * ring
        else:
            a = once * (1.0 if figure.startswith("unweighted") else gain)
            off_centre = np.sqrt(value**2 + _RANDOM_ANGLE * a * ring + ring**2 / 2) - value
        shaken = value - np.sqrt(max(value**2 - shake**2, 0.0)) + 0.3 * shake
        lost = weighted_hidden if figure.startswith("weighted") else unweighted_hidden
        lost *= _PEAK_TO_RMS if figure.endswith("peak") else 1.0
        lost = np.sqrt(value**2 + lost**2 / 2) - value
        # Which of two so near to each other is the lamp's is not known: it may be in the figure, or lack there.
        near = weighted_near if figure.startswith("weighted") else unweighted_near
        near *= _PEAK_TO_RMS if figure.endswith("peak") else 1.0
        near = value - np.sqrt(max(value**2 - near**2 / 2, 0.0))
        if figure.startswith("weighted"):
            still = _growth(factor * fluctuation.weighted_rms_percent, weighted_still)
        else:
            still = _growth(factor * fluctuation.unweighted_rms_percent, unweighted_still)
        still *= _PEAK_TO_RMS if figure.endswith("peak") else 1.0
        standing = weighted_uneven if figure.startswith("weighted") else unweighted_uneven
        standing *= _PEAK_TO_RMS**2 if figure.endswith("peak") else 1.0
        standing = value - np.sqrt(max(value**2 - standing, 0.0))
        noisy = _PEAK_TO_RMS if figure.endswith("peak") else 1.0
        noisy *= _noise_like_percent(figures, weighted=figure.startswith("weighted"))
        sources = {
            "phase noise": np.hypot(np.sqrt(own**2 - run**2), noisy),
            "run length": run,
            "ring off centre": off_centre,
            "uneven dots": standing,
            "shake": shaken,
            "beat of the lamp": np.hypot(lost, near),
            "coding and exposure": scale * value,
            "dots almost still": still,
            "few turns": _FEW_TURNS_SHARE * value if few_turns and figure.startswith("unweighted") else 0.0,
        }
        return tuple(BudgetEntry(figure, source, float(part)) for source, part in sources.items() if part > 0)

    ring = off_centre_percent
    budget = (
        *parts("weighted_peak", ring * gain, 2 * left),
        *parts("weighted_rms", ring * gain, left),
        *parts("unweighted_peak", ring, 3 * left),
        *parts("unweighted_rms", ring, 1.5 * left),
    )
    values: dict[str, Any] = {}
    for figure in FIGURES:
        values[f"{figure}_percent"] = float(factor * getattr(fluctuation, f"{figure}_percent"))
        own = [entry.percent for entry in budget if entry.figure == figure]
        values[f"{figure}_uncertainty_percent"] = float(np.linalg.norm(own))
    complete = replace(
        fluctuation,
        **values,
        parts=tuple(
            _part_with_budget(
                part,
                factor,
                scale,
                ring=ring,
                left=left,
                swallowed=_swallowed_square(figures.components, swallowed_s, part.band_hz),
                near=float(np.linalg.norm(near[(near_hz >= part.band_hz[0]) & (near_hz <= part.band_hz[1])])),
            )
            for part in fluctuation.parts
        ),
        left_out_hz=left_out_hz(line, time, fluctuation.band_hz),
    )
    return complete.with_upper_limits().with_longer(time.duration_s), budget


def _peak_at(components: tuple[Component, ...], per_revolution: float) -> float:
    """Peak of what was read so many times a turn, in percent; 0 where there is nothing."""
    near = (one.peak_percent for one in components if abs(one.per_revolution - per_revolution) < _ONCE_A_TURN)
    return next(near, 0.0)


def _noise_like_percent(figures: Figures, *, weighted: bool) -> float:
    """How much of an rms may be noise that was not known as such: what no line explains, as the floor comes near it.

    Noise that a coder makes is neither even over the frequencies nor different from part to part of a row.
    """
    if weighted:
        value, floor = figures.fluctuation.weighted_rms_percent, figures.fluctuation.weighted_floor_percent
        lines = [one.weighted_percent for one in figures.components]
    else:
        value, floor = figures.fluctuation.unweighted_rms_percent, figures.fluctuation.unweighted_floor_percent
        lines = [one.peak_percent for one in figures.components]
    unexplained = float(np.sqrt(max(value**2 - float(np.sum(np.square(lines))) / 2, 0.0)))
    near = min(floor / (_NEAR_FLOOR * value), 1.0) if value > 0 else 0.0
    return unexplained * near**2


def left_out_hz(line: LineReading, time: TimeBase, band_hz: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Where in the band something that follows the lamp or the pattern was taken off, with what lies near it."""
    reach = 1.0 / time.duration_s
    found: list[tuple[float, float]] = []
    for one in sorted(line.removed_hz):
        low, high = max(one - reach, 0.0), one + reach
        if high < band_hz[0] or low > band_hz[1]:
            continue
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], high)
        else:
            found.append((low, high))
    return tuple(found)


def _swing_percent(frequency_hz: float, swing_s: float) -> float:
    """Peak of the speed, in percent, of a swing that runs so many seconds before and behind."""
    return 100 * 2 * np.pi * frequency_hz * swing_s


def _swallowed_square(
    components: tuple[Component, ...], swallowed_s: float, band_hz: tuple[float, float], *, weighted: bool = False
) -> float:
    """By how much a mean square may be too small: each line by what the coder swallowed, and one line not seen."""
    unseen_hz = float(np.clip(_UNSEEN_HZ, *band_hz))
    square = _swing_percent(unseen_hz, swallowed_s) ** 2 / 2
    for one in components:
        if band_hz[0] <= one.frequency_hz <= band_hz[1]:
            lost = _swing_percent(one.frequency_hz, swallowed_s)
            gain = one.weighted_percent / one.peak_percent if weighted else 1.0
            square += gain**2 * (one.peak_percent * lost + lost**2 / 2)
    return float(square)


def _growth(rms: float, square: float) -> float:
    return float(np.sqrt(rms**2 + square)) - rms


def _part_with_budget(
    part: BandPart, factor: float, scale: float, *, ring: float, left: float, swallowed: float, near: float
) -> BandPart:
    """Wow or flutter with the same allowances; a ring off centre is wow."""
    own_ring = ring if part.name == "wow" else 0.0
    peak, rms = factor * part.peak_percent, factor * part.rms_percent
    still = _growth(rms, swallowed)
    mixed = rms - float(np.sqrt(max(rms**2 - near**2 / 2, 0.0)))
    peak_parts = (
        part.peak_uncertainty_percent,
        _RANDOM_ANGLE * own_ring,
        3 * left,
        scale * peak,
        _PEAK_TO_RMS * still,
        _PEAK_TO_RMS * mixed,
    )
    rms_parts = (part.rms_uncertainty_percent, _RANDOM_ANGLE * own_ring, 1.5 * left, scale * rms, still, mixed)
    return replace(
        part,
        peak_percent=float(peak),
        rms_percent=float(rms),
        peak_uncertainty_percent=float(np.linalg.norm(peak_parts)),
        rms_uncertainty_percent=float(np.linalg.norm(rms_parts)),
    )
