"""A first draft of a disc from how its bars run in many small cells of the picture.

The direction of the pattern in the cells gives the middle, without a model and from any part of the disc; how the
density of the bars changes round a ring gives the foreshortening, and with it their count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.disc.geometry import FoundDisc, FoundRing, robust_fit
from strobe.pattern.images import Plane, decimate

__all__ = ["FEWEST_BARS", "MOST_BARS", "draft_discs", "runs_all_ways"]

_CELL, _HOP, _PADDED = 32, 12, 64
"""Side of a cell, step from cell to cell, and side of the padded transform, in pixels at each scale; by trial."""
_LOWEST_BIN, _HIGHEST_BIN = 5, 28
"""Of the padded transform: 13 down to 2.3 pixels a bar, at each scale."""
_LEAST_TONALITY, _LEAST_AMPLITUDE = 0.35, 1.5
"""Share of a cell's power that lies at its peak, and grey levels, from which it counts; by trial."""
_MOST_LOOKED, _MOST_CELLS, _PAIRS, _TRIPLES = 2500, 900, 1200, 400
"""Roughest cells looked at and clearest kept, to bound the work; pairs drawn for a middle and triples for a form.
Evenly drawn, all miss a share p of the cells with odds of (1 - p^2)^1200 and (1 - p^3)^400: 6e-6 for 0.1, 2e-5 for
0.3."""
_DRAFTED_FROM, _RINGS_A_DRAFT, _MOST_DRAFTS = 3, 2, 4
"""Frames that the first look takes, and what it gives."""
_OFF_LINE = 0.07
"""Angle in radians by which bars may miss the middle that they point at; by trial."""
_OFF_DENSITY = 0.06
"""By how much, relative, the density of bars may differ from their ring's; by trial."""
_LEAST_SECTORS, _SECTORS = 4, 24
"""Parts of the circle in which a ring must show, of so many; by trial."""
_LEAST_SUPPORT = 14
"""Fewest cells that anything is fitted to; by trial."""
_FLATTEST = 0.2
"""Sine of the lowest elevation: 11.5 degrees. By trial."""
_WAYS, _LEAST_OF_A_WAY, _LEAST_WAYS = 12, 0.03, 8
"""Directions of bars, what share of the pattern makes one count, and how many a disc shows: 10 to 12 were seen on
rendered discs, 2 to 7 on rims."""
_GLANCED, _GLANCE_PX, _GLANCES = 500, 600, 2
"""Cells of the quick look, the most pixels that the picture's shorter side has where it begins, and scales that it
takes; by trial."""
FEWEST_BARS, MOST_BARS = 24, 800
"""Counts that are believed; rings in use have 77 to 432 bars."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Cells:
    """Places (n, 2), waves (n, 2) in radians per pixel, and weights (n,) of cells with a clear pattern."""

    place: _Floats
    wave: _Floats
    weight: _Floats

    def only(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> _Cells:
        return _Cells(self.place[chosen], self.wave[chosen], self.weight[chosen])


def draft_discs(planes: Sequence[Plane], *, full_scale: float = 255.0) -> list[FoundDisc]:
    """Rough discs of one ring each, the likeliest first; several where rings could be taken for the disc's first.

    Parameters as of `find_disc`.
    """
    rng = np.random.default_rng(1)
    drafts: list[tuple[float, FoundDisc]] = []
    factor = 1
    while min(planes[0].shape) // factor >= 3 * _CELL and factor <= 8:
        some = planes[:: max(1, len(planes) // _DRAFTED_FROM)]
        pictures = [decimate(plane, factor) * np.float32(255.0 / full_scale) for plane in some]
        cells = _cells(pictures)
        found = _middle(cells, pictures[0].shape, rng) if cells.weight.size >= _LEAST_SUPPORT else None
        if found is not None:
            middle, pointing = found
            for weight, disc in _drafts(cells.only(pointing), middle, rng):
                middle_px = (middle + 0.5) * factor - 0.5
                drafts.append((weight / factor, replace(disc, middle_px=middle_px, to_px=disc.to_px * factor)))
        factor *= 2
    drafts.sort(key=lambda draft: draft[0], reverse=True)
    return [disc for _, disc in drafts[:_MOST_DRAFTS]]


def runs_all_ways(planes: Sequence[Plane], *, full_scale: float = 255.0) -> bool:
    """Whether there are bars of nearly every direction in the picture, as only rings seen from above have them.

    A quick look that spares a rim the search for a disc: bars along a rim stand nearly parallel.
    """
    shorter = min(planes[0].shape)
    factor = 1
    while shorter // factor > _GLANCE_PX:
        factor *= 2
    for scale in (factor << k for k in range(_GLANCES)):
        if shorter // scale < 3 * _CELL:
            return False
        cells = _cells([decimate(plane, scale) * np.float32(255.0 / full_scale) for plane in planes], _GLANCED)
        if cells.weight.size < _LEAST_SUPPORT:
            continue
        way = np.arctan2(cells.wave[:, 1], cells.wave[:, 0]) / np.pi % 1.0
        share = np.bincount(np.minimum((way * _WAYS).astype(int), _WAYS - 1), cells.weight, _WAYS) / cells.weight.sum()
        if np.count_nonzero(share > _LEAST_OF_A_WAY) >= _LEAST_WAYS:
            return True
    return False


def _cells(pictures: Sequence[NDArray[np.float32]], most: int = _MOST_LOOKED) -> _Cells:
    """Cells of the picture in which one wave stands out, of the `most` that are roughest."""
    from scipy.fft import rfft2

    window = np.hanning(_CELL + 2)[1:-1].astype(np.float32)
    window = window[:, None] * window[None, :]
    power: NDArray[np.float32] | None = None
    for picture in pictures:
        blocks = np.lib.stride_tricks.sliding_window_view(picture, (_CELL, _CELL))[::_HOP, ::_HOP]
        if power is None:
            rough = blocks[:, :, ::3, ::3].std(axis=(2, 3))
            least = max(0.7 * _LEAST_AMPLITUDE, float(np.sort(rough, axis=None)[-most:][0]))
            where = np.argwhere(rough >= least)
            if not len(where):
                return _Cells(np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0))
            power = np.zeros((len(where), _PADDED, _PADDED // 2 + 1), np.float32)
        for start in range(0, len(where), 512):
            part = where[start : start + 512]
            cut = blocks[part[:, 0], part[:, 1]]
            cut = (cut - cut.mean(axis=(1, 2), keepdims=True)) * window
            spectrum = rfft2(cut, (_PADDED, _PADDED))
            power[start : start + 512] += spectrum.real**2 + spectrum.imag**2
    assert power is not None
    power /= len(pictures)
    up = np.fft.fftfreq(_PADDED, 1 / _PADDED)
    along = np.arange(_PADDED // 2 + 1)
    far = np.hypot(up[:, None], along[None, :])
    band = (far >= _LOWEST_BIN) & (far <= _HIGHEST_BIN)
    looked = np.where(band, power, 0)
    peak = looked.reshape(len(looked), -1).argmax(axis=1)
    row, column = np.divmod(peak, _PADDED // 2 + 1)
    near = np.arange(-2, 3)
    rows = (row[:, None, None] + near[None, :, None]) % _PADDED
    columns = column[:, None, None] + near[None, None, :]
    # What lies left of the zeroth column is the mirror image of what lies right of it.
    rows = np.where(columns < 0, -rows % _PADDED, rows)
    columns = np.clip(np.abs(columns), 0, _PADDED // 2)
    around = power[np.arange(len(peak))[:, None, None], rows, columns]
    share = around.sum(axis=(1, 2))
    whole = (power * (far >= 0.7 * _LOWEST_BIN)).sum(axis=(1, 2)) + 1e-6
    down = up[row] + (around * near[None, :, None]).sum(axis=(1, 2)) / share
    right = column + (around * near[None, None, :]).sum(axis=(1, 2)) / share
    height = 2 * np.sqrt(power.reshape(len(peak), -1)[np.arange(len(peak)), peak]) / window.sum()
    tonality = share / whole
    good = (tonality > _LEAST_TONALITY) & (height > _LEAST_AMPLITUDE)
    place = where[:, ::-1] * float(_HOP) + (_CELL - 1) / 2
    wave = 2 * np.pi * np.stack([right, down], axis=1) / _PADDED
    weight = (height * tonality).astype(np.float64)
    cells = _Cells(place[good], wave[good].astype(np.float64), weight[good])
    if cells.weight.size > _MOST_CELLS:
        cells = cells.only(np.argsort(cells.weight)[-_MOST_CELLS:])
    return cells


def _drafts(cells: _Cells, middle: _Floats, rng: np.random.Generator) -> list[tuple[float, FoundDisc]]:
    """Foreshortening and count of the clearest rings about a middle, each with the weight of the cells that bear it."""
    drafts = []
    for _ in range(_RINGS_A_DRAFT):
        form = _form(cells, middle, rng) if cells.weight.size >= _LEAST_SUPPORT else None
        if form is None:
            break
        shape_of, bars, of_ring = form
        ring, cells = cells.only(of_ring), cells.only(~of_ring)
        # With shape = B^T B and det B = 1 the azimuth of a picture point p is that of B (p - middle).
        to_px = np.linalg.inv(_root(shape_of))
        apart = (ring.place - middle) @ np.linalg.inv(to_px).T
        azimuth, far = np.arctan2(apart[:, 0], apart[:, 1]), np.hypot(*apart.T)
        sectors = _sectors(azimuth).size
        if sectors < _LEAST_SECTORS:
            continue
        basis = np.stack([np.ones_like(far), -np.sin(azimuth), -np.cos(azimuth)], axis=1)
        fit = robust_fit(basis, 1 / far, ring.weight, ridge=np.array([0.0, 0.1, 0.1]))
        radius = 1 / fit[0]
        disc = FoundDisc(
            middle_px=middle,
            to_px=to_px * radius,
            vanishing=fit[1:] * radius,
            edge_shift=np.zeros(2),
            edge_shift_noise=np.full(2, np.inf),
            rings=(FoundRing(None, bars, 0.93, 1.07, float(np.median(ring.weight)), np.ones(1, bool)),),
        )
        drafts.append((float(ring.weight.sum()) * sectors / _SECTORS, disc))
    return drafts


def _sectors(azimuth: _Floats) -> NDArray[np.intp]:
    """The twenty-fourths of the circle in which there are cells."""
    return np.unique(np.floor(azimuth / (2 * np.pi) * _SECTORS).astype(np.intp) % _SECTORS)


def _middle(
    cells: _Cells, shape: tuple[int, ...], rng: np.random.Generator
) -> tuple[_Floats, NDArray[np.bool_]] | None:
    """The point that most bars point at, and which cells those are."""
    normal = cells.wave / np.linalg.norm(cells.wave, axis=1, keepdims=True)
    offset = np.sum(normal * cells.place, axis=1)
    share = np.minimum(cells.weight, 3 * np.median(cells.weight))
    pairs = rng.choice(cells.weight.size, (_PAIRS, 2), p=share / share.sum())
    first, second = normal[pairs[:, 0]], normal[pairs[:, 1]]
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    clear = np.abs(cross) > 0.15
    first, second, cross, pairs = first[clear], second[clear], cross[clear], pairs[clear]
    x = (offset[pairs[:, 0]] * second[:, 1] - offset[pairs[:, 1]] * first[:, 1]) / cross
    y = (offset[pairs[:, 1]] * first[:, 0] - offset[pairs[:, 0]] * second[:, 0]) / cross
    height, width = shape
    near = (np.abs(x - width / 2) < width) & (np.abs(y - height / 2) < height * 1.2)
    points = np.stack([x, y], axis=1)[near]
    if not len(points):
        return None
    best, best_score = points[0], 0.0
    for point in points:
        score = _support(point, cells, normal, offset, share)
        if score > best_score:
            best, best_score = point, score
    for _ in range(6):
        off, far = _off_line(best, cells, normal, offset)
        keep = off < _OFF_LINE
        if keep.sum() < _LEAST_SUPPORT:
            return None
        weight = np.sqrt(share[keep]) / far[keep] / (1 + (off[keep] / 0.03) ** 2)
        best = np.linalg.lstsq(normal[keep] * weight[:, None], offset[keep] * weight, rcond=None)[0]
    off, _ = _off_line(best, cells, normal, offset)
    keep = off < _OFF_LINE
    return (best, keep) if keep.sum() >= _LEAST_SUPPORT else None


def _off_line(point: _Floats, cells: _Cells, normal: _Floats, offset: _Floats) -> tuple[_Floats, _Floats]:
    """By which angle each cell's bars miss `point`, and how far it is."""
    far = np.hypot(*(cells.place - point).T)
    return np.abs(normal @ point - offset) / np.maximum(far, 1.5 * _CELL), far


