"""What one tight spot of the bearing can make at once, twice, ... a turn, and what it cannot.

A spot brakes for a short part of each turn, so its torque holds the low multiples of the turn about alike, the higher
ones less. The platter follows each of them as a mass on a spring does, the spring being belt, idler or speed control.
A part with lobes instead moves the platter at one multiple and leaves those beside it alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["spot_shares"]

SPOT_WIDTHS_REV = (0.02, 0.04, 0.06, 0.08, 0.1)
"""Widths of a spot, as the standard deviation of its torque over the turn: 7 to 36 degrees; common practice."""
RATE_STEPS = 13
"""Rates of the spring tried over their span: each 12 % from the next over that of a belt not described, 22 % over that
of a control, whose swing is damped more; a rate between two of them is within `SLACK` of either."""
SLACK = 1.3
"""How much more than the model a spot may make: the steps between the widths and the rates tried, and the slip and
creep that the model leaves out. By trial: of 19 spots behind belts and direct drives it explains 99 % or more."""
FEWEST_ORDERS = 3
"""Times a turn that must be seen: twice, and once beside it on the far side."""

Array = NDArray[np.float64]


def spot_shares(
    amplitude: Array,
    noise: Array,
    *,
    turn_rate_hz: float,
    spring_hz: tuple[float, float],
    damping: tuple[float, ...],
    counted: Array,
) -> Array:
    """Share of the square at once, twice, ... a turn that one tight spot may have made, each 0 to 1.

    Parameters
    ----------
    amplitude, noise : (K,) array
        Of the speed, in percent, and what noise alone gives there.
    turn_rate_hz : float
        Turns of the platter a second.
    spring_hz : pair of float
        Slowest and fastest rate at which the platter may swing on what drives it.
    damping : tuple of float
        Damping ratios that this swing may have.
    counted : (K,) array
        Share of each square, 0 to 1, that is tied to the platter at all; the rest is no matter of a spot.

    Notes
    -----
    A torque T at k times a turn gives a speed of ``T k r / |1 - (k r)^2 + 2 i d k r|`` with r the turn's rate over the
    spring's; a spot of width w holds ``T = exp(-(2 pi k w)^2 / 2)``. The spot is as strong as the weakest multiple
    allows; once a turn does not bind it, because what is off centre may cancel it there. Of all springs and widths
    that one counts that explains most.
    """
    if amplitude.size < FEWEST_ORDERS:
        return np.zeros_like(amplitude)
    rates = np.geomspace(*spring_hz, RATE_STEPS)
    rate, damp, width = (one.reshape(-1, 1) for one in np.meshgrid(rates, damping, SPOT_WIDTHS_REV))
    order = np.arange(1, amplitude.size + 1)
    ratio = order * turn_rate_hz / rate
    made = np.abs(ratio / (1 - ratio**2 + 2j * damp * ratio)) * np.exp(-0.5 * (2 * np.pi * order * width) ** 2)
    strength = np.min(((amplitude + noise) / made)[:, 1:], axis=1, keepdims=True)
    share = np.minimum(1.0, (SLACK * strength * made / np.maximum(amplitude, 1e-12)) ** 2)
    explained = (share * counted * amplitude**2)[:, 1:].sum(axis=1)
    return np.asarray(share[np.argmax(explained)])
