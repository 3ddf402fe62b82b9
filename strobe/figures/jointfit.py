"""Least squares for all that an angle holds at once: a quadratic trend, sinusoids, and sudden events.

Times are in seconds, angles in revolutions. Frequencies are refined by Gauss-Newton; shapes of events are given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.figures.events import Shape, design_of, sharpened, speed_of
from strobe.figures.spectrum import Floor

__all__ = ["JointFit", "LineFit"]

_REFINEMENTS = 6
"""Gauss-Newton steps at most; it ends sooner where all lines stand."""
# Steps of a frequency in units of two over the duration.
_LARGEST_STEP = 0.2
_SMALL_STEP = 1e-6
"""The most that a line is moved at once, less than half of one over the duration, and what counts as standing; by
trial."""
_TREND = 3
"""Columns of the quadratic trend: place, rate and ramp."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LineFit:
    """Sinusoids ``c cos(2 pi f (t - centre)) + s sin(...)`` in the angle, and the trend fitted with them.

    Attributes
    ----------
    centre_s : float
        Middle of the clip.
    rate_hz, ramp_hz_per_s : float
        Turns a second at the centre and their change per second.
    ramp_row : (K,) array
        The ramp as a linear function of the sampled angles.
    line_columns, line_rows : (K, 3 L), (3 L, K) array
        The lines' part of the design and of its pseudoinverse.
    frequency_hz, cosine_rev, sine_rev : (L,) array
        The lines, the largest in speed first.
    frequency_sigma_hz, amplitude_sigma_rev, freedom : (L,) array
        Standard deviations from the local floor, and how many independent bins that floor rests on.
    phase_sigma_rad : (L,) array
        Standard deviation of `speed_phase_rad`.
    gap_hz : (L,) array
        Distance of the two lines that the clip shows to lie where only one could be fitted; infinite for a single one.
    listed : (L,) array of bool
        Which are components; slower ones, down to one cycle in the clip, are only there to take slow motion out.
    shapes : tuple of Shape
        The events, in the order of time.
    event_hz : (E,) array
        By how many turns a second each changes the speed.
    event_rows : (E, 3, K) array
        Size, time, and recovery (zeros for what stays) of each event as linear functions of the sampled angles.
    offset_rev : float
        Constant of the trend: the angle at the centre less lines and events.
    residual_rev : (K,) array
        What trend, events and lines leave of the angle.
    floor : Floor
        Floor of the residual's spectrum.
    """

    centre_s: float
    rate_hz: float
    ramp_hz_per_s: float
    ramp_row: Array
    line_columns: Array
    line_rows: Array
    frequency_hz: Array
    cosine_rev: Array
    sine_rev: Array
    frequency_sigma_hz: Array
    amplitude_sigma_rev: Array
    freedom: Array
    phase_sigma_rad: Array
    gap_hz: Array
    listed: NDArray[np.bool_]
    shapes: tuple[Shape, ...]
    event_hz: Array
    event_rows: Array
    offset_rev: float
    residual_rev: Array
    floor: Floor

    @property
    def amplitude_rev(self) -> Array:
        """Amplitude of each line in the angle."""
        return np.hypot(self.cosine_rev, self.sine_rev)

    @property
    def speed_amplitude_hz(self) -> Array:
        """Amplitude of each line in the speed, turns a second."""
        return 2 * np.pi * self.frequency_hz * self.amplitude_rev

    @property
    def speed_phase_rad(self) -> Array:
        """Phase of each line's sine in the speed at time 0 of the clock, in -pi to pi."""
        at_centre = np.arctan2(self.sine_rev, -self.cosine_rev)
        return np.angle(np.exp(1j * (at_centre - 2 * np.pi * self.frequency_hz * self.centre_s)))

    def without_lines(self, row: Array) -> Array:
        """The (K,) row that acts on the sampled angles as `row` does on the angles less their fitted lines."""
        return np.asarray(row - (row @ self.line_columns) @ self.line_rows)

    def angle_rev(self, time_s: Array) -> Array:
        """Sum of the lines in the angle at any times."""
        turn = 2 * np.pi * np.outer(time_s - self.centre_s, self.frequency_hz)
        return np.cos(turn) @ self.cosine_rev + np.sin(turn) @ self.sine_rev

    def events_rev(self, time_s: Array) -> Array:
        """Sum of the events in the angle at any times."""
        return np.asarray(design_of(self.shapes, time_s) @ self.event_hz)

    def smooth_rev(self, time_s: Array) -> Array:
        """Trend, events and lines in the angle at any times."""
        since = time_s - self.centre_s
        trend = self.offset_rev + self.rate_hz * since + 0.5 * self.ramp_hz_per_s * since**2
        return np.asarray(trend + self.events_rev(time_s) + self.angle_rev(time_s))

    def smooth_hz(self, time_s: Array) -> Array:
        """Their speed, turns a second."""
        trend = self.rate_hz + self.ramp_hz_per_s * (time_s - self.centre_s)
        lines = self.speed_hz(time_s, np.ones_like(self.frequency_hz))
        return np.asarray(trend + speed_of(self.shapes, self.event_hz, time_s) + lines)

    def speed_hz(self, time_s: Array, gain: Array) -> Array:
        """Sum of the lines in the speed at any times, turns a second, each times its `gain`."""
        turn = 2 * np.pi * np.outer(time_s - self.centre_s, self.frequency_hz)
        scale = 2 * np.pi * self.frequency_hz * gain
        return np.cos(turn) @ (scale * self.sine_rev) - np.sin(turn) @ (scale * self.cosine_rev)


