"""What is on the rim of the platter: rings of dots, marks and streaks, and how far from true it runs.

Conventions: azimuth in radians about the platter's axis, of points that turn with it, equal to the picture's
azimuth (`strobe.render.geometry`) when the platter's angle is zero; z in mm up from the platter's top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from strobe.render.rules import demand, not_negative, positive

__all__ = ["DotRow", "Mark", "Runout", "Surface"]


@dataclass(frozen=True)
class DotRow:
    """One ring of bright dots printed round the rim on a dark band.

    Attributes
    ----------
    dots : int
        Dots per turn.
    z_mm, height_mm : float
        Middle of the ring below (negative) the platter's top, and its height.
    duty : float
        Width of a dot as a share of the pitch.
    shape : {'rect', 'round'}
        Upright bars, or ellipses as high as the ring.
    uneven_place, uneven_brightness : float
        Standard deviation from dot to dot: of the place as a share of the pitch, of the brightness as a share
        of it.
    dust_specks : int
        Dark specks at random places of the ring.
    joint_gap : float
        By how much the pitch is wider, in pitches, or narrower where negative, at the joint of a strip laid round the
        rim, which is at azimuth 0; the other pitches share what is left of the turn.
    """

    dots: int
    z_mm: float = -12.0
    height_mm: float = 3.4
    duty: float = 0.5
    shape: Literal["rect", "round"] = "rect"
    uneven_place: float = 0.002
    uneven_brightness: float = 0.03
    dust_specks: int = 6
    joint_gap: float = 0.0

    def __post_init__(self) -> None:
        demand(self.dots >= 3, "dots", self.dots, "a ring needs at least three")
        positive(self, ["height_mm"])
        demand(0 < self.duty < 1, "duty", self.duty, "must lie between 0 and 1")
        demand(-0.5 < self.joint_gap < 0.5, "joint_gap", self.joint_gap, "must be less than half a pitch")
        demand(self.shape in ("rect", "round"), "shape", self.shape, "must be 'rect' or 'round'")


@dataclass(frozen=True)
class Mark:
    """A bright mark that turns with the platter: a sticker, or a scratch."""

    azimuth_rad: float
    width_mm: float = 6.0
    z_mm: float = -3.0
    height_mm: float = 3.0
    brightness: float = 0.8

    def __post_init__(self) -> None:
        positive(self, ["width_mm", "height_mm", "brightness"])


@dataclass(frozen=True)
class Surface:
    """What else is seen on the rim.

    Attributes
    ----------
    marks : tuple of Mark
        Bright marks at known places.
    scratches : int
        Fine bright scratches at random places, which turn with the platter.
    streaks : int
        Reflections at random places, which stand still, over dots and metal alike.
    streak_brightness : float
        Linear level that the brightest streak adds, where white paper is 1.
    """

    marks: tuple[Mark, ...] = ()
    scratches: int = 0
    streaks: int = 0
    streak_brightness: float = 0.6

    def __post_init__(self) -> None:
        not_negative(self, ["scratches", "streaks", "streak_brightness"])


@dataclass(frozen=True)
class Runout:
    """How far the rim and its rings run from true; lengths are whole swings, high to low.

    Attributes
    ----------
    axial_mm, axial_high_rad : float
        Rise and fall of the rim, and the azimuth of its highest point.
    radial_mm, radial_high_rad : float
        In and out of the rim, and the azimuth of its farthest point.
    ring_offset_mm, ring_offset_rad : float
        Distance of the middle of the printed rings from the axis, and its direction: dots at even angles
        about their own middle pass unevenly, which looks like a swing of ``offset / radius`` once a turn.
    """

    axial_mm: float = 0.0
    axial_high_rad: float = 0.0
    radial_mm: float = 0.0
    radial_high_rad: float = 0.0
    ring_offset_mm: float = 0.0
    ring_offset_rad: float = 0.0

    def __post_init__(self) -> None:
        not_negative(self, ["axial_mm", "radial_mm", "ring_offset_mm"])

    def rise_mm(self, azimuth_rad: NDArray[Any]) -> NDArray[Any]:
        """Rise of the rim at points that turn with it."""
        return self.axial_mm / 2 * np.cos(azimuth_rad - self.axial_high_rad)

    def reach_mm(self, azimuth_rad: NDArray[Any]) -> NDArray[Any]:
        """Growth of the rim's radius at points that turn with it."""
        return self.radial_mm / 2 * np.cos(azimuth_rad - self.radial_high_rad)

    def displaced(self, azimuth_rad: NDArray[Any], radius_mm: float) -> NDArray[Any]:
        """Azimuth about the axis of dots given by their azimuth about the rings' own middle."""
        return azimuth_rad + self.ring_offset_mm / radius_mm * np.sin(self.ring_offset_rad - azimuth_rad)
