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

from strobe.render.geometry import rim_pixels, view_of
from strobe.render.scene import DotRow, Scene
from strobe.render.scenery import GAMMA, Still, rim_shade, still_picture

__all__ = ["RenderedFrame", "frames", "stamps_s"]

_DOT_BRIGHTNESS = 0.8
_LONGEST_INTERVAL_S = 0.25e-3
_PATTERN_SAMPLES = 1 << 17
_SLICES = 5

_Floats = NDArray[np.floating[Any]]
_Plane = NDArray[np.floating[Any]]
_Bytes = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class RenderedFrame:
    """One frame: planes of 8 bits in video range (luma 16 to 235, chroma about 128 at half size).

    `start_s` is the true time at which row 0 begins to be exposed, `stamp_s` the time that the file will say.
    """

    index: int
    start_s: float
    stamp_s: float
    luma: _Bytes
    blue: _Bytes
    red: _Bytes


def stamps_s(scene: Scene, *, rng: np.random.Generator) -> _Floats:
    """Time stamps of all frames (dropped ones included), on the camera's clock and its file's grid."""
    camera = scene.camera
    exact = np.arange(scene.frame_count) / camera.frame_rate_hz
    jitter = camera.stamp_jitter_s * np.clip(rng.standard_normal(exact.size), -2, 2)
    jitter[0] = 0
    step = float(camera.stamp_step_s)
    return np.round((exact + jitter) / step) * step


