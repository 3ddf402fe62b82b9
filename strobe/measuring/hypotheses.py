"""Which speed, which ring, which line: weigh every reading of the clip that makes sense and keep the one it supports.

A row's phase is known only up to whole dots per frame, and a lamp may or may not take part. Each hypothesis (nominal
speed, number of dots, lamp-timed or camera-timed) turns the same phase into another speed. What tells them apart is,
in this order: the time of one turn from the dots' irregularities, the way the lamp's swing lies to the brightness,
the ratios of the pitches where there are several rows, and last that most machines run within a few per cent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.figures.rings import NOMINAL_RPM, bars_for, nearest_nominal_rpm
from strobe.measuring.budget import mains_uncertainty_percent
from strobe.pattern import RowSeries
from strobe.phase import (
    CoarseLine,
    FlashRate,
    LineReading,
    TimeBase,
    TurnSignature,
    combine_blocks,
    find_line,
    find_turns,
    read_line,
)

__all__ = ["Hypothesis", "Lamp", "RowEvidence", "check_coherence", "choose", "gather", "weigh"]

_SPAN = 0.13
CLEAR_SUPPORT = 6.5
"""Likeness after one turn, over its noise, from which a repeat counts as seen."""
_LEAST_DOTS = 4
_SLOW_SWING_CYCLES = 3.0
"""Below this many cycles in a clip the lamp's swing may be a slow wander and does not overrule the flicker's shape."""
_WORTH_FOLLOWING = 6.5
_FLASHES, _DEEP = (0.5, 0.2), 0.2
"""Second and third harmonic of flashes at the least, and flicker too deep for soft light behind a long shutter."""
_CLEAR_GAP = 2.0
_CLOSE_PERCENT = 0.6
_PLAUSIBLE_PERCENT = 2.5
_KNOWN_BARS = (77, 92, 133, 160, 180, 216, 360, 432)


@dataclass(frozen=True, eq=False)
class Lamp:
    """The lamp as far as it is known.

    Attributes
    ----------
    kind : str
        ``mains``, ``given`` (flash rate known exactly) or ``steady``.
    mains_hz : float or None
        Mains frequency, given or shown by the clip.
    rate_hz : float or None
        Best flash rate on the clock of the frame times; ``None`` for a steady lamp or unknown mains.
    nominal_hz : float or None
        The flash rate that it should have.
    source : str or None
        ``measured``, ``nominal``, ``given`` or ``None``.
    flash : FlashRate or None
        The flicker as measured.
    cycles : array of float64 (frames,) or None
        Lamp phase at the frame times.
    """

    kind: str
    mains_hz: float | None
    rate_hz: float | None
    nominal_hz: float | None
    source: str | None
    flash: FlashRate | None
    cycles: NDArray[np.float64] | None


@dataclass(frozen=True, eq=False)
class RowEvidence:
    """A row that moves, made ready for reading."""

    row: RowSeries
    amplitude: NDArray[np.complex128]
    turns: TurnSignature | None


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """One way to read the clip, with how well the clip supports it (differences of 2 are clear)."""

    evidence: RowEvidence
    lamp: Lamp
    nominal_rpm: float
    dots: int
    line: LineReading
    score: float
    turn_support: float

    @property
    def rpm(self) -> float:
        """Speed by this hypothesis."""
        return 60.0 * self.line.dot_rate_hz / self.dots

    @property
    def deviation_percent(self) -> float:
        """Deviation from the nominal speed by this hypothesis."""
        return 100.0 * (self.rpm / self.nominal_rpm - 1)

    @property
    def turns_seen(self) -> bool:
        """Whether the repeat of the dots' irregularities bears this hypothesis out."""
        turns = self.evidence.turns
        return turns is not None and turns.best()[1] > CLEAR_SUPPORT and self.turn_support > 0.6 * turns.best()[1]


def gather(rows: Sequence[RowSeries], time: TimeBase, flash: FlashRate | None) -> list[RowEvidence]:
    """Combine the parts of each row and look for its turns."""
    found = []
    cycles = None if flash is None else flash.phase_cycles(time.time_s)
    for row in rows:
        amplitude, _ = combine_blocks(row.blocks)
        turns = find_turns(row.blocks, amplitude, time.index, time.interval_s, cycles)
        found.append(RowEvidence(row, amplitude, turns))
    return found


