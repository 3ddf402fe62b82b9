"""What is seen of a disc beside its rings: an index mark that turns, the edge of the paper, and the light."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.disc.geometry import FoundDisc, sweep_direction
from strobe.pattern.images import Plane, mappable, opencv

__all__ = ["Band", "DiscFacts", "DiscLight", "LaneReader", "bands_over", "darkness", "learn_lanes"]

_SECTORS, _LANES, _FINE = 180, (0.3, 1.3, 32), 3
"""Sectors of 2 degrees; where lanes begin and end by the outermost ring, and how many; samples each way in a sector. By
trial."""
_BESIDE_A_RING = 0.015
"""Room that is left beside a ring or the paper's edge, in units of the disc; by trial."""
_MOST_LANES, _CLEAR_MARK, _LEAST_MARK = 4, 8.0, 0.1
"""Lanes kept, how far a mark stands out of the scatter, and how dark it is at least (1 is black); by trial."""
_NEIGHBOURS, _DARK_FRAME = 15, 0.15
"""Sectors exposed together whose median is the light of the moment, and the share of the usual below which a frame is
too dark to tell; by trial."""
_BINS = 48
"""Parts of the picture in the order of exposure, as for the scenery beside a rim."""
_BANDS, _WHOLE_DISC = 24, 1.35
"""Bands that cover the disc, and how far out they reach by the outermost ring; by trial."""
_LEAST_STEP = 15.0
"""Grey levels: of a lit sector, and of the fall at the paper's edge; by trial."""
_PAPER_SOUGHT, _PAPER_FRAMES, _FALLS_OVER = (0.97, 2.4, 71), 4, 2
"""Radii, by the outermost ring found, at which the paper may end; and over how many steps of them it may fall."""
_NEXT_RING, _COMES_BACK = 1.25, 0.3
"""How far beyond a fall another gap between rings would show, and the share of the fall by which it stays below."""
_GOES_BLANK = 6.0
"""Grey levels that paper shows at least; by trial."""
_BESIDE_A_MARK = 0.05
"""Room left to either side of what turns beside the rings, in units of the disc; by trial."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DiscFacts:
    """What a disc shows besides its rings.

    Attributes
    ----------
    elevation_deg : float
        Height of the camera above the level.
    paper_radius : float or None
        Radius of the paper's edge in the unit of the disc; None where it does not show.
    skew_rev, skew_noise_rev : float
        By what part of a turn bars that are exposed last are ahead of those that are exposed first, and its 1-sigma; a
        shutter that freezes the bars line by line leaves this skew.
    azimuth_rad : array of float64 (sectors,)
        Of the sectors of the lanes.
    lane_sweep : array of float64 (lanes, sectors)
        Place of each sector in the order of exposure, in pixels.
    lanes : array of float32 (frames, lanes, sectors)
        Brightness, by frame, of the lanes beside the rings in which something turns.
    """

    elevation_deg: float
    paper_radius: float | None
    skew_rev: float
    skew_noise_rev: float
    azimuth_rad: _Floats
    lane_sweep: _Floats
    lanes: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class LaneReader:
    """Reads the brightness of lanes beside the rings, sector by sector; made by `learn_lanes`."""

    azimuth_rad: _Floats
    radius: _Floats
    sweep_place: _Floats
    paper_radius: float | None
    _x: NDArray[np.float32]
    _y: NDArray[np.float32]
    _scale: np.float32

    def read(self, plane: Plane, at: tuple[int, int] = (0, 0)) -> NDArray[np.float32]:
        """Brightness (lanes, sectors) in grey levels of 0 to 255; zero beyond the picture."""
        if not self.radius.size:
            return np.zeros((0, self.azimuth_rad.size), np.float32)
        cv2 = opencv()
        x, y = self._x + np.float32(at[1]), self._y + np.float32(at[0])
        fine = cv2.remap(mappable(plane), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT).astype(np.float32)
        parts = fine.reshape(self.radius.size, _FINE, self.azimuth_rad.size, _FINE)
        mean: NDArray[np.float32] = parts.mean(axis=(1, 3)) * self._scale
        return mean


def learn_lanes(
    planes: Sequence[Plane], disc: FoundDisc, *, full_scale: float = 255.0, sweep: str = "down"
) -> LaneReader:
    """Choose the lanes in which something dark turns, and find the edge of the paper.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Luma of some frames in order of time.
    disc : FoundDisc
    full_scale : float
        The value of white.
    sweep : str
        Which way a rolling shutter sweeps the planes.
    """
    first, last, count = _LANES
    edges = np.linspace(first, last, count + 1) * max(ring.outer for ring in disc.rings)
    reader = _lane_reader(disc, edges[:-1], edges[1:], None, full_scale, sweep)
    seen = np.stack([reader.read(plane) for plane in planes])
    paper = _paper_radius(planes, disc, full_scale, sweep)
    beside = np.ones(count, bool)
    for ring in disc.rings:
        beside &= (edges[1:] < ring.inner - _BESIDE_A_RING) | (edges[:-1] > ring.outer + _BESIDE_A_RING)
    if paper is not None:
        beside &= edges[1:] < paper - _BESIDE_A_RING
    scores = np.array(
        [_turning(seen[:, lane], reader.sweep_place[lane]) if beside[lane] else 0.0 for lane in range(count)]
    )
    best = [int(lane) for lane in np.argsort(scores)[::-1][:_MOST_LANES] if scores[lane] > _CLEAR_MARK]
    return _lane_reader(disc, edges[best], edges[[one + 1 for one in best]], paper, full_scale, sweep)


def _lane_reader(
    disc: FoundDisc, inner: _Floats, outer: _Floats, paper: float | None, full_scale: float, sweep: str
) -> LaneReader:
    share = (np.arange(_FINE) + 0.5) / _FINE
    radius = (inner[:, None] + (outer - inner)[:, None] * share).ravel()
    azimuth = (np.arange(_SECTORS * _FINE) + 0.5) * 2 * np.pi / (_SECTORS * _FINE)
    x, y = disc.places(radius[:, None], azimuth[None, :])
    swept = np.stack([x, y], axis=-1) @ sweep_direction(sweep)
    return LaneReader(
        azimuth_rad=(np.arange(_SECTORS) + 0.5) * 2 * np.pi / _SECTORS,
        radius=(inner + outer) / 2,
        sweep_place=swept.reshape(inner.size, _FINE, _SECTORS, _FINE).mean(axis=(1, 3)),
        paper_radius=paper,
        _x=np.ascontiguousarray(x, np.float32),
        _y=np.ascontiguousarray(y, np.float32),
        _scale=np.float32(255.0 / full_scale),
    )


def darkness(lane: NDArray[np.float32], sweep_place: _Floats) -> tuple[_Floats, NDArray[np.bool_]]:
    """How much darker than usual each sector of a lane is, and which sectors are lit at all.

    Parameters
    ----------
    lane : array (frames, sectors)
        Brightness.
    sweep_place : array (sectors,)
        Place of each sector in the order of exposure: what is exposed together is lit alike.

    Returns
    -------
    tuple
        Darkness (frames, sectors), 0 as usual and 1 for black, the changing light taken off; and the lit sectors
        (sectors,).
    """
    from scipy.ndimage import median_filter

    usual = np.median(lane, axis=0).astype(np.float64)
    lit = usual > _LEAST_STEP
    share = np.where(lit, lane / np.where(lit, usual, 1.0), 1.0)
    order = np.argsort(sweep_place)
    around = np.empty_like(share)
    around[:, order] = median_filter(share[:, order], (1, _NEIGHBOURS), mode="nearest")
    dark = np.where(lit & (around > _DARK_FRAME), 1 - share / np.maximum(around, _DARK_FRAME), 0.0)
    return np.clip(dark, -0.3, 1.0), lit


def _turning(lane: NDArray[np.float32], sweep_place: _Floats) -> float:
    """How clearly something dark and small comes and goes in a lane (frames, sectors)."""
    dark, lit = darkness(lane, sweep_place)
    if lit.mean() < 0.2:
        return 0.0
    spread = 1.4826 * float(np.median(np.abs(dark[:, lit]))) + 3e-3
    peak = float(np.median(dark.max(axis=1)))
    return peak / spread if peak > _LEAST_MARK else 0.0


def _paper_radius(planes: Sequence[Plane], disc: FoundDisc, full_scale: float, sweep: str) -> float | None:
    """Where paper gives way to something much darker, outside the outermost ring.

    A ring whose bars are blurred to grey makes the paper darker too, but only for the width of the ring.
    """
    outermost = max(ring.outer for ring in disc.rings)
    first, last, count = _PAPER_SOUGHT
    edges = np.linspace(first, last, count + 1) * outermost
    reader = _lane_reader(disc, edges[:-1], edges[1:], None, full_scale, sweep)
    level = np.mean([reader.read(plane) for plane in planes[:: max(1, len(planes) // _PAPER_FRAMES)]], axis=0)
    radius = reader.radius
    falls: list[tuple[float, int]] = []
    for k in range(_FALLS_OVER, radius.size):
        before, after = level[k - _FALLS_OVER], level[k]
        both = (before > _GOES_BLANK) & (after > 0)
        fall = float(np.median((before - after)[both])) if both.mean() > 0.2 else 0.0
        if fall < _LEAST_STEP:
            continue
        beyond = (radius > radius[k]) & (radius < _NEXT_RING * radius[k])
        above = level[beyond][:, both] - (before - _COMES_BACK * fall)[both]
        shown = level[beyond][:, both] > 0
        back = [float(np.median(row[lit])) for row, lit in zip(above, shown, strict=True) if lit.mean() > 0.5]
        if not back or max(back) < 0:
            falls.append((fall, k))
    if not falls:
        return None
    k = max(falls)[1]
    about = float((radius[k - _FALLS_OVER] + radius[k]) / 2)
    return _sharp_paper_radius(planes, disc, about, full_scale, sweep)


def _sharp_paper_radius(planes: Sequence[Plane], disc: FoundDisc, about: float, full_scale: float, sweep: str) -> float:
    """The edge of the paper to a fraction of a pixel: where each direction's brightness falls most, the median."""
    edges = np.linspace(about - 0.07, about + 0.07, 57)
    reader = _lane_reader(disc, edges[:-1], edges[1:], None, full_scale, sweep)
    level = np.mean([reader.read(plane) for plane in planes], axis=0)
    fall = np.maximum(level[:-2] - level[2:], 0) * (level[2:] > 0)
    place = (edges[1:-2, None] + edges[2:-1, None]) / 2
    top = fall.argmax(axis=0)
    near = np.abs(np.arange(fall.shape[0])[:, None] - top[None, :]) <= 4
    weight = np.where(near, fall, 0)
    good = fall.max(axis=0) > 0.25 * np.percentile(fall.max(axis=0), 80)
    # The edge swings with an off-centre disc: the mean over opposite directions stands still.
    return float(np.median(((weight * place).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-9))[good]))


