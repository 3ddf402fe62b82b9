"""The light of a lamp that flickers, as one wave that all picture rows share, each at its own time.

With 100 flashes at 30 frames a second the lamp meets the frames at three phases only, and harmonics fold onto each
other; the rows of a rolling shutter fill the gaps, because each sees the same wave at its own time. So one waveform is
fitted to all rows at once, with the lamp's rate, its slow wander, and the sweep of the shutter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.phase.flicker import best_sweep, folded_hz

__all__ = ["LEAST_CYCLES", "LightWave", "RowLight", "fit_creeping_wave", "fit_light_wave", "sweep_cycles"]

LEAST_CYCLES = 1.6
"""Cycles that flicker must creep over a clip to stand clear of the slow course, whose main lobe reaches to two."""
_ALONE_HARMONICS = 4
"""Fitted to each row by itself."""
_SHARED_HARMONICS = 6
"""Fitted to all rows together."""
_STEPS, _WANDER_FROM, _WANDER_UNTIL = 9, 5, 6
"""Of Gauss and Newton; the step from which a wander of the lamp is sought, and that after which an unclear one goes."""
_LONGEST_STEP_CYCLES, _CLEAR_WANDER = 0.1, 4.0
"""Cycles that one step may move drift or sweep, so that none runs off; and sigmas of a clear wander (by trial)."""
_FARTHEST_SWEEP_CYCLES = 8.0
"""Down the picture: 80 ms at 100 flashes a second, longer than a shutter takes."""

_Floats = NDArray[np.float64]
_Complex = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class RowLight:
    """The light of what stands still, by frame and picture row.

    Attributes
    ----------
    relative : array of float64 (frames, rows)
        Brightness over its mean, minus one.
    time_s : array of float64 (frames,)
        Frame times.
    place : array of float64 (rows,)
        Places of the rows down the picture, 0 to 1.
    """

    relative: _Floats
    time_s: _Floats
    place: _Floats

    @property
    def duration_s(self) -> float:
        """From the first frame to the last."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def interval_s(self) -> float:
        """Usual time from frame to frame."""
        return float(np.median(np.diff(self.time_s)))

    def harmonics_at(self, rate_hz: float) -> tuple[float, _Complex]:
        """Mean square left by the best fit of a flash rate to each row by itself; amplitudes (harmonics, rows)."""
        harmonics = [1]
        for h in range(2, _ALONE_HARMONICS + 1):
            if folded_hz(h * rate_hz, self.interval_s) * self.duration_s > LEAST_CYCLES:
                harmonics.append(h)
        angle = 2 * np.pi * rate_hz * self.time_s
        waves = [np.stack([np.cos(h * angle), np.sin(h * angle)], axis=1) for h in harmonics]
        basis = np.concatenate([*waves, np.ones((self.time_s.size, 1))], axis=1)
        gram = basis.T @ basis
        gram += 1e-3 * self.time_s.size * np.eye(gram.shape[0])
        solution = np.linalg.solve(gram, basis.T @ self.relative)
        unexplained = float(np.mean((self.relative - basis @ solution) ** 2))
        return unexplained, solution[:-1:2] - 1j * solution[1::2]


@dataclass(frozen=True, eq=False)
class LightWave:
    """The wave of light that all picture rows share.

    Attributes
    ----------
    rate_hz, error_hz : float
        Mean rate and its 1-sigma.
    unexplained : float
        Share of the light's power that the wave leaves.
    harmonics : array of complex128 (harmonics,)
        Amplitudes at the top of the picture, the first harmonic first.
    rows : array of complex128 (rows,)
        Amplitude of the first harmonic in each row at time zero.
    wander : array of float64 (frames,)
        Phase in cycles beyond ``rate_hz * time_s``, slow, zero in the mean.
    jitter : array of float64 (frames,)
        What the light of each frame says of its phase beyond that, in cycles.
    """

    rate_hz: float
    error_hz: float
    unexplained: float
    harmonics: _Complex
    rows: _Complex
    wander: _Floats
    jitter: _Floats


def sweep_cycles(place: _Floats, flicker: _Complex) -> float:
    """Cycles of flicker from the top of the picture to its bottom that go best with its amplitude (rows,) by place."""
    return best_sweep(place, flicker, _FARTHEST_SWEEP_CYCLES)[0]


