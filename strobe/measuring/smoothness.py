"""For uneven time stamps: which clock is the sensor's own is asked of the dots, that run evenly by it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from strobe.measuring.hypotheses import Hypothesis
from strobe.phase import TimeBase

__all__ = ["smoothest_clock"]

_CLEARLY_SMOOTHER = 0.85
"""Noise by another clock, over that by this one, below which the other is taken (by trial)."""
_TRUST_IN_FLICKER = (1.0, 0.6)
"""What the brightness of single frames says of their times is noisy too; the whole of it, and a part, are tried."""
_FRAMES_ON, _LEAST_STEPS = 4, 40
"""Frames over which it is looked how dots and stamps go together: the farther, the less rounding hides of a walk, and
the more the wobble does (by trial); and of how many."""
_GO_WITH_STAMPS, _SIGMAS = 0.25, 2.0
"""How much of what the stamps stray from the cadence the dots must surely show for the frames to be where those say:
all of it but what rounding adds, or nothing where only the stamps are late."""


def smoothest_clock(time: TimeBase, chosen: Hypothesis) -> tuple[TimeBase, Hypothesis]:
    """The times, and the hypothesis read at them, by which the dots run smoothest; as they are for even stamps.

    The stamps themselves, an even cadence under them, and the lamp's flicker in each frame are tried. The phase of the
    lamp is taken along from the one to the other. Where the dots stray from the cadence as the stamps do, the cadence
    is none, though they run smoother by it: frames that wander off it slowly look like a platter that does.
    """
    if (time.kind != "stamps" and time.noise_s == 0) or chosen.line.kind != "camera":
        return time, chosen
    uneven = time if time.kind == "stamps" else time.on_stamps()
    even = time.on_cadence() if time.kind == "stamps" else time
    clocks = [uneven if time is even else even]
    flash = chosen.lamp.flash
    if flash is not None:
        later_s = flash.jitter_cycles / flash.rate_hz
        clocks += [time.shifted(trust * later_s) for trust in _TRUST_IN_FLICKER]
    if _go_with_stamps(even, _at(even, time, chosen)):
        clocks = clocks[1:]
        if time is even:
            time, chosen = uneven, _at(uneven, time, chosen)
    for clock in clocks:
        there = _at(clock, time, chosen)
        if there.line.noise_dots < _CLEARLY_SMOOTHER * chosen.line.noise_dots:
            time, chosen = clock, there
    return time, chosen


def _at(clock: TimeBase, time: TimeBase, chosen: Hypothesis) -> Hypothesis:
    """The hypothesis, that was read at `time`, read again by another clock."""
    there = chosen.lamp
    if there.cycles is not None and there.rate_hz is not None:
        there = replace(there, cycles=there.cycles + there.rate_hz * (clock.time_s - time.time_s))
    return replace(chosen, line=chosen.read_again(chosen.evidence.amplitude, clock, there), lamp=there)


def _go_with_stamps(even: TimeBase, chosen: Hypothesis) -> bool:
    """Whether the dots, read by an even clock, stray from it as the stamps do: from frames a little way apart."""
    line = chosen.line
    off = np.stack([even.stamp_s - even.time_s, line.dots / line.dot_rate_hz - even.time_s])
    if off.shape[1] < _LEAST_STEPS + _FRAMES_ON:
        return False
    stamped, shown = (one - one.mean() for one in off[:, _FRAMES_ON:] - off[:, :-_FRAMES_ON])
    power = float(stamped @ stamped)
    share = float(stamped @ shown) / power
    left = shown - share * stamped
    # Steps of so many frames overlap.
    sigma = np.sqrt(float(left @ left) / power / left.size * _FRAMES_ON)
    return bool(share - _SIGMAS * sigma > _GO_WITH_STAMPS)
