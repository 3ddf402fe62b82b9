"""Drives as physical models, integrated in time: where their parts are faulty, the platter's speed follows.

Nothing here adds a sine to a speed. A belt is a spring that creeps, its thickness varies along its length, pulley and
platter may sit off centre, bearings rub unevenly, servo loops have gains and a lag. The result is the platter's angle,
sampled as a camera would, with the noise of a reading and dots that sit a little off centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["BeltDrive", "DirectDrive", "IdlerDrive", "Rub", "Run", "filmed"]

STEP_S = 1 / 1200
SETTLE_S = 8.0

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rub:
    """Friction of the main bearing: a mean torque, a tight spot of some width, and an unsteady part."""

    torque_nm: float = 0.004
    spot_nm: float = 0.0
    spot_width_rev: float = 0.06
    unsteady_nm: float = 1e-5
    unsteady_s: float = 0.05

    def spot(self, turns: float) -> float:
        """Torque of the tight spot at an angle of the platter."""
        if self.spot_nm == 0.0:
            return 0.0
        off = (turns + 0.5) % 1.0 - 0.5
        return self.spot_nm * math.exp(-0.5 * (off / self.spot_width_rev) ** 2)


@dataclass(frozen=True)
class BeltDrive:
    """Motor and pulley, an elastic belt, a platter. Lengths in metres, diameters effective.

    The driven face is off centre by `driven_off_m`, or out of round by it with more than one of `driven_lobes`.
    `servo` gives the motor a speed control whose natural rate and damping are told, trimmed to the nominal speed;
    `shaft_rpm` is the speed of a motor on the mains, which wanders a little. With neither the motor is trimmed as well.
    """

    rpm: float = 100 / 3
    driven_m: float = 0.1606
    pulley_m: float = 0.0214
    belt_path_m: float = 0.5675
    strand_m: float = 0.09
    section_m2: float = 3e-6
    young_pa: float = 4e6
    belt_loss: float = 0.12
    platter_mass_kg: float = 1.4
    platter_m: float = 0.30
    pulley_off_m: float = 5e-6
    driven_off_m: float = 1e-5
    driven_lobes: int = 1
    lump_m: float = 0.0
    lump_length_m: float = 0.012
    belt_uneven_m: float = 4e-6
    rub: Rub = field(default_factory=Rub)
    shaft_rpm: float | None = None
    servo: tuple[float, float] | None = None
    servo_push: float = 0.002
    chassis_hz: float | None = None
    chassis_q: float = 8.0
    chassis_rms_m: float = 0.0
    mains_wander: float = 1e-4

    @property
    def swing_hz(self) -> float:
        """Natural rate of the platter on its belt."""
        stiffness = 2 * self.young_pa * self.section_m2 / self.strand_m
        return math.sqrt(stiffness * (self.driven_m / 2) ** 2 / self._inertia) / (2 * math.pi)

    @property
    def _inertia(self) -> float:
        return 0.5 * self.platter_mass_kg * (self.platter_m / 2) ** 2

    def turns(self, seconds: float, rng: np.random.Generator) -> Array:
        """Angle of the platter in turns at every `STEP_S`, after the start has died away."""
        count = round((seconds + SETTLE_S) / STEP_S)
        big, small, inertia = self.driven_m / 2, self.pulley_m / 2, self._inertia
        stiffness = 2 * self.young_pa * self.section_m2 / self.strand_m
        damping = self.belt_loss * math.sqrt(stiffness * inertia) / big
        nominal = 2 * math.pi * self.rpm / 60
        shaft_nominal = nominal * big / small
        shaft_nominal *= 1 + self.rub.torque_nm / big / (2 * self.young_pa * self.section_m2)
        if self.shaft_rpm is not None:
            shaft_nominal = 2 * math.pi * self.shaft_rpm / 60
        shaft_speed = self._shaft(count, shaft_nominal, rng)
        unsteady = self.rub.unsteady_nm * _wander(count, self.rub.unsteady_s, rng)
        stretch_rate = self._chassis(count, rng)
        thickness = self._thickness(rng)
        cells = thickness.size
        per_metre = cells / self.belt_path_m
        wrap = round(0.5 * self.strand_m * per_metre)
        pulley_phase, driven_phase = rng.uniform(0, 2 * math.pi, 2)
        turned, omega, shaft, along = 0.0, nominal, 0.0, 0.0
        stretch = self.rub.torque_nm / big / stiffness
        made = np.empty(count)
        table = thickness.tolist()
        for i in range(count):
            place = int(along * per_metre)
            r = small + self.pulley_off_m * math.cos(shaft + pulley_phase) + 0.5 * table[place % cells]
            big_r = big + self.driven_off_m * math.cos(self.driven_lobes * turned + driven_phase)
            big_r += 0.5 * table[(place + wrap) % cells]
            v_pulley, v_platter = shaft_speed[i] * r, omega * big_r
            rate = v_pulley - v_platter - stretch / self.strand_m * v_pulley + stretch_rate[i]
            force = stiffness * stretch + damping * rate
            rub = self.rub.torque_nm + self.rub.spot(turned / (2 * math.pi)) + unsteady[i]
            omega += (force * big_r - rub) / inertia * STEP_S
            stretch += rate * STEP_S
            turned += omega * STEP_S
            shaft += shaft_speed[i] * STEP_S
            along += v_pulley * STEP_S
            made[i] = turned
        return made[round(SETTLE_S / STEP_S) :] / (2 * math.pi)

    def _shaft(self, count: int, nominal: float, rng: np.random.Generator) -> Array:
        if self.servo is None:
            return nominal * (1 + self.mains_wander * _wander(count, 20.0, rng))
        return nominal * (1 + _servo(self.servo, self.servo_push, count, rng))

    def _chassis(self, count: int, rng: np.random.Generator) -> Array:
        """How fast the spindle moves away from the motor, for a platter on springs that the floor shakes."""
        if self.chassis_hz is None or self.chassis_rms_m == 0.0:
            return np.zeros(count)
        place = _resonance(self.chassis_hz, 0.5 / self.chassis_q, rng.standard_normal(count))
        return np.gradient(place * self.chassis_rms_m / np.std(place), STEP_S)

    def _thickness(self, rng: np.random.Generator) -> Array:
        """How much thicker than its mean the belt is along its length: a lump, and a smooth unevenness."""
        place = np.arange(2048) / 2048
        made = self.belt_uneven_m * np.cos(2 * np.pi * place + rng.uniform(0, 6.28))
        made += 0.4 * self.belt_uneven_m * np.cos(4 * np.pi * place + rng.uniform(0, 6.28))
        lump = np.exp(-0.5 * ((place - 0.5) * self.belt_path_m / (0.5 * self.lump_length_m)) ** 2)
        return np.asarray(made + self.lump_m * (lump - lump.mean()))


@dataclass(frozen=True)
class IdlerDrive:
    """Motor pulley, a rubber idler that may be off centre or have a flat, and the platter's rim. Metres."""

    rpm: float = 100 / 3
    driven_m: float = 0.28
    pulley_m: float = 0.0065
    idler_m: float = 0.045
    contact_n_per_m: float = 8000.0
    contact_loss: float = 0.25
    platter_mass_kg: float = 2.2
    platter_m: float = 0.30
    pulley_off_m: float = 1e-6
    driven_off_m: float = 1e-5
    idler_off_m: float = 2e-6
    flat_m: float = 0.0
    flat_rev: float = 0.05
    contact_angle_rev: float = 0.4
    rub: Rub = field(default_factory=lambda: Rub(torque_nm=0.008))
    slip_wander: float = 3e-4

    def turns(self, seconds: float, rng: np.random.Generator) -> Array:
        """Angle of the platter in turns at every `STEP_S`, after the start has died away."""
        count = round((seconds + SETTLE_S) / STEP_S)
        big, r, small = self.driven_m / 2, self.idler_m / 2, self.pulley_m / 2
        inertia = 0.5 * self.platter_mass_kg * (self.platter_m / 2) ** 2
        damping = self.contact_loss * math.sqrt(self.contact_n_per_m * inertia) / big
        nominal = 2 * math.pi * self.rpm / 60
        shaft_speed = nominal * big / small * (1 + self.slip_wander * _wander(count, 3.0, rng))
        unsteady = self.rub.unsteady_nm * _wander(count, self.rub.unsteady_s, rng)
        pulley_phase, driven_phase, idler_phase = rng.uniform(0, 2 * math.pi, 3)
        turned, omega, shaft, idler = 0.0, nominal, 0.0, 0.0
        stretch = self.rub.torque_nm / big / self.contact_n_per_m
        other = 2 * math.pi * self.contact_angle_rev
        made = np.empty(count)
        for i in range(count):
            v_pulley = shaft_speed[i] * (small + self.pulley_off_m * math.cos(shaft + pulley_phase))
            spin = v_pulley / self._radius(r, idler + idler_phase)
            v_idler = spin * self._radius(r, idler + idler_phase + other)
            big_r = big + self.driven_off_m * math.cos(turned + driven_phase)
            rate = v_idler - omega * big_r
            force = self.contact_n_per_m * stretch + damping * rate
            rub = self.rub.torque_nm + self.rub.spot(turned / (2 * math.pi)) + unsteady[i]
            omega += (force * big_r - rub) / inertia * STEP_S
            stretch += rate * STEP_S
            turned += omega * STEP_S
            shaft += shaft_speed[i] * STEP_S
            idler += spin * STEP_S
            made[i] = turned
        return made[round(SETTLE_S / STEP_S) :] / (2 * math.pi)

    def _radius(self, mean: float, angle: float) -> float:
        radius = mean + self.idler_off_m * math.cos(angle)
        if self.flat_m:
            off = (angle / (2 * math.pi)) % 1.0 - 0.5
            radius -= self.flat_m * math.exp(-0.5 * (off / (0.5 * self.flat_rev)) ** 2)
        return radius


