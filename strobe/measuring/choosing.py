"""From what was read of a clip to the one way to take it: which frames, lamp, row, ring, speed and line."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.measurement import Note
from strobe.measuring.budget import SCALE_SHARE
from strobe.measuring.deciding import (
    assumed_speed_percent,
    check_alias,
    check_coherence,
    check_continuity,
    choose,
    refuse_too_few_to_tell,
    refuse_unusual_count,
)
from strobe.measuring.disc import DiscWork, begin_disc, settle, weigh_rings
from strobe.measuring.evidence import gather
from strobe.measuring.frametimes import FrameTimes, frame_times
from strobe.measuring.hypotheses import Hypothesis, favour_mains, weigh
from strobe.measuring.joint import Joint, backwards, without_joint
from strobe.measuring.lamps import lamps_of, slow_flicker
from strobe.measuring.motion import moved_by
from strobe.measuring.options import Told
from strobe.measuring.pace import question_pace, question_speed
from strobe.measuring.reading import ClipReading
from strobe.measuring.refusals import (
    ROW_OF_DOTS,
    not_turning,
    nothing_to_read,
    refuse_too_few_lit,
    refuse_too_short,
    refuse_what_is_flat,
    refuse_what_shows_nothing,
    upright_unclear,
)
from strobe.measuring.smoothness import smoothest_clock
from strobe.measuring.stretch import beside_fade, steady_part
from strobe.pattern import PatternReading, RowSeries
from strobe.phase import TimeBase
from strobe.phase.ring import EvenRing

__all__ = ["ChosenReading", "choose_reading"]

_FAINT = 0.06
"""Contrast of a row, as a share of its brightness, above which it is a row that stands still, not none (by trial)."""
_LEAST_SHARE = 0.2
"""Amplitude of a row, by that of the clearest, below which it is not read (by trial)."""
_RUNS, _HARDLY, _FAINTER = 30.0, 3.0, 0.6
"""Times what could be feigned, for dots that run and for a sway that is hardly one; and how much fainter scenery is."""


@dataclass(frozen=True, eq=False)
class ChosenReading:
    """The way in which a clip is taken.

    Attributes
    ----------
    times : FrameTimes
        Pattern and times of the frames that are measured.
    chosen : Hypothesis
        Row, lamp, ring and speed, with the line followed.
    gap_percent : float
        How far the other line lies that the clip can't rule out, as `choose` says.
    assumed_speed_percent : float
        The same for other speeds where one was assumed.
    joint : Joint or None
        Of a strip; it is taken off the line.
    disc : DiscWork or None
    even : EvenRing or None
        The ring of a disc as it was straightened; None for a rim.
    scale_share : float
        95 % share of a wobble's size that pixels and coding leave unsure.
    unsettled_hz : float
        As of `SteadyPart`.
    notes : tuple of Note
        On frame times and on what is left out.
    """

    times: FrameTimes
    chosen: Hypothesis
    gap_percent: float
    assumed_speed_percent: float
    joint: Joint | None
    disc: DiscWork | None
    even: EvenRing | None
    scale_share: float
    unsettled_hz: float
    notes: tuple[Note, ...]


def choose_reading(reading: ClipReading, told: Told) -> ChosenReading:
    """Decide how to take a clip.

    Raises
    ------
    Refused
        When the clip shows nothing that could be measured, or leaves open which of several ways is right.
    """
    pattern, facts, tally = reading.pattern, reading.facts, reading.tally
    nominal, dots, mains = told.nominal_rpm, told.dots, told.mains_hz
    refuse_what_shows_nothing(pattern)
    times = frame_times(pattern, facts, told.capture_rate_hz, told.clock)
    refuse_too_short(times.pattern)
    part = steady_part(times.pattern, times.time)
    disc = begin_disc(part.pattern, part.time)
    pattern = part.pattern if disc is None else disc.pattern
    rows = _moving(pattern)
    lamps = lamps_of(pattern, rows, part.time, mains, told.lamp)
    if disc is None:
        spared = beside_fade(part, rows, lamps[0].flash)
        if spared is not part:
            part, pattern = spared, spared.pattern
            rows = _moving(pattern)
            lamps = lamps_of(pattern, rows, part.time, mains, told.lamp)
    if lamps[0].flash is not None:
        rows = _moving(pattern, lamps[0].cycles)
    time = part.time
    times = replace(times, pattern=pattern, time=time)
    question_pace(times, rows, told, flash=lamps[0].flash)
    if pattern.upright:
        rows += [backwards(row) for row in rows]
    if disc is None:
        ranked = weigh(gather(rows, time, lamps[0]), time, lamps, rpm=nominal, dots=dots)
    else:
        ranked = weigh_rings(disc, rows, time, lamps, rpm=nominal, dots=dots)
    open_mains = lamps[0].flash is None or len(lamps) > 1
    if mains is None and told.mains_default_hz is not None and open_mains:
        ranked = favour_mains(ranked, told.mains_default_hz)
    untold = nominal is None and dots is None and disc is None
    if untold:
        refuse_too_few_to_tell(ranked)
    chosen, gap_percent = choose(ranked, told)
    if untold:
        refuse_too_few_to_tell([chosen])
    if pattern.upright and not chosen.turns_seen:
        raise upright_unclear()
    if dots is None and disc is None:
        refuse_unusual_count(chosen, told)
    speed_gap_percent = assumed_speed_percent(ranked, chosen) if nominal is None else 0.0
    refuse_what_is_flat(chosen.evidence.row, chosen.dots, told)
    question_speed(times, chosen, told)
    chosen = _beside_slow_flicker(chosen, time) if disc is None else chosen
    even, scale_share = None, SCALE_SHARE
    if disc is not None:
        key_s = tally.key_period_s
        settled = settle(disc, chosen, time, coder_hz=None if key_s is None else times.stretch / key_s)
        chosen, even, scale_share = settled.chosen, settled.even, settled.scale_share
    time, chosen = smoothest_clock(time, chosen)
    refuse_too_few_lit(time.time_s, chosen.line.lit)
    check_coherence(chosen)
    check_alias(chosen, time)
    chosen, joint = without_joint(chosen, time)
    check_continuity(chosen, time, turn_dots=chosen.dots if disc is None else None)
    return ChosenReading(
        times=replace(times, time=time),
        chosen=chosen,
        gap_percent=gap_percent,
        assumed_speed_percent=speed_gap_percent,
        joint=joint,
        disc=disc,
        even=even,
        scale_share=scale_share,
        unsettled_hz=part.unsettled_hz,
        notes=_note_if_left(pattern) + times.notes + part.notes,
    )


def _beside_slow_flicker(chosen: Hypothesis, time: TimeBase) -> Hypothesis:
    """The same without what a lamp of unknown rate adds, where it shows only in the amplitude of camera-timed dots."""
    if chosen.lamp.flash is not None or chosen.lamp.kind == "dimmed" or chosen.line.followed != "camera":
        return chosen
    amplitude = chosen.evidence.amplitude
    cycles = slow_flicker(np.abs(amplitude), time, chosen.line.dot_rate_hz / chosen.dots)
    if cycles is None:
        return chosen
    lamp = replace(chosen.lamp, kind="dimmed", rate_hz=None, nominal_hz=None, source=None, cycles=cycles)
    return replace(chosen, lamp=lamp, line=chosen.read_again(amplitude, time, lamp))


def _note_if_left(pattern: PatternReading) -> tuple[Note, ...]:
    """That the picture left its dots, and only what lies before was measured."""
    if pattern.left_s is None:
        return ()
    said = f"The picture zooms or leaps away from its dots: only what lies before {pattern.left_s:.1f} s was measured."
    return (Note("picture-leaps", said),)


def _moving(pattern: PatternReading, lamp_cycles: NDArray[np.float64] | None = None) -> list[RowSeries]:
    """The rows that move and are not far fainter than the clearest.

    Beside dots that run, what is fainter and hardly sways is scenery in changing light.
    """
    clearest = max(row.amplitude for row in pattern.rows)
    clear_enough = [row for row in pattern.rows if row.amplitude > _LEAST_SHARE * clearest]
    by = [moved_by(row, pattern, lamp_cycles) for row in clear_enough]
    running = max((row.amplitude for row, far in zip(clear_enough, by, strict=True) if far > _RUNS), default=0.0)
    moving = [
        row
        for row, far in zip(clear_enough, by, strict=True)
        if far > (_HARDLY if row.amplitude < _FAINTER * running else 1)
    ]
    if not moving:
        clear = [row for row in pattern.rows if row.contrast > _FAINT and row.dots_in_view > ROW_OF_DOTS]
        raise not_turning() if clear else nothing_to_read(pattern)
    return moving
