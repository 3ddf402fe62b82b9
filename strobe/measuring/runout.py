"""The platter's own geometry from the clip that its speed was read from: how far the rim and its dots run from true.

Three things come and go once a turn and differ in how they change along the row, because the platter turns on while a
point crosses the picture. The rim rises and falls (axial); it comes nearer and goes away (radial); and the dots stand
ahead of or behind their places (a ring off centre). Seen at picture azimuth a, with b = a + 2 pi theta the place on the
platter, each is ``Re[Z exp(i b)]``, in radii of the rim. Heights and phases of the parts of the row are linear in the
three, by what a shift does in the picture (`strobe.measuring.view`). Real wobble moves all parts alike and drops out of
their phases against the whole row, so that the ring off centre is told apart from it in one clip. Common practice of
spindle metrology: many probes about one axis. A rolling shutter, though, reads one part after the other, and each sees
the wobble as much later: along the row that grows as a ring off centre does, and is taken off first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from strobe.figures.results import COVERAGE
from strobe.measuring.heights import row_heights
from strobe.measuring.view import RimView, fit_view
from strobe.pattern import PatternReading, RowSeries, RowShape
from strobe.phase import align_blocks, apparent_hz, distinct_waves

__all__ = ["Readout", "RimErrors", "once_a_turn", "rim_errors"]

_LEAST_TURNS, _HARMONICS = 1.5, 2
"""Turns from which once a turn is told from a slow course; and multiples of it that are fitted (by trial)."""
_HEIGHT_FLOOR_PX, _PHASE_FLOOR_DOTS = 0.03, 6e-4
"""What coding and the lamp may feign once a turn in one part of a row (seen on rendered clips)."""
_SPREAD = np.repeat([2e-2, 6e-4, 3e-4], 2)
"""Expected sizes of axial, radial and ring errors, in radii of the rim (common practice)."""
_DRAWS = 24
"""Cameras that are drawn: their scatter is good to 15 % (closed form: one over the root of twice 23)."""
_OWN_CYCLES = 3.0
"""Cycles that the pattern must run through in the picture for what follows it to be told from a slow course (by
trial)."""
_LAMP_ORDERS, _CLEAR_CYCLES = 8, 1.5
"""Harmonics of the lamp that are fitted, which die away as a saturated picture's do; and cycles, over the clip, that
each must lie off once a turn, past which least squares part two waves (by trial)."""

_Floats = NDArray[np.float64]
_Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Readout:
    """How a rolling shutter sweeps the picture.

    Attributes
    ----------
    way : str
        ``down``, ``up``, ``left`` or ``right``; ``sideways`` for the latter two, when the duration may be negative.
    duration_s, half_width_s : float
        From the first line of the picture to the last, and how far off that may be.
    """

    way: str
    duration_s: float
    half_width_s: float

    def places(self, row: RowShape) -> _Floats:
        """Places (blocks,) of the parts of a row along the sweep, as shares of the picture."""
        if self.way in ("down", "up"):
            along = np.interp(row.block_x_px, row.x_px, row.y_px) / row.height_px
        else:
            along = row.block_x_px / row.width_px
        return -along if self.way in ("up", "left") else along


@dataclass(frozen=True, eq=False)
class RimErrors:
    """How a rim runs from true; complex amplitudes in radii of the rim, ``Re[z exp(i b)]`` at the platter's place b.

    Attributes
    ----------
    view : RimView
    axial, radial, ring : complex
        Rise, growth of the radius, and what the dots stand ahead to the right (rad).
    axial_uncertainty, radial_uncertainty, ring_uncertainty : float
        95 % half-widths of their sizes.
    turns_rev : array of float64 (frames,)
        Turns of the platter; a place b of it stands in front of the camera when ``2 pi turns = b``.
    false_dots : complex
        What all three add to the dots of the whole row, ``Re[z exp(2 pi i turns)]``.
    false_dots_uncertainty : float
        95 % half-width of its size.
    ring_dots : complex
        The part of them that the dots' own places make; the rest is what runout does to the picture of the row.
    """

    view: RimView
    axial: complex
    radial: complex
    ring: complex
    axial_uncertainty: float
    radial_uncertainty: float
    ring_uncertainty: float
    turns_rev: _Floats
    false_dots: complex
    false_dots_uncertainty: float
    ring_dots: complex


def rim_errors(
    pattern: PatternReading,
    row: RowSeries,
    dots: _Floats,
    count: int,
    *,
    time_s: _Floats,
    first_count: float,
    readout: Readout,
    lamp_cycles: _Floats | None = None,
) -> RimErrors | None:
    """How the rim runs from true; None where the clip does not show it.

    Parameters
    ----------
    pattern : PatternReading
    row : RowSeries
        The row whose phase was followed.
    dots : array of float64 (frames,)
        Dots of it that have passed.
    count : int
        Its dots in one turn.
    time_s : array of float64 (frames,)
        Frame times.
    first_count : float
        The same for the first row of the reading, about which the rim was looked at.
    readout : Readout
    lamp_cycles : array of float64 (frames,) or None
        Phase of the lamp, whose flashes light the parts of a row in different frames.
    """
    rim, shape, first = pattern.rim, row.shape, pattern.rows[0].shape
    if rim is None or shape is None or first is None:
        return None
    turns = dots / count
    if float(np.ptp(turns)) < _LEAST_TURNS or row.blocks.shape[1] < 3:
        return None
    if pattern.camera.moved and pattern.plane != "luma":
        return None
    view = fit_view(first, first_count)
    own = view if shape is first and count == first_count else fit_view(shape, count)
    if view is None or own is None:
        return None
    lamp = _LampWaves.of(lamp_cycles, turns)
    clock = _Clock(turns, time_s)
    heights, of_heights = _heights(pattern, clock, lamp)
    phases, of_phases, weight = _phases(row, clock, lamp)
    swing, _ = once_a_turn(dots, turns, time_s)
    ahead = 2j * np.pi * clock.turn_hz * readout.places(shape)

    def solved(
        view: RimView, own: RimView, expected: _Floats, readout_s: float = readout.duration_s
    ) -> tuple[_Floats, _Floats, _Complex]:
        """The three errors and their covariance, and what each does to the whole row, by a view of either row."""
        by_height = _by_height(view, rim.part_x_px)
        by_phase = _by_phase(own, shape, rim.lean, count)
        whole = weight @ by_phase
        # All that swings reaches a part as much later as the shutter does.
        later = swing * np.expm1(readout_s * ahead)
        rows = np.concatenate([by_height / of_heights[:, None], (by_phase - whole) / of_phases[:, None]])
        seen = np.concatenate([heights / of_heights, (phases - later + weight @ later) / of_phases])
        matrix, target = _as_real(rows), np.stack([seen.real, seen.imag], axis=1).ravel()
        inverse = np.asarray(np.linalg.inv(matrix.T @ matrix + np.diag(1 / expected**2)), np.float64)
        found = inverse @ matrix.T @ target
        left = float(np.mean((target - matrix @ found) ** 2)) * target.size / max(target.size - 6, 1)
        return np.asarray(found), inverse * max(left, 1.0), whole

    # What was expected draws towards zero; the more so what is larger than that, which is then expected so. So is what
    # a readout at its bounds would leave to the rim.
    first_found, shortest, longest = (
        solved(view, own, _SPREAD, readout.duration_s + way * readout.half_width_s)[0] for way in (0, -1, 1)
    )
    largest = np.max([np.abs(_complex(one)) for one in (first_found, shortest, longest)], axis=0)
    expected = np.maximum(_SPREAD, np.repeat(largest, 2))
    found, covariance, whole = solved(view, own, expected)
    by_readout = solved(view, own, expected, readout.duration_s + readout.half_width_s)[0] - found
    others = [solved(a, b, expected) for a, b in zip(view.others(_DRAWS), own.others(_DRAWS), strict=True)]
    by_view = np.cov(np.array([one[0] for one in others]).T)
    false = complex(_complex(found) @ whole)
    spread = np.array([complex(_complex(one[0]) @ one[2]) for one in others])
    effect = _as_real(whole[None, :])
    of_false = effect @ covariance @ effect.T
    axial, radial, ring = _complex(found)
    drawn = np.stack([_complex(one) for one in (covariance @ (found / expected**2), found - first_found, by_readout)])
    unsure = [_half_width((covariance + by_view)[2 * k : 2 * k + 2, 2 * k : 2 * k + 2]) for k in range(3)]
    half = np.linalg.norm([unsure, *abs(drawn)], axis=0).tolist()
    return RimErrors(
        view=view,
        axial=complex(axial),
        radial=complex(radial),
        ring=complex(ring),
        axial_uncertainty=half[0],
        radial_uncertainty=half[1],
        ring_uncertainty=half[2],
        turns_rev=turns,
        false_dots=false,
        ring_dots=complex(ring * whole[2]),
        false_dots_uncertainty=float(
            np.linalg.norm([_half_width(of_false), COVERAGE * np.std(spread), *abs(drawn @ whole)])
        ),
    )


def _half_width(covariance: _Floats) -> float:
    return COVERAGE * float(np.sqrt(np.linalg.eigvalsh(covariance).max()))


def _complex(found: _Floats) -> _Complex:
    return np.asarray(found[::2] + 1j * found[1::2])


def _as_real(rows: _Complex) -> _Floats:
    """Complex rows (n, m) that act on complex unknowns as real ones (2n, 2m) that act on real and imaginary parts."""
    matrix = np.empty((2 * rows.shape[0], 2 * rows.shape[1]))
    matrix[::2, ::2], matrix[::2, 1::2] = rows.real, -rows.imag
    matrix[1::2, ::2], matrix[1::2, 1::2] = rows.imag, rows.real
    return matrix


def _by_height(view: RimView, x_px: _Floats) -> _Complex:
    """What axial, radial and ring errors of one radius do to the height of the row at fixed columns: (parts, 3)."""
    azimuth = view.azimuth_rad(x_px)
    rise, reach = view.moved_px(azimuth)
    slope = view.slope(azimuth)
    ahead = np.exp(1j * azimuth)
    effect = np.stack(
        [rise[:, 1] - slope * rise[:, 0], reach[:, 1] - slope * reach[:, 0], np.zeros_like(slope)], axis=1
    )
    return np.asarray(effect * ahead[:, None])


def _by_phase(view: RimView, row: RowShape, lean: float, count: int) -> _Complex:
    """What they do to the dots of each block: (blocks, 3).

    Dots that lean in the picture because a shutter reads it line by line (`lean`, dots per line, holds the geometric
    lean as well) are seen later where the row moves down, which adds to what the shift itself does.
    """
    azimuth = view.azimuth_rad(row.block_x_px)
    moves = view.moved_px(azimuth)
    upright = -row.dots_per_px[:, 1] * moves[0][:, 0] / moves[0][:, 1]
    swept = lean - float(np.mean(upright))
    shifts = [(move[:, ::-1] * row.dots_per_px).sum(axis=1) - swept * move[:, 1] for move in moves]
    effect = -np.stack([*shifts, np.full_like(azimuth, count / (2 * np.pi))], axis=1)
    return np.asarray(effect * np.exp(1j * azimuth)[:, None])


@dataclass(frozen=True, eq=False)
class _LampWaves:
    """What a lamp swings in the parts of a row: waves (frames, two of each order) that once a turn is told from.

    `hidden` are the orders that once a turn can't be told from: each is known only by the order below it, because
    harmonics die away.
    """

    orders: tuple[int, ...]
    waves: _Floats
    hidden: tuple[int, ...]

    @classmethod
    def of(cls, cycles: _Floats | None, turns: _Floats) -> _LampWaves:
        """Those of a lamp's `cycles`, None without one."""
        if cycles is None:
            return cls((), np.zeros((turns.size, 0)), ())
        orders = range(1, _LAMP_ORDERS + 1)
        alike = _CLEAR_CYCLES / float(np.ptp(turns))
        hidden = tuple(order for order in orders if abs(apparent_hz(order * cycles, turns) - 1) < alike)
        told = distinct_waves(turns, float(np.median(np.diff(turns))), cycles, [n for n in orders if n not in hidden])
        waves = [wave(2 * np.pi * one.cycles) for one in told for wave in (np.cos, np.sin)]
        fitted = np.stack(waves, axis=1) if waves else np.zeros((turns.size, 0))
        return cls(tuple(round(one.harmonic) for one in told), fitted, hidden)

    def unsure(self, fit: _Floats, found: float) -> float:
        """What hidden orders may add to an amplitude `found` once a turn; `fit` (waves,) are those of the others."""
        sizes = dict(zip(self.orders, np.hypot(fit[::2], fit[1::2]).tolist(), strict=True))
        return float(np.linalg.norm([sizes.get(order - 1, found) for order in self.hidden]))