class DiscLight:
    """Brightness by picture row of what stands still or turns evenly: all but the rings, marks and the paper's edge.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Luma of a few frames.
    disc : FoundDisc
    lanes : LaneReader
        What turns beside the rings.
    full_scale : float
        The value of white.
    sweep : str
        Which way a rolling shutter sweeps the planes.
    """

    def __init__(
        self,
        planes: Sequence[Plane],
        disc: FoundDisc,
        lanes: LaneReader,
        *,
        full_scale: float = 255.0,
        sweep: str = "down",
    ) -> None:
        height, width = planes[0].shape
        self._scale = np.float32(255.0 / full_scale)
        self._thin = max(1, min(height, width) // 360)
        x, y = np.meshgrid(np.arange(0, width, self._thin), np.arange(0, height, self._thin))
        radius, _ = disc.polar(x, y)
        use = np.ones(radius.shape, bool)
        for ring in disc.rings:
            use &= (radius < ring.inner - 0.02) | (radius > ring.outer + 0.02)
        for turning in lanes.radius if lanes.paper_radius is None else (*lanes.radius, lanes.paper_radius):
            use &= np.abs(radius - turning) > _BESIDE_A_MARK
        levels = np.stack([plane[:: self._thin, :: self._thin] for plane in planes]) * self._scale
        use &= (levels.max(axis=0) < 235) & (levels.max(axis=0) > 6)
        lines = (y if sweep in ("down", "up") else x) * _BINS // (height if sweep in ("down", "up") else width)
        lines = lines if sweep in ("down", "right") else _BINS - 1 - lines
        self._use = np.flatnonzero(use)
        self._bin = lines.ravel()[self._use]
        count = np.bincount(self._bin, minlength=_BINS)
        self._share = np.where(count >= 24, 1 / np.maximum(count, 1), 0.0) * float(self._scale)

    def brightness(self, plane: Plane) -> NDArray[np.float32]:
        """Mean brightness (bins,) in the order of exposure, in grey levels of 0 to 255; zero where there is none."""
        level = plane[:: self._thin, :: self._thin].ravel()[self._use]
        total = np.bincount(self._bin, level, _BINS) * self._share
        return total.astype(np.float32)


@dataclass(frozen=True, eq=False)
class Band:
    """A level stretch of the picture in which the disc turns, for whoever looks at the scenery beside rows."""

    x_px: _Floats
    y_px: _Floats
    pitch_px: _Floats
    amplitude: float


def bands_over(disc: FoundDisc, shape: tuple[int, ...]) -> tuple[Band, ...]:
    """Bands that together cover the disc and some of what turns around it, for a picture of that shape."""
    height, width = shape
    radius = _WHOLE_DISC * max(ring.outer for ring in disc.rings)
    x, y = disc.places(np.array([radius]), np.linspace(0, 2 * np.pi, 361))
    edges = np.linspace(max(float(y.min()), 0.0), min(float(y.max()), height - 1.0), _BANDS + 1)
    bands = []
    for low, high in itertools.pairwise(edges):
        here = (y >= low - (high - low)) & (y <= high + (high - low))
        left, right = np.clip([x[here].min(), x[here].max()], 0, width - 1) if here.any() else (0.0, width - 1.0)
        across = np.linspace(left, max(right, left + 1), 2)
        # The pitch whose row `strobe.pattern.reading.clear_of` keeps clear of by half the band.
        pitch = max((high - low) / 2 - 4, 0.5) / 1.5
        bands.append(Band(across, np.full(2, (low + high) / 2), np.full(2, pitch), 1.0))
    return tuple(bands)
