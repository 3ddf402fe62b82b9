"""Which ring each row of dots is: counts that make all rows of one rim turn together.

Rows of one platter share its turns: dot rates stand to each other exactly as the counts do, whatever the alias and the
lamp. So a guess for one row, a count and an alias, says how every other row must move, for whole numbers of dots near
the ratio of the pitches. The time of one turn, where the dots' irregularities show it, says the same for a single row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.figures.rings import BARS_USED, NOMINAL_RPM, bars_for, nearest_nominal_rpm
from strobe.measuring.evidence import RowEvidence
from strobe.measuring.lamps import Lamp
from strobe.phase import (
    LINE_ORDERS,
    CoarseLine,
    TimeBase,
    find_line,
    folded_hz,
    follow_phase,
    lit_frames,
    whole_turns,
)

__all__ = [
    "CLEAR_SUPPORT",
    "CLEAR_SUPPORT_OF_FEW_LIT",
    "SAME_TURN",
    "Draft",
    "drafts_of",
    "is_usual",
    "turns_of_few_lit",
]

_SPAN = 0.13
"""Speeds looked at, relative to nominal."""
CLEAR_SUPPORT, CLEAR_SUPPORT_OF_FEW_LIT = 6.5, 9.0
"""Likeness after one turn, over its noise, from which a repeat counts as seen; and where few frames are lit, whose own
pattern repeats too (a false one reached 7.4, true ones 10 and more: by trial)."""
_LEAST_DOTS = 4
"""Fewest dots that a ring is taken to have, by choice."""
_PLAUSIBLE_PERCENT = 2.5
"""Standard deviation of the speeds that machines are filmed at, in percent, for the score (by trial); beyond three and
a half of them it costs no more."""
_SETTINGS_PERCENT = (6.0, 3.3, -3.3, -6.0)
"""Pitch settings that rows are made for; each row stands still at its own (common practice)."""
_ODD_COUNTS = np.arange(40, 481)
"""Unusual counts that are tried, a good way round the usual 77 to 432."""
_RING_FLASHES = 0.1
"""Rings are made to stand still under a mains lamp within about this, pitch settings included."""
_UNUSUAL, _SETTING, _OTHER_SPEED = -6.0, -2.5, -3.0
"""How a count stands to the usual ring when nothing else speaks: any whole number, a setting's, another speed's."""
_SHARE_TOGETHER, _READ_THE_USUAL = 0.3, 1.5
"""What the standing of each count is worth where rows bear each other out, and for reading the usual ring of them."""
_SLOWEST_RPM, _ALL_DOUBLED = 20.0, -4.0
"""What counts against rows that all have even counts at the slowest speed: half as many turn twice as fast."""
_TRAVEL = 4.0
"""What marks that travel along the row are worth, for the dot rate that they tell or against another."""
_RARE_SPEED = {NOMINAL_RPM[0]: -2.2, NOMINAL_RPM[3]: -0.5}
"""What counts against a speed that few clips are filmed at, when nothing else speaks (common practice)."""
_PITCH_GATE = 0.012
"""How well, relatively, the ratio of two rows' pitches tells that of their counts: counts are tried so far (by
trial)."""
_TOGETHER = (0.45, 0.7)
"""Share of a row's amplitude that follows another row's motion: from where it counts, and from where it is sure."""
_MAINS_OFF = 0.0025
"""Share by which a lamp of the mains may be off its nominal rate: twice the largest standard deviation that
`mains_uncertainty_percent` tells of (0.12 %)."""
_OFF_STEP = 0.4
"""Step in which the lamp's rate is tried there, in cycles over the clip: half of it takes 6 % of the likeness (closed
form: the sinc of 0.2)."""
SAME_TURN, _SAME_TURN_FEW_LIT = 6e-4, 8e-3
"""1-sigma, relative, of the time of a turn, and of that where few frames are lit (by trial)."""
_FEW_LIT_TRUST = 0.5
"""What the time of a turn is worth where few frames are lit, and its multiples can hardly be told from it."""
_UNSEEN = {False: 3.0, True: 2.2}
"""What speaks against flashes that were not seen in the brightness, by whether the camera moves."""
_MOST_FOR_A_ROW, _MOST_FOR_ROWS = 5.0, 10.0
"""Most that one other row that turns together is worth, and all of them: what a turn that is seen is worth (-5 to 5),
and twice that (by trial)."""


@dataclass(frozen=True, eq=False)
class Draft:
    """A way to read one row before its line has been followed.

    `counts` are the dots of all rows in their order by this draft, 0 where a row does not fit; `score` says how well
    the draft stands before the lamp's swing is looked at, and `line_score` is its part that speaks of the line alone.
    """

    evidence: RowEvidence
    lamp: Lamp
    speed_rpm: float
    count: int
    kind: str
    coarse: CoarseLine
    counts: tuple[int, ...] = ()
    score: float = 0.0
    line_score: float = 0.0

    @property
    def turns_per_s(self) -> float:
        """Revolutions a second."""
        return self.coarse.rate_hz / self.count

    @property
    def turn_support(self) -> float:
        """Likeness of the row to itself one turn later, over its noise; 0 where that is a multiple of the true turn."""
        turns = self.evidence.turns
        if turns is None:
            return 0.0
        period = 1 / self.turns_per_s
        support = turns.support(period)
        return 0.0 if any(turns.support(period / k) > 0.7 * support for k in (2, 3)) else support


def drafts_of(
    rows: Sequence[RowEvidence], time: TimeBase, lamp: Lamp, *, rpm: float | None, dots: int | None
) -> list[Draft]:
    """Every way to read one of the rows under one lamp that makes sense, scored.

    Parameters
    ----------
    rows : sequence of RowEvidence
        Rows that move.
    time : TimeBase
        Times of the frames.
    lamp : Lamp
        What is known, or supposed, of the lamp.
    rpm, dots
        What was given; ``None`` to let the clip decide.

    Returns
    -------
    list of Draft
    """
    mains = (lamp.mains_hz,) if lamp.mains_hz is not None else (50.0, 60.0)
    found = []
    kinds: tuple[str, ...] = ("camera", "lamp") if lamp.cycles is not None else ("camera",)
    if lamp.kind == "dimmed":
        kinds = ("camera",)
    if lamp.flash is not None and lamp.flash.uneven and lamp.cycles is not None:
        kinds = ("camera", "between", "lamp")
    for kind in kinds:
        order = LINE_ORDERS[kind]
        lines = _Lines(rows, time, None if lamp.cycles is None or order == 0 else order * lamp.cycles)
        for place, evidence in enumerate(rows):
            if evidence.kind not in (None, kind):
                continue
            drafts = [
                Draft(evidence, lamp, speed, count, kind, lines.near(place, count * speed / 60))
                for speed, count in sorted(_usual(mains, rpm, dots))
            ]
            if dots is None:
                for hz in mains if lamp.kind != "given" else ():
                    drafts += _unusual(evidence, lines.near(place, 2 * hz), lamp, kind, time, mains, rpm)
            found += [_scored(draft, place, rows, lines, time, mains) for draft in drafts]
    return found


class _Lines:
    """The strongest lines of the rows, each looked for once."""

    def __init__(self, rows: Sequence[RowEvidence], time: TimeBase, lamp_cycles: NDArray[np.float64] | None) -> None:
        self._rows, self._time, self._cycles = rows, time, lamp_cycles
        self._known: dict[tuple[int, float], CoarseLine] = {}
        self._place = {id(one): place for place, one in enumerate(rows)}
        turned = 1.0 if lamp_cycles is None else np.exp(2j * np.pi * lamp_cycles)
        self._series = [one.amplitude * lit_frames(one.amplitude) * turned for one in rows]

    def near(self, place: int, expected_hz: float) -> CoarseLine:
        """The line of one row near an expected dot rate, its rate as the mean over the clip."""
        key = place, expected_hz
        if key not in self._known:
            self._known[key] = find_line(
                self._rows[place].amplitude,
                self._time.time_s,
                interval_s=self._time.interval_s,
                expected_hz=expected_hz,
                span=_SPAN,
                lamp_cycles=self._cycles,
            )
        return self._known[key]

    def together(self, draft: Draft, place: int, counts: NDArray[np.int_], off_hz: float) -> NDArray[np.float64]:
        """How far (0 to 1) another row follows the motion of a draft's row, for each count (counts,) it may have.

        `off_hz` is how far the lamp's rate may be off.
        """
        time_s = self._time.time_s
        own = follow_phase(self._series[self._place[id(draft.evidence)]], time_s, draft.coarse, self._time.interval_s)
        series = self._series[place]
        share = counts / draft.count
        turned = series * np.exp(-2j * np.pi * share[:, None] * own)
        likeness = np.abs(turned.sum(axis=1))
        step_hz = _OFF_STEP / float(np.ptp(time_s))
        steps = np.rint(off_hz * np.abs(1 - share) / step_hz)
        for k in range(1, 1 + int(steps.max())):
            for sign in (-1, 1):
                wave = np.exp(2j * np.pi * sign * k * step_hz * time_s)
                allowed = steps >= k
                likeness = np.maximum(likeness, np.abs(turned @ wave) * allowed)
        return likeness / np.abs(series).sum()


def _usual(mains: Sequence[float], rpm: float | None, dots: int | None) -> set[tuple[float, int]]:
    """Speeds and counts to begin with."""
    return {
        (speed, count)
        for speed in ((rpm,) if rpm is not None else NOMINAL_RPM)
        for count in ((dots,) if dots is not None else tuple(bars_for(hz, speed) for hz in mains))
        if count >= _LEAST_DOTS
    }


def _unusual(
    evidence: RowEvidence,
    line: CoarseLine,
    lamp: Lamp,
    kind: str,
    time: TimeBase,
    mains: Sequence[float],
    rpm: float | None,
) -> list[Draft]:
    """Drafts with other counts: any that a lamp of the mains would make stand still within the usual settings."""
    usual = {count for _, count in _usual(mains, rpm, None)}
    settings = {speed: _settings(mains, speed) for speed in ((rpm,) if rpm is not None else NOMINAL_RPM)}
    turns = evidence.turns
    turn_s, support = (0.0, 0.0) if turns is None else (turns.turn_s, turns.best()[1])
    drafts = []
    rate = 1 / time.interval_s
    aliases = line.rate_hz + rate * np.arange(-4, 5)
    for f in aliases[[any(abs(f / (2 * hz) - 1) < _RING_FLASHES for hz in mains) for f in aliases]]:
        for count in _ODD_COUNTS:
            rpm_here = 60 * f / count
            nominal = rpm if rpm is not None else nearest_nominal_rpm(rpm_here)
            if int(count) in usual or abs(rpm_here / nominal - 1) > _SPAN:
                continue
            known = int(count) in settings[nominal]
            if not known and (
                evidence.lit_share < 1 or support < CLEAR_SUPPORT or abs(turn_s * f / count - 1) > 2 * SAME_TURN
            ):
                continue
            drafts.append(Draft(evidence, lamp, nominal, int(count), kind, CoarseLine(float(f), line.coherence)))
    return drafts


def _settings(mains: Sequence[float], nominal_rpm: float) -> set[int]:
    """Counts of rows that stand still at one of the pitch settings."""
    return {round(bars_for(hz, nominal_rpm) / (1 + p / 100)) for hz in mains for p in _SETTINGS_PERCENT}


def _scored(
    draft: Draft,
    place: int,
    rows: Sequence[RowEvidence],
    lines: _Lines,
    time: TimeBase,
    mains: Sequence[float],
) -> Draft:
    deviation = 100 * (60 * draft.turns_per_s / draft.speed_rpm - 1)
    score = -0.5 * min((deviation / _PLAUSIBLE_PERCENT) ** 2, 12.0)
    line_score = 2.0 * min(0.0, draft.coarse.coherence - 0.6) / 0.2
    if draft.kind == "lamp" and draft.lamp.flash is None:
        line_score -= _UNSEEN[draft.lamp.scenery_moves] if _would_show(draft.lamp, time) else 0.5
    score += line_score
    turns = draft.evidence.turns
    if turns is not None:
        _, best = turns.best()
        # Of several turns that pass for one it is not told closely enough how long each takes.
        if best > CLEAR_SUPPORT and not (draft.evidence.lit_share == 1 and turns.repeats(1 / draft.turns_per_s)):
            share = float(np.clip((draft.turn_support / best - 0.5) / 0.4, 0, 1))
            turned, error, trust = draft.turns_per_s * turns.turn_s, SAME_TURN, 1.0
            if draft.evidence.lit_share < 1:
                error, trust = _SAME_TURN_FEW_LIT, _FEW_LIT_TRUST
                whole = turns_of_few_lit(turned)
                if whole is not None and whole > 1:
                    turned, share = turned / whole, 1.0
            score += (10.0 * share - 5.0) * trust
            score -= share * min(0.5 * ((turned - 1) / error) ** 2, 4.0)
    if draft.evidence.travel is not None:
        score += _TRAVEL * (2 * draft.evidence.travel.share(draft.coarse.rate_hz) - 1)
    score += next((rare for speed, rare in _RARE_SPEED.items() if abs(draft.speed_rpm / speed - 1) < 0.01), 0.0)
    counts = [0] * len(rows)
    counts[place] = draft.count
    own = _standing(draft.count, draft.speed_rpm, mains)
    others = 0.0
    for k, other in enumerate(rows):
        if k != place:
            counts[k], fits = _fit(draft, other, lines, k)
            others += fits
    score += min(others, _MOST_FOR_ROWS)
    if others > 0:
        together = sum(_standing(count, draft.speed_rpm, mains) for count in counts if count)
        score += _SHARE_TOGETHER * together + _READ_THE_USUAL * (own == 0)
        if draft.speed_rpm < _SLOWEST_RPM and all(count % 2 == 0 for count in counts):
            score += _ALL_DOUBLED
    else:
        score += own
    score += 0.2 * float(np.log(draft.evidence.row.amplitude / max(r.row.amplitude for r in rows)))
    return replace(draft, counts=tuple(counts), score=score, line_score=line_score)


def turns_of_few_lit(turned: float) -> int | None:
    """How many turns, three at the most, `turned` goes with where few frames are lit; None for no whole number.

    Few are lit again just one turn later; two or three turns later others are.
    """
    return whole_turns(turned, most=3, within=_SAME_TURN_FEW_LIT)


def _standing(count: int, nominal_rpm: float, mains: Sequence[float]) -> float:
    """How a count stands against the usual ring, when nothing else speaks."""
    if count in {bars_for(hz, nominal_rpm) for hz in mains}:
        return 0.0
    if count in _settings(mains, nominal_rpm):
        return _SETTING
    if any(count in bars for bars in BARS_USED.values()):
        return _OTHER_SPEED
    return _UNUSUAL


def is_usual(count: int, nominal_rpm: float, mains: Sequence[float]) -> bool:
    """Whether rings of so many dots are made: for some speed and mains, or for a pitch setting of this one."""
    return _standing(count, nominal_rpm, mains) > _UNUSUAL


def _fit(draft: Draft, other: RowEvidence, lines: _Lines, place: int) -> tuple[int, float]:
    """Count of another row that makes it turn with this one, and how much that says; (0, 0) where none does.

    The motion of this row, scaled to the other's count, is taken off the other: what is left stands still only for
    the right count. Rows of one count say nothing of it.
    """
    expected = draft.count * draft.evidence.row.pitch_px / other.row.pitch_px
    reach = int(np.ceil(_PITCH_GATE * expected))
    counts = np.arange(round(expected) - reach, round(expected) + reach + 1)
    off_hz = 0.0
    if draft.kind == "lamp" and draft.lamp.source == "nominal" and draft.lamp.nominal_hz is not None:
        off_hz = _MAINS_OFF * draft.lamp.nominal_hz
    likeness = lines.together(draft, place, counts, off_hz)
    best = int(np.argmax(likeness))
    if likeness[best] < _TOGETHER[0] or counts[best] < _LEAST_DOTS:
        return 0, 0.0
    if counts[best] == draft.count:
        return draft.count, 0.0
    sure = (likeness[best] - _TOGETHER[0]) / (_TOGETHER[1] - _TOGETHER[0])
    return int(counts[best]), _MOST_FOR_A_ROW * min(float(sure), 1.0)


def _would_show(lamp: Lamp, time: TimeBase) -> bool:
    """Whether flashes at the nominal rate would make the brightness beat visibly at this frame rate."""
    assert lamp.nominal_hz is not None
    return folded_hz(lamp.nominal_hz, time.interval_s) > 1.0
