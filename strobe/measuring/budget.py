"""How sure the fluctuation and its lines are: what adds up to their stated 95 % half-widths."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.figures import evaluate
from strobe.figures.bands import Averaging
from strobe.figures.results import FIGURES, BandPart, Component, Figures, Fluctuation
from strobe.figures.weighting import weighting_gain
from strobe.measurement import BudgetEntry
from strobe.measuring.mixing import Mixing
from strobe.measuring.seldom import mistaken_squares
from strobe.measuring.unevenness import UnevenDots
from strobe.phase import LineReading, TimeBase, hann

__all__ = [
    "RING_OFF_CENTRE_PERCENT",
    "SCALE_SHARE",
    "beside_percent",
    "components_with_budget",
    "fluctuation_with_budget",
    "left_out_hz",
]

_Number = TypeVar("_Number", float, NDArray[np.float64])

RING_OFF_CENTRE_PERCENT = 0.05
"""What a ring 0.08 mm off centre on a rim of 155 mm radius adds once a turn (e / R), as a 95 % bound."""

SCALE_SHARE = 0.03
"""Share of a fluctuation that lossy coding may swallow (seen on rendered clips)."""

MOST_SHAKE_PERCENT = 0.3
"""Weighted rms in percent that shake may feign, or the floor hide, before the fluctuation is refused (by trial on
rendered clips)."""

_BESIDE_HZ = 0.5
"""The false line that shake leaves is as likely some tenths of a hertz beside the shake's own."""

_MOST_HIDDEN_PERCENT = 0.1
_LOUD, _LOUD_SHARE, _QUIET_SHARE = (0.001, 0.4), 1.4, 0.7
"""What was taken off with the lamp's beat though it stands as no lamp's swing does: up to about a thousandth of a dot,
or a third of the swing, noise and uneven light do that, and a wobble is thought possible as large as the largest other,
or so many percent; more than that is likely a wobble, with as much again where it can't be seen."""
_ONCE_A_TURN = 0.05
"""How near to once a turn, in multiples of it, a component counts as that; the next one lies a whole multiple away."""
_FEW_TURNS, _FEW_TURNS_SHARE = 2.0, 0.12
"""Below so many turns a wobble once a turn is hardly told from a bend: so much of the unweighted figures is unsure then
(simulated, one to two turns)."""
_RANDOM_ANGLE = 0.7
"""Mean size of a part whose angle to the rest is not known (root mean square of a cosine)."""
_PEAK_TO_RMS = 1.7
"""2-sigma peak over rms, between one sinusoid (1.41) and random flutter (1.96)."""
_UNSEEN_HZ = 4.0
"""Where one line that the coder swallowed whole may lie: at the weighting's top."""


def components_with_budget(
    figures: Figures,
    time: TimeBase,
    *,
    averaging: Averaging,
    left_dots: NDArray[np.float64],
    dots: int,
    off_centre_percent: float = RING_OFF_CENTRE_PERCENT,
    scale_share: float = SCALE_SHARE,
    uneven: UnevenDots | None = None,
    swallowed_dots: float = 0.0,
) -> tuple[Component, ...]:
    """The components with what coding and exposure may swallow, an off-centre ring adds once a turn, and shake left.

    `averaging` is what was put back on them, and may be off.
    `swallowed_dots` is how much smaller any wobble may read for dots that stand almost still on the picture.
    """
    widened = []
    window = hann(left_dots.size)
    for one in figures.components:
        ring = off_centre_percent if abs(one.per_revolution - 1) < _ONCE_A_TURN else 0.0
        ring = max(ring, uneven.swing_percent(one.per_revolution)) if uneven is not None else ring
        least, most = (float(end[0]) for end in averaging(np.array([one.frequency_hz])))
        loss = (most - least) / (most + least)
        peak = one.peak_percent
        beside_hz = one.frequency_hz + np.linspace(-_BESIDE_HZ, _BESIDE_HZ, 11)
        turn = np.exp(-2j * np.pi * np.outer(beside_hz, time.time_s))
        swing_dots = 2 * float(np.sqrt(np.mean(np.abs(turn @ (window * (left_dots - window @ left_dots))) ** 2)))
        shaken = 3 * _swing_percent(one.frequency_hz, swing_dots / (dots * figures.mean_rpm / 60))
        still = _swing_percent(one.frequency_hz, swallowed_dots / (dots * figures.mean_rpm / 60))
        parts = (one.uncertainty_percent, ring, np.hypot(scale_share, loss) * peak, shaken, still)
        total = float(np.linalg.norm(parts))
        widened.append(replace(one, uncertainty_percent=total))
    return tuple(sorted(widened, key=lambda c: c.peak_percent, reverse=True))


