"""Exact image formation: what each picture row collects of light and of turning dots while it is exposed.

The light that reaches a picture row while the dots pass is ``integral of I(t) T(azimuth + 2 pi theta(t))
dt``, with the pattern T of one turn. It is summed over short intervals that begin and end at every row's
shutter times and at the jumps of the lamp; the energy of each is exact and each is taken at its own centre
of light, which leaves the phase right to third order in its length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.render.filming import Passing, Refocus
from strobe.render.geometry import rim_pixels
from strobe.render.lamps import Light
from strobe.render.pose import Attitude, Pose, RimMotion
from strobe.render.processing import Finish, stabilised_path
from strobe.render.scene import Scene
from strobe.render.scenery import GAMMA, LUMA, chroma_of, passing_hand, still_picture
from strobe.render.timing import schedule
from strobe.render.turning import DOT_BRIGHTNESS, Ring, rings_of

__all__ = ["RenderedFrame", "frames"]

_LONGEST_INTERVAL_S = 0.25e-3
"""In it dots that pass 120 times a second move by 3 % of their pitch; it is taken at its own centre of light."""
_VISIBLE_BLUR_PX = 0.15
"""Standard deviation of a lost focus above which it is drawn; less does not show beside the blur of a lens, about 1
px."""

_Floats = NDArray[Any]
_Plane = NDArray[Any]


@dataclass(frozen=True, eq=False)
class RenderedFrame:
    """One frame: planes in video range (luma 16 to 235 in 8 bits, chroma about 128 at half size).

    `start_s` is the true time at which row 0 begins to be exposed, `stamp_s` the time that the file will say.
    """

    index: int
    start_s: float
    stamp_s: float
    luma: NDArray[Any]
    blue: NDArray[Any]
    red: NDArray[Any]


@dataclass(frozen=True, eq=False)
class _Exposed:
    """The light of one lamp on picture rows, cut into intervals.

    `time_s` is the centre of light of each interval and `weight` its energy, relative to a whole exposure to
    mean light; `begin` and `end` are, for each row, its first interval and the one past its last.
    """

    time_s: _Floats
    weight: _Floats
    begin: NDArray[np.intp]
    end: NDArray[np.intp]


def _intervals(scene: Scene, light: Light, starts_s: _Floats, exposure_s: float) -> _Exposed:
    """Cut the exposures of rows that begin at `starts_s` into intervals."""
    ends_s = starts_s + exposure_s
    first, last = starts_s.min(), ends_s.max()
    even = np.linspace(first, last, 1 + int(np.ceil((last - first) / _LONGEST_INTERVAL_S)))
    cuts = np.unique(np.concatenate([starts_s, ends_s, even, light.breaks_s(first, last)]))
    length = np.diff(cuts)
    energy = np.diff(light.energy_s(cuts))
    middle = cuts[:-1] + length / 2
    rise = light.intensity(middle + length / 4) - light.intensity(middle - length / 4)
    shift = length * length * 2 * rise / (12 * np.maximum(energy, 1e-300))
    time = middle + np.clip(shift, -length / 2, length / 2)
    weight = energy / (scene.camera.exposure_s * light.lamp.harmonic(0))
    return _Exposed(time, weight, np.searchsorted(cuts, starts_s), np.searchsorted(cuts, ends_s))


def _light_times_s(scene: Scene, light: Light, starts_s: _Floats, exposure_s: float) -> tuple[_Floats, float]:
    """When, on average, each row collects the light, and over how long (standard deviation, the mean of all rows).

    Mid-exposure for a row that gets none.
    """
    cut = _intervals(scene, light, starts_s, exposure_s)
    middle = starts_s + exposure_s / 2
    since = cut.time_s - middle[0]
    sums = [np.concatenate([[0.0], np.cumsum(cut.weight * power)]) for power in (np.ones_like(since), since, since**2)]
    total, moment, square = (each[cut.end] - each[cut.begin] for each in sums)
    lit = total > 1e-9
    mean, mean_square = moment / np.where(lit, total, 1), square / np.where(lit, total, 1)
    spread = np.sqrt(np.maximum(mean_square - mean**2, 0))
    return np.where(lit, middle[0] + mean, middle), float(spread.mean())


class _Set:
    """All that is drawn once for a clip, and the exposure of one frame of it."""

    def __init__(self, scene: Scene, *, print_rng: Any, still_rng: Any, shake_rng: Any, surface_rng: Any) -> None:
        self.scene = scene
        camera = scene.camera
        self.lights = scene.lights
        self.coloured = any(len(set(light.fall.colour)) > 1 for light in self.lights)
        self.patched = any(not light.fall.everywhere for light in self.lights)
        self.pose, self.rim = Pose(scene, rng=shake_rng), RimMotion(scene)
        self.moves = self.pose.moving or self.rim.moving
        streak_rng, scratch_rng, hand_rng = surface_rng.spawn(3)
        self.still = still_picture(scene, rng=still_rng, surface_rng=streak_rng, moves=self.moves)
        self.fine = self.still.fine if self.coloured else np.ascontiguousarray(self.still.fine @ LUMA)
        self.rings = rings_of(scene, print_rng=print_rng, scratch_rng=scratch_rng, moves=self.moves)
        if not self.moves:
            self.placed = [[ring.still_placement(light.fall) for ring in self.rings] for light in self.lights]
        self.spare_px = self.pose.farthest_px(scene) if self.pose.moving else 2.0
        self.spare_px += (scene.runout.axial_mm + scene.runout.radial_mm) * camera.focal_px / camera.distance_mm
        self.falls: list[_Plane] = []
        if self.patched:
            x, y = np.meshgrid(np.arange(camera.width) + 0.5, np.arange(camera.height) + 0.5)
            azimuth, z = rim_pixels(scene, x, y)
            azimuth = np.where((z <= 0) & (z >= -scene.thickness_mm), azimuth, np.nan)
            self.falls = [light.fall.on_rim(azimuth).astype(np.float32) for light in self.lights]
        self.passings = [event for event in scene.events if isinstance(event, Passing)]
        self.hand = passing_hand(scene, rng=hand_rng) if self.passings else None
        self.refocuses = [event for event in scene.events if isinstance(event, Refocus)]
        self.row_delay = camera.readout_s * np.arange(camera.height) / camera.height

    def expose(self, start_s: float) -> tuple[_Plane, _Plane, _Plane]:
        """Coded luma (0 to 1) and chroma (about zero) of a frame whose first row begins then."""
        camera, starts = self.scene.camera, start_s + self.row_delay
        exposure, gain = self.scene.exposure_and_gain(start_s)
        level = camera.brightness * gain
        lit = []
        for light in self.lights:
            energy = light.energy_s(starts + exposure) - light.energy_s(starts)
            lit.append(energy / (camera.exposure_s * light.lamp.harmonic(0)) * light.share * level)
        times = [_light_times_s(self.scene, light, starts, exposure) for light in self.lights] if self.moves else []
        centres = [centre for centre, _ in times]
        attitudes = [self.pose.at(centre) for centre in centres]
        still, blue, red, falls = self._scenery(centres, attitudes)
        picture, tints = still, []
        for channel in range(3 if self.coloured else 1):
            tints.append(self._light_on(lit, falls, channel))
        tint = np.stack(tints, axis=-1) if self.coloured else tints[0]
        picture = picture * tint
        self._add_dots(picture, starts, exposure, level, centres, attitudes)
        if self.pose.moving:
            picture = self._smeared(picture, start_s + camera.readout_s / 2, max(spread for _, spread in times))
        return self._developed(picture, tint, blue, red, start_s)

    def _smeared(self, picture: _Plane, time_s: float, spread_s: float) -> _Plane:
        """The picture with what the hand moves it while it is exposed."""
        import cv2

        kernel = self.pose.smear(self.scene, time_s, spread_s)
        return picture if kernel is None else cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_REFLECT)

    def _scenery(
        self, centres: list[_Floats], attitudes: list[Attitude]
    ) -> tuple[_Plane, _Plane, _Plane, list[_Plane]]:
        """Coded still picture, chroma and the fall of each light, as the camera now sees them."""
        import cv2

        still = self.still
        if not self.moves:
            return still.coded if self.coloured else still.luma, still.blue, still.red, self.falls
        everywhere = [number for number, light in enumerate(self.lights) if light.fall.everywhere]
        by = everywhere[0] if everywhere else 0
        x, y = self.pose.source(attitudes[by], still.inverse_depth)
        if self.rim.moving:
            right, down = self.rim.moved_px(self.scene.angle_rev(centres[by]))
            x, y = x - right, y - down
        mirror = cv2.BORDER_REFLECT
        half = np.float32(0.5)
        picture = cv2.remap(self.fine, 2 * x - half, 2 * y - half, cv2.INTER_CUBIC, borderMode=mirror)
        small = (x[::2, ::2] / 2, y[::2, ::2] / 2)
        blue, red = (cv2.remap(plane, *small, cv2.INTER_LINEAR, borderMode=mirror) for plane in (still.blue, still.red))
        falls = [cv2.remap(fall, x - half, y - half, cv2.INTER_LINEAR, borderMode=mirror) for fall in self.falls]
        return np.maximum(picture, 0), blue, red, falls

    def _light_on(self, lit: list[_Floats], falls: list[_Plane], channel: int) -> _Plane:
        """Coded light, (height, 1) or (height, width), of all lamps in one colour."""
        import cv2

        shares = [light.fall.colour[channel] for light in self.lights]
        if not falls:
            total = sum(row * share for row, share in zip(lit, shares, strict=True))
            coded = (total ** (1 / GAMMA)).astype(np.float32)[:, None]
            return np.broadcast_to(coded, (coded.shape[0], self.scene.camera.width)) if self.coloured else coded
        total = np.zeros_like(falls[0])
        for row, share, fall in zip(lit, shares, falls, strict=True):
            total += (row * share).astype(np.float32)[:, None] * fall
        return np.asarray(cv2.pow(total, 1 / GAMMA), np.float32)

    def _add_dots(
        self,
        picture: _Plane,
        starts_s: _Floats,
        exposure_s: float,
        level: float,
        centres: list[_Floats],
        attitudes: list[Attitude],
    ) -> None:
        """Lay the light of the dots over the coded `picture`, in place."""
        import cv2

        camera = self.scene.camera
        placed = self.placed if not self.moves else self._placements(centres, attitudes)
        seen = [where for of_light in placed for where in of_light if where.place.size]
        if not seen:
            return
        margin = int(np.ceil(4 * camera.blur_px)) + 1
        top = max(0, min(where.first_row for where in seen) - margin)
        bottom = min(camera.height, max(where.last_row for where in seen) + margin + 1)
        under = picture[top:bottom]
        strips = []
        for light, of_light in zip(self.lights, placed, strict=True):
            dots = np.zeros((bottom - top) * camera.width, np.float32)
            for ring, where in zip(self.rings, of_light, strict=True):
                if where.place.size:
                    row_starts = starts_s[where.first_row : where.last_row + 1]
                    cut = _intervals(self.scene, light, row_starts, exposure_s)
                    angle = self.scene.angle_rev(cut.time_s)
                    dots[where.place - top * camera.width] += ring.exposed(where, angle, cut.weight, cut.begin, cut.end)
            strip = dots.reshape(-1, camera.width) * np.float32(DOT_BRIGHTNESS * level * light.share)
            if camera.blur_px > 0:
                strip = np.asarray(cv2.GaussianBlur(strip, (0, 0), camera.blur_px), np.float32)
            strips.append(strip)
        planes = [under[..., channel] for channel in range(3)] if self.coloured else [under]
        for channel, plane in enumerate(planes):
            colours = [np.float32(light.fall.colour[channel]) for light in self.lights]
            total = sum(strip * colour for strip, colour in zip(strips, colours, strict=True))
            plane[...] = cv2.pow(cv2.pow(np.ascontiguousarray(plane), GAMMA) + np.maximum(total, 0), 1 / GAMMA)

    def _placements(self, centres: list[_Floats], attitudes: list[Attitude]) -> list[list[Any]]:
        return [
            [self._placement(ring, light, centre, attitude) for ring in self.rings]
            for light, centre, attitude in zip(self.lights, centres, attitudes, strict=True)
        ]

    def _placement(self, ring: Ring, light: Light, centre_s: _Floats, attitude: Attitude) -> Any:
        """Where the ring is seen now, worked out for the pixels about its place at rest."""
        camera, pose, scene = self.scene.camera, self.pose, self.scene
        scale = float(attitude.scale.mean())
        (top, bottom), (left, right) = (
            (
                max(0, int(middle + (low - middle) * scale - self.spare_px)),
                min(size, int(middle + (high - middle) * scale + self.spare_px) + 2),
            )
            for low, high, middle, size in (
                (*ring.box[:2], camera.height / 2, camera.height),
                (*ring.box[2:], camera.width / 2, camera.width),
            )
        )
        top, left = min(top, camera.height - 3), min(left, camera.width - 3)
        bottom, right = max(bottom, top + 3), max(right, left + 3)
        x_px, y_px = np.arange(left, right)[None, :] + 0.5, np.arange(top, bottom)[:, None] + 0.5
        azimuth, z = pose.rim_points(scene, x_px, y_px, attitude.rows(top, bottom))
        if self.rim.moving:
            azimuth, z = self.rim.on_rim(azimuth, z, scene, scene.angle_rev(centre_s[top:bottom]))
        return ring.placement(azimuth, z, light.fall, top, left)

    def _developed(
        self, picture: _Plane, tint: _Plane, blue: _Plane, red: _Plane, start_s: float
    ) -> tuple[_Plane, _Plane, _Plane]:
        """Coded colours to luma and chroma, with what stands before the lens and what the lens makes of it."""
        import cv2

        camera = self.scene.camera
        middle_s = start_s + camera.readout_s / 2
        small = (camera.width // 2, camera.height // 2)
        if not self.coloured:
            chroma = _halved(tint)
            blue, red = blue * chroma, red * chroma
        if self.hand is not None:
            up = max(passing.reach(middle_s) for passing in self.passings)
            if up > 0:
                picture, blue, red = self._hidden(picture, tint, blue, red, up, middle_s)
        extra = max((event.blur_px * event.depth(middle_s) for event in self.refocuses), default=0.0)
        if extra > _VISIBLE_BLUR_PX:
            picture = cv2.GaussianBlur(picture, (0, 0), extra)
            blue, red = (cv2.GaussianBlur(plane, (0, 0), extra / 2) for plane in (blue, red))
        picture = np.minimum(picture, np.float32(1))
        if not self.coloured:
            return picture, blue, red
        return picture @ LUMA, *chroma_of(cv2.resize(picture, small, interpolation=cv2.INTER_AREA))

    def _hidden(
        self, picture: _Plane, tint: _Plane, blue: _Plane, red: _Plane, up: float, time_s: float
    ) -> tuple[_Plane, _Plane, _Plane]:
        """The same behind a hand that has come up so far."""
        import cv2

        assert self.hand is not None
        camera = self.scene.camera
        passing = max(self.passings, key=lambda event: event.reach(time_s))
        wide = passing.cover * 2
        at = np.array([[wide, 0, camera.width * (passing.centre - wide / 2)], [0, 1, camera.height * (1 - up)]])
        size = (camera.width, camera.height)
        skin, hides = (cv2.warpAffine(plane, at, size, flags=cv2.INTER_LINEAR) for plane in self.hand)
        small = (camera.width // 2, camera.height // 2)
        hides_small, skin_small = (cv2.resize(plane, small, interpolation=cv2.INTER_AREA) for plane in (hides, skin))
        if self.coloured:
            return picture * (1 - hides[..., None]) + skin * tint * hides[..., None], blue, red
        before = [part * _halved(tint) for part in chroma_of(skin_small)]
        picture = picture * (1 - hides) + (skin @ LUMA) * tint * hides
        blue, red = (
            plane * (1 - hides_small) + part * hides_small for plane, part in zip((blue, red), before, strict=True)
        )
        return picture, blue, red


def _halved(tint: _Plane) -> _Plane:
    """Light on the pixels of chroma."""
    rows = (tint[::2] + tint[1::2]) / 2
    return rows if tint.shape[1] == 1 else (rows[:, ::2] + rows[:, 1::2]) / 2


def frames(scene: Scene, *, rng: np.random.Generator) -> Iterator[RenderedFrame]:
    """Render the frames of a scene one after the other, before any coding; dropped frames are left out.

    Parameters
    ----------
    scene : Scene
        What is filmed.
    rng : numpy.random.Generator
        Source of the surroundings, the print's unevenness, the noise, the shake and the jitter of the
        stamps. The same state gives the same frames.

    Yields
    ------
    RenderedFrame
        In the order of the file.

    Notes
    -----
    A hand turns and shifts the camera as a rigid body; each picture row is seen from where the camera is at the
    row's own centre of light. Its motion while a row is exposed smears the picture by the same spread of time in
    all rows and colours; what it adds to the dots' own motion meanwhile is left out.
    """
    print_rng, still_rng, noise_rng, stamp_rng, shake_rng, surface_rng = rng.spawn(6)
    made = _Set(scene, print_rng=print_rng, still_rng=still_rng, shake_rng=shake_rng, surface_rng=surface_rng)
    shots = schedule(scene, rng=stamp_rng)
    path = stabilised_path(scene, made.pose, np.array([shot.start_s for shot in shots]))
    finish = Finish(scene, coloured=made.coloured, rng=noise_rng)
    for number, shot in enumerate(shots):
        if not shot.doubled:
            planes = finish.finished(made.expose(shot.start_s), None if path is None else path[number])
        yield RenderedFrame(shot.index, shot.start_s, shot.stamp_s, *planes)