class _Ring:
    """One ring of dots: its pattern, the picture pixels that show it and how strongly."""

    def __init__(self, scene: Scene, row: DotRow, *, rng: np.random.Generator) -> None:
        camera = scene.camera
        width, height = camera.width, camera.height
        pixel_rad = _pixel_azimuth(scene, row)
        x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
        azimuth, z = rim_pixels(scene, x, y)
        _, above = rim_pixels(scene, x, y - 0.5)
        _, below = rim_pixels(scene, x, y + 0.5)
        reach = np.abs(above - below)
        cover = np.clip((row.height_mm / 2 - np.abs(z - row.z_mm)) / reach + 0.5, 0, 1)
        cover = np.where(np.isfinite(cover), cover, 0) * np.minimum(1, row.height_mm / reach)
        self.place = np.flatnonzero(cover > 0)
        self.cover = (cover.ravel()[self.place] * rim_shade(azimuth.ravel()[self.place])).astype(np.float32)
        picture_row = self.place // width
        self.first_row, self.last_row = (int(picture_row.min()), int(picture_row.max())) if self.place.size else (0, -1)

        azimuth, z = azimuth.ravel()[self.place], z.ravel()[self.place]
        self.stride = max(1, round(0.6 * pixel_rad / (2 * np.pi) * _PATTERN_SAMPLES))
        self.samples = self.stride * round(_PATTERN_SAMPLES / self.stride)
        cell = 2 * np.pi * self.stride / self.samples
        self.first_azimuth = float(azimuth.min()) if azimuth.size else 0.0
        self.columns = int(np.ceil((azimuth.max() - self.first_azimuth) / cell)) + 2 if azimuth.size else 2

        levels = np.array([0.0]) if row.shape == "rect" else np.sin(np.linspace(0, np.pi / 2, _SLICES))
        self.slices = [
            _polyphase(pattern, self.stride, self.columns)
            for pattern in _patterns(row, levels, self.samples, pixel_rad, rng=rng)
        ]
        at = (azimuth - self.first_azimuth) / cell
        column = at.astype(np.int64)
        height = np.minimum(np.abs(z - row.z_mm) / (row.height_mm / 2), 1)
        level = np.arcsin(height) / (np.pi / 2) * (len(levels) - 1)
        layer = np.minimum(level.astype(np.int64), max(0, len(levels) - 2))
        rows = self.last_row - self.first_row + 1
        self.flat = (layer * rows + picture_row - self.first_row) * self.columns + column
        self.right = (at - column).astype(np.float32)
        self.deeper = (level - layer).astype(np.float32)
        self.layer_step = rows * self.columns

    def exposed(self, angle_rev: _Floats, weight: _Floats, begin: NDArray[np.intp], end: NDArray[np.intp]) -> _Plane:
        """Light on the ring's pixels.

        `angle_rev` and `weight` describe the intervals, `begin` and `end` the first interval and the one
        past the last of each picture row of the ring.
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
        value = self._between(table, self.flat)
        if len(self.slices) > 1:
            value += self.deeper * (self._between(table, self.flat + self.layer_step) - value)
        return value * self.cover

    def _between(self, table: _Plane, flat: NDArray[np.int64]) -> _Plane:
        left = table[flat]
        return left + self.right * (table[flat + 1] - left)


def _pixel_azimuth(scene: Scene, row: DotRow) -> float:
    """Azimuth (rad) that one pixel spans at the nearest point of the ring."""
    view = view_of(scene)
    nearest = np.array([0.0, -scene.radius_mm, row.z_mm]) - view.place_mm
    return float(nearest @ view.ahead) / view.focal_px / scene.radius_mm


def _patterns(
    row: DotRow, levels: _Floats, samples: int, pixel_rad: float, *, rng: np.random.Generator
) -> list[_Plane]:
    """Brightness round the ring (0 the dark band, about 1 a dot), one array of `samples` for each level.

    A level is the height above the ring's middle as a share of half its height. Every sample is the mean
    over one pixel's width at the nearest point.
    """
    pitch = 2 * np.pi / row.dots
    centre = (np.arange(row.dots) + 0.5 + row.uneven_place * rng.standard_normal(row.dots)) * pitch
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


def _polyphase(pattern: _Plane, stride: int, columns: int) -> _Plane:
    """View (stride, samples / stride + 1, columns): entry [p, q] holds the pattern from p + stride * q on."""
    phases = pattern.reshape(-1, stride).T
    repeats = -(-(columns + 1) // phases.shape[1])
    wrapped = np.ascontiguousarray(np.concatenate([phases] * (1 + repeats), axis=1))
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, columns, axis=1)
    return windows[:, : phases.shape[1] + 1]


def _intervals(scene: Scene, starts_s: _Floats) -> tuple[_Floats, _Floats, NDArray[np.intp], NDArray[np.intp]]:
    """Cut the exposures of rows that begin at `starts_s` into intervals.

    Returns
    -------
    time_s, weight : arrays
        Centre of light of each interval and the energy in it, relative to a whole exposure to mean light.
    begin, end : arrays
        For each row its first interval and the one past its last.
    """
    lamp, exposure = scene.lamp, scene.camera.exposure_s
    ends_s = starts_s + exposure
    first, last = starts_s.min(), ends_s.max()
    even = np.linspace(first, last, 1 + int(np.ceil((last - first) / _LONGEST_INTERVAL_S)))
    cuts = np.unique(np.concatenate([starts_s, ends_s, even, lamp.breaks_s(first, last)]))
    length = np.diff(cuts)
    energy = np.diff(lamp.energy_s(cuts))
    middle = cuts[:-1] + length / 2
    rise = lamp.intensity(middle + length / 4) - lamp.intensity(middle - length / 4)
    shift = length * length * 2 * rise / (12 * np.maximum(energy, 1e-300))
    time = middle + np.clip(shift, -length / 2, length / 2)
    weight = energy / (exposure * lamp.harmonic(0))
    return time, weight, np.searchsorted(cuts, starts_s), np.searchsorted(cuts, ends_s)


def _shake_px(scene: Scene, *, rng: np.random.Generator) -> tuple[_Floats, _Floats, _Floats]:
    """Frequencies (Hz), and complex amplitudes (px) in x and y, of a hand's shake with the scene's rms."""
    frequency = rng.uniform(0.3, 9.0, 24)
    draws = rng.standard_normal((2, 24)) + 1j * rng.standard_normal((2, 24))
    draws /= frequency
    draws *= scene.camera.shake_px / np.sqrt((np.abs(draws) ** 2).sum(axis=1, keepdims=True) / 2)
    return frequency, draws[0], draws[1]


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
        In order of time.

    Notes
    -----
    The shake turns the camera about its lens: the picture moves as a whole, each picture row by where the
    camera looks in the middle of its exposure; motion blur by shake is left out.
    """
    camera = scene.camera
    print_rng, still_rng, noise_rng, stamp_rng, shake_rng = rng.spawn(5)
    still = still_picture(scene, rng=still_rng)
    rings = [_Ring(scene, row, rng=print_rng) for row in scene.rows]
    stamps = stamps_s(scene, rng=stamp_rng)
    grain = _Grain(camera.noise, (camera.height, camera.width), noise_rng)
    shake = _shake_px(scene, rng=shake_rng) if camera.shake_px > 0 else None
    row_delay = camera.readout_s * np.arange(camera.height) / camera.height
    stretch = 1 + camera.clock_error_ppm * 1e-6
    for index in range(scene.frame_count):
        if index in camera.dropped_frames:
            continue
        start = index / camera.frame_rate_hz * stretch
        luma, blue, red = _expose(scene, still, rings, start + row_delay, shake)
        yield RenderedFrame(
            index=index,
            start_s=start,
            stamp_s=float(stamps[index]),
            luma=grain.applied(luma * np.float32(219) + np.float32(16)),
            blue=_bytes(blue * np.float32(224) + np.float32(128)),
            red=_bytes(red * np.float32(224) + np.float32(128)),
        )


