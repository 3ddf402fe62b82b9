"""Turn a found row of dots into one complex amplitude per frame.

The row is straightened by picking, for every column, the pixels above and below the row's own curve; the phase that the
pattern has in every column is learned from a few frames, so that perspective needs no model. A matched template then
weighs each pixel by how well it carries the pattern, and is made blind to even brightness and to a slope of it.

Convention: the phase grows when the pattern moves to the left, which is how the near rim of a clockwise platter moves
when it is seen from outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.finding import FoundRow
from strobe.pattern.images import Plane, cut_out, runs_of

__all__ = ["InParts", "InTheWay", "RowReader", "clear_of", "learn_row"]

_MOST_BLOCKS = 24
"""Parts in which a row is read at most, to bound the work."""
_LEAST_PITCHES = 4.0
"""Dots from part to part of a row at least, and in the shortest row that is read; by trial."""
_WINDOW_DOTS, _MOST_MIDDLES, _FEWEST_MIDDLES, _MIDDLE_LINES, _MIDDLES_DEGREE = 3, 41, 12, 48, 6
"""Dots in a window whose middle is measured, windows along the row, fewest that must tell, about how many lines are
looked at in each, and degree of the curve that shows those gone astray; by trial."""
_WHOLLY_SEEN = 0.1
"""Power at the edge of what is looked at, beside the strongest, up to which the dots end before it."""
_CLEAR_PITCHES, _CLEAR_PX, _CLEAR_OF_WIDTH = 1.5, 4.0, 0.08
"""How far from a row scenery begins: above and below, and to the sides as a share of the picture's width."""


class InTheWay(Protocol):
    """A stretch of the picture that moves: its columns, ascending, its height and pitch there, and its strength."""

    @property
    def x_px(self) -> NDArray[np.float64]: ...
    @property
    def y_px(self) -> NDArray[np.float64]: ...
    @property
    def pitch_px(self) -> NDArray[np.float64]: ...
    @property
    def amplitude(self) -> float: ...


class InParts(Protocol):
    """A row or ring that is read in parts; attributes as of `RowReader`."""

    @property
    def places_px(self) -> NDArray[np.float64]: ...
    @property
    def dots_per_px(self) -> NDArray[np.float64]: ...


def clear_of(
    rows: Sequence[InTheWay], down: NDArray[np.int_], right: NDArray[np.int_], *, width: int
) -> NDArray[np.bool_]:
    """Which pixels, at lines `down` and columns `right` of a picture of a `width`, lie clear of all rows."""
    clear = np.ones((down.size, right.size), bool)
    for row in rows:
        reach = _CLEAR_PITCHES * float(np.median(row.pitch_px)) + _CLEAR_PX
        beside = int(_CLEAR_OF_WIDTH * width)
        near = slice(*np.searchsorted(right, [int(row.x_px[0]) - beside, int(row.x_px[-1]) + beside + 1]))
        y = np.interp(right[near], row.x_px, row.y_px)
        close = slice(*np.searchsorted(down, [int(row.y_px.min() - reach), int(row.y_px.max() + reach) + 1]))
        clear[close, near] &= np.abs(down[close, None] - y) > reach
    return clear


@dataclass(frozen=True, eq=False)
class RowReader:
    """Reads one row; made by `learn_row`.

    Attributes
    ----------
    x_px, y_px : array of float64 (columns,)
        The columns used and the height of the row in each.
    pitch_px : array of float64 (columns,)
        Distance from dot to dot at each column.
    amplitude : float
        Amplitude of the pattern while learning, grey levels (0 to 255).
    contrast : float
        The same as a share of the mean brightness of the row.
    blocks : int
        Number of independent parts that the row is read in.
    height : float
        Place of the row in the picture, 0 (top) to 1.
    slope : float
        Mean fall of the row per pixel to the right.
    places_px : array of float64 (blocks, 2)
        Middle (y, x) of each part.
    dots_per_px : array of float64 (blocks, 2)
        Dots by which the phase of each part falls when the picture moves a pixel down, and right.
    middles_px : array of float64 (points, 2)
        Middle (y, x) of the dots as measured along the row, left to right; closer than `y_px`, which blocks foretold.
    """

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    pitch_px: NDArray[np.float64]
    amplitude: float
    contrast: float
    blocks: int
    height: float
    slope: float
    places_px: NDArray[np.float64]
    dots_per_px: NDArray[np.float64]
    middles_px: NDArray[np.float64]
    _crop: tuple[slice, slice]
    _pick: NDArray[np.intp]
    _height_weight: NDArray[np.float32]
    _template: NDArray[np.float32]

    @property
    def template(self) -> NDArray[np.complex64]:
        """What each pixel of the straightened row (columns, blocks) adds to the amplitude of each part."""
        return self._template.view(np.complex64)

    def read(self, plane: Plane, at: tuple[int, int] = (0, 0)) -> NDArray[np.complex64]:
        """Complex amplitude (blocks,) of the row in `plane` (height, width); add them up for the whole row.

        `at` is where to read, whole pixels (down, right) from where the row was learned. What would be read beyond the
        edge of the picture is taken from the edge.
        """
        pixels = cut_out(plane, self._crop, at).reshape(-1).take(self._pick, mode="clip")
        profile = self._height_weight @ pixels.reshape(self._height_weight.size, -1).astype(np.float32)
        return (profile @ self._template).view(np.complex64)

    def shift_factor(self) -> float:
        """Dots by which the phase grows when the whole picture moves left by one pixel."""
        weight = np.hypot(self._template[:, ::2], self._template[:, 1::2]).sum(axis=1)
        return float(np.sum(weight / self.pitch_px) / weight.sum())

    def crowding(self) -> float:
        """How the dots crowd towards both ends: cubic part of their count along the row, over its straight part.

        On a round rim at least the square of half the angle in view, in radians, over 6, more from near; 0 on a plane.
        """
        half = (self.x_px[-1] - self.x_px[0]) / 2
        place = (self.x_px - self.x_px[0]) / half - 1
        _, straight, _, cubic = np.polynomial.polynomial.polyfit(place, np.cumsum(1 / self.pitch_px), 3)
        return float(cubic / straight)


