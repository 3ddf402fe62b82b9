"""What measuring a rim adds beside the speed: runout, the share of dots off centre, and the mark that passes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.figures.results import COVERAGE
from strobe.measurement import Note, RingShare, Runout
from strobe.measuring.budget import RING_OFF_CENTRE_PERCENT
from strobe.measuring.hypotheses import Hypothesis
from strobe.measuring.runout import Readout, RimErrors, once_a_turn, rim_errors
from strobe.pattern import PatternReading
from strobe.phase import TimeBase
from strobe.phase.mark import MarkCourse, follow_rim_mark

__all__ = ["RimWork", "begin_rim", "notes_of_rim", "ring_of", "runout_of"]

USUAL_RIM_MM, _RIM_SPREAD = 305.0, 0.1
"""Diameter of a rim that nobody told, a platter for 30 cm records (common practice), and the share it may be off by."""
_KNOWN_RIM_SPREAD = 0.01
"""The same share for a diameter that was told: 3 mm of a usual platter (by choice)."""
_WORST_AXIAL, _WORST_RADIAL = 2.5e-3, 1.5e-3
"""Half-widths, in radii of the rim, beyond which nothing is said."""
_SURE_HIGH_DEG, _HIGH_FLOOR_DEG = 60.0, 3.0
"""Half-widths of the high spot's place: beyond which it is not told from a mark, and below which it never is (seen on
rendered clips)."""
_OFF_CENTRE_SPEAKS, _OFF_CENTRE_ROOM = 2.0, 1.25
"""From how many half-widths dots off centre are told of; and the room that their millimetres need beyond the fit's own
half-width, because small ones are expected and the estimate leans to them (seen on rendered clips)."""
_LEAST_ROWS, _LEAST_CYCLES, _READOUT_SPREAD = 6, 0.3, 0.15
"""Picture rows that must flicker for their bands to tell the readout; cycles down the picture that no noise makes; and
the share, a 95 % half-width, by which it is told too long or too short (seen on rendered clips)."""
_SURE_TURNS, _BESIDE = 4.0, 0.02
"""Turns over which a mark must be followed where it goes round otherwise than the dots by so large a share."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RimWork:
    """What a rim showed.

    Attributes
    ----------
    errors : RimErrors or None
    mark : MarkCourse or None
    off_centre_percent : float
        What dots off centre may still feign once a turn, a 95 % bound.
    told : bool
        Whether what they feign was told and taken off.
    """

    errors: RimErrors | None
    mark: MarkCourse | None
    off_centre_percent: float
    told: bool = True


def begin_rim(
    pattern: PatternReading, chosen: Hypothesis, time: TimeBase, *, sweep: str, gap_percent: float
) -> tuple[RimWork, Hypothesis]:
    """The rim looked at, and the hypothesis with what dots off centre add taken off, as far as the clip shows it.

    `sweep` is the way in which a rolling shutter goes through the picture, as of `strobe.capture.ClipFacts`. Where lamp
    and shutter may both time the dots (`gap_percent`), the parts of a row do not tell a ring off centre surely enough;
    then it stays in the uncertainty, and so does what does not stand out of its own.
    """
    rim, first, row = pattern.rim, pattern.rows[0], chosen.evidence.row
    if rim is None or first.shape is None or row.shape is None:
        return RimWork(None, None, RING_OFF_CENTRE_PERCENT), chosen
    line = chosen.line
    shared = np.clip(row.shape.x_px[[0, -1]], *first.shape.x_px[[0, -1]])
    if np.ptp(shared) < 1:  # Rows that stand beside each other in the picture share no rim.
        return RimWork(None, None, RING_OFF_CENTRE_PERCENT), chosen
    ratio = float(np.ptp(first.shape.dots_at(shared)) / np.ptp(row.shape.dots_at(shared)))
    first_count, first_dots = chosen.dots * ratio, line.dots * ratio
    errors = rim_errors(
        pattern,
        row,
        line.dots,
        chosen.dots,
        time_s=time.time_s,
        first_count=first_count,
        readout=_readout(chosen, time, sweep),
        lamp_cycles=chosen.lamp.cycles,
    )
    if errors is None:
        azimuth = (
            2 * np.pi / first_count * (rim.sector_dots - first.shape.dots_at(np.array([first.shape.width_px / 2])))
        )
        mark = _mark(pattern, azimuth, time, first_count, first_dots, turns_agree=chosen.turns_agree)
        return RimWork(None, mark, RING_OFF_CENTRE_PERCENT), chosen
    azimuth = errors.view.azimuth_of_dots_rad(rim.sector_dots)
    mark = _mark(pattern, azimuth, time, first_count, first_dots, turns_agree=chosen.turns_agree)
    left_percent, size_percent = (
        100 * 2 * np.pi * one / chosen.dots for one in (errors.false_dots_uncertainty, abs(errors.false_dots))
    )
    if gap_percent > 0:
        return RimWork(errors, mark, max(RING_OFF_CENTRE_PERCENT, size_percent + left_percent), told=False), chosen
    if size_percent < _OFF_CENTRE_SPEAKS * left_percent:
        return RimWork(errors, mark, size_percent + left_percent), chosen
    false = (errors.false_dots * np.exp(2j * np.pi * errors.turns_rev)).real
    return RimWork(errors, mark, left_percent), replace(chosen, line=replace(line, dots=line.dots - false))


