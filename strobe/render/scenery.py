"""The still part of the picture: platter, plinth, wooden bench, wall with things on it.

Aim: a plausible textured surrounding, invented at random, in the brightness-coded domain of the camera.
Nothing in it repeats as regularly as the dots do. Arrays are (height, width) float32.
"""

from __future__ import annotations

import math
import pickle
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.render.geometry import rim_hits, rim_pixels, view_of
from strobe.render.scene import Scene

__all__ = ["GAMMA", "LUMA", "Still", "chroma_of", "passing_hand", "rim_shade", "still_picture"]

GAMMA = 2.2
"""Exponent of the camera's transfer curve, a plain power near that of sRGB."""

LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Weights of coded red, green and blue in luma (Rec. ITU-R BT.709, value from memory)."""

_TILE_PX = 1024
_TILE_MM = 512.0
"""Size of a tile of texture, in points and in millimetres: half a millimetre a point, two or three pixels of a near
camera; our own choice."""
_DARK_BAND = 0.04
"""Share of the light that the band between the dots throws back: plausible, not measured."""

_Plane = NDArray[Any]
_Limits = tuple[tuple[float, float] | None, tuple[float, float] | None]


@dataclass(frozen=True, eq=False)
class Still:
    """Brightness-coded still picture, white at 1: luma (height, width) and chroma (half size) about zero.

    `coded` holds its colours (height, width, 3), `fine` the same at twice the size, and `inverse_depth` one over
    the depth (mm) of what each pixel shows.
    """

    luma: _Plane
    blue: _Plane
    red: _Plane
    coded: _Plane
    fine: _Plane
    inverse_depth: _Plane


def rim_shade(azimuth_rad: _Plane) -> _Plane:
    """Light that a part of the rim receives, 1 at the front and falling off to the sides."""
    return 0.35 + 0.65 * np.cos(azimuth_rad)


def _tile(rng: np.random.Generator, along_px: float, across_px: float) -> _Plane:
    """Periodic smooth noise of zero mean and unit deviation, with these lengths of correlation."""
    spectrum = np.fft.rfft2(rng.standard_normal((_TILE_PX, _TILE_PX)))
    fy = np.fft.fftfreq(_TILE_PX)[:, None] * across_px
    fx = np.fft.rfftfreq(_TILE_PX)[None, :] * along_px
    smooth = np.fft.irfft2(spectrum * np.exp(-2 * np.pi**2 * (fx**2 + fy**2)), (_TILE_PX, _TILE_PX))
    smooth -= smooth.mean()
    return (smooth / smooth.std()).astype(np.float32)


def _wood(rng: np.random.Generator, colour: tuple[float, float, float]) -> _Plane:
    """Tile of wood, (size, size, 3) linear light: long grain, broad flames, pores."""
    grain = 0.5 * _tile(rng, 60, 1.2) + 0.7 * _tile(rng, 140, 7) + 0.35 * _tile(rng, 6, 0.8)
    return np.exp(0.22 * grain)[..., None] * np.asarray(colour, np.float32)


def _wall(rng: np.random.Generator) -> _Plane:
    """Tile of plaster, (size, size, 3) linear light, with boxes and sheets of invented writing before it."""
    plaster = np.exp(0.10 * _tile(rng, 3, 3) + 0.12 * _tile(rng, 60, 60))
    tile = plaster[..., None] * np.array([0.42, 0.40, 0.35], np.float32)
    for _ in range(26):
        x, y = rng.integers(0, _TILE_PX - 60, 2)
        w, h = rng.integers(30, 190), rng.integers(30, 160)
        tile[y : y + h, x : x + w] *= rng.uniform(0.15, 1.6, 3).astype(np.float32)
        tile[y : y + h, x : x + 4] *= 0.5
    for _ in range(9):
        x, y = rng.integers(0, _TILE_PX - 200, 2)
        w, h = rng.integers(90, 180), rng.integers(60, 190)
        tile[y : y + h, x : x + w] = rng.uniform(0.5, 0.8)
        for line in range(y + 10, y + h - 14, int(rng.integers(14, 22))):
            at = x + 8
            while at < x + w - 16:
                glyph = rng.random((7, 5)) < 0.45
                size = int(rng.integers(1, 3))
                patch = tile[line : line + 7 * size, at : at + 5 * size]
                ink = np.kron(glyph, np.ones((size, size)))[: patch.shape[0], : patch.shape[1], None]
                patch *= (1 - 0.85 * ink).astype(np.float32)
                at += 5 * size + int(rng.integers(2, 12))
    return tile


@lru_cache(maxsize=2)
def _tiles(state: bytes) -> tuple[_Plane, _Plane, _Plane]:
    """Tiles of bench, plinth and wall, invented from the pickled state of a generator.

    They take longer than anything else that is drawn once for a clip, and scenes are often drawn by turns from the
    same few seeds.
    """
    told = pickle.loads(state)
    bits = getattr(np.random, told["bit_generator"])()
    bits.state = told
    rng = np.random.Generator(bits)
    wood = tuple(rng.uniform(0.8, 1.2) * np.array([0.30, 0.17, 0.09]))
    made = _wood(rng, wood), _wood(rng, (0.16, 0.08, 0.05)), _wall(rng)
    for tile in made:
        tile.flags.writeable = False
    return made


def _sample(tile: _Plane, across_mm: _Plane, along_mm: _Plane, *, tile_mm: float = _TILE_MM) -> _Plane:
    """Colours of a tile that repeats without end, at places in millimetres."""
    scale = np.float32(_TILE_PX / tile_mm)
    row = np.floor(across_mm * scale).astype(np.int32) % _TILE_PX
    column = np.floor(along_mm * scale).astype(np.int32) % _TILE_PX
    return tile.reshape(-1, 3)[row * _TILE_PX + column]


def still_picture(
    scene: Scene, *, rng: np.random.Generator, surface_rng: np.random.Generator, moves: bool = False
) -> Still:
    """Draw the surroundings of a scene and the dark bands under the dots, lens blur included.

    `fine` and `inverse_depth` are empty unless the picture `moves`.
    """
    import cv2

    camera = scene.camera
    image, nearest = _drawn(scene, rng)
    _add_streaks(scene, image, surface_rng)
    small = cv2.resize(image, (camera.width, camera.height), interpolation=cv2.INTER_AREA)
    if camera.blur_px > 0:
        small = cv2.GaussianBlur(small, (0, 0), camera.blur_px)
    coded = np.clip(small, 0, 1) ** np.float32(1 / GAMMA)
    half = cv2.resize(coded, (camera.width // 2, camera.height // 2), interpolation=cv2.INTER_AREA)
    blue, red = chroma_of(half)
    fine, inverse_depth = np.empty((0, 0, 3), np.float32), np.empty((0, 0), np.float32)
    if moves:
        # At twice the size a pixel's own square counts as blur as well: its variance is 2 * 2 / 12.
        blurred = cv2.GaussianBlur(image, (0, 0), math.sqrt((2 * camera.blur_px) ** 2 + 1 / 3))
        fine = np.asarray(cv2.pow(np.clip(blurred, 0, 1), 1 / GAMMA), np.float32)
        inverse_depth = (1 / nearest[::2, ::2]).astype(np.float32)
    return Still(coded @ LUMA, blue, red, coded, fine, inverse_depth)


def chroma_of(coded: _Plane) -> tuple[_Plane, _Plane]:
    """Blue and red difference, about zero, of coded colours (height, width, 3)."""
    grey = coded @ LUMA
    return (
        (coded[..., 2] - grey) / np.float32(2 * (1 - LUMA[2])),
        (coded[..., 0] - grey) / np.float32(2 * (1 - LUMA[0])),
    )


def _drawn(scene: Scene, rng: np.random.Generator) -> tuple[_Plane, _Plane]:
    """Linear colours at twice the picture's size, and the depth (mm) of what is seen."""
    camera = scene.camera
    height, width = 2 * camera.height, 2 * camera.width
    x, y = np.meshgrid(*((np.arange(n, dtype=np.float32) + 0.5) / 2 for n in (width, height)))
    view = view_of(scene)
    place = view.place_mm.tolist()
    ray = view.rays(x, y)
    radius = scene.radius_mm
    low = -scene.thickness_mm - 5
    front = -radius - 28
    far = 4 * radius
    side = 1.5 * radius

    image = np.zeros((height, width, 3), np.float32)
    nearest = np.full((height, width), np.inf, np.float32)

    def paint(axis: int, level: float, tile: _Plane, limits: _Limits, tile_mm: float = _TILE_MM) -> None:
        """Fill the part of a plane within the limits of its two free axes, where nothing is nearer."""
        distance = np.divide(level - place[axis], ray[axis], where=ray[axis] != 0, out=np.zeros_like(nearest))
        seen = (distance > 0) & (distance < nearest)
        free = [k for k in range(3) if k != axis]
        for k, limit in zip(free, limits, strict=True):
            if limit is not None:
                at = place[k] + distance * ray[k]
                seen &= (at > limit[0]) & (at < limit[1])
        where = np.flatnonzero(seen)
        reach = distance.ravel()[where]
        along, across = (place[k] + reach * ray[k].ravel()[where] for k in free)
        image.reshape(-1, 3)[where] = _sample(tile, across, along, tile_mm=tile_mm)
        nearest.ravel()[where] = reach

    bench, plinth, wall = _tiles(pickle.dumps(rng.bit_generator.state))
    paint(1, far, wall, (None, None), 3 * _TILE_MM)
    paint(2, low - 75, bench, (None, (-9e9, far)))
    paint(2, low, plinth, ((-side, side), (front, 1.4 * radius)))
    paint(1, front, plinth, ((-side, side), (low - 70, low)))

    _paint_platter(scene, x, y, ray, image, nearest)
    image *= (1 + 0.25 * (x / camera.width - 0.5) - 0.15 * (y / camera.height - 0.5)).astype(np.float32)[..., None]
    return image, nearest