class _Clock(NamedTuple):
    """Turns of the platter and times of the frames."""

    turns: _Floats
    time_s: _Floats

    @property
    def turn_hz(self) -> float:
        """Mean turns a second."""
        return float(np.ptp(self.turns) / np.ptp(self.time_s))


def _heights(pattern: PatternReading, clock: _Clock, lamp: _LampWaves) -> tuple[_Complex, _Floats]:
    """Complex amplitude, once a turn, of the height of each part of the row in px, and its 1-sigma."""
    rim, camera = pattern.rim, pattern.camera
    assert rim is not None
    shift, weight = row_heights(rim.profiles, rim.line_px)
    shift = shift + camera.read_at_px[:, :1]
    if camera.moved:
        first = pattern.rows[0].shape
        assert first is not None
        for part, x in enumerate(rim.part_x_px):
            shift[:, part] -= camera.moved_at(float(np.interp(x, first.x_px, first.y_px)), float(x))[0]
    amplitude, spread = _parts_once_a_turn(shift, weight, clock, lamp)
    return amplitude, np.hypot(spread, _HEIGHT_FLOOR_PX)


def _phases(row: RowSeries, clock: _Clock, lamp: _LampWaves) -> tuple[_Complex, _Floats, _Floats]:
    """The same for the phase of each block against the whole row, in dots; and what each block weighs in the whole."""
    aligned = align_blocks(row.blocks)
    total = aligned.sum(axis=1)
    turned = aligned * np.conj(total)[:, None]
    power = np.abs(total) ** 2
    share = turned.real.sum(axis=0) / power.sum()
    away = turned.imag / (2 * np.pi * share * np.maximum(power, 1e-12)[:, None])
    own = np.unwrap(np.angle(total))
    more = np.stack([wave(n * own) for n in (1, 2) for wave in (np.cos, np.sin)], axis=1)
    if np.ptp(own) < 2 * np.pi * _OWN_CYCLES:
        more = more[:, :0]
    amplitude, spread = _parts_once_a_turn(away, np.tile(power[:, None], away.shape[1]), clock, lamp, more)
    return amplitude, np.hypot(spread, _PHASE_FLOOR_DOTS), share / share.sum()