def weigh(
    rows: Sequence[RowEvidence],
    time: TimeBase,
    lamps: Sequence[Lamp],
    *,
    rpm: float | None,
    dots: int | None,
) -> list[Hypothesis]:
    """Every hypothesis that makes sense, best first.

    Parameters
    ----------
    rows : sequence of RowEvidence
        Rows that move.
    time : TimeBase
        Times of the frames.
    lamps : sequence of Lamp
        What is known of the lamp; several where the mains could be either.
    rpm, dots
        What was given; ``None`` to let the clip decide among the usual speeds and rings.

    Returns
    -------
    list of Hypothesis
    """
    found: list[tuple[float, _Draft]] = []
    for evidence in rows:
        for lamp in lamps:
            mains = (lamp.mains_hz,) if lamp.mains_hz is not None else (50.0, 60.0)
            kinds = ("camera", "lamp") if lamp.cycles is not None else ("camera",)
            pairs = {
                (speed, count)
                for speed in ((rpm,) if rpm is not None else NOMINAL_RPM)
                for count in ((dots,) if dots is not None else tuple(bars_for(hz, speed) for hz in mains))
                if count >= _LEAST_DOTS
            }
            for speed, count in sorted(pairs):
                for kind in kinds:
                    coarse = find_line(
                        evidence.amplitude,
                        time.time_s,
                        interval_s=time.interval_s,
                        expected_hz=count * speed / 60,
                        span=_SPAN,
                        lamp_cycles=lamp.cycles if kind == "lamp" else None,
                    )
                    draft = _Draft(evidence, lamp, speed, count, kind, coarse)
                    found.append((_prior(draft, rows, time), draft))
    best = max((score for score, _ in found), default=0.0)
    worth = [_follow(draft, score, time) for score, draft in found if score > best - _WORTH_FOLLOWING]
    return sorted(worth, key=lambda h: h.score, reverse=True)


@dataclass(frozen=True, eq=False)
class _Draft:
    """A hypothesis before its line has been followed."""

    evidence: RowEvidence
    lamp: Lamp
    speed: float
    count: int
    kind: str
    coarse: CoarseLine

    @property
    def turn_support(self) -> float:
        """Likeness of the row to itself one turn later, over its noise; 0 where that is a multiple of the true turn."""
        turns = self.evidence.turns
        if turns is None:
            return 0.0
        period = self.count / self.coarse.rate_hz
        support = turns.support(period)
        return 0.0 if any(turns.support(period / k) > 0.7 * support for k in (2, 3)) else support


def _prior(draft: _Draft, rows: Sequence[RowEvidence], time: TimeBase) -> float:
    """How well a hypothesis stands before the lamp's swing is looked at."""
    evidence, lamp = draft.evidence, draft.lamp
    deviation = 100 * (60 * draft.coarse.rate_hz / draft.count / draft.speed - 1)
    score = -0.5 * min((deviation / _PLAUSIBLE_PERCENT) ** 2, 12.0)
    score += 2.0 * min(0.0, draft.coarse.coherence - 0.6) / 0.2
    if draft.kind == "lamp" and lamp.flash is None:
        score -= 3.0 if _would_show(lamp, time) else 0.5
    if evidence.turns is not None:
        _, best = evidence.turns.best()
        if best > CLEAR_SUPPORT:
            score += 10.0 * float(np.clip((draft.turn_support / best - 0.5) / 0.4, 0, 1)) - 5.0
    if len(rows) > 1:
        score += 3.0 * _fitting_rows(evidence, rows, draft.count)
        score += 0.2 * float(np.log(evidence.row.amplitude / max(r.row.amplitude for r in rows)))
    return score


def _follow(draft: _Draft, prior: float, time: TimeBase) -> Hypothesis:
    """The hypothesis with its line followed, and the vote of the lamp's swing."""
    lamp = draft.lamp
    line = read_line(
        draft.evidence.amplitude,
        time.time_s,
        interval_s=time.interval_s,
        kind=draft.kind,
        coarse=draft.coarse,
        lamp_cycles=lamp.cycles,
        flash=lamp.flash,
        height=draft.evidence.row.height,
    )
    vote = line.vote
    if lamp.flash is not None:
        by_shape = _vote_of_flicker(lamp.flash) * (1 if draft.kind == "camera" else -1)
        contested = line.swing_cycles < _SLOW_SWING_CYCLES and vote * by_shape < 0
        vote = by_shape if vote == 0 or contested else vote
    score = prior + 2.0 * vote
    return Hypothesis(draft.evidence, lamp, draft.speed, draft.count, line, score, draft.turn_support)