def _add_streaks(scene: Scene, image: _Plane, rng: np.random.Generator) -> None:
    """Reflections on the rim that stand still: narrow upright bands, uneven along their height."""
    surface = scene.surface
    if surface.streaks == 0:
        return
    height, width = image.shape[:2]
    x, y = np.meshgrid(*((np.arange(n, dtype=np.float32) + 0.5) / 2 for n in (width, height)))
    azimuth, z = rim_pixels(scene, x, y)
    on_rim = (z <= 0) & (z >= -scene.thickness_mm)
    azimuth, z = azimuth[on_rim], z[on_rim]
    light = np.zeros_like(azimuth)
    for _ in range(surface.streaks):
        place, half_mm = rng.uniform(-0.6, 0.6), rng.uniform(0.5, 2.5)
        shape = np.exp(-0.5 * ((azimuth - place) * scene.radius_mm / half_mm) ** 2)
        light += rng.uniform(0.3, 1) * shape * (0.75 + 0.25 * np.sin(z * rng.uniform(0.3, 2) + rng.uniform(0, 6)))
    image[on_rim] += (surface.streak_brightness * light)[:, None].astype(np.float32)


def passing_hand(scene: Scene, *, rng: np.random.Generator) -> tuple[_Plane, _Plane]:
    """A hand held up into the picture: coded colours (height, width, 3), and how much they hide (height, width)."""
    import cv2

    height, width = scene.camera.height, scene.camera.width
    skin = np.array([0.55, 0.33, 0.24], np.float32) * np.exp(0.1 * _tile(rng, 9, 14))[..., None]
    coded = cv2.resize(np.clip(skin, 0, 1) ** np.float32(1 / GAMMA), (width, height))
    hides = np.zeros((height, width), np.float32)
    finger = width * 0.12
    for place, length in zip((-0.38, -0.13, 0.12, 0.36), (0.72, 0.86, 0.8, 0.66), strict=True):
        at = round(width / 2 + place * finger * 4.4)
        top = round(height * (1 - length))
        cv2.line(hides, (at, top), (at, height), 1.0, round(finger))
    cv2.rectangle(
        hides,
        (round(width / 2 - 2.3 * finger), round(height * 0.6)),
        (round(width / 2 + 2.3 * finger), height),
        1.0,
        -1,
    )
    return coded, cv2.GaussianBlur(hides, (0, 0), 2.5)


