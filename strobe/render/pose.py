"""How the points of the picture move: the camera in a hand, its zoom, and a rim that runs out of true.

Aim: where each pixel of a frame looks, exactly, for a rigid camera whose attitude differs from picture row to
picture row because a rolling shutter reads them one after the other. Axes are the camera's own: right, down,
ahead; angles in radians; the camera's shift in mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.render.filming import Refocus, Zoom
from strobe.render.geometry import rim_hits, rim_pixels, view_of
from strobe.render.scene import Scene

__all__ = ["Attitude", "Pose", "RimMotion"]

_SINES = 24
"""Sines in each of the six motions, at random frequencies, so that a clip does not repeat itself; our own choice."""
_STEP_S = 1e-3
"""Time to either side over which the speed of the hand is taken: short beside its fastest motion, 8 Hz where nothing
else is said."""
_LEAST_SMEAR_PX = 0.15
"""Standard deviation from which a smear is drawn; less does not show beside the blur of a lens."""
_THINNEST_PX = 0.15
"""Standard deviation of the kernel across the smear, where a true one has none: so that it has a shape on pixels."""
_FINENESS = 5
"""Places in each pixel, across and down, at which the kernel is summed; our own choice."""

_Floats = NDArray[Any]
_Plane = NDArray[Any]


@dataclass(frozen=True, eq=False)
class Attitude:
    """The camera at n instants: `turn` (n, 3, 3) from its axes to those at rest, `shift_mm` (n, 3), `scale` (n)."""

    turn: _Floats
    shift_mm: _Floats
    scale: _Floats

    def rows(self, first: int, end: int) -> Attitude:
        """The part for some of the instants."""
        return Attitude(self.turn[first:end], self.shift_mm[first:end], self.scale[first:end])


class Pose:
    """The motion of a scene's camera, drawn once."""

    def __init__(self, scene: Scene, *, rng: np.random.Generator) -> None:
        camera, hand = scene.camera, scene.hand
        self.view = view_of(scene)
        angle = camera.shake_px / camera.focal_px
        rms = np.array([angle, angle, np.radians(hand.roll_deg), *[hand.sway_mm] * 3])
        self.sways = hand.sway_mm > 0
        self.frequency_hz = rng.uniform(hand.slowest_hz, hand.fastest_hz, (6, _SINES))
        draws = rng.standard_normal((2, 6, _SINES))
        amplitude = (draws[0] + 1j * draws[1]) / self.frequency_hz
        self.amplitude = amplitude * (rms / np.sqrt((np.abs(amplitude) ** 2).sum(axis=1) / 2))[:, None]
        self.zooms = [event for event in scene.events if isinstance(event, Zoom)]
        self.refocuses = [event for event in scene.events if isinstance(event, Refocus)]
        self.moving = bool(rms.any() or self.zooms or any(event.breathing for event in self.refocuses))

    def motion(self, time_s: _Floats) -> _Floats:
        """Pan, tilt and roll (rad) and the shift to the right, down and ahead (mm) at true times: (6, n)."""
        turn = np.exp(2j * np.pi * self.frequency_hz[:, None, :] * time_s[None, :, None])
        return np.asarray((turn * self.amplitude[:, None, :]).real.sum(axis=2))

    def scale(self, time_s: _Floats) -> _Floats:
        """Enlargement of the picture at true times."""
        scale = np.ones_like(time_s)
        for zoom in self.zooms:
            scale = scale * zoom.scale(time_s)
        for refocus in self.refocuses:
            scale = scale * [1 + refocus.breathing * refocus.depth(float(at)) for at in time_s]
        return scale

    def at(self, time_s: _Floats) -> Attitude:
        """The camera at true times (n)."""
        # A frame is short beside the fastest motion, so a few instants across it say all.
        few = np.linspace(time_s.min(), time_s.max(), 9)
        between = (time_s - few[0]) / max(few[-1] - few[0], 1e-12) * 8
        pan, tilt, roll, *shift = (_through(values, between) for values in self.motion(few))
        c, s = np.cos([pan, tilt, roll]), np.sin([pan, tilt, roll])
        zero, one = np.zeros_like(pan), np.ones_like(pan)
        about_down = np.array([[c[0], zero, s[0]], [zero, one, zero], [-s[0], zero, c[0]]])
        about_right = np.array([[one, zero, zero], [zero, c[1], -s[1]], [zero, s[1], c[1]]])
        about_ahead = np.array([[c[2], -s[2], zero], [s[2], c[2], zero], [zero, zero, one]])
        turn = np.einsum("ijn,jkn,kln->nil", about_ahead, about_down, about_right)
        return Attitude(turn, np.stack(shift, axis=1), _through(self.scale(few), between))

    def farthest_px(self, scene: Scene) -> float:
        """Bound, with a little to spare, of how far the hand moves a point of the rim in the picture."""
        pan, tilt, roll, *shift = np.abs(self.motion(np.arange(0, scene.span_s, 0.01))).max(axis=1)
        view = self.view
        near = scene.camera.distance_mm
        turned = (pan + tilt) * view.focal_px * (1 + (view.width / view.focal_px) ** 2 / 4) + roll * view.width / 2
        return 1.2 * float(turned + sum(shift) / near * max(view.focal_px, view.width)) + 2

    def smear(self, scene: Scene, time_s: float, spread_s: float) -> _Floats | None:
        """Kernel by which the hand smears a frame whose light is spread over time by this standard deviation.

        None where it is not worth a pixel's fraction.

        Notes
        -----
        A Gaussian along the way that the rim moves in the picture, with the variance of the true smear.
        """
        beside_s = np.array([time_s - _STEP_S, time_s + _STEP_S])
        pan, tilt, _, right, down, _ = np.diff(self.motion(beside_s), axis=1)[:, 0] / (2 * _STEP_S)
        near = scene.camera.distance_mm
        way = self.view.focal_px * spread_s * np.array([-pan - right / near, tilt - down / near])
        if np.hypot(*way) < _LEAST_SMEAR_PX:
            return None
        half = int(np.ceil(3 * np.abs(way).max())) + 1
        fine = (np.arange((2 * half + 1) * _FINENESS) + 0.5) / _FINENESS - half - 0.5
        inverse = np.linalg.inv(np.outer(way, way) + np.eye(2) * _THINNEST_PX**2)
        place = np.stack(np.meshgrid(fine, fine), axis=-1)
        kernel = np.exp(-0.5 * np.einsum("yxi,ij,yxj->yx", place, inverse, place))
        kernel = kernel.reshape(2 * half + 1, _FINENESS, 2 * half + 1, _FINENESS).sum(axis=(1, 3))
        return np.asarray(kernel / kernel.sum(), np.float32)

    def directions(self, x_px: _Plane, y_px: _Plane, attitude: Attitude) -> tuple[_Plane, _Plane, _Plane]:
        """Where pixels (1, m) by (n, 1) look, in the camera's axes at rest; of the type of `x_px`."""
        view, kind = self.view, x_px.dtype
        reach = (view.focal_px * attitude.scale[:, None]).astype(kind)
        u, v = (x_px - view.width / 2) / reach, (y_px - view.height / 2) / reach
        turn = attitude.turn.astype(kind)[..., None]
        x, y, z = (turn[:, k, 0] * u + (turn[:, k, 1] * v + turn[:, k, 2]) for k in range(3))
        return x, y, z

    def rim_points(self, scene: Scene, x_px: _Floats, y_px: _Floats, attitude: Attitude) -> tuple[_Floats, _Floats]:
        """Azimuth (rad) and height z (mm) of the rim seen by pixels (1, m) by (n, 1), one attitude a row."""
        view = self.view
        axes = np.stack([view.right, view.down, view.ahead])
        seen = self.directions(x_px, y_px, attitude)
        x, y, z = (sum(part * axis for part, axis in zip(seen, axes[:, k], strict=True)) for k in range(3))
        place = view.place_mm + attitude.shift_mm @ axes
        return rim_hits([place[:, k, None] for k in range(3)], (x, y, z), scene.radius_mm)[:2]

    def source(self, attitude: Attitude, inverse_depth: _Plane) -> tuple[_Plane, _Plane]:
        """Point of the picture at rest that shows what each pixel sees: x and y (height, width) in px.

        Notes
        -----
        A camera that has also shifted sees a point at depth Z where the one at rest does after ``d + T / Z``;
        the depth is looked up where the point lies, found in two steps. What the near hides is not uncovered.
        """
        import cv2

        view = self.view
        x_px = np.arange(view.width, dtype=np.float32)[None, :] + np.float32(0.5)
        y_px = np.arange(view.height, dtype=np.float32)[:, None] + np.float32(0.5)
        d = self.directions(x_px, y_px, attitude)
        focal, half_width, half_height = (np.float32(n) for n in (view.focal_px, view.width / 2, view.height / 2))
        x, y = half_width + focal * (d[0] / d[2]), half_height + focal * (d[1] / d[2])
        if not self.sways:
            return x, y
        shift = attitude.shift_mm.astype(np.float32)[:, :, None]
        for _ in range(2):
            near = cv2.remap(inverse_depth, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
            share = d[2] * near / (1 - shift[:, 2] * near)
            ahead = focal / (d[2] + shift[:, 2] * share)
            x = half_width + ahead * (d[0] + shift[:, 0] * share)
            y = half_height + ahead * (d[1] + shift[:, 1] * share)
        return x, y


def _through(values: _Floats, place: _Floats) -> _Floats:
    """Smooth curve through values at 0, 1, 2 ...: cubic between them, by the four nearest."""
    at = np.clip(place.astype(int), 0, len(values) - 2)
    part = place - at
    nearest = [values[np.clip(at + k, 0, len(values) - 1)] for k in (-1, 0, 1, 2)]
    nearest[0] = np.where(at == 0, 3 * values[0] - 3 * values[1] + values[2], nearest[0])
    end = 3 * values[-1] - 3 * values[-2] + values[-3]
    nearest[3] = np.where(at == len(values) - 2, end, nearest[3])
    before, left, right, after = nearest
    return left + part / 2 * (
        right
        - before
        + part * (2 * before - 5 * left + 4 * right - after + part * (3 * (left - right) + after - before))
    )


class RimMotion:
    """How the platter's edge and top move in the picture as a rim that runs out of true turns."""

    def __init__(self, scene: Scene) -> None:
        runout = scene.runout
        self.runout = runout
        self.moving = bool(runout.axial_mm or runout.radial_mm)
        if not self.moving:
            return
        view = view_of(scene)
        x_px, y_px = np.meshgrid(np.arange(view.width) + 0.5, np.arange(view.height) + 0.5)
        azimuth, z = rim_pixels(scene, x_px, y_px)
        below, above = np.maximum(-scene.thickness_mm - z, 0), np.maximum(z, 0)
        share = np.exp(-((below / 5) ** 2) - (above / 12) ** 2)
        self.share = np.nan_to_num(share).astype(np.float32)
        azimuth, z = np.nan_to_num(azimuth), np.nan_to_num(z)
        self.azimuth = azimuth.astype(np.float32)
        point = np.stack([scene.radius_mm * np.sin(azimuth), -scene.radius_mm * np.cos(azimuth), z], axis=-1)
        depth = (point - view.place_mm) @ view.ahead
        u, v = (x_px - view.width / 2) / view.focal_px, (y_px - view.height / 2) / view.focal_px
        out = np.stack([np.sin(azimuth), -np.cos(azimuth), np.zeros_like(azimuth)], axis=-1)
        up = np.array([0.0, 0.0, 1.0])
        self.by_rise, self.by_reach = (
            [
                (view.focal_px * (way @ axis - w * (way @ view.ahead)) / depth).astype(np.float32)
                for axis, w in ((view.right, u), (view.down, v))
            ]
            for way in (up, out)
        )

    def moved_px(self, angle_rev: _Floats) -> tuple[_Plane, _Plane]:
        """Shift to the right and down (height, width) of what the picture at rest shows, one angle a row."""
        turned = self.azimuth + np.float32(2 * np.pi) * np.mod(angle_rev, 1).astype(np.float32)[:, None]
        rise, reach = self.runout.rise_mm(turned) * self.share, self.runout.reach_mm(turned) * self.share
        right = rise * self.by_rise[0] + reach * self.by_reach[0]
        down = rise * self.by_rise[1] + reach * self.by_reach[1]
        return right, down

    def on_rim(self, azimuth: _Floats, z_mm: _Floats, scene: Scene, angle_rev: _Floats) -> tuple[_Floats, _Floats]:
        """Azimuth and height on the true rim, given those on a rim at rest; one angle a row.

        Notes
        -----
        The points of a rim that reaches farther out by dr are seen where a ray meets it sooner; to first order
        the ray then passes over the rim at rest by dr times its slope against the surface.
        """
        turned = azimuth + 2 * np.pi * np.mod(angle_rev, 1)[:, None]
        reach = self.runout.reach_mm(turned)
        view = view_of(scene)
        sine, cosine = np.sin(azimuth), np.cos(azimuth)
        ray = [
            scene.radius_mm * sine - view.place_mm[0],
            -scene.radius_mm * cosine - view.place_mm[1],
            z_mm - view.place_mm[2],
        ]
        inward = -(ray[0] * sine - ray[1] * cosine)
        along = ray[0] * cosine + ray[1] * sine
        azimuth = azimuth - reach * along / inward / scene.radius_mm
        return azimuth, z_mm - reach * ray[2] / inward - self.runout.rise_mm(turned)
