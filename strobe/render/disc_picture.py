"""One frame of a disc filmed from above: still things, paper, bars, and what stands before them.

The bars are summed as a Fourier series, each line with the mean that a pixel takes of it. For every picture row the
light of the lamps is integrated over the row's own exposure, exactly but for intervals of a tenth of a millisecond.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.render.disc_scene import DiscScene, PagePicture, disc_view, on_plane, projected
from strobe.render.geometry import View
from strobe.render.lamps import Light
from strobe.render.scenery import GAMMA

__all__ = ["DiscPicture", "Front"]

_LONGEST_INTERVAL_S = 1e-4
"""In it the finest line that is drawn, seven times 120 bars a second, goes through less than a tenth of its cycle."""
_PAPER, _INK, _MAT, _METAL = 0.80, 0.05, 0.06, 0.33
"""Shares of the light that they throw back: plausible, not measured. White paper is as bright as the camera's
`brightness` says."""
_LINES = (1, 3, 5, 7)
"""Fourier lines of bars as wide as their gaps that are drawn; the even ones are nil, and the next has a ninth of the
first one's amplitude."""
_LEAST_LINE = 0.02
"""Amplitude, as a share of the contrast of ink on paper, above which a line is worth drawing: finer ones are lost in
the pixels; our own choice."""
_PLATTER_LIP_MM = 6.0
_SPINDLE_MM, _SPINDLE_HIGH_MM = 7.15, 11.0
_ARM_MM, _ARM_HIGH_MM = 9.0, 18.0
"""Lip, spindle and tonearm, widths and heights: plausible, not measured. The spindle fits a record's hole of 7.24
mm."""
_PAGE_SHOTS = 6
"""Instants, at even shares of a row's light, at which a page is looked up, since it has no closed form. Our own choice:
coarse for steady light and an exposure in which several bars pass."""
_SMALLEST_RADIUS_MM = 1.0
"""Radius that a pixel at the spindle is taken to have, where angles would grow without bounds; no ring is there."""

_Floats = NDArray[Any]


class Front:
    """What stands before the disc: how far it hides a pixel, and its brightness there."""

    def __init__(self, scene: DiscScene) -> None:
        import cv2

        view, on_top = disc_view(scene), scene.on_top
        x, y = on_plane(view, 2)
        radius, azimuth = np.hypot(x, y), np.arctan2(x, -y)
        hides = np.zeros(x.shape, np.float32)
        level = np.zeros(x.shape, np.float32)

        def paint(where: _Floats, brightness: Any) -> None:
            hides[where] = 1
            level[where] = brightness[where] if isinstance(brightness, np.ndarray) else brightness

        if on_top.record_mm > 0:
            shine = 0.035 + 0.10 * np.abs(np.cos(azimuth - 0.6)) ** 24
            paint(radius < on_top.record_mm / 2, shine.astype(np.float32))
        if on_top.label_mm > 0:
            paint(radius < on_top.label_mm / 2, 0.28)
        if on_top.covered_deg > 0:
            apart = np.mod(azimuth - np.radians(on_top.covered_at_deg) + np.pi, 2 * np.pi) - np.pi
            paint((np.abs(apart) < np.radians(on_top.covered_deg) / 2) & (radius > 12), 0.18)
        circle = np.linspace(0, 2 * np.pi, 48)
        pin = np.stack([np.cos(circle), np.sin(circle), np.zeros(48)], axis=-1) * _SPINDLE_MM / 2
        shapes = [(np.concatenate([pin, pin + np.array([0, 0, _SPINDLE_HIGH_MM])]), 0.5)]
        if on_top.tonearm:
            start = np.array([scene.platter_mm / 2 + 60, scene.platter_mm / 4, _ARM_HIGH_MM])
            end = np.array([0.22 * scene.platter_mm, -0.12 * scene.platter_mm, _ARM_HIGH_MM])
            side = np.cross(end - start, [0, 0, 1.0])
            side *= _ARM_MM / 2 / np.linalg.norm(side)
            shapes.append((np.stack([start - side, start + side, end + side, end - side]), 0.42))
            shell = end + np.array([[-9, -9, 0], [9, -9, 0], [9, 16, 0], [-9, 16, 0]])
            shapes.append((shell, 0.10))
        for corners, brightness in shapes:
            outline = cv2.convexHull(np.stack(projected(view, corners), axis=-1).astype(np.float32))
            filled = np.zeros(x.shape, np.uint8)
            cv2.fillConvexPoly(filled, np.round(outline * 2 * 16).astype(np.int32), 1, shift=4)
            paint(filled > 0, brightness)
        size = (view.width, view.height)
        self.hides = cv2.resize(hides, size, interpolation=cv2.INTER_AREA)
        self.light = cv2.resize(level * hides, size, interpolation=cv2.INTER_AREA)


