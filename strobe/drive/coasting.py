"""The run-down of a platter without its drive: how much of the friction is dry, how much viscous, and what repeats.

With the speed w in turns a second, ``dw/dt = -a - b w``: a is dry friction (bush, thrust ball), b viscous (oil, air).
A ring of dots off centre, or dots spaced unevenly, add a wave to the angle that is the same at every speed;
unbalance, an unlevel platter and a tight spot push with a torque that depends on the angle, and their wave grows as
1 / w^2. A tight spot has strong multiples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.drive.features import COVERAGE
from strobe.errors import Refused, UsageError

__all__ = ["Coast", "fit_coast"]

_LONGER = "Take belt or idler off, spin the platter by hand, and film it slowing down for 40 seconds or longer."

LEAST_SAMPLES = 60
"""Two and a half samples for each of the 24 numbers fitted; our own choice."""
LEAST_TURNS = 4.0
"""Turns over which what repeats can be seen beside the slowing down; our own choice."""
LEAST_FALL = 0.15
"""Share of its speed that the platter must lose: over less the run-down hardly bends, and only its bend parts dry from
viscous friction. Our own choice."""
HIGHEST = 5
"""Waves of ring and torque up to so many times a turn; a tight spot's are strongest at the first few. Our own
choice."""
_ROUNDS = 25
"""Steps of Gauss and Newton at the most; it ends sooner where the law stands."""
_RICH = 0.4
"""Twice and three times a turn together, by once a turn, from which a torque is a tight spot; unbalance has neither. By
trial."""
_CLEAR = 3.0
"""Amplitude in standard deviations of its parts from which a torque is there: noise alone gives that once in 90
(exp(-9/2))."""
_MATTERS = 0.02
"""Share of the whole friction below which a torque is no cause of anything; our own choice."""
_LAW_SHARE = 0.001
"""Share by which the camera's clock, and what the law leaves out (oil that warms up), may be wrong; our own choice."""
_HIGH_HZ, _LOW_HZ = 45 / 60, 100 / 180
"""Turns a second from and to which the time is told."""
_LAW, _RING = 4, 2 * HIGHEST
"""Numbers of the law, and of the ring's waves, a cosine and a sine each; the torque has as many."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Coast:
    """The law of the run-down; every uncertainty is a 95 % half-width.

    Attributes
    ----------
    start_rpm, end_rpm : float
        Speeds at the ends of the clip.
    dry_rpm_per_s, viscous_per_s : float
        Dry friction as the speed that it takes off in a second, viscous friction as the share that it takes off.
    from_45_to_33_s : float or None
        Seconds from 45 to 33 1/3 rpm by that law; None where it slows nothing there, or perhaps nothing.
    ring_percent : float
        Once a turn that stays the same at every speed: dots off centre, e / R in percent.
    torque_rpm_per_s : float
        Once a turn that grows as the platter slows: amplitude of its acceleration.
    torque_kind : str or None
        ``unbalance`` (or not level), ``tight spot``, or None where neither is clear.
    tight_angle_deg : float or None
        Where in the turn the tight spot brakes most, from the first frame on in the direction of the turning.
    """

    start_rpm: float
    end_rpm: float
    dry_rpm_per_s: float
    dry_uncertainty_rpm_per_s: float
    viscous_per_s: float
    viscous_uncertainty_per_s: float
    from_45_to_33_s: float | None
    from_45_to_33_uncertainty_s: float | None
    ring_percent: float
    ring_uncertainty_percent: float
    torque_rpm_per_s: float
    torque_uncertainty_rpm_per_s: float
    torque_kind: str | None
    tight_angle_deg: float | None


def fit_coast(time_s: ArrayLike, angle_rev: ArrayLike) -> Coast:
    """Fit the run-down of a platter.

    Parameters
    ----------
    time_s, angle_rev : (K,) array_like
        Times, and the angle in turns, growing ever more slowly.

    Raises
    ------
    Refused
        ``too-short`` for fewer than 4 turns, few samples, or a speed that does not fall by 15 % or more.
    UsageError
        For values that are not finite, or times that don't grow.
    """
    time, angle = np.asarray(time_s, dtype=np.float64), np.asarray(angle_rev, dtype=np.float64)
    if time.ndim != 1 or time.shape != angle.shape:
        raise UsageError(f"coast: times {time.shape} and angles {angle.shape} must be one row each, of one length")
    if time.size < LEAST_SAMPLES:
        raise Refused("too-short", f"{time.size} samples are too few; {LEAST_SAMPLES} are the least.", _LONGER)
    if not (np.all(np.isfinite(time)) and np.all(np.isfinite(angle)) and np.all(np.diff(time) > 0)):
        raise UsageError("coast: times and angles must be finite, and the times growing")
    time, angle = time - time[0], angle - angle[0]
    if angle[-1] < LEAST_TURNS:
        raise Refused(
            "too-short",
            f"{angle[-1]:.1f} turns are too few to see what repeats; {LEAST_TURNS:g} are the least.",
            _LONGER,
        )
    law = _start(time, angle)
    if not (law[1] > 0 and _speed(law, time[-1]) < (1 - LEAST_FALL) * law[1]):
        raise Refused("too-short", "The platter hardly slows down in this clip.", _LONGER)
    law, waves, covariance = _fitted(time, angle, law)
    return _result(time, law, waves, covariance)


def _start(time: Array, angle: Array) -> Array:
    """Angle, speed, dry and viscous part from a cubic through the angle."""
    cubic = np.polynomial.Polynomial.fit(time, angle, 3).convert()
    speed, fall, bend = cubic.deriv(1), cubic.deriv(2), cubic.deriv(3)
    middle = 0.5 * time[-1]
    viscous = max(-float(bend(middle)) / min(float(fall(middle)), -1e-9), 1e-4)
    dry = max(-float(fall(middle)) - viscous * float(speed(middle)), 1e-6)
    return np.array([angle[0], float(speed(0.0)), dry, viscous])


def _speed(law: Array, time: ArrayLike) -> Array:
    _, start, dry, viscous = law
    fade = np.exp(-viscous * np.asarray(time))
    return np.asarray(start * fade - dry * _faded(viscous, time))


def _faded(viscous: float, time: ArrayLike) -> Array:
    """(1 - exp(-b t)) / b, for b near 0 as well."""
    value = np.asarray(time, dtype=np.float64)
    small = abs(viscous) < 1e-9
    return value if small else np.asarray(-np.expm1(-viscous * value) / viscous)


def _angle(law: Array, time: Array) -> Array:
    offset, start, dry, viscous = law
    faded = _faded(viscous, time)
    second = 0.5 * time**2 if abs(viscous) < 1e-9 else (time - faded) / viscous
    return np.asarray(offset + start * faded - dry * second)


def _fitted(time: Array, angle: Array, law: Array) -> tuple[Array, Array, Array]:
    """Gauss-Newton on the law together with the waves, which are linear once law and angle are near."""
    waves = np.zeros(2 * _RING)
    covariance = np.eye(law.size + waves.size)
    for _ in range(_ROUNDS):
        design = np.hstack([_slopes(law, time), _waves(law, time, angle)])
        rest = angle - _angle(law, time) - design[:, law.size :] @ waves
        scale = np.linalg.norm(design, axis=0)
        scale[scale == 0] = 1.0
        inverse = np.linalg.pinv((design / scale).T @ (design / scale), hermitian=True)
        step = inverse @ ((design / scale).T @ rest) / scale
        law = law + step[: law.size]
        waves = waves + step[law.size :]
        rest = angle - _angle(law, time) - _waves(law, time, angle) @ waves
        noise = float(np.mean(rest**2)) * _memory(rest)
        covariance = noise * inverse / np.outer(scale, scale)
        if np.all(np.abs(step[: law.size]) < 1e-3 * np.sqrt(np.diag(covariance)[: law.size]) + 1e-15):
            break
    return law, waves, covariance


def _memory(rest: Array) -> float:
    """By how much what is left resembles itself from sample to sample: the factor on the variance of a mean."""
    centred = rest - rest.mean()
    whole = float(np.sum(centred**2)) or 1.0
    lag = float(np.sum(centred[1:] * centred[:-1])) / whole
    keep = min(max(lag, 0.0), 0.98)
    return (1 + keep) / (1 - keep)


def _slopes(law: Array, time: Array) -> Array:
    step = np.maximum(1e-6 * np.abs(law), 1e-9)
    columns = [
        (_angle(law + step * (np.arange(4) == k), time) - _angle(law - step * (np.arange(4) == k), time))
        / (2 * step[k])
        for k in range(4)
    ]
    return np.stack(columns, axis=1)


def _waves(law: Array, time: Array, angle: Array) -> Array:
    """Waves once to `HIGHEST` times a turn: of the ring, the same at every speed; of a torque, growing as 1 / w^2."""
    turn = 2 * np.pi * angle
    speed = np.maximum(_speed(law, time), 0.02)
    columns = []
    for k in range(1, HIGHEST + 1):
        columns += [np.cos(k * turn) / (2 * np.pi), np.sin(k * turn) / (2 * np.pi)]
    for k in range(1, HIGHEST + 1):
        grown = 1 / (2 * np.pi * k * speed) ** 2
        columns += [-np.cos(k * turn) * grown, -np.sin(k * turn) * grown]
    return np.stack(columns, axis=1)


def _result(time: Array, law: Array, waves: Array, covariance: Array) -> Coast:
    sigma = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    _, start, dry, viscous = law
    between, between_spread = _between(float(dry), float(viscous), covariance[2:4, 2:4])
    ring = math.hypot(waves[0], waves[1])
    torque = waves[_RING:].reshape(HIGHEST, 2)
    size = np.hypot(torque[:, 0], torque[:, 1])
    unsure = sigma[_LAW + _RING :].reshape(HIGHEST, 2).max(axis=1)
    least = _MATTERS * (dry + viscous * 0.5 * (start + float(_speed(law, time[-1]))))
    # Of a tight spot twice and three times a turn are never weaker than what is faster, where noise grows.
    rich = float(np.sqrt(np.sum(np.maximum(size[1:3] ** 2 - 2 * unsure[1:3] ** 2, 0.0))))
    kind = None
    clear = size > np.maximum(_CLEAR * unsure, least)
    if rich > _RICH * size[0] and np.any(clear[1:3]):
        kind = "tight spot"
    elif clear[0]:
        kind = "unbalance"
    tight = None
    if kind == "tight spot":
        place = np.linspace(0, 1, 720, endpoint=False)
        push = sum(
            torque[k - 1, 0] * np.cos(2 * np.pi * k * place) + torque[k - 1, 1] * np.sin(2 * np.pi * k * place)
            for k in range(1, HIGHEST + 1)
        )
        tight = float(360 * place[np.argmin(push)])
    return Coast(
        start_rpm=60 * float(start),
        end_rpm=60 * float(_speed(law, time[-1])),
        dry_rpm_per_s=60 * float(dry),
        dry_uncertainty_rpm_per_s=60 * math.hypot(COVERAGE * float(sigma[2]), _LAW_SHARE * float(dry)),
        viscous_per_s=float(viscous),
        viscous_uncertainty_per_s=math.hypot(COVERAGE * float(sigma[3]), _LAW_SHARE * float(viscous)),
        from_45_to_33_s=between,
        from_45_to_33_uncertainty_s=between_spread,
        ring_percent=100 * ring,
        ring_uncertainty_percent=100 * COVERAGE * float(sigma[4:6].max()),
        torque_rpm_per_s=60 * float(size[0]),
        torque_uncertainty_rpm_per_s=60 * COVERAGE * float(unsure[0]),
        torque_kind=kind,
        tight_angle_deg=tight,
    )


def _between(dry: float, viscous: float, covariance: Array) -> tuple[float | None, float | None]:
    """Seconds from 45 to 33 1/3 rpm and their half-width; None where friction at either is not clear of nothing."""
    ends = np.array([[1.0, _LOW_HZ], [1.0, _HIGH_HZ]])
    friction = ends @ [dry, viscous]
    unsure = COVERAGE * np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", ends, covariance, ends), 0.0))
    if np.any(friction <= unsure):
        return None, None

    def seconds(a: float, b: float) -> float:
        slow = a + b * _LOW_HZ
        gain = b * (_HIGH_HZ - _LOW_HZ) / slow
        return (_HIGH_HZ - _LOW_HZ) / slow * (math.log1p(gain) / gain if gain else 1.0)

    step = 1e-4 * float(friction.min())
    slope = np.array(
        [
            (seconds(dry + step, viscous) - seconds(dry - step, viscous)) / (2 * step),
            (seconds(dry, viscous + step) - seconds(dry, viscous - step)) / (2 * step),
        ]
    )
    between = seconds(dry, viscous)
    spread = float(np.sqrt(slope @ covariance @ slope))
    return between, math.hypot(COVERAGE * spread, _LAW_SHARE * between)
