"""For uneven time stamps: which clock is the sensor's own is asked of the dots, that run evenly by it."""

from __future__ import annotations

from dataclasses import replace

from strobe.measuring.hypotheses import Hypothesis
from strobe.phase import TimeBase

__all__ = ["smoothest_clock"]

_CLEARLY_SMOOTHER = 0.85
"""Noise by another clock, over that by this one, below which the other is taken (by trial)."""
_TRUST_IN_FLICKER = (1.0, 0.6)
"""What the brightness of single frames says of their times is noisy too; the whole of it, and a part, are tried."""


def smoothest_clock(time: TimeBase, chosen: Hypothesis) -> tuple[TimeBase, Hypothesis]:
    """The times, and the hypothesis read at them, by which the dots run smoothest; as they are for even stamps.

    The stamps themselves, an even cadence under them, and the lamp's flicker in each frame are tried. The phase of the
    lamp is taken along from the one to the other.
    """
    if (time.kind != "stamps" and time.noise_s == 0) or chosen.line.kind != "camera":
        return time, chosen
    clocks = [time.on_cadence() if time.kind == "stamps" else time.on_stamps()]
    flash = chosen.lamp.flash
    if flash is not None:
        later_s = flash.jitter_cycles / flash.rate_hz
        clocks += [time.shifted(trust * later_s) for trust in _TRUST_IN_FLICKER]
    for clock in clocks:
        there = chosen.lamp
        if there.cycles is not None and there.rate_hz is not None:
            there = replace(there, cycles=there.cycles + there.rate_hz * (clock.time_s - time.time_s))
        line = chosen.read_again(chosen.evidence.amplitude, clock, there)
        if line.noise_dots < _CLEARLY_SMOOTHER * chosen.line.noise_dots:
            time, chosen = clock, replace(chosen, line=line, lamp=there)
    return time, chosen
