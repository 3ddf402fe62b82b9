"""Which speed, which ring, which line: weigh every reading of the clip that makes sense and keep the one it supports.

A row's phase is known only up to whole dots per frame, and a lamp may or may not take part. Each hypothesis (nominal
speed, number of dots, lamp-timed or camera-timed) turns the same phase into another speed. What tells them apart is,
in this order: the time of one turn from the dots' irregularities, the way the lamp's swing lies to the brightness,
how several rows of one rim turn together, and last that most machines run within a few per cent.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.figures.rings import NOMINAL_RPM, bars_for
from strobe.measuring.evidence import RowEvidence
from strobe.measuring.lamps import Lamp
from strobe.measuring.rows import CLEAR_SUPPORT, CLEAR_SUPPORT_OF_FEW_LIT, SAME_TURN, Draft, drafts_of
from strobe.pattern import RowSeries
from strobe.phase import LINE_ORDERS, CoarseLine, FlashRate, LineReading, TimeBase, read_line, whole_turns

__all__ = [
    "SLOW_SWING_CYCLES",
    "Hypothesis",
    "favour_mains",
    "weigh",
]

_WHOLE_SWING = 1.0
"""Cycles of the swing in a clip below which it can't be told from a wander at all."""
SLOW_SWING_CYCLES = 3.0
"""Below this many cycles in a clip the lamp's swing may be a slow wander and does not overrule the flicker's shape."""
_WORTH_FOLLOWING, _MOST_FOLLOWED = 6.5, 10
"""Score below the best from which a draft is not followed: votes may move two by 4 against each other, and 2 more would
be clear. And how many are followed at the most, which bounds the work (by trial)."""
_FLASHES, _RECTIFIED, _PURE_WAVE = (0.5, 0.2), (0.1, 0.03), (0.06, 0.018)
"""Second and third harmonic of flashes and of rectified light at the least, and of a filament's wave at the most."""
_SHAPELESS, _SHALLOW, _DEEP = 0.02, 0.1, 0.2
"""Modulation, as a camera's curve flattens it: too faint to have a shape; that of a half-sine (with 1 + 2/3 cos as
its first harmonic) behind a shutter that leaves lamp and camera equally strong; too deep for soft light behind one."""
_ASTRAY = 0.02
"""How far, relatively, the mean rate of a line that was followed may be from where it was found (by trial)."""
_SAME_TURNS, _MOST_TURNS = 5.0, 3
"""Errors of a turn's time within which it is the one that the dots make, and so many turns that may pass for one: the
next count to 216 makes one longer by eight of those errors."""
_ALIKE, _NO_LINE = 0.2, 6.0
"""By how much true lines of one row differ in coherence (below 0.1 in all scenarios), and what a much looser one costs:
clearly more than the gap that two readings must have."""
_VOTE = {False: 2.0, True: 1.0}
"""What the lamp's swing against the brightness is worth, by whether the camera moves: what moves past flickers too."""
_USUAL_MAINS = 6.0
"""Score for the mains of the region: more than readings that can't be told apart differ, less than a clear sign."""


@dataclass(frozen=True, eq=False)
class Hypothesis:
    """One way to read the clip.

    Attributes
    ----------
    evidence : RowEvidence
        The row that is read.
    lamp : Lamp
    nominal_rpm : float
        The speed that it is held against.
    dots : int
        Of the row, in one turn.
    line : LineReading
        The row's line, followed.
    score : float
        How well the clip supports it; differences of 2 are clear.
    turn_support : float
        Likeness of the row to itself one turn later, over its noise.
    counts : tuple of int
        Dots of all rows by this reading, 0 where a row does not fit.
    line_score : float
        The part of `score` that tells lamp from camera, whatever speed and count are.
    """

    evidence: RowEvidence
    lamp: Lamp
    nominal_rpm: float
    dots: int
    line: LineReading
    score: float
    turn_support: float
    counts: tuple[int, ...]
    line_score: float = 0.0

    @property
    def rpm(self) -> float:
        """Speed by this hypothesis."""
        return 60.0 * self.line.dot_rate_hz / self.dots

    @property
    def deviation_percent(self) -> float:
        """Deviation from the nominal speed by this hypothesis."""
        return 100.0 * (self.rpm / self.nominal_rpm - 1)

    def read_again(self, amplitude: NDArray[np.complex128], time: TimeBase, lamp: Lamp) -> LineReading:
        """Its line followed once more: in an amplitude (frames,), or at times, that are better known by now."""
        coarse = CoarseLine(self.line.dot_rate_hz, self.line.coherence)
        return _read(self.evidence.row, amplitude, time, lamp, self.line.followed, coarse)

    @property
    def rows_agree(self) -> bool:
        """Whether rows of other counts turn together with this one; where few frames are lit, most counts seem to."""
        return self.evidence.lit_share == 1 and len({count for count in self.counts if count}) > 1

    @property
    def borne_out(self) -> bool:
        """Whether more than the dots of one row tells the turns: their repeat, or rows of other counts."""
        return self.turns_seen or self.rows_agree

    @property
    def turns_seen(self) -> bool:
        """Whether the repeat of the dots' irregularities bears this hypothesis out."""
        turns = self.evidence.turns
        clear = CLEAR_SUPPORT if self.evidence.lit_share == 1 else CLEAR_SUPPORT_OF_FEW_LIT
        return turns is not None and turns.best()[1] > clear and self.turn_support > 0.6 * turns.best()[1]

    @property
    def turns_agree(self) -> bool:
        """Whether they are seen, and repeat best after the very time that this hypothesis gives a turn."""
        turns = self.evidence.turns
        if turns is None or not self.turns_seen:
            return False
        turned = turns.turn_s * self.line.dot_rate_hz / self.dots
        return whole_turns(turned, most=_MOST_TURNS, within=_SAME_TURNS * SAME_TURN) is not None


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
    drafts = [draft for lamp in lamps for draft in drafts_of(rows, time, lamp, rpm=rpm, dots=dots)]
    drafts.sort(key=lambda draft: draft.score, reverse=True)
    near = [draft for draft in drafts if draft.score > drafts[0].score - _WORTH_FOLLOWING]
    worth = near[:_MOST_FOLLOWED]
    speeds = {near[0].speed_rpm, NOMINAL_RPM[1]} if near else set()
    for lamp, speed_rpm in itertools.product(lamps, speeds):
        # The usual ring under each mains that may be it, at the likeliest speed and the usual one, whatever is before.
        bars = None if lamp.mains_hz is None else bars_for(lamp.mains_hz, speed_rpm)
        alike = [one for one in near if one.lamp is lamp and one.speed_rpm == speed_rpm and one.count == bars]
        worth += [one for one in alike[:1] if one not in worth]
    followed = [(draft, _follow(draft, time)) for draft in worth]
    # Followed to another rate than it was found at, a line has been lost in what lies beside it.
    kept = [h for draft, h in followed if abs(h.line.dot_rate_hz / draft.coarse.rate_hz - 1) < _ASTRAY]
    return sorted([_beside_the_firmest(one, kept) for one in kept], key=lambda h: h.score, reverse=True)


