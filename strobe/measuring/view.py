"""From where a rim is seen: a pinhole camera before a circle, fitted to the row of dots.

The dots are evenly spaced round the rim, so that the places of a row's dots in the picture tell how high the camera
stands, how near, and how it leans; the lens is only roughly known beforehand. Lengths are in radii of the rim; azimuth
zero is where the camera stands and grows to the right, so that a point printed at azimuth b is seen at ``b - 2 pi
theta`` after theta turns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.figures.results import COVERAGE
from strobe.pattern import RowShape

__all__ = ["RimView", "fit_view"]

_FOCAL_SHARE, _FOCAL_SPREAD = 0.95, 0.3
"""Focal length over the longer side of the picture: phones and webcams have 0.75 to 1.2 (common practice)."""
_DISTANCE, _DISTANCE_SPREAD = 1.5, 0.6
"""To the near side of the rim in its radii, and how far off that may be, in its logarithm."""
_ELEVATION, _ELEVATION_SPREAD, _ROLL_SPREAD, _AIM_SPREAD = 0.15, 0.35, 0.3, 0.3
"""Of a phone held to a rim, in radians, as expected before the row is looked at."""
_CURVE_PX = 0.25
"""How well the curve of a row is known in the picture, its own slow bends included."""
_STARTS_DEG = (-5.0, 4.0, 12.0, 25.0)
"""Elevations from which the fit begins, over what phones are held at; the best fit of all is taken (by trial)."""
_WORST_PX = 3.0
"""Rms of what is left, in pixels of a picture up to 1280 wide, beyond which no camera sees a circle so: twelve times
`_CURVE_PX` (by trial)."""
_STEP = 1e-4
"""Radii, or radians, by which a derivative is taken: its own error is about as small a share."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RimView:
    """The camera and how sure it is.

    Attributes
    ----------
    shape : RowShape
        The row that it was fitted to.
    dots : float
        Dots of the row in one turn.
    parameters : array of float64 (7,)
        Azimuth of the row's left end, log distance to the near rim, elevation, roll, pan, tilt (rad), and log focal
        length in px.
    covariance : array of float64 (7, 7)
    """

    shape: RowShape
    dots: float
    parameters: _Floats
    covariance: _Floats

    @property
    def elevation_deg(self) -> float:
        """Height of the camera above the level of the row."""
        return float(np.degrees(self.parameters[2]))

    @property
    def elevation_uncertainty_deg(self) -> float:
        """Its 95 % half-width."""
        return float(np.degrees(COVERAGE * np.sqrt(self.covariance[2, 2])))

    def others(self, count: int) -> list[RimView]:
        """Cameras that go with the row as well: `count` draws, the same each time."""
        draws = np.random.default_rng(0).multivariate_normal(self.parameters, self.covariance, count)
        return [RimView(self.shape, self.dots, one, self.covariance) for one in draws]

    def azimuth_rad(self, x_px: _Floats) -> _Floats:
        """Azimuth of the places of the row at `x_px`."""
        return self.azimuth_of_dots_rad(self.shape.dots_at(x_px))

    def azimuth_of_dots_rad(self, dots: _Floats) -> _Floats:
        """Azimuth of the places so many dots from the left end of the row."""
        return np.asarray(self.parameters[0] + 2 * np.pi / self.dots * dots)

    def moved_px(self, azimuth_rad: _Floats) -> tuple[_Floats, _Floats]:
        """What a rise, and a growth of the radius, by one radius do in the picture: (n, 2) each, right and down."""
        base = _project(self.parameters, azimuth_rad, self.shape)
        rise = (_project(self.parameters, azimuth_rad, self.shape, rise=_STEP) - base) / _STEP
        reach = (_project(self.parameters, azimuth_rad, self.shape, radius=1 + _STEP) - base) / _STEP
        return rise, reach

    def slope(self, azimuth_rad: _Floats) -> _Floats:
        """Fall of the row per pixel to the right."""
        after, before = (_project(self.parameters, azimuth_rad + step, self.shape) for step in (_STEP, -_STEP))
        return np.asarray((after[:, 1] - before[:, 1]) / (after[:, 0] - before[:, 0]))


def fit_view(shape: RowShape, dots: float) -> RimView | None:
    """The camera that a row was seen by; None where no camera would see a circle so.

    Parameters
    ----------
    shape : RowShape
    dots : float
        Dots of the row in one turn.
    """
    from scipy.optimize import least_squares

    longer = max(shape.width_px, shape.height_px)
    seen = np.stack([shape.x_px + 0.5, shape.y_px + 0.5], axis=1)
    along = 2 * np.pi * shape.dots / dots
    focal = np.log(_FOCAL_SHARE * longer)
    blur = _CURVE_PX * max(1.0, longer / 1280)

    def away(parameters: _Floats) -> _Floats:
        prior = (parameters[1:] - [np.log(_DISTANCE), _ELEVATION, 0, 0, 0, focal]) / [
            _DISTANCE_SPREAD,
            _ELEVATION_SPREAD,
            _ROLL_SPREAD,
            _AIM_SPREAD,
            _AIM_SPREAD,
            _FOCAL_SPREAD,
        ]
        with np.errstate(all="ignore"):
            places = np.nan_to_num(_project(parameters, parameters[0] + along, shape), nan=1e6, posinf=1e6, neginf=-1e6)
        # Neighbouring points of a smooth curve err alike: all of them count as some eight.
        scale = blur * np.sqrt(shape.x_px.size / 8)
        return np.concatenate([((places - seen) / scale).ravel(), prior])

    middle = float(np.interp(shape.width_px / 2, shape.x_px, along))
    pitch = float(np.median(np.diff(shape.x_px) / np.diff(along)))
    near = np.log(np.clip(np.exp(focal) / pitch, 0.2, 8.0))
    fits = [
        least_squares(away, np.array([-middle, near, np.radians(start), 0.0, 0.0, 0.0, focal]), x_scale="jac")
        for start in _STARTS_DEG
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    places = _project(best.x, best.x[0] + along, shape)
    if float(np.sqrt(np.mean((places - seen) ** 2))) > _WORST_PX * blur / _CURVE_PX:
        return None
    return RimView(shape, dots, best.x, np.linalg.inv(best.jac.T @ best.jac))


def _project(
    parameters: _Floats, azimuth_rad: _Floats, shape: RowShape, *, radius: float = 1.0, rise: float = 0.0
) -> _Floats:
    """Picture points (n, 2) of points of the rim."""
    _, log_distance, elevation, roll, pan, tilt, log_focal = parameters
    c, s = np.cos(elevation), np.sin(elevation)
    distance = np.exp(log_distance)
    x, y, z = radius * np.sin(azimuth_rad), 1 - radius * np.cos(azimuth_rad), np.full_like(azimuth_rad, rise)
    right, down, ahead = x, -s * y - c * z, distance + c * y - s * z
    right, ahead = np.cos(pan) * right - np.sin(pan) * ahead, np.sin(pan) * right + np.cos(pan) * ahead
    down, ahead = np.cos(tilt) * down - np.sin(tilt) * ahead, np.sin(tilt) * down + np.cos(tilt) * ahead
    right, down = right / ahead, down / ahead
    right, down = np.cos(roll) * right - np.sin(roll) * down, np.sin(roll) * right + np.cos(roll) * down
    focal = np.exp(log_focal)
    return np.stack([shape.width_px / 2 + focal * right, shape.height_px / 2 + focal * down], axis=1)
