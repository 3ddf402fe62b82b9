"""A disc's ring with each part taken when it was exposed, and the bend taken off that a displaced map leaves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from strobe.measuring.hypotheses import Hypothesis
from strobe.pattern import RowSeries
from strobe.phase.ring import EvenRing

__all__ = ["timed"]

_UNTOLD_SHARE = 0.02
"""Of an off-centre share that was taken off, what may be left where the clip does not tell when each part was exposed:
the delay that is fitted then takes the bend of a displaced map for its own (0.7 to 1.5 % seen on rendered clips)."""
_SECOND_ORDER, _STEADY_SHARE = 0.3, 0.005
"""What may be left where it does tell, by the off-centre share e / R itself and steadily. While the map is learned the
ring lies off the spindle by no more than e; azimuths and radii about two middles that far apart leave half of
``(e / R)^2``, but the two go along for the most part: 0.17 of it was the most seen on rendered clips, and 0.003 of
e / R where that is small."""
_PURE = 0.2
"""Share of the other line, lamp's or shutter's, up to which a ring counts as seen by one of them: what light and a long
shutter mix had 0.31 on a rendered clip where parts were neither exposed at once nor one by one, all others 0.13 at most
and mostly 0.00."""
_BEND_FROM = 0.55
"""Share of the circle that must be seen to tell a ring's bend from its being off centre, as for two harmonics of it."""


def timed(
    row: RowSeries,
    even: EvenRing,
    turns: NDArray[np.float64],
    turns_per_s: float,
    chosen: Hypothesis,
    readout_s: float | None,
) -> EvenRing:
    """A ring made even with each part taken at the time that it is known to be exposed, and its bend taken off.

    The map is learned while the ring lies off the spindle, by c on the mean. About its middle a ring that is off centre
    shows ``Im log(1 + (c - e exp(i psi)) exp(-i a) / R)``: no part of it is common to the whole circle, but to second
    order there is a bend once a turn, ``e c / R^2`` at twice the azimuth. A delay from near to far side bends a ring
    just so, and shifts all of it besides. Where the delay is fitted, as `even_ring` must, the bend passes for one and
    feigns wobble. So here the delay is none where the shutter freezes the bars, whose azimuths turn with it, and the
    shutter's own under a lamp; and the bend is fitted.

    Parameters
    ----------
    row : RowSeries
        The ring as it was read.
    even : EvenRing
        The same made even, the delay fitted.
    turns : array of float64 (frames,)
        Turns of the platter.
    turns_per_s : float
    chosen : Hypothesis
        Which line of it is read, and under which lamp.
    readout_s : float or None
        What the shutter takes down the picture; None where that is not known.
    """
    ring = row.ring
    assert ring is not None
    if even.error is None:
        return even
    taken = abs(even.error.off_centre)
    at, sweep = ring.azimuth_rad[even.kept], ring.sweep_place[even.kept]
    # What was taken off goes round more than once where e / R is large: all but the little that it is unlike is known.
    known = np.conj(1j * chosen.dots * even.error.off_centre) * np.exp(1j * at)
    plain = row.blocks[:, even.kept] * np.exp(-1j * (known * np.exp(2j * np.pi * turns)[:, None]).real)
    delay_s = 0.0 if chosen.line.kind == "camera" else readout_s
    if delay_s is None or _other_line(plain, chosen) > _PURE:
        return replace(even, left_percent=float(np.hypot(even.left_percent, 100 * _UNTOLD_SHARE * taken)))
    unlike = np.unwrap(np.angle(plain * np.conj(even.blocks)), axis=0)
    apart = np.angle(even.blocks * np.conj(even.blocks.sum(axis=1))[:, None])
    removed, left = known + _once_a_turn(unlike, turns), _once_a_turn(apart, turns)
    centre = np.exp(1j * (at + 2 * np.pi * turns_per_s * delay_s * (sweep - sweep.mean())))
    bend = np.exp(2j * at)
    waves = [centre, bend] if ring.seen_share >= _BEND_FROM else [centre]
    fit, *_ = np.linalg.lstsq(np.stack([*waves, np.ones(at.size)], axis=1), removed + left, rcond=None)
    back = removed - sum(amount * wave for amount, wave in zip(fit, waves, strict=False))
    moved = (np.exp(2j * np.pi * turns)[:, None] * back).real
    share = float(np.hypot(_SECOND_ORDER * taken, _STEADY_SHARE))
    return replace(
        even,
        blocks=(even.blocks * np.exp(1j * moved)).astype(np.complex64),
        left_percent=float(np.hypot(even.left_percent, 100 * share * taken)),
    )


def _other_line(blocks: NDArray[np.complexfloating], chosen: Hypothesis) -> float:
    """How strong, in parts of a ring (frames, blocks), the line is that is not read, by the one that is.

    Light that only comes and goes makes lines on both sides of the shutter's alike, and moves nothing.
    """
    if chosen.lamp.cycles is None:
        return 0.0
    lamp, shutter, beyond = (
        float(np.abs(np.exp(-2j * np.pi * (chosen.line.dots + h * chosen.lamp.cycles)) @ blocks).mean())
        for h in (-1, 0, 1)
    )
    return abs(lamp - beyond) / shutter if chosen.line.kind == "camera" else shutter / lamp


def _once_a_turn(phase: NDArray[np.float64], turns: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Amplitudes z (blocks,) of what phases (frames, blocks) do once a turn, ``Re(z exp(2 pi i turns))``."""
    angle = 2 * np.pi * turns
    columns = [np.ones(turns.size)] + [wave(m * angle) for m in (1, 2) for wave in (np.cos, np.sin)]
    fit, *_ = np.linalg.lstsq(np.stack(columns, axis=1), phase, rcond=None)
    amplitudes: NDArray[np.complex128] = fit[1] - 1j * fit[2]
    return amplitudes