def fluctuation_with_budget(
    figures: Figures,
    time: TimeBase,
    *,
    line: LineReading,
    mixing: Mixing,
    left_dots: NDArray[np.float64],
    dots: int,
    off_centre_percent: float = RING_OFF_CENTRE_PERCENT,
    scale_share: float = SCALE_SHARE,
    uneven: UnevenDots | None = None,
    swallowed_dots: float = 0.0,
) -> tuple[Fluctuation, tuple[BudgetEntry, ...]]:
    """The fluctuation, and what adds to its half-widths.

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
        most = max(left, fluctuation.weighted_floor_percent)
        if most > MOST_SHAKE_PERCENT:
            raise Refused(
                "shaken",
                f"The camera moved so much that {most:.1f} % of false wobble may be left in the reading.",
                "Put the phone on a stand or against something solid, and film again.",
            )

    strongest = max((c.peak_percent for c in figures.components), default=0.0)
    beats_hz, beats_dots, in_phase = np.array(line.hidden, float).reshape(-1, 3).T
    hidden = _swing_percent(beats_hz, beats_dots / line.dot_rate_hz) * (beats_hz < fluctuation.band_hz[1])
    # In a hand any wave holds some of the shake, which has an entry of its own.
    loud = (beats_dots > _LOUD[0]) & (in_phase > _LOUD[1]) & ~np.any(left_dots)
    hidden = np.where(
        loud, _LOUD_SHARE * hidden, _QUIET_SHARE * np.minimum(hidden, max(strongest, _MOST_HIDDEN_PERCENT))
    )
    unweighted_hidden = float(np.linalg.norm(hidden))
    weighted_hidden = float(np.linalg.norm(hidden * weighting_gain(np.maximum(beats_hz, turn_hz))))

    beside_hz, beside = beside_percent(line)
    beside = beside * (beside_hz < fluctuation.band_hz[1])
    unweighted_beside = float(np.linalg.norm(beside))
    weighted_beside = float(np.linalg.norm(beside * weighting_gain(np.maximum(beside_hz, turn_hz))))

    swallowed_s = swallowed_dots / (dots * figures.mean_rpm / 60)
    unweighted_still = _swallowed_square(figures.components, swallowed_s, fluctuation.band_hz)
    weighted_still = _swallowed_square(figures.components, swallowed_s, fluctuation.band_hz, weighted=True)

    orders = np.arange(2.0, max(fluctuation.band_hz[1] / turn_hz, 2.0))
    peaks = np.array([_peak_at(figures.components, order) for order in orders])
    unweighted_uneven, weighted_uneven = (
        0.0 if uneven is None else uneven.mean_square(peaks, gains)
        for gains in (np.ones_like(orders), weighting_gain(orders * turn_hz))
    )

    mistaken, weighted_mistaken = (np.array(squares) for squares in mistaken_squares(figures, line, time))
    few_turns = figures.revolutions < _FEW_TURNS

    def parts(figure: str, ring: float, shake: float) -> tuple[BudgetEntry, ...]:
        weighted = figure.startswith("weighted")
        to_peak = _PEAK_TO_RMS if figure.endswith("peak") else 1.0
        value: float = getattr(fluctuation, f"{figure}_percent")
        rms: float = getattr(fluctuation, "weighted_rms_percent" if weighted else "unweighted_rms_percent")
        band = figures.bands[0 if weighted else 1]
        scale = np.hypot(scale_share, band.averaged_share)
        own: float = mixing.noise_factor * getattr(fluctuation, f"{figure}_uncertainty_percent")
        run: float = min(getattr(fluctuation, f"{figure}_run_percent") or 0.0, own)
        if figure.endswith("peak"):
            off_centre = _RANDOM_ANGLE * ring
        else:
            a = once * (gain if weighted else 1.0)
            off_centre = np.sqrt(value**2 + _RANDOM_ANGLE * a * ring + ring**2 / 2) - value
        shaken = _fall(value, shake**2) + 0.3 * shake
        lost = to_peak * (weighted_hidden if weighted else unweighted_hidden)
        # Which of two so near to each other is the lamp's is not known: it may be in the figure, or lack there.
        near = to_peak * (weighted_beside if weighted else unweighted_beside)
        still = to_peak * _growth(rms, weighted_still if weighted else unweighted_still)
        standing = to_peak**2 * (weighted_uneven if weighted else unweighted_uneven)
        # Noise that a coder makes is neither even over the frequencies nor different from part to part of a row.
        noisy = to_peak * band.noise_like_percent
        faster = weighted_mistaken if weighted else mistaken
        lacking, held = float(np.sum(np.maximum(faster, 0))), float(np.sum(np.maximum(-faster, 0)))
        sources = {
            "phase noise": np.hypot(np.sqrt(own**2 - run**2), noisy),
            "run length": run,
            "ring off centre": off_centre,
            "uneven dots": _fall(value, standing),
            "shake": shaken,
            "beat of the lamp": np.hypot(_growth(value, lost**2 / 2), _fall(value, near**2 / 2)),
            "coding and exposure": scale * value,
            "dots almost still": still,
            "seen seldom": to_peak * max(_growth(rms, lacking), _fall(rms, held)),
            "few turns": _FEW_TURNS_SHARE * value if few_turns and not weighted else 0.0,
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
        own = [entry.percent for entry in budget if entry.figure == figure]
        values[f"{figure}_uncertainty_percent"] = float(np.linalg.norm(own))
    complete = replace(
        fluctuation,
        **values,
        parts=tuple(
            _part_with_budget(
                part,
                float(np.hypot(scale_share, band.averaged_share)),
                ring=ring,
                left=left,
                swallowed=_swallowed_square(figures.components, swallowed_s, part.band_hz),
                beside=beside[(beside_hz >= part.band_hz[0]) & (beside_hz <= part.band_hz[1])],
            )
            for part, band in zip(fluctuation.parts, figures.bands[2:], strict=True)
        ),
        left_out_hz=left_out_hz(line, time, fluctuation.band_hz),
    )
    return complete.with_upper_limits().with_longer(time.duration_s), budget


def _peak_at(components: tuple[Component, ...], per_revolution: float) -> float:
    """Peak of what was read so many times a turn, in percent; 0 where there is nothing."""
    near = (one.peak_percent for one in components if abs(one.per_revolution - per_revolution) < _ONCE_A_TURN)
    return next(near, 0.0)


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


def beside_percent(line: LineReading) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where a line had waves taken off it (waves,), and the peak of the speed, in percent, of what lies beside each."""
    hz, dots = np.array(line.beside, float).reshape(-1, 2).T
    return hz, _swing_percent(hz, dots / line.dot_rate_hz)