def _parts_once_a_turn(
    series: _Floats, weight: _Floats, clock: _Clock, lamp: _LampWaves, more: _Floats | None = None
) -> tuple[_Complex, _Floats]:
    """`once_a_turn` of each part (frames, parts), and its 1-sigma with what hidden orders of the lamp may add.

    They add to all parts by one law, which may look like any error of the rim: the worst case over the parts is the
    root of their number times what independent ones would add (Cauchy and Schwarz).
    """
    waves = lamp.waves if more is None else np.concatenate([lamp.waves, more], axis=1)
    found = [_fit_once_a_turn(one, w, clock, waves) for one, w in zip(series.T, weight.T, strict=True)]
    amplitude = np.array([fit.amplitude for fit in found])
    hidden = [lamp.unsure(fit.others[: lamp.waves.shape[1]], abs(fit.amplitude)) for fit in found]
    worst = np.sqrt(len(found)) / COVERAGE * np.array(hidden)
    return amplitude, np.hypot([fit.sigma for fit in found], worst)


def once_a_turn(series: _Floats, turns: _Floats, time_s: _Floats) -> tuple[complex, float]:
    """Complex amplitude of what comes once a turn, ``Re[z exp(2 pi i turns)]``, and the 1-sigma of either part.

    A slow course, even a steep one, is told from it by the frames' times, whichever frames are missing.
    """
    fit = _fit_once_a_turn(series, np.ones_like(series), _Clock(turns, time_s), np.zeros((turns.size, 0)))
    return fit.amplitude, fit.sigma