def _readout(chosen: Hypothesis, time: TimeBase, sweep: str) -> Readout:
    """The readout by how the flicker rolls along the picture; without that, all that fits between two frames.

    Lamp-timed dots are late as well: among its flashes, a part of the row meets those of its own exposure, and in the
    mean over the flashes that is as late as its place. Where only some frames meet a flash, parts that it lights
    together see one time, and the mean is between that and theirs.
    """
    flash = chosen.lamp.flash
    shortest, longest = 0.0, time.interval_s
    if flash is not None and np.count_nonzero(flash.row_flicker) >= _LEAST_ROWS:
        cycles = abs(flash.sweep_cycles)
        if _LEAST_CYCLES < cycles < (1 + _READOUT_SPREAD) * flash.rate_hz * longest:
            told = cycles / flash.rate_hz
            longest = (1 + _READOUT_SPREAD) * told
            shortest = (1 - _READOUT_SPREAD) * told if np.all(chosen.line.lit) else 0.0
    if sweep == "sideways":
        shortest = -longest
    return Readout(sweep, (shortest + longest) / 2, (longest - shortest) / 2)


def _mark(
    pattern: PatternReading, azimuth_rad: _Floats, time: TimeBase, count: float, dots: _Floats, *, turns_agree: bool
) -> MarkCourse | None:
    """The mark that passes; one that goes round otherwise than the dots say has to do so many times.

    Where the small differences of the dots come round as they say, what goes otherwise is light of another row.
    """
    rim = pattern.rim
    assert rim is not None
    mark = follow_rim_mark(rim.lanes, azimuth_rad, time.time_s, sectors=round(count), dots=dots)
    turn_hz = float(np.ptp(dots)) / count / time.duration_s
    if mark is None or (abs(mark.rate_hz / turn_hz - 1) > _BESIDE and (mark.turns < _SURE_TURNS or turns_agree)):
        return None
    # Where in its interval a frame was exposed is not known.
    late = mark.rate_hz * time.interval_s
    return replace(mark, angle_uncertainty_rev=float(np.hypot(mark.angle_uncertainty_rev, late)))