class JointFit:
    """Least squares for a quadratic trend, events and lines, the frequencies started near and refined."""

    def __init__(
        self,
        time_s: Array,
        angle_rev: Array,
        relative: Array,
        frequency_hz: Array,
        *,
        shapes: tuple[Shape, ...] = (),
        tapered: bool = False,
    ) -> None:
        self.time = time_s
        self.angle = angle_rev
        self.relative = relative
        self.tapered = tapered
        self.shapes = shapes
        self.base = _TREND + len(shapes)
        self.sudden = design_of(shapes, time_s)
        self.centre = 0.5 * float(time_s[0] + time_s[-1])
        self.half = 0.5 * float(time_s[-1] - time_s[0])
        self.weight = relative * self.ends(time_s)
        self.frequency = frequency_hz
        count = frequency_hz.size
        self.cosine, self.sine = np.zeros(count), np.zeros(count)
        self.rate = float(angle_rev[-1] - angle_rev[0]) / (2 * self.half)
        rest = angle_rev - angle_rev[0] - self.rate * (time_s - time_s[0])
        solution = self._solve(rest, self.base + 2 * count)
        for _ in range(_REFINEMENTS if count else 0):
            solution = self._solve(rest, self.base + 3 * count)
            step = np.clip(solution[self.base + 2 * count :], -_LARGEST_STEP, _LARGEST_STEP) / self.half
            self.frequency = np.abs(self.frequency + step)
            if np.max(np.abs(step)) * self.half < _SMALL_STEP:
                break
        solution = self._solve(rest, self.base + 2 * count)
        self.design = self._design(self.base + 3 * count)
        self.rest = rest
        self.residual = rest - self.design[:, : solution.size] @ solution
        self.trend = solution[:_TREND]
        self.event_hz = solution[_TREND : self.base]
        scale, inverse = self._inverse(self.design)
        self.covariance = inverse / np.outer(scale, scale)
        self.rows = self.covariance @ (self.design * self.weight[:, np.newaxis]).T

    def with_lines(self, frequency_hz: Array) -> JointFit:
        """The same samples and events fitted with other lines."""
        return JointFit(self.time, self.angle, self.relative, frequency_hz, shapes=self.shapes, tapered=self.tapered)

    def with_events(self, shapes: tuple[Shape, ...]) -> JointFit:
        """The same samples and lines fitted with other events."""
        return JointFit(self.time, self.angle, self.relative, self.frequency, shapes=shapes, tapered=self.tapered)

    def sharp(self) -> JointFit:
        """The same with the time and recovery of each event refined in turn."""
        shapes = list(self.shapes)
        lines = self._design(self.base + 2 * self.frequency.size)[:, self.base :]
        for i, shape in enumerate(shapes):
            others = design_of(shapes[:i] + shapes[i + 1 :], self.time)
            known = np.hstack([self.design[:, :_TREND], others, lines])
            shapes[i] = sharpened(shape, self.time, self.rest, known)
        return self.with_events(tuple(sorted(shapes, key=lambda shape: shape.at_s)))

    @property
    def squares(self) -> float:
        """Weighted sum of the squares that are left."""
        return float(np.sum(self.weight * self.residual**2))

    def ends(self, time_s: Array) -> Array:
        """The taper at these times: half a sine over a little more than the clip, or 1."""
        if not self.tapered:
            return np.ones_like(time_s)
        share = 0.5 + 0.5 * (time_s - self.centre) / (self.half * (1 + 1 / self.time.size))
        return np.asarray(np.sin(np.pi * share))

    @property
    def power(self) -> Array:
        """Each line's power on the scale of the spectrum of the evenly weighted angle."""
        return self.time.size * self.amplitude**2 / 4

    @property
    def amplitude(self) -> Array:
        return np.hypot(self.cosine, self.sine)

    @property
    def closest_hz(self) -> float:
        """Smallest distance between two lines."""
        return float(np.min(np.diff(np.sort(self.frequency)), initial=np.inf))

    def result(self, floor: Floor, leakage: Array, *, lowest_hz: float, gap_hz: Array) -> LineFit:
        """The fit with the lines sorted; samples of weight w have the variance of the floor times leakage over w."""
        count = self.frequency.size
        order = np.argsort(-self.frequency * self.amplitude)
        c = self.base + np.arange(count)
        level = floor.at(self.frequency) * leakage
        toward_c, toward_s = (part[:, np.newaxis] / self.amplitude[:, np.newaxis] for part in (self.cosine, self.sine))
        rows_c, rows_s, rows_f = self.rows[c], self.rows[c + count], self.rows[c + 2 * count] / self.half
        turning = (toward_c * rows_s - toward_s * rows_c) / self.amplitude[:, np.newaxis]

        def sigma(rows: Array) -> Array:
            return np.asarray(np.sqrt(level * np.sum(rows**2 / self.relative, axis=1))[order])

        return LineFit(
            centre_s=self.centre,
            rate_hz=self.rate + float(self.trend[1]) / self.half,
            ramp_hz_per_s=2 * float(self.trend[2]) / self.half**2,
            ramp_row=2 * self.rows[2] / self.half**2,
            line_columns=self.design[:, self.base :],
            line_rows=self.rows[self.base :],
            frequency_hz=self.frequency[order],
            cosine_rev=self.cosine[order],
            sine_rev=self.sine[order],
            frequency_sigma_hz=sigma(rows_f),
            amplitude_sigma_rev=sigma(toward_c * rows_c + toward_s * rows_s),
            freedom=floor.certainty(self.frequency)[order],
            phase_sigma_rad=sigma(turning + 2 * np.pi * self.centre * rows_f),
            gap_hz=gap_hz[order],
            listed=(self.frequency >= lowest_hz)[order],
            shapes=self.shapes,
            event_hz=self.event_hz,
            event_rows=self._event_rows(),
            offset_rev=float(self.angle[0] + self.rate * (self.centre - self.time[0]) + self.trend[0]),
            residual_rev=self.residual,
            floor=floor,
        )

    def _event_rows(self) -> Array:
        """Size, time and recovery of each event, all being unknown together, as functions of the sampled angles."""
        slopes = [shape.slopes(self.time) for shape in self.shapes]
        if not slopes:
            return np.zeros((0, 3, self.time.size))
        free = [size * slope for size, each in zip(self.event_hz, slopes, strict=True) for slope in each]
        design = np.column_stack([self.design, *free])
        scale, inverse = self._inverse(design)
        found = inverse @ (design / scale * self.weight[:, np.newaxis]).T / scale[:, np.newaxis]
        rows = np.zeros((len(slopes), 3, self.time.size))
        place = self.design.shape[1]
        for i, each in enumerate(slopes):
            rows[i, 0] = found[_TREND + i]
            rows[i, 1 : 1 + len(each)] = found[place : place + len(each)]
            place += len(each)
        return rows

    def _design(self, columns: int) -> Array:
        """Trend, events, cosines, sines and, where there is room, the change with each frequency times `half`."""
        u = (self.time - self.centre) / self.half
        turn = 2 * np.pi * np.outer(self.time - self.centre, self.frequency)
        cosines, sines = np.cos(turn), np.sin(turn)
        parts = [np.stack([np.ones_like(u), u, u * u], axis=1), self.sudden, cosines, sines]
        if columns > self.base + 2 * self.frequency.size:
            slope = self.sine * cosines - self.cosine * sines
            parts.append(2 * np.pi * u[:, np.newaxis] * slope)
        return np.hstack(parts)

    def _inverse(self, design: Array) -> tuple[Array, Array]:
        scale = np.sqrt(np.sum(design**2, axis=0))
        scale[scale == 0.0] = 1.0
        scaled = design / scale
        return scale, np.linalg.pinv(scaled.T @ (scaled * self.weight[:, np.newaxis]), hermitian=True)

    def _solve(self, rest: Array, columns: int) -> Array:
        design = self._design(columns)
        scale, inverse = self._inverse(design)
        solution = inverse @ ((design / scale).T @ (self.weight * rest)) / scale
        count = self.frequency.size
        self.cosine, self.sine = np.split(solution[self.base : self.base + 2 * count], [count])
        return solution