@dataclass(frozen=True, eq=False)
class _Seen:
    """The pixels that may show a ring: their numbers and picture rows, places, size on the disc, line strengths."""

    at: NDArray[np.intp]
    row: NDArray[np.intp]
    x_mm: _Floats
    y_mm: _Floats
    across_mm: _Floats
    lines: tuple[tuple[int, _Floats], ...]


class DiscPicture:
    """All that is drawn once for a clip, and the exposure of one frame of it."""

    def __init__(self, scene: DiscScene, *, rng: np.random.Generator) -> None:
        self.scene, self.camera, self.disc = scene, scene.camera, scene.disc
        view = disc_view(scene)
        self.x, self.y = on_plane(view)
        self.radius = np.hypot(self.x, self.y)
        self.front = Front(scene)
        lean = rng.uniform(-1, 1, 2)
        spread = scene.platter_mm
        with np.errstate(invalid="ignore"):
            slope = 1 + 0.15 * (lean[0] * self.x + lean[1] * self.y) / spread
        self.shade = np.clip(np.nan_to_num(slope, nan=1.0, posinf=1.0, neginf=1.0), 0.7, 1.3).astype(np.float32)
        self.still = _surroundings(scene, view, self.radius, rng)
        step = [np.gradient(part, axis=axis) for part in (self.x, self.y) for axis in (1, 0)]
        self.steps = [np.nan_to_num(part, nan=0.0, posinf=0.0, neginf=0.0) for part in step]
        self.row_delay = self.camera.readout_s * np.arange(self.camera.height) / self.camera.height
        self.paper = self._seen(0.0, self.disc.diameter_mm / 2, 0)
        self.rings = [self._seen(ring.inner_mm, ring.outer_mm, ring.bars) for ring in self.disc.rings]
        index = self.disc.index
        self.block = None if index is None else self._seen(index.inner_mm, index.outer_mm, 0)
        self.page = None if self.disc.page is None else self._prepared(self.disc.page)

    def _seen(self, inner_mm: float, outer_mm: float, bars: int) -> _Seen:
        across_x, across_y, along_x, along_y = (self.steps[k] for k in (0, 2, 1, 3))
        spare = self.disc.offset_mm + 2 * np.hypot(np.hypot(across_x, along_x), np.hypot(across_y, along_y))
        near = (self.radius > inner_mm - spare) & (self.radius < outer_mm + spare)
        at = np.flatnonzero(near)
        x, y = self.x.ravel()[at], self.y.ravel()[at]
        radius = np.maximum(np.hypot(x, y), _SMALLEST_RADIUS_MM)
        steps = [part.ravel()[at] for part in (across_x, across_y, along_x, along_y)]
        turns = [(x * dy - y * dx) / radius**2 / (2 * np.pi) for dx, dy in (steps[:2], steps[2:])]
        reaches = [(x * dx + y * dy) / radius for dx, dy in (steps[:2], steps[2:])]
        lines = []
        for order in _LINES if bars else ():
            strength = np.sinc(order * bars * turns[0]) * np.sinc(order * bars * turns[1])
            strength *= 2 / np.pi / order * (-1) ** (order // 2)
            if strength.size and np.abs(strength).max() > _LEAST_LINE:
                lines.append((order, strength.astype(np.float32)))
        across = np.abs(reaches[0]) + np.abs(reaches[1])
        return _Seen(at, at // self.camera.width, x, y, np.maximum(across, 1e-6), tuple(lines))

    def _placed(self, seen: _Seen, angle_rev: _Floats) -> tuple[_Floats, _Floats, _Floats]:
        """Place of pixels about the paper's centre when the platter stands at an angle for each row: x, y, radius."""
        turned = np.radians(self.disc.offset_deg) - 2 * np.pi * angle_rev
        x = seen.x_mm - (self.disc.offset_mm * np.sin(turned))[seen.row]
        y = seen.y_mm + (self.disc.offset_mm * np.cos(turned))[seen.row]
        return x, y, np.hypot(x, y)

    def expose(self, start_s: float) -> _Floats:
        """Coded luma (0 to 1) of a frame whose first row begins then."""
        import cv2

        camera, film = self.camera, self.scene.film
        starts = start_s + self.row_delay
        light = np.zeros((camera.height, camera.width), np.float32)
        for lamp in film.lights:
            energy = (lamp.energy_s(starts + camera.exposure_s) - lamp.energy_s(starts)) / camera.exposure_s
            scale = lamp.share / lamp.lamp.harmonic(0)
            weight = (energy * scale)[:, None].astype(np.float32)
            reflected = self.still * weight
            self._add_paper(reflected, lamp, starts, weight, scale)
            light += reflected * self.shade * (1 - self.front.hides) + self.front.light * weight
        light *= np.float32(camera.brightness / _PAPER)
        if camera.blur_px > 0:
            light = np.asarray(cv2.GaussianBlur(light, (0, 0), camera.blur_px), np.float32)
        return np.minimum(np.maximum(light, 0) ** np.float32(1 / GAMMA), np.float32(1))

    def _add_paper(self, reflected: _Floats, light: Light, starts: _Floats, weight: _Floats, scale: float) -> None:
        """Lay paper and print over the reflected light of one lamp, in place."""
        film, exposure = self.scene.film, self.camera.exposure_s
        flat, amount = reflected.reshape(-1), weight[:, 0]
        cuts = _cuts_s(light, starts, exposure)
        energy = np.diff(light.energy_s(cuts)) * scale / exposure
        centre = (cuts[:-1] + cuts[1:]) / 2
        begin, end = np.searchsorted(cuts, starts), np.searchsorted(cuts, starts + exposure)
        moment = _over_rows(energy * (centre - starts[0]), begin, end)
        middle = starts + exposure / 2
        middle = np.where(amount > 1e-9, starts[0] + moment / np.maximum(amount, 1e-9), middle)
        middle_rev = film.angle_rev(middle)
        _, _, radius = self._placed(self.paper, middle_rev)
        cover = np.clip((self.disc.diameter_mm / 2 - radius) / self.paper.across_mm + 0.5, 0, 1)
        flat[self.paper.at] += (cover * (_PAPER * amount[self.paper.row] - flat[self.paper.at])).astype(np.float32)
        ink = np.float32(_PAPER - _INK)
        if self.page is not None:
            flat[self.paper.at] -= ink * (cover * self._printed(light, starts, amount)).astype(np.float32)
            return
        angle = film.angle_rev(centre)
        for ring, seen in zip(self.disc.rings, self.rings, strict=True):
            x, y, radius = self._placed(seen, middle_rev)
            dark = amount[seen.row] / 2
            wave = np.exp(1j * np.mod(ring.bars * np.arctan2(x, -y), 2 * np.pi).astype(np.float32))
            for order, strength in seen.lines:
                turning = energy * np.exp(2j * np.pi * order * ring.bars * angle)
                swing = _over_rows(turning, begin, end).astype(np.complex64)
                dark = dark + strength * (wave**order * swing[seen.row]).real
            flat[seen.at] -= ink * (dark * _between(radius, ring.inner_mm, ring.outer_mm, seen.across_mm))
        self._add_block(flat, light, starts, middle, scale)

    def _add_block(self, flat: _Floats, light: Light, starts: _Floats, middle_s: _Floats, scale: float) -> None:
        """The index block: light is missing where it stands while it stands there."""
        index, seen = self.disc.index, self.block
        if index is None or seen is None:
            return
        film, exposure = self.scene.film, self.camera.exposure_s
        middle_rev = film.angle_rev(middle_s)
        x, y, radius = self._placed(seen, middle_rev)
        azimuth = np.arctan2(x, -y) / (2 * np.pi) + middle_rev[seen.row]
        azimuth -= np.round(azimuth)
        half = index.wide_mm / 2 / index.outer_mm / (2 * np.pi)
        begin, middle = starts[seen.row], middle_s[seen.row]
        rate = np.maximum(film.speed.nominal_rpm / 60 * (1 + film.deviation_percent(middle) / 100), 1e-9)
        missing = np.zeros(x.size)
        for part in (-1 / 3, 0.0, 1 / 3):
            at = azimuth + part * seen.across_mm / (2 * np.pi * np.maximum(radius, _SMALLEST_RADIUS_MM))
            enters, leaves = (np.clip(middle + (edge - at) / rate, begin, begin + exposure) for edge in (-half, half))
            missing += (light.energy_s(leaves) - light.energy_s(enters)) * scale / exposure / 3
        cover = _between(radius, index.inner_mm, index.outer_mm, seen.across_mm)
        flat[seen.at] -= ((_PAPER - _INK) * missing * cover).astype(np.float32)

    def _prepared(self, page: PagePicture) -> tuple[_Floats, float, tuple[float, float]]:
        """The page at about two thirds of a pixel of the camera, so that nothing finer folds back."""
        import cv2

        middle = (self.radius < self.disc.diameter_mm / 2) & (self.radius > self.disc.rings[-1].inner_mm)
        size_mm = float(np.median(np.hypot(self.steps[0], self.steps[2])[middle]))
        scale = min(1.0, 1.5 / size_mm / page.px_per_mm)
        small = cv2.resize(page.darkness.astype(np.float32), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        wide, high = small.shape[1] / page.darkness.shape[1], small.shape[0] / page.darkness.shape[0]
        return small, page.px_per_mm * wide, (page.centre_px[0] * wide, page.centre_px[1] * high)

    def _printed(self, light: Light, starts: _Floats, amount: _Floats) -> _Floats:
        """Ink on the pixels of the paper, the mean over equal shares of each row's light."""
        import cv2

        assert self.page is not None
        darkness, px_per_mm, (centre_x, centre_y) = self.page
        exposure = self.camera.exposure_s
        cuts = _cuts_s(light, starts, exposure)
        energy = light.energy_s(cuts)
        first, last = light.energy_s(starts), light.energy_s(starts + exposure)
        total = np.zeros(self.paper.at.size, np.float32)
        for shot in range(_PAGE_SHOTS):
            time = np.interp(first + (last - first) * (shot + 0.5) / _PAGE_SHOTS, energy, cuts)
            angle = self.scene.film.angle_rev(time)
            x, y, _ = self._placed(self.paper, angle)
            turned = (2 * np.pi * angle)[self.paper.row]
            c, s = np.cos(turned), np.sin(turned)
            # In the paper's own axes the index mark lies at azimuth 0, along -y, and upwards on the page.
            own_x, own_y = c * x - s * y, s * x + c * y
            column = (centre_x - own_x * px_per_mm - 0.5).astype(np.float32)
            line = (centre_y + own_y * px_per_mm - 0.5).astype(np.float32)
            total += _looked_up(cv2, darkness, column, line)
        return total / _PAGE_SHOTS * amount[self.paper.row]


def _looked_up(cv2: Any, picture: _Floats, column: _Floats, line: _Floats) -> _Floats:
    """Bilinear values of a picture at a list of places, in pieces that the library takes."""
    width = 16_384
    spare = -column.size % width
    shaped = (np.pad(part, (0, spare)).reshape(-1, width) for part in (column, line))
    return np.asarray(cv2.remap(picture, *shaped, cv2.INTER_LINEAR).reshape(-1)[: column.size])


def _between(radius: _Floats, inner_mm: float, outer_mm: float, across_mm: _Floats) -> _Floats:
    """Share of each pixel that lies between two radii."""
    reach = np.clip((radius - inner_mm) / across_mm + 0.5, 0, 1) - np.clip((radius - outer_mm) / across_mm + 0.5, 0, 1)
    return reach.astype(np.float32)


def _over_rows(parts: _Floats, begin: NDArray[np.intp], end: NDArray[np.intp]) -> _Floats:
    """Sums over each row's intervals."""
    total = np.concatenate([[0], np.cumsum(parts)])
    return total[end] - total[begin]


def _cuts_s(light: Light, starts_s: _Floats, exposure_s: float) -> _Floats:
    """Instants that divide the exposures of all rows into intervals of smooth light."""
    ends = starts_s + exposure_s
    first, last = float(starts_s.min()), float(ends.max())
    even = np.linspace(first, last, 1 + math.ceil((last - first) / _LONGEST_INTERVAL_S))
    return np.unique(np.concatenate([starts_s, ends, even, light.breaks_s(first, last)]))


def _surroundings(scene: DiscScene, view: View, radius: _Floats, rng: np.random.Generator) -> _Floats:
    """Bench, plinth with a few things on it, platter and mat without the paper: light of a still picture."""
    import cv2

    def grain(length: float, across: float) -> _Floats:
        field_ = rng.standard_normal((512, 512)).astype(np.float32)
        smooth = cv2.GaussianBlur(field_, (0, 0), sigmaX=length, sigmaY=across, borderType=cv2.BORDER_REFLECT)
        return (smooth - smooth.mean()) / smooth.std()

    low = -45.0
    x, y = (np.nan_to_num(part, posinf=1e4, neginf=-1e4) for part in on_plane(view, z_mm=low))
    tile = 0.10 * np.exp(0.25 * grain(24, 1.5) + 0.15 * grain(60, 5))
    column, line = (np.mod(part, 512).astype(int) for part in (x, y))
    still = tile[line, column]
    half = scene.platter_mm / 2
    plinth = (np.abs(x) < half + 45) & (np.abs(y) < half + 25)
    still[plinth] = 0.5 * still[plinth] + 0.03
    for _ in range(14):
        left, near = rng.uniform(-2.2 * half, 2.2 * half, 2)
        wide, deep = rng.uniform(8, 50, 2)
        box = (x > left) & (x < left + wide) & (y > near) & (y < near + deep)
        still[box] = rng.uniform(0.02, 0.5)
    edge = 1 - np.clip(radius - half + 0.5, 0, 1)
    lip = _METAL + (_MAT - _METAL) * (1 - np.clip(radius - (half - _PLATTER_LIP_MM) + 0.5, 0, 1))
    with np.errstate(invalid="ignore"):
        mat = lip * (1 + 0.1 * np.sin(np.nan_to_num(radius, posinf=0.0) / 2.9))
    return np.asarray(still + edge * (mat - still), np.float32)