def _paint_platter(
    scene: Scene, x: _Plane, y: _Plane, ray: tuple[_Plane, _Plane, _Plane], image: _Plane, nearest: _Plane
) -> None:
    """Add the platter's top (a mat with a bright lip) and its metal edge with the dark bands of the rings."""
    place = view_of(scene).place_mm.tolist()
    radius = scene.radius_mm
    distance = np.divide(-place[2], ray[2], where=ray[2] != 0, out=np.zeros_like(nearest))
    across = np.hypot(place[0] + distance * ray[0], place[1] + distance * ray[1])
    top = (distance > 0) & (distance < nearest) & (across < radius)
    nearest[top] = distance[top]
    across = across[top]
    groove = 0.045 + 0.012 * np.sin(across / 3.7 + 2 * np.sin(across / 17))
    shade = np.where(across > radius - 4, 0.33, groove)
    image[top] = shade[:, None] * np.array([1.0, 0.98, 0.95], np.float32)

    azimuth, z, away = rim_hits(place, ray, radius)
    rim = (z <= 0) & (z >= -scene.thickness_mm)
    nearest[rim] = away[rim]
    azimuth, z_rim = azimuth[rim], z[rim]
    metal = np.where(z_rim > -1.5, 0.45, 0.24 + 0.02 * np.sin(z_rim * 2.1 + np.sin(z_rim)))
    for row in scene.rows:
        metal = np.where(np.abs(z_rim - row.z_mm) < row.height_mm / 2 + 0.8, _DARK_BAND, metal)
    image[rim] = (metal * rim_shade(azimuth))[:, None] * np.array([1.0, 1.0, 1.02])
    image[(z < -scene.thickness_mm) & (z > -scene.thickness_mm - 5)] = 0.012
