"""How a disc from above is read where a rim is not: rings made even, counts that are known, and the index mark.

A ring seen round the circle tells how far it lies off centre, whatever the speed does; that is taken off before the
rings are read like rows along a rim, and once more when the platter's angle is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.measuring.evidence import RowEvidence, gather
from strobe.measuring.hypotheses import Hypothesis, weigh
from strobe.measuring.lamps import Lamp
from strobe.measuring.refusals import far_off_centre, not_counted
from strobe.measuring.ringtiming import timed
from strobe.pattern import DiscFacts, PatternReading, RowSeries
from strobe.phase import LINE_ORDERS, FlashRate, LineReading, TimeBase, combine_blocks
from strobe.phase.falselines import without_lines
from strobe.phase.mark import MarkCourse, follow_mark
from strobe.phase.ring import EvenRing, even_ring, find_turning, signature_of

__all__ = [
    "OFF_CENTRE_SHARE",
    "DiscWork",
    "SettledRing",
    "begin_disc",
    "off_centre_left_percent",
    "settle",
    "weigh_rings",
]

_DISC_SCALE_SHARE, _CODED_SCALE_SHARE = 0.05, 0.12
"""Share of a fluctuation that lossy coding may swallow where bars fill the picture, and where it is seen to follow the
bars only from key frame to key frame, quick wobble least (both seen on rendered clips)."""
_NEAR_COUNT = 0.02
"""How far, relatively, a count may lie from the bars by what is seen, where they are not counted surely (by trial)."""
_USUAL_READOUT_S, _READOUT_OPEN, _LEAST_LIT = 0.018, 0.35, 6
"""Time that a shutter takes down the picture where the clip does not tell it, how far off it may be, relative, and the
picture rows that must flicker to tell it."""
_MOST_VOTE, _UNKNOWN_READOUT = 3.0, 0.3
"""Most that the skew counts in the score, for a line or against it; and what is left of it against the camera where the
readout time is only supposed: a fast shutter skews as little as a lamp (by trial)."""
_COHERENT, _SAME_SPEED, _TOGETHER = 0.7, 0.001, 4.0
"""Lines of two rings that bear each other out: how steady both are, how near their speeds, and what that is worth."""
OFF_CENTRE_SHARE = 0.02
"""Of an off-centre share that was taken off, what may be left of it (seen on rendered clips)."""
_PRINT_ERROR_PERCENT = 0.03
"""What a printer's own errors, twice a turn and more, may feign once a turn where a part of the ring is hidden."""
_SURE_MARK = 0.003
"""Half-width of a mark's turns a second, relative, from which they are not relied on."""
_SURE_COUNT, _COUNT_NOISES = 0.2, 3.0
"""How near a whole number a count must be, in bars, and by how many times its noise it must miss the next half (as in
the first pictures)."""
_COUNTED_TURNS = 1.0
"""Turns over which a ring that is off centre goes out of the count: whole ones."""
_MOST_UNCOUNTED = 0.02
"""e / R from which a ring is not read that can't be counted: it shows 2 % more bars on one side than on the other, as
much as rings of neighbouring pitch settings differ."""
_ROUNDS = 2
"""Times that ring and line are read after each other, since each needs the other (by trial)."""
_LAMP_LINES = ((1, 0), (2, 0), (1, -1), (1, 1))
"""Harmonics of the lamp, and of the turn with them, of which a rest is taken off the reading."""
_OWN_LINES = ((1, 0), (2, 0), (3, 0), (2, -1), (2, 1))
"""Harmonics of the pattern, frozen by the shutter, and of the turn with them, that leak into its phase."""


@dataclass(frozen=True, eq=False)
class DiscWork:
    """A disc's reading on its way to a measurement.

    Attributes
    ----------
    raw : tuple of RowSeries
        The rings as they were read.
    pattern : PatternReading
        The same reading with the rings made even as far as the turning was seen.
    facts : DiscFacts
    mark : MarkCourse or None
        The index mark.
    turning_hz : float or None
        Turns a second as they were seen without counting bars.
    """

    raw: tuple[RowSeries, ...]
    pattern: PatternReading
    facts: DiscFacts
    mark: MarkCourse | None
    turning_hz: float | None


@dataclass(frozen=True, eq=False)
class SettledRing:
    """A ring read for good.

    Attributes
    ----------
    chosen : Hypothesis
    even : EvenRing
        How the ring errs.
    scale_share : float
        Share of a fluctuation that the coder may have swallowed.
    """

    chosen: Hypothesis
    even: EvenRing
    scale_share: float