def runout_of(work: RimWork, time: TimeBase, rim_mm: float | None) -> Runout | None:
    """The runout in millimetres; None where the clip does not tell."""
    errors = work.errors
    if errors is None or errors.axial_uncertainty > _WORST_AXIAL:
        return None
    radius, spread = (rim_mm or USUAL_RIM_MM) / 2, _RIM_SPREAD if rim_mm is None else _KNOWN_RIM_SPREAD
    size = abs(errors.axial)
    high_rad = -float(np.angle(errors.axial))
    unsure_deg = float(np.degrees(np.arcsin(min(1.0, errors.axial_uncertainty / max(size, 1e-9)))))
    unsure_deg = float(np.hypot(unsure_deg, _HIGH_FLOOR_DEG))
    passes = _passing_s(high_rad, errors.turns_rev, time.time_s)
    from_mark = None
    if work.mark is not None and work.mark.passes_s and unsure_deg < _SURE_HIGH_DEG:
        at_mark = 2 * np.pi * np.interp(np.array(work.mark.passes_s), time.time_s, errors.turns_rev)
        place = np.angle(np.mean(np.exp(1j * at_mark)))
        from_mark = float(np.degrees(high_rad - place) % 360)
    shape = errors.view.shape
    near_x = float(np.interp(0.0, errors.view.azimuth_rad(shape.x_px), shape.x_px))
    known = work.told and errors.radial_uncertainty < _WORST_RADIAL
    return Runout(
        axial_mm=2 * size * radius,
        axial_uncertainty_mm=2 * radius * float(np.hypot(errors.axial_uncertainty, spread * size)),
        axial_high_time_s=passes,
        radial_mm=2 * abs(errors.radial) * radius if known else None,
        radial_uncertainty_mm=(
            2 * radius * float(np.hypot(errors.radial_uncertainty, spread * abs(errors.radial))) if known else None
        ),
        axial_amplitude_mm=size * radius,
        tilt_deg=float(np.degrees(size)),
        tilt_uncertainty_deg=float(np.degrees(errors.axial_uncertainty)),
        high_spot_uncertainty_deg=unsure_deg,
        high_spot_from_mark_deg=from_mark,
        rim_mm=2 * radius,
        rim_assumed=rim_mm is None,
        elevation_deg=errors.view.elevation_deg,
        elevation_uncertainty_deg=errors.view.elevation_uncertainty_deg,
        near_x_share=near_x / shape.width_px,
        near_y_share=float(np.interp(near_x, shape.x_px, shape.y_px)) / shape.height_px,
    )


def _passing_s(place_rad: float, turns: _Floats, time_s: _Floats) -> float:
    """When a place of the platter first stands in front of the camera."""
    first = np.ceil(turns[0] - place_rad / (2 * np.pi))
    numbers = np.arange(first, turns[-1] - place_rad / (2 * np.pi))
    passes = np.interp(numbers + place_rad / (2 * np.pi), turns, time_s)
    return float(passes[0]) if passes.size else float(time_s[0])


def ring_of(work: RimWork, chosen: Hypothesis, dots: _Floats, time: TimeBase, rim_mm: float | None) -> RingShare | None:
    """What of the speed's swing once a turn is the ring's and what the platter's; None where the clip does not tell.

    `dots` (frames,) are those that the figures were made of.
    """
    errors = work.errors
    if errors is None or not work.told:
        return None
    percent = 100 * 2 * np.pi / chosen.dots
    real, spread = once_a_turn(dots, errors.turns_rev, time.time_s)
    # The speed is ahead of the dots by a quarter turn; the series counts the platter's angle from the first frame.
    swing = 1j * errors.ring_dots * np.exp(2j * np.pi * errors.turns_rev[0])
    radius = None if rim_mm is None else rim_mm / 2
    return RingShare(
        wobble_percent=percent * abs(real),
        wobble_uncertainty_percent=float(np.hypot(percent * COVERAGE * spread, work.off_centre_percent)),
        ring_percent=percent * abs(errors.false_dots),
        ring_uncertainty_percent=work.off_centre_percent,
        dots_percent=percent * abs(errors.ring_dots),
        dots_phase_deg=float(np.degrees(np.angle(swing))) % 360,
        runout_percent=percent * abs(errors.false_dots - errors.ring_dots),
        off_centre_mm=None if radius is None else abs(errors.ring) * radius,
        off_centre_uncertainty_mm=None if radius is None else _OFF_CENTRE_ROOM * errors.ring_uncertainty * radius,
    )


def notes_of_rim(ring: RingShare | None) -> tuple[Note, ...]:
    """What to beware of with a rim."""
    if ring is None or ring.ring_percent <= _OFF_CENTRE_SPEAKS * ring.ring_uncertainty_percent:
        return ()
    return (
        Note(
            "ring-off-centre",
            f"The rim or its dots run off centre, which feigns a swing of ±{ring.ring_percent:.2g} % once a turn; "
            "that is taken off.",
        ),
    )
