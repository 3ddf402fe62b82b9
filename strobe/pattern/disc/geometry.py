"""Where a disc lies in the picture, and how its radius and azimuth map to picture points.

Bars of a disc point at its middle, whatever the camera: straight lines stay straight. About the middle the azimuth of a
picture point is that of a linear map of it, exactly, under any perspective (a pencil of lines); only the radius needs
the perspective.

Convention: azimuth 0 points down in the picture, to the near side, and grows to the right, so that a clockwise platter
runs towards smaller azimuths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FoundDisc", "FoundRing", "rays", "robust_fit", "sweep_direction"]

_FROM_ABOVE_DEG, _PERSPECTIVE_ERROR = 87.0, 0.05
"""Elevation from which circles look too round to tell which way the disc leans, and the share of the perspective seen
that may be wrong (1-sigma); by trial."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class FoundRing:
    """A ring of bars.

    Attributes
    ----------
    bars : int or None
        Its count, where enough of it is seen to be sure.
    bars_seen : float
        The count as it was found, not rounded.
    inner, outer : float
        Radii, in the unit of the disc: the outer edge of the strongest ring is about 1.
    amplitude : float
        Of the pattern, grey levels.
    seen : array of bool (azimuths,)
        Where round the circle it is in the picture and not hidden.
    """

    bars: int | None
    bars_seen: float
    inner: float
    outer: float
    amplitude: float
    seen: NDArray[np.bool_]

    @property
    def middle(self) -> float:
        """Radius half way across."""
        return (self.inner + self.outer) / 2

    @property
    def seen_share(self) -> float:
        """Share of the circle that is seen."""
        return float(np.mean(self.seen))


@dataclass(frozen=True, eq=False)
class FoundDisc:
    """A disc in the picture; lengths on it have the unit of `FoundRing`.

    Attributes
    ----------
    middle_px : array (2,)
        Image (x, y) of the point that the bars point at.
    to_px : array (2, 2)
        Takes (sin, cos) of an azimuth to the step in the picture, (x, y), of a unit of radius near the middle.
    vanishing : array (2,)
        Perspective: radius r at azimuth a lies ``r / (1 - r vanishing . (sin a, cos a))`` steps from the middle.
    edge_shift : array (2,)
        By how far, (sin, cos) in units of the disc, the middle of the rings' edges lies from `middle_px`.
    edge_shift_noise : array (2,)
        Its 1-sigma.
    rings : tuple of FoundRing
        The clearest first.
    """

    middle_px: _Floats
    to_px: _Floats
    vanishing: _Floats
    edge_shift: _Floats
    edge_shift_noise: _Floats
    rings: tuple[FoundRing, ...]

    def places(self, radius: NDArray[np.floating], azimuth: NDArray[np.floating]) -> tuple[_Floats, _Floats]:
        """Picture places (x, y) of points of the disc, arrays that fit each other."""
        ahead = rays(np.asarray(azimuth, float))
        step = radius / np.maximum(1 - radius * (ahead @ self.vanishing), 0.05)
        at = ahead @ self.to_px.T
        return self.middle_px[0] + step * at[..., 0], self.middle_px[1] + step * at[..., 1]

    def polar(self, x_px: NDArray[np.floating], y_px: NDArray[np.floating]) -> tuple[_Floats, _Floats]:
        """Radius and azimuth of picture places; the radius is infinite beyond the horizon."""
        apart = np.stack([x_px - self.middle_px[0], y_px - self.middle_px[1]], axis=-1)
        step = apart @ np.linalg.inv(self.to_px).T
        depth = 1 + step @ self.vanishing
        far = np.hypot(step[..., 0], step[..., 1])
        radius = np.where(depth > 0.05, far / np.maximum(depth, 0.05), np.inf)
        return radius, np.arctan2(step[..., 0], step[..., 1])

    def skew_rev(self, size_px: int, sweep: str) -> tuple[float, float]:
        """By what part of a turn bars where the picture is exposed last are ahead of those exposed first; its 1-sigma.

        A shutter that freezes the bars line by line leaves such a skew. It moves the point that the bars seem to point
        at away from the middle of their edges, aside of the way that the perspective does. `size_px` is the size of the
        picture along the sweep.
        """
        along = self.to_px.T @ sweep_direction(sweep)
        aside = np.array([-along[1], along[0]])
        radius = self.rings[0].middle
        seen = self.vanishing + self.edge_shift / radius**2
        columns = [-aside]
        if self.elevation_deg < _FROM_ABOVE_DEG:
            columns.append(np.linalg.svd(self.to_px)[2][1])
        basis = np.stack(columns, axis=1)
        inverse = np.linalg.pinv(basis)
        noise = np.hypot(self.edge_shift_noise / radius**2, _PERSPECTIVE_ERROR * np.hypot(*seen))
        turns = size_px / (2 * np.pi)
        return float(inverse[0] @ seen * turns), float(np.hypot(*(inverse[0] * noise)) * turns)

    @property
    def elevation_deg(self) -> float:
        """Height of the camera above the level, from how flat circles look about the middle."""
        wide, narrow = np.linalg.svd(self.to_px, compute_uv=False)
        return float(np.degrees(np.arcsin(min(1.0, narrow / wide))))


def rays(azimuth: _Floats) -> _Floats:
    """(sin, cos) of azimuths, on the last axis."""
    return np.stack([np.sin(azimuth), np.cos(azimuth)], axis=-1)


def robust_fit(basis: _Floats, target: _Floats, weight: _Floats, ridge: _Floats) -> _Floats:
    """Least squares that outliers hardly move; `ridge` holds a parameter to zero by (noise / its likely size)^2."""
    keep = np.sqrt(weight)
    fit = np.zeros(basis.shape[1])
    for _ in range(8):
        square = keep**2 / np.sum(keep**2)
        gram = basis.T @ (basis * square[:, None]) + np.diag(ridge)
        fit = np.linalg.solve(gram, basis.T @ (target * square))
        off = np.abs(target - basis @ fit)
        spread = 1.5 * float(np.median(off)) + 1e-12
        keep = np.sqrt(weight) / (1 + (off / spread) ** 2)
    return fit


def sweep_direction(sweep: str) -> _Floats:
    """The way (x, y) in which a rolling shutter sweeps the picture."""
    return np.array({"down": (0.0, 1.0), "up": (0.0, -1.0), "right": (1.0, 0.0), "left": (-1.0, 0.0)}[sweep])