class _Fit(NamedTuple):
    amplitude: complex
    sigma: float
    others: _Floats


def _fit_once_a_turn(series: _Floats, weight: _Floats, clock: _Clock, others: _Floats) -> _Fit:
    """The same of a series whose frames weigh differently, beside `others` (frames, n) and their factors (n,)."""
    u = 2 * (clock.time_s - clock.time_s[0]) / np.ptp(clock.time_s) - 1
    turn = 2 * np.pi * np.outer(clock.turns, np.arange(1, _HARMONICS + 1))
    slow = np.stack([np.ones_like(u), u, u**2], axis=1)
    basis = np.concatenate([np.cos(turn), np.sin(turn), slow, others], axis=1)
    root = np.sqrt(weight / max(float(weight.max()), 1e-30))
    for _ in range(3):
        fit, *_ = np.linalg.lstsq(basis * root[:, None], series * root, rcond=1e-8)
        rest = (series - basis @ fit) * root
        used = root > 0
        usual = 1.4826 * float(np.median(np.abs(rest[used]))) + 1e-12
        root = np.where(np.abs(rest) > 4 * usual, 0.5 * root, root)
    rest = ((series - basis @ fit) * root)[used]
    alike = float(np.clip(np.mean(rest[1:] * rest[:-1]) / (np.mean(rest**2) + 1e-30), 0, 0.95))
    noise = np.sum(rest**2) / max(rest.size - basis.shape[1], 1) * (1 + alike) / (1 - alike)
    covariance = np.linalg.pinv((basis * root[:, None]).T @ (basis * root[:, None])) * noise
    sigma = float(np.sqrt(max(covariance[0, 0], covariance[_HARMONICS, _HARMONICS])))
    return _Fit(complex(fit[0], -fit[_HARMONICS]), sigma, fit[basis.shape[1] - others.shape[1] :])