def _swing_percent(frequency_hz: _Number, swing_s: _Number) -> _Number:
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
    """By how much a root mean square is too small that lacks so much of its square."""
    return float(np.sqrt(rms**2 + square)) - rms


def _fall(rms: float, square: float) -> float:
    """By how much a root mean square is too large that holds so much in its square; all of it at the most."""
    return rms - float(np.sqrt(max(rms**2 - square, 0.0)))


def _part_with_budget(
    part: BandPart,
    scale: float,
    *,
    ring: float,
    left: float,
    swallowed: float,
    beside: NDArray[np.float64],
) -> BandPart:
    """Wow or flutter with the same allowances; a ring off centre is wow."""
    own_ring = ring if part.name == "wow" else 0.0
    peak, rms = part.peak_percent, part.rms_percent
    still = _growth(rms, swallowed)
    mixed = _fall(rms, float(beside @ beside) / 2)
    peak_parts = (
        part.peak_uncertainty_percent,
        _RANDOM_ANGLE * own_ring,
        3 * left,
        scale * peak,
        _PEAK_TO_RMS * still,
        _PEAK_TO_RMS * mixed,
    )
    rms_parts = (
        part.rms_uncertainty_percent,
        _RANDOM_ANGLE * own_ring,
        1.5 * left,
        scale * rms,
        still,
        mixed,
    )
    return replace(
        part,
        peak_uncertainty_percent=float(np.linalg.norm(peak_parts)),
        rms_uncertainty_percent=float(np.linalg.norm(rms_parts)),
    )
