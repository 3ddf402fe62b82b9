"""What the camera makes of its pictures before they are coded: stabilisation, noise and its reduction, rounding."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.render.geometry import project
from strobe.render.pose import Pose
from strobe.render.scene import Scene

__all__ = ["Finish", "stabilised_path"]

_SHARE_OF_NOISE_IN_CHROMA = 0.5
"""Noise of blue and red difference beside that of brightness: plausible, not measured."""

_Floats = NDArray[Any]
_Plane = NDArray[Any]
_Planes = tuple[_Plane, _Plane, _Plane]


def stabilised_path(scene: Scene, pose: Pose, starts_s: _Floats) -> _Floats | None:
    """How far the crop of each frame lies to the right and down (px) and is turned (rad): (frames, 3).

    None without stabilisation.

    Notes
    -----
    The path that is smoothed is the camera's turning, as a gyroscope knows it, and for the share
    `follows_rim` the apparent motion of the dots from frame to frame.
    """
    stabiliser = scene.processing.stabiliser
    if stabiliser is None:
        return None
    camera = scene.camera
    pan, tilt, roll = pose.motion(starts_s + camera.readout_s / 2)[:3]
    path = np.stack([-camera.focal_px * pan, camera.focal_px * tilt, -roll], axis=1)
    if stabiliser.follows_rim > 0:
        share = stabiliser.follows_rim
        path[:, :2] = (1 - share) * path[:, :2] + share * (path[:, :2] + _apparent_px(scene, starts_s))
    half = round(4 * stabiliser.window_s * camera.frame_rate_hz)
    weight = np.exp(-0.5 * (np.arange(-half, half + 1) / camera.frame_rate_hz / stabiliser.window_s) ** 2)
    # Edges are carried on by their point reflection, as far as the clip is long.
    reach = min(half, len(path) - 1)
    padded = np.pad(path, ((reach, reach), (0, 0)), mode="reflect", reflect_type="odd")
    padded = np.pad(padded, ((half - reach, half - reach), (0, 0)), mode="edge")
    smooth = np.stack([np.convolve(padded[:, k], weight / weight.sum(), mode="valid") for k in range(3)], axis=1)
    limit = stabiliser.margin / 2 * camera.height
    off = path - smooth
    return np.stack([np.clip(off[:, 0], -limit, limit), np.clip(off[:, 1], -limit, limit), off[:, 2]], axis=1)


def _apparent_px(scene: Scene, starts_s: _Floats) -> _Floats:
    """How far the first ring's dots seem to have run by each frame: (frames, 2), to the right and down."""
    row = scene.rows[0]
    x, y = project(scene, np.array([-0.5, 0.5]) * 2 * np.pi / row.dots, row.z_mm)
    moved = row.dots * np.diff(scene.angle_rev(starts_s))
    if scene.line_strength(row, -1) > scene.line_strength(row, 0):
        moved = moved - scene.lamp.flash_rate_hz * np.diff(starts_s)
    seen = np.concatenate([[0.0], np.cumsum(moved - np.round(moved))])
    return np.asarray(-np.outer(seen, [float(np.diff(x)[0]), float(np.diff(y)[0])]))


class Finish:
    """The last steps of a camera, from coded planes to whole numbers in video range."""

    def __init__(self, scene: Scene, *, coloured: bool, rng: np.random.Generator) -> None:
        camera = scene.camera
        self.processing = scene.processing
        self.depth = scene.delivery.bit_depth
        self.size = (camera.width, camera.height)
        self.grain = _Grain(camera.noise, (camera.height, camera.width), rng)
        small = (camera.height // 2, camera.width // 2)
        share = _SHARE_OF_NOISE_IN_CHROMA if coloured else 0.0
        self.colour_grain = _Grain(camera.noise * share, small, rng)
        self.before: _Planes | None = None

    def finished(self, developed: _Planes, crop: _Floats | None) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
        """Luma and chroma of one frame."""
        luma, blue, red = developed
        if crop is not None:
            luma, blue, red = self._cropped(luma, crop, 1), self._cropped(blue, crop, 2), self._cropped(red, crop, 2)
        if self.processing.mirrored:
            luma, blue, red = (np.ascontiguousarray(plane[:, ::-1]) for plane in (luma, blue, red))
        planes = (
            self.grain.added(luma * np.float32(219) + np.float32(16)),
            self.colour_grain.added(blue * np.float32(224) + np.float32(128)),
            self.colour_grain.added(red * np.float32(224) + np.float32(128)),
        )
        if self.processing.ghost > 0:
            planes = self.before = planes if self.before is None else self._ghosted(planes, self.before)
        return self._whole(planes[0], 16, 235), self._whole(planes[1], 0, 255), self._whole(planes[2], 0, 255)

    def _cropped(self, plane: _Plane, crop: _Floats, halving: int) -> _Plane:
        import cv2

        right, down, turn = crop[0] / halving, crop[1] / halving, crop[2]
        height, width = plane.shape
        assert self.processing.stabiliser is not None
        inside = 1 - self.processing.stabiliser.margin
        c, s = np.cos(turn) * inside, np.sin(turn) * inside
        # Indices of pixels lie half a pixel before their middles.
        middle = np.array([(width - 1) / 2, (height - 1) / 2])
        turned = np.array([[c, -s], [s, c]])
        at = middle + np.array([right, down]) - turned @ middle
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        made = cv2.warpAffine(
            plane, np.column_stack([turned, at]), (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT
        )
        return np.asarray(made, np.float32)

    def _ghosted(self, planes: _Planes, before: _Planes) -> _Planes:
        """Mixed with the frame before, less where a neighbourhood has changed."""
        import cv2

        change = planes[0] - before[0]
        seen = cv2.blur(np.abs(change), (5, 5)) / np.float32(self.processing.ghost_steps)
        share = np.float32(self.processing.ghost) / (1 + seen**4)
        small = cv2.resize(share, (planes[1].shape[1], planes[1].shape[0]), interpolation=cv2.INTER_AREA)
        luma = planes[0] - share * change
        blue, red = (now - small * (now - then) for now, then in zip(planes[1:], before[1:], strict=True))
        return luma, blue, red

    def _whole(self, plane: _Plane, low: int, high: int) -> NDArray[Any]:
        if self.depth == 8:
            return np.clip(plane + np.float32(0.5), low, high).astype(np.uint8)
        return np.clip(plane * np.float32(4) + np.float32(0.5), 4 * low, 4 * high).astype(np.uint16)


class _Grain:
    """Sensor noise: windows at random places of one large field, so that a frame costs an addition."""

    def __init__(self, deviation: float, shape: tuple[int, int], rng: np.random.Generator) -> None:
        self.rng, self.shape = rng, shape
        size = shape[0] * shape[1]
        self.field = None
        if deviation > 0:
            self.field = rng.standard_normal(3 * size, dtype=np.float32) * np.float32(deviation)

    def added(self, plane: _Plane) -> _Plane:
        """The plane with fresh noise."""
        if self.field is None:
            return plane
        size = plane.size
        at = int(self.rng.integers(0, self.field.size - size))
        return plane + self.field[at : at + size].reshape(self.shape)