def _expose(
    scene: Scene,
    still: Still,
    rings: list[_Ring],
    starts_s: _Floats,
    shake: tuple[_Floats, _Floats, _Floats] | None,
) -> tuple[_Plane, _Plane, _Plane]:
    """Coded luma (0 to 1) and chroma (about zero) of one frame whose rows begin at `starts_s`."""
    camera = scene.camera
    energy = scene.lamp.energy_s(starts_s + camera.exposure_s) - scene.lamp.energy_s(starts_s)
    light = energy / (camera.exposure_s * scene.lamp.harmonic(0)) * camera.brightness
    coded = (light ** (1 / GAMMA)).astype(np.float32)[:, None]
    luma, blue, red = still.luma, still.blue, still.red
    move = None
    if shake is not None:
        frequency, *amplitudes = shake
        turn = np.exp(2j * np.pi * np.outer(starts_s + camera.exposure_s / 2, frequency))
        move = [(turn @ amplitude).real for amplitude in amplitudes]
        luma = _moved(luma, move[0], move[1])
        half = [part[::2] / 2 for part in move]
        blue, red = _moved(blue, half[0], half[1]), _moved(red, half[0], half[1])
    picture = luma * coded
    _add_dots(scene, rings, starts_s, picture, move)
    chroma = (coded[::2] + coded[1::2]) / 2
    return np.minimum(picture, 1), blue * chroma, red * chroma


def _add_dots(scene: Scene, rings: list[_Ring], starts_s: _Floats, picture: _Plane, move: list[_Floats] | None) -> None:
    """Lay the light of the dots over the coded `picture`, in place."""
    import cv2

    camera = scene.camera
    seen = [ring for ring in rings if ring.place.size]
    if not seen:
        return
    margin = int(np.ceil(4 * camera.blur_px)) + 1
    top = max(0, min(ring.first_row for ring in seen) - margin)
    bottom = min(camera.height, max(ring.last_row for ring in seen) + margin + 1)
    dots = np.zeros((bottom - top) * camera.width, np.float32)
    for ring in seen:
        rows = np.arange(ring.first_row, ring.last_row + 1)
        shown_at = rows if move is None else rows + move[1][rows]
        ring_starts = starts_s[0] + camera.readout_s * shown_at / camera.height
        time, weight, begin, end = _intervals(scene, ring_starts)
        dots[ring.place - top * camera.width] += ring.exposed(scene.angle_rev(time), weight, begin, end)
    strip = dots.reshape(-1, camera.width) * np.float32(_DOT_BRIGHTNESS * camera.brightness)
    if camera.blur_px > 0:
        strip = np.asarray(cv2.GaussianBlur(strip, (0, 0), camera.blur_px), np.float32)
    if move is not None:
        whole = np.zeros_like(picture)
        whole[top:bottom] = strip
        strip, top, bottom = _moved(whole, move[0], move[1]), 0, camera.height
    under = picture[top:bottom]
    under[...] = cv2.pow(cv2.pow(under, GAMMA) + np.maximum(strip, 0), 1 / GAMMA)


def _moved(plane: _Plane, right_px: _Floats, down_px: _Floats) -> _Plane:
    """The plane with each row of the result shifted by its own amount, edges mirrored."""
    import cv2

    height, width = plane.shape
    x = np.arange(width, dtype=np.float32)[None, :] - right_px.astype(np.float32)[:, None]
    y = np.arange(height, dtype=np.float32)[:, None] - down_px.astype(np.float32)[:, None]
    y = np.broadcast_to(y, x.shape)
    cubic, mirror = cv2.INTER_CUBIC, cv2.BORDER_REFLECT
    return np.asarray(cv2.remap(plane, x, np.ascontiguousarray(y), cubic, borderMode=mirror), np.float32)


def _bytes(plane: _Plane) -> _Bytes:
    return np.clip(plane + np.float32(0.5), 0, 255).astype(np.uint8)


class _Grain:
    """Sensor noise: windows at random places of one large field, so that a frame costs an addition."""

    def __init__(self, deviation: float, shape: tuple[int, int], rng: np.random.Generator) -> None:
        self.rng, self.shape = rng, shape
        size = shape[0] * shape[1]
        self.field = None
        if deviation > 0:
            self.field = rng.standard_normal(3 * size, dtype=np.float32) * np.float32(deviation)

    def applied(self, plane: _Plane) -> _Bytes:
        """The plane with fresh noise, rounded to bytes in video range."""
        if self.field is not None:
            size = plane.size
            at = int(self.rng.integers(0, self.field.size - size))
            plane = plane + self.field[at : at + size].reshape(self.shape)
        return np.clip(plane + np.float32(0.5), 16, 235).astype(np.uint8)