def begin_disc(pattern: PatternReading, time: TimeBase) -> DiscWork | None:
    """The rings of a reading made even; None for a reading that is not of a disc."""
    facts = pattern.disc
    if facts is None:
        return None
    mark = follow_mark(facts.lanes, facts.azimuth_rad, facts.lane_sweep, time.time_s)
    if mark is not None and mark.uncertainty_hz > _SURE_MARK * mark.rate_hz:
        mark = None
    seen = [find_turning(row.blocks, _places(row), time.time_s) for row in pattern.rows]
    turning = next((rate for rate in seen if rate is not None), None)
    if turning is None and mark is not None:
        turning = mark.rate_hz
    turns = None if turning is None else turning * time.time_s
    raw = pattern.rows if turns is None else tuple(_recounted(row, turns) for row in pattern.rows)
    rows = tuple(replace(row, blocks=_even(row, turns, turning or 0.0).blocks) for row in raw)
    return DiscWork(raw, replace(pattern, rows=rows), facts, mark, turning)


def _recounted(row: RowSeries, turns: NDArray[np.float64]) -> RowSeries:
    """A ring counted over whole turns: a ring off centre shows more bars on one side, and each part sees all sides.

    In the first pictures, half a turn or less, it stands to one side of the map, and a part of it that is hidden takes
    bars with it. The phase from part to part, meant over whole turns, holds the bars between them, whatever e / R.
    """
    ring = row.ring
    assert ring is not None
    if ring.seen_share >= 1 or np.ptp(turns) < _COUNTED_TURNS:
        return row
    whole_turns = turns - turns[0] <= np.floor(np.ptp(turns))
    near, following, wide = _neighbours(ring.azimuth_rad)
    product = row.blocks[:, following].astype(np.complex128) * np.conj(row.blocks[:, near])
    usual = product.sum(axis=0)
    step = np.angle(usual) + np.angle(product[whole_turns] * np.conj(usual)).mean(axis=0)
    at = ring.azimuth_rad
    waves = [wave(m * at) for m in (1, 2) for wave in (np.cos, np.sin)]
    columns = np.stack([wide] + [wave[following] - wave[near] for wave in waves], axis=1)
    if len(step) <= columns.shape[1]:
        return row
    fit, *_ = np.linalg.lstsq(columns, step, rcond=None)
    rest = step - columns @ fit
    variance = float(rest @ rest) / (len(step) - columns.shape[1])
    noise = float(np.sqrt(variance * np.linalg.pinv(columns.T @ columns)[0, 0]))
    found = (ring.bars if ring.bars is not None else ring.bars_seen) + float(fit[0])
    whole = float(np.rint(found))
    off = abs(found - whole)
    sure = off < _SURE_COUNT and _COUNT_NOISES * noise < 0.5 - off and ring.seen_share > 0.5
    return replace(row, ring=replace(ring, bars=int(whole) if sure else None, bars_seen=found))