def fit_creeping_wave(light: RowLight, rate_hz: float) -> LightWave:
    """The shared wave of a slow creep; how far a changing exposure could move its rate is in its error."""
    wave = fit_light_wave(light, rate_hz)
    other = fit_light_wave(light, rate_hz, exposure=True)
    return replace(wave, error_hz=float(np.hypot(wave.error_hz, other.rate_hz - wave.rate_hz)))


def fit_light_wave(light: RowLight, rate_hz: float, *, exposure: bool = False) -> LightWave:
    """Fit one waveform to all rows at once, by Gauss and Newton on rate, sweep and slow wander of the lamp.

    Parameters
    ----------
    light : RowLight
    rate_hz : float
        Where to begin, within a fraction of a cycle over the clip.
    exposure : bool
        Whether all rows may also have a slow course in common, as a changing exposure gives them.
    """
    relative, time_s, place, duration = light.relative, light.time_s, light.place, light.duration_s
    sweeps = sweep_cycles(place, light.harmonics_at(rate_hz)[1][0])
    u = 2 * (time_s - time_s[0]) / duration - 1
    slow = np.stack([u, u**2 - 1 / 3, u**3 - 0.6 * u], axis=1)
    orders = np.arange(1, _SHARED_HARMONICS + 1)
    basis = np.empty((2 * _SHARED_HARMONICS + 3 * exposure, *relative.shape))
    waves = basis[: 2 * _SHARED_HARMONICS].reshape(2, _SHARED_HARMONICS, *relative.shape)
    basis[2 * _SHARED_HARMONICS :] = slow.T[: 3 * exposure, :, None]
    drift = np.zeros(3)
    terms = 1
    error = 0.0
    for step in range(_STEPS):
        by_frame = np.exp(2j * np.pi * np.outer(orders, rate_hz * time_s + slow @ drift))
        by_frame -= by_frame.mean(axis=1, keepdims=True)
        by_row = np.exp(2j * np.pi * np.outer(orders, sweeps * place))
        # Of each product over frames and rows the real part, then the imaginary one negated.
        parted = np.stack([by_frame.conj(), -1j * by_frame.conj()])[..., None].view(float)
        np.matmul(parted, by_row[..., None].view(float).transpose(0, 2, 1), out=waves)
        lines = basis.reshape(len(basis), -1)
        gram = lines @ lines.T
        solution = np.linalg.solve(gram + 1e-6 * relative.size * np.eye(len(gram)), lines @ relative.reshape(-1))
        real, imaginary = solution[: 2 * _SHARED_HARMONICS].reshape(2, -1)
        by_cycle = 2 * np.pi * np.concatenate([-orders * imaginary, orders * real])
        steep = (by_cycle @ lines[: 2 * _SHARED_HARMONICS]).reshape(relative.shape)
        left = relative - (solution @ lines).reshape(relative.shape)
        moves = [steep * slow[:, k, None] for k in range(terms)] + [steep * (place - place.mean())[None, :]]
        along = np.stack([move.reshape(-1) for move in moves])
        both = lines @ along.T
        joint = np.block([[gram, both], [both.T, along @ along.T]])
        certain = np.linalg.inv(joint + 1e-9 * relative.size * np.eye(len(joint)))[len(gram) :]
        change = certain @ np.concatenate([lines @ left.reshape(-1), along @ left.reshape(-1)])
        spread = np.sqrt(np.diag(certain[:, len(gram) :]) * np.mean(left**2) * place.size)
        drift[:terms] += np.clip(change[:terms], -_LONGEST_STEP_CYCLES, _LONGEST_STEP_CYCLES)
        sweeps += float(np.clip(change[-1], -_LONGEST_STEP_CYCLES, _LONGEST_STEP_CYCLES))
        error = float(spread[0]) * 2 / duration
        if step + 1 == _WANDER_FROM:
            terms = 3
        if step == _WANDER_UNTIL and np.all(np.abs(drift[1:]) < _CLEAR_WANDER * spread[1:3]):
            drift[1:], terms = 0.0, 1
    harmonics = real + 1j * imaginary
    jitter = np.sum(steep * left, axis=1) / (np.sum(steep**2, axis=1) + 1e-12)
    return LightWave(
        rate_hz=rate_hz + float(drift[0]) * 2 / duration,
        error_hz=error,
        unexplained=float(np.mean(left**2) / np.mean(relative**2)),
        harmonics=harmonics,
        rows=harmonics[0] * np.exp(2j * np.pi * (sweeps * place - float(drift[0]) * (1 + 2 * time_s[0] / duration))),
        wander=slow[:, 1:] @ drift[1:],
        jitter=jitter,
    )
