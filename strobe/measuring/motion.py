"""Whether the dots move, and the camera's own motion taken out of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.pattern import PatternReading, RowSeries

__all__ = ["moves", "shake_dots", "steadied"]

_CLEARLY_FOLLOWS = 0.5
MUCH_SHAKE_PX = 0.5
"""A camera on a stand stays well below this, flicker and coding included."""


def shake_dots(row: RowSeries, pattern: PatternReading) -> NDArray[np.float64]:
    """Dots to add to the phase so that the picture's own motion is out of it; zero where the camera stood still."""
    still = np.zeros(pattern.time_s.size)
    shift = pattern.shift_px
    if not np.all(np.isfinite(shift)):
        return still
    along = shift[:, 0] + row.slope * shift[:, 1]
    quick = along - np.polynomial.polynomial.polyval(
        pattern.time_s, np.polynomial.polynomial.polyfit(pattern.time_s, along, 1)
    )
    if float(np.std(quick)) < min(max(0.05, 4 * pattern.shift_noise_px), MUCH_SHAKE_PX):
        return still
    return (along - along[0]) / row.mean_pitch_px


def steadied(
    dots: NDArray[np.float64], row: RowSeries, pattern: PatternReading
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Dots that have passed with the camera's motion taken off, that motion in dots, and the 1-sigma noise it brings.

    The motion is taken off only where the dots clearly follow it and run more smoothly without it (flicker can pass for
    motion of the scenery); else it is zero.

    Raises
    ------
    Refused
        ``shaken`` when the scenery moves much and taking that off does not steady the dots.
    """
    shake = shake_dots(row, pattern)
    jerk, shaken = np.diff(dots, 2), np.diff(shake, 2)
    follows = -float(jerk @ shaken) > _CLEARLY_FOLLOWS * float(np.linalg.norm(jerk) * np.linalg.norm(shaken))
    if shake.any() and follows and float(np.std(jerk + shaken)) < float(np.std(jerk)):
        return dots + shake, shake, pattern.shift_noise_px / row.mean_pitch_px
    much = float(np.std(shaken)) * row.mean_pitch_px
    if much > MUCH_SHAKE_PX:
        raise Refused(
            "shaken",
            f"The picture shakes by about {much:.1f} pixels from frame to frame, and the background does not show how "
            "the dots moved with it.",
            "Put the phone on a stand or against something solid, and film again.",
        )
    return dots, np.zeros_like(dots), 0.0


def moves(row: RowSeries, pattern: PatternReading) -> bool:
    """Whether the row's dots move against the scenery by more than noise and what is left of shake.

    What a grey level or two of other things in the band can move the phase by grows as the pattern gets fainter.
    """
    total = row.blocks.astype(np.complex128).sum(axis=1)
    phase = np.unwrap(np.angle(total)) / (2 * np.pi)
    shake = shake_dots(row, pattern)
    moved = phase + shake
    jitter = 1.4826 * float(np.median(np.abs(np.diff(phase, 2)))) / np.sqrt(6)
    travel = abs(float(np.median(moved[-8:]) - np.median(moved[:8])))
    swing = float(np.ptp(shake))
    if swing > 0.02:
        return travel > 0.3 + 0.25 * swing
    return float(np.ptp(moved)) > max(0.006, 10 * jitter, 0.4 / row.amplitude)
