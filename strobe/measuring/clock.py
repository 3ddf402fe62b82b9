"""The camera's clock: by how much it errs, how well that is known, and the frame times with the error taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from strobe.errors import UsageError
from strobe.phase import TimeBase

__all__ = ["ROUNDED_RATE_PPM", "UNCALIBRATED_PPM", "CameraClock", "scaled", "stretch_of"]

UNCALIBRATED_PPM = 50.0
"""Expanded error of a phone's crystal (value from memory: data sheets say 10 to 50 parts in a million)."""

ROUNDED_RATE_PPM = 1000.0
"""What a rate that is only said may be off: 29.97 called 30 (computed: 1001 / 1000)."""

_MOST_PPM = 2000.0
"""Largest rate error, and uncertainty of it, that may be given, by choice: twice `ROUNDED_RATE_PPM`; more is a slip."""
_SAME_RATE = 0.02
"""How far, relatively, a told rate may be from a whole multiple of the file's and mean it: 29.97 called 30 is 0.001
off, and multiples up to 8 lie 0.12 apart (closed form: 1/8)."""


@dataclass(frozen=True)
class CameraClock:
    """A camera's clock.

    Attributes
    ----------
    rate_error_ppm : float
        Parts per million by which it runs fast: a clock that is 20 ppm fast shows 1.000020 s after one second.
    uncertainty_ppm : float
        95 % half-width of what is left when `rate_error_ppm` has been taken off.
    calibrated : bool
        Whether the error was measured, not merely taken as zero.
    """

    rate_error_ppm: float = 0.0
    uncertainty_ppm: float = UNCALIBRATED_PPM
    calibrated: bool = False

    @classmethod
    def of(cls, rate_error_ppm: float | None, uncertainty_ppm: float | None) -> Self:
        """The clock for a known error, or an uncalibrated one where neither value is given.

        Raises
        ------
        UsageError
            One value without the other, or a value that no clock has.
        """
        if rate_error_ppm is None and uncertainty_ppm is None:
            return cls()
        if rate_error_ppm is None or uncertainty_ppm is None:
            raise UsageError("the camera's rate error and its uncertainty belong together; give both or neither")
        if not (math.isfinite(rate_error_ppm) and abs(rate_error_ppm) <= _MOST_PPM):
            raise UsageError(
                f"the camera's rate error is {rate_error_ppm:g} ppm; it lies between -{_MOST_PPM:g} and {_MOST_PPM:g}."
            )
        if not 0 < uncertainty_ppm <= _MOST_PPM:
            raise UsageError(
                f"the uncertainty of the camera's rate is {uncertainty_ppm:g} ppm; it is above 0 and at most "
                f"{_MOST_PPM:g}."
            )
        return cls(rate_error_ppm, uncertainty_ppm, True)

    @property
    def uncertainty_percent(self) -> float:
        """95 % half-width of every rate by this clock, in percent."""
        return self.uncertainty_ppm * 1e-4

    def true_time(self, time: TimeBase) -> TimeBase:
        """The same frames in true seconds."""
        return scaled(time, 1 / (1 + 1e-6 * self.rate_error_ppm))


def scaled(time: TimeBase, factor: float) -> TimeBase:
    """The same frames on a clock that runs at another pace."""
    if factor == 1.0:
        return time
    return replace(
        time,
        time_s=time.time_s * factor,
        stamp_s=time.stamp_s * factor,
        interval_s=time.interval_s * factor,
        grid_s=time.grid_s * factor,
        noise_s=time.noise_s * factor,
    )


def stretch_of(time: TimeBase, told_hz: float, *, exact: bool) -> tuple[float, float]:
    """How much slower than it was filmed a file plays, and the 95 % half-width of that in parts per million.

    Cameras slow down by a whole factor, so that the file's own stamps still carry their clock. What is said of the rate
    is a round number; where it does not fit a whole factor, the difference is not known. Only a file without stamps of
    its own is brought to the told rate `exact` as it is.
    """
    ratio = told_hz * time.interval_s
    if abs(ratio - 1) < _SAME_RATE:
        return (ratio, 0.0) if exact else (1.0, 0.0)
    whole = float(np.rint(ratio)) if ratio > 1 else 1 / float(np.rint(1 / ratio))
    if abs(ratio / whole - 1) < _SAME_RATE:
        return whole, 1e6 * abs(ratio / whole - 1)
    return ratio, ROUNDED_RATE_PPM