def _neighbours(azimuth_rad: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Parts of a ring that lie beside each other, each with the one that follows, and how far apart they are."""
    gap = (np.roll(azimuth_rad, -1) - azimuth_rad) % (2 * np.pi)
    near = np.flatnonzero(gap < 1.5 * np.median(gap))
    return near, (near + 1) % azimuth_rad.size, gap[near]


def _places(row: RowSeries) -> NDArray[np.float64]:
    assert row.ring is not None
    return row.ring.azimuth_rad


def _even(
    row: RowSeries,
    turns: NDArray[np.float64] | None,
    turns_per_s: float,
    lamp: Lamp | None = None,
    readout_s: float = 0.0,
) -> EvenRing:
    ring = row.ring
    assert ring is not None
    return even_ring(
        row.blocks,
        ring.azimuth_rad,
        ring.sweep_place,
        turns,
        turns_per_s=turns_per_s,
        bars=float(ring.bars if ring.bars is not None else ring.bars_seen),
        blocks_round=round(ring.azimuth_rad.size / ring.seen_share),
        seen_share=ring.seen_share,
        lamp_cycles=None if lamp is None else lamp.cycles,
        sweep_cycles=readout_s * lamp.rate_hz if lamp is not None and lamp.rate_hz is not None else 0.0,
    )


def weigh_rings(
    work: DiscWork,
    rows: Sequence[RowSeries],
    time: TimeBase,
    lamps: Sequence[Lamp],
    *,
    rpm: float | None,
    dots: int | None,
) -> list[Hypothesis]:
    """Every way to read one of the rings that goes with its count, best first; as `strobe.measuring.hypotheses.weigh`.

    Raises
    ------
    Refused
        ``ambiguous`` when none of the rings has the bars that were given; or when none is counted, and neither a mark
        nor the rings' own error shows the turning that would bear a count out.
    """
    evidence = gather(rows, time, lamps[0])
    if work.turning_hz is not None:
        known = signature_of(work.turning_hz)
        evidence = [replace(one, turns=known) for one in evidence]
    found: list[Hypothesis] = []
    uncounted: list[float] = []
    for one in evidence:
        count = _count(one, dots)
        if count == 0:
            continue
        if count is None and work.turning_hz is None:
            uncounted.append(_seen(one))
            continue
        ways = weigh(evidence, time, lamps, rpm=rpm, dots=count)
        found += [way for way in ways if way.evidence is one and _goes_with(way, one)]
    if not found and uncounted:
        raise not_counted(uncounted[0])
    if not found and dots is not None:
        counts = ", ".join(f"{_seen(one):.5g}" for one in evidence)
        raise Refused(
            "ambiguous",
            f"The rings in the picture have {counts} bars by count; none of them has {dots}.",
            "Leave --dots out, or give the count of one of these rings.",
        )
    voted = [replace(way, score=way.score + _vote(work, way) + _borne_out(way, found)) for way in found]
    return sorted(voted, key=lambda way: way.score, reverse=True)


def _seen(evidence: RowEvidence) -> float:
    ring = evidence.row.ring
    assert ring is not None
    return ring.bars_seen


def _count(evidence: RowEvidence, dots: int | None) -> int | None:
    """Count to read a ring with, None to try the usual ones, 0 for a ring that is not the one that was asked for."""
    ring = evidence.row.ring
    assert ring is not None
    if dots is None:
        return ring.bars
    near = dots == ring.bars if ring.bars is not None else abs(dots / ring.bars_seen - 1) < _NEAR_COUNT
    return dots if near else 0


def _goes_with(way: Hypothesis, evidence: RowEvidence) -> bool:
    return abs(way.dots / _seen(evidence) - 1) < _NEAR_COUNT


def _borne_out(way: Hypothesis, found: Sequence[Hypothesis]) -> float:
    """What it adds that another ring of the disc turns at the same speed by its own count."""
    others = [one for one in found if one.evidence is not way.evidence and one.line.coherence > _COHERENT]
    together = way.line.coherence > _COHERENT and any(abs(one.rpm / way.rpm - 1) < _SAME_SPEED for one in others)
    return _TOGETHER if together else 0.0


def _vote(work: DiscWork, way: Hypothesis) -> float:
    """What the skew of the bars says for the line of a hypothesis.

    A shutter that freezes the bars does so line by line, and the ring is skewed by what the platter turns meanwhile; a
    lamp freezes all of it at once.
    """
    rate_hz = way.rpm / 60
    readout_s = _readout_s(way.lamp.flash)
    full = rate_hz * (_USUAL_READOUT_S if readout_s is None else readout_s)
    share = work.facts.skew_rev / full
    noise = np.hypot(work.facts.skew_noise_rev / full, _READOUT_OPEN)
    vote = float(np.clip((2 * share - 1) / (2 * noise**2), -_MOST_VOTE, _MOST_VOTE))
    if readout_s is None and vote < 0:
        vote *= _UNKNOWN_READOUT
    return vote if way.line.kind == "camera" else -vote


def _readout_s(flash: FlashRate | None) -> float | None:
    """Time from the first line of the picture to the last, by how the flicker rolls down it; None without flicker."""
    if flash is None or np.count_nonzero(flash.row_flicker) < _LEAST_LIT:
        return None
    return abs(flash.sweep_cycles) / flash.rate_hz or None


def settle(work: DiscWork, chosen: Hypothesis, time: TimeBase, *, coder_hz: float | None = None) -> SettledRing:
    """The hypothesis read again from a ring made even by the platter's own angle; and how the ring errs.

    Wobble reaches the parts of the ring as late as the shutter does, and their mean would swallow the quick part of it:
    they are brought to one time first, where the shutter's sweep is known. `coder_hz` are key frames a second.
    """
    raw = next(row for row in work.raw if row.ring is chosen.evidence.row.ring)
    readout_s = _readout_s(chosen.lamp.flash)
    lamp = None if readout_s is None else chosen.lamp
    even = _even(raw, chosen.line.dots / chosen.dots, chosen.line.dot_rate_hz / chosen.dots)
    for _ in range(_ROUNDS):
        raw = _only(raw, even.kept)
        clean = _at_one_time(raw, chosen.line.dots, time, readout_s or 0.0)
        turns_per_s = chosen.line.dot_rate_hz / chosen.dots
        turns = chosen.line.dots / chosen.dots
        even = _even(clean, turns, turns_per_s, lamp, readout_s or 0.0)
        even = timed(clean, even, turns, turns_per_s, chosen, readout_s)
        amplitude, _ = combine_blocks(even.blocks)
        line, coded = _read_ring(amplitude, chosen, time, calm=even.calm, coder_hz=coder_hz)
        evidence = replace(chosen.evidence, row=replace(_only(raw, even.kept), blocks=even.blocks), amplitude=amplitude)
        chosen = replace(chosen, evidence=evidence, line=line)
    _refuse_far_off_centre(chosen, even)
    return SettledRing(chosen, even, _CODED_SCALE_SHARE if coded else _DISC_SCALE_SHARE)


def _refuse_far_off_centre(chosen: Hypothesis, even: EvenRing) -> None:
    """Refuse a ring that is so far off centre that its bars can't be told by those that are seen."""
    ring = chosen.evidence.row.ring
    assert ring is not None
    if ring.bars is None and even.error is not None and abs(even.error.off_centre) > _MOST_UNCOUNTED:
        raise far_off_centre(100 * abs(even.error.off_centre), ring.bars_seen)


def _only(row: RowSeries, kept: NDArray[np.intp]) -> RowSeries:
    """A ring with some of its parts alone."""
    ring = row.ring
    assert ring is not None
    places = replace(
        ring,
        azimuth_rad=ring.azimuth_rad[kept],
        sweep_place=ring.sweep_place[kept],
        seen_share=ring.seen_share * kept.size / ring.azimuth_rad.size,
    )
    return replace(row, blocks=row.blocks[:, kept], ring=places)


def _at_one_time(row: RowSeries, dots: NDArray[np.float64], time: TimeBase, readout_s: float) -> RowSeries:
    """The parts of a ring turned to where they were when the middle of them was exposed, by how the platter wobbles."""
    from scipy.interpolate import CubicSpline

    assert row.ring is not None
    wobble = dots - np.polyval(np.polyfit(time.time_s, dots, 1), time.time_s)
    later = readout_s * (row.ring.sweep_place - np.mean(row.ring.sweep_place))
    course = CubicSpline(time.time_s, wobble)
    at = np.clip(time.time_s[:, None] + later, time.time_s[0], time.time_s[-1])
    moved = course(at) - wobble[:, None]
    return replace(row, blocks=(row.blocks * np.exp(-2j * np.pi * moved)).astype(np.complex64))


def _read_ring(
    amplitude: NDArray[np.complex128], chosen: Hypothesis, time: TimeBase, *, calm: bool, coder_hz: float | None
) -> tuple[LineReading, bool]:
    """The chosen line read again, and whether the coder's lines were seen and taken off it.

    Nothing of the lamp is left to take off where the ring was made `calm`.
    """
    lamp, kind, followed = chosen.lamp, chosen.line.kind, chosen.line.followed
    if calm and lamp.cycles is not None:
        amplitude = amplitude * np.exp(2j * np.pi * LINE_ORDERS[followed] * lamp.cycles)
    as_read, of_light = chosen, lamp
    if calm:
        as_read = replace(chosen, line=replace(chosen.line, followed="camera"))
        of_light = replace(lamp, flash=None, cycles=None)
    line = as_read.read_again(amplitude, time, of_light)
    turns = line.dots / chosen.dots
    swings = calm and lamp.cycles is not None
    waves = [h * lamp.cycles + n * turns for h, n in _LAMP_LINES] if swings and lamp.cycles is not None else []
    own = [m * line.dots + n * turns for m, n in _OWN_LINES] if kind == "camera" else []
    clean = without_lines(line.dots, time.time_s, time.interval_s, waves, own_cycles=own, coder_hz=coder_hz)
    hidden = line.hidden
    if swings:
        hidden = ((clean.removed_hz[0], clean.first_dots, 1.0),) if clean.removed_hz else ()
    # A wobble that the pattern's own rate, or that and a turn, happens to meet went with it.
    hidden += tuple((rate, size, 1.0) for rate, size in clean.own)
    removed = (*clean.removed_hz, *line.removed_hz) if swings else (*line.removed_hz, *clean.removed_hz)
    noise_dots = line.noise_dots if clean.noise_dots is None else min(line.noise_dots, clean.noise_dots)
    read = replace(
        line, kind=kind, followed=followed, dots=clean.dots, removed_hz=removed, hidden=hidden, noise_dots=noise_dots
    )
    return read, clean.noise_dots is not None


def off_centre_left_percent(chosen: Hypothesis, even: EvenRing) -> float:
    """95 % bound of what an off-centre or badly printed ring may still feign once a turn, as a change of speed."""
    ring = chosen.evidence.row.ring
    assert ring is not None
    lean = float(np.abs(np.mean(np.exp(1j * ring.azimuth_rad))))
    taken = 0.0 if even.error is None else 100 * abs(even.error.off_centre)
    return float(np.linalg.norm([even.left_percent, lean * OFF_CENTRE_SHARE * taken, lean * _PRINT_ERROR_PERCENT]))
