"""Rings of dots and marks that turn with the platter: their pattern, and how the picture's pixels collect it.

Aim: the light of a pixel is the pattern of one turn, averaged over the pixel's width, summed over the time
intervals in which its picture row is exposed. Patterns are sampled finely round the turn; a frame costs a
table of picture rows by azimuth cells, from which every pixel is read by interpolation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.render.geometry import rim_pixels, view_of
from strobe.render.lamps import Fall
from strobe.render.rim import DotRow, Mark
from strobe.render.scene import Scene
from strobe.render.scenery import rim_shade

__all__ = ["DOT_BRIGHTNESS", "Placement", "Ring", "rings_of"]

DOT_BRIGHTNESS = 0.8
"""Linear level of a white dot where white paper is 1."""

_PATTERN_SAMPLES = 1 << 17
"""Points round the turn at which a pattern is known: 0.007 mm apart on a rim of 310 mm, far finer than a pixel."""
_SLICES = 5
"""Heights from the middle of a round dot to its edge at which its width is known, blended between; our own choice."""
_LEAST_FALL = 1e-3
"""Share of a lamp's light below which a pixel counts as unlit by it, 2.4 half-widths from the middle of its patch; our
own choice."""
_SPARE_RAD = 0.1
"""Angle beyond both ends of the visible rim that is kept ready for a picture that moves, some 15 mm of a rim of 310 mm;
our own choice."""
_SCRATCHED_BANDS = 3
"""Heights on the rim among which scratches are dealt out, so that each takes no ring of its own; our own choice."""

_Floats = NDArray[np.floating[Any]]
_Plane = NDArray[Any]


@dataclass(frozen=True, eq=False)
class Placement:
    """Pixels that show a ring: their flat index in the picture, how much, and where to read them in a ring's table."""

    place: NDArray[np.intp]
    cover: _Plane
    first_row: int
    last_row: int
    flat: NDArray[np.int64]
    right: _Plane
    deeper: _Plane