def _beside_the_firmest(one: Hypothesis, others: Sequence[Hypothesis]) -> Hypothesis:
    """The hypothesis, counting for less where another one's line holds the same dots together far better.

    Such a line is none; its rate is what lies beside the other where it was looked for.
    """
    firmest = max(h.line.coherence for h in others if h.evidence is one.evidence)
    looser = min(1.0, max(0.0, firmest - one.line.coherence - _ALIKE) / _ALIKE)
    return replace(one, score=one.score - _NO_LINE * looser)


def favour_mains(ranked: list[Hypothesis], mains_hz: float) -> list[Hypothesis]:
    """The hypotheses in their new order when those that suit the region's mains count for more."""

    def suits(one: Hypothesis) -> bool:
        if one.lamp.mains_hz is not None:
            return one.lamp.mains_hz == mains_hz
        return one.dots == bars_for(mains_hz, one.nominal_rpm)

    favoured = [replace(one, score=one.score + _USUAL_MAINS) if suits(one) else one for one in ranked]
    return sorted(favoured, key=lambda one: one.score, reverse=True)


def _follow(draft: Draft, time: TimeBase) -> Hypothesis:
    """The hypothesis with its line followed, and the vote of the lamp's swing."""
    lamp = draft.lamp
    line = _read(draft.evidence.row, draft.evidence.amplitude, time, lamp, draft.kind, draft.coarse)
    # Dots that only some frames show keep their place in the flash or run through it, however slowly they do.
    vote = line.vote if line.swing_cycles >= _WHOLE_SWING or not np.all(line.lit) else 0.0
    if lamp.flash is not None:
        by_shape = _vote_of_flicker(lamp.flash) * (1 - 2 * LINE_ORDERS[draft.kind])
        contested = np.all(line.lit) and line.swing_cycles < SLOW_SWING_CYCLES and vote * by_shape < 0
        vote = by_shape if vote == 0 or contested else vote
    voted = _VOTE[lamp.scenery_moves] * vote
    return Hypothesis(
        draft.evidence,
        lamp,
        draft.speed_rpm,
        draft.count,
        line,
        draft.score + voted,
        draft.turn_support,
        draft.counts,
        draft.line_score + voted,
    )


def _read(
    row: RowSeries, amplitude: NDArray[np.complex128], time: TimeBase, lamp: Lamp, kind: str, coarse: CoarseLine
) -> LineReading:
    """A line of a row's amplitude (frames,) followed under a lamp."""
    return read_line(
        amplitude,
        time.time_s,
        interval_s=time.interval_s,
        kind=kind,
        coarse=coarse,
        lamp_cycles=lamp.cycles,
        flash=lamp.flash,
        height=row.sweep_place,
        dimmed=lamp.kind == "dimmed",
    )


def _vote_of_flicker(flash: FlashRate) -> float:
    """What the flicker's shape alone says for the camera-timed line (+) or the lamp-timed one (-).

    Flashes mostly do the timing. Soft light does so only behind a shutter so long that it averages out, which leaves
    little flicker in the brightness; a filament, a pure wave, flickers as little and never does. Rectified light keeps
    its harmonics behind a shutter of any length. Flicker too faint to have a shape says nothing.
    """
    if flash.once:
        return 0.0
    if flash.second > _FLASHES[0] or flash.third > _FLASHES[1]:
        return -0.45
    if not flash.soft or flash.modulation < _SHAPELESS:
        return 0.0
    if flash.modulation > _SHALLOW:
        return 1.0 if flash.modulation > _DEEP else 0.4
    if flash.second > _RECTIFIED[0] or flash.third > _RECTIFIED[1]:
        return -0.3
    return 0.4 if flash.second < _PURE_WAVE[0] and flash.third < _PURE_WAVE[1] else 0.0