@dataclass(frozen=True)
class DirectDrive:
    """A platter on the motor's own shaft, with torque ripple of the coils and a speed control."""

    rpm: float = 100 / 3
    platter_mass_kg: float = 1.8
    platter_m: float = 0.31
    poles: int = 16
    offset_share: float = 0.001
    mismatch_share: float = 0.001
    sensor_off: float = 3e-5
    control_hz: float = 1.2
    control_damping: float = 0.6
    lag_s: float = 0.01
    rub: Rub = field(default_factory=lambda: Rub(torque_nm=0.006, unsteady_nm=3e-5, unsteady_s=0.1))

    def turns(self, seconds: float, rng: np.random.Generator) -> Array:
        """Angle of the platter in turns at every `STEP_S`, after the start has died away."""
        count = round((seconds + SETTLE_S) / STEP_S)
        inertia = 0.5 * self.platter_mass_kg * (self.platter_m / 2) ** 2
        nominal = 2 * math.pi * self.rpm / 60
        natural = 2 * math.pi * self.control_hz
        pull, gather = 2 * self.control_damping * natural * inertia, natural**2 * inertia
        unsteady = self.rub.unsteady_nm * _wander(count, self.rub.unsteady_s, rng)
        first, second, third = rng.uniform(0, 2 * math.pi, 3)
        turned, omega, total, drive = 0.0, nominal, self.rub.torque_nm / gather, self.rub.torque_nm
        made = np.empty(count)
        for i in range(count):
            seen = omega * (1 + self.sensor_off * math.cos(turned + third))
            error = nominal - seen
            total += error * STEP_S
            drive += (pull * error + gather * total - drive) * STEP_S / self.lag_s
            ripple = self.offset_share * math.cos(0.5 * self.poles * turned + first)
            ripple += self.mismatch_share * math.cos(self.poles * turned + second)
            rub = self.rub.torque_nm + self.rub.spot(turned / (2 * math.pi)) + unsteady[i]
            omega += (drive * (1 + ripple) - rub) / inertia * STEP_S
            turned += omega * STEP_S
            made[i] = turned
        return made[round(SETTLE_S / STEP_S) :] / (2 * math.pi)