class Ring:
    """One ring of dots, or of marks of one height: its pattern, and where it was seen by the camera at rest."""

    def __init__(self, scene: Scene, what: DotRow | Sequence[Mark], *, rng: np.random.Generator, moves: bool) -> None:
        camera = scene.camera
        row = what if isinstance(what, DotRow) else what[0]
        self.z_mm, self.height_mm = row.z_mm, row.height_mm
        self.width = camera.width
        self.sideways = abs(np.sin(np.radians(camera.roll_deg))) > 0.7
        pixel_rad = _pixel_azimuth(scene, row.z_mm)
        x, y = np.meshgrid(np.arange(camera.width) + 0.5, np.arange(camera.height) + 0.5)
        azimuth, z = rim_pixels(scene, x, y)
        before, after = ((x - 0.5, y), (x + 0.5, y)) if self.sideways else ((x, y - 0.5), (x, y + 0.5))
        reach = np.abs(rim_pixels(scene, *before)[1] - rim_pixels(scene, *after)[1])
        cover = self.cover(z, reach)
        seen = np.flatnonzero(cover > 0)
        self.box = (0, -1, 0, -1)
        if seen.size:
            rows, columns = seen // self.width, seen % self.width
            self.box = (int(rows.min()), int(rows.max()), int(columns.min()), int(columns.max()))
        visible = azimuth.ravel()[seen] if seen.size else np.zeros(1)
        spare = _SPARE_RAD if moves else 0.0
        first, last = float(visible.min()) - spare, float(visible.max()) + spare

        self.stride = max(1, round(0.6 * pixel_rad / (2 * np.pi) * _PATTERN_SAMPLES))
        self.samples = self.stride * round(_PATTERN_SAMPLES / self.stride)
        self.cell_rad = 2 * np.pi * self.stride / self.samples
        self.first_azimuth = first
        self.columns = int(np.ceil((last - first) / self.cell_rad)) + 2
        if isinstance(what, DotRow):
            levels = np.array([0.0]) if what.shape == "rect" else np.sin(np.linspace(0, np.pi / 2, _SLICES))
            patterns = _patterns(scene, what, levels, self.samples, pixel_rad, rng=rng)
        else:
            patterns = [_marked(scene, what, self.samples, pixel_rad)]
        self.slices = [_polyphase(pattern, self.stride, self.columns) for pattern in patterns]
        self.at_rest = (azimuth, z, cover)

    def cover(self, z_mm: _Floats, reach_mm: _Floats) -> _Floats:
        """Share of each pixel that the ring covers, from the height seen and the heights that a pixel spans."""
        with np.errstate(invalid="ignore", divide="ignore"):
            cover = np.clip((self.height_mm / 2 - np.abs(z_mm - self.z_mm)) / reach_mm + 0.5, 0, 1)
            return np.where(np.isfinite(cover), cover, 0) * np.minimum(1, self.height_mm / reach_mm)

    def still_placement(self, fall: Fall) -> Placement:
        """Pixels that show the part of the ring that a light falls on, from the camera at rest."""
        azimuth, z, cover = self.at_rest
        return self._placed(azimuth, z, cover, fall, 0, 0)

    def placement(self, azimuth: _Floats, z_mm: _Floats, fall: Fall, top: int, left: int) -> Placement:
        """The same for a part of the picture, from where its pixels look now."""
        reach = np.abs(np.gradient(z_mm, axis=1 if self.sideways else 0))
        return self._placed(azimuth, z_mm, self.cover(z_mm, reach), fall, top, left)

    def _placed(self, azimuth: _Floats, z: _Floats, cover: _Floats, fall: Fall, top: int, left: int) -> Placement:
        wide = azimuth.shape[1]
        shown = cover > 0
        if not fall.everywhere:
            shown &= fall.on_rim(azimuth) > _LEAST_FALL
        at = np.flatnonzero(shown)
        azimuth, z, cover = azimuth.ravel()[at], z.ravel()[at], cover.ravel()[at] * rim_shade(azimuth.ravel()[at])
        if not fall.everywhere:
            cover = cover * fall.on_rim(azimuth)
        picture_row = at // wide + top
        place = picture_row * self.width + at % wide + left
        first_row, last_row = (int(picture_row.min()), int(picture_row.max())) if at.size else (0, -1)
        cell = np.clip((azimuth - self.first_azimuth) / self.cell_rad, 0, self.columns - 1.001)
        column = cell.astype(np.int64)
        height = np.minimum(np.abs(z - self.z_mm) / (self.height_mm / 2), 1)
        level = np.arcsin(height) / (np.pi / 2) * (len(self.slices) - 1)
        layer = np.minimum(level.astype(np.int64), max(0, len(self.slices) - 2))
        rows = last_row - first_row + 1
        return Placement(
            place=place,
            cover=cover.astype(np.float32),
            first_row=first_row,
            last_row=last_row,
            flat=(layer * rows + picture_row - first_row) * self.columns + column,
            right=(cell - column).astype(np.float32),
            deeper=(level - layer).astype(np.float32),
        )

    def exposed(
        self, seen: Placement, angle_rev: _Floats, weight: _Floats, begin: NDArray[np.intp], end: NDArray[np.intp]
    ) -> _Plane:
        """Light on the pixels that show the ring.

        `angle_rev` and `weight` describe the intervals, `begin` and `end` the first interval and the one
        past the last of each picture row of the placement.
        """
        at = np.mod(angle_rev + self.first_azimuth / (2 * np.pi), 1) * self.samples
        whole = at.astype(np.int64)
        part = (at - whole).astype(np.float32)[:, None]
        strength = weight.astype(np.float32)[:, None]
        collected = []
        for windows in self.slices:
            now = windows[whole % self.stride, whole // self.stride]
            after = windows[(whole + 1) % self.stride, (whole + 1) // self.stride]
            light = (now + part * (after - now)) * strength
            total = np.zeros((len(weight) + 1, self.columns), np.float32)
            np.cumsum(light, axis=0, out=total[1:])
            collected.append(total[end] - total[begin])
        table = np.concatenate(collected).ravel()
        value = _between(table, seen.flat, seen.right)
        if len(self.slices) > 1:
            step = (seen.last_row - seen.first_row + 1) * self.columns
            value += seen.deeper * (_between(table, seen.flat + step, seen.right) - value)
        return value * seen.cover


def _between(table: _Plane, flat: NDArray[np.int64], right: _Plane) -> _Plane:
    left = table[flat]
    return left + right * (table[flat + 1] - left)


def rings_of(
    scene: Scene, *, print_rng: np.random.Generator, scratch_rng: np.random.Generator, moves: bool
) -> list[Ring]:
    """All rings of a scene that are in the picture: dots, marks and scratches."""
    rings = [Ring(scene, row, rng=print_rng, moves=moves) for row in scene.rows]
    bands: dict[tuple[float, float], list[Mark]] = {}
    for mark in (*scene.surface.marks, *_scratches(scene, scratch_rng)):
        bands.setdefault((mark.z_mm, mark.height_mm), []).append(mark)
    rings += [Ring(scene, marks, rng=scratch_rng, moves=moves) for marks in bands.values()]
    return [ring for ring in rings if ring.box[1] >= 0]


def _scratches(scene: Scene, rng: np.random.Generator) -> list[Mark]:
    places = rng.uniform(0.1, 0.9, _SCRATCHED_BANDS) * -scene.thickness_mm
    heights = rng.uniform(0.8, 4.0, _SCRATCHED_BANDS)
    return [
        Mark(
            azimuth_rad=rng.uniform(0, 2 * np.pi),
            width_mm=rng.uniform(0.1, 0.5),
            z_mm=float(places[number % _SCRATCHED_BANDS]),
            height_mm=float(heights[number % _SCRATCHED_BANDS]),
            brightness=rng.uniform(0.1, 0.5),
        )
        for number in range(scene.surface.scratches)
    ]


def _pixel_azimuth(scene: Scene, z_mm: float) -> float:
    """Azimuth (rad) that one pixel spans at the nearest point of the ring."""
    view = view_of(scene)
    nearest = np.array([0.0, -scene.radius_mm, z_mm]) - view.place_mm
    return float(nearest @ view.ahead) / view.focal_px / scene.radius_mm


def _patterns(
    scene: Scene, row: DotRow, levels: _Floats, samples: int, pixel_rad: float, *, rng: np.random.Generator
) -> list[_Plane]:
    """Brightness round the ring (0 the dark band, about 1 a dot), one array of `samples` for each level.

    A level is the height above the ring's middle as a share of half its height. Every sample is the mean
    over one pixel's width at the nearest point.
    """
    pitch = 2 * np.pi / (row.dots + row.joint_gap)
    places = np.arange(row.dots) + 0.5 + row.joint_gap / 2
    centre = (places + row.uneven_place * rng.standard_normal(row.dots)) * pitch
    if scene.runout.ring_offset_mm > 0:
        centre = scene.runout.displaced(centre, scene.radius_mm)
    bright = np.clip(1 + row.uneven_brightness * rng.standard_normal(row.dots), 0.2, 1.2)
    grid = np.arange(samples) * 2 * np.pi / samples
    dust = np.ones(samples, np.float32)
    specks = rng.uniform([0, 0.1], [2 * np.pi, 0.5], (row.dust_specks, 2))
    for place, depth in specks:
        apart = np.mod(grid - place + np.pi, 2 * np.pi) - np.pi
        dust -= (depth * np.exp(-0.5 * (apart / (0.15 * pitch)) ** 2)).astype(np.float32)
    made = []
    for level in levels:
        half = row.duty * pitch / 2 * np.sqrt(max(1 - level**2, 0.0))
        edges = np.ravel([centre - half, centre + half], order="F")
        sums = np.ravel([np.cumsum(bright) - bright, np.cumsum(bright)], order="F") * 2 * half
        turn = sums[-1]
        edges = np.concatenate([edges - 2 * np.pi, edges, edges + 2 * np.pi])
        sums = np.concatenate([sums - turn, sums, sums + turn])
        span = np.interp(grid + pixel_rad / 2, edges, sums) - np.interp(grid - pixel_rad / 2, edges, sums)
        made.append((span / pixel_rad).astype(np.float32) * np.clip(dust, 0, 1))
    return made


def _marked(scene: Scene, marks: Sequence[Mark], samples: int, pixel_rad: float) -> _Plane:
    """Brightness round the ring, one for a dot, of marks on it."""
    grid = np.arange(samples) * 2 * np.pi / samples
    total = np.zeros(samples, np.float32)
    for mark in marks:
        half = mark.width_mm / scene.radius_mm / 2
        apart = np.abs(np.mod(grid - mark.azimuth_rad + np.pi, 2 * np.pi) - np.pi)
        inside = np.clip((half - apart) / pixel_rad + 0.5, 0, 1) * min(1.0, 2 * half / pixel_rad)
        total += (mark.brightness / DOT_BRIGHTNESS * inside).astype(np.float32)
    return total


def _polyphase(pattern: _Plane, stride: int, columns: int) -> _Plane:
    """View (stride, samples / stride + 1, columns): entry [p, q] holds the pattern from p + stride * q on."""
    phases = pattern.reshape(-1, stride).T
    repeats = -(-(columns + 1) // phases.shape[1])
    wrapped = np.ascontiguousarray(np.concatenate([phases] * (1 + repeats), axis=1))
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, columns, axis=1)
    return windows[:, : phases.shape[1] + 1]
