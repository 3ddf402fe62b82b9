"""Where things lie in the picture: a pinhole camera before a cylinder.

Conventions: azimuth 0 is the point of the rim nearest to the camera and grows to the right in the picture;
pixel (x, y) covers [x, x + 1] by [y, y + 1], y downward; arrays are (height, width). The platter turns
clockwise seen from above, so a point printed at azimuth a stands at ``a - 2 pi theta`` after theta
revolutions: the near rim runs left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.render.scene import Scene

__all__ = ["View", "project", "rim_hits", "rim_pixels", "view_of"]

_Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class View:
    """Camera place (mm) and its unit axes: right and down in the picture, and ahead."""

    place_mm: _Floats
    right: _Floats
    down: _Floats
    ahead: _Floats
    focal_px: float
    width: int
    height: int

    def rays(self, x_px: _Floats, y_px: _Floats) -> tuple[_Floats, _Floats, _Floats]:
        """Direction (x, y, z; not normalised) of the rays through picture points, of their shape and type."""
        u = (x_px - self.width / 2) / self.focal_px
        v = (y_px - self.height / 2) / self.focal_px
        axes = zip(self.ahead.tolist(), self.right.tolist(), self.down.tolist(), strict=True)
        x, y, z = (a + u * r + v * d for a, r, d in axes)
        return x, y, z


def view_of(scene: Scene) -> View:
    """The camera of a scene in platter coordinates."""
    camera = scene.camera
    tilt, roll = np.radians([camera.elevation_deg, camera.roll_deg])
    aim = np.array([camera.aim_x_mm, -scene.radius_mm, scene.rows[0].z_mm + camera.aim_z_mm])
    ahead = np.array([0.0, np.cos(tilt), -np.sin(tilt)])
    right = np.array([1.0, 0.0, 0.0])
    down = np.array([0.0, -np.sin(tilt), -np.cos(tilt)])
    return View(
        place_mm=aim - camera.distance_mm * ahead,
        right=np.cos(roll) * right - np.sin(roll) * down,
        down=np.sin(roll) * right + np.cos(roll) * down,
        ahead=ahead,
        focal_px=camera.focal_px,
        width=camera.width,
        height=camera.height,
    )


def project(scene: Scene, azimuth_rad: ArrayLike, z_mm: ArrayLike) -> tuple[_Floats, _Floats]:
    """Picture point (x, y) in pixels of rim points given by azimuth and height, arrays of one shape.

    Points on the far side are projected as well.
    """
    view = view_of(scene)
    azimuth, z = np.broadcast_arrays(np.asarray(azimuth_rad, float), np.asarray(z_mm, float))
    radius = scene.radius_mm
    points = np.stack([radius * np.sin(azimuth), -radius * np.cos(azimuth), z], axis=-1) - view.place_mm
    depth = points @ view.ahead
    x = view.width / 2 + view.focal_px * (points @ view.right) / depth
    y = view.height / 2 + view.focal_px * (points @ view.down) / depth
    return x, y


def rim_pixels(scene: Scene, x_px: _Floats, y_px: _Floats) -> tuple[_Floats, _Floats]:
    """Azimuth (rad) and height z (mm) where rays through picture points meet the near rim; NaN where none
    does.

    The points' type is kept.
    """
    view = view_of(scene)
    azimuth, z, _ = rim_hits(view.place_mm.tolist(), view.rays(x_px, y_px), scene.radius_mm)
    return azimuth, z


def rim_hits(
    place_mm: Sequence[Any], ray: tuple[_Floats, _Floats, _Floats], radius_mm: Any
) -> tuple[_Floats, _Floats, _Floats]:
    """Azimuth (rad), height z (mm) and multiple of the ray where rays from a place meet the near rim.

    The place's coordinates and the radius may be numbers, or arrays that fit the rays'. NaN where a ray
    passes the rim by.
    """
    x, y, z = ray
    x0, y0, z0 = place_mm
    square = x * x + y * y
    half = x0 * x + y0 * y
    root = half * half - square * (x0 * x0 + y0 * y0 - radius_mm**2)
    with np.errstate(invalid="ignore"):
        distance = (-half - np.sqrt(root)) / square
    distance = np.where(distance > 0, distance, np.nan)
    return np.arctan2(x0 + distance * x, -(y0 + distance * y)), z0 + distance * z, distance