def learn_row(planes: Sequence[Plane], found: FoundRow, *, full_scale: float = 255.0) -> RowReader | None:
    """Learn where in the picture, and at which phase, each pixel carries the pattern of `found`.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Some frames of the clip, the plane the row was found in.
    found : FoundRow
        Place of the row.
    full_scale : float
        The value of white.

    Returns
    -------
    RowReader or None
        ``None`` when the pattern does not hold together (no steady pitch, too few dots).
    """
    height, width = planes[0].shape
    scale = np.float32(255.0 / full_scale)
    step = float(np.median(np.diff(found.x_px)))
    first = max(0, int(found.x_px[0] - step))
    last = min(width, int(found.x_px[-1] + step) + 1)
    x = np.arange(first, last)
    y = _curve(found.x_px, found.y_px, x)
    pitch = np.exp(_curve(found.x_px, np.log(found.pitch_px), x))
    reach = int(np.clip(0.7 * np.median(pitch), 3, 80))
    offset = np.arange(-reach, reach + 1)
    if np.any(y < 0) or np.any(y > height - 1):
        inside = (y >= 0) & (y <= height - 1)
        x, y, pitch = x[inside], y[inside], pitch[inside]
    if x.size < _LEAST_PITCHES * float(np.median(pitch)):
        return None

    rows = np.clip(np.rint(y).astype(np.intp)[None, :] + offset[:, None], 0, height - 1)
    stack = np.stack([plane[rows, x[None, :]] for plane in planes]).astype(np.float32) * scale
    core = max(1, reach // 3)
    profile = stack[:, reach - core : reach + core + 1].mean(axis=1)

    phase = np.cumsum(2 * np.pi / pitch)
    for _ in range(3):
        carrier = _demodulate(profile, phase, float(np.median(pitch)))
        turn = np.sum(carrier[:, 1:] * np.conj(carrier[:, :-1]), axis=0)
        turn = _smooth(turn[None, :], 1.5 * float(np.median(pitch)))[0]
        advance = np.angle(np.concatenate([turn[:1], turn]))
        phase = phase + np.cumsum(advance)
        pitch = 2 * np.pi / np.maximum(np.gradient(phase), 0.02)
    carrier = _demodulate(profile, phase, float(np.median(pitch)))
    frame_phasor = carrier.sum(axis=1)
    shape = np.conj(frame_phasor / (np.abs(frame_phasor) + 1e-9)) @ carrier / len(planes)
    shape = _smooth(shape[None, :], 1.5 * float(np.median(pitch)))[0]
    phase = phase + np.angle(shape)
    envelope = np.abs(shape)

    used = _run_with_dots(envelope)
    if used is None or used.sum() < _LEAST_PITCHES * float(np.median(pitch)):
        return None
    first_used = int(np.argmax(used))
    keep = slice(first_used, first_used + int(used.sum()))
    x, y, pitch, phase, envelope = x[keep], y[keep], pitch[keep], phase[keep], envelope[keep]
    stack, rows = stack[:, :, keep], rows[:, keep]

    ray = envelope * np.exp(-1j * phase)
    by_height = np.einsum("fdx,x->fd", stack - stack.mean(axis=2, keepdims=True), ray)
    frame_phasor = by_height[:, reach - core : reach + core + 1].sum(axis=1)
    across = np.conj(frame_phasor) @ by_height / (np.abs(frame_phasor).sum() + 1e-9)
    weight, lean = _height_profile(across, reach, core)
    shear_px = np.rint(lean * offset * float(np.median(pitch)) / (2 * np.pi)).astype(np.intp)
    used_offset = weight > 0

    top = int(rows[used_offset].min())
    bottom = int(rows[used_offset].max()) + 1
    columns = np.clip(x[None, :] + shear_px[:, None], 0, width - 1)
    left, right = int(columns.min()), int(columns.max()) + 1
    pick = (rows - top) * (right - left) + (columns - left)
    weight = weight[used_offset]
    weight = (weight / weight.sum()).astype(np.float32)
    template, blocks = _template(x, phase, envelope, float(np.median(pitch)))
    mean = float(np.einsum("fdx,d->", stack[:, used_offset], weight) / (len(planes) * x.size))
    amplitude = float(2 * np.average(envelope, weights=envelope))
    places = np.linspace(float(x[0]), float(x[-1]), blocks + 2)[1:-1]
    reader = RowReader(
        x_px=x.astype(np.float64),
        y_px=y,
        pitch_px=pitch,
        amplitude=amplitude,
        contrast=amplitude / max(mean, 1.0),
        blocks=blocks,
        height=float(np.median(y)) / height,
        slope=float(np.polyfit(x, y, 1)[0]),
        places_px=np.stack([np.interp(places, x, y), places], axis=1),
        dots_per_px=np.zeros((blocks, 2)),
        middles_px=_middles(stack, ray, frame_phasor, x, y, phase),
        _crop=(slice(top, bottom), slice(left, right)),
        _pick=np.ascontiguousarray(pick[used_offset].reshape(-1)),
        _height_weight=weight,
        _template=template * scale,
    )
    return replace(reader, dots_per_px=_dots_per_px(reader, planes))


def _dots_per_px(reader: RowReader, planes: Sequence[Plane]) -> NDArray[np.float64]:
    """What each part of the row makes of a shift of a pixel, seen by reading the same frames a pixel beside."""
    here = np.array([reader.read(plane) for plane in planes]).astype(np.complex128)
    turns = []
    for down, right in ((1, 0), (0, 1)):
        after, before = (np.array([reader.read(p, (k * down, k * right)) for p in planes]) for k in (1, -1))
        turns.append(np.sum(after * np.conj(here) + here * np.conj(before), axis=0))
    return np.angle(np.stack(turns, axis=1)) / (2 * np.pi)


def _middles(
    stack: NDArray[np.float32],
    ray: NDArray[np.complex128],
    frame_phasor: NDArray[np.complex128],
    x: NDArray[np.int_],
    y: NDArray[np.float64],
    phase: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Middle (y, x) of what carries the pattern in windows of a few dots, (points, 2).

    `stack` (frames, lines, columns) lies about whole pixels of `y`. Windows whose dots reach beyond it tell nothing,
    nor do those that went astray. Over whole dots the window is blind to even light.
    """
    dots = (phase - phase[0]) / (2 * np.pi)
    half = _WINDOW_DOTS / 2
    middles = np.linspace(half, max(half, dots[-1] - half), _MOST_MIDDLES)
    step = max(1, stack.shape[1] // _MIDDLE_LINES)
    offset = np.arange(stack.shape[1])[::step] - stack.shape[1] // 2
    found = []
    for middle in middles:
        near = slice(*np.searchsorted(dots, [middle - half, middle + half]))
        window = 0.5 + 0.5 * np.cos(np.pi * (dots[near] - middle) / half)
        seen = stack[:, ::step, near] @ (window * ray[near]).astype(np.complex64)
        strength = np.abs(np.conj(frame_phasor) @ seen) ** 2
        if max(strength[0], strength[-1]) < _WHOLLY_SEEN * strength.max():
            down = np.average(np.rint(y[near]), weights=window) + strength @ offset / strength.sum()
            found.append((float(down), float(np.interp(middle, dots, x))))
    places = np.array(found).reshape(-1, 2)
    if len(places) < _FEWEST_MIDDLES:
        return np.stack([y, x.astype(np.float64)], axis=1)[:: max(1, x.size // _MOST_MIDDLES)]
    u = 2 * (places[:, 1] - places[0, 1]) / np.ptp(places[:, 1]) - 1
    smooth = np.polynomial.polynomial.polyval(u, np.polynomial.polynomial.polyfit(u, places[:, 0], _MIDDLES_DEGREE))
    off = np.abs(places[:, 0] - smooth)
    return places[off <= 4 * float(np.median(off)) + 1e-6]


def _curve(x: NDArray[np.float64], y: NDArray[np.float64], at: NDArray[np.int_]) -> NDArray[np.float64]:
    """A smooth curve through the middles of the blocks, deaf to single blocks that went astray."""
    centre, spread = float(x.mean()), max(float(np.ptp(x)) / 2, 1.0)
    degree = 1 if x.size < 5 else 2 if x.size < 9 else 4
    u = (x - centre) / spread
    keep = np.ones(x.size, bool)
    for _ in range(3):
        fit = np.polynomial.polynomial.polyfit(u[keep], y[keep], min(degree, int(keep.sum()) - 1))
        error = np.abs(y - np.polynomial.polynomial.polyval(u, fit))
        limit = max(3 * float(np.median(error)), 1e-6)
        if np.all(keep == (error <= limit)) or np.sum(error <= limit) < max(3, degree + 2):
            break
        keep = error <= limit
    at_u = np.clip((at - centre) / spread, u.min() - 0.15, u.max() + 0.15)
    return np.polynomial.polynomial.polyval(at_u, fit)


def _smooth(lines: NDArray[np.complex128], sigma_px: float) -> NDArray[np.complex128]:
    """Gaussian smoothing along the last axis, nothing assumed beyond the ends."""
    n = lines.shape[-1]
    size = 1 << int(np.ceil(np.log2(n + 8 * sigma_px + 1)))
    response = np.exp(-0.5 * (2 * np.pi * np.fft.fftfreq(size) * sigma_px) ** 2)
    return np.fft.ifft(np.fft.fft(lines, size, axis=-1) * response, axis=-1)[..., :n]


def _demodulate(profile: NDArray[np.float32], phase: NDArray[np.float64], pitch_px: float) -> NDArray[np.complex128]:
    """Local carrier (frames, columns): the profile turned back by `phase`, averaged over about two pitches."""
    level = _smooth(profile.astype(np.complex128), 1.2 * pitch_px).real
    cover = _smooth(np.ones((1, profile.shape[1]), np.complex128), 1.2 * pitch_px).real
    return _smooth((profile - level / cover) * np.exp(-1j * phase), 0.9 * pitch_px)


def _run_with_dots(envelope: NDArray[np.float64]) -> NDArray[np.bool_] | None:
    """The longest unbroken run of columns whose envelope is at least 0.2 of its 90th percentile."""
    strong = envelope > 0.2 * np.percentile(envelope, 90)
    runs = runs_of(strong)
    if runs.size == 0:
        return None
    begin, end = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    run = np.zeros(envelope.size, bool)
    run[begin:end] = True
    return run


def _height_profile(across: NDArray[np.complex128], reach: int, core: int) -> tuple[NDArray[np.float64], float]:
    """Weight of each picture row of the band, and the lean of the dots in radians of pattern per pixel of height."""
    middle = across[reach - core : reach + core + 1]
    strength = np.abs(across)
    peak = float(np.abs(middle).max())
    carries = (strength > 0.25 * peak) & (np.cos(np.angle(across)) > 0.3)
    weight = np.zeros(across.size)
    for direction in (1, -1):
        for k in range(reach, across.size if direction == 1 else -1, direction):
            if not carries[k] and abs(k - reach) > core:
                break
            weight[k] = strength[k]
    offset = np.arange(across.size) - reach
    square = weight**2
    centre = np.sum(square * offset) / square.sum()
    spread = np.sum(square * (offset - centre) ** 2)
    lean = float(np.sum(square * (offset - centre) * np.angle(across)) / spread) if spread > 0 else 0.0
    return weight, lean


def _template(
    x: NDArray[np.int_], phase: NDArray[np.float64], envelope: NDArray[np.float64], pitch_px: float
) -> tuple[NDArray[np.float32], int]:
    """Matched template (columns, 2 x blocks), real and imaginary part of each block side by side."""
    span = x.size
    blocks = int(np.clip(span / (_LEAST_PITCHES * pitch_px) - 1, 1, _MOST_BLOCKS))
    place = np.linspace(0, 1, span) * (blocks + 1)
    windows = np.maximum(0, 1 - np.abs(place[:, None] - np.arange(1, blocks + 1)[None, :]))
    windows = np.sin(0.5 * np.pi * windows) ** 2
    ray = envelope * np.exp(-1j * phase)
    template = windows * ray[:, None]
    u = np.linspace(-1, 1, span)
    for k in range(blocks):
        basis = np.stack([windows[:, k], windows[:, k] * u], axis=1)
        gram = np.stack([np.ones(span), u], axis=1).T
        template[:, k] -= basis @ np.linalg.solve(gram @ basis, gram @ template[:, k])
    norm = float(np.sum(envelope**2))
    packed = np.empty((span, 2 * blocks), np.float32)
    packed[:, ::2] = template.real / norm
    packed[:, 1::2] = template.imag / norm
    return packed, blocks