@dataclass(frozen=True, eq=False)
class Run:
    """What a reading sees of a run: times and the platter's angle with the noise of the dots."""

    time_s: Array
    angle_rev: Array
    noise_rev: float
    frame_rate_hz: float


def filmed(
    turns: Array,
    *,
    frame_rate_hz: float,
    rng: np.random.Generator,
    noise_dots: float = 1e-3,
    dots: int = 180,
    ring_off_mm: float = 0.02,
    ring_radius_mm: float = 150.0,
) -> Run:
    """Sample an angle as a camera would, with white noise of the dots and a ring of dots off centre."""
    fine = np.arange(turns.size) * STEP_S
    time = np.arange(int(fine[-1] * frame_rate_hz)) / frame_rate_hz
    angle = np.interp(time, fine, turns)
    phase = rng.uniform(0, 2 * np.pi)
    angle = angle + ring_off_mm / ring_radius_mm / (2 * np.pi) * np.sin(2 * np.pi * angle + phase)
    noise = noise_dots / dots
    return Run(time, angle + noise * rng.standard_normal(time.size), noise, frame_rate_hz)


def _wander(count: int, memory_s: float, rng: np.random.Generator) -> Array:
    """Unsteadiness of unit standard deviation that forgets itself after `memory_s`."""
    from scipy.signal import lfilter

    keep = math.exp(-STEP_S / memory_s)
    start = rng.standard_normal()
    push = rng.standard_normal(count) * math.sqrt(1 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], push, zi=[keep * start])[0])


def _resonance(rate_hz: float, damping: float, push: Array) -> Array:
    """A mass on a spring, pushed: place over time."""
    place = speed = 0.0
    natural = 2 * math.pi * rate_hz
    made = np.empty(push.size)
    for i, force in enumerate(push.tolist()):
        speed += (force - 2 * damping * natural * speed - natural**2 * place) * STEP_S
        place += speed * STEP_S
        made[i] = place
    return made


def _servo(loop: tuple[float, float], push: float, count: int, rng: np.random.Generator) -> Array:
    """Relative speed error of a motor under proportional and integral control, with an unsteady load."""
    rate_hz, damping = loop
    natural = 2 * math.pi * rate_hz
    load = (push * natural * _wander(count, 0.05, rng)).tolist()
    error = total = 0.0
    made = np.empty(count)
    for i in range(count):
        error += (load[i] - 2 * damping * natural * error - natural**2 * total) * STEP_S
        total += error * STEP_S
        made[i] = error
    return made
