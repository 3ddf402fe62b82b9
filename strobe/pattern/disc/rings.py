"""Read the rings of a disc seen from above, each in parts round the circle.

A ring is unrolled to a straight row by the geometry that was found, and read like one: a matched template for each
part, blind to even light. Convention: the phase grows with the rotation of a clockwise platter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.disc.geometry import FoundDisc, FoundRing
from strobe.pattern.images import Plane, mappable, opencv

__all__ = ["RingPlaces", "RingReader", "learn_ring"]

_BARS_A_BLOCK, _FEWEST_BLOCKS, _MOST_BLOCKS = 3.6, 20, 48
"""Bars for each part of a ring, and how few and many parts; by trial."""
_OF_WIDTH = 0.7
"""Share of a ring's width that is read, clear of its edges; by trial."""
_SAMPLES_A_PX, _SAMPLES_A_BAR = 1.3, 8
"""Samples for each pixel and for each bar along the ring, the more of the two: no pixel is passed over. By trial."""
_MOST_RADII = 20
"""Circles on which a ring is sampled at most, to bound the work."""
_FAINTEST = 0.3
"""Share of the usual strength below which a part is not read; by trial."""
_WHOLE, _WHOLE_AT_GAP, _ROUNDS = 0.6, 0.75, 2
"""Share of its strongest neighbour that a part must have, and more beside a gap, else something hides a piece of it;
gone through so many times. By trial."""
_LEAST_BLOCKS = 4
"""Fewest parts of which a ring is read; by trial."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RingPlaces:
    """Where the parts of a ring lie, and what is known of it as a ring.

    Attributes
    ----------
    azimuth_rad : array of float64 (blocks,)
        Azimuth of each part about the spindle, from the near side to the right.
    sweep_place : array of float64 (blocks,)
        Its place in the order of exposure, 0 (first) to 1.
    bars : int or None
        The count, where enough of the ring is seen to be sure.
    bars_seen : float
        The count as it was found, not rounded.
    radius : float
        Radius at which it is read, in the unit of the disc.
    seen_share : float
        Share of the circle that is read.
    """

    azimuth_rad: _Floats
    sweep_place: _Floats
    bars: int | None
    bars_seen: float
    radius: float
    seen_share: float


@dataclass(frozen=True, eq=False)
class RingReader:
    """Reads one ring; made by `learn_ring`.

    Attributes
    ----------
    places : RingPlaces
        Where its parts lie.
    amplitude, contrast : float
        Of the pattern while learning, in grey levels and as a share of the mean brightness.
    pitch_px : float
        Widest distance from bar to bar in the picture.
    mean_pitch_px : float
        Mean distance.
    places_px : array of float64 (blocks, 2)
        Middle (y, x) of each part.
    dots_per_px : array of float64 (blocks, 2)
        Dots by which the phase of each part falls when the picture moves a pixel down, and right.
    """

    places: RingPlaces
    amplitude: float
    contrast: float
    pitch_px: float
    mean_pitch_px: float
    places_px: _Floats
    dots_per_px: _Floats
    _x: NDArray[np.float32]
    _y: NDArray[np.float32]
    _template: NDArray[np.float32]

    def read(self, plane: Plane, at: tuple[int, int] = (0, 0)) -> NDArray[np.complex64]:
        """Complex amplitude (blocks,) of the ring in `plane`, read whole pixels (down, right) from its place."""
        cv2 = opencv()
        x, y = (self._x, self._y) if at == (0, 0) else (self._x + np.float32(at[1]), self._y + np.float32(at[0]))
        unrolled = cv2.remap(mappable(plane), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        profile = unrolled.mean(axis=0, dtype=np.float32)
        return (profile @ self._template).view(np.complex64)


def learn_ring(
    planes: Sequence[Plane], disc: FoundDisc, ring: FoundRing, *, full_scale: float = 255.0, sweep: str = "down"
) -> RingReader | None:
    """A reader for one ring of a disc; None where too little of it is seen.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Some frames of the clip, the plane the disc was found in.
    disc, ring : FoundDisc, FoundRing
    full_scale : float
        The value of white.
    sweep : str
        Which way a rolling shutter sweeps the planes.
    """
    height, width = planes[0].shape
    bars = float(ring.bars) if ring.bars is not None else ring.bars_seen
    blocks = int(np.clip(round(bars / _BARS_A_BLOCK), _FEWEST_BLOCKS, _MOST_BLOCKS))
    around = np.stack(disc.places(np.array([ring.middle]), np.linspace(0, 2 * np.pi, 721)))
    longest_px = 720 * float(np.hypot(*np.diff(around, axis=1)).max())
    samples = blocks * int(np.ceil(max(_SAMPLES_A_PX * longest_px, _SAMPLES_A_BAR * bars) / blocks))
    azimuth = np.arange(samples) * 2 * np.pi / samples
    half = _OF_WIDTH * (ring.outer - ring.inner) / 2
    edge = np.stack(disc.places(np.array([[ring.middle - half], [ring.middle + half]]), azimuth[None, ::16]))
    radii = int(np.clip(np.ceil(np.hypot(*(edge[:, 1] - edge[:, 0])).max()), 3, _MOST_RADII))
    radius = ring.middle + half * (2 * (np.arange(radii) + 0.5) / radii - 1)
    x, y = disc.places(radius[:, None], azimuth[None, :])
    inside = np.all((x >= 1) & (x <= width - 2) & (y >= 1) & (y <= height - 2), axis=0)
    template = _templates(azimuth, bars, blocks) * np.float32(255.0 / full_scale)
    middle = np.arange(blocks) * 2 * np.pi / blocks
    whole = np.array([inside[_window(azimuth, one, blocks) > 0].all() for one in middle])
    middle_x, middle_y = disc.places(np.full(blocks, ring.middle), middle)
    places = np.stack([middle_y, middle_x], axis=1)
    maps = (np.ascontiguousarray(x, np.float32), np.ascontiguousarray(y, np.float32))

    def made(keep: NDArray[np.bool_], amplitude: float, contrast: float) -> RingReader:
        columns = np.repeat(keep, 2)
        kept, azimuth_kept = places[keep], middle[keep]
        step = 1e-3
        ahead = np.stack(disc.places(np.full(azimuth_kept.size, ring.middle), azimuth_kept + step))
        pitch = np.hypot(*(ahead - np.stack([middle_x[keep], middle_y[keep]]))) / step * 2 * np.pi / bars
        _, below = disc.polar(kept[:, 1], kept[:, 0] + 0.5)
        _, above = disc.polar(kept[:, 1], kept[:, 0] - 0.5)
        _, right = disc.polar(kept[:, 1] + 0.5, kept[:, 0])
        _, left = disc.polar(kept[:, 1] - 0.5, kept[:, 0])
        turned_rad = np.stack([below - above, right - left], axis=1)
        turned_rad = (turned_rad + np.pi) % (2 * np.pi) - np.pi
        along = kept[:, 0] / height if sweep in ("down", "up") else kept[:, 1] / width
        return RingReader(
            places=RingPlaces(
                azimuth_rad=azimuth_kept,
                sweep_place=along if sweep in ("down", "right") else 1 - along,
                bars=ring.bars,
                bars_seen=ring.bars_seen,
                radius=ring.middle,
                seen_share=float(keep.mean()),
            ),
            amplitude=amplitude,
            contrast=contrast,
            pitch_px=float(pitch.max()),
            mean_pitch_px=float(pitch.mean()),
            places_px=kept,
            dots_per_px=bars * turned_rad / (2 * np.pi),
            _x=maps[0],
            _y=maps[1],
            _template=np.ascontiguousarray(template[:, columns]),
        )

    if whole.sum() < _LEAST_BLOCKS:
        return None
    first = made(whole, 0.0, 0.0)
    strength = np.sqrt(np.mean(np.abs([first.read(plane) for plane in planes]) ** 2, axis=0))
    keep = whole.copy()
    keep[whole] = strength > _FAINTEST * float(np.percentile(strength, 80))
    keep = _wholly_seen(keep, whole, strength)
    clear = keep[whole]
    if keep.sum() < _LEAST_BLOCKS:
        return None
    cv2 = opencv()
    light = np.mean([cv2.remap(mappable(plane), *maps, cv2.INTER_LINEAR).mean() for plane in planes])
    amplitude = float(2 * np.mean(strength[clear]))
    return made(keep, amplitude, amplitude / max(float(light) * 255.0 / full_scale, 1.0))


def _wholly_seen(
    keep: NDArray[np.bool_], whole: NDArray[np.bool_], strength: NDArray[np.floating]
) -> NDArray[np.bool_]:
    """Without parts that something hides a piece of: their middle is not where it seems."""
    level = np.zeros(keep.size)
    level[whole] = strength
    for _ in range(_ROUNDS):
        beside = np.stack([np.where(np.roll(keep, by), np.roll(level, by), np.nan) for by in (-2, -1, 1, 2)])
        known = np.isfinite(beside).any(axis=0)
        usual = np.full(keep.size, np.nan)
        usual[known] = np.nanmax(beside[:, known], axis=0)
        at_gap = ~np.roll(keep, 1) | ~np.roll(keep, -1)
        keep = keep & ~(level < np.where(at_gap, _WHOLE_AT_GAP, _WHOLE) * np.nan_to_num(usual))
    return keep


def _window(azimuth: _Floats, middle: float, blocks: int) -> _Floats:
    """Weight of a part of the circle; those of all parts add up to one."""
    apart = np.abs((azimuth - middle + np.pi) % (2 * np.pi) - np.pi) * blocks / (2 * np.pi)
    window: _Floats = np.sin(0.5 * np.pi * np.maximum(0, 1 - apart)) ** 2
    return window


def _templates(azimuth: _Floats, bars: float, blocks: int) -> NDArray[np.float32]:
    """Matched templates (samples, 2 x blocks), blind to even light and a slope of it."""
    packed = np.empty((azimuth.size, 2 * blocks), np.float32)
    for k in range(blocks):
        middle = k * 2 * np.pi / blocks
        window = _window(azimuth, middle, blocks)
        u = ((azimuth - middle + np.pi) % (2 * np.pi) - np.pi) * blocks / (2 * np.pi)
        used = window > 0
        ray = np.zeros(azimuth.size, complex)
        ray[used] = window[used] * np.exp(-1j * bars * azimuth[used])
        basis = np.stack([window, window * u], axis=1)
        gram = np.stack([used, used * u], axis=1).T.astype(float)
        ray -= basis @ np.linalg.solve(gram @ basis, gram @ ray)
        ray /= window.sum()
        packed[:, 2 * k], packed[:, 2 * k + 1] = ray.real, ray.imag
    return packed
