"""What the rim shows besides the phase of its dots: how high the row lies, part by part, and what else passes on it.

Both are read of one row, the clearest. The height is told by the dots alone: the amplitude that the pattern has in each
picture line about the row, so that neither scenery nor an even change of light moves it. What passes is looked for in
lanes along the rim, each cut into sectors of one dot, in which the dots themselves average out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.images import Plane, cut_out
from strobe.pattern.reading import RowReader

__all__ = ["RimFacts", "RimReader", "RowShape", "dots_along", "learn_rim", "shape_of"]

_MOST_PARTS = 6
"""Parts of the row whose heights are read; by trial."""
_REACH, _MARGIN, _LEAST_MARGIN_PX = 1.3, 0.4, 5
"""How far from the row lines are looked at, and how many beyond the dots are kept, in pitches; the latter in pixels at
least. By trial."""
_CARRIES, _FEWEST_LINES = 0.12, 7
"""Share of the strongest line's amplitude from which a line carries dots, and fewest such lines; by trial."""
_SAMPLES_A_DOT, _MOST_LINES = 7, 56
"""Columns read for each dot, and lines about the row, at least where there are as many; by trial."""
_LANES = np.array([-4.75, -4.1, -3.4, *np.arange(-2.75, 2.8, 0.5), 3.4, 4.1, 4.75])
"""Heights of the lanes in pitches from the row, half a pitch apart near it and wider farther off; by trial."""
_LINES_A_LANE, _LANE_SAMPLES = (-0.12, 0.12), 4
"""Lines of a lane in pitches from its middle, and columns read for each dot; by trial."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RowShape:
    """Where a row lies in the picture, and how many dots lie between its points.

    Attributes
    ----------
    x_px, y_px, dots : array of float64 (points,)
        Points along the row, and the dots from its left end to each of them.
    block_x_px : array of float64 (blocks,)
        Middle of each part in which the row is read.
    dots_per_px : array of float64 (blocks, 2)
        Dots by which the phase of each part falls when the row moves a pixel down, and right.
    width_px, height_px : int
        Size of the picture.
    """

    x_px: _Floats
    y_px: _Floats
    dots: _Floats
    block_x_px: _Floats
    dots_per_px: _Floats
    width_px: int
    height_px: int

    def dots_at(self, x_px: _Floats) -> _Floats:
        """Dots from the left end of the row to each of `x_px`."""
        return np.interp(x_px, self.x_px, self.dots)


@dataclass(frozen=True, eq=False)
class RimFacts:
    """What was read of the rim beside the phase of the dots, about the first row.

    Attributes
    ----------
    line_px : array of float64 (lines,)
        Picture lines about the row, downward from its middle.
    part_x_px : array of float64 (parts,)
        Middle of each part of the row.
    profiles : array of float32 (frames, lines, parts)
        Amplitude of the pattern by line and part.
    lean : float
        Dots by which the phase grows from a picture line to the next.
    sector_dots : array of float64 (sectors,)
        Middle of each sector in dots from the left end of the row; evenly spaced, one dot apart.
    lanes : array of float32 (frames, lanes, sectors)
        Brightness in grey levels of 0 to 255.
    """

    line_px: _Floats
    part_x_px: _Floats
    profiles: NDArray[np.float32]
    lean: float
    sector_dots: _Floats
    lanes: NDArray[np.float32]

    def only(self, frames: NDArray[np.int_]) -> RimFacts:
        """The same with some of the frames alone."""
        return replace(self, profiles=self.profiles[frames], lanes=self.lanes[frames])


def dots_along(reader: RowReader) -> _Floats:
    """Dots from the left end of a row to each of its columns."""
    return np.concatenate([[0.0], np.cumsum((1 / reader.pitch_px[1:] + 1 / reader.pitch_px[:-1]) / 2)])


def shape_of(reader: RowReader, size: tuple[int, int]) -> RowShape:
    """The shape of a row in a picture of `size` (height, width)."""
    dots = dots_along(reader)
    y_px, x_px = reader.middles_px.T
    return RowShape(
        x_px=x_px,
        y_px=y_px,
        dots=np.interp(x_px, reader.x_px, dots),
        block_x_px=reader.places_px[:, 1],
        dots_per_px=reader.dots_per_px,
        width_px=size[1],
        height_px=size[0],
    )


@dataclass(frozen=True, eq=False)
class RimReader:
    """Reads one frame of the rim; made by `learn_rim`."""

    line_px: _Floats
    part_x_px: _Floats
    lean: float
    sector_dots: _Floats
    _places: _Places
    _template: NDArray[np.float32]
    _turn: NDArray[np.complex64]
    _weight: NDArray[np.float32]
    _lane_places: _Places
    _sector_starts: NDArray[np.intp]
    _sector_share: NDArray[np.float32]

    def read(self, plane: Plane, at: tuple[int, int] = (0, 0)) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Amplitude (lines, parts) of the pattern, and brightness (lanes, sectors); `at` as for `RowReader.read`."""
        seen = self.amplitudes(plane, at) * self._turn
        carrier = self._weight @ seen
        turned = (seen * np.conj(carrier / (np.abs(carrier) + np.float32(1e-12)))).real
        lines = self._lane_places.of(plane, at)
        lanes = lines.reshape(-1, len(_LINES_A_LANE), lines.shape[1]).sum(axis=1, dtype=np.float32)
        return turned, np.add.reduceat(lanes, self._sector_starts, axis=1)[:, :-1] * self._sector_share

    def amplitudes(self, plane: Plane, at: tuple[int, int] = (0, 0)) -> NDArray[np.complex64]:
        """Complex amplitude (lines, parts) of the pattern."""
        return (self._places.of(plane, at).astype(np.float32) @ self._template).view(np.complex64)