def _support(point: _Floats, cells: _Cells, normal: _Floats, offset: _Floats, share: _Floats) -> float:
    """Weight of the cells whose bars point there, with none of the directions counting for much."""
    off, far = _off_line(point, cells, normal, offset)
    keep = (off < _OFF_LINE) & (far > _CELL)
    apart = cells.place[keep] - point
    sector = (np.arctan2(apart[:, 1], apart[:, 0]) / (2 * np.pi) * _SECTORS).astype(int) % _SECTORS
    by_sector = np.bincount(sector, share[keep], _SECTORS)
    return float(np.sqrt(by_sector).sum())


def _form(cells: _Cells, middle: _Floats, rng: np.random.Generator) -> tuple[_Floats, float, NDArray[np.bool_]] | None:
    """Quadratic form of determinant one that makes the ring round, the count of its bars, and its cells.

    A ring of N bars has the wave ``|k| = N |d| / (d' Q d)`` at a place d from the middle, with det Q = 1.
    """
    apart = cells.place - middle
    far = np.hypot(*apart.T)
    wave = np.hypot(*cells.wave.T)
    ahead = apart / far[:, None]
    basis = np.stack([ahead[:, 0] ** 2, 2 * ahead[:, 0] * ahead[:, 1], ahead[:, 1] ** 2], axis=1)
    density = 1 / (wave * far)
    size = cells.weight.size
    share = cells.weight / cells.weight.sum()
    best: tuple[float, _Floats] | None = None
    for _ in range(_TRIPLES):
        chosen = rng.choice(size, 3, p=share)
        if abs(np.linalg.det(basis[chosen])) < 1e-3:
            continue
        form = np.linalg.solve(basis[chosen], density[chosen])
        if not _plausible(form):
            continue
        off = np.abs(np.log(np.maximum(basis @ form, 1e-9) / density))
        keep = off < _OFF_DENSITY
        score = float(np.sum(cells.weight[keep]) * _sectors(np.arctan2(*ahead[keep].T)).size)
        if best is None or score > best[0]:
            best = (score, form)
    if best is None:
        return None
    form = best[1]
    keep = np.ones(size, bool)
    for _ in range(5):
        off = np.abs(np.log(np.maximum(basis @ form, 1e-9) / density))
        keep = off < _OFF_DENSITY
        if keep.sum() < _LEAST_SUPPORT:
            return None
        weight = np.sqrt(cells.weight[keep]) / density[keep]
        form = np.linalg.lstsq(basis[keep] * weight[:, None], density[keep] * weight, rcond=None)[0]
        if not _plausible(form):
            return None
    full = np.array([[form[0], form[1]], [form[1], form[2]]])
    per_bar = float(np.sqrt(np.linalg.det(full)))
    bars = 1 / per_bar
    if not FEWEST_BARS <= bars <= MOST_BARS:
        return None
    return full / per_bar, bars, keep


def _plausible(form: _Floats) -> bool:
    """Whether the form is that of a circle seen from no flatter than a dozen degrees."""
    trace, product = form[0] + form[2], form[0] * form[2] - form[1] ** 2
    return bool(trace > 0 and product > 0 and product / trace**2 > (_FLATTEST / (1 + _FLATTEST**2)) ** 2)


def _root(form: _Floats) -> _Floats:
    """Symmetric square root."""
    value, axes = np.linalg.eigh(form)
    return (axes * np.sqrt(value)) @ axes.T