def _vote_of_flicker(flash: FlashRate) -> float:
    """What the flicker's shape alone says for the camera-timed line (+) or the lamp-timed one (-).

    Light that comes and goes softly times the dots only behind a shutter so long that little flicker is left in the
    brightness; flashes, with strong harmonics, mostly do.
    """
    if flash.second > _FLASHES[0] or flash.third > _FLASHES[1]:
        return -0.45
    if not flash.soft:
        return 0.0
    return 1.0 if flash.modulation > _DEEP else 0.4


def _would_show(lamp: Lamp, time: TimeBase) -> bool:
    """Whether flashes at the nominal rate would make the brightness beat visibly at this frame rate."""
    assert lamp.nominal_hz is not None
    cycles = lamp.nominal_hz * time.interval_s
    return abs(cycles - np.rint(cycles)) / time.interval_s > 1.0


def _fitting_rows(evidence: RowEvidence, rows: Sequence[RowEvidence], count: int) -> float:
    """Share of the other rows whose pitch makes them one of the usual rings if this row has `count` dots."""
    others = [r for r in rows if r is not evidence]
    implied = [count * evidence.row.pitch_px / r.row.pitch_px for r in others]
    fits = [min(abs(value / bars - 1) for bars in _KNOWN_BARS) < 0.015 for value in implied]
    return sum(fits) / len(fits)


def choose(ranked: list[Hypothesis], nominal: float | None) -> tuple[Hypothesis, float]:
    """The hypothesis to report, and the gap (percent) to a rival of the same row that the clip can't rule out.

    Raises
    ------
    Refused
        ``ambiguous`` when two hypotheses that differ are both supported, or the clip contradicts what was given;
        ``no-pattern`` when there is none.
    """
    if not ranked:
        raise Refused("no-pattern", "No row of dots could be followed.", "Film the rim closer and in focus.")
    best = ranked[0]
    if nominal is None and not best.turns_seen:
        ranked = [h for h in ranked if h.nominal_rpm == NOMINAL_RPM[1]]
        best = ranked[0]
    _refuse_contradiction(best)
    gap = 0.0
    for rival in ranked[1:]:
        if best.score - rival.score > _CLEAR_GAP:
            break
        apart = 100 * abs(rival.rpm / best.rpm - 1)
        if rival.evidence is not best.evidence and apart < 0.1:
            continue
        if rival.evidence is best.evidence and rival.dots == best.dots and apart < _CLOSE_PERCENT:
            unknown = 0.0
            if rival.line.kind == "lamp" and rival.lamp.source == "nominal" and rival.lamp.nominal_hz is not None:
                unknown = mains_uncertainty_percent(rival.lamp.nominal_hz)
            gap = max(gap, float(np.hypot(apart, unknown)))
            continue
        raise Refused(
            "ambiguous",
            f"The clip can be read in two ways: {best.rpm:.3f} rpm ({best.dots} dots, {best.line.kind}-timed) or "
            f"{rival.rpm:.3f} rpm ({rival.dots} dots, {rival.line.kind}-timed).",
            "Say what is known with --rpm, --dots, --mains and --lamp, or film again at another frame rate.",
        )
    return best, gap


def _refuse_contradiction(best: Hypothesis) -> None:
    """Refuse when the dots come round again after another time than the hypothesis says."""
    turns = best.evidence.turns
    if turns is None:
        return
    period, support = turns.best()
    if support < 1.3 * CLEAR_SUPPORT or best.turn_support > 0.5 * support:
        return
    seen = 60 / period
    near = nearest_nominal_rpm(seen)
    raise Refused(
        "ambiguous",
        f"One turn takes {period:.2f} s here, so the platter turns at about {seen:.1f} rpm, which does not go with "
        f"{best.nominal_rpm:.4g} rpm and {best.dots} dots.",
        f"Measure again with --rpm {near:.4g} and, if the ring is an unusual one, --dots with the count of its dots.",
    )


def check_coherence(chosen: Hypothesis) -> None:
    """Refuse dots that can't be followed, or a speed at the edge of what the frame rate can tell."""
    if chosen.line.coherence < 0.35 or chosen.line.noise_dots > 0.08:
        raise Refused(
            "no-contrast",
            "Dots are seen, but they can't be followed from frame to frame "
            f"(noise {chosen.line.noise_dots:.2f} of a gap).",
            "More light and a shorter shutter, or only the strobe lamp; hold the camera on a stand.",
        )
    if abs(chosen.deviation_percent) > 12.5:
        raise Refused(
            "ambiguous",
            f"Read as {chosen.dots} dots at {chosen.nominal_rpm:.4g} rpm the speed would be "
            f"{chosen.deviation_percent:+.1f} %, at the edge of what this frame rate can tell from its alias.",
            "Check --rpm, --dots and --mains, or film at a higher frame rate.",
        )
