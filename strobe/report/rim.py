"""The platter's own geometry in words: runout, its high spot, and what dots off centre add once a turn."""

from __future__ import annotations

from strobe.measurement import IndexMark, Measurement, RingShare, Runout
from strobe.report.words import at_most, peak_words, rounded

__all__ = ["mark_line", "ring_line", "runout_lines"]

_SURE_DEG = 60.0
"""Half-width of the high spot's place below which it is told: wider, it is hardly a place any more; our own choice."""


def runout_lines(measurement: Measurement, *, always: bool = False) -> list[str]:
    """What the rim does, empty where it runs true as far as the clip tells; with `always` that is said too."""
    runout = measurement.runout
    if runout is None:
        return ["The clip does not show how true the rim runs."] if always else []
    seen = runout.axial_mm > runout.axial_uncertainty_mm
    radial = runout.radial_mm is not None and runout.radial_uncertainty_mm is not None
    inward = radial and (runout.radial_mm or 0.0) > (runout.radial_uncertainty_mm or 0.0)
    if not (seen or inward or always):
        return []
    lines = []
    if seen:
        tilt = "" if runout.tilt_deg is None else f"; the platter leans {runout.tilt_deg:.2f} degrees"
        half, unsure = runout.axial_mm / 2, runout.axial_uncertainty_mm / 2
        lines.append(
            f"rises and falls {_mm(runout.axial_mm, runout.axial_uncertainty_mm)}, high to low "
            f"(TIR), ±{half:.{min(2, rounded(unsure))}f} about its mean{tilt}"
        )
        if runout.high_spot_uncertainty_deg is not None and runout.high_spot_uncertainty_deg < _SURE_DEG:
            lines.append(_high_spot(runout))
    else:
        lines.append(f"rises and falls by less than {at_most(runout.axial_mm + runout.axial_uncertainty_mm, 2)} mm")
    if radial:
        whole, spread = runout.radial_mm or 0.0, runout.radial_uncertainty_mm or 0.0
        size = _mm(whole, spread) if inward else f"less than {at_most(whole + spread, 2)} mm"
        lines.append(f"runs in and out {size}, by the change of scale")
    elif always:
        lines.append("how far it runs in and out the clip does not tell: film nearer, with more of the rim in view")
    if runout.rim_assumed and runout.rim_mm is not None:
        lines.append(f"millimetres if the rim is {runout.rim_mm:.0f} mm across, which was assumed: --rim-mm")
    return lines


def ring_line(ring: RingShare) -> str:
    """The parts of the swing once a turn."""
    spread = ring.ring_uncertainty_percent
    whose = peak_words(ring.wobble_percent, ring.wobble_uncertainty_percent)
    line = f"once a turn: the platter's speed {whose}, dots off centre {peak_words(ring.ring_percent, spread)}"
    mm, unsure = ring.off_centre_mm, ring.off_centre_uncertainty_mm
    if mm is not None and unsure is not None:
        size = _mm(mm, unsure) if mm > unsure else f"less than {at_most(mm + unsure, 2)} mm"
        line += f", {size} along the rim"
    return line


def mark_line(index: IndexMark) -> str:
    """What the mark says of the speed."""
    spread = index.uncertainty_percent
    own = (
        "as the dots say"
        if index.agrees
        else f"{index.difference_percent:+.{rounded(spread)}f} % off what the dots say"
    )
    rpm = index.mean_rpm
    return (
        f"passes every {index.turn_s:.4f} s over {index.turns:.1f} turns: {rpm:.{rounded(spread / 100 * rpm)}f} rpm "
        f"(±{spread:.{rounded(spread)}f} %), {own}"
    )


def _high_spot(runout: Runout) -> str:
    unsure = runout.high_spot_uncertainty_deg or 0.0
    line = f"its high spot faces the camera at {runout.axial_high_time_s:.2f} s"
    if runout.high_spot_from_mark_deg is None:
        return f"{line} (±{unsure:.0f} degrees of the turn); a bit of tape on the rim would give its place"
    return (
        f"{line}, and lies {runout.high_spot_from_mark_deg:.0f} degrees (±{unsure:.0f}) to the right of the mark that "
        "passes, as you look at the rim"
    )


def _mm(value: float, spread: float) -> str:
    places = min(2, rounded(spread))
    return f"{value:.{places}f} mm (±{spread:.{places}f})"
