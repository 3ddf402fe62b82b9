"""The frequency weighting for wow and flutter of IEC 60386, as a table and as a formula.

The table is Table I of IEC 60386:1972, the same as in AES6 and DIN 45507 (values and tolerances from memory; the
tolerances are the less certain of the two). The formula is a smooth rational function fitted to it, since the standard
gives magnitudes only. It is meant to be applied as a magnitude on the bins of a spectrum: a digital filter made from
it by the bilinear transform would be warped near half the frame rate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "WEIGHTING_TABLE",
    "check_weighting",
    "weighting_db",
    "weighting_gain",
    "weighting_limits_db",
]

# Frequency Hz, gain dB, upper and lower tolerance dB. IEC 60386:1972 Table I; values from memory.
WEIGHTING_TABLE: tuple[tuple[float, float, float, float], ...] = (
    (0.1, -48.0, 10.0, -4.0),
    (0.2, -30.6, 10.0, -4.0),
    (0.315, -19.7, 4.0, -4.0),
    (0.4, -15.0, 4.0, -4.0),
    (0.63, -8.4, 2.0, -2.0),
    (0.8, -6.0, 2.0, -2.0),
    (1.0, -4.2, 2.0, -2.0),
    (1.6, -1.8, 2.0, -2.0),
    (2.0, -0.9, 2.0, -2.0),
    (4.0, 0.0, 0.0, 0.0),
    (6.3, -0.9, 2.0, -2.0),
    (10.0, -2.1, 2.0, -2.0),
    (20.0, -5.9, 2.0, -2.0),
    (40.0, -10.4, 2.0, -2.0),
    (63.0, -14.2, 2.0, -2.0),
    (100.0, -17.3, 2.0, -2.0),
    (200.0, -23.0, 2.0, -2.0),
)

_REFERENCE_HZ = 4.0
"""Where the table says 0 dB without a tolerance."""
_REFERENCE_TOLERANCE_DB = 0.001
"""Granted there for rounding."""
_ZERO_HZ = 31.97279582
_POLES_HZ = (1.42852728, 8.66089868, 43.86894689)
_PAIR_HZ = 0.4452823010656058
_PAIR_Q = 0.6175847391801184
_GAIN = 13.903240756132833
"""Zero, poles, pair and factor of the formula in `weighting_gain`: minimax fit to the table, and 1 at 4 Hz."""


def weighting_gain(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Weighting as a linear magnitude, 1 at 4 Hz.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies in Hz, not negative, any shape.

    Returns
    -------
    array of float64
        Gain of the shape of `frequency_hz`; 0 at 0 Hz.

    Raises
    ------
    ValueError
        If a frequency is negative or not finite, or if the formula leaves the table's tolerances.

    Notes
    -----
    ``H(s) = K s^3 (s + z) / [(s + p1)(s + p2)(s + p3)(s^2 + s f0 / Q + f0^2)]`` at ``s = j f``, a minimax fit to
    the table, within 0.27 dB of every row. The result is checked against the table each time before it is returned.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(np.isfinite(frequency)) or np.any(frequency < 0.0):
        raise ValueError("frequency_hz must be finite and not negative")
    squared = frequency * frequency
    gain = _GAIN * frequency * squared * np.sqrt(squared + _ZERO_HZ**2)
    for pole in _POLES_HZ:
        gain = gain / np.sqrt(squared + pole * pole)
    gain = gain / np.sqrt((_PAIR_HZ**2 - squared) ** 2 + squared * (_PAIR_HZ / _PAIR_Q) ** 2)
    check_weighting(frequency, gain)
    return np.asarray(gain, dtype=np.float64)


def weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Weighting in dB relative to 4 Hz; minus infinity at 0 Hz. Shape and errors as `weighting_gain`."""
    gain = weighting_gain(frequency_hz)
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(gain), dtype=np.float64)


def weighting_limits_db(frequency_hz: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest gain in dB that the table allows, for frequencies inside 0.1 to 200 Hz.

    Between two rows the gain is read on the straight line over the logarithm of the frequency, and the wider of the two
    tolerances holds; at a row its own tolerance holds.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    rows = np.array(WEIGHTING_TABLE)
    if np.any(frequency < rows[0, 0]) or np.any(frequency > rows[-1, 0]):
        raise ValueError("the weighting's table covers 0.1 to 200 Hz only")
    centre = np.interp(np.log(frequency), np.log(rows[:, 0]), rows[:, 1])
    below = np.searchsorted(rows[:, 0], frequency, side="right") - 1
    above = np.searchsorted(rows[:, 0], frequency, side="left")
    lowest = centre + np.minimum(rows[below, 3], rows[above, 3])
    highest = centre + np.maximum(rows[below, 2], rows[above, 2])
    return lowest, highest


def check_weighting(frequency_hz: ArrayLike, gain: ArrayLike) -> None:
    """Raise unless linear gains lie inside the table's tolerances, where the table reaches (0.1 to 200 Hz).

    At 4 Hz the table allows no deviation; 0.001 dB is granted for rounding.

    Raises
    ------
    ValueError
        Naming the first frequency that fails.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    covered = (frequency >= WEIGHTING_TABLE[0][0]) & (frequency <= WEIGHTING_TABLE[-1][0])
    inside = frequency[covered]
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 20.0 * np.log10(np.asarray(gain, dtype=np.float64)[covered])
    lowest, highest = weighting_limits_db(inside)
    allowance = np.where(inside == _REFERENCE_HZ, _REFERENCE_TOLERANCE_DB, 0.0)
    failed = ~((level >= lowest - allowance) & (level <= highest + allowance))
    if np.any(failed):
        first = int(np.argmax(failed))
        raise ValueError(
            f"weighting of {level[first]:.2f} dB at {inside[first]:g} Hz is outside "
            f"{lowest[first]:.2f} to {highest[first]:.2f} dB of IEC 60386"
        )