@dataclass(frozen=True, eq=False)
class _Places:
    """Pixels (lines, columns) of a plane, picked from a crop of it."""

    crop: tuple[slice, slice]
    pick: NDArray[np.intp]

    @classmethod
    def at(cls, y: NDArray[np.intp], x: NDArray[np.intp]) -> _Places:
        """The pixels at `y` (lines, columns) and `x` (columns,)."""
        if not y.size:
            return cls((slice(0, 1), slice(0, 1)), np.zeros(y.shape, np.intp))
        top, left, right = int(y.min()), int(x.min()), int(x.max()) + 1
        return cls((slice(top, int(y.max()) + 1), slice(left, right)), (y - top) * (right - left) + x - left)

    def of(self, plane: Plane, by: tuple[int, int]) -> Plane:
        """The pixels, whole pixels (down, right) away from their places; beyond the picture those at its edge."""
        return cut_out(plane, self.crop, by).reshape(-1).take(self.pick)


def learn_rim(planes: Sequence[Plane], reader: RowReader, *, full_scale: float = 255.0) -> RimReader | None:
    """Learn which picture lines carry the dots of a row, and where the lanes lie.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Some frames, the plane that the row was found in.
    reader : RowReader
        The row.
    full_scale : float
        The value of white.

    Returns
    -------
    RimReader or None
        None where the row is too short to be cut into two parts, or lies across the edge of the picture.
    """
    height = planes[0].shape[0]
    pitch = float(np.median(reader.pitch_px))
    step = max(1, int(pitch / _SAMPLES_A_DOT))
    parts = min(_MOST_PARTS, reader.blocks)
    if parts < 2:
        return None
    grouped = _grouped(reader, parts, step)
    reach = max(4, int(_REACH * pitch))
    line = np.arange(-reach, reach + 1, max(1, 2 * reach // _MOST_LINES))

    def places(lines: NDArray[np.intp], thin: int) -> _Places:
        at = np.rint(reader.y_px[::thin]).astype(np.intp)[None, :] + lines[:, None]
        return _Places.at(np.clip(at, 0, height - 1), reader.x_px[::thin].astype(np.intp))

    across, lean = _across(places(line, step), grouped, planes, line)
    kept = _carrying(np.abs(across), line, max(_LEAST_MARGIN_PX, _MARGIN * pitch))
    kept = kept[(line[kept] + reader.y_px.min() >= 0) & (line[kept] + reader.y_px.max() <= height - 1)]
    if kept.size < _FEWEST_LINES:
        return None

    thin = max(1, int(pitch / _LANE_SAMPLES))
    dots = dots_along(reader)[::thin]
    starts = np.searchsorted(dots, np.arange(int(dots[-1]) + 1))
    count = np.diff(starts)
    y = reader.y_px[::thin]
    lanes = np.array([k for k in _LANES if y.min() + k * pitch >= 0 and y.max() + k * pitch <= height - 1])
    return RimReader(
        line_px=line[kept].astype(np.float64),
        part_x_px=np.array([reader.places_px[_member(reader, parts) == p, 1].mean() for p in range(parts)]),
        lean=lean,
        sector_dots=np.arange(count.size, dtype=np.float64) + 0.5,
        _places=places(line[kept], step),
        _template=grouped,
        _turn=np.exp(-1j * np.angle(across[kept])).astype(np.complex64)[:, None],
        _weight=np.abs(across[kept]).astype(np.float32),
        _lane_places=places(np.rint((lanes[:, None] + np.array(_LINES_A_LANE)) * pitch).astype(np.intp).ravel(), thin),
        _sector_starts=starts,
        _sector_share=(255.0 / full_scale / len(_LINES_A_LANE) / np.maximum(count, 1)).astype(np.float32),
    )


def _member(reader: RowReader, parts: int) -> NDArray[np.int_]:
    """The part that each block of a row belongs to."""
    return np.arange(reader.blocks) * parts // reader.blocks


def _grouped(reader: RowReader, parts: int, step: int) -> NDArray[np.float32]:
    """Template (columns, 2 x parts) of a row's parts for every so-manieth column, real and imaginary side by side."""
    template, member = reader.template[::step] * np.float32(step), _member(reader, parts)
    grouped = np.stack([template[:, member == p].sum(axis=1) for p in range(parts)], axis=1)
    return np.ascontiguousarray(grouped.astype(np.complex64)).view(np.float32)


def _across(
    places: _Places, template: NDArray[np.float32], planes: Sequence[Plane], line: NDArray[np.intp]
) -> tuple[NDArray[np.complex128], float]:
    """Amplitude of the pattern by line, its phase made a straight lean; and the lean in dots per line."""
    seen = np.array([(places.of(plane, (0, 0)).astype(np.float32) @ template).view(np.complex64) for plane in planes])
    middle = np.abs(line) <= max(1, int(line[-1]) // 4)
    carrier = seen[:, middle].sum(axis=1, keepdims=True)
    across = np.sum(seen * np.conj(carrier / (np.abs(carrier) + 1e-12)), axis=(0, 2)).astype(np.complex128)
    carries = np.abs(across) > _CARRIES * np.abs(across).max()
    turn = np.sum((across[1:] * np.conj(across[:-1]))[carries[1:] & carries[:-1]])
    lean = float(np.angle(turn)) / float(line[1] - line[0])
    return np.abs(across) * np.exp(1j * lean * line), lean / (2 * np.pi)


def _carrying(strength: _Floats, line: NDArray[np.intp], margin_px: float) -> NDArray[np.intp]:
    """The lines of the dots, from the middle out until they end, and a margin that stops short of the next row."""
    least = _CARRIES * float(strength.max())
    middle = line.size // 2
    kept = {middle}
    for way in (1, -1):
        k, beyond = middle, 0.0
        while 0 <= k + way < line.size and beyond < margin_px:
            k += way
            if strength[k] < least:
                beyond += float(abs(line[k] - line[k - way]))
            elif beyond > 0:
                break
            kept.add(k)
    return np.array(sorted(kept))
